// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"math"
	"testing"
)

// TestStepper compares the forecast's hours with the integrator, which is held
// against scipy and CVODE, on a panel whose temperature swings and jumps about: for
// the generic resins, and for laws that they are not, where it may be coarser.
func TestStepper(t *testing.T) {
	two := genericOf("medium")
	two.Name, two.E1, two.A1 = "two energies", 70e3, two.A1*math.Exp((70e3-57e3)/(GasConstant*298.15))
	sharp := genericOf("medium")
	sharp.Name, sharp.W = "sharp glass", 2
	orders := genericOf("medium")
	orders.Name, orders.M, orders.N = "broken orders", 0.8, 1.5
	first := genericOf("medium")
	first.Name, first.A2, first.N = "first order", 0, 1
	for i, r := range []Resin{genericOf("fast"), genericOf("medium"), genericOf("slow"), two, sharp, orders, first} {
		within := 5e-4
		if i >= 3 {
			within = 3e-3
		}
		if errs := r.Check(); len(errs) > 0 {
			t.Fatal(errs)
		}
		worst := 0.0
		it := NewIntegrator(r)
		var s Stepper
		s.Prepare(&r)
		for _, kappa := range []float64{0.5, 1, 2} {
			for _, base := range []float64{5, 15, 25} {
				y, b := 0.0, []float64{0}
				temp := func(k int) float64 {
					return base + 5*math.Sin(float64(k)*2*math.Pi/96) + .3*math.Sin(float64(k)*2.4)
				}
				for k := 0; k < 288; k += 4 {
					var sum sums
					for i := range 4 {
						c0, c1 := temp(k+i), temp(k+i+1)
						l0, l1 := s.Law(c0), s.Law(c1)
						s.add(&sum, 900, c0, c1, &l0, &l1)
						it.Advance(b, []float64{kappa}, 900, c0, c1)
					}
					hour := sum.dose()
					y = s.step(y, kappa, &hour).to
					a := s.Alpha(y)
					worst = max(worst, math.Abs(a-b[0]))
				}
			}
		}
		t.Logf("%s: largest error in α over 72 h: %.1e", r.Name, worst)
		if worst > within {
			t.Errorf("%s: error in α %.2e", r.Name, worst)
		}
		for _, a := range []float64{0, .003, .3, .577, .8, .95, .99} {
			if back := s.Alpha(s.Reduced(a)); math.Abs(back-a) > 1e-4 {
				t.Errorf("%s: α = %g comes back as %g", r.Name, a, back)
			}
		}
	}
}

// BenchmarkPrepare makes the tables of a resin.
func BenchmarkPrepare(b *testing.B) {
	r := genericOf("medium")
	var s Stepper
	for b.Loop() {
		s.glass[0].at = 0
		s.Prepare(&r)
	}
}
