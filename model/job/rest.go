// SPDX-License-Identifier: Apache-2.0

package job

import "time"

// planPast is how far back a plan knows the weather of what has been done.
const planPast = 6 * 24 * time.Hour

// longWait ends a plan, h: behind a day and more of waiting no forecast of a
// shed is worth planning by.
const longWait = 24

// Rest is what is left of a job, for a plan: the steps that are still open, up
// to a wait of a day or more, and before them those done ones whose coats they wait for, with their times.
// A condition on a coat that was skipped, or that lies too far back for a
// plan, is taken as met; a wait goes on from when it began.
func (s *Schedule) Rest(out []StepState, now time.Time) (rest []Step, done map[string]time.Time) {
	open := func(i int) bool { return out[i].Status == StepOpen || out[i].Status == StepLater }
	known := func(i int) bool {
		return out[i].Status == StepDone && out[i].DoneAt != nil && now.Sub(*out[i].DoneAt) <= planPast
	}
	keep := make([]bool, len(out))
	cut := map[string]bool{} // panels that lie behind a long wait
	planned := map[string]bool{}
	for i, x := range s.Steps {
		switch {
		case cut[x.Panel]:
			if x.To != "" {
				cut[x.To] = true
			}
			continue
		case !open(i):
			continue
		case x.Do == "wait" && x.Hours != nil && *x.Hours >= longWait && planned[x.Panel]:
			cut[x.Panel] = true
			continue
		}
		keep[i], planned[x.Panel] = true, true
		if b := baseCoat(s.Steps, i); b >= 0 && known(b) {
			keep[b] = true
		}
		if k := s.Step(out[i].Of); k >= 0 && k < i && known(k) {
			keep[k] = true
		}
	}
	done = map[string]time.Time{}
	for i, x := range s.Steps {
		if !keep[i] {
			continue
		}
		if known(i) {
			done[x.ID] = *out[i].DoneAt
		}
		if b := baseCoat(s.Steps, i); b >= 0 && !keep[b] && (open(i) || x.When != "") {
			x.When = ""
		}
		if k := s.Step(x.Of); k >= 0 && !keep[k] {
			x.Of = ""
			if x.Do == "wait" && x.Hours != nil && out[k].DoneAt != nil {
				left := max(*x.Hours-now.Sub(*out[k].DoneAt).Hours(), 0.1)
				x.Hours = &left
			}
		}
		if x.Do == "coat" {
			x.Resin = s.ResinOf(i)
		}
		rest = append(rest, x)
	}
	return rest, done
}
