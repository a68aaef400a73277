// SPDX-License-Identifier: Apache-2.0

package main

import (
	"math"
	"testing"

	"curewright/model/cure"
)

// A short run of each kind of world: the figures are in docs/scores.md, these
// bounds only hold that nothing has come loose.
func TestWorlds(t *testing.T) {
	if testing.Short() {
		t.Skip("lives some dozens of coats")
	}
	for i := range worlds {
		w := &worlds[i]
		x := run(w, "coat", 6, 1000)
		if x.coats != 6 || w.wrong == nil && x.said == 0 {
			t.Fatalf("%s: %d coats, \"now\" said at %d moments", w.name, x.coats, x.said)
		}
		if w.wrong == nil && x.right < 3 {
			t.Errorf("%s: %d of 6 went on inside the window", w.name, x.right)
		}
		if x.mostTests > 5 || x.softenedCooling > 0 || x.tooWarm > 0 {
			t.Errorf("%s: up to %d tests a coat, softened while cooling %d, told to warm over 40 °C %d", w.name, x.mostTests, x.softenedCooling, x.tooWarm)
		}
	}
}

// The simulation's own integrator against the closed form of the law with m = 1
// and n = 2 (arithmetic): k2·t(α) for K = .3 at α = .577 is 2.1931.
func TestOwnIntegrator(t *testing.T) {
	l := asSaid(nil, "medium")
	a, h := 0.0, 10.0
	steps := 0
	for a < .577 {
		k1 := l.rate(a, 25, 1, true)
		a += h * l.rate(a+h/2*k1, 25, 1, true)
		steps++
	}
	k2 := l.a2 * math.Exp(-l.e2/(8.314462618*298.15))
	if got := k2 * float64(steps) * h; math.Abs(got-2.1931) > .003 {
		t.Errorf("k2·t = %.4f, closed form 2.1931", got)
	}
	// And the published set: chemistry alone reaches .577 in 6.77 h at 25 °C, as
	// quoted with it.
	p := published(nil, "slow")
	a, steps = 0, 0
	for a < .577 {
		k1 := p.rate(a, 25, 1, true)
		a += h * p.rate(a+h/2*k1, 25, 1, true)
		steps++
	}
	if got := float64(steps) * h / 3600; math.Abs(got-6.77) > .02 {
		t.Errorf("published set: %.3f h to .577 at 25 °C, want 6.77", got)
	}
	r, _ := cure.Generic("medium")
	if math.Abs(l.tg(.7)-r.Tg(.7)) > 1e-9 {
		t.Error("another glass transition")
	}
}
