// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// Prior standard deviations of ln κ (choices; D22). The resin's own uncertainty less that
// of lot and batch is the data sheet's.
const (
	lotSD   = 0.10
	batchSD = 0.12
	// A lot may differ by more than lots usually do, by age or a change of recipe: a
	// second hypothesis with its own prior share.
	lotWideSD    = 0.20
	lotWideShare = 0.15
	// The activation energy's, J/mol, where the resin's file gives none (physics:
	// 57 ± 6 kJ/mol).
	eSD = 6000.0
	// Of a film's offset (unit variance) the greater part is person and resin,
	// the rest the single coat: how much, the coats themselves choose.
	filmLittle, filmSome, filmMuch = 0.2, 0.3, 0.5
	// Prior probabilities that a person's reports run one state behind, and ahead.
	lateShare, earlyShare = 0.20, 0.03
	// A bottle whose rate changed: by a step at a coat, or from a coat on a little more
	// each week, as old stock does; and a lot that differs from this resin from its
	// first coat on. Standard deviations of ln κ, and the probability per coat that the
	// change begins there.
	stepSD, stepChance  = 0.35, 0.008
	weeklySD, ageChance = 0.04, 0.01
	alienLotChance      = 0.03
	// Upper limit of that probability over all coats of a bottle: otherwise a bottle
	// with many coats would raise an alarm by itself.
	bottleTurns, bottleAges = 0.06, 0.12
	// changedSure is the probability from which a change is taken as true.
	changedSure = 0.9
	// looseSD is the additional standard deviation of ln κ that a coat is allowed
	// while it is tested whether its lot changed.
	looseSD = 0.3
	// notThis is the probability that nothing learnt holds for a coat: another resin
	// under the same name, or a wrong ratio. In the share alienShare of these cases
	// the data sheet does not hold either.
	notThis    = 0.03
	notThisNew = 0.10 // of a bottle not seen before
	alienShare = 0.4
	alienSD    = 0.7
	// mostLessons is how many of a resin's latest lessons count.
	mostLessons = 80
	mostBends   = 6
	sweeps      = 2
)

// story is one set of assumptions under which all lessons are learnt.
type story struct {
	lot  float64
	film float64 // share of a film's offset that belongs to the single coat
	who  string
	late int
}

// group is the finger tests of one person on one coat.
type group struct {
	l       *Lesson
	who     string
	touches []coat.Touch
	kappa   []entry // the variables whose sum is ln κ, without noise
	person  int     // first of the five offsets
	noise   [dim]float64
	site    *site
	loose   *site // of a belief that allows the coat to deviate
}

type entry struct {
	i int
	x float64
}

// site is the contribution of one group's tests to the shared variables: precision and
// information of its six numbers, with their noise integrated out.
type site struct {
	p [dim][dim]float64
	h [dim]float64
}

// fit is the result of learning under one story. Its variables are in units of their
// prior standard deviations: resin, activation energy, then lots, people and cups.
type fit struct {
	story
	resin  *cure.Resin
	groups []*group
	shared []*Shared
	n      int
	lots   map[string]int
	people map[string]int
	units  map[string]int
	bends  []bend // bends that are taken as true
	mean   []float64
	cov    sym
	logZ   float64
	sheet  float64
	e      float64
}

// sheetOf is the part of a resin's uncertainty that belongs to the data sheet.
func sheetOf(r *cure.Resin) float64 {
	rest := r.LnKappaSD*r.LnKappaSD - lotSD*lotSD - batchSD*batchSD
	return math.Sqrt(max(rest, 0.05*0.05))
}

func energySD(r *cure.Resin) float64 {
	if x := r.SD[cure.SDE]; x > 0 {
		return x
	}
	return eSD
}

// groupsOf divides lessons by person.
func groupsOf(ls []*Lesson) (gs []*group) {
	if len(ls) > mostLessons {
		ls = ls[len(ls)-mostLessons:]
	}
	for _, l := range ls {
		var mine []*group
		for _, t := range l.Touches {
			k := slices.IndexFunc(mine, func(g *group) bool { return g.who == t.By })
			if k < 0 {
				k = len(mine)
				mine = append(mine, &group{l: l, who: t.By})
			}
			mine[k].touches = append(mine[k].touches, t)
		}
		gs = append(gs, mine...)
	}
	return gs
}

// learn learns all lessons under one story.
func learn(r *cure.Resin, ls []*Lesson, shared []*Shared, s story) *fit {
	f := &fit{story: s, resin: r, groups: groupsOf(ls), shared: shared, sheet: sheetOf(r), e: energySD(r)}
	chance := 0.0
	for {
		f.lay()
		f.pass()
		for i := range sweeps {
			for _, g := range f.groups {
				f.refine(g, i == sweeps-1)
			}
		}
		f.solve()
		sure, ok := f.surest()
		if !ok || len(f.bends) >= mostBends {
			break
		}
		f.bends = append(f.bends, sure)
		chance += math.Log(sure.chance)
	}
	f.logZ += chance
	return f
}

// person is the share of a film's offset that goes with person and resin.
func (f *fit) person() float64 { return math.Sqrt(1 - f.film*f.film) }

// lay assigns every variable its index.
func (f *fit) lay() {
	f.n = 2
	f.lots, f.people, f.units = map[string]int{}, map[string]int{}, map[string]int{}
	shared := map[string]int{}
	for _, g := range f.groups {
		if g.l.Unit != "" {
			shared[g.l.Board+"\n"+g.l.Unit]++
		}
	}
	for _, g := range f.groups {
		if _, ok := f.lots[g.l.Lot]; !ok {
			f.lots[g.l.Lot] = f.n
			f.n++
		}
		if _, ok := f.people[g.who]; !ok {
			f.people[g.who] = f.n
			f.n += coat.NumOffsets
		}
		unit := g.l.Board + "\n" + g.l.Unit
		if _, ok := f.units[unit]; !ok && shared[unit] > 1 {
			f.units[unit] = f.n
			f.n++
		}
	}
	for _, s := range f.shared {
		for _, lot := range s.Lots {
			if _, ok := f.lots[lot]; !ok {
				f.lots[lot] = f.n
				f.n++
			}
		}
	}
	for i := range f.bends {
		f.bends[i].at = f.n
		f.n++
	}
	for _, g := range f.groups {
		g.site, g.loose = nil, nil
		g.kappa, g.noise = f.row(g.l.Contrast, g.l.Lot, g.l.Applied, g.l.Board+"\n"+g.l.Unit)
		g.noise[0] += g.l.SD * g.l.SD
		g.person = f.people[g.who]
	}
}

// row is the variables that make up a coat's ln κ, and the variances of the noise of its
// six numbers.
func (f *fit) row(contrast float64, lot string, applied time.Time, unit string) (k []entry, noise [dim]float64) {
	k = append(k, entry{0, f.sheet}, entry{1, -f.e / 1000 * contrast})
	if i, ok := f.lots[lot]; ok {
		k = append(k, f.lotRow(lot, applied, i)...)
		if lot == "" {
			noise[0] += f.lot * f.lot / 2
		}
	} else {
		noise[0] += f.lot * f.lot
	}
	if i, ok := f.units[unit]; ok {
		k = append(k, entry{i, batchSD})
	} else {
		noise[0] += batchSD * batchSD
	}
	for j := 1; j < dim; j++ {
		noise[j] = f.film * f.film
	}
	return k, noise
}

// lotRow is the variables that make up a lot's rate relative to its resin's at a time.
// Coats without a recorded lot may be from several bottles, so half of the variance is
// each coat's own.
func (f *fit) lotRow(lot string, at time.Time, i int) []entry {
	k := []entry{{i, f.lot}}
	if lot == "" {
		k[0].x /= math.Sqrt2
	}
	for n := range f.bends {
		if b := &f.bends[n]; b.lot == lot {
			if x := b.sd(at); x > 0 {
				k = append(k, entry{b.at, x})
			}
		}
	}
	return k
}

// solve combines the prior and all sites.
func (f *fit) solve() {
	q, h := f.total(nil, false)
	c, ok := q.inverse()
	if !ok {
		// Sites of a misreported test may make the sum indefinite: leave them out.
		for _, g := range f.groups {
			g.site = nil
		}
		q, h = f.total(nil, false)
		c, _ = q.inverse()
	}
	f.cov, f.mean = c, c.times(h)
}

// total is precision and information of all groups but one; with loose, those of coats
// that are allowed to deviate.
func (f *fit) total(but *group, loose bool) (sym, []float64) {
	q, h := newSym(f.n), make([]float64, f.n)
	for i := range f.n {
		q.add(i, i, 1)
	}
	for _, s := range f.shared {
		s.tell(f, q, h)
	}
	for _, g := range f.groups {
		s := g.site
		if loose {
			s = g.loose
		}
		if g != but && s != nil {
			g.tell(s, q, h, f.person())
		}
	}
	return q, h
}

// tell adds a group's site to the shared variables.
func (g *group) tell(s *site, q sym, h []float64, personSD float64) {
	each := func(j int, do func(i int, x float64)) {
		if j == 0 {
			for _, e := range g.kappa {
				do(e.i, e.x)
			}
		} else if g.person >= 0 {
			do(g.person+j-1, personSD)
		}
	}
	for a := range dim {
		each(a, func(i int, x float64) {
			h[i] += x * s.h[a]
			for b := range dim {
				each(b, func(k int, y float64) { q.add(i, k, x*y*s.p[a][b]) })
			}
		})
	}
}

// foresee predicts one coat's six numbers from mean and covariance of the shared
// variables.
func foresee(mean []float64, cov sym, kappa []entry, person int, personSD float64, noise *[dim]float64) (g belief) {
	var at [dim][]entry
	at[0] = kappa
	for j := 1; j < dim && person >= 0; j++ {
		at[j] = []entry{{person + j - 1, personSD}}
	}
	for a := range dim {
		for _, e := range at[a] {
			g.m[a] += e.x * mean[e.i]
			for b := range dim {
				for _, k := range at[b] {
					g.c[a][b] += e.x * k.x * cov.at(e.i, k.i)
				}
			}
		}
		g.c[a][a] += noise[a]
		if a > 0 && person < 0 {
			g.c[a][a] += personSD * personSD
		}
	}
	return g
}

func (f *fit) lateOf(who string) int {
	if who == f.who {
		return f.late
	}
	return 0
}

// weigh updates a belief by a group's tests.
func (f *fit) weigh(b belief, g *group) (after belief, logZ float64) {
	for i := range g.touches {
		logZ += b.absorb(f.resin, &g.touches[i], f.lateOf(g.who))
	}
	return b, logZ
}

// siteOf is the site that turns one belief into another, with the noise of the six
// numbers integrated out; nil where there is none.
func siteOf(before, after *belief, noise *[dim]float64) *site {
	b, ok1 := square(before).inverse()
	a, ok2 := square(after).inverse()
	if !ok1 || !ok2 {
		return nil
	}
	hb, ha := b.times(before.m[:]), a.times(after.m[:])
	// Λ and η of the tests alone; P = Λ(I+DΛ)⁻¹, h = (I+ΛD)⁻¹η.
	l := newSym(dim)
	for i := range l.a {
		l.a[i] = a.a[i] - b.a[i]
	}
	var m [dim][2*dim + 1]float64 // (I+ΛD | Λ | η)
	for i := range dim {
		for j := range dim {
			m[i][j] = l.at(i, j) * noise[j]
			m[i][dim+j] = l.at(i, j)
		}
		m[i][i]++
		m[i][2*dim] = ha[i] - hb[i]
	}
	if !reduce(&m) {
		return nil
	}
	s := &site{}
	for i := range dim {
		for j := range dim {
			s.p[i][j] = m[i][dim+j]
		}
		s.h[i] = m[i][2*dim]
	}
	return s
}

func square(b *belief) sym {
	m := newSym(dim)
	for i := range dim {
		for j := range dim {
			m.a[i*dim+j] = b.c[i][j]
		}
	}
	return m
}

// reduce solves by elimination with pivoting.
func reduce(m *[dim][2*dim + 1]float64) bool {
	for c := range dim {
		p := c
		for i := c + 1; i < dim; i++ {
			if math.Abs(m[i][c]) > math.Abs(m[p][c]) {
				p = i
			}
		}
		if math.Abs(m[p][c]) < 1e-12 {
			return false
		}
		m[c], m[p] = m[p], m[c]
		d := m[c][c]
		for k := range m[c] {
			m[c][k] /= d
		}
		for i := range dim {
			if x := m[i][c]; i != c && x != 0 {
				for k := range m[i] {
					m[i][k] -= x * m[c][k]
				}
			}
		}
	}
	return true
}

// pass processes the lessons in order, each predicted from those before it.
func (f *fit) pass() {
	f.logZ = 0
	for _, g := range f.groups {
		f.solve()
		before := foresee(f.mean, f.cov, g.kappa, g.person, f.person(), &g.noise)
		after, z := f.weigh(before, g)
		f.logZ += z
		g.site = siteOf(&before, &after, &g.noise)
	}
}

// refine updates one group's site again, given all the others; in the last pass also as a
// coat that is allowed to deviate.
func (f *fit) refine(g *group, last bool) {
	q, h := f.total(g, false)
	c, ok := q.inverse()
	if !ok {
		return
	}
	before := foresee(c.times(h), c, g.kappa, g.person, f.person(), &g.noise)
	after, _ := f.weigh(before, g)
	if s := siteOf(&before, &after, &g.noise); s != nil {
		g.site = s
	}
	if last {
		before.c[0][0] += looseSD * looseSD
		after, _ = f.weigh(before, g)
		g.loose = siteOf(&before, &after, &g.noise)
	}
}
