// SPDX-License-Identifier: Apache-2.0

package sensors_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/internal/testkit"
	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/chipsim"
	"curewright/sensors/guarded"
	"curewright/sensors/sht4x"
	"curewright/sensors/w1"
)

// rig is one emulated chip and the driver that reads it.
type rig struct {
	name  string
	probe sensors.Probe
	fault func(chipsim.Fault)
	air   func(chipsim.Air)
	has   string  // of "t", "h", "c", "p": what it measures
	tol   float64 // K, half a step and a rounding
}

func kind(driver string) func(string, i2c.Bus, uint16) sensors.Probe {
	return func(n string, b i2c.Bus, a uint16) sensors.Probe { return guarded.Named(driver).New(n, b, a) }
}

var air = chipsim.Air{C: 17.4, RH: 61.5, CO2: 780, Pa: 101020}

// rigs makes every driver anew; call it inside the bubble that uses them.
func rigs() []rig {
	var rs []rig
	i2cRig := func(name string, addr uint16, chip chipsim.Chip, mk func(string, i2c.Bus, uint16) sensors.Probe, has string, tol float64) {
		bus := chipsim.NewBus("i2c-1").Exact()
		bus.Attach(addr, chip)
		rs = append(rs, rig{
			name: name, probe: mk(name, bus, addr), has: has, tol: tol,
			fault: func(f chipsim.Fault) { bus.SetFault(addr, f) },
			air:   bus.SetAir,
		})
	}
	i2cRig("sht4x", 0x44, chipsim.NewSHT4x(air), func(n string, b i2c.Bus, a uint16) sensors.Probe { return sht4x.New(n, b, a) }, "th", .0015)
	i2cRig("hdc302x", 0x45, chipsim.NewHDC302x(air), kind("hdc302x"), "th", .0015)
	i2cRig("aht20", 0x38, chipsim.NewAHT20(air), kind("aht20"), "th", .0005)
	i2cRig("bme280", 0x76, chipsim.NewBME280(air), kind("bme280"), "thp", .006)
	i2cRig("mcp9808", 0x18, chipsim.NewMCP9808(air), kind("mcp9808"), "t", .032)
	i2cRig("tmp102", 0x48, chipsim.NewTMP102(air), kind("tmp102"), "t", .032)
	i2cRig("scd4x", 0x62, chipsim.NewSCD4x(air), kind("scd4x"), "thc", .0015)

	a := chipsim.NewThermometer(0x1a2795d1f, air.C)
	rs = append(rs, rig{name: "ds18b20", probe: guarded.NewThermometer("ds18b20", chipsim.NewOneWire(a), a.Addr),
		fault: a.SetFault, air: func(x chipsim.Air) { a.SetC(x.C) }, has: "t", tol: .032})
	b := chipsim.NewThermometer(0x31632b4c9, air.C)
	rs = append(rs, rig{name: "w1", probe: w1.New("w1", b.ID(), chipsim.NewW1Tree(b)),
		fault: b.SetFault, air: func(x chipsim.Air) { b.SetC(x.C) }, has: "t", tol: .032})
	return rs
}

// read gives the driver ten seconds, and says whether it kept to them.
func read(t *testing.T, p sensors.Probe) (sensors.Reading, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	return p.Read(ctx)
}

func near(t *testing.T, what string, v sensors.Value, want, tol float64) {
	t.Helper()
	x, ok := v.Get()
	if !ok || math.Abs(x-want) > tol {
		t.Errorf("%s = %v, want %g ± %g", what, v, want, tol)
	}
}

// each runs f for every driver in a bubble of its own, where time is not real.
func each(t *testing.T, f func(*testing.T, rig)) {
	for i, r := range rigs() {
		t.Run(r.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { f(t, rigs()[i]) })
		})
	}
}

func TestEveryDriverReadsItsChip(t *testing.T) {
	each(t, func(t *testing.T, r rig) {
		for _, a := range []chipsim.Air{air, {C: -7.25, RH: 88, CO2: 430, Pa: 98700}, {C: 0, RH: 12, CO2: 3000, Pa: 102900}} {
			r.air(a)
			time.Sleep(6 * time.Second) // a chip that measures by itself takes the new value up
			got, err := read(t, r.probe)
			if err != nil {
				t.Fatalf("%+v: %v", a, err)
			}
			near(t, "temperature", got.Temp, a.C, r.tol)
			if got.Probe != r.name || !got.At.IsZero() {
				t.Errorf("probe %q at %v, which is the poller's to say", got.Probe, got.At)
			}
			for _, q := range []struct {
				has  byte
				v    sensors.Value
				want float64
				tol  float64
			}{{'h', got.RH, a.RH, .02}, {'c', got.CO2, a.CO2, .5}, {'p', got.Pressure, a.Pa, 1}} {
				if has(r.has, q.has) {
					near(t, string(q.has), q.v, q.want, q.tol)
				} else if q.v.OK() {
					t.Errorf("%c = %v from a chip that has none", q.has, q.v)
				}
			}
		}
	})
}

func has(s string, c byte) bool {
	for i := range len(s) {
		if s[i] == c {
			return true
		}
	}
	return false
}

// Every fault of every chip is an error without a value, and the driver is
// well again when the fault is gone.
func TestEveryFaultIsAnErrorWithoutAValue(t *testing.T) {
	for _, f := range chipsim.Faults() {
		if f == chipsim.Stuck || f == chipsim.Hang {
			continue // the filter's and the poller's: see there
		}
		t.Run(f.String(), func(t *testing.T) {
			each(t, func(t *testing.T, r rig) {
				if r.name == "w1" && f == chipsim.Slow {
					t.Skip("the kernel cannot be interrupted: the poller's deadline is the guard")
				}
				if r.name == "ds18b20" && f == chipsim.Busy {
					t.Skip("the scratchpad keeps the last conversion: the filter's stuck test is the guard")
				}
				for round := range 3 {
					r.fault(f)
					got, err := read(t, r.probe)
					if err == nil {
						t.Fatalf("round %d: no error, reading %+v", round, got)
					}
					if got != (sensors.Reading{}) {
						t.Errorf("round %d: value %+v beside error %v", round, got, err)
					}
					if w := sensors.Reason(err); !strings.Contains(reasons[f], w) {
						t.Errorf("round %d: %s because of %q: %v", round, f, w, err)
					} else if round == 0 {
						t.Logf("%s: %s", w, err)
					}
					r.fault(chipsim.Good)
					time.Sleep(SlowEnd)
					got, err = read(t, r.probe)
					if err != nil { // one more try for chips that were reset
						got, err = read(t, r.probe)
					}
					if err != nil {
						t.Fatalf("round %d: not well again: %v", round, err)
					}
					near(t, "temperature", got.Temp, air.C, r.tol)
				}
			})
		})
	}
}

// reasons that each fault may honestly be given: a chip that went to sleep in
// the middle of a measurement looks unplugged.
var reasons = map[chipsim.Fault]string{
	chipsim.Absent:   "absent",
	chipsim.Slow:     "timeout",
	chipsim.FlipBit:  "checksum",
	chipsim.Zeros:    "checksum bus wrong_device power_on",
	chipsim.Ones:     "absent",
	chipsim.Busy:     "timeout absent power_on bus",
	chipsim.PowerCut: "power_on absent",
	chipsim.WrongID:  "wrong_device absent",
	chipsim.OffScale: "range",
}

// SlowEnd is long enough for a slow transaction to be over.
const SlowEnd = 2 * chipsim.SlowTime

// Two chips set to one address pull each other's bits low. Checksums tell;
// chips without one (MCP9808, TMP102, BME280) cannot, and for them two of a
// kind at one address look like one chip in other weather.
func TestTwoChipsAtOneAddress(t *testing.T) {
	other := chipsim.Air{C: 23.9, RH: 44, CO2: 1510, Pa: 100300}
	for name, tt := range map[string]struct {
		addr uint16
		a, b chipsim.Chip
		mk   func(i2c.Bus, uint16) sensors.Probe
	}{
		"sht4x":   {0x44, chipsim.NewSHT4x(air), chipsim.NewSHT4x(other), func(b i2c.Bus, a uint16) sensors.Probe { return sht4x.New("p", b, a) }},
		"hdc302x": {0x44, chipsim.NewHDC302x(air), chipsim.NewHDC302x(other), func(b i2c.Bus, a uint16) sensors.Probe { return guarded.Named("hdc302x").New("p", b, a) }},
		"both":    {0x44, chipsim.NewSHT4x(air), chipsim.NewHDC302x(other), func(b i2c.Bus, a uint16) sensors.Probe { return guarded.Named("hdc302x").New("p", b, a) }},
		"aht20":   {0x38, chipsim.NewAHT20(air), chipsim.NewAHT20(other), func(b i2c.Bus, a uint16) sensors.Probe { return guarded.Named("aht20").New("p", b, a) }},
		"scd4x":   {0x62, chipsim.NewSCD4x(air), chipsim.NewSCD4x(other), func(b i2c.Bus, a uint16) sensors.Probe { return guarded.Named("scd4x").New("p", b, a) }},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				bus := chipsim.NewBus("i2c-1")
				bus.Attach(tt.addr, chipsim.Both{A: tt.a, B: tt.b})
				r, err := read(t, tt.mk(bus, tt.addr))
				if name == "both" { // the other kind does not know these commands, and keeps silent
					if err != nil || !r.Temp.OK() {
						t.Errorf("%+v, %v", r, err)
					}
					return
				}
				if !errors.Is(err, sensors.ErrChecksum) || r != (sensors.Reading{}) {
					t.Errorf("%+v, %v", r, err)
				}
			})
		})
	}
}

// watch runs a set of the given probe and a second one that moves by 3 K an
// hour, as a shed in the evening does.
func watch(t *testing.T, r rig) (*sensors.Set, *atomic.Int32) {
	t.Helper()
	got := new(atomic.Int32)
	s := sensors.NewSet(sensors.IntakeConfig{}, func(x sensors.Reading) {
		if x.Probe == r.name {
			got.Add(1)
		}
	})
	start := time.Now()
	other := probeFunc(func(context.Context) (sensors.Reading, error) {
		return sensors.Reading{At: time.Now(), Temp: sensors.Some(18 - 3*time.Since(start).Hours())}, nil
	})
	for id, p := range map[string]sensors.Probe{r.name: r.probe, "other": other} {
		if err := s.Add(sensors.PollerConfig{ID: id, Probe: p, Role: sensors.RoleAir, Every: 10 * time.Second}); err != nil {
			t.Fatal(err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() {
		r.fault(chipsim.Good) // lets go of what hangs
		cancel()
		<-done
	})
	return s, got
}

type probeFunc func(context.Context) (sensors.Reading, error)

func (f probeFunc) Read(ctx context.Context) (sensors.Reading, error) { return f(ctx) }

func state(s *sensors.Set, id string) string {
	h, _ := s.Get(id)
	return h.State
}

// Every fault of every chip, through the poller: the probe is missing, stuck
// or implausible, nothing is handed on meanwhile, its neighbour goes on, and
// it is well again by itself within two minutes of the fault's end.
func TestEveryFaultThroughThePoller(t *testing.T) {
	for _, f := range chipsim.Faults() {
		t.Run(f.String(), func(t *testing.T) {
			each(t, func(t *testing.T, r rig) {
				if r.name == "ds18b20" && f == chipsim.Busy {
					t.Skip("as stuck")
				}
				s, got := watch(t, r)
				time.Sleep(time.Minute + time.Second)
				synctest.Wait()
				if n := got.Load(); n < 5 || state(s, r.name) != "ok" {
					h, _ := s.Get(r.name)
					t.Fatalf("well: %d readings, %+v", n, h)
				}
				r.fault(f)
				before := got.Load()
				wait := 5 * time.Minute
				if f == chipsim.Stuck {
					wait = 80 * time.Minute
				}
				time.Sleep(wait)
				synctest.Wait()
				h, _ := s.Get(r.name)
				want := "missing"
				switch f {
				case chipsim.Stuck:
					want = "stuck"
				case chipsim.OffScale, chipsim.PowerCut:
					want = "missing implausible"
				case chipsim.Zeros, chipsim.Busy:
					want = "missing implausible"
				}
				if !strings.Contains(want, h.State) {
					t.Errorf("%s: state %s, want %s; %s", f, h.State, want, h.Why)
				}
				why, hint := sensors.Said(h.Why, words.View{Words: words.Pseudo()})
				if bare := testkit.Bare(why + hint); why == "" || hint == "" || len(bare) > 0 {
					t.Errorf("%s: %q stand in no catalogue: %s %s", f, bare, why, hint)
				}
				if _, ok := h.Now(time.Now()); ok {
					t.Error("it has a present")
				}
				if n := got.Load() - before; f != chipsim.Stuck && n > 1 { // one may have been under way
					t.Errorf("%s: %d readings handed on", f, n)
				}
				if state(s, "other") != "ok" {
					t.Error("its neighbour suffers")
				}
				r.fault(chipsim.Good)
				r.air(chipsim.Air{C: 15, RH: 70, CO2: 700, Pa: 101000})
				time.Sleep(2*time.Minute + SlowEnd)
				synctest.Wait()
				if h, _ := s.Get(r.name); h.State != "ok" {
					t.Errorf("not well again: %s, %s", h.State, h.Why)
				}
			})
		})
	}
}

// Fogged air reads as saturated, not as missing and not as above 100 %.
func TestFogReadsAsSaturated(t *testing.T) {
	each(t, func(t *testing.T, r rig) {
		if !has(r.has, 'h') {
			return
		}
		r.air(chipsim.Air{C: 8, RH: 102, CO2: 500, Pa: 101000})
		got, err := read(t, r.probe)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "humidity", got.RH, 100, .2)
	})
}
