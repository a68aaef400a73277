// SPDX-License-Identifier: Apache-2.0

package tent

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"

	"curewright/model/cure"
)

// soaking is a coat of the slow set that is hard at 20 °C, in a tent of 30 K.
func soaking() Problem {
	p := steady(cure.Slow, 20)
	p.Nodes = []Node{{Weight: 1, Kappa: 1, Alpha: .76, Less: .76}}
	p.MaxC, p.RampKH, p.Tent.GainK, p.Tent.TauS = 45, 10, 40, 1800
	p.Resin.MaxC = 45
	return p
}

// TestSoak: up by 5 °C an hour to 40, held eight hours and down; the glass
// transition at the end is that of the same law along that temperature, stepped
// here by the minute.
func TestSoak(t *testing.T) {
	p := soaking()
	s := Soak{TempC: 40, Hours: 8, RampCH: 5}
	got, err := s.Plan(t.Context(), p)
	if err != nil {
		t.Fatal(err)
	}
	if h := got.Until.Sub(p.Now).Hours(); math.Abs(h-(4+8+4)) > 1e-6 || len(got.Corners) != 4 || got.Corners[1].C != 40 || got.Corners[2].At.Sub(got.Corners[1].At).Hours() != 8 {
		t.Errorf("over after %.2f h, corners %+v", h, got.Corners)
	}
	if got.Holds != 1 {
		t.Errorf("held in %.2f of the forecasts", got.Holds)
	}
	alpha := func(temp func(h float64) float64) float64 {
		a := .76
		for m := 0.0; m < 16*60; m++ {
			c := temp((m + .5) / 60)
			a += 60 * p.Resin.Rate(a+30*p.Resin.Rate(a, c, 1), c, 1)
		}
		return p.Resin.Tg(a)
	}
	with := alpha(func(h float64) float64 { return math.Min(math.Min(20+5*h, 40), 40-5*(h-12)) })
	without := alpha(func(float64) float64 { return 20 })
	for _, x := range []struct {
		what      string
		got, want float64
	}{{"now", got.TgNow[1], p.Resin.Tg(.76)}, {"after", got.TgAfter[1], with}, {"without", got.TgWithout[1], without}} {
		if math.Abs(x.got-x.want) > .3 {
			t.Errorf("Tg %s %.2f °C, stepped by the minute %.2f", x.what, x.got, x.want)
		}
	}
	if got.TgAfter[1] < got.TgWithout[1]+5 {
		t.Errorf("a soak gives %.1f °C, none %.1f", got.TgAfter[1], got.TgWithout[1])
	}
	// A heater too weak to get there is not said to hold it.
	p.Tent.GainK = 12
	if weak, err := s.Plan(t.Context(), p); err != nil || weak.Holds != 0 || weak.TgAfter[1] >= got.TgAfter[1] {
		t.Errorf("with 12 K of heat: held %.2f, Tg %.1f, %v", weak.Holds, weak.TgAfter[1], err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if _, err := s.Plan(ctx, soaking()); !errors.Is(err, context.Canceled) {
		t.Errorf("nobody waits: %v", err)
	}
}

func TestSoakFaults(t *testing.T) {
	for name, tt := range map[string]struct {
		s    Soak
		edit func(*Problem)
		want []string
	}{
		"tent's limit":    {Soak{50, 8, 5}, nil, []string{"temp_c: 50 °C is above the tent's limit of 45 °C", "temp_c: 50 °C is above the epoxy's maximum of 45 °C"}},
		"epoxy's maximum": {Soak{42, 8, 5}, func(p *Problem) { p.Resin.MaxC = 40 }, []string{"temp_c: 42 °C is above the epoxy's maximum of 40 °C"}},
		"ramp":            {Soak{40, 8, 20}, nil, []string{"ramp_c_h: 20 °C an hour is faster than the tent's limit of 10"}},
		"nothing":         {Soak{}, nil, []string{"temp_c: 0 °C is below 5 °C", "ramp_c_h: 0 must be above 0", "hours: 0 must be above 0"}},
		"too long":        {Soak{40, 90, 5}, nil, []string{"hours: it would last beyond the forecast, which ends in 24 h"}},
		"soft":            {Soak{40, 8, 5}, func(p *Problem) { p.Nodes[0].Alpha = .5 }, []string{"coat: it has not gelled for certain"}},
		"not a number":    {Soak{math.NaN(), math.NaN(), math.NaN()}, nil, []string{"temp_c: ", "ramp_c_h: ", "hours: "}},
	} {
		p := soaking()
		if tt.edit != nil {
			tt.edit(&p)
		}
		_, err := tt.s.Plan(t.Context(), p)
		if err == nil {
			t.Errorf("%s: no fault", name)
			continue
		}
		for _, w := range tt.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %v, want %q", name, err, w)
			}
		}
		if n := len(strings.Split(err.Error(), "; ")); n != len(tt.want) {
			t.Errorf("%s: %d faults, want %d: %v", name, n, len(tt.want), err)
		}
	}
}

// TestCanLand: only what can be landed is offered. Levels of the medium set at
// 20 °C: firm at 8.1 h, hard at 10.9 h of its own cure.
func TestCanLand(t *testing.T) {
	r, _ := cure.Generic(cure.Medium)
	at := func(h float64) float64 { return r.SteadyAlpha(0, 20, 1, h*3600) }
	for _, tt := range []struct {
		kind string
		h    float64
		ok   bool
	}{{Window, 2, true}, {Window, 7, true}, {Window, 9, false}, {Hard, 9, true}, {Hard, 12, false}, {NoStall, 2, true}, {NoStall, 24 * 30, false}} {
		if why, ok := CanLand(tt.kind, r, at(tt.h), 20); ok != tt.ok || ok == (why != "") {
			t.Errorf("%s after %g h: %v, %q", tt.kind, tt.h, ok, why)
		}
	}
}
