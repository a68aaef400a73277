// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"math"
	"testing"
)

// The core is never starved: a joint laid along the edge first takes nothing
// from the coat that seals the core, and of coats that each cover a share every
// one is reckoned with its own share of bare core. By hand for foam: 180 g/m²
// drunk + 110 of tack film, 15 % lost, is 333.5 g/m².
func TestJointTakesNothingFromTheCore(t *testing.T) {
	grams := func(steps ...Step) map[string]float64 {
		t.Helper()
		j := lids(t, 1)
		j.Forecast = steady(20)
		j.Panels = []Panel{{ID: "lid", Core: "foam", AreaM2: ptr(1.4)}}
		j.Steps = steps
		res, err := Plan(t.Context(), j)
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]float64{}
		for _, s := range res.Steps {
			for _, b := range s.Batches {
				out[s.Step] += b.Grams
			}
		}
		return out
	}
	joint := Step{ID: "joint", Panel: "lid", Do: "coat", Kind: "bond", Resin: "medium", AreaM2: ptr(.03), WorkMinutes: ptr(15.0)}
	tack := Step{ID: "tack", Panel: "lid", Do: "coat", Kind: "tack coat", Resin: "medium", WorkMinutes: ptr(25.0)}
	for name, steps := range map[string][]Step{"alone": {tack}, "after a joint": {joint, tack}} {
		if got := grams(steps...)["tack"] / 1.4; math.Abs(got-333.5) > 2 {
			t.Errorf("%s: tack coat of %.1f g/m², by hand 333.5", name, got)
		}
	}
	half := func(id string) Step {
		s := tack
		s.ID, s.AreaM2 = id, ptr(.7)
		return s
	}
	g := grams(half("a"), half("b"), Step{ID: "c", Panel: "lid", Do: "coat", Kind: "fill coat", Resin: "medium", When: "fill", Of: "b", WorkMinutes: ptr(20.0)})
	for id, want := range map[string]float64{"a": .7 * 333.5, "b": .7 * 333.5, "c": 1.4 * 180 * 1.15} {
		if math.Abs(g[id]-want) > 2 {
			t.Errorf("%s: %.0f g, by hand %.0f", id, g[id], want)
		}
	}
}
