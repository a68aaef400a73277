// SPDX-License-Identifier: Apache-2.0

package pot_test

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"curewright/model/pot"
)

// Every batch is laid in its time in the vessel it is used from, nothing is
// lost, and no fewer batches would do.
func TestBatches(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		q := pot.Query{Resin: resin(t, rapid.SampledFrom([]string{"fast", "medium", "slow"}).Draw(rt, "resin")), ShopC: rapid.Float64Range(8, 28).Draw(rt, "shop")}
		total := rapid.Float64Range(5, 4000).Draw(rt, "total")
		h := pot.Hands{GramsPerMin: rapid.Float64Range(6, 60).Draw(rt, "rate"), Vessel: rapid.SampledFrom(pot.Vessels).Draw(rt, "vessel")}
		bs, err := pot.Batches(q, total, h)
		if err != nil {
			rt.Fatal(err)
		}
		each := math.Ceil(total / float64(len(bs)))
		if sum := each * float64(len(bs)); sum < total || sum > total+float64(len(bs)) {
			rt.Errorf("%d batches of %g g for %g", len(bs), each, total)
		}
		need := pot.MixMinutes + each/h.GramsPerMin
		b := bs[0]
		if !b.Tight && b.WorkMinutes != nil && *b.WorkMinutes < need-0.5 {
			rt.Errorf("%g g laid in %.1f min, lasts %.1f", each, need, *b.WorkMinutes)
		}
		if n := len(bs); n > 1 && !b.Tight {
			one := math.Ceil(total / float64(n-1))
			h.Whole = true
			larger, err := pot.Batches(q, one, h)
			if err != nil {
				rt.Fatal(err)
			}
			if w := larger[0].WorkMinutes; one <= 1500 && (w == nil || *w > pot.MixMinutes+one/h.GramsPerMin+1) {
				rt.Errorf("%d batches where %d of %.0f g would do", n, n-1, one)
			}
		}
	})
	if _, err := pot.Batches(pot.Query{Resin: resin(t, "fast"), ShopC: 20}, -1, pot.Hands{Vessel: "bucket"}); err == nil || strings.Count(err.Error(), ";") != 2 {
		t.Errorf("three faults: %v", err)
	}
}

// A 2.5 m² wet-out of glass in a shed at 20 °C, medium hardener, an hour and a
// quarter's work: two or three tray batches, not eleven cups.
func TestBigWetOutIsAFewTrays(t *testing.T) {
	need, err := pot.Need{Kind: "wet-out", AreaM2: 2.5, Cloth: []pot.Cloth{{Fibre: "glass", Weave: "twill", GM2: 200}, {Fibre: "aramid", Weave: "plain", GM2: 170}}}.Quantity()
	if err != nil {
		t.Fatal(err)
	}
	rate := need.Grams.Use / (10 + 25*2.5) // a person's hour, as the plan takes it
	tray, err := pot.Batches(pot.Query{Resin: resin(t, "medium"), ShopC: 20}, need.Grams.Use, pot.Hands{GramsPerMin: rate, Vessel: pot.FromTray})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(tray); n < 2 || n > 3 {
		t.Errorf("%.0f g in %d trays of %.0f g, want 2 or 3", need.Grams.Use, n, tray[0].Grams)
	}
	cups, err := pot.Batches(pot.Query{Resin: resin(t, "medium"), ShopC: 20}, need.Grams.Use, pot.Hands{GramsPerMin: rate})
	if err != nil {
		t.Fatal(err)
	}
	if len(cups) <= len(tray) {
		t.Errorf("%d cups, %d trays: a tray lasts longer", len(cups), len(tray))
	}
}

// Where nothing can be laid in time it is said, and the coat is still divided.
func TestTight(t *testing.T) {
	bs, err := pot.Batches(pot.Query{Resin: resin(t, "fast"), ShopC: 35}, 500, pot.Hands{GramsPerMin: 2})
	if err != nil || !bs[0].Tight {
		t.Errorf("%+v, %v", bs, err)
	}
}
