// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"testing"

	"curewright/model/cure"
)

// Four paths of equal weight, two of which have passed a mark long before the
// third: the median is the middle between the second and the third, by its
// definition for an even number of values, whatever the last digit of the sum.
func TestQuantileBetweenPaths(t *testing.T) {
	for _, rounding := range []float64{-1e-15, 0, 1e-15} {
		h := 0.5 + rounding
		f := &fan{ws: &Workspace{}}
		f.cdf[cure.Hard] = []float64{0.25, h, h, h, h, 0.75, 1, 1, 1, 1}
		if got, ok := f.quantile(cure.Hard, 0.5); !ok || math.Abs(got/binS-3.5) > 1e-6 {
			t.Errorf("half of the weight %+g: median in bin %v, want 3.5", rounding, got/binS)
		}
		// Within a path's own bin there is nothing to be in the middle of.
		if got, ok := f.quantile(cure.Hard, 0.6); !ok || math.Abs(got/binS-5.4) > 1e-6 {
			t.Errorf("60 %% in bin %v, want 5.4", got/binS)
		}
	}
}

// At the moment of mixing nothing has passed before it.
func TestBeforeMixing(t *testing.T) {
	r := generic(t, "medium")
	tr := NewTrack(TrackOptions{Resin: r, Mixed: zero, Applied: zero})
	tr.Feed(Point{At: zero, TempC: 20, VapourPa: math.NaN(), CO2: math.NaN()})
	o := shedPaths(4, 900, 24, 1)
	o.Start = zero
	var w Weights
	w.normal(.25)
	f := new(Workspace).spreadOut(tr, &Belief{W: w}, o)
	f.accumulate()
	for _, s := range []float64{-3600, -1, 0} {
		if p := f.by(cure.Tacky, s); p != 0 {
			t.Errorf("%g s after mixing it is tacky with %g", s, p)
		}
	}
}
