// SPDX-License-Identifier: Apache-2.0

package job

import (
	"math"
	"slices"
	"testing"
	"time"
)

// A lesson keeps what its panel's probe read, by the half hour, until a reading
// is missing: nothing is bridged, and nothing from before the coat counts.
func TestLessonPath(t *testing.T) {
	from := time.Date(2026, 10, 10, 9, 7, 0, 0, time.UTC)
	tab := NewTable()
	for m := -60; m < 5*60; m += 5 {
		if m > 130 && m < 200 { // the probe was off from 11:17 on
			continue
		}
		c := float64(m) / 10
		if m == 30 {
			c = math.NaN() // a failed reading: its neighbours stand for it
		}
		tab.Add("panel-1", Sample{At: from.Add(time.Duration(m) * time.Minute), TempC: c, RHPct: math.NaN(), CO2: math.NaN()})
	}
	if got, want := pathOf(tab, "panel-1", from), []float64{0, 2.5, 6, 9, 12}; !slices.Equal(got, want) {
		t.Errorf("path %v, want %v", got, want)
	}
	if got := pathOf(tab, "", from); got != nil {
		t.Errorf("without a probe: %v", got)
	}
	if got := pathOf(tab, "other", from); len(got) != 0 {
		t.Errorf("of a probe without readings: %v", got)
	}
}
