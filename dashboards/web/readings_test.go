// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"runtime"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
	"curewright/sensors"
)

type row struct {
	Time   time.Time
	TempC  *float64 `json:"temp_c"`
	RHPct  *float64 `json:"rh_pct"`
	CO2PPM *float64 `json:"co2_ppm"`
}

func rows(t *testing.T, h http.Handler, query string) []row {
	t.Helper()
	w := ask{path: "/api/v1/readings?probe=panel-1" + query}.do(t, h)
	var a struct {
		Probe    string
		Readings []row
	}
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil || w.Code != 200 || a.Probe != "panel-1" {
		t.Fatalf("%s: %d %s %v", query, w.Code, w.Body, err)
	}
	return a.Readings
}

func TestReadings(t *testing.T) {
	b := shop(t)
	h := server(t, b).Handler()
	all := rows(t, h, "")
	if n := len(all); n != 121 || *all[n-1].TempC != 17.6 || all[0].RHPct != nil {
		t.Errorf("%d readings, last %v, humidity %v; want 121, 17.6 and none", n, *all[n-1].TempC, all[0].RHPct)
	}
	if got := rows(t, h, "&from=2026-10-10T11:09:56%2B01:00&to=2026-10-10T11:13:56+01:00"); len(got) != 5 {
		t.Errorf("%d readings in five minutes, both ends counted, want 5", len(got))
	}
	if got := rows(t, h, "&from=2020-01-01T00:00:00Z&to=2020-01-02T00:00:00Z"); len(got) != 0 {
		t.Errorf("%d readings before there were any", len(got))
	}
	b.Store().Append([]sensors.Reading{{Probe: "loft", At: daemontest.ShopAt.Add(-time.Hour), Temp: sensors.Some(-0.5), CO2: sensors.Some(420)}, {Probe: "=cmd()", At: daemontest.ShopAt, Temp: sensors.Some(1)}})
	w := ask{path: "/api/v1/readings?probe=loft&format=csv&from=2026-10-10T10:00:00%2B01:00"}.do(t, h)
	recs, err := csv.NewReader(w.Body).ReadAll()
	if err != nil || len(recs) != 2 || strings.Join(recs[0], ",") != "time,probe,temp_c,rh_pct,co2_ppm" || strings.Join(recs[1], ",") != "2026-10-10T09:20:00Z,loft,-0.5,,420" {
		t.Errorf("CSV %q, %v", recs, err)
	}
	if w := (ask{path: "/api/v1/readings?probe=%3Dcmd()&format=csv"}).do(t, h); !strings.Contains(w.Body.String(), "'=cmd()") {
		t.Errorf("a name that a spreadsheet would run: %s", w.Body)
	}
}

// A thinned chart keeps every peak, breaks its line at a gap, stays within its
// size, and invents nothing.
func TestThinnedReadings(t *testing.T) {
	b := bare(t)
	h := server(t, b).Handler()
	from := daemontest.ShopAt.Add(-24 * time.Hour)
	real := map[time.Time]float64{}
	var rs []sensors.Reading
	for i := range 24 * 360 { // every 10 s
		at := from.Add(time.Duration(i) * 10 * time.Second)
		if i > 3000 && i < 3400 {
			continue // 66 min without a reading
		}
		x := math.Round(400*(15+3*math.Sin(float64(i)/1200))) / 400 // as the store keeps it
		switch i {
		case 1234:
			x = 31 // a hand on the probe
		case 5000:
			x = -2
		}
		real[at.UTC()] = x
		rs = append(rs, sensors.Reading{Probe: "panel-1", At: at, Temp: sensors.Some(x), RH: sensors.Some(50 + x)})
	}
	b.Store().Append(rs)
	got := rows(t, h, "&max=500")
	if len(got) > 500 || len(got) < 150 {
		t.Errorf("%d rows, want at most 500 and a usable line", len(got))
	}
	hi, lo, gaps := math.Inf(-1), math.Inf(1), 0
	last := from.Add(-time.Second)
	for _, r := range got {
		if r.Time.Before(last) {
			t.Fatalf("%v after %v", r.Time, last)
		}
		last = r.Time
		if r.TempC == nil {
			gaps++
			if since := r.Time.Sub(from); since < 3000*10*time.Second || since > 3400*10*time.Second {
				t.Errorf("a gap at %v, where there is none", r.Time)
			}
			continue
		}
		if x, ok := real[r.Time.UTC()]; !ok || x != *r.TempC {
			t.Fatalf("%v at %v was never read", *r.TempC, r.Time)
		}
		hi, lo = max(hi, *r.TempC), min(lo, *r.TempC)
	}
	if hi != 31 || lo != -2 || gaps != 1 {
		t.Errorf("from %v to %v with %d gaps, want -2 to 31 with one", lo, hi, gaps)
	}
}

// endless serves a year of seconds without holding them.
type endless struct {
	web.Backend
	n    int
	fail bool
}

func (e endless) Readings(_ context.Context, _ string, _, _ time.Time, yield func(sensors.Reading) bool) error {
	for i := range e.n {
		if !yield(sensors.Reading{At: daemontest.ShopAt.Add(time.Duration(i) * time.Second), Temp: sensors.Some(17.25)}) {
			return nil
		}
	}
	if e.fail {
		return errors.New("page 7: checksum mismatch")
	}
	return nil
}

// A long answer is streamed: the server's memory does not grow with it.
func TestReadingsAreStreamed(t *testing.T) {
	addr := serve(t, web.Config{}, endless{Backend: bare(t), n: 600_000})
	res, err := http.Get("http://" + addr + "/api/v1/readings?probe=panel-1")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var before, now runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	most, total := uint64(0), 0
	buf := make([]byte, 64<<10)
	for step := 0; ; step++ {
		n, err := res.Body.Read(buf)
		total += n
		if step%200 == 0 {
			runtime.ReadMemStats(&now)
			most = max(most, now.HeapInuse)
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if total < 30<<20 {
		t.Errorf("%d bytes, want all of them", total)
	}
	if most > before.HeapInuse+12<<20 {
		t.Errorf("the heap grew by %d MB while %d MB went through", (most-before.HeapInuse)>>20, total>>20)
	}
}

// Half an answer must not look like a whole one.
func TestBrokenStreamIsSeen(t *testing.T) {
	addr := serve(t, web.Config{}, endless{Backend: bare(t), n: 5000, fail: true})
	for _, q := range []string{"", "&format=csv"} {
		res, err := http.Get("http://" + addr + "/api/v1/readings?probe=panel-1" + q)
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(res.Body)
		res.Body.Close()
		if err == nil {
			t.Errorf("%q: %d bytes came as if whole", q, len(b))
		}
	}
}
