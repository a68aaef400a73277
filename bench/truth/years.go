// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/memory"
)

// A shop-year is one shed, one person and one resin through a year of jobs, with
// all that D22 names hidden: the resin's rate against its sheet, each bottle's,
// each cup's, and where this finger finds each mark. It is lived once, and every
// coat is foreseen twice from the same readings and finger tests: with the
// memory of the coats before it, and without.

// yearWorld is one way that a shop-year may be.
type yearWorld struct {
	name     string
	resinSD  float64
	lotSD    float64 // of ln κ between bottles
	lotStep  float64 // bottles in turn so much above and below, as ln κ
	filmOwn  float64 // share of the film's doubt that is the single coat's
	late     int     // what the finger finds is said a state late
	weather  func(rng *rand.Rand, job int) weather
	kinetics func(rng *rand.Rand, said string) law
	finger   finger
	swap     int     // from this job on another resin stands under the same name; 0 never
	slows    float64 // ln κ lost a job from the eighth on, within one bottle
	noLots   bool
}

func anyHeated(rng *rand.Rand, _ int) weather { return heated(rng) }

// seasons is an unheated shed from winter to summer, never below what the sheet
// allows.
func seasons(rng *rand.Rand, job int) weather {
	level := 17 - 5*math.Cos(2*math.Pi*float64(job)/jobsAYear) + 1.5*rng.NormFloat64()
	return shop(rng, math.Max(level, 12.5), 0.6+1.2*rng.Float64(), 0.5, 23, 0)
}

var yearWorlds = []yearWorld{
	{name: "the document's", resinSD: .20, lotSD: .10, weather: anyHeated, kinetics: asSaid, finger: good},
	{name: "films vary too", resinSD: .20, lotSD: .10, filmOwn: .44, weather: anyHeated, kinetics: asSaid, finger: good},
	{name: "lots differ by 20 %", resinSD: .20, lotStep: math.Log(1.2) / 2, filmOwn: .44, weather: anyHeated, kinetics: asSaid, finger: good},
	{name: "late by a state", resinSD: .20, lotSD: .10, filmOwn: .44, late: 1, weather: anyHeated, kinetics: asSaid, finger: good},
	{name: "other kinetics, seasons", resinSD: .20, lotSD: .10, filmOwn: .44, weather: seasons, kinetics: otherKinetics, finger: good},
	{name: "sloppy person", resinSD: .20, lotSD: .10, filmOwn: .6, weather: anyHeated, kinetics: asSaid, finger: finger{touch: .9, blunder: .10}},
	{name: "no lots written", resinSD: .20, lotSD: .10, filmOwn: .44, weather: anyHeated, kinetics: asSaid, finger: good, noLots: true},
	{name: "another resin under the name", resinSD: .20, lotSD: .10, filmOwn: .44, weather: anyHeated, kinetics: asSaid, finger: good, swap: 8},
	{name: "a bottle slows down", resinSD: .20, lotSD: .10, filmOwn: .44, weather: anyHeated, kinetics: asSaid, finger: good, slows: .06},
}

const (
	jobsAYear = 14
	jobsALot  = 4
	// scoredFrom is the first job that is scored: a shop's sixth.
	scoredFrom = 5
	quantN     = 19
)

var other = map[string]string{"slow": "fast", "medium": "slow", "fast": "slow"}

// yearTally is what a world's shop-years scored.
type yearTally struct {
	years, coats      int
	crps              [2][2][2]float64 // [moment][event][without, with], min
	in                [2][2][2]int     // inside p10 to p90
	n                 [2][2]int
	width             [2][2][2]float64
	noticed           [8]int // another resin: by which test; last never
	swaps, alarms     int
	calm              int // coats on which an alarm would be false
	early, earlyN     int // inside, before the sixth job
	slowSaid, slowAll int
	known             odds
}

var moments = [2]string{"half an hour after the brush", "after its first finger test"}

// shopYear is one shop-year that is being lived.
type shopYear struct {
	*yearWorld
	*yearTally
	seed    uint64
	rng     *rand.Rand
	said    string
	law     law
	resin   float64    // ln κ of the resin against its sheet
	person  [5]float64 // where this finger finds each mark, in standard deviations
	lot     float64    // ln κ of the bottle in use
	lotSign float64
	day     int
	qs      []float64 // quantiles that are scored
	mem     memory.Memory

	tests      int     // since the swap
	seen       bool    // that something is not as learnt
	best, last float64 // odds of somebody knowing, since the swap
}

// yearJob is one of its coats.
type yearJob struct {
	n             int
	swapped       bool // another resin is in the bottle
	weather       weather
	m0            int // minute of it at which the coat is applied
	v             *life
	applied       time.Time
	work          *coat.Work
	table         *table
	est           *job.Estimator
	finds         []felt
	without, with job.Settings // without and with the memory of the coats before
}

// liveYear lives one shop-year.
func liveYear(w *yearWorld, seed uint64, ceiling bool, t *yearTally) {
	rng := rand.New(rand.NewPCG(seed, 1717))
	y := &shopYear{yearWorld: w, yearTally: t, seed: seed, rng: rng, said: []string{"fast", "medium", "slow"}[seed%3], lotSign: 1, qs: make([]float64, quantN), best: math.Inf(-1)}
	y.law = w.kinetics(rng, y.said)
	y.resin = w.resinSD * rng.NormFloat64()
	for i := range y.person {
		y.person[i] = rng.NormFloat64()
	}
	for i := range y.qs {
		y.qs[i] = (float64(i) + 1) / (quantN + 1)
	}
	if rng.IntN(2) == 0 {
		y.lotSign = -1
	}
	t.years++
	for n := range jobsAYear {
		j := y.job(n)
		if n > 0 && !j.swapped {
			y.score(j, 0, j.applied.Add(30*time.Minute))
			if len(j.work.Feels) > 0 {
				y.score(j, 1, j.work.Feels[0].At.Add(time.Second))
			}
		}
		t.coats++
		if n >= scoredFrom && len(j.finds) > 0 {
			if ceiling {
				y.knowing(j)
			}
			y.listen(j)
		}
		end := j.applied.Add(70 * time.Hour)
		j.work.Coats[0].Ended = &end
		lesson, err := j.est.Lesson(j.work.Coats[0].ID, j.work, j.table, j.with)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return
		}
		y.mem.Lessons = append(y.mem.Lessons, lesson)
		y.mem.Rev++
	}
	if w.slows > 0 {
		t.slowAll++
		if y.seen {
			t.slowSaid++
		}
	}
	if w.swap > 0 {
		t.swaps++
		t.known.swapped = append(t.known.swapped, y.best)
		if !y.seen {
			t.noticed[7]++
		}
	}
}

// job draws the next coat, with all that is hidden of it, and what is felt on it.
func (y *shopYear) job(n int) *yearJob {
	rng, w := y.rng, y.yearWorld
	lot := fmt.Sprintf("L%d", n/jobsALot)
	if w.slows > 0 {
		lot = "L0"
	}
	if n%jobsALot == 0 && (w.slows == 0 || n == 0) {
		y.lot = w.lotSD*rng.NormFloat64() + y.lotSign*w.lotStep
		y.lotSign = -y.lotSign
	}
	kappa := y.resin + y.lot + .12*rng.NormFloat64()
	if n >= 8 {
		kappa -= w.slows * float64(n-7)
	}
	j := &yearJob{n: n, swapped: w.swap > 0 && n >= w.swap, est: job.NewEstimator(job.Options{NoCheckpoints: true, Spread: y.qs})}
	law := y.law
	if j.swapped {
		law = w.kinetics(rng, other[y.said])
	}
	f := w.drawFilm(rng, y.person)
	j.weather = w.weather(rng, n)
	j.m0 = aheadH*60 + int(rng.Float64()*600) - 300
	j.v = live(law, f, math.Exp(kappa), &j.weather, j.m0)
	// Jobs come every one to three weeks, at the same hour of the day.
	y.day += 7 + rng.IntN(15)
	from := begin.AddDate(0, 0, y.day)
	j.applied = from.Add(time.Duration(j.m0) * time.Minute)
	if w.noLots {
		lot = ""
	}
	id := fmt.Sprintf("c%02d", n)
	j.table, j.work = shopOf(&j.weather, rng, y.seed*97+uint64(n)*3, from), coatOf(id, y.said, coat.FillCoat, lot, j.applied)
	// When it is felt: around the marks of the sheet, on this panel.
	nominal := live(asSaid(nil, y.said), film{}, 1, &j.weather, j.m0)
	people := map[string]string{}
	for k, at := range []float64{nominal.marks["tacky"] * 1.25, nominal.marks["green"] * 1.08, nominal.marks["firm"] * 1.05} {
		i := int(at * math.Exp(.15*rng.NormFloat64()))
		if math.IsInf(at, 1) || i >= len(j.v.alpha) || i < 32 {
			continue
		}
		s := max(j.v.finds(i, w.finger, rng)-w.late, 0)
		feel := coat.Feel{ID: fmt.Sprintf("%sf%d", id, k), Coat: id, At: j.applied.Add(time.Duration(i) * time.Minute), State: coat.States[s]}
		people[feel.ID] = "somebody"
		j.finds = append(j.finds, felt{i, s})
		j.work.Feels = append(j.work.Feels, feel)
	}
	j.without = job.Settings{Loc: time.UTC, Board: "b", People: people, Person: "somebody"}
	j.with = j.without
	j.with.Memory = &y.mem
	return j
}

// score scores what is foreseen of a coat at one of the moments, without and
// with memory.
func (y *shopYear) score(j *yearJob, m int, now time.Time) {
	for k, s := range []job.Settings{j.without, j.with} {
		c := estimate(j.est, now, j.work, j.table, s)
		if c == nil || c.Spread == nil {
			continue
		}
		for e, x := range [2]struct {
			q     []float64
			mark  string
			p1090 coat.TimeBand
		}{{c.Spread.Green, "green", c.Events.Green}, {c.Spread.Closes, "closes", c.Events.RecoatCloses}} {
			truth := j.v.marks[x.mark]
			if truth > 60*60 || now.Sub(j.applied).Minutes() > truth {
				continue
			}
			inside := within(x.p1090, j.applied, truth)
			if j.n < scoredFrom {
				if k == 1 && m == 0 {
					y.earlyN++
					if inside {
						y.early++
					}
				}
				continue
			}
			y.crps[m][e][k] += crps(y.qs, x.q, truth)
			y.width[m][e][k] += math.Min(x.q[16], 4320) - x.q[2]
			if inside {
				y.in[m][e][k]++
			}
			if k == 0 {
				y.n[m][e]++
			}
		}
	}
}

// knowing counts what somebody who knows all of the shop could have noticed.
func (y *shopYear) knowing(j *yearJob) {
	ll := y.yearWorld.knowing(rand.New(rand.NewPCG(y.seed, uint64(j.n))), y.said, y.resin, y.person, &j.weather, j.m0, j.finds)
	if !j.swapped {
		y.known.calm = append(y.known.calm, slices.Max(ll))
	} else if n := min(3-y.tests, len(ll)); n > 0 { // by the third test since
		y.best = math.Max(y.best, y.last+slices.Max(ll[:n]))
		y.last += ll[n-1]
	}
}

// listen counts warnings after a coat's finger tests: by which test another
// resin was noticed, and whether one was false.
func (y *shopYear) listen(j *yearJob) {
	said := false
	for k := range j.work.Feels {
		// What is said after its last test counts, of another resin after each.
		c := estimate(j.est, j.work.Feels[k].At.Add(time.Second), j.work, j.table, j.with)
		if said = c != nil && warned(c); !j.swapped {
			continue
		}
		y.tests++
		if said && !y.seen {
			y.seen = true
			y.noticed[min(y.tests, 7)-1]++
		}
	}
	switch slow := y.slows > 0 && j.n >= 8; {
	case j.swapped:
	case slow && said:
		y.seen = true // by this job
	case !slow:
		y.calm++
		if said {
			y.alarms++
		}
	}
}

// warned reports whether the estimate says that something is not as learnt.
func warned(c *coat.Estimate) bool {
	for _, n := range c.Notes {
		if strings.Contains(n, "does not fit") || strings.Contains(n, "fits badly") || strings.Contains(n, "than it did") || strings.Contains(n, "than this resin can") {
			return true
		}
	}
	return false
}

func estimate(e *job.Estimator, now time.Time, w *coat.Work, tb *table, s job.Settings) *coat.Estimate {
	res, err := e.Estimate(now, job.At(w, now), tb, s)
	if err != nil || len(res.Coats) != 1 {
		fmt.Fprintln(os.Stderr, "estimate:", err)
		return nil
	}
	return &res.Coats[0]
}

// crps is twice the mean pinball loss over the quantiles, min; what lies beyond
// the forecast's end counts as its end.
func crps(qs, x []float64, truth float64) float64 {
	sum := 0.0
	for i, q := range qs {
		d := truth - math.Min(x[i], 72*60)
		sum += math.Max(q*d, (q-1)*d)
	}
	return 2 * sum / float64(len(qs))
}

// years lives n shop-years of a world.
func years(w *yearWorld, n int, seed uint64, ceiling bool) *yearTally {
	t := &yearTally{}
	for i := range n {
		liveYear(w, seed+uint64(i), ceiling, t)
	}
	return t
}

func printYears(n int, seed uint64, only string, ceiling bool) {
	fmt.Println("| world | shop-years | seen | green: CRPS with / without, min | ratio | within p10–p90 (without) | width, of without | closing: CRPS | ratio | within p10–p90 (without) | width | coats 2–5 within | false alarms, of coats | wrong resin noticed by test 1, 2, 3, never |")
	fmt.Println("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|")
	var of []*yearWorld
	for i := range yearWorlds {
		if w := &yearWorlds[i]; strings.Contains(w.name, only) {
			of = append(of, w)
		}
	}
	printRows(len(of), func(i int) string {
		w := of[i]
		t := years(w, n, seed, ceiling && w.swap > 0)
		return t.row(w.name, 0) + t.rest() + t.row(w.name, 1) + t.ceiling(ceiling)
	})
}

// row is what a world's shop-years scored at a moment.
func (t *yearTally) row(name string, m int) string {
	s := fmt.Sprintf("| %s | %d | %s |", name, t.years, moments[m])
	for e := range 2 {
		c, k := t.crps[m][e], float64(max(t.n[m][e], 1))
		s += fmt.Sprintf(" %.1f / %.1f | %.2f | %.2f (%.2f) | %.2f |", c[1]/k, c[0]/k, c[1]/c[0], float64(t.in[m][e][1])/k, float64(t.in[m][e][0])/k, t.width[m][e][1]/t.width[m][e][0])
	}
	return s
}

// rest ends the first row: what was noticed.
func (t *yearTally) rest() string {
	s := fmt.Sprintf(" %s | %d of %d |", share(t.early, t.earlyN), t.alarms, t.calm)
	switch {
	case t.swaps > 0:
		by, sum := [3]string{}, 0
		for i := range by {
			sum += t.noticed[i]
			by[i] = share(sum, t.swaps)
		}
		return s + fmt.Sprintf(" %s, %s |\n", strings.Join(by[:], ", "), share(t.noticed[7], t.swaps))
	case t.slowAll > 0:
		return s + fmt.Sprintf(" drift said by its sixth job %s |\n", share(t.slowSaid, t.slowAll))
	}
	return s + " |\n"
}

// ceiling ends the second row: what could have been noticed.
func (t *yearTally) ceiling(asked bool) string {
	if !asked || t.swaps == 0 {
		return " | | |\n"
	}
	return fmt.Sprintf(" | | by somebody knowing all, by test 3, at 1 %%, 2 %% and 5 %% false alarms: %.2f, %.2f, %.2f |\n", t.known.noticed(.01), t.known.noticed(.02), t.known.noticed(.05))
}
