// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"math"
	"testing"
)

// TestStepper compares the forecast's quarter-hour steps with the integrator.
func TestStepper(t *testing.T) {
	worst := 0.0
	for _, name := range []string{"fast", "medium", "slow"} {
		r := genericOf(name)
		it := NewIntegrator(r)
		var s Stepper
		s.Prepare(&r)
		for _, kappa := range []float64{0.5, 1, 2} {
			for _, base := range []float64{5, 15, 25} {
				a, b := 0.0, []float64{0}
				temp := func(k int) float64 { return base + 5*math.Sin(float64(k)*2*math.Pi/96) }
				l0 := s.Law(temp(0))
				for k := range 288 {
					lm, l1 := s.Law((temp(k)+temp(k+1))/2), s.Law(temp(k+1))
					a = s.Step(a, kappa*900, s.First(a, kappa*900, &l0), &lm, &l1)
					l0 = l1
					it.Advance(b, []float64{kappa}, 900, temp(k), temp(k+1))
					worst = max(worst, math.Abs(a-b[0]))
				}
			}
		}
	}
	t.Logf("largest error in α of quarter-hour steps over 72 h: %.1e", worst)
	if worst > 1e-3 {
		t.Errorf("error in α %.2e", worst)
	}
}
