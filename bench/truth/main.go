// SPDX-License-Identifier: Apache-2.0

package main

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
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
	coats                    int
	covered, counted         map[string]int // marks inside p10 to p90, half an hour after the brush
	said, true_              int            // moments at which "now" was said, and was right
	right, clock             int            // the first time it was said; what a clock would have done
	lateSaid                 int            // said after the true closing
	tests, mostTests         int            // all, and of one coat
	asked                    int            // times a test was asked for, answered or not
	disagree, green          int            // moments of green at which state and finger differ
	hardLate, hards          int
	coldCoats                int
	softenedCooling, tooWarm int
}

func newTally() *tally { return &tally{covered: map[string]int{}, counted: map[string]int{}} }

var kindOf = map[string]string{"cloth": coat.TackCoat, "coat": coat.FillCoat, "fill": coat.WetOut}

// watched is one coat with its hidden truth, as the estimator sees it, and the
// person who goes by what it says.
type watched struct {
	*world
	kind string
	rng  *rand.Rand
	v    *life
	*tally

	e       *job.Estimator
	work    *coat.Work
	table   *table
	applied time.Time

	tests    int
	acted    bool
	answerAt int       // minute at which a prompt will be answered; -1 for none
	ignored  time.Time // prompt that will not be
	last     int       // minute of the look before
	hardSaid int       // -1 for not yet
	unknownH float64   // minutes of a coat far on of which nothing was said
}

// watch draws one coat.
func watch(w *world, kind string, seed uint64, t *tally) *watched {
	rng := rand.New(rand.NewPCG(seed, 77))
	x := &watched{world: w, kind: kind, rng: rng, tally: t, e: job.NewEstimator(job.Options{}), answerAt: -1, last: -1, hardSaid: -1}
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
	x.v = live(l, f, kappa, &we, m0)
	// A clock scaled by hardener and temperature: the middle of the window of a
	// batch as on its sheet, on the panel's own temperatures.
	nominal := live(asSaid(nil, said), film{}, 1, &we, m0)
	a, b := nominal.marks["opens"], nominal.marks["closes"]
	if kind == "cloth" {
		a, b = nominal.marks["tacky"], nominal.marks["green"]
	}
	if i := math.Sqrt(a * b); !math.IsInf(i, 1) && int(i) < len(x.v.alpha) && x.v.inside(kind, int(i)) {
		t.clock++
	}
	x.applied = begin.Add(time.Duration(m0) * time.Minute)
	x.table, x.work = shopOf(&we, rng, seed*3, begin), coatOf("c", said, kindOf[kind], "", x.applied)
	if we.noProbe {
		x.work.Panels[0].Probe = ""
	}
	if w.known {
		r, _ := cure.Generic(said)
		r.LnKappaSD = .01
		x.work.Resins = map[string]cure.Resin{said: r}
	}
	return x
}

// shopOf is a panel and the air with a probe each, that is a little off.
func shopOf(we *weather, rng *rand.Rand, seed uint64, from time.Time) *table {
	return &table{from: from, probes: map[string]probe{
		"panel": {we.panel, .2 * rng.NormFloat64(), seed + 1}, "air": {we.air, .2 * rng.NormFloat64(), seed + 2}}}
}

// coatOf is the record of one coat of one cup.
func coatOf(id, resin, kind, lot string, applied time.Time) *coat.Work {
	cup := coat.Batch{ID: "b" + id, Resin: resin, Lot: lot, Mixed: applied}
	return &coat.Work{Panels: []coat.Panel{{ID: "p", Probe: "panel", Air: "air", Core: "foam"}}, Batches: []coat.Batch{cup},
		Coats: []coat.Coat{{ID: id, Panel: "p", Resin: resin, Kind: kind, Applied: applied, Batches: []string{cup.ID}}}}
}

// one lives one coat.
func one(w *world, kind string, seed uint64, t *tally) {
	t.coats++
	x := watch(w, kind, seed, t)
	marked := false
	const limit = 60 * 60
	for i := 5; i < len(x.v.alpha)-1 && i < limit; {
		now := x.applied.Add(time.Duration(i) * time.Minute)
		c := estimate(x.e, now, x.work, x.table, job.Settings{Loc: time.UTC})
		if c == nil {
			return
		}
		if !marked && i >= 30 {
			marked = true
			t.score(c, x.v, i)
		}
		x.look(c, i)
		x.act(c, i)
		win := c.NextWindow
		over := x.v.over(kind, i) && win != nil && win.Status == "closed"
		if !over && !x.acted && win != nil && x.answer(win.FeelFrom, now, i) {
			i++
			continue // asked again at once
		}
		// On until the truth is over and, for hardness, a day longer.
		if over && x.hardSaid >= 0 && float64(i) > x.v.marks["hard"] {
			break
		}
		step := max(5, i/25)
		if over || x.acted {
			step = max(15, i/15)
		}
		if x.answerAt > i {
			step = min(step, x.answerAt-i)
		}
		i += step
	}
	t.tests += x.tests
	t.mostTests = max(t.mostTests, x.tests)
	if h := x.v.marks["hard"]; h < limit-400 {
		t.hards++
		if x.hardSaid < 0 || float64(x.hardSaid) > h+360 {
			t.hardLate++
		}
	}
	if x.unknownH > 12*60 {
		t.coldCoats++
	}
}

// look compares what is said at a minute with the truth.
func (x *watched) look(c *coat.Estimate, i int) {
	v, win := x.v, c.NextWindow
	if truth := v.finds(i, finger{}, x.rng); truth == 2 && c.State != coat.Unknown {
		x.green++
		if n := c.State.Rank(); n != 2 && !(n == 4 && v.now[i] < 20) {
			x.disagree++
		}
	}
	if c.State == coat.Unknown && v.alpha[i] >= .65 {
		x.unknownH += float64(i - x.last)
	}
	if win != nil && c.Facts.WarmToC != nil && *c.Facts.WarmToC > 40 {
		x.tooWarm++
	}
	if c.Facts.SoftenedAt != nil && i > 60 && v.now[i] < v.now[i-30]-.7 {
		x.softenedCooling++
	}
	if x.hardSaid < 0 && c.State == coat.Hard {
		x.hardSaid = i
	}
	x.last = i
}

// act coats over the first time that it is said to be right.
func (x *watched) act(c *coat.Estimate, i int) {
	if win := c.NextWindow; win == nil || !win.Permits || c.AdviceCode != coat.AdviseRecoat && c.AdviceCode != coat.AdviseWashRecoat {
		return
	}
	ok := x.v.inside(x.kind, i)
	x.said++
	if ok {
		x.true_++
	}
	if x.v.over(x.kind, i) {
		x.lateSaid++
	}
	if !x.acted && ok {
		x.right++
	}
	x.acted = true
}

// answer reports whether the person feels the coat now, where that is asked for:
// some time after the prompt, or never.
func (x *watched) answer(prompt *time.Time, now time.Time, i int) bool {
	if prompt == nil || prompt.After(now) || prompt.Equal(x.ignored) {
		return false
	}
	if x.answerAt < 0 {
		x.asked++
		if x.rng.Float64() < x.finger.deaf {
			x.ignored = *prompt
		} else {
			x.answerAt = i + int(x.rng.Float64()*x.finger.late.Minutes())
		}
	}
	if x.answerAt < 0 || i < x.answerAt {
		return false
	}
	x.answerAt = -1
	x.tests++
	x.work.Feels = append(x.work.Feels, coat.Feel{Coat: "c", At: now, State: coat.States[x.v.finds(i, x.finger, x.rng)]})
	return true
}

// score counts the marks that fell into their p10 to p90.
func (t *tally) score(c *coat.Estimate, v *life, i int) {
	ev := map[string]coat.TimeBand{"tacky": c.Events.Tacky, "opens": c.Events.RecoatOpens, "green": c.Events.Green, "firm": c.Events.Firm, "hard": c.Events.Hard}
	for k, b := range ev {
		m := v.marks[k]
		if m > 68*60 {
			continue // beyond the forecast
		}
		t.counted[k]++
		if within(b, c.AppliedAt, m) {
			t.covered[k]++
		}
	}
}

// within reports whether a moment so many minutes after application lies between
// a band's p10 and p90.
func within(b coat.TimeBand, applied time.Time, minutes float64) bool {
	at := applied.Add(time.Duration(minutes * float64(time.Minute)))
	return b.P10 != nil && !at.Before(*b.P10) && (b.P90 == nil || !at.After(*b.P90))
}

// run lives n coats of a world and kind.
func run(w *world, kind string, n int, seed uint64) *tally {
	t := newTally()
	for i := range n {
		one(w, kind, seed+uint64(i), t)
	}
	return t
}

// printRows works out rows, two at a time, and prints them in their order.
func printRows(n int, row func(i int) string) {
	out, slots := make([]chan string, n), make(chan struct{}, 2)
	for i := range n {
		out[i] = make(chan string, 1)
		go func() {
			slots <- struct{}{}
			out[i] <- row(i)
			<-slots
		}()
	}
	for _, c := range out {
		fmt.Print(<-c)
	}
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
	for d := range uint64(n) {
		t := newTally()
		for c := range uint64(coatsADay) {
			kind := "coat"
			if c%3 == 0 {
				kind = "cloth"
			}
			one(w, kind, seed+d*coatsADay+c, t)
		}
		sum += t.asked
		most = max(most, t.asked)
		if t.asked > 12 {
			over12++
		}
	}
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
	var of []*world
	for i := range worlds {
		if w := &worlds[i]; *only == "" || w.name == *only {
			of = append(of, w)
		}
	}
	if *byDay {
		fmt.Println("| world | days of six coats | asked a day, mean | most | days with more than 12 |\n|---|---|---|---|---|")
		printRows(len(of), func(i int) string {
			mean, most, over := days(of[i], *n, *seed)
			return fmt.Sprintf("| %s | %d | %.1f | %d | %d |\n", of[i].name, *n, mean, most, over)
		})
		return
	}
	fmt.Println("| world | window | coats | within p10–p90: tacky | opens | green | firm | hard | \"now\" true, of moments | success | a clock's | \"now\" when closed for good | tests a coat, most | state not the finger's in green | hard over 6 h late | over 12 h not known though α ≥ .65 | \"softened\" while cooling, \"warm\" over 40 °C |")
	fmt.Println("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|")
	kinds := []string{"cloth", "coat"} // a fill coat has the window of coat on coat
	if *onlyKind != "" {
		kinds = []string{*onlyKind}
	}
	printRows(len(of)*len(kinds), func(i int) string {
		w, kind := of[i/len(kinds)], kinds[i%len(kinds)]
		return run(w, kind, *n, *seed).row(w, kind)
	})
}

// row is a tally as a line of the table.
func (t *tally) row(w *world, kind string) string {
	s := fmt.Sprintf("| %s | %s | %d |", w.name, kind, t.coats)
	for _, k := range []string{"tacky", "opens", "green", "firm", "hard"} {
		s += fmt.Sprintf(" %s |", share(t.covered[k], t.counted[k]))
	}
	return s + fmt.Sprintf(" %s of %d | %s | %s | %s | %.1f, %d | %s | %s | %d | %d, %d |\n", share(t.true_, t.said), t.said, share(t.right, t.coats), share(t.clock, t.coats), share(t.lateSaid, t.said),
		float64(t.tests)/float64(t.coats), t.mostTests, share(t.disagree, t.green), share(t.hardLate, t.hards), t.coldCoats, t.softenedCooling, t.tooWarm)
}
