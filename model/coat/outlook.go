// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"slices"
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
	past  [fanMarks][pastN]float64 // of that, by the root of its time
	path  cure.Path
	gauge cure.Gauge
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
	// From where on a forecast may go by half hours and by hours, s.
	halvesS, hoursS = 6 * 3600, 24 * 3600
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
	cdf   [fanMarks][]float64
	times [fanMarks][3]float64 // p10, p50, p90; +Inf where not reached
}

var bandQ = [3]float64{0.1, 0.5, 0.9}

// spreadOut integrates every path of the outlook, each with a film of its own,
// for the rate factors that carry weight, and gathers when each mark is passed.
func (ws *Workspace) spreadOut(tr *Track, b *Belief, o *Outlook) *fan {
	ws.steps.Prepare(tr.r)
	f := &fan{ws: ws, tr: tr, start: o.Start.Sub(tr.mixed).Seconds()}
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
	alpha [nodeN]float64
	marks [nodeN]cure.Marks
	left  int // the last node with a mark to pass: the fastest get hard first, and stand last
}

// step carries the nodes from n0 over the path's last stretch, dt seconds of
// which count, with the law at the beginning, middle and end of these.
func (rd *reading) step(s *cure.Stepper, g *cure.Gauge, n0 int, dt float64, l0, lm, l1 *cure.Law) {
	// One loop a stage, so that the nodes' divisions overlap.
	var first, now [nodeN]float64
	for j := n0; j <= rd.left; j++ {
		first[j] = s.First(rd.alpha[j], nodeKappa[j]*dt, l0)
	}
	for j := n0; j <= rd.left; j++ {
		now[j] = s.Step(rd.alpha[j], nodeKappa[j]*dt, first[j], lm, l1)
	}
	for j := n0; j <= rd.left; j++ {
		if m := &rd.marks[j]; !m.Done() {
			g.Mark(m, rd.alpha[j], first[j], now[j])
		}
		rd.alpha[j] = now[j]
	}
	for rd.left >= n0 && rd.marks[rd.left].Done() {
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
	law.alpha, law.left = tr.alpha, n1
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
		less.alpha, less.left = tr.less, n1
		for j := n0; j <= n1; j++ {
			less.marks[j] = cure.MarksFrom(tr.low.passed(j, z), 0)
		}
	}
	split = ws.run(f, film, path, dt, n0, n1, split)
	end := f.start + float64(max(len(path)-1, 0))*dt
	for j := n0; j <= n1; j++ {
		m := &law.marks[j]
		firm := min(m.When[cure.Firm], ws.path.RecoatAt)
		if math.IsInf(when[cure.Closes][j], 1) {
			when[cure.Closes][j] = firm
		}
		if math.IsInf(when[nextCloses][j], 1) {
			when[nextCloses][j] = firm
		}
		when[cure.Shut][j] = min(m.When[cure.Shut], ws.path.RecoatAt)
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
		if at := max(m.When[cure.Hard], ws.path.HandleAt); at <= max(end, f.start) {
			when[cure.Handle][j] = at
		}
	}
}

// run integrates one film's path from the track's place, under the law and,
// once the two differ, the lesser reading; it reports whether they do.
func (ws *Workspace) run(f *fan, film cure.Film, path []float32, dt float64, n0, n1 int, split bool) bool {
	r, s := f.tr.r, &ws.steps
	ws.path = f.tr.path
	p, g := &ws.path, &ws.gauge
	if len(path) < 2 {
		return split
	}
	g.Reset(p, film)
	law, less := &ws.law, &ws.less
	passing := func() bool { return law.left >= n0 || split && less.left >= n0 } // a mark is ahead
	c0 := float64(path[0])
	l0 := s.Law(c0)
	for k, by := 1, 1; k < len(path); k += by {
		c := float64(path[k])
		h := dt * float64(by)
		lm, l1 := s.Law((c0+c)/2), s.Law(c)
		p.To(f.start+float64(k)*dt, c, lm.K2)
		if passing() {
			g.Prepare()
		}
		x0, x1 := 0.0, 1.0
		if f.law {
			x0, x1 = p.Inside()
		}
		whole := x0 == 0 && x1 == 1
		if !whole && !split {
			split, ws.less = true, ws.law
			for j := n0; j <= n1; j++ {
				if m := &less.marks[j]; ws.firm[j] < m.When[cure.Firm] {
					m.When[cure.Firm] = ws.firm[j]
					*m = cure.MarksFrom(m.When, m.Glass)
				}
			}
		}
		law.step(s, g, n0, h, &l0, &lm, &l1)
		switch {
		case split && whole:
			less.step(s, g, n0, h, &l0, &lm, &l1)
		case split:
			b0, bm, b1 := s.Law(c0+x0*(c-c0)), s.Law(c0+(x0+x1)/2*(c-c0)), s.Law(c0+x1*(c-c0))
			less.step(s, g, n0, h*(x1-x0), &b0, &bm, &b1)
		}
		if !passing() && !math.IsInf(p.HandleAt, 1) && (r.RecoatUntil == nil || !math.IsInf(p.RecoatAt, 1)) {
			break
		}
		c0, l0 = c, l1
		// What is left some hours from now comes slowly, and longer steps will do,
		// but not where the panel's temperature turns or crosses the edge of the
		// resin's range. Where only the handling age is left nothing but its sum
		// counts.
		by = 1
		age := !passing() && !f.law
		switch ahead := float64(k) * dt; {
		case age, ahead >= hoursS:
			by = 4
		case ahead >= halvesS:
			by = 2
		}
		for by > 1 && !(k+by < len(path) && (len(path)-1-k)%by == 0 &&
			(age || straight(path[k:k+by+1]) && !(f.law && crosses(r, path[k:k+by+1])))) {
			by /= 2
		}
	}
	return split
}

// straight reports whether temperatures lie within .1 K of a line through the
// first and the last.
func straight(c []float32) bool {
	n := len(c) - 1
	by := (c[n] - c[0]) / float32(n)
	for i := 1; i < n; i++ {
		if d := c[i] - c[0] - float32(i)*by; d > .1 || d < -.1 {
			return false
		}
	}
	return true
}

// crosses reports whether the resin's least or greatest panel temperature lies
// between those given.
func crosses(r *cure.Resin, c []float32) bool {
	lo, hi := float64(slices.Min(c)), float64(slices.Max(c))
	return lo < r.MinC && r.MinC < hi || lo < r.MaxC && r.MaxC < hi
}

// gather adds one path's times, weighed by the rate factors, to the
// distributions. Each grid point stands for the cell around it, so that its
// weight lies spread between the times of the cell's ends.
func (f *fan) gather(when *times, w *Weights, lo, hi int, scale float64) {
	for m := range when {
		if !f.law && cure.Mark(m) >= lawTacky {
			break
		}
		v := &when[m]
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
	a, b := (early-f.start)/binS, (late-f.start)/binS
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
		density, sum := 0.0, f.ws.mass[m]
		for i := range d {
			density += d[i]
			sum += density
			d[i] = sum
		}
		f.cdf[m] = d
	}
	if !f.law {
		f.cdf[lawTacky], f.cdf[lawGreen] = f.cdf[cure.Tacky], f.cdf[cure.Green]
		f.ws.mass[lawTacky], f.ws.mass[lawGreen] = f.ws.mass[cure.Tacky], f.ws.mass[cure.Green]
		f.ws.past[lawTacky], f.ws.past[lawGreen] = f.ws.past[cure.Tacky], f.ws.past[cure.Green]
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
				if !f.law && f.tr.r.RecoatUntil == nil {
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
		sum := 0.0
		for i, x := range &f.ws.past[m] {
			if sum+x >= q && x > 0 {
				y := (float64(i) + (q-sum)/x) / pastN
				return f.start * y * y, true
			}
			sum += x
		}
		return f.start, true
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
		sum, y := 0.0, pastN*math.Sqrt(max(t, 0)/f.start)
		for i, w := range &f.ws.past[m] {
			if i := float64(i); i >= y {
				break
			} else if i+1 > y {
				w *= y - i
			}
			sum += w
		}
		return sum
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
