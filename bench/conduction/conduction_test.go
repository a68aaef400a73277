// SPDX-License-Identifier: Apache-2.0

package conduction

import (
	"math"
	"testing"

	"curewright/model/cure"
)

// inert is a resin that makes no heat.
func inert() cure.Resin {
	r, _ := cure.Generic("medium")
	r.A1, r.A2, r.HeatJG = 0, 1e-30, 0
	return r
}

// slab returns the centre's share of the first excess of a plane wall of half
// thickness L that cools through a film (Carslaw & Jaeger, Conduction of Heat
// in Solids, 2nd ed. §3.11, from memory): Σ 2·sin ζ/(ζ + sin ζ·cos ζ)·exp(−ζ²Fo),
// ζ·tan ζ = Bi.
func slab(bi, fo float64) float64 {
	sum := 0.0
	for n := range 30 {
		lo, hi := float64(n)*math.Pi+1e-12, (float64(n)+.5)*math.Pi-1e-12
		for range 200 {
			if m := (lo + hi) / 2; m*math.Tan(m) < bi {
				lo = m
			} else {
				hi = m
			}
		}
		z := (lo + hi) / 2
		sum += 2 * math.Sin(z) / (z + math.Sin(z)*math.Cos(z)) * math.Exp(-z*z*fo)
	}
	return sum
}

// rod is the same on the axis of a long cylinder (§7.7): Σ 2/ζ·J1/(J0²+J1²)·
// exp(−ζ²Fo), ζ·J1 = Bi·J0.
func rod(bi, fo float64) float64 {
	f := func(z float64) float64 { return z*math.J1(z) - bi*math.J0(z) }
	sum, prev := 0.0, 1e-9
	for z, found := 1e-3, 0; found < 25; z += 1e-3 {
		if f(prev) < 0 && f(z) >= 0 || f(prev) > 0 && f(z) <= 0 {
			lo, hi := prev, z
			for range 80 {
				if m := (lo + hi) / 2; f(m)*f(lo) > 0 {
					lo = m
				} else {
					hi = m
				}
			}
			x := (lo + hi) / 2
			sum += 2 / x * math.J1(x) / (math.J0(x)*math.J0(x) + math.J1(x)*math.J1(x)) * math.Exp(-x*x*fo)
			found++
		}
		prev = z
	}
	return sum
}

// A warm cylinder that makes no heat cools as the product of plane wall and
// long rod says: the exact solution for equal films on all faces.
func TestCoolingCylinder(t *testing.T) {
	const radius, height, h = .03, .04, 12.0
	s := Stack{RadiusM: radius, Strata: []Material{{ThickM: height, K: .2, RhoCp: 2e6}}, Top: h, Side: h, Bottom: h,
		AirC: 20, BenchC: 60, Resin: inert(), CellM: .001}
	g, err := newGrid(s)
	if err != nil {
		t.Fatal(err)
	}
	dt := g.limit() / 4
	now := 0.0
	for _, minutes := range []float64{10, 30, 60, 120} {
		for now < minutes*60 {
			g.rates()
			step := min(dt, minutes*60-now)
			for i := range g.T {
				g.T[i] += step * g.dT[i]
			}
			now += step
		}
		// The cells about the centre: their mean is the centre to a cell's curvature.
		got := (g.T[(g.nz/2)*g.nr] + g.T[(g.nz/2-1)*g.nr]) / 2
		a := .2 / 2e6
		want := 20 + 40*slab(h*height/2/.2, a*now/(height*height/4))*rod(h*radius/.2, a*now/(radius*radius))
		if math.Abs(got-want) > .05 {
			t.Errorf("%g min: centre %.3f °C, exact %.3f", minutes, got, want)
		}
	}
}

// A layer that makes heat at a steady rate between two films ends q·L/h above
// the air at its faces and q·L²/(2k) more in the middle (closed form), L half
// its thickness.
func TestSteadySource(t *testing.T) {
	r := inert()
	r.M, r.N, r.HeatJG = 1, 2, 1e9
	// k1 alone, so slow that nothing is used up: dα/dt = A1.
	r.A1, r.E1, r.A2 = 4e-12, 0, 1e-30
	r.Tg0, r.TgInf = -200, -199
	const L, h = .005, 10.0
	s := Stack{RadiusM: .1, Strata: []Material{{ThickM: 2 * L, K: .2, Resin: true}}, Top: h, Bottom: h, AirC: 20, StartC: 20,
		Resin: r, Kappa: 1, HeatJG: r.HeatJG, GCC: 1.1, CellM: .0005}
	q := 4e-12 * 1e9 * 1.1e6 // W/m³
	var last Point
	if err := s.Run(600, func(p Point) bool { last = p; return true }); err != nil {
		t.Fatal(err)
	}
	if want := 20 + q*L/h + q*L*L/(2*.2); math.Abs(last.CoreC-want) > .02 {
		t.Errorf("middle %.3f °C, closed form %.3f", last.CoreC, want)
	}
}

// Heat is neither made nor lost by the cells themselves: an insulated cup ends
// at ∫cp dT = H·α.
func TestInsulatedCup(t *testing.T) {
	r, _ := cure.Generic("fast")
	s := Cup(r, 100, 65, 25, 25)
	s.Top, s.Side, s.Bottom = 0, 1e-12, 0
	var last Point
	if err := s.Run(600, func(p Point) bool { last = p; return p.MeanAlpha < .9 }); err != nil {
		t.Fatal(err)
	}
	// Between 20 and 170 °C cp = 1.8+.004(T−20); 2.4 above. From 25 °C.
	heat := func(c float64) float64 {
		u := min(c, 170) - 20
		return 1.8*u + .002*u*u + 2.4*max(0, c-170) - (1.8*5 + .002*25)
	}
	if got, want := heat(last.MeanC), 420*last.MeanAlpha; math.Abs(got-want) > .004*want {
		t.Errorf("%.2f J/g warm for %.2f J/g made", got, want)
	}
}

func TestStackNeedsSize(t *testing.T) {
	if err := (Stack{}).Run(1, func(Point) bool { return true }); err == nil {
		t.Error("an empty stack runs")
	}
}
