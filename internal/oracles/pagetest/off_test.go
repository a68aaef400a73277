// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/sensors/shopsim"
)

// TestOffRatio: a cup off its ratio is never refused away on the form. It says
// what to add, and the added grams are one tap; or it is scrap; or it is on the
// panel already, and then the page asks for its coat.
//
// By hand: 100 g of resin at 100 : 30 takes 30 g of hardener. With 40 g in it,
// 40/0.3 = 133 g of resin are due: 33 g more.
func TestOffRatio(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	clubEpoxy(t, s)
	s.Post("/api/v1/panels", map[string]any{"id": "lid-a", "name": "Lid A, outer", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4})
	ctx := phone(t, s.url)
	h := &hand{t: t, ctx: ctx, s: s}
	wrong := func() {
		t.Helper()
		js[bool](t, ctx, "(location.hash = '#/mixed', true)")
		until(t, ctx, drawn+" && "+button("100 g"))
		tap(t, ctx, "100 g")
		for range 10 {
			tapAt(t, ctx, "more hardener", `document.querySelectorAll('[data-field="resin_g hardener_g"] .step')[1].querySelector('button:last-child')`)
		}
		says(t, ctx, "The hardener is 33 % off: add 33 g resin.")
	}
	save := func() { t.Helper(); tapAt(t, ctx, "Mixed", "document.querySelector('#bar .first')") }
	type batch struct {
		ResinG    float64 `json:"resin_g"`
		HardenerG float64 `json:"hardener_g"`
		OffRatio  string  `json:"off_ratio"`
	}
	batches := func() []batch {
		t.Helper()
		got := read[struct{ Batches []batch }](t, s, "/api/v1/batches")
		return got.Batches
	}
	wrong()
	save()
	until(t, ctx, `[...document.querySelectorAll('[data-field="off_ratio"] .err')].some((e) => e.innerText.includes('Say what became of it.'))`) // beside its field
	glove(t, ctx)
	h.shoot("off-ratio")
	tap(t, ctx, "33 g resin added")
	says(t, ctx, "By weight 100 to 30. In all 173 g.")
	save()
	until(t, ctx, "document.querySelector('.undo button:not([disabled])')")
	wrong()
	tap(t, ctx, "It is scrap")
	save()
	until(t, ctx, drawn+" && location.hash.length < 3")
	wrong()
	tap(t, ctx, "It is on the panel already")
	says(t, ctx, "the finger decides")
	save()
	says(t, ctx, "What kind of coat")
	tap(t, ctx, "Wet-out")
	tapAt(t, ctx, "It’s on", "document.querySelector('#bar .first')")
	until(t, ctx, drawn+" && location.hash.length < 3")
	got := batches()
	slices.SortFunc(got, func(a, b batch) int { return strings.Compare(a.OffRatio, b.OffRatio) })
	if want := []batch{{133, 40, ""}, {100, 40, "scrap"}, {100, 40, "used"}}; !slices.Equal(got, want) {
		t.Errorf("batches = %+v, want %+v", got, want)
	}
	s.Advance(time.Minute)
	cs := s.Coats()
	if len(cs) != 1 || len(cs[0].Batches) != 1 || cs[0].Batches[0].OffRatio != "used" {
		t.Errorf("coats = %+v, want one, of the cup off its ratio", cs)
	}
}
