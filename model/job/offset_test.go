// SPDX-License-Identifier: Apache-2.0

package job

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"curewright/model/coat"
)

// mat is a table of a panel over a heat mat in a cold shed, by the minute: what
// the panel does and what the air does, in hours since the coat.
func mat(from, to float64, panel, air func(h float64) float64) *Table {
	t := NewTable()
	for m := math.Round(from * 60); m <= to*60; m++ {
		at := lidApplied.Add(time.Duration(m) * time.Minute)
		if c := panel(m / 60); !math.IsNaN(c) {
			t.Add("panel-1", Sample{at, c, math.NaN(), math.NaN()})
		}
		t.Add("shed-air", Sample{at, air(m / 60), 60, math.NaN()})
	}
	return t
}

// within asks for a truth between a band's outer figures.
func within(t *testing.T, what string, b coat.TimeBand, truth time.Time) {
	t.Helper()
	if b.P10 == nil || b.P50 == nil || b.P90 == nil {
		t.Errorf("%s: band %+v, truth %s", what, b, truth.Format("15:04"))
		return
	}
	h := func(t time.Time) float64 { return t.Sub(lidApplied).Hours() }
	t.Logf("%s: %.2f to %.2f h, truth %.2f", what, h(*b.P10), h(*b.P90), h(truth))
	if truth.Before(*b.P10) || truth.After(*b.P90) {
		t.Errorf("%s: %s to %s, truth %s", what, b.P10.Format("15:04"), b.P90.Format("15:04"), truth.Format("15:04"))
	}
}

// TestPanelHeldWarmBesideColdAir: a mat holds the panel at 24 °C in a shed at
// 10. The forecast begins from what the panel has over the air and keeps it for
// as long as the past says; the true time, that of a panel which stays at 24,
// lies inside the band from the first minutes on.
func TestPanelHeldWarmBesideColdAir(t *testing.T) {
	j := mustParse(t, strings.Split(lidJob, "[[feel]]")[0])
	tb := mat(-1, 12, still(24), still(10))
	truth := replayOne(t, j, tb, 12).Events.Green.P50 // followed to the end: what the panel did, at κ = 1
	for _, since := range []float64{-3, -0.5, 0} {
		tb := mat(since, 12, still(24), still(10))
		for _, h := range []float64{0.1, 0.5, 1, 2, 3} {
			e := replayOne(t, j, tb, h)
			within(t, fmt.Sprintf("readings since %g h, asked at %g h", since, h), e.Events.Green, *truth)
		}
	}
}

// TestProbeLostOverAMat: the probe dies while the mat goes on. The stand-in
// begins from what the panel had over the air, and the truth stays inside the
// bands.
func TestProbeLostOverAMat(t *testing.T) {
	j := mustParse(t, strings.Split(lidJob, "[[feel]]")[0])
	whole := replayOne(t, j, mat(-2, 12, still(24), still(10)), 12)
	for _, lost := range []float64{0.3, 1, 2} {
		tb := mat(-2, 12, func(h float64) float64 {
			if h > lost {
				return math.NaN()
			}
			return 24
		}, still(10))
		for _, h := range []float64{2.2, 3, 4, 5.5} {
			what := fmt.Sprintf("lost at %g h, asked at %g h", lost, h)
			e := replayOne(t, j, tb, h)
			within(t, what+": green", e.Events.Green, *whole.Events.Green.P50)
			within(t, what+": recoat closes", e.Events.RecoatCloses, *whole.Events.RecoatCloses.P50)
		}
		for _, h := range []float64{6.7, 8, 9.1} { // past the true closing
			if e := replayOne(t, j, tb, h); e.NextWindow != nil && e.NextWindow.Permits {
				t.Errorf("lost at %g h: the next coat is permitted at %g h: %s", lost, h, e.Advice)
			}
		}
	}
}

// TestSunFades: what the sun gave on its way up and took again is not carried
// through the night. The panel was in the sun each day; at three in the
// afternoon the forecast for nine at night is nearer to the air than to the
// panel in the sun.
func TestSunFades(t *testing.T) {
	j := mustParse(t, strings.Split(lidJob, "[[feel]]")[0])
	panel := func(h float64) float64 { // the coat went on at 9:40, the sun stands on it from 7 to 17
		clock := math.Mod(h+9.67+48, 24)
		if clock > 7 && clock < 17 {
			return 12 + 10*math.Sin((clock-7)/10*math.Pi)
		}
		return 12
	}
	tb := mat(-3, 30, panel, still(12))
	e := NewEstimator(Options{})
	w := At(&j.Work, after(6))
	ru, err := e.follow(after(6), w, &w.Coats[0], tb, j.Settings)
	if err != nil {
		t.Fatal(err)
	}
	o := e.outlook(after(6), ru, tb, j.Settings)
	mean := 0.0
	for p := range o.Paths {
		mean += o.At(p, 6*4) / float64(o.Paths)
	}
	if now := panel(6); math.Abs(o.At(0, 0)-now) > 0.2 || mean > 12+0.75*(now-12) {
		t.Errorf("%.1f °C now (truth %.1f), in six hours %.1f", o.At(0, 0), now, mean)
	}
}
