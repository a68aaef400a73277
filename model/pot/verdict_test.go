// SPDX-License-Identifier: Apache-2.0

package pot_test

import (
	"encoding/json"
	"math"
	"testing"

	"curewright/bench/conduction"
	"curewright/model/cure"
	"curewright/model/pot"
)

func resin(t testing.TB, name string) cure.Resin {
	t.Helper()
	r, ok := cure.Generic(name)
	if !ok {
		t.Fatalf("no set %q", name)
	}
	return r
}

func ask(t testing.TB, q pot.Query) pot.Result {
	t.Helper()
	r, err := pot.Solve(q)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func p[T any](v T) *T { return &v }

// What a pot does if left goes by the nominal peak: under 20 K above the warmer
// of resin and shop it is low, from 80 °C a runaway; and danger is a matter of
// minutes to 60 °C alone.
func TestVerdictAndDanger(t *testing.T) {
	for _, name := range []string{"fast", "medium", "slow"} {
		for _, shop := range []float64{8, 15, 20, 25, 32} {
			for _, grams := range []float64{10, 30, 100, 300} {
				for _, shape := range []pot.Shape{pot.Cup, pot.Tray} {
					r := ask(t, pot.Query{Resin: resin(t, name), Grams: grams, Shape: shape, ShopC: shop})
					want := pot.Caution
					if r.Nominal.PeakC >= 80 {
						want = pot.Runaway
					} else if r.Nominal.PeakC < shop+20 {
						want = pot.Low
					}
					if r.Verdict != want {
						t.Errorf("%s %s %g g %g °C: %s at a peak of %.0f °C", name, shape, grams, shop, r.Verdict, r.Nominal.PeakC)
					}
					if r.Danger != pot.DangerAt(r.To60C) {
						t.Errorf("%s %s %g g %g °C: danger %s, 60 °C after %v", name, shape, grams, shop, r.Danger, r.To60C)
					}
				}
			}
		}
	}
	for m, want := range map[float64]string{1: "now", 10: "now", 10.1: "soon", 30: "soon", 31: "later"} {
		if got := pot.DangerAt(&m); got != want {
			t.Errorf("danger at %g min = %s, want %s", m, got, want)
		}
	}
	// A little of a medium in a cool shed is no red.
	if r := ask(t, pot.Query{Resin: resin(t, "medium"), Grams: 30, Shape: pot.Cup, ShopC: 15}); r.Verdict == pot.Runaway || r.Danger == pot.DangerNow || r.Danger == pot.DangerSoon {
		t.Errorf("30 g of medium at 15 °C: %s, danger %s", r.Verdict, r.Danger)
	}
}

// A cup mixed from warm bottles in a cold shop is not over at once: the rise
// counts from the warmer of the two (fast, 100 g, 25 °C into 10 °C: 6 to
// 14 min).
func TestWarmStart(t *testing.T) {
	r := ask(t, pot.Query{Resin: resin(t, "fast"), Grams: 100, Shape: pot.Cup, ShopC: 10, StartC: p(25.0)})
	if r.WorkMinutes == nil || *r.WorkMinutes < 6 || *r.WorkMinutes > 14 {
		t.Errorf("workable for %v min, want 6 to 14", r.WorkMinutes)
	}
	if r.Nominal.WorkMinutes == nil || *r.Nominal.WorkMinutes < 6 || *r.Nominal.WorkMinutes > 14 {
		t.Errorf("nominal %v min, want 6 to 14", r.Nominal.WorkMinutes)
	}
}

// Common practice, no source: 100 g of a fast hardener at 25 °C is too hot to
// hold after 10 to 20 min; a third of the mass never sooner; poured 5 mm deep
// into a tray it lasts at least twice as long.
func TestCommonPractice(t *testing.T) {
	cup := ask(t, pot.Query{Resin: resin(t, "fast"), Grams: 100, Shape: pot.Cup, ShopC: 25})
	if m := cup.Nominal.To60C; m == nil || *m < 10 || *m > 20 {
		t.Errorf("100 g of fast at 25 °C: 60 °C after %v min, want 10 to 20", m)
	}
	for _, name := range []string{"fast", "medium", "slow"} {
		for _, shop := range []float64{15, 20, 25} {
			cup := ask(t, pot.Query{Resin: resin(t, name), Grams: 100, Shape: pot.Cup, ShopC: shop})
			third := ask(t, pot.Query{Resin: resin(t, name), Grams: 33, Shape: pot.Cup, ShopC: shop})
			tray := ask(t, pot.Query{Resin: resin(t, name), Grams: 100, Shape: pot.Tray, ShopC: shop})
			if earlier(third.To60C, cup.To60C) || earlier(third.WorkMinutes, cup.WorkMinutes) {
				t.Errorf("%s %g °C: a third of the mass is over sooner", name, shop)
			}
			if tray.WorkMinutes != nil && *tray.WorkMinutes < 2**cup.WorkMinutes {
				t.Errorf("%s %g °C: tray %.1f min, cup %.1f: want twice as long", name, shop, *tray.WorkMinutes, *cup.WorkMinutes)
			}
			if tray.To60C != nil && *tray.To60C < 2**cup.To60C {
				t.Errorf("%s %g °C: tray 60 °C after %.1f min, cup %.1f: want twice as long", name, shop, *tray.To60C, *cup.To60C)
			}
		}
	}
}

// earlier: nil is never.
func earlier(a, b *float64) bool {
	return a != nil && (b == nil || *a < *b-1e-9)
}

// The lumped balance against a conduction model of its own (bench/conduction):
// the middle of 100 g of fast is hot 5 to 8 % before the lumped cup, of slow
// about a fifth; the cautious figures cover both.
func TestAgainstConduction(t *testing.T) {
	for _, c := range []struct {
		name       string
		shop       float64
		low, high  float64 // core earlier than lumped, share
		horizonMin float64
	}{{"fast", 25, .05, .08, 60}, {"slow", 25, .15, .25, 240}} {
		r := ask(t, pot.Query{Resin: resin(t, c.name), Grams: 100, Shape: pot.Cup, ShopC: c.shop})
		core, err := conduction.Cup(resin(t, c.name), 100, *r.DiameterMM, c.shop, c.shop).Watch(c.horizonMin)
		if err != nil {
			t.Fatal(err)
		}
		early := 1 - core.Core60 / *r.Nominal.To60C
		t.Logf("%s 100 g %g °C: 60 °C core %.2f, lumped %.2f (%.1f %% earlier), cautious %.2f; +15 K core %.2f, lumped %.2f, cautious %.2f", c.name, c.shop,
			core.Core60, *r.Nominal.To60C, 100*early, *r.To60C, core.CorePlus15, *r.Nominal.ToPlus15K, *r.ToPlus15K)
		if early < c.low || early > c.high {
			t.Errorf("%s: core hot %.1f %% before the lumped cup, want %g to %g", c.name, 100*early, 100*c.low, 100*c.high)
		}
		if *r.To60C > core.Core60 || *r.ToPlus15K > core.CorePlus15 {
			t.Errorf("%s: cautious 60 °C after %.1f min and +15 K after %.1f, core %.1f and %.1f", c.name, *r.To60C, *r.ToPlus15K, core.Core60, core.CorePlus15)
		}
	}
}

// A tray on its bench against the layered conduction model: the cautious
// figure is never later than the middle of the layer.
func TestTrayAgainstConduction(t *testing.T) {
	for _, c := range []struct {
		name string
		shop float64
	}{{"fast", 15}, {"fast", 25}, {"medium", 20}, {"medium", 25}, {"slow", 25}} {
		r := ask(t, pot.Query{Resin: resin(t, c.name), Grams: 100, Shape: pot.Tray, ShopC: c.shop})
		core, err := conduction.Tray(resin(t, c.name), 5, c.shop, c.shop).Watch(300)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s tray %g °C: work %v (core +15 %.1f, α .30 %.1f), 60 °C %v (core %.1f), peak nominal %.0f core %.0f", c.name, c.shop, say(r.WorkMinutes), core.CorePlus15, core.MeanAlpha30, say(r.To60C), core.Core60, r.Nominal.PeakC, core.PeakC)
		if !math.IsNaN(core.CorePlus15) && (r.ToPlus15K == nil || *r.ToPlus15K > core.CorePlus15) {
			t.Errorf("%s %g °C: +15 K after %v, the layer's middle after %.1f", c.name, c.shop, say(r.ToPlus15K), core.CorePlus15)
		}
		if !math.IsNaN(core.Core60) && (r.To60C == nil || *r.To60C > core.Core60) {
			t.Errorf("%s %g °C: 60 °C after %v, the layer's middle after %.1f", c.name, c.shop, say(r.To60C), core.Core60)
		}
	}
}

func say(v *float64) any {
	if v == nil {
		return "never"
	}
	return math.Round(*v*10) / 10
}

// A sheet's pot life is what its own cup says, whichever end the sheet means:
// fit and pot speak of one cup.
func TestSheetPinsTheCup(t *testing.T) {
	for _, end := range append([]string{""}, cure.PotLifeEnds...) {
		sheet := `name = "club"
ratio_by_weight = [100, 30]
[[pot_life]]
grams = 100
temp_c = 25
minutes = [25, 30]
`
		if end != "" {
			sheet += "until = \"" + end + "\"\n"
		}
		sheet += "[[time]]\nevent = \"tack_free\"\ntemp_c = 25\nhours = [3, 4]\n"
		s, err := cure.ParseSheet([]byte(sheet))
		if err != nil {
			t.Fatal(err)
		}
		f, err := cure.Fit(s)
		if err != nil {
			t.Fatal(err)
		}
		// The resin goes through its file, as a person's does.
		r, err := cure.ParseResin(f.Resin.TOML())
		if err != nil {
			t.Fatal(err)
		}
		res := ask(t, pot.Query{Resin: r, Grams: 100, Shape: pot.Cup, ShopC: 25})
		want := math.Sqrt(25 * 30)
		var got *float64
		switch end {
		case "", cure.Until60C:
			got = res.Nominal.To60C
		case cure.UntilRise15:
			got = res.Nominal.ToPlus15K
		case cure.Until50C: // between the two
			if a, b := res.Nominal.ToPlus15K, res.Nominal.To60C; a == nil || b == nil || *a > want || *b < want {
				t.Errorf("until 50 °C: +15 K %v, 60 °C %v, sheet %.1f", say(a), say(b), want)
			}
			continue
		case cure.UntilGel: // a cup that gels at 27 min was hot before
			if b := res.Nominal.To60C; b == nil || *b > want {
				t.Errorf("until gel: 60 °C %v, sheet %.1f", say(b), want)
			}
			continue
		}
		if got == nil || math.Abs(*got-want) > .2 {
			t.Errorf("until %q: the sheet's cup lasts %v min, sheet %.1f", end, say(got), want)
		}
		if len(res.SheetPotLife) != 1 {
			t.Errorf("until %q: the sheet is not named: %v", end, res.SheetPotLife)
		}
		// One in ten is sooner, by the range, the lot and the batch: not by
		// a factor of two.
		if end == "" && (res.To60C == nil || *res.To60C < 18 || *res.To60C > want) {
			t.Errorf("cautious %v min for a sheet of 25 to 30", say(res.To60C))
		}
	}
	if _, err := cure.ParseSheet([]byte("name = \"x\"\n[[pot_life]]\ngrams = 100\ntemp_c = 25\nminutes = 20\nuntil = \"hot\"\n")); err == nil {
		t.Error("until = hot is taken")
	}
}

// A generic set says which pot life it is; the sum is the cure package's.
func TestGenericStandsFor(t *testing.T) {
	for name, want := range map[string][2]float64{"fast": {10, 13}, "medium": {18, 22}, "slow": {45, 55}} {
		r := ask(t, pot.Query{Resin: resin(t, name), Grams: 250, Shape: pot.Tray, ShopC: 15})
		if s := r.StandsFor; s == nil || s.Grams != 100 || s.TempC != 25 || s.Minutes < want[0] || s.Minutes > want[1] {
			t.Errorf("%s stands for %+v, want 100 g at 25 °C, %g to %g min", name, s, want[0], want[1])
		}
	}
}

// The three facts are there in every answer, and the safety words too.
func TestThreeFacts(t *testing.T) {
	for _, name := range []string{"fast", "slow"} {
		for _, shape := range []pot.Shape{pot.Cup, pot.Tray, pot.Bond} {
			r := ask(t, pot.Query{Resin: resin(t, name), Grams: 200, Shape: shape, ShopC: 22})
			if r.Work == "" || r.Left == "" || r.Do == "" || len(r.Why) == 0 || len(r.Cautions) != len(pot.CupCautions(nil)) {
				b, _ := json.Marshal(r)
				t.Errorf("%s %s: %s", name, shape, b)
			}
		}
	}
}
