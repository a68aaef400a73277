// SPDX-License-Identifier: Apache-2.0

package main

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"sync"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
)

// draw of a film by the definition's doubt, in shares of its standard deviation.
func films(share float64) func(*rand.Rand) film {
	return func(rng *rand.Rand) film {
		z := func(sd float64) float64 { return share * sd * rng.NormFloat64() }
		f := film{z(.06), z(.05), z(.05), z(5), z(6)}
		return f
	}
}

func plain(*rand.Rand) film { return film{} }

func asSaid(_ *rand.Rand, said string) law {
	r, _ := cure.Generic(said)
	return lawOf(r)
}

var gelHours = map[string]float64{"fast": 2, "medium": 3.5, "slow": 7}

// otherKinetics draws the orders, the energy and the share of the uncatalysed
// path anew, with the gel time at 25 °C of what is said.
func otherKinetics(rng *rand.Rand, said string) law {
	l := asSaid(rng, said)
	e := (57 + 5*rng.NormFloat64()) * 1000
	l.m, l.n = 1+.2*rng.NormFloat64(), 2+.3*rng.NormFloat64()
	l.m, l.n = math.Max(l.m, .4), math.Max(l.n, 1.2)
	k := .3 * math.Exp(.6*rng.NormFloat64())
	l.e1, l.e2 = e, e
	l.a2 = 1e-4 * math.Exp(e/(8.314462618*298.15))
	l.a1 = k * l.a2
	return l.scaled(gelHours[said])
}

// published is the set quoted as Table 5 of doi 10.1016/j.tca.2015.11.014, read
// in a public code file and not in the paper; glass transition as the slow set.
func published(rng *rand.Rand, said string) law {
	l := asSaid(rng, said)
	l.a1, l.e1, l.a2, l.e2, l.m, l.n = 35982, 54960, 3574.1, 44290, .398, 1.536
	return l
}

var (
	good   = finger{touch: .6, blunder: .03}
	sloppy = finger{touch: .9, blunder: .10, late: 25 * time.Minute, deaf: .2}
)

var worlds = []world{
	{name: "the document's", resin: asSaid, film: plain, weather: heated, finger: good, kappaSD: .25},
	{name: "rate known, marks the document's", resin: asSaid, film: plain, weather: heated, finger: good, known: true},
	{name: "films vary", resin: asSaid, film: films(.8), weather: heated, finger: good, kappaSD: .25},
	{name: "other kinetics", resin: otherKinetics, film: films(.8), weather: heated, finger: good, kappaSD: .25},
	{name: "published kinetics", resin: published, film: films(.8), weather: heated, finger: good, kappaSD: .20},
	{name: "sloppy person", resin: asSaid, film: films(1.1), weather: heated, finger: sloppy, kappaSD: .25},
	{name: "unheated sheds", resin: asSaid, film: films(.8), weather: shed, finger: good, kappaSD: .25},
	{name: "sun on the panel", resin: asSaid, film: films(.8), weather: sunny, finger: good, kappaSD: .25},
	{name: "wrong hardener", resin: asSaid, film: films(.8), weather: heated, finger: good, kappaSD: .25,
		wrong: map[string]string{"slow": "fast", "fast": "slow", "medium": "fast"}},
}

// tally of one world and kind of window.
type tally struct {
	coats                        int
	covered, counted             map[string]int // marks inside p10 to p90, half an hour after the brush
	said, true_                  int            // moments at which "now" was said, and was right
	acted, right, clock          int            // first time it was said; what a clock would have done
	mostTests                    int
	tests, over4, lateSaid       int // tests; coats with more than four; said after the true closing
	asked                        int // times a test was asked for, answered or not
	disagree, green              int // moments of green at which state and finger differ
	hardLate, hards              int
	unknownH, coldCoats, unknown float64
	softenedCooling, tooWarm     int
}

func (t *tally) add(o *tally) {
	t.coats += o.coats
	for k, v := range o.covered {
		t.covered[k] += v
	}
	for k, v := range o.counted {
		t.counted[k] += v
	}
	t.said += o.said
	t.true_ += o.true_
	t.acted += o.acted
	t.right += o.right
	t.clock += o.clock
	t.tests += o.tests
	t.asked += o.asked
	t.over4 += o.over4
	t.lateSaid += o.lateSaid
	t.disagree += o.disagree
	t.green += o.green
	t.hardLate += o.hardLate
	t.hards += o.hards
	t.coldCoats += o.coldCoats
	t.unknown += o.unknown
	t.softenedCooling += o.softenedCooling
	t.tooWarm += o.tooWarm
	t.mostTests = max(t.mostTests, o.mostTests)
}

func newTally() *tally { return &tally{covered: map[string]int{}, counted: map[string]int{}} }

var kindOf = map[string]string{"cloth": coat.TackCoat, "coat": coat.FillCoat, "fill": coat.WetOut}

// one lives one coat.
func one(w *world, kind string, seed uint64) *tally {
	rng := rand.New(rand.NewPCG(seed, 77))
	t := newTally()
	t.coats = 1
	said := []string{"fast", "medium", "slow"}[seed%3]
	if w.name == "published kinetics" {
		said = "slow"
	}
	really := said
	if x, ok := w.wrong[said]; ok {
		really = x
	}
	l := w.resin(rng, really)
	f := w.film(rng)
	kappa := math.Exp(w.kappaSD * rng.NormFloat64())
	we := w.weather(rng)
	m0 := aheadH*60 + int(rng.Float64()*600) - 300
	if w.name == "unheated sheds" {
		// Nobody begins below what the sheet allows.
		for k := 0; k < 24*60 && we.panel[m0] < 12; k++ {
			m0++
		}
	}
	v := live(l, f, kappa, &we, m0)
	// A clock scaled by hardener and temperature: the middle of the window of a
	// batch as on its sheet, on the panel's own temperatures.
	nominal := live(asSaid(nil, said), film{}, 1, &we, m0)
	a, b := nominal.marks["opens"], nominal.marks["closes"]
	if kind == "cloth" {
		a, b = nominal.marks["tacky"], nominal.marks["green"]
	}
	if i := math.Sqrt(a * b); !math.IsInf(i, 1) && int(i) < len(v.alpha) && v.inside(kind, int(i)) {
		t.clock = 1
	}

	tb := &table{probes: map[string]probe{
		"panel": {we.panel, .2 * rng.NormFloat64(), seed*3 + 1}, "air": {we.air, .2 * rng.NormFloat64(), seed*3 + 2}}}
	applied := begin.Add(time.Duration(m0) * time.Minute)
	work := &coat.Work{Panels: []coat.Panel{{ID: "p", Probe: "panel", Air: "air", Core: "foam"}},
		Coats:   []coat.Coat{{ID: "c", Panel: "p", Resin: said, Kind: kindOf[kind], Applied: applied, Batches: []string{"b"}}},
		Batches: []coat.Batch{{ID: "b", Resin: said, Mixed: applied}}}
	if we.noProbe {
		work.Panels[0].Probe = ""
	}
	if w.known {
		r, _ := cure.Generic(said)
		r.LnKappaSD = .01
		work.Resins = map[string]cure.Resin{said: r}
	}
	e := job.NewEstimator(job.Options{})
	set := job.Settings{Loc: time.UTC}
	last, acted, tests := -1, false, 0
	answerAt, ignored := -1, time.Time{}
	marked := false
	hardSaid := -1
	end := len(v.alpha) - 1
	limit := 60 * 60
	for i := 5; i < end && i < limit; {
		now := applied.Add(time.Duration(i) * time.Minute)
		res, err := e.Estimate(now, work, tb, set)
		if err != nil || len(res.Coats) != 1 {
			fmt.Fprintln(os.Stderr, err)
			return t
		}
		c := &res.Coats[0]
		if !marked && i >= 30 {
			marked = true
			t.score(c, v, i)
		}
		win := c.NextWindow
		truth := v.finds(i, finger{}, rng)
		if truth == 2 && c.State != coat.Unknown {
			t.green++
			if n := c.State.Rank(); n != 2 && !(n == 4 && v.now[i] < 20) {
				t.disagree++
			}
		}
		if c.State == coat.Unknown && v.alpha[i] >= .65 {
			t.unknownH += float64(i - last)
		}
		if win != nil && c.Facts.WarmToC != nil && *c.Facts.WarmToC > 40 {
			t.tooWarm++
		}
		if c.Facts.SoftenedAt != nil && i > 60 && v.now[i] < v.now[i-30]-.7 {
			t.softenedCooling++
		}
		if hardSaid < 0 && c.State == coat.Hard {
			hardSaid = i
		}
		last = i
		feel := func() {
			s := v.finds(i, w.finger, rng)
			tests++
			work.Feels = append(work.Feels, coat.Feel{Coat: "c", At: now, State: []coat.State{coat.Wet, coat.Tacky, coat.Green, coat.Firm, coat.Hard}[s]})
		}
		if win != nil && win.Permits && (c.AdviceCode == coat.AdviseRecoat || c.AdviceCode == coat.AdviseWashRecoat) {
			ok := v.inside(kind, i)
			t.said++
			if ok {
				t.true_++
			}
			if v.over(kind, i) {
				t.lateSaid++
			}
			if !acted {
				acted = true
				t.acted++
				if ok {
					t.right++
				}
			}
		}
		over := v.over(kind, i) && win != nil && win.Status == "closed"
		if !over && !acted && win != nil && win.FeelFrom != nil && !win.FeelFrom.After(now) && !win.FeelFrom.Equal(ignored) {
			if answerAt < 0 {
				t.asked++
				if rng.Float64() < w.finger.deaf {
					ignored = *win.FeelFrom
				} else {
					answerAt = i + int(rng.Float64()*w.finger.late.Minutes())
				}
			}
			if answerAt >= 0 && i >= answerAt {
				answerAt = -1
				feel()
				i++
				continue // asked again at once
			}
		}
		// On until the truth is over and, for hardness, a day longer.
		if over && hardSaid >= 0 && float64(i) > v.marks["hard"] {
			break
		}
		step := max(5, i/25)
		if over || acted {
			step = max(15, i/15)
		}
		if answerAt > i {
			step = min(step, answerAt-i)
		}
		i += step
	}
	t.tests, t.mostTests = tests, tests
	if tests > 4 {
		t.over4 = 1
	}
	if h := v.marks["hard"]; h < float64(limit)-400 {
		t.hards = 1
		if hardSaid < 0 || float64(hardSaid) > h+360 {
			t.hardLate = 1
		}
	}
	if t.unknownH > 12*60 {
		t.coldCoats = 1
	}
	return t
}

// score counts the marks that fell into their p10 to p90.
func (t *tally) score(c *coat.Estimate, v *life, i int) {
	ev := map[string]coat.TimeBand{"tacky": c.Events.Tacky, "opens": c.Events.RecoatOpens, "green": c.Events.Green, "firm": c.Events.Firm, "hard": c.Events.Hard}
	for k, b := range ev {
		m := v.marks[k]
		if m > 68*60 {
			continue // beyond the forecast
		}
		at := c.AppliedAt.Add(time.Duration(m * float64(time.Minute)))
		t.counted[k]++
		if b.P10 != nil && !at.Before(*b.P10) && (b.P90 == nil || !at.After(*b.P90)) {
			t.covered[k]++
		}
	}
}

// run lives n coats of a world and kind.
func run(w *world, kind string, n int, seed uint64) *tally {
	total := newTally()
	eachSeed(n, seed, func(s uint64) *tally { return one(w, kind, s) }, total.add)
	return total
}

// eachSeed lives n of something, two at a time, and adds up what came of each.
func eachSeed[T any](n int, seed uint64, live func(seed uint64) T, add func(T)) {
	var mu sync.Mutex
	var wg sync.WaitGroup
	next := make(chan uint64)
	for range 2 {
		wg.Go(func() {
			for s := range next {
				t := live(s)
				mu.Lock()
				add(t)
				mu.Unlock()
			}
		})
	}
	for i := range n {
		next <- seed + uint64(i)
	}
	close(next)
	wg.Wait()
}

// coatsADay is a day's worth: two panels, on each cloth laid into a tack coat
// and two coats on it.
const coatsADay = 6

// days lives days of coats and counts how often somebody is asked to feel one,
// until each is coated over: in the mean, at most, and on how many days more
// than twelve times. No coat learns from another, which asks more often than
// coats of one lot would.
func days(w *world, n int, seed uint64) (mean float64, most, over12 int) {
	sum := 0
	eachSeed(n, 0, func(d uint64) (asked int) {
		for c := range uint64(coatsADay) {
			kind := "coat"
			if c%3 == 0 {
				kind = "cloth"
			}
			asked += one(w, kind, seed+d*coatsADay+c).asked
		}
		return asked
	}, func(asked int) {
		sum += asked
		most = max(most, asked)
		if asked > 12 {
			over12++
		}
	})
	return float64(sum) / float64(n), most, over12
}

func share(a, b int) string {
	if b == 0 {
		return "–"
	}
	return fmt.Sprintf("%.2f", float64(a)/float64(b))
}

func main() {
	n := flag.Int("n", 60, "coats a world and kind")
	seed := flag.Uint64("seed", 1, "first seed")
	only := flag.String("world", "", "this world only")
	onlyKind := flag.String("kind", "", "this kind only")
	byDay := flag.Bool("days", false, "n days of six coats each: how often a test is asked for")
	byYear := flag.Int("years", 0, "so many shop-years a world, with memory and without")
	ceiling := flag.Bool("ceiling", false, "with years: how soon somebody who knows all of a shop could notice another resin")
	flag.Parse()
	if *byYear > 0 {
		printYears(*byYear, *seed, *only, *ceiling)
		return
	}
	if *byDay {
		fmt.Println("| world | days of six coats | asked a day, mean | most | days with more than 12 |\n|---|---|---|---|---|")
		for i := range worlds {
			if w := &worlds[i]; *only == "" || w.name == *only {
				mean, most, over := days(w, *n, *seed)
				fmt.Printf("| %s | %d | %.1f | %d | %d |\n", w.name, *n, mean, most, over)
			}
		}
		return
	}
	fmt.Println("| world | window | coats | within p10–p90: tacky | opens | green | firm | hard | \"now\" true, of moments | success | a clock's | \"now\" when closed for good | tests a coat, most | state not the finger's in green | hard over 6 h late | over 12 h not known though α ≥ .65 | \"softened\" while cooling, \"warm\" over 40 °C |")
	fmt.Println("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|")
	kinds := []string{"cloth", "coat"} // a fill coat has the window of coat on coat
	for i := range worlds {
		w := &worlds[i]
		if *only != "" && w.name != *only {
			continue
		}
		for _, kind := range kinds {
			if *onlyKind != "" && kind != *onlyKind {
				continue
			}
			t := run(w, kind, *n, *seed)
			fmt.Printf("| %s | %s | %d |", w.name, kind, t.coats)
			for _, k := range []string{"tacky", "opens", "green", "firm", "hard"} {
				fmt.Printf(" %s |", share(t.covered[k], t.counted[k]))
			}
			fmt.Printf(" %s of %d | %s | %s | %s | %.1f, %d | %s | %s | %.0f | %d, %d |\n", share(t.true_, t.said), t.said, share(t.right, t.coats), share(t.clock, t.coats), share(t.lateSaid, t.said),
				float64(t.tests)/float64(t.coats), t.mostTests, share(t.disagree, t.green), share(t.hardLate, t.hards), t.coldCoats, t.softenedCooling, t.tooWarm)
		}
	}
}
