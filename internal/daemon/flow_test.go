// SPDX-License-Identifier: Apache-2.0

package daemon_test

import (
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/model/coat"
	"curewright/sensors/shopsim"
)

// No coat goes on without a cup: the other side of a lid, of which nobody said
// the area, once offered "It's on" at once, since no cup was planned without
// grams. What a side does not say is as on the first one.
func TestOtherSideAsksForItsCup(t *testing.T) {
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}})
	d.Advance(time.Hour)
	b := bench{d, t}
	b.enter("/api/v1/jobs", map[string]any{"template": "foam-aramid-glass", "id": "lid", "name": "Locker lid", "resin": "medium",
		"panels": []map[string]any{{"side": "outer", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4}, {"side": "inner"}}})
	b.enter("/api/v1/jobs", map[string]any{"template": "other-side", "id": "bare", "name": "Bare", "resin": "slow", "panels": []map[string]any{{"side": "inner", "no_probe": true}}})
	for _, step := range []string{"joints", "tack", "aramid", "wet-out", "fill", "rest"} {
		b.enter("/api/v1/jobs/lid/skip", map[string]any{"step": step})
	}
	b.enter("/api/v1/jobs/lid/done", map[string]any{"step": "turn"})
	d.Advance(time.Minute)
	card := func(panel string) (primary, step string, grams *float64) {
		t.Helper()
		var out struct {
			Next []struct {
				Panel, Primary, Step string
				Grams                *float64
			}
		}
		b.get("/api/v1/next?panel="+panel, &out)
		if len(out.Next) != 1 {
			t.Fatalf("%s: %d cards, want one", panel, len(out.Next))
		}
		return out.Next[0].Primary, out.Next[0].Step, out.Next[0].Grams
	}
	// The joints with two cups, so that one that is left over could be taken for
	// the glass.
	b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": "inner joints"})
	b.enter("/api/v1/jobs/lid/done", map[string]any{"step": "inner joints"})
	b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": "inner joints", "on": true})
	if p, s, g := card("lid-inner"); p != "mixed" || s != "inner glass" || g == nil {
		t.Errorf("the inner side asks for %q of %q with grams %v, want its cup, with the first side's area", p, s, g)
	}
	// A side of which no area is known at all: no grams, and a cup all the same.
	b.enter("/api/v1/jobs/bare/skip", map[string]any{"step": "joints"})
	if p, s, g := card("bare-inner"); p != "mixed" || g != nil {
		t.Errorf("a side without an area asks for %q of %q with grams %v, want a cup without grams", p, s, g)
	}
	e := b.enter("/api/v1/jobs/bare/mixed", map[string]any{"step": "glass"})
	if p, _, _ := card("bare-inner"); p != "done" {
		t.Errorf("after its cup it asks for %q, want the coat itself", p)
	}
	b.enter("/api/v1/entries/"+e.Entry+"/undo", map[string]any{})
	// A cup that is scrap stands ready for nothing.
	b.enter("/api/v1/jobs/bare/mixed", map[string]any{"step": "glass", "resin_g": 100, "hardener_g": 90, "off_ratio": coat.OffScrap})
	if p, _, _ := card("bare-inner"); p != "mixed" {
		t.Errorf("after a cup that is scrap it asks for %q, want another", p)
	}
	c := b.enter("/api/v1/jobs/bare/mixed", map[string]any{"step": "glass"})
	done := b.enter("/api/v1/jobs/bare/done", map[string]any{"step": "glass"})
	if got := b.coat(done.Coat).Batches; len(got) != 1 || got[0] != c.Batch {
		t.Errorf("the coat's cups are %v, want %s alone", got, c.Batch)
	}
}

// The cups that a coat still takes are of the size of the one mixed last, also
// where the plan would cut them anew by now; a larger cup leaves none.
func TestCupsLeft(t *testing.T) {
	b := newBench(t)
	all := *b.next().Grams
	b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": "joints", "resin_g": all * .4, "hardener_g": all * .1})
	e := b.enter("/api/v1/jobs/lid/done", map[string]any{"step": "joints"})
	if m := e.Next[0].More; m == nil || m.CupsLeft != 1 || len(m.Cups) != 1 || m.Cups[0].Grams < all*.45 || m.Cups[0].Grams > all*.55 || m.Kind != coat.Bond {
		t.Fatalf("half of %.0f g is in: more = %+v, want one more half", all, m)
	}
	e = b.enter("/api/v1/jobs/lid/mixed", map[string]any{"step": "joints", "on": true, "resin_g": all * .4, "hardener_g": all * .1})
	if m := e.Next[0].More; m != nil {
		t.Errorf("all of it is in: more = %+v", m)
	}
}
