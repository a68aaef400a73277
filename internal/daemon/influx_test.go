// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/sensors"

	"curewright/internal/realpart"
	"curewright/internal/testkit"
)

// startVictoria runs a real victoria-metrics on a loopback port.
func startVictoria(t *testing.T) (base string) {
	t.Helper()
	bin := realpart.Program(t, "victoria-metrics")
	port, _ := testkit.FreePort(t)
	base = "http://127.0.0.1:" + port
	out := &testkit.Buffer{}
	cmd := exec.Command(bin, "-storageDataPath="+t.TempDir(), "-httpListenAddr=127.0.0.1:"+port, "-dedup.minScrapeInterval=1ms", "-memory.allowedBytes=64MB")
	cmd.Stdout, cmd.Stderr = out, out
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	testkit.OK(t, cmd.Start())
	t.Cleanup(func() { cmd.Process.Signal(syscall.SIGTERM); cmd.Wait() })
	testkit.Until(t, "victoria-metrics answers", func() bool {
		res, err := http.Get(base + "/health")
		if err != nil {
			return false
		}
		res.Body.Close()
		return res.StatusCode == 200
	})
	return base
}

type series struct {
	Metric     map[string]string `json:"metric"`
	Values     []float64         `json:"values"`
	Timestamps []int64           `json:"timestamps"`
}

func exported(t *testing.T, base, match string) []series {
	t.Helper()
	res, err := http.Get(base + "/api/v1/export?" + url.Values{"match[]": {match}, "start": {"0"}}.Encode())
	testkit.OK(t, err)
	defer res.Body.Close()
	var out []series
	sc := bufio.NewScanner(res.Body)
	sc.Buffer(nil, 16<<20)
	for sc.Scan() {
		var s series
		if err := json.Unmarshal(sc.Bytes(), &s); err != nil {
			t.Fatalf("export: %v: %.200s", err, sc.Text())
		}
		out = append(out, s)
	}
	return out
}

// A daemon that was without its server while a coat cured sends the readings,
// the work, the log and the cure of all that time; the cure is the
// estimator's own, point by point.
func TestInfluxDaemon(t *testing.T) {
	base := startVictoria(t)
	u, err := url.Parse(base)
	testkit.OK(t, err)
	g := newGate(t, u.Port())
	g.set(true)
	d, log, stop := runDaemon(t, fmt.Sprintf(`
[shop]
name = "Boat shed"
[influx]
url = %q
bucket = "shed"
org = "club"
token_file = %q
every = "1s"
cure_every = "1m"
external_labels = { yard = "north" }
`, "http://"+g.addr, secretFile(t, "s3cret-token")))
	start := time.Now().Add(-3 * time.Hour).Truncate(time.Minute)
	for at := start; at.Before(time.Now()); at = at.Add(10 * time.Second) {
		d.store.Append([]sensors.Reading{{Probe: "panel-1", At: at, Temp: sensors.Some(22), RH: sensors.Some(50)}})
	}
	create(t, d, "panel", `{"id":"lid","probe":"panel-1","air":"panel-1","core":"foam","area_m2":1.4}`)
	create(t, d, "coat", fmt.Sprintf(`{"id":"tack","panel":"lid","resin":"medium","kind":"tack coat","next":"cloth","applied":%q}`, start.Add(10*time.Minute).Format(time.RFC3339)))
	create(t, d, "feel", fmt.Sprintf(`{"coat":"tack","at":%q,"state":"wet"}`, start.Add(40*time.Minute).Format(time.RFC3339)))
	d.event("clock", "", "made for the test", time.Now())
	testkit.Until(t, "the outage is noticed", func() bool { return d.influx.Status().Failures > 0 })
	opened := time.Now()
	g.set(false)
	alpha := func() *series {
		for _, s := range exported(t, base, `{__name__="curewright_cure_alpha_p50"}`) {
			return &s
		}
		return nil
	}
	testkit.Until(t, "the cure arrives", func() bool { s := alpha(); return s != nil && len(s.Values) >= 168 })
	testkit.Until(t, "the readings arrive", func() bool {
		n := 0
		for _, s := range exported(t, base, `{__name__="curewright_reading_temp_c"}`) {
			n += len(s.Values)
		}
		return n >= 3*360
	})
	if st := d.influx.Status(); st.Rejected != 0 || !st.FailingSince.IsZero() {
		t.Errorf("status %+v", st)
	}

	s := alpha()
	for k, want := range map[string]string{"site": "Boat shed", "yard": "north", "coat": "tack", "panel": "lid"} {
		if got := s.Metric[k]; got != want {
			t.Errorf("label %s = %q, want %q", k, got, want)
		}
	}
	ps, err := d.Trace(t.Context(), "tack", start.Add(11*time.Minute), start.Add(179*time.Minute), 169)
	testkit.OK(t, err)
	want := map[int64]float64{}
	for _, p := range ps {
		if p.Alpha != nil {
			want[p.At.UnixMilli()] = p.Alpha.P50
		}
	}
	same, last := 0, 0.0
	for i, ts := range s.Timestamps {
		if ts%60_000 != 0 {
			// The present is the daemon's last evaluation, at its own time.
			at := time.UnixMilli(ts)
			now, err := d.Trace(t.Context(), "tack", at.Add(-time.Minute), at, 2)
			testkit.OK(t, err)
			if at.Before(opened.Add(-2*time.Minute)) || len(now) != 2 || math.Abs(now[1].Alpha.P50-s.Values[i]) > 1e-3 {
				t.Errorf("alpha at %v is %v, the estimator says %v", at, s.Values[i], now)
			}
		}
		if w, ok := want[ts]; ok {
			same++
			if math.Abs(w-s.Values[i]) > 1e-9 {
				t.Errorf("alpha at %d is %v, the estimator says %v", ts, s.Values[i], w)
			}
		}
		if s.Values[i] < last {
			t.Errorf("the cure goes back at %d", ts)
		}
		last = s.Values[i]
	}
	if same < 160 {
		t.Errorf("only %d points are on the estimator's grid", same)
	}
	for _, match := range []string{`{__name__="curewright_work_n",kind="coat",op="create"}`, `{__name__="curewright_work_n",kind="feel"}`, `{__name__="curewright_event_n",kind="clock"}`, `{__name__="curewright_cure_state_number"}`} {
		testkit.Until(t, match, func() bool { return len(exported(t, base, match)) > 0 })
	}
	stop()
	if strings.Contains(log.String(), "s3cret") {
		t.Error("the token is in the log")
	}
}

// The present costs no computation: the last evaluation stands for it, under its own
// time, and a repeat is the same point though a newer look came between.
func TestInfluxCureNow(t *testing.T) {
	grid := time.Date(2026, 10, 10, 12, 0, 0, 0, time.UTC)
	tg, x := coat.Band{P10: 1, P50: 2, P90: 3}, 18.5
	look := func(at time.Time, p50 float64) *web.Snapshot {
		return &web.Snapshot{Surfaces: []alerts.Surface{{Panel: "lid", DewC: &x}}, Result: job.Result{At: at, Coats: []coat.Estimate{
			{ID: "tack", Panel: "lid", AppliedAt: grid.Add(-time.Hour), Alpha: &coat.Band{P10: .1, P50: p50, P90: .5}, TgC: &tg, State: coat.Tacky},
			{ID: "old", Panel: "lid", AppliedAt: grid.AddDate(0, 0, -cureDays-1)},
		}}}
	}
	d := &Daemon{}
	c := &coatCures{d: d}
	if _, ok := c.now(grid); ok {
		t.Error("there was no look yet")
	}
	d.snap.Store(look(grid.Add(-2*time.Minute), .2))
	if _, ok := c.now(grid); ok {
		t.Error("an evaluation of two minutes before stood for now")
	}
	first := grid.Add(-12 * time.Second)
	d.snap.Store(look(first, .3))
	for range 2 {
		ps, ok := c.now(grid)
		if !ok || len(ps) != 1 || ps[0].Coat != "tack" || !ps[0].At.Equal(first) || *ps[0].Alpha != [3]float64{.1, .3, .5} || *ps[0].TgC != 2 || *ps[0].DewC != x || ps[0].TempC != nil || ps[0].State != "tacky" {
			t.Errorf("got %+v, %v", ps, ok)
		}
		d.snap.Store(look(grid.Add(20*time.Second), .4))
	}
}
