// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/memory"
)

// TestLearnt: what five coats of another board taught stands on the resin's page,
// opens to the coats, and is forgotten on one hold.
func TestLearnt(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	r, _ := cure.Generic(cure.Fast)
	m := &memory.Memory{}
	sheet := cure.Steady(r, 21, 1.3, true).TimesMin
	for i := range 5 {
		l := memory.Lesson{Coat: fmt.Sprintf("lid-%d", i), Board: "loft", Resin: r.Name, Law: memory.LawOf(&r), Applied: s.Now().Add(-time.Duration(i+1) * 24 * time.Hour), WarmthC: 21, Teaches: true}
		for _, x := range []struct {
			min float64
			s   coat.State
		}{{(*sheet.Tacky + *sheet.Green) / 2, coat.Tacky}, {(*sheet.Green + *sheet.Firm) / 2, coat.Green}} {
			f := coat.Touch{At: l.Applied.Add(time.Duration(x.min) * time.Minute), State: x.s, NowC: 21}
			it := cure.NewIntegrator(r)
			for k := range f.Alpha {
				a, kappa := []float64{0}, []float64{math.Exp(coat.TouchFirst + coat.TouchStep*float64(k))}
				for range int(x.min) {
					it.Advance(a, kappa, 60, 21, 21)
				}
				f.Alpha[k] = a[0]
			}
			l.Touches = append(l.Touches, f)
		}
		m.Put(l)
	}
	file, err := memory.Write(m, "loft", s.Now())
	if err != nil {
		t.Fatal(err)
	}
	if code, body := s.Raw("POST", "/api/v1/memory/file", file); code != 200 {
		t.Fatalf("%d %s", code, body)
	}
	ctx := phone(t, s.url)
	js[bool](t, ctx, "(location.hash = '#/resin/fast', true)")
	says(t, ctx, "Your fast runs")
	says(t, ctx, "faster than its sheet (coats: 5)")
	js[bool](t, ctx, "(document.querySelector('.learnt summary').click(), true)")
	until(t, ctx, "[...document.querySelectorAll('.learnt details[open] li')].length === 5")
	js[bool](t, ctx, "(() => { const e = document.querySelector('.learnt .hold'); e.dispatchEvent(new PointerEvent('pointerdown', {bubbles: true, button: 0})); return true; })()")
	until(t, ctx, "document.querySelector('.learnt') && !document.querySelector('.learnt .hold')")
}
