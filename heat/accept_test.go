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
		time.Sleep(time.Hour)
		synctest.Wait()
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
		r.until("on", time.Hour, func(s Status) bool { return s.On })
		r.end()

		// The same limits after a restart; the cost of a kWh is none of them.
		r.sec.PricekWh = 1
		r.start()
		if s := r.loop.Status(); s.Latched {
			t.Errorf("after a restart: %+v", s)
		}
		r.hold(20)
		r.until("on", time.Hour, func(s Status) bool { return s.On })
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
		time.Sleep(time.Hour)
		synctest.Wait()
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
		r := newRig(t, section())
		r.start()
		defer r.end()
		r.hold(20)
		r.until("on", time.Hour, func(s Status) bool { return s.On })
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
			time.Sleep(100 * time.Millisecond)
			synctest.Wait()
		}
		time.Sleep(20 * time.Second)
		synctest.Wait()
		s := r.loop.Status()
		if s.Latched || s.On || s.Why != OverTemperature {
			t.Errorf("with a hung disk: %+v", s)
		}
		if k := readKept(r.dir, time.Now(), true); k.latch != nil {
			t.Errorf("on disk already: %+v", k.latch)
		}
		hangs.Store(false)
		close(gate)
		r.until("latched", time.Minute, func(s Status) bool { return s.Latched })
		if k := readKept(r.dir, time.Now(), true); k.latch == nil || k.latch.Why != OverTemperature {
			t.Errorf("shown as latched, and on disk: %+v", k.latch)
		}
	})
}
