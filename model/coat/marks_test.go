// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"testing"
	"time"

	"curewright/model/cure"
	"curewright/model/cure/marktest"
)

// TestMarksAreTheReference: on random temperatures a coat followed by readings a
// quarter hour apart, and its forecast from the first quarter hour on, have the
// same times of the marks as a stepping of their definitions minute by minute;
// model/plan, model/tent and model/cure hold theirs against the same. Both do to a
// minute, though the forecast goes by hours.
func TestMarksAreTheReference(t *testing.T) {
	marks := []struct {
		name string
		m    cure.Mark
		pick func(marktest.Times) float64
	}{
		{"tacky", cure.Tacky, func(m marktest.Times) float64 { return m.Tacky }},
		{"opens", cure.Opens, func(m marktest.Times) float64 { return m.Opens }},
		{"green", cure.Green, func(m marktest.Times) float64 { return m.Green }},
		{"hard", cure.Hard, func(m marktest.Times) float64 { return m.Hard }},
	}
	for _, tr := range marktest.Traces(30) {
		// A rate factor of the grid, at which nothing is interpolated.
		j := node(math.Log(tr.Kappa))
		tr.Kappa = nodeKappa[j]
		r, _ := cure.Generic(tr.Resin)
		past := NewTrack(TrackOptions{Resin: &r, Mixed: zero, Applied: zero})
		early := new(Track)
		for i, c := range tr.TempC {
			past.Feed(Point{At: zero.Add(time.Duration(i) * marktest.StepMin * time.Minute), TempC: c, VapourPa: math.NaN(), CO2: math.NaN()})
			if i == 1 {
				past.CopyTo(early)
			}
		}
		_, low := past.lesser()

		ws := new(Workspace)
		f := ws.fan(early, early.t)
		var path []float32
		for _, c := range tr.TempC[1:] {
			path = append(path, float32(c))
			f.law = f.law || c < r.MinC || c > r.MaxC
		}
		var when times
		ws.follow(f, &offsets{}, path, marktest.StepMin*60, j, j, &when)

		for _, x := range marks {
			for name, s := range map[string]float64{"estimate": low[midRail][j].When[x.m], "forecast": when[x.m][j]} {
				want, ok := tr.Same(s/60, x.pick)
				if !ok {
					t.Errorf("%s (%s), %s: %s at %.2f min, stepped minute by minute %.2f", tr.Name, tr.Resin, name, x.name, s/60, want)
				}
			}
		}
	}
}
