// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/shop"
)

// A simulator with hidden truth: sheds, weather, cups, films and a person with a
// finger are drawn, the plan sees only what a person would have, and the day is
// lived by it minute by minute. It is a scored experiment on made-up worlds, not
// evidence about resin. Nothing of the planner's own stepping or search is in
// it; the marks are the document's, their doubt as it says: of each standard
// deviation .8 the film's and person's, .6 the touch's, one touch in a hundred
// says anything.

// world is one made-up day.
type world struct {
	rng   *rand.Rand
	job   Job
	air   []float64 // the truth by the minute from Forecast.Start on
	kappa map[string]float64
	film  map[string]cure.Film
}

// shedTruth draws a shed's minutes: a first-order body behind weather that
// swings with the day and wanders over days, some held up by a stove.
func shedTruth(rng *rand.Rand, days int) []float64 {
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	mean, swing, tau, wander := u(11, 24), u(1, 5), u(1.5, 9), u(.5, 2.5)
	warm, lag := u(0, 3), u(14, 16)
	c, w := mean+warm, wander*rng.NormFloat64()
	a := math.Exp(-1. / (30 * 60))
	out := make([]float64, days*1440)
	for m := range out {
		w = a*w + wander*math.Sqrt(1-a*a)*rng.NormFloat64()
		around := mean + warm + w + swing*math.Cos(2*math.Pi*(float64(m)/60-lag)/24)
		c += (around - c) / (tau * 60)
		out[m] = c
	}
	return out
}

func drawWorld(seed uint64) *world {
	rng := rand.New(rand.NewPCG(seed, 23))
	const past = 7
	truth := shedTruth(rng, past+8)
	t0 := time.Date(2026, 10, 3, 0, 0, 0, 0, shed)
	start := t0.AddDate(0, 0, past).Add(7 * time.Hour)
	var h shop.History
	now := past*1440 + 7*60
	for m := 0; m <= now; m += 5 {
		h.Add(t0.Add(time.Duration(m)*time.Minute), truth[m]+.1*rng.NormFloat64())
	}
	c := shop.Conditions{At: start, TempC: truth[now], OffsetS: 3600}
	model := shop.Fit(&h, nil, start)
	const members = 120
	flat := model.Ensemble(nil, &h, members, shop.Steps, c, nil)
	f := Forecast{Start: start, Step: 15 * time.Minute}
	for i := range members {
		row := make([]float64, shop.Steps+1)
		for k := range row {
			row[k] = float64(flat[i*(shop.Steps+1)+k])
		}
		f.Air = append(f.Air, row)
	}
	w := &world{rng: rng, air: truth[now:], kappa: map[string]float64{}, film: map[string]cure.Film{}}
	resin := []string{"fast", "medium", "slow"}[rng.IntN(3)]
	lot := .2*rng.NormFloat64() + .1*rng.NormFloat64()
	w.kappa[resin] = lot
	z := func(sd float64) float64 { return .8 * sd * rng.NormFloat64() }
	w.film[resin] = cure.Film{Tacky: z(.06), Opens: z(.05), Gel: z(.05), FirmK: z(5), HardK: z(6)}
	r, _ := cure.Generic(resin)
	w.job = Job{Start: start, Loc: shed, Hours: []Hours{{7 * 60, (18 + rng.IntN(5)) * 60}}, Resins: map[string]cure.Resin{resin: r}, Forecast: f,
		Panels: []coat.Panel{{ID: "a", Core: "foam", AreaM2: ptr(1.0)}, {ID: "b", Core: "foam", AreaM2: ptr(1.0)}}}
	if rng.IntN(2) == 0 { // a lot that was felt before
		w.job.Learned = map[string]Kappa{resin: {Mean: lot + .08*rng.NormFloat64(), SD: .08}}
	}
	put := func(panel, id, kind, when, of string, work float64) job.Step {
		return job.Step{ID: id, Panel: panel, Do: "coat", Coat: kind, Resin: resin, When: when, Of: of, WorkMinutes: &work}
	}
	switch rng.IntN(6) {
	case 0:
		w.job.Steps = []job.Step{put("a", "seal", "seal", "", "", 15), put("a", "fill", "fill coat", "fill", "seal", 20)}
	case 1:
		w.job.Steps = []job.Step{put("a", "tack", "tack coat", "", "", 15), {ID: "cloth", Panel: "a", Do: "cloth", Cloth: "glass 200 twill", When: "tacky", Of: "tack", WorkMinutes: ptr(20.0)},
			put("a", "glass", "wet-out", "recoat", "tack", 30), put("a", "fill", "fill coat", "fill", "glass", 20)}
	case 2:
		w.job.Steps = []job.Step{put("a", "seal", "seal", "", "", 15), {ID: "sand", Panel: "a", Do: "sand", When: "hard", Of: "seal", WorkMinutes: ptr(30.0)}}
	case 3:
		w.job.Steps = []job.Step{put("a", "one", "wet-out", "", "", 25), put("b", "two", "wet-out", "", "", 25),
			put("a", "one fill", "fill coat", "fill", "one", 20), put("b", "two fill", "fill coat", "fill", "two", 20)}
	case 4:
		w.job.Steps = []job.Step{put("a", "tack", "tack coat", "", "", 15), {ID: "cloth", Panel: "a", Do: "cloth", Cloth: "glass 200 twill", When: "tacky", Of: "tack", WorkMinutes: ptr(20.0)}}
	case 5:
		w.job.Steps = []job.Step{put("a", "seal", "seal", "", "", 15), put("a", "fill", "fill coat", "recoat", "seal", 20),
			{ID: "sand", Panel: "a", Do: "sand", When: "hard", Of: "fill", WorkMinutes: ptr(30.0)}}
	}
	return w
}

// life is one coat's truth by the minute since it was mixed and put on: its
// degree of cure, and with nothing gained outside the range.
type life struct {
	from      int
	law, less []float64
}

func (w *world) panel() []float64 {
	out := make([]float64, len(w.air))
	c := w.air[0]
	for m, a := range w.air {
		c += (a - c) / 23
		out[m] = c
	}
	return out
}

func (w *world) live(r cure.Resin, kappa float64, panel []float64, from int) life {
	l := life{from: from, law: []float64{0}, less: []float64{0}}
	it := cure.NewIntegrator(r)
	a, b, k := []float64{0}, []float64{0}, []float64{kappa}
	for m := from; m+1 < len(panel); m++ {
		it.Advance(a, k, 60, panel[m], panel[m+1])
		if panel[m] >= r.MinC && panel[m] <= r.MaxC {
			it.Advance(b, k, 60, panel[m], panel[m+1])
		}
		l.law, l.less = append(l.law, a[0]), append(l.less, b[0])
	}
	return l
}

// crossed is the first minute at which a mark of a film is passed.
func (l life) crossed(r cure.Resin, panel []float64, m cure.Mark, f cure.Film, law bool) float64 {
	row := l.less
	if law {
		row = l.law
	}
	for i, a := range row {
		if a >= r.Level(m, panel[l.from+i], f) {
			return float64(l.from + i)
		}
	}
	return math.Inf(1)
}

// keep lives the day by its plan and reports whether every step was done inside
// its window.
func (w *world) keep(res Result) (bool, string) {
	panel := w.panel()
	start := w.job.Forecast.Start
	minute := func(t time.Time) float64 { return t.Sub(start).Minutes() }
	byID := map[string]int{}
	for i, s := range w.job.Steps {
		byID[s.ID] = i
	}
	plans := map[string]Planned{}
	for _, p := range res.Steps {
		plans[p.Step] = p
	}
	type done struct{ from, to float64 }
	finished := map[string]done{}
	kappa := map[string]float64{}
	free := 0.0
	next := map[string]float64{} // the next touch of a step
	inHours := func(t, work float64) float64 {
		for d := 0; d < 9; d++ {
			lo := float64(d*1440) + float64(w.job.Hours[0].From-7*60)
			hi := float64(d*1440) + float64(w.job.Hours[0].To-7*60)
			if at := math.Max(t, lo); at+work <= hi {
				return at
			}
		}
		return math.Inf(1)
	}
	for len(finished) < len(w.job.Steps) {
		pick, when := "", math.Inf(1)
		for i, s := range w.job.Steps {
			if _, ok := finished[s.ID]; ok {
				continue
			}
			ready := true
			at := free
			for k := range i {
				o := w.job.Steps[k]
				if o.Panel != s.Panel {
					continue
				}
				d, ok := finished[o.ID]
				ready = ready && ok
				at = math.Max(at, d.to)
			}
			if !ready {
				continue
			}
			p := plans[s.ID]
			due := minute(p.At)
			if p.FeelFrom != nil {
				due = minute(*p.FeelFrom)
			}
			at = inHours(math.Max(math.Max(at, due), next[s.ID]), *s.WorkMinutes)
			if at < when {
				pick, when = s.ID, at
			}
		}
		if pick == "" || when > float64(len(panel)-60) {
			return false, "time ran out"
		}
		s := w.job.Steps[byID[pick]]
		r := w.job.Resins[w.resin()]
		f := w.film[w.resin()]
		if s.Of != "" {
			c := finished[s.Of]
			young, old := w.live(r, kappa[s.Of], panel, int(c.to)), w.live(r, kappa[s.Of], panel, int(c.from))
			open, shut := math.Inf(1), math.Inf(1)
			touch := func(x float64) float64 { return .6 * x * w.rng.NormFloat64() }
			blur := cure.Film{Tacky: f.Tacky + touch(.06), Opens: f.Opens + touch(.05), Gel: f.Gel + touch(.05), FirmK: f.FirmK + touch(5), HardK: f.HardK + touch(6)}
			m := int(when)
			// What the finger finds now: of the window's two marks, which are passed.
			ay, ao := young.less[m-young.from], old.law[m-old.from]
			var ready, past bool
			first, last := 0, 5
			switch s.When {
			case "tacky":
				open, shut = young.crossed(r, panel, cure.Tacky, f, false), old.crossed(r, panel, cure.Green, f, true)
				ready, past = ay >= r.Level(cure.Tacky, panel[m], blur), ao >= r.Level(cure.Green, panel[m], blur)
				first, last = 1, 2
			case "recoat", "fill":
				open, shut = young.crossed(r, panel, cure.Opens, f, false), old.crossed(r, panel, cure.Firm, f, true)
				ready, past = ay >= r.Level(cure.Opens, panel[m], blur), ao >= r.Level(cure.Firm, panel[m], blur)
				first, last = 1, 3
			case "hard":
				open = young.crossed(r, panel, cure.Hard, f, false)
				ready = ay >= r.Level(cure.Hard, panel[m], blur)
				first = 4
			}
			if w.rng.Float64() < .01 {
				word := w.rng.IntN(5)
				ready, past = word >= first, word >= last
			}
			switch {
			case past:
				return false, fmt.Sprintf("%s: called past", s.ID)
			case !ready:
				age := when - c.to
				next[s.ID] = when + math.Min(math.Max(math.Ceil(age/50)*5, 5), 60)
				if when > shut {
					return false, fmt.Sprintf("%s: missed", s.ID)
				}
				continue
			case when < open:
				return false, fmt.Sprintf("%s: too soon", s.ID)
			case when+*s.WorkMinutes > shut+1:
				return false, fmt.Sprintf("%s: too late", s.ID)
			}
		}
		if s.Do == "coat" {
			kappa[s.ID] = math.Exp(w.kappa[w.resin()] + .12*w.rng.NormFloat64())
		}
		finished[s.ID] = done{when, when + *s.WorkMinutes}
		free = when + *s.WorkMinutes
	}
	return true, ""
}

func (w *world) resin() string {
	for n := range w.kappa {
		return n
	}
	return ""
}

// scoreDays plans and lives the days of some seeds.
func scoreDays(t testing.TB, from, n uint64, log func(string, ...any)) (all, sure [3]float64) {
	type bin struct{ n, promised, kept float64 }
	bins := make([]bin, 5)
	edges := []float64{0, .5, .7, .8, .9, 1.01}
	why := map[string]int{}
	for seed := from; seed < from+n; seed++ {
		w := drawWorld(seed)
		res, err := Plan(t.Context(), w.job)
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		// Each plan is lived by three people with luck of their own.
		for range 3 {
			ok, reason := w.keep(res)
			k := slices.IndexFunc(edges, func(e float64) bool { return res.Probability < e }) - 1
			b := &bins[k]
			b.n++
			b.promised += res.Probability
			if ok {
				b.kept++
			} else if res.Probability >= .9 {
				why[reason]++
			}
		}
	}
	for k, b := range bins {
		if b.n > 0 {
			log("promised %.1f to %.1f: %3.0f days, promised %.3f, kept %.3f", edges[k], math.Min(edges[k+1], 1), b.n, b.promised/b.n, b.kept/b.n)
		}
		all[0] += b.n
		all[1] += b.promised
		all[2] += b.kept
	}
	sure = [3]float64{bins[4].n, bins[4].promised, bins[4].kept}
	log("all: %.0f days, promised %.3f, kept %.3f; why days promised .9 and more were not kept: %v", all[0], all[1]/all[0], all[2]/all[0], why)
	return all, sure
}

// TestPromisesAreKept holds a few of the days; BenchmarkPromisesKept scores many.
func TestPromisesAreKept(t *testing.T) {
	all, _ := scoreDays(t, 1, 12, t.Logf)
	if off := (all[1] - all[2]) / all[0]; math.Abs(off) > .25 { // three times the error of so few days
		t.Errorf("promised %.3f, kept %.3f", all[1]/all[0], all[2]/all[0])
	}
}

// Days of the score: seeds that nothing was tuned on.
const keptFrom, keptDays = 5000, 400

// BenchmarkPromisesKept scores 400 days, each lived by three people.
func BenchmarkPromisesKept(b *testing.B) {
	for b.Loop() {
		scoreDays(b, keptFrom, keptDays, b.Logf)
	}
}
