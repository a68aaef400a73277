// SPDX-License-Identifier: Apache-2.0

package job

import (
	"strings"
	"testing"

	"curewright/model/coat"
)

// layers is a panel with one coat upon another.
func layers(below, above coat.Coat, upAfter float64) *Job {
	below.ID, below.Panel, below.Resin, below.Applied = "below", "lid", "medium", lidApplied
	above.ID, above.Panel, above.Resin, above.Applied = "above", "lid", "medium", after(upAfter)
	return &Job{Work: coat.Work{
		Panels: []coat.Panel{{ID: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam"}},
		Coats:  []coat.Coat{below, above},
	}}
}

func both(t *testing.T, j *Job, tb *Table, h float64) (below, above *coat.Estimate) {
	t.Helper()
	res, err := Replay(j, tb, after(h))
	if err != nil {
		t.Fatal(err)
	}
	for i := range res.Coats {
		switch res.Coats[i].ID {
		case "below":
			below = &res.Coats[i]
		case "above":
			above = &res.Coats[i]
		}
	}
	return below, above
}

// A coat under another asks nothing, is followed until it is hard, watched or
// not, and says how it was covered.
func TestCovered(t *testing.T) {
	tb := shed(-1, 60, still(20), 50)
	for _, ended := range []bool{false, true} {
		b := coat.Coat{Kind: coat.FillCoat}
		if ended {
			at := after(4)
			b.Ended = &at
		}
		j := layers(b, coat.Coat{Kind: coat.FillCoat}, 4)
		for _, h := range []float64{4.1, 6, 9} {
			below, above := both(t, j, tb, h)
			if below == nil || above == nil {
				t.Fatalf("ended %v, after %g h: a coat is missing", ended, h)
			}
			v := below.Covered
			if v == nil || v.By != "above" || v.Minutes != 240 || v.State != coat.Tacky || v.Fell.Verdict != coat.FellInside {
				t.Errorf("ended %v, after %g h: covered %+v", ended, h, v)
			}
			if below.AdviceCode != coat.AdviseCovered || below.NextWindow != nil || below.Sand {
				t.Errorf("ended %v, after %g h: %s %q", ended, h, below.AdviceCode, below.Advice)
			}
			if !strings.Contains(below.Because.String(), "Covered while tacky, 4 h after it went on.") {
				t.Errorf("ended %v, after %g h: %q", ended, h, below.Because)
			}
			if above.Laid == nil || above.Laid.Verdict != coat.FellInside || above.Laid.Do != "" {
				t.Errorf("ended %v, after %g h: laid %+v", ended, h, above.Laid)
			}
		}
		if below, _ := both(t, j, tb, 9); below.State == coat.Wet {
			t.Errorf("ended %v: still wet after 9 h", ended)
		}
		if below, _ := both(t, j, tb, 50); (below == nil) != ended {
			t.Errorf("ended %v: hard after 50 h, listed %v", ended, below != nil)
		}
	}
}

// Where the next coat falls in the window of the one below, and what to do.
func TestLaidOutside(t *testing.T) {
	tb := shed(-1, 60, still(20), 50)
	for name, tt := range map[string]struct {
		below, above coat.Coat
		h            float64
		window       string
		verdict, do  string
		code         string // of the coat above, ten minutes later
	}{
		"wet on wet over a fillet":         {coat.Coat{Kind: coat.Bond}, coat.Coat{Kind: coat.WetOut}, .5, coat.WindowWet, coat.FellInside, "", ""},
		"wet on wet, cloth into a wet-out": {coat.Coat{Kind: coat.WetOut, Next: "wet"}, coat.Coat{Kind: coat.WetOut}, .7, coat.WindowWet, coat.FellInside, "", ""},
		"a fill coat too soon":             {coat.Coat{Kind: coat.FillCoat}, coat.Coat{Kind: coat.FillCoat}, 1, coat.WindowCoat, coat.FellBefore, "let_be", ""},
		"in time":                          {coat.Coat{Kind: coat.WetOut}, coat.Coat{Kind: coat.FillCoat}, 5.5, coat.WindowFill, coat.FellInside, "", ""},
		"on a closed coat, not hard yet":   {coat.Coat{Kind: coat.WetOut}, coat.Coat{Kind: coat.FillCoat}, 10, coat.WindowFill, coat.FellAfter, "let_be", ""},
		"on a hard coat":                   {coat.Coat{Kind: coat.WetOut}, coat.Coat{Kind: coat.FillCoat}, 36, coat.WindowFill, coat.FellAfter, "if_abraded", ""},
	} {
		j := layers(tt.below, tt.above, tt.h)
		if tt.h == 10 {
			// A finger has made it sure.
			j.Work.Feels = []coat.Feel{{Coat: "below", At: after(9.5), State: coat.Firm}}
			tt.do, tt.code = "take_off", coat.AdviseTakeOff
		}
		below, above := both(t, j, tb, tt.h+.2)
		f := above.Laid
		if below.Covered == nil || f == nil || f.Window != tt.window || f.Verdict != tt.verdict || f.Do != tt.do {
			t.Errorf("%s: %+v, covered %+v", name, f, below.Covered)
			continue
		}
		if tt.code != "" && above.AdviceCode != tt.code {
			t.Errorf("%s: %s %q", name, above.AdviceCode, above.Advice)
		}
		if f.Do != "" && len(above.Because.String()) < 20 {
			t.Errorf("%s: nothing is said: %q", name, above.Because)
		}
	}
}
