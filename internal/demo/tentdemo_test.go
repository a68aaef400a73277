// SPDX-License-Identifier: Apache-2.0

package demo

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/daemon/tentplan"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/sensors/shopsim"
)

// demoNight takes the demo to Sunday noon and returns the coldest and the
// warmest that the first lid truly was between Saturday 20:00 and Sunday
// 07:00, and the warmest air.
func demoNight(t *testing.T, tent bool, evening func(*Show)) (coldest, warmest, air float64, s *Show) {
	t.Helper()
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = t.TempDir()
	cfg.Shop.Air = shopsim.ShedAir
	cfg.Sleep = daemon.SleepSection{From: "22:30", To: "06:30"}
	if tent {
		cfg.Tent = demoTent()
	}
	// Its clock all but stands between two steps: on a busy machine a plan that takes
	// long must not find the probes silent for minutes of the demo's time.
	s, err := NewShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1, Tent: tent, HeaterW: demoHeaterW}), 1e-3, testkit.NoLog())
	testkit.OK(t, err)
	t.Cleanup(func() { s.Daemon.Store().Close() })
	from, to := must(demoTime("sat 20:00")), must(demoTime("sun 07:00"))
	coldest, warmest = math.Inf(1), math.Inf(-1)
	for at := demoOpen; at.Before(must(demoTime("sun 12:00"))); at = at.Add(5 * time.Minute) {
		s.clk.Put(at)
		testkit.OK(t, s.advance(t.Context(), at))
		tr := s.sim.Truth(at)
		if !at.Before(from) && at.Before(to) {
			coldest, warmest = math.Min(coldest, tr.PanelC[0]), math.Max(warmest, tr.PanelC[0])
		}
		air = math.Max(air, tr.TentC)
		if evening != nil && !at.Before(from) {
			evening(s)
			evening = nil
		}
	}
	return coldest, warmest, air, s
}

// tentOf is the tent as the page reaches it.
func tentOf(s *Show) web.Tent { return s.Daemon.HeatedTent() }

func must(at time.Time, err error) time.Time {
	if err != nil {
		panic(err)
	}
	return at
}

// TestDemoTent: the same October night with and without the tent's heater. It
// is held on a simulated tent of two nodes, with doors, sun and lags that the
// controller knows nothing of.
func TestDemoTent(t *testing.T) {
	cold, _, _, _ := demoNight(t, false, nil)
	coldest, warmest, air, s := demoNight(t, true, nil)
	t.Logf("the first lid between 20:00 and 07:00: down to %.1f °C without, %.1f to %.1f °C held at %g °C; the air up to %.1f °C", cold, coldest, warmest, demoHoldC, air)
	if cold > 14 {
		t.Errorf("without heat the night stays at %.1f °C: there is nothing to hold", cold)
	}
	if coldest < demoHoldC-1 || warmest > demoHoldC+1 {
		t.Errorf("held at %g °C, the lid was between %.1f and %.1f °C", demoHoldC, coldest, warmest)
	}
	if air > *s.tent.sec.MaxAirC {
		t.Errorf("the air reached %.1f °C, its limit is %g", air, *s.tent.sec.MaxAirC)
	}
	st := s.tent.Status()
	if st.On || st.Latched || st.WishC.OK() {
		t.Errorf("on Sunday noon: %+v, want off by hand", st)
	}
	v, err := tentOf(s).Tent(t.Context())
	if err != nil || v.Heater != "off" || v.Switch < 20 {
		t.Errorf("the page's tent: %+v, %v", v, err)
	}
	for _, a := range snapshot(t, s).Alerts {
		if a.Rule == alerts.TentOff {
			t.Errorf("an alert after an undisturbed night: %+v", a)
		}
	}
}

// TestDemoAim asks for a coat hard on Sunday morning and follows the plan: the
// simulated finger then finds it so; a wish that can't be met says so.
func TestDemoAim(t *testing.T) {
	var plan tentplan.TentPlan
	_, _, _, s := demoNight(t, true, func(s *Show) {
		testkit.OK(t, s.Daemon.Evaluate(t.Context()))
		d := tentOf(s)
		who := web.Who{Name: "somebody", Role: web.Control}
		for name, tt := range map[string]struct{ body, want string }{
			"no such coat":           {`{"coat":"x","wish":"hard","by":"2026-10-11T10:00:00+01:00"}`, "unknown coat"},
			"on another probe":       {`{"coat":"b-glass","wish":"hard","by":"2026-10-11T10:00:00+01:00"}`, "not the one the tent is held by"},
			"past":                   {`{"coat":"a-fill","wish":"hard","by":"2026-10-10T10:00:00+01:00"}`, "already past"},
			"beyond the forecast":    {`{"coat":"a-fill","wish":"hard","by":"2026-10-20T10:00:00+01:00"}`, "beyond the forecast"},
			"no such wish":           {`{"coat":"a-fill","wish":"soon","by":"2026-10-11T10:00:00+01:00"}`, "is not window, hard or no_stall"},
			"an impossible surety":   {`{"coat":"a-fill","wish":"hard","by":"2026-10-11T10:00:00+01:00","probability":1}`, "probability"},
			"nothing we know":        {`{"coat":"a-fill","wish":"hard","by":"2026-10-11T10:00:00+01:00","max_air_c":90}`, "unknown field"},
			"a window back to front": {`{"coat":"a-fill","wish":"window","from":"2026-10-11T09:00:00+01:00","to":"2026-10-11T07:00:00+01:00"}`, "not after from"},
		} {
			if _, err := d.TentAim(t.Context(), who, json.RawMessage(tt.body)); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%s: err = %v, want %q", name, err, tt.want)
			}
		}
		b, err := d.TentAim(t.Context(), who, json.RawMessage(`{"coat":"a-fill","wish":"hard","by":"2026-10-10T21:30:00+01:00"}`))
		testkit.OK(t, err)
		testkit.OK(t, json.Unmarshal(b, &plan))
		if plan.Feasible || plan.Nearest == nil || !strings.Contains(plan.Say, "It can't be hard by Sat 21:30") {
			t.Errorf("hard within two hours: %s", b)
		}
		if b, err = d.TentAim(t.Context(), who, json.RawMessage(`{"coat":"a-fill","wish":"hard","by":"2026-10-11T10:00:00+01:00","apply":true}`)); err != nil {
			t.Fatal(err)
		}
		testkit.OK(t, json.Unmarshal(b, &plan))
		_, err = d.TentAim(t.Context(), who, json.RawMessage(`{"coat":"","wish":"soon","probability":3}`))
		for _, w := range []string{"which coat is it for", "is not window, hard or no_stall", "must be between 0 and 1"} {
			if err == nil || !strings.Contains(err.Error(), w) {
				t.Errorf("%q is not among the faults: %v", w, err)
			}
		}
		t.Log(plan.Say)
		if !plan.Feasible || plan.Energy == nil || plan.Cost == nil {
			t.Errorf("hard by ten in the morning: %s", b)
		}
		if _, ok := s.tent.profile(); !ok {
			t.Error("no plan in force")
		}
	})
	at := s.fed
	if at.Before(plan.By) {
		t.Fatalf("the demo stands at %v", at)
	}
	if got := s.finger("a-fill", at); got != coat.Hard {
		t.Errorf("the finger finds %s at %s", got, at.Format("15:04"))
	}
	if v, _ := tentOf(s).Tent(t.Context()); v.Aim == nil {
		t.Error("the page shows no plan")
	}
}

// TestDemoForecastHeld: in the evening the forecast of a lid in the tent goes
// by its set point: it is hard hours before a lid that the night cools.
func TestDemoForecastHeld(t *testing.T) {
	hard := func(tent bool) *time.Time {
		var at *time.Time
		demoNight(t, tent, func(s *Show) {
			testkit.OK(t, s.Daemon.Evaluate(t.Context()))
			for _, e := range snapshot(t, s).Result.Coats {
				if e.ID == "a-fill" {
					at = e.Events.Hard.P50
				}
			}
		})
		return at
	}
	without, with := hard(false), hard(true)
	if without == nil || with == nil {
		t.Fatalf("hard at %v without a tent, at %v held", without, with)
	}
	t.Logf("hard at %s without a tent, at %s held", without.Format("Mon 15:04"), with.Format("Mon 15:04"))
	if without.Sub(*with) < time.Hour {
		t.Errorf("hard at %s held and at %s without: less than an hour apart", with, without)
	}
}
