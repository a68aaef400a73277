// SPDX-License-Identifier: Apache-2.0

// Package plan finds when to do the steps of a layup: the start times that
// put every coat, cloth, sanding and flip inside its window with the highest
// probability, under a temperature forecast with its doubt, the batch's doubt,
// the hours somebody works and how many they are.
//
// The forecast is an ensemble: each member is one temperature path and one
// rate factor a resin, and a plan is judged by the share of members in which
// every step was done inside its window. A step waits for its window as a
// person does: where the ninth decile of its opening still leaves time before
// the first decile of its closing it has a clock time; else the person feels
// the coat from the first decile on and goes by the finger.
//
// Everything is deterministic: the same job gives the same plan.
package plan

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/pot"
	"curewright/model/words"
)

// Job is a layup to be planned, or re-planned: a step that has been started
// carries its time in Done.
type Job struct {
	Now      time.Time      // nothing is planned before it; zero: Start
	Start    time.Time      // the day's start; nothing is planned before it either
	Loc      *time.Location // of Hours and of the words; nil: Start's
	Hours    []Hours        // when somebody works; none: around the clock
	People   int            // 0: one
	Panels   []Panel
	Steps    []Step // in the order in which they are to be done on a panel
	Resins   map[string]cure.Resin
	Learned  map[string]Kappa // what finger tests told of a resin's lot; absent: the resin's own doubt
	Forecast Forecast
	Finger   *Finger          // nil: [DefaultFinger]
	Words    *words.Catalogue // what a plan is said in; nil: English
	// Habits is what the people who lay it take of each kind of coat, and what
	// they leave in cups; without it grams are the tables'.
	Habits map[string]pot.Habit
}

// Finger is how far films and fingers lie from the marks: shares of the marks'
// standard deviations, and how often a touch says anything at all.
type Finger struct {
	Film    float64 // of the film and the person, the same at every touch
	Touch   float64 // of the single touch
	Blunder float64 // share of touches, 0 to 1
}

// DefaultFinger is a careful person's. The figures are a choice.
var DefaultFinger = Finger{Film: 0.8, Touch: 0.6, Blunder: 0.01}

// Hours is a span of the day in minutes after midnight; To may not exceed
// 1440 and must lie after From.
type Hours struct{ From, To int }

// Kappa is the doubt of a rate factor: mean and standard deviation of its
// natural logarithm.
type Kappa struct{ Mean, SD float64 }

// Forecast is an ensemble of air temperature, °C, one row a member, at equal
// steps from Start; beyond its end the last day is repeated.
type Forecast struct {
	Start time.Time
	Step  time.Duration // 15 minutes is what it is made for
	Air   [][]float64
	// Past is the air before Start, °C, at the same steps, oldest first: what
	// coats already on have seen. Before it, or without it, the first known
	// value is held.
	Past []float64
}

// Panel is one side of a piece.
type Panel struct {
	ID, Piece string // Piece "": the panel is its own
	Core      string
	AreaM2    *float64
	LagMin    *float64    // behind the air, min; nil: by core
	Surface   [][]float64 // °C, as Forecast.Air, where the panel's own paths are known; nil: air through the lag
}

// Step is one thing to do.
type Step struct {
	ID      string
	Panel   string
	Do      string  // coat, cloth, cover, sand, wash, flip, unclamp, wait, soak
	Coat    string  // what the person calls the coat
	Kind    string  // of a coat: tack coat, wet-out, fill coat, bond, seal
	Resin   string  // of a coat
	Cloth   string  // of a coat that fills it, or of a cloth that is laid, such as "glass 200 twill"; several with " + "
	When    string  // start, tacky, wet, recoat, fill, hard, handle; "": start
	Of      string  // the step whose coat When is about; "": the coat before it on the panel
	To      string  // of a flip: the panel that comes up
	Place   string  // of faults: where it stands in the file; "": step ID
	DepthMM float64 // of a bond: thickness

	AreaM2      *float64 // nil: the panel's
	WorkMinutes *float64 // nil: from the area
	PeelPly     bool

	// A wait lasts Hours; a soak holds the panel at TempC for as long, after a
	// ramp of RampCH (°C/h, 0: 10) that it goes down by again. Neither takes a
	// person.
	Hours, TempC, RampCH float64

	Done *time.Time // when it was started, once it has been
}

// The words a step may use.
var (
	does  = []string{"coat", "cloth", "cover", "sand", "wash", "flip", "unclamp", "wait", "soak"}
	whens = []string{"start", "tacky", "wet", "recoat", "fill", "hard", "handle"}
	kinds = []string{"tack coat", "wet-out", "fill coat", "bond", "seal"}
)

// Limits of a job.
const (
	maxSteps   = 60
	maxPeople  = 20
	maxMembers = 2000
)

// Fault is one thing wrong with a job, with its place.
type Fault struct{ Place, What string }

// Faults is every fault at once; it is an error.
type Faults []Fault

func (f Faults) Error() string {
	s := make([]string, len(f))
	for i, x := range f {
		s[i] = x.Place + ": " + x.What
	}
	return strings.Join(s, "; ")
}

// withPast lays the past before the forecast, as far back as the first step
// that has been done, a week at most.
func (j *Job) withPast() *Job {
	k := *j
	f := &k.Forecast
	if f.Step <= 0 || len(f.Air) == 0 {
		return &k
	}
	back := 0
	for i := range j.Steps {
		if d := j.Steps[i].Done; d != nil && d.Before(f.Start) {
			if ago := f.Start.Sub(*d); ago <= Horizon {
				// An hour more: what went before it took somebody's time too.
				back = max(back, int((ago+time.Hour)/f.Step)+1)
			}
		}
	}
	if back == 0 {
		return &k
	}
	lay := func(all [][]float64) [][]float64 {
		if all == nil {
			return nil
		}
		out := make([][]float64, len(all))
		for i, p := range all {
			row := make([]float64, 0, back+len(p))
			for b := back; b > 0; b-- {
				switch {
				case b <= len(f.Past):
					row = append(row, f.Past[len(f.Past)-b])
				case len(f.Past) > 0:
					row = append(row, f.Past[0])
				case len(p) > 0:
					row = append(row, p[0])
				}
			}
			out[i] = append(row, p...)
		}
		return out
	}
	f.Air = lay(f.Air)
	k.Panels = slices.Clone(k.Panels)
	for i := range k.Panels {
		k.Panels[i].Surface = lay(k.Panels[i].Surface)
	}
	f.Start = f.Start.Add(-time.Duration(back) * f.Step)
	f.Past = nil
	return &k
}

// step is a Step made ready.
type step struct {
	*Step
	index   int
	panel   int
	work    float64 // min
	coatOf  int     // index of the coat step the window is of; -1: none
	after   []int   // steps that must have ended
	resin   int     // of a coat; -1
	done    float64 // start, min; NaN: to be planned
	area    float64
	open    mark
	close   mark
	people1 bool // takes a person
}

// lasts is how long a wait or a soak takes, min: a soak ramps up from about room
// temperature, holds, and ramps down.
func (s *Step) lasts() float64 {
	min := s.Hours * 60
	if s.Do == "soak" {
		ramp := s.RampCH
		if ramp == 0 {
			ramp = 10
		}
		min += 2 * 60 * math.Max(s.TempC-20, 0) / ramp
	}
	return min
}

// compiled is a Job made ready: times are minutes from Forecast.Start.
type compiled struct {
	*Job
	asJob   []job.Step
	loc     *time.Location
	steps   []step
	resins  []cure.Resin
	names   []string
	people  int
	from    float64 // nothing before
	horizon float64 // min
	members int
	open    []span // working hours over the horizon, ascending
	finger  Finger
	exact   bool          // the finger has no doubt
	kappa   [][]float64   // by resin and member: what its coats have in common
	batch   [][]float64   // by step and member: its own cup's factor over that
	films   [][]cure.Film // by resin and member
	touches [][]touch     // by member: a store of touches, taken in turn
	seed    uint64        // of all that is drawn
	tables  map[[2]int]*table
	stopped func() error // not nil once nobody waits for the answer
	quick   bool         // no exhaustive search: a change is only compared
}

type span struct{ from, to float64 }

func (c *compiled) at(min float64) time.Time {
	return c.Forecast.Start.Add(time.Duration(math.Round(min*60)) * time.Second).In(c.loc)
}

// Horizon is how far ahead a plan may reach.
const Horizon = 7 * 24 * time.Hour

// asJob is the steps as the job has them, by which minutes and grams are
// reckoned.
func (j *Job) asJob() []job.Step {
	out := make([]job.Step, len(j.Steps))
	for i, s := range j.Steps {
		out[i] = job.Step{ID: s.ID, Panel: s.Panel, Do: s.Do, Coat: s.Kind, Cloth: s.Cloth, AreaM2: s.AreaM2, When: s.When, Of: s.Of, DepthMM: &s.DepthMM}
		if s.PeelPly {
			out[i].Cover = "peel ply"
		}
	}
	return out
}

func (j *Job) compile() (*compiled, Faults) {
	var faults Faults
	j = j.withPast()
	add := func(place, format string, a ...any) {
		faults = append(faults, Fault{place, fmt.Sprintf(format, a...)})
	}
	c := &compiled{Job: j, asJob: j.asJob(), loc: j.Loc, people: j.People, tables: map[[2]int]*table{}, stopped: func() error { return nil }}
	if c.loc == nil {
		c.loc = j.Start.Location()
	}
	if c.people == 0 {
		c.people = 1
	}
	if c.people < 1 || c.people > maxPeople {
		add("day.people", "%d is outside 1 to %d", j.People, maxPeople)
	}
	if j.Start.IsZero() {
		add("day.start", "missing")
	}
	f := j.Forecast
	fc := true
	switch {
	case len(f.Air) == 0:
		add("forecast", "no temperature path")
		fc = false
	case len(f.Air) > maxMembers:
		add("forecast", "%d paths are more than %d", len(f.Air), maxMembers)
		fc = false
	case f.Step <= 0 || f.Step > 6*time.Hour:
		add("forecast", "a step of %v is outside 0 to 6 h", f.Step)
		fc = false
	default:
		for i, p := range f.Air {
			if len(p) < 2 || len(p) != len(f.Air[0]) {
				add("forecast", "path %d has %d values, the first %d", i+1, len(p), len(f.Air[0]))
				fc = false
				break
			}
			if k := slices.IndexFunc(p, func(v float64) bool { return !(v > -60 && v < 120) }); k >= 0 {
				add("forecast", "path %d holds %g °C", i+1, p[k])
				fc = false
				break
			}
		}
	}
	for i, h := range j.Hours {
		if h.From < 0 || h.To > 1440 || h.From >= h.To {
			add("day.hours", "entry %d never opens: %s to %s", i+1, clock(h.From), clock(h.To))
		}
	}

	panels := map[string]int{}
	for i, p := range j.Panels {
		place := fmt.Sprintf("panel %q", p.ID)
		if _, dup := panels[p.ID]; dup || p.ID == "" {
			add(place, "named twice or not at all")
		}
		panels[p.ID] = i
		if p.AreaM2 != nil && !(*p.AreaM2 > 0 && *p.AreaM2 <= 1000) {
			add(place, "area %g m² is outside 0 to 1000", *p.AreaM2)
		}
		if p.LagMin != nil && !(*p.LagMin >= 0 && *p.LagMin <= 3000) {
			add(place, "lag %g min is outside 0 to 3000", *p.LagMin)
		}
		if p.Surface != nil && fc && (len(p.Surface) != len(f.Air) || len(p.Surface[0]) != len(f.Air[0])) {
			add(place, "its own paths are not as many or as long as the forecast's")
		}
	}

	if len(j.Steps) == 0 {
		add("step", "no step to plan")
	}
	if len(j.Steps) > maxSteps {
		add("step", "%d steps are more than %d", len(j.Steps), maxSteps)
		return nil, faults
	}
	byID := map[string]int{}
	resins := map[string]int{}
	c.steps = make([]step, len(j.Steps))
	last := map[int]int{}     // panel -> last step on it
	lastCoat := map[int]int{} // panel -> last coat on it
	up := map[string]string{} // piece -> panel that lies up, once known
	for i := range j.Steps {
		s := &j.Steps[i]
		place := s.Place
		if place == "" {
			place = fmt.Sprintf("step %q", s.ID)
		}
		st := step{Step: s, index: i, panel: -1, coatOf: -1, resin: -1, done: math.NaN()}
		if s.ID == "" {
			add(place, "id is missing")
		} else if _, dup := byID[s.ID]; dup {
			add(place, "id %q is used twice", s.ID)
		}
		if !slices.Contains(does, s.Do) {
			add(place, "do = %q is not one of %s", s.Do, strings.Join(does, ", "))
		}
		when := s.When
		if when == "" {
			when = "start"
		}
		if !slices.Contains(whens, when) {
			add(place, "when = %q is not one of %s", s.When, strings.Join(whens, ", "))
			when = "start"
		}
		pi, ok := panels[s.Panel]
		if !ok {
			add(place, "panel %q is not in the job", s.Panel)
		} else {
			st.panel = pi
			piece := j.Panels[pi].Piece
			if piece == "" {
				piece = s.Panel
			}
			if was, known := up[piece]; known && was != s.Panel {
				add(place, "panel %q lies face down: %q is up, and no flip to %q comes before this step", s.Panel, was, s.Panel)
			}
			up[piece] = s.Panel
			if p, on := last[pi]; on {
				st.after = append(st.after, p)
			}
		}
		st.area = math.NaN()
		switch {
		case s.AreaM2 != nil:
			if !(*s.AreaM2 > 0 && *s.AreaM2 <= 1000) {
				add(place, "area %g m² is outside 0 to 1000", *s.AreaM2)
			} else {
				st.area = *s.AreaM2
			}
		case ok && j.Panels[pi].AreaM2 != nil && *j.Panels[pi].AreaM2 > 0:
			st.area = *j.Panels[pi].AreaM2
		}
		switch {
		case s.Do == "wait" || s.Do == "soak":
			if !(s.Hours > 0 && s.Hours <= Horizon.Hours()) {
				add(place, "hours = %g is outside 0 to %g", s.Hours, Horizon.Hours())
			}
			if s.Do == "soak" && !(s.TempC >= 15 && s.TempC <= 120) {
				add(place, "temp_c = %g °C is outside 15 to 120", s.TempC)
			}
			if s.RampCH < 0 || math.IsNaN(s.RampCH) {
				add(place, "ramp_c_h = %g is below 0", s.RampCH)
			}
			st.work = s.lasts()
		case s.WorkMinutes != nil && !(*s.WorkMinutes >= 0 && *s.WorkMinutes <= 24*60):
			add(place, "work of %g min is outside 0 to 1440", *s.WorkMinutes)
		case s.WorkMinutes != nil:
			st.work = *s.WorkMinutes
		case !math.IsNaN(st.area):
			st.work = job.WorkMinutes(c.asJob[i], st.area)
		case s.Do == "flip" || s.Do == "unclamp":
			st.work = 10
		default:
			add(place, "neither work_minutes nor an area to reckon it from")
		}
		st.people1 = st.work > 0 && s.Do != "wait" && s.Do != "soak"
		if s.Cloth != "" {
			if _, err := pot.ParseCloths(s.Cloth); err != nil {
				for _, line := range strings.Split(err.Error(), "\n") {
					add(place, "%s", line)
				}
			}
		} else if s.Do == "cloth" {
			st.Step = s // laid without a weight: allowed, nothing is reckoned from it
		}
		if s.Do == "coat" {
			if s.Kind != "" && !slices.Contains(kinds, s.Kind) {
				add(place, "kind %q is not one of %s", s.Kind, strings.Join(kinds, ", "))
			}
			r, known := j.Resins[s.Resin]
			switch {
			case s.Resin == "":
				add(place, "no resin named")
			case !known:
				add(place, "resin %q is not known", s.Resin)
			default:
				k, seen := resins[s.Resin]
				if !seen {
					k = len(c.resins)
					resins[s.Resin] = k
					c.resins = append(c.resins, r)
					c.names = append(c.names, s.Resin)
					if q := (pot.Query{Resin: r, Grams: 100, Shape: pot.Cup, ShopC: 20}); len(q.Check()) > 0 {
						add(place, "resin %q has no usable cure law", s.Resin)
					}
				}
				st.resin = k
			}
		}
		if s.To != "" && s.Do != "flip" {
			add(place, "only a flip has a \"to\"")
		}

		// What the window is of.
		if s.Of != "" {
			o, known := byID[s.Of]
			switch {
			case s.Of == s.ID:
				add(place, "of = %q is the step itself", s.Of)
			case !known && slices.ContainsFunc(j.Steps[i:], func(x Step) bool { return x.ID == s.Of }):
				add(place, "of = %q comes later in the order than this step", s.Of)
			case !known:
				add(place, "of = %q is no step", s.Of)
			default:
				st.after = append(st.after, o)
				if c.steps[o].Do == "coat" {
					st.coatOf = o
				} else {
					st.coatOf = c.steps[o].coatOf
				}
			}
		} else if k, on := lastCoat[st.panel]; on {
			st.coatOf = k
		}
		if when == "start" {
			st.coatOf = -1
		} else if st.coatOf < 0 {
			add(place, "when = %q, but no coat comes before it to be %s", when, when)
		}
		st.open, st.close = edges(when)
		if s.Do == "flip" {
			t, known := panels[s.To]
			switch {
			case s.To == "":
				add(place, "a flip names the panel that comes up: to = ...")
			case !known:
				add(place, "to = %q is not a panel of the job", s.To)
			case s.To == s.Panel:
				add(place, "a flip to the same panel")
			default:
				piece := func(p Panel) string {
					if p.Piece == "" {
						return p.ID
					}
					return p.Piece
				}
				if ok && piece(j.Panels[pi]) != piece(j.Panels[t]) {
					add(place, "%q and %q are not sides of the same piece", s.Panel, s.To)
				}
				up[piece(j.Panels[t])] = s.To
				if p, on := last[t]; on {
					st.after = append(st.after, p)
				}
				last[t] = i
			}
			if _, wet := lastCoat[st.panel]; wet && when != "hard" && when != "handle" {
				add(place, "when = %q conflicts with a flip: the coat on %q must be hard first", when, s.Panel)
			}
		}
		if (s.Do == "sand" || s.Do == "unclamp") && slices.Contains([]string{"tacky", "wet", "recoat", "fill"}, when) {
			add(place, "when = %q conflicts with do = %q: it takes a hard coat", when, s.Do)
		}
		if s.Done != nil && fc {
			st.done = s.Done.Sub(f.Start).Minutes()
			if st.done < 0 {
				add(place, "was done on %s, more than a week before the forecast", s.Done.In(c.loc).Format("2 Jan 15:04"))
			}
		}
		c.steps[i] = st
		byID[s.ID] = i
		if st.panel >= 0 {
			last[st.panel] = i
			if s.Do == "coat" {
				lastCoat[st.panel] = i
			}
		}
	}
	faults = append(faults, c.contradictions()...)
	// What comes before a done step on its panel has been done too, whether
	// or not anybody wrote it down.
	for i := len(c.steps) - 1; i >= 0; i-- {
		if s := &c.steps[i]; !math.IsNaN(s.done) {
			for _, a := range s.after {
				if b := &c.steps[a]; math.IsNaN(b.done) {
					b.done = math.Max(0, s.done-b.work)
				}
			}
		}
	}

	c.members = len(f.Air)
	c.horizon = Horizon.Minutes()
	first := j.Start
	if j.Now.After(first) {
		first = j.Now
	}
	c.from = math.Max(0, first.Sub(f.Start).Minutes())
	switch {
	case j.Start.IsZero() || !fc:
	case c.from > c.horizon-60:
		add("day.start", "lies more than a week after the forecast's start")
	default:
		if err := c.workingHours(); err != nil {
			faults = append(faults, *err)
		}
	}
	if len(faults) > 0 {
		return nil, faults
	}
	c.finger = DefaultFinger
	if j.Finger != nil {
		c.finger = *j.Finger
	}
	c.exact = c.finger == Finger{}
	c.draw()
	return c, nil
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
			if seen[k] || len(f) > 0 && f[len(f)-1].Place == s.place() {
				return
			}
			seen[k] = true
			b := &c.steps[k]
			if b.coatOf == s.coatOf && b.open != applied && b.open >= s.close && k != i {
				f = append(f, Fault{s.place(), fmt.Sprintf("%q of %q (closes when it is %s) conflicts with step %q before it, which waits until the same coat is %s",
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

// workingHours lays the hours of the day over the horizon, by the shop's own
// clock, so that a change of the clock is where it falls.
func (c *compiled) workingHours() *Fault {
	if len(c.Hours) == 0 {
		c.open = []span{{c.from, c.horizon}}
		return nil
	}
	t := c.Forecast.Start.In(c.loc)
	for d := -1; d <= int(Horizon.Hours()/24)+1; d++ {
		for _, h := range c.Hours {
			day := func(min int) float64 {
				return time.Date(t.Year(), t.Month(), t.Day()+d, min/60, min%60, 0, 0, c.loc).Sub(c.Forecast.Start).Minutes()
			}
			s := span{math.Max(day(h.From), c.from), math.Min(day(h.To), c.horizon)}
			if s.to > s.from {
				c.open = append(c.open, s)
			}
		}
	}
	slices.SortFunc(c.open, func(a, b span) int {
		switch {
		case a.from < b.from:
			return -1
		case a.from > b.from:
			return 1
		}
		return 0
	})
	merged := c.open[:0]
	for _, s := range c.open {
		if n := len(merged); n > 0 && s.from <= merged[n-1].to {
			merged[n-1].to = math.Max(merged[n-1].to, s.to)
		} else {
			merged = append(merged, s)
		}
	}
	c.open = merged
	longest := 0.0
	for _, s := range c.open {
		longest = math.Max(longest, s.to-s.from)
	}
	for i := range c.steps {
		if s := &c.steps[i]; math.IsNaN(s.done) && s.people1 && s.work > longest {
			return &Fault{s.place(), fmt.Sprintf("its work of %.0f min conflicts with the hours: the longest stretch is %.0f min", s.work, longest)}
		}
	}
	return nil
}

// startWithin is the earliest time from t on at which work minutes fit into
// the hours; +Inf when there is none.
func (c *compiled) startWithin(t, work float64) float64 {
	for _, s := range c.open {
		if s.to-work < t {
			continue
		}
		return math.Max(t, s.from)
	}
	return math.Inf(1)
}

// touch is what chance adds to one finger test: how far it is off the opening
// and the closing mark, in standard deviations, and the word of a blunder, -1
// for none.
type touch struct {
	open, shut float64
	blunder    int
}

const touchStore = 32 // touches drawn a member

// batchSD is how far one cup's rate factor lies from its lot's, as a standard
// deviation of ln κ: a choice.
const batchSD = 0.12

// random is splitmix64: the plan must not change between two runs.
type random uint64

func (r *random) next() uint64 {
	*r += 0x9e3779b97f4a7c15
	z := uint64(*r)
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

func (r *random) uniform() float64 { return (float64(r.next()>>11) + 0.5) / (1 << 53) }

func (r *random) normal() float64 { return normalQuantile(r.uniform()) }

// strata are the n stratified quantiles of a standard normal, shuffled, so that
// they are tied neither to the temperature paths nor to each other.
func (r *random) strata(n int) []float64 {
	row := make([]float64, n)
	for i := range row {
		row[i] = normalQuantile((float64(i) + 0.5) / float64(n))
	}
	for i := len(row) - 1; i > 0; i-- {
		m := int(r.next() % uint64(i+1))
		row[i], row[m] = row[m], row[i]
	}
	return row
}

// draw gives every member what it does not have from the forecast: a rate
// factor for every resin, which its coats share, and one for every cup; a film
// and person a resin; and the chances of the touches.
func (c *compiled) draw() {
	n := c.members
	c.kappa, c.films = make([][]float64, len(c.resins)), make([][]cure.Film, len(c.resins))
	c.batch = make([][]float64, len(c.steps))
	var own = make([]float64, len(c.resins))
	for k := range c.resins {
		rnd := random(c.seed ^ uint64(k+1)*0x2545f4914f6cdd1d)
		d, ok := c.Learned[c.names[k]]
		if !ok {
			d = Kappa{0, math.Sqrt(math.Max(c.resins[k].LnKappaSD*c.resins[k].LnKappaSD-batchSD*batchSD, 0))}
		}
		if d.SD > 0 {
			own[k] = batchSD
		}
		c.kappa[k] = rnd.strata(n)
		for i, z := range c.kappa[k] {
			c.kappa[k][i] = math.Exp(d.Mean + d.SD*z)
		}
		c.films[k] = make([]cure.Film, n)
		if f := c.finger.Film; f > 0 {
			for i, row := 0, [5][]float64{rnd.strata(n), rnd.strata(n), rnd.strata(n), rnd.strata(n), rnd.strata(n)}; i < n; i++ {
				c.films[k][i] = cure.Film{Tacky: f * sdTacky * row[0][i], Opens: f * sdOpens * row[1][i], Gel: f * sdGreen * row[2][i],
					FirmK: f * sdFirmK * row[3][i], HardK: f * sdHardK * row[4][i]}
			}
		}
	}
	for i := range c.steps {
		s := &c.steps[i]
		if s.resin < 0 || own[s.resin] == 0 || !math.IsNaN(s.done) {
			continue // what is known of a coat that is on is known of its own cup
		}
		rnd := random(c.seed ^ uint64(i+1)*0x9e6c63d0876a9a47)
		c.batch[i] = rnd.strata(n)
		for m, z := range c.batch[i] {
			c.batch[i][m] = math.Exp(own[s.resin] * z)
		}
	}
	rnd := random(c.seed ^ 0xd6e8feb86659fd93)
	c.touches = make([][]touch, n)
	for m := range c.touches {
		row := make([]touch, touchStore)
		for i := range row {
			row[i] = touch{rnd.normal(), rnd.normal(), -1}
			if rnd.uniform() < c.finger.Blunder {
				row[i].blunder = int(rnd.next() % 5)
			}
		}
		c.touches[m] = row
	}
}

// again is the job with everything drawn anew: a plan that was chosen as the
// best of many on one draw is promised on another.
func (c *compiled) again() *compiled {
	k := *c
	k.seed = c.seed + 0x632be59bd9b4e019
	k.tables = map[[2]int]*table{}
	k.draw()
	return &k
}

// normalQuantile inverts the standard normal distribution.
func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
