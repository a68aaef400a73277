// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/sensors/shopsim"
)

// bench is a daemon over the simulated shed with the shipped foam job on a
// locker lid.
type bench struct {
	*daemontest.Daemon
	t *testing.T
}

func newBench(t *testing.T) bench {
	t.Helper()
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}})
	d.Advance(time.Hour)
	b := bench{d, t}
	e := b.enter("/api/v1/jobs", map[string]any{"template": "foam-aramid-glass", "id": "lid", "name": "Locker lid", "resin": "medium",
		"panels": []map[string]any{{"side": "outer", "id": "lid-a", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4}}})
	if e.ID != "lid" || !slices.Equal(e.Panels, []string{"lid-a", "lid-inner"}) || len(e.Next) != 1 || e.Next[0].Step != "joints" {
		t.Fatalf("new job: %+v", e)
	}
	return b
}

func (b bench) enter(path string, body any) (e web.Entered) {
	b.t.Helper()
	testkit.OK(b.t, json.Unmarshal(b.Do("POST", path, body, http.StatusCreated), &e))
	return e
}

func (b bench) get(path string, v any) {
	b.t.Helper()
	testkit.OK(b.t, json.Unmarshal(b.Do("GET", path, nil, http.StatusOK), v))
}

func (b bench) next() job.Next {
	b.t.Helper()
	var out struct{ Next []job.Next }
	b.get("/api/v1/next", &out)
	if len(out.Next) != 1 {
		b.t.Fatalf("%d next steps: %+v", len(out.Next), out.Next)
	}
	return out.Next[0]
}

func (b bench) coat(id string) (c coat.Coat) {
	b.t.Helper()
	var out struct{ Record coat.Coat }
	b.get("/api/v1/coats/"+id, &out)
	return out.Record
}

// The whole skin on the real daemon over the simulated shed: joints, tack,
// aramid, wet-out with glass, fill, rest, flip, the other side without aramid,
// by doing what the card says and nothing else. The order of the coats is the
// trade's (common practice, no source); that the way through is found by the
// cards alone is what is checked.
func TestWholeSkinByTheCards(t *testing.T) {
	if testing.Short() {
		t.Skip("two simulated days of a whole skin")
	}
	b := newBench(t)
	var order []string
	entries, mended := 0, 0
	for range 1500 {
		n := b.next()
		if len(strings.Fields(n.Order)) > 14 {
			t.Errorf("%d words: %s", len(strings.Fields(n.Order)), n.Order)
		}
		if len(order) == 0 || !strings.HasSuffix(order[len(order)-1], n.Order) {
			order = append(order, fmt.Sprintf("%s %-9s %-12s %s", b.Now().Format("Mon 15:04"), n.Status, n.Step, n.Order))
		}
		switch n.Primary {
		case "mixed":
			b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": n.Step})
			entries++
		case "done":
			e := b.enter("/api/v1/jobs/lid/done", map[string]any{"step": n.Step})
			if len(e.Warnings) > 0 {
				t.Errorf("%s: %v", n.Step, e.Warnings)
			}
			entries++
			if m := e.Next[0].More; m != nil {
				for range m.CupsLeft {
					b.Advance(5 * time.Minute)
					b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": m.Step, "on": true})
					entries++
				}
			}
		case "feel":
			// The finger finds what is most likely: the way through must not
			// depend on a lucky finger.
			var v web.CoatView
			b.get("/api/v1/coats/"+n.Feel.Coat, &v)
			if v.State != coat.Unknown {
				b.enter("/api/v1/feel", map[string]any{"coat": n.Feel.Coat, "state": v.State})
				entries++
			}
		}
		if n.Status == job.NextClosed {
			// A night too cold for the window: the card says what helps.
			switch m := n.Mend; {
			case m == nil:
				t.Fatalf("closed, and nothing is said to mend it: %+v", n)
			case m.Do == "repeat":
				b.enter("/api/v1/jobs/lid/repeat", map[string]any{"step": m.Step})
				mended++
			default:
				b.enter("/api/v1/jobs/lid/insert", map[string]any{"before": m.Step, "step": m.Make})
				mended++
			}
		}
		if n.Status == job.NextOver || mended > 3 {
			break
		}
		b.Advance(10 * time.Minute)
	}
	var v web.JobView
	b.get("/api/v1/jobs/lid", &v)
	if !v.Over {
		t.Errorf("the job is not over: %+v", b.next())
	}
	var kinds []string
	var all struct{ Coats []web.CoatView }
	b.get("/api/v1/coats?all=true", &all)
	for _, c := range all.Coats {
		kinds = append(kinds, c.Panel+" "+c.Kind)
		for _, k := range c.Batches {
			if k.Ended == nil {
				t.Errorf("cup %s of %s still stands", k.ID, c.ID)
			}
		}
	}
	want := []string{"lid-a bond", "lid-a tack coat", "lid-a wet-out", "lid-a fill coat", "lid-inner bond", "lid-inner wet-out", "lid-inner fill coat"}
	if !slices.Equal(kinds, want) {
		t.Errorf("coats %v, want %v", kinds, want)
	}
	if t.Failed() || testing.Verbose() {
		t.Log(entries, "entries\n"+strings.Join(order, "\n"))
	}
}

// What is done of a job is in the record; a plan of the job is of the rest.
func TestPlanOfAJob(t *testing.T) {
	b := newBench(t)
	type plannedStep struct {
		Step, Do string
		At       time.Time
		Done     bool
	}
	type planned struct{ Steps []plannedStep }
	plan := func() (p planned) {
		t.Helper()
		body := map[string]any{"job": "skin", "day": map[string]any{"start": b.Now(), "hours": []string{"07:00-22:00"}}}
		testkit.OK(t, json.Unmarshal(b.Do("POST", "/api/v1/plan", body, http.StatusOK), &p))
		return p
	}
	b.enter("/api/v1/jobs", map[string]any{"template": "glass-skin", "id": "skin", "resin": "medium",
		"panels": []map[string]any{{"side": "outer", "id": "lid-b", "probe": shopsim.Panel2, "core": "foam", "area_m2": 1.25}}})
	if p := plan(); len(p.Steps) != 4 || p.Steps[0].Step != "glass" || p.Steps[0].Done {
		t.Errorf("the whole job: %+v", p.Steps)
	}
	b.enter("/api/v1/jobs/skin/done", map[string]any{"step": "glass"})
	b.Advance(30 * time.Minute)
	if p := plan(); len(p.Steps) != 4 || !p.Steps[0].Done || p.Steps[1].Step != "fill" || p.Steps[1].Done {
		t.Errorf("the rest of it: %+v", p.Steps)
	}
	// The foam job, up to its days of rest: behind them is another day's plan.
	var p planned
	testkit.OK(t, json.Unmarshal(b.Do("POST", "/api/v1/plan", map[string]any{"job": "lid", "day": map[string]any{"start": b.Now()}}, http.StatusOK), &p))
	if len(p.Steps) != 5 || p.Steps[4].Step != "fill" {
		t.Errorf("the foam job: %+v", p.Steps)
	}
	if code, body := b.Raw("POST", "/api/v1/plan", []byte(`{"job":"boat","day":{"start":"2026-10-10T08:00:00Z"}}`)); code != 400 || !strings.Contains(string(body), `unknown job`) {
		t.Errorf("%d %s", code, body)
	}
}

// A request that comes again gives the same entry and the step that is next by
// now; an undo takes back all of it, cups included, and both stand in the
// record; what somebody built on is not pulled away under it.
func TestRepeatAndUndo(t *testing.T) {
	b := newBench(t)
	post := func(key, path, body string) (e web.Entered) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), "POST", b.URL+path, strings.NewReader(body))
		testkit.OK(t, err)
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("Idempotency-Key", key)
		r, err := http.DefaultClient.Do(req)
		testkit.OK(t, err)
		defer r.Body.Close()
		if err := json.NewDecoder(r.Body).Decode(&e); err != nil || r.StatusCode != 201 {
			t.Fatalf("%d %v", r.StatusCode, err)
		}
		return e
	}
	cup := post("a", "/api/v1/jobs/lid/mixed", `{"step":"joints"}`)
	on := post("b", "/api/v1/jobs/lid/done", `{"step":"joints"}`)
	again := post("b", "/api/v1/jobs/lid/done", `{"step":"joints"}`)
	if again.Created || again.Entry != on.Entry || again.Coat != on.Coat || again.Tick != on.Tick || !slices.Equal(again.Batches, on.Batches) || again.Next[0].Step != "tack" {
		t.Errorf("the same again: %+v\nfirst: %+v", again, on)
	}
	var snap web.Snapshot
	b.get("/api/v1/snapshot", &snap)
	if snap.Last == nil || snap.Last.ID != on.Entry || len(snap.Next) != 1 {
		t.Errorf("snapshot: last %+v, next %+v", snap.Last, snap.Next)
	}
	b.enter("/api/v1/feel", map[string]any{"coat": on.Coat, "state": "wet"})
	if code, body := b.Raw("POST", "/api/v1/entries/"+on.Entry+"/undo", nil); code != 409 || !strings.Contains(string(body), "feel-1") {
		t.Errorf("undone under a finger test: %d %s", code, body)
	}
	var u web.Undone
	for _, want := range []string{"felt wet", "Bond on Locker lid, outer", "mixed for the bond", "Job Locker lid written"} {
		if err := json.Unmarshal(b.Do("POST", "/api/v1/undo", nil, 201), &u); err != nil || !strings.Contains(u.Say, want) {
			t.Errorf("said %q, want %q: %v", u.Say, want, err)
		}
	}
	if code, _ := b.Raw("POST", "/api/v1/undo", nil); code != 404 {
		t.Errorf("nothing is left, and the answer is %d", code)
	}
	var es struct{ Entries []web.EntryView }
	b.get("/api/v1/entries", &es)
	if len(es.Entries) != 8 || !es.Entries[7].Undone || es.Entries[0].Undoes != es.Entries[7].ID {
		t.Errorf("entries %+v", es.Entries)
	}
	// The cup was made, used up and taken back: each stands in the record.
	if ch, err := b.Store().Changes(t.Context(), "batch", cup.Batch); err != nil || len(ch) != 4 {
		t.Errorf("%d versions of the cup: %v", len(ch), err)
	}
}

// A call is heard once the work that it calls for is done: the cloth is in, and
// nothing calls for cloth; the wet-out is on, and nothing calls for the window.
func TestWorkAnswersTheCalls(t *testing.T) {
	b := newBench(t)
	live := func() (out []string) {
		t.Helper()
		var all struct {
			Alerts []struct{ Rule, Subject, State string }
		}
		b.get("/api/v1/alerts", &all)
		for _, a := range all.Alerts {
			if a.State == "firing" && slices.Contains([]string{"ready_for_cloth", "feel_now", "window_open", "closing_soon", "cup_soon", "cup_over"}, a.Rule) {
				out = append(out, a.Rule+" "+a.Subject)
			}
		}
		return out
	}
	b.enter("/api/v1/jobs/lid/skip", map[string]any{"step": "joints"})
	b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": "tack"})
	tack := b.enter("/api/v1/jobs/lid/done", map[string]any{"step": "tack"})
	for range 100 {
		if n := b.next(); n.Status == job.NextNow && n.Step == "aramid" && len(live()) > 0 {
			break
		}
		b.Advance(5 * time.Minute)
	}
	if got := live(); !slices.Contains(got, "ready_for_cloth "+tack.Coat) {
		t.Fatalf("called: %v", got)
	}
	e := b.enter("/api/v1/jobs/lid/done", map[string]any{"step": "aramid"})
	if len(e.Silenced) == 0 {
		t.Errorf("nothing silenced: %+v", e)
	}
	if got := live(); len(got) != 0 {
		t.Errorf("cloth is in, and still called: %v", got)
	}
	if c := b.coat(tack.Coat); c.Next != "coat" || len(c.Cloth) != 1 || c.Cloth[0].Laid == nil {
		t.Errorf("tack coat %+v", c)
	}
	if n := e.Next[0]; n.Step != "wet-out" || n.Cloth != "glass 160 twill" {
		t.Errorf("next %s %q", n.Step, n.Order)
	}
	for range 100 {
		if n := b.next(); n.Status == job.NextNow {
			break
		}
		b.Advance(5 * time.Minute)
	}
	b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": "wet-out"})
	b.enter("/api/v1/jobs/lid/done", map[string]any{"step": "wet-out"})
	b.Advance(10 * time.Minute)
	if got := live(); len(got) != 0 {
		t.Errorf("the wet-out is on, and still called: %v", got)
	}
}
