// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"strings"

	"curewright/model/cure"
	"curewright/model/words"
)

// Belief is what is known about one coat: its rate factor, and, once it was
// felt, how its film goes along with that.
type Belief struct {
	W Weights
	// Films are equally likely films, each with its own belief about the rate
	// factor; nil while none was felt: then filmZ with W.
	Films []FilmBelief
	// Used and Ignored count finger tests.
	Used, Ignored int
	Notes         []Note
	// LastUsed is the last finger test that counted; nil for none.
	LastUsed *Feel
	// GapSD is the doubt from gaps that the last finger test knew of.
	GapSD float64
	// Asked is set when the last finger test is one that this resin could
	// hardly give, or when the tests ask for a rate factor that no batch of it
	// has: wrong hardener, ratio or probe. Until a test agrees the finger alone
	// speaks.
	Asked bool
	// Other is the chance that nothing which was learnt holds for this coat; 0
	// without a memory.
	Other float64
	// Unlike says that the coat's own tests do not fit what was learnt.
	Unlike bool
}

// FilmBelief is one film and what is believed of the rate factor if it is that.
type FilmBelief struct {
	z offsets
	w Weights
	// late, sheet and changed are the story's that the film belongs to ([PriorPart]).
	late           int
	sheet, changed bool
}

// Note is one remark under a coat about its finger tests: a code of the
// catalogue's table [coat.note] and the tests that it is about.
type Note struct {
	Code  string
	Feels []Feel
	Facts words.Facts // beside them; nil for none
}

// text is a note in words: {at} and {state} are of its first test, {tests} lists
// them all.
func (n Note) text(c *Case) string {
	facts := words.Facts{}
	var all []string
	for _, f := range n.Feels {
		one := words.Facts{"at": f.At, "state": stateWord(f.State)}
		if len(all) == 0 {
			facts = one
		}
		all = append(all, c.text("note.test", one))
	}
	for k, v := range n.Facts {
		facts[k] = v
	}
	facts["tests"] = strings.Join(all, c.text("note.list", nil))
	return c.text("note."+n.Code, facts)
}

// touch is how a finger tells the marks apart on a film whose own offsets are
// known; without a surface probe half as widely again.
func (s *Snapshot) sense(share float64) sense {
	if s.source != FromProbe {
		share *= noProbeWider
	}
	return sense{inv: 1 / share}
}

// likelihood of one finger test on the grid, on a film of which nothing is
// known.
func (s *Snapshot) likelihood(r *cure.Resin) (w Weights) {
	how := s.sense(1)
	rank := s.Feel.State.Rank()
	for i := range w {
		a := spread(&s.alpha, i)
		p := how.above(r, a, r.Tg(a), s.nowC, s.nowC, 1, false)
		w[i] = reported(chanceOf(&p, rank))
	}
	return w
}

// reported is the chance that a finger test says what is found with chance p.
func reported(p float64) float64 { return (1-misreport)*max(p, 0) + misreport/5 }

// Likelihood is what the finger tests of one coat say about its rate factor,
// each as 1 where it says nothing.
type Likelihood struct {
	W       Weights
	each    []Weights // of each test used
	used    []Feel
	snaps   []*Snapshot
	resin   *cure.Resin
	blushed bool
	unclear bool // the last tests contradict each other and none counts
	notes   []Note
	tempSD  float64 // doubt from temperatures at the last test used
	gapSD   float64 // of that, from gaps
	ignored int
}

// Judge weighs the finger tests the track has seen: those after blush or
// water are ignored, those that contradict each other are reported and not
// averaged.
func (tr *Track) Judge() Likelihood {
	l := Likelihood{resin: tr.r}
	for i := range l.W {
		l.W[i] = 1
	}
	keep := make([]*Snapshot, 0, len(tr.seen))
	for i := range tr.seen {
		s := &tr.seen[i]
		switch mid := nodeN / 2; {
		case s.condensed&(1<<mid) != 0 || s.j[mid] > 1:
			l.ignored++
			l.blushed = true
			l.notes = append(l.notes, Note{Code: "test_on_water", Feels: []Feel{s.Feel}})
		default:
			keep = append(keep, s)
		}
	}
	keep = l.consistent(keep)
	for _, s := range keep {
		x := s.likelihood(tr.r)
		for i := range l.W {
			l.W[i] *= x[i]
		}
		l.each = append(l.each, x)
		l.used = append(l.used, s.Feel)
		l.snaps = append(l.snaps, s)
		l.tempSD = s.tempSD
		l.gapSD = s.gapSD
	}
	return l
}

// consistent drops tests that contradict the order of cure: wet, tacky and
// green never come back. One odd test out of three or more is dropped alone;
// otherwise both sides are, since there is no telling which is right.
func (l *Likelihood) consistent(s []*Snapshot) []*Snapshot {
	clash := func(a, b *Snapshot) bool { // a before b
		ra, rb := a.Feel.State.Rank(), b.Feel.State.Rank()
		return rb < ra && rb < Green.Rank() || rb == Green.Rank() && ra > rb && b.nowC < a.nowC+2*cure.SoftensK
	}
	clashes := func(skip int) (bad map[int]bool) {
		bad = map[int]bool{}
		for i := range s {
			for k := i + 1; k < len(s); k++ {
				if i != skip && k != skip && clash(s[i], s[k]) {
					bad[i], bad[k] = true, true
				}
			}
		}
		return bad
	}
	bad := clashes(-1)
	if len(bad) == 0 {
		return s
	}
	if len(s) > 2 {
		odd := -1
		for i := range s {
			if bad[i] && len(clashes(i)) == 0 {
				if odd >= 0 {
					odd = -1
					break
				}
				odd = i
			}
		}
		if odd >= 0 {
			bad = map[int]bool{odd: true}
		}
	}
	var out []*Snapshot
	n := Note{Code: "tests_disagree"}
	for i, x := range s {
		if !bad[i] {
			out = append(out, x)
			continue
		}
		l.ignored++
		n.Feels = append(n.Feels, x.Feel)
	}
	if len(bad) == 1 {
		n.Code = "odd_test"
	} else {
		l.unclear = bad[len(s)-1]
	}
	l.notes = append(l.notes, n)
	return out
}

// Share of the doubt in ln κ that one batch of a lot does not share with the
// others (standard deviation); the rest is the lot's.
const batchSD = 0.15

// leastSD of ln κ: no resin is known better, nor would the grid show it.
const leastSD = 0.03

// hardlyEver is the chance below which a finger test is questioned.
const hardlyEver = 0.015

// Family is what the finger tests on other coats say: those of the same cup
// say it of the same rate factor, those of other cups of the same resin and
// lot of a related one.
type Family struct {
	SameBatch []Likelihood
	SameLot   [][]Likelihood // one list a batch
}

// Believe puts together prior, the coat's own tests and its family's. sd is
// the batch-to-batch doubt of ln κ; extra is doubt of this coat alone (no
// batch recorded); tempSD is the doubt from its temperatures, all standard
// deviations of ln κ.
func Believe(sd, extra, tempSD float64, own Likelihood, fam Family) Belief {
	sd = max(sd, leastSD)
	b, early, late := begun(own, extra, tempSD)
	var prior Weights
	lot := math.Sqrt(max(sd*sd-batchSD*batchSD, 0.36*sd*sd))
	within := math.Sqrt(max(sd*sd-lot*lot, 0))
	if len(fam.SameLot) == 0 {
		prior.normal(sd)
	} else {
		prior.normal(lot)
		for _, batch := range fam.SameLot {
			m := product(batch)
			m = m.blurred(within)
			for i := range prior {
				prior[i] *= m[i]
			}
			prior.normalise()
		}
		prior = prior.blurred(within)
	}
	same := product(fam.SameBatch)
	for i := range prior {
		prior[i] *= same[i]
	}
	prior.normalise()
	w := prior.blurred(early)
	// A little of the belief is that the resin is not what it is said to be.
	var wide Weights
	wide.normal(wrongSD)
	for i := range w {
		w[i] = (1-wrongShare)*w[i] + wrongShare*wide[i]
	}
	w.normalise()
	before := w
	// A test that this resin could hardly give after what went before.
	for _, l := range own.each {
		sum := 0.0
		for i := range w {
			w[i] *= l[i]
			sum += w[i]
		}
		for i := range w {
			w[i] /= sum
		}
		b.Asked = sum < hardlyEver
	}
	if b.Asked {
		b.Notes = append(b.Notes, doesNotFit(own.used[len(own.used)-1]))
	}
	b.Asked = b.Asked || own.unclear
	if len(own.used) > 0 {
		b.Films, w = films(&before, own, late)
	}
	b.take(w, before, nil)
	return b
}

// begun is a belief with what is known of a coat's finger tests, and what doubt
// its temperatures add to ln κ: early before its own tests, as these knew it at
// the time, and late after them.
func begun(own Likelihood, extra, tempSD float64) (b Belief, early, late float64) {
	b = Belief{Used: len(own.used), Ignored: own.ignored, Notes: own.notes, GapSD: own.gapSD}
	if b.Used == 0 {
		return b, math.Hypot(extra, tempSD), 0
	}
	b.LastUsed = &own.used[b.Used-1]
	if d := tempSD*tempSD - own.tempSD*own.tempSD; d > 0 {
		late = math.Sqrt(d)
	}
	return b, math.Hypot(extra, min(own.tempSD, tempSD)), late
}

// take believes a rate factor, unless finger tests ask for one that no batch
// has: then what was believed before them stands, and they are asked about.
func (b *Belief) take(w, before Weights, untested []FilmBelief) {
	if k := math.Exp(w.Quantile(0.5)); (k < kappaMin || k > kappaMax) && b.Used > 0 {
		b.Asked = true
		b.Notes = append(b.Notes, farOff(k))
		w, b.Films = before, untested
	}
	b.W = w
}

// doesNotFit asks about a test that this resin could hardly give.
func doesNotFit(f Feel) Note { return Note{Code: "test_unlikely", Feels: []Feel{f}} }

// farOff asks about tests that want a rate factor k which no batch has.
func farOff(k float64) Note {
	if k > kappaMax {
		return Note{Code: "far_faster"}
	}
	return Note{Code: "far_slower"}
}

// Wrong hardener, ratio or probe: how likely before any test, and how far off
// the rate factor then is (standard deviation of ln κ). Choices.
const (
	wrongShare = 0.02
	wrongSD    = 0.7
)

// believedZ are the films that finger tests choose among.
var believedZ = lattice(2*filmN, [5]int{37, 51, 23, 75, 109})

// films weighs every film by what the tests say, and draws filmN equally likely
// ones; w is the rate factor's belief over all of them.
func films(prior *Weights, own Likelihood, late float64) (out []FilmBelief, w Weights) {
	r := own.resin
	lo, hi := 0, gridN-1
	for lo < gridN-1 && prior[lo] < 1e-7 {
		lo++
	}
	for hi > 0 && prior[hi] < 1e-7 {
		hi--
	}
	// Degrees of cure and glass transitions at the tests.
	type felt struct{ a, tg [gridN]float64 }
	at := make([]felt, len(own.snaps))
	for t, s := range own.snaps {
		for i := lo; i <= hi; i++ {
			a := spread(&s.alpha, i)
			at[t].a[i], at[t].tg[i] = a, r.Tg(a)
		}
	}
	weigh := func(z *offsets) (v Weights, sum float64) {
		v = *prior
		for t, s := range own.snaps {
			how := s.sense(ofTouch)
			how.film = z.film()
			rank := s.Feel.State.Rank()
			for i := lo; i <= hi; i++ {
				p := how.above(r, at[t].a[i], at[t].tg[i], s.nowC, s.nowC, 1, false)
				v[i] *= reported(chanceOf(&p, rank))
			}
		}
		for i := lo; i <= hi; i++ {
			sum += v[i]
		}
		return v, sum
	}
	var sums [2 * filmN]float64
	total := 0.0
	for f := range believedZ {
		v, sum := weigh(&believedZ[f])
		sums[f] = sum
		total += sum
		for i := range w {
			w[i] += v[i]
		}
	}
	out = make([]FilmBelief, 0, filmN)
	next, seen := 0.5/filmN, 0.0
	for f := range believedZ {
		seen += sums[f] / total
		for k := 0; next <= seen && len(out) < filmN; k++ {
			if k > 0 {
				out = append(out, out[len(out)-1])
			} else {
				v, _ := weigh(&believedZ[f])
				v = v.blurred(late)
				v.normalise()
				out = append(out, FilmBelief{z: believedZ[f], w: v})
			}
			next += 1.0 / filmN
		}
	}
	for len(out) < filmN { // rounding
		out = append(out, out[len(out)-1])
	}
	w.normalise()
	w = w.blurred(late)
	w.normalise()
	return out, w
}

func product(ls []Likelihood) (w Weights) {
	for i := range w {
		w[i] = 1
	}
	for _, l := range ls {
		x := l.W
		if l.tempSD >= gridStep/4 {
			x = l.W.blurred(l.tempSD)
		}
		top := 0.0
		for i := range w {
			w[i] *= x[i]
			top = max(top, w[i])
		}
		for i := range w {
			w[i] /= top
		}
	}
	return w
}

// Blushed reports whether any test was ignored for water or blush on the coat.
func (l *Likelihood) Blushed() bool { return l.blushed }

// Says reports whether any finger test counted.
func (l *Likelihood) Says() bool { return len(l.used) > 0 }
