// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// GelConversion returns the epoxide conversion at the gel point of an
// amine with f active hydrogens and a resin with g epoxides, at the ratio r of
// amine hydrogens to epoxides, with a fraction mono of the epoxides on
// monofunctional diluent:
//
//	p_e = √(r/((f−1)(g_w−1))),  g_w−1 = (g−1)(1−mono) for g = 2
//
// It is false where the mixture cannot gel. Rings and the slower secondary
// amine put real gel somewhat higher. Source: Flory 1941, Stockmayer 1943, by
// way of the textbook form.
func GelConversion(f, g, r, mono float64) (float64, bool) {
	if !(f > 1) || !(g > 1) || !(r > 0) || !(mono >= 0) || !(mono < 1) {
		return 0, false
	}
	// Weight-average functionality of the epoxides: g_w = Σg²N/ΣgN, in
	// epoxide fractions g(1−mono) + mono.
	gw := g*(1-mono) + mono
	p := math.Sqrt(r / ((f - 1) * (gw - 1)))
	if p > 1 || p/r > 1 {
		return 0, false
	}
	return p, true
}

// ClosedTime returns k2·t at which degree of cure alpha is reached from 0
// at a steady temperature, for m = 1, n = 2, no vitrification and K = k1/k2:
//
//	ln((K+α)/(K(1−α)))/(1+K)² + α/((1−α)(1+K))
func ClosedTime(K, alpha float64) float64 {
	return math.Log((K+alpha)/(K*(1-alpha)))/((1+K)*(1+K)) + alpha/((1-alpha)*(1+K))
}

// CastroMacosko holds the constants of a viscosity law:
//
//	η = A_η·exp(E_η/RT)·(α_g/(α_g−α))^(A+Bα)
//
// Source: Castro and Macosko, AIChE J. 28 (1982) 250 (from memory).
type CastroMacosko struct {
	AEta     float64 // Pa·s
	EEta     float64 // J/mol
	A, B     float64
	AlphaGel float64
}

// GenericViscosity is a set for thin laminating resins: exponents within
// the spread remembered for epoxy amines, 0.8 Pa·s at 25 °C by judgement. Use
// its ratios, not its size.
func GenericViscosity() CastroMacosko {
	const e = 50e3
	return CastroMacosko{
		AEta: 0.8 / math.Exp(e/(GasConstant*(25+zeroC))), EEta: e,
		A: 1.5, B: 1, AlphaGel: 0.60,
	}
}

// Viscosity returns Pa·s at degree of cure alpha and tC (°C); it is false from
// the gel point on, where there is none.
func (v CastroMacosko) Viscosity(alpha, tC float64) (float64, bool) {
	if alpha >= v.AlphaGel {
		return 0, false
	}
	return v.AEta * math.Exp(v.EEta/(GasConstant*(tC+zeroC))) * v.Growth(alpha), true
}

// Growth returns η(α)/η(0) at one temperature; +Inf from the gel point on.
func (v CastroMacosko) Growth(alpha float64) float64 {
	if alpha >= v.AlphaGel {
		return math.Inf(1)
	}
	return math.Pow(v.AlphaGel/(v.AlphaGel-alpha), v.A+v.B*alpha)
}
