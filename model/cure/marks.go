// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// Mark is one of the moments of a coat. The first six are passed when the
// degree of cure reaches a level that depends on the panel's temperature; the
// last two follow from them and from the sheet's limits.
type Mark int

// The marks. Levels are a choice of ours, to be calibrated on real coats: no
// published degree of cure for "tack-free" was found.
const (
	Tacky  Mark = iota // α ≥ .30: flows no more, lifts clean
	Opens              // α ≥ .40: a coat put on now neither sags nor lifts
	Green              // gelled, and Tg within 25 K under the panel
	Firm               // gelled, and Tg 4 K above the panel
	Shut               // closed for good: Tg 4 K above the panel and its working warmth
	Hard               // gelled, and Tg 10 K above the working warmth
	Closes             // firm, or the sheet's recoat limit, whichever is first
	Handle             // hard, and the sheet's handling age or 48 h at 20 °C
	NumMarks

	numLevels = int(Hard) + 1
)

// Where the marks stand.
const (
	AlphaTacky  = 0.30
	AlphaOpens  = 0.40
	GreenBelowK = 25.0
	FirmAboveK  = 4.0 // at Tg = T a glass is still leathery and takes a nail
	HardAboveK  = 10.0
	GlassAboveK = 1.0 // a glass before gel: Tg so far above the panel
	SoftensK    = 1.0 // firm and hard are lost so far under their mark

	WorkLowC, WorkHighC = 20.0, 30.0 // span of the working warmth

	handleHours = 48.0 // of equivalent age, common practice, no source
	handleAtC   = 20.0
	meanS       = 600.0 // T_now is the mean of so long
	instantS    = 300.0 // marks are looked for this often within a stretch
)

// WorkC is the warmth in °C in which a panel will be sanded, flipped and
// coated: its own, but neither a cold night's nor a post-cure's.
func WorkC(nowC float64) float64 { return min(max(nowC, WorkLowC), WorkHighC) }

// Film is how far one film and the person who feels it lie from the marks'
// middle: in degree of cure, and in K for those in Tg.
type Film struct {
	Tacky, Opens, Gel float64
	FirmK, HardK      float64
}

// ruler gives a film's levels with as few inversions of Tg as may be.
type ruler struct {
	r          *Resin
	film       Film
	gel, tgGel float64
	// Shut at the least working warmth, and hard at the least and the most.
	shutLow, hardLow, hardHigh float64
}

func newRuler(r *Resin, f Film) ruler {
	u := ruler{r: r, film: f, gel: r.AlphaGel + f.Gel}
	u.tgGel = r.Tg(u.gel)
	u.shutLow = u.above(WorkLowC + FirmAboveK + f.FirmK)
	u.hardLow, u.hardHigh = u.above(WorkLowC+HardAboveK+f.HardK), u.above(WorkHighC+HardAboveK+f.HardK)
	return u
}

// above is the degree of cure of a Tg, gelled in any case.
func (u *ruler) above(tgC float64) float64 {
	if tgC <= u.tgGel {
		return u.gel
	}
	return u.r.AlphaAtTg(tgC)
}

func (u *ruler) level(m Mark, nowC float64) float64 {
	switch {
	case m == Tacky:
		return AlphaTacky + u.film.Tacky
	case m == Opens:
		return AlphaOpens + u.film.Opens
	case m == Shut && nowC <= WorkLowC:
		return u.shutLow
	case m == Hard && nowC <= WorkLowC:
		return u.hardLow
	case m == Hard && nowC >= WorkHighC:
		return u.hardHigh
	}
	return u.above(u.tg(m, nowC))
}

// tg is the glass transition, °C, at which a mark from green on is passed, gelled
// in any case.
func (u *ruler) tg(m Mark, nowC float64) float64 {
	switch m {
	case Green:
		return nowC - GreenBelowK
	case Shut:
		nowC = max(nowC, WorkLowC)
	case Hard:
		return WorkC(nowC) + HardAboveK + u.film.HardK
	}
	return nowC + FirmAboveK + u.film.FirmK
}

// Level is the degree of cure at which a coat on a panel at nowC (°C) passes a
// mark; the last two marks have none of their own and give those of firm and
// hard.
func (r *Resin) Level(m Mark, nowC float64, f Film) float64 {
	switch m {
	case Closes:
		m = Firm
	case Handle:
		m = Hard
	}
	u := newRuler(r, f)
	return u.level(m, nowC)
}

// Path is the part of the marks that every rate factor and film on a panel
// shares: the panel's temperature, linear between the moments fed, its mean of
// the last ten minutes, and the sheet's limits in equivalent age. It remembers
// ten minutes and no more: past warmth enters no mark. The zero value is not
// usable: [NewPath]. A copy is independent.
type Path struct {
	r   *Resin
	t   float64 // s, the last moment fed
	sum [pathSums]struct{ t, c, sum float64 }
	n   int // how many of them are kept, the newest last

	t0, dt  float64 // the last stretch
	c0, c   float64
	k       int // instants within it at which marks are looked for
	at, now [4]float64

	Ages
}

// Ages are a panel's equivalent ages against the sheet's limits.
type Ages struct {
	recoat, handle           float64 // s at the sheet's temperatures
	recoatLimit, handleLimit float64 // s
	recoatK, handleK         float64 // k2 there, 1/s

	// RecoatAt and HandleAt are when the sheet's recoat limit and the handling
	// age are passed, s; +Inf before.
	RecoatAt, HandleAt float64
}

// pathSums holds ten minutes of readings some twelve seconds apart; denser
// ones are merged.
const pathSums = 52

// NewPath begins a panel at time t (s) and c (°C).
func NewPath(r *Resin, t, c float64) Path {
	p := Path{r: r, t: t, t0: t, c0: c, c: c}
	p.Ages = Ages{RecoatAt: math.Inf(1), HandleAt: math.Inf(1), recoatLimit: math.Inf(1), recoatK: 1, handleLimit: handleHours * 3600}
	at := handleAtC
	if u := r.RecoatUntil; u != nil {
		p.recoatLimit, p.recoatK = u.Hours*3600, Arrhenius(r.A2, r.E2, u.TempC)
	}
	if h := r.Handle; h != nil {
		p.handleLimit, at = h.Hours*3600, h.TempC
	}
	p.handleK = Arrhenius(r.A2, r.E2, at)
	p.sum[0] = struct{ t, c, sum float64 }{t, c, 0}
	p.n = 1
	p.at[0], p.now[0] = 0, c
	return p
}

// Aged sets the equivalent ages so far, s at the sheet's recoat temperature and
// at its handling temperature (20 °C without one), for a path that begins in
// the middle of a coat's life.
func (p *Path) Aged(recoat, handle float64) {
	p.recoat, p.handle = recoat, handle
	if recoat >= p.recoatLimit {
		p.RecoatAt = p.t
	}
	if handle >= p.handleLimit {
		p.HandleAt = p.t
	}
}

// Moved puts the coat onto a panel at time t (s) and c (°C), as when resin goes
// from the cup onto it: the cup's temperature counts no more for T_now, but the
// panel's own of the minutes before, at the ascending times ts.
func (p *Path) Moved(t, c float64, ts, cs []float64) {
	p.n = 0
	sum := 0.0
	for i, x := range ts {
		if x >= t || x < t-meanS-60 || p.n == pathSums-1 {
			continue
		}
		if p.n > 0 {
			l := p.sum[p.n-1]
			sum += (x - l.t) * (l.c + cs[i]) / 2
		}
		p.sum[p.n] = struct{ t, c, sum float64 }{x, cs[i], sum}
		p.n++
	}
	if p.n > 0 {
		l := p.sum[p.n-1]
		sum += (t - l.t) * (l.c + c) / 2
	}
	p.t, p.t0, p.c, p.c0, p.dt, p.k = t, t, c, c, 0, 0
	p.sum[p.n] = struct{ t, c, sum float64 }{t, c, sum}
	p.n++
	p.now[0] = c
	if p.n > 1 {
		p.now[0] = p.mean(t, sum)
	}
}

// NowC is the panel's mean of the last ten minutes, °C.
func (p *Path) NowC() float64 { return p.now[p.k] }

// To feeds the next moment: at t (s, after the last) the panel is at c (°C).
func (p *Path) To(t, c float64) {
	last := p.sum[p.n-1]
	if t <= p.t {
		return
	}
	p.now[0] = p.now[p.k]
	p.t0, p.c0, p.dt = p.t, p.c, t-p.t
	p.t, p.c = t, c
	total := last.sum + p.dt*(p.c0+c)/2
	if p.dt <= instantS {
		p.k = 1
		p.at[1] = 1
		p.now[1] = p.mean(t, total)
	} else {
		p.k = 0
		for x := instantS; x < p.dt-1 && p.k < 2; x += instantS {
			p.k++
			f := x / p.dt
			p.at[p.k] = f
			p.now[p.k] = p.mean(p.t0+x, last.sum+x*(p.c0+f/2*(c-p.c0)))
		}
		p.k++
		p.at[p.k] = 1
		p.now[p.k] = p.mean(t, total)
	}
	// Keep ten minutes, and one point before them.
	drop := 0
	for drop+1 < p.n && p.sum[drop+1].t <= t-meanS {
		drop++
	}
	if drop > 0 {
		copy(p.sum[:], p.sum[drop:p.n])
		p.n -= drop
	}
	if p.n == pathSums {
		p.n--
	}
	p.sum[p.n] = struct{ t, c, sum float64 }{t, c, total}
	p.n++
	if p.pending() {
		p.pass(p.t0, p.dt, p.dt*Arrhenius(p.r.A2, p.r.E2, (p.c0+p.c)/2))
	}
}

// mean is the mean of the ten minutes up to t, within the last stretch, where
// the integral of the temperature is sum; of what there is, before that.
func (p *Path) mean(t, sum float64) float64 {
	from := t - meanS
	if from >= p.t0 && p.dt > 0 {
		// All within the stretch, which is linear.
		f := (t - meanS/2 - p.t0) / p.dt
		return p.c0 + f*(p.c-p.c0)
	}
	first := p.sum[0]
	if first.t >= from {
		return (sum - first.sum) / (t - first.t)
	}
	i := p.n - 1
	for p.sum[i].t > from {
		i--
	}
	a, b := p.sum[i], struct{ t, c, sum float64 }{p.t, p.c, 0}
	if i+1 < p.n {
		b = p.sum[i+1]
	}
	d := from - a.t
	c := a.c + (b.c-a.c)*d/(b.t-a.t)
	return (sum - a.sum - d*(a.c+c)/2) / meanS
}

// pending reports whether a limit is ahead that will be passed.
func (g *Ages) pending() bool {
	return math.IsInf(g.HandleAt, 1) || g.recoatLimit < math.Inf(1) && math.IsInf(g.RecoatAt, 1)
}

// pass lets dt seconds from t0 go by, over which the rate constant of the
// autocatalysed path adds up to k2dt.
func (g *Ages) pass(t0, dt, k2dt float64) {
	if math.IsInf(g.RecoatAt, 1) {
		d := k2dt / g.recoatK
		if g.recoat+d >= g.recoatLimit {
			g.RecoatAt = t0 + dt*(g.recoatLimit-g.recoat)/d
		}
		g.recoat += d
	}
	if math.IsInf(g.HandleAt, 1) {
		d := k2dt / g.handleK
		if g.handle+d >= g.handleLimit {
			g.HandleAt = t0 + dt*(g.handleLimit-g.handle)/d
		}
		g.handle += d
	}
}

// nears reports whether a limit is passed within k2dt.
func (g *Ages) nears(k2dt float64) bool {
	return math.IsInf(g.RecoatAt, 1) && g.recoat+k2dt/g.recoatK >= g.recoatLimit ||
		math.IsInf(g.HandleAt, 1) && g.handle+k2dt/g.handleK >= g.handleLimit
}

// Inside returns the part of the last stretch, from x0 to x1 as shares of it,
// that the panel spent inside the resin's range; x0 = x1 for none of it.
func (p *Path) Inside() (x0, x1 float64) { return p.r.inside(p.c0, p.c) }

func (r *Resin) inside(c0, c1 float64) (x0, x1 float64) {
	lo, hi := r.MinC, r.MaxC
	if !(hi > lo) || c0 >= lo && c1 >= lo && c0 <= hi && c1 <= hi {
		return 0, 1
	}
	if c0 == c1 || max(c0, c1) <= lo || min(c0, c1) >= hi {
		return 0, 0
	}
	a, b := (lo-c0)/(c1-c0), (hi-c0)/(c1-c0)
	if a > b {
		a, b = b, a
	}
	return max(a, 0), min(b, 1)
}

// Gauge reads the marks of one film off a path. Look must be called after each
// [Path.To]; then Mark once a rate factor.
type Gauge struct {
	p *Path
	ruler
	leastC float64            // the least T_now within the stretch
	low    [numLevels]float64 // the levels there, the least of the stretch; 0 until asked for
	cold   bool               // at its end what has not gelled may be a glass
}

// NewGauge reads film's marks off p, which it keeps.
func NewGauge(p *Path, film Film) Gauge {
	var g Gauge
	g.Reset(p, film)
	return g
}

// Reset puts the gauge onto another path at its present moment.
func (g *Gauge) Reset(p *Path, film Film) {
	g.p = p
	if g.r != p.r || g.film != film {
		g.ruler = newRuler(p.r, film)
	}
}

// On puts the gauge onto a copy of the path that it was reading.
func (g *Gauge) On(p *Path) { g.p = p }

// Prepare works out what the levels need of the path's last stretch.
func (g *Gauge) Prepare() {
	p := g.p
	g.leastC = p.now[0]
	for _, c := range p.now[1 : p.k+1] {
		g.leastC = min(g.leastC, c)
	}
	clear(g.low[:])
	g.cold = p.now[p.k]+GlassAboveK < g.tgGel
}

// under reports whether a degree of cure is under a mark's level throughout the
// stretch.
func (g *Gauge) under(a float64, m Mark) bool {
	if g.low[m] == 0 {
		g.low[m] = g.level(m, g.leastC)
	}
	return a < g.low[m]
}

// Level is what the film's mark asks at the end of the last stretch.
func (g *Gauge) Level(m Mark) float64 { return g.level(m, g.p.NowC()) }

// Marks are what one rate factor in one film has passed. The zero value is not
// usable: [NewMarks].
type Marks struct {
	// When is when each of the first six marks was first passed, s; +Inf
	// before.
	When [int(Hard) + 1]float64
	// Glass is when it first was a glass that had not gelled, which feels firm
	// and is not; +Inf for never.
	Glass float64
	next  Mark // the first of tacky to shut that is still ahead
}

// NewMarks begins with nothing passed.
func NewMarks() (m Marks) {
	for i := range m.When {
		m.When[i] = math.Inf(1)
	}
	m.Glass = math.Inf(1)
	return m
}

// MarksFrom begins with marks that were passed before, in their order.
func MarksFrom(when [int(Hard) + 1]float64, glass float64) Marks {
	m := Marks{When: when, Glass: glass}
	for m.next <= Shut && !math.IsInf(when[m.next], 1) {
		m.next++
	}
	return m
}

// Cold reports whether a coat at degree of cure alpha and its path's
// temperature now must not be coated: it is a glass before it has gelled.
func (g *Gauge) Cold(alpha float64) bool {
	return alpha < g.gel && alpha >= g.p.r.AlphaAtTg(g.p.NowC())
}

// Mark carries a rate factor over the path's last stretch, in which its degree
// of cure went from a0 to a1, and notes what it passed. da is by how much it
// would have gone at the rate that it had at the beginning; NaN where that is
// not known.
func (g *Gauge) Mark(m *Marks, a0, da, a1 float64) {
	// Most pass nothing in most stretches, and one before asked for the levels.
	if a1 < g.low[m.next] && a1 < g.low[Hard] && (a1 >= g.gel || !g.cold) {
		return
	}
	w := &m.When
	for ; m.next <= Shut; m.next++ {
		if i := m.next; g.under(a1, i) || math.IsInf(w[i], 1) && !g.pass(&w[i], i, a0, da, a1) {
			break
		}
	}
	if math.IsInf(w[Hard], 1) && !g.under(a1, Hard) {
		g.pass(&w[Hard], Hard, a0, da, a1)
	}
	if g.cold && m.next <= Green && a1 < g.gel && math.IsInf(m.Glass, 1) && g.p.NowC()+GlassAboveK <= g.p.r.Tg(a1) {
		m.Glass = g.p.t
	}
}

// pass looks for a level's first crossing within the stretch.
func (g *Gauge) pass(when *float64, m Mark, a0, da, a1 float64) bool {
	p := g.p
	rise := a1 - a0
	if !(da > 0 && da < 2*rise) {
		da = rise
	}
	bend := rise - da
	d0 := a0 - g.level(m, p.now[0])
	for i := 1; i <= p.k; i++ {
		x := p.at[i]
		d1 := a0 + x*(da+x*bend) - g.level(m, p.now[i])
		if d1 >= 0 {
			from := p.at[i-1]
			f := 0.0
			if d0 < 0 {
				f = d0 / (d0 - d1)
			}
			*when = p.t0 + p.dt*(from+f*(x-from))
			return true
		}
		d0 = d1
	}
	return false
}

// Done reports whether nothing is left to pass.
func (m *Marks) Done() bool { return m.next > Shut && !math.IsInf(m.When[Hard], 1) }

// Next is the first mark of tacky to shut that is still ahead; past shut when
// there is none.
func (m *Marks) Next() Mark { return m.next }

// At is when a mark is passed, s; the last two from the path's limits.
func (m *Marks) At(mark Mark, g *Ages) float64 {
	switch mark {
	case Closes:
		return min(m.When[Firm], g.RecoatAt)
	case Handle:
		return max(m.When[Hard], g.HandleAt)
	case Shut:
		return min(m.When[Shut], g.RecoatAt)
	}
	return m.When[mark]
}

// Two are the marks of one rate factor in one film under both readings of the
// time that its panel spends outside the resin's range: as the rate law says,
// and as if nothing were gained there. What permits goes by the lesser, what
// warns by the law.
type Two struct {
	Law, Less Marks
	// Alpha is the lesser's degree of cure once Split: before the panel was
	// ever outside the range the two are one.
	Alpha float64
	Split bool
}

// NewTwo begins with nothing passed.
func NewTwo() Two { return Two{Law: NewMarks(), Less: NewMarks()} }

// Step carries both over the path's last stretch, in which the law's degree of
// cure went from a0 to a1; da as for [Gauge.Mark]. Advance integrates the
// lesser's over the share of the stretch from x0 to x1, the part inside the
// range; it is called only once the two differ.
func (w *Two) Step(g *Gauge, a0, da, a1 float64, advance func(alpha, x0, x1 float64) float64) {
	x0, x1 := g.p.Inside()
	whole := x0 == 0 && x1 == 1
	if !w.Split && !whole {
		w.Split, w.Alpha, w.Less = true, a0, w.Law
	}
	g.Mark(&w.Law, a0, da, a1)
	if !w.Split {
		return
	}
	b := w.Alpha
	if x1 > x0 {
		w.Alpha = advance(b, x0, x1)
	}
	g.Mark(&w.Less, b, math.NaN(), w.Alpha)
}

// At is when a mark is passed, s: by the law for what closes a window or warns,
// by the lesser for what opens one or permits.
func (w *Two) At(m Mark, g *Ages) float64 {
	if w.Split && m != Closes && m != Shut {
		return w.Less.At(m, g)
	}
	return w.Law.At(m, g)
}
