// SPDX-License-Identifier: Apache-2.0

package tent

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"curewright/model/cure"
	"curewright/model/words"
	"curewright/sensors/shopsim"
)

// made simulates a first-order tent with its closed form, bin by bin.
func made(n int, tau, gain, noise float64, share func(k int) float64) []Sample {
	rng := rand.New(rand.NewPCG(1, 2))
	p, out := 8.0, make([]Sample, n)
	k := math.Exp(-BinS / tau)
	for i := range out {
		shed := 8 + 3*math.Sin(float64(i)/40)
		u := share(i)
		end := shed + gain*u
		p = end + (p-end)*k
		out[i] = Sample{p + noise*rng.NormFloat64(), shed, u}
	}
	return out
}

func squares(k int) float64 { return float64(k / 6 % 2) }

// TestIdentify: the parameters of a made first-order tent come back within
// three standard deviations, and these shrink with the noise.
func TestIdentify(t *testing.T) {
	last := math.Inf(1)
	for _, noise := range []float64{.1, .03, .005} {
		m := identified(t, made(96, 5400, 24, noise, squares))
		if math.Abs(m.TauS-5400) > 3*m.TauSD+30 || math.Abs(m.GainK-24) > 3*m.GainSD+.1 {
			t.Errorf("noise %g K: %s, made with 1h30m and 24 K", noise, m.Say(words.View{}))
		}
		if m.GainSD >= last {
			t.Errorf("noise %g K: doubt %g K is no less than with more noise", noise, m.GainSD)
		}
		last = m.GainSD
	}
}

// TestIdentifyRefuses: a heater that cools, does nothing or was never used is
// said plainly.
func TestIdentifyRefuses(t *testing.T) {
	for name, tt := range map[string]struct {
		gain  float64
		n     int
		share func(int) float64
		want  error
	}{
		"wrong sign":    {-15, 96, squares, ErrWrongSign},
		"dead":          {0, 96, squares, ErrDead},
		"never on":      {24, 96, func(int) float64 { return 0 }, ErrFew},
		"always on":     {24, 96, func(int) float64 { return 1 }, ErrFew},
		"an hour of it": {24, 4, squares, ErrFew},
	} {
		if _, err := Identify(made(tt.n, 5400, tt.gain, .03, tt.share)); !errors.Is(err, tt.want) {
			t.Errorf("%s: err = %v, want %v", name, err, tt.want)
		}
	}
	s := made(96, 5400, 24, .03, squares)
	for i := range s {
		if i%2 == 0 {
			s[i].PanelC = math.NaN()
		}
	}
	if _, err := Identify(s); !errors.Is(err, ErrFew) {
		t.Errorf("every other reading missing: err = %v, want %v", err, ErrFew)
	}
}

// TestOpenDoor: a tent that suddenly loses much more is told from one that is
// as it was.
func TestOpenDoor(t *testing.T) {
	s := made(96, 5400, 24, .03, func(k int) float64 { return .5 + .3*math.Sin(float64(k)) })
	m := identified(t, s)
	for k := 20; k < 96; k++ {
		if lack, open := m.Open(s[:k]); open {
			t.Fatalf("bin %d: open by %.2f K, and it is shut", k, lack)
		}
	}
	p := s[95].PanelC
	for range 3 { // the time constant is a third
		p = 8 + 12 + (p-20)*math.Exp(-BinS/1800) - 1
		s = append(s, Sample{p, 8, .5})
	}
	if lack, open := m.Open(s); !open || lack < .4 {
		t.Errorf("an open door is not noticed: %.2f K, %v", lack, open)
	}
}

// TestIdentifyShop learns the simulated shop's tent, which has other equations
// (two air nodes, two panels with heat of their own, an element and probes
// that lag), from a night under a two-point law, and then foretells the next
// hours from it.
func TestIdentifyShop(t *testing.T) {
	start := time.Date(2026, 10, 9, 18, 0, 0, 0, time.UTC)
	sim := shopsim.New(shopsim.Config{Start: start, Seed: 3, Tent: true, HeaterW: 500})
	var s []Sample
	on := false
	ons, n, shed := 0, 0, 0.0
	var panel float64
	for m := 1; m <= 30*60; m++ {
		at := start.Add(time.Duration(m) * time.Minute)
		for _, r := range sim.At(at) {
			c := r.Temp.OrNaN()
			switch r.Probe {
			case shopsim.Panel1:
				panel = c
			case shopsim.ShedAir:
				shed += c
			}
		}
		// Held at 16, then 20, then 16 °C, so that there is something to learn.
		set := 16.0
		if h := m / 60; h >= 6 && h < 12 || h >= 18 && h < 24 {
			set = 20
		}
		if panel > set+.3 {
			on = false
		} else if panel < set-.3 {
			on = true
		}
		sim.SetHeater(on)
		if on {
			ons++
		}
		if n++; n == 15 {
			s = append(s, Sample{panel, shed / 15, float64(ons) / 15})
			n, ons, shed = 0, 0, 0
		}
	}
	learn := s[:24*4]
	m := identified(t, learn)
	t.Logf("learned: %s", m.Say(words.View{}))
	// 500 W against the film's 22 W/K and 1.5 air changes an hour of 4.8 kg of
	// air: 20.8 K; the panels' own losses take a little.
	if m.GainK < 14 || m.GainK > 25 {
		t.Errorf("gain = %.1f ± %.1f K, the equations say 20.8 K or a little less", m.GainK, m.GainSD)
	}
	// Foretold from what the heater and the shed did, six hours ahead.
	p := learn[len(learn)-1].PanelC
	worst := 0.0
	for k := len(learn); k < len(s); k++ {
		p = m.Next(p, s[k].ShedC, m.Late*s[k-1].Share+(1-m.Late)*s[k].Share, BinS)
		worst = math.Max(worst, math.Abs(p-s[k].PanelC))
	}
	t.Logf("six hours foretold within %.2f K", worst)
	if worst > 2 {
		t.Errorf("six hours ahead it is off by %.2f K", worst)
	}
}

// steady is a problem with one path at one temperature and one node.
func steady(resin string, c float64) Problem {
	r, _ := cure.Generic(resin)
	now := time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC)
	p := Problem{
		Now: now, Resin: r, Nodes: []Node{{Weight: 1, Kappa: 1}}, PanelC: c, Paths: 1, Len: 24*4 + 1, StepS: 900,
		Tent: Model{TauS: 3600, GainK: 20}, MinC: 5, MaxC: 30, RampKH: 6, HeaterW: 1000,
		Wish: Wish{Kind: Hard, By: now.Add(20 * time.Hour), Probability: .8},
	}
	for range p.Len {
		p.Shed = append(p.Shed, float32(c))
	}
	return p
}

// TestOutsideTheRange: hard is promised by what a coat gained inside the resin's
// range alone. At 20 °C the medium set takes 10.9 h; what came before at 9.9 °C
// counts for nothing, and so does what the estimate says was gained outside.
func TestOutsideTheRange(t *testing.T) {
	hard := func(cold int, law, less float64) float64 {
		p := steady(cure.Medium, 20)
		p.Nodes[0].Alpha, p.Nodes[0].Less = law, less
		s := newSolver(t.Context(), &p)
		s.steps = 80
		for i := range s.temps {
			s.temps[i] = 20
			if i <= cold && cold > 0 {
				s.temps[i] = 9.9
			}
		}
		var at float64
		s.cure(0, []int{0}, p.Len-1, func(_ int, m moments) { at = m.hard / 3600 })
		return at
	}
	if at := hard(0, 0, 0); math.Abs(at-10.9) > .12 {
		t.Errorf("hard after %.2f h at 20 °C, want 10.9", at)
	}
	if at := hard(0, .6, 0); math.Abs(at-10.9) > .12 {
		t.Errorf("hard after %.2f h with all so far gained outside the range, want 10.9", at)
	}
	if at := hard(16, 0, 0); math.Abs(at-(4+10.9)) > .3 {
		t.Errorf("hard after %.2f h with 4 h at 9.9 °C first, want 14.9", at)
	}
}

// TestTooSoonIsNotTooLate: a window that has closed before it is wished is not
// answered with an earliest time.
func TestTooSoonIsNotTooLate(t *testing.T) {
	p := night(Window, .8)
	p.Nodes = Spread([3]float64{.9, 1, 1.1}, [3]float64{.74, .75, .76}, 5)
	p.Resin.RecoatUntil = &cure.TimeAt{Hours: 4, TempC: 25}
	p.AgeS = 4 * 3600
	got := solved(t, p)
	if got.Feasible || !got.Early || !got.Nearest.IsZero() || !got.Closes[1].Before(p.Wish.From) {
		t.Errorf("a closed window: feasible %v, early %v, nearest %v, closes %v", got.Feasible, got.Early, got.Nearest, got.Closes)
	}
	w := Wish{Kind: Window, To: p.Now.Add(-time.Hour), Probability: 2}
	if err := w.Check(p.Now); err == nil || strings.Count(err.Error(), "; ") != 2 || !strings.Contains(err.Error(), "from: missing") {
		t.Errorf("three faults of a wish: %v", err)
	}
}

// TestWalk holds the panel under a plan against the closed form of a
// first-order tent: warming at full heat, holding, cooling without.
func TestWalk(t *testing.T) {
	p := steady(cure.Medium, 10)
	p.RampKH = 60
	s := newSolver(t.Context(), &p)
	s.steps = p.Len - 1
	// A path's own tent: the spread is off when nothing is in doubt.
	share := s.walk(candidate{25, offC, 24}, 0, p.Len-1)
	for i := 1; i <= 24; i++ {
		want := math.Min(25, 30-20*math.Exp(-float64(i)*900/3600))
		if got := s.temps[i]; math.Abs(got-want) > .15 {
			t.Errorf("after %d quarter hours: %.2f °C, closed form %.2f °C", i, got, want)
		}
	}
	for i := 25; i < 60; i++ {
		want := 10 + (s.temps[24]-10)*math.Exp(-float64(i-24)*900/3600)
		if got := s.temps[i]; math.Abs(got-want) > 1e-9 {
			t.Fatalf("cooling, %d: %.3f °C, closed form %.3f °C", i, got, want)
		}
	}
	// Holding 15 K over the shed wants 15/20 of the heat; that and warming for
	// a quarter of the time.
	if share < .17 || share > .21 {
		t.Errorf("mean share = %.3f, want a little under .2", share)
	}
}

// night is a small problem with doubt in it.
func night(kind string, prob float64) Problem {
	r, _ := cure.Generic(cure.Medium)
	now := time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC)
	p := Problem{
		Now: now, Resin: r, PanelC: 15, Paths: 6, Len: 20*2 + 1, StepS: 1800,
		Nodes: Spread([3]float64{.85, 1, 1.2}, [3]float64{.17, .2, .24}, 5),
		Tent:  Model{TauS: 5400, GainK: 22, TauSD: 600, GainSD: 2}, MinC: 8, MaxC: 26, RampKH: 6, HeaterW: 1200,
		Coarse: 3, Finest: 1.5,
		Wish: Wish{Kind: kind, From: now.Add(13 * time.Hour), To: now.Add(15 * time.Hour), By: now.Add(16 * time.Hour), Probability: prob},
	}
	for path := range p.Paths {
		for i := range p.Len {
			h := float64(i) / 2
			p.Shed = append(p.Shed, float32(8.5+2.5*math.Cos(math.Pi*(h-2)/11)+(float64(path)-2.5)*.5*math.Min(h/6, 1)))
		}
	}
	return p
}

// TestBruteForce: on cases small enough to try every pair of set points and
// every moment of turning, the search finds a plan that meets the wish exactly
// when there is one, with at most 3 % more heat than the least.
func TestBruteForce(t *testing.T) {
	for _, tt := range []struct {
		kind string
		prob float64
		tent float64 // gain, K
	}{
		{Window, .6, 22}, {Window, .8, 22}, {Hard, .8, 22}, {Hard, .5, 30}, {NoStall, .8, 22}, {Window, .8, 6}, {Hard, .9, 5},
	} {
		p := night(tt.kind, tt.prob)
		p.Tent.GainK = tt.tent
		got := solved(t, p)
		s := newSolver(t.Context(), &p)
		s.steps = int(p.Wish.End().Sub(p.Now).Seconds() / p.StepS)
		s.fromS, s.toS = p.Wish.From.Sub(p.Now).Seconds(), p.Wish.End().Sub(p.Now).Seconds()
		full := s.pick(p.Paths, 5)
		least, likeliest := math.Inf(1), 0.0
		n := 0
		for _, a := range s.levels(p.Finest) {
			for _, b := range s.levels(p.Finest) {
				for k := 0; k <= s.steps; k++ {
					if k > 0 && a == b {
						break
					}
					n++
					o := s.run(candidate{a, b, k}, full)
					likeliest = math.Max(likeliest, o.p)
					if o.p >= tt.prob {
						least = math.Min(least, o.share)
					}
				}
			}
		}
		can := !math.IsInf(least, 1)
		t.Logf("%s at %g, gain %g K: feasible %v, share %.4f (least %.4f), p %.2f (most %.2f), %d tried of %d", tt.kind, tt.prob, tt.tent, can, got.Share, least, got.Probability, likeliest, got.Tried, n)
		if got.Feasible != can {
			t.Errorf("%s at %g: feasible = %v, brute force says %v", tt.kind, tt.prob, got.Feasible, can)
			continue
		}
		if can && got.Share > 1.03*least+1e-4 {
			t.Errorf("%s at %g: share %.4f, the least is %.4f", tt.kind, tt.prob, got.Share, least)
		}
		if !can && got.Probability < likeliest-.05 {
			t.Errorf("%s at %g: probability %.2f, the most is %.2f", tt.kind, tt.prob, got.Probability, likeliest)
		}
	}
}

// TestPlain: where nothing reaches the wish it says so and what is nearest;
// where no heat is needed none is given; more certainty costs more.
func TestPlain(t *testing.T) {
	p := night(Hard, .9)
	p.Wish.By = p.Now.Add(3 * time.Hour)
	got := solved(t, p)
	if got.Feasible || got.Nearest.Before(p.Wish.By) || got.Nearest.IsZero() {
		t.Errorf("hard in 3 h: feasible %v, nearest %v", got.Feasible, got.Nearest)
	}
	p = night(Hard, .9)
	for i := range p.Shed {
		p.Shed[i] = 29
	}
	p.PanelC = 29
	if got = solved(t, p); !got.Feasible || got.Share != 0 || got.Unheated < .9 {
		t.Errorf("in a hot shed: %+v; want no heat", got)
	}
	was := 0.0
	for _, prob := range []float64{.3, .6, .9} {
		q := night(NoStall, prob)
		got := solved(t, q)
		if got.Feasible && got.Share < was-1e-9 {
			t.Errorf("probability %g costs less (%.3f) than the one before (%.3f)", prob, got.Share, was)
		}
		was = got.Share
	}
	bad := Problem{Wish: Wish{Kind: "soon"}}
	if _, err := Solve(t.Context(), bad); err == nil {
		t.Error("a problem with nothing in it is solved")
	}
}

// TestSpread: the nodes have the spread they were made from.
func TestSpread(t *testing.T) {
	ns := Spread([3]float64{.8, 1, 1.3}, [3]float64{.3, .4, .5}, 1000)
	w, below := 0.0, 0.0
	for i, n := range ns {
		w += n.Weight
		if n.Kappa < .8 {
			below += n.Weight
		}
		if i > 0 && (n.Kappa < ns[i-1].Kappa || n.Alpha < ns[i-1].Alpha) {
			t.Fatal("nodes out of order")
		}
	}
	if math.Abs(w-1) > 1e-9 || math.Abs(below-.1) > .01 {
		t.Errorf("weights sum to %g, %.3f of them below p10", w, below)
	}
}

func ExampleSolve() {
	p := night(Hard, .8)
	plan, err := Solve(context.Background(), p)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("reached:", plan.Feasible, "- unheated it would be:", plan.Unheated > .8)
	// Output: reached: true - unheated it would be: false
}

// BenchmarkSolve is a night at the daemon's size: 64 paths, 21 nodes.
func BenchmarkSolve(b *testing.B) {
	p := night(Window, .8)
	p.Coarse, p.Finest = 0, 0
	p.Nodes = Spread([3]float64{.85, 1, 1.2}, [3]float64{.17, .2, .24}, 21)
	small := p.Shed
	p.StepS, p.Len = 900, 20*4+1
	p.Shed, p.Paths = nil, 64
	for path := range 64 {
		row := small[path%6*41 : (path%6+1)*41]
		for i := range p.Len {
			p.Shed = append(p.Shed, (row[i/2]+row[(i+1)/2])/2)
		}
	}
	for b.Loop() {
		if _, err := Solve(b.Context(), p); err != nil {
			b.Fatal(err)
		}
	}
}

func solved(t testing.TB, p Problem) Plan {
	t.Helper()
	plan, err := Solve(t.Context(), p)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func identified(t testing.TB, s []Sample) Model {
	t.Helper()
	m, err := Identify(s)
	if err != nil {
		t.Fatal(err)
	}
	return m
}
