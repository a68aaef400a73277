// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"errors"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/internal/daemon/tentplan"
	"curewright/internal/testkit"
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
func (h *heldBy) Off(string, string)                       { h.st.AimC = sensors.Value{} }
func (h *heldBy) UseSolvent(string)                        {}
func (h *heldBy) Release(string) error                     { return nil }
func (h *heldBy) SetResume(string, bool)                   {}
func (h *heldBy) Status() heat.Status                      { return h.st }
func (*heldBy) Limits() (lines []string, hash, why string) { return nil, "", "" }
func (*heldBy) Accept(string, string) error                { return heat.ErrOtherLimits }

// What somebody asks for is held, not what an earlier wish planned.
func TestPlanGivesWay(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC))
	live.d.AttachTent(heat.DefaultSection(), func(func(heat.Event), func() (heat.Profile, bool)) TentHolder { return &heldBy{} })
	d, who := live.d.tent, web.Who{Name: "somebody", Role: web.Control}
	plan := live.d.tent.plan
	force := func() {
		plan.Follow(tentplan.AimWish{}, &tentplan.TentPlan{Feasible: true}, heat.Profile{Until: live.clk.Now().Add(time.Hour)})
	}
	force()
	if err := d.SetTentPoint(t.Context(), who, 80); err == nil {
		t.Error("80 °C is accepted")
	}
	if _, ok := plan.Profile(); !ok {
		t.Error("a set point that was refused ends the plan")
	}
	testkit.OK(t, d.SetTentPoint(t.Context(), who, 20))
	if _, ok := plan.Profile(); ok {
		t.Error("a plain hold is asked for, and the plan goes on")
	}
	if v, _ := d.Tent(t.Context()); v.SetPointC == nil || *v.SetPointC != 20 {
		t.Errorf("20 °C asked for, %v shown", v.SetPointC)
	}
	force()
	testkit.OK(t, d.TentOff(t.Context(), who, "done"))
	if _, ok := plan.Profile(); ok {
		t.Error("the plan outlives \"heat off\"")
	}
}
