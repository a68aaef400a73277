// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"slices"
	"strconv"
	"time"

	"curewright/model/coat"
	"curewright/model/words"
)

// kind is how a lot's rate changed, see [bend].
type kind int

const (
	step  kind = iota // from one coat on the rate is different
	ages              // from one coat on the rate changes further, in proportion to time
	alien             // the lot differed from this resin from its first coat on
)

// bend is one hypothesis of how a lot's rate may have changed.
type bend struct {
	kind
	lot    string
	since  time.Time // application of the last coat before the change; zero for alien
	first  string    // key of the first coat after the change
	chance float64   // prior probability, before any test
	at     int       // index of its variable, once it is taken as true
}

// sd is the standard deviation of a bend's shift of ln κ for a coat applied at a time;
// 0 before the change.
func (b *bend) sd(t time.Time) float64 {
	switch {
	case b.kind == alien:
		return alienSD
	case !t.After(b.since):
		return 0
	case b.kind == step:
		return stepSD
	}
	return weeklySD * t.Sub(b.since).Hours() / (7 * 24)
}

// maybe is one bend with its evidence: its odds against no change, and its covariance
// with the shared variables.
type maybe struct {
	bend
	odds float64
	mean float64   // in its own sd
	v    float64   // its variance
	cu   []float64 // C·u: how the shared variables shift with it
}

// loosely is the shared variables by tests of coats that are allowed to deviate (loose).
func (f *fit) loosely() (mean []float64, cov sym, ok bool) {
	q, h := f.total(nil, true)
	c, ok := q.inverse()
	if !ok {
		return nil, sym{}, false
	}
	return c.times(h), c, true
}

// bendsOf lists the bends that are possible for a lot.
func (f *fit) bendsOf(lot string) (out []bend) {
	var coats []*Lesson
	for _, g := range f.groups {
		if g.l.Lot == lot && (len(coats) == 0 || coats[len(coats)-1] != g.l) {
			coats = append(coats, g.l)
		}
	}
	taken := func(b bend) bool {
		return slices.ContainsFunc(f.bends, func(x bend) bool {
			return x.lot == lot && (x.kind == alien && b.kind == alien || !b.since.After(x.since))
		})
	}
	add := func(b bend) {
		if !taken(b) {
			out = append(out, b)
		}
	}
	more := float64(max(len(coats)-1, 1))
	turns, age := min(stepChance, bottleTurns/more), min(ageChance, bottleAges/more)
	for i := 1; i < len(coats); i++ {
		if !coats[i].Applied.After(coats[i-1].Applied) {
			continue
		}
		add(bend{kind: step, lot: lot, since: coats[i-1].Applied, first: coats[i].Key(), chance: turns})
		add(bend{kind: ages, lot: lot, since: coats[i-1].Applied, first: coats[i].Key(), chance: age})
	}
	if len(coats) > 0 && len(f.lots) > 1 && lot != "" {
		add(bend{kind: alien, lot: lot, first: coats[0].Key(), chance: alienLotChance})
	}
	return out
}

// weighBends computes, for each bend of a lot, how well it explains the tests. A bend is
// one more normal variable, whose evidence has a closed form.
func (f *fit) weighBends(lot string, mean []float64, cov sym) (out []maybe) {
	for _, b := range f.bendsOf(lot) {
		u, d, e := make([]float64, f.n), 0.0, 0.0
		for _, g := range f.groups {
			x := b.sd(g.l.Applied)
			if g.l.Lot != lot || g.loose == nil || x == 0 {
				continue
			}
			s := g.loose
			d += x * x * s.p[0][0]
			e += x * s.h[0]
			for _, k := range g.kappa {
				u[k.i] += x * k.x * s.p[0][0]
			}
			for j := 1; j < dim && g.person >= 0; j++ {
				u[g.person+j-1] += x * f.person() * s.p[j][0]
			}
		}
		cu := cov.times(u)
		schur, r := 1+d, e
		for i := range u {
			schur -= u[i] * cu[i]
			r -= u[i] * mean[i]
		}
		if !(schur > 0) {
			continue
		}
		out = append(out, maybe{bend: b, odds: b.chance * math.Exp(-math.Log(schur)/2+r*r/schur/2), mean: r / schur, v: 1 / schur, cu: cu})
	}
	return out
}

// surest is the most probable bend over all lots, if it is probable enough to be taken
// as true.
func (f *fit) surest() (best bend, ok bool) {
	mean, cov, ok := f.loosely()
	if !ok {
		return best, false
	}
	top := changedSure
	for lot := range f.lots {
		ms := f.weighBends(lot, mean, cov)
		sum, most := 0.0, 0
		for i := range ms {
			sum += ms[i].odds
			if ms[i].odds > ms[most].odds {
				most = i
			}
		}
		if p := sum / (1 + sum); p > top || p == top && len(ms) > 0 && lot < best.lot {
			top, best = p, ms[most].bend
		}
	}
	return best, best.chance > 0
}

// bent is the belief of a coat if its lot changed by one of several bends, combined into
// one normal distribution; odds is the sum of theirs.
func (f *fit) bent(ms []maybe, mean []float64, cov sym, applied time.Time, kappa []entry, person int, noise *[dim]float64) (out belief, odds float64) {
	var second [dim][dim]float64
	for i := range ms {
		m := &ms[i]
		n := f.n + 1
		c, mu := newSym(n), make([]float64, n)
		for a := range f.n {
			mu[a] = mean[a] - m.cu[a]*m.mean
			c.a[a*n+f.n], c.a[f.n*n+a] = -m.cu[a]*m.v, -m.cu[a]*m.v
			for b := range f.n {
				c.a[a*n+b] = cov.at(a, b) + m.cu[a]*m.cu[b]*m.v
			}
		}
		mu[f.n], c.a[n*n-1] = m.mean, m.v
		g := foresee(mu, c, append(slices.Clone(kappa), entry{f.n, m.sd(applied)}), person, f.person(), noise)
		odds += m.odds
		for a := range dim {
			out.m[a] += m.odds * g.m[a]
			for b := range dim {
				second[a][b] += m.odds * (g.c[a][b] + g.m[a]*g.m[b])
			}
		}
	}
	if !(odds > 0) {
		return out, 0
	}
	for a := range dim {
		out.m[a] /= odds
	}
	for a := range dim {
		for b := range dim {
			out.c[a][b] = second[a][b]/odds - out.m[a]*out.m[b]
		}
	}
	return out, odds
}

// Run is a run of consecutive coats of a lot whose tests all lie on one side of the
// expectation from its earlier coats.
type Run struct {
	Lot    string   `json:"lot,omitempty"`
	Faster bool     `json:"faster"`
	Ages   bool     `json:"ages"` // the rate keeps changing
	Coats  []string `json:"coats"`
	Tests  int      `json:"tests"`
	Chance float64  `json:"chance"` // probability that the lot has changed
	Sure   bool     `json:"sure"`   // the change is taken as true
}

// run is the most likely run that a lot is in just now; nil for none.
func (f *fit) run(lot string) *Run {
	var best bend
	out := &Run{Lot: lot}
	mean, cov, ok := f.loosely()
	if !ok {
		return nil
	}
	ms := f.weighBends(lot, mean, cov)
	sum, side := 0.0, 0.0
	for _, m := range ms {
		sum += m.odds
		side += m.odds * m.mean
		if best.chance == 0 || m.odds > out.Chance {
			best, out.Chance = m.bend, m.odds
		}
	}
	out.Chance, out.Faster = sum/(1+sum), side > 0
	if out.Chance < noticed {
		best = bend{}
		for _, b := range f.bends {
			if b.lot == lot && !b.since.Before(best.since) {
				best = b
				out.Chance, out.Sure, out.Faster = 1, true, f.mean[b.at] > 0
			}
		}
	}
	if best.chance == 0 {
		return nil
	}
	out.Ages = best.kind == ages
	for _, g := range f.groups {
		if g.l.Lot != lot || best.sd(g.l.Applied) == 0 {
			continue
		}
		if !slices.Contains(out.Coats, g.l.Key()) {
			out.Coats = append(out.Coats, g.l.Key())
		}
		out.Tests += len(g.touches)
	}
	return out
}

// noticed is the probability from which a run is reported.
const noticed = 0.5

// Run is the run of tests on one side that a lot is in just now; nil for none
// worth saying.
func (m *Learnt) Run(lot string) *Run {
	r := m.hypotheses[0].f.run(lot)
	if r == nil || r.Chance < noticed || len(r.Coats) == 0 {
		return nil
	}
	// A step is over once it is taken as true and some coats have told of it; that
	// of a bottle without a name lasts only as long.
	if r.Sure && (!r.Ages || lot == "") && len(r.Coats) > 2 {
		return nil
	}
	return r
}

// Note is a run as a coat's remark.
func (r *Run) Note() coat.Note {
	code := "run_slower"
	if r.Faster {
		code = "run_faster"
	}
	return coat.Note{Code: code, Facts: words.Facts{"n": strconv.Itoa(r.Tests)}}
}
