// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"math"

	"curewright/model/cure"
)

const kelvin = 273.15

// kinetics is the rate law of a resin with its derivatives, prepared for the
// integrator. It is the same law as [cure.Resin.Rate]; a test holds the two
// together.
type kinetics struct {
	a1, a2, e1, e2 float64 // κ included in a1, a2; e in K (E/R)
	m, n           float64
	tg0, dtg, lam  float64
	d, w           float64
}

func newKinetics(r cure.Resin, kappa float64) kinetics {
	return kinetics{
		a1: kappa * r.A1, a2: kappa * r.A2,
		e1: r.E1 / cure.GasConstant, e2: r.E2 / cure.GasConstant,
		m: r.M, n: r.N,
		tg0: r.Tg0, dtg: r.TgInf - r.Tg0, lam: r.Lambda,
		d: r.D, w: r.W,
	}
}

// rate returns dα/dt in 1/s and its partial derivatives to α and to T.
func (k *kinetics) rate(alpha, tC float64) (r, ra, rt float64) {
	if alpha < 0 {
		alpha = 0
	}
	if alpha >= 1 {
		return 0, 0, 0
	}
	inv := 1 / (tC + kelvin)
	k2 := k.a2 * math.Exp(-k.e2*inv)
	var k1 float64
	if k.e1 == k.e2 {
		k1 = k2 * (k.a1 / k.a2)
	} else {
		k1 = k.a1 * math.Exp(-k.e1*inv)
	}
	am, dam := alpha, 1.0
	if k.m != 1 {
		am = math.Pow(alpha, k.m)
		dam = k.m * am / math.Max(alpha, 1e-9)
	}
	u := 1 - alpha
	un, dun := u*u, -2*u
	if k.n != 2 {
		un = math.Pow(u, k.n)
		dun = -k.n * un / u
	}
	s := k1 + k2*am
	chem := s * un
	chemA := k2*dam*un + s*dun
	chemT := (k1*k.e1 + k2*am*k.e2) * inv * inv * un

	den := 1 - (1-k.lam)*alpha
	tg := k.tg0 + k.dtg*k.lam*alpha/den
	fd := 1 / (1 + math.Exp((tg-tC-k.d)/k.w))
	g := fd * (1 - fd) / k.w
	tgA := k.dtg * k.lam / (den * den)
	return fd * chem, fd*chemA - g*tgA*chem, fd*chemT + g*chem
}

// rMax returns the largest chemical rate over α in [0, 1) at a temperature,
// 1/s, and the activation energy at that point, J/mol. Without the diffusion
// factor: what matters is the rate before vitrification.
func (k *kinetics) rMax(tC float64) (r, e float64) {
	inv := 1 / (tC + kelvin)
	k1 := k.a1 * math.Exp(-k.e1*inv)
	k2 := k.a2 * math.Exp(-k.e2*inv)
	f := func(a float64) float64 {
		return (k1 + k2*math.Pow(a, k.m)) * math.Pow(1-a, k.n)
	}
	var at float64
	if k.m == 1 && k.n == 2 {
		at = math.Max(0, (1-2*k1/k2)/3)
	} else {
		best := f(0)
		for i := 1; i < 100; i++ {
			if v := f(float64(i) / 100); v > best {
				best, at = v, float64(i)/100
			}
		}
		lo, hi := math.Max(0, at-0.01), at+0.01
		for range 60 {
			x, y := lo+(hi-lo)*0.382, lo+(hi-lo)*0.618
			if f(x) > f(y) {
				hi = y
			} else {
				lo = x
			}
		}
		if mid := (lo + hi) / 2; f(mid) > f(at) {
			at = mid
		}
	}
	p1, p2 := k1, k2*math.Pow(at, k.m)
	return f(at), cure.GasConstant * (p1*k.e1 + p2*k.e2) / (p1 + p2)
}

// WithRatio returns the resin with k1/k2 at 25 °C set to ratio and both scaled
// so that a thin film at 25 °C still reaches α = .577 at the same time (no
// diffusion factor): the doubt that a thin film cannot see and a cup feels.
func WithRatio(r cure.Resin, ratio float64) cure.Resin {
	const t, gel = 25 + kelvin, .577
	k1 := r.A1 * math.Exp(-r.E1/(cure.GasConstant*t))
	k2 := r.A2 * math.Exp(-r.E2/(cure.GasConstant*t))
	age := cure.FilmTime(k1/k2, r.M, r.N, gel)
	k2new := k2 * cure.FilmTime(ratio, r.M, r.N, gel) / age
	r.A2 *= k2new / k2
	r.A1 *= ratio * k2new / k1
	return r
}
