// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"testing"
)

// TestFahrenheit: with °F and a clock of twelve hours chosen, no page says a
// temperature in °C or a time of the 24 h clock, also not in what the board says.
func TestFahrenheit(t *testing.T) {
	s := day(t)
	put(t, s, "/api/v1/settings", map[string]any{"units": "us", "clock": "12h"})
	visit(t, s, "", sizes[:1], func(t *testing.T, ctx context.Context) {
		if js[string](t, ctx, "location.hash") == "#/settings" {
			return // where the other choice stands
		}
		for _, m := range js[[]string](t, ctx, text+`.split('\n').filter((l) => /°C|\d ?K\b/.test(l) || /\b\d?\d:\d\d\b(?! ?[ap]m)/.test(l))`) {
			t.Error(m)
		}
	})
}
