// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Heat transfer of three cups (arithmetic on the definition).
func TestCupHA(t *testing.T) {
	for _, x := range [][3]float64{{100, 65, .0912}, {250, 80, .1613}, {500, 95, .2523}} {
		near(t, "diameter", DefaultCupMM(x[0]), x[1], 0, "mm")
		near(t, "hA", CupHA(x[0], 1.1, x[1]), x[2], 5e-5, "W/K")
	}
}

// Minutes to 60 °C of the generic sets in cups, from the same definition
// solved by other hands (whole minutes).
func TestCupTimeTo60(t *testing.T) {
	for _, tt := range []struct {
		set   string
		grams float64
		want  [3]float64 // at 20, 25, 30 °C
	}{
		{Fast, 100, [3]float64{16, 11, 7}}, {Fast, 500, [3]float64{15, 10, 7}},
		{Medium, 100, [3]float64{32, 20, 13}}, {Medium, 250, [3]float64{30, 19, 13}}, {Medium, 500, [3]float64{29, 19, 12}},
		{Slow, 100, [3]float64{96, 50, 30}}, {Slow, 500, [3]float64{67, 41, 26}},
	} {
		for i, c := range []float64{20, 25, 30} {
			got, ok := SheetCup(generic(t, tt.set), tt.grams, c, 1).TimeTo(generic(t, tt.set), 60)
			if !ok {
				t.Errorf("%s, %g g at %g °C never gets to 60 °C", tt.set, tt.grams, c)
			}
			near(t, fmt.Sprintf("%s, %g g at %g °C", tt.set, tt.grams, c), got, tt.want[i], .62, "min")
		}
	}
}

// Without loss all heat stays: ∫cp dT = H·α (conservation of energy). And the
// induction time of theory, RT²/E ÷ (H/cp·k1), is near the time to 60 °C.
func TestCupAdiabatic(t *testing.T) {
	r := generic(t, Medium)
	c := Cup{Grams: 100, HA: 1e-12, AmbientC: 25, StartC: 25, Kappa: 1}
	var last CupPoint
	n := 0
	c.Simulate(r, func(p CupPoint) bool {
		last = p
		n++
		// Enthalpy from 25 °C with cp = 1.8+.004(T−20) up to 170 °C.
		h := func(T float64) float64 {
			top := min(T, 170)
			x := 1.8*top + .002*(top-20)*(top-20)
			return x + 2.4*(T-top)
		}
		if got, want := h(p.TempC)-h(25), r.HeatJG*p.Alpha; math.Abs(got-want) > 2e-2 {
			t.Errorf("at %.0f s: %.4f J/g in heat, %.4f J/g released", p.Seconds, got, want)
			return false
		}
		return true
	})
	if last.Alpha < .99 {
		t.Errorf("an adiabatic cup ends at α %.3f after %d steps", last.Alpha, n)
	}
	k1 := Arrhenius(r.A1, r.E1, 25)
	induction := GasConstant * 298.15 * 298.15 / r.E1 / (420 / 1.82 * k1) / 60
	got, _ := c.TimeTo(r, 60)
	if math.Abs(got/induction-1) > .2 {
		t.Errorf("adiabatic cup at 60 °C after %.1f min, induction time %.1f", got, induction)
	}
}

// A cup lasts less when warmer, faster or larger.
func TestCupProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := genericOf(rapid.SampledFrom(names).Draw(t, "set"))
		g := rapid.Float64Range(30, 800).Draw(t, "grams")
		c := rapid.Float64Range(5, 35).Draw(t, "temp")
		k := rapid.Float64Range(.4, 2.5).Draw(t, "kappa")
		life := func(g, c, k float64) float64 {
			x, ok := SheetCup(r, g, c, k).LifeUntil(r, "")
			if !ok {
				return CupHorizon / 60
			}
			return x
		}
		was := life(g, c, k)
		if was >= CupHorizon/60 {
			t.Skip()
		}
		if x := life(g, c+1, k); x >= was {
			t.Errorf("1 K warmer: %g min, not below %g", x, was)
		}
		if x := life(g, c, k*1.1); x >= was {
			t.Errorf("faster: %g min, not below %g", x, was)
		}
		// In the same shape of cup; the size that goes with a mass is rounded.
		cup := Cup{Grams: g, HA: .1, AmbientC: c, StartC: c, Kappa: k}
		a, okA := cup.LifeUntil(r, "")
		cup.Grams *= 1.2
		if b, okB := cup.LifeUntil(r, ""); okA && (!okB || b > a) {
			t.Errorf("heavier: %g min (%v), not below %g", b, okB, a)
		}
	})
}
