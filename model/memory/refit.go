// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"maps"
	"math"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// Moved is one figure of a resin that its coats moved, with its standard
// deviation before and after.
type Moved struct {
	What   string  `json:"what"` // rate_25c (1 as on the sheet), e_kj_mol
	Before float64 `json:"before"`
	After  float64 `json:"after"`
	SD     float64 `json:"sd_before"`
	SDNow  float64 `json:"sd_after"`
}

// Replayed is one past coat, computed with the sheet's and with the refitted resin:
// minutes to green and to the end of the recoat window, by its panel's readings and after
// them at the coat's own mean temperature, and how many of its finger tests the median
// of each would have predicted.
type Replayed struct {
	Coat    string    `json:"coat"`
	WarmthC float64   `json:"warmth_c"`
	Green   [2]*int   `json:"green_min"`   // before, after; null where never
	Closes  [2]*int   `json:"closes_min"`  // likewise
	Path    bool      `json:"by_readings"` // false: at its warmth throughout
	Tests   int       `json:"tests"`
	Right   [2]int    `json:"right"`
	Found   []FoundAt `json:"found"`
}

// FoundAt is what a finger found so many minutes after application.
type FoundAt struct {
	Minutes int        `json:"minutes"`
	State   coat.State `json:"state"`
}

// Refit is a resin as its own coats have it: what its file says is the prior.
type Refit struct {
	Resin cure.Resin `json:"resin"`
	Moved []Moved    `json:"moved"`
	Coats []Replayed `json:"coats"`
	Tests int        `json:"tests"`
}

// Refit sets a resin's rate and activation energy, with their uncertainties, to what the
// coats taught; all else stays as in its file. Lots and people are integrated out. The
// refitted resin has a new law: lessons drawn with the old one are contained in it and are
// not counted again.
func (m *Learnt) Refit(name string) Refit {
	f := m.hypotheses[0].f
	r := m.Resin
	was := r
	sdRate, sdE := f.sheet*math.Sqrt(f.cov.at(0, 0)), f.e*math.Sqrt(f.cov.at(1, 1))
	rate, de := f.sheet*f.mean[0], f.e*f.mean[1]
	scale := math.Exp(rate + de/(cure.GasConstant*298.15))
	r.Name, r.Generic = name, false
	r.A1, r.A2 = r.A1*scale, r.A2*scale
	r.E1, r.E2 = r.E1+de, r.E2+de
	r.LnKappaSD = math.Sqrt(sdRate*sdRate + lotSD*lotSD + batchSD*batchSD)
	if r.SD = maps.Clone(r.SD); r.SD == nil {
		r.SD = map[string]float64{}
	}
	r.SD[cure.SDE], r.SD[cure.SDLnRate] = sdE, sdRate
	out := Refit{Resin: r, Coats: []Replayed{}, Moved: []Moved{
		{"rate_25c", 1, math.Exp(rate), f.sheet, sdRate},
		{"e_kj_mol", was.E2 / 1000, r.E2 / 1000, f.e / 1000, sdE / 1000},
	}}
	both := [2]cure.Resin{was, r}
	its := [2]*cure.Integrator{cure.NewIntegrator(was), cure.NewIntegrator(r)}
	for _, l := range m.Lessons {
		c := Replayed{Coat: l.Coat, WarmthC: math.Round(10*l.WarmthC) / 10, Path: len(l.PathC) > 1, Tests: len(l.Touches), Found: []FoundAt{}}
		for k := range both {
			c.Green[k], c.Closes[k] = l.replay(&both[k], its[k])
		}
		for i := range l.Touches {
			t := &l.Touches[i]
			c.Found = append(c.Found, FoundAt{int(math.Round(t.At.Sub(l.Applied).Minutes())), t.State})
			for k, ln := range []float64{0, rate - de/1000*l.Contrast} {
				if middle(&was, t, ln) == t.State {
					c.Right[k]++
				}
			}
		}
		out.Tests += c.Tests
		out.Coats = append(out.Coats, c)
	}
	return out
}

// replayFor is the longest time of a replay: a mark not reached by then counts as never.
const replayFor = 14 * 24 * time.Hour

// replay is when a resin's median coat is no longer tacky and when its window ends, in
// minutes after application; nil for never.
func (l *Lesson) replay(r *cure.Resin, it *cure.Integrator) (green, closes *int) {
	const step = 300.0 // s
	temp := func(s float64) float64 {
		x := s / PathStep.Seconds()
		i := int(x)
		if i+1 >= len(l.PathC) {
			return l.WarmthC
		}
		return l.PathC[i] + (x-float64(i))*(l.PathC[i+1]-l.PathC[i])
	}
	p := cure.NewPath(r, 0, temp(0))
	g, two := cure.NewGauge(&p, cure.Film{}), cure.NewTwo()
	a, kappa := []float64{0}, []float64{1}
	at := func(m cure.Mark) *int {
		x := two.At(m, &p.Ages)
		if math.IsInf(x, 1) {
			return nil
		}
		n := int(math.Round(x / 60))
		return &n
	}
	for t := step; t <= replayFor.Seconds(); t += step {
		was, c0, c1 := a[0], temp(t-step), temp(t)
		it.Advance(a, kappa, step, c0, c1)
		p.To(t, c1)
		g.Prepare()
		two.Step(&g, was, math.NaN(), a[0], func(b, x0, x1 float64) float64 {
			one := []float64{b}
			it.Advance(one, kappa, step*(x1-x0), c0+x0*(c1-c0), c0+x1*(c1-c0))
			return one[0]
		})
		if green, closes = at(cure.Green), at(cure.Closes); green != nil && closes != nil {
			break
		}
	}
	return green, closes
}

// middle is the median state at a test, for a rate factor.
func middle(r *cure.Resin, t *coat.Touch, ln float64) coat.State {
	a := alphaAt(t, ln)
	tg := r.Tg(a)
	switch {
	case a >= r.AlphaGel && tg >= t.NowC+cure.HardAboveK:
		return coat.Hard
	case a >= r.AlphaGel && tg >= t.NowC+cure.FirmAboveK:
		return coat.Firm
	case a >= r.AlphaGel:
		return coat.Green
	case a >= cure.AlphaTacky:
		return coat.Tacky
	}
	return coat.Wet
}
