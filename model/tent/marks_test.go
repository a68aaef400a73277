// SPDX-License-Identifier: Apache-2.0

package tent

import (
	"testing"

	"curewright/model/cure/marktest"
)

// TestMarksAreTheEstimates: on random temperatures a landing has the same times
// of the marks as a stepping of their definitions minute by minute, to a minute;
// model/plan, model/coat and model/cure hold theirs against the same.
func TestMarksAreTheEstimates(t *testing.T) {
	for _, tr := range marktest.Traces(30) {
		p := steady(tr.Resin, 20)
		p.Len, p.StepS = len(tr.TempC), marktest.StepMin*60
		p.Nodes = []Node{{Weight: 1, Kappa: tr.Kappa}}
		s := newSolver(t.Context(), &p)
		copy(s.temps, tr.TempC)
		s.cure(0, []int{0}, p.Len-1, func(_ int, m moments) {
			for _, x := range []struct {
				name string
				got  float64
				pick func(marktest.Times) float64
			}{
				{"opens", m.opens / 60, func(m marktest.Times) float64 { return m.Opens }},
				{"closes", m.closes / 60, func(m marktest.Times) float64 { return m.Closes }},
				{"hard", m.hard / 60, func(m marktest.Times) float64 { return m.Hard }},
			} {
				if want, ok := tr.Same(x.got, x.pick); !ok {
					t.Errorf("%s (%s): %s at %.2f min, stepped minute by minute %.2f", tr.Name, tr.Resin, x.name, x.got, want)
				}
			}
		})
	}
}
