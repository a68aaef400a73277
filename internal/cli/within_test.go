// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"strings"
	"testing"
)

// A time to keep to is rounded down, and one that does not end is no "never".
func TestTimesToKeepTo(t *testing.T) {
	for m, want := range map[float64]string{.4: "less than a minute", 7.9: "7 min", 95.9: "1.5 h", 185.9: "3.0 h"} {
		if got := (&App{}).within(&m); got != want {
			t.Errorf("%g min: %q, want %q", m, got, want)
		}
	}
	if got := (&App{}).within(nil); strings.Contains(got, "never") {
		t.Errorf("no end within 12 h: %q", got)
	}
}
