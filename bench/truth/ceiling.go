// SPDX-License-Identifier: Apache-2.0

package main

import (
	"math"
	"math/rand/v2"
	"slices"
)

// What could be noticed at all: somebody who knows everything of the shop but
// the coat's own lot, cup and film, its rate law and this person's finger
// included, and who asks of the finger tests whether they are of the resin that
// the bottle names or of one of the other two. No program can notice more at as
// many false alarms.

// felt is one finger test of a coat: when, and what was found.
type felt struct{ minute, rank int }

// knowing is the logarithm of the odds, after each test, that the coat is of
// another hardener than the one said, the odds before being one.
func (w *yearWorld) knowing(rng *rand.Rand, said string, resin float64, person [5]float64, we *weather, m0 int, tests []felt) []float64 {
	const draws = 32
	var films [draws]film
	for k := range films {
		films[k] = w.drawFilm(rng, person)
	}
	// chance of the first n tests, for each n, of a law and a doubt of its rate.
	chance := func(l law, mean, sd float64) []float64 {
		sum := make([]float64, len(tests))
		for q := -3.0; q <= 3; q += 0.4 {
			v := live(l, film{}, math.Exp(mean+sd*q), we, m0)
			for k := range films {
				p := math.Exp(-q * q / 2)
				for n, t := range tests {
					v.f = films[k]
					p *= v.chance(t.minute, t.rank, w.finger)
					sum[n] += p
				}
			}
		}
		return sum
	}
	sd := math.Hypot(math.Max(w.lotSD, math.Abs(w.lotStep)), .12)
	out := make([]float64, len(tests))
	here := chance(w.kinetics(rng, said), resin, sd)
	for _, o := range []string{"fast", "medium", "slow"} {
		if o == said {
			continue
		}
		for n, p := range chance(w.kinetics(rng, o), 0, math.Hypot(w.resinSD, sd)) {
			out[n] += p / 2
		}
	}
	for n := range out {
		out[n] = math.Log(out[n] / here[n])
	}
	return out
}

// drawFilm draws a film: partly the person's, partly its own.
func (w *yearWorld) drawFilm(rng *rand.Rand, person [5]float64) film {
	var z [5]float64
	for i := range z {
		z[i] = math.Sqrt(1-w.filmOwn*w.filmOwn)*person[i] + w.filmOwn*rng.NormFloat64()
	}
	return film{.8 * .06 * z[0], .8 * .05 * z[1], .8 * .05 * z[2], .8 * 5 * z[3], .8 * 6 * z[4]}
}

// chance that [life.finds] finds a rank, with its touches and blunders
// integrated out.
func (v *life) chance(i, rank int, g finger) float64 {
	a, tg, now := v.alpha[i], v.l.tg(v.alpha[i]), v.now[i]
	over := func(x, sd float64) float64 { return math.Erfc(-x/(g.touch*sd)/math.Sqrt2) / 2 }
	tacky, gel := over(a-.30-v.f.tacky, .06), 0.0
	if tg >= now-25 {
		gel = over(a-v.l.gel-v.f.gel, .05)
	}
	firm, hard := over(tg-now-4-v.f.firm, 5), over(tg-now-10-v.f.hard, 6)
	p := [5]float64{(1 - firm) * (1 - gel) * (1 - tacky), (1 - firm) * (1 - gel) * tacky, (1 - firm) * gel, firm * (1 - hard), firm * hard}
	return g.blunder/5 + (1-g.blunder)*p[rank]
}

// odds are the greatest odds that somebody knowing had by the third test of
// another resin, one a shop, and those of each coat where all was well.
type odds struct{ swapped, calm []float64 }

// noticed is the share of shops that pass the threshold which that share of
// the calm coats does.
func (o *odds) noticed(alarms float64) float64 {
	if len(o.calm) == 0 || len(o.swapped) == 0 {
		return 0
	}
	calm := slices.Sorted(slices.Values(o.calm))
	limit := calm[min(int(float64(len(calm))*(1-alarms)), len(calm)-1)]
	n := 0
	for _, x := range o.swapped {
		if x > limit {
			n++
		}
	}
	return float64(n) / float64(len(o.swapped))
}
