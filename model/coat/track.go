package coat

import (
	"math"
	"slices"
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
	meanS     = 600.0  // T_now is the mean of this long, s
	dayS      = 86400.0
	amineGone = 0.75 // α from which the skin no longer blushes
	jHours    = 4.0
	outAlpha  = 0.40 // out-gassing matters until here
	defCO2    = 420.0
	heaterCO2 = 5000.0
)

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

	alpha [nodeN]float64
	when  [numMarks][nodeN]float64 // s after mixed; +Inf before
	j     [nodeN]float64           // blush index
	rise  [nodeN]float64           // K that the panel warmed while α < .4
	cold, condensed,
	firm, hard uint32 // latches, a bit a node
	softened float64 // when the median node last softened; NaN never
	// coldAt and warmAt are when a node first was cold glass and when it last
	// ceased to be, s after mixed; +Inf and 0 for never.
	coldAt, warmAt [nodeN]float64

	nowC, refC, lowC float64
	fallen           bool // lowC is set

	// Ages in s at the named temperatures.
	age20, ageRecoat, ageHandle float64
	recoatAt, handleAt          float64 // when the sheet's limits passed; +Inf

	debtBelow, debtAbove float64 // s outside the resin's range, not yet made up
	below, above         float64 // s outside it in all, while some is not made up
	warm7                float64 // s at 20 °C and above
	degraded             float64
	probeS               float64 // s with the panel's own probe
	humid                float64 // s with humidity known while it matters
	dew                  float64 // when it first condensed; +Inf
	points               int

	wSum, wAir, wGap, wE float64

	recent []mean // for T_now
	high   []peak // for T_ref, falling values
	gaps   []Span
	drops  []Span
	out    []Span // outside the resin's range, or not inside for as long since
	watch  []Feel
	felt   int // finger tests passed
	seen   []Snapshot
}

type mean struct{ t, sum, c float64 } // sum is the integral of temperature up to t
type peak struct{ t, c float64 }

// TrackOptions say what a coat's track begins with.
type TrackOptions struct {
	Resin      *cure.Resin
	Integrator *cure.Integrator // of the same resin; nil makes one
	Mixed      time.Time        // α = 0 here
	Applied    time.Time        // the panel's temperature counts from here
	FuelHeater bool             // carbon dioxide where it is not measured
	Feels      []Feel           // finger tests on this coat, in order of time
}

// NewTrack begins a coat.
func NewTrack(o TrackOptions) *Track {
	tr := &Track{r: o.Resin, it: o.Integrator, mixed: o.Mixed, appliedAt: o.Applied, applied: o.Applied.Sub(o.Mixed).Seconds(),
		warmCO2: defCO2, softened: math.NaN(), recoatAt: math.Inf(1), handleAt: math.Inf(1), dew: math.Inf(1),
		watch: o.Feels}
	if tr.it == nil {
		tr.it = cure.NewIntegrator(*o.Resin)
	}
	if o.FuelHeater {
		tr.warmCO2 = heaterCO2
	}
	for m := range tr.when {
		for j := range tr.when[m] {
			tr.when[m][j] = math.Inf(1)
		}
	}
	for j := range tr.coldAt {
		tr.coldAt[j] = math.Inf(1)
	}
	return tr
}

// CopyTo makes dst an independent copy, keeping dst's buffers.
func (tr *Track) CopyTo(dst *Track) {
	recent, high, gaps, drops, out, seen := dst.recent, dst.high, dst.gaps, dst.drops, dst.out, dst.seen
	*dst = *tr
	dst.recent = append(recent[:0], tr.recent...)
	dst.high = append(high[:0], tr.high...)
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
	tr.remember(0, cupC)
	tr.nowC, tr.refC = cupC, cupC
}

// Apply puts the resin on the panel, which is at panelC then; before are the
// panel's temperatures of the last minutes, for the ten-minute mean.
func (tr *Track) Apply(panelC float64, before []Point) {
	tr.begun = true
	tr.t, tr.c = tr.applied, panelC
	tr.recent = tr.recent[:0]
	for _, p := range before {
		tr.remember(p.At.Sub(tr.mixed).Seconds(), p.TempC)
	}
	tr.remember(tr.applied, panelC)
	tr.high = tr.high[:0]
	tr.nowC = tr.tenMinutes()
	tr.refC = tr.nowC
}

// remember keeps the integral of temperature for the ten-minute mean.
func (tr *Track) remember(t, c float64) {
	n := len(tr.recent)
	if n == 0 {
		tr.recent = append(tr.recent, mean{t, 0, c})
		return
	}
	last := tr.recent[n-1]
	if t <= last.t {
		return
	}
	tr.recent = append(tr.recent, mean{t, last.sum + (t-last.t)*(c+last.c)/2, c})
	// Drop what is older than the window, keeping one point before it.
	k := 0
	for k+1 < len(tr.recent) && tr.recent[k+1].t <= t-meanS {
		k++
	}
	if k > 0 {
		tr.recent = slices.Delete(tr.recent, 0, k)
	}
}

// tenMinutes is the mean of the last ten minutes, or of what there is.
func (tr *Track) tenMinutes() float64 {
	last := tr.recent[len(tr.recent)-1]
	from := last.t - meanS
	first := tr.recent[0]
	if first.t >= from {
		if last.t <= first.t {
			return last.c
		}
		return (last.sum - first.sum) / (last.t - first.t)
	}
	next := tr.recent[1]
	d := from - first.t
	c := first.c + (next.c-first.c)*d/(next.t-first.t)
	return (last.sum - first.sum - d*(first.c+c)/2) / meanS
}

// reference is T_ref: a cold night must not make a coat hard, a hot post-cure
// must not delay it.
func (tr *Track) reference(t, nowC float64) float64 {
	if t < tr.applied {
		return nowC
	}
	for len(tr.high) > 0 && tr.high[0].t < t-dayS {
		tr.high = slices.Delete(tr.high, 0, 1)
	}
	n := len(tr.high)
	for n > 0 && tr.high[n-1].c <= nowC {
		n--
	}
	tr.high = tr.high[:n]
	// One entry a ten minutes is enough to remember a day by.
	if n == 0 || t-tr.high[n-1].t >= meanS {
		tr.high = append(tr.high, peak{t, nowC})
	}
	return max(nowC, min(tr.high[0].c, refCapC))
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
	}
	t0, c0, dt := tr.t, tr.c, t-tr.t
	longest := pieceS
	if t-tr.applied > oldS {
		longest = oldPieceS
	}
	n := math.Ceil(dt / longest)
	for i := 1.0; i <= n; i++ {
		f := i / n
		tr.piece(t0+f*dt, c0+f*(p.TempC-c0), &p)
	}
	tr.t, tr.c = t, p.TempC
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
	s.alpha, s.j, s.nowC, s.condensed, s.source = cp.alpha, cp.j, cp.nowC, cp.condensed, p.Source
	s.tempSD, s.gapSD = cp.TempSD(0), cp.gapSD()
	tr.seen = append(tr.seen, s)
	// The finger has spoken: the time outside the range is made up.
	tr.debtBelow, tr.debtAbove, tr.below, tr.above = 0, 0, 0, 0
}

// piece moves everything to t (s) at which the panel is at c (°C).
func (tr *Track) piece(t, c float64, p *Point) {
	r := tr.r
	t0, c0 := tr.t, tr.c
	dt := t - t0
	if !(dt > 0) {
		return
	}
	was := tr.alpha
	tr.it.Advance(tr.alpha[:], nodeKappa[:], dt, c0, c)
	tr.t, tr.c = t, c
	tr.remember(t, c)
	now0, ref0 := tr.nowC, tr.refC
	tr.nowC = tr.tenMinutes()
	tr.refC = tr.reference(t, tr.nowC)
	mid := (c0 + c) / 2
	weight := dt * r.AgeFactor(mid, handleTempC)
	tr.age20 += weight
	if tr.t > tr.applied {
		tr.account(t0, t, mid, weight, p)
	}
	if u := r.RecoatUntil; u != nil {
		tr.passed(&tr.ageRecoat, &tr.recoatAt, r.AgeFactor(mid, u.TempC), u.Hours*3600, t0, dt)
	}
	if h := r.Handle; h != nil {
		tr.passed(&tr.ageHandle, &tr.handleAt, r.AgeFactor(mid, h.TempC), h.Hours*3600, t0, dt)
	} else {
		tr.passed(&tr.ageHandle, &tr.handleAt, r.AgeFactor(mid, handleTempC), handleHours*3600, t0, dt)
	}
	tr.marks(t0, dt, &was, now0, ref0)
	tr.surface(t0, t, &was, c, p)
	if t > tr.applied {
		tr.gas(t)
	}
}

// claimed appends a stretch of the past to the strip, less what was not known
// then: cold glass, and green and above outside the resin's range.
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
	if !math.IsInf(tr.coldAt[j], 1) {
		cold = Span{tr.moment(tr.coldAt[j]), tr.moment(tr.warmAt[j])}
		if tr.cold&(1<<j) != 0 {
			cold.To = s.To
		}
	}
	if s.State.Rank() >= Green.Rank() {
		for _, o := range tr.out {
			if cold.From.Before(o.From) {
				none(cold)
			}
			none(o)
		}
	}
	none(cold)
	if s.To.After(s.From) {
		to = append(to, s)
	}
	return to
}

func (tr *Track) passed(age, at *float64, factor, limit, t0, dt float64) {
	was := *age
	*age += factor * dt
	if math.IsInf(*at, 1) && *age >= limit {
		*at = t0 + dt*(limit-was)/(*age-was)
	}
}

// account keeps what does not depend on the rate factor.
func (tr *Track) account(t0, t, mid, weight float64, p *Point) {
	dt := t - max(t0, tr.applied)
	switch p.Source {
	case FromProbe:
		tr.probeS += dt
	default:
		tr.degraded += dt
	}
	tr.wSum += weight
	tr.wE += weight * (1/(mid+273.15) - 1/298.15) / cure.GasConstant
	doubt := weight * p.SDK * tr.r.E2 / (cure.GasConstant * (mid + 273.15) * (mid + 273.15))
	switch p.Source {
	case FromAir:
		tr.wAir += doubt
	case Bridged:
		tr.wGap += doubt
		from, to := tr.moment(max(t0, tr.applied)), tr.moment(t)
		tr.gaps = extend(tr.gaps, from, to)
	}
	low, high := tr.r.MinC, tr.r.MaxC
	owed := tr.debtBelow > 0 || tr.debtAbove > 0
	switch {
	case mid < low:
		tr.debtBelow += dt
		tr.below += dt
	case mid > high:
		tr.debtAbove += dt
		tr.above += dt
	default:
		if tr.debtBelow = max(0, tr.debtBelow-dt); tr.debtBelow == 0 {
			tr.below = 0
		}
		if tr.debtAbove = max(0, tr.debtAbove-dt); tr.debtAbove == 0 {
			tr.above = 0
		}
	}
	if owed || tr.debtBelow > 0 || tr.debtAbove > 0 {
		// A breath inside the range between two stretches is not worth a line.
		from := tr.moment(max(t0, tr.applied))
		if n := len(tr.out); n > 0 && from.Sub(tr.out[n-1].To) < meanS*time.Second {
			from = tr.out[n-1].To
		}
		tr.out = extend(tr.out, from, tr.moment(t))
	}
	if tr.nowC >= 20 {
		tr.warm7 += dt
	}
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

// marks notes first crossings within the piece and moves the latches. The
// degree of cure and the thresholds are taken as straight lines within it.
func (tr *Track) marks(t0, dt float64, was *[nodeN]float64, now0, ref0 float64) {
	r := tr.r
	green0 := max(r.AlphaGel, r.AlphaAtTg(now0-greenBelowK))
	green1 := max(r.AlphaGel, r.AlphaAtTg(tr.nowC-greenBelowK))
	firm0, firm1 := max(r.AlphaGel, r.AlphaAtTg(ref0)), max(r.AlphaGel, r.AlphaAtTg(tr.refC))
	hard0, hard1 := max(r.AlphaGel, r.AlphaAtTg(ref0+hardAboveK)), max(r.AlphaGel, r.AlphaAtTg(tr.refC+hardAboveK))
	soft, softHard := r.AlphaAtTg(tr.refC-hysteresisK), r.AlphaAtTg(tr.refC+hardAboveK-hysteresisK)
	coldSet, coldClear := r.AlphaAtTg(tr.nowC+hysteresisK), r.AlphaAtTg(tr.nowC-hysteresisK)
	for j := range tr.alpha {
		a0, a1 := was[j], tr.alpha[j]
		tr.cross(MarkTacky, j, t0, dt, a0-alphaTacky, a1-alphaTacky)
		tr.cross(MarkOpens, j, t0, dt, a0-alphaOpens, a1-alphaOpens)
		tr.cross(MarkGreen, j, t0, dt, a0-green0, a1-green1)
		tr.cross(MarkFirm, j, t0, dt, a0-firm0, a1-firm1)
		tr.cross(MarkHard, j, t0, dt, a0-hard0, a1-hard1)
		if math.IsInf(tr.when[MarkCloses][j], 1) {
			if at := min(tr.when[MarkFirm][j], tr.recoatAt); at <= t0+dt {
				tr.when[MarkCloses][j] = at
			}
		}
		if math.IsInf(tr.when[MarkHandle][j], 1) {
			if at := max(tr.when[MarkHard][j], tr.handleAt); at <= t0+dt {
				tr.when[MarkHandle][j] = at
			}
		}
		bit := uint32(1) << j
		if a1 >= firm1 {
			tr.firm |= bit
		} else if a1 < soft && tr.firm&bit != 0 {
			tr.firm &^= bit
			if j == nodeN/2 {
				tr.softened = t0 + dt
			}
		}
		if a1 >= hard1 {
			tr.hard |= bit
		} else if a1 < softHard {
			tr.hard &^= bit
		}
		if a1 < r.AlphaGel && a1 >= coldSet {
			if tr.cold&bit == 0 {
				tr.coldAt[j] = min(tr.coldAt[j], t0+dt)
			}
			tr.cold |= bit
		} else if a1 >= r.AlphaGel && a1 < coldClear && tr.cold&bit != 0 {
			tr.cold &^= bit
			tr.warmAt[j] = t0 + dt
		}
	}
}

func (tr *Track) cross(m Mark, j int, t0, dt, d0, d1 float64) {
	if d1 < 0 || !math.IsInf(tr.when[m][j], 1) {
		return
	}
	f := 0.0
	if d0 < 0 {
		f = d0 / (d0 - d1)
	}
	tr.when[m][j] = t0 + f*dt
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
func (tr *Track) gas(float64) {
	if !tr.fallen || tr.nowC < tr.lowC {
		tr.fallen, tr.lowC = true, tr.nowC
	}
	up := tr.nowC - tr.lowC
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
func (tr *Track) NowC() float64 { return tr.nowC }

// DegradedMinutes since application without a trusted panel reading.
func (tr *Track) DegradedMinutes() float64 { return tr.degraded / 60 }
