// SPDX-License-Identifier: Apache-2.0

package job

import (
	"slices"
	"testing"
)

// A job is edited after entries were made of its steps: an entry of a step that
// is no longer there keeps nothing from the steps that are. The coat counts for
// the step of its kind, the cup stands ready for the next coat.
func TestEditedJobLeavesNothingStray(t *testing.T) {
	d := newDesk(t)
	d.mixed("joints", "09:10")
	bond := d.done("joints", "09:15").Coat
	cup := d.mixed("tack", "09:30").Batch
	s := d.jobs[0]
	s.Steps = slices.Clone(s.Steps)
	s.Steps[0].ID, s.Steps[1].ID = "fillets", "sealer"
	for i := range s.Steps {
		if s.Steps[i].Of == "tack" {
			s.Steps[i].Of = "sealer"
		}
	}
	if f := CheckSchedule(d.w, s); f != nil {
		t.Fatal(f)
	}
	d.jobs[0], d.now = s, day("09:40")
	out := s.Progress(d.w, d.ticks, d.now)
	if out[0].Status != StepDone || out[0].Coat != bond {
		t.Errorf("fillets are %s by %q, want done by the bond that is on", out[0].Status, out[0].Coat)
	}
	n := (&Desk{Now: d.now, Work: d.w, Ticks: d.ticks}).Next(&s)
	if len(n) != 1 || n[0].Step != "sealer" || n[0].Primary != "done" || len(n[0].ReadyCups) != 1 {
		t.Fatalf("next = %+v, want the sealer from the cup that stands ready", n)
	}
	e := d.done("sealer", "09:38")
	if !slices.Equal(e.Batches, []string{cup}) {
		t.Errorf("the sealer's cups are %v, want %s, which the card showed", e.Batches, cup)
	}
}
