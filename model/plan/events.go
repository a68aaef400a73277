// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"math"

	"curewright/model/cure"
)

// mark is an event in the life of a coat, in order of cure.
type mark int

const (
	applied mark = iota
	tacky
	opens
	stopped // no longer sticks: closes the time for cloth, known or not
	green   // the same, where it permits
	closes
	hard
	handle
	never // not an event: a window without an end
)

func (m mark) String() string {
	return [...]string{"on", "tacky", "fit to recoat", "past sticking", "green", "firm", "hard", "fit to handle", "never"}[m]
}

// word is the first finger's word, wet 0 to hard 4, from which a mark counts as
// passed; 5 for none.
func (m mark) word() int { return [...]int{0, 1, 1, 2, 2, 3, 4, 4, 5}[m] }

// edges are the window of a condition: a coat over cloth takes the next from
// when it no longer flows, and best once it stopped sticking.
func edges(when string) (open, close mark) {
	switch when {
	case "tacky":
		return tacky, stopped
	case "wet":
		return applied, tacky
	case "recoat", "fill":
		return opens, closes
	case "hard":
		return hard, never
	case "handle":
		return handle, never
	}
	return applied, never
}

// grid is the step of the integration, of the table of events and of the
// coarse search, min.
const grid = 15.0

// lagMinutes is how far a panel's face follows the air, by core: slab time
// constants at 8 W/m²K a face (9 mm plywood 9, 25 mm foam sandwich 23, 3 mm
// aluminium 8, 6 mm laminate 26 min).
func lagMinutes(p *Panel) float64 {
	if p.LagMin != nil {
		return *p.LagMin
	}
	switch p.Core {
	case "wood":
		return 9
	case "metal":
		return 8
	case "laminate":
		return 26
	}
	return 23
}

// table holds, for one resin on one panel, the time of every event of a coat
// mixed at each grid time, a member at a time. Rows are made when first asked
// for.
type table struct {
	c     *compiled
	r     cure.Resin
	kappa []float64
	slots int

	rows [][]events

	temp     [][]float64 // °C at slot ends, [member][slot]
	k1e, k1m [][]float64 // 1/s at slot starts and middles
	k2e, k2m [][]float64
	xe, xm   [][]float64 // exp(−(T+D)/W)
	film     []cure.Film // of each member
	lookup   []node
	last     mark // the last event that any step asks for
}

// events are a coat's times of the marks, min, and how far one touch may be off
// them, as a standard deviation in min.
type events struct{ at, blur [never]float32 }

// node tabulates what depends on α alone.
type node struct{ g1, g2, ex, tg float64 }

const nodes = 1024

func (c *compiled) table(resin, panel int) *table {
	// Panels that follow the same air alike share a table.
	for p := range panel {
		if c.Panels[p].Surface == nil && c.Panels[panel].Surface == nil && lagMinutes(&c.Panels[p]) == lagMinutes(&c.Panels[panel]) {
			panel = p
			break
		}
	}
	key := [2]int{resin, panel}
	if t := c.tables[key]; t != nil {
		return t
	}
	r := c.resins[resin]
	n := int(c.horizon/grid) + 1
	t := &table{c: c, r: r, kappa: c.kappa[resin], film: c.films[resin], slots: n, rows: make([][]events, n)}
	air := c.Forecast.Air
	own := c.Panels[panel].Surface
	if own != nil {
		air = own
	}
	tau := lagMinutes(&c.Panels[panel])
	stepMin := c.Forecast.Step.Minutes()
	day := int(math.Round(24 * 60 / stepMin))
	sample := func(p []float64, min float64) float64 {
		x := min / stepMin
		if last := float64(len(p) - 1); x > last {
			if len(p) > day {
				x -= float64(day) * math.Ceil((x-last)/float64(day))
			} else {
				return p[len(p)-1]
			}
		}
		i := int(x)
		if i >= len(p)-1 {
			return p[len(p)-1]
		}
		return p[i] + (p[i+1]-p[i])*(x-float64(i))
	}
	alloc := func() [][]float64 {
		rows := make([][]float64, c.members)
		flat := make([]float64, c.members*n)
		for i := range rows {
			rows[i] = flat[i*n : (i+1)*n]
		}
		return rows
	}
	t.temp = alloc()
	t.k1e, t.k1m, t.k2e, t.k2m, t.xe, t.xm = alloc(), alloc(), alloc(), alloc(), alloc(), alloc()
	decay := math.Exp(-grid / math.Max(tau, 1e-6))
	for m := range c.members {
		p := air[m]
		temp := t.temp[m]
		prev := sample(p, 0)
		face := prev
		temp[0] = face
		for i := 1; i < n; i++ {
			a := sample(p, float64(i)*grid)
			if own != nil || tau == 0 {
				face = a
			} else { // exact for an air temperature that is linear over the step
				slope := (a - prev) / grid
				face = a - slope*tau + (face-prev+slope*tau)*decay
			}
			prev = a
			temp[i] = face
		}
		const kelvin = 273.15
		fill := func(tC float64, k1, k2, x *float64) {
			inv := 1 / (cure.GasConstant * (tC + kelvin))
			*k2 = r.A2 * math.Exp(-r.E2*inv)
			if r.E1 == r.E2 {
				*k1 = *k2 * r.A1 / r.A2
			} else {
				*k1 = r.A1 * math.Exp(-r.E1*inv)
			}
			*x = math.Exp(-(tC + r.D) / r.W)
		}
		for i := range n {
			fill(temp[i], &t.k1e[m][i], &t.k2e[m][i], &t.xe[m][i])
			if i+1 < n {
				fill((temp[i]+temp[i+1])/2, &t.k1m[m][i], &t.k2m[m][i], &t.xm[m][i])
			}
		}
	}
	t.lookup = make([]node, nodes+2)
	for i := range t.lookup {
		a := math.Min(float64(i)/nodes, 1)
		g1 := math.Pow(1-a, r.N)
		tg := r.Tg(a)
		t.lookup[i] = node{g1, math.Pow(a, r.M) * g1, math.Exp(tg / r.W), tg}
	}
	for i := range c.steps {
		s := &c.steps[i]
		if s.coatOf < 0 || c.steps[s.coatOf].resin != resin {
			continue
		}
		t.last = max(t.last, s.open)
		if s.close != never {
			t.last = max(t.last, s.close)
		}
	}
	c.tables[key] = t
	return t
}

// at returns the events of a coat of a member mixed at the slot.
func (t *table) at(slot, m int) *events {
	row := t.rows[slot]
	if row == nil {
		row = make([]events, t.c.members)
		t.rows[slot] = row
	}
	if row[m].at[never-1] == 0 { // no event is at time 0: applied is at the slot, the rest after it
		row[m] = t.follow(m, slot)
	}
	return &row[m]
}

func (t *table) rate(a, k1, k2, x float64) float64 {
	if a > 1 {
		a = 1
	}
	p := a * nodes
	i := int(p)
	f := p - float64(i)
	u, v := &t.lookup[i], &t.lookup[i+1]
	g1 := u.g1 + f*(v.g1-u.g1)
	g2 := u.g2 + f*(v.g2-u.g2)
	ex := u.ex + f*(v.ex-u.ex)
	return (k1*g1 + k2*g2) / (1 + ex*x)
}

// follow integrates one coat of one member from a slot on and notes the first
// crossing of every mark, by the stepper that the estimate uses: opening marks
// by the lesser of the two readings of the time outside the resin's range,
// closing ones by the law.
func (t *table) follow(m, slot int) (ev events) {
	inf := float32(math.Inf(1))
	for e := range ev.at {
		ev.at[e] = inf
	}
	const h = grid * 60
	t0 := float64(slot) * grid
	ev.at[applied] = float32(t0)
	k := t.kappa[m]
	temp := t.temp[m]
	k1e, k1m, k2e, k2m, xe, xm := t.k1e[m], t.k1m[m], t.k2e[m], t.k2m[m], t.xe[m], t.xm[m]
	path := cure.NewPath(&t.r, t0*60, temp[slot])
	gauge := cure.NewGauge(&path, t.film[m])
	two := cure.NewTwo()
	touch := t.c.finger.Touch
	a, tg := 0.0, t.r.Tg(0)
	for i := slot; i+1 < t.slots; i++ {
		f1 := k * t.rate(a, k1e[i], k2e[i], xe[i])
		f2 := k * t.rate(a+h/2*f1, k1m[i], k2m[i], xm[i])
		b := a + h*f2
		if h*f1 > 0.008 { // much happens: the order of the method follows
			f3 := k * t.rate(a+h/2*f2, k1m[i], k2m[i], xm[i])
			f4 := k * t.rate(a+h*f3, k1e[i+1], k2e[i+1], xe[i+1])
			b = a + h/6*(f1+2*f2+2*f3+f4)
		}
		b = math.Min(b, 0.999999)
		path.To(float64(i+1)*h, temp[i+1], k2m[i])
		gauge.Look()
		two.Step(&gauge, a, h*f1, b, func(l, x0, x1 float64) float64 {
			// The lesser gains over its share at the rate in its middle.
			d := (x1 - x0) * h * k
			half := l + d/2*t.rate(l, k1m[i], k2m[i], xm[i])
			return math.Min(l+d*t.rate(half, k1m[i], k2m[i], xm[i]), 0.999999)
		})
		p := b * nodes
		j := int(p)
		tgb := t.lookup[j].tg + (p-float64(j))*(t.lookup[j+1].tg-t.lookup[j].tg)
		// note takes a mark's time, with what one touch makes of it where it is
		// passed at so much a minute.
		note := func(e mark, at, sd, perMin float64) {
			if ev.at[e] != inf || math.IsInf(at, 1) {
				return
			}
			ev.at[e] = float32(at / 60)
			if perMin > 0 {
				ev.blur[e] = float32(math.Min(touch*sd/perMin, 24*60))
			}
		}
		da, dTg := (b-a)/grid, (tgb-tg)/grid
		note(tacky, two.At(cure.Tacky, &path), sdTacky, da)
		if !gauge.Cold(b) {
			note(opens, two.At(cure.Opens, &path), sdOpens, da)
		}
		note(stopped, two.Law.When[cure.Green], sdGreen, da)
		note(green, two.At(cure.Green, &path), sdGreen, da)
		if at := two.At(cure.Closes, &path); at <= path.RecoatAt && at < two.Law.When[cure.Firm] {
			note(closes, at, 0, 0) // by the sheet's limit, which a clock tells
		} else {
			note(closes, at, sdFirmK, dTg)
		}
		note(hard, two.At(cure.Hard, &path), sdHardK, dTg)
		note(handle, two.At(cure.Handle, &path), 0, 0)
		if t.last != applied && ev.at[t.last] != inf {
			break
		}
		a, tg = b, tgb
	}
	return ev
}

// Standard deviations of the marks, of film, person and touch together: in
// degree of cure, and in K for those in Tg. Choices, as the marks themselves.
const (
	sdTacky = 0.06
	sdOpens = 0.05
	sdGreen = 0.05
	sdFirmK = 5.0
	sdHardK = 6.0
)

// when is the time of an event of a coat mixed at t, min, for a member, and how
// far a touch may be off it; +Inf for never.
func (tb *table) when(e mark, t float64, m int) (at, blur float64) {
	x := t / grid
	i := int(x)
	f := x - float64(i)
	if i < 0 || i >= tb.slots-1 {
		return math.Inf(1), 0
	}
	u := tb.at(i, m)
	a, blur := float64(u.at[e]), float64(u.blur[e])
	if f < 1e-9 {
		return a, blur
	}
	b := float64(tb.at(i+1, m).at[e])
	if math.IsInf(a, 1) || math.IsInf(b, 1) {
		if (e == closes || e == stopped) && !math.IsInf(a, 1) {
			return a, blur // a window that may close is not taken for one that never does
		}
		return math.Inf(1), 0
	}
	return a + f*(b-a), blur
}
