// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"cmp"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"curewright/model/coat"
	"curewright/model/cure"
)

// trial is one way to do the job, judged over the members.
type trial struct {
	release []float64 // not before, by step; −Inf: as soon as it may
	visits  []visit   // when each step is first felt, where that is settled; nil: to be found
	order   []int
	ok      int     // members in which every step was inside its window
	finish  float64 // median end over those members, min; +Inf when there is none
	total   float64 // sum of releases that were set, to break ties
}

// lower says what decided the earliest time of a step.
type cause int

const (
	byWindow cause = iota
	byStep
	byRelease
	byHours
	byPerson
	byNever // the event is not reached at all
	byShort // the window is shorter than the work
	byOver  // the window closes before it opens, as below the epoxy's range
	byEarly // the finger called it too soon
	byLate  // the finger called it past, in time or not
)

// visit is when a step's coat is first felt, min, and whether that is before the
// clock can tell: then the person goes by the finger from there on.
type visit struct {
	at   float64
	feel bool
}

// detail is what a full judgement leaves behind, by [step][member].
type detail struct {
	start, end, open, close [][]float64
	first                   [][]float64 // when it was first felt, or begun where nothing is felt
	visits                  []visit
	why                     [][]cause
	with                    [][]int // the step that stood in the way
	failed                  []int   // by member: the first step that missed, -1 none
	stepOK                  []int   // members still whole after the step
}

// judge runs the plan over the first n members. With d it also notes what
// happened. It gives up, with ok = -1, once fewer than least members are left.
type judge struct {
	c *compiled
	n int
	// Scratch by step and member.
	start, end         [][]float64
	open, shut         []float64
	blurOpen, blurShut []float64 // of one touch, min
	best               []float64 // from when a fill coat is best
	sorted             []float64
	opens              []float64 // sorted, of those still whole
	alive              []bool
	busy               [][][]span // [member][person]
	walk               walk
}

func (c *compiled) judge(n int) *judge {
	j := &judge{c: c, n: n, open: make([]float64, n), shut: make([]float64, n), blurOpen: make([]float64, n), blurShut: make([]float64, n), best: make([]float64, n), sorted: make([]float64, 0, n), opens: make([]float64, 0, n), alive: make([]bool, n)}
	for range c.steps {
		j.start = append(j.start, make([]float64, n))
		j.end = append(j.end, make([]float64, n))
	}
	j.busy = make([][][]span, n)
	for m := range j.busy {
		j.busy[m] = make([][]span, c.people)
	}
	return j
}

// judges are as many as work side by side. Their trials come out the same however
// many they are.
func (c *compiled) judges(n int) (all []*judge) {
	for i := range c.steps {
		if s := &c.steps[i]; s.resin >= 0 {
			c.table(s.resin, s.panel) // found and not made while they run
		}
	}
	for range runtime.GOMAXPROCS(0) {
		all = append(all, c.judge(n))
	}
	return all
}

// each deals n trials out to the judges. A panic of one of them is the caller's, as
// if there were one judge: it must not end a daemon that survives its callers'.
func each(judges []*judge, n int, try func(j *judge, k int)) {
	var next atomic.Int64
	var all sync.WaitGroup
	var fault atomic.Pointer[any]
	for _, j := range judges[:min(len(judges), n)] {
		all.Go(func() {
			defer func() {
				if p := recover(); p != nil {
					fault.Store(&p)
				}
			}()
			for k := int(next.Add(1)) - 1; k < n; k = int(next.Add(1)) - 1 {
				try(j, k)
			}
		})
	}
	all.Wait()
	if p := fault.Load(); p != nil {
		panic(*p)
	}
}

// member maps the i-th of n judged members onto the ensemble, evenly.
func (j *judge) member(i int) int { return i * j.c.members / j.n }

// run goes through a trial's steps in its order, and sets how it came out.
func (j *judge) run(t *trial, least int, d *detail) {
	t.ok, t.finish = -1, math.Inf(1)
	if j.c.stopped() != nil {
		return
	}
	j.begin()
	left := j.n
	for _, i := range t.order {
		s := &j.c.steps[i]
		if math.IsNaN(s.done) {
			left -= j.step(t, s, d)
			if left < least {
				return
			}
		} else if d != nil {
			j.window(s, d)
			copy(d.start[i], j.start[i])
			copy(d.end[i], j.end[i])
		}
		if d != nil {
			d.stepOK[i] = left
		}
	}
	t.ok = left
	j.sorted = j.sorted[:0]
	for m := range j.n {
		if j.alive[m] {
			e := 0.0
			for i := range j.end {
				e = max(e, j.end[i][m])
			}
			j.sorted = append(j.sorted, e)
		}
	}
	if len(j.sorted) > 0 {
		slices.Sort(j.sorted)
		t.finish = j.sorted[(len(j.sorted)-1)/2]
	}
	t.total = 0
	for _, r := range t.release {
		if !math.IsInf(r, -1) {
			t.total += r
		}
	}
}

// begin makes all members whole and everybody free. What has been done is fixed and
// was somebody's time.
func (j *judge) begin() {
	for m := range j.n {
		j.alive[m] = true
		for p := range j.busy[m] {
			j.busy[m][p] = j.busy[m][p][:0]
		}
	}
	for i := range j.c.steps {
		s := &j.c.steps[i]
		if math.IsNaN(s.done) {
			continue
		}
		for m := range j.n {
			j.start[i][m], j.end[i][m] = s.done, s.done+s.work
			if s.people1 {
				j.book(m, 0, s.done, s.done+s.work)
			}
		}
	}
}

// step does a step for every member still whole, and counts those that miss it.
func (j *judge) step(t *trial, s *step, d *detail) (lost int) {
	i := s.index
	j.window(s, d)
	l := visit{at: math.Inf(-1)}
	switch {
	case t.visits != nil:
		l = t.visits[i]
	case s.coatOf >= 0 && s.open != applied: // wet on wet follows at once: nothing to wait for
		l = j.firstVisit(t, s)
	}
	if d != nil {
		d.visits[i] = l
	}
	for m := range j.n {
		if !j.alive[m] {
			continue
		}
		v := j.attempt(m, t, s, l)
		end := v.at + s.work
		if v.why != fits {
			j.alive[m] = false
			lost++
			if d != nil {
				d.failed[m] = i
				d.start[i][m], d.end[i][m] = math.NaN(), math.NaN()
				d.why[i][m], d.with[i][m] = v.why, v.with
			}
			continue
		}
		if s.people1 {
			j.book(m, v.who, v.at, end)
		}
		j.start[i][m], j.end[i][m] = v.at, end
		if d != nil {
			d.start[i][m], d.end[i][m], d.first[i][m] = v.at, end, v.felt
		}
	}
	return lost
}

// fits is the cause of a step that was inside its window.
const fits cause = -1

// verdict is how one member's step went.
type verdict struct {
	at   float64 // start
	felt float64 // when it was first felt, or begun where nothing is felt
	who  int     // the person
	why  cause   // fits, or what missed it
	with int     // the step that stood in the way
}

// firstVisit finds when a step's coat is first felt. Where the ninth decile of
// its opening (nearly the last, where nothing closes) leaves time before it
// closes, that is a clock time; else the quantile of the opening from which most
// members get through.
func (j *judge) firstVisit(t *trial, s *step) visit {
	q := .9
	limit := math.Inf(1)
	if s.close != never {
		j.sorted = j.whole(j.sorted, j.shut)
		limit = quantileSorted(j.sorted, .02) - s.work
	} else {
		q = .97
	}
	late := func(sorted []float64, q float64) float64 {
		return max(math.Ceil(quantileSorted(sorted, q)/5-1e-9)*5, t.release[s.index])
	}
	j.opens = j.whole(j.opens, j.open)
	clock := func(q float64) float64 { return late(j.opens, q) }
	inTime := func(at float64) bool {
		return at <= limit && !math.IsInf(at, 1) && j.c.startWithin(at, s.work) <= limit
	}
	if s.When == "fill" {
		j.sorted = j.whole(j.sorted, j.best)
		if at := late(j.sorted, q); inTime(at) {
			return visit{at: at}
		}
	}
	if at := clock(q); inTime(at) {
		return visit{at: at}
	}
	best, most := visit{at: clock(.1), feel: true}, -1
	quantiles := []float64{.1, .3, .5, .7, .8, .9}
	if j.n < j.c.members {
		quantiles = quantiles[3:5] // a first pass over few members: near enough
	}
	for _, q := range quantiles {
		l := visit{clock(q), true}
		if math.IsInf(l.at, 1) || math.IsNaN(l.at) || most >= 0 && l.at == best.at {
			continue
		}
		ok := 0
		for m := range j.n {
			if j.alive[m] && j.attempt(m, t, s, l).why == fits {
				ok++
			}
		}
		if ok > most {
			best, most = l, ok
		}
	}
	return best
}

// refeel is how long after a touch the next one follows, min: a tenth of the
// coat's age, between 5 min and an hour.
func refeel(age float64) float64 { return min(max(fiveUp(age/10), 5), 60) }

// attempt does a step for one member as a person does: at the first visit, or as
// soon as hands are free after it, the coat is felt, and again a while later for
// as long as the finger says not yet; it is done when the finger says so. A
// touch may be off, and some say anything.
func (j *judge) attempt(m int, t *trial, s *step, l visit) verdict {
	c := j.c
	lb, why, with := c.from, byRelease, -1
	if r := t.release[s.index]; r > lb {
		lb = r
	}
	if l.at > lb {
		lb, why = l.at, byWindow
	}
	for _, a := range s.after {
		if e := j.end[a][m]; e > lb {
			lb, why, with = e, byStep, a
		}
	}
	if s.coatOf < 0 {
		at, who := j.free(m, lb, s)
		if math.IsInf(at, 1) {
			return verdict{at, at, -1, byHours, -1}
		}
		return verdict{at, at, who, fits, -1}
	}
	open, ub := j.open[m], j.shut[m]-s.work
	if s.open == applied && open > lb {
		lb, why, with = open, byStep, s.coatOf
	}
	switch {
	case math.IsInf(open, 1):
		return verdict{math.Inf(1), lb, -1, byNever, s.coatOf}
	case open >= j.shut[m]:
		return verdict{math.Inf(1), lb, -1, byOver, s.coatOf}
	case open > ub:
		return verdict{math.Inf(1), lb, -1, byShort, s.coatOf}
	}
	touches := c.touches[j.member(m)]
	laid := j.end[s.coatOf][m]
	at, felt := lb, math.NaN()
	for k := s.index * 5; ; k++ {
		was := at
		var who int
		at, who = j.free(m, at, s)
		if math.IsNaN(felt) {
			felt = at
		}
		if at > was && why != byHours {
			why, with = byPerson, -1
			if c.startWithin(was, s.work) > was {
				why = byHours
			}
		}
		if at > ub+j.blurShut[m]*3 || math.IsInf(at, 1) {
			break
		}
		z := &touches[k%touchStore]
		ready := at >= open+z.open*j.blurOpen[m]
		past := at > j.shut[m]+z.shut*j.blurShut[m]
		if z.blunder >= 0 {
			ready, past = z.blunder >= s.open.word(), z.blunder >= s.close.word()
		}
		switch {
		case past && at > ub:
			return verdict{at, felt, -1, j.late(m, at, ub, lb, why), with}
		case past:
			return verdict{at, felt, -1, byLate, s.coatOf}
		case ready && at < open-1e-9:
			return verdict{at, felt, -1, byEarly, s.coatOf}
		case ready && at > ub:
			return verdict{at, felt, -1, j.late(m, at, ub, lb, why), with}
		case ready:
			return verdict{at, felt, who, fits, -1}
		}
		if next := at + refeel(at-laid); c.exact {
			at = max(at, open) // a finger without doubt is as good as the clock
		} else {
			at = next
		}
		why, with = byWindow, s.coatOf
	}
	if why == byPerson {
		with = j.blocker(m, lb, s)
	}
	return verdict{at, felt, -1, why, with}
}

// late is why a step came after its window.
func (j *judge) late(m int, at, ub, lb float64, why cause) cause {
	if lb <= ub && why == byWindow {
		return byLate // it was felt too seldom or wrongly
	}
	return why
}

// window fills open and shut of a step: opening events are read off the
// youngest resin of the coat, closing events off the oldest.
func (j *judge) window(s *step, d *detail) {
	if s.coatOf < 0 {
		for m := range j.n {
			j.open[m], j.shut[m] = math.Inf(-1), math.Inf(1)
		}
	} else {
		k := &j.c.steps[s.coatOf]
		tb := j.c.table(k.resin, k.panel)
		own := j.c.batch[k.index]
		for m := range j.n {
			if !j.alive[m] {
				j.open[m], j.shut[m] = math.NaN(), math.NaN()
				continue
			}
			mm := j.member(m)
			// The cup's own rate factor stretches the time since mixing: exact
			// at a steady temperature before the glass, near enough for a tenth.
			pace := 1.0
			if own != nil {
				pace = 1 / own[mm]
			}
			mark := func(e mark, from float64) (at, blur float64) {
				at, blur = tb.when(&j.walk, e, from, mm)
				return from + pace*(at-from), pace * blur
			}
			j.open[m], j.blurOpen[m] = j.end[k.index][m], 0
			if s.open != applied {
				j.open[m], j.blurOpen[m] = mark(s.open, j.end[k.index][m])
			}
			if s.When == "fill" {
				j.best[m], _ = mark(green, j.end[k.index][m])
			}
			if s.open == hard || s.open == handle {
				if at := j.soaked(s, k, m, mm); at < j.open[m] {
					j.open[m], j.blurOpen[m] = at, 0
				}
			}
			j.shut[m], j.blurShut[m] = math.Inf(1), 0
			if s.close != never {
				j.shut[m], j.blurShut[m] = mark(s.close, j.start[k.index][m])
			}
		}
	}
	if d != nil {
		copy(d.open[s.index], j.open)
		copy(d.close[s.index], j.shut)
	}
}

// soaked is when a soak between a coat and a step has made the coat hard, or fit
// to handle, min; +Inf where none does. What it holds must do it alone: what the
// coat gained before is left out.
func (j *judge) soaked(s, k *step, m, mm int) float64 {
	out := math.Inf(1)
	c := j.c
	for i := k.index + 1; i < s.index; i++ {
		x := &c.steps[i]
		if x.Do != "soak" || x.panel != k.panel {
			continue
		}
		r := &c.resins[k.resin]
		enough := r.SteadyTime(0, r.Level(cure.Hard, 20, c.films[k.resin][mm]), *x.TempC, c.kappa[k.resin][mm]) / 3600
		if s.open == handle {
			age := cure.TimeAt{Hours: 48, TempC: 20} // common practice, no source
			if r.Handle != nil {
				age = *r.Handle
			}
			enough = max(enough, age.Hours/r.AgeFactor(*x.TempC, age.TempC))
		}
		if *x.Hours >= enough {
			out = min(out, j.end[i][m])
		}
	}
	return out
}

// whole sorts the values of the members that are still whole into the scratch given.
func (j *judge) whole(sorted, v []float64) []float64 {
	sorted = sorted[:0]
	for m, x := range v {
		if j.alive[m] && !math.IsNaN(x) {
			sorted = append(sorted, x)
		}
	}
	slices.Sort(sorted)
	return sorted
}

// quantileSorted takes the element at or above the share: no interpolation,
// so that a time never reached stays never. NaN where there is none.
func quantileSorted(s []float64, p float64) float64 {
	if len(s) == 0 {
		return math.NaN()
	}
	k := int(math.Ceil(p*float64(len(s)))) - 1
	return s[min(max(k, 0), len(s)-1)]
}

// free finds the earliest time from t on at which the hours and a person are
// free for a step, and who that is.
func (j *judge) free(m int, t float64, s *step) (at float64, who int) {
	if !s.people1 {
		return t, -1
	}
	for {
		t = j.c.startWithin(t, s.work)
		if math.IsInf(t, 1) {
			return t, -1
		}
		next := math.Inf(1)
		for p, list := range j.busy[m] {
			free := t
			for _, b := range list { // ascending
				if b.from < free+s.work && b.to > free {
					free = b.to
				}
			}
			if free == t {
				return t, p
			}
			next = min(next, free)
		}
		t = next
	}
}

func (j *judge) book(m, who int, from, to float64) {
	list := j.busy[m][who]
	k := len(list)
	list = append(list, span{})
	for k > 0 && list[k-1].from > from {
		list[k] = list[k-1]
		k--
	}
	list[k] = span{from, to}
	j.busy[m][who] = list
}

// blocker names the step that holds the person at a time.
func (j *judge) blocker(m int, t float64, s *step) int {
	t = j.c.startWithin(t, s.work)
	for i := range j.c.steps {
		if o := &j.c.steps[i]; i != s.index && o.people1 && j.start[i][m] < t+s.work && j.end[i][m] > t {
			return i
		}
	}
	return -1
}

// better orders trials: more members whole, then earlier, then the ones that
// wait less.
func better(a, b *trial) bool {
	switch {
	case a.ok != b.ok:
		return a.ok > b.ok
	case a.finish != b.finish:
		return a.finish < b.finish
	}
	return a.total < b.total
}

// Exhaustive search is done where the steps that may wait number at most four
// and the trials stay under a bound on work.
const (
	exactSteps = 4
	exactWork  = 6e6 // step·member judgements
)

// kept are the trials worth keeping: the best with each number of whole members.
type kept struct {
	trials []trial
	level  map[int]int // by that number, where it stands
}

func (k *kept) keep(t trial) {
	if t.ok < 0 {
		return
	}
	t.release = slices.Clone(t.release)
	switch i, ok := k.level[t.ok]; {
	case !ok:
		k.level[t.ok] = len(k.trials)
		k.trials = append(k.trials, t)
	case better(&t, &k.trials[i]):
		k.trials[i] = t
	}
}

// asap is the trial in which nothing waits.
func (c *compiled) asap(order []int) trial {
	t := trial{release: make([]float64, len(c.steps)), order: order}
	for i := range t.release {
		t.release[i] = math.Inf(-1)
	}
	return t
}

// search returns the earliest of the safe trials, judged over all members.
func (c *compiled) search(members int) trial {
	orders := c.orders()
	n := len(c.steps)
	var free, heads []int // steps that may wait; those that nothing ties to a coat
	for i := range c.steps {
		s := &c.steps[i]
		if math.IsNaN(s.done) {
			free = append(free, i)
			if s.coatOf < 0 {
				heads = append(heads, i)
			}
		}
	}
	full := c.judges(members)
	found := kept{level: map[int]int{}}
	choose := func() trial { return c.choose(found.trials, members, c.asap(orders[0]), full[0]) }
	times := c.times(grid)
	work := float64(len(orders)*members*n) * math.Pow(float64(len(times)), float64(len(free)))
	if !c.quick && len(free) <= exactSteps && work <= exactWork {
		for _, o := range orders {
			full[0].exhaust(c.asap(o), free, times, found.keep)
		}
		return choose()
	}

	// Coarse: few members, half-hour starts of the first head, the other
	// heads improved one at a time.
	few, every := min(members, 48), 30.0
	wide, narrow := 12, 6
	if c.quick {
		few, every = min(members, 24), 60
		wide, narrow = 4, 2
	}
	rough := c.judges(few)
	coarse := c.times(every)
	pool := c.starts(orders, heads, coarse)
	each(rough, len(pool), func(j *judge, k int) { j.run(&pool[k], 0, nil) })
	pool = shortlist(pool, few, wide)
	each(rough, len(pool), func(j *judge, k int) { pool[k] = c.improve(j, pool[k], heads, coarse, 3) })
	pool = shortlist(pool, few, narrow)
	each(full, len(pool), func(j *judge, k int) {
		if c.quick {
			j.run(&pool[k], 0, nil)
		} else {
			pool[k] = c.polish(j, pool[k], heads)
		}
	})
	for _, t := range pool {
		found.keep(t)
	}
	best := choose()
	if !c.quick && float64(best.ok) < 0.9*float64(members) {
		// Something is lost: let other steps wait too, for a person or a window.
		t := c.improve(rough[0], best, free, coarse, 1)
		full[0].run(&t, 0, nil)
		if better(&t, &best) {
			found.keep(c.polish(full[0], t, heads))
			best = choose()
		}
	}
	return best
}

// exhaust runs a trial with every time, or none, for each of the steps that may
// wait, and hands on those in which somebody is whole.
func (j *judge) exhaust(t trial, free []int, times []float64, keep func(trial)) {
	if len(free) == 0 {
		if j.run(&t, 1, nil); t.ok > 0 {
			keep(t)
		}
		return
	}
	t.release[free[0]] = math.Inf(-1)
	j.exhaust(t, free[1:], times, keep)
	for _, at := range times {
		t.release[free[0]] = at
		j.exhaust(t, free[1:], times, keep)
	}
}

// starts are trials in each of the orders with the first head at each of the times.
func (c *compiled) starts(orders [][]int, heads []int, times []float64) (pool []trial) {
	for _, o := range orders {
		if len(heads) == 0 {
			pool = append(pool, c.asap(o))
			continue
		}
		for _, at := range times {
			t := c.asap(o)
			t.release[heads[0]] = at
			pool = append(pool, t)
		}
	}
	return pool
}

// reach is how much later than it could begin a step is tried, min.
const reach = 36 * 60

// climb moves one release at a time to those times that at names for it, while
// that helps.
func (j *judge) climb(t trial, which []int, passes int, at func(t, best *trial, i int) []float64) trial {
	t.release = slices.Clone(t.release)
	j.run(&t, 0, nil)
	best := t
	best.release = slices.Clone(t.release)
	for range passes {
		moved := false
		for _, i := range which {
			for _, x := range at(&t, &best, i) {
				moved = j.move(&t, &best, i, x) || moved
			}
		}
		if !moved {
			break
		}
	}
	return best
}

// improve moves releases over the given times.
func (c *compiled) improve(j *judge, t trial, which []int, times []float64, passes int) trial {
	return j.climb(t, which, passes, func(t, best *trial, i int) []float64 {
		was := best.release[i]
		// Times before it could begin anyway are all the same.
		copy(t.release, best.release)
		t.release[i] = math.Inf(-1)
		j.run(t, 0, nil)
		soonest := math.Inf(1)
		for m := range j.n {
			if j.alive[m] {
				soonest = min(soonest, j.start[i][m])
			}
		}
		if math.IsInf(soonest, 1) {
			soonest = c.from
		}
		out := []float64{math.Inf(-1)}
		for _, at := range times {
			if at > soonest && at <= soonest+reach {
				out = append(out, at)
			}
		}
		return slices.DeleteFunc(out, func(at float64) bool { return at == was })
	})
}

// move tries the best with one head at another time, in t, and keeps what is
// better.
func (j *judge) move(t, best *trial, head int, at float64) bool {
	copy(t.release, best.release)
	t.release[head] = at
	j.run(t, best.ok, nil)
	if t.ok < 0 || !better(t, best) {
		return false
	}
	best.ok, best.finish, best.total = t.ok, t.finish, t.total
	copy(best.release, t.release)
	return true
}

// polish moves the heads by minutes, over all members.
func (c *compiled) polish(j *judge, t trial, heads []int) trial {
	return j.climb(t, heads, 2, func(_, best *trial, i int) (out []float64) {
		base := best.release[i]
		for _, by := range [...]float64{-20, -15, -10, -5, 5, 10, 15, 20} {
			if !math.IsInf(base, -1) && base+by >= c.from {
				out = append(out, base+by)
			}
		}
		return out
	})
}

// safe is the least number of whole members that counts as safe beside the
// best: nine in ten where that can be had, else within two in a hundred of the
// best, and never more than five in a hundred below it.
func safe(best, members int) int {
	nine := int(math.Ceil(0.9 * float64(members)))
	return max(best-members/20, min(best-members/50, nine))
}

// choose takes the earliest finish among the safe trials.
func (c *compiled) choose(found []trial, members int, fallback trial, j *judge) trial {
	best := -1
	for _, t := range found {
		best = max(best, t.ok)
	}
	if best <= 0 {
		j.run(&fallback, 0, nil)
		if len(found) == 0 {
			return fallback
		}
	}
	limit := safe(best, members)
	var pick *trial
	for i := range found {
		t := &found[i]
		if t.ok < limit {
			continue
		}
		if pick == nil || t.finish < pick.finish || t.finish == pick.finish && better(t, pick) {
			pick = t
		}
	}
	return *pick
}

func shortlist(pool []trial, members, n int) []trial {
	best := -1
	for _, t := range pool {
		best = max(best, t.ok)
	}
	limit := safe(best, members)
	slices.SortStableFunc(pool, func(a, b trial) int {
		switch sa, sb := a.ok >= limit, b.ok >= limit; {
		case sa && sb && a.finish != b.finish:
			return cmp.Compare(a.finish, b.finish)
		case sa && !sb, sa == sb && better(&a, &b):
			return -1
		case sb && !sa, better(&b, &a):
			return 1
		}
		return 0
	})
	return slices.Clone(pool[:min(n, len(pool))])
}

// times are the starts to try: every step minutes within the hours, up to
// three days ahead.
func (c *compiled) times(step float64) []float64 {
	var at []float64
	end := min(c.horizon, c.from+72*60)
	for _, s := range c.open {
		for t := math.Ceil(max(s.from, c.from)/step-1e-9) * step; t < min(s.to, end); t += step {
			at = append(at, t)
		}
	}
	return at
}

// orders are the priorities in which steps claim the person: as written, with
// the panels taken in turn, and joints filled with thickened resin first.
func (c *compiled) orders() [][]int {
	n := len(c.steps)
	written := make([]int, n)
	for i := range written {
		written[i] = i
	}
	deps := func(i int) []int {
		d := slices.Clone(c.steps[i].after)
		if k := c.steps[i].coatOf; k >= 0 {
			d = append(d, k)
		}
		return d
	}
	// by orders topologically, always taking the ready step of least rank.
	by := func(rank func(i int) []int) []int {
		placed := make([]bool, n)
		var out []int
		for len(out) < n {
			pick := -1
			for i := range n {
				if placed[i] || slices.ContainsFunc(deps(i), func(k int) bool { return !placed[k] }) {
					continue
				}
				if pick < 0 || slices.Compare(rank(i), rank(pick)) < 0 {
					pick = i
				}
			}
			placed[pick] = true
			out = append(out, pick)
		}
		return out
	}
	depth := make([]int, n)
	for i := range n {
		for _, k := range deps(i) {
			depth[i] = max(depth[i], depth[k]+1)
		}
	}
	bond := func(i int) int {
		if c.steps[i].Do == "coat" && c.steps[i].Coat == coat.Bond {
			return 0
		}
		return 1
	}
	var all [][]int
	add := func(o []int) {
		if !slices.ContainsFunc(all, func(x []int) bool { return slices.Equal(x, o) }) {
			all = append(all, o)
		}
	}
	add(by(func(i int) []int { return []int{bond(i), i} }))
	add(written)
	add(by(func(i int) []int { return []int{bond(i), -c.steps[i].panel, i} }))
	add(by(func(i int) []int { return []int{bond(i), depth[i], i} }))
	return all
}
