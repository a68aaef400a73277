// SPDX-License-Identifier: Apache-2.0

package job

import (
	"math"
	"testing"

	"curewright/model/coat"
)

// Grams per m² of every coat of every shipped job, on foam of 1.4 m², by hand
// from the tables (common practice, no source): foam drinks 180 from the coat
// that seals it; tack film 110; fill film 180; peel ply 90; a cloth of w at fibre
// mass fraction f takes w·(1−f)/f: glass 200 twill 200, glass 160 twill 160,
// aramid 170 plain at .42 234.8; a joint 4 mm thick 4400, with squeeze-out 5060;
// and 15 % stays in cup, brush and roller. So no core is starved, and a joint
// takes nothing from the coat after it.
func TestGramsOfShippedJobsByHand(t *testing.T) {
	const joint, lost = 4 * 1.1 * 1000 * 1.15, 1.15
	aramid := 170 * .58 / .42
	want := map[string]map[string]float64{
		"foam-aramid-glass": {"outer joints": joint, "outer tack": 180 + 110, "outer wet-out": 160 + aramid, "outer fill": 180,
			"inner joints": joint, "inner glass": 180 + 160, "inner fill": 180},
		"glass-skin":     {"outer glass": 180 + 200, "outer fill": 180, "outer fill 2": 180},
		"other-side":     {"inner joints": joint, "inner glass": 180 + 160, "inner fill": 180},
		"joints":         {"outer joints": joint},
		"glass-bag-soak": {"outer glass": 180 + 200 + 90},
	}
	area := 1.4
	for _, tpl := range Templates(nil) {
		coats := 0
		for i, s := range tpl.Steps {
			if s.Do != "coat" {
				continue
			}
			coats++
			n, ok := Need(tpl.Steps, i, coat.Panel{ID: s.Panel, Core: "foam", AreaM2: &area}, 1.1)
			if !ok {
				t.Errorf("%s %s: no need", tpl.ID, s.ID)
				continue
			}
			q, err := n.Quantity()
			if err != nil {
				t.Fatal(err)
			}
			id, hand := s.Panel+" "+s.ID, 0.0
			for k, v := range want[tpl.ID] {
				// Steps of the other side carry its name or a number.
				if k == id || k == s.ID {
					hand = v
				}
			}
			got := q.Grams.Use / n.AreaM2
			if hand == 0 {
				t.Errorf("%s: no sum by hand for %q (%s, %s): it is %.1f g/m²", tpl.ID, id, s.Coat, s.Cloth, got)
			} else if math.Abs(got-hand*lost) > .1 {
				t.Errorf("%s %s: %.1f g/m², by hand %.1f", tpl.ID, id, got, hand*lost)
			}
		}
		if coats != len(want[tpl.ID]) {
			t.Errorf("%s: %d coats, %d sums by hand", tpl.ID, coats, len(want[tpl.ID]))
		}
	}
}
