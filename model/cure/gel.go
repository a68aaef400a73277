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

// FilmTime is [ClosedTime] for any orders of reaction, by quadrature where there
// is no closed form.
func FilmTime(K, m, n, alpha float64) float64 { return chemTime(K, m, n, alpha) }
