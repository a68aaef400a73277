// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Hand sums, from the definition of the fibre mass fraction f: a cloth of w
// g/m² takes w·(1−f)/f of resin.
func TestClothByHand(t *testing.T) {
	c, err := ParseCloth("glass 200 g/m2 twill")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "resin for 200 g/m² at one half", c.ResinGM2().Use, 200, 1e-9)
	near(t, "at .44, the wettest", c.ResinGM2().High, 200*.56/.44, 1e-9)
	mat, err := ParseCloth("mat 300")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "300 g/m² mat at .29", mat.ResinGM2().Use, 300*.71/.29, 1e-9)
	for bad, word := range map[string]string{"kevl 170": "unknown word", "glass": "weight", "glass -200": "weight", "170 plain": "no fibre", "carbon mat 200": "woven", "glass NaN": "weight"} {
		if _, err := ParseCloth(bad); err == nil || !strings.Contains(err.Error(), word) {
			t.Errorf("ParseCloth(%q) = %v, want a word on %q", bad, err, word)
		}
	}
}

// A locker lid of 1.4 m², wet-out of 160 g/m² twill glass on bare foam under
// peel ply, by hand: core 180, cloth 160 at one half, ply 90 g/m²; 15 % lost.
func TestQuantityByHand(t *testing.T) {
	q, err := Need{Kind: "wet-out", AreaM2: 1.4, Cloth: []Cloth{{"glass", "twill", 160}}, Core: "foam", PeelPly: true}.Quantity()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "g", q.Grams.Use, 1.4*(180+160+90)*1.15, 1e-9)
	sum := 0.0
	for _, p := range q.Parts {
		sum += p.Grams.Use
		if p.Source != "common practice, no source" {
			t.Errorf("%s: source %q", p.What, p.Source)
		}
	}
	near(t, "its lines add up, g", sum, q.Grams.Use, 1e-9)
	// A joint 3 mm × .02 m² is 60 cm³, 66 g, with squeeze-out 75.9 g, and 15 %.
	b, err := Need{Kind: "bond", AreaM2: .02, DepthMM: 3}.Quantity()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "joint g", b.Grams.Use, 66*1.15*1.15, 1e-9)
	_, err = Need{Kind: "paint", AreaM2: -1, Core: "cork", DepthMM: -2, Cloth: []Cloth{{"hemp", "plain", 200}}, WastePc: &Range{5, 4, 3}}.Quantity()
	var f Faults
	if !errors.As(err, &f) || len(f) != 6 {
		t.Errorf("faults = %v, want six", err)
	}
}

func TestQuantityOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := Need{
			Kind:    rapid.SampledFrom([]string{"tack coat", "wet-out", "fill coat", "bond", "seal"}).Draw(rt, "kind"),
			AreaM2:  rapid.Float64Range(.01, 30).Draw(rt, "area"),
			Core:    rapid.SampledFrom([]string{"", "foam", "wood", "metal", "honeycomb", "laminate"}).Draw(rt, "core"),
			PeelPly: rapid.Bool().Draw(rt, "ply"),
			Cloth:   []Cloth{{"glass", "plain", rapid.Float64Range(20, 800).Draw(rt, "w")}},
		}
		q, err := n.Quantity()
		if err != nil {
			rt.Fatal(err)
		}
		if !(q.Grams.Low > 0 && q.Grams.Low <= q.Grams.Use && q.Grams.Use <= q.Grams.High) {
			rt.Errorf("range %v does not ascend", q.Grams)
		}
		n.AreaM2 *= 2
		d, _ := n.Quantity()
		if math.Abs(d.Grams.Use-2*q.Grams.Use) > 1e-6*q.Grams.Use {
			rt.Errorf("twice the area takes %g g, not twice %g", d.Grams.Use, q.Grams.Use)
		}
	})
}

// Whatever people type, a cloth is either one that can be reckoned or an
// error.
func FuzzParseCloth(f *testing.F) {
	for _, s := range []string{"glass 200 twill", "aramid 170 g/m2", "mat 300", "carbon 1e3 uni", "glass,160gsm,satin", "", "glass NaN"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		c, err := ParseCloth(s)
		if err != nil {
			if c != (Cloth{}) {
				t.Errorf("%q: %+v beside %v", s, c, err)
			}
			return
		}
		r := c.ResinGM2()
		if !(r.Low > 0 && r.Low < r.Use && r.Use < r.High && !math.IsInf(r.High, 0)) {
			t.Errorf("%q takes %+v g/m²", s, r)
		}
	})
}

func TestParseCloths(t *testing.T) {
	got, err := ParseCloths("aramid 170 + glass 200 twill")
	want := []Cloth{{"aramid", "plain", 170}, {"glass", "twill", 200}}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("ParseCloths = %v, %v; want %v", got, err, want)
	}
	if _, err := ParseCloths("hemp 200 + glass"); err == nil || !strings.Contains(err.Error(), "hemp") || !strings.Contains(err.Error(), "weight") {
		t.Errorf("ParseCloths = %v, want both layers' faults", err)
	}
}
