// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"testing"

	"curewright/model/cure"
	"curewright/model/cure/marktest"
)

// A coat of the past is read over its panel's readings: on random temperatures
// the replay has the times that a stepping of the marks' definitions minute by
// minute has, which shares no code with it.
func TestReplayOverReadings(t *testing.T) {
	told := 0
	for _, tr := range marktest.Traces(12) {
		tr.Kappa = 1
		l := Lesson{WarmthC: tr.TempC[2*(MaxPath-1)]}
		for i := range MaxPath {
			l.PathC = append(l.PathC, tr.TempC[2*i])
			if i > 0 { // the path is linear over each half hour
				tr.TempC[2*i-1] = (tr.TempC[2*i-2] + tr.TempC[2*i]) / 2
			}
		}
		tr.TempC = tr.TempC[:2*MaxPath-1]
		r, _ := cure.Generic(tr.Resin)
		green, closes := l.replay(&r, cure.NewIntegrator(r))
		for _, x := range []struct {
			name string
			got  *int
			pick func(marktest.Times) float64
		}{
			{"green", green, func(m marktest.Times) float64 { return m.Green }},
			{"closes", closes, func(m marktest.Times) float64 { return m.Closes }},
		} {
			got := math.Inf(1)
			if x.got != nil {
				got = float64(*x.got)
			}
			if want, ok := tr.Same(got, x.pick); !ok {
				t.Errorf("%s (%s): %s after %.0f min, stepped minute by minute %.1f", tr.Name, tr.Resin, x.name, got, want)
			} else if !math.IsInf(want, 1) {
				told++
			}
		}
	}
	if told < 15 {
		t.Errorf("only %d marks were passed at all", told)
	}
}
