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
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/job"
	"curewright/model/pot"
	"curewright/model/words"
)

// Job is a layup to be planned, or re-planned from what is in Done.
type Job struct {
	Now      time.Time      // nothing is planned before it; zero: Start
	Start    time.Time      // the day's start; nothing is planned before it either
	Loc      *time.Location // of Hours and of the words; nil: Start's
	Hours    []Hours        // when somebody works; none: around the clock
	People   int            // 0: one
	Panels   []coat.Panel
	Steps    []job.Step           // in the order in which they are to be done on a panel; a coat's Coat is its kind
	Names    map[string]string    // what the person calls a step's coat, by the step's id; none: its kind
	Done     map[string]time.Time // when a step was started, once it has been, by its id
	Place    func(i int) string   // of faults: where a step stands in the file; nil: step ID
	Resins   map[string]cure.Resin
	Learned  map[string]Kappa // what finger tests told of a resin's lot; absent: the resin's own doubt
	Forecast Forecast
	Finger   *Finger          // nil: [DefaultFinger]
	Words    *words.Catalogue // what a plan is said in; nil: English
	// Habits is what the people who lay it take of each kind of coat, and what
	// they leave in cups; without it grams are the tables'.
	Habits map[string]pot.Habit

	noLag bool // panels are as warm as the air, for tests
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

// Limits of a job.
const (
	maxPeople  = 20
	maxMembers = 2000
)

// Fault is one thing wrong with a job, its Field the place there; Faults is every
// fault at once, an error.
type (
	Fault  = fault.Fault
	Faults = fault.List
)

// withPast lays the past before the forecast, as far back as the first step
// that has been done, a week at most.
func (j *Job) withPast() *Job {
	k := *j
	f := &k.Forecast
	if f.Step <= 0 || len(f.Air) == 0 {
		return &k
	}
	back := 0
	for _, d := range j.Done {
		if ago := f.Start.Sub(d); ago > 0 && ago <= Horizon {
			// An hour more: what went before it took somebody's time too.
			back = max(back, int((ago+time.Hour)/f.Step)+1)
		}
	}
	if back == 0 {
		return &k
	}
	air := make([][]float64, len(f.Air))
	for i, p := range f.Air {
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
		air[i] = append(row, p...)
	}
	f.Air = air
	f.Start = f.Start.Add(-time.Duration(back) * f.Step)
	f.Past = nil
	return &k
}

// step is a Step made ready.
type step struct {
	*job.Step
	place   string // of faults
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
// temperature, holds, and ramps down, by 10 °C an hour where nothing is said.
func lasts(s *job.Step) float64 {
	minutes := *s.Hours * 60
	if s.Do == "soak" {
		ramp := 10.0
		if s.RampCH != nil {
			ramp = *s.RampCH
		}
		minutes += 2 * 60 * max(*s.TempC-20, 0) / ramp
	}
	return minutes
}

// compiled is a Job made ready: times are minutes from Forecast.Start.
type compiled struct {
	*Job
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
			s := span{max(day(h.From), c.from), min(day(h.To), c.horizon)}
			if s.to > s.from {
				c.open = append(c.open, s)
			}
		}
	}
	slices.SortFunc(c.open, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	merged := c.open[:0]
	for _, s := range c.open {
		if n := len(merged); n > 0 && s.from <= merged[n-1].to {
			merged[n-1].to = max(merged[n-1].to, s.to)
		} else {
			merged = append(merged, s)
		}
	}
	c.open = merged
	longest := 0.0
	for _, s := range c.open {
		longest = max(longest, s.to-s.from)
	}
	for i := range c.steps {
		if s := &c.steps[i]; math.IsNaN(s.done) && s.people1 && s.work > longest {
			return &Fault{Field: s.place, What: fmt.Sprintf("its work of %.0f min conflicts with the hours: the longest stretch is %.0f min", s.work, longest)}
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
		return max(t, s.from)
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
			d = Kappa{0, math.Sqrt(max(c.resins[k].LnKappaSD*c.resins[k].LnKappaSD-batchSD*batchSD, 0))}
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
