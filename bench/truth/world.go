// SPDX-License-Identifier: Apache-2.0

// Command truth lives made-up coats whose rate, film and weather are hidden from
// the estimator, and scores what it says of them. The coats are simulated by an
// integrator of their own, from the definitions of the marks; nothing of the
// estimator's arithmetic is shared. It is an experiment, not a check against
// real resin.
package main

import (
	"iter"
	"math"
	"math/rand/v2"
	"time"

	"curewright/model/cure"
	"curewright/model/job"
)

// law is a rate law of its own: Kamal and Sourour with a diffusion factor.
type law struct {
	a1, e1, a2, e2, m, n float64 // 1/s, J/mol
	tg0, tgInf, lambda   float64
	gel                  float64
}

func lawOf(r cure.Resin) law {
	return law{r.A1, r.E1, r.A2, r.E2, r.M, r.N, r.Tg0, r.TgInf, r.Lambda, 1 / math.Sqrt(3)}
}

func (l *law) tg(a float64) float64 {
	return l.tg0 + (l.tgInf-l.tg0)*l.lambda*a/(1-(1-l.lambda)*a)
}

func (l *law) rate(a, c, kappa float64, chemistry bool) float64 {
	x := 1 / (8.314462618 * (c + 273.15))
	v := kappa * (l.a1*math.Exp(-l.e1*x) + l.a2*math.Exp(-l.e2*x)*math.Pow(a, l.m)) * math.Pow(1-a, l.n)
	if chemistry {
		return v
	}
	return v / (1 + math.Exp((l.tg(a)-c-5)/5))
}

// scaled makes the chemistry reach the gel at 25 °C in so many hours.
func (l law) scaled(hours float64) law {
	a, t := 0.0, 0.0
	for step := 5.0; a < l.gel; t += step {
		k1 := l.rate(a, 25, 1, true)
		a += step * l.rate(a+step/2*k1, 25, 1, true)
	}
	f := t / (hours * 3600)
	l.a1, l.a2 = l.a1*f, l.a2*f
	return l
}

// film is how far a film's marks lie from the middle; zero in the plain world.
type film struct{ tacky, opens, gel, firm, hard float64 }

// finger is the person who feels it.
type finger struct {
	touch   float64       // share of the marks' standard deviation in one touch
	blunder float64       // share of tests that say anything
	late    time.Duration // prompts are answered up to so much late
	deaf    float64       // share of prompts not answered at all
}

// world is one way that the hidden truth may be.
type world struct {
	name    string
	resin   func(rng *rand.Rand, said string) law
	film    func(rng *rand.Rand) film
	weather func(rng *rand.Rand) weather
	finger  finger
	wrong   map[string]string // what is really in the cup
	kappaSD float64
	known   bool // the resin is fitted so well that its rate is known
}

// weather is the panel's and the air's temperature, minute by minute from the
// start of the readings, ahead hours before the coat.
type weather struct {
	air, panel []float64
	noProbe    bool
}

const (
	aheadH = 30
	hoursN = 110
)

var begin = time.Date(2026, 10, 9, 4, 0, 0, 0, time.UTC)

// shop is a room whose temperature swings by day about a level, with noise, and
// a panel that follows it.
func shop(rng *rand.Rand, level, swing, noise, lagMin float64, sunK float64) weather {
	w := weather{air: make([]float64, hoursN*60), panel: make([]float64, hoursN*60)}
	x, drift := 0.0, 0.0
	for i := range w.air {
		h := float64(i) / 60
		clock := math.Mod(float64(begin.Hour())+h, 24)
		x += -x/90 + noise*rng.NormFloat64()*math.Sqrt(2.0/90)
		if i%60 == 0 {
			drift += 0.15 * noise * rng.NormFloat64()
		}
		w.air[i] = level + swing*math.Cos(2*math.Pi*(clock-15)/24) + x + drift
		sun := 0.0
		if clock > 10 && clock < 16 {
			sun = sunK * math.Sin(math.Pi*(clock-10)/6)
		}
		if i == 0 {
			w.panel[i] = w.air[i]
			continue
		}
		w.panel[i] = w.panel[i-1] + (w.air[i]+sun-w.panel[i-1])/lagMin
	}
	return w
}

// heated is held near a set point.
func heated(rng *rand.Rand) weather {
	return shop(rng, 16+11*rng.Float64(), 0.6+1.2*rng.Float64(), 0.5, 23, 0)
}

// shed is unheated: warm enough by day, cold at night.
func shed(rng *rand.Rand) weather {
	return shop(rng, 11+6*rng.Float64(), 3+2*rng.Float64(), 0.8, 23, 0)
}

func sunny(rng *rand.Rand) weather {
	return shop(rng, 15+6*rng.Float64(), 2+2*rng.Float64(), 0.6, 23, 6+6*rng.Float64())
}

// probe is a thermometer with a bias of its own.
type probe struct {
	c    []float64
	bias float64
	seed uint64
}

// table serves the readings to the estimator as the daemon's store does.
type table struct {
	probes map[string]probe
	from   time.Time // of the first reading; [begin] where it is zero
}

func (t *table) Version(string) uint64 { return 0 }

func (t *table) Samples(name string, from, to time.Time) iter.Seq[job.Sample] {
	return func(yield func(job.Sample) bool) {
		p, ok := t.probes[name]
		if !ok {
			return
		}
		first := t.from
		if first.IsZero() {
			first = begin
		}
		i := max(int(math.Ceil(from.Sub(first).Minutes())), 0)
		for ; i < len(p.c); i++ {
			at := first.Add(time.Duration(i) * time.Minute)
			if at.After(to) {
				return
			}
			rng := rand.New(rand.NewPCG(p.seed, uint64(i)))
			if !yield(job.Sample{At: at, TempC: p.c[i] + p.bias + 0.05*rng.NormFloat64(), RHPct: math.NaN(), CO2: math.NaN()}) {
				return
			}
		}
	}
}

// life is a coat's hidden truth, minute by minute from mixing.
type life struct {
	alpha, now []float64
	marks      map[string]float64 // minutes; +Inf for never
	l          law
	f          film
}

// live integrates the coat applied at minute m0 of the weather.
func live(l law, f film, kappa float64, w *weather, m0 int) *life {
	n := len(w.panel) - m0
	v := &life{l: l, f: f, alpha: make([]float64, n), now: make([]float64, n), marks: map[string]float64{}}
	for _, k := range []string{"tacky", "opens", "green", "firm", "hard", "closes", "shut"} {
		v.marks[k] = math.Inf(1)
	}
	a := 0.0
	for i := 0; i < n; i++ {
		if i > 0 {
			c0, c1 := w.panel[m0+i-1], w.panel[m0+i]
			const parts = 4
			h := 60.0 / parts
			for k := range parts {
				t0 := c0 + (c1-c0)*float64(k)/parts
				t1 := c0 + (c1-c0)*(float64(k)+1)/parts
				tm := (t0 + t1) / 2
				k1 := l.rate(a, t0, kappa, false)
				k2 := l.rate(a+h/2*k1, tm, kappa, false)
				k3 := l.rate(a+h/2*k2, tm, kappa, false)
				k4 := l.rate(a+h*k3, t1, kappa, false)
				a += h / 6 * (k1 + 2*k2 + 2*k3 + k4)
			}
		}
		v.alpha[i] = a
		sum := 0.0
		for k := 0; k <= 10; k++ {
			wt := 1.0
			if k == 0 || k == 10 {
				wt = 0.5
			}
			sum += wt * w.panel[max(m0+i-k, 0)]
		}
		v.now[i] = sum / 10
		tg, now := l.tg(a), v.now[i]
		work := math.Min(math.Max(now, 20), 30)
		gel := a >= l.gel+f.gel
		note := func(k string, is bool) {
			if is && math.IsInf(v.marks[k], 1) {
				v.marks[k] = float64(i)
			}
		}
		note("tacky", a >= 0.30+f.tacky)
		note("opens", a >= 0.40+f.opens)
		note("green", gel && tg >= now-25)
		note("firm", gel && tg >= now+4+f.firm)
		note("closes", gel && tg >= now+4+f.firm)
		note("shut", gel && tg >= math.Max(now, work)+4+f.firm)
		note("hard", gel && tg >= work+10+f.hard)
	}
	return v
}

// finds is what a finger finds at a minute: 0 wet to 4 hard.
func (v *life) finds(i int, g finger, rng *rand.Rand) int {
	if rng.Float64() < g.blunder {
		return rng.IntN(5)
	}
	z := func(sd float64) float64 { return g.touch * sd * rng.NormFloat64() }
	a, tg, now := v.alpha[i], v.l.tg(v.alpha[i]), v.now[i]
	s := 0
	if a >= 0.30+v.f.tacky+z(.06) {
		s = 1
	}
	if a >= v.l.gel+v.f.gel+z(.05) && tg >= now-25 {
		s = 2
	}
	if tg >= now+4+v.f.firm+z(5) {
		s = 3
		if tg >= now+10+v.f.hard+z(6) {
			s = 4
		}
	}
	return s
}

// inside reports whether a window is truly open at a minute.
func (v *life) inside(kind string, i int) bool {
	t := float64(i)
	switch kind {
	case "cloth":
		return t >= v.marks["tacky"] && t < v.marks["green"]
	case "wet":
		return t < v.marks["tacky"]
	}
	a, tg := v.alpha[i], v.l.tg(v.alpha[i])
	if t < v.marks["opens"] || t >= v.marks["shut"] {
		return false
	}
	gel := a >= v.l.gel+v.f.gel
	return !(gel && tg >= v.now[i]+4+v.f.firm) && !(!gel && tg >= v.now[i])
}

// over reports whether it is closed for good.
func (v *life) over(kind string, i int) bool {
	switch kind {
	case "cloth":
		return float64(i) >= v.marks["green"]
	case "wet":
		return float64(i) >= v.marks["tacky"]
	}
	return float64(i) >= v.marks["shut"]
}
