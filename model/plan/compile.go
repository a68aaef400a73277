// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"curewright/model/job"
	"curewright/model/pot"
)

// compiler makes a job ready and gathers all that is wrong with it.
type compiler struct {
	*compiled
	faults   Faults
	path     bool // the forecast can be used
	panels   map[string]int
	byID     map[string]int
	known    map[string]int // resin -> its place among the compiled
	last     map[int]int    // panel -> last step on it
	lastCoat map[int]int    // panel -> last coat on it
}

func (j *Job) compile() (*compiled, Faults) {
	j = j.withPast()
	c := &compiler{compiled: &compiled{Job: j, loc: j.Loc, people: cmp.Or(j.People, 1), tables: map[[2]int]*table{}, stopped: func() error { return nil }},
		panels: map[string]int{}, byID: map[string]int{}, known: map[string]int{}, last: map[int]int{}, lastCoat: map[int]int{}}
	if c.loc == nil {
		c.loc = j.Start.Location()
	}
	if c.people < 1 || c.people > maxPeople {
		c.faults.Add("day.people", "%d is outside 1 to %d", j.People, maxPeople)
	}
	if j.Start.IsZero() {
		c.faults.Add("day.start", "missing")
	}
	c.checkForecast()
	for i, h := range j.Hours {
		if h.From < 0 || h.To > 1440 || h.From >= h.To {
			c.faults.Add("day.hours", "entry %d never opens: %s to %s", i+1, clock(h.From), clock(h.To))
		}
	}
	if len(j.Steps) == 0 {
		c.faults.Add("step", "no step to plan")
	}
	if len(j.Steps) > job.MaxSteps {
		c.faults.Add("step", "%d steps are more than %d", len(j.Steps), job.MaxSteps)
		return nil, c.faults
	}
	for i, p := range j.Panels {
		c.panels[p.ID] = i
	}
	c.steps = make([]step, len(j.Steps))
	for i, wrong := range job.StepFaults(j.Steps, j.Panels) {
		c.step(i, wrong)
	}
	c.contradictions()
	c.doneBefore()

	c.members = len(j.Forecast.Air)
	c.horizon = Horizon.Minutes()
	first := j.Start
	if j.Now.After(first) {
		first = j.Now
	}
	c.from = math.Max(0, first.Sub(j.Forecast.Start).Minutes())
	switch {
	case j.Start.IsZero() || !c.path:
	case c.from > c.horizon-60:
		c.faults.Add("day.start", "lies more than a week after the forecast's start")
	default:
		if err := c.workingHours(); err != nil {
			c.faults = append(c.faults, *err)
		}
	}
	if len(c.faults) > 0 {
		return nil, c.faults
	}
	c.finger = DefaultFinger
	if j.Finger != nil {
		c.finger = *j.Finger
	}
	c.exact = c.finger == Finger{}
	c.draw()
	return c.compiled, nil
}

func (c *compiler) checkForecast() {
	f := c.Forecast
	bad := func(format string, a ...any) { c.faults.Add("forecast", format, a...) }
	switch {
	case len(f.Air) == 0:
		bad("no temperature path")
		return
	case len(f.Air) > maxMembers:
		bad("%d paths are more than %d", len(f.Air), maxMembers)
		return
	case f.Step <= 0 || f.Step > 6*time.Hour:
		bad("a step of %v is outside 0 to 6 h", f.Step)
		return
	}
	for i, p := range f.Air {
		if len(p) < 2 || len(p) != len(f.Air[0]) {
			bad("path %d has %d values, the first %d", i+1, len(p), len(f.Air[0]))
			return
		}
		if k := slices.IndexFunc(p, func(v float64) bool { return !(v > -60 && v < 120) }); k >= 0 {
			bad("path %d holds %g °C", i+1, p[k])
			return
		}
	}
	c.path = true
}

// step makes one step ready, in the order of the job; wrong is what is wrong
// with it as a step of any job.
func (c *compiler) step(i int, wrong Faults) {
	s := &c.Steps[i]
	st := step{Step: s, index: i, place: fmt.Sprintf("step %q", s.ID), panel: -1, coatOf: -1, resin: -1, area: math.NaN(), done: math.NaN()}
	if c.Place != nil {
		st.place = c.Place(i)
	}
	bad := func(format string, a ...any) { c.faults.Add(st.place, format, a...) }
	for _, f := range wrong {
		bad("%s: %s", f.Field, f.What)
	}
	if k, ok := c.panels[s.Panel]; ok {
		st.panel = k
		if p, on := c.last[k]; on {
			st.after = append(st.after, p)
		}
		if a := cmp.Or(s.AreaM2, c.Panels[k].AreaM2); a != nil {
			st.area = *a
		}
	}
	if len(wrong) == 0 {
		c.reckonWork(&st, bad)
	}
	if s.Do == "coat" {
		c.findResin(&st, bad)
	}
	c.window(&st)
	if t, ok := c.panels[s.To]; ok && s.Do == "flip" {
		if p, on := c.last[t]; on {
			st.after = append(st.after, p)
		}
		c.last[t] = i
	}
	if at, done := c.Done[s.ID]; done && c.path {
		st.done = at.Sub(c.Forecast.Start).Minutes()
		if st.done < 0 {
			bad("was done on %s, more than a week before the forecast", at.In(c.loc).Format("2 Jan 15:04"))
		}
	}
	c.steps[i] = st
	c.byID[s.ID] = i
	if st.panel >= 0 {
		c.last[st.panel] = i
		if s.Do == "coat" {
			c.lastCoat[st.panel] = i
		}
	}
}

// reckonWork is how long the step takes, and whether it takes a person.
func (c *compiler) reckonWork(st *step, bad func(string, ...any)) {
	s := st.Step
	rests := s.Do == "wait" || s.Do == "soak"
	switch {
	case rests:
		if *s.Hours > Horizon.Hours() {
			bad("hours = %g is outside 0 to %g", *s.Hours, Horizon.Hours())
		}
		st.work = lasts(s)
	case s.WorkMinutes != nil || !math.IsNaN(st.area) || s.Do == "flip" || s.Do == "unclamp":
		st.work = job.WorkMinutes(*s, st.area)
	default:
		bad("neither work_minutes nor an area to reckon it from")
	}
	st.people1 = st.work > 0 && !rests
}

// findResin checks a coat's kind and finds its resin's place among those of the
// job.
func (c *compiler) findResin(st *step, bad func(string, ...any)) {
	s := st.Step
	if s.Coat != "" && !slices.Contains(job.Kinds, s.Coat) {
		bad("kind %q is not one of %s", s.Coat, strings.Join(job.Kinds, ", "))
	}
	r, is := c.Resins[s.Resin]
	switch {
	case s.Resin == "":
		bad("no resin named")
	case !is:
		bad("resin %q is not known", s.Resin)
	default:
		k, seen := c.known[s.Resin]
		if !seen {
			k = len(c.resins)
			c.known[s.Resin] = k
			c.resins = append(c.resins, r)
			c.names = append(c.names, s.Resin)
			if q := (pot.Query{Resin: r, Grams: 100, Shape: pot.Cup, ShopC: 20}); len(q.Check()) > 0 {
				bad("resin %q has no usable cure law", s.Resin)
			}
		}
		st.resin = k
	}
}

// window finds the coat that the step's window is of.
func (c *compiler) window(st *step) {
	s := st.Step
	if o, known := c.byID[s.Of]; s.Of != "" {
		if known {
			st.after = append(st.after, o)
			st.coatOf = c.steps[o].coatOf
			if c.steps[o].Do == "coat" {
				st.coatOf = o
			}
		}
	} else if k, on := c.lastCoat[st.panel]; on {
		st.coatOf = k
	}
	if s.When == "" || s.When == "start" {
		st.coatOf = -1
	}
	st.open, st.close = edges(s.When)
}

// doneBefore: what comes before a done step on its panel has been done too,
// whether or not anybody wrote it down.
func (c *compiler) doneBefore() {
	for i := len(c.steps) - 1; i >= 0; i-- {
		s := &c.steps[i]
		if math.IsNaN(s.done) {
			continue
		}
		for _, a := range s.after {
			if b := &c.steps[a]; math.IsNaN(b.done) {
				b.done = math.Max(0, s.done-b.work)
			}
		}
	}
}

// contradictions finds pairs of conditions that no temperature can meet: a
// step that wants a coat soft after a step that wanted the same coat hard.
func (c *compiler) contradictions() {
	for i := range c.steps {
		s := &c.steps[i]
		if s.coatOf < 0 || s.close == never {
			continue
		}
		seen, found := map[int]bool{}, false
		var walk func(int)
		walk = func(k int) {
			if seen[k] || found {
				return
			}
			seen[k] = true
			b := &c.steps[k]
			if b.coatOf == s.coatOf && b.open != applied && b.open >= s.close && k != i {
				c.faults.Add(s.place, "%q of %q (closes when it is %s) conflicts with step %q before it, which waits until the same coat is %s",
					s.When, c.steps[s.coatOf].ID, s.close, b.ID, b.open)
				found = true
				return
			}
			for _, a := range b.after {
				walk(a)
			}
		}
		for _, a := range s.after {
			walk(a)
		}
	}
}

func clock(min int) string { return fmt.Sprintf("%02d:%02d", min/60, min%60) }
