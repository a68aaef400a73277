// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"strings"
	"testing"

	"curewright/internal/daemon/daemontest"
)

// TestFit: a sheet typed into the phone comes back as it was typed, hours as
// hours and a range as a range, with how well the fit meets it in words; nothing
// is wider than the phone. The sheet is invented.
func TestFit(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	ctx := phone(t, s.url)
	js[bool](t, ctx, `(sessionStorage.setItem('draft:sheet', JSON.stringify({name: 'club epoxy', hardener_kind: 'cycloaliphatic', rw: ['100', '30'], min: '12', tga: '52', tgp: '78',
		pots: [{grams: '100', temp: '25', a: '25', b: '30'}], times: [{event: 'tack_free', temp: '22', a: '4', b: '5'}, {event: 'sand', temp: '20', a: '16,5', b: ''}]})), location.hash = '#/resin/new', true)`)
	until(t, ctx, drawn+" && location.hash === '#/resin/new' && "+button("Fit it"))
	tap(t, ctx, "Fit it")
	until(t, ctx, "document.querySelector('.fitted')")
	glove(t, ctx)
	rows := js[[]string](t, ctx, `[...document.querySelectorAll('.fitrows li')].map((e) => e.innerText.replace(/[\u00a0\u202f]/g, ' '))`)
	all := strings.Join(rows, " | ")
	for _, want := range []string{"Tack free at 22 °C", "Sheet 4 to 5 h, fit ", "Can be sanded at 20 °C", "Sheet 16.5 h, fit ", "Pot life of 100 g at 25 °C", "Sheet 25 to 30 min, fit "} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q in %s", want, all)
		}
	}
	for _, bad := range []string{"σ", "sigma", "tack_free", "±"} {
		if strings.Contains(js[string](t, ctx, text), bad) {
			t.Errorf("%q is no word of the shop", bad)
		}
	}
	tap(t, ctx, "Keep this epoxy")
	until(t, ctx, "document.querySelector('.curve')")
	says(t, ctx, "club epoxy")
	if w := js[int](t, ctx, "Math.ceil(document.querySelector('.curve').getBoundingClientRect().right)"); w > 360 {
		t.Errorf("the curve ends at %d px of 360", w)
	}
	glove(t, ctx)
}
