// SPDX-License-Identifier: Apache-2.0

// Package marktest is what tests hold the marks of a coat against: random
// temperatures of a panel, and the times of the marks on them by a plain
// stepping of the rate law, minute by minute, that shares no code with the
// stepper of marks. Only tests use it.
package marktest

import (
	"math"
	"math/rand/v2"

	"curewright/model/cure"
)

// StepMin is the time between a trace's temperatures, min.
const StepMin = 15

// Trace is one panel's temperatures, °C, StepMin apart and linear between.
type Trace struct {
	Name  string
	Resin string
	Kappa float64
	TempC []float64

	known map[float64]Times // by slack
}

// At is the temperature at a minute.
func (t *Trace) At(min float64) float64 {
	x := min / StepMin
	i := int(x)
	if i >= len(t.TempC)-1 {
		return t.TempC[len(t.TempC)-1]
	}
	return t.TempC[i] + (x-float64(i))*(t.TempC[i+1]-t.TempC[i])
}

// Within is how near two steppers must come, min: to a minute. Where the panel
// leaves the resin's range within a quarter hour, steps of that length know
// what was gained inside only as a straight line.
func (t *Trace) Within() float64 {
	r, _ := cure.Generic(t.Resin)
	for _, c := range t.TempC {
		if c < r.MinC || c > r.MaxC {
			return 5
		}
	}
	return 1
}

// Traces are n random walks of three days, every other one within the generic
// resins' range, else between 6 and 34 °C, and some that once told the estimate
// and the plan apart.
func Traces(n int) (out []Trace) {
	step := func(hours, first, then float64) (c []float64) {
		for i := range 72*4 + 1 {
			if float64(i)/4 <= hours {
				c = append(c, first)
			} else {
				c = append(c, then)
			}
		}
		return c
	}
	out = append(out,
		Trace{Name: "slow, 3 h at 28 °C, then 13 °C", Resin: cure.Slow, Kappa: 1, TempC: step(3, 28, 13)},
		Trace{Name: "medium, 3 h at 28 °C, then 13 °C", Resin: cure.Medium, Kappa: 1, TempC: step(3, 28, 13)},
		Trace{Name: "fast, 2 h at 27 °C, then 15 °C", Resin: cure.Fast, Kappa: 1, TempC: step(2, 27, 15)})
	rng := rand.New(rand.NewPCG(19, 6))
	for i := range n {
		c, slope := 10+18*rng.Float64(), 0.0
		t := Trace{Name: "walk", Resin: []string{cure.Fast, cure.Medium, cure.Slow}[i%3], Kappa: math.Exp(.25 * rng.NormFloat64())}
		for range 72*4 + 1 {
			t.TempC = append(t.TempC, c)
			slope = .8*slope + .35*rng.NormFloat64()
			c = math.Min(math.Max(c+slope, 6+5*float64(i%2)), 34)
		}
		out = append(out, t)
	}
	return out
}

// Cold says whether it was too cold for the next coat when it would have opened.
func (t *Trace) Cold() bool { return t.times(0).Cold }

// Times are when each mark is passed by a coat mixed and put on at the trace's
// beginning, min; +Inf for never within the trace. Stopped is green by the law,
// which closes the time for cloth. Cold says that it was too cold for the next
// coat when it would have opened.
type Times struct {
	Tacky, Opens, Stopped, Green, Closes, Hard float64
	Cold                                       bool
}

// Same reports whether a time found for a mark is the reference's, in min. pick
// takes the mark's time. Where the coat only grazes a mark, so that .05 K more
// or less moves the crossing by minutes, two steppers may fall to either side.
func (t *Trace) Same(got float64, pick func(Times) float64) (want float64, ok bool) {
	want = pick(t.times(0))
	end, within := float64(len(t.TempC)-1)*StepMin-30, t.Within()
	if math.Abs(got-want) <= within || got > end && want > end {
		return want, true
	}
	early, late := pick(t.times(.05)), pick(t.times(-.05))
	return want, late-early > 5 && got >= early-within && got <= late+within
}

// times steps the definitions minute by minute, each mark passed so much (K, a
// hundredth in degree of cure) early.
func (t *Trace) times(slackK float64) Times {
	if x, ok := t.known[slackK]; ok {
		return x
	}
	if t.known == nil {
		t.known = map[float64]Times{}
	}
	t.known[slackK] = t.step(slackK)
	return t.known[slackK]
}

func (t *Trace) step(slackK float64) Times {
	r, _ := cure.Generic(t.Resin)
	inf := math.Inf(1)
	out := Times{inf, inf, inf, inf, inf, inf, false}
	law, less := 0.0, 0.0
	move := func(a, c0, c1 float64) float64 { // one minute of RK4
		k := t.Kappa
		m := (c0 + c1) / 2
		f1 := r.Rate(a, c0, k)
		f2 := r.Rate(a+30*f1, m, k)
		f3 := r.Rate(a+30*f2, m, k)
		f4 := r.Rate(a+60*f3, c1, k)
		return a + 10*(f1+2*f2+2*f3+f4)
	}
	mean := func(min float64) float64 { // of the last ten minutes
		from, sum, n := math.Max(min-10, 0), 0.0, 40
		for i := range n {
			sum += t.At(from + (min-from)*(float64(i)+.5)/float64(n))
		}
		return sum / float64(n)
	}
	var was [6]float64
	for m := 0.0; m+1 <= float64((len(t.TempC)-1)*StepMin); m++ {
		c0, c1 := t.At(m), t.At(m+1)
		law = move(law, c0, c1)
		for i := 0.0; i < 20; i++ { // three seconds at a time
			mid := c0 + (c1-c0)*(i+.5)/20
			if mid >= r.MinC && mid <= r.MaxC {
				less += 3 * r.Rate(less+1.5*r.Rate(less, mid, t.Kappa), mid, t.Kappa)
			}
		}
		now := mean(m + 1)
		work := math.Min(math.Max(now, 20), 30)
		tg, tgLess := r.Tg(law), r.Tg(less)
		// By how much each mark is passed, in degree of cure or K.
		over := [6]float64{less - .30, less - .40,
			math.Min(100*(law-r.AlphaGel), tg-now+25), math.Min(100*(less-r.AlphaGel), tgLess-now+25),
			math.Min(100*(law-r.AlphaGel), tg-now-4), math.Min(100*(less-r.AlphaGel), tgLess-work-10)}
		over[0], over[1] = 100*over[0], 100*over[1]
		for i := range over {
			over[i] += slackK
		}
		for i, at := range []*float64{&out.Tacky, &out.Opens, &out.Stopped, &out.Green, &out.Closes, &out.Hard} {
			if over[i] >= 0 && math.IsInf(*at, 1) {
				*at = m + 1
				if over[i] > was[i] && was[i] < 0 {
					*at = m + was[i]/(was[i]-over[i])
				}
				if i == 1 && law < r.AlphaGel && tg >= now {
					out.Cold = true
				}
			}
		}
		was = over
	}
	return out
}
