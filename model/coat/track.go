// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"time"

	"curewright/model/air"
	"curewright/model/cure"
)

// Source is where a temperature of the panel comes from.
type Source uint8

// The sources, best first.
const (
	FromProbe Source = iota // the panel's own probe
	FromAir                 // air through the panel's lag
	Bridged                 // no reading: bridged
	InCup                   // before application
)

// Point is the panel's temperature at a moment, with the air beside it.
// Between points it is linear.
type Point struct {
	At     time.Time
	TempC  float64
	SDK    float64 // doubt of TempC beyond the probe's own accuracy, K
	Source Source  // of the stretch that ends here
	// VapourPa is the vapour pressure of the air, Pa, and CO2 its carbon
	// dioxide, ppm; NaN where not measured.
	VapourPa float64
	CO2      float64
}

const (
	pieceS    = 300.0 // marks are looked for this often within long stretches, s
	oldS      = 10 * dayS
	oldPieceS = 1800.0 // in a coat older than that
	dayS      = 86400.0
	amineGone = 0.75 // α from which the skin no longer blushes
	jHours    = 4.0
	outAlpha  = cure.AlphaOpens // out-gassing matters until here
	defCO2    = 420.0
	heaterCO2 = 5000.0
)

// rails are the marks of every rate factor for films all of whose offsets are
// one of railZ.
type rails [railN][nodeN]cure.Marks

// Snapshot is the coat at the moment of a finger test.
type Snapshot struct {
	Feel      Feel
	alpha     [nodeN]float64
	j         [nodeN]float64
	nowC      float64
	source    Source
	condensed uint32
	tempSD    float64 // doubt of ln κ from temperatures so far
	gapSD     float64 // of that, from gaps
	ok        bool
}

// Track follows one coat through the temperatures of the past, for every rate
// factor of the grid at once. What it holds depends only on the points it was
// fed, not on how the feeding was divided, so that a copy is a checkpoint.
type Track struct {
	r         *cure.Resin
	it        *cure.Integrator
	mixed     time.Time // α = 0
	applied   float64   // s after mixed
	appliedAt time.Time
	warmCO2   float64 // ppm where not measured

	t, c  float64 // the last point, s after mixed and °C
	begun bool

	// The panel's temperature as the marks see it, and what they passed: as the
	// law says, and, once split, as if nothing were gained outside the resin's
	// range (alpha less, marks low).
	path        cure.Path
	gauge       [railN]cure.Gauge
	alpha, less [nodeN]float64
	law, low    rails
	done        [railN]bool // nothing left to pass, for any rate factor
	split       bool
	vouched     float64 // when a finger inside the range last vouched for it

	j    [nodeN]float64 // blush index
	rise [nodeN]float64 // K that the panel warmed while α < .4
	condensed,
	firm, hard uint32 // latches of the middle film, a bit a node
	softened  float64 // when the median node last softened; NaN never
	softenedC float64 // the warmest it was since

	lowC   float64
	fallen bool // lowC is set

	below, above float64 // s outside the resin's range since a finger last found it inside
	warm7        float64 // s at 20 °C and above
	degraded     float64
	probeS       float64 // s with the panel's own probe
	humid        float64 // s with humidity known while it matters
	dew          float64 // when it first condensed; +Inf
	points       int

	wSum, wAir, wGap, wE float64

	gaps  []Span
	drops []Span
	out   []Span // where the two readings of the range differ by a state
	watch []Feel
	felt  int // finger tests passed
	seen  []Snapshot

	held           []Span  // shared and never changed
	heldAt, feltAt float64 // end of the last hold, and the last finger test; -Inf for none
}

// TrackOptions say what a coat's track begins with.
type TrackOptions struct {
	Resin      *cure.Resin
	Integrator *cure.Integrator // of the same resin; nil makes one
	Mixed      time.Time        // α = 0 here
	Applied    time.Time        // the panel's temperature counts from here
	FuelHeater bool             // carbon dioxide where it is not measured
	Feels      []Feel           // finger tests on this coat, in order of time
	// Held are stretches over which no coat cures, in order: how long they were is
	// known from a doubtful date alone. What a coat is after one is not known until
	// a finger says.
	Held []Span
}

// NewTrack begins a coat.
func NewTrack(o TrackOptions) *Track {
	tr := &Track{r: o.Resin, it: o.Integrator, mixed: o.Mixed, appliedAt: o.Applied, applied: o.Applied.Sub(o.Mixed).Seconds(),
		warmCO2: defCO2, softened: math.NaN(), dew: math.Inf(1), watch: o.Feels,
		held: o.Held, heldAt: math.Inf(-1), feltAt: math.Inf(-1)}
	if tr.it == nil {
		tr.it = cure.NewIntegrator(*o.Resin)
	}
	if o.FuelHeater {
		tr.warmCO2 = heaterCO2
	}
	for k := range tr.law {
		for j := range tr.law[k] {
			tr.law[k][j] = cure.NewMarks()
		}
	}
	return tr
}

// CopyTo makes dst an independent copy, keeping dst's buffers.
func (tr *Track) CopyTo(dst *Track) {
	gaps, drops, out, seen := dst.gaps, dst.drops, dst.out, dst.seen
	*dst = *tr
	dst.gaps = append(gaps[:0], tr.gaps...)
	dst.drops = append(drops[:0], tr.drops...)
	dst.out = append(out[:0], tr.out...)
	dst.seen = append(seen[:0], tr.seen...)
}

// Last is the time of the last point fed.
func (tr *Track) Last() time.Time { return tr.moment(tr.t) }

// Begun reports whether any point was fed.
func (tr *Track) Begun() bool { return tr.begun }

// Felt is how many finger tests the track has passed.
func (tr *Track) Felt() int { return tr.felt }

// SetFeels replaces the finger tests still to come.
func (tr *Track) SetFeels(f []Feel) { tr.watch = f }

func (tr *Track) moment(s float64) time.Time {
	return tr.mixed.Add(time.Duration(s * float64(time.Second)))
}

// AppliedAt is when the panel's temperature begins to count.
func (tr *Track) AppliedAt() time.Time { return tr.appliedAt }

// MixedAt is when the resin was mixed.
func (tr *Track) MixedAt() time.Time { return tr.mixed }

// Pour lets the resin stand in its cup at a steady temperature from mixing to
// application.
func (tr *Track) Pour(cupC float64) {
	if tr.begun {
		return
	}
	tr.PourFrom(cupC)
	if tr.applied > 0 {
		tr.Feed(Point{At: tr.AppliedAt(), TempC: cupC, Source: InCup, VapourPa: math.NaN(), CO2: math.NaN()})
	}
}

// PourFrom begins a coat in its cup at a temperature; points of the cup follow
// by [Track.Feed] until application.
func (tr *Track) PourFrom(cupC float64) {
	if tr.begun {
		return
	}
	tr.begun = true
	tr.t, tr.c = 0, cupC
	tr.path = cure.NewPath(tr.r, 0, cupC)
	tr.regauge()
}

// regauge begins the gauges anew where the path stands.
func (tr *Track) regauge() {
	for k, z := range railZ {
		o := offsets{z, z, z, z, z}
		tr.gauge[k].Reset(&tr.path, o.film())
	}
}

// Apply puts the resin on the panel, which is at panelC then; before are the
// panel's temperatures of the last minutes, for the ten-minute mean.
func (tr *Track) Apply(panelC float64, before []Point) {
	if !tr.begun {
		tr.path = cure.NewPath(tr.r, tr.applied, panelC)
	}
	tr.begun = true
	tr.t, tr.c = tr.applied, panelC
	var ts, cs [48]float64
	n := 0
	for _, p := range before {
		if n < len(ts) {
			ts[n], cs[n] = p.At.Sub(tr.mixed).Seconds(), p.TempC
			n++
		}
	}
	tr.path.Moved(tr.applied, panelC, ts[:n], cs[:n])
	tr.regauge()
}

// Feed takes the next point. Points that do not ascend are ignored.
func (tr *Track) Feed(p Point) {
	t := p.At.Sub(tr.mixed).Seconds()
	if !tr.begun {
		tr.Pour(p.TempC)
		tr.Apply(p.TempC, nil)
	}
	if t <= tr.t {
		return
	}
	tr.points++
	for len(tr.watch) > 0 {
		ft := tr.watch[0].At.Sub(tr.mixed).Seconds()
		if ft > t {
			break
		}
		tr.peek(tr.watch[0], ft, p, t)
		tr.watch = tr.watch[1:]
		tr.felt++
		tr.feltAt = ft
	}
	for _, h := range tr.held {
		tr.hold(h.From.Sub(tr.mixed).Seconds(), h.To.Sub(tr.mixed).Seconds(), t, &p)
	}
	if t > tr.t {
		tr.cureTo(t, p.TempC, &p)
	}
	tr.c = p.TempC
}

// heldSD is the doubt of ln κ that a hold leaves, a choice: what a finger finds
// after it is believed, however far from what was computed.
const heldSD = 3.0

// hold passes over as much of a held stretch as lies before t.
func (tr *Track) hold(from, to, t float64, p *Point) {
	if from = max(from, tr.applied); to <= from || to <= tr.t || from >= t {
		return
	}
	if from > tr.t {
		tr.cureTo(from, tr.c, p)
	}
	from, to = tr.t, min(to, t)
	tr.t, tr.c, tr.heldAt = to, p.TempC, to
	tr.path.Moved(to, p.TempC, nil, nil)
	tr.regauge()
	tr.gaps = extend(tr.gaps, tr.moment(from), tr.moment(to))
	tr.degraded += to - from
	if sd := heldSD * tr.wSum; tr.wGap < sd {
		tr.wGap = sd
	}
}

// cureTo follows a straight line of temperature to t (s) and c (°C).
func (tr *Track) cureTo(t, c float64, p *Point) {
	t0, c0, dt := tr.t, tr.c, t-tr.t
	longest := pieceS
	if t-tr.applied > oldS {
		longest = oldPieceS
	}
	n := math.Ceil(dt / longest)
	for i := 1.0; i <= n; i++ {
		f := i / n
		tr.piece(t0+f*dt, c0+f*(c-c0), p)
	}
	tr.t, tr.c = t, c
}

// peek notes the coat as it is at a finger test between two points, on a copy,
// so that the test does not divide the integration.
func (tr *Track) peek(f Feel, ft float64, p Point, t float64) {
	s := Snapshot{Feel: f, ok: true}
	cp := new(Track)
	tr.CopyTo(cp)
	cp.watch = nil
	if ft > tr.t {
		q := p
		q.At = f.At
		q.TempC = tr.c + (p.TempC-tr.c)*(ft-tr.t)/(t-tr.t)
		cp.Feed(q)
	}
	s.alpha, s.j, s.nowC, s.condensed, s.source = cp.alpha, cp.j, cp.NowC(), cp.condensed, p.Source
	s.tempSD, s.gapSD = cp.TempSD(0), cp.gapSD()
	tr.seen = append(tr.seen, s)
	if s.nowC >= tr.r.MinC && s.nowC <= tr.r.MaxC {
		// A finger inside the range has spoken: what was gained outside of it
		// is vouched for.
		tr.split, tr.below, tr.above, tr.vouched = false, 0, 0, ft
	}
}

// piece moves everything to t (s) at which the panel is at c (°C).
func (tr *Track) piece(t, c float64, p *Point) {
	t0, c0 := tr.t, tr.c
	dt := t - t0
	if !(dt > 0) {
		return
	}
	was := tr.alpha
	tr.it.Advance(tr.alpha[:], nodeKappa[:], dt, c0, c)
	tr.t, tr.c = t, c
	tr.path.To(t, c)
	x0, x1 := tr.path.Inside()
	if !tr.split && (x0 != 0 || x1 != 1) && t > tr.applied {
		tr.split, tr.less, tr.low = true, was, tr.law
	}
	lesser := tr.less
	if tr.split && x1 > x0 {
		tr.it.Advance(tr.less[:], nodeKappa[:], (x1-x0)*dt, c0+x0*(c-c0), c0+x1*(c-c0))
	}
	tr.marks(&was, &lesser)
	if t > tr.applied {
		tr.account(t0, t, c0, p)
		tr.surface(t0, t, &was, c, p)
		tr.gas()
	}
}

// claimed appends a stretch of the past to the strip, less what was not known
// then: cold glass, and where the two readings of the range differ by a state.
func (tr *Track) claimed(to []Segment, s Segment, lnKappa float64) []Segment {
	zone := s.From.Location()
	none := func(u Span) {
		if !u.To.After(s.From) || !u.From.Before(s.To) {
			return
		}
		from, until := u.From.In(zone), u.To.In(zone)
		if from.After(s.From) {
			to = append(to, Segment{s.State, s.From, from, false})
		} else {
			from = s.From
		}
		if until.After(s.To) {
			until = s.To
		}
		if n := len(to) - 1; n >= 0 && to[n].State == Unknown && to[n].To.Equal(from) {
			to[n].To = until
		} else {
			to = append(to, Segment{Unknown, from, until, false})
		}
		s.From = until
	}
	j := min(max(int(math.Round((lnKappa-gridMin)/(gridStep*perNode))), 0), nodeN-1)
	var cold Span
	if m := &tr.law[midRail][j]; m.Glass < m.When[cure.Green] && !(tr.vouched > m.Glass) {
		cold = Span{tr.moment(m.Glass), s.To}
		if g := m.When[cure.Green]; !math.IsInf(g, 1) {
			cold.To = tr.moment(g)
		}
	}
	for _, o := range tr.out {
		if cold.From.Before(o.From) {
			none(cold)
		}
		none(o)
	}
	none(cold)
	if s.To.After(s.From) {
		to = append(to, s)
	}
	return to
}

// account keeps what does not depend on the rate factor.
func (tr *Track) account(t0, t, c0 float64, p *Point) {
	mid := (c0 + tr.c) / 2
	dt := t - max(t0, tr.applied)
	switch p.Source {
	case FromProbe:
		tr.probeS += dt
	default:
		tr.degraded += dt
	}
	weight := dt * tr.r.AgeFactor(mid, 20)
	tr.wSum += weight
	tr.wE += weight * (1/(mid+273.15) - 1/298.15) / cure.GasConstant
	doubt := weight * p.SDK * tr.r.E2 / (cure.GasConstant * (mid + 273.15) * (mid + 273.15))
	switch p.Source {
	case FromAir:
		tr.wAir += doubt
	case Bridged:
		tr.wGap += doubt
		tr.gaps = extend(tr.gaps, tr.moment(max(t0, tr.applied)), tr.moment(t))
	}
	switch {
	case mid < tr.r.MinC:
		tr.below += dt
	case mid > tr.r.MaxC:
		tr.above += dt
	}
	if tr.split && tr.apart(nodeN/2) {
		tr.out = extend(tr.out, tr.moment(max(t0, tr.applied)), tr.moment(t))
	}
	if tr.NowC() >= 20 {
		tr.warm7 += dt
	}
}

// apart reports whether the two readings of the time outside the range differ
// by a state at green or above, for one rate factor in the middle film.
func (tr *Track) apart(j int) bool {
	g := &tr.gauge[midRail]
	rank := func(a float64, m *cure.Marks) int {
		switch {
		case math.IsInf(m.When[cure.Green], 1):
			return 0
		case a >= g.Level(cure.Hard):
			return 3
		case a >= g.Level(cure.Firm):
			return 2
		}
		return 1
	}
	return rank(tr.alpha[j], &tr.law[midRail][j]) != rank(tr.less[j], &tr.low[midRail][j])
}

func extend(s []Span, from, to time.Time) []Span {
	if n := len(s); n > 0 && !from.After(s[n-1].To) {
		if to.After(s[n-1].To) {
			s[n-1].To = to
		}
		return s
	}
	return append(s, Span{from, to})
}

// marks notes what was passed within the piece and moves the latches.
func (tr *Track) marks(was, lesser *[nodeN]float64) {
	for k := range tr.gauge {
		g := &tr.gauge[k]
		g.On(&tr.path)
		if tr.done[k] && !tr.split && k != midRail {
			continue
		}
		g.Prepare()
		if !tr.done[k] {
			left := false
			for j := range tr.alpha {
				m := &tr.law[k][j]
				g.Mark(m, was[j], math.NaN(), tr.alpha[j])
				left = left || !m.Done()
			}
			tr.done[k] = !left
		}
		if tr.split {
			for j := range tr.less {
				g.Mark(&tr.low[k][j], lesser[j], math.NaN(), tr.less[j])
			}
		}
	}
	g := &tr.gauge[midRail]
	firm, hard := g.Level(cure.Firm), g.Level(cure.Hard)
	now := tr.NowC()
	if now > tr.softenedC {
		tr.softenedC = now
	}
	soft := tr.r.AlphaAtTg(now + cure.FirmAboveK - cure.SoftensK)
	softHard := tr.r.AlphaAtTg(cure.WorkC(now) + cure.HardAboveK - cure.SoftensK)
	for j, a := range tr.alpha {
		bit := uint32(1) << j
		if a >= firm {
			tr.firm |= bit
		} else if a < soft && tr.firm&bit != 0 {
			tr.firm &^= bit
			if j == nodeN/2 {
				tr.softened, tr.softenedC = tr.t, now
			}
		}
		if a >= hard {
			tr.hard |= bit
		} else if a < softHard {
			tr.hard &^= bit
		}
	}
}

// surface adds to the blush index and notes water on the panel.
func (tr *Track) surface(t0, t float64, was *[nodeN]float64, c float64, p *Point) {
	if t <= tr.applied || math.IsNaN(p.VapourPa) {
		return
	}
	dt := t - max(t0, tr.applied)
	es := air.VapourPressure(c)
	wet := p.VapourPa >= es
	x := max(0, (100*p.VapourPa/es-40)/45)
	f := min(4, x*x)
	if wet {
		f = 4
	}
	co2 := p.CO2
	if math.IsNaN(co2) {
		co2 = tr.warmCO2
	}
	k := tr.r.Skin / (jHours * 3600) * f * math.Sqrt(co2/defCO2) * dt
	vit := tr.r.AlphaAtTg(c)
	matters, trouble := false, false
	for j := range tr.alpha {
		a := tr.alpha[j]
		if wet && a < amineGone && tr.condensed&(1<<j) == 0 {
			tr.condensed |= 1 << j
			if j == nodeN/2 {
				tr.dew = t
			}
		}
		if a >= amineGone || a >= vit {
			continue
		}
		matters = true
		m := 1 - (was[j]+a)/2
		tr.j[j] += k * m * m
		if j == nodeN/2 && (wet || tr.j[j] > 1) {
			trouble = true
		}
	}
	if matters {
		tr.humid += dt
	}
	if trouble || wet && tr.alpha[nodeN/2] < amineGone {
		tr.drops = extend(tr.drops, tr.moment(max(t0, tr.applied)), tr.moment(t))
	}
}

// gas keeps how far the panel warmed while the coat could still be blown
// through.
func (tr *Track) gas() {
	now := tr.NowC()
	if !tr.fallen || now < tr.lowC {
		tr.fallen, tr.lowC = true, now
	}
	up := now - tr.lowC
	for j, a := range tr.alpha {
		if a < outAlpha && up > tr.rise[j] {
			tr.rise[j] = up
		}
	}
}

// TempSD is the standard deviation of ln κ that stands for doubt in the
// temperatures so far: the probe's own accuracy (K), a stand-in for a probe,
// bridged gaps, and a fitted resin's activation energy away from 25 °C.
func (tr *Track) TempSD(probeSDK float64) float64 {
	perK := tr.r.E2 / (cure.GasConstant * 293.15 * 293.15)
	v := probeSDK * perK * probeSDK * perK
	if tr.wSum > 0 {
		a, g := tr.wAir/tr.wSum, tr.wGap/tr.wSum
		// The sheet's rate holds at 25 °C; away from it the activation
		// energy's doubt counts.
		e := tr.r.SD[cure.SDE] * tr.wE / tr.wSum
		v += a*a + g*g + e*e
	}
	return math.Sqrt(v)
}

// gapSD is the part of [Track.TempSD] that comes from bridged gaps.
func (tr *Track) gapSD() float64 {
	if tr.wSum > 0 {
		return tr.wGap / tr.wSum
	}
	return 0
}

// Alpha returns the degree of cure for a rate factor.
func (tr *Track) Alpha(lnKappa float64) float64 { return at(&tr.alpha, lnKappa) }

// BlushIndex returns the blush index for a rate factor.
func (tr *Track) BlushIndex(lnKappa float64) float64 { return max(at(&tr.j, lnKappa), 0) }

// TempC is the panel's temperature at the last point, °C.
func (tr *Track) TempC() float64 { return tr.c }

// Resin is what the coat is made of.
func (tr *Track) Resin() *cure.Resin { return tr.r }

// NowC is the panel's mean of the last ten minutes, °C.
func (tr *Track) NowC() float64 { return tr.path.NowC() }

// lesser is the alpha and the marks that permissions go by.
func (tr *Track) lesser() (*[nodeN]float64, *rails) {
	if tr.split {
		return &tr.less, &tr.low
	}
	return &tr.alpha, &tr.law
}
