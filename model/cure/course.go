// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// Course is one path of a panel's temperatures to come and what one film's marks
// ask on it. It goes by stretches of four steps, later of eight and of sixteen, as
// steps in reduced time may be; a mark within one is found step by step. The zero
// value is not usable: [Course.Begin], then [Course.Next].
type Course struct {
	s       *Stepper
	r       *Resin
	u       *ruler
	temp    []float32
	dt      float64 // s between temperatures, ten minutes at least
	start   float64 // s, of the first
	outside bool    // whether it leaves the resin's range
	before  float64 // °C one step before the first, that makes T_now there what it was
	// T_now at the thirds of a step: shares of the temperatures one step before it,
	// at its beginning and at its end.
	mean [4][3]float64

	tacky, opens, gel float64 // reduced times
	k, n              int     // steps gone before this stretch, and in it
	low               [numLevels]float64
	leastC            float64

	// Ages go on from those of the path before.
	Ages
	// Law is what the stretch gives by the rate law, Less what it gives inside the
	// resin's range. Whole says that all of it lies there.
	Law, Less Way
	Whole     bool
}

// Way is what a stretch gives in all, and its steps.
type Way struct {
	Dose
	k, h  [longest]float64 // of each step; h in the middle
	parts [longest]Dose    // where they were asked for
	apart bool
}

const (
	longest = 16 // steps in a stretch
	// Where the rate at a stretch's beginning is so much above its mean, or
	// exp(−T/W) has such a relative variance in it, marks are looked for with each
	// step integrated by itself.
	bent   = 1.3
	uneven = 0.02
	// Under so much of it vitrification does not bend a stretch.
	slowly = 0.02
	// And from this variance on it is not integrated in one step at all.
	rough = 0.1
)

// Begin puts the course at the first of its temperatures (°C, dt seconds apart,
// linear between, the first at start, s after mixing), where the path has come to,
// for the film of a gauge. Outside says that they leave the resin's range.
func (c *Course) Begin(s *Stepper, p *Path, g *Gauge, temp []float32, start, dt float64, outside bool) {
	c.s, c.r, c.u, c.Ages = s, p.r, &g.ruler, p.Ages
	c.temp, c.start, c.dt, c.outside = temp, start, dt, outside
	c.k, c.n = 0, 0
	for j := range c.mean {
		t := dt * float64(j) / 3
		if m := &c.mean[j]; t >= meanS {
			x := (t - meanS/2) / dt
			*m = [3]float64{0, 1 - x, x}
		} else {
			u := meanS - t
			a, b := u*u/(2*dt*meanS), t*t/(2*dt*meanS)
			*m = [3]float64{a, 1 - a - b, b}
		}
	}
	c.tacky, c.opens, c.gel = s.Reduced(c.u.level(Tacky, 0)), s.Reduced(c.u.level(Opens, 0)), s.Reduced(c.u.gel)
	c.leastC = p.NowC()
	if len(temp) > 0 {
		first := float64(temp[0])
		c.before = first - (first-c.leastC)*2*dt/meanS
	}
}

// Next goes on to the next stretch, false where there is none.
func (c *Course) Next() bool {
	c.k += c.n
	c.n = min(len(c.temp)-1-c.k, longest)
	switch ahead := float64(c.k) * c.dt; {
	case ahead < 6*3600:
		c.n = min(c.n, longest/4)
	case ahead < 24*3600:
		c.n = min(c.n, longest/2)
	}
	if c.n <= 0 {
		c.n = 0
		return false
	}
	if c.k > 0 {
		c.leastC = float64(c.temp[c.k-1])
	}
	clear(c.low[:])
	c.Law.Dose, c.Less.Dose, c.Whole = Dose{}, Dose{}, true
	c.Law.apart, c.Less.apart = false, false
	c0 := float64(c.temp[c.k])
	l0 := c.s.Law(c0)
	for i, x := range c.temp[c.k+1 : c.k+1+c.n] {
		c1 := float64(x)
		c.leastC = min(c.leastC, c0, c1)
		l1 := c.s.Law(c1)
		k := c.Law.Dose.k
		c.s.add(&c.Law.Dose, c.dt, c0, c1, &l0, &l1)
		c.Law.k[i], c.Law.h[i] = c.Law.Dose.k-k, (l0.h+l1.h)/2
		if c.outside {
			k = c.Less.Dose.k
			c.Whole = c.less(&c.Less.Dose, c0, c1, &l0, &l1) && c.Whole
			c.Less.k[i], c.Less.h[i] = c.Less.Dose.k-k, c.Law.h[i]
		}
		c0, l0 = c1, l1
	}
	c.Law.Sum()
	c.Less.Sum()
	c.age()
	return true
}

// age lets the stretch go by for the ages.
func (c *Course) age() {
	at := c.start + float64(c.k)*c.dt
	if !c.nears(c.Law.K2) {
		c.pass(at, c.Seconds(), c.Law.K2)
		return
	}
	for i := range c.n {
		c.pass(at+float64(i)*c.dt, c.dt, c.Law.K2*c.Law.k[i]/c.Law.Dose.k)
	}
}

// less adds a step's part inside the resin's range, and reports whether that is all
// of it.
func (c *Course) less(d *Dose, c0, c1 float64, l0, l1 *Law) bool {
	x0, x1 := c.r.inside(c0, c1)
	if x0 == 0 && x1 == 1 {
		c.s.add(d, c.dt, c0, c1, l0, l1)
		return true
	}
	if x1 > x0 {
		a, b := c0+x0*(c1-c0), c0+x1*(c1-c0)
		la, lb := c.s.Law(a), c.s.Law(b)
		c.s.add(d, (x1-x0)*c.dt, a, b, &la, &lb)
	}
	return false
}

// divide makes the steps of one of the ways doses of their own.
func (c *Course) divide(w *Way) {
	w.apart = true
	for i := range c.n {
		d := &w.parts[i]
		*d = Dose{}
		c0, c1 := float64(c.temp[c.k+i]), float64(c.temp[c.k+i+1])
		l0, l1 := c.s.Law(c0), c.s.Law(c1)
		if w == &c.Less {
			c.less(d, c0, c1, &l0, &l1)
		} else {
			c.s.add(d, c.dt, c0, c1, &l0, &l1)
		}
		d.Sum()
	}
}

// Seconds is how long the stretch is.
func (c *Course) Seconds() float64 { return float64(c.n) * c.dt }

// Cold reports whether a coat at degree of cure alpha must not be coated at the
// stretch's end: it is a glass before it has gelled.
func (c *Course) Cold(alpha float64) bool {
	return alpha < c.u.gel && alpha >= c.r.AlphaAtTg(c.now(c.n-1, 3))
}

// Age lets the rest go by for the ages alone.
func (c *Course) Age() {
	for k := c.k + c.n; k+1 < len(c.temp) && c.pending(); k++ {
		lm := c.s.Law((float64(c.temp[k]) + float64(c.temp[k+1])) / 2)
		c.pass(c.start+float64(k)*c.dt, c.dt, c.dt*lm.K2)
	}
}

// Carry moves a rate factor at reduced time y over the stretch by one of its ways,
// [Course.Law] or [Course.Less], and notes what it passes. It returns the reduced
// time at the stretch's end.
func (c *Course) Carry(w *Way, m *Marks, y, kappa float64) float64 {
	g := c.s.step(y, kappa, &w.Dose)
	if w.vari < rough || g.e0+g.e1 < unslowed {
		if m.Done() || g.to < c.low[m.next] && g.to < c.low[Hard] {
			return g.to
		}
		if c.n == 1 || g.free < bent*(1+g.e0)*(g.to-y) && w.vari < uneven {
			c.mark(w, m, &g, 0, c.n)
			return g.to
		}
	}
	if !w.apart {
		c.divide(w)
	}
	for i := range c.n {
		g = c.s.step(y, kappa, &w.parts[i])
		c.mark(w, m, &g, i, i+1)
		y = g.to
	}
	return y
}

// level is the reduced time of a mark's level, T_now being nowC.
func (c *Course) level(m Mark, nowC float64) float64 {
	switch m {
	case Tacky:
		return c.tacky
	case Opens:
		return c.opens
	}
	tg := c.u.tg(m, nowC)
	if tg <= c.u.tgGel {
		return c.gel
	}
	return c.s.reducedAtTg(tg)
}

// under reports whether a reduced time is under a mark's level throughout the
// stretch.
func (c *Course) under(y float64, m Mark) bool {
	if c.low[m] == 0 {
		c.low[m] = c.level(m, c.leastC)
	}
	return y < c.low[m]
}

// mark notes what a coat passed that went so over the stretch's steps from a to b.
func (c *Course) mark(w *Way, m *Marks, g *gone, a, b int) {
	var rises [longest]float64 // of y in each step
	rises[a] = g.to - g.from
	if b-a > 1 {
		sum := 0.0
		if g.e0+g.e1 < slowly {
			copy(rises[a:b], w.k[a:b])
			for _, k := range w.k[a:b] {
				sum += k
			}
		} else {
			// How vitrification slows it comes in with y: a parabola, by its middle.
			per := 1 / w.Dose.h
			em, _ := c.s.glassy((g.from + g.to) / 2)
			e0, p, q := g.e0*per, (4*em*w.Dose.h-3*g.e0-g.e1)*per, 2*(g.e0-2*em*w.Dose.h+g.e1)*per
			for i := a; i < b; i++ {
				x := (float64(i-a) + .5) / float64(b-a)
				rises[i] = w.k[i] / (1 + (e0+x*(p+x*q))*w.h[i])
				sum += rises[i]
			}
		}
		if sum > 0 {
			sum = (g.to - g.from) / sum
		}
		for i := a; i < b; i++ {
			rises[i] *= sum
		}
	}
	for ; m.next <= Shut; m.next++ {
		i := m.next
		if c.under(g.to, i) || math.IsInf(m.When[i], 1) && !c.crosses(&m.When[i], i, g.from, &rises, a, b) {
			break
		}
	}
	if math.IsInf(m.When[Hard], 1) && !c.under(g.to, Hard) {
		c.crosses(&m.When[Hard], Hard, g.from, &rises, a, b)
	}
}

// crosses looks for a level's first crossing from y on, each step at three moments.
func (c *Course) crosses(when *float64, m Mark, y float64, rises *[longest]float64, a, b int) bool {
	d0 := math.NaN()
	for i := a; i < b; i++ {
		rise := rises[i]
		// A grain more, for what adding up has lost.
		if y+rise < c.low[m]-1e-9 {
			y, d0 = y+rise, math.NaN()
			continue
		}
		if m < Green { // whose levels hold at any temperature
			*when = c.start + c.dt*(float64(c.k+i)+max(min((c.low[m]-y)/rise, 1), 0))
			return true
		}
		if math.IsNaN(d0) {
			d0 = y - c.level(m, c.now(i, 0))
		}
		for j := range 3 {
			d1 := y + rise*(float64(j+1)/3) - c.level(m, c.now(i, j+1))
			if d1 >= 0 {
				f := float64(j)
				if d0 < 0 {
					f += d0 / (d0 - d1)
				}
				*when = c.start + c.dt*(float64(c.k+i)+f/3)
				return true
			}
			d0 = d1
		}
		y += rise
	}
	return false
}

// now is T_now at so many thirds of the stretch's step i.
func (c *Course) now(i, thirds int) float64 {
	i += c.k
	before := c.before
	if i > 0 {
		before = float64(c.temp[i-1])
	}
	m := &c.mean[thirds]
	return m[0]*before + m[1]*float64(c.temp[i]) + m[2]*float64(c.temp[i+1])
}
