// SPDX-License-Identifier: Apache-2.0

package pot_test

import (
	"slices"
	"strings"
	"testing"

	"curewright/model/cure"
	"curewright/model/mix"
	"curewright/model/pot"
	"curewright/model/words"
)

// What is said of a cup, of what to mix, of the pouring and of what a coat took
// comes from the catalogue, in every verdict.
func TestCupsSpeakTheCatalogue(t *testing.T) {
	lang := words.Pseudo()
	names := []string{"medium", "foam", "Glass", "glass", "twill", "aramid", "Ann"}
	seen := map[string]bool{}
	check := func(said ...string) {
		t.Helper()
		for _, x := range said {
			seen[x] = true
			if bare := words.Bare(x, names...); len(bare) > 0 || strings.ContainsAny(x, "{}") {
				t.Errorf("%q is not from the catalogue: %q", x, bare)
			}
		}
	}
	r, _ := cure.Generic(cure.Medium)
	own := r
	own.Generic, own.RatioWeight = false, &[2]float64{100, 30}
	for _, r := range []cure.Resin{r, own} {
		for _, shape := range []pot.Shape{pot.Cup, pot.Tray, pot.Bond} {
			for _, g := range []float64{20, 300, 3000} {
				for _, shop := range []float64{5, 20, 35} {
					res, err := pot.Solve(pot.Query{Words: lang, Resin: r, Grams: g, Shape: shape, ShopC: shop})
					if err != nil {
						t.Fatal(err)
					}
					check(res.Work, res.Left, res.Do)
					check(res.Why...)
					check(res.Cautions...)
				}
			}
		}
	}
	for _, temps := range [][]float64{{20, 20, 21}, {20, 30, 45}, {20, 50, 75}} {
		var rs []pot.Sample
		for i, c := range temps {
			rs = append(rs, pot.Sample{Minutes: float64(i*5 + 1), TempC: c})
		}
		start := 20.0
		live, err := pot.Live(pot.Query{Words: lang, Resin: r, Grams: 300, Shape: pot.Cup, ShopC: 20, StartC: &start}, rs)
		if err != nil {
			t.Fatal(err)
		}
		check(live.Say)
	}
	cloth := []pot.Cloth{{Fibre: "glass", Weave: "twill", GM2: 200}}
	for _, kind := range []string{"tack coat", "wet-out", "fill coat", "seal", "bond"} {
		for _, who := range []string{"", "Ann"} {
			q := pot.MixQuery{Words: lang, Resin: own, ShopC: 30, People: 2, FillerPct: 20, Need: &pot.Need{Kind: kind, AreaM2: 2, Core: "foam", PeelPly: true,
				Habit: &pot.Habit{Factor: 1.2, Coats: 2, Weighed: 1, Who: who}}}
			if kind == "wet-out" {
				q.Need.Cloth = cloth
			}
			a, err := pot.Mixing(q)
			if err != nil {
				t.Fatal(err)
			}
			check(a.Say(lang), a.Need.Own)
			check(a.Hands...)
			check(a.Notes...)
			for _, p := range a.Need.Parts {
				check(p.What, p.Source)
			}
		}
	}
	for _, pour := range [][]float64{nil, {100}, {150}, {100, 120}, {100, 140}, {100, 130}} {
		grams, part := 130.0, []string{mix.Resin, mix.Hardener}
		q := pot.MixQuery{Words: lang, Resin: own, ShopC: 20, Grams: &grams, Whole: true, FillerPct: 10}
		for i, g := range pour {
			q.Readings = append(q.Readings, mix.Reading{Part: part[i], TotalG: g})
		}
		a, err := pot.Mixing(q)
		if err != nil || a.Pour == nil {
			t.Fatalf("%v: %v, %v", pour, err, a.Faults)
		}
		check(a.Pour.Say)
	}
	for _, mixed := range []float64{100, 190, 400} {
		for _, c := range [][]pot.Cloth{nil, cloth} {
			b, err := pot.Balance(pot.Laid{Words: lang, Kind: "wet-out", AreaM2: 1, MixedG: mixed, Cloth: c})
			if err != nil {
				t.Fatal(err)
			}
			check(b.Is, b.Say)
		}
	}
	// Sentences that these cases never reach would not be looked at.
	missed := slices.DeleteFunc(words.English.Codes("pot.do."), func(code string) bool { return seen[lang.Text(code)] })
	if len(missed) > 0 {
		t.Errorf("no case said %q", missed)
	}
}
