// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/daemon/learnt"
	"curewright/internal/testkit"
	"curewright/model/cure"
	"curewright/model/memory"
	"curewright/sensors"
)

// memoryShed is a daemon whose shed is at 21 °C for a week, with one coat a day
// of the fast hardener, each felt at the times of a resin that runs so much
// faster than the sheet.
func memoryShed(t *testing.T, dir string, faster float64, days int) *daemontest.Daemon {
	t.Helper()
	begin := time.Date(2026, 10, 4, 0, 0, 0, 0, time.UTC)
	d := daemontest.New(t, daemontest.Options{Dir: dir, At: begin})
	var rs []sensors.Reading
	for i := range 7 * 24 * 12 {
		at := begin.Add(time.Duration(i) * 5 * time.Minute)
		rs = append(rs, sensors.Reading{Probe: "panel-1", At: at, Temp: sensors.Some(21)}, sensors.Reading{Probe: "air-1", At: at, Temp: sensors.Some(21), RH: sensors.Some(45)})
	}
	for _, p := range []string{"panel-1", "air-1"} {
		testkit.OK(t, d.Sensors().Restore(p, "simulated", sensors.Meta{Accepted: true}))
	}
	d.Store().Append(rs)
	d.Do("POST", "/api/v1/panels", map[string]any{"id": "lid", "probe": "panel-1", "air": "air-1", "core": "foam"}, http.StatusCreated)
	r, _ := cure.Generic(cure.Fast)
	sheet := cure.Steady(r, 21, faster, true).TimesMin
	for day := range days {
		mixed := begin.Add(time.Duration(24*day+9) * time.Hour)
		d.Clock.Put(mixed.Add(time.Minute))
		cup := d.Post("/api/v1/batches", map[string]any{"resin": "fast", "lot": "L1", "mixed": mixed})
		c := d.Post("/api/v1/coats", map[string]any{"id": fmt.Sprintf("day-%d", day), "panel": "lid", "resin": "fast", "kind": "fill coat", "applied": mixed, "batches": []string{cup}})
		for _, f := range []struct {
			min   float64
			state string
		}{{(*sheet.Tacky + *sheet.Green) / 2, "tacky"}, {(*sheet.Green + *sheet.Firm) / 2, "green"}, {*sheet.Firm * 1.1, "firm"}} {
			at := mixed.Add(time.Duration(f.min * float64(time.Minute)))
			d.Clock.Put(at)
			d.Do("POST", "/api/v1/coats/"+c+"/feels", map[string]any{"at": at, "state": f.state}, http.StatusCreated)
		}
		d.Clock.Put(mixed.Add(12 * time.Hour))
		d.Do("PATCH", "/api/v1/coats/"+c, map[string]any{"ended": mixed.Add(11 * time.Hour)}, http.StatusOK)
		d.Advance(0)
	}
	return d
}

func memoryOf(t *testing.T, d *daemontest.Daemon) learnt.MemoryView {
	t.Helper()
	return answer[learnt.MemoryView](t, d.Do("GET", "/api/v1/memory", nil, http.StatusOK))
}

// ofResins counts what is said of resins; the shed's readings teach beside it.
func ofResins(v learnt.MemoryView) (n int) {
	for _, c := range v.Claims {
		if c.Resin != "" {
			n++
		}
	}
	return n
}

// What the coats taught stands on the next one, is told with the coats that
// taught it, outlives a new start, is carried to another board as a file, and is
// forgotten on a word for good.
func TestMemoryOfADaemon(t *testing.T) {
	dir := t.TempDir()
	d := memoryShed(t, dir, 1.3, 5)
	v := memoryOf(t, d)
	if len(v.Coats) != 5 || len(v.Claims) == 0 || v.Claims[0].Code != "rate_faster" || len(v.Claims[0].Coats) != 5 || v.Claims[0].Tests != 15 {
		t.Fatalf("%+v", v)
	}
	if last := v.Claims[len(v.Claims)-1]; v.Shed == nil || v.Shed.Probe != "air-1" || last.Code != "shed" || !strings.Contains(last.Say, "air-1") {
		t.Errorf("of the shed: %+v, %+v", v.Shed, last)
	}
	if k := *v.Claims[0].P50; k < 1.1 || k > 1.35 {
		t.Errorf("rate %.2f, of a resin at 1.3", k)
	}
	d.Clock.Put(d.Clock.Now().Add(12 * time.Hour))
	now := d.Clock.Now()
	d.Do("POST", "/api/v1/coats", map[string]any{"id": "next", "panel": "lid", "resin": "fast", "kind": "fill coat", "applied": now}, http.StatusCreated)
	d.Clock.Put(now.Add(10 * time.Minute))
	d.Advance(0)
	next := func() (learnt string, kappa, width float64) {
		c := answer[struct {
			Learnt string
			Kappa  struct{ P50 float64 }
			Events struct{ Green struct{ P10, P90 time.Time } }
		}](t, d.Do("GET", "/api/v1/coats/next", nil, http.StatusOK))
		return c.Learnt, c.Kappa.P50, c.Events.Green.P90.Sub(c.Events.Green.P10).Minutes()
	}
	line, k, width := next()
	if !strings.Contains(line, "% faster than its sheet (coats: 5)") {
		t.Errorf("the coat says %q", line)
	}
	if k < 1.1 {
		t.Errorf("rate factor of the next coat %.2f: not learnt", k)
	}
	file := d.Do("GET", "/api/v1/memory/file", nil, http.StatusOK)
	if len(file) > 40e3 {
		t.Errorf("%d bytes for five coats", len(file))
	}

	// Another board takes it whole; a file that was changed, not at all.
	other := daemontest.New(t, daemontest.Options{At: now})
	code, body := other.Raw("POST", "/api/v1/memory/file", []byte(strings.Replace(string(file), "day-1", "day-9", 1)))
	if code != http.StatusBadRequest || !strings.Contains(string(body), "damaged") || len(memoryOf(t, other).Coats) != 0 {
		t.Errorf("a changed file: %d %s", code, body)
	}
	if code, body = other.Raw("POST", "/api/v1/memory/file", file); code != http.StatusOK {
		t.Fatalf("%d %s", code, body)
	}
	if there := memoryOf(t, other); len(there.Coats) != 5 || there.Claims[0].Say != v.Claims[0].Say {
		t.Errorf("carried over: %+v", there.Claims)
	}

	// Forgotten: the next coat goes by the sheet, and the history does not teach
	// it again.
	d.Do("POST", "/api/v1/memory/forget", map[string]any{"resin": "fast"}, http.StatusOK)
	d.Advance(0)
	line, k, sheet := next()
	if line != "" || k < 0.95 || k > 1.05 {
		t.Errorf("forgotten, and the coat still says %q, %v", line, k)
	}
	if width > 0.75*sheet {
		t.Errorf("green within %.0f min by what was learnt, %.0f min by the sheet", width, sheet)
	}
	d.Advance(0)
	if v = memoryOf(t, d); ofResins(v) != 0 || len(v.Coats) != 5 || v.Coats[0].Teaches {
		t.Errorf("forgotten, and %+v", v)
	}
}

// A memory of a newer version, or one that is damaged, is said and set aside, not
// thrown away; the coats teach anew.
func TestMemorySetAside(t *testing.T) {
	dir := t.TempDir()
	d := memoryShed(t, dir, 1.2, 2)
	file := d.Do("GET", "/api/v1/memory/file", nil, http.StatusOK)
	at := d.Clock.Now()
	var doc map[string]json.RawMessage
	testkit.OK(t, json.Unmarshal(file, &doc))
	doc["version"] = json.RawMessage(fmt.Sprint(memory.Version + 1))
	newer, _ := json.Marshal(doc)
	testkit.OK(t, d.Store().PutKV(t.Context(), "memory", "learnt", newer))
	testkit.OK(t, d.Store().Close())
	again := daemontest.New(t, daemontest.Options{Dir: dir, At: at})
	if v := memoryOf(t, again); !strings.Contains(v.Trouble, "newer version") || ofResins(v) != 0 {
		t.Fatalf("%+v", v)
	}
	again.Advance(0)
	if v := memoryOf(t, again); ofResins(v) == 0 || v.Trouble == "" {
		t.Errorf("not learnt anew: %+v", v)
	}
	kept := false
	for key, b := range again.Store().KVs("memory") {
		kept = kept || strings.HasPrefix(key, "aside ") && string(b) == string(newer)
	}
	if !kept {
		t.Error("what was set aside is gone")
	}
}
