// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
	"curewright/sensors"
)

// TestDocTable holds the guide's table against the code.
func TestDocTable(t *testing.T) {
	b := testkit.MustRead(t, "../docs/tent.md")
	c := section()
	seen := map[Reason]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `(\\w+)` \\| (\\S+) \\| (yes|no) \\|$").FindAllStringSubmatch(string(b), -1) {
		r := Reason(m[1])
		seen[r] = true
		if !r.Fault() {
			t.Errorf("%s is no fault", r)
		}
		if want := offWithin(c, r, 30*time.Second).String(); m[2] != strings.TrimSuffix(want, "0s") && m[2] != want {
			t.Errorf("%s: the guide says %s, the code %s", r, m[2], want)
		}
		if (m[3] == "yes") != r.Latches() {
			t.Errorf("%s: the guide says a person is wanted: %s", r, m[3])
		}
	}
	for _, f := range faults {
		if f.why != "" && !seen[f.why] {
			t.Errorf("%s is not in the guide", f.why)
		}
	}
}

// offWithin is how long after a fault arises the heater is off at the latest,
// by the controller and loop together; the output's lease is the bound for
// whatever stops those. stale is the longest stale limit of the probes used.
func offWithin(c ConfigSection, r Reason, stale time.Duration) time.Duration {
	every := time.Duration(c.Every)
	switch r {
	case ProbeMissing, ProbeStale:
		return stale + 2*every
	case ProbesDisagree:
		return disagreeFor + 2*every
	case NoEffect:
		// Of unbroken heat. A law that ramps up from little heat adds the time
		// to get there; one throttled near the dew point five times as long.
		ramp := time.Duration(0)
		if c.Law == "pi" {
			ramp = time.Duration(1 / c.Kp / c.RampKH * float64(time.Hour))
		}
		return max(time.Duration(c.EffectAfter), coolIn) + ramp + 2*every
	case RisingWhileOff:
		return 0 // it is off; nothing switches it on from then on
	case LoopLate:
		return time.Duration(c.Lease)
	}
	return 2 * every
}

// TestCheckNumbers: every limit has a span, NaN and infinities are outside of
// it, and all faults come at once.
func TestCheckNumbers(t *testing.T) {
	if errs := section().Check(nil); len(errs) != 0 {
		t.Fatalf("the good section: %v", errs)
	}
	nan, inf := zero/zero, 1/zero
	set := []func(*ConfigSection, float64){
		func(c *ConfigSection, x float64) { c.MaxAirC = &x }, func(c *ConfigSection, x float64) { c.MaxPanelC = &x },
		func(c *ConfigSection, x float64) { c.ThermalCutoffC = &x }, func(c *ConfigSection, x float64) { c.LimitC = &x },
		func(c *ConfigSection, x float64) { c.MaxSetC = &x }, func(c *ConfigSection, x float64) { c.MinSetC = &x },
		func(c *ConfigSection, x float64) { c.MaxOnHours = x }, func(c *ConfigSection, x float64) { c.RampKH = x },
		func(c *ConfigSection, x float64) { c.MaxLeadK = x }, func(c *ConfigSection, x float64) { c.AirMarginK = x },
		func(c *ConfigSection, x float64) { c.DewMarginK = x }, func(c *ConfigSection, x float64) { c.DisagreeK = x },
		func(c *ConfigSection, x float64) { c.Kp = x }, func(c *ConfigSection, x float64) { c.BandK = x },
		func(c *ConfigSection, x float64) { c.HeaterW = x }, func(c *ConfigSection, x float64) { c.PushedLeadK = x },
	}
	for i, f := range set {
		for _, x := range []float64{nan, inf, -inf, -1, 1e9} {
			c := section()
			f(&c, x)
			if len(c.Check(nil)) == 0 {
				t.Errorf("setting %d at %g passes", i, x)
			}
		}
	}
	c := section()
	c.MaxAirC, c.Control, c.Law, c.Lease = nil, "", "guess", sensors.Duration(time.Hour)
	if errs := c.Check(nil); len(errs) < 4 {
		t.Errorf("%d faults at once, want at least 4: %v", len(errs), errs)
	}
}

var zero float64

// TestHoldBounds: no set point outside the file's span is taken, whatever it
// is.
func TestHoldBounds(t *testing.T) {
	sec := section()
	c := NewController(sec, nil, OnTime{})
	for _, x := range []float64{*sec.MaxSetC + .01, *sec.MinSetC - .01, zero / zero, 1 / zero, -1 / zero} {
		if c.Hold(x) == nil {
			t.Errorf("%g °C is taken; the file allows %g to %g", x, *sec.MinSetC, *sec.MaxSetC)
		}
	}
	for _, x := range []float64{*sec.MinSetC, *sec.MaxSetC} {
		if err := c.Hold(x); err != nil {
			t.Error(err)
		}
	}
	// A plan is held inside it as well.
	d := c.Step(Input{Control: at(10), Limit: at(10), Air: at(10), ProfileC: sensors.Some(99)})
	if aim, _ := d.AimC.Get(); aim != *sec.MaxSetC {
		t.Errorf("a plan of 99 °C is followed to %g °C", aim)
	}
}

func Example() {
	x := func(c float64) *float64 { return &c }
	cfg := DefaultSection()
	cfg.Output, cfg.Control, cfg.Limit = "pulse", "lid-witness", "tent-air"
	cfg.MaxAirC, cfg.MaxPanelC, cfg.ThermalCutoffC = x(40), x(35), x(60)
	cfg.Pulse = PulseSection{Line: "GPIO17", Hold: sensors.Duration(25 * time.Second)}
	cfg = cfg.Defaults()
	fmt.Println("faults:", len(cfg.Check(nil)))

	c := NewController(cfg, nil, OnTime{})
	if err := c.Hold(45); err != nil {
		fmt.Println(err)
	}
	sound := func(c float64) Sense { return Sense{ID: "probe", TempC: sensors.Some(c), Wired: true} }
	d := c.Step(Input{Control: sound(12), Limit: sound(13), Air: sound(13)})
	fmt.Println(d.On, d.Why)
	d = c.Step(Input{At: 5 * time.Second, Control: sound(12), Limit: sound(40), Air: sound(13)})
	fmt.Println(d.On, d.Why, d.Latched)
	// Output:
	// faults: 0
	// 45 °C is outside 5 to 30, which the configuration file allows
	// false not_asked
	// false over_temperature true
}
