// SPDX-License-Identifier: Apache-2.0

package mix_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"curewright/model/cure"
	"curewright/model/mix"
)

func p[T any](v T) *T { return &v }

func club(t testing.TB) cure.Resin {
	t.Helper()
	r, ok := cure.Generic("medium")
	if !ok {
		t.Fatal("no medium")
	}
	r.Name, r.Generic = "club", false
	r.RatioWeight, r.RatioTolPct = &[2]float64{100, 30}, p(3.0)
	return r
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.6g, want %.6g ± %g", what, got, want, tol)
	}
}

// Hand sums: 340 g at 100 : 30 is 261.5 + 78.5, on the scale 262 + 79 (30 % of
// 262 is 78.6).
func TestForByHand(t *testing.T) {
	s, err := mix.For(nil, club(t), 340)
	if err != nil {
		t.Fatal(err)
	}
	if *s.ResinG != 262 || *s.HardenerG != 79 || s.Grams != 341 {
		t.Errorf("340 g = %g + %g", *s.ResinG, *s.HardenerG)
	}
	near(t, "least hardener", *s.LowG, 78.6*.97, 1e-9)
	near(t, "most hardener", *s.HighG, 78.6*1.03, 1e-9)
	small, err := mix.For(nil, club(t), 7)
	if err != nil || !strings.Contains(small.Note, "too little to weigh") {
		t.Errorf("7 g: %+v, %v; want a word on the scale", small, err)
	}
	bad := club(t)
	bad.RatioWeight = &[2]float64{100, 0}
	if _, err := mix.For(nil, bad, 300); err == nil {
		t.Error("a ratio of 100 : 0 is taken")
	}
}

// A weight is never made from a volume without both densities: 2 : 1 by volume
// with 1.15 and 0.96 g/cm³ is 100 : 41.74 by weight (0.96/(2·1.15)).
func TestVolumeNeedsDensities(t *testing.T) {
	r := club(t)
	r.RatioWeight, r.RatioVolume = nil, &[2]float64{2, 1}
	s, err := mix.For(nil, r, 300)
	if err != nil || s.ResinG != nil || s.HardenerG != nil || !strings.Contains(s.Note, "densities of both parts") || s.Parts != "2 : 1 by volume" {
		t.Errorf("by volume alone: %+v, %v", s, err)
	}
	// 300 g at 1.10 g/cm³ are 272.7 mL: 181.8 + 90.9.
	near(t, "resin mL", *s.ResinML, 300/1.1*2/3, 1e-9)
	near(t, "hardener mL", *s.HardenerML, 300/1.1/3, 1e-9)
	r.DensityResin = p(1.15)
	if s, _ := mix.For(nil, r, 300); s.ResinG != nil {
		t.Error("one density is enough for a weight")
	}
	r.DensityHardener = p(.96)
	s, err = mix.For(nil, r, 300)
	if err != nil || s.ResinG == nil {
		t.Fatalf("with both densities: %+v, %v", s, err)
	}
	want := .96 / (2 * 1.15)
	near(t, "resin g", *s.ResinG, math.Round(300/(1+want)), 0)
	near(t, "hardener g", *s.HardenerG, math.Round(*s.ResinG*want), 0)
	// And the other way.
	w := club(t)
	if _, err := mix.ByPump(w, 300, mix.Pump{ResinML: 8, HardenerML: 8}); err == nil || !strings.Contains(err.Error(), "densities") {
		t.Errorf("a pump for a ratio by weight: %v", err)
	}
}

// Pumps of 8 mL a stroke at 2 : 1: 100 g at 1.10 is 90.9 mL, 60.6 of resin:
// eight strokes of resin, four of hardener, 105.6 g.
func TestPumpByHand(t *testing.T) {
	r := club(t)
	r.RatioWeight, r.RatioVolume = nil, &[2]float64{2, 1}
	s, err := mix.ByPump(r, 100, mix.Pump{ResinML: 8, HardenerML: 8})
	if err != nil {
		t.Fatal(err)
	}
	if s.Resin != 8 || s.Hardener != 4 || s.OffPct != 0 {
		t.Errorf("%+v, want 8 and 4", s)
	}
	near(t, "grams", s.Grams, 12*8*1.1, 1e-9)
	_, err = mix.ByPump(r, -1, mix.Pump{})
	var f mix.Faults
	if !errors.As(err, &f) || len(f) != 3 {
		t.Errorf("faults %v, want three", err)
	}
}

// 40 g resin too much at 100 : 30 wants 12 g of hardener (the issue's own sum).
func TestMendByHand(t *testing.T) {
	s, err := mix.Check(club(t), 302, 78.6)
	if err != nil {
		t.Fatal(err)
	}
	if s.Over != "resin" || s.Add != "hardener" || s.Within {
		t.Errorf("%+v", s)
	}
	near(t, "too much", s.OverG, 40, 1e-9)
	near(t, "add", s.AddG, 12, 1e-9)
	near(t, "then", s.TotalG, 302+78.6+12, 1e-9)
	if s.Say(nil) != "40 g resin too much: add 12 g hardener." {
		t.Errorf("%q", s.Say(nil))
	}
	// 12 g hardener too much wants 40 g resin.
	s, err = mix.Check(club(t), 262, 78.6+12)
	if err != nil || s.Say(nil) != "12 g hardener too much: add 40 g resin." {
		t.Errorf("%q, %v", s.Say(nil), err)
	}
	if s, err := mix.Check(club(t), 100, 30.8); err != nil || !s.Within || s.Say(nil) != "" {
		t.Errorf("2.7 %% off within 3: %+v, %v", s, err)
	}
}

// Whatever was poured, the mend brings it to the ratio, and never by taking
// away.
func TestMendMends(t *testing.T) {
	r := club(t)
	rapid.Check(t, func(rt *rapid.T) {
		a := rapid.Float64Range(1, 3000).Draw(rt, "resin")
		b := rapid.Float64Range(1, 3000).Draw(rt, "hardener")
		s, err := mix.Check(r, a, b)
		if err != nil {
			rt.Fatal(err)
		}
		if s.Within {
			return
		}
		if s.AddG <= 0 || s.OverG <= 0 {
			rt.Errorf("%+v", s)
		}
		if s.Add == "resin" {
			a += s.AddG
		} else {
			b += s.AddG
		}
		if s, err = mix.Check(r, a, b); err != nil || math.Abs(s.OffPct) > 1e-6 {
			rt.Errorf("mended: %+v, %v", s, err)
		}
	})
}

// A scale of ±1 g on 20 g of hardener is 5 %, and with the resin's 67 g a
// little more, by propagation; a plain draw of weighings says the same.
func TestScaleError(t *testing.T) {
	s := mix.Split{ResinG: p(66.7), HardenerG: p(20.0)}
	near(t, "error", s.RatioErrorPct(1), 100*math.Sqrt(1/400.0+1/(66.7*66.7)), 1e-12)
	rng := rand.New(rand.NewPCG(3, 4))
	var sum, sq float64
	const n = 200000
	for range n {
		x := (20 + rng.NormFloat64()) / (66.7 + rng.NormFloat64()) / (20 / 66.7)
		sum += x
		sq += x * x
	}
	near(t, "drawn", 100*math.Sqrt(sq/n-sum*sum/n/n), s.RatioErrorPct(1), .05)
	// The smallest mass whose ratio the scale holds has just that error.
	r := club(t)
	least := mix.LeastGrams(r, 1)
	k := .3
	at := mix.Split{ResinG: p(least / (1 + k)), HardenerG: p(least * k / (1 + k))}
	near(t, "at the least mass", at.RatioErrorPct(1), 3, 1e-9)
}

func TestFiller(t *testing.T) {
	g, err := mix.Filler(80, .2)
	if err != nil || math.Abs(g-20) > 1e-12 {
		t.Errorf("a fifth filler to 80 g = %g, %v", g, err)
	}
	if _, err := mix.Filler(80, 1); err == nil {
		t.Error("all filler is taken")
	}
}

// The whole pour: over-poured resin, then hardener to what is in the cup.
func TestPour(t *testing.T) {
	r := club(t)
	plan, err := mix.For(nil, r, 340)
	if err != nil {
		t.Fatal(err)
	}
	at := func(readings ...mix.Reading) mix.Pouring {
		t.Helper()
		q, err := mix.Pour(nil, r, plan, 0, 12, 0, readings)
		if err != nil {
			t.Fatal(err)
		}
		return q
	}
	if q := at(); q.Part != "resin" || q.ScaleG != 12+262 {
		t.Errorf("first: %+v", q)
	}
	if q := at(mix.Reading{"resin", 150}); q.LeftG != 124 || q.ScaleG != 274 {
		t.Errorf("half: %+v", q)
	}
	q := at(mix.Reading{"resin", 314}) // 302 g: 40 too much
	if q.Slip == nil || q.Slip.OverG != 40 || q.TakeOutG != 40 || q.Part != "hardener" || math.Abs(q.ScaleG-(314+90.6)) > 1e-9 {
		t.Errorf("40 too much: %+v %+v", q, q.Slip)
	}
	if want := "40 g resin too much: take it out, or pour 12 g more hardener than planned, until the scale shows 405 g."; q.Say != want {
		t.Errorf("%q, want %q", q.Say, want)
	}
	if q := at(mix.Reading{"resin", 314}, mix.Reading{"resin", 274}); q.Slip != nil || q.ScaleG != 274+78.6 {
		t.Errorf("taken out again: %+v", q)
	}
	if q := at(mix.Reading{"resin", 314}, mix.Reading{"hardener", 405}); q.Part != "" || q.Slip != nil {
		t.Errorf("mended: %+v", q)
	}
	q = at(mix.Reading{"resin", 274}, mix.Reading{"hardener", 274 + 90})
	if q.Slip == nil || q.Part != "resin" || math.Abs(q.LeftG-(90/.3-262)) > 1e-9 {
		t.Errorf("hardener over: %+v", q)
	}
	if q := at(mix.Reading{"resin", 274}, mix.Reading{"hardener", 364}, mix.Reading{"resin", 402}); q.Part != "" {
		t.Errorf("resin added: %+v", q)
	}
	f, err := mix.Pour(nil, r, plan, 60, 0, 0, []mix.Reading{{"resin", 262}, {"hardener", 341}})
	if err != nil || f.Part != "filler" || f.ScaleG != 401 {
		t.Errorf("filler: %+v, %v", f, err)
	}
}

// A scale that goes backwards, a part nobody pours, a figure no scale shows:
// each beside its own reading.
func TestPourFaults(t *testing.T) {
	r := club(t)
	plan, _ := mix.For(nil, r, 340)
	_, err := mix.Pour(nil, r, plan, -1, 0, 0, []mix.Reading{{"resin", 262}, {"hardener", 250}, {"sand", 300}, {"hardener", math.NaN()}})
	var f mix.Faults
	if !errors.As(err, &f) {
		t.Fatalf("no faults: %v", err)
	}
	var fields []string
	for _, x := range f {
		fields = append(fields, x.Field)
	}
	if s := strings.Join(fields, " "); s != "filler_g readings[1] readings[2] readings[3]" {
		t.Errorf("faults at %q: %v", s, err)
	}
	if !strings.Contains(err.Error(), "250 g is less than the 262 g before") {
		t.Errorf("%v", err)
	}
	// A scale's last digit flickering back is no fault.
	if _, err := mix.Pour(nil, r, plan, 0, 0, 0, []mix.Reading{{"resin", 200}, {"resin", 199.5}}); err != nil {
		t.Errorf("flicker: %v", err)
	}
}

// Any row of readings either ends in a state whose sums are its readings' or in
// faults.
func TestPourAdds(t *testing.T) {
	r := club(t)
	plan, _ := mix.For(nil, r, 340)
	rapid.Check(t, func(rt *rapid.T) {
		var rs []mix.Reading
		n := rapid.IntRange(0, 6).Draw(rt, "n")
		for range n {
			rs = append(rs, mix.Reading{rapid.SampledFrom([]string{"resin", "hardener", "filler"}).Draw(rt, "part"), rapid.Float64Range(0, 600).Draw(rt, "total")})
		}
		q, err := mix.Pour(nil, r, plan, 30, 0, 0, rs)
		if err != nil {
			return
		}
		if len(rs) > 0 && math.Abs(q.ResinG+q.HardenerG+q.FillerG-rs[len(rs)-1].TotalG) > 1e-6 {
			rt.Errorf("%v add up to %g", rs, q.ResinG+q.HardenerG+q.FillerG)
		}
	})
}

func ExampleFor() {
	r, _ := cure.Generic("medium")
	r.RatioWeight = &[2]float64{100, 30}
	s, err := mix.For(nil, r, 340)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("mix %.0f + %.0f g, %s\n", *s.ResinG, *s.HardenerG, s.Parts)
	slip, _ := mix.Check(r, 302, 79)
	fmt.Println(slip.Say(nil))
	// Output:
	// mix 262 + 79 g, 100 : 30 by weight
	// 39 g resin too much: add 12 g hardener.
}
