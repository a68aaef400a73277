// SPDX-License-Identifier: Apache-2.0

package job

import (
	"strings"
	"testing"

	"curewright/model/coat"
)

// How an off-ratio mix cures is not modelled, so nothing reckoned is said of the
// coat: no state, no time, no permission, no curve; only the finger speaks, for a
// tenth of the coat's age, hard for good. It teaches nothing about its lot.
func TestOffRatioIsFingerOnly(t *testing.T) {
	tb := shed(-1, 60, still(20), 50)
	feel := func(h float64, s coat.State) coat.Feel {
		return coat.Feel{ID: string(s), Coat: "c", At: after(h), State: s}
	}
	work := func(feels ...coat.Feel) *Job {
		return &Job{Work: coat.Work{
			Panels:  []coat.Panel{{ID: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam"}},
			Batches: []coat.Batch{{ID: "b", Resin: "medium", Lot: "L1", ResinG: of(200.0), HardenerG: of(30.0), OffRatio: coat.OffUsed, Mixed: lidApplied}},
			Coats:   []coat.Coat{{ID: "c", Panel: "lid", Resin: "medium", Kind: coat.FillCoat, Batches: []string{"b"}, Applied: lidApplied}},
			Feels:   feels,
		}}
	}
	for _, c := range []struct {
		h       float64
		feels   []coat.Feel
		state   coat.State
		window  string
		permits bool
	}{
		{.5, nil, coat.Unknown, "unknown", false},
		{5, nil, coat.Unknown, "unknown", false}, // when the usual window would be open
		{40, nil, coat.Unknown, "unknown", false},
		{5.1, []coat.Feel{feel(5, coat.Wet)}, coat.Wet, "before", false},
		{9.1, []coat.Feel{feel(9, coat.Green)}, coat.Green, "open", true},
		{12, []coat.Feel{feel(9, coat.Green)}, coat.Unknown, "unknown", false}, // too long ago
		{50, []coat.Feel{feel(30, coat.Hard)}, coat.Hard, "closed", false},
	} {
		e := replayOne(t, work(c.feels...), tb, c.h)
		if e.State != c.state || e.NextWindow.Status != c.window || e.NextWindow.Permits != c.permits || e.Sand != (c.state == coat.Hard) {
			t.Errorf("after %g h, felt %v: %s, window %s, permits %v, sand %v", c.h, c.feels, e.State, e.NextWindow.Status, e.NextWindow.Permits, e.Sand)
		}
		if e.Alpha != nil || e.TgC != nil || e.Kappa != nil || e.Events != (coat.Events{}) || e.StateProbability != nil || e.Stall || e.NextWindow.Closes != nil {
			t.Errorf("after %g h something reckoned is said: %+v", c.h, e.Events)
		}
		said := e.Advice + " " + e.Because.String() + strings.Join(e.Notes, " ")
		if !strings.Contains(said, "how it cures is not modelled, go by the finger only.") {
			t.Errorf("after %g h: %q", c.h, said)
		}
		for _, s := range e.Strip.Segments {
			if s.State != coat.Unknown && s.State != c.state {
				t.Errorf("after %g h the strip claims %s", c.h, s.State)
			}
		}
	}
	// Another coat of the lot, judged with and without the odd one's fingers.
	beside := func(feels ...coat.Feel) coat.Estimate {
		j := work(feels...)
		j.Work.Batches = append(j.Work.Batches, coat.Batch{ID: "b2", Resin: "medium", Lot: "L1", Mixed: lidApplied})
		j.Work.Coats = append(j.Work.Coats, coat.Coat{ID: "d", Panel: "lid", Resin: "medium", Kind: coat.FillCoat, Batches: []string{"b2"}, Applied: lidApplied})
		res, err := Replay(j, tb, after(12))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range res.Coats {
			if e.ID == "d" {
				return e
			}
		}
		t.Fatal("no coat d")
		return coat.Estimate{}
	}
	if a, b := beside(), beside(feel(9, coat.Wet)); *a.Kappa != *b.Kappa {
		t.Errorf("an off-ratio coat teaches its lot: %+v, %+v", *a.Kappa, *b.Kappa)
	}
	// A coat over it is judged as any; how it fell is not known.
	j := layers(coat.Coat{Kind: coat.FillCoat, Batches: []string{"b"}}, coat.Coat{Kind: coat.FillCoat}, 5)
	j.Work.Batches = work().Work.Batches
	below, above := both(t, j, tb, 6)
	if below.Covered == nil || below.Covered.Fell.Verdict != coat.FellUnknown || above.Laid == nil || above.State == coat.Unknown {
		t.Errorf("covered %+v, laid %+v", below.Covered, above.Laid)
	}
}

// What counts as off: beyond the sheet's tolerance and what a scale that shows
// grams adds, twice its error by propagation; where the sheet names none, a
// tenth. By hand: 60 g due for 200: the scale's error is .87 %, so a sheet of
// ±3 % has its end at 4.7 %: 62.8 g.
func TestWhatIsOffRatio(t *testing.T) {
	w := lidWork()
	r := w.Resins["medium"]
	r.RatioWeight = &[2]float64{100, 30}
	for _, c := range []struct {
		tol  *float64
		hard float64
		off  bool
	}{{nil, 65, false}, {nil, 67, true}, {of(3.0), 62.7, false}, {of(3.0), 63, true}, {of(3.0), 57, true}, {of(15.0), 68, false}} {
		r.RatioTolPct = c.tol
		if s, off := OffRatio(r, coat.Batch{ResinG: of(200.0), HardenerG: &c.hard}); off != c.off {
			t.Errorf("tolerance %v, %g g: off %v (%.1f %%)", c.tol, c.hard, off, s.OffPct)
		}
	}
}
