// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"path/filepath"
	"slices"
	"testing"
	"time"

	"curewright/model/words"
	"curewright/sensors"
)

// Why the heater is on or off comes from the catalogue.
func TestReasonsSpeakTheCatalogue(t *testing.T) {
	lang := words.Pseudo()
	seen := map[Reason]bool{}
	for name, change := range map[string]func(c *Controller, in *Input){
		"hold":          func(*Controller, *Input) {},
		"nobody":        func(c *Controller, _ *Input) { c.wish = nil },
		"switch":        func(_ *Controller, in *Input) { in.SwitchOff = true },
		"solvent":       func(c *Controller, in *Input) { c.solvent, c.solventTo = true, in.At+time.Hour },
		"air too hot":   func(_ *Controller, in *Input) { in.Air.TempC = sensors.Some(99) },
		"panel too hot": func(_ *Controller, in *Input) { in.Control.TempC = sensors.Some(99) },
		"limit too hot": func(_ *Controller, in *Input) { in.Limit.TempC = sensors.Some(99) },
		"not accepted":  func(c *Controller, _ *Input) { c.Refuse(c.text("accept.gone", nil)) },
		"no output":     func(c *Controller, in *Input) { c.everOn, in.Output = false, "x" },
		"output":        func(c *Controller, in *Input) { c.everOn, in.Output = true, "x" },
		"record":        func(_ *Controller, in *Input) { in.Records = "x" },
		"probe":         func(_ *Controller, in *Input) { in.Air.Doubt = ProbeStuck },
		"not wired":     func(_ *Controller, in *Input) { in.Limit.Wired = false },
		"clock":         func(_ *Controller, in *Input) { in.ClockDoubt = true },
		"on time":       func(c *Controller, _ *Input) { c.onTime.Unknown = true },
		"apart":         func(_ *Controller, in *Input) { in.Limit.TempC = sensors.Some(60) },
		"air limit":     func(c *Controller, in *Input) { in.Air.TempC = sensors.Some(*c.cfg.MaxAirC - .1) },
	} {
		t.Run(name, func(t *testing.T) {
			c := NewController(wide(), nil, OnTime{})
			c.lang = lang
			if err := c.Hold(25); err != nil {
				t.Fatal(err)
			}
			for s := range 200 {
				in := Input{At: time.Duration(s) * time.Second, Control: at(20), Limit: at(20), Air: at(20)}
				if s > 80 {
					change(c, &in)
				}
				d := c.Step(in)
				seen[d.Why] = true
				if bare := words.Bare(d.Say.String()); len(d.Say) == 0 || len(bare) > 0 {
					t.Fatalf("%s: %q is not from the catalogue: %q", d.Why, d.Say, bare)
				}
			}
		})
	}
	for _, why := range []Reason{Warming, Settling, NotAsked, Switch, Solvent, OverTemperature, NotAccepted, OutputWaiting, OutputFault, Records, ProbeStuck, ProbeNotWired, ClockDoubt, OnTimeLimit, ProbesDisagree} {
		if !seen[why] {
			t.Errorf("no case came to %s", why)
		}
	}
	for _, why := range []Reason{ProbeMissing, ProbeStale, ProbeStuck, ProbeImplausible, ProbeNotWired} {
		if !slices.Contains(words.English.Codes("heat.doubt."), "heat.doubt."+string(why)) {
			t.Errorf("a probe that is %s has no sentence", why)
		}
	}
}

// A latch says how hot it was in the unit of whoever asks, after a restart as well;
// what an earlier version kept is read as it stands.
func TestLatchInEitherUnit(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	c := NewController(wide(), nil, OnTime{})
	d := c.Step(Input{Control: at(20), Limit: at(20), Air: at(99.5)})
	us := words.View{Words: words.English.In("us")}
	for _, tt := range []struct {
		parts words.Sentence
		us    string
	}{{d.Say, "the air reached 211 °F, its limit is 158 °F"}, {nil, "the air reached 99.5 °C, its limit is 70 °C"}} {
		b, err := seal(latchRecord{Latched: true, Why: d.Why, Say: d.Say.String(), Parts: tt.parts, At: now})
		if err != nil {
			t.Fatal(err)
		}
		if err := writeFile(filepath.Join(dir, LatchFile), b); err != nil {
			t.Fatal(err)
		}
		say := readKept(nil, dir, now, true).latch.Say
		if si, us := say.String(), say.Text(time.Time{}, us); si != "the air reached 99.5 °C, its limit is 70 °C" || us != tt.us {
			t.Errorf("%q and %q", si, us)
		}
	}
}
