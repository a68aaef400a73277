// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"slices"
	"strconv"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/words"
)

// Learnt is what the lessons of one resin say, under several stories.
type Learnt struct {
	Resin   cure.Resin
	Lessons []*Lesson
	stories []told
	yard    bool
}

type told struct {
	f     *fit
	share float64
}

// Learn works out what lessons say of a resin. Lessons of others, and those
// that teach nothing, do not count. It is nil where nothing was learnt.
func Learn(r cure.Resin, lessons []Lesson) *Learnt {
	ls := ofResin(lessons, r.Name)
	law := LawOf(&r)
	ls = slices.DeleteFunc(ls, func(l *Lesson) bool { return l.Law != law })
	if len(ls) == 0 {
		return nil
	}
	return learnt(r, ls)
}

func learnt(r cure.Resin, ls []*Lesson) *Learnt {
	m := &Learnt{Resin: r, Lessons: ls}
	add := func(s story, prior float64) *fit {
		f := learn(&m.Resin, ls, s)
		m.stories = append(m.stories, told{f, math.Log(prior) + f.logZ})
		return f
	}
	main := add(story{lot: lotSD}, (1-lotWideShare)*(1-2*lateShare))
	if len(main.lots) > 1 {
		add(story{lot: lotWideSD}, lotWideShare*(1-2*lateShare))
	}
	for _, who := range m.people() {
		for _, late := range []int{1, -1} {
			add(story{lot: lotSD, who: who, late: late}, lateShare)
		}
	}
	top := math.Inf(-1)
	for _, t := range m.stories {
		top = max(top, t.share)
	}
	sum := 0.0
	for i := range m.stories {
		t := &m.stories[i]
		t.share = math.Exp(t.share - top)
		sum += t.share
	}
	for i := range m.stories {
		m.stories[i].share /= sum
	}
	slices.SortStableFunc(m.stories, func(a, b told) int {
		switch {
		case a.share > b.share:
			return -1
		case a.share < b.share:
			return 1
		}
		return 0
	})
	m.stories = slices.DeleteFunc(m.stories, func(t told) bool { return t.share < 0.005 })
	return m
}

// people are those whose fingers taught, the busiest first; more than four
// are not asked after being late.
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
	Unit     string  // its cups, as lessons name them
	Board    string  // of the unit
	Who      string  // whose finger will feel it
	Contrast float64 // as in [Lesson]
}

// Prior is what is believed of a coat before its own tests.
func (m *Learnt) Prior(a About) *coat.Prior {
	p := &coat.Prior{}
	for i := range m.stories {
		t := &m.stories[i]
		f := t.f
		person, known := f.people[a.Who]
		if !known {
			person = -1
		}
		kappa, noise := f.row(a.Contrast, a.Lot, len(f.epochs[a.Lot]), a.Board+"\n"+a.Unit)
		b := foresee(f.mean, f.cov, kappa, person, &noise)
		late := f.lateOf(a.Who)
		part := func(share float64, b belief, late int) {
			p.Parts = append(p.Parts, coat.PriorPart{Share: share, Mean: b.m, Cov: b.c, Late: late})
		}
		share := (1 - notThis) * t.share
		odds := f.changed[a.Lot]
		total := 1.0
		for k := range odds {
			odds[k] += changes / float64(len(shifts))
			total += odds[k]
		}
		base := share / total
		if !known {
			part(base*lateShare, b, 1)
			part(base*lateShare, b, -1)
			base *= 1 - 2*lateShare
		}
		part(base, b, late)
		for k, d := range shifts {
			c := b
			c.m[0] += d
			c.c[0][0] += 0.1 * 0.1
			part(share*odds[k]/total, c, late)
		}
		if i > 0 {
			continue
		}
		// Nothing learnt of the resin holds; the hand is the same.
		for _, x := range [...]struct{ share, sd float64 }{{1 - alienShare, m.Resin.LnKappaSD}, {alienShare, alienSD}} {
			c := b
			c.m[0] = 0
			for j := range dim {
				c.c[0][j], c.c[j][0] = 0, 0
			}
			c.c[0][0] = x.sd * x.sd
			p.Parts = append(p.Parts, coat.PriorPart{Share: notThis * x.share, Mean: c.m, Cov: c.c, Late: late, Sheet: true})
		}
	}
	return p
}

// Unlike is the chance from which a coat counts as one of which nothing that
// was learnt holds.
const Unlike = coat.Unlike

// noticed is the chance from which a run on one side is said.
const noticed = 0.5

// Run is the run of tests on one side that a lot is in just now; nil for none
// worth saying.
func (m *Learnt) Run(lot string) *Run {
	r, ok := m.stories[0].f.runs[lot]
	if !ok || r.Chance < noticed || len(r.Coats) == 0 {
		return nil
	}
	return &r
}

// Note is a run as a coat's remark.
func (r *Run) Note() coat.Note {
	code := "run_slower"
	if r.Faster {
		code = "run_faster"
	}
	return coat.Note{Code: code, Facts: words.Facts{"n": strconv.Itoa(r.Tests)}}
}

// Memory is all that a shop has learnt.
type Memory struct {
	Lessons []Lesson
	// Rev changes whenever the lessons do.
	Rev uint64
}
