// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/words"
)

// Claim is one thing that was learnt, to be said in one line, with the coats
// that taught it.
type Claim struct {
	Code   string   `json:"code"` // of the catalogue's table [memory.claim]
	Resin  string   `json:"resin"`
	Lot    string   `json:"lot,omitempty"`
	Person string   `json:"person,omitempty"`
	Say    string   `json:"say"`
	Coats  []string `json:"coats"` // keys of lessons
	Tests  int      `json:"tests"`
	P10    *float64 `json:"p10,omitempty"` // of the number said: a rate factor, a time or an energy
	P50    *float64 `json:"p50,omitempty"`
	P90    *float64 `json:"p90,omitempty"`
	facts  words.Facts
}

// Limits for a claim to stand out from its own uncertainty.
const (
	coldC     = 15.0
	z80       = 1.2815515655446004
	sayDoubt  = 0.75 // of the prior uncertainty: above this nothing was learnt
	leastSaid = 0.03 // of ln κ: a smaller shift counts as "as on the sheet"
)

// Claims are what was learnt, the most useful first, in a
// reader's language and units.
func (m *Learnt) Claims(v words.View) (out []Claim) {
	add := func(c Claim) {
		c.Resin = m.Resin.Name
		c.Say = v.Say("memory.claim."+c.Code, c.facts)
		if c.Coats == nil {
			c.Coats = []string{}
		}
		out = append(out, c)
	}
	for _, a := range m.Aside {
		code := "aside"
		if a.Against != "" {
			code = "aside_both"
		}
		mine, theirs := math.Log(a.Mine), math.Log(a.Theirs)
		add(Claim{Code: code, Lot: a.Lot, facts: words.Facts{"board": a.Board, "against": a.Against, "resin": a.Resin, "lot": lotWord(a.Lot),
			"mine": pct(mine), "myside": side(mine), "theirs": pct(theirs), "theirside": side(theirs)}})
	}
	if !m.Knows() {
		return out
	}
	f := m.hypotheses[0].f
	for _, lot := range sortedLots(m.Lessons) {
		if r := m.Run(lot); r != nil {
			code := "drift_slower"
			switch {
			case r.Faster:
				code = "drift_faster"
			case r.Ages:
				code = "drift_ages"
			}
			add(Claim{Code: code, Lot: lot, Coats: r.Coats, Tests: r.Tests, facts: words.Facts{"lot": lotWord(lot), "n": strconv.Itoa(r.Tests), "coats": strconv.Itoa(len(r.Coats))}})
		}
		for _, b := range f.bends {
			if b.lot == lot {
				_, name, _ := strings.Cut(b.first, "/")
				add(Claim{Code: "changed", Lot: lot, Coats: []string{b.first}, facts: words.Facts{"lot": lotWord(lot), "coat": name}})
			}
		}
	}
	m.rates(f, add)
	m.energy(f, add)
	m.lots(f, add)
	m.fingers(f, add)
	m.fared(add)
	return out
}

func lotWord(lot string) string { return cmp.Or(lot, "–") }

func sortedLots(ls []*Lesson) (lots []string) {
	for _, l := range ls {
		if !slices.Contains(lots, l.Lot) {
			lots = append(lots, l.Lot)
		}
	}
	return lots
}

// rates says how the resin runs against its sheet, over all coats and, where
// enough were, over the cold ones.
func (m *Learnt) rates(f *fit, add func(Claim)) {
	say := func(code string, ls []*Lesson) {
		if len(ls) == 0 {
			return
		}
		x := 0.0
		for _, l := range ls {
			x += l.Contrast / float64(len(ls))
		}
		mean, sd := f.rate(x)
		code += word(mean, sd)
		c := Claim{Code: code, Coats: keys(ls), Tests: testsOf(ls), facts: words.Facts{
			"resin": m.Resin.Name, "pct": pct(mean), "low": pct(mean - z80*sd), "high": pct(mean + z80*sd), "n": strconv.Itoa(len(ls)), "cold": words.Temp(coldC)}}
		c.factor(mean, sd)
		add(c)
	}
	var cold []*Lesson
	for _, l := range m.Lessons {
		if l.WarmthC < coldC {
			cold = append(cold, l)
		}
	}
	if len(m.Lessons) == 0 {
		say2 := m.Shared[0]
		mean, sd := f.rate(0)
		c := Claim{Code: "rate_yard", Tests: say2.Tests, facts: words.Facts{"resin": m.Resin.Name, "pct": pct(mean), "side": side(mean), "board": say2.Board, "n": strconv.Itoa(say2.Coats)}}
		c.factor(mean, sd)
		add(c)
		return
	}
	say("rate", m.Lessons)
	if len(cold) >= 2 && len(cold) < len(m.Lessons) {
		say("cold", cold)
	}
}

func (c *Claim) band(a, b, d float64) { c.P10, c.P50, c.P90 = &a, &b, &d }

// factor is the band of a rate factor by its logarithm.
func (c *Claim) factor(mean, sd float64) {
	c.band(math.Exp(mean-z80*sd), math.Exp(mean), math.Exp(mean+z80*sd))
}

// word is the ending of a code: faster, slower, or as the sheet says.
func word(mean, sd float64) string {
	switch {
	case math.Abs(mean) < max(leastSaid, 0.5*sd):
		return "_same"
	case mean > 0:
		return "_faster"
	}
	return "_slower"
}

func side(mean float64) words.Code {
	if mean > 0 {
		return "memory.faster"
	}
	return "memory.slower"
}

// pct is by how many per cent a rate differs from one, as a whole number
// without its sign.
func pct(ln float64) string { return strconv.Itoa(int(math.Round(math.Abs(100 * (math.Exp(ln) - 1))))) }

// rate is ln κ of the resin at a contrast.
func (f *fit) rate(contrast float64) (mean, sd float64) {
	return f.of([]entry{{0, f.sheet}, {1, -f.e / 1000 * contrast}})
}

// of is mean and standard deviation of a sum of what all share.
func (f *fit) of(k []entry) (mean, sd float64) {
	v := 0.0
	for _, a := range k {
		mean += a.x * f.mean[a.i]
		for _, b := range k {
			v += a.x * b.x * f.cov.at(a.i, b.i)
		}
	}
	return mean, math.Sqrt(v)
}

func (m *Learnt) energy(f *fit, add func(Claim)) {
	if sd := math.Sqrt(f.cov.at(1, 1)); sd < sayDoubt {
		at, half := (m.Resin.E2+f.e*f.mean[1])/1000, f.e*sd/1000
		c := Claim{Code: "energy", Coats: keys(m.Lessons), Tests: testsOf(m.Lessons), facts: words.Facts{"resin": m.Resin.Name,
			"warm": words.Temp(30), "cool": words.Temp(20), "sheet": times(m.Resin.E2 / 1000), "now": times(at), "low": times(at - half), "high": times(at + half), "n": strconv.Itoa(len(m.Lessons))}}
		c.band(at-z80*half, at, at+z80*half)
		add(c)
	}
}

// times expresses an activation energy, kJ/mol, as how many times as fast a resin cures
// at 30 °C as at 20 °C.
func times(kJMol float64) string {
	return fmt.Sprintf("%.2f", math.Exp(1000*kJMol/cure.GasConstant*(1/293.15-1/303.15)))
}

func (m *Learnt) lots(f *fit, add func(Claim)) {
	lots := sortedLots(m.Lessons)
	if len(lots) < 2 {
		return
	}
	for _, lot := range lots {
		if lot == "" {
			continue
		}
		i, ok := f.lots[lot]
		if !ok {
			continue
		}
		mean, sd := f.of(f.lotRow(lot, m.latest(lot), i))
		w := word(mean, sd)
		if w == "_same" {
			continue
		}
		var ls []*Lesson
		for _, l := range m.Lessons {
			if l.Lot == lot {
				ls = append(ls, l)
			}
		}
		c := Claim{Code: "lot" + w, Lot: lot, Coats: keys(ls), Tests: testsOf(ls), facts: words.Facts{"lot": lot, "resin": m.Resin.Name, "pct": pct(mean), "n": strconv.Itoa(len(ls))}}
		c.factor(mean, sd)
		add(c)
	}
}

// fingers says where a person finds a mark, in minutes of a coat at 20 °C.
func (m *Learnt) fingers(f *fit, add func(Claim)) {
	marks := [coat.NumOffsets]cure.Mark{cure.Tacky, cure.Opens, cure.Green, cure.Firm, cure.Hard}
	names := [coat.NumOffsets]coat.State{coat.Tacky, "", coat.Green, coat.Firm, coat.Hard}
	for _, who := range m.people() {
		var ls []*Lesson
		tests := 0
		for _, l := range m.Lessons {
			n := 0
			for _, t := range l.Touches {
				if t.By == who {
					n++
				}
			}
			if n > 0 {
				ls = append(ls, l)
				tests += n
			}
		}
		base := words.Facts{"who": whoWord(who), "n": strconv.Itoa(len(ls))}
		if late := f.lateOf(who); late != 0 {
			code := "word_late"
			if late < 0 {
				code = "word_early"
			}
			add(Claim{Code: code, Person: who, Coats: keys(ls), Tests: tests, facts: base})
		}
		i, ok := f.people[who]
		if !ok {
			continue
		}
		for k, name := range names {
			if name == "" {
				continue
			}
			mean, sd := f.mean[i+k], math.Sqrt(f.cov.at(i+k, i+k))
			if sd > sayDoubt || math.Abs(mean) < sd {
				continue
			}
			lo, ok1 := markMinutes(&m.Resin, marks[k], k, 0)
			hi, ok2 := markMinutes(&m.Resin, marks[k], k, f.person()*mean)
			if !ok1 || !ok2 || math.Abs(hi-lo) < 3 {
				continue
			}
			code := "finger_later"
			if hi < lo {
				code = "finger_earlier"
			}
			facts := words.Facts{"who": whoWord(who), "n": strconv.Itoa(len(ls)), "state": words.Code("state." + string(name)),
				"by": words.Span(time.Duration(math.Abs(hi-lo)) * time.Minute), "at": words.Temp(20)}
			c := Claim{Code: code, Person: who, Coats: keys(ls), Tests: tests, facts: facts}
			x := hi - lo
			c.P50 = &x
			add(c)
		}
	}
}

func whoWord(who string) any {
	if who == "" {
		return words.Code("memory.somebody")
	}
	return who
}

// markMinutes is when a coat at a steady 20 °C passes a mark in a film with one
// offset, min; false where it does not within four days.
func markMinutes(r *cure.Resin, m cure.Mark, offset int, z float64) (float64, bool) {
	want := r.Level(m, 20, coat.FilmOf(offset, z))
	it := cure.NewIntegrator(*r)
	a, k := []float64{0}, []float64{1}
	for t := 0.0; t < 96*60; t += 2 {
		was := a[0]
		it.Advance(a, k, 120, 20, 20)
		if a[0] >= want {
			return t + 2*(want-was)/(a[0]-was), true
		}
	}
	return 0, false
}

// fared is the claim of how often the next coat went on inside its window.
func (m *Learnt) fared(add func(Claim)) {
	for _, kind := range []string{coat.WindowFill, coat.WindowCoat, coat.WindowCloth} {
		var ls []*Lesson
		right, sum := 0, 0.0
		for _, l := range m.Lessons {
			if l.Next == nil || l.Next.Window != kind {
				continue
			}
			ls = append(ls, l)
			sum += l.Next.Minutes
			if l.Next.Right {
				right++
			}
		}
		if len(ls) < 2 {
			continue
		}
		mean := sum / float64(len(ls))
		add(Claim{Code: "next_" + kind, Coats: keys(ls), Tests: testsOf(ls), facts: words.Facts{
			"after": words.Span(time.Duration(math.Round(mean)) * time.Minute), "right": strconv.Itoa(right), "n": strconv.Itoa(len(ls))}})
	}
}

func keys(ls []*Lesson) (out []string) {
	for _, l := range ls {
		out = append(out, l.Key())
	}
	return out
}

func testsOf(ls []*Lesson) (n int) {
	for _, l := range ls {
		n += len(l.Touches)
	}
	return n
}

// Line is the one claim that matters most for a coat of this resin and lot, ""
// for none.
func (m *Learnt) Line(lot string, v words.View) string {
	cs := m.Claims(v)
	best := ""
	for _, c := range cs {
		switch c.Code {
		case "drift_slower", "drift_faster", "lot_slower", "lot_faster":
			if c.Lot == lot {
				return c.Say
			}
		case "aside", "aside_both", "rate_same", "rate_faster", "rate_slower", "rate_yard", "word_late", "word_early":
			if best == "" {
				best = c.Say
			}
		}
	}
	return best
}

// Reason is why a lesson teaches nothing or less, in words.
func Reason(code string, v words.View) string {
	return v.Say("memory.why."+code, nil)
}
