// SPDX-License-Identifier: Apache-2.0

package shop

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// simShed is a made-up shed with a hidden truth: a first-order body between
// what surrounds it, which swings with the day about a level, and a heater that
// holds it until it is switched off. Constants are drawn, none of them is the
// model's.
type simShed struct {
	tauH, level, swing, held, heldH float64
	noise                           float64
	off                             time.Time
	rng                             *rand.Rand
	c                               float64
	at                              time.Time
}

func drawShed(seed uint64) *simShed {
	rng := rand.New(rand.NewPCG(seed, 77))
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	s := &simShed{tauH: math.Exp(u(math.Log(0.8), math.Log(5))), level: u(6, 15), swing: u(0, 1), heldH: u(5, 130), noise: 0.08, rng: rng}
	s.held = s.level + u(7, 13)
	s.off = time.Date(2026, 10, 10, 0, 0, 0, 0, time.UTC).Add(time.Duration(u(0, 24) * float64(time.Hour)))
	s.at = s.off.Add(-time.Duration(s.heldH * float64(time.Hour)))
	s.c = s.held
	return s
}

// truth moves the shed on by a minute and returns its true temperature.
func (s *simShed) truth() float64 {
	h := float64(s.at.Unix()%86400) / 3600
	around := s.level + s.swing*math.Cos(2*math.Pi*(h-15)/24)
	s.c += (around - s.c) / (s.tauH * 60)
	if s.at.Before(s.off) {
		s.c = s.held
	}
	s.at = s.at.Add(time.Minute)
	return s.c
}

// coolDown records a shed's minutes from its beginning until 40 h after the
// heat went off.
func (s *simShed) coolDown() (at []time.Time, c []float64) {
	for !s.at.After(s.off.Add(40 * time.Hour)) {
		at = append(at, s.at)
		c = append(c, s.truth())
	}
	return at, c
}

// coolingMiss is the most that a shed's forecasts over twelve hours are off,
// from when it has gone three quarters of its way on, one number an origin.
func coolingMiss(seed uint64, told bool) (miss []float64) {
	s := drawShed(seed)
	at, c := s.coolDown()
	var h History
	next := 0
	for _, after := range []float64{1.4 * s.tauH, 2 * s.tauH, 3.5 * s.tauH, 12, 18, 24, 27} {
		now := s.off.Add(time.Duration(after * float64(time.Hour))).Truncate(time.Minute)
		for next < len(at) && !at[next].After(now) {
			h.Add(at[next], c[next]+s.noise*s.rng.NormFloat64())
			next++
		}
		cond := Conditions{At: now, TempC: c[next-1]}
		if told {
			low := s.level - 5
			cond.LowC, cond.LowAt = &low, now.Truncate(24*time.Hour).Add(30*time.Hour)
		}
		m := Fit(&h, nil, now)
		mid := m.Median(nil, &h, 48, cond)
		worst := 0.0
		for k := 1; k <= 48 && next-1+15*k < len(c); k++ {
			worst = max(worst, math.Abs(mid[k]-c[next-1+15*k]))
		}
		miss = append(miss, worst)
	}
	return miss
}

// TestCoolingEndsAtItsLevel: with the heat off, the forecast over twelve hours
// stays within 2 K of what ten sheds of hidden constants do, whether a night's
// low outdoors is told or not; of a hundred more, nearly always.
func TestCoolingEndsAtItsLevel(t *testing.T) {
	for _, told := range []bool{false, true} {
		worst := 0.0
		for seed := range uint64(10) {
			for i, e := range coolingMiss(seed, told) {
				if worst = max(worst, e); e > 2 {
					t.Errorf("shed %d, low told %v, origin %d: %.2f K off within 12 h", seed, told, i, e)
				}
			}
		}
		n, within := 0.0, 0.0
		for seed := uint64(100); seed < 200; seed++ {
			for _, e := range coolingMiss(seed, told) {
				n++
				if e <= 2 {
					within++
				}
			}
		}
		t.Logf("low told %v: ten sheds at most %.2f K off; of a hundred more %.1f %% of forecasts within 2 K", told, worst, 100*within/n)
		if within < 0.95*n {
			t.Errorf("low told %v: %.0f of %.0f forecasts within 2 K", told, within, n)
		}
	}
}

// TestForecastHasAFloor: no path goes below the least of tonight's low as said,
// the outdoor probe's coldest and the last three days' coldest less 3 K.
func TestForecastHasAFloor(t *testing.T) {
	for seed := range uint64(10) {
		s := drawShed(seed)
		at, c := s.coolDown()
		for _, after := range []float64{0.5, 2, 6, 14, 23, 30} {
			var h, out History
			now := s.off.Add(time.Duration(after * float64(time.Hour)))
			coldest, last := math.Inf(1), 0.0
			for i := range at {
				if at[i].After(now) {
					break
				}
				h.Add(at[i], c[i])
				out.Add(at[i], 7)
				last = c[i]
				coldest = min(coldest, c[i])
			}
			if h.Days() < 1 {
				continue
			}
			low := 6.0
			for _, x := range []struct {
				name  string
				cond  Conditions
				floor float64
			}{
				{"nothing said", Conditions{At: now, TempC: last}, coldest - 3},
				{"low said", Conditions{At: now, TempC: last, LowC: &low, LowAt: now.Add(8 * time.Hour)}, min(low, coldest-3)},
				{"probe outdoors", Conditions{At: now, TempC: last, Out: &out}, min(7, coldest-3)},
			} {
				m := Fit(&h, x.cond.Out, now)
				for i, v := range m.Ensemble(nil, &h, Paths, Steps, x.cond, nil) {
					if float64(v) < x.floor-0.01 {
						t.Errorf("shed %d, %s, %g h after: path %d at %.1f h is at %.2f °C, below %.2f", seed, x.name, after, i/(Steps+1), float64(i%(Steps+1))/4, v, x.floor)
						break
					}
				}
			}
		}
	}
}
