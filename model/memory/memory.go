// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// Learnt is what the lessons of one resin say, under several hypotheses.
type Learnt struct {
	Resin      cure.Resin
	Lessons    []*Lesson
	Shared     []*Shared // what other boards of the yard sent, as far as it is used
	Aside      []Aside   // and what is not used
	hypotheses []hypothesis
}

// hypothesis is one way in which a resin, its lots and the fingers may have behaved;
// share is its posterior probability.
type hypothesis struct {
	f     *fit
	share float64
}

// Aside is a lot of another board that is not used because it contradicts this board: κ
// here and there, with the standard deviation of the logarithm of their ratio. Where this
// board knows nothing itself, Against is the third board that contradicts: then neither
// is used, and Mine is its κ.
type Aside struct {
	Board   string  `json:"board"`
	Against string  `json:"against,omitempty"`
	Resin   string  `json:"resin"`
	Lot     string  `json:"lot,omitempty"`
	Mine    float64 `json:"mine"`
	Theirs  float64 `json:"theirs"`
	SD      float64 `json:"sd"`
}

// Learn works out what a memory says of a resin on a board. Lessons of other
// resins and rate laws, and those that teach nothing, do not count. It is nil
// where nothing was learnt.
func Learn(r cure.Resin, m *Memory, board string) *Learnt {
	law := LawOf(&r)
	out := &Learnt{Resin: r}
	foreign := map[string][]*Lesson{}
	for _, l := range ofResin(m.Lessons, r.Name) {
		switch {
		case l.Law != law:
		case l.Board == board:
			out.Lessons = append(out.Lessons, l)
		default:
			foreign[l.Board] = append(foreign[l.Board], l)
		}
	}
	// What each other board says of the lots, to find contradictions; its coats are
	// used where there is none.
	said := map[string]*Shared{}
	for _, b := range slices.Sorted(maps.Keys(foreign)) {
		said[b] = learnt(&Learnt{Resin: r, Lessons: foreign[b]}).Share(b)
	}
	for i := range m.Shared {
		if s := &m.Shared[i]; s.Resin == r.Name && s.Law == law && s.Board != board && said[s.Board] == nil {
			said[s.Board] = s
		}
	}
	if len(said) > 0 {
		if len(out.Lessons) > 0 {
			said[board] = learnt(&Learnt{Resin: r, Lessons: out.Lessons}).Share(board)
		}
		bad := out.disagree(said, board)
		for _, b := range slices.Sorted(maps.Keys(said)) {
			switch {
			case b == board || bad[b]:
			case foreign[b] != nil:
				out.Lessons = append(out.Lessons, foreign[b]...)
			case said[b] != nil:
				out.Shared = append(out.Shared, said[b])
			}
		}
		slices.SortStableFunc(out.Lessons, func(a, b *Lesson) int { return a.Applied.Compare(b.Applied) })
	}
	if len(out.Lessons) == 0 && len(out.Shared) == 0 {
		if len(out.Aside) > 0 {
			return out
		}
		return nil
	}
	return learnt(out)
}

// Knows reports whether anything was learnt that changes an estimate.
func (m *Learnt) Knows() bool { return m != nil && len(m.hypotheses) > 0 }

// disagree finds boards that contradict this board, or each other; of two that contradict
// each other neither is used.
func (m *Learnt) disagree(said map[string]*Shared, board string) map[string]bool {
	bad := map[string]bool{}
	names := slices.Sorted(maps.Keys(said))
	for i, a := range names {
		for _, b := range names[i+1:] {
			sa, sb := said[a], said[b]
			if sa == nil || sb == nil || said[board] != nil && a != board && b != board {
				continue
			}
			if b == board {
				a, b, sa, sb = b, a, sb, sa
			}
			for _, lot := range sa.Lots {
				if !slices.Contains(sb.Lots, lot) {
					continue
				}
				ma, va := sa.alone(&m.Resin, lot)
				mb, vb := sb.alone(&m.Resin, lot)
				sd := math.Hypot(va, vb)
				if math.Abs(ma-mb) < opposite*sd {
					continue
				}
				bad[b] = true
				against := ""
				if a != board {
					bad[a], against = true, a
				}
				m.Aside = append(m.Aside, Aside{Board: b, Against: against, Resin: m.Resin.Name, Lot: lot, Mine: math.Exp(ma), Theirs: math.Exp(mb), SD: sd})
				break
			}
		}
	}
	return bad
}

func learnt(m *Learnt) *Learnt {
	ls := m.Lessons
	add := func(s story, prior float64) *fit {
		f := learn(&m.Resin, ls, m.Shared, s)
		m.hypotheses = append(m.hypotheses, hypothesis{f, math.Log(prior) + f.logZ})
		return f
	}
	plain := 1 - lateShare - earlyShare
	wide := 0.0
	if slices.ContainsFunc(ls, func(l *Lesson) bool { return l.Lot != ls[0].Lot }) {
		wide = lotWideShare
		add(story{lot: lotWideSD, film: filmSome}, wide*plain)
	}
	add(story{lot: lotSD, film: filmLittle}, (1-wide)/2*plain)
	add(story{lot: lotSD, film: filmMuch}, (1-wide)/2*plain)
	for _, who := range m.people() {
		add(story{lot: lotSD, film: filmSome, who: who, late: 1}, lateShare)
		add(story{lot: lotSD, film: filmSome, who: who, late: -1}, earlyShare)
	}
	top := math.Inf(-1)
	for _, t := range m.hypotheses {
		top = max(top, t.share)
	}
	sum := 0.0
	for i := range m.hypotheses {
		t := &m.hypotheses[i]
		t.share = math.Exp(t.share - top)
		sum += t.share
	}
	for i := range m.hypotheses {
		m.hypotheses[i].share /= sum
	}
	slices.SortStableFunc(m.hypotheses, func(a, b hypothesis) int { return cmp.Compare(b.share, a.share) })
	m.hypotheses = slices.DeleteFunc(m.hypotheses, func(t hypothesis) bool { return t.share < 0.005 })
	return m
}

// Unknowing is the prior of a coat of a resin of which nothing was learnt. It is used to
// judge whether a coat's tests are possible at all, whoever made them.
func Unknowing(r cure.Resin, a About) *coat.Prior { return learnt(&Learnt{Resin: r}).Prior(a) }

// people are those whose finger tests count, the most frequent first; only for the first
// four it is tested whether their reports run late.
func (m *Learnt) people() (out []string) {
	n := map[string]int{}
	for _, l := range m.Lessons {
		for _, t := range l.Touches {
			if n[t.By] == 0 {
				out = append(out, t.By)
			}
			n[t.By]++
		}
	}
	slices.SortStableFunc(out, func(a, b string) int { return n[b] - n[a] })
	return out[:min(len(out), 4)]
}

// About is the coat that a prior is asked for.
type About struct {
	Lot      string
	Unit     string    // its cups, as lessons name them
	Board    string    // of the unit
	Applied  time.Time // zero for after all lessons
	Who      string    // whose finger will feel it
	Contrast float64   // as in [Lesson]
}

// Prior is what is believed of a coat before its own tests.
func (m *Learnt) Prior(a About) *coat.Prior {
	p := &coat.Prior{}
	if a.Applied.IsZero() {
		a.Applied = m.latest(a.Lot).Add(time.Second)
	}
	for i := range m.hypotheses {
		t := &m.hypotheses[i]
		f := t.f
		person, known := f.people[a.Who]
		if !known {
			person = -1
		}
		kappa, noise := f.row(a.Contrast, a.Lot, a.Applied, a.Board+"\n"+a.Unit)
		b := foresee(f.mean, f.cov, kappa, person, f.person(), &noise)
		late := f.lateOf(a.Who)
		part := func(share float64, b belief, late int, changed bool) {
			p.Parts = append(p.Parts, coat.PriorPart{Share: share, Mean: b.m, Cov: b.c, Late: late, Changed: changed})
		}
		other, total := notThisNew, 1.0
		if _, ok := f.lots[a.Lot]; ok {
			other = notThis
			if mean, cov, ok := f.loosely(); ok {
				now, odds := f.bent(f.weighBends(a.Lot, mean, cov), mean, cov, a.Applied, kappa, person, &noise)
				if total += odds + stepChance; odds > 0 {
					part((1-notThis)*t.share*odds/total, now, late, true)
				}
				fresh := b // from this coat on
				fresh.c[0][0] += stepSD * stepSD
				part((1-notThis)*t.share*stepChance/total, fresh, late, true)
			}
		}
		base := (1 - other) * t.share / total
		if !known {
			part(base*lateShare, b, 1, false)
			part(base*earlyShare, b, -1, false)
			base *= 1 - lateShare - earlyShare
		}
		part(base, b, late, false)
		if i > 0 {
			continue
		}
		// Nothing learnt of the resin holds, but the person's offsets do.
		for _, x := range [...]struct{ share, sd float64 }{{1 - alienShare, m.Resin.LnKappaSD}, {alienShare, alienSD}} {
			c := b
			c.m[0] = 0
			for j := range dim {
				c.c[0][j], c.c[j][0] = 0, 0
			}
			c.c[0][0] = x.sd * x.sd
			p.Parts = append(p.Parts, coat.PriorPart{Share: other * x.share, Mean: c.m, Cov: c.c, Late: late, Sheet: true})
		}
	}
	return p
}

// latest is when the last coat of a lot was applied.
func (m *Learnt) latest(lot string) (t time.Time) {
	for _, l := range m.Lessons {
		if l.Lot == lot && l.Applied.After(t) {
			t = l.Applied
		}
	}
	return t
}
