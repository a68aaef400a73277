// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/shop"
)

var shed = time.FixedZone("shed", 3600)

// weekend is a shed in October: a daily swing about a mean that differs from
// member to member.
func weekend(members int, mean, swing, doubt float64) Forecast {
	f := Forecast{Start: time.Date(2026, 10, 10, 6, 0, 0, 0, shed), Step: 15 * time.Minute}
	for m := range members {
		z := normalQuantile((float64((m*7)%members) + 0.5) / float64(members))
		p := make([]float64, 72*4+1)
		for i := range p {
			h := float64(i) / 4
			p[i] = mean + doubt*z + swing*math.Cos((h-9)/24*2*math.Pi)
		}
		f.Air = append(f.Air, p)
	}
	return f
}

func generics(t testing.TB) map[string]cure.Resin {
	out := map[string]cure.Resin{}
	for _, n := range []string{"fast", "medium", "slow"} {
		r, ok := cure.Generic(n)
		if !ok {
			t.Fatalf("no generic set %q", n)
		}
		out[n] = r
	}
	return out
}

func ptr[T any](v T) *T { return &v }

// lids is the layup of two locker lids: twelve steps on two panels.
func lids(t testing.TB, members int) Job {
	var steps []job.Step
	for _, p := range []string{"lid-a", "lid-b"} {
		steps = append(steps,
			job.Step{ID: p + " joints", Panel: p, Do: "coat", Coat: "bond", Resin: "medium", AreaM2: ptr(0.05), WorkMinutes: ptr(20.0)},
			job.Step{ID: p + " tack", Panel: p, Do: "coat", Coat: "tack coat", Resin: "medium", WorkMinutes: ptr(20.0)},
			job.Step{ID: p + " aramid", Panel: p, Do: "cloth", Cloth: "aramid 170 plain", When: "tacky", Of: p + " tack", WorkMinutes: ptr(20.0)},
			job.Step{ID: p + " glass", Panel: p, Do: "coat", Coat: "wet-out", Cloth: "glass 160 twill", Resin: "medium", When: "recoat", Of: p + " tack", WorkMinutes: ptr(35.0)},
			job.Step{ID: p + " fill", Panel: p, Do: "coat", Coat: "fill coat", Resin: "medium", When: "fill", Of: p + " glass", WorkMinutes: ptr(20.0)},
			job.Step{ID: p + " sand", Panel: p, Do: "sand", When: "hard", Of: p + " fill", WorkMinutes: ptr(40.0)},
		)
	}
	return Job{
		Start: time.Date(2026, 10, 10, 8, 0, 0, 0, shed), Loc: shed, Hours: []Hours{{8 * 60, 20 * 60}},
		Panels: []coat.Panel{{ID: "lid-a", Core: "foam", AreaM2: ptr(1.4)}, {ID: "lid-b", Core: "foam", AreaM2: ptr(1.4)}},
		Steps:  steps, Resins: generics(t), Forecast: weekend(members, 16, 4, 1.2),
	}
}

// Twelve steps on two panels, 200 members: in a shed where the plan is good,
// and in one where changes are tried as well.
func BenchmarkPlan(b *testing.B)        { benchmark(b, 20) }
func BenchmarkPlanOptions(b *testing.B) { benchmark(b, 15) }

func benchmark(b *testing.B, mean float64) {
	j := lids(b, 200)
	j.Forecast = weekend(200, mean, 4, 1.2)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Plan(b.Context(), j); err != nil {
			b.Fatal(err)
		}
	}
}

// steady is a shed that stays as it is: one member, no doubt of the batch.
func steady(c float64) Forecast {
	p := make([]float64, 72*4+1)
	for i := range p {
		p[i] = c
	}
	return Forecast{Start: time.Date(2026, 10, 10, 6, 0, 0, 0, shed), Step: 15 * time.Minute, Air: [][]float64{p}}
}

// oneCoat is a job with a medium coat, whose batch is exactly its sheet.
func oneCoat(t testing.TB, resin string, f Forecast) Job {
	return Job{
		Start: f.Start, Loc: shed, Forecast: f, Resins: generics(t),
		Learned: map[string]Kappa{"fast": {}, "medium": {}, "slow": {}}, Finger: &Finger{}, noLag: true,
		Panels: []coat.Panel{{ID: "lid", AreaM2: ptr(1.0)}},
		Steps: []job.Step{
			{ID: "tack", Panel: "lid", Do: "coat", Coat: "tack coat", Resin: resin, WorkMinutes: ptr(10.0)},
			{ID: "load", Panel: "lid", Do: "unclamp", When: "handle", WorkMinutes: ptr(10.0)},
		},
	}
}

// truth finds the marks by the cure package's own integrator, minute by
// minute, for the brute-force planner: nothing here is shared with the tables.
func truth(r cure.Resin, at func(min float64) float64, start, horizon float64) map[mark]float64 {
	it := cure.NewIntegrator(r)
	out := map[mark]float64{}
	for _, e := range []mark{tacky, opens, stopped, green, closes, hard} {
		out[e] = math.Inf(1)
	}
	const dt = 3.0
	law, less := []float64{0}, []float64{0} // as it is, and with nothing gained outside the range
	set := func(e mark, when float64, ok bool) {
		if ok && math.IsInf(out[e], 1) {
			out[e] = when
		}
	}
	for m := start; m < horizon; m += dt {
		it.Advance(law, []float64{1}, dt*60, at(m), at(m+dt))
		now, when := at(m+dt), m+dt
		if now >= r.MinC && now <= r.MaxC {
			it.Advance(less, []float64{1}, dt*60, at(m), at(m+dt))
		}
		a, l := law[0], less[0]
		tg, tgl := r.Tg(a), r.Tg(l)
		work := math.Max(20, math.Min(now, 30))
		cold := a < r.AlphaGel && tg >= now
		set(tacky, when, l >= .30)
		set(opens, when, l >= .40 && !cold)
		set(stopped, when, a >= r.AlphaGel && tg >= now-25)
		set(green, when, l >= r.AlphaGel && tgl >= now-25)
		set(closes, when, a >= r.AlphaGel && tg >= now+4)
		set(hard, when, l >= r.AlphaGel && tgl >= work+10)
		if !math.IsInf(out[hard], 1) {
			break // the last of them
		}
	}
	return out
}

// brute tries every start on a quarter-hour grid for every step.
type brute struct {
	j      Job
	r      cure.Resin
	air    func(min float64) float64
	span   float64
	cache  map[float64]map[mark]float64
	slack  float64 // windows are shortened by this on both sides, min
	finish float64
	starts []float64
}

func (b *brute) marks(at float64) map[mark]float64 {
	if b.cache[at] == nil {
		b.cache[at] = truth(b.r, b.air, at, b.span)
	}
	return b.cache[at]
}

func (b *brute) open(from, to float64) bool {
	if len(b.j.Hours) == 0 {
		return true
	}
	day := math.Floor((from + 6*60) / 1440) // the forecast begins at 06:00
	for _, h := range b.j.Hours {
		lo, hi := day*1440+float64(h.From)-6*60, day*1440+float64(h.To)-6*60
		if from >= lo-b.tol() && to <= hi+b.tol() {
			return true
		}
	}
	return false
}

func (b *brute) tol() float64 { return math.Max(0, -b.slack) }

// fits says whether step i may start at a time, given the starts before it.
func (b *brute) fits(i int, at float64, starts []float64) bool {
	s := b.j.Steps[i]
	w := *s.WorkMinutes
	if !b.open(at, at+w) {
		return false
	}
	for k := range i {
		o := b.j.Steps[k]
		if o.Panel == s.Panel && at < starts[k]+*o.WorkMinutes-b.tol() {
			return false
		}
		// One person.
		if at < starts[k]+*o.WorkMinutes-b.tol() && at+w > starts[k]+b.tol() {
			return false
		}
	}
	if s.Of == "" {
		return true
	}
	for k := range i {
		if b.j.Steps[k].ID != s.Of {
			continue
		}
		open, shut := edges(s.When)
		// Opening off the youngest resin, closing off the oldest.
		lo := starts[k] + *b.j.Steps[k].WorkMinutes
		if open != applied {
			lo = b.marks(lo)[open]
		}
		hi := math.Inf(1)
		if shut != never {
			hi = b.marks(starts[k])[shut]
		}
		return at >= lo+b.slack && at+w <= hi-b.slack
	}
	return true
}

func (b *brute) search(starts []float64) {
	i := len(starts)
	if i == len(b.j.Steps) {
		end := 0.0
		for k, s := range starts {
			end = math.Max(end, s+*b.j.Steps[k].WorkMinutes)
		}
		if end < b.finish {
			b.finish = end
			b.starts = append([]float64(nil), starts...)
		}
		return
	}
	for at := 0.0; at < b.span; at += 15 {
		if at+*b.j.Steps[i].WorkMinutes < b.finish && b.fits(i, at, starts) {
			b.search(append(starts, at))
		}
	}
}

// Small jobs against brute force over every start: what brute force can do
// the planner finds, as early but for its five-minute clock, and what the
// planner gives holds when it is worked out again independently.
func TestAgainstBruteForce(t *testing.T) {
	all := generics(t)
	feasible, impossible := 0, 0
	// The draw is fixed; temperatures keep away from where a coat turns to
	// cold glass, an edge on which two integrations may fall to either side.
	rng := rand.New(rand.NewPCG(3, 14))
	pick := func(s ...string) string { return s[rng.IntN(len(s))] }
	for range 50 {
		name := pick("medium", "slow")
		mean := 13 + 13*rng.Float64()
		swing := 2.5 * rng.Float64()
		f := weekend(1, mean, swing, 0)
		j := Job{
			Start: f.Start, Loc: shed, Forecast: f, Resins: all, Learned: map[string]Kappa{"slow": {}, "medium": {}}, Finger: &Finger{}, noLag: true,
			Panels: []coat.Panel{{ID: "a"}, {ID: "b"}},
		}
		from := (7 + rng.IntN(5)) * 60
		j.Hours = []Hours{{from, from + (3+rng.IntN(9))*60}}
		work := func() *float64 { return ptr(float64(1+rng.IntN(6)) * 15) }
		j.Steps = []job.Step{
			{ID: "one", Panel: "a", Do: "coat", Coat: "tack coat", Resin: name, WorkMinutes: work()},
			{ID: "two", Panel: "a", Do: "coat", Coat: "fill coat", Resin: name, Of: "one", When: pick("tacky", "recoat", "recoat", "wet", "hard"), WorkMinutes: work()},
		}
		if rng.IntN(2) == 0 {
			j.Steps = append(j.Steps, job.Step{ID: "three", Panel: "b", Do: "sand", WorkMinutes: work()})
		}
		p := f.Air[0]
		air := func(min float64) float64 {
			x := min / 15
			i := min / 15
			k := int(i)
			if k >= len(p)-1 {
				return p[len(p)-1]
			}
			return p[k] + (p[k+1]-p[k])*(x-float64(k))
		}
		cache := map[float64]map[mark]float64{}
		b := &brute{j: j, r: all[name], air: air, span: 40 * 60, cache: cache, slack: 4, finish: math.Inf(1)}
		b.search(nil)
		res, err := Plan(t.Context(), j)
		if err != nil {
			// Hours shorter than a step: the only fault these jobs can have.
			if b.starts != nil {
				t.Fatalf("brute force starts at %v, the planner: %v", b.starts, err)
			}
			continue
		}
		if b.starts != nil {
			feasible++
			if res.Probability != 1 {
				t.Fatalf("brute force starts at %v, the planner finds nothing: %v", b.starts, res.WhyNot)
			}
			// Its clock: five minutes a step, and four of slack.
			if end := res.Finish.Sub(f.Start).Minutes(); end > b.finish+float64(5*len(j.Steps)) {
				t.Fatalf("brute force is done after %.0f min (starts %v), the planner after %.0f", b.finish, b.starts, end)
			}
		}
		if res.Probability == 1 {
			loose := &brute{j: j, r: all[name], air: air, span: b.span, cache: cache, slack: -8}
			starts := make([]float64, len(j.Steps))
			for _, s := range res.Steps {
				for i := range j.Steps {
					if j.Steps[i].ID == s.Step {
						starts[i] = s.At.Sub(f.Start).Minutes()
					}
				}
			}
			for i := range j.Steps {
				if !loose.fits(i, starts[i], starts[:i]) {
					t.Fatalf("step %q at %.0f min does not hold (starts %v)", j.Steps[i].ID, starts[i], starts)
				}
			}
		} else {
			impossible++
			if len(res.WhyNot) == 0 {
				t.Fatal("no plan and no reason")
			}
		}
	}
	t.Logf("%d with a plan, %d without", feasible, impossible)
	if feasible == 0 || impossible == 0 {
		t.Errorf("%d jobs with a plan, %d without: the draw tests nothing", feasible, impossible)
	}
}

func stepOf(r Result, id string) *Planned {
	for i := range r.Steps {
		if r.Steps[i].Step == id {
			return &r.Steps[i]
		}
	}
	return nil
}

// The two lids in a mild shed: every step is inside its own window, nobody is
// in two places, all within the hours, and twice the same.
func TestTwoLids(t *testing.T) {
	j := lids(t, 60)
	j.Forecast = weekend(60, 18, 3, .8)
	j.Learned = map[string]Kappa{"medium": {SD: .08}} // a lot that was felt before
	r := planned(t, j)
	if !r.Feasible || r.Probability < .6 {
		t.Fatalf("probability %.2f: %v", r.Probability, r.WhyNot)
	}
	for i, s := range r.Steps {
		if h := s.At.Hour()*60 + s.At.Minute(); h < 8*60 || s.Until.Hour()*60+s.Until.Minute() > 20*60 {
			t.Errorf("%s from %s to %s, outside 08:00 to 20:00", s.Step, s.At, s.Until)
		}
		if i > 0 && s.At.Before(r.Steps[i-1].Until) {
			t.Errorf("%s begins %s, before %s ends %s", s.Step, s.At, r.Steps[i-1].Step, r.Steps[i-1].Until)
		}
		if w := s.Window; w != nil {
			if w.Opens != nil && s.At.Before(*w.Opens) || w.Closes != nil && s.Until.After(*w.Closes) {
				t.Errorf("%s from %s to %s, outside its window %v to %v", s.Step, s.At, s.Until, w.Opens, w.Closes)
			}
		}
		if s.Do == "coat" && len(s.Batches) == 0 {
			t.Errorf("%s: no batch", s.Step)
		}
		for _, b := range s.Batches {
			if b.WorkMinutes != nil && *b.WorkMinutes < 5 {
				t.Errorf("%s: a cup that lasts %.1f min", s.Step, *b.WorkMinutes)
			}
		}
	}
	again := planned(t, j)
	a, _ := json.Marshal(r)
	b, _ := json.Marshal(again)
	if string(a) != string(b) {
		t.Error("the same job gives two plans")
	}
}

// A shed too cold for the medium set: not feasible, with the two conditions
// named, and heat mends it.
func TestColdShed(t *testing.T) {
	j := lids(t, 60)
	j.Steps = j.Steps[:6]
	j.Forecast = weekend(60, 8, 3, .8)
	r := planned(t, j)
	if r.Feasible {
		t.Fatalf("feasible at 8 °C with probability %.2f", r.Probability)
	}
	if len(r.WhyNot) == 0 || !strings.Contains(r.WhyNot[0], "conflicts with") {
		t.Errorf("why not: %q", r.WhyNot)
	}
	if !slices.ContainsFunc(r.Options, func(o Option) bool { return o.Change == "tent" && o.Probability >= .7 }) {
		t.Errorf("no tent among the options: %+v", r.Options)
	}
}

// A day that more often fails than holds: its times and its windows are of the
// same forecasts, nobody is sent to feel a coat that is covered just then, and
// a window that never was is not called a short one. Nothing but consistency is
// checked here; the windows themselves are checked against brute force.
func TestUnlikelyDayAgreesWithItself(t *testing.T) {
	j := lids(t, 100)
	j.Forecast = weekend(100, 8, 6, 1.5) // nights below 10 °C, the generic sets' range
	j.Steps = j.Steps[:6]
	j.Finger = &Finger{} // what the day alone does
	r := planned(t, j)
	if r.Feasible || r.Probability == 0 {
		t.Fatalf("probability %.2f: the case is to be an unlikely day", r.Probability)
	}
	if !strings.Contains(r.Say, "more likely to fail") || !strings.Contains(r.Say, "in 100") {
		t.Errorf("said %q", r.Say)
	}
	end := map[string]time.Time{} // by panel
	for _, s := range r.Steps {
		if w := s.Window; w != nil {
			if w.Opens != nil && s.At.Before(*w.Opens) || w.Closes != nil && s.Until.After(*w.Closes) {
				t.Errorf("%s from %s to %s, window %v to %v", s.Step, s.At, s.Until, w.Opens, w.Closes)
			}
		}
		if s.FeelFrom != nil && (s.FeelFrom.Before(end[s.Panel]) || s.FeelFrom.After(s.At)) {
			t.Errorf("%s: felt from %s, the step before ends %s, it is done at %s", s.Step, s.FeelFrom, end[s.Panel], s.At)
		}
		end[s.Panel] = s.Until
	}
	over := false
	for _, w := range r.WhyNot {
		over = over || strings.Contains(w, "before it opens")
	}
	if !over {
		t.Errorf("no window is said to be over before it opens, though nights are below the range: %q", r.WhyNot)
	}
}

// More hands never hurt: of what was searched, as many forecasts hold, and where
// as many do, not later. (What is promised is drawn anew, and may differ by
// chance.)
func TestMoreIsNeverWorse(t *testing.T) {
	j := lids(t, 24)
	j.Forecast = weekend(24, 17, 3, .8)
	found := func(people int) trial {
		j.People = people
		c := ready(t, j)
		return c.search(c.members)
	}
	one, two := found(1), found(2)
	if two.ok < one.ok-1 || two.ok >= one.ok && two.finish > one.finish {
		t.Errorf("two people: %d of 24 by %.0f min, one: %d by %.0f", two.ok, two.finish, one.ok, one.finish)
	}
}

// The day goes otherwise: the tack coat went on at 09:40; the rest is planned
// from there and what is done stays as it was.
func TestReplan(t *testing.T) {
	j := lids(t, 60)
	j.Forecast = weekend(60, 18, 3, .8)
	j.Steps = j.Steps[:6]
	done := time.Date(2026, 10, 10, 9, 40, 0, 0, shed)
	j.Done = map[string]time.Time{"lid-a tack": done}
	j.Now = done.Add(30 * time.Minute)
	r := planned(t, j)
	if s := stepOf(r, "lid-a tack"); !s.Done || !s.At.Equal(done) || len(s.Batches) != 0 {
		t.Errorf("the tack coat: %+v", s)
	}
	if s := stepOf(r, "lid-a joints"); !s.Done {
		t.Error("what came before it on the panel is not taken as done")
	}
	for _, s := range r.Steps {
		if !s.Done && s.At.Before(j.Now) {
			t.Errorf("%s is planned for %s, before now", s.Step, s.At)
		}
	}
	// Independent: at 18 °C and rising the medium set goes tacky after about
	// two and a half hours (2.25 h at 20, 3.37 h at 15 °C).
	if s := stepOf(r, "lid-a aramid"); s.At.Sub(done) < 110*time.Minute || s.At.Sub(done) > 4*time.Hour {
		t.Errorf("the cloth is planned %s after the tack coat", s.At.Sub(done))
	}

	// The same with a forecast that begins only now: the past is laid before it.
	late := j
	late.Forecast = Forecast{Start: j.Now, Step: 15 * time.Minute}
	k := int(j.Now.Sub(j.Forecast.Start) / (15 * time.Minute))
	for _, p := range j.Forecast.Air {
		late.Forecast.Air = append(late.Forecast.Air, p[k:])
	}
	late.Forecast.Past = j.Forecast.Air[30][:k]
	q := planned(t, late)
	if a, b := stepOf(r, "lid-a aramid").At, stepOf(q, "lid-a aramid").At; b.Sub(a).Abs() > 20*time.Minute {
		t.Errorf("the cloth at %s with the past in the forecast, %s with it laid before", a, b)
	}
}

// Hours follow the shop's clock over the end of summer time (25 October 2026,
// European Union rule).
func TestHoursOverTheClockChange(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Fatal(err)
	}
	f := weekend(1, 20, 0, 0)
	f.Start = time.Date(2026, 10, 24, 20, 0, 0, 0, loc)
	j := oneCoat(t, "medium", f)
	j.Loc, j.Start, j.Hours = loc, f.Start, []Hours{{8 * 60, 9 * 60}}
	r := planned(t, j)
	if s := stepOf(r, "tack"); s.At.In(loc).Format("Mon 15:04 MST") != "Sun 08:00 CET" {
		t.Errorf("the coat at %s, want Sunday 08:00 winter time", s.At.In(loc))
	}
}

func TestBadJobs(t *testing.T) {
	for name, c := range map[string]struct {
		edit func(*Job)
		want string
	}{
		"no steps":      {func(j *Job) { j.Steps = nil }, "no step"},
		"hours":         {func(j *Job) { j.Hours = []Hours{{600, 600}} }, "never opens: 10:00 to 10:00"},
		"short hours":   {func(j *Job) { j.Hours = []Hours{{600, 615}} }, "conflicts with the hours"},
		"resin":         {func(j *Job) { j.Steps[0].Resin = "glue" }, `resin "glue" is not known`},
		"as in any job": {func(j *Job) { j.Steps[2].Cloth = "hemp 200" }, `step "lid-a aramid": cloth: cloth "hemp 200": unknown word "hemp"`},
		"kind":          {func(j *Job) { j.Steps[1].Coat = "paint" }, `kind "paint" is not one of`},
		"no area":       {func(j *Job) { j.Panels[0].AreaM2, j.Steps[1].WorkMinutes = nil, nil }, "neither work_minutes nor an area"},
		"soft after hard": {func(j *Job) {
			j.Steps[2].Do, j.Steps[2].When, j.Steps[2].Cloth = "sand", "hard", ""
			j.Steps[3].When, j.Steps[3].Of = "recoat", "lid-a tack"
		}, "conflicts with step"},
		"people":          {func(j *Job) { j.People = -1 }, "-1 is outside"},
		"no forecast":     {func(j *Job) { j.Forecast.Air = nil }, "no temperature path"},
		"NaN ahead":       {func(j *Job) { j.Forecast.Air[3][7] = math.NaN() }, "holds NaN °C"},
		"no start":        {func(j *Job) { j.Start = time.Time{} }, "day.start"},
		"all at once":     {func(j *Job) { j.People = 99; j.Steps[0].Panel = "door"; j.Steps[1].Resin = "" }, "99 is outside"},
		"hours and cloth": {func(j *Job) { j.Hours = []Hours{{600, 615}}; j.Steps[2].Cloth = "hemp 200" }, "conflicts with the hours"},
	} {
		j := lids(t, 5)
		c.edit(&j)
		r, err := Plan(t.Context(), j)
		var f Faults
		if !errors.As(err, &f) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		if r.Steps != nil || r.Feasible {
			t.Errorf("%s: a plan beside the fault", name)
		}
		if name == "all at once" && len(f) < 3 {
			t.Errorf("only %d of three faults: %v", len(f), f)
		}
		for _, x := range f {
			if x.Field == "" {
				t.Errorf("%s: a fault without a place: %s", name, x.What)
			}
		}
	}
}

// A flip brings the other side up once the first is hard.
func TestFlip(t *testing.T) {
	j := Job{
		Start: time.Date(2026, 10, 10, 8, 0, 0, 0, shed), Loc: shed, Hours: []Hours{{8 * 60, 20 * 60}},
		Forecast: weekend(30, 20, 2, .5), Resins: generics(t),
		Panels: []coat.Panel{{ID: "outer", Piece: "lid", Core: "foam", AreaM2: ptr(1.0)}, {ID: "inner", Piece: "lid", Core: "foam", AreaM2: ptr(1.0)}},
		Steps: []job.Step{
			{ID: "seal", Panel: "outer", Do: "coat", Coat: "seal", Resin: "medium"},
			{ID: "turn", Panel: "outer", Do: "flip", To: "inner", When: "hard"},
			{ID: "seal 2", Panel: "inner", Do: "coat", Coat: "seal", Resin: "medium"},
		},
	}
	r := planned(t, j)
	if !r.Feasible {
		t.Fatal(r.WhyNot)
	}
	seal, turn, second := stepOf(r, "seal"), stepOf(r, "turn"), stepOf(r, "seal 2")
	// Hard at 20 °C takes 10.9 h at the sheet's own rate.
	if d := turn.At.Sub(seal.At); d < 9*time.Hour {
		t.Errorf("flipped %s after the coat", d)
	}
	if second.At.Before(turn.Until) {
		t.Errorf("the other side at %s, before the flip ends %s", second.At, turn.Until)
	}
}

// Starting at once would miss the evening: the plan waits, and says why.
func TestSaysWhyItWaits(t *testing.T) {
	j := oneCoat(t, "medium", steady(20))
	j.Hours = []Hours{{8 * 60, 20 * 60}}
	j.Start = time.Date(2026, 10, 10, 18, 0, 0, 0, shed)
	j.Steps = []job.Step{
		{ID: "tack", Panel: "lid", Do: "coat", Coat: "tack coat", Resin: "medium", WorkMinutes: ptr(20.0)},
		{ID: "fill", Panel: "lid", Do: "coat", Coat: "fill coat", Resin: "medium", When: "fill", WorkMinutes: ptr(20.0)},
	}
	r := planned(t, j)
	// Fit to recoat at 20 °C takes 3.1 h: from 18:20 that is past 20:00.
	if r.Probability != 1 || r.Start.Format("Mon 15:04") != "Sun 08:00" {
		t.Fatalf("probability %.2f, start %s; want Sunday 08:00", r.Probability, r.Start)
	}
	if !slices.ContainsFunc(r.Notes, func(n string) bool {
		return strings.Contains(n, "Sat 18:00") && strings.Contains(n, "conflicts with the hours")
	}) {
		t.Errorf("notes %q do not say what a start on Saturday breaks", r.Notes)
	}
}

// Thickened joints come first where nothing else decides, and the plan says so
// where the file has them late.
func TestJointsFirst(t *testing.T) {
	j := lids(t, 12)
	j.Forecast = weekend(12, 20, 1, .2)
	j.Steps = []job.Step{
		{ID: "seal b", Panel: "lid-b", Do: "coat", Coat: "seal", Resin: "medium", WorkMinutes: ptr(30.0)},
		{ID: "joint a", Panel: "lid-a", Do: "coat", Coat: "bond", Resin: "medium", AreaM2: ptr(.02), WorkMinutes: ptr(30.0)},
	}
	r := planned(t, j)
	if r.Steps[0].Step != "joint a" {
		t.Errorf("first comes %q", r.Steps[0].Step)
	}
	j.Steps[1].Panel = "lid-b"
	r = planned(t, j)
	if !slices.ContainsFunc(r.Notes, func(n string) bool { return strings.Contains(n, "joints first") }) {
		t.Errorf("notes %q", r.Notes)
	}
}

// Hours that are too short in the evening: working from earlier or until later
// mends it.
func TestOptionHours(t *testing.T) {
	j := oneCoat(t, "medium", steady(20))
	j.Start = time.Date(2026, 10, 10, 10, 0, 0, 0, shed)
	j.Hours = []Hours{{10 * 60, 12 * 60}}
	j.Steps = []job.Step{
		{ID: "tack", Panel: "lid", Do: "coat", Coat: "tack coat", Resin: "medium", WorkMinutes: ptr(5.0)},
		{ID: "fill", Panel: "lid", Do: "coat", Coat: "fill coat", Resin: "medium", When: "fill", WorkMinutes: ptr(5.0)},
	}
	r := planned(t, j)
	if r.Feasible || len(r.WhyNot) == 0 || !strings.Contains(r.WhyNot[0], "hours of work") {
		t.Fatalf("feasible %v, why not %q", r.Feasible, r.WhyNot)
	}
	changes := map[string]Option{}
	for _, o := range r.Options {
		changes[o.Change] = o
	}
	for _, want := range []string{"hours", "start", "resin", "wash"} {
		if changes[want].Probability < .8 {
			t.Errorf("no %s among the options %+v", want, r.Options)
		}
	}
	// The fast set: fit to recoat after 1.78 h at 20 °C.
	if s := changes["resin"].Say; !strings.Contains(s, "fast") {
		t.Errorf("the other resin is %q", s)
	}
}

// Resin for a cloth pressed dry into a tack coat is mixed with the coat that
// fills it, once. Source: the definition of the fibre mass fraction f, resin =
// cloth·(1−f)/f a square metre; f of .42 (aramid, plain) and .50 (glass,
// twill) are common practice, no source.
func TestLaidClothIsFilled(t *testing.T) {
	filled := func(edit func(j *Job)) map[string]float64 {
		t.Helper()
		j := lids(t, 20)
		edit(&j)
		r := planned(t, j)
		out := map[string]float64{}
		for _, s := range r.Steps {
			for _, p := range s.Parts {
				if strings.HasPrefix(p.What, "to fill ") {
					out[s.Step+": "+p.What] += p.Grams.Use
				}
			}
		}
		return out
	}
	area := 0.0
	if a := lids(t, 1).Panels[0].AreaM2; a != nil {
		area = *a
	}
	aramid, glass := area*170*(1-.42)/.42, area*160*(1-.5)/.5
	const laid, own = ": to fill aramid plain 170 g/m²", ": to fill glass twill 160 g/m²"
	for name, tt := range map[string]struct {
		edit func(j *Job)
		want map[string]float64
	}{
		"pressed into the tack coat": {func(*Job) {}, map[string]float64{
			"lid-a glass" + laid: aramid, "lid-a glass" + own: glass, "lid-b glass" + laid: aramid, "lid-b glass" + own: glass,
		}},
		"named by the coat as well": {func(j *Job) {
			for i := range j.Steps {
				if j.Steps[i].Coat == "wet-out" {
					j.Steps[i].Cloth = "aramid 170 plain + glass 160 twill"
				}
			}
		}, map[string]float64{
			"lid-a glass" + laid: aramid, "lid-a glass" + own: glass, "lid-b glass" + laid: aramid, "lid-b glass" + own: glass,
		}},
		"laid into the wet coat": {func(j *Job) {
			for i := range j.Steps {
				if j.Steps[i].Do == "cloth" {
					j.Steps[i].When = "wet"
				}
			}
		}, map[string]float64{
			"lid-a tack" + laid: aramid, "lid-a glass" + own: glass, "lid-b tack" + laid: aramid, "lid-b glass" + own: glass,
		}},
	} {
		t.Run(name, func(t *testing.T) {
			got := filled(tt.edit)
			if len(got) != len(tt.want) {
				t.Errorf("filled %v, want %v", got, tt.want)
			}
			for k, w := range tt.want {
				if math.Abs(got[k]-w) > 0.51 { // to the gram
					t.Errorf("%s: %.1f g, want %.1f", k, got[k], w)
				}
			}
		})
	}
}

// A wait takes its hours and nobody's hands; a soak its ramps besides, and makes
// hard what its warmth alone makes hard: the slow set at 40 °C, by quadrature of
// its rate law here, is there within eight hours, at 20 °C it takes 24.1.
func TestWaitAndSoak(t *testing.T) {
	j := oneCoat(t, "slow", steady(20))
	j.Hours = []Hours{{8 * 60, 18 * 60}}
	j.Panels = append(j.Panels, coat.Panel{ID: "other", AreaM2: ptr(1.0)})
	base := []job.Step{
		{ID: "seal", Panel: "lid", Do: "coat", Coat: "seal", Resin: "slow", WorkMinutes: ptr(20.0)},
		{ID: "rest", Panel: "lid", Do: "wait", Hours: ptr(2.0), Of: "seal"},
		{ID: "warm", Panel: "lid", Do: "soak", Hours: ptr(8.0), TempC: ptr(40.0), RampCH: ptr(20.0)},
		{ID: "sand", Panel: "lid", Do: "sand", When: "hard", Of: "seal", WorkMinutes: ptr(30.0)},
		{ID: "other", Panel: "other", Do: "sand", WorkMinutes: ptr(60.0)},
	}
	j.Steps = base
	r := planned(t, j)
	if r.Probability != 1 {
		t.Fatalf("probability %.2f: %v", r.Probability, r.WhyNot)
	}
	seal, rest, warm, sand := stepOf(r, "seal"), stepOf(r, "rest"), stepOf(r, "warm"), stepOf(r, "sand")
	if d := rest.Until.Sub(rest.At); d != 2*time.Hour || rest.At.Before(seal.Until) {
		t.Errorf("the wait from %s to %s, the coat is on at %s", rest.At, rest.Until, seal.Until)
	}
	// Up by 20 K at 20 K an hour, eight hours, and down again.
	if d := warm.Until.Sub(warm.At); d != 10*time.Hour || warm.At.Before(rest.Until) {
		t.Errorf("the soak from %s to %s", warm.At, warm.Until)
	}
	if sand.At.Before(warm.Until) || sand.At.Sub(seal.Until) > 24*time.Hour {
		t.Errorf("sanded at %s, soaked until %s", sand.At, warm.Until)
	}
	for _, s := range []*Planned{rest, warm} {
		if s.Say == "" || len(s.Batches) > 0 {
			t.Errorf("%+v", s)
		}
	}
	// Without the soak the night does not do it by the same hour.
	j.Steps = append(slices.Clone(base[:2]), base[3:]...)
	cold := planned(t, j)
	if !stepOf(cold, "sand").At.After(sand.At) {
		t.Errorf("sanded at %s without the soak, at %s with it", stepOf(cold, "sand").At, sand.At)
	}
	j.Steps = slices.Clone(base)
	j.Steps[2].Hours = ptr(200.0)
	if _, err := Plan(t.Context(), j); err == nil || !strings.Contains(err.Error(), "hours = 200 is outside 0 to 168") {
		t.Errorf("a soak of more than a plan's reach: %v", err)
	}
}

// A panel follows the air in a plan as it does in the estimate.
func TestPanelsLag(t *testing.T) {
	for _, core := range job.Cores {
		c := compiled{Job: &Job{Panels: []coat.Panel{{Core: core}}}}
		if got, want := 60*c.lagMinutes(0), shop.LagSeconds(core); got != want {
			t.Errorf("%s: %g s behind the air, want %g", core, got, want)
		}
	}
}

// planned is a job's plan.
func planned(t testing.TB, j Job) Result {
	t.Helper()
	r, err := Plan(t.Context(), j)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// ready is a job made ready.
func ready(t testing.TB, j Job) *compiled {
	t.Helper()
	c, f := j.compile()
	if len(f) > 0 {
		t.Fatal(f)
	}
	return c
}
