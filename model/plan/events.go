// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"math"
	"sync/atomic"

	"curewright/model/cure"
	"curewright/model/shop"
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

// lagMinutes is how far a panel's face follows the air, min.
func (c *compiled) lagMinutes(panel int) float64 {
	if c.noLag {
		return 0
	}
	return shop.LagSeconds(c.Panels[panel].Core) / 60
}

// table holds, for one resin on one panel, the time of every event of a coat
// mixed at each grid time, a member at a time. They are worked out when first
// asked for, by whichever of several judges asks.
type table struct {
	c     *compiled
	r     cure.Resin
	kappa []float64
	slots int

	rows []atomic.Pointer[row] // by slot

	temp    [][]float32 // °C at slot ends, [member][slot]
	outside []bool      // whether a member's leave the resin's range
	film    []cure.Film // of each member
	steps   cure.Stepper
	last    mark // the last event that any step asks for
}

// row holds the events of each member's coat from one slot on.
type row struct {
	state []atomic.Uint32 // of each: none yet, being worked out, there
	ev    []events
}

const (
	none = iota
	begun
	there
)

// walk is scratch of [table.follow], too large for each of its calls to make anew.
type walk struct {
	path  cure.Path
	gauge cure.Gauge
	way   cure.Course
	ev    events // of a coat that another judge is at
}

// events are a coat's times of the marks, min, and how far one touch may be off
// them, as a standard deviation in min.
type events struct{ at, blur [never]float32 }

func (c *compiled) table(resin, panel int) *table {
	key := [2]int{resin, panel}
	if t := c.tables[key]; t != nil {
		return t
	}
	// Panels that follow the same air alike share a table.
	for p := range panel {
		if c.lagMinutes(p) == c.lagMinutes(panel) {
			t := c.table(resin, p)
			c.tables[key] = t
			return t
		}
	}
	r := c.resins[resin]
	n := int(c.horizon/grid) + 1
	t := &table{c: c, r: r, kappa: c.kappa[resin], film: c.films[resin], slots: n, rows: make([]atomic.Pointer[row], n)}
	tau := c.lagMinutes(panel)
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
	t.temp, t.outside = make([][]float32, c.members), make([]bool, c.members)
	flat := make([]float32, c.members*n)
	decay := math.Exp(-grid / max(tau, 1e-6))
	for m := range c.members {
		p := c.Forecast.Air[m]
		temp := flat[m*n : (m+1)*n]
		t.temp[m] = temp
		prev := sample(p, 0)
		face := prev
		put := func(i int) {
			temp[i] = float32(face)
			t.outside[m] = t.outside[m] || face < r.MinC || face > r.MaxC
		}
		put(0)
		for i := 1; i < n; i++ {
			a := sample(p, float64(i)*grid)
			if tau == 0 {
				face = a
			} else { // exact for an air temperature that is linear over the step
				slope := (a - prev) / grid
				face = a - slope*tau + (face-prev+slope*tau)*decay
			}
			prev = a
			put(i)
		}
	}
	t.steps.Prepare(&t.r)
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
func (t *table) at(w *walk, slot, m int) *events {
	r := t.rows[slot].Load()
	if r == nil {
		r = &row{make([]atomic.Uint32, t.c.members), make([]events, t.c.members)}
		if !t.rows[slot].CompareAndSwap(nil, r) {
			r = t.rows[slot].Load()
		}
	}
	state := &r.state[m]
	if state.Load() == there {
		return &r.ev[m]
	}
	if !state.CompareAndSwap(none, begun) {
		w.ev = t.follow(w, m, slot)
		return &w.ev
	}
	r.ev[m] = t.follow(w, m, slot)
	state.Store(there)
	return &r.ev[m]
}

// follow integrates one coat of one member from a slot on and notes the first
// crossing of every mark, by the stepper that the estimate uses: opening marks
// by the lesser of the two readings of the time outside the resin's range,
// closing ones by the law.
func (t *table) follow(w *walk, m, slot int) (ev events) {
	inf := float32(math.Inf(1))
	for e := range ev.at {
		ev.at[e] = inf
	}
	const h = grid * 60
	t0 := float64(slot) * grid
	ev.at[applied] = float32(t0)
	k := t.kappa[m]
	steps, way, gauge := &t.steps, &w.way, &w.gauge
	w.path = cure.NewPath(&t.r, t0*60, float64(t.temp[m][slot]))
	gauge.Reset(&w.path, t.film[m])
	way.Begin(steps, &w.path, gauge, t.temp[m][slot:], t0*60, h, t.outside[m], cure.Firm)
	two := cure.NewTwo()
	touch := t.c.finger.Touch
	var y, less, a float64
	for way.Next() {
		if !way.Whole && !two.Split {
			two.Split, two.Less, less = true, two.Law, y
		}
		y = way.Carry(&way.Law, &two.Law, y, k)
		if two.Split {
			less = way.Carry(&way.Less, &two.Less, less, k)
		}
		b, ages := steps.Alpha(y), &way.Ages
		// note takes a mark's time, with what one touch makes of it where it is
		// passed at so much a minute.
		note := func(e mark, at, sd, perMin float64) {
			if ev.at[e] != inf || math.IsInf(at, 1) {
				return
			}
			ev.at[e] = float32(at / 60)
			if perMin > 0 {
				ev.blur[e] = float32(min(touch*sd/perMin, 24*60))
			}
		}
		minutes := way.Seconds() / 60
		da, dTg := (b-a)/minutes, 0.0
		if two.Law.Next() >= cure.Firm { // what is told by Tg comes after green
			dTg = (t.r.Tg(b) - t.r.Tg(a)) / minutes
		}
		note(tacky, two.At(cure.Tacky, ages), sdTacky, da)
		if !way.Cold(b) {
			note(opens, two.At(cure.Opens, ages), sdOpens, da)
		}
		note(stopped, two.Law.When[cure.Green], sdGreen, da)
		note(green, two.At(cure.Green, ages), sdGreen, da)
		if at := two.At(cure.Closes, ages); at <= ages.RecoatAt && at < two.Law.When[cure.Firm] {
			note(closes, at, 0, 0) // by the sheet's limit, which a clock tells
		} else {
			note(closes, at, sdFirmK, dTg)
		}
		note(hard, two.At(cure.Hard, ages), sdHardK, dTg)
		note(handle, two.At(cure.Handle, ages), 0, 0)
		if t.last != applied && ev.at[t.last] != inf {
			break
		}
		a = b
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
func (tb *table) when(w *walk, e mark, t float64, m int) (at, blur float64) {
	x := t / grid
	i := int(x)
	f := x - float64(i)
	if i < 0 || i >= tb.slots-1 {
		return math.Inf(1), 0
	}
	u := tb.at(w, i, m)
	a, blur := float64(u.at[e]), float64(u.blur[e])
	if f < 1e-9 {
		return a, blur
	}
	b := float64(tb.at(w, i+1, m).at[e])
	if math.IsInf(a, 1) || math.IsInf(b, 1) {
		if (e == closes || e == stopped) && !math.IsInf(a, 1) {
			return a, blur // a window that may close is not taken for one that never does
		}
		return math.Inf(1), 0
	}
	return a + f*(b-a), blur
}
