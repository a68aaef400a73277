// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestNeverAccepted: without an acceptance at the board no time, release or set
// point brings heat; with one for these very limits it does, also after a
// restart; a limit that was changed since wants another.
func TestNeverAccepted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, section())
		for _, f := range []string{LatchFile, OnTimeFile} {
			if err := os.Remove(filepath.Join(r.dir, f)); err != nil {
				t.Fatal(err)
			}
		}
		r.start()
		time.Sleep(25 * time.Hour) // the on-time that is not known is over by then
		synctest.Wait()
		if err := r.loop.Release("somebody over the network"); err != nil {
			t.Fatal(err)
		}
		if err := r.loop.Hold("somebody over the network", 20); err == nil || !strings.Contains(err.Error(), "nobody has accepted") {
			t.Errorf("a set point is taken: %v", err)
		}
		pass(time.Hour)
		if s := r.loop.Status(); s.On || r.isOn() || s.Why != NotAccepted || !s.Latched {
			t.Errorf("after a release: %+v", s)
		}
		lines, hash, why := r.loop.Limits()
		if why == "" || !slices.Contains(lines, "max_air_c = 45") {
			t.Errorf("limits %q, why not %q", lines, why)
		}
		if err := r.loop.Accept("board", HashLimits(append(lines, "more"))); !errors.Is(err, ErrOtherLimits) {
			t.Errorf("other limits are accepted: %v", err)
		}
		if err := r.loop.Accept("board", hash); err != nil {
			t.Fatal(err)
		}
		r.hold(20)
		r.until("on", time.Hour, isOn)
		r.end()

		// The same limits after a restart; the cost of a kWh is none of them.
		r.sec.PricekWh = 1
		r.start()
		if s := r.loop.Status(); s.Latched {
			t.Errorf("after a restart: %+v", s)
		}
		r.hold(20)
		r.until("on", time.Hour, isOn)
		r.end()

		r.sec.MaxAirC = ptr(60)
		r.start()
		defer r.end()
		if err := r.loop.Hold("somebody", 20); err == nil || !strings.Contains(err.Error(), "max_air_c was 45 and is 60") {
			t.Errorf("with a raised limit: %v", err)
		}
		if err := r.loop.Release("somebody"); err == nil {
			t.Error("there was something to release")
		}
		pass(time.Hour)
		if r.isOn() {
			t.Error("on with a limit that nobody accepted")
		}
	})
}

// TestLimitsNameEverything: whatever the check bounds, an acceptance covers.
func TestLimitsNameEverything(t *testing.T) {
	base := HashLimits(section().Limits(nil))
	for name, change := range map[string]func(*ConfigSection){
		"air": func(c *ConfigSection) { *c.MaxAirC++ }, "panel": func(c *ConfigSection) { *c.MaxPanelC++ }, "limit": func(c *ConfigSection) { *c.LimitC++ },
		"cut-out": func(c *ConfigSection) { *c.ThermalCutoffC++ }, "set point": func(c *ConfigSection) { *c.MaxSetC-- }, "low set point": func(c *ConfigSection) { *c.MinSetC++ },
		"hours": func(c *ConfigSection) { c.MaxOnHours++ }, "ramp": func(c *ConfigSection) { c.RampKH++ }, "lead": func(c *ConfigSection) { c.MaxLeadK++ },
		"line": func(c *ConfigSection) { c.Relay.Line = "GPIO5" }, "polarity": func(c *ConfigSection) { c.Relay.ActiveLow = true }, "watchdog": func(c *ConfigSection) { c.Relay.Watchdog = "/dev/watchdog" },
		"output": func(c *ConfigSection) { c.Output = "pulse" }, "control probe": func(c *ConfigSection) { c.Control = "other" }, "limit probe": func(c *ConfigSection) { c.Limit = "other" },
		"pushed": func(c *ConfigSection) { c.AllowPushedControl = true }, "lease": func(c *ConfigSection) { c.Lease *= 2 }, "step": func(c *ConfigSection) { c.Every *= 2 },
		"apart": func(c *ConfigSection) { c.DisagreeK++ }, "effect": func(c *ConfigSection) { c.EffectAfter *= 2 }, "switch": func(c *ConfigSection) { c.HeatSwitch = "GPIO6" },
	} {
		c := section()
		change(&c)
		if HashLimits(c.Limits(nil)) == base {
			t.Errorf("%s: changed, and still accepted", name)
		}
	}
	wired := func(bus string) string { return HashLimits(section().Limits(func(string) string { return bus })) }
	if wired("i2c-1:0x44") == wired("w1:28-0316a2795d1f") {
		t.Error("another probe under the same name is still accepted")
	}
}

// TestLatchIsOnDiskFirst: what is shown as latched is latched on the disk, at
// any moment; a disk that hangs delays the showing and not the switching off.
func TestLatchIsOnDiskFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := running(t, section())
		r.hold(20)
		r.until("on", time.Hour, isOn)
		var hangs atomic.Bool
		gate := make(chan struct{})
		r.loop.keep.mu.Lock()
		write := r.loop.keep.write
		r.loop.keep.write = func(name string, b []byte) error {
			if hangs.Load() {
				<-gate
			}
			return write(name, b)
		}
		r.loop.keep.mu.Unlock()
		hangs.Store(true)
		r.set(func() { r.air = 50 })
		t0 := time.Now()
		for r.isOn() {
			if time.Since(t0) > 12*time.Second {
				t.Fatal("a hung disk keeps the heater on")
			}
			pass(100 * time.Millisecond)
		}
		pass(20 * time.Second)
		s := r.loop.Status()
		if s.Latched || s.On || s.Why != OverTemperature {
			t.Errorf("with a hung disk: %+v", s)
		}
		if k := readKept(nil, r.dir, time.Now(), true); k.latch != nil {
			t.Errorf("on disk already: %+v", k.latch)
		}
		hangs.Store(false)
		close(gate)
		r.until("latched", time.Minute, func(s Status) bool { return s.Latched })
		if k := readKept(nil, r.dir, time.Now(), true); k.latch == nil || k.latch.Why != OverTemperature {
			t.Errorf("shown as latched, and on disk: %+v", k.latch)
		}
	})
}

// TestOffsetProbes: a probe that reads wrong by so many kelvins, alone. With a
// limit probe that is right the air never passes its limit, whatever the one on
// the panel says. One that reads low itself lets the air pass it by what it is
// wrong, and no further, or is found out by the other: what is then left is the
// thermal cut-out.
func TestOffsetProbes(t *testing.T) {
	for _, tt := range []struct {
		probe string
		offK  float64
	}{{"panel", -30}, {"panel", -15}, {"panel", -8}, {"panel", -3}, {"panel", 5}, {"panel", 30}, {"air", -15}, {"air", 10}, {"limit", -15}, {"limit", -8}, {"limit", 10}, {"limit", 30}} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t, section())
			r.heaterW = 3000 // enough to pass every limit
			r.start()
			defer r.end()
			r.hold(*r.sec.MaxSetC)
			time.Sleep(20 * time.Minute)
			r.set(func() { r.probes[tt.probe].add = tt.offK })
			most, onFor := 0.0, time.Duration(0)
			for range 12 * 3600 {
				time.Sleep(time.Second)
				r.set(func() { r.plant(time.Now()); most = max(most, r.air) })
				if r.isOn() {
					onFor += time.Second
				}
			}
			// What the element still gives after it is off, and a step.
			over := 1.5
			limit := *r.sec.MaxAirC
			if tt.probe == "limit" && tt.offK < 0 {
				limit -= tt.offK
			}
			t.Logf("%s off by %+g K: air %.1f °C at the most, limit %g, on for %v of 12 h, %s", tt.probe, tt.offK, most, *r.sec.MaxAirC, onFor.Round(time.Minute), r.loop.Status().Why)
			if most > limit+over {
				t.Errorf("%s off by %+g K: the air reached %.1f °C", tt.probe, tt.offK, most)
			}
		})
	}
}

// TestLimitProbesDisagree: the control and the limit probe apart by more than
// the file allows, for either to be the wrong one: off within the stated time,
// and not on again while they are. They are set apart by 13 K more than that,
// since panel and air come closer once the heat is off.
func TestLimitProbesDisagree(t *testing.T) {
	for _, apart := range []float64{33, -33, 45, -45} {
		for _, probe := range []string{"panel", "limit"} {
			synctest.Test(t, func(t *testing.T) {
				r := running(t, section())
				r.hold(20)
				r.until("on", time.Hour, isOn)
				r.set(func() { r.probes[probe].add = apart - (r.pan-r.air)*map[string]float64{"panel": 1, "limit": -1}[probe] })
				within := offWithin(r.sec, ProbesDisagree, 30*time.Second) + 10*time.Second // and the probe's own interval
				pass(within)
				for range 3600 {
					if r.isOn() {
						t.Fatalf("%s off by %g K: on, %+v", probe, apart, r.loop.Status().Decision)
					}
					time.Sleep(time.Second)
				}
			})
		}
	}
}
