// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"curewright/model/cure"
)

// shed is an ensemble of a cooling night: paths that wander about a daily
// swing. The randomness of a path does not depend on the step.
func shedPaths(paths int, stepS, hours float64, seed uint64) *Outlook {
	o := &Outlook{Start: zero.Add(90 * time.Minute), StepS: stepS, Paths: paths, Len: int(hours*3600/stepS) + 1, VapourPa: math.NaN()}
	for p := range paths {
		rng := rand.New(rand.NewPCG(seed, uint64(p)))
		level := 3 * math.Sqrt2 * math.Erfinv(2*(float64(p)+0.5)/float64(paths)-1)
		a, b := rng.NormFloat64(), rng.NormFloat64()
		for k := range o.Len {
			h := float64(k) * stepS / 3600
			grow := 1 - math.Exp(-h/6)
			c := 20 + 3*(math.Cos(2*math.Pi*(h+2)/24)-math.Cos(2*math.Pi*2/24)) + grow*(level+a*math.Sin(h/3)+b*(1-math.Cos(h/5)))
			o.TempC = append(o.TempC, float32(c))
		}
	}
	return o
}

// bruteForce reads events off rate factors × paths × minutes with the
// integrator itself, each with a film of its own drawn at random: no tables, no
// nodes, no rails.
func bruteForce(r *cure.Resin, tr *Track, sd float64, kappas int, o *Outlook) [cure.NumMarks][3]float64 {
	it := cure.NewIntegrator(*r)
	var all [cure.NumMarks][]float64
	kappa := make([]float64, kappas)
	start := make([]float64, kappas)
	for i := range kappa {
		ln := sd * math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/float64(kappas)-1)
		kappa[i] = math.Exp(ln)
		one := []float64{0}
		it.Advance(one, kappa[i:i+1], tr.t, 20, 20)
		start[i] = one[0]
	}
	rng := rand.New(rand.NewPCG(3, 4))
	for p := range o.Paths {
		path := o.path(p)
		alpha := slices.Clone(start)
		when := make([][5]float64, kappas)
		film := make([][5]float64, kappas)
		for i := range when {
			for m := range when[i] {
				when[i][m] = math.Inf(1)
				film[i][m] = rng.NormFloat64()
			}
		}
		left := kappas
		for k := 1; k < len(path) && left > 0; k++ {
			c0, c := float64(path[k-1]), float64(path[k])
			it.Advance(alpha, kappa, o.StepS, c0, c)
			t := tr.t + float64(k)*o.StepS
			left = 0
			for i, a := range alpha {
				z, gel := &film[i], r.AlphaGel+.04*film[i][2]
				thr := [5]float64{.30 + .048*z[0], max(.40+.04*z[1], .30+.048*z[0]), gel,
					max(gel, r.AlphaAtTg(c+4+4*z[3])), max(gel, r.AlphaAtTg(min(max(c, 20), 30)+10+4.8*z[4]))}
				for m := range thr {
					if math.IsInf(when[i][m], 1) && a >= thr[m] {
						when[i][m] = t - o.StepS/2
					}
				}
				if math.IsInf(when[i][4], 1) {
					left++
				}
			}
		}
		for m, k := range rising {
			for i := range when {
				all[k] = append(all[k], when[i][m])
			}
		}
	}
	var out [cure.NumMarks][3]float64
	for _, m := range rising {
		slices.Sort(all[m])
		for i, q := range bandQ {
			out[m][i] = all[m][int(q*float64(len(all[m])))]
		}
	}
	return out
}

var rising = [...]cure.Mark{cure.Tacky, cure.Opens, cure.Green, cure.Firm, cure.Hard}

// forecastError compares the product's choice (21 nodes, 64 paths, quarter
// hours) with brute force; the result is the largest error of a quantile, as
// share of the time since mixing.
func forecastError(t testing.TB, name string, kappas, paths int, stepS float64) float64 {
	r := generic(t, name)
	tr := steadyTrack(r, 20, 1.5)
	var w Weights
	w.normal(0.25)
	ws := new(Workspace)
	f := ws.spreadOut(tr, &Belief{W: w}, shedPaths(64, 900, 24, 1))
	f.accumulate()
	want := bruteForce(r, tr, 0.25, kappas, shedPaths(paths, stepS, 24, 2))
	worst := 0.0
	for _, m := range rising {
		for i := range bandQ {
			a, b := f.times[m][i], want[m][i]
			if math.IsInf(a, 1) && math.IsInf(b, 1) || b < tr.t+stepS || b > tr.t+23*3600 {
				continue
			}
			e := math.Abs(a-b) / b
			t.Logf("%s mark %d p%.0f: %.0f s, brute force %.0f s (%.2f %%)", name, m, 100*bandQ[i], a, b, 100*e)
			worst = max(worst, e)
		}
	}
	return worst
}

// TestForecastError holds the error of the forecast's size against a finer
// one; BenchmarkForecastError does so against 201 × 500 × 1 min.
func TestForecastError(t *testing.T) {
	for _, name := range []string{"fast", "medium"} {
		if e := forecastError(t, name, 51, 100, 300); e > 0.08 {
			t.Errorf("%s: a quantile of an event is %.1f %% off", name, 100*e)
		}
	}
}

func BenchmarkForecastError(b *testing.B) {
	for _, name := range []string{"fast", "medium", "slow"} {
		b.Run(name, func(b *testing.B) {
			worst := 0.0
			for b.Loop() {
				worst = max(worst, forecastError(b, name, 201, 500, 60))
			}
			b.ReportMetric(100*worst, "%error")
		})
	}
}

// BenchmarkSpread is the forecast alone: 21 nodes at most, 64 paths, 72 h.
func BenchmarkSpread(b *testing.B) {
	r := generic(b, "medium")
	tr := steadyTrack(r, 20, 1.5)
	var w Weights
	w.normal(0.25)
	ws := new(Workspace)
	o := shedPaths(64, 900, 72, 1)
	b.ReportAllocs()
	for b.Loop() {
		ws.spreadOut(tr, &Belief{W: w}, o).accumulate()
	}
}
