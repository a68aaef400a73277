// SPDX-License-Identifier: Apache-2.0

package tentplan

import (
	"errors"
	"strings"
	"testing"
	"time"

	"curewright/heat"
)

// A soak that is followed goes by its corners: looked after, its expiry moves on
// and its corners stay; with nobody to look after it, it ends within two hours.
func TestSoakIsFollowed(t *testing.T) {
	now := time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC)
	end := now.Add(9 * time.Hour)
	corners := []heat.Point{{At: now, C: 20}, {At: now.Add(4 * time.Hour), C: 40}}
	a := New(Options{})
	a.Follow(AimWish{Wish: Soak, By: end}, &TentPlan{Points: corners}, heat.Profile{Points: corners})
	for _, tt := range []struct{ at, until time.Time }{{now, now.Add(aimStale)}, {now.Add(3 * time.Hour), now.Add(3*time.Hour + aimStale)}, {now.Add(8 * time.Hour), end}} {
		a.staleBy(tt.at)
		p, ok := a.Profile()
		if !ok || !p.Until.Equal(tt.until) || len(p.Points) != 2 {
			t.Errorf("at %s it is followed until %s, want %s", tt.at, p.Until, tt.until)
		}
	}
	if c, ok := a.now.At(now.Add(2 * time.Hour)); ok && c != 30 {
		t.Errorf("half way up: %g °C, want 30", c)
	}
}

// A plan that can't be made anew says so, instead of what it once promised.
func TestPlanIsStuck(t *testing.T) {
	p := New(Options{Loc: time.UTC})
	p.Follow(AimWish{}, &TentPlan{Feasible: true}, heat.Profile{Until: time.Date(2026, 10, 10, 19, 0, 0, 0, time.UTC)})
	p.stuck(errors.New("no reading of the panel"))
	if v := string(p.View(nil)); !strings.Contains(v, "can't be made anew: no reading of the panel") || !strings.Contains(v, "Sat 19:00") || !strings.Contains(v, `"feasible":false`) {
		t.Errorf("shown as %s", v)
	}
}
