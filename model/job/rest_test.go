package job

import (
	"strings"
	"testing"
	"time"
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
