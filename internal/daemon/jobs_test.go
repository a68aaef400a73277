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
	if err := json.Unmarshal(b.Do("POST", path, body, http.StatusCreated), &e); err != nil {
		b.t.Fatal(err)
	}
	return e
}

func (b bench) get(path string, v any) {
	b.t.Helper()
	if err := json.Unmarshal(b.Do("GET", path, nil, http.StatusOK), v); err != nil {
		b.t.Fatal(err)
	}
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
	b := newBench(t)
	var order []string
	entries := 0
	for range 3000 {
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
		if n.Status == job.NextOver {
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
