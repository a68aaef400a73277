// SPDX-License-Identifier: Apache-2.0

package job

import (
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/model/coat"
	"curewright/model/words"
)

// Every order of every step that is shipped comes from the catalogue, whatever
// the step's status, and is of at most fourteen words.
func TestOrdersSpeakTheCatalogue(t *testing.T) {
	now := time.Date(2026, 10, 10, 11, 20, 0, 0, time.UTC)
	soon, late := now.Add(40*time.Minute), now.Add(3*time.Hour)
	kpa := 60.0
	lang := words.Pseudo()
	for _, tpl := range Templates(nil) {
		s := &Schedule{ID: "lid", Steps: slices.Clone(tpl.Steps)}
		s.Steps = append(s.Steps, Step{ID: "bag", Do: "cover", Cover: "vacuum bag", BagKPa: &kpa}, Step{ID: "wait", Do: "wait"}, Step{ID: "flip", Do: "flip", To: "B"},
			Step{ID: "lay", Do: "coat", Coat: coat.WetOut, Cloth: "glass 200 twill"})
		names := []string{"glass", "carbon", "aramid", "twill", "plain", "UD", "biaxial"}
		for _, x := range s.Steps {
			names = append(names, x.ID, words.Upper(x.ID), x.Cloth, x.Cover, x.To, x.Panel)
		}
		names = slices.DeleteFunc(names, func(s string) bool { return s == "" })
		slices.SortFunc(names, func(a, b string) int { return len(b) - len(a) })
		for i := range s.Steps {
			for _, status := range []string{NextNow, NextBefore, NextFeel, NextClosed, NextCold, NextUnknown, NextLater, NextWaiting} {
				for bits := range 16 {
					said := func(c *words.Catalogue) []string {
						d := &Desk{Now: now, Loc: time.UTC, Work: &coat.Work{}, Words: c}
						n := Next{Status: status, WaitingFor: &Waiting{Step: s.Steps[0].ID}, Feel: &FeelAt{}}
						n.Do = s.Steps[i].Do
						if bits&1 != 0 {
							n.Opens, n.Until, n.Feel.From = &soon, &soon, &soon
						}
						if bits&2 != 0 {
							n.Closes = &late
						}
						if bits&4 != 0 {
							n.Mend = &Mend{Do: "repeat"}
						}
						if bits&8 != 0 {
							n.WaitingFor = &Waiting{Step: s.Steps[0].ID}
						}
						d.order(s, i, &n)
						out := []string{n.Order, d.button(s.Steps[i])}
						if th := d.then(s, s.Progress(&coat.Work{}, nil, now), i); th != nil {
							out = append(out, th.Say)
						}
						return out
					}
					for _, x := range said(lang) {
						if bare := words.Bare(x, names...); len(bare) > 0 || strings.ContainsAny(x, "{}") {
							t.Fatalf("%s, step %s, %s: %q is not from the catalogue: %q", tpl.ID, s.Steps[i].ID, status, bare, x)
						}
					}
					if order := said(nil)[0]; len(strings.Fields(order)) > 14 {
						t.Errorf("%s, step %s, %s: more than fourteen words: %q", tpl.ID, s.Steps[i].ID, status, order)
					}
				}
			}
		}
	}
}

// What an entry answers and warns of comes from the catalogue, whatever is
// entered: in time, late, twice, out of order, in part, put off, taken back.
func TestAnswersSpeakTheCatalogue(t *testing.T) {
	d := newDesk(t)
	d.lang = words.Pseudo()
	var said []string
	enter := func(e *Entry, f []Fault) *Entry {
		t.Helper()
		d.write(e, f)
		said = append(append(said, e.Say), e.Warnings...)
		return e
	}
	at := func(hhmm string) *time.Time { return of(day(hhmm)) }
	b := func() *Book { return d.book("Anna") }
	enter(b().Mixed("lid", Mixed{Step: "joints", At: at("09:10"), ResinG: of(100.0), HardenerG: of(30.0)}))
	enter(b().Done("lid", Done{Step: "joints", At: at("09:15")}))
	enter(b().Mixed("lid", Mixed{Step: "tack", At: at("09:20"), ResinG: of(100.0), HardenerG: of(90.0)}))
	enter(b().Done("lid", Done{Step: "aramid", At: at("09:25")}))
	enter(b().Done("lid", Done{Step: "tack", At: at("09:35"), Share: of(.5)}))
	enter(b().Felt("lid", Felt{Step: "tack", State: coat.Tacky, At: at("10:00")}))
	one := enter(b().Done("lid", Done{Step: "tack", At: at("10:20"), Batches: &[]string{}}))
	enter(b().Done("lid", Done{Step: "tack", At: at("11:20"), Kind: "seal", Batches: &[]string{}}))
	enter(b().Settle("lid", Put{Step: "tack", Keep: one.Tick}))
	enter(b().Done("lid", Done{Step: "tack", At: at("10:20"), Batches: &[]string{}}))
	for _, x := range d.jobs[0].Steps {
		enter(b().Done("lid", Done{Step: x.ID, At: of(day("12:00").AddDate(0, 0, -1))}))
	}
	enter(b().Skip("lid", Put{Step: "joints"}))
	enter(b().Later("lid", Put{Step: "joints"}))
	enter(b().Repeat("lid", Put{Step: "tack"}))
	enter(b().Insert("lid", "tack", "", Step{ID: "wipe", Do: "wash", Panel: "lid-outer"}))
	enter(b().Reopen("lid", Put{Step: "tack", Coat: "void"}))
	for _, n := range (&Desk{Now: d.now, Work: d.w, Ticks: d.ticks, Words: d.lang}).Next(&d.jobs[0]) {
		for _, c := range n.Contradictions {
			said = append(said, c.Say)
		}
	}
	var names []string
	for _, x := range d.jobs[0].Steps {
		names = append(names, x.ID, words.Upper(x.ID), x.Cloth, words.Upper(x.Cloth), x.Cover, words.Upper(x.Cover))
	}
	names = slices.DeleteFunc(append(names, "Lid, outer", "Lid, inner", "batch-", "medium", "Anna"), func(s string) bool { return s == "" })
	slices.SortFunc(names, func(a, b string) int { return len(b) - len(a) })
	for _, x := range said {
		if bare := words.Bare(x, names...); len(bare) > 0 || strings.ContainsAny(x, "{}") {
			t.Errorf("%q is not from the catalogue: %q", x, bare)
		}
	}
}

// A resin without a ratio of its own: the first cup and one unlike the last are
// spoken of, the usual one is not.
func TestUnknownRatio(t *testing.T) {
	d := newDesk(t)
	for _, x := range []struct {
		resin, hardener float64
		want            string
	}{{100, 30, "No mixing ratio is known for medium"}, {200, 61, ""}, {100, 90, "the medium before was 200 + 61 g"}, {50, 45, ""}} {
		e := d.write(d.book("Anna").Mixed("lid", Mixed{Step: "tack", ResinG: &x.resin, HardenerG: &x.hardener}))
		d.now = d.now.Add(time.Minute)
		if got := strings.Join(e.Warnings, "; "); x.want == "" && got != "" || !strings.Contains(got, x.want) {
			t.Errorf("%g + %g g: %q, want %q", x.resin, x.hardener, got, x.want)
		}
	}
}
