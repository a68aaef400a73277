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
// the tables are made for, and the last percent below α = 1.

const (
	tableLoC  = -40.0 // range of the temperature table, °C
	tableHiC  = 120.0
	tableStep = 0.5 // K

	pieceK       = 0.35  // largest change of temperature within one piece
	pieceSeconds = 600.0 // and its largest duration
	shortBend    = 0.02  // a short step bends w by no more than twice this share
	shortStep    = 0.004 // and moves α by less
	straightBend = 0.005 // of a step that may end in the cell after its own
	finest       = 1.0 / 4096
	coarsest     = 1.0 / 1024 // cells of α
	narrowest    = 4.0        // K: least W of the diffusion factor for all this
)

// tempCell is one cell of the temperature table: cubics of k and s in the
// distance from its lower edge.
type tempCell struct{ k, s [4]float64 }

// cell is one cell of the table over α: cubics of y and P in the distance from
// its lower edge.
type cell struct{ y, p [4]float64 }

// Integrator carries degree of cure over temperature histories of one resin.
// It prepares what depends on the resin alone (some 80 kB); it is safe for use
// by several goroutines at once. Errors in α are below 1e-6 against scipy and
// SUNDIALS CVODE. Temperatures given to it have to be finite.
type Integrator struct {
	r    Resin
	fast bool // the rate law separates

	aRef   float64 // k = aRef·exp(−E/RT)
	g1, g2 float64 // g = (g1 + g2·α^m)(1−α)^n

	temp []tempCell

	cells []cell  // over α
	size  float64 // of a cell
	perA  float64 // cells to 1
	top   float64 // α at the end of the table
}

// NewIntegrator prepares an integrator for a resin that passes [Resin.Check].
func NewIntegrator(r Resin) *Integrator {
	it := &Integrator{r: r, fast: r.E1 == r.E2 && r.W >= narrowest}
	if !it.fast {
		return it
	}
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
	it.makeCells()
	return it
}

func (it *Integrator) k(tC float64) float64 { return Arrhenius(it.aRef, it.r.E2, tC) }
func (it *Integrator) s(tC float64) float64 { return math.Exp(-(tC - 20) / it.r.W) }

// hermite returns the cubic in x on [0, h] with the given values and slopes.
func hermite(f0, d0, f1, d1, h float64) [4]float64 {
	m := (f1 - f0) / h
	return [4]float64{f0, d0, (3*m - 2*d0 - d1) / h, (d0 + d1 - 2*m) / (h * h)}
}

// slopes returns dy/dα and H at α = a.
func (it *Integrator) slopes(a float64) (dy, h float64) {
	r := it.r
	g := (it.g1 + it.g2*power(a, r.M)) * power(1-a, r.N)
	return 1 / g, math.Exp((r.Tg(a) - r.D - 20) / r.W)
}

func (it *Integrator) makeCells() {
	// The slow beginning of a resin with little k1 is about k1/k2 wide; the
	// cells must resolve it.
	h := coarsest
	if it.g2 > 0 {
		h = min(max(it.g1/it.g2/8, finest), coarsest)
	}
	// A cubic cannot follow y into its pole at α = 1.
	it.cells = make([]cell, int(1/h)-8)
	it.size, it.perA = h, 1/h
	var y, p float64
	for i := range it.cells {
		a0, a1 := float64(i)*h, float64(i+1)*h
		var dy, dp float64
		for _, g := range gauss5 {
			f, e := it.slopes((a0+a1)/2 + h/2*g[0])
			dy += h / 2 * g[1] * f
			dp += h / 2 * g[1] * f * e
		}
		f0, e0 := it.slopes(a0)
		f1, e1 := it.slopes(a1)
		it.cells[i].y = hermite(y, f0, y+dy, f1, h)
		it.cells[i].p = hermite(p, f0*e0, p+dp, f1*e1, h)
		y, p = y+dy, p+dp
	}
	it.top = float64(len(it.cells)) * h
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

// solve moves α = a over a piece for one node. It reports false where that
// leaves the table, in which case a has to go by [Integrator.plain].
func (it *Integrator) solve(a float64, st *step, kappa float64) (float64, bool) {
	i := min(int(a*it.perA), len(it.cells)-1)
	e := &it.cells[i]
	d := a - float64(i)*it.size
	s := st.s
	c1, c2, c3 := e.y[1]+s*e.p[1], e.y[2]+s*e.p[2], e.y[3]+s*e.p[3]
	w0 := e.y[0] + s*e.p[0] + d*(c1+d*(c2+d*c3))
	inv := 1 / (c1 + d*(2*c2+3*d*c3))
	phi0 := 1 - (e.y[1]+d*(2*e.y[2]+3*d*e.y[3]))*inv
	theta := kappa * st.theta
	da := theta * inv
	// w is nearly an exponential of α here; its inverse as a rational function
	// keeps the guess from overshooting.
	da /= 1 + max(da*inv*(c2+3*d*c3), -0.5)
	to := a + da
	for range 30 {
		if to >= it.top {
			// Once more from below, in case only the guess was too far.
			if da *= 0.5; da < 1e-8 {
				return a, false
			}
			to = a + da
			continue
		}
		i = max(int(to*it.perA), 0)
		e = &it.cells[i]
		d = to - float64(i)*it.size
		c1, c2, c3 = e.y[1]+s*e.p[1], e.y[2]+s*e.p[2], e.y[3]+s*e.p[3]
		w := e.y[0] + s*e.p[0] + d*(c1+d*(c2+d*c3))
		inv = 1 / (c1 + d*(2*c2+3*d*c3))
		phi := 1 - (e.y[1]+d*(2*e.y[2]+3*d*e.y[3]))*inv
		miss := (w0 - w + theta*(1+st.vari*(phi0*phi0+phi*phi)-st.trend*(phi-phi0))) * inv
		to += miss
		// Newton squares the miss, over some .02: this leaves 1e-9.
		if miss < 5e-6 && miss > -5e-6 {
			return max(to, a), to < it.top
		}
	}
	return a, false
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
	it.advance(alpha, kappa, dt, t0C, t1C, pieces(dt, t1C-t0C))
}

// Stride is the cheap stepper of forecasts: [Integrator.Advance] for steps of
// about 15 minutes, in one piece as long as the temperature moves by less than
// 2.5 K. Its error in α is below 2e-5.
func (it *Integrator) Stride(alpha, kappa []float64, dt, t0C, t1C float64) {
	n := 1
	if x := max(math.Abs(t1C-t0C)/2.5, dt/1800); x > 1 {
		n = int(math.Ceil(min(x, 1e6)))
	}
	it.advance(alpha, kappa, dt, t0C, t1C, n)
}

func (it *Integrator) advance(alpha, kappa []float64, dt, t0C, t1C float64, n int) {
	if !(dt > 0) {
		return
	}
	if !it.fast {
		for i, a := range alpha {
			alpha[i] = it.plain(a, kappa[i], dt, t0C, t1C)
		}
		return
	}
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
// slope of w at the end follows from that at the beginning, and so does φ; the
// guess is off by some bend³ of the step, which one look at w takes away. Where w is
// nearly straight its cell is good for the beginning of the next one too.
func (it *Integrator) move(alpha, kappa []float64, st *step, dt, t0, t1 float64) {
	cells, perA, size := it.cells, it.perA, it.size
	s, trend, spread := st.s, 2*st.trend, 2*st.vari
	kappa = kappa[:len(alpha)]
	for i, a := range alpha {
		j := int(a * perA)
		theta := kappa[i] * st.theta
		if uint(j) < uint(len(cells)-1) {
			e := &cells[j]
			d := a - float64(j)*size
			c1, c2, c3 := e.y[1]+s*e.p[1], e.y[2]+s*e.p[2], e.y[3]+s*e.p[3]
			half := c2 + 3*d*c3
			slope := c1 + d*(c2+half)
			r := 1 / slope
			da := theta * r
			bend := da * r * half
			if bend < shortBend && bend > -shortBend && da < shortStep {
				own := e.y[2] + 3*d*e.y[3]
				rest := (e.y[1] + d*(e.y[2]+own)) * r  // 1 − φ
				phi, more := 1-rest, (rest*half-own)*r // dφ/dα, halved
				da *= 1 - bend + 2*bend*bend
				up := da * (slope + da*(half+da*c3)) // of w
				if d+da >= size && (da >= 2*size || bend > straightBend || bend < -straightBend) {
					w := e.y[0] + s*e.p[0] + d*(c1+d*(c2+d*c3))
					j = int((a + da) * perA)
					e = &cells[min(j, len(cells)-1)]
					d = a + da - float64(j)*size
					up = e.y[0] + s*e.p[0] + d*(e.y[1]+s*e.p[1]+d*(e.y[2]+s*e.p[2]+d*(e.y[3]+s*e.p[3]))) - w
				}
				miss := theta*(1+spread*phi*phi-trend*more*da) - up
				alpha[i] = a + da + miss*r*(1-2*bend)
				continue
			}
		}
		if to, ok := it.solve(a, st, kappa[i]); ok {
			alpha[i] = to
		} else {
			alpha[i] = it.plain(a, kappa[i], dt, t0, t1)
		}
	}
}
