// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"errors"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/sensors"
)

// heldBy is a heater that does as it is told, within limits.
type heldBy struct{ st heat.Status }

func (h *heldBy) Hold(_ string, c float64) error {
	if c > 30 {
		return errors.New("outside the file's limits")
	}
	h.st.AimC = sensors.Some(c)
	return nil
}
func (h *heldBy) Off(string, string)     { h.st.AimC = sensors.Value{} }
func (h *heldBy) UseSolvent(string)      {}
func (h *heldBy) Release(string) error   { return nil }
func (h *heldBy) SetResume(string, bool) {}
func (h *heldBy) Status() heat.Status    { return h.st }

// What somebody asks for is held, not what an earlier wish planned; a plan that
// can't be made anew says so, instead of what it once promised.
func TestPlanGivesWay(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC))
	live.d.AttachTent(heat.DefaultSection(), func(func(heat.Event), func() (heat.Profile, bool)) TentHolder { return &heldBy{} })
	d, who := tentDaemon{live.d, live.d.tent}, web.Who{Name: "somebody", Role: web.Control}
	a := &live.d.tent.aims
	force := func() {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.wish, a.plan, a.has = &aimWish{}, &TentPlan{Feasible: true}, true
		a.now.Until = live.clk.Now().Add(time.Hour)
	}
	force()
	a.stuck(errors.New("no reading of the panel"), time.UTC)
	if v, err := d.Tent(t.Context()); err != nil || !strings.Contains(string(v.Aim), "can't be made anew: no reading of the panel") || !strings.Contains(string(v.Aim), `"feasible":false`) {
		t.Errorf("a plan that can't be made anew: %s, %v", v.Aim, err)
	}
	if err := d.SetTentPoint(t.Context(), who, 80); err == nil {
		t.Error("80 °C is accepted")
	}
	if _, ok := a.profile(); !ok {
		t.Error("a set point that was refused ends the plan")
	}
	if err := d.SetTentPoint(t.Context(), who, 20); err != nil {
		t.Fatal(err)
	}
	if _, ok := a.profile(); ok {
		t.Error("a plain hold is asked for, and the plan goes on")
	}
	if v, _ := d.Tent(t.Context()); v.SetPointC == nil || *v.SetPointC != 20 {
		t.Errorf("20 °C asked for, %v shown", v.SetPointC)
	}
	force()
	if err := d.TentOff(t.Context(), who, "done"); err != nil {
		t.Fatal(err)
	}
	if _, ok := a.profile(); ok {
		t.Error("the plan outlives \"heat off\"")
	}
}

// A soak that is followed goes by its corners: looked after, its expiry moves on
// and its corners stay; with nobody to look after it, it ends within two hours.
func TestSoakIsFollowed(t *testing.T) {
	now := time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC)
	end := now.Add(9 * time.Hour)
	corners := []heat.Point{{At: now, C: 20}, {At: now.Add(4 * time.Hour), C: 40}}
	a := &aims{wish: &aimWish{Wish: soakWish, By: end}, plan: &TentPlan{Points: corners}, now: heat.Profile{Points: corners}, has: true}
	for _, tt := range []struct{ at, until time.Time }{{now, now.Add(aimStale)}, {now.Add(3 * time.Hour), now.Add(3*time.Hour + aimStale)}, {now.Add(8 * time.Hour), end}} {
		a.staleBy(tt.at)
		p, ok := a.profile()
		if !ok || !p.Until.Equal(tt.until) || len(p.Points) != 2 {
			t.Errorf("at %s it is followed until %s, want %s", tt.at, p.Until, tt.until)
		}
	}
	if c, ok := a.now.At(now.Add(2 * time.Hour)); ok && c != 30 {
		t.Errorf("half way up: %g °C, want 30", c)
	}
}
