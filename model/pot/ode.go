// SPDX-License-Identifier: Apache-2.0

package pot

import "math"

// system is the heat balance of one pot: y = (α, T) or, with a substrate,
// (α, T, T_substrate); t in s, T in °C.
type system struct {
	k    kinetics
	n    int
	air  float64 // °C
	heat float64 // J per gram of the whole mass at full conversion
	mass float64 // g
	fw   float64 // filler mass fraction
	fcp  float64 // its specific heat
	hA   float64 // W/K from resin to air, at ΔT = 0
	hB   float64 // W/K from the substrate to air
	gain float64 // growth of the loss, 1/K
	link float64 // W/K between resin and substrate
	sub  float64 // J/K of the substrate
	base float64 // °C; the rise that ends the work counts from here
}

func newSystem(q *Query, v variant, g geometry) system {
	s := system{k: v.k, n: 2, air: q.ShopC, mass: q.Grams, hA: g.hA, gain: lossGain}
	w := 0.0
	if q.Filler != nil {
		w = q.Filler.Fraction
		s.fcp = q.Filler.CpJGK
		if s.fcp == 0 {
			s.fcp = 0.8
		}
	}
	s.fw = w
	h := v.r.HeatJG
	s.heat = h * (1 - w)
	s.base = math.Max(q.ShopC, q.start())
	if v.sub != nil && *v.sub > 0 {
		s.n = 3
		s.sub = *v.sub * g.area
		if q.Shape == Tray {
			// Air above it, tray and bench below, whose own way to the air is
			// the rest of the tray's coefficient.
			s.link = g.area / (g.depth/(3*condWMK) + trayContact)
			s.hA, s.hB = g.hA*hTop/hTray, g.hA*(hTray-hTop)/hTray
			return s
		}
		// From the mean of a layer to its face: half thickness over 3k.
		s.link = g.area * 3 * condWMK / g.half
		s.hA, s.hB = 0, g.hA
	}
	return s
}

// loss is the heat that leaves to the air through hA, W, with its slope.
func (s *system) loss(hA, t float64) (q, slope float64) {
	d := t - s.air
	if d <= 0 {
		return hA * d, hA
	}
	return hA * (1 + s.gain*d) * d, hA * (1 + 2*s.gain*d)
}

type vec [3]float64

func (s *system) deriv(y *vec, f *vec, jac *[3]vec) {
	r, ra, rt := s.k.rate(y[0], y[1])
	cp, cps := cpResin(y[1])
	cp = (1-s.fw)*cp + s.fw*s.fcp
	cps *= 1 - s.fw
	out, outT := s.loss(s.hA, y[1])
	outS := 0.0
	if s.n == 3 {
		out += s.link * (y[1] - y[2])
		outT += s.link
		outS = -s.link
		l, ls := s.loss(s.hB, y[2])
		f[2] = (s.link*(y[1]-y[2]) - l) / s.sub
		if jac != nil {
			jac[2] = vec{0, s.link / s.sub, (-s.link - ls) / s.sub}
		}
	}
	num := s.heat*r - out/s.mass
	f[0] = r
	f[1] = num / cp
	if jac != nil {
		jac[0] = vec{ra, rt, 0}
		jac[1] = vec{
			s.heat * ra / cp,
			(s.heat*rt-outT/s.mass)/cp - num*cps/(cp*cp),
			-outS / s.mass / cp,
		}
	}
}

// lu factors a (n×n, in place) without pivoting: the matrix is
// diagonally dominated by 1/(γh) for every step the controller accepts.
func lu(a *[3]vec, n int) {
	for i := range n {
		for j := i + 1; j < n; j++ {
			l := a[j][i] / a[i][i]
			a[j][i] = l
			for c := i + 1; c < n; c++ {
				a[j][c] -= l * a[i][c]
			}
		}
	}
}

func solve(a *[3]vec, n int, b *vec) {
	for i := 1; i < n; i++ {
		for j := range i {
			b[i] -= a[i][j] * b[j]
		}
	}
	for i := n - 1; i >= 0; i-- {
		for j := i + 1; j < n; j++ {
			b[i] -= a[i][j] * b[j]
		}
		b[i] /= a[i][i]
	}
}

// Tolerances of one step: α absolute, K absolute.
const (
	tolAlpha = 2e-6
	tolTemp  = 2e-3
)

// step makes one step of h seconds from y, with f0 and jac there, and returns
// the new state and the estimate of its error.
func (s *system) step(y, f0 *vec, jac *[3]vec, h float64) (y1, err vec) {
	n := s.n
	var a [3]vec
	g := 2 / h // 1/(γh), γ = 1/2
	for i := range n {
		for j := range n {
			a[i][j] = -jac[i][j]
		}
		a[i][i] += g
	}
	lu(&a, n)
	var k1, k2, k3, k4, u, f vec
	k1 = *f0
	solve(&a, n, &k1)
	for i := range n {
		k2[i] = f0[i] + 4/h*k1[i]
	}
	solve(&a, n, &k2)
	for i := range n {
		u[i] = y[i] + 2*k1[i]
	}
	s.deriv(&u, &f, nil)
	for i := range n {
		k3[i] = f[i] + (k1[i]-k2[i])/h
	}
	solve(&a, n, &k3)
	for i := range n {
		u[i] = y[i] + 2*k1[i] + k3[i]
	}
	s.deriv(&u, &f, nil)
	for i := range n {
		k4[i] = f[i] + (k1[i]-k2[i]-8.0/3*k3[i])/h
	}
	solve(&a, n, &k4)
	y1 = *y
	for i := range n {
		y1[i] = u[i] + k4[i]
	}
	return y1, k4
}

// integrate follows the system from y to tEnd (s) with the four-stage,
// third-order, L-stable Rosenbrock pair RODAS3 (Sandu et al., Atmospheric
// Environment 31 (1997) 3459; coefficients from memory, their third order held
// by a test), so that neither a runaway nor a thin film that cools in seconds
// costs stability. After each accepted step it calls see, which ends it by
// returning false.
func (s *system) integrate(y vec, tEnd float64, see func(t0, t1 float64, y0, y1, f0, f1 *vec) bool) {
	n := s.n
	var f0, f1 vec
	var jac [3]vec
	t, h := 0.0, 1.0
	s.deriv(&y, &f0, &jac)
	for t < tEnd {
		last := t+h >= tEnd
		if last {
			h = tEnd - t
		}
		y1, k4 := s.step(&y, &f0, &jac, h)
		e := math.Abs(k4[0]) / tolAlpha
		for i := 1; i < n; i++ {
			e = math.Max(e, math.Abs(k4[i])/tolTemp)
		}
		if !(e <= 1) && h > 1e-6 {
			if e != e {
				h *= 0.1
			} else {
				h *= math.Max(0.1, 0.9*math.Cbrt(1/e))
			}
			continue
		}
		t1 := t + h
		if last {
			t1 = tEnd // not a rounding short of it
		}
		s.deriv(&y1, &f1, &jac)
		if !see(t, t1, &y, &y1, &f0, &f1) {
			return
		}
		t, y, f0 = t1, y1, f1
		h *= math.Min(4, 0.9*math.Cbrt(1/math.Max(e, 1e-3)))
	}
}

// hermite is the cubic through both ends of a step at fraction x.
func hermite(x, h, a, b, fa, fb float64) float64 {
	x2, x3 := x*x, x*x*x
	return a*(2*x3-3*x2+1) + h*fa*(x3-2*x2+x) + b*(3*x2-2*x3) + h*fb*(x3-x2)
}

// crossing returns the fraction of a step at which the cubic first passes
// level upwards, given that it does by the end.
func crossing(level, h, a, b, fa, fb float64) float64 {
	lo, hi := 0.0, 1.0
	for range 40 {
		x := (lo + hi) / 2
		if hermite(x, h, a, b, fa, fb) >= level {
			hi = x
		} else {
			lo = x
		}
	}
	return hi
}

// run is what one simulation found; times in minutes, NaN when never.
type run struct {
	plus15, to60, alpha30 float64
	peakC, peakMin        float64
	alpha, temp           float64 // at the end of what was simulated
}

// work is the end of the working time, minutes; +Inf when it is not reached
// within the horizon.
func (r run) work() float64 {
	w := math.Inf(1)
	for _, t := range [...]float64{r.plus15, r.to60, r.alpha30} {
		if t < w { // false for NaN
			w = t
		}
	}
	return w
}

// simulate follows a pot from (alpha0, start). With workOnly it ends as soon
// as the working time has.
func (s *system) simulate(alpha0, start, limitMin float64, workOnly bool) run {
	nan := math.NaN()
	out := run{plus15: nan, to60: nan, alpha30: nan, peakC: start, alpha: alpha0, temp: start}
	warm := s.base + 15
	if start >= warm {
		out.plus15 = 0
	}
	if start >= 60 {
		out.to60 = 0
	}
	if alpha0 >= 0.3 {
		out.alpha30 = 0
	}
	if workOnly && !math.IsInf(out.work(), 1) {
		return out
	}
	y := vec{alpha0, start, s.air}
	s.integrate(y, limitMin*60, func(t0, t1 float64, y0, y1, f0, f1 *vec) bool {
		h := t1 - t0
		mark := func(dst *float64, i int, level float64) {
			if math.IsNaN(*dst) && y1[i] >= level {
				*dst = (t0 + h*crossing(level, h, y0[i], y1[i], f0[i], f1[i])) / 60
			}
		}
		mark(&out.plus15, 1, warm)
		mark(&out.to60, 1, 60)
		mark(&out.alpha30, 0, 0.3)
		out.alpha, out.temp = y1[0], y1[1]
		if y1[1] > out.peakC {
			out.peakC, out.peakMin = y1[1], t1/60
		}
		if f0[1] > 0 && f1[1] < 0 { // a maximum inside the step
			lo, hi := 0.0, 1.0
			for range 30 {
				x, z := lo+(hi-lo)*0.382, lo+(hi-lo)*0.618
				if hermite(x, h, y0[1], y1[1], f0[1], f1[1]) > hermite(z, h, y0[1], y1[1], f0[1], f1[1]) {
					hi = z
				} else {
					lo = x
				}
			}
			if p := hermite(lo, h, y0[1], y1[1], f0[1], f1[1]); p > out.peakC {
				out.peakC, out.peakMin = p, (t0+lo*h)/60
			}
		}
		if workOnly && !math.IsInf(out.work(), 1) {
			return false
		}
		// What is left to react cannot lift it above this, whatever the cooling.
		cp, _ := cpResin(math.Min(y1[1], s.air))
		cp = (1-s.fw)*cp + s.fw*s.fcp
		reach := math.Max(y1[1], s.air) + s.heat*(1-y1[0])/cp
		if s.n == 3 {
			reach = math.Max(reach, y1[2])
		}
		done := reach <= out.peakC && y1[0] >= 0.3
		done = done && (reach < warm || !math.IsNaN(out.plus15)) && (reach < 60 || !math.IsNaN(out.to60))
		return !done
	})
	return out
}
