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
	"curewright/model/cure"
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
	calm              int    // coats on which an alarm would be false
	early             [2]int // inside, by job, before the sixth
	earlyN            int
	slowSaid, slowAll int
	known             odds
}

var moments = [2]string{"half an hour after the brush", "after its first finger test"}

// liveYear lives one shop-year.
func liveYear(w *yearWorld, seed uint64, ceiling bool, t *yearTally) {
	rng := rand.New(rand.NewPCG(seed, 1717))
	said := []string{"fast", "medium", "slow"}[seed%3]
	l := w.kinetics(rng, said)
	resin := w.resinSD * rng.NormFloat64()
	var person [5]float64
	for i := range person {
		person[i] = rng.NormFloat64()
	}
	lot, mem := 0.0, memory.Memory{}
	qs := make([]float64, quantN)
	for i := range qs {
		qs[i] = (float64(i) + 1) / (quantN + 1)
	}
	lotSign := 1.0
	if rng.IntN(2) == 0 {
		lotSign = -1
	}
	t.years++
	tests, day := 0, 0
	best, last := math.Inf(-1), 0.0 // odds of somebody knowing, since the swap
	seen := false
	for j := range jobsAYear {
		lotName := fmt.Sprintf("L%d", j/jobsALot)
		if w.slows > 0 {
			lotName = "L0"
		}
		if j%jobsALot == 0 && (w.slows == 0 || j == 0) {
			lot = w.lotSD*rng.NormFloat64() + lotSign*w.lotStep
			lotSign = -lotSign
		}
		kappa := resin + lot + .12*rng.NormFloat64()
		if j >= 8 {
			kappa -= w.slows * float64(j-7)
		}
		law := l
		if w.swap > 0 && j >= w.swap {
			law = w.kinetics(rng, other[said])
		}
		var z [5]float64
		for i := range z {
			z[i] = math.Sqrt(1-w.filmOwn*w.filmOwn)*person[i] + w.filmOwn*rng.NormFloat64()
		}
		f := filmOf(z)
		we := w.weather(rng, j)
		m0 := aheadH*60 + int(rng.Float64()*600) - 300
		v := live(law, f, math.Exp(kappa), &we, m0)
		// Jobs come every one to three weeks, at the same hour of the day.
		day += 7 + rng.IntN(15)
		from := begin.AddDate(0, 0, day)
		applied := from.Add(time.Duration(m0) * time.Minute)
		id := fmt.Sprintf("c%02d", j)
		tb := &table{from: from, probes: map[string]probe{
			"panel": {we.panel, .2 * rng.NormFloat64(), seed*97 + uint64(j)*3 + 1}, "air": {we.air, .2 * rng.NormFloat64(), seed*97 + uint64(j)*3 + 2}}}
		batch := coat.Batch{ID: "b" + id, Resin: said, Lot: lotName, Mixed: applied}
		if w.noLots {
			batch.Lot = ""
		}
		work := &coat.Work{Panels: []coat.Panel{{ID: "p", Probe: "panel", Air: "air", Core: "foam"}},
			Coats:   []coat.Coat{{ID: id, Panel: "p", Resin: said, Kind: coat.FillCoat, Applied: applied, Batches: []string{batch.ID}}},
			Batches: []coat.Batch{batch}}
		// When it is felt: around the marks of the sheet, on this panel.
		nominal := live(lawOfSheet(said), film{}, 1, &we, m0)
		people := map[string]string{}
		var finds []felt
		for k, at := range []float64{nominal.marks["tacky"] * 1.25, nominal.marks["green"] * 1.08, nominal.marks["firm"] * 1.05} {
			i := int(at * math.Exp(.15*rng.NormFloat64()))
			if math.IsInf(at, 1) || i >= len(v.alpha) || i < 32 {
				continue
			}
			s := max(v.finds(i, w.finger, rng)-w.late, 0)
			feel := coat.Feel{ID: fmt.Sprintf("%sf%d", id, k), Coat: id, At: applied.Add(time.Duration(i) * time.Minute), State: order[s]}
			people[feel.ID] = "somebody"
			finds = append(finds, felt{i, s})
			work.Feels = append(work.Feels, feel)
		}
		set := job.Settings{Loc: time.UTC, Board: "b", People: people, Person: "somebody"}
		with := set
		with.Memory = &mem
		est := job.NewEstimator(job.Options{NoCheckpoints: true, Spread: qs})
		swapped := w.swap > 0 && j >= w.swap
		score := func(m int, now time.Time) {
			if swapped {
				return
			}
			for k, s := range []job.Settings{set, with} {
				c := estimate(est, now, work, tb, s)
				if c == nil || c.Spread == nil {
					continue
				}
				for e, x := range [2]struct {
					q     []float64
					mark  string
					p1090 coat.TimeBand
				}{{c.Spread.Green, "green", c.Events.Green}, {c.Spread.Closes, "closes", c.Events.RecoatCloses}} {
					truth := v.marks[x.mark]
					if truth > 60*60 || now.Sub(applied).Minutes() > truth {
						continue
					}
					at := applied.Add(time.Duration(truth * float64(time.Minute)))
					inside := x.p1090.P10 != nil && !at.Before(*x.p1090.P10) && (x.p1090.P90 == nil || !at.After(*x.p1090.P90))
					if j < scoredFrom {
						if k == 1 && m == 0 {
							t.earlyN++
							if inside {
								t.early[0]++
							}
						}
						continue
					}
					t.crps[m][e][k] += crps(qs, x.q, truth)
					t.width[m][e][k] += math.Min(x.q[16], 4320) - x.q[2]
					if inside {
						t.in[m][e][k]++
					}
					if k == 0 {
						t.n[m][e]++
					}
				}
			}
		}
		if j > 0 {
			score(0, applied.Add(30*time.Minute))
			if len(work.Feels) > 0 {
				score(1, work.Feels[0].At.Add(time.Second))
			}
		}
		t.coats++
		if ceiling && j >= scoredFrom && len(finds) > 0 {
			ll := w.knowing(rand.New(rand.NewPCG(seed, uint64(j))), said, resin, person, &we, m0, finds)
			if !swapped {
				t.known.calm = append(t.known.calm, slices.Max(ll))
			} else if n := min(3-tests, len(ll)); n > 0 { // by the third test since
				best = math.Max(best, last+slices.Max(ll[:n]))
				last += ll[n-1]
			}
		}
		// What is said on the way.
		for k := range work.Feels {
			if j < scoredFrom {
				break
			}
			c := estimate(est, work.Feels[k].At.Add(time.Second), work, tb, with)
			said := c != nil && warned(c)
			if !swapped {
				continue
			}
			tests++
			if said && !seen {
				seen = true
				t.noticed[min(tests, 7)-1]++
			}
		}
		if !swapped && j >= scoredFrom && len(work.Feels) > 0 {
			c := estimate(est, work.Feels[len(work.Feels)-1].At.Add(time.Second), work, tb, with)
			if w.slows == 0 || j < 8 {
				t.calm++
				if c != nil && warned(c) {
					t.alarms++
				}
			}
			if w.slows > 0 && j >= 8 && c != nil && warned(c) {
				seen = true // by this job
			}
		}
		end := applied.Add(70 * time.Hour)
		work.Coats[0].Ended = &end
		lesson, err := est.Lesson(id, work, tb, with)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return
		}
		mem.Lessons = append(mem.Lessons, lesson)
		mem.Rev++
	}
	if w.slows > 0 {
		t.slowAll++
		if seen {
			t.slowSaid++
		}
	}
	if w.swap > 0 {
		t.swaps++
		t.known.swapped = append(t.known.swapped, best)
		if !seen {
			t.noticed[7]++
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

func lawOfSheet(said string) law {
	r, _ := cure.Generic(said)
	return lawOf(r)
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

var order = []coat.State{coat.Wet, coat.Tacky, coat.Green, coat.Firm, coat.Hard}

func (t *yearTally) add(o *yearTally) {
	t.years += o.years
	t.coats += o.coats
	t.swaps += o.swaps
	t.alarms += o.alarms
	t.calm += o.calm
	t.earlyN += o.earlyN
	t.early[0] += o.early[0]
	t.slowSaid += o.slowSaid
	t.slowAll += o.slowAll
	t.known.swapped = append(t.known.swapped, o.known.swapped...)
	t.known.calm = append(t.known.calm, o.known.calm...)
	for i := range t.noticed {
		t.noticed[i] += o.noticed[i]
	}
	for m := range t.n {
		for e := range t.n[m] {
			t.n[m][e] += o.n[m][e]
			for k := range 2 {
				t.crps[m][e][k] += o.crps[m][e][k]
				t.in[m][e][k] += o.in[m][e][k]
				t.width[m][e][k] += o.width[m][e][k]
			}
		}
	}
}

// years lives n shop-years of a world.
func years(w *yearWorld, n int, seed uint64, ceiling bool) *yearTally {
	total := &yearTally{}
	eachSeed(n, seed, func(s uint64) *yearTally {
		t := &yearTally{}
		liveYear(w, s, ceiling, t)
		return t
	}, total.add)
	return total
}

func printYears(n int, seed uint64, only string, ceiling bool) {
	fmt.Println("| world | shop-years | seen | green: CRPS with / without, min | ratio | within p10–p90 (without) | width, of without | closing: CRPS | ratio | within p10–p90 (without) | width | coats 2–5 within | false alarms, of coats | wrong resin noticed by test 1, 2, 3, never |")
	fmt.Println("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|")
	for i := range yearWorlds {
		w := &yearWorlds[i]
		if only != "" && !strings.Contains(w.name, only) {
			continue
		}
		t := years(w, n, seed, ceiling && w.swap > 0)
		for m := range moments {
			fmt.Printf("| %s | %d | %s |", w.name, t.years, moments[m])
			for e := range 2 {
				c, k := t.crps[m][e], float64(max(t.n[m][e], 1))
				fmt.Printf(" %.1f / %.1f | %.2f | %.2f (%.2f) | %.2f |", c[1]/k, c[0]/k, c[1]/c[0], float64(t.in[m][e][1])/k, float64(t.in[m][e][0])/k, t.width[m][e][1]/t.width[m][e][0])
			}
			if m > 0 {
				if ceiling && t.swaps > 0 {
					fmt.Printf(" | | by somebody knowing all, by test 3, at 1 %%, 2 %% and 5 %% false alarms: %.2f, %.2f, %.2f |\n", t.known.noticed(.01), t.known.noticed(.02), t.known.noticed(.05))
					continue
				}
				fmt.Println(" | | |")
				continue
			}
			fmt.Printf(" %s | %d of %d |", share(t.early[0], t.earlyN), t.alarms, t.calm)
			if t.swaps > 0 {
				by := func(n int) (s int) {
					for _, x := range t.noticed[:n] {
						s += x
					}
					return s
				}
				fmt.Printf(" %s, %s, %s, %s |\n", share(by(1), t.swaps), share(by(2), t.swaps), share(by(3), t.swaps), share(t.noticed[7], t.swaps))
			} else if t.slowAll > 0 {
				fmt.Printf(" drift said by its sixth job %s |\n", share(t.slowSaid, t.slowAll))
			} else {
				fmt.Println(" |")
			}
		}
	}
}
