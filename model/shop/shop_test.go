// SPDX-License-Identifier: Apache-2.0

package shop

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// TestLag holds the filter against the closed form of a first-order system: a
// step decays by 1/e in one time constant, a ramp is followed τ·rate behind.
func TestLag(t *testing.T) {
	l := Lag{Tau: 600}
	l.Feed(0, 10)
	l.Feed(1e-6, 20) // a step
	if got, want := l.Feed(600, 20), 20-10*math.Exp(-1); math.Abs(got-want) > 1e-6 {
		t.Errorf("one time constant after a step: %.6f °C, closed form %.6f", got, want)
	}
	l = Lag{Tau: 600}
	l.Feed(0, 10)
	var out float64
	for k := 1; k <= 1000; k++ {
		out = l.Feed(float64(k)*60, 10+float64(k)*60*5/3600)
	}
	if in := 10 + 1000*60*5.0/3600; math.Abs(in-out-600*5.0/3600) > 1e-6 {
		t.Errorf("a ramp of 5 K/h is followed %.4f K behind, closed form %.4f", in-out, 600*5.0/3600)
	}
	// However a linear stretch is divided, the end is the same.
	a, b := Lag{Tau: 900, begun: true, in: 10, out: 10}, Lag{Tau: 900, begun: true, in: 10, out: 10}
	a.Feed(1200, 22)
	for k := 1; k <= 20; k++ {
		b.Feed(float64(k)*60, 10+12*float64(k)/20)
	}
	if math.Abs(a.out-b.out) > 1e-9 {
		t.Errorf("in one go %.9f, divided %.9f", a.out, b.out)
	}
}

// firstOrder simulates a shop that follows outdoors with one time constant;
// outdoors a daily swing with weather that changes over days.
func firstOrder(days int, seed uint64) (at []time.Time, in, out []float64) {
	rng := rand.New(rand.NewPCG(seed, 1))
	start := time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC)
	weather, c := 0.0, 12.0
	for k := range days * 96 {
		h := float64(k) / 4
		weather = weather*math.Exp(-0.25/30) + 3.5*math.Sqrt(1-math.Exp(-0.5/30))*rng.NormFloat64()
		o := 9 + 4*math.Cos(2*math.Pi*(h-15)/24) + weather
		c += 0.25 / 8 * (o + 2 - c)
		at, in, out = append(at, start.Add(time.Duration(k)*15*time.Minute)), append(in, c), append(out, o)
	}
	return at, in, out
}

// TestOutdoorHelps: in a shop that follows outdoors, a probe there makes the
// forecast better.
func TestOutdoorHelps(t *testing.T) {
	var with, without float64
	for seed := range uint64(6) {
		at, in, out := firstOrder(16, seed)
		var h, o History
		for k := range at {
			h.Add(at[k], in[k])
			o.Add(at[k], out[k])
			if k < 8*96 || k%20 != 0 || k+48 >= len(at) {
				continue
			}
			c := Conditions{At: at[k], TempC: in[k]}
			m := Fit(&h, nil, at[k])
			x := m.Median(nil, &h, 48, c)
			without += math.Abs(x[48] - in[k+48])
			m = Fit(&h, &o, at[k])
			c.Out = &o
			x = m.Median(nil, &h, 48, c)
			with += math.Abs(x[48] - in[k+48])
		}
	}
	t.Logf("sum of errors 12 h ahead: %.0f K with a probe outdoors, %.0f K without", with, without)
	if with > 0.95*without {
		t.Errorf("with a probe outdoors %.1f K, without %.1f K", with, without)
	}
}

func TestExpectedLow(t *testing.T) {
	m := Default()
	var h History
	at := time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC)
	low := 2.0
	c := Conditions{At: at, TempC: 14, LowC: &low, LowAt: at.Add(12 * time.Hour)}
	told := m.Median(nil, &h, Steps, c)
	c.LowC = nil
	untold := m.Median(nil, &h, Steps, c)
	if got, want := told[48], low+lowShelterK; math.Abs(got-want) > 1e-9 {
		t.Errorf("at the low %.2f °C, want %.2f", got, want)
	}
	if told[0] != 14 || untold[0] != 14 {
		t.Errorf("begins at %g and %g °C, want 14", told[0], untold[0])
	}
	paths := m.Ensemble(nil, &h, Paths, Steps, c, nil)
	again := m.Ensemble(nil, &h, Paths, Steps, c, nil)
	for i := range paths {
		if paths[i] != again[i] {
			t.Fatal("the ensemble is not deterministic")
		}
	}
	if len(paths) != Paths*(Steps+1) || paths[0] != 14 {
		t.Errorf("%d temperatures from %g", len(paths), paths[0])
	}
}

// TestSetPoint: a held tent does not fall below its set point for long.
func TestSetPoint(t *testing.T) {
	m := Default()
	var h History
	hold := 19.0
	paths := m.Ensemble(nil, &h, Paths, Steps, Conditions{At: time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC), TempC: 18, SetPoint: &hold}, nil)
	for p := range Paths {
		for k := 8; k <= Steps; k++ {
			if c := paths[p*(Steps+1)+k]; c < 17.9 {
				t.Fatalf("path %d step %d: %.1f °C in a tent held at 19", p, k, c)
			}
		}
	}
}

// TestHistory: a silence is not filled, and what is read anew is not counted
// twice.
func TestHistory(t *testing.T) {
	var h History
	at := time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC)
	for m := range 3 * 24 * 60 {
		if m < 30*60 || m > 40*60 {
			h.Add(at.Add(time.Duration(m)*time.Minute), float64(m)/60)
		}
	}
	sec := func(hours float64) float64 { return float64(at.Unix()) + hours*3600 }
	if got := h.at(sec(20)); math.Abs(got-20) > 0.01 {
		t.Errorf("at 20 h: %g, want 20", got)
	}
	if got := h.at(sec(35)); !math.IsNaN(got) {
		t.Errorf("in the silence: %g, want none", got)
	}
	before := h.at(sec(60))
	h.Until(at.Add(50 * time.Hour))
	for m := 50 * 60; m < 3*24*60; m++ {
		h.Add(at.Add(time.Duration(m)*time.Minute), float64(m)/60)
	}
	if got := h.at(sec(60)); got != before {
		t.Errorf("read anew: %g, before %g", got, before)
	}
}

func ExampleModel_Median() {
	m := Default()
	low := 3.0
	at := time.Date(2026, 10, 10, 20, 0, 0, 0, time.UTC)
	temps := m.Median(nil, &History{}, 48, Conditions{At: at, TempC: 15, LowC: &low, LowAt: at.Add(10 * time.Hour)})
	fmt.Printf("%.1f °C now, %.1f °C at six\n", temps[0], temps[40])
	// Output:
	// 15.0 °C now, 5.0 °C at six
}
