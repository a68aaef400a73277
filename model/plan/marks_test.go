// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"math"
	"testing"
	"time"

	"curewright/model/cure/marktest"
)

// TestMarksAreTheEstimates: on random temperatures the plan has the same times
// of the marks as a stepping of their definitions minute by minute, to a minute;
// model/coat, model/tent and model/cure hold theirs against the same.
func TestMarksAreTheEstimates(t *testing.T) {
	for _, tr := range marktest.Traces(30) {
		f := Forecast{Start: time.Date(2026, 10, 10, 6, 0, 0, 0, shed), Step: marktest.StepMin * time.Minute, Air: [][]float64{tr.TempC}}
		j := oneCoat(t, tr.Resin, f)
		j.Learned = map[string]Kappa{tr.Resin: {Mean: math.Log(tr.Kappa)}}
		k := ready(t, j)
		tb := k.table(0, 0)
		tb.last = never - 1
		for _, x := range []struct {
			e    mark
			pick func(marktest.Times) float64
		}{
			{tacky, func(m marktest.Times) float64 { return m.Tacky }}, {opens, func(m marktest.Times) float64 { return m.Opens }},
			{stopped, func(m marktest.Times) float64 { return m.Stopped }}, {green, func(m marktest.Times) float64 { return m.Green }},
			{closes, func(m marktest.Times) float64 { return m.Closes }}, {hard, func(m marktest.Times) float64 { return m.Hard }},
		} {
			if x.e == opens && tr.Cold() {
				continue // too cold to open then: the plan waits
			}
			got, _ := tb.when(&walk{}, x.e, 0, 0)
			if want, ok := tr.Same(got, x.pick); !ok {
				t.Errorf("%s (%s): %v at %.2f min, stepped minute by minute %.2f", tr.Name, tr.Resin, x.e, got, want)
			}
		}
	}
}

// A coat is fit to handle after 48 h at 20 °C.
func TestHandle(t *testing.T) {
	at, _ := ready(t, oneCoat(t, "medium", steady(20))).table(0, 0).when(&walk{}, handle, 60, 0)
	if math.Abs(at/60-49) > 0.01 {
		t.Errorf("after %.3f h", at/60-1)
	}
}
