// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// Stepper moves degrees of cure over the quarter-hour steps of a forecast or a
// plan, with tables in place of exponentials: within 1e-3 of the integral over
// three days, and most of that in the first hours. The zero value is not
// usable: [Stepper.Prepare].
type Stepper struct {
	r     Resin // without pointers, to know when to rebuild
	plain bool  // m = 1, n = 2
	// By α in steps of 1/stepperN: exp((Tg−D)/W), α^m, (1−α)^n.
	g, am, an [stepperN + 1]float64
	laws      [lawN + 1]Law // by temperature, within 1e-5 between them
}

const (
	stepperN = 2048

	lawLoC, lawHiC = -30.0, 70.0
	lawPerK        = 10.0
	lawN           = (lawHiC - lawLoC) * lawPerK

	// What a step may gain at the rate of its beginning and still be taken by
	// the midpoint, and by Kutta's rule of third order; above it by that of
	// fourth.
	midpoint, third = 0.012, 0.03
)

// Law is the temperature's part of the rate law: k1 and k2 in 1/s, and the
// diffusion factor's exp(−T/W).
type Law struct{ K1, K2, h float64 }

// Prepare makes the tables for a resin that passes [Resin.Check]; it does
// nothing where they are those of the same rate law.
func (s *Stepper) Prepare(r *Resin) {
	k := Resin{A1: r.A1, A2: r.A2, E1: r.E1, E2: r.E2, M: r.M, N: r.N, Tg0: r.Tg0, TgInf: r.TgInf, Lambda: r.Lambda, D: r.D, W: r.W}
	if s.g[0] != 0 && sameLaw(&s.r, &k) {
		return
	}
	s.r = k
	s.plain = r.M == 1 && r.N == 2
	for i := range s.g {
		a := float64(i) / stepperN
		s.g[i] = math.Exp((r.Tg(a) - r.D) / r.W)
		s.am[i] = math.Pow(a, r.M)
		s.an[i] = math.Pow(1-a, r.N)
	}
	for i := range s.laws {
		s.laws[i] = k.law(lawLoC + float64(i)/lawPerK)
	}
}

func sameLaw(a, b *Resin) bool {
	return a.A1 == b.A1 && a.A2 == b.A2 && a.E1 == b.E1 && a.E2 == b.E2 && a.M == b.M && a.N == b.N &&
		a.Tg0 == b.Tg0 && a.TgInf == b.TgInf && a.Lambda == b.Lambda && a.D == b.D && a.W == b.W
}

func (r *Resin) law(tC float64) Law {
	return Law{Arrhenius(r.A1, r.E1, tC), Arrhenius(r.A2, r.E2, tC), math.Exp(-tC / r.W)}
}

// Law is the temperature's part at tC, °C.
func (s *Stepper) Law(tC float64) Law {
	x := (tC - lawLoC) * lawPerK
	if !(x >= 0 && x < lawN) {
		return s.r.law(tC)
	}
	i := int(x)
	f := x - float64(i)
	a, b := &s.laws[i], &s.laws[i+1]
	return Law{a.K1 + f*(b.K1-a.K1), a.K2 + f*(b.K2-a.K2), a.h + f*(b.h-a.h)}
}

func (s *Stepper) rate(a float64, l *Law) float64 {
	x := a * stepperN
	i := int(x)
	if i >= stepperN {
		return 0
	}
	f := x - float64(i)
	slow := 1 + (s.g[i]+f*(s.g[i+1]-s.g[i]))*l.h
	if s.plain {
		b := 1 - a
		return (l.K1 + l.K2*a) * b * b / slow
	}
	am := s.am[i] + f*(s.am[i+1]-s.am[i])
	an := s.an[i] + f*(s.an[i+1]-s.an[i])
	return (l.K1 + l.K2*am) * an / slow
}

// First is what a step gains at the rate of its beginning: kdt is the rate
// factor times the step's seconds, l0 the law at its beginning.
func (s *Stepper) First(alpha, kdt float64, l0 *Law) float64 { return kdt * s.rate(alpha, l0) }

// Step returns the degree of cure at the step's end, with what [Stepper.First]
// gave and the law at the step's middle and end. The order of the method
// follows how much happens in the step.
func (s *Stepper) Step(alpha, kdt, first float64, lm, l1 *Law) float64 {
	f2 := kdt * s.rate(alpha+first/2, lm)
	if first < midpoint {
		return alpha + f2
	}
	if first < third {
		f3 := kdt * s.rate(alpha-first+2*f2, l1)
		return alpha + (first+4*f2+f3)/6
	}
	f3 := kdt * s.rate(alpha+f2/2, lm)
	f4 := kdt * s.rate(alpha+f3, l1)
	return alpha + (first+2*f2+2*f3+f4)/6
}
