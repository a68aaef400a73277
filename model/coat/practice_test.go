// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"curewright/model/cure"
)

// Common practice, no source: a fast hardener at 27 °C is tacky after 30 to 60
// minutes and still takes a coat, or the fill over a cloth, at two hours. Felt
// tacky at 48 minutes the window is open at two hours by the middle of the
// doubt, with a probability of .7 or more.
func TestOpenAtTwoHours(t *testing.T) {
	for _, kind := range []string{FillCoat, WetOut} {
		e := judged(t, "fast", 27, 2, kind, "", feel(.8, Tacky))
		w := e.NextWindow
		if w.Status != "open" || w.Inside == nil || *w.Inside < .7 {
			t.Errorf("%s: %s with %.2f; %s %q", kind, w.Status, *w.Inside, e.AdviceCode, e.Advice)
		}
		if kind == WetOut && w.Kind != WindowFill {
			t.Errorf("window %s", w.Kind)
		}
	}
}

// Of batches and films drawn by the definition's doubt, fast at 27 °C, the window
// is truly open at two hours in about eight of ten; of those that a finger, with
// the touch's share of the doubt, finds tacky at 48 minutes, in about seven.
func TestOpenAtTwoHoursSampled(t *testing.T) {
	r := generic(t, "fast")
	rng := rand.New(rand.NewPCG(5, 6))
	at := func(h, kappa float64) float64 { return r.SteadyAlpha(0, 27, kappa, h*3600) }
	const n = 3000
	open, felt, feltOpen := 0.0, 0.0, 0.0
	for range n {
		kappa := math.Exp(.25 * rng.NormFloat64())
		var z offsets
		for i := range z {
			z[i] = rng.NormFloat64()
		}
		f := z.film()
		a, b := at(.8, kappa), at(2, kappa)
		tacky := a >= cure.AlphaTacky+f.Tacky+ofTouch*sdTacky*rng.NormFloat64() && a < r.AlphaGel+f.Gel+ofTouch*sdGreen*rng.NormFloat64()
		is := b >= cure.AlphaOpens+f.Opens && b < r.Level(cure.Firm, 27, f)
		if is {
			open++
		}
		if tacky {
			felt++
			if is {
				feltOpen++
			}
		}
	}
	t.Logf("open at two hours in %.2f of all, in %.2f of those felt tacky at 48 min", open/n, feltOpen/felt)
	if x := open / n; x < .74 || x > .84 {
		t.Errorf("open at two hours in %.2f of all", x)
	}
	if x := feltOpen / felt; x < .62 || x > .80 {
		t.Errorf("open at two hours in %.2f of those felt tacky", x)
	}
}

// Tacky is likelier than green only before the gel.
func TestTackyOnlyBelowGel(t *testing.T) {
	for _, name := range []string{"fast", "medium", "slow"} {
		r := generic(t, name)
		for tC := 0.0; tC <= 40; tC++ {
			for a := r.AlphaGel; a < .95; a += .002 {
				p := states(whole.above(r, a, r.Tg(a), tC, cure.WorkC(tC), setting(r, a), true))
				if p.Tacky > p.Green+1e-4 {
					t.Fatalf("%s at %g °C, α %.3f: tacky %.3f, green %.3f", name, tC, a, p.Tacky, p.Green)
				}
			}
		}
	}
}

// Of two coats at one temperature the further cured is never less likely to have
// passed a state.
func TestFurtherCuredNeverRanksLower(t *testing.T) {
	for _, name := range []string{"fast", "medium", "slow"} {
		r := generic(t, name)
		for tC := 0.0; tC <= 45; tC += 2.5 {
			var last [4]float64
			for a := 0.0; a < .98; a += .001 {
				for _, glass := range []float64{1, setting(r, a)} {
					p := whole.above(r, a, r.Tg(a), tC, cure.WorkC(tC), glass, false)
					if glass == setting(r, a) {
						for k := range p {
							if p[k] < last[k]-1e-9 || k > 0 && p[k] > p[k-1]+1e-9 {
								t.Fatalf("%s at %g °C, α %.3f: P(≥%s) %.6f after %.6f, below it %.6f", name, tC, a, States[k+1], p[k], last[k], p[max(k-1, 0)])
							}
						}
						last = p
					}
				}
			}
		}
	}
}

// A test that this resin could hardly give leaves the finger alone to speak: no
// permission and no closing time, until a test agrees.
func TestFingerAlone(t *testing.T) {
	e := judged(t, "slow", 20, 1.3, FillCoat, "", feel(1.2, Tacky))
	w := e.NextWindow
	if e.State != Tacky || e.StateProbability != nil || e.AdviceCode != AdviseFeelAgain || w.Permits || w.ClosesBand.P50 != nil || w.FeelFrom == nil {
		t.Errorf("tacky after an hour: %s %v %s, %+v", e.State, e.StateProbability, e.AdviceCode, w)
	}
	// Hours later it still does not permit, nor call it wet.
	if e := judged(t, "slow", 20, 7, FillCoat, "", feel(1.2, Tacky)); e.State != Tacky || e.NextWindow.Permits {
		t.Errorf("hours later: %s, permits %v", e.State, e.NextWindow.Permits)
	}
	// A test that agrees with the resin ends it.
	if e := judged(t, "slow", 20, 4.6, FillCoat, "", feel(1.2, Tacky), feel(3, Wet), feel(4.5, Wet)); e.AdviceCode == AdviseFeelAgain {
		t.Errorf("after tests that agree: %s %q", e.AdviceCode, e.Advice)
	}
	if e := judged(t, "slow", 20, 3, FillCoat, "", feel(1.2, Tacky), feel(2.9, Green)); e.NextWindow.Permits {
		t.Errorf("fast by two tests, slow by its name: permits, %q", e.Advice)
	}
}

// Softened is said while it is warm, and no longer once it cools.
func TestSoftenedOnlyWhileWarm(t *testing.T) {
	r := generic(t, "medium")
	tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero})
	at := func(h float64) time.Time { return zero.Add(time.Duration(h * float64(time.Hour))) }
	said := 0
	for m := 0; m < 20*60; m++ {
		h, tC := float64(m)/60, 15.0
		switch {
		case h > 12 && h < 14:
			tC = 15 + 7*(h-12)
		case h >= 14:
			tC = max(29-8*(h-14), 9)
		}
		tr.Feed(Point{At: at(h), TempC: tC, VapourPa: math.NaN(), CO2: math.NaN()})
		if m%10 != 0 || h < 11 {
			continue
		}
		e := new(Workspace).Estimate(&Case{Now: at(h), Coat: Coat{ID: "c", Kind: FillCoat, Applied: zero}, Resin: r, Track: tr, PanelFrom: "probe",
			Outlook: steady(at(h), tC, 24), Belief: Believe(.03, 0, 0, tr.Judge(), Family{})})
		if e.Facts.SoftenedAt != nil {
			said++
			if h > 14.3 {
				t.Errorf("softened is said at %.1f h, %.1f °C and cooling", h, tC)
			}
		}
	}
	if said == 0 {
		t.Error("it never softened")
	}
}
