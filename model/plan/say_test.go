// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/model/job"
	"curewright/model/words"
)

// All that a plan says comes from the catalogue: in the pseudo-language nothing
// of it is in plain letters but names, whether the day holds, fails or is done.
func TestPlanSpeaksTheCatalogue(t *testing.T) {
	names := []string{"lid-a", "lid-b", "lid", "other", "medium", "fast", "slow", "aramid 170 plain", "glass 160 twill",
		"tack", "joints", "aramid", "glass", "fill", "sand", "rest", "warm", "seal", "wash", "flip"}
	bare := func(what, text string) {
		t.Helper()
		if strings.ContainsAny(text, "{}") {
			t.Errorf("%s: a fact is missing in %q", what, text)
		}
		for _, w := range words.Bare(text, names...) {
			if !slices.Contains(job.Whens, w) { // keys of the job file, quoted
				t.Errorf("%s: %q is not from the catalogue: %q", what, w, text)
			}
		}
	}
	cold, good := lids(t, 8), oneCoat(t, "medium", steady(20))
	cold.Steps = cold.Steps[:6]
	cold.Done = map[string]time.Time{cold.Steps[0].ID: cold.Start.Add(-30 * time.Minute)}
	cold.Forecast = weekend(8, 8, 3, .8)
	good.Steps = append(good.Steps, job.Step{ID: "rest", Panel: "lid", Do: "wait", Hours: ptr(2.0)}, job.Step{ID: "warm", Panel: "lid", Do: "soak", Hours: ptr(8.0), TempC: ptr(40.0), RampCH: ptr(20.0)},
		job.Step{ID: "wash", Panel: "lid", Do: "wash", When: "hard"})
	for name, j := range map[string]Job{"cold": cold, "good": good} {
		j.Words = words.Pseudo()
		r := planned(t, j)
		bare(name, r.Say)
		for _, x := range slices.Concat(r.WhyNot, r.Notes, r.Cautions) {
			bare(name, x)
		}
		for _, x := range r.Options {
			bare(name, x.Say)
		}
		for _, x := range r.Steps {
			bare(name, x.Say)
		}
	}
	cold.Words = words.Pseudo()
	c := ready(t, cold)
	now := trial{release: make([]float64, len(c.steps))}
	for i := range now.release {
		now.release[i], now.order = math.Inf(-1), append(now.order, i)
	}
	d := c.detail(&now)
	for why := byRelease; why <= byLate; why++ {
		for step := range c.steps {
			for with := -1; with < 2; with++ {
				if (why == byNever || why == byOver || why == byStep) && (with < 0 || c.steps[step].coatOf < 0) {
					continue // these are always about another step
				}
				bare("conflict", c.conflict(d, step, with, why, []int{0, 1}))
			}
		}
	}
}
