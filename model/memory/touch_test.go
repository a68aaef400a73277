// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"math/rand/v2"
	"testing"

	"curewright/model/coat"
	"curewright/model/cure"
)

// somewhere is a belief with everything going along with everything.
func somewhere(rng *rand.Rand) (b belief) {
	var a [dim][dim]float64
	scale := [dim]float64{0.2, 0.9, 0.9, 0.9, 0.9, 0.9}
	for i := range dim {
		b.m[i] = 0.4 * scale[i] * rng.NormFloat64()
		for j := range dim {
			a[i][j] = 0.35 * rng.NormFloat64()
		}
		a[i][i]++
	}
	for i := range dim {
		for j := range dim {
			for k := range dim {
				b.c[i][j] += scale[i] * scale[j] * a[i][k] * a[j][k]
			}
		}
	}
	return b
}

func steadyTouch(t *testing.T, r cure.Resin, hours, c float64, s coat.State) coat.Touch {
	t.Helper()
	x := coat.Touch{State: s, NowC: c}
	it := cure.NewIntegrator(r)
	for i := range x.Alpha {
		a, k := []float64{0}, []float64{math.Exp(coat.TouchFirst + coat.TouchStep*float64(i))}
		for range int(hours * 60) {
			it.Advance(a, k, 60, c, c)
		}
		x.Alpha[i] = a[0]
	}
	return x
}

// The weighing of a belief by one finger test against plain sums over draws of
// it: the definition of the marks (D7), by brute force.
func TestAbsorbAgainstDraws(t *testing.T) {
	r, _ := cure.Generic(cure.Medium)
	rng := rand.New(rand.NewPCG(5, 6))
	for _, x := range []struct {
		hours, c float64
		s        coat.State
		late     int
	}{{2, 22, coat.Tacky, 0}, {2.2, 22, coat.Wet, 0}, {4.5, 22, coat.Green, 0}, {8, 20, coat.Firm, 0}, {20, 20, coat.Hard, 0}, {4, 22, coat.Tacky, 1}, {4, 22, coat.Green, -1}, {3, 22, coat.Wet, 1}} {
		before := somewhere(rng)
		touch := steadyTouch(t, r, x.hours, x.c, x.s)
		got := before
		z := got.absorb(&r, &touch, x.late)
		var l [dim][dim]float64
		for i := range dim {
			for j := 0; j <= i; j++ {
				s := before.c[i][j]
				for k := range j {
					s -= l[i][k] * l[j][k]
				}
				if i == j {
					l[i][i] = math.Sqrt(s)
				} else {
					l[i][j] = s / l[j][j]
				}
			}
		}
		const n = 100000
		var sum float64
		var mean [dim]float64
		var second [dim][dim]float64
		for range n {
			var e, y [dim]float64
			for i := range e {
				e[i] = rng.NormFloat64()
				y[i] = before.m[i]
				for k := 0; k <= i; k++ {
					y[i] += l[i][k] * e[k]
				}
			}
			a := alphaAt(&touch, min(max(y[0], -1.5), 1.5))
			tg := r.Tg(a)
			ge := [6]float64{1, phi((a - .30 - .8*.06*y[1]) / (.6 * .06)), 0, phi((tg - x.c - 4 - .8*5*y[4]) / (.6 * 5)), phi((tg - x.c - 10 - .8*6*y[5]) / (.6 * 6)), 0}
			ge[4] = min(ge[3], ge[4])
			gel := phi((a-r.AlphaGel-.8*.05*y[3])/(.6*.05)) * phi((tg-x.c+25)/(.6*5))
			ge[2] = gel + ge[3] - gel*ge[3]
			lo, hi, _ := edges(x.s.Rank(), x.late)
			p := .97*max(ge[lo]-ge[hi], 0) + .03/5
			sum += p
			for i := range y {
				mean[i] += p * y[i]
				for j := range y {
					second[i][j] += p * y[i] * y[j]
				}
			}
		}
		if d := math.Log(sum/n) - z; math.Abs(d) > 0.05 {
			t.Errorf("%v: chance off by %.3f in its logarithm", x, d)
		}
		for i := range dim {
			mean[i] /= sum
		}
		for i := range dim {
			s := math.Sqrt(before.c[i][i])
			if d := (got.m[i] - mean[i]) / s; math.Abs(d) > 0.05 {
				t.Errorf("%v: mean %d off by %.3f of its doubt", x, i, d)
			}
			for j := range dim {
				c := second[i][j]/sum - mean[i]*mean[j]
				if d := (got.c[i][j] - c) / (s * math.Sqrt(before.c[j][j])); math.Abs(d) > 0.05 {
					t.Errorf("%v: covariance %d,%d off by %.3f", x, i, j, d)
				}
			}
		}
	}
}
