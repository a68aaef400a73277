package coat

import (
	"math"
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

// stepper moves a degree of cure over steps of a forecast with tables in
// place of exponentials.
type stepper struct {
	key   cure.Resin // without pointers, to know when to rebuild
	plain bool       // m = 1, n = 2
	// By α in steps of 1/tableN: exp((Tg−D)/W), α^m, (1−α)^n.
	g, am, an [tableN + 1]float64
	tg        [tableN + 1]float64
}

const tableN = 2048

func (s *stepper) prepare(r *cure.Resin) {
	key := *r
	key.RatioWeight, key.RatioVolume, key.RatioTolPct, key.RecoatUntil, key.Handle, key.SD = nil, nil, nil, nil, nil, nil
	key.PotLife, key.DensityResin, key.DensityHardener = nil, nil, nil
	if sameLaw(&s.key, &key) && s.g[0] != 0 {
		return
	}
	s.key = key
	s.plain = r.M == 1 && r.N == 2
	for i := range s.g {
		a := float64(i) / tableN
		tg := r.Tg(a)
		s.tg[i] = tg
		s.g[i] = math.Exp((tg - r.D) / r.W)
		s.am[i] = math.Pow(a, r.M)
		s.an[i] = math.Pow(1-a, r.N)
	}
}

func sameLaw(a, b *cure.Resin) bool {
	return a.A1 == b.A1 && a.A2 == b.A2 && a.E1 == b.E1 && a.E2 == b.E2 && a.M == b.M && a.N == b.N &&
		a.Tg0 == b.Tg0 && a.TgInf == b.TgInf && a.Lambda == b.Lambda && a.D == b.D && a.W == b.W
}

// law is the temperature's part of the rate: k1, k2 (1/s) and exp(−T/W).
type law struct{ k1, k2, h float64 }

func (s *stepper) law(r *cure.Resin, tC float64) law {
	x := -1 / (cure.GasConstant * (tC + 273.15))
	k2 := r.A2 * math.Exp(r.E2*x)
	k1 := r.A1 / r.A2 * k2
	if r.E1 != r.E2 || r.A2 == 0 {
		k1 = r.A1 * math.Exp(r.E1*x)
	}
	return law{k1, k2, math.Exp(-tC / r.W)}
}

// between is the law in the middle of a step: geometric means, which differ
// from the true middle by some 1e-4 for a step of 1 K.
func (l *law) between(o *law) law {
	return law{math.Sqrt(l.k1 * o.k1), math.Sqrt(l.k2 * o.k2), math.Sqrt(l.h * o.h)}
}

func (s *stepper) rate(a float64, l *law) float64 {
	x := a * tableN
	i := int(x)
	if i >= tableN {
		return 0
	}
	f := x - float64(i)
	g := s.g[i] + f*(s.g[i+1]-s.g[i])
	if s.plain {
		b := 1 - a
		return (l.k1 + l.k2*a) * b * b / (1 + g*l.h)
	}
	am := s.am[i] + f*(s.am[i+1]-s.am[i])
	an := s.an[i] + f*(s.an[i+1]-s.an[i])
	return (l.k1 + l.k2*am) * an / (1 + g*l.h)
}

// step moves a over dt seconds at rate factor κ, with the temperature's part
// at the beginning, middle and end of the step. The order of the method
// follows how much happens in the step.
func (s *stepper) step(a, kdt float64, l0, lm, l1 *law) float64 {
	f1 := kdt * s.rate(a, l0)
	if f1 < 0.02 {
		return a + kdt*s.rate(a+f1/2, lm)
	}
	f2 := kdt * s.rate(a+f1/2, lm)
	f3 := kdt * s.rate(a+f2/2, lm)
	f4 := kdt * s.rate(a+f3, l1)
	return a + (f1+2*f2+2*f3+f4)/6
}

// Workspace is scratch of a full estimate, to be reused: an estimate then
// allocates little. It must not be used by two goroutines at once.
type Workspace struct {
	steps stepper
	dens  [numMarks][]float64 // difference of density by bin
	mass  [numMarks]float64   // of what has passed already
	mid   [numMarks][nodeN]float64
	old   *Workspace // for the oldest resin, where it differs
}

const binS = 120.0

// fan is the joint of temperatures to come and rate factors: for each mark
// the distribution of its time.
type fan struct {
	ws    *Workspace
	tr    *Track
	w     *Weights
	start float64 // s after mixing of the outlook's start
	bins  int
	cdf   [numMarks][]float64
	times [numMarks][3]float64 // p10, p50, p90; +Inf where not reached
}

var bandQ = [3]float64{0.1, 0.5, 0.9}

// spreadOut integrates every path of the outlook for the rate factors that
// carry weight, and gathers when each mark is passed.
func (ws *Workspace) spreadOut(tr *Track, w *Weights, o *Outlook) *fan {
	r := tr.r
	ws.steps.prepare(r)
	f := &fan{ws: ws, tr: tr, w: w, start: o.Start.Sub(tr.mixed).Seconds()}
	f.bins = int(math.Ceil(float64(max(o.Len-1, 0))*o.StepS/binS)) + 1
	for m := range ws.dens {
		if cap(ws.dens[m]) < f.bins+3 {
			ws.dens[m] = make([]float64, f.bins+3)
		}
		ws.dens[m] = ws.dens[m][:f.bins+3]
		clear(ws.dens[m])
		ws.mass[m] = 0
	}
	// The grid points that carry weight, and the nodes around them.
	lo, hi := 0, gridN-1
	for sum := 0.0; lo < gridN-1 && sum+w[lo] < 5e-4; lo++ {
		sum += w[lo]
	}
	for sum := 0.0; hi > 0 && sum+w[hi] < 5e-4; hi-- {
		sum += w[hi]
	}
	n0, n1 := cubic[lo].first, cubic[hi].first+3
	ws.mid = tr.when
	// What the nodes have already passed needs no path.
	done := true
	for m := range tr.when {
		for j := n0; j <= n1; j++ {
			if math.IsInf(tr.when[m][j], 1) {
				done = false
			}
		}
	}
	paths := o.Paths
	if done || o.Len < 2 {
		paths = 0
	}
	total := 0.0
	for i := lo; i <= hi; i++ {
		total += w[i]
	}
	if paths == 0 {
		f.gather(&tr.when, lo, hi, 1/total)
		return f
	}
	var when [numMarks][nodeN]float64
	var sums [numMarks][nodeN]float64
	var counts [numMarks][nodeN]int
	for p := range paths {
		when = tr.when
		ws.follow(tr, o.path(p), o.StepS, f.start, n0, n1, &when)
		for m := range when {
			for j := n0; j <= n1; j++ {
				if !math.IsInf(when[m][j], 1) {
					sums[m][j] += when[m][j]
					counts[m][j]++
				}
			}
		}
		f.gather(&when, lo, hi, 1/(total*float64(paths)))
	}
	for m := range sums {
		for j := n0; j <= n1; j++ {
			if math.IsInf(ws.mid[m][j], 1) && counts[m][j] > paths/2 {
				ws.mid[m][j] = sums[m][j] / float64(counts[m][j])
			}
		}
	}
	return f
}

// follow integrates one path for the nodes n0 to n1 and notes first crossings.
// The marks of a node come in order, so only the next one is looked for.
func (ws *Workspace) follow(tr *Track, path []float32, dt, start float64, n0, n1 int, when *[numMarks][nodeN]float64) {
	r := tr.r
	alpha := tr.alpha
	var next [nodeN]int
	for j := n0; j <= n1; j++ {
		for next[j] < len(rising) && !math.IsInf(when[rising[next[j]]][j], 1) {
			next[j]++
		}
	}
	ages := newAges(tr)
	// The highest of the last day, past and path.
	past := tr.high
	var ring [maxDaySteps]float64
	day := min(int(dayS/dt), len(ring)-1)
	top, topAt := math.Inf(-1), 0

	var thr0, thr1 [len(rising)]float64
	thr0[0], thr0[1] = alphaTacky, alphaOpens
	thr1 = thr0
	var l0 law
	left := n1 // the fastest get hard first, and stand last
	for k, x := range path {
		c := float64(x)
		t := start + float64(k)*dt
		for len(past) > 0 && past[0].t < t-dayS {
			past = past[1:]
		}
		ring[k%len(ring)] = c
		if c >= top {
			top, topAt = c, k
		} else if k-topAt > day {
			top = math.Inf(-1)
			for b := max(0, k-day); b <= k; b++ {
				if y := ring[b%len(ring)]; y >= top {
					top, topAt = y, b
				}
			}
		}
		m := top
		if len(past) > 0 {
			m = max(m, past[0].c)
		}
		ref := max(c, min(m, refCapC))
		thr1[2] = max(r.AlphaGel, r.AlphaAtTg(c-greenBelowK))
		thr1[3] = max(r.AlphaGel, r.AlphaAtTg(ref))
		thr1[4] = max(r.AlphaGel, r.AlphaAtTg(ref+hardAboveK))
		l1 := ws.steps.law(r, c)
		if k > 0 {
			lm := l0.between(&l1)
			t0 := t - dt
			ages.step(lm.k2, t0, dt)
			for j := n0; j <= left; j++ {
				if next[j] == len(rising) {
					continue
				}
				a0 := alpha[j]
				a1 := ws.steps.step(a0, nodeKappa[j]*dt, &l0, &lm, &l1)
				alpha[j] = a1
				for i := next[j]; i < len(rising); i++ {
					d1 := a1 - thr1[i]
					if d1 < 0 {
						break
					}
					f := 0.0
					if d0 := a0 - thr0[i]; d0 < 0 {
						f = d0 / (d0 - d1)
					}
					when[rising[i]][j] = t0 + f*dt
					next[j] = i + 1
				}
			}
			for left >= n0 && next[left] == len(rising) {
				left--
			}
			if left < n0 && ages.done() {
				break
			}
		}
		thr0, l0 = thr1, l1
	}
	end := start + float64(len(path)-1)*dt
	for j := n0; j <= n1; j++ {
		if math.IsInf(when[MarkCloses][j], 1) {
			when[MarkCloses][j] = min(when[MarkFirm][j], ages.recoatAt)
		}
		if math.IsInf(when[MarkHandle][j], 1) {
			if at := max(when[MarkHard][j], ages.handleAt); at <= end {
				when[MarkHandle][j] = at
			}
		}
	}
}

// rising are the marks that a degree of cure passes, in order.
var rising = [...]Mark{MarkTacky, MarkOpens, MarkGreen, MarkFirm, MarkHard}

// maxDaySteps holds 24 h of quarter hours.
const maxDaySteps = 97

// ages carries the sheet's limits along a path. One second is worth
// k2(T)/k2(T_sheet) of the sheet's.
type ages struct {
	recoat, recoatLimit, recoatK float64
	handle, handleLimit, handleK float64
	recoatAt, handleAt           float64
}

func newAges(tr *Track) ages {
	r := tr.r
	a := ages{recoat: tr.ageRecoat, handle: tr.ageHandle, recoatAt: tr.recoatAt, handleAt: tr.handleAt,
		recoatLimit: math.Inf(1), recoatK: 1, handleLimit: handleHours * 3600}
	handleC := handleTempC
	if u := r.RecoatUntil; u != nil {
		a.recoatLimit, a.recoatK = u.Hours*3600, cure.Arrhenius(r.A2, r.E2, u.TempC)
	}
	if h := r.Handle; h != nil {
		a.handleLimit, handleC = h.Hours*3600, h.TempC
	}
	a.handleK = cure.Arrhenius(r.A2, r.E2, handleC)
	return a
}

func (a *ages) step(k2, t0, dt float64) {
	if math.IsInf(a.recoatAt, 1) && !math.IsInf(a.recoatLimit, 1) {
		d := dt * k2 / a.recoatK
		if a.recoat+d >= a.recoatLimit {
			a.recoatAt = t0 + dt*(a.recoatLimit-a.recoat)/d
		}
		a.recoat += d
	}
	if math.IsInf(a.handleAt, 1) {
		d := dt * k2 / a.handleK
		if a.handle+d >= a.handleLimit {
			a.handleAt = t0 + dt*(a.handleLimit-a.handle)/d
		}
		a.handle += d
	}
}

func (a *ages) done() bool {
	return !math.IsInf(a.handleAt, 1) && (!math.IsInf(a.recoatAt, 1) || math.IsInf(a.recoatLimit, 1))
}

// gather adds one path's times, weighed by the rate factors, to the
// distributions. Each grid point stands for the cell around it, so that its
// weight lies spread between the times of the cell's ends.
func (f *fan) gather(when *[numMarks][nodeN]float64, lo, hi int, scale float64) {
	for m := range when {
		v := &when[m]
		prev := math.NaN() // time at the lower edge of this cell (later)
		for i := lo; i <= hi; i++ {
			t := gridTime(v, i)
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
				continue
			}
			f.put(Mark(m), early, late, f.w[i]*scale)
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

func (f *fan) put(m Mark, early, late, w float64) {
	if late < early {
		early, late = late, early
	}
	d := f.ws.dens[m]
	a, b := (early-f.start)/binS, (late-f.start)/binS
	if b <= 0 {
		f.ws.mass[m] += w
		return
	}
	if b-a < 1e-3 {
		a = b - 1e-3
	}
	if a < 0 {
		f.ws.mass[m] += w * (-a) / (b - a)
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

// finish turns densities into distribution functions at the bins' ends.
func (f *fan) finish() {
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
	// Marks that nearly coincide may come out of interpolation a second out
	// of order.
	for i, q := range bandQ {
		floor := 0.0
		for m := range f.times {
			s, ok := f.quantile(Mark(m), q)
			if !ok {
				s = math.Inf(1)
			}
			if Mark(m) == MarkCloses && math.IsInf(f.tr.recoatAt, 1) && f.tr.r.RecoatUntil == nil {
				s = f.times[MarkFirm][i]
			}
			if Mark(m) != MarkCloses {
				s = max(s, floor)
				floor = s
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
func (f *fan) quantile(m Mark, q float64) (float64, bool) {
	early, ok := f.reached(m, q-tie)
	if !ok || q-tie <= f.ws.mass[m] {
		return early, ok
	}
	late, ok := f.reached(m, q+tie)
	if !ok {
		return early, true
	}
	return (early + late) / 2, true
}

// reached is the first time at which probability q is reached.
func (f *fan) reached(m Mark, q float64) (float64, bool) {
	if past := f.ws.mass[m]; q <= past {
		// The rate factors that have passed it are the fast ones.
		t := at(&f.ws.mid[m], f.w.quantile(1-q))
		if math.IsNaN(t) || math.IsInf(t, 0) || t > f.start {
			t = f.start
		}
		return t, true
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
func (f *fan) by(m Mark, t float64) float64 {
	x := (t - f.start) / binS
	if x <= 0 {
		return f.ws.mass[m]
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

func (f *fan) band(m Mark) TimeBand {
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
