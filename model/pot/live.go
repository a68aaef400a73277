// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"cmp"
	"math"
	"slices"

	"curewright/model/words"
)

// Sample is one reading of a probe in the pot.
type Sample struct {
	Minutes float64 // since mixing
	TempC   float64
}

// LiveResult is what a probe in the pot tells about the time left.
type LiveResult struct {
	Minutes *float64 `json:"minutes"` // cautious time left to use it; nil: no end within 12 h
	Likely  *float64 `json:"likely"`  // median
	Kick    *float64 `json:"kick"`    // cautious time to 60 °C; nil: not expected
	Verdict string   `json:"verdict"` // what it does if left, most likely: low, caution, runaway
	Danger  string   `json:"danger"`  // now, soon, later, none: by Kick
	Rate    float64  `json:"rate"`    // median rate factor that the temperatures speak for
	Doubt   float64  `json:"doubt"`   // standard deviation of its logarithm
	Over    bool     `json:"over"`    // the working time has ended
	Say     string   `json:"say"`
}

// Doubt of a pot probe against the lumped temperature, K: its own accuracy
// and where it hangs (our choice).
const potProbeSD = 1.5

// sdLnLoss is the doubt of the heat loss of somebody's cup.
const sdLnLoss = 0.3

// Live turns a pot probe's readings into the minutes left: over a grid of rate
// factors and of heat loss it follows the pot from mixing, weighs each by how
// well it meets the readings, and carries each on from the last reading. The
// readings' own temperature drives the cure up to then. Sorting is not
// needed; readings before mixing, out of -20 to 300 °C or not numbers are
// left out. An error when none remains.
func Live(q Query, readings []Sample) (LiveResult, error) {
	if f := q.Check(); len(f) > 0 {
		return LiveResult{}, f
	}
	rs := tidy(readings)
	if len(rs) == 0 {
		return LiveResult{}, Faults{{Field: "readings", What: "none lies within 12 h of mixing and is a temperature"}}
	}
	if q.StartC == nil {
		// The probe knows better than the shop.
		s := rs[0].TempC
		if rs[0].Minutes > 10 {
			s = q.ShopC
		}
		q.StartC = &s
	}
	q = q.filled()
	g := q.geometry()
	laws := q.laws(g)

	var ways potWays
	last := rs[len(rs)-1]
	for li, v := range laws {
		// The nominal law counts as much as both ends of the doubt.
		prior := 0.0
		if li > 0 {
			prior = -math.Log(float64(len(laws)))
		}
		for ik := -4; ik <= 4; ik++ {
			for il := -1; il <= 1; il++ {
				w := q.follow(v, g, float64(ik)*0.2, float64(il), rs)
				w.w += prior
				ways = append(ways, w)
			}
		}
	}
	mean, sd := ways.weigh()
	left := func(w potWay) float64 { return w.left }
	res := LiveResult{
		Minutes: some(ways.quantile(left, .1)), Likely: some(ways.quantile(left, .5)),
		Kick:    some(ways.quantile(func(w potWay) float64 { return w.kick }, .1)),
		Verdict: verdict(ways.quantile(func(w potWay) float64 { return w.peak }, .5), math.Max(q.ShopC, *q.StartC)),
		Rate:    math.Exp(mean), Doubt: sd,
	}
	res.Danger = DangerAt(res.Kick)
	res.Over = res.Likely != nil && *res.Likely == 0
	if last.TempC >= 60 || last.TempC >= math.Max(q.ShopC, *q.StartC)+15 {
		res.Over = true
	}
	switch {
	case last.TempC >= 60:
		res.Danger = DangerNow
		res.Say = q.text("live.hot", nil)
	case res.Over && res.Danger == DangerNow:
		res.Say = q.text("live.over_hot", nil)
	case res.Over:
		res.Say = q.text("live.over", nil)
	case res.Minutes == nil:
		res.Say = q.text("live.no_end", nil)
	case res.Danger == DangerNow || res.Danger == DangerSoon:
		res.Say = q.text("live.spread", words.Facts{"time": q.minutes(*res.Minutes)})
	default:
		res.Say = q.text("live.use", words.Facts{"time": q.minutes(*res.Minutes)})
	}
	return res, nil
}

// tidy are the readings that count, in order of time, one a minute at most,
// which is all that the balance can use.
func tidy(readings []Sample) []Sample {
	var rs []Sample
	for _, r := range readings {
		if r.Minutes >= 0 && r.Minutes <= Horizon && r.TempC >= -20 && r.TempC <= 300 {
			rs = append(rs, r)
		}
	}
	slices.SortStableFunc(rs, func(a, b Sample) int { return cmp.Compare(a.Minutes, b.Minutes) })
	thin := rs[:min(len(rs), 1)]
	for i, r := range rs {
		if i > 0 && (r.Minutes >= thin[len(thin)-1].Minutes+0.9 || r == rs[len(rs)-1]) {
			thin = append(thin, r)
		}
	}
	return thin
}

// potWay is one way that the pot may go: a rate factor, and a heat loss.
type potWay struct {
	w                     float64 // its weight, until weighed its logarithm
	lnk, left, kick, peak float64
}

// follow takes the pot from mixing by a law whose rate is e^lnk times as fast
// and a heat loss il of its doubt away, weighs it by the readings, and carries
// it on from the last.
func (q *Query) follow(v variant, g geometry, lnk, il float64, rs []Sample) potWay {
	g.hA *= math.Exp(il * 1.2 * sdLnLoss)
	v.k.a1 *= math.Exp(lnk)
	v.k.a2 *= math.Exp(lnk)
	k := v.k
	s := newSystem(q, v, g)
	last := rs[len(rs)-1]
	n, sum, i := 0.0, 0.0, 0
	s.integrate(vec{0, *q.StartC, q.ShopC}, math.Max(last.Minutes, 0.01)*60, func(t0, t1 float64, y0, y1, f0, f1 *vec) bool {
		for i < len(rs) && rs[i].Minutes*60 <= t1+1e-9 {
			h := t1 - t0
			x := (rs[i].Minutes*60 - t0) / h
			d := (rs[i].TempC - hermite(x, h, y0[1], y1[1], f0[1], f1[1])) / potProbeSD
			sum += math.Min(d*d, 400)
			n++
			i++
		}
		return true
	})
	// Errors of neighbouring readings are one error: they count as at most four
	// readings.
	if n > 4 {
		sum *= 4 / n
	}
	// Cure so far by the measured temperature, then on.
	a := 0.0
	prevT, prevC := 0.0, *q.StartC
	for _, r := range rs {
		dt := (r.Minutes - prevT) * 60
		steps := math.Max(1, math.Ceil(dt/20))
		for st := range int(steps) {
			c := prevC + (r.TempC-prevC)*(float64(st)+0.5)/steps
			h := dt / steps
			k1, _, _ := k.rate(a, c)
			k2, _, _ := k.rate(math.Min(a+h/2*k1, 1), c)
			a = math.Min(a+h*k2, 0.999999)
		}
		prevT, prevC = r.Minutes, r.TempC
	}
	r := s.simulate(a, last.TempC, Horizon, false)
	kick := r.to60
	if math.IsNaN(kick) {
		kick = math.Inf(1)
	}
	return potWay{-0.5*(lnk/0.35)*(lnk/0.35) - 0.5*1.44*il*il - 0.5*sum, lnk, r.work(), kick, r.peakC}
}

type potWays []potWay

// weigh makes weights of their logarithms, and returns mean and standard
// deviation of ln κ.
func (ws potWays) weigh() (mean, sd float64) {
	top := math.Inf(-1)
	for _, w := range ws {
		top = math.Max(top, w.w)
	}
	var total, sq float64
	for i := range ws {
		w := math.Exp(ws[i].w - top)
		ws[i].w = w
		total += w
		mean += w * ws[i].lnk
		sq += w * ws[i].lnk * ws[i].lnk
	}
	mean /= total
	return mean, math.Sqrt(math.Max(0, sq/total-mean*mean))
}

// quantile is the least value that a share p of the weight does not exceed.
func (ws potWays) quantile(of func(potWay) float64, p float64) float64 {
	s := slices.Clone(ws)
	slices.SortStableFunc(s, func(a, b potWay) int { return cmp.Compare(of(a), of(b)) })
	total, sum := 0.0, 0.0
	for _, w := range ws {
		total += w.w
	}
	for _, w := range s {
		if sum += w.w; sum >= p*total {
			return of(w)
		}
	}
	return of(s[len(s)-1])
}

// laws are the readings of the resin that a probe in the pot chooses among:
// its numbers, and the ratio k1/k2 that a film cannot tell at both ends of its
// doubt (.1 and .6 for a generic set, a choice).
func (q *Query) laws(g geometry) []variant {
	nominal, careful, _ := q.variants(g)
	if !q.Resin.Generic {
		return append([]variant{nominal}, careful...)
	}
	kappa := 1.0
	if q.Kappa != nil {
		kappa = *q.Kappa
	}
	out := []variant{nominal}
	for _, ratio := range []float64{.1, .6} {
		v := nominal
		v.r = WithRatio(q.Resin, ratio)
		v.k = newKinetics(v.r, kappa)
		out = append(out, v)
	}
	return out
}
