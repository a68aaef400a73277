// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"fmt"
	"testing"
)

// TestFahrenheit: with °F and a clock of twelve hours chosen, no page says a
// temperature in °C or a time of the 24 h clock, also not in what the board says.
func TestFahrenheit(t *testing.T) {
	b := browser(t)
	s := day(t)
	put(t, s, "/api/v1/settings", map[string]any{"units": "us", "clock": "12h"})
	for _, z := range sizes[:1] {
		ctx, bad := tab(t, b, z.width, z.height, z.dark)
		open(t, ctx, s.url)
		for _, p := range pages {
			if p.hash == "settings" {
				continue // where the other choice stands
			}
			t.Run(p.hash, func(t *testing.T) {
				js[bool](t, ctx, fmt.Sprintf("(location.hash = %q, true)", "#/"+p.hash))
				until(t, ctx, fmt.Sprintf("document.querySelector('#main') && document.querySelector('#main').dataset.at === %q && document.querySelector(%q)", "#/"+p.hash, "#main "+p.ready))
				for _, m := range js[[]string](t, ctx, text+`.split('\n').filter((l) => /°C|\d ?K\b/.test(l) || /\b\d?\d:\d\d\b(?! ?[ap]m)/.test(l))`) {
					t.Error(m)
				}
			})
		}
		_ = bad
	}
}
