// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"strings"
	"testing"
)

// TestFahrenheit: with °F and a clock of twelve hours chosen, no page says a
// temperature in °C or a time of the 24 h clock, also not in what the board says.
// What a person wrote stays as it is.
func TestFahrenheit(t *testing.T) {
	s := day(t)
	put(t, s, "/api/v1/settings", map[string]any{"units": "us", "clock": "12h"})
	const note = "Glue at 20 °C"
	s.Post("/api/v1/panels", map[string]any{"id": "noted", "air": "shed-air"})
	s.Post("/api/v1/jobs", map[string]any{"id": "noted", "name": note, "resin": "medium", "toml": "[[panel]]\nid = \"noted\"\n[[step]]\nid = \"glue\"\npanel = \"noted\"\ndo = \"wait\"\nhours = 1\n"})
	seen := false
	visit(t, s, "", sizes[:1], func(t *testing.T, ctx context.Context) {
		if js[string](t, ctx, "location.hash") == "#/settings" {
			return // where the other choice stands
		}
		for _, m := range js[[]string](t, ctx, text+`.split('\n').filter((l) => /°C|\d ?K\b/.test(l) || /\b\d?\d:\d\d\b(?! ?[ap]m)/.test(l))`) {
			if strings.Contains(m, note) {
				seen = true
			} else {
				t.Error(m)
			}
		}
	})
	if !seen {
		t.Errorf("%q stands on no page, or not as it was written", note)
	}
}
