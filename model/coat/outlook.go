// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"sort"
	"time"

	"curewright/model/cure"
)

// Outlook is an ensemble of what the panel's temperature may do, in equal
// steps from Start.
type Outlook struct {
	Start time.Time
	StepS float64
	Paths int
	Len   int       // temperatures a path, the first at Start
	TempC []float32 // path by path
	// VapourPa is the vapour pressure of the air, taken as it is now; NaN
	// where not measured.
	VapourPa float64
}

func (o *Outlook) path(p int) []float32 { return o.TempC[p*o.Len : (p+1)*o.Len] }

// At is a path's temperature at a number of steps from Start, linear between
// them.
func (o *Outlook) At(path int, steps float64) float64 {
	row := o.path(path)
	i := min(max(int(steps), 0), o.Len-1)
	k := min(i+1, o.Len-1)
	f := min(max(steps-float64(i), 0), 1)
	return float64(row[i]) + f*(float64(row[k])-float64(row[i]))
}

// What a fan tells the time of, beside cure's marks.
const (
	// nextCloses is the next time that the recoat window closes: now where it
	// is closed, else when the glass next feels firm, or the sheet's limit.
	nextCloses = cure.NumMarks + iota
	// By the law alone, as what closes the windows for cloth and wet on wet.
	lawTacky
	lawGreen
	fanMarks
)

// Workspace is scratch of a full estimate, to be reused: an estimate then
// allocates little. It must not be used by two goroutines at once.
type Workspace struct {
	steps cure.Stepper
	dens  [fanMarks][]float64      // difference of density by bin
	mass  [fanMarks]float64        // of what has passed already
	past  [fanMarks][pastN]float64 // of that, by the root of its time; added up once all is there
	gauge cure.Gauge
	way   cure.Course
	// A film's coat by the law, and as if nothing were gained outside the
	// resin's range.
	law, less reading
	firm      [nodeN]float64 // when it first was firm, where that is past
	old       *Workspace     // for the oldest resin, where it differs
	// Spread are the quantiles at which an estimate tells the times of green and
	// closing; none asked for where nil.
	Spread []float64
}

const (
	binS  = 120.0
	pastN = 512
	// Rate factors beyond this much of the belief, on either side, are left out
	// of a forecast.
	tailCut = 5e-3
)

// times is when one film passes each mark, a rate factor at a time.
type times [fanMarks][nodeN]float64

// fan is the joint of temperatures to come, films and rate factors: for each
// mark the distribution of its time.
type fan struct {
	ws    *Workspace
	tr    *Track
	start float64 // s after mixing of the outlook's start
	bins  int
	law   bool // whether the law's own tacky and green differ
	// Each rate factor's reduced time at the start, by the law and the lesser.
	y, less [nodeN]float64
	cdf     [fanMarks][]float64
	times   [fanMarks][3]float64 // p10, p50, p90; +Inf where not reached
}

var bandQ = [3]float64{0.1, 0.5, 0.9}

// fan begins one at the track's place; start is in s after mixing.
func (ws *Workspace) fan(tr *Track, start float64) *fan {
	ws.steps.Prepare(tr.r)
	f := &fan{ws: ws, tr: tr, start: start}
	for j, a := range tr.alpha {
		f.y[j], f.less[j] = ws.steps.Reduced(a), ws.steps.Reduced(tr.less[j])
	}
	return f
}

// spreadOut integrates every path of the outlook, each with a film of its own,
// for the rate factors that carry weight, and gathers when each mark is passed.
func (ws *Workspace) spreadOut(tr *Track, b *Belief, o *Outlook) *fan {
	f := ws.fan(tr, o.Start.Sub(tr.mixed).Seconds())
	f.bins = int(math.Ceil(float64(max(o.Len-1, 0))*o.StepS/binS)) + 1
	for m := range ws.dens {
		if cap(ws.dens[m]) < f.bins+3 {
			ws.dens[m] = make([]float64, f.bins+3)
		}
		ws.dens[m] = ws.dens[m][:f.bins+3]
		clear(ws.dens[m])
		ws.mass[m] = 0
		clear(ws.past[m][:])
	}
	// The grid points that carry weight, and the nodes around them.
	w := &b.W
	lo, hi := 0, gridN-1
	for sum := 0.0; lo < gridN-1 && sum+w[lo] < tailCut; lo++ {
		sum += w[lo]
	}
	for sum := 0.0; hi > 0 && sum+w[hi] < tailCut; hi-- {
		sum += w[hi]
	}
	n0, n1 := cubic[lo].first, cubic[hi].first+3
	paths := o.Paths
	if o.Len < 2 {
		paths = 0
	}
	n := max(paths, filmN)
	f.law = tr.split
	for p := 0; p < paths && !f.law; p++ {
		for _, c := range o.path(p) {
			if c := float64(c); c < tr.r.MinC || c > tr.r.MaxC {
				f.law = true
				break
			}
		}
	}
	var when times
	for p := range n {
		z, wp := &filmZ[p%filmN], w
		if b.Films != nil {
			z, wp = &b.Films[p%filmN].z, &b.Films[p%filmN].w
		}
		var path []float32
		if paths > 0 {
			path = o.path(p % paths)
		}
		ws.follow(f, z, path, o.StepS, n0, n1, &when)
		total := 0.0
		for i := lo; i <= hi; i++ {
			total += wp[i]
		}
		if total > 0 {
			f.gather(&when, wp, lo, hi, 1/(total*float64(n)))
		}
	}
	return f
}

// between reads off the rails when a film with offset z passed a mark; +Inf
// where it did not for sure.
func (r *rails) between(m cure.Mark, j int, z float64) float64 {
	x := (z - railZ[0]) / (railZ[1] - railZ[0])
	k := min(max(int(x), 0), railN-2)
	a, b := r[k][j].When[m], r[k+1][j].When[m]
	f := min(max(x-float64(k), 0), 1)
	switch {
	case f == 0:
		return a
	case math.IsInf(b, 1):
		return b
	}
	t := a + f*(b-a)
	// The bend, from the rail beyond: late marks come ever later.
	if k > 0 {
		t -= f * (1 - f) / 2 * (b - 2*a + r[k-1][j].When[m])
	} else if c := r[k+2][j].When[m]; !math.IsInf(c, 1) {
		t -= f * (1 - f) / 2 * (c - 2*b + a)
	}
	return min(max(t, a), b)
}

// reading is a film's coat under one reading of the time that its panel spends
// outside the resin's range.
type reading struct {
	y     [nodeN]float64 // reduced time
	marks [nodeN]cure.Marks
	left  int // the last node with a mark to pass: the fastest get hard first, and stand last
}

// carry moves the nodes from n0 over the course's stretch.
func (rd *reading) carry(c *cure.Course, w *cure.Way, n0 int) {
	if rd.left >= n0 {
		c.CarryAll(w, rd.marks[n0:rd.left+1], rd.y[n0:rd.left+1], nodeKappa[n0:rd.left+1])
	}
	for rd.left >= n0 && c.Done(&rd.marks[rd.left]) {
		rd.left--
	}
}

// passed are the marks that a film with offsets z has passed already.
func (r *rails) passed(j int, z *offsets) (past [int(cure.Hard) + 1]float64) {
	for m := range past {
		past[m] = r.between(cure.Mark(m), j, z[zOf(cure.Mark(m))])
	}
	return past
}

// follow carries one film along one path for the nodes n0 to n1.
func (ws *Workspace) follow(f *fan, z *offsets, path []float32, dt float64, n0, n1 int, when *times) {
	tr := f.tr
	r := tr.r
	film := z.film()
	ws.gauge.Reset(&tr.path, film)
	now := tr.NowC()
	firmNow := ws.gauge.Level(cure.Firm)
	soft := max(r.AlphaGel+film.Gel, r.AlphaAtTg(now+cure.FirmAboveK+film.FirmK-cure.SoftensK))
	law, less := &ws.law, &ws.less
	law.y, law.left = f.y, n1
	for j := n0; j <= n1; j++ {
		past := tr.law.passed(j, z)
		ws.firm[j] = past[cure.Firm]
		a := tr.alpha[j]
		first := min(past[cure.Firm], tr.path.RecoatAt)
		when[cure.Closes][j], when[nextCloses][j] = first, math.Inf(1)
		switch {
		case a >= firmNow, a >= soft && tr.firm&(1<<j) != 0, !math.IsInf(past[cure.Shut], 1), !math.IsInf(tr.path.RecoatAt, 1),
			ws.gauge.Cold(a):
			when[nextCloses][j] = min(first, f.start)
		default: // where it came open again, the next time counts
			past[cure.Firm] = math.Inf(1)
		}
		law.marks[j] = cure.MarksFrom(past, 0)
	}
	split := f.law && tr.split
	if split {
		less.y, less.left = f.less, n1
		for j := n0; j <= n1; j++ {
			less.marks[j] = cure.MarksFrom(tr.low.passed(j, z), 0)
		}
	}
	split = ws.run(f, path, dt, n0, n1, split)
	end := f.start + float64(max(len(path)-1, 0))*dt
	for j := n0; j <= n1; j++ {
		m := &law.marks[j]
		firm := min(m.When[cure.Firm], ws.way.RecoatAt)
		if math.IsInf(when[cure.Closes][j], 1) {
			when[cure.Closes][j] = firm
		}
		if math.IsInf(when[nextCloses][j], 1) {
			when[nextCloses][j] = firm
		}
		when[cure.Shut][j] = min(m.When[cure.Shut], ws.way.RecoatAt)
		when[lawTacky][j], when[lawGreen][j] = m.When[cure.Tacky], m.When[cure.Green]
		if split {
			m = &less.marks[j]
		} else {
			m.When[cure.Firm] = min(m.When[cure.Firm], ws.firm[j])
		}
		for _, k := range [...]cure.Mark{cure.Tacky, cure.Opens, cure.Green, cure.Firm, cure.Hard} {
			when[k][j] = m.When[k]
		}
		when[cure.Handle][j] = math.Inf(1)
		if at := max(m.When[cure.Hard], ws.way.HandleAt); at <= max(end, f.start) {
			when[cure.Handle][j] = at
		}
	}
}

// run integrates the gauge's film along one path from the track's place, under the
// law and, once the two differ, the lesser reading; it reports whether they do.
func (ws *Workspace) run(f *fan, path []float32, dt float64, n0, n1 int, split bool) bool {
	law, less, way := &ws.law, &ws.less, &ws.way
	last := cure.Firm
	if !math.IsInf(law.marks[n1].When[cure.Shut], 1) {
		last = cure.Shut // of which only what has passed is asked, and how far it came
	}
	way.Begin(&ws.steps, &f.tr.path, &ws.gauge, path, f.start, dt, f.law, last)
	for (law.left >= n0 || split && less.left >= n0) && way.Next() {
		if !way.Whole && !split {
			split, ws.less = true, ws.law
			for j := n0; j <= n1; j++ {
				if m := &less.marks[j]; ws.firm[j] < m.When[cure.Firm] {
					m.When[cure.Firm] = ws.firm[j]
					*m = cure.MarksFrom(m.When, m.Glass)
				}
			}
		}
		law.carry(way, &way.Law, n0)
		if split {
			less.carry(way, &way.Less, n0)
		}
	}
	way.Age()
	return split
}

// firmCloses says that firm is what closes the window, and nothing else.
func (f *fan) firmCloses() bool { return !f.law && f.tr.r.RecoatUntil == nil }

// gather adds one path's times, weighed by the rate factors, to the
// distributions. Each grid point stands for the cell around it, so that its
// weight lies spread between the times of the cell's ends.
func (f *fan) gather(when *times, w *Weights, lo, hi int, scale float64) {
	for m := range when {
		if !f.law && cure.Mark(m) >= lawTacky {
			break
		}
		v := &when[m]
		switch cure.Mark(m) {
		case cure.Closes:
			if f.firmCloses() {
				continue
			}
		case cure.Shut: // of which only what has passed is asked
			if gridTime(v, hi) > f.start {
				continue
			}
		}
		prev := math.NaN() // time at the lower edge of this cell (later)
		t := gridTime(v, lo)
		for i := lo; i <= hi; i++ {
			next := math.Inf(1)
			if i < gridN-1 {
				next = gridTime(v, i+1)
			}
			early := (t + next) / 2
			if math.IsInf(next, 1) || i == hi {
				early = t
			}
			late := prev
			if math.IsNaN(late) {
				late = t
			}
			prev = early
			if math.IsInf(t, 1) {
				prev = math.NaN()
			} else {
				f.put(cure.Mark(m), early, late, w[i]*scale)
			}
			t = next
		}
	}
}

// gridTime is a mark's time at a grid point; +Inf when a neighbouring node
// never passes it.
func gridTime(v *[nodeN]float64, i int) float64 {
	j := i / perNode
	k := i % perNode
	if k == 0 {
		return v[j]
	}
	if math.IsInf(v[j], 1) || math.IsInf(v[j+1], 1) {
		return math.Inf(1)
	}
	if c := &cubic[i]; !math.IsInf(v[c.first], 1) && !math.IsInf(v[c.first+3], 1) {
		return spread(v, i)
	}
	x := float64(k) / perNode
	return v[j] + x*(v[j+1]-v[j])
}

func (f *fan) put(m cure.Mark, early, late, w float64) {
	if late < early {
		early, late = late, early
	}
	d := f.ws.dens[m]
	a, b := (early-f.start)*(1/binS), (late-f.start)*(1/binS)
	if b <= 0 {
		f.before(m, (early+late)/2, w)
		return
	}
	if b-a < 1e-3 {
		a = b - 1e-3
	}
	if a < 0 {
		f.before(m, (early+f.start)/2, w*(-a)/(b-a))
		w *= b / (b - a)
		a = 0
	}
	top := float64(len(d) - 3)
	if a >= top {
		return
	}
	if b > top {
		w *= (top - a) / (b - a)
		b = top
	}
	// Density w/(b−a) from a to b; its share of the first and last bin is
	// what the difference's fraction gives.
	h := w / (b - a)
	ia, ib := int(a), int(b)
	fa, fb := a-float64(ia), b-float64(ib)
	d[ia] += h * (1 - fa)
	d[ia+1] += h * fa
	d[ib] -= h * (1 - fb)
	d[ib+1] -= h * fb
}

// before adds what has passed already, at time t.
func (f *fan) before(m cure.Mark, t, w float64) {
	f.ws.mass[m] += w
	i := 0
	if f.start > 0 && t > 0 {
		i = min(int(pastN*math.Sqrt(t/f.start)), pastN-1)
	}
	f.ws.past[m][i] += w
}

// accumulate turns densities into distribution functions at the bins' ends.
func (f *fan) accumulate() {
	for m := range f.ws.dens {
		d := f.ws.dens[m]
		past := &f.ws.past[m]
		for i := 1; i < pastN; i++ {
			past[i] += past[i-1]
		}
		density, sum := 0.0, f.ws.mass[m]
		for i := range d {
			density += d[i]
			sum += density
			d[i] = sum
		}
		f.cdf[m] = d
	}
	same := func(m, as cure.Mark) {
		f.cdf[m], f.ws.mass[m], f.ws.past[m] = f.cdf[as], f.ws.mass[as], f.ws.past[as]
	}
	if !f.law {
		same(lawTacky, cure.Tacky)
		same(lawGreen, cure.Green)
	}
	if f.firmCloses() {
		same(cure.Closes, cure.Firm)
	}
	// Marks that nearly coincide may come out of interpolation a second out
	// of order.
	for i, q := range bandQ {
		floor := 0.0
		for m := range f.times {
			s, ok := f.quantile(cure.Mark(m), q)
			if !ok {
				s = math.Inf(1)
			}
			switch cure.Mark(m) {
			case cure.Shut:
				continue
			case cure.Tacky, cure.Opens, cure.Green, cure.Firm, cure.Hard, cure.Handle:
				s = max(s, floor)
				floor = s
			case cure.Closes:
				if f.firmCloses() {
					s = f.times[cure.Firm][i]
				}
			}
			if i > 0 {
				s = max(s, f.times[m][i-1])
			}
			f.times[m][i] = s
		}
	}
}

// tie is the probability within which two are the same: far above rounding,
// far below what a minute of any path weighs.
const tie = 1e-9

// quantile is the time, s after mixing, by which the mark has passed with
// probability q; false where that is not reached. Where just that share of the
// paths has passed it and the next passes later, it is the middle between the
// two, as a median is: else the last digit of a sum would say which.
func (f *fan) quantile(m cure.Mark, q float64) (float64, bool) {
	early, ok := f.reached(m, q-tie)
	if !ok {
		return early, ok
	}
	late, ok := f.reached(m, q+tie)
	if !ok {
		return early, true
	}
	return (early + late) / 2, true
}

// reached is the first time at which probability q is reached.
func (f *fan) reached(m cure.Mark, q float64) (float64, bool) {
	if q <= f.ws.mass[m] {
		past := f.ws.past[m][:]
		i, sum := sort.SearchFloat64s(past, q), 0.0
		if i == pastN {
			return f.start, true
		}
		if i > 0 {
			sum = past[i-1]
		}
		y := float64(i) / pastN
		if x := past[i] - sum; x > 0 {
			y += (q - sum) / x / pastN
		}
		return f.start * y * y, true
	}
	d := f.cdf[m]
	n := len(d) - 3
	lo, hi := 0, n // first bin whose end has q
	if n <= 0 || d[n-1] < q {
		return 0, false
	}
	for lo < hi {
		if k := (lo + hi) / 2; d[k] >= q {
			hi = k
		} else {
			lo = k + 1
		}
	}
	before := f.ws.mass[m]
	if lo > 0 {
		before = d[lo-1]
	}
	x := 1.0
	if d[lo] > before {
		x = (q - before) / (d[lo] - before)
	}
	return f.start + binS*(float64(lo)+x), true
}

// by is the probability that the mark has passed by t, s after mixing.
func (f *fan) by(m cure.Mark, t float64) float64 {
	x := (t - f.start) / binS
	if x < 0 {
		if t <= 0 {
			return 0 // before it was mixed
		}
		y, sum := pastN*math.Sqrt(t/f.start), 0.0
		i := min(int(y), pastN-1)
		if i > 0 {
			sum = f.ws.past[m][i-1]
		}
		return sum + (y-float64(i))*(f.ws.past[m][i]-sum)
	}
	d := f.cdf[m]
	i := int(x)
	if i >= len(d)-3 {
		return d[max(len(d)-4, 0)]
	}
	before := f.ws.mass[m]
	if i > 0 {
		before = d[i-1]
	}
	return before + (x-float64(i))*(d[i]-before)
}

// spread is a mark's time at each quantile, min after mixing.
func (f *fan) spread(m cure.Mark, qs []float64) (out []float64) {
	for _, q := range qs {
		s, ok := f.quantile(m, q)
		if !ok {
			s = math.Inf(1)
		}
		out = append(out, s/60)
	}
	return out
}

func (f *fan) band(m cure.Mark) TimeBand {
	get := func(s float64) *time.Time {
		if math.IsInf(s, 1) {
			return nil
		}
		t := f.tr.moment(s).Truncate(time.Second)
		return &t
	}
	b := f.times[m]
	return TimeBand{P10: get(b[0]), P50: get(b[1]), P90: get(b[2])}
}
