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
	last    Mark    // of tacky to shut, that is asked for
	before  float64 // °C one step before the first, that makes T_now there what it was
	// T_now at the thirds of a step: shares of the temperatures one step before it,
	// at its beginning and at its end.
	mean [4][3]float64

	tacky, opens, gel float64 // reduced times
	k, n              int     // steps gone before this stretch, and in it
	leastC            float64
	h                 [longest]float64 // exp(−T/W) in the middle of each step
	// Of each mark its least level in the stretch, and from green on its levels in
	// the steps that were asked for.
	low    [numLevels]float64
	levels [numLevels][longest]levels
	asked  [numLevels]uint32 // a bit a step
	rises  [longest]float64  // of y in each step, while marks are looked for

	gone [64]gone

	// Ages go on from those of the path before.
	Ages
	// Law is what the stretch gives by the rate law, Less what it gives inside the
	// resin's range. Whole says that all of it lies there.
	Law, Less Way
	Whole     bool
}

// Way is what a stretch gives in all, and up to each of its steps.
type Way struct {
	Dose
	upTo [longest + 1]sums
}

// levels are reduced times of a mark's level at the thirds of a step, and the least
// of them.
type levels struct {
	at    [4]float64
	least float64
}

const (
	longest = 16 // steps in a stretch
	// Where the rate at a stretch's beginning is so much above its mean, or
	// exp(−T/W) has such a relative variance in it, marks are looked for in each half
	// by itself.
	bent   = 1.3
	uneven = 0.02
	// Under so much of it vitrification does not bend a stretch.
	slowly = 0.02
	// And from this variance on it is not integrated in one step at all.
	rough = 0.1
)

// Begin puts the course at the first of its temperatures (°C, dt seconds apart,
// linear between, the first at start, s after mixing), where the path has come to,
// for the film of a gauge. Outside says that they leave the resin's range; last is
// the last mark of tacky to shut that is asked for, beside hard.
func (c *Course) Begin(s *Stepper, p *Path, g *Gauge, temp []float32, start, dt float64, outside bool, last Mark) {
	c.s, c.r, c.u, c.Ages, c.last = s, p.r, &g.ruler, p.Ages, last
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
	if c.last < Shut {
		c.low[c.last+1] = math.Inf(1)
	}
	clear(c.asked[:])
	law, less := sums{}, sums{}
	c.Whole = true
	c0 := float64(c.temp[c.k])
	l0 := c.s.Law(c0)
	for i, x := range c.temp[c.k+1 : c.k+1+c.n] {
		c1 := float64(x)
		c.leastC = min(c.leastC, c0, c1)
		l1 := c.s.Law(c1)
		c.s.add(&law, c.dt, c0, c1, &l0, &l1)
		c.Law.upTo[i+1], c.h[i] = law, (l0.h+l1.h)/2
		if c.outside {
			c.Whole = c.less(&less, c0, c1, &l0, &l1) && c.Whole
			c.Less.upTo[i+1] = less
		}
		c0, l0 = c1, l1
	}
	c.Law.Dose = law.dose()
	if c.outside {
		c.Less.Dose = less.dose()
	}
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
		c.pass(at+float64(i)*c.dt, c.dt, c.Law.upTo[i+1].K2-c.Law.upTo[i].K2)
	}
}

// less adds a step's part inside the resin's range, and reports whether that is all
// of it.
func (c *Course) less(d *sums, c0, c1 float64, l0, l1 *Law) bool {
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

// Seconds is how long the stretch is.
func (c *Course) Seconds() float64 { return float64(c.n) * c.dt }

// Done reports whether nothing that is asked for is left to pass.
func (c *Course) Done(m *Marks) bool { return m.next > c.last && !math.IsInf(m.When[Hard], 1) }

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
	return c.carry(w, &w.Dose, m, y, kappa, 0, c.n)
}

// CarryAll is [Course.Carry] for rate factors kappa at reduced times y, up to
// sixty-four of them. They move first, all of them, so that the processor has several
// in hand at once, and are then looked at.
func (c *Course) CarryAll(w *Way, m []Marks, y, kappa []float64) {
	if c.s.plain {
		for j := range y {
			c.gone[j] = c.s.solve(y[j], kappa[j]*w.k, &w.Dose)
		}
	} else {
		for j := range y {
			c.gone[j] = c.s.step(y[j], kappa[j], &w.Dose)
		}
	}
	for j := range y {
		y[j] = c.look(w, &w.Dose, &c.gone[j], &m[j], kappa[j], 0, c.n)
	}
}

// carry does so over the steps from a to b, whose dose d is.
func (c *Course) carry(w *Way, d *Dose, m *Marks, y, kappa float64, a, b int) float64 {
	g := c.s.step(y, kappa, d)
	return c.look(w, d, &g, m, kappa, a, b)
}

// look notes what a coat passed that went so over the steps from a to b: by halves
// where that is too much for one step of the integration, or where a mark that may be
// passed asks when.
func (c *Course) look(w *Way, d *Dose, g *gone, m *Marks, kappa float64, a, b int) float64 {
	if b-a == 1 || d.vari < rough || g.e0+g.e1 < unslowed {
		if c.Done(m) || g.to < c.low[m.next] && g.to < c.low[Hard] {
			return g.to
		}
		if b-a == 1 || g.free < bent*(1+g.e0)*(g.to-g.from) && d.vari < uneven {
			c.mark(w, d, m, g, a, b)
			return g.to
		}
	}
	mid := (a + b) / 2
	one, two := w.dose(a, mid), w.dose(mid, b)
	return c.carry(w, &two, m, c.carry(w, &one, m, g.from, kappa, a, mid), kappa, mid, b)
}

// dose is what the steps from a to b give.
func (w *Way) dose(a, b int) Dose { return w.upTo[b].since(&w.upTo[a]).dose() }

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
func (c *Course) mark(w *Way, d *Dose, m *Marks, g *gone, a, b int) {
	first := true
	for ; m.next <= c.last; m.next++ {
		i := m.next
		if c.under(g.to, i) {
			break
		}
		if first {
			c.rise(w, d, g, a, b)
			first = false
		}
		if math.IsInf(m.When[i], 1) && !c.crosses(&m.When[i], i, g.from, a, b) {
			break
		}
	}
	if math.IsInf(m.When[Hard], 1) && !c.under(g.to, Hard) {
		if first {
			c.rise(w, d, g, a, b)
		}
		c.crosses(&m.When[Hard], Hard, g.from, a, b)
	}
}

// rise shares out between the steps from a to b by how much y went up.
func (c *Course) rise(w *Way, d *Dose, g *gone, a, b int) {
	if b-a == 1 {
		c.rises[a] = g.to - g.from
		return
	}
	// How vitrification slows it comes in with y: a parabola, by its middle.
	var e0, p, q float64
	if g.e0+g.e1 >= slowly {
		per := 1 / d.h
		em, _ := c.s.glassy((g.from + g.to) / 2)
		e0, p, q = g.e0*per, (4*em*d.h-3*g.e0-g.e1)*per, 2*(g.e0-2*em*d.h+g.e1)*per
	}
	sum, dx := 0.0, 1/float64(b-a)
	x := dx / 2
	for i := a; i < b; i++ {
		rise := (w.upTo[i+1].k - w.upTo[i].k) / (1 + (e0+x*(p+x*q))*c.h[i])
		c.rises[i] = rise
		sum += rise
		x += dx
	}
	if sum > 0 {
		sum = (g.to - g.from) / sum
	}
	for i := a; i < b; i++ {
		c.rises[i] *= sum
	}
}

// crosses looks for a level's first crossing from y on, each step at three moments.
func (c *Course) crosses(when *float64, m Mark, y float64, a, b int) bool {
	low := c.low[m] - 1e-9 // a grain more, for what adding up has lost
	for i := a; i < b; i++ {
		rise := c.rises[i]
		if y+rise < low {
			y += rise
			continue
		}
		if m < Green { // whose levels hold at any temperature
			*when = c.start + c.dt*(float64(c.k+i)+max(min((c.low[m]-y)/rise, 1), 0))
			return true
		}
		l := &c.levels[m][i]
		if c.asked[m]>>i&1 == 0 {
			c.asked[m] |= 1 << i
			for j := range l.at {
				l.at[j] = c.level(m, c.now(i, j))
			}
			l.least = min(l.at[1], l.at[2], l.at[3])
		}
		if y+rise < l.least {
			y += rise
			continue
		}
		d0 := y - l.at[0]
		for j := range 3 {
			d1 := y + rise*(float64(j+1)/3) - l.at[j+1]
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
