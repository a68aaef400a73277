// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// Kelvin of 0 °C, by definition of the Celsius scale.
const zeroC = 273.15

// Arrhenius returns a·exp(−e/(R·T)) in the unit of a, with e in J/mol and
// the temperature in °C.
func Arrhenius(a, e, tC float64) float64 {
	return a * math.Exp(-e/(GasConstant*(tC+zeroC)))
}

// power is x^p for x of 0 or more; [math.Pow] is slow and spends its time on
// cases that cannot occur.
func power(x, p float64) float64 {
	switch p {
	case 0:
		return 1
	case 1:
		return x
	case 2:
		return x * x
	}
	return math.Exp(p * math.Log(x))
}

// RateChem returns dα/dt in 1/s at degree of cure alpha (0 to 1) and
// temperature tC (°C), without the slowing by vitrification:
//
//	κ·(k1 + k2·α^m)·(1−α)^n,  k = A·exp(−E/RT)
//
// Kappa is the batch's rate factor; 1 is the resin as on its sheet.
// Source: Kamal and Sourour, Polym. Eng. Sci. 13 (1973) 59.
func (r Resin) RateChem(alpha, tC, kappa float64) float64 {
	if alpha >= 1 {
		return 0
	}
	alpha = max(alpha, 0)
	k1, k2 := r.constants(tC)
	return kappa * (k1 + k2*power(alpha, r.M)) * power(1-alpha, r.N)
}

// constants are k1 and k2 in 1/s, with one exponential where that is enough.
func (r *Resin) constants(tC float64) (k1, k2 float64) {
	if r.E1 == r.E2 {
		x := Arrhenius(1, r.E1, tC)
		return r.A1 * x, r.A2 * x
	}
	return Arrhenius(r.A1, r.E1, tC), Arrhenius(r.A2, r.E2, tC)
}

// Diffusion returns the factor, between 0 and 1, by which vitrification slows
// the reaction at degree of cure alpha and temperature tC (°C):
//
//	1/(1 + exp((Tg(α) − T − D)/W))
//
// It is the logistic form of Chern and Poehlein, Polym. Eng. Sci. 27 (1987)
// 788 (from memory), written in Tg; D and W are a choice of ours.
func (r Resin) Diffusion(alpha, tC float64) float64 {
	return 1 / (1 + math.Exp((r.Tg(alpha)-tC-r.D)/r.W))
}

// Rate returns dα/dt in 1/s with the diffusion factor: [Resin.RateChem] times
// [Resin.Diffusion].
func (r Resin) Rate(alpha, tC, kappa float64) float64 {
	return r.RateChem(alpha, tC, kappa) * r.Diffusion(alpha, tC)
}

// Tg returns the glass transition in °C at degree of cure alpha:
//
//	Tg0 + (Tg∞ − Tg0)·λα/(1 − (1−λ)α)
//
// Source: DiBenedetto's equation in the form of Pascault and Williams,
// J. Polym. Sci. B 28 (1990) 85 (from memory).
func (r Resin) Tg(alpha float64) float64 {
	return r.Tg0 + (r.TgInf-r.Tg0)*r.Lambda*alpha/(1-(1-r.Lambda)*alpha)
}

// AlphaAtTg returns the degree of cure whose glass transition is tgC (°C),
// the inverse of [Resin.Tg]. Below Tg0 it is 0; from Tg∞ on it is 1, which is
// never reached.
func (r Resin) AlphaAtTg(tgC float64) float64 {
	x := (tgC - r.Tg0) / (r.TgInf - r.Tg0)
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	}
	return x / (r.Lambda + x*(1-r.Lambda))
}

// AgeFactor returns how many seconds at refC (°C) one second at tC is worth,
// by the activation energy of the autocatalysed path:
//
//	exp(−E2/R·(1/T − 1/Tref))
//
// Summed over a temperature history it is the equivalent age, on which the
// degree of cure alone depends while nothing has vitrified and E1 = E2.
func (r Resin) AgeFactor(tC, refC float64) float64 {
	return math.Exp(-r.E2 / GasConstant * (1/(tC+zeroC) - 1/(refC+zeroC)))
}
