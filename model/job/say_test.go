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
	for _, tpl := range Templates() {
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
