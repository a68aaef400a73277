// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"slices"

	"curewright/model/coat"
	"curewright/model/cure"
)

// Doubts before any test, standard deviations (choices; D22). The sheet's is of
// ln κ of the resin against its data sheet; for a resin whose file says another
// doubt than the generic .25 it is what that leaves beside lot and batch.
const (
	sheetSD = 0.20
	lotSD   = 0.10
	batchSD = 0.12
	// A lot may differ by more than lots do, as old stock and a change of recipe
	// make it: a second story with its own share of the belief.
	lotWideSD    = 0.20
	lotWideShare = 0.3
	// The activation energy, J/mol, where the resin's file gives no doubt of its
	// own (physics: 57 ± 6 kJ/mol).
	eSD = 6000.0
	// Of a film's offset (unit variance) the greater part is person and resin,
	// the rest the single coat: how much, the coats themselves choose.
	filmLittle, filmSome, filmMuch = 0.2, 0.3, 0.5
	// The chances that somebody's word runs a state behind, and ahead.
	lateShare, earlyShare = 0.06, 0.02
	// A bottle's rate after it changed.
	changedSD = 0.25
	// changes is the chance, before each coat, that its bottle has changed.
	changes = 0.008
	// changedFor sure, from which the coats before it no longer count for it.
	changedSure = 0.9
	// notThis is the chance that nothing learnt holds for a coat: another resin
	// under the same name, a wrong ratio; of it, alienShare that it is none that
	// the sheet knows of either.
	notThis    = 0.03
	notThisNew = 0.06 // of a bottle not seen before
	alienShare = 0.4
	alienSD    = 0.7
	// mostLessons of a resin count, the latest.
	mostLessons = 80
	maxEpochs   = 6
	sweeps      = 2
)

// shifts of ln κ that a changed bottle is looked for at.
var shifts = [...]float64{-0.5, -0.25, 0.25, 0.5}

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
	resin   *cure.Resin
	groups  []*group
	shared  []*Shared
	n       int
	lots    map[lotKey]int
	people  map[string]int
	units   map[string]int
	mean    []float64
	cov     sym
	logZ    float64
	epochs  map[string][]int // by lot, at which group each later epoch begins
	changed map[string][len(shifts)]float64
	runs    map[string]Run // by lot, tests on one side just now
	sheet   float64
	e       float64
}

type lotKey struct {
	lot   string
	epoch int
}

// Run is a run of coats whose tests all lie on one side of what was foreseen.
type Run struct {
	Lot    string   `json:"lot,omitempty"`
	Faster bool     `json:"faster"`
	Coats  []string `json:"coats"`
	Tests  int      `json:"tests"`
	Chance float64  `json:"chance"` // that the bottle has changed
	Sure   bool     `json:"sure"`   // what was learnt before it counts no more for it
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
	f := &fit{story: s, resin: r, groups: groupsOf(ls), shared: shared, epochs: map[string][]int{}, sheet: sheetOf(r), e: energySD(r)}
	for {
		f.lay()
		lot, at, ok := f.pass()
		if !ok || len(f.epochs[lot]) >= maxEpochs {
			break
		}
		f.epochs[lot] = append(f.epochs[lot], at)
		slices.Sort(f.epochs[lot])
	}
	f.logZ += math.Log(changes) * float64(f.changes())
	for range sweeps {
		for _, g := range f.groups {
			f.refine(g)
		}
	}
	f.solve()
	return f
}

func (f *fit) changes() (n int) {
	for _, e := range f.epochs {
		n += len(e)
	}
	return n
}

// epoch is which epoch of its lot a group belongs to.
func (f *fit) epoch(lot string, at int) (e int) {
	for _, from := range f.epochs[lot] {
		if at >= from {
			e++
		}
	}
	return e
}

// person is the share of a film's offset that goes with person and resin.
func (f *fit) person() float64 { return math.Sqrt(1 - f.film*f.film) }

// lay gives every variable its place.
func (f *fit) lay() {
	f.n = 2
	f.lots, f.people, f.units = map[lotKey]int{}, map[string]int{}, map[string]int{}
	shared := map[string]int{}
	for _, g := range f.groups {
		if g.l.Unit != "" {
			shared[g.l.Board+"\n"+g.l.Unit]++
		}
	}
	for i, g := range f.groups {
		key := lotKey{g.l.Lot, f.epoch(g.l.Lot, i)}
		if _, ok := f.lots[key]; !ok {
			f.lots[key] = f.n
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
			if _, ok := f.lots[lotKey{lot, 0}]; !ok {
				f.lots[lotKey{lot, 0}] = f.n
				f.n++
			}
		}
	}
	for i, g := range f.groups {
		g.site = nil
		g.kappa, g.noise = f.row(g.l.Contrast, g.l.Lot, f.epoch(g.l.Lot, i), g.l.Board+"\n"+g.l.Unit)
		g.noise[0] += g.l.SD * g.l.SD
		g.person = f.people[g.who]
	}
}

// row is what ln κ of a coat is made of, and the noise of its six numbers
// (variances).
func (f *fit) row(contrast float64, lot string, epoch int, unit string) (k []entry, noise [dim]float64) {
	k = append(k, entry{0, f.sheet}, entry{1, -f.e / 1000 * contrast})
	if i, ok := f.lots[lotKey{lot, epoch}]; ok {
		k = append(k, entry{i, f.lotScale(epoch)})
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

func (f *fit) lotScale(epoch int) float64 {
	if epoch > 0 {
		return changedSD
	}
	return f.lot
}

// solve puts prior and sites together.
func (f *fit) solve() {
	q, h := f.total(nil)
	c, ok := q.inverse()
	if !ok {
		// Sites that take each other away: a misreport's. Without them.
		for _, g := range f.groups {
			g.site = nil
		}
		q, h = f.total(nil)
		c, _ = q.inverse()
	}
	f.cov, f.mean = c, c.times(h)
}

// total is precision and information of all but one group.
func (f *fit) total(but *group) (sym, []float64) {
	q, h := newSym(f.n), make([]float64, f.n)
	for i := range f.n {
		q.add(i, i, 1)
	}
	for _, s := range f.shared {
		s.tell(f, q, h)
	}
	for _, g := range f.groups {
		if g != but && g.site != nil {
			g.tell(q, h, f.person())
		}
	}
	return q, h
}

// tell adds a group's site to what all share.
func (g *group) tell(q sym, h []float64, personSD float64) {
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
			h[i] += x * g.site.h[a]
			for b := range dim {
				each(b, func(k int, y float64) { q.add(i, k, x*y*g.site.p[a][b]) })
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
// It returns the first place from which a lot has surely changed.
func (f *fit) pass() (lot string, from int, changed bool) {
	f.logZ = 0
	f.changed, f.runs = map[string][len(shifts)]float64{}, map[string]Run{}
	type side struct {
		g     float64
		start int
		coats []int
	}
	sides := map[string]*[len(shifts)]side{}
	for i, g := range f.groups {
		f.solve()
		before := foresee(f.mean, f.cov, g.kappa, g.person, f.person(), &g.noise)
		after, z := f.weigh(before, g)
		f.logZ += z
		g.site = siteOf(&before, &after, &g.noise)
		key := g.l.Lot
		odds := f.changed[key]
		if sides[key] == nil {
			sides[key] = new([len(shifts)]side)
		}
		sum, best := 0.0, 0
		for k, d := range shifts {
			b := before
			b.m[0] += d
			_, zd := f.weigh(b, g)
			odds[k] = (odds[k] + changes/float64(len(shifts))) * math.Exp(zd-z)
			sum += odds[k]
			if odds[k] > odds[best] {
				best = k
			}
			s := &sides[key][k]
			if s.g+zd-z <= 0 {
				*s = side{}
				continue
			}
			if len(s.coats) == 0 {
				s.start = i
			}
			s.g += zd - z
			s.coats = append(s.coats, i)
		}
		f.changed[key] = odds
		s := &sides[key][best]
		run := Run{Lot: key, Faster: shifts[best] > 0, Chance: sum / (1 + sum)}
		for _, k := range s.coats {
			run.Coats = append(run.Coats, f.groups[k].l.Key())
			run.Tests += len(f.groups[k].touches)
		}
		f.runs[key] = run
		if run.Chance > changedSure && len(s.coats) > 0 && !slices.Contains(f.epochs[key], s.start) && f.first(key) < s.start {
			return key, s.start, true
		}
	}
	return "", 0, false
}

// first is the first group of a lot's latest epoch.
func (f *fit) first(lot string) int {
	e := f.epochs[lot]
	for i, g := range f.groups {
		if g.l.Lot == lot && (len(e) == 0 || i >= e[len(e)-1]) {
			return i
		}
	}
	return len(f.groups)
}

// refine weighs one group again, by what all the others say.
func (f *fit) refine(g *group) {
	q, h := f.total(g)
	c, ok := q.inverse()
	if !ok {
		return
	}
	before := foresee(c.times(h), c, g.kappa, g.person, f.person(), &g.noise)
	after, _ := f.weigh(before, g)
	if s := siteOf(&before, &after, &g.noise); s != nil {
		g.site = s
	}
}
