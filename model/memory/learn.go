// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// Doubts of ln κ before any test, standard deviations (choices; D22). What a
// resin's file leaves beside lot and batch is the doubt of the data sheet.
const (
	lotSD   = 0.10
	batchSD = 0.12
	// A lot may differ by more than lots do, as old stock and a change of recipe
	// make it: a second story with its own share of the belief.
	lotWideSD    = 0.20
	lotWideShare = 0.15
	// The activation energy, J/mol, where the resin's file gives no doubt of its
	// own (physics: 57 ± 6 kJ/mol).
	eSD = 6000.0
	// Of a film's offset (unit variance) the greater part is person and resin,
	// the rest the single coat: how much, the coats themselves choose.
	filmLittle, filmSome, filmMuch = 0.2, 0.3, 0.5
	// The chances that somebody's word runs a state behind, and ahead.
	lateShare, earlyShare = 0.20, 0.03
	// A bottle whose rate left what it was: by a step at a coat, or from a coat on
	// by a little more each week, as old stock does; and a lot that is none of this
	// resin from its first coat on. Standard deviations of ln κ, and the chances
	// that it begins at a coat.
	stepSD, stepChance  = 0.35, 0.008
	weeklySD, ageChance = 0.04, 0.01
	alienLotChance      = 0.03
	// Over all coats of a bottle the two are no likelier than this: with every
	// coat more an alarm would come of itself.
	bottleTurns, bottleAges = 0.06, 0.12
	// changedSure is the chance from which a change is taken as true.
	changedSure = 0.9
	// looseSD is by how much more a coat is let stray, as ln κ, where it is asked
	// whether its lot left what it was.
	looseSD = 0.3
	// notThis is the chance that nothing learnt holds for a coat: another resin
	// under the same name, a wrong ratio; of it, alienShare that it is none that
	// the sheet knows of either.
	notThis    = 0.03
	notThisNew = 0.10 // of a bottle not seen before
	alienShare = 0.4
	alienSD    = 0.7
	// mostLessons of a resin count, the latest.
	mostLessons = 80
	mostBends   = 6
	sweeps      = 2
)

// story is one set of assumptions that a run of learning makes.
type story struct {
	lot  float64
	film float64 // share of a film's offset that is the single coat's
	who  string
	late int
}

// group is the finger tests of one person on one coat.
type group struct {
	l       *Lesson
	who     string
	touches []coat.Touch
	kappa   []entry // what ln κ is made of, besides noise
	person  int     // first of the five offsets
	noise   [dim]float64
	site    *site
	loose   *site // of a belief that lets the coat stray
}

type entry struct {
	i int
	x float64
}

// site is what one group's tests say of what all share: precision and
// information of its six numbers, their noise integrated out.
type site struct {
	p [dim][dim]float64
	h [dim]float64
}

// fit is what one story learnt. Its variables are in units of their own prior
// doubt: the resin, the activation energy, then lots, people and cups.
type fit struct {
	story
	resin  *cure.Resin
	groups []*group
	shared []*Shared
	n      int
	lots   map[string]int
	people map[string]int
	units  map[string]int
	bends  []bend // that are taken as true
	mean   []float64
	cov    sym
	logZ   float64
	sheet  float64
	e      float64
}

// sheetOf is what a resin's own doubt leaves for resin against sheet.
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

// learn works out one story.
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

// lay gives every variable its place.
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

// row is what ln κ of a coat is made of, and the noise of its six numbers
// (variances).
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

// lotRow is what a lot's rate against its resin's is made of at a time. Coats of
// which no lot was written may be of several bottles: half of the variance is
// each one's own.
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

// solve puts prior and sites together.
func (f *fit) solve() {
	q, h := f.total(nil, false)
	c, ok := q.inverse()
	if !ok {
		// Sites that take each other away: a misreport's. Without them.
		for _, g := range f.groups {
			g.site = nil
		}
		q, h = f.total(nil, false)
		c, _ = q.inverse()
	}
	f.cov, f.mean = c, c.times(h)
}

// total is precision and information of all but one group, loose those of coats
// that may stray.
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

// tell adds a group's site to what all share.
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

// foresee is what mean and covariance of the shared variables say of one
// coat's six numbers.
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

// weigh runs a belief through a group's tests.
func (f *fit) weigh(b belief, g *group) (after belief, logZ float64) {
	for i := range g.touches {
		logZ += b.absorb(f.resin, &g.touches[i], f.lateOf(g.who))
	}
	return b, logZ
}

// siteOf is what turned one belief into another, with the noise of the six
// numbers integrated out; nil where it is none.
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

// pass takes the lessons one after the other, each foreseen by those before it.
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

// refine weighs one group again, by what all the others say; at the last also
// as a coat that may stray.
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
