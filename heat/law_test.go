// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"math"
	"testing"
	"time"

	"curewright/sensors"
)

// firstOrder is the plant of the closed forms: T' = (ends − T)/tau, solved
// exactly over a step.
type firstOrder struct{ t, offC, gainK, tauS float64 }

func (p *firstOrder) step(share, dt float64) {
	end := p.offC + p.gainK*share
	p.t = end + (p.t-end)*math.Exp(-dt/p.tauS)
}

// wide is a section whose limits stay out of the way.
func wide() ConfigSection {
	c := section()
	c.MaxAirC, c.MaxPanelC, c.LimitC, c.MaxSetC = ptr(70), ptr(70), ptr(70), ptr(60)
	c.DewMarginK, c.RampKH, c.MaxOnHours = 0, 60, 24
	c.Every, c.MinOn, c.MinOff = sensors.Duration(time.Second), sensors.Duration(time.Second), sensors.Duration(time.Second)
	return c
}

func at(c float64) Sense { return Sense{ID: "p", TempC: sensors.Some(c), Wired: true} }

// TestLimitCycle holds the two-point law, through the whole controller,
// against the limit cycle of a first-order plant: it swings between the edges
// of the band (and, with a dead time, beyond them by what the plant moves
// meanwhile), and each leg lasts tau·ln of the ratio of distances to where
// that leg would end. Elementary solution of T' = (E−T)/tau; for the relay
// with a dead time as in K. J. Åström and T. Hägglund, PID Controllers (1995),
// ch. 2 (from memory).
func TestLimitCycle(t *testing.T) {
	for _, tt := range []struct {
		name         string
		band, tau    float64
		offC, gain   float64
		set          float64
		dead         int // s
		tolS, tolAmp float64
	}{
		// Looking once a second is a dead time of up to one in each leg, and
		// each lengthens the other by the ratio of the slopes.
		{"no dead time", 1, 1800, 8, 32, 20, 0, 4, .03},
		{"narrow band", .5, 900, 10, 25, 24, 0, 4, .04},
		{"dead time of a minute", 1, 1800, 8, 32, 20, 60, 4, .03},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cfg := wide()
			cfg.Law, cfg.BandK = "two-point", tt.band
			c := NewController(cfg, nil, OnTime{})
			if err := c.Hold(tt.set); err != nil {
				t.Fatal(err)
			}
			p := firstOrder{tt.set - 3, tt.offC, tt.gain, tt.tau}
			pipe := make([]bool, tt.dead+1)
			var hi, lo []float64
			var ups []int
			was := false
			max, min := math.Inf(-1), math.Inf(1)
			for s := range 8 * 3600 {
				s0 := at(p.t)
				on := c.Step(Input{At: time.Duration(s) * time.Second, Control: s0, Limit: s0, Air: s0}).On
				if s > 2*3600 {
					max, min = math.Max(max, p.t), math.Min(min, p.t)
					if on && !was {
						ups = append(ups, s)
						hi, max = append(hi, max), math.Inf(-1)
					} else if !on && was {
						lo, min = append(lo, min), math.Inf(1)
					}
				}
				was = on
				copy(pipe, pipe[1:])
				pipe[tt.dead] = on
				share := 0.0
				if pipe[0] {
					share = 1
				}
				p.step(share, 1)
			}
			if len(ups) < 4 {
				t.Fatalf("%d cycles in 6 h", len(ups))
			}
			d := float64(tt.dead)
			k := math.Exp(-d / tt.tau)
			top, bottom := tt.set+tt.band/2, tt.set-tt.band/2
			onEnd := tt.offC + tt.gain
			wantHi := onEnd - (onEnd-top)*k
			wantLo := tt.offC + (bottom-tt.offC)*k
			wantOn := d + tt.tau*math.Log((onEnd-wantLo)/(onEnd-top))
			wantOff := d + tt.tau*math.Log((wantHi-tt.offC)/(bottom-tt.offC))
			period := float64(ups[len(ups)-1]-ups[1]) / float64(len(ups)-2)
			if want := wantOn + wantOff; math.Abs(period-want) > tt.tolS {
				t.Errorf("period = %.1f s, want %.1f s", period, want)
			}
			if got := hi[len(hi)-1]; math.Abs(got-wantHi) > tt.tolAmp {
				t.Errorf("top = %.3f °C, want %.3f °C", got, wantHi)
			}
			if got := lo[len(lo)-1]; math.Abs(got-wantLo) > tt.tolAmp {
				t.Errorf("bottom = %.3f °C, want %.3f °C", got, wantLo)
			}
		})
	}
}

// TestPIStep: with the reset time equal to the plant's time constant the zero
// cancels the pole, and the closed loop is first-order with tau/(Kp·gain):
// T(t) = T0 + (set−T0)(1 − exp(−t·Kp·gain/tau)). Pole cancellation, any
// control text.
func TestPIStep(t *testing.T) {
	const tau, gain, t0, set, kp = 1800.0, 30.0, 10.0, 14.0, .1
	l := PI{Kp: kp, TiS: tau}
	p := firstOrder{t0, t0, gain, tau} // rests where no heat leaves it
	for s := range 7200 {
		want := t0 + (set-t0)*(1-math.Exp(-float64(s)*kp*gain/tau))
		// The law holds its output for a second: an error of a fraction dt/tau_c.
		if math.Abs(p.t-want) > .01 {
			t.Fatalf("after %d s: %.4f °C, closed form %.4f °C", s, p.t, want)
		}
		p.step(l.Step(set-p.t, 1, 1), 1)
	}
}

// TestPIWindup: after an hour against its bound the law overshoots no further
// than one whose integral never grew, where a law without the guard overshoots
// by kelvins.
func TestPIWindup(t *testing.T) {
	const tau, gain = 1800.0, 14.0
	run := func(step func(e float64) float64) float64 {
		p := firstOrder{8, 8, gain, tau}
		top := 0.0
		for range 6 * 3600 {
			p.step(step(20-p.t), 1)
			top = math.Max(top, p.t)
		}
		return top - 20
	}
	l := PI{Kp: .3, TiS: 1200}
	guarded := run(func(e float64) float64 { return l.Step(e, 1, 1) })
	i := 0.0
	plain := run(func(e float64) float64 {
		i += .3 / 1200 * e
		return math.Max(0, math.Min(.3*e+i, 1))
	})
	t.Logf("overshoot %.2f K, without the guard %.2f K", guarded, plain)
	if plain < 1 {
		t.Fatalf("the plain law overshoots by %.2f K only: nothing is tested", plain)
	}
	if guarded > .3 {
		t.Errorf("overshoot = %.2f K, want at most .3 K", guarded)
	}
	// A cap that comes down is not owed later either.
	l = PI{Kp: .3, TiS: 1200}
	for range 3600 {
		l.Step(5, 1, .2)
	}
	if u := l.Step(0, 1, 1); u > .01 {
		t.Errorf("after an hour under a cap: share = %g at no error, want none", u)
	}
}

// TestProportion: the mean of on and off is the share asked for, and no turn
// is shorter than it may be.
func TestProportion(t *testing.T) {
	for _, u := range []float64{.02, .05, .1, .31, .5, .77, .93, .97, .99} {
		p := proportion{window: 5 * time.Minute, minOn: 30 * time.Second, minOff: 30 * time.Second}
		on, turn, was := 0, 0, false
		const n = 48 * 3600
		for s := range n {
			is := p.step(time.Duration(s)*time.Second, u)
			if is != was && s > 0 {
				if turn < 30 {
					t.Fatalf("share %g: a turn of %d s", u, turn)
				}
				turn = 0
			}
			turn++
			was = is
			if is {
				on++
			}
		}
		if got := float64(on) / n; math.Abs(got-u) > .005 {
			t.Errorf("share %g: on for %g of the time", u, got)
		}
	}
	p := proportion{window: 5 * time.Minute, minOn: 30 * time.Second, minOff: 30 * time.Second}
	if p.step(0, 1); p.step(time.Second, 0) {
		t.Error("on for a share of nothing")
	}
}

// TestDewPoint: 12.007 °C at 20 °C and 60 % (psychrolib 1.1.1); 9.27 °C at
// 20 °C and 50 % and 21.39 °C at 30 °C and 60 % (ASHRAE Handbook, from memory).
func TestDewPoint(t *testing.T) {
	for _, tt := range []struct{ t, rh, want float64 }{{20, 60, 12.007}, {20, 50, 9.27}, {30, 60, 21.39}, {10, 100, 10}} {
		if got := dewPoint(tt.t, tt.rh); math.Abs(got-tt.want) > .05 {
			t.Errorf("dew point at %g °C, %g %% = %.3f °C, want %.3f °C", tt.t, tt.rh, got, tt.want)
		}
	}
	for _, rh := range []float64{0, -1, 101, math.NaN()} {
		if got := dewPoint(20, rh); !math.IsNaN(got) {
			t.Errorf("dew point at %g %% = %g, want NaN", rh, got)
		}
	}
}

// stepAll runs a controller over a function of time, every second.
func stepAll(c *Controller, from, to int, in func(s int) Input, each func(s int, d Decision)) {
	for s := from; s < to; s++ {
		x := in(s)
		x.At = time.Duration(s) * time.Second
		each(s, c.Step(x))
	}
}

// TestSoftLimits: the air is throttled before its limit and before it leads
// the panel too far; neither is a fault.
func TestSoftLimits(t *testing.T) {
	for _, tt := range []struct {
		name       string
		panel, air float64
		why        Reason
	}{
		{"air near its limit", 30, 40.5, AirLimit},
		{"panel far behind", 12, 24.5, LeadLimit},
	} {
		c := NewController(section(), nil, OnTime{})
		if err := c.Hold(34); err != nil {
			t.Fatal(err)
		}
		var last Decision
		stepAll(c, 0, 300, func(int) Input {
			return Input{Control: at(tt.panel), Limit: at(tt.air), Air: at(tt.air)}
		}, func(s int, d Decision) {
			if d.On {
				t.Errorf("%s: on after %d s", tt.name, s)
			}
			last = d
		})
		if last.Why != tt.why || last.Why.Fault() {
			t.Errorf("%s: why = %s, want %s", tt.name, last.Why, tt.why)
		}
	}
}

// TestDewGuard: with a panel just over the dew point and a margin that shrinks
// under heat, heat stops before the panel is wet; with a margin that grows it
// goes on slowly.
func TestDewGuard(t *testing.T) {
	for _, tt := range []struct {
		name  string
		grows float64 // K of margin an hour while heated
		stops bool
	}{{"water comes out of the timber", -6, true}, {"dry", 3, false}} {
		cfg := section()
		cfg.Law = "two-point"
		c := NewController(cfg, nil, OnTime{})
		if err := c.Hold(20); err != nil {
			t.Fatal(err)
		}
		margin, on, n := 1.5, 0, 0
		least := margin
		stopped := false
		stepAll(c, 0, 3*3600, func(int) Input {
			// Air at 16 °C whose dew point is margin below a panel at 12 °C.
			air := Sense{ID: "air", TempC: sensors.Some(16), Wired: true, RH: sensors.Some(rhFor(16, 12-margin))}
			return Input{Control: at(12), Limit: Sense{ID: "l", TempC: sensors.Some(16), Wired: true}, Air: air}
		}, func(s int, d Decision) {
			if d.On {
				on++
				margin += tt.grows / 3600 * 5 // at full heat five times a fifth
			} else {
				margin += .2 / 3600
			}
			margin = math.Min(margin, 2)
			n++
			least = math.Min(least, margin)
			stopped = stopped || d.Why == DewGuard
			// The dead panel of this test is a heater without effect after a while.
			c.latch, c.fruitless, c.shown, c.effect = nil, 0, true, true
			c.wish = ptr(20)
		})
		if stopped != tt.stops {
			t.Errorf("%s: stopped = %v, want %v (least margin %.2f K)", tt.name, stopped, tt.stops, least)
		}
		if least <= 0 {
			t.Errorf("%s: the panel was driven %.2f K under the dew point", tt.name, -least)
		}
		if !tt.stops && (on == 0 || float64(on)/float64(n) > .75) {
			t.Errorf("%s: on for %.2f of the time, want some heat but slow", tt.name, float64(on)/float64(n))
		}
	}
}

// rhFor inverts the dew point by bisection.
func rhFor(t, dew float64) float64 {
	lo, hi := .01, 100.0
	for range 60 {
		if m := (lo + hi) / 2; dewPoint(t, m) < dew {
			lo = m
		} else {
			hi = m
		}
	}
	return lo
}

// TestRamp: the set point rises no faster than it may and comes down at once.
func TestRamp(t *testing.T) {
	c := NewController(section(), nil, OnTime{})
	if err := c.Hold(20); err != nil {
		t.Fatal(err)
	}
	panel := 10.0
	var was float64
	stepAll(c, 0, 4*3600, func(s int) Input {
		if s == 3*3600 {
			c.wish = ptr(12)
		}
		return Input{Control: at(panel), Limit: at(panel + 3), Air: at(panel + 3)}
	}, func(s int, d Decision) {
		set, ok := d.SetC.Get()
		if !ok {
			return
		}
		if was != 0 && set-was > 6./3600+1e-9 {
			t.Fatalf("the set point rose by %g K in a second", set-was)
		}
		was = set
		panel += 4. / 3600 * boolTo(set > panel)
		c.fruitless, c.shown, c.effect = 0, true, true // the test's own plant has no air
		if s == 3*3600+1 && set > 12 {
			t.Errorf("set point = %g °C a second after 12 °C was asked for", set)
		}
	})
}

func boolTo(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
