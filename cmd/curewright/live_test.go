// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/model/job"
)

func contractCSV(rows []testkit.OfficeRow) []byte {
	var b bytes.Buffer
	b.WriteString("time,probe,temp_c,rh_pct,co2_ppm\n")
	for _, r := range rows {
		fmt.Fprintf(&b, "%s,shed-air,%.4f,%.4f,%.2f\n", r.At.Format(time.RFC3339), r.C, r.RH, r.CO2)
	}
	return b.Bytes()
}

var threeCoats = []struct{ id, resin string }{{"quick", "fast"}, {"mid", "medium"}, {"late", "slow"}}

const officeApplied = "2015-02-13T22:00:00Z"

func jobTOML() string {
	var b strings.Builder
	for _, c := range threeCoats {
		fmt.Fprintf(&b, "[[panel]]\nid = \"lid-%s\"\nprobe = \"shed-air\"\nair = \"shed-air\"\ncore = \"foam\"\n\n", c.id)
	}
	for _, c := range threeCoats {
		fmt.Fprintf(&b, "[[coat]]\nid = \"%s\"\npanel = \"lid-%s\"\nresin = \"%s\"\nkind = \"fill coat\"\nnext = \"coat\"\napplied = %s\n\n", c.id, c.id, c.resin, officeApplied)
	}
	b.WriteString("[[feel]]\ncoat = \"mid\"\nat = 2015-02-14T01:00:00Z\nstate = \"tacky\"\n")
	return b.String()
}

// cmdOK runs the command line whole and returns what it printed.
func cmdOK(t *testing.T, args ...string) string {
	t.Helper()
	var out, errw bytes.Buffer
	if code := run(t.Context(), args, strings.NewReader(""), &out, &errw); code != exitDone {
		t.Fatalf("curewright %s: exit %d\n%s", strings.Join(args, " "), code, errw.String())
	}
	return out.String()
}

// The same room, once live through the daemon by push and once offline by
// replay, must give the same states and windows: as the room was, and 12 K
// colder, where cold, blush and unknown are met.
func TestLiveEqualsReplay(t *testing.T) {
	for _, by := range []float64{0, -12} {
		t.Run(fmt.Sprintf("%+g K", by), func(t *testing.T) {
			rows := testkit.Office(t, by)
			dir := t.TempDir()
			readings, jobFile := filepath.Join(dir, "shed.csv"), filepath.Join(dir, "lids.toml")
			testkit.OK(t, os.WriteFile(readings, contractCSV(rows), 0o600))
			testkit.Write(t, jobFile, jobTOML())
			live := daemontest.New(t, daemontest.Options{Dir: filepath.Join(dir, "store"), At: rows[0].At})
			applied, _ := time.Parse(time.RFC3339, officeApplied)
			checks := []time.Time{applied.Add(90 * time.Minute), applied.Add(4 * time.Hour), applied.Add(11 * time.Hour), applied.Add(30 * time.Hour)}
			next, entered, felt := 0, false, false
			var batch []web.PushReading
			met := map[string]bool{}
			for _, r := range rows {
				at := r.At
				batch = append(batch, web.PushReading{Probe: "shed-air", Time: &at, TempC: testkit.Round4(r.C), RHPct: testkit.Round4(r.RH), CO2PPM: &r.CO2})
				if len(batch) < 30 && !(next < len(checks) && !at.Before(checks[next])) {
					continue
				}
				live.Clock.Put(at)
				live.Push(batch)
				batch = nil
				if !entered && !at.Before(applied) {
					entered = true
					for _, c := range threeCoats {
						live.Post("/api/v1/panels", map[string]any{"id": "lid-" + c.id, "probe": "shed-air", "air": "shed-air", "core": "foam"})
						live.Post("/api/v1/coats", map[string]any{"id": c.id, "panel": "lid-" + c.id, "resin": c.resin, "kind": "fill coat", "next": "coat", "applied": officeApplied})
					}
				}
				if !felt && at.After(applied.Add(3*time.Hour)) {
					felt = true
					live.Post("/api/v1/coats/mid/feels", map[string]any{"at": "2015-02-14T01:00:00Z", "state": "tacky"})
				}
				testkit.OK(t, live.Evaluate(t.Context()))
				if next < len(checks) && !at.Before(checks[next]) {
					var offline job.Result
					out := cmdOK(t, "replay", "--readings", readings, "--job", jobFile, "--until", at.Format(time.RFC3339), "--json")
					testkit.OK(t, json.Unmarshal([]byte(out), &offline))
					got := live.Coats()
					compareCoats(t, at, got, offline)
					for _, c := range got {
						met[string(c.State)] = true
						met["blush "+c.Blush.Band] = true
					}
					next++
				}
				if next == len(checks) {
					break
				}
			}
			if next < len(checks) {
				t.Fatalf("only %d of %d moments were compared", next, len(checks))
			}
			t.Logf("met: %v", met)
			want := []string{"wet", "tacky", "green", "hard", "blush low"}
			if by < 0 {
				want = []string{"wet", "unknown", "blush high"}
			}
			for _, w := range want {
				if !met[w] {
					t.Errorf("%s was never met, so it was not compared", w)
				}
			}
		})
	}
}

func compareCoats(t *testing.T, at time.Time, live []web.CoatView, offline job.Result) {
	t.Helper()
	by := map[string]int{}
	for i, c := range offline.Coats {
		by[c.ID] = i
	}
	if len(live) != len(threeCoats) || len(offline.Coats) != len(threeCoats) {
		t.Fatalf("%v: %d coats live, %d offline, want %d", at, len(live), len(offline.Coats), len(threeCoats))
	}
	for _, l := range live {
		o := offline.Coats[by[l.ID]]
		if l.State != o.State || fmt.Sprint(l.UnknownWhy) != fmt.Sprint(o.UnknownWhy) || l.AdviceCode != o.AdviceCode || l.Stall != o.Stall || l.Blush.Band != o.Blush.Band {
			t.Errorf("%v %s: live %s %v %s, offline %s %v %s", at, l.ID, l.State, l.UnknownWhy, l.AdviceCode, o.State, o.UnknownWhy, o.AdviceCode)
		}
		if l.Alpha == nil || o.Alpha == nil {
			t.Errorf("%v %s: no degree of cure", at, l.ID)
			continue
		}
		// The store keeps temperature to 1/400 °C: that is all that may differ.
		if d := math.Abs(l.Alpha.P50 - o.Alpha.P50); d > 1e-4 {
			t.Errorf("%v %s: degree of cure %.6f live, %.6f offline", at, l.ID, l.Alpha.P50, o.Alpha.P50)
		}
		if (l.NextWindow == nil) != (o.NextWindow == nil) {
			t.Errorf("%v %s: a window on one side only", at, l.ID)
			continue
		}
		if l.NextWindow != nil {
			sameEdge(t, at, l.ID+" opens", l.NextWindow.Opens, o.NextWindow.Opens)
			sameEdge(t, at, l.ID+" closes", l.NextWindow.Closes, o.NextWindow.Closes)
		}
	}
}

func sameEdge(t *testing.T, at time.Time, what string, a, b *time.Time) {
	t.Helper()
	if (a == nil) != (b == nil) {
		t.Errorf("%v %s: %v live, %v offline", at, what, a, b)
	} else if a != nil && a.Sub(*b).Abs() > time.Minute {
		t.Errorf("%v %s: %v live, %v offline", at, what, a, b)
	}
}

// A day planned over the API, from the same keys as a job file has.
func TestPlanOverTheAPI(t *testing.T) {
	now := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	live := daemontest.New(t, daemontest.Options{At: now})
	var rs []web.PushReading
	for i := range 120 {
		at, c := now.Add(time.Duration(i-120)*time.Minute), 17.0
		rs = append(rs, web.PushReading{Probe: "shed-air", Time: &at, TempC: &c})
	}
	live.Push(rs)
	steps := []map[string]any{
		{"id": "tack", "panel": "lid", "do": "coat", "coat": "t", "when": "start", "work_minutes": 15},
		{"id": "aramid", "panel": "lid", "do": "cloth", "cloth": "aramid 170 twill", "when": "tacky", "of": "tack", "work_minutes": 20},
	}
	body := map[string]any{
		"panel": []map[string]any{{"id": "lid", "core": "foam", "area_m2": 1.4, "probe": nil}},
		"coat":  []map[string]any{{"id": "t", "panel": "lid", "resin": "medium", "kind": "tack coat"}},
		"step":  steps,
		"day":   map[string]any{"start": now.Format(time.RFC3339), "hours": []string{"08:00-20:00"}, "people": 1, "low_c": 6},
	}
	var got struct {
		Feasible bool
		Steps    []struct {
			Step string
			At   time.Time
		}
	}
	testkit.OK(t, json.Unmarshal(live.Do("POST", "/api/v1/plan", body, http.StatusOK), &got))
	// A medium epoxy at 17 °C is tacky after about 2.9 h: between the 2.25 h at
	// 20 °C and the 3.37 h at 15 °C of the rate law's steady table.
	if !got.Feasible || len(got.Steps) != 2 || got.Steps[1].At.Sub(got.Steps[0].At) < 2*time.Hour || got.Steps[1].At.Sub(got.Steps[0].At) > 5*time.Hour {
		t.Errorf("plan: %+v", got)
	}
	// The day goes differently: the tack coat goes on two hours late. Planned
	// anew it counts as done, and the cloth follows it.
	late := now.Add(2 * time.Hour)
	live.Clock.Put(late.Add(10 * time.Minute))
	live.Post("/api/v1/panels", map[string]any{"id": "lid", "core": "foam"})
	live.Post("/api/v1/coats", map[string]any{"panel": "lid", "resin": "medium", "kind": "tack coat", "applied": late})
	var again struct {
		Steps []struct {
			Step string
			At   time.Time
			Done bool
		}
	}
	testkit.OK(t, json.Unmarshal(live.Do("POST", "/api/v1/plan", body, http.StatusOK), &again))
	if len(again.Steps) != 2 || !again.Steps[0].Done || again.Steps[1].Done || again.Steps[1].At.Sub(late) < 2*time.Hour {
		t.Errorf("planned anew: %+v", again)
	}
	steps[1]["cloth"] = "tweed 170"
	if b := live.Do("POST", "/api/v1/plan", body, http.StatusBadRequest); !bytes.Contains(b, []byte("tweed")) {
		t.Errorf("an unknown cloth: %s", b)
	}
}
