// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/pot"
	"curewright/model/words"
)

// Result is a plan. Times are RFC 3339 with the shop's offset.
type Result struct {
	Feasible    bool       `json:"feasible"`
	Say         string     `json:"say"`         // how likely it holds, as a sentence
	Probability float64    `json:"probability"` // share of the forecast in which every step is inside its window
	Start       *time.Time `json:"start"`       // of the first step still to be done
	Finish      *time.Time `json:"finish"`      // median
	Steps       []Planned  `json:"steps"`
	WhyNot      []string   `json:"why_not"`
	Options     []Option   `json:"options"`
	Notes       []string   `json:"notes"`
	Cautions    []string   `json:"cautions"`
}

// Planned is one step with its time.
type Planned struct {
	Step  string    `json:"step"`
	Coat  string    `json:"coat"` // the coat's name or kind; "" for what is no coat
	Panel string    `json:"panel"`
	Do    string    `json:"do"`
	Cloth string    `json:"cloth,omitempty"`
	To    string    `json:"to,omitempty"`
	At    time.Time `json:"at"`
	Until time.Time `json:"until"`
	// Window is when the condition holds: permitting edges at their ninth
	// decile, closing edges at their first; both at their median where the
	// two cross, and then FeelFrom is set. Over the forecasts in which the
	// plan holds, as the planned times are; over all where it holds in none.
	Window      *Window    `json:"window"`
	FeelFrom    *time.Time `json:"feel_from"` // feel the coat from here on, go by the finger
	When        string     `json:"when"`
	Of          string     `json:"of,omitempty"`
	Probability float64    `json:"probability"` // that this and all before it were inside their windows
	TempC       *float64   `json:"temp_c"`      // panel, median, at that time
	Batches     []Batch    `json:"batches"`
	Parts       []pot.Part `json:"parts,omitempty"` // how the grams were reckoned
	Own         string     `json:"own,omitempty"`   // what your own coats changed in them
	Done        bool       `json:"done"`
	Say         string     `json:"say"`
}

// Window is the span of a condition; nil: no such edge.
type Window struct {
	Opens  *time.Time `json:"opens"`
	Closes *time.Time `json:"closes"`
}

// Batch is one cup to mix for a step.
type Batch struct {
	Grams       float64  `json:"grams"`
	WorkMinutes *float64 `json:"work_minutes"` // cautious; nil: not within 12 h
	Resin       string   `json:"resin"`
	ResinG      *float64 `json:"resin_g"`
	HardenerG   *float64 `json:"hardener_g"`
	HardenerLow *float64 `json:"hardener_low_g,omitempty"`
	HardenerHi  *float64 `json:"hardener_high_g,omitempty"`
	Ratio       string   `json:"ratio"`
	DiameterMM  float64  `json:"diameter_mm"`
	LayMinutes  float64  `json:"lay_minutes"`     // what laying it takes
	Vessel      string   `json:"vessel"`          // used from: cup, tray, roller
	Verdict     string   `json:"verdict"`         // what it does if left in the cup
	Danger      string   `json:"danger"`          // of the cup, by minutes to 60 °C
	Tight       bool     `json:"tight,omitempty"` // cannot be laid in time
	Note        string   `json:"note,omitempty"`
}

// Option is a change that mends or betters the plan.
type Option struct {
	Change      string     `json:"change"` // resin, tent, hours, people, wash, start
	Say         string     `json:"say"`
	Probability float64    `json:"probability"`
	Finish      *time.Time `json:"finish"`
}

// Shares of the forecast: a plan below feasibleShare is more likely to fail
// than to hold; below goodShare changes are offered.
const (
	feasibleShare = 0.5
	goodShare     = 0.8
)

// Plan answers the job, or returns its [Faults]. A search that ctx ends returns
// ctx's error within the judgement of one trial, some milliseconds.
func Plan(ctx context.Context, j Job) (Result, error) {
	c, f := j.compile()
	if len(f) > 0 {
		return Result{}, f
	}
	c.stopped = ctx.Err
	best := c.search(c.members)
	if err := ctx.Err(); err != nil {
		return Result{}, err
	}
	best.visits = c.detail(&best).visits
	c = c.again()
	d := c.detail(&best)
	res := c.result(best, d)
	share := float64(best.ok) / float64(c.members)
	if share < goodShare {
		res.WhyNot = c.whyNot(d)
		res.Options = c.options(share)
	}
	if err := ctx.Err(); err != nil {
		return Result{}, err
	}
	if n := c.waiting(best, d); n != "" {
		res.Notes = append(res.Notes, n)
	}
	if !res.Feasible && len(res.WhyNot) == 0 {
		res.WhyNot = []string{c.say("why_not.nothing", nil)}
	}
	return res, ctx.Err()
}

// waiting says what a start at once would break, where the plan waits with its
// first step for more than the hours make it.
func (c *compiled) waiting(best trial, d *detail) string {
	now := trial{release: make([]float64, len(c.steps)), order: best.order}
	for i := range now.release {
		now.release[i] = math.Inf(-1)
	}
	e := c.detail(&now)
	first := func(d *detail) float64 {
		at := math.Inf(1)
		for i := range c.steps {
			if math.IsNaN(c.steps[i].done) {
				if q := quantileOf(d.start[i], .5); q < at {
					at = q
				}
			}
		}
		return at
	}
	a, b := first(e), first(d)
	if !(b > a+30) {
		return ""
	}
	whole := 0
	for _, f := range e.failed {
		if f < 0 {
			whole++
		}
	}
	if whole+c.members/50 >= best.ok {
		return ""
	}
	facts := words.Facts{"at": c.dated(c.at(a)), "n": 100 * whole / c.members}
	if why := c.whyNot(e); len(why) > 0 {
		facts["why"] = why[0]
		return c.say("note.start_now_why", facts)
	}
	return c.say("note.start_now", facts)
}

// detail judges the trial over all members, noting what happened.
func (c *compiled) detail(t *trial) *detail {
	n := len(c.steps)
	d := &detail{visits: make([]visit, n), failed: make([]int, c.members), stepOK: make([]int, n)}
	for range n {
		d.start = append(d.start, nans(c.members))
		d.end = append(d.end, nans(c.members))
		d.open = append(d.open, nans(c.members))
		d.first = append(d.first, nans(c.members))
		d.close = append(d.close, nans(c.members))
		d.why = append(d.why, make([]cause, c.members))
		d.with = append(d.with, make([]int, c.members))
	}
	for m := range d.failed {
		d.failed[m] = -1
	}
	c.judge(c.members).run(t, 0, d)
	return d
}

func nans(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = math.NaN()
	}
	return v
}

// quantileOf takes a quantile of what is a number; NaN where nothing is.
func quantileOf(v []float64, p float64) float64 {
	s := make([]float64, 0, len(v))
	for _, x := range v {
		if !math.IsNaN(x) {
			s = append(s, x)
		}
	}
	if len(s) == 0 {
		return math.NaN()
	}
	slices.Sort(s)
	return quantileSorted(s, p)
}

func (c *compiled) when(min float64) *time.Time {
	if math.IsNaN(min) || math.IsInf(min, 0) {
		return nil
	}
	t := c.at(min)
	return &t
}

func (c *compiled) result(t trial, d *detail) Result {
	share := float64(t.ok) / float64(c.members)
	res := Result{
		Feasible: share >= feasibleShare, Probability: share,
		WhyNot: []string{}, Options: []Option{}, Notes: []string{}, Steps: []Planned{},
		Finish: c.when(t.finish), Cautions: append([]string{c.say("caution.estimate", nil), c.say("caution.one_cup", nil), c.say("caution.no_sleep", nil)}, pot.CupCautions(c.Words)...),
	}
	res.Say = c.sayShare(&res)
	at, order, holds := c.startTimes(d)
	generic, own := false, map[string]bool{}
	for _, i := range order {
		s := &c.steps[i]
		p := c.planned(i, d, at, holds)
		if s.Do == "coat" && !p.Done {
			p.Batches, p.Parts, p.Own = c.batches(s, p.TempC, &res)
			if p.Own != "" && !own[s.Coat] {
				own[s.Coat] = true // once for each kind of coat
				res.Notes = append(res.Notes, p.Own)
			}
			generic = generic || c.resins[s.resin].Generic
		}
		coatEnd := p.At
		if s.coatOf >= 0 {
			coatEnd = c.at(at[s.coatOf] + c.steps[s.coatOf].work)
		}
		p.Say = c.sayStep(s, &p, coatEnd)
		if !p.Done && res.Start == nil {
			res.Start = &p.At
		}
		res.Steps = append(res.Steps, p)
	}
	if generic {
		res.Notes = append(res.Notes, c.say("note.generic", nil))
	}
	res.Notes = append(res.Notes, c.jointsLate()...)
	if end := float64(len(c.Forecast.Air[0])-1) * c.Forecast.Step.Minutes(); !math.IsInf(t.finish, 0) && t.finish > end {
		res.Notes = append(res.Notes, c.say("note.beyond", words.Facts{"at": c.dated(c.at(end))}))
	}
	return res
}

// startTimes are the times at which the steps are planned, min, and the steps in
// that order. holds says that they are of a member in which the whole plan holds.
func (c *compiled) startTimes(d *detail) (at []float64, order []int, holds bool) {
	at = make([]float64, len(c.steps))
	like := c.typical(d)
	for i := range at {
		order = append(order, i)
		at[i] = quantileOf(d.start[i], .5)
		if like >= 0 {
			at[i] = d.start[i][like]
			// At a clock time one goes and feels, however it is then.
			if f := d.first[i][like]; !d.visits[i].feel && !math.IsNaN(f) {
				at[i] = f
			}
		}
		if math.IsNaN(at[i]) { // missed in every member: where it would have stood
			at[i] = c.afterOthers(i, at, quantileOf(d.open[i], .5))
			if math.IsNaN(at[i]) || math.IsInf(at[i], 0) {
				at[i] = c.afterOthers(i, at, c.from)
			}
		}
		if math.IsNaN(c.steps[i].done) {
			at[i] = fiveUp(at[i])
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(at[a], at[b]) })
	if c.people == 1 { // medians of members may overlap by minutes; a person cannot
		busy := math.Inf(-1)
		for _, i := range order {
			if s := &c.steps[i]; math.IsNaN(s.done) && s.people1 {
				if busy > at[i] {
					at[i] = fiveUp(busy)
				}
				busy = at[i] + s.work
			}
		}
	}
	return at, order, like >= 0
}

// afterOthers is a time for step i, but not before the steps before it have
// ended.
func (c *compiled) afterOthers(i int, at []float64, t float64) float64 {
	for _, a := range c.steps[i].after {
		t = math.Max(t, at[a]+c.steps[a].work)
	}
	return t
}

// planned is a step with its times and its window.
func (c *compiled) planned(i int, d *detail, at []float64, holds bool) Planned {
	s := &c.steps[i]
	p := Planned{
		Step: s.ID, Panel: s.Panel, Do: s.Do, Cloth: s.Cloth, To: s.To, When: cmp.Or(s.When, "start"),
		At: c.at(at[i]), Until: c.at(at[i] + s.work), Batches: []Batch{},
		Probability: float64(d.stepOK[i]) / float64(c.members), Done: !math.IsNaN(s.done), TempC: c.panelTemp(s, at[i]),
	}
	if s.Do == "coat" {
		p.Coat = cmp.Or(c.Names[s.ID], s.Coat)
	}
	if s.coatOf < 0 {
		return p
	}
	p.Of = c.steps[s.coatOf].ID
	p.Window, p.FeelFrom = c.window(i, d, at[i], holds)
	if p.FeelFrom != nil {
		// Nobody can feel it before what lies over it by then is done.
		from := c.afterOthers(i, at, p.FeelFrom.Sub(c.Forecast.Start).Minutes())
		p.FeelFrom = c.when(math.Min(from, at[i]))
	}
	return p
}

// jointsLate are remarks on joints that come after a coat on their panel.
func (c *compiled) jointsLate() (notes []string) {
	for i := range c.steps {
		s := &c.steps[i]
		if s.Do != "coat" || s.Coat != coat.Bond || !math.IsNaN(s.done) {
			continue
		}
		for k := range i {
			if o := &c.steps[k]; o.panel == s.panel && o.Do == "coat" && o.Coat != coat.Bond && math.IsNaN(o.done) {
				notes = append(notes, c.say("note.joints_first", words.Facts{"step": s.ID, "coat": o.ID, "panel": s.Panel}))
				break
			}
		}
	}
	return notes
}

// fiveUp rounds up to five minutes; a minute early is none.
func fiveUp(min float64) float64 { return math.Ceil(min/5-0.2) * 5 }

// typical is the member of the whole ones whose starts lie nearest to the
// medians: times out of one member agree with each other, medians need not.
// −1 when every member missed something.
func (c *compiled) typical(d *detail) int {
	best, least := -1, math.Inf(1)
	mid := make([]float64, len(c.steps))
	for i := range mid {
		mid[i] = quantileOf(d.holding(d.start[i], true), .5)
	}
	for m, f := range d.failed {
		if f >= 0 {
			continue
		}
		far := 0.0
		for i := range mid {
			far += math.Abs(d.start[i][m] - mid[i])
		}
		if far < least {
			best, least = m, far
		}
	}
	return best
}

// holding keeps the members in which the whole plan holds, where only is set.
func (d *detail) holding(v []float64, only bool) []float64 {
	if !only {
		return v
	}
	out := make([]float64, 0, len(v))
	for m, x := range v {
		if d.failed[m] < 0 {
			out = append(out, x)
		}
	}
	return out
}

// window is the condition's span as the edges speak, to five minutes on the
// careful side; of the forecasts in which the plan holds, where only is set.
func (c *compiled) window(i int, d *detail, at float64, only bool) (*Window, *time.Time) {
	s := &c.steps[i]
	open, shut := d.holding(d.open[i], only), d.holding(d.close[i], only)
	opens := func(p float64) *time.Time { return c.when(fiveUp(quantileOf(open, p))) }
	closes := func(p float64) *time.Time { return c.when(math.Floor(quantileOf(shut, p)/5) * 5) }
	var feel *time.Time
	po, pc := .9, .1
	if l := d.visits[i]; l.feel {
		po, pc = .5, .5
		feel = c.when(l.at)
	} else if s.open == applied {
		po = .5
	}
	w := &Window{Opens: opens(po)}
	if s.close != never {
		w.Closes = closes(pc)
		if w.Closes != nil && w.Closes.Before(c.at(at+s.work)) {
			w.Closes = closes(.5) // somebody was busy until past the careful edge
		}
	}
	// The planned time is one of the forecasts in which the plan holds, and so
	// inside its window there: the span shown takes it in.
	if only && w.Opens != nil && c.at(at).Before(*w.Opens) {
		w.Opens = c.when(at)
	}
	if only && w.Closes != nil && w.Closes.Before(c.at(at+s.work)) {
		w.Closes = c.when(at + s.work)
	}
	return w, feel
}

func (c *compiled) panelTemp(s *step, at float64) *float64 {
	resin := s.resin
	if resin < 0 && s.coatOf >= 0 {
		resin = c.steps[s.coatOf].resin
	}
	if resin < 0 || s.panel < 0 {
		return nil
	}
	tb := c.table(resin, s.panel)
	i := int(math.Round(at / grid))
	if i < 0 || i >= tb.slots {
		return nil
	}
	v := make([]float64, c.members)
	for m := range v {
		v[m] = float64(tb.temp[m][i])
	}
	return someOf(quantileOf(v, .5))
}

func someOf(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	v = math.Round(v*10) / 10
	return &v
}

// batches reckons a coat's resin and splits it into cups that are spread in
// time.
func (c *compiled) batches(s *step, tempC *float64, res *Result) ([]Batch, []pot.Part, string) {
	out := []Batch{}
	if math.IsNaN(s.area) || tempC == nil {
		return out, nil, ""
	}
	r := c.resins[s.resin]
	n, ok := job.Need(c.Steps, s.index, c.Panels[s.panel], r.DensityGCC)
	if !ok {
		return out, nil, ""
	}
	if h, ok := c.Habits[s.Coat]; ok {
		n.Habit = &h
	}
	n.Words = c.Words
	q, err := n.Quantity()
	if err != nil {
		res.Notes = append(res.Notes, fmt.Sprintf("%s: %v", s.ID, err))
		return out, nil, ""
	}
	hands := pot.Hands{GramsPerMin: q.Grams.Use / math.Max(s.work, 1), Vessel: pot.UsualVessel(s.Coat, q.Grams.Use), Mixer: c.people > 1}
	shop := math.Min(math.Max(*tempC, -20), 50)
	split, err := pot.Batches(pot.Query{Resin: r, ShopC: shop}, q.Grams.Use, hands)
	if err != nil {
		res.Notes = append(res.Notes, fmt.Sprintf("%s: %v", s.ID, err))
		return out, whole(q.Parts), q.Own
	}
	for _, k := range split {
		work := k.WorkMinutes
		if work != nil {
			work = someOf(*work)
		}
		out = append(out, Batch{
			Grams: k.Grams, WorkMinutes: work, LayMinutes: math.Round(k.LayMinutes), Resin: c.names[s.resin], ResinG: k.ResinG, HardenerG: k.HardenerG,
			HardenerLow: k.LowG, HardenerHi: k.HighG, Ratio: k.Parts, DiameterMM: k.DiameterMM, Vessel: string(k.Vessel),
			Verdict: k.Verdict, Danger: k.Danger, Tight: k.Tight, Note: k.Note,
		})
	}
	if k := split[0]; k.Tight && k.WorkMinutes != nil {
		res.Notes = append(res.Notes, c.say("note.tight", words.Facts{"step": s.ID, "resin": c.names[s.resin],
			"work": math.Floor(*k.WorkMinutes), "temp": words.Temp(math.Round(shop)), "lay": math.Round(k.LayMinutes + pot.MixMinutes)}))
	}
	return out, whole(q.Parts), q.Own
}

// whole rounds a reckoning to the gram.
func whole(parts []pot.Part) []pot.Part {
	for i := range parts {
		g := &parts[i].Grams
		g.Low, g.Use, g.High = math.Round(g.Low), math.Round(g.Use), math.Round(g.High)
	}
	return parts
}

// coldest is the panel's lowest temperature within a day, °C, at the median.
func (c *compiled) coldest(s *step) float64 {
	tb := c.table(c.steps[s.coatOf].resin, c.steps[s.coatOf].panel)
	v := make([]float64, 0, c.members)
	for m := range c.members {
		lo := math.Inf(1)
		for i := int(c.from / grid); i < tb.slots && i < int(c.from/grid)+96; i++ {
			lo = math.Min(lo, float64(tb.temp[m][i]))
		}
		v = append(v, lo)
	}
	return quantileOf(v, .5)
}

// optionMembers are enough to compare changes by.
const optionMembers = 40

// options tries the changes a person can make and keeps those that help.
func (c *compiled) options(share float64) []Option {
	o := optionSearch{compiled: c, small: c.thin(optionMembers), share: share, found: []Option{}}
	for _, n := range slices.Sorted(maps.Keys(c.Resins)) {
		if len(c.names) == 1 && c.names[0] == n {
			continue
		}
		o.try("resin", words.Facts{"resin": n}, func(j *Job) {
			for i := range j.Steps {
				if _, done := j.Done[j.Steps[i].ID]; j.Steps[i].Do == "coat" && !done {
					j.Steps[i].Resin = n
				}
			}
		})
	}
	o.least("tent", []float64{16, 18, 20, 22, 24, 26}, func(hold float64) words.Facts { return words.Facts{"temp": words.Temp(hold)} },
		func(j *Job, hold float64) { j.hold(hold, c.from) })
	if len(c.Hours) > 0 {
		o.least("hours", []float64{22 * 60, 24 * 60}, func(late float64) words.Facts { return words.Facts{"at": clock(int(late))} },
			func(j *Job, late float64) {
				last := &j.Hours[len(j.Hours)-1]
				last.To = max(last.To, int(late))
			})
		first := float64(c.Hours[0].From)
		o.least("start", slices.DeleteFunc([]float64{first - 120, first - 240}, func(early float64) bool { return early < 0 }),
			func(early float64) words.Facts { return words.Facts{"at": clock(int(early))} },
			func(j *Job, early float64) {
				j.Hours[0].From = int(early)
				j.Start = j.Start.Add(-time.Duration(first-early) * time.Minute)
				if j.Start.Before(j.Forecast.Start) {
					j.Start = j.Forecast.Start
				}
			})
	}
	if c.people < maxPeople {
		o.try("people", words.Facts{"n": c.people + 1}, func(j *Job) { j.People = c.people + 1 })
	}
	for i := range c.steps {
		s := &c.steps[i]
		if s.Do != "coat" || s.coatOf < 0 || s.close == never || !math.IsNaN(s.done) || s.When == "wet" {
			continue
		}
		o.try("wash", words.Facts{"coat": c.steps[s.coatOf].ID, "step": s.ID}, func(j *Job) {
			area := nonNaN(s.area)
			w := s.work + job.WorkMinutes(job.Step{Do: "wash"}, area) + job.WorkMinutes(job.Step{Do: "sand"}, area)
			j.Steps[i].When = "hard"
			j.Steps[i].WorkMinutes = &w
		})
	}
	slices.SortStableFunc(o.found, func(a, b Option) int { return cmp.Compare(b.Probability, a.Probability) })
	return o.found
}

// optionSearch tries changes of a job on few of its members.
type optionSearch struct {
	*compiled
	small Job
	share float64 // in which the job as it stands holds
	found []Option
}

// least tries one value after the other, until one makes a good plan: the least
// that does it.
func (o *optionSearch) least(change string, values []float64, facts func(float64) words.Facts, edit func(j *Job, v float64)) {
	for _, v := range values {
		if o.try(change, facts(v), func(j *Job) { edit(j, v) }) >= goodShare {
			return
		}
	}
}

// try plans the job with a change, and keeps it where it helps; p is the share in
// which it holds then.
func (o *optionSearch) try(change string, facts words.Facts, edit func(j *Job)) (p float64) {
	j := o.small
	j.Steps, j.Hours = slices.Clone(j.Steps), slices.Clone(j.Hours)
	edit(&j)
	k, f := j.compile()
	if len(f) > 0 {
		return 0
	}
	k.stopped, k.quick = o.stopped, true
	least := max(o.share+0.1, feasibleShare)
	t := k.search(k.members)
	if p = float64(t.ok) / float64(k.members); p < least {
		return p // not even on the draw it was chosen on
	}
	t.visits = k.detail(&t).visits
	k = k.again()
	k.detail(&t)
	if p = float64(t.ok) / float64(k.members); p >= least {
		o.found = append(o.found, Option{change, o.say("option."+change, facts), p, k.when(t.finish)})
	}
	return p
}

func nonNil(p *float64) float64 {
	if p == nil {
		return 0
	}
	return *p
}

func nonNaN(v float64) float64 {
	if math.IsNaN(v) {
		return 1
	}
	return v
}

// thin takes n members of the job, evenly.
func (c *compiled) thin(n int) Job {
	j := *c.Job
	n = min(n, c.members)
	all := j.Forecast.Air
	j.Forecast.Air = make([][]float64, n)
	for i := range n {
		j.Forecast.Air[i] = all[i*len(all)/n]
	}
	return j
}

// hold raises every path to the tent's temperature from a time on, with a
// tenth of the path's own swing left (a held tent breathes a little).
func (j *Job) hold(c, from float64) {
	all := j.Forecast.Air
	j.Forecast.Air = make([][]float64, len(all))
	for i, p := range all {
		row := slices.Clone(p)
		for k := range p {
			if float64(k)*j.Forecast.Step.Minutes() >= from && p[k] < c {
				row[k] = c + 0.1*math.Max(p[k]-c, -10)
			}
		}
		j.Forecast.Air[i] = row
	}
}
