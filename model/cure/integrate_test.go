// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

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

// pathOf is the degree of cure at every time (s), from alpha0 at the first, with
// temps in °C linear between them, a reading at a time as the daemon goes.
func pathOf(it *Integrator, times, temps []float64, kappa, alpha0 float64) []float64 {
	a, k := []float64{alpha0}, []float64{kappa}
	var path []float64
	for i := range times {
		if i > 0 {
			it.Advance(a, k, times[i]-times[i-1], temps[i-1], temps[i])
		}
		path = append(path, a[0])
	}
	return path
}

// ageOf is the age in seconds at refC (°C) that a history is worth, each segment
// by Simpson's rule in pieces of at most 1 K.
func ageOf(r Resin, times, temps []float64, refC float64) float64 {
	age := 0.0
	for i := 1; i < len(times); i++ {
		dt, t0, t1 := times[i]-times[i-1], temps[i-1], temps[i]
		n := min(max(math.Ceil(math.Abs(t1-t0)), 1), 1000)
		h, sum := (t1-t0)/n, 0.0
		for j := range int(n) {
			a := t0 + float64(j)*h
			sum += r.AgeFactor(a, refC) + 4*r.AgeFactor(a+h/2, refC) + r.AgeFactor(a+h, refC)
		}
		age += dt * sum / (6 * n)
	}
	return age
}

// alphaOf is the last of [pathOf].
func alphaOf(it *Integrator, times, temps []float64, kappa, alpha0 float64) float64 {
	path := pathOf(it, times, temps, kappa, alpha0)
	return path[len(path)-1]
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
			path := pathOf(it, j.Times, j.Temps, p.kappa, 0)
			for a, at := range j.At {
				n := 0
				for j.Times[n] < at {
					n++
				}
				want := out[i][a][k]
				d := math.Abs(path[n] - want)
				worst = max(worst, d)
				if d > 1e-6 {
					t.Errorf("%s, pair %d, at %g min: α %.8f, scipy %.8f, off by %.1e", labels[i], k, at/60, path[n], want, d)
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
	near(t, "α after 10 h", alphaOf(it, h.Times[:601], h.Temps[:601], 1, 0), out[0][1][0], 1e-6, "")
	near(t, "α after 24 h", alphaOf(it, h.Times, h.Temps, 1, 0), out[0][2][0], 1e-6, "")
	a := []float64{0}
	for i := 0; i < 1440; i += 15 {
		it.Stride(a, []float64{1}, 900, h.Temps[i], h.Temps[i+15])
	}
	near(t, "α in steps of a forecast", a[0], out[0][2][0], 1e-4, "")
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
		got := alphaOf(it, []float64{0, hours * 3600}, []float64{c, c}, k, 0)
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
		got := alphaOf(it, []float64{0, h * 3600}, []float64{15, 15}, 1, 0)
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
		path := pathOf(it, h.Times, h.Temps, k, 0)
		for i, a := range path {
			if !(a >= 0 && a < 1) {
				t.Fatalf("α %g at reading %d", a, i)
			}
			if i > 0 && !(a > path[i-1]) {
				t.Fatalf("α %g after %g: must grow", a, path[i-1])
			}
		}
		last := path[len(path)-1]
		// Cut anywhere, it is the same.
		cut := rapid.IntRange(0, len(h.Times)-1).Draw(t, "cut")
		rest := pathOf(it, h.Times[cut:], h.Temps[cut:], k, path[cut])
		if d := math.Abs(rest[len(rest)-1] - last); d > 1e-9 {
			t.Errorf("cut at %d: off by %g", cut, d)
		}
		if warm := alphaOf(it, h.Times, h.plus(1).Temps, k, 0); !(warm > last) {
			t.Errorf("1 K warmer: α %g, not above %g", warm, last)
		}
		if quick := alphaOf(it, h.Times, h.Temps, k*1.1, 0); !(quick > last) {
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
		got := alphaOf(it, h.Times, h.Temps, k, 0)
		age := k * ageOf(r, h.Times, h.Temps, 25)
		if want := r.SteadyAlpha(0, 25, 1, age); math.Abs(got-want) > 1e-6 {
			t.Errorf("α %.9f, by equivalent age %.9f", got, want)
		}
	})
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
		a, b := alphaOf(it, h.Times, h.Temps, 1, 0), alphaOf(it, fine.Times, fine.Temps, 1, 0)
		if math.Abs(a-b) > 1e-6 {
			t.Errorf("α %.9f, divided by %d %.9f", a, n, b)
		}
	})
}

// The forecast's steps of 15 minutes against the same path by the minute.
func TestForecastStep(t *testing.T) {
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
			step := make([]float64, len(kappas))
			fine := make([]float64, len(kappas))
			for q := range 288 {
				a, b := p.f(float64(q)), p.f(float64(q+1))
				it.Stride(step, kappas, 900, a, b)
				for i := range 15 {
					x := float64(i) / 15
					it.advance(fine, kappas, 60, a+(b-a)*x, a+(b-a)*(x+1./15), 1)
				}
				for i := range kappas {
					if d := math.Abs(step[i] - fine[i]); d > p.tol {
						t.Fatalf("%s, %s, κ %g, quarter %d: off by %.1e in α", name, set, kappas[i], q, d)
					}
				}
			}
		}
	}
}

// One integrator serves many at once: meant for the race detector.
func TestIntegratorShared(t *testing.T) {
	it := NewIntegrator(generic(t, Fast))
	h := synthetic()["day"]
	want := alphaOf(it, h.Times, h.Temps, 1, 0)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if got := alphaOf(it, h.Times, h.Temps, 1, 0); got != want {
				t.Errorf("α %v beside others, %v alone", got, want)
			}
		})
	}
	wg.Wait()
}

// A day by the minute, as a coat's rate factors go through it.
func BenchmarkAdvance24h(b *testing.B) {
	for _, n := range []int{1, 21} {
		b.Run(fmt.Sprintf("nodes=%d", n), func(b *testing.B) {
			it := NewIntegrator(genericOf(Medium))
			h := synthetic()["day with a noisy probe"]
			k := make([]float64, n)
			for i := range k {
				k[i] = math.Exp(float64(i-n/2) / float64(n))
			}
			a := make([]float64, n)
			best := math.Inf(1) // of a day: others use this machine too
			for b.Loop() {
				clear(a)
				t0 := time.Now()
				for i := 1; i < len(h.Times); i++ {
					it.Advance(a, k, h.Times[i]-h.Times[i-1], h.Temps[i-1], h.Temps[i])
				}
				best = min(best, float64(time.Since(t0).Nanoseconds()))
			}
			b.ReportMetric(best/float64(n)/1e3, "µs/factor")
		})
	}
}

func BenchmarkNewIntegrator(b *testing.B) {
	r, _ := Generic(Medium)
	for b.Loop() {
		NewIntegrator(r)
	}
}
