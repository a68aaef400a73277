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
	gelled // closes the time for cloth, known or not
	green
	closes
	hard
	handle
	never // not an event: a window without an end
)

func (m mark) String() string {
	return [...]string{"on", "tacky", "fit to recoat", "past sticking", "green", "firm", "hard", "fit to handle", "never"}[m]
}

// edges are the window of a condition.
func edges(when string) (open, close mark) {
	switch when {
	case "tacky":
		return tacky, gelled
	case "wet":
		return applied, tacky
	case "recoat":
		return opens, closes
	case "fill":
		return green, closes
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

	temp         [][]float64 // °C at slot ends, [member][slot]
	k1e, k1m     [][]float64 // 1/s at slot starts and middles
	k2e, k2m     [][]float64
	xe, xm       [][]float64 // exp(−(T+D)/W)
	age          [][]float64 // ∫k2 dt, s·1/s
	lookup       []node
	recoatBudget float64 // in units of age; +Inf without a limit
	handleBudget float64
	last         mark // the last event that any step asks for
}

type events [never]float32

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
	t := &table{c: c, r: r, kappa: c.kappa[resin], slots: n, rows: make([][]events, n)}
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
	t.temp, t.age = alloc(), alloc()
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
			if i > 0 {
				t.age[m][i] = t.age[m][i-1] + grid*60/6*(t.k2e[m][i-1]+4*t.k2m[m][i-1]+t.k2e[m][i])
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
	budget := func(l *cure.TimeAt, hours, atC float64) float64 {
		if l != nil {
			hours, atC = l.Hours, l.TempC
		}
		return hours * 3600 * cure.Arrhenius(r.A2, r.E2, atC)
	}
	t.recoatBudget = math.Inf(1)
	if r.RecoatUntil != nil {
		t.recoatBudget = budget(r.RecoatUntil, 0, 0)
	}
	t.handleBudget = budget(r.Handle, 48, 20)
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
	if row[m][never-1] == 0 { // no event is at time 0: applied is at the slot, the rest after it
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
// crossing of every mark, by straight line within a step. Marks are the median
// ones: tacky α .30, fit to recoat .40, green gelled with Tg within 25 K of
// the panel, firm Tg at T_ref, hard 10 K above, handle hard and the sheet's
// own age or 48 h at 20 °C.
func (t *table) follow(m, slot int) events {
	inf := float32(math.Inf(1))
	ev := events{inf, inf, inf, inf, inf, inf, inf, inf}
	t0 := float64(slot) * grid
	ev[applied] = float32(t0)
	r := &t.r
	gel := r.AlphaGel
	if gel == 0 {
		gel = 0.577350
	}
	k := t.kappa[m]
	temp := t.temp[m]
	k1e, k1m, k2e, k2m, xe, xm := t.k1e[m], t.k1m[m], t.k2e[m], t.k2m[m], t.xe[m], t.xm[m]
	const h = grid * 60
	a, hot := 0.0, temp[slot]
	ref := hot
	outside := 0.0 // minutes still to be made up inside the resin's range
	cold := false
	tg := r.Tg(0)
	from := t.age[m][slot]
	crossed := func(i int, was, is float64) float32 { // 0 is the mark
		x := 1.0
		if is > was && was < 0 {
			x = -was / (is - was)
		}
		return float32((float64(i) + x) * grid)
	}
	for i := slot; i+1 < t.slots; i++ {
		f1 := k * t.rate(a, k1e[i], k2e[i], xe[i])
		f2 := k * t.rate(a+h/2*f1, k1m[i], k2m[i], xm[i])
		f3 := k * t.rate(a+h/2*f2, k1m[i], k2m[i], xm[i])
		f4 := k * t.rate(a+h*f3, k1e[i+1], k2e[i+1], xe[i+1])
		b := a + h/6*(f1+2*f2+2*f3+f4)
		if b > 0.999999 {
			b = 0.999999
		}
		now := temp[i+1]
		p := b * nodes
		j := int(p)
		tgb := t.lookup[j].tg + (p-float64(j))*(t.lookup[j+1].tg-t.lookup[j].tg)

		if r.MaxC > r.MinC {
			if now < r.MinC || now > r.MaxC {
				outside += grid
			} else {
				if outside -= grid; outside < 0 {
					outside = 0
				}
			}
		}
		if b < gel && tgb >= now+1 {
			cold = true
		} else if cold && b >= gel && tgb < now-1 {
			cold = false
		}
		// The running maximum counts up to 30 °C only.
		top := hot
		if now > top {
			top = now
		}
		refb := top
		if refb > 30 {
			refb = 30
		}
		if now > refb {
			refb = now
		}
		if ev[tacky] == inf && b >= 0.30 {
			ev[tacky] = crossed(i, a-0.30, b-0.30)
		}
		if ev[opens] == inf && b >= 0.40 && !cold && !(b < gel && tgb >= now) {
			ev[opens] = crossed(i, a-0.40, b-0.40)
		}
		known := !cold && outside == 0
		if b >= gel {
			if ev[gelled] == inf {
				ev[gelled] = crossed(i, a-gel, b-gel)
			}
			if ev[green] == inf && known && tgb >= now-25 {
				ev[green] = crossed(i, a-gel, b-gel)
			}
			if ev[closes] == inf && tgb >= refb {
				ev[closes] = crossed(i, tg-ref, tgb-refb)
			}
			if ev[hard] == inf && known && tgb >= refb+10 {
				ev[hard] = crossed(i, tg-ref-10, tgb-refb-10)
			}
		}
		if ev[closes] == inf && t.age[m][i+1]-from >= t.recoatBudget {
			x := (t.recoatBudget - (t.age[m][i] - from)) / (t.age[m][i+1] - t.age[m][i])
			ev[closes] = float32((float64(i) + x) * grid)
		}
		if ev[hard] != inf && ev[handle] == inf && t.age[m][i+1]-from >= t.handleBudget {
			x := (t.handleBudget - (t.age[m][i] - from)) / (t.age[m][i+1] - t.age[m][i])
			ev[handle] = float32(math.Max((float64(i)+x)*grid, float64(ev[hard])))
		}
		if t.last != applied && ev[t.last] != inf {
			break
		}
		a, tg, ref, hot = b, tgb, refb, top
	}
	return ev
}

// when is the time of an event of a coat mixed at t, min, for a member; +Inf
// for never.
func (tb *table) when(e mark, t float64, m int) float64 {
	x := t / grid
	i := int(x)
	f := x - float64(i)
	if i < 0 || i >= tb.slots-1 {
		return math.Inf(1)
	}
	a := float64(tb.at(i, m)[e])
	if f < 1e-9 {
		return a
	}
	b := float64(tb.at(i+1, m)[e])
	if math.IsInf(a, 1) || math.IsInf(b, 1) {
		if e == closes && !math.IsInf(a, 1) {
			return a // a window that may close is not taken for one that never does
		}
		return math.Inf(1)
	}
	return a + f*(b-a)
}
