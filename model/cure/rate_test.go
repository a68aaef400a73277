// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tol float64, unit string) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.8g %s, want %.8g ± %g", what, got, unit, want, tol)
	}
}

func TestGasConstant(t *testing.T) {
	// CODATA 2018: 8.314462618… J/(mol·K), exact.
	near(t, "R", GasConstant, 8.314462618, 1e-9, "J/mol/K")
}

// Flory 1941, Stockmayer 1943, as in the textbooks: gel at
// p_e·p_a = 1/((f−1)(g−1)).
func TestGelConversion(t *testing.T) {
	for _, tt := range []struct {
		f, g, r, mono, want float64
	}{
		{4, 2, 1, 0, 1 / math.Sqrt(3)}, // a diamine: 1/√3
		{5, 2, 1, 0, 0.5},              // DETA
		{6, 2, 1, 0, 1 / math.Sqrt(5)}, // TETA
		{4, 2, 1.1, 0, 0.605530},       // arithmetic
		{4, 2, 0.8, 0, 0.5164},
		{4, 2, 1, 0.15, 0.6262}, // 15 % monofunctional diluent
	} {
		got, ok := GelConversion(tt.f, tt.g, tt.r, tt.mono)
		if !ok {
			t.Errorf("%+v: no gel", tt)
		}
		near(t, "gel conversion", got, tt.want, 5e-5, "")
	}
	// Stockmayer's limits for f = 4, g = 2: gel only for 1/3 ≤ r ≤ 3.
	for _, r := range []float64{0.33, 3.01} {
		if p, ok := GelConversion(4, 2, r, 0); ok {
			t.Errorf("r = %g gels at %g; must not gel at all", r, p)
		}
	}
	for _, r := range []float64{0.34, 2.99} {
		if _, ok := GelConversion(4, 2, r, 0); !ok {
			t.Errorf("r = %g must gel", r)
		}
	}
	for _, bad := range [][4]float64{{1, 2, 1, 0}, {4, 1, 1, 0}, {4, 2, -1, 0}, {4, 2, 1, 1}, {math.NaN(), 2, 1, 0}} {
		if _, ok := GelConversion(bad[0], bad[1], bad[2], bad[3]); ok {
			t.Errorf("%v gels", bad)
		}
	}
}

// DiBenedetto's equation in the form of Pascault and Williams (1990, from
// memory); the figures are arithmetic.
func TestTg(t *testing.T) {
	r := Resin{Tg0: -35, TgInf: 124, Lambda: 0.34}
	near(t, "Tg(.5)", r.Tg(0.5), 5.343, 1e-3, "°C")
	near(t, "α(20 °C)", r.AlphaAtTg(20), 0.609, 1e-3, "")
	near(t, "Tg(0)", r.Tg(0), -35, 0, "°C")
	near(t, "Tg(1)", r.Tg(1), 124, 1e-12, "°C")
	near(t, "α below Tg0", r.AlphaAtTg(-40), 0, 0, "")
	near(t, "α above Tg∞", r.AlphaAtTg(130), 1, 0, "")
	// Vitrification where Tg = T, degree of cure at 5 to 30 °C (arithmetic).
	for name, want := range map[string][6]float64{
		Fast:   {.497, .537, .574, .609, .641, .670},
		Medium: {.557, .598, .635, .671, .703, .734},
		Slow:   {.583, .623, .660, .694, .727, .757},
	} {
		r := generic(t, name)
		for i, w := range want {
			near(t, name+" α at vitrification", r.AlphaAtTg(float64(5+5*i)), w, 1.1e-3, "")
		}
	}
}

// The closed form of the rate law for m = 1, n = 2, checked against figures
// found by quadrature, then against the law itself.
func TestClosedTime(t *testing.T) {
	for _, tt := range []struct{ K, alpha, want float64 }{
		{.1, .3, 1.83008}, {.1, .577, 3.53170}, {.1, .8, 6.78237},
		{.3, .577, 2.1931}, {.05, .8, 7.8391}, {.5, .3, 0.6531},
	} {
		near(t, "k2·t", ClosedTime(tt.K, tt.alpha), tt.want, 1e-4, "")
	}
	rapid.Check(t, func(t *rapid.T) {
		r, _ := Generic(Medium)
		K := rapid.Float64Range(0.02, 2).Draw(t, "K")
		r.A1 = K * r.A2
		alpha := rapid.Float64Range(0.01, 0.95).Draw(t, "alpha")
		c := rapid.Float64Range(0, 40).Draw(t, "temp")
		s := steadyPath{r: r, t: c, kappa: 1}
		got := s.seconds(alpha) * Arrhenius(r.A2, r.E2, c)
		if want := ClosedTime(K, alpha); math.Abs(got/want-1) > 1e-9 {
			t.Errorf("K %g, α %g at %g °C: k2·t = %.12g, closed form %.12g", K, alpha, c, got, want)
		}
	})
}

func TestArrheniusIdentities(t *testing.T) {
	r := Resin{E1: 57e3, E2: 57e3, A1: 1, A2: 1}
	// Arithmetic of the Arrhenius law.
	near(t, "Q10 20→30 °C", r.AgeFactor(30, 20), 2.163, 2e-3, "")
	near(t, "24 h at 15 °C in hours at 25 °C", 24*r.AgeFactor(15, 25), 10.806, 1e-2, "h")
	near(t, "24 h at 10 °C in hours at 25 °C", 24*r.AgeFactor(10, 25), 7.10, 1e-2, "h")
	near(t, "12 h at 10 °C and 12 h at 20 °C", 12*(r.AgeFactor(10, 25)+r.AgeFactor(20, 25)), 11.66, 1e-2, "h")
	// "Doubles per 10 °C", the trade's rule, is E = 51.2 kJ/mol.
	near(t, "Q10 at 51.2 kJ/mol", Resin{E2: 51.2e3}.AgeFactor(30, 20), 2, 2e-3, "")
	// The inverse: 2.0 h at 25 °C and 4.5 h at 15 °C.
	e := GasConstant * math.Log(4.5/2.0) / (1/288.15 - 1/298.15)
	near(t, "E from two gel times", e/1e3, 57.93, 2e-2, "kJ/mol")
	near(t, "that E's ratio", Resin{E2: e}.AgeFactor(15, 25), 2.0/4.5, 1e-9, "")
	// A linear ramp integrates as its fine steps do.
	var want float64
	for i := range 100000 {
		want += 36 * r.AgeFactor(10+20*(float64(i)+.5)/1e5, 25) / 1e3
	}
	near(t, "age over a ramp", ageOf(r, []float64{0, 3600}, []float64{10, 30}, 25), want, 1e-4, "s")
}

// What the law must do whatever its numbers.
func TestRateProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, _ := Generic(rapid.SampledFrom(names).Draw(t, "set"))
		a := rapid.Float64Range(0, 0.999).Draw(t, "alpha")
		c := rapid.Float64Range(-10, 80).Draw(t, "temp")
		k := rapid.Float64Range(0.4, 2.5).Draw(t, "kappa")
		rate := r.Rate(a, c, k)
		if !(rate > 0) || rate > r.RateChem(a, c, k) {
			t.Fatalf("rate %g, chemical %g: must be above 0 and no more", rate, r.RateChem(a, c, k))
		}
		if warmer := r.Rate(a, c+1, k); !(warmer > rate) {
			t.Errorf("slower when warmer: %g then %g", rate, warmer)
		}
		if double := r.Rate(a, c, 2*k); math.Abs(double/rate-2) > 1e-12 {
			t.Errorf("κ doubled makes %g of %g", double, rate)
		}
		if up := r.Tg(a + 0.0005); !(up > r.Tg(a)) {
			t.Errorf("Tg falls with cure at α %g", a)
		}
		if back := r.AlphaAtTg(r.Tg(a)); math.Abs(back-a) > 1e-12 {
			t.Errorf("α %g comes back from its Tg as %g", a, back)
		}
	})
}

func TestGeneric(t *testing.T) {
	// Set F is defined by gel in 2.0 h at 25 °C without vitrification, M by
	// 3.5 h, S by 7.0 h.
	for name, want := range map[string]float64{Fast: 7200, Medium: 12600, Slow: 25200} {
		r := generic(t, name)
		if errs := r.Check(); errs != nil {
			t.Errorf("%s: %v", name, errs)
		}
		s := Steady(r, 25, 1, false)
		near(t, name+" t(.577)", s.r577(r)*60, want, want*2e-3, "s")
	}
	if _, ok := Generic("brisk"); ok {
		t.Error(`a generic resin "brisk"`)
	}
}

// r577 is the minutes to α = .577 in a steady result without vitrification.
func (s SteadyResult) r577(r Resin) float64 {
	p := steadyPath{r: r, t: s.TempC, kappa: s.Kappa}
	return p.seconds(0.577) / 60
}
