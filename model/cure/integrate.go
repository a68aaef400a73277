// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// How the integration works. With one activation energy for both paths, the
// rate law at a temperature T separates:
//
//	dα/g(α) · (1 + s(T)·H(α)) = κ·k(T) dt
//
// with g = (k1/k + k2/k·α^m)(1−α)^n, H = exp((Tg(α)−D−20)/W) and
// s = exp(−(T−20)/W). Let y = ∫dα/g and P = ∫H dy: at a steady temperature
// w = y + s·P grows by exactly κ·k·dt, however far the step reaches into the
// glass. So y and P are tabulated once a resin, with Tg as the coordinate
// (in which H is a plain exponential), k and s are tabulated over temperature,
// and a step is one inversion of w.
//
// Within a piece of time s varies. About its mean s̄, weighted with k,
//
//	dw/dθ = 1 − φε + φ²ε² − …,  θ = ∫κk dt,  ε = s/s̄−1,  φ = s̄H/(1+s̄H)
//
// The mean of ε is zero, so what is left is the trend of ε against that of φ,
// and the variance of ε. A piece is short enough for these two terms to carry it.
//
// Resins with two different activation energies do not separate and take
// plain Runge–Kutta steps; so do those whose glass sets in more sharply than
// the tables are made for, and the last kelvins below Tg∞.

const (
	tableLoC  = -40.0 // range of the temperature table, °C
	tableHiC  = 120.0
	tableStep = 0.5 // K

	pieceK       = 0.35  // largest change of temperature within one piece
	pieceSeconds = 600.0 // and its largest duration
	shortBend    = 0.02  // a short step bends w by no more than twice this share
	shortK       = 0.5   // and moves Tg by less
	narrowest    = 4.0   // K: least W of the diffusion factor for all this
)

// tempCell is one cell of the temperature table: cubics of k and s in the
// distance from its lower edge.
type tempCell struct{ k, s [4]float64 }

// tgCell is one cell of the table over Tg: cubics of y and P.
type tgCell struct{ y, p [4]float64 }

// Integrator carries degree of cure over temperature histories of one resin.
// It prepares what depends on the resin alone (some 50 kB); it is safe for use
// by several goroutines at once. Errors in α are below 1e-6 against scipy and
// SUNDIALS CVODE. Temperatures given to it have to be finite.
type Integrator struct {
	r    Resin
	fast bool // the rate law separates

	aRef   float64 // k = aRef·exp(−E/RT)
	g1, g2 float64 // g = (g1 + g2·α^m)(1−α)^n

	temp []tempCell

	tg     []tgCell // over Tg
	tgStep float64  // K
	tgInv  float64  // cells a kelvin
	tgTop  float64  // °C: end of the table

	span float64 // Tg∞ − Tg0 in K
}

// NewIntegrator prepares an integrator for a resin that passes [Resin.Check].
func NewIntegrator(r Resin) *Integrator {
	it := &Integrator{r: r, fast: r.E1 == r.E2 && r.W >= narrowest}
	if !it.fast {
		return it
	}
	it.span = r.TgInf - r.Tg0
	it.aRef = max(r.A1, r.A2)
	it.g1, it.g2 = r.A1/it.aRef, r.A2/it.aRef
	it.temp = make([]tempCell, int((tableHiC-tableLoC)/tableStep))
	for i := range it.temp {
		c := &it.temp[i]
		t0 := tableLoC + float64(i)*tableStep
		t1 := t0 + tableStep
		b := func(t float64) float64 { return r.E2 / (GasConstant * (t + zeroC) * (t + zeroC)) }
		c.k = hermite(it.k(t0), it.k(t0)*b(t0), it.k(t1), it.k(t1)*b(t1), tableStep)
		c.s = hermite(it.s(t0), -it.s(t0)/r.W, it.s(t1), -it.s(t1)/r.W, tableStep)
	}
	it.makeTg()
	return it
}

func (it *Integrator) k(tC float64) float64 { return Arrhenius(it.aRef, it.r.E2, tC) }
func (it *Integrator) s(tC float64) float64 { return math.Exp(-(tC - 20) / it.r.W) }

// hermite returns the cubic in x on [0, h] with the given values and slopes.
func hermite(f0, d0, f1, d1, h float64) [4]float64 {
	m := (f1 - f0) / h
	return [4]float64{f0, d0, (3*m - 2*d0 - d1) / h, (d0 + d1 - 2*m) / (h * h)}
}

// dydTg returns dy/dTg and H at Tg = u.
func (it *Integrator) dydTg(u float64) (dy, h float64) {
	r := it.r
	x := (u - r.Tg0) / (r.TgInf - r.Tg0)
	a := x / (r.Lambda + x*(1-r.Lambda))
	g := (it.g1 + it.g2*power(a, r.M)) * power(1-a, r.N)
	q := 1 - (1-r.Lambda)*a
	slope := (r.TgInf - r.Tg0) * r.Lambda / (q * q)
	return 1 / (g * slope), math.Exp((u - r.D - 20) / r.W)
}

func (it *Integrator) makeTg() {
	r := it.r
	// The slow beginning of a resin with little k1 is narrow in α, about k1/k2
	// wide; the cells must resolve it.
	begin := (r.TgInf - r.Tg0) * r.Lambda
	if it.g2 > 0 {
		begin *= it.g1 / it.g2
	}
	h := min(max(begin/8, 0.02), 0.5)
	// A cubic cannot follow y into its pole at Tg∞.
	n := int((r.TgInf - 8*h - r.Tg0) / h)
	n = max(n, 1)
	it.tgStep, it.tgInv = h, 1/h
	it.tg = make([]tgCell, n)
	var y, p float64
	for i := range it.tg {
		u0 := r.Tg0 + float64(i)*h
		u1 := r.Tg0 + float64(i+1)*h
		var dy, dp float64
		for _, g := range gauss5 {
			f, e := it.dydTg((u0+u1)/2 + h/2*g[0])
			dy += h / 2 * g[1] * f
			dp += h / 2 * g[1] * f * e
		}
		f0, e0 := it.dydTg(u0)
		f1, e1 := it.dydTg(u1)
		it.tg[i].y = hermite(y, f0, y+dy, f1, h)
		it.tg[i].p = hermite(p, f0*e0, p+dp, f1*e1, h)
		y, p = y+dy, p+dp
	}
	it.tgTop = r.Tg0 + float64(n)*h
}

// Resin returns the resin the integrator was made for.
func (it *Integrator) Resin() Resin { return it.r }

// step is what a piece's temperatures say to every node.
type step struct {
	theta float64 // ∫k dt
	s     float64 // mean of s
	trend float64 // ∫(τ−½)ε dτ, τ = θ/Δθ
	vari  float64 // ∫ε² dτ, halved
}

// point is a temperature with its table values.
type point struct{ t, k, s float64 }

func (it *Integrator) at(tC float64) point {
	x := (tC - tableLoC) * (1 / tableStep)
	i := int(x)
	if !(x >= 0) || uint(i) >= uint(len(it.temp)) {
		return point{tC, it.k(tC), it.s(tC)}
	}
	c := &it.temp[i]
	d := (x - float64(i)) * tableStep
	return point{
		t: tC,
		k: c.k[0] + d*(c.k[1]+d*(c.k[2]+d*c.k[3])),
		s: c.s[0] + d*(c.s[1]+d*(c.s[2]+d*c.s[3])),
	}
}

// over is the step of dt seconds in which the temperature goes linearly from p
// to q. The sums are of trapezia, which over ΔT are too large by f″/f·ΔT²/12;
// for f = k·sʲ that is (b−j/W)² − 2b/T with b = E/RT².
func (it *Integrator) over(dt float64, p, q *point) step {
	if p.t == q.t {
		return step{theta: dt * p.k, s: p.s}
	}
	slope := it.r.E2 / (GasConstant * (q.t + zeroC) * (q.t + zeroC))
	w, bend := 1/it.r.W, 2*slope/(q.t+zeroC)
	x := (q.t - p.t) * (q.t - p.t) * (1.0 / 12)
	h := dt / 2
	ps, qs := p.k*p.s, q.k*q.s
	a := h * (p.k + q.k) * (1 - x*(slope*slope-bend))
	b := h * (ps + qs) * (1 - x*((slope-w)*(slope-w)-bend))
	c := h * (ps*p.s + qs*q.s) * (1 - x*((slope-2*w)*(slope-2*w)-bend))
	s := b / a
	return step{theta: a, s: s, trend: (q.s - p.s) / (12 * s), vari: (c/(s*b) - 1) / 2}
}

// solve moves Tg = u over a piece for one node. It reports false where that
// leaves the table, in which case u has to go by [Integrator.plain].
func (it *Integrator) solve(u float64, st *step, kappa float64) (float64, bool) {
	x := (u - it.r.Tg0) * it.tgInv
	i := min(max(int(x), 0), len(it.tg)-1)
	e := &it.tg[i]
	d := (x - float64(i)) * it.tgStep
	s := st.s
	c1, c2, c3 := e.y[1]+s*e.p[1], e.y[2]+s*e.p[2], e.y[3]+s*e.p[3]
	w0 := e.y[0] + s*e.p[0] + d*(c1+d*(c2+d*c3))
	inv := 1 / (c1 + d*(2*c2+3*d*c3))
	phi0 := 1 - (e.y[1]+d*(2*e.y[2]+3*d*e.y[3]))*inv
	theta := kappa * st.theta
	du := theta * inv
	// w is nearly an exponential of u here; its inverse as a rational function
	// keeps the guess from overshooting.
	du /= 1 + max(du*inv*(c2+3*d*c3), -0.5)
	to := u + du
	for range 30 {
		if to >= it.tgTop {
			// Once more from below, in case only the guess was too far.
			if du *= 0.5; du < 1e-6 {
				return u, false
			}
			to = u + du
			continue
		}
		x = (to - it.r.Tg0) * it.tgInv
		i = min(max(int(x), 0), len(it.tg)-1)
		e = &it.tg[i]
		d = (x - float64(i)) * it.tgStep
		c1, c2, c3 = e.y[1]+s*e.p[1], e.y[2]+s*e.p[2], e.y[3]+s*e.p[3]
		w := e.y[0] + s*e.p[0] + d*(c1+d*(c2+d*c3))
		inv = 1 / (c1 + d*(2*c2+3*d*c3))
		phi := 1 - (e.y[1]+d*(2*e.y[2]+3*d*e.y[3]))*inv
		miss := (w0 - w + theta*(1+st.vari*(phi0*phi0+phi*phi)-st.trend*(phi-phi0))) * inv
		to += miss
		// Newton squares the miss, over some 10 K: this leaves 1e-7 K.
		if miss < 1e-3 && miss > -1e-3 {
			return max(to, u), to < it.tgTop
		}
	}
	return u, false
}

// plain advances one node's α by Runge–Kutta over dt seconds of linear
// temperature, for what the tables do not carry.
func (it *Integrator) plain(alpha, kappa, dt, t0, t1 float64) float64 {
	r := it.r
	for t := 0.0; t < dt; {
		c0 := t0 + (t1-t0)*t/dt
		f1 := r.Rate(alpha, c0, kappa)
		h := min(dt-t, 60, 0.003/max(f1, 1e-12))
		if rest := dt - t; h < rest && rest < 2*h {
			h = rest / 2
		}
		cm := t0 + (t1-t0)*(t+h/2)/dt
		c1 := t0 + (t1-t0)*(t+h)/dt
		f2 := r.Rate(alpha+h/2*f1, cm, kappa)
		f3 := r.Rate(alpha+h/2*f2, cm, kappa)
		f4 := r.Rate(alpha+h*f3, c1, kappa)
		alpha = min(alpha+h/6*(f1+2*f2+2*f3+f4), 1-1e-12)
		t += h
	}
	return alpha
}

// pieces divides a segment so that no piece is longer or steeper than the
// tables carry.
func pieces(dt, dT float64) int {
	n := max(math.Abs(dT)/pieceK, dt/pieceSeconds)
	if n <= 1 {
		return 1
	}
	return int(math.Ceil(min(n, 1e6)))
}

// Advance moves each alpha[i], with rate factor kappa[i], over dt seconds in
// which the temperature goes linearly from t0C to t1C (°C). Work that depends
// on temperature alone is shared between the nodes. The result depends only
// on the segment, so that a history advanced in parts gives the same as in
// one go.
func (it *Integrator) Advance(alpha, kappa []float64, dt, t0C, t1C float64) {
	if !(dt > 0) {
		return
	}
	if !it.fast {
		for i, a := range alpha {
			alpha[i] = it.plain(a, kappa[i], dt, t0C, t1C)
		}
		return
	}
	n := pieces(dt, t1C-t0C)
	h, dT := dt/float64(n), (t1C-t0C)/float64(n)
	p := it.at(t0C)
	for j := range n {
		q := it.at(t0C + float64(j+1)*dT)
		st := it.over(h, &p, &q)
		it.move(alpha, kappa, &st, h, p.t, q.t)
		p = q
	}
}

// move carries every node over one piece. Where the step is short, as it is by
// the minute, it does at once what [Integrator.solve] does by iteration: the
// slope of w at the end follows from that at the beginning, and φ from
// dφ/dTg = φ(1−φ)/W; the guess is off by some bend³ of du, which one look at w
// takes away.
func (it *Integrator) move(alpha, kappa []float64, st *step, dt, t0, t1 float64) {
	var (
		cells            = it.tg
		lo, inv, size    = it.r.Tg0, it.tgInv, it.tgStep
		lambda, less     = it.r.Lambda, 1 - it.r.Lambda
		perK, perLambda  = 1 / it.span, 1 / it.r.Lambda
		s, trend, spread = st.s, st.trend / it.r.W, 2 * st.vari
	)
	kappa = kappa[:len(alpha)]
	for i, a := range alpha {
		q := 1 - less*a
		x := it.span * lambda * a / q // Tg − Tg0
		f := x * inv
		j := int(f)
		theta := kappa[i] * st.theta
		if uint(j) < uint(len(cells)-1) {
			e := &cells[j]
			d := (f - float64(j)) * size
			c1, c2, c3 := e.y[1]+s*e.p[1], e.y[2]+s*e.p[2], e.y[3]+s*e.p[3]
			c0 := e.y[0] + s*e.p[0]
			half := c2 + 3*d*c3
			r := 1 / (c1 + d*(c2+half))
			du := theta * r
			bend := du * r * half
			if bend < shortBend && bend > -shortBend && du < shortK {
				w := c0 + d*(c1+d*(c2+d*c3)) + theta
				phi := 1 - (e.y[1]+d*(2*e.y[2]+3*d*e.y[3]))*r
				du *= 1 - bend + 2*bend*bend
				if d += du; d >= size {
					f = (x + du) * inv
					j = int(f)
					e = &cells[min(j, len(cells)-1)]
					d = (f - float64(j)) * size
					c0, c1, c2, c3 = e.y[0]+s*e.p[0], e.y[1]+s*e.p[1], e.y[2]+s*e.p[2], e.y[3]+s*e.p[3]
				}
				du += (w - (c0 + d*(c1+d*(c2+d*c3))) + theta*phi*(spread*phi-trend*(1-phi)*du)) * r * (1 - 2*bend)
				// α at Tg + du, from α at Tg, without another division.
				y := du * perK * q
				b := y * less * perLambda
				alpha[i] = (a + y*perLambda) * (1 - b*(1-b*(1-b)))
				continue
			}
		}
		to, ok := it.solve(lo+x, st, kappa[i])
		if ok {
			alpha[i] = it.alpha(to)
		} else {
			alpha[i] = it.plain(a, kappa[i], dt, t0, t1)
		}
	}
}

// alpha is [Resin.AlphaAtTg] without its guards.
func (it *Integrator) alpha(u float64) float64 {
	x := (u - it.r.Tg0) / it.span
	return x / (it.r.Lambda + x*(1-it.r.Lambda))
}

// StepTg is the cheap stepper of forecasts: [Integrator.Advance] for steps of
// about 15 minutes, in one piece as long as the temperature moves by less than
// 2.5 K, on glass transitions in °C instead of degrees of cure, which is what it
// works in: tg[i] = Tg(α). Its error in α is below 2e-5.
func (it *Integrator) StepTg(tg, kappa []float64, dt, t0C, t1C float64) {
	n := 1
	if x := max(math.Abs(t1C-t0C)/2.5, dt/1800); x > 1 {
		n = int(math.Ceil(min(x, 1e6)))
	}
	it.advanceTg(tg, kappa, dt, t0C, t1C, n)
}

func (it *Integrator) advanceTg(tg, kappa []float64, dt, t0C, t1C float64, n int) {
	if !(dt > 0) {
		return
	}
	if !it.fast {
		for i, u := range tg {
			tg[i] = it.r.Tg(it.plain(it.r.AlphaAtTg(u), kappa[i], dt, t0C, t1C))
		}
		return
	}
	h, dT := dt/float64(n), (t1C-t0C)/float64(n)
	p := it.at(t0C)
	for j := range n {
		q := it.at(t0C + float64(j+1)*dT)
		st := it.over(h, &p, &q)
		for i, u := range tg {
			x, ok := it.solve(u, &st, kappa[i])
			if !ok {
				x = it.r.Tg(it.plain(it.alpha(u), kappa[i], h, p.t, q.t))
			}
			tg[i] = x
		}
		p = q
	}
}
