// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// The front's own table is dense and linear: cheaper to look up than the
// cubics, and as true as a step of 15 minutes can be. Interpolation is off by
// at most h²/8 times the curvature 1/W, 3e-4 K for W = 5 K, and does not add up.
const denseStep = 0.1 // K

// denseCell holds y, P and their differences over one cell.
type denseCell struct{ y, p, dy, dp float64 }

func (it *Integrator) makeDense() {
	n := int((it.tgTop - it.r.Tg0) / denseStep)
	d := make([]denseCell, n)
	value := func(u float64) (y, p float64) {
		x := (u - it.r.Tg0) * it.tgInv
		i := min(int(x), len(it.tg)-1)
		e := &it.tg[i]
		f := (x - float64(i)) * it.tgStep
		return e.y[0] + f*(e.y[1]+f*(e.y[2]+f*e.y[3])), e.p[0] + f*(e.p[1]+f*(e.p[2]+f*e.p[3]))
	}
	for i := range d {
		y0, p0 := value(it.r.Tg0 + float64(i)*denseStep)
		y1, p1 := value(it.r.Tg0 + float64(i+1)*denseStep)
		d[i] = denseCell{y0, p0, y1 - y0, p1 - p0}
	}
	it.dense = d
}

// Front carries a set of rate factors along one forecast path in steps of
// about 15 minutes, for ensembles of many paths. Its error in α is that of
// [Integrator.StepTg], at a third of the time.
type Front struct {
	it    *Integrator
	kappa []float64
	tg    []float64
}

// NewFront makes a front for the given rate factors, all unreacted.
func (it *Integrator) NewFront(kappa []float64) *Front {
	it.denseOnce.Do(func() {
		if it.fast {
			it.makeDense()
		}
	})
	n := len(kappa)
	all := make([]float64, 2*n)
	f := &Front{it: it, kappa: all[:n:n], tg: all[n:]}
	copy(f.kappa, kappa)
	for i := range f.tg {
		f.tg[i] = it.r.Tg0
	}
	return f
}

// Set puts every node at its own glass transition in °C, one for each rate
// factor.
func (f *Front) Set(tg []float64) { copy(f.tg, tg[:len(f.tg)]) }

// Tg is the glass transition in °C of each node. It is the front's own slice:
// read it, do not keep it.
func (f *Front) Tg() []float64 { return f.tg }

// Step moves every node over dt seconds in which the temperature goes
// linearly from t0C to t1C (°C).
func (f *Front) Step(dt, t0C, t1C float64) {
	if !(dt > 0) {
		return
	}
	it := f.it
	if !it.fast {
		it.StepTg(f.tg, f.kappa, dt, t0C, t1C)
		return
	}
	n := 1
	if x := max(math.Abs(t1C-t0C)/2.5, dt/1800); x > 1 {
		n = int(math.Ceil(min(x, 1e6)))
	}
	h, dT := dt/float64(n), (t1C-t0C)/float64(n)
	p := it.at(t0C)
	for j := range n {
		q := it.at(t0C + float64(j+1)*dT)
		m := moments{t0: p.t, s0: p.s}
		m.add(h, &p, &q, &it.r)
		f.move(&m, &q)
		p = q
	}
}

func (f *Front) move(m *moments, end *point) {
	it := f.it
	st := m.step(end, &it.r)
	const inv = 1 / denseStep
	var (
		s     = st.s
		trend = st.trend
		vari  = st.vari
		tg    = f.tg
		kappa = f.kappa[:len(tg)]
		cells = it.dense
		lo    = it.r.Tg0
		curv  = 0.5 * denseStep / it.r.W
	)
	for i, u := range tg {
		// In cells from Tg0: x, slopes by the cell.
		x := (u - lo) * inv
		j := int(x)
		if uint(j) >= uint(len(cells)) {
			f.single(i, m, end)
			continue
		}
		e := &cells[j]
		sdp := s * e.dp
		slope := e.dy + sdp
		theta := kappa[i] * st.theta
		w := e.y + s*e.p + (x-float64(j))*slope + theta
		// θ/slope·(1 + ½·(φ/W)·θ/slope)⁻¹ with one division.
		to := x + theta*slope/(slope*slope+curv*sdp*theta)
		phi0 := sdp / slope
		for n := 0; ; n++ {
			j = int(to)
			if uint(j) >= uint(len(cells)) || n == 30 {
				f.single(i, m, end)
				break
			}
			e = &cells[j]
			sdp = s * e.dp
			slope = e.dy + sdp
			r := 1 / slope
			phi := sdp * r
			miss := (w - e.y - s*e.p - (to-float64(j))*slope + theta*(vari*(phi0*phi0+phi*phi)-trend*(phi-phi0))) * r
			to += miss
			if miss < 0.5 && miss > -0.5 {
				tg[i] = lo + denseStep*to
				break
			}
		}
	}
}

// single moves one node by the full solver.
func (f *Front) single(i int, m *moments, end *point) {
	f.it.flush(f.tg[i:i+1], f.kappa[i:i+1], m, end)
}
