// SPDX-License-Identifier: Apache-2.0

package demo

import (
	"math"
	"sync"
	"time"

	"curewright/heat"
	"curewright/internal/daemon"
	"curewright/sensors"
	"curewright/sensors/shopsim"
)

// The demo's tent: what is asked of it, and when. The night is held at a
// temperature at which the medium hardener neither stalls nor runs away.
const (
	demoHeaterW = 1000
	demoHoldC   = 19.0
)

var demoHold = []struct {
	clock string
	setC  float64 // 0: off
}{{"sat 16:45", demoHoldC}, {"sun 11:30", 0}}

// demoTent is [tent] of the demo.
func demoTent() heat.ConfigSection {
	c := heat.DefaultSection()
	c.Output, c.Control, c.Limit, c.Shed = "relay", shopsim.Panel1, shopsim.TentAir, shopsim.ShedAir
	c.Inside = []string{shopsim.Panel2}
	c.MaxAirC, c.MaxPanelC, c.ThermalCutoffC = new(42.0), new(35.0), new(60.0)
	c.HeaterW, c.PricekWh, c.Currency = demoHeaterW, .3, "£"
	c.Relay = heat.RelaySection{Line: "simulated", Watchdog: "none"}
	return c.Defaults()
}

// tentShow is the demo's [holder]: the real controller on the simulated shop,
// stepped in the shop's own time.
type tentShow struct {
	mu       sync.Mutex
	sec      heat.ConfigSection
	sim      *shopsim.Sim
	ctl      *heat.Controller
	log      func(heat.Event)
	start    time.Time
	at       time.Time
	next     int // of demoHold
	onWas    bool
	whyWas   heat.Reason
	switched uint64
	onTotal  time.Duration
	resume   bool
	byNext   string
	last     heat.Status
	profile  func() (heat.Profile, bool)
}

// pitch puts the tent up.
func (s *Show) pitch(sec heat.ConfigSection) error {
	s.tentPlan = s.Daemon.AttachTent(sec, func(note func(heat.Event), profile func() (heat.Profile, bool)) daemon.TentHolder {
		s.tent = &tentShow{sec: sec, sim: s.sim, ctl: heat.NewController(sec, nil, heat.OnTime{}), log: note, start: s.fed, at: s.fed, profile: profile}
		return s.tent
	})
	return s.Daemon.Sensors().Restore(shopsim.TentAir, "simulated", sensors.Meta{Name: "Tent air", Role: sensors.RoleTent, Accepted: true})
}

// until steps to a simulated time.
func (x *tentShow) until(t time.Time) {
	x.mu.Lock()
	defer x.mu.Unlock()
	const step = 10 * time.Second
	for !x.at.Add(step).After(t) {
		x.at = x.at.Add(step)
		if x.next < len(demoHold) {
			h := demoHold[x.next]
			if at, err := demoTime(h.clock); err == nil && !x.at.Before(at) {
				x.next++
				if h.setC == 0 {
					x.ctl.Off(heat.ByHand, "the crew is back")
				} else if err := x.ctl.Hold(h.setC); err == nil {
					x.note(heat.Event{Text: "to be held through the night", By: "the demo's crew"})
				}
			}
		}
		x.step()
	}
}

func (x *tentShow) note(e heat.Event) {
	e.At = x.at
	x.log(e)
}

func (x *tentShow) step() {
	in := heat.Input{At: x.at.Sub(x.start)}
	by := map[string]sensors.Reading{}
	for _, r := range x.sim.At(x.at) {
		by[r.Probe] = r
	}
	sense := func(id string) heat.Sense {
		r, ok := by[id]
		if !ok {
			return heat.Sense{ID: id, Doubt: heat.ProbeMissing}
		}
		return heat.Sense{ID: id, TempC: r.Temp, RH: r.RH, Wired: true}
	}
	in.Control, in.Limit, in.Air, in.Shed = sense(x.sec.Control), sense(x.sec.Limit), sense(x.sec.Air), sense(x.sec.Shed)
	planned := false
	if p, ok := x.profile(); ok {
		if c, ok := p.At(x.at); ok {
			in.ProfileC, planned = sensors.Some(c), true
		}
	}
	d := x.ctl.Step(in)
	x.sim.SetHeater(d.On)
	if x.onWas {
		x.onTotal += 10 * time.Second
	}
	if d.On != x.onWas {
		x.switched++
	}
	if d.On != x.onWas || d.Why != x.whyWas && (d.Why.Fault() || x.whyWas.Fault()) {
		x.note(heat.Event{On: d.On, Why: d.Why, Text: map[bool]string{true: "on: ", false: "off: "}[d.On] + d.Say.String(), By: x.byNext})
		x.byNext = ""
	}
	x.onWas, x.whyWas = d.On, d.Why
	x.last = heat.Status{
		Decision: d, At: x.at, Since: x.start.Add(x.ctl.Since()), PanelC: in.Control.TempC, AirC: in.Air.TempC, LimitC: in.Limit.TempC,
		WishC: x.ctl.Wish(), Planned: planned && x.ctl.Wish().OK(), OnTime: x.ctl.OnTime().Total(), Solvent: x.ctl.SolventLeft(in.At),
		Resume: x.resume, Switched: x.switched, OnTotal: x.onTotal, Lease: time.Duration(x.sec.Lease),
	}
}

func (x *tentShow) by(who string, f func() error) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	if err := f(); err != nil {
		return err
	}
	x.byNext = who
	// What was asked for shows at once, what the heater does about it with the
	// next step.
	x.last.WishC, x.last.Resume, x.last.Solvent = x.ctl.Wish(), x.resume, x.ctl.SolventLeft(x.at.Sub(x.start))
	x.last.Latched = x.ctl.Latched() != nil
	if !x.last.Planned || !x.last.WishC.OK() {
		x.last.AimC = x.last.WishC
	}
	return nil
}

// Hold asks for a plain set point.
func (x *tentShow) Hold(by string, setC float64) error {
	return x.by(by, func() error {
		if err := x.ctl.Hold(setC); err != nil {
			return err
		}
		x.next = math.MaxInt
		return nil
	})
}

// Off switches off; from then on the person holds the tent, not the script.
func (x *tentShow) Off(by, why string) {
	_ = x.by(by, func() error { x.next = math.MaxInt; x.ctl.Off(heat.ByHand, why); return nil })
}

// UseSolvent keeps heat off for 30 simulated minutes.
func (x *tentShow) UseSolvent(by string) {
	_ = x.by(by, func() error { x.ctl.UseSolvent(x.at.Sub(x.start)); return nil })
}

// Release takes back a latch.
func (x *tentShow) Release(by string) error {
	return x.by(by, func() error { x.ctl.Release(); return nil })
}

// SetResume does nothing to a simulation that has no power cuts.
func (x *tentShow) SetResume(by string, on bool) {
	_ = x.by(by, func() error { x.resume = on; return nil })
}

// Status is the tent after the last step.
func (x *tentShow) Status() heat.Status {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.last
}

// Limits are none: nobody can be burnt by a simulation.
func (*tentShow) Limits() (lines []string, hash, why string) { return nil, "", "" }

// Accept has nothing to accept.
func (*tentShow) Accept(string, string) error { return heat.ErrOtherLimits }
