// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"testing"
	"time"

	"curewright/model/cure"

	"pgregory.net/rapid"
)

// Estimate and forecast tell the same times of the marks on one path, to a
// minute or, where it goes fast, two minutes, for a batch and a film that
// are known: the one follows readings by the minute, the other quarter hours. (Plan and tent read their marks off the same
// stepper and have tests of their own.)
func TestEstimateAndForecastAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r, _ := cure.Generic(rapid.SampledFrom([]string{"fast", "medium", "slow"}).Draw(t, "resin"))
		c := rapid.Float64Range(12, 28).Draw(t, "start")
		trace := []float64{c}
		for range 60 * 4 {
			c = min(max(c+rapid.Float64Range(-.8, .8).Draw(t, "step"), 6), 36)
			trace = append(trace, c)
		}
		lnK := rapid.SampledFrom([]float64{-.3, 0, .3}).Draw(t, "ln κ")
		tr := NewTrack(TrackOptions{Resin: &r, Mixed: zero, Applied: zero})
		tr.Feed(Point{At: zero, TempC: trace[0], VapourPa: math.NaN(), CO2: math.NaN()})
		early := new(Track)
		for m := 0; m < 60*60; m++ {
			i := m / 15
			x := trace[i] + float64(m%15)/15*(trace[i+1]-trace[i])
			tr.Feed(Point{At: zero.Add(time.Duration(m) * time.Minute), TempC: x, VapourPa: math.NaN(), CO2: math.NaN()})
			if m == 15 {
				tr.CopyTo(early)
			}
		}
		o := &Outlook{Start: early.Last(), StepS: 900, Paths: 1, Len: 60*4 - 1, VapourPa: math.NaN()}
		for _, x := range trace[1 : 60*4] {
			o.TempC = append(o.TempC, float32(x))
		}
		ws := new(Workspace)
		f := ws.fan(early, early.t)
		for _, x := range o.TempC {
			f.law = f.law || float64(x) < r.MinC || float64(x) > r.MaxC
		}
		var when times
		ws.follow(f, &offsets{}, o.TempC, o.StepS, node(lnK), node(lnK), &when)
		low := tr.law[midRail][node(lnK)]
		if tr.split {
			low = tr.low[midRail][node(lnK)]
		}
		for _, m := range []cure.Mark{cure.Tacky, cure.Opens, cure.Green, cure.Firm, cure.Hard} {
			want := low.When[m]
			got := when[m][node(lnK)]
			// Where it creeps, a share of its time.
			tol := max(120, .0025*want)
			if math.Abs(got-want) > tol && !touched(&r, trace, lnK, m, min(got, want)) {
				t.Errorf("mark %d at %.3f h by the readings, %.3f h by the forecast", m, want/3600, got/3600)
			}
		}
	})
}

// touched reports whether a mark is passed at s by less than .15 K of Tg or
// 5e-4 of cure, as near as a forecast's steps come (which stands outside the
// resin's range), and else only later:
// then it may be missed in steps of another length. A film has no offset of its
// own for green: the panel is taken so much warmer.
func touched(r *cure.Resin, trace []float64, lnK float64, m cure.Mark, s float64) bool {
	near := cure.Film{Tacky: 5e-4, Opens: 5e-4, Gel: 5e-4, FirmK: .15, HardK: .15}
	return passes(r, trace, lnK, m, near, 0) > s+120 || m == cure.Green && passes(r, trace, lnK, m, cure.Film{}, .15) > s+120
}

// passes is when a film passes a mark on the trace by the minute, the panel
// taken so many K warmer for the mark.
func passes(r *cure.Resin, trace []float64, lnK float64, m cure.Mark, film cure.Film, warmer float64) float64 {
	it := cure.NewIntegrator(*r)
	p := cure.NewPath(r, 0, trace[0]+warmer)
	g, w := cure.NewGauge(&p, film), cure.NewTwo()
	a := []float64{0}
	k := []float64{math.Exp(lnK)}
	for i := 1; i < len(trace)*15-15; i++ {
		at := func(i int) float64 { return trace[i/15] + float64(i%15)/15*(trace[i/15+1]-trace[i/15]) }
		was, c0, c1 := a[0], at(i-1), at(i)
		it.Advance(a, k, 60, c0, c1)
		p.To(float64(i)*60, c1+warmer)
		g.Prepare()
		w.Step(&g, was, math.NaN(), a[0], func(b, x0, x1 float64) float64 {
			v := []float64{b}
			it.Advance(v, k, 60*(x1-x0), c0+x0*(c1-c0), c0+x1*(c1-c0))
			return v[0]
		})
	}
	return w.At(m, &p.Ages)
}
