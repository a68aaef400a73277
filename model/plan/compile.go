// SPDX-License-Identifier: Apache-2.0

package plan

import (
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
	known    map[string]int    // resin -> its place among the compiled
	last     map[int]int       // panel -> last step on it
	lastCoat map[int]int       // panel -> last coat on it
	up       map[string]string // piece -> panel that lies up, once known
}

func (c *compiler) bad(place, format string, a ...any) {
	c.faults = append(c.faults, Fault{Field: place, What: fmt.Sprintf(format, a...)})
}

func (j *Job) compile() (*compiled, Faults) {
	j = j.withPast()
	c := &compiler{compiled: &compiled{Job: j, asJob: j.asJob(), loc: j.Loc, people: j.People, tables: map[[2]int]*table{}, stopped: func() error { return nil }},
		panels: map[string]int{}, byID: map[string]int{}, known: map[string]int{}, last: map[int]int{}, lastCoat: map[int]int{}, up: map[string]string{}}
	if c.loc == nil {
		c.loc = j.Start.Location()
	}
	if c.people == 0 {
		c.people = 1
	}
	if c.people < 1 || c.people > maxPeople {
		c.bad("day.people", "%d is outside 1 to %d", j.People, maxPeople)
	}
	if j.Start.IsZero() {
		c.bad("day.start", "missing")
	}
	c.checkForecast()
	for i, h := range j.Hours {
		if h.From < 0 || h.To > 1440 || h.From >= h.To {
			c.bad("day.hours", "entry %d never opens: %s to %s", i+1, clock(h.From), clock(h.To))
		}
	}
	c.checkPanels()
	if len(j.Steps) == 0 {
		c.bad("step", "no step to plan")
	}
	if len(j.Steps) > maxSteps {
		c.bad("step", "%d steps are more than %d", len(j.Steps), maxSteps)
		return nil, c.faults
	}
	c.steps = make([]step, len(j.Steps))
	for i := range j.Steps {
		c.step(i)
	}
	c.faults = append(c.faults, c.contradictions()...)
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
		c.bad("day.start", "lies more than a week after the forecast's start")
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
	bad := func(format string, a ...any) { c.bad("forecast", format, a...) }
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

func (c *compiler) checkPanels() {
	for i, p := range c.Panels {
		place := fmt.Sprintf("panel %q", p.ID)
		if _, dup := c.panels[p.ID]; dup || p.ID == "" {
			c.bad(place, "named twice or not at all")
		}
		c.panels[p.ID] = i
		if p.AreaM2 != nil && !goodArea(*p.AreaM2) {
			c.bad(place, "area %g m² is outside 0 to 1000", *p.AreaM2)
		}
		if p.LagMin != nil && !(*p.LagMin >= 0 && *p.LagMin <= 3000) {
			c.bad(place, "lag %g min is outside 0 to 3000", *p.LagMin)
		}
		if f := c.Forecast; p.Surface != nil && c.path && (len(p.Surface) != len(f.Air) || len(p.Surface[0]) != len(f.Air[0])) {
			c.bad(place, "its own paths are not as many or as long as the forecast's")
		}
	}
}

func goodArea(m2 float64) bool { return m2 > 0 && m2 <= 1000 }

// piece is what a panel is a side of: itself where nothing is said.
func (p Panel) piece() string {
	if p.Piece == "" {
		return p.ID
	}
	return p.Piece
}

// step makes one step ready, in the order of the job.
func (c *compiler) step(i int) {
	s := &c.Steps[i]
	st := step{Step: s, index: i, panel: -1, coatOf: -1, resin: -1, area: math.NaN(), done: math.NaN()}
	bad := func(format string, a ...any) { c.bad(st.place(), format, a...) }
	if s.ID == "" {
		bad("id is missing")
	} else if _, dup := c.byID[s.ID]; dup {
		bad("id %q is used twice", s.ID)
	}
	if !slices.Contains(does, s.Do) {
		bad("do = %q is not one of %s", s.Do, strings.Join(does, ", "))
	}
	when := s.When
	if when == "" {
		when = "start"
	}
	if !slices.Contains(whens, when) {
		bad("when = %q is not one of %s", s.When, strings.Join(whens, ", "))
		when = "start"
	}
	c.place(&st, bad)
	c.reckonWork(&st, bad)
	c.checkCoat(&st, bad)
	if s.To != "" && s.Do != "flip" {
		bad("only a flip has a \"to\"")
	}
	c.window(&st, when, bad)
	if s.Do == "flip" {
		c.flip(&st, when, bad)
	}
	if (s.Do == "sand" || s.Do == "unclamp") && slices.Contains([]string{"tacky", "wet", "recoat", "fill"}, when) {
		bad("when = %q conflicts with do = %q: it takes a hard coat", when, s.Do)
	}
	if s.Done != nil && c.path {
		st.done = s.Done.Sub(c.Forecast.Start).Minutes()
		if st.done < 0 {
			bad("was done on %s, more than a week before the forecast", s.Done.In(c.loc).Format("2 Jan 15:04"))
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

// place finds the step's panel and area, and what comes before it there.
func (c *compiler) place(st *step, bad func(string, ...any)) {
	s := st.Step
	i, ok := c.panels[s.Panel]
	if !ok {
		bad("panel %q is not in the job", s.Panel)
	} else {
		st.panel = i
		piece := c.Panels[i].piece()
		if was, known := c.up[piece]; known && was != s.Panel {
			bad("panel %q lies face down: %q is up, and no flip to %q comes before this step", s.Panel, was, s.Panel)
		}
		c.up[piece] = s.Panel
		if p, on := c.last[i]; on {
			st.after = append(st.after, p)
		}
	}
	switch {
	case s.AreaM2 != nil && !goodArea(*s.AreaM2):
		bad("area %g m² is outside 0 to 1000", *s.AreaM2)
	case s.AreaM2 != nil:
		st.area = *s.AreaM2
	case ok && c.Panels[i].AreaM2 != nil && *c.Panels[i].AreaM2 > 0:
		st.area = *c.Panels[i].AreaM2
	}
}

// reckonWork is how long the step takes, and whether it takes a person.
func (c *compiler) reckonWork(st *step, bad func(string, ...any)) {
	s := st.Step
	rests := s.Do == "wait" || s.Do == "soak"
	switch {
	case rests:
		if !(s.Hours > 0 && s.Hours <= Horizon.Hours()) {
			bad("hours = %g is outside 0 to %g", s.Hours, Horizon.Hours())
		}
		if s.Do == "soak" && !(s.TempC >= 15 && s.TempC <= 120) {
			bad("temp_c = %g °C is outside 15 to 120", s.TempC)
		}
		if s.RampCH < 0 || math.IsNaN(s.RampCH) {
			bad("ramp_c_h = %g is below 0", s.RampCH)
		}
		st.work = s.lasts()
	case s.WorkMinutes != nil && !(*s.WorkMinutes >= 0 && *s.WorkMinutes <= 24*60):
		bad("work of %g min is outside 0 to 1440", *s.WorkMinutes)
	case s.WorkMinutes != nil:
		st.work = *s.WorkMinutes
	case !math.IsNaN(st.area):
		st.work = job.WorkMinutes(c.asJob[st.index], st.area)
	case s.Do == "flip" || s.Do == "unclamp":
		st.work = 10
	default:
		bad("neither work_minutes nor an area to reckon it from")
	}
	st.people1 = st.work > 0 && !rests
}

// checkCoat checks cloth and resin, and finds the resin's place among those of
// the job.
func (c *compiler) checkCoat(st *step, bad func(string, ...any)) {
	s := st.Step
	if s.Cloth != "" {
		if _, err := pot.ParseCloths(s.Cloth); err != nil {
			for _, line := range strings.Split(err.Error(), "\n") {
				bad("%s", line)
			}
		}
	}
	if s.Do != "coat" {
		return
	}
	if s.Kind != "" && !slices.Contains(kinds, s.Kind) {
		bad("kind %q is not one of %s", s.Kind, strings.Join(kinds, ", "))
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
func (c *compiler) window(st *step, when string, bad func(string, ...any)) {
	s := st.Step
	if s.Of != "" {
		o, known := c.byID[s.Of]
		switch {
		case s.Of == s.ID:
			bad("of = %q is the step itself", s.Of)
		case !known && slices.ContainsFunc(c.Steps[st.index:], func(x Step) bool { return x.ID == s.Of }):
			bad("of = %q comes later in the order than this step", s.Of)
		case !known:
			bad("of = %q is no step", s.Of)
		default:
			st.after = append(st.after, o)
			if c.steps[o].Do == "coat" {
				st.coatOf = o
			} else {
				st.coatOf = c.steps[o].coatOf
			}
		}
	} else if k, on := c.lastCoat[st.panel]; on {
		st.coatOf = k
	}
	if when == "start" {
		st.coatOf = -1
	} else if st.coatOf < 0 {
		bad("when = %q, but no coat comes before it to be %s", when, when)
	}
	st.open, st.close = edges(when)
}

// flip turns the piece: its other panel lies up from here.
func (c *compiler) flip(st *step, when string, bad func(string, ...any)) {
	s := st.Step
	t, known := c.panels[s.To]
	switch {
	case s.To == "":
		bad("a flip names the panel that comes up: to = ...")
	case !known:
		bad("to = %q is not a panel of the job", s.To)
	case s.To == s.Panel:
		bad("a flip to the same panel")
	default:
		piece := c.Panels[t].piece()
		if st.panel >= 0 && c.Panels[st.panel].piece() != piece {
			bad("%q and %q are not sides of the same piece", s.Panel, s.To)
		}
		c.up[piece] = s.To
		if p, on := c.last[t]; on {
			st.after = append(st.after, p)
		}
		c.last[t] = st.index
	}
	if _, wet := c.lastCoat[st.panel]; wet && when != "hard" && when != "handle" {
		bad("when = %q conflicts with a flip: the coat on %q must be hard first", when, s.Panel)
	}
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
func (c *compiled) contradictions() Faults {
	var f Faults
	for i := range c.steps {
		s := &c.steps[i]
		if s.coatOf < 0 || s.close == never {
			continue
		}
		seen := map[int]bool{}
		var walk func(int)
		walk = func(k int) {
			if seen[k] || len(f) > 0 && f[len(f)-1].Field == s.place() {
				return
			}
			seen[k] = true
			b := &c.steps[k]
			if b.coatOf == s.coatOf && b.open != applied && b.open >= s.close && k != i {
				f = append(f, Fault{Field: s.place(), What: fmt.Sprintf("%q of %q (closes when it is %s) conflicts with step %q before it, which waits until the same coat is %s",
					s.When, c.steps[s.coatOf].ID, s.close, b.ID, b.open)})
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
	return f
}

func (s *step) place() string {
	if s.Place != "" {
		return s.Place
	}
	return fmt.Sprintf("step %q", s.ID)
}

func clock(min int) string { return fmt.Sprintf("%02d:%02d", min/60, min%60) }
