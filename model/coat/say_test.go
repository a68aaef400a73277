// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"curewright/model/cure"
	"curewright/model/words"
)

// situations are estimates of every advice with every fact that its words may be
// made of, there and not there.
func situations(yield func(Estimate)) {
	now := zero.Add(6 * time.Hour)
	soon, past, temp := now.Add(90*time.Minute), now.Add(-90*time.Minute), 17.2
	times := []*time.Time{nil, &past, &soon}
	for _, advice := range []string{AdviseWashAbrade, AdviseNotKnown, AdviseRecoat, AdviseWashRecoat, AdviseWait, AdviseFeel, AdviseWarm,
		AdviseWaitAbrade, AdviseStalled, AdviseAbradeRecoat, AdviseCovered, AdviseTakeOff, AdviseFeelAgain} {
		for _, kind := range []string{"", WindowCloth, WindowWet, WindowCoat, WindowFill} {
			for _, t := range times {
				for bits := range 1 << 7 {
					on := func(i int) bool { return bits>>i&1 == 1 }
					e := Estimate{AdviceCode: advice, State: Tacky, UnknownWhy: []string{[]string{ColdGlass, BelowMinimum, OutsideRange, NoReading, Gap}[bits%5]}}
					fa := &e.Facts
					fa.FeelAt, fa.HardFrom, fa.LoadFrom, fa.WarmToC, fa.LimitC = &soon, t, t, &temp, &temp
					fa.WashFirst, fa.TryHard, fa.Never, fa.Shut, fa.AmbientDone = on(0), on(1), on(2), on(3), on(4)
					if on(5) {
						fa.From, fa.Until, fa.SoftenedAt, fa.GapMinutes, fa.OutMinutes, fa.Felt = &soon, t, t, 700, 3000, &Feel{At: past, State: Green}
						e.StateProbability = &Probabilities{Tacky: []float64{.5, .7, .95}[bits%3]}
						e.Covered = &Covered{State: Wet, Minutes: 30, Fell: Fell{Verdict: []string{FellInside, FellBefore, FellAfter}[bits%3]}}
						e.TNeedC, e.Stall, e.Outgassing, e.TempC = &temp, true, true, &temp
					} else if advice == AdviseWarm || advice == AdviseNotKnown && on(0) {
						e.State, fa.WarmToC = Unknown, &temp
					} else {
						fa.WarmToC = nil
					}
					if advice == AdviseWarm {
						fa.WarmToC = &temp
					}
					e.Laid = &Fell{Do: []string{"let_be", "take_off", "if_abraded", ""}[bits%4], Verdict: []string{FellBefore, FellAfter}[bits%2], ClosedAt: t}
					if kind != "" {
						e.NextWindow = &Window{Kind: kind, Status: "closed", Opens: t, Closes: t, Best: &soon}
					} else if advice == AdviseRecoat || advice == AdviseWashRecoat {
						continue // there is none without a window
					}
					if on(6) {
						fa.Fresh = &Window{Opens: &past, Closes: &soon, FeelFrom: t}
						if t == nil {
							fa.Fresh.Opens = &soon
						}
					}
					yield(e)
				}
			}
		}
	}
}

// codeLeft finds a code that no sentence stands for.
var codeLeft = regexp.MustCompile(`[a-z]\.[a-z]`)

// All that is said of a coat comes from the catalogue, and no order is longer
// than fourteen words.
func TestEverythingSaidIsInTheCatalogue(t *testing.T) {
	r, _ := cure.Generic("medium")
	n, lang := 0, words.Pseudo()
	situations(func(e Estimate) {
		n++
		c := &Case{Now: zero.Add(6 * time.Hour), Loc: time.UTC, Resin: &r, PanelFrom: []string{"probe", "air", "none"}[n%3]}
		english := e
		english.phrase(c)
		if n := len(strings.Fields(english.Advice)); n == 0 || n > 14+2 { // a time and its weekday are one, a number and °C too
			t.Fatalf("%s: %d words: %q", e.AdviceCode, n, english.Advice)
		}
		said := english.Advice + " " + english.Because.String() + " " + strings.Join(english.Notes, " ")
		if strings.ContainsAny(said, "{}*") || strings.Contains(said, "  ") || codeLeft.MatchString(said) {
			t.Fatalf("%s: %q", e.AdviceCode, said)
		}
		pseudo := *c
		pseudo.Words = lang
		e.phrase(&pseudo)
		said = e.Advice + " " + e.Because.Text(c.Now, words.View{Words: pseudo.Words}) + " " + strings.Join(e.Notes, " ")
		if bare := words.Bare(said); len(bare) > 0 {
			t.Fatalf("%s: not from the catalogue: %q in %q", e.AdviceCode, bare, said)
		}
	})
	pseudo := &Case{Now: zero, Words: lang}
	tests := []Feel{{At: zero, State: Wet}, {At: zero, State: Hard}}
	for _, code := range []string{"tests_disagree", "odd_test", "test_on_water", "test_unlikely", "far_slower", "far_faster"} {
		said := Note{Code: code, Feels: tests}.text(pseudo)
		if bare := words.Bare(said); len(bare) > 0 || strings.ContainsAny(said, "{}") {
			t.Errorf("note %s: %q", code, said)
		}
	}
	for _, code := range words.English.Codes("coat.night.") {
		facts := words.Facts{"chance": "1", "do": words.Code("coat.do.coat"), "then": words.Code("coat.then.coat"), "by": zero, "until": zero, "hold": words.Temp(15)}
		if said := pseudo.text(strings.TrimPrefix(code, "coat."), facts); len(words.Bare(said)) > 0 || strings.ContainsAny(said, "{}") {
			t.Errorf("%s: %q", code, said)
		}
	}
}
