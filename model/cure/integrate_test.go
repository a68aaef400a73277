// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"pgregory.net/rapid"
)

// solverResin is a resin and a rate factor as the reference script wants them.
func solverResin(r Resin, kappa float64) map[string]float64 {
	return map[string]float64{
		"a1": r.A1, "a2": r.A2, "e1": r.E1, "e2": r.E2, "m": r.M, "n": r.N,
		"tg0": r.Tg0, "tginf": r.TgInf, "lam": r.Lambda, "d": r.D, "w": r.W, "kappa": kappa,
	}
}

// synthetic histories, a day by the minute: what a shed does and some of what
// it does not.
func synthetic() map[string]history {
	rnd := rand.New(rand.NewPCG(1, 2))
	out := map[string]history{}
	add := func(name string, f func(i float64) float64) {
		var h history
		for i := range 1441 {
			h.Times = append(h.Times, float64(i)*60)
			h.Temps = append(h.Temps, f(float64(i)))
		}
		out[name] = h
	}
	day := func(i float64) float64 { return 18 + 6*math.Sin(2*math.Pi*i/1440) }
	add("steady", func(i float64) float64 { return 25 })
	add("day", day)
	add("day with a noisy probe", func(i float64) float64 { return day(i) + .1*rnd.NormFloat64() })
	add("doors", func(i float64) float64 {
		if int(i)/97%2 == 0 {
			return 12
		}
		return 27
	})
	add("heater on and off", func(i float64) float64 { return 20 + math.Mod(i, 30)/10 })
	add("ramp", func(i float64) float64 { return 8 + i/48 })
	add("post-cure at 80 °C", func(i float64) float64 { return 25 + min(55, max(0, (i-400)/4)) })
	w := 20.0
	add("wandering", func(i float64) float64 { w += .1 * rnd.NormFloat64(); return w })
	add("frost", func(i float64) float64 { return -5 + 10*math.Sin(2*math.Pi*i/1440) })
	return out
}

// The reference is scipy's LSODA on the equations as they stand, over a real
// room's temperature (Candanedo and Feldheim 2016), as it is and 12 K colder,
// and over synthetic histories; nine resin and rate factor pairs at once, at
// five times. The product's error must be at most 1e-6 in α.
func TestIntegrateScipy(t *testing.T) {
	type job struct {
		history
		At      []float64 `json:"at"`
		MaxStep float64   `json:"max_step"`
	}
	var in struct {
		Resins    []map[string]float64 `json:"resins"`
		Histories []job                `json:"histories"`
		Method    string               `json:"method"`
	}
	in.Method = "LSODA"
	type pair struct {
		r     Resin
		kappa float64
	}
	var pairs []pair
	for _, n := range names {
		for _, k := range []float64{0.5, 1, 2} {
			pairs = append(pairs, pair{generic(t, n), k})
		}
	}
	// A resin whose beginning is slow and one of other orders.
	slowStart := generic(t, Medium)
	slowStart.A1 = slowStart.A2 * .03
	other := generic(t, Medium)
	other.M, other.N = 1.2, 1.7
	low := generic(t, Fast)
	low.M, low.N = 0.8, 2.3
	pairs = append(pairs, pair{slowStart, 1}, pair{other, 1}, pair{low, 1})
	for _, p := range pairs {
		in.Resins = append(in.Resins, solverResin(p.r, p.kappa))
	}
	var labels []string
	add := func(label string, h history) {
		n := len(h.Times)
		labels = append(labels, label)
		in.Histories = append(in.Histories, job{h, []float64{
			h.Times[0], h.Times[n/12], h.Times[n/5], h.Times[n/2], h.Times[n-1],
		}, 60})
	}
	real := office(t).first(1441)
	add("office", real)
	add("office 12 K colder", real.plus(-12))
	for name, h := range synthetic() {
		switch name {
		case "steady", "day", "ramp":
			// Smoother than the others; a quadrature checks the steady one.
		default:
			add(name, h)
		}
	}
	var out [][][]float64
	runPython(t, "solve.py", in, &out)
	worst := 0.0
	for i, j := range in.Histories {
		for k, p := range pairs {
			it := NewIntegrator(p.r)
			path := it.Path(nil, j.Times, j.Temps, p.kappa, 0)
			for a, at := range j.At {
				n := 0
				for j.Times[n] < at {
					n++
				}
				want := out[i][a][k]
				for what, got := range map[string]float64{
					"Integrate": it.Integrate(j.Times[:n+1], j.Temps[:n+1], p.kappa, 0),
					"Path":      path[n],
				} {
					d := math.Abs(got - want)
					worst = max(worst, d)
					if d > 1e-6 {
						t.Errorf("%s, %s, pair %d, at %g min: α %.8f, scipy %.8f, off by %.1e", what, labels[i], k, at/60, got, want, d)
					}
				}
			}
		}
	}
	t.Logf("largest error in α %.1e", worst)
}

// Resins with two activation energies go another way, which has to meet the
// same reference.
func TestIntegrateTwoEnergies(t *testing.T) {
	r := generic(t, Medium)
	r.E1, r.A1 = 65e3, r.A1*math.Exp(8e3/(GasConstant*298.15))
	it := NewIntegrator(r)
	h := synthetic()["day"]
	in := map[string]any{
		"method": "LSODA", "resins": []any{solverResin(r, 1)},
		"histories": []any{map[string]any{"times": h.Times, "temps": h.Temps, "at": []float64{0, 36000, 86400}, "max_step": 60}},
	}
	var out [][][]float64
	runPython(t, "solve.py", in, &out)
	near(t, "α after 10 h", it.Integrate(h.Times[:601], h.Temps[:601], 1, 0), out[0][1][0], 1e-6, "")
	near(t, "α after 24 h", it.Integrate(h.Times, h.Temps, 1, 0), out[0][2][0], 1e-6, "")
	tr := it.NewTrack([]float64{1}, 0)
	tr.AddAll(h.Times, h.Temps)
	near(t, "α by track", tr.Alpha(nil)[0], out[0][2][0], 1e-6, "")
	f := it.NewFront([]float64{1})
	for i := 0; i < 1440; i += 15 {
		f.Step(900, h.Temps[i], h.Temps[i+15])
	}
	near(t, "α by front", r.AlphaAtTg(f.Tg()[0]), out[0][2][0], 1e-4, "")
}

// At a steady temperature time is a quadrature over α, and without
// vitrification it has the closed form: the integrator must meet both.
func TestIntegrateSteady(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, _ := Generic(rapid.SampledFrom(names).Draw(t, "set"))
		c := rapid.Float64Range(-10, 60).Draw(t, "temp")
		k := rapid.Float64Range(0.4, 2.5).Draw(t, "kappa")
		hours := rapid.Float64Range(0.1, 200).Draw(t, "hours")
		if rapid.Bool().Draw(t, "no glass") {
			r.D = 1000
			alpha := r.SteadyAlpha(0, c, k, hours*3600)
			want := k * Arrhenius(r.A2, r.E2, c) * hours * 3600
			if got := ClosedTime(r.A1/r.A2, alpha); math.Abs(got/want-1) > 1e-8 {
				t.Errorf("closed form %.10g at α %g, want %.10g", got, alpha, want)
			}
			return
		}
		it := NewIntegrator(r)
		got := it.Integrate([]float64{0, hours * 3600}, []float64{c, c}, k, 0)
		if want := r.SteadyAlpha(0, c, k, hours*3600); math.Abs(got-want) > 1e-6 {
			t.Errorf("α %.9f, by quadrature %.9f", got, want)
		}
	})
}

func genericOf(name string) Resin { r, _ := Generic(name); return r }

// A glass that sets in sharply takes the plain way, to the same end.
func TestIntegrateSharpGlass(t *testing.T) {
	r := generic(t, Fast)
	r.W = 1.5
	it := NewIntegrator(r)
	for _, h := range []float64{1, 5, 50} {
		got := it.Integrate([]float64{0, h * 3600}, []float64{15, 15}, 1, 0)
		near(t, "α", got, r.SteadyAlpha(0, 15, 1, h*3600), 1e-6, "")
	}
}

// drawHistory is any irregular trace within a shop's range.
func drawHistory(t *rapid.T) history {
	n := rapid.IntRange(2, 60).Draw(t, "readings")
	dt, dT := 3000.0, 4.0
	if rapid.Bool().Draw(t, "by the minute") {
		dt, dT = 90, 0.4
	}
	h := history{Times: []float64{0}, Temps: []float64{rapid.Float64Range(-5, 45).Draw(t, "start")}}
	for i := 1; i < n; i++ {
		h.Times = append(h.Times, h.Times[i-1]+rapid.Float64Range(1, dt).Draw(t, "dt"))
		h.Temps = append(h.Temps, min(max(h.Temps[i-1]+rapid.Float64Range(-dT, dT).Draw(t, "dT"), -10), 60))
	}
	return h
}

func TestIntegrateProperties(t *testing.T) {
	its := map[string]*Integrator{}
	for _, n := range names {
		its[n] = NewIntegrator(generic(t, n))
	}
	rapid.Check(t, func(t *rapid.T) {
		it := its[rapid.SampledFrom(names).Draw(t, "set")]
		h := drawHistory(t)
		k := rapid.Float64Range(0.4, 2.5).Draw(t, "kappa")
		path := it.Path(nil, h.Times, h.Temps, k, 0)
		for i, a := range path {
			if !(a >= 0 && a < 1) {
				t.Fatalf("α %g at reading %d", a, i)
			}
			if i > 0 && !(a > path[i-1]) {
				t.Fatalf("α %g after %g: must grow", a, path[i-1])
			}
		}
		last := path[len(path)-1]
		if whole := it.Integrate(h.Times, h.Temps, k, 0); math.Abs(whole-last) > 2e-6 {
			t.Errorf("in blocks %.9f, by segment %.9f", whole, last)
		}
		if warm := it.Integrate(h.Times, h.plus(1).Temps, k, 0); !(warm > last) {
			t.Errorf("1 K warmer: α %g, not above %g", warm, last)
		}
		if quick := it.Integrate(h.Times, h.Temps, k*1.1, 0); !(quick > last) {
			t.Errorf("faster batch: α %g, not above %g", quick, last)
		}
	})
}

// Without vitrification α depends on κ·time alone at a steady temperature, and
// on κ times the equivalent age otherwise.
func TestIntegrateScaling(t *testing.T) {
	r := generic(t, Slow)
	r.D = 1000
	it := NewIntegrator(r)
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		k := rapid.Float64Range(0.4, 2.5).Draw(t, "kappa")
		got := it.Integrate(h.Times, h.Temps, k, 0)
		age := k * r.EquivalentAge(h.Times, h.Temps, 25)
		if want := r.SteadyAlpha(0, 25, 1, age); math.Abs(got-want) > 1e-6 {
			t.Errorf("α %.9f, by equivalent age %.9f", got, want)
		}
	})
}

// A history fed in parts, and asked in between, gives the same bits; a
// segment at a time, the same to 1e-9.
func TestTrackParts(t *testing.T) {
	kappas := []float64{.4, .7, 1, 1.6, 2.5}
	it := NewIntegrator(generic(t, Fast))
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		whole := it.NewTrack(kappas, 0)
		whole.AddAll(h.Times, h.Temps)
		parts := it.NewTrack(kappas, 0)
		for i := 0; i < len(h.Times); {
			n := min(rapid.IntRange(1, 9).Draw(t, "part"), len(h.Times)-i)
			if n == 1 {
				parts.Add(h.Times[i], h.Temps[i])
			} else {
				parts.AddAll(h.Times[i:i+n], h.Temps[i:i+n])
			}
			i += n
			if rapid.Bool().Draw(t, "ask") {
				parts.Alpha(nil)
			}
		}
		a, b := whole.Alpha(nil), parts.Alpha(nil)
		for i := range a {
			if a[i] != b[i] {
				t.Errorf("κ %g: %v in one go, %v in parts", kappas[i], a[i], b[i])
			}
		}
		cut := rapid.IntRange(0, len(h.Times)-1).Draw(t, "cut")
		half := it.Path(nil, h.Times[:cut+1], h.Temps[:cut+1], 1, 0)
		rest := it.Path(nil, h.Times[cut:], h.Temps[cut:], 1, half[cut])
		all := it.Path(nil, h.Times, h.Temps, 1, 0)
		if d := math.Abs(rest[len(rest)-1] - all[len(all)-1]); d > 1e-9 {
			t.Errorf("cut at %d: off by %g", cut, d)
		}
	})
}

// A single rate factor by track is Integrate to the last bit; several differ
// only in where blocks end.
func TestTrackIsIntegrate(t *testing.T) {
	for name, h := range synthetic() {
		it := NewIntegrator(generic(t, Medium))
		tr := it.NewTrack([]float64{1}, 0)
		tr.AddAll(h.Times, h.Temps)
		if a, b := tr.Alpha(nil)[0], it.Integrate(h.Times, h.Temps, 1, 0); a != b {
			t.Errorf("%s: track %v, integrate %v", name, a, b)
		}
	}
}

// Dividing every segment of a history changes nothing about it, so it must
// change next to nothing about the result.
func TestIntegrateDivided(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		it := NewIntegrator(genericOf(rapid.SampledFrom(names).Draw(t, "set")))
		h := drawHistory(t)
		n := rapid.IntRange(2, 7).Draw(t, "parts")
		fine := history{h.Times[:1:1], h.Temps[:1:1]}
		for i := 1; i < len(h.Times); i++ {
			for j := 1; j <= n; j++ {
				x := float64(j) / float64(n)
				fine.Times = append(fine.Times, h.Times[i-1]+x*(h.Times[i]-h.Times[i-1]))
				fine.Temps = append(fine.Temps, h.Temps[i-1]+x*(h.Temps[i]-h.Temps[i-1]))
			}
		}
		a, b := it.Integrate(h.Times, h.Temps, 1, 0), it.Integrate(fine.Times, fine.Temps, 1, 0)
		if math.Abs(a-b) > 1e-6 {
			t.Errorf("α %.9f, divided by %d %.9f", a, n, b)
		}
	})
}

// The forecast's steps of 15 minutes against the same path by the minute.
func TestFrontError(t *testing.T) {
	paths := map[string]struct {
		f   func(q float64) float64 // °C over quarters of an hour
		tol float64
	}{
		"day":      {func(q float64) float64 { return 18 + 6*math.Sin(2*math.Pi*q/96) }, 2e-5},
		"heating":  {func(q float64) float64 { return 8 + min(18, 1.4*q) }, 1e-4},
		"zigzag":   {func(q float64) float64 { return 20 + 2*math.Abs(math.Mod(q, 2)-1) }, 2e-4},
		"postcure": {func(q float64) float64 { return 20 + min(50, max(0, .5*(q-48))) }, 2e-5},
	}
	kappas := []float64{.4, .6, 1, 1.6, 2.5}
	for name, p := range paths {
		for _, set := range names {
			r := generic(t, set)
			it := NewIntegrator(r)
			front := it.NewFront(kappas)
			step := make([]float64, len(kappas))
			fine := make([]float64, len(kappas))
			for i := range step {
				step[i], fine[i] = r.Tg0, r.Tg0
			}
			for q := range 288 {
				a, b := p.f(float64(q)), p.f(float64(q+1))
				front.Step(900, a, b)
				it.StepTg(step, kappas, 900, a, b)
				for i := range 15 {
					x := float64(i) / 15
					it.AdvanceTg(fine, kappas, 60, a+(b-a)*x, a+(b-a)*(x+1./15))
				}
				for i := range kappas {
					want := r.AlphaAtTg(fine[i])
					for what, u := range map[string]float64{"front": front.Tg()[i], "step": step[i]} {
						if d := math.Abs(r.AlphaAtTg(u) - want); d > p.tol {
							t.Fatalf("%s, %s, %s, κ %g, quarter %d: off by %.1e in α", what, name, set, kappas[i], q, d)
						}
					}
				}
			}
		}
	}
}

// Times that repeat or fall are not time; a gap of days is.
func TestTrackOddTimes(t *testing.T) {
	it := NewIntegrator(generic(t, Slow))
	tr := it.NewTrack([]float64{1}, 0)
	for _, x := range [][2]float64{
		{-60, math.NaN()}, {0, 20}, {60, 21}, {60, 50}, {30, 50}, {90, math.NaN()}, {90, math.Inf(1)},
		{90, -300}, {math.NaN(), 20}, {120, 20}, {120 + 3*86400, 20},
	} {
		tr.Add(x[0], x[1])
	}
	want := it.Integrate([]float64{0, 60, 120, 120 + 3*86400}, []float64{20, 21, 20, 20}, 1, 0)
	near(t, "α", tr.Alpha(nil)[0], want, 0, "")
	near(t, "α of nothing", it.Integrate(nil, nil, 1, .25), .25, 0, "")
	near(t, "α of one reading", it.Integrate([]float64{0}, []float64{20}, 1, .25), .25, 1e-15, "")
	near(t, "α of a track not begun", it.NewTrack([]float64{1}, .25).Alpha(nil)[0], .25, 1e-15, "")
}

// One integrator serves many at once: meant for the race detector.
func TestIntegratorShared(t *testing.T) {
	it := NewIntegrator(generic(t, Fast))
	h := synthetic()["day"]
	want := it.Integrate(h.Times, h.Temps, 1, 0)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if got := it.Integrate(h.Times, h.Temps, 1, 0); got != want {
				t.Errorf("α %v beside others, %v alone", got, want)
			}
			f := it.NewFront([]float64{1})
			f.Step(900, 20, 21)
			if f.Tg()[0] <= it.Resin().Tg0 {
				t.Error("a front did not move")
			}
		})
	}
	wg.Wait()
}

func BenchmarkIntegrate24h(b *testing.B) {
	r, _ := Generic(Medium)
	it := NewIntegrator(r)
	h := synthetic()["day with a noisy probe"]
	b.ReportAllocs()
	for b.Loop() {
		it.Integrate(h.Times, h.Temps, 1, 0)
	}
}

func BenchmarkTrack24h(b *testing.B) {
	for _, n := range []int{1, 11, 21, 41} {
		b.Run(fmt.Sprintf("nodes=%d", n), func(b *testing.B) {
			r, _ := Generic(Medium)
			it := NewIntegrator(r)
			h := synthetic()["day with a noisy probe"]
			k := make([]float64, n)
			for i := range k {
				k[i] = math.Exp(float64(i-n/2) / float64(n))
			}
			for b.Loop() {
				tr := it.NewTrack(k, 0)
				tr.AddAll(h.Times, h.Temps)
			}
		})
	}
}

func BenchmarkFront(b *testing.B) {
	r, _ := Generic(Medium)
	it := NewIntegrator(r)
	k := make([]float64, 21)
	for i := range k {
		k[i] = math.Exp(float64(i-10) / 15)
	}
	f := it.NewFront(k)
	start := append([]float64(nil), f.Tg()...)
	var c [289]float64
	for i := range c {
		c[i] = 18 + 6*math.Sin(2*math.Pi*float64(i)/96)
	}
	for b.Loop() {
		f.Set(start)
		for j := range 288 {
			f.Step(900, c[j], c[j+1])
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/288/21, "ns/step")
}

func BenchmarkNewIntegrator(b *testing.B) {
	r, _ := Generic(Medium)
	for b.Loop() {
		NewIntegrator(r)
	}
}
