// SPDX-License-Identifier: Apache-2.0

package job

import (
	"strings"
	"testing"
	"time"

	"curewright/model/coat"
)

// What a plan is made of: the open steps up to the days of rest, with the coat
// that they wait for; behind the rest, what comes then.
func TestRest(t *testing.T) {
	d := newDesk(t)
	rest := func() (ids string, done map[string]time.Time) {
		s := &d.jobs[0]
		steps, done := s.Rest(s.Progress(d.w, d.ticks, d.now), d.now)
		var out []string
		for _, x := range steps {
			out = append(out, x.ID)
		}
		return strings.Join(out, ", "), done
	}
	if got, _ := rest(); got != "joints, tack, aramid, wet-out, fill" {
		t.Errorf("nothing done: %s", got)
	}
	d.done("joints", "09:15")
	d.done("tack", "09:35")
	got, done := rest()
	if got != "tack, aramid, wet-out, fill" || !done["tack"].Equal(day("09:35")) || len(done) != 1 {
		t.Errorf("tack is on: %s, done %v", got, done)
	}
	for _, x := range []struct{ step, at string }{{"aramid", "10:40"}, {"wet-out", "11:00"}, {"fill", "15:00"}} {
		d.done(x.step, x.at)
	}
	got, done = rest()
	if got != "fill, rest, turn, inner joints, inner glass, inner fill, done" || len(done) != 1 {
		t.Errorf("the side is done: %s, done %v", got, done)
	}
}

// Behind a wash the coat below takes the next one mechanically (common
// practice, no source): its closed window is of no more account.
func TestWashOpensAgain(t *testing.T) {
	d := newDesk(t)
	for _, x := range []struct{ step, at string }{{"joints", "09:15"}, {"tack", "09:35"}, {"aramid", "10:40"}, {"wet-out", "11:00"}} {
		d.done(x.step, x.at)
	}
	closed := day("13:00")
	est := []coat.Estimate{{ID: d.coat("wet-out").ID, Kind: coat.WetOut, State: coat.Hard, AppliedAt: day("11:00"),
		NextWindow: &coat.Window{Kind: coat.WindowFill, Status: "closed", ClosesBand: coat.TimeBand{P50: &closed}}}}
	next := func() Next {
		return (&Desk{Now: d.now, Work: d.w, Ticks: d.ticks, Estimates: est}).Next(&d.jobs[0])[0]
	}
	n := next()
	if n.Step != "fill" || n.Status != NextClosed || n.Mend == nil || n.Mend.Make == nil || n.Mend.Make.Do != "wash" {
		t.Fatalf("a closed window: %s %s %+v", n.Step, n.Status, n.Mend)
	}
	d.write(d.book("phone").Insert("lid", "", n.Step, *n.Mend.Make))
	d.done(n.Mend.Make.ID, "18:00")
	if n := next(); n.Step != "fill" || n.Status != NextNow {
		t.Errorf("washed and abraded: %s %s %q", n.Step, n.Status, n.Order)
	}
}
