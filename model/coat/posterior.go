package coat

import (
	"fmt"
	"math"
	"time"

	"curewright/model/cure"
)

// Belief is what is known about one coat's rate factor.
type Belief struct {
	W Weights
	// Used and Ignored count finger tests.
	Used, Ignored int
	Notes         []Note
	// LastUsed is the last finger test that counted; nil for none.
	LastUsed *Feel
	// GapSD is the doubt from gaps that the last finger test knew of.
	GapSD float64
	// Asked is set when the tests ask for a rate factor that no batch of this
	// resin has: wrong hardener, ratio or probe.
	Asked bool
}

// Note is one remark under a coat, with places for times.
type Note struct {
	Say Sentence
}

// likelihood of one finger test on the grid.
func (s *Snapshot) likelihood(r *cure.Resin) Weights {
	var w Weights
	for i := range w {
		p := states(cumulativeWide(r, spread(&s.alpha, i), s.nowC, s.source != FromProbe))
		w[i] = (1-misreport)*p.of(s.Feel.State) + misreport/5
	}
	return w
}

// cumulativeWide is what a finger finds; without a surface probe the
// thresholds are half as wide again.
func cumulativeWide(r *cure.Resin, alpha, nowC float64, wide bool) [4]float64 {
	if !wide {
		return cumulative(r, alpha, nowC, nowC, false, true)
	}
	const f = 1.5
	tg := r.Tg(alpha)
	p := [4]float64{
		phi((alpha - alphaTacky) / (f * sdTacky)),
		phi((alpha - r.AlphaGel) / (f * sdGreen)),
		phi((tg - nowC) / (f * sdFirmK)),
		phi((tg - nowC - hardAboveK) / (f * sdHardK)),
	}
	if tg < nowC-greenBelowK {
		p[1] = 0
	}
	p[3] = min(p[3], p[2])
	p[0], p[1] = max(p[0], p[2]), max(p[1], p[2])
	p[1] = min(p[1], p[0])
	return p
}

// Likelihood is what the finger tests of one coat say about its rate factor,
// each as 1 where it says nothing.
type Likelihood struct {
	W       Weights
	each    []Weights // of each test used
	used    []Feel
	notes   []Note
	tempSD  float64 // doubt from temperatures at the last test used
	gapSD   float64 // of that, from gaps
	ignored int
}

// Judge weighs the finger tests the track has seen: those after blush or
// water are ignored, those that contradict each other are reported and not
// averaged.
func (tr *Track) Judge() Likelihood {
	l := Likelihood{}
	for i := range l.W {
		l.W[i] = 1
	}
	keep := make([]*Snapshot, 0, len(tr.seen))
	for i := range tr.seen {
		s := &tr.seen[i]
		switch mid := nodeN / 2; {
		case s.condensed&(1<<mid) != 0 || s.j[mid] > 1:
			l.ignored++
			l.note("The finger test at ", s.Feel.At, fmt.Sprintf(" (%s) does not count: there was water or blush on the coat.", s.Feel.State))
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
		l.tempSD = s.tempSD
		l.gapSD = s.gapSD
	}
	return l
}

func (l *Likelihood) note(before string, at time.Time, after string) {
	l.notes = append(l.notes, Note{Sentence{{Text: before}, {Time: &at}, {Text: after}}})
}

// consistent drops tests that contradict the order of cure: wet, tacky and
// green never come back. One odd test out of three or more is dropped alone;
// otherwise both sides are, since there is no telling which is right.
func (l *Likelihood) consistent(s []*Snapshot) []*Snapshot {
	clash := func(a, b *Snapshot) bool { // a before b
		ra, rb := a.Feel.State.Rank(), b.Feel.State.Rank()
		return rb < ra && rb < Green.Rank() || rb == Green.Rank() && ra > rb && b.nowC < a.nowC+2*hysteresisK
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
	var say Sentence
	for i, x := range s {
		if !bad[i] {
			out = append(out, x)
			continue
		}
		l.ignored++
		at := x.Feel.At
		if len(say) == 0 {
			say = Sentence{{Text: "The finger tests contradict each other: "}}
		} else {
			say = append(say, Part{Text: ", "})
		}
		say = append(say, Part{Text: string(x.Feel.State) + " at "}, Part{Time: &at})
	}
	if len(bad) == 1 {
		say[0].Text = "One finger test contradicts the others and does not count: "
		say = append(say, Part{Text: "."})
	} else {
		say = append(say, Part{Text: ". None of these counts; feel it again."})
	}
	l.notes = append(l.notes, Note{say})
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
	b := Belief{Used: len(own.used), Ignored: own.ignored, Notes: own.notes, GapSD: own.gapSD}
	if n := len(own.used); n > 0 {
		b.LastUsed = &own.used[n-1]
	}
	// What the coat's own tests knew of its temperatures at the time.
	early := math.Hypot(extra, min(own.tempSD, tempSD))
	if len(own.used) == 0 {
		early = math.Hypot(extra, tempSD)
	}
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
	w.normalise()
	before := w
	// A test that this resin could hardly give, whatever the batch.
	for k, l := range own.each {
		sum := 0.0
		for i := range w {
			sum += before[i] * l[i]
		}
		if sum < hardlyEver {
			b.Asked = true
			f := own.used[k]
			b.Notes = append(b.Notes, Note{Sentence{{Text: "The finger test at "}, {Time: &f.At}, {Text: " (" + string(f.State) +
				") does not fit this resin. Wrong hardener, wrong ratio, or a probe that is not on the panel? Feel it again."}}})
		}
	}
	for i := range w {
		w[i] *= own.W[i]
	}
	if !w.normalise() {
		w = before
	}
	if late := tempSD*tempSD - own.tempSD*own.tempSD; len(own.used) > 0 && late > 0 {
		w = w.blurred(math.Sqrt(late))
		w.normalise()
	}
	if k := math.Exp(w.quantile(0.5)); (k < kappaMin || k > kappaMax) && len(own.used) > 0 {
		b.Asked = true
		how := "slower"
		if k > kappaMax {
			how = "faster"
		}
		b.Notes = append(b.Notes, Note{Sentence{{Text: "The finger tests say this cures far " + how +
			" than this resin can. Wrong hardener, wrong ratio, or a probe that is not on the panel? They do not count until that is settled."}}})
		w = before
	}
	b.W = w
	return b
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

// Says reports whether any finger test counted.
func (l *Likelihood) Says() bool { return len(l.used) > 0 }
