// SPDX-License-Identifier: Apache-2.0

package tent

import (
	"context"
	"math"
	"sort"
	"time"

	"curewright/model/cure"
	"curewright/model/fault"
)

// Wishes.
const (
	// Window wants the recoat window open from Wish.From until Wish.To.
	Window = "window"
	// Hard wants the coat hard by Wish.By.
	Hard = "hard"
	// NoStall wants the cure that does not stall, the glass transition of
	// 40 °C that the stall is judged by, reached by Wish.By.
	NoStall = "no_stall"
)

// Wish is what a person wants of a coat.
type Wish struct {
	Kind        string
	From, To    time.Time // of a window
	By          time.Time
	Probability float64 // that it is met; 0 to 1
}

// End is when a wish is met or missed for good: the window's end, or its time.
func (w Wish) End() time.Time {
	if w.Kind == Window {
		return w.To
	}
	return w.By
}

// Node is one value of the coat's rate factor with its degree of cure now: as
// the rate law has it, and with nothing gained outside the resin's range.
type Node struct{ Weight, Kappa, Alpha, Less float64 }

// Spread makes n nodes of a coat from its p10, p50 and p90 of rate factor and
// degree of cure, which go together: what cures faster has cured further.
func Spread(kappa, alpha [3]float64, n int) []Node {
	logit := func(a float64) float64 { a = math.Max(1e-6, math.Min(a, 1-1e-6)); return math.Log(a / (1 - a)) }
	at := func(x [3]float64, z float64) float64 {
		if z < 0 {
			return x[1] + z/z90*(x[1]-x[0])
		}
		return x[1] + z/z90*(x[2]-x[1])
	}
	k := [3]float64{math.Log(kappa[0]), math.Log(kappa[1]), math.Log(kappa[2])}
	a := [3]float64{logit(alpha[0]), logit(alpha[1]), logit(alpha[2])}
	out := make([]Node, n)
	for i := range out {
		z := math.Sqrt2 * math.Erfinv(2*(float64(i)+.5)/float64(n)-1)
		al := 1 / (1 + math.Exp(-at(a, z)))
		out[i] = Node{1 / float64(n), math.Exp(at(k, z)), al, al}
	}
	return out
}

const z90 = 1.2815515655446004 // standard normal quantile of .9

// Problem is all that a search goes by.
type Problem struct {
	Now    time.Time
	Wish   Wish
	Resin  cure.Resin
	Nodes  []Node
	AgeS   float64 // equivalent age so far at the sheet's recoat temperature, s; 0 where it gives no limit
	PanelC float64 // now
	// Film is how far films and fingers lie from the marks, as a share of the
	// marks' standard deviations, spread over the paths; 0 for none.
	Film float64

	// Shed is the forecast around the tent: Paths paths of Len temperatures,
	// path by path, StepS apart, the first now.
	Shed  []float32
	Paths int
	Len   int
	StepS float64

	Tent           Model
	MinC, MaxC     float64 // the set point's span
	RampKH         float64
	HeaterW        float64 // 0 not known
	CoolK          float64 // the set point falls by so much before a window opens,
	CoolFor        time.Duration
	Coarse, Finest float64 // K between set points tried first and last; 0: 2 and .5
}

// Leg is one straight piece: from At on the panel is held at C. Off means not
// held at all.
type Leg struct {
	At  time.Time
	C   float64
	Off bool
}

// Plan is the answer.
type Plan struct {
	Feasible    bool
	Probability float64 // of the wish under Legs
	Legs        []Leg
	EnergyKWh   *float64 // mean over the forecast, until the wish's end; nil without the heater's power
	Share       float64  // mean share of full heat until then
	// Opens, Closes and Done are p10, p50, p90 of the window's edges and of the
	// wish's moment under Legs; a zero time is never within the forecast.
	Opens, Closes, Done [3]time.Time
	// Nearest is, where the wish is not met because it comes too late, the
	// earliest moment at which it would be with heat up to the limits, at the
	// wished probability: the window's opening, hard, the cure reached. Zero
	// where not even within the forecast, and with Early.
	Nearest time.Time
	// Early is set where a window is not met because it closes too soon: its
	// opening comes in time.
	Early bool
	// Unheated is the probability without any heat.
	Unheated float64
	Tried    int // plans simulated
}

// Check returns everything that is wrong with a wish at a moment.
func (w Wish) Check(now time.Time) error {
	var f fault.List
	ahead := func(field string, t time.Time) bool {
		switch {
		case t.IsZero():
			f.Add(field, "missing")
		case !t.After(now):
			f.Add(field, "already past")
		default:
			return true
		}
		return false
	}
	switch w.Kind {
	case Window:
		if ok := ahead("from", w.From); ahead("to", w.To) && ok && !w.To.After(w.From) {
			f.Add("to", "not after from")
		}
	case Hard, NoStall:
		ahead("by", w.By)
	default:
		f.Add("wish", "%q is not window, hard or no_stall", w.Kind)
	}
	if !(w.Probability > 0 && w.Probability < 1) {
		f.Add("probability", "%g must be between 0 and 1", w.Probability)
	}
	return f.Err()
}

// Check returns everything that is wrong with a problem.
func (p *Problem) Check() error {
	var f fault.List
	f.Take(p.Wish.Check(p.Now))
	if last := p.Now.Add(time.Duration(float64(p.Len-1) * p.StepS * float64(time.Second))); p.Wish.End().After(last) {
		f.Add("wish", "beyond the forecast, which ends at %s", last.Format(time.RFC3339))
	}
	if len(p.Nodes) == 0 || p.Paths < 1 || p.Len < 2 || len(p.Shed) < p.Paths*p.Len || !(p.StepS > 0) {
		f.Add("forecast", "none")
	}
	if !(p.Tent.TauS > 0) || !(p.Tent.GainK > 0) {
		f.Add("tent", "not known")
	}
	if !(p.MinC < p.MaxC) || !(p.RampKH > 0) || math.IsNaN(p.PanelC) {
		f.Add("limits", "none, or no panel temperature")
	}
	return f.Err()
}

// candidate is held at a until step n, then at b; NaN is off.
type candidate struct {
	a, b float64
	n    int
}

// outcome is what a candidate does.
type outcome struct {
	candidate
	p, share float64
}

// solver keeps what every simulation shares.
type solver struct {
	stopped func() error // not nil once nobody waits for the answer
	p       *Problem
	it      *cure.Integrator
	steps   int // until the wish's end
	fromS   float64
	toS     float64
	tried   int

	temps []float64
	// A node's own.
	kappa, alpha, was, rise []float64
	two                     []cure.Two
	moments                 []moments
}

// Solve searches the set points: held at one value until some moment and at
// another from then on, each between the limits or off; with least heat among
// those that meet the wish with its probability. It looks coarsely over all of
// them with a few paths and nodes, then finely around the best with all. Where
// none meets it, the plan is the likeliest. A search that ctx ends returns its
// error.
func Solve(ctx context.Context, p Problem) (Plan, error) {
	if err := p.Check(); err != nil {
		return Plan{}, err
	}
	if p.Coarse == 0 {
		p.Coarse = 2
	}
	if p.Finest == 0 {
		p.Finest = .5
	}
	s := newSolver(ctx, &p)
	s.steps = min(int(math.Ceil(p.Wish.End().Sub(p.Now).Seconds()/p.StepS)), p.Len-1)
	s.fromS, s.toS = p.Wish.From.Sub(p.Now).Seconds(), p.Wish.End().Sub(p.Now).Seconds()

	few := s.pick(8, 9)
	var all []outcome
	level := s.levels(p.Coarse)
	turns := s.turns(8)
	for _, a := range level {
		for _, b := range level {
			if a == b {
				all = append(all, s.run(candidate{a, b, 0}, few))
				continue
			}
			for _, n := range turns {
				all = append(all, s.run(candidate{a, b, n}, few))
			}
		}
	}
	// Around the best few by coarse rank, finer and finer, with more of the
	// doubt; then the best of those, and what lies next to them, with all of it.
	s.rank(all, p.Wish.Probability)
	mid := s.climb(s.pick(12, 9), all, 10, 2, 4)
	full := s.pick(p.Paths, len(p.Nodes))
	var done []outcome
	for i := 0; i < len(mid) && i < 10; i++ {
		done = append(done, s.run(mid[i].candidate, full))
	}
	s.rank(done, p.Wish.Probability)
	if done[0].p < p.Wish.Probability && mid[0].p >= p.Wish.Probability {
		// Just short with all of the doubt in: a step further does.
		done = s.climb(full, done, 2, 1, 1)
	}
	if err := ctx.Err(); err != nil {
		return Plan{}, err
	}
	return s.plan(done[0]), nil
}

func newSolver(ctx context.Context, p *Problem) *solver {
	n := len(p.Nodes)
	f := func() []float64 { return make([]float64, n) }
	return &solver{stopped: ctx.Err, p: p, it: cure.NewIntegrator(p.Resin), temps: make([]float64, p.Len),
		kappa: f(), alpha: f(), was: f(), rise: f(), two: make([]cure.Two, n), moments: make([]moments, n)}
}

// climb tries, over a set, the first so many of what was found before, and then
// goes from the best ones to whatever next to them is better, first in wide
// and then in the finest steps. It returns all it tried, the best first.
func (s *solver) climb(x set, from []outcome, first, beam, rounds int) []outcome {
	p := s.p
	seen := map[candidate]bool{}
	var done []outcome
	try := func(c candidate) {
		c = key(c)
		if c.n < 0 || c.n > s.steps || seen[c] || !s.inside(c.a) || !s.inside(c.b) {
			return
		}
		seen[c] = true
		done = append(done, s.run(c, x))
	}
	for i := 0; i < len(from) && i < first; i++ {
		try(from[i].candidate)
	}
	// A coarse look's doubt about a probability must not lose the plan that
	// warms most.
	try(candidate{p.MaxC, p.MaxC, 0})
	step, hop := p.Coarse/2, max(s.steps/16, 1)
	if beam == 1 {
		step, hop = p.Finest, 1
	}
	for {
		step = math.Max(step, p.Finest)
		moved := map[candidate]bool{}
		for range rounds {
			s.rank(done, p.Wish.Probability)
			any := false
			for i := 0; i < beam && i < len(done); i++ {
				c := done[i].candidate
				if moved[c] {
					continue
				}
				moved[c], any = true, true
				for _, da := range []float64{-step, 0, step} {
					for _, db := range []float64{-step, 0, step} {
						for dn := -2; dn <= 2; dn++ {
							n := c.n + dn*hop
							if c.a == c.b && c.n == 0 && (da != 0) != (db != 0) {
								// One value throughout may turn anywhere.
								n = s.steps * (dn + 3) / 6
							}
							try(candidate{move(c.a, da, p.MinC), move(c.b, db, p.MinC), n})
						}
					}
				}
			}
			if !any {
				break
			}
		}
		s.rank(done, p.Wish.Probability)
		if step <= p.Finest && hop == 1 {
			return done
		}
		step, hop = step/2, max(hop/2, 1)
	}
}

// key makes candidates that do the same the same.
func key(c candidate) candidate {
	// A candidate that is off is told by a value no thermometer shows, since
	// NaN is not equal to itself.
	if math.IsNaN(c.a) {
		c.a = offC
	}
	if math.IsNaN(c.b) {
		c.b = offC
	}
	if c.a == c.b {
		c.n = 0
	}
	return c
}

const offC = -273.15

// move shifts a level; off turns into the lowest and the lowest, going down,
// into off.
func move(c, d, lowest float64) float64 {
	switch {
	case c == offC && d > 0:
		return lowest
	case c == offC:
		return offC
	case c+d < lowest:
		return offC
	}
	return c + d
}

func (s *solver) inside(c float64) bool { return c == offC || c >= s.p.MinC && c <= s.p.MaxC }

func (s *solver) levels(step float64) []float64 {
	out := []float64{offC}
	for c := s.p.MinC; c < s.p.MaxC-1e-9; c += step {
		out = append(out, c)
	}
	return append(out, s.p.MaxC)
}

func (s *solver) turns(n int) []int {
	var out []int
	for i := 1; i < n; i++ {
		if k := i * s.steps / n; k > 0 && (len(out) == 0 || out[len(out)-1] != k) {
			out = append(out, k)
		}
	}
	return out
}

// rank puts first what meets the wish with least heat; what does not comes
// after, the likeliest first.
func (s *solver) rank(o []outcome, want float64) {
	sort.SliceStable(o, func(i, j int) bool {
		a, b := &o[i], &o[j]
		if am, bm := a.p >= want, b.p >= want; am != bm {
			return am
		} else if am {
			return a.share < b.share
		}
		if a.p != b.p {
			return a.p > b.p
		}
		return a.share < b.share
	})
}

// set is a choice of paths and nodes.
type set struct {
	paths []int
	nodes []int
	w     float64 // of all nodes taken
}

// pick spreads over paths and nodes, both of which are in order of doubt.
func (s *solver) pick(paths, nodes int) set {
	spread := func(n, of int) []int {
		n = min(n, of)
		out := make([]int, n)
		for i := range out {
			out[i] = min(int((float64(i)+.5)*float64(of)/float64(n)), of-1)
		}
		return out
	}
	x := set{paths: spread(paths, s.p.Paths), nodes: spread(nodes, len(s.p.Nodes))}
	for _, n := range x.nodes {
		x.w += s.p.Nodes[n].Weight
	}
	return x
}

// walk simulates the panel of one path under a candidate into s.temps, and
// returns the mean share of heat until the wish's end.
func (s *solver) walk(c candidate, path int, until int) float64 {
	return s.follow(func(step int) float64 {
		c0 := c.b
		if step <= c.n {
			c0 = c.a
		}
		if c0 != offC {
			c0 -= s.cool(step)
		}
		return c0
	}, path, until)
}

// follow simulates the panel of one path under set points at the end of each
// step, offC for none, into s.temps.
func (s *solver) follow(set func(step int) float64, path int, until int) float64 {
	p := s.p
	row := p.Shed[path*p.Len : (path+1)*p.Len]
	// Each path has its own tent, within what is known of it: low and high
	// gains and time constants spread over the paths, not along with the
	// weather.
	m := p.Tent
	z := quantile(vdc(path, 2))
	m.GainK = math.Max(m.GainK+z*m.GainSD, m.GainK*.2)
	m.TauS = math.Max(m.TauS+quantile(vdc(path, 3))*m.TauSD, m.TauS*.2)
	k := math.Exp(-p.StepS / m.TauS)
	ramp := p.RampKH * p.StepS / 3600
	heat := 0.0
	x := p.PanelC
	s.temps[0] = x
	held := math.Inf(-1)
	for i := 0; i < until; i++ {
		c0 := set(i + 1)
		shed := (float64(row[i]) + float64(row[i+1])) / 2
		free := shed + (x-shed)*k
		share := 0.0
		if c0 == offC {
			held = math.Inf(-1)
		} else {
			// The set point climbs from where the panel is.
			held = math.Min(c0, math.Max(held, x)+ramp)
			if held > free {
				share = math.Min((held-free)/(m.GainK*(1-k)), 1)
			}
		}
		x = free + m.GainK*(1-k)*share
		s.temps[i+1] = x
		if i < s.steps {
			heat += share
		}
	}
	return heat / float64(s.steps)
}

// cool is how much lower the set point is at a step because a coat goes on.
func (s *solver) cool(step int) float64 {
	if s.p.Wish.Kind != Window || !(s.p.CoolK > 0) || s.p.CoolFor <= 0 {
		return 0
	}
	before := s.fromS - float64(step)*s.p.StepS
	if before < 0 || before >= s.p.CoolFor.Seconds() {
		return 0
	}
	return s.p.CoolK * (1 - before/s.p.CoolFor.Seconds())
}

// moments are when a node's coat passes what matters, s from now; +Inf never.
type moments struct {
	opens, closes, hard, target float64
	cold                        bool // too cold for the next coat at some time within the wish
}

// run simulates a candidate over a set.
func (s *solver) run(c candidate, x set) outcome {
	s.tried++
	o := outcome{candidate: c}
	if s.stopped() != nil {
		return o
	}
	good := 0.0
	for _, path := range x.paths {
		o.share += s.walk(c, path, s.steps) / float64(len(x.paths))
		s.cure(path, x.nodes, s.steps, func(i int, m moments) {
			if s.meets(m) {
				good += s.p.Nodes[x.nodes[i]].Weight
			}
		})
	}
	o.p = good / x.w / float64(len(x.paths))
	return o
}

func (s *solver) meets(m moments) bool {
	switch s.p.Wish.Kind {
	case Window:
		return m.opens <= s.fromS && m.closes >= s.toS && !m.cold
	case Hard:
		return m.hard <= s.toS
	}
	return m.target <= s.toS
}

// film is a path's own film and finger.
func (s *solver) film(path int) cure.Film {
	f := s.p.Film
	if f == 0 {
		return cure.Film{}
	}
	return cure.Film{Opens: f * .05 * quantile(vdc(path, 5)), Gel: f * .05 * quantile(vdc(path, 7)),
		FirmK: f * 5 * quantile(vdc(path, 11)), HardK: f * 6 * quantile(vdc(path, 13))}
}

// cure carries the nodes along s.temps and hands each node's moments on. Marks
// are read by the stepper that the estimate uses, the film a path's own: what
// permits goes by the lesser of the two readings of the time outside the
// resin's range, what closes by the law; and a glass that has not gelled takes
// no coat.
func (s *solver) cure(path int, nodes []int, until int, each func(i int, m moments)) {
	p := s.p
	r := &p.Resin
	target := r.AlphaTarget()
	kappa := s.kappa[:len(nodes)]
	alpha, was, rise, two := s.alpha[:len(nodes)], s.was[:len(nodes)], s.rise[:len(nodes)], s.two[:len(nodes)]
	m := s.moments[:len(nodes)]
	way := cure.NewPath(r, 0, s.temps[0])
	way.Aged(p.AgeS, 0)
	gauge := cure.NewGauge(&way, s.film(path))
	for i, n := range nodes {
		node := &p.Nodes[n]
		alpha[i], kappa[i] = node.Alpha, node.Kappa
		two[i] = cure.NewTwo()
		if node.Less < node.Alpha {
			two[i].Split, two[i].Alpha = true, node.Less
		}
		m[i] = moments{target: math.Inf(1)}
		if alpha[i] >= target {
			m[i].target = 0
		}
	}
	for k := 0; k < until; k++ {
		t0, t1 := s.temps[k], s.temps[k+1]
		copy(was, alpha)
		s.it.Stride(alpha, kappa, p.StepS, t0, t1)
		at := float64(k) * p.StepS
		way.To(at+p.StepS, t1)
		gauge.Prepare()
		for i := range nodes {
			a := alpha[i]
			// What it would have gained at the rate that it began with: between
			// this step's gain and the last one's.
			da := math.NaN()
			if k > 0 {
				da = (a - was[i] + rise[i]) / 2
			}
			rise[i] = a - was[i]
			two[i].Step(&gauge, was[i], da, a, func(l, x0, x1 float64) float64 {
				one, own := [1]float64{l}, [1]float64{kappa[i]}
				s.it.Stride(one[:], own[:], (x1-x0)*p.StepS, t0+x0*(t1-t0), t0+x1*(t1-t0))
				return one[0]
			})
			// Not now: a coat over a glass does not bond.
			if at+p.StepS >= s.fromS && at < s.toS && gauge.Cold(a) {
				m[i].cold = true
			}
			if math.IsInf(m[i].target, 1) && a >= target {
				m[i].target = at + p.StepS*(target-was[i])/(a-was[i])
			}
		}
	}
	for i := range nodes {
		w := &two[i]
		m[i].opens, m[i].closes, m[i].hard = w.At(cure.Opens, &way.Ages), w.At(cure.Closes, &way.Ages), w.At(cure.Hard, &way.Ages)
		each(i, m[i])
	}
}

// plan makes the answer from the best candidate.
func (s *solver) plan(best outcome) Plan {
	p := s.p
	out := Plan{Feasible: best.p >= p.Wish.Probability, Probability: best.p, Share: best.share}
	full := s.pick(p.Paths, len(p.Nodes))
	leg := func(step int, c float64) Leg {
		at := p.Now.Add(time.Duration(float64(step) * p.StepS * float64(time.Second)))
		if c == offC {
			return Leg{At: at, Off: true}
		}
		return Leg{At: at, C: c}
	}
	if best.n > 0 && best.a != best.b {
		out.Legs = []Leg{leg(0, best.a), leg(best.n, best.b)}
	} else {
		out.Legs = []Leg{leg(0, best.b)}
	}
	if p.HeaterW > 0 {
		kWh := best.share * float64(s.steps) * p.StepS / 3600 * p.HeaterW / 1000
		out.EnergyKWh = &kWh
	}
	opens, closes, done := s.times(best.candidate, full)
	out.Opens, out.Closes, out.Done = s.band(opens), s.band(closes), s.band(done)
	out.Unheated = s.run(candidate{offC, offC, 0}, full).p
	if !out.Feasible {
		_, _, hot := s.times(candidate{p.MaxC, p.MaxC, 0}, full)
		t := hot.quantile(p.Wish.Probability)
		if out.Early = p.Wish.Kind == Window && t <= s.fromS; !out.Early && !math.IsInf(t, 1) {
			out.Nearest = p.Now.Add(time.Duration(math.Max(t, 0) * float64(time.Second)))
		}
	}
	out.Tried = s.tried
	return out
}

// weighted are moments with their weights.
type weighted []struct{ t, w float64 }

func (x weighted) quantile(q float64) float64 {
	sort.Slice(x, func(i, j int) bool { return x[i].t < x[j].t })
	all, sum := 0.0, 0.0
	for _, e := range x {
		all += e.w
	}
	for _, e := range x {
		if sum += e.w; sum >= q*all {
			return e.t
		}
	}
	return math.Inf(1)
}

// times are a candidate's moments over the whole forecast: the window's edges
// and what the wish waits for.
func (s *solver) times(c candidate, x set) (opens, closes, done weighted) {
	for _, path := range x.paths {
		s.walk(c, path, s.p.Len-1)
		s.cure(path, x.nodes, s.p.Len-1, func(i int, m moments) {
			w := s.p.Nodes[x.nodes[i]].Weight
			d := m.opens
			switch s.p.Wish.Kind {
			case Hard:
				d = m.hard
			case NoStall:
				d = m.target
			}
			opens = append(opens, struct{ t, w float64 }{m.opens, w})
			closes = append(closes, struct{ t, w float64 }{m.closes, w})
			done = append(done, struct{ t, w float64 }{d, w})
		})
	}
	return
}

func (s *solver) band(x weighted) (out [3]time.Time) {
	for i, q := range []float64{.1, .5, .9} {
		if t := x.quantile(q); !math.IsInf(t, 1) {
			out[i] = s.p.Now.Add(time.Duration(t * float64(time.Second)))
		}
	}
	return out
}

// vdc is the van der Corput sequence, 0 to 1, of a base.
func vdc(i, base int) float64 {
	x, f := 0.0, 1/float64(base)
	for i++; i > 0; i /= base {
		x += float64(i%base) * f
		f /= float64(base)
	}
	return x
}

func quantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
