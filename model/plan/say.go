// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"curewright/model/words"
)

// say is a sentence of the catalogue's table [plan]. A time in it is one of the
// day that the plan begins with, or has its weekday.
func (c *compiled) say(code string, facts words.Facts) string {
	return c.Words.Sentence("plan."+code, facts).Text(c.at(c.from), words.View{Words: c.Words, Loc: c.loc})
}

// dated is a time with its weekday, whatever day it is.
func (c *compiled) dated(t time.Time) string {
	return words.View{Words: c.Words, Loc: c.loc}.Clock(t, time.Time{})
}

// sayShare says how likely the plan is to hold. Shares are rounded down: what
// permits speaks late.
func (c *compiled) sayShare(r *Result) string {
	n := int(math.Floor(100*r.Probability + 1e-9))
	facts := words.Facts{"n": n}
	switch {
	case r.Feasible && r.Finish != nil:
		facts["at"] = c.dated(*r.Finish)
		return c.say("share.done", facts)
	case r.Feasible:
		return c.say("share.holds", facts)
	case n > 0:
		return c.say("share.fails", facts)
	}
	return c.say("share.never", nil)
}

// doing is what is done in a step, as a sentence begins with it; a table of
// [plan.then] has the same for further on in a sentence.
func (c *compiled) doing(table string, s *step) string {
	facts := words.Facts{"cloth": s.Cloth, "to": s.To, "coat": s.Coat}
	code := s.Do
	switch {
	case s.Do == "coat":
		code, facts["coat"] = "roll", words.Known("kind."+s.Coat, s.Coat)
		if words.English.Has("plan.do." + s.Coat) {
			code = s.Coat
		}
	case s.Do == "cloth" && s.Cloth != "":
		code = "lay"
	}
	return c.say(table+"."+code, facts)
}

// sayStep is a step's order with its times. coatEnd is when the coat that it
// waits for is on.
func (c *compiled) sayStep(s *step, p *Planned, coatEnd time.Time) string {
	facts := words.Facts{"do": c.doing("do", s), "at": p.At, "until": p.Until, "temp": words.Temp(nonNil(s.TempC)), "hours": nonNil(s.Hours)}
	switch {
	case p.Done:
		return c.say("step.done", facts)
	case s.Do == "wait", s.Do == "soak":
		return c.say("step."+s.Do, facts)
	case s.coatOf < 0:
		return c.say("step.at", facts)
	}
	facts["condition"] = words.Code("plan.condition." + s.When)
	if w := p.Window; w != nil && w.Opens != nil {
		facts["opens"] = *w.Opens
	}
	if w := p.Window; w != nil && w.Closes != nil {
		facts["closes"] = *w.Closes
	}
	switch {
	case p.FeelFrom != nil:
		facts["then"], facts["coat"] = c.doing("then", s), c.steps[s.coatOf].ID
		facts["from"], facts["every"] = *p.FeelFrom, fmt.Sprintf("%.0f", refeel(p.At.Sub(coatEnd).Minutes()))
		return c.say("step.feel", facts)
	case facts["opens"] != nil && facts["closes"] != nil && s.open != applied:
		return c.say("step.between", facts)
	case facts["closes"] != nil:
		return c.say("step.by", facts)
	case facts["opens"] != nil:
		return c.say("step.once", facts)
	}
	return c.say("step.at", facts)
}

// whyNot says, for the steps that were missed most, which two conditions
// stand against each other.
func (c *compiled) whyNot(d *detail) []string {
	type key struct {
		step, with int
		why        cause
	}
	count := map[key][]int{}
	for m, i := range d.failed {
		if i >= 0 {
			k := key{i, d.with[i][m], d.why[i][m]}
			count[k] = append(count[k], m)
		}
	}
	worst := slices.SortedFunc(maps.Keys(count), func(a, b key) int {
		return cmp.Or(len(count[b])-len(count[a]), a.step-b.step, int(a.why-b.why), a.with-b.with)
	})
	out := []string{}
	for _, k := range worst {
		ms := count[k]
		if len(out) >= 4 || len(ms)*50 < c.members { // below 2 %
			break
		}
		out = append(out, c.say("why_not.line", words.Facts{"step": c.steps[k.step].ID, "why": c.conflict(d, k.step, k.with, k.why, ms),
			"n": fmt.Sprintf("%.0f", 100*float64(len(ms))/float64(c.members))}))
	}
	return out
}

// conflict is what stands against a step in the members ms; with is the other
// step that it is about, or below 0.
func (c *compiled) conflict(d *detail, step, with int, why cause, ms []int) string {
	s := &c.steps[step]
	pick := func(v []float64) string {
		s := make([]float64, 0, len(ms))
		for _, m := range ms {
			s = append(s, v[m])
		}
		if t := c.when(quantileOf(s, .5)); t != nil {
			return c.dated(t.Round(5 * time.Minute))
		}
		return c.say("why_not.never_time", nil)
	}
	facts := words.Facts{"when": words.Code("plan.when." + s.When), "panel": s.Panel, "work": fmt.Sprintf("%.0f", s.work), "start": c.dated(c.at(c.from))}
	if with >= 0 {
		facts["other"] = c.steps[with].ID
		if len(d.end) > with {
			facts["ends"] = pick(d.end[with])
		}
	}
	condition := ""
	if s.coatOf >= 0 {
		facts["coat"], facts["opens"], facts["closes"] = c.steps[s.coatOf].ID, pick(d.open[step]), pick(d.close[step])
		condition = c.say("why_not.from", facts)
		if s.close != never {
			condition = c.say("why_not.window", facts)
		}
		facts["coldest"] = words.Temp(math.Round(c.coldest(s)))
	}
	facts["window"] = condition
	code := "start"
	switch why {
	case byNever:
		code = "never"
	case byShort:
		code = "short"
	case byOver:
		code = "over"
	case byHours:
		code = "hours"
		if condition == "" {
			code = "no_time"
		}
	case byPerson:
		code = "persons"
		if with >= 0 {
			code = "person"
		}
	case byEarly:
		code = "early"
	case byLate, byWindow:
		code = "late"
	case byStep:
		code = "step"
	}
	return strings.TrimSpace(c.say("why_not."+code, facts))
}
