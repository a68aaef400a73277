// SPDX-License-Identifier: Apache-2.0

package discover_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"strings"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"

	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/chipsim"
	"curewright/sensors/discover"
	"curewright/sensors/guarded"
	"curewright/sensors/kernel"
	"curewright/sensors/sht4x"
	"curewright/sensors/w1"
)

var drivers = discover.Drivers{
	Chips: func() []discover.Chip {
		all := []discover.Chip{{Driver: "sht4x", Addrs: sht4x.Addrs, New: func(n string, b i2c.Bus, a uint16) sensors.Probe { return sht4x.New(n, b, a) }}}
		for _, k := range guarded.Kinds {
			all = append(all, discover.Chip{Driver: k.Driver, Addrs: k.Addrs, Like: k.Like, New: func(n string, b i2c.Bus, a uint16) sensors.Probe { return k.New(n, b, a) }})
		}
		return all
	}(),
	Thermometer: "ds18b20",
	W1:          func(n, id string, fsys fs.FS) sensors.Probe { return w1.New(n, id, fsys) },
	OneWire:     func(n string, b onewire.Bus, a onewire.Address) sensors.Probe { return guarded.NewThermometer(n, b, a) },
	Kernel: discover.Kernel{
		Driver: kernel.Driver, List: kernel.List, Drives: kernel.Drives,
		New: func(n, place string, sys fs.FS) (sensors.Probe, error) { return kernel.New(n, place, sys) },
	},
}

var air = chipsim.Air{C: 17.4, RH: 61.5, CO2: 780, Pa: 101020}

// must ends the test at an error.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// board is a host whose buses are the given ones.
func board(w fs.FS, buses ...*chipsim.Bus) *discover.Host {
	return &discover.Host{
		Drivers: drivers,
		Sys:     fstest.MapFS{},
		W1:      w,
		I2C: func() ([]discover.Ref, error) {
			var rs []discover.Ref
			for _, b := range buses {
				rs = append(rs, discover.Ref{Name: b.String(), Detail: "bcm2835 (i2c@7e804000)", Open: func() (i2c.BusCloser, error) { return b, nil }})
			}
			return rs, nil
		},
		Wire: func() ([]discover.WireRef, error) { return nil, nil },
	}
}

func TestDiscoverFindsEveryChip(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, second := chipsim.NewBus("i2c-1"), chipsim.NewBus("i2c-3")
		bus.Attach(0x44, chipsim.NewSHT4x(air))
		bus.Attach(0x45, chipsim.NewHDC302x(air))
		bus.Attach(0x38, chipsim.NewAHT20(air))
		bus.Attach(0x77, chipsim.NewBME280(air))
		bus.Attach(0x1f, chipsim.NewMCP9808(air))
		bus.Attach(0x4b, chipsim.NewTMP102(air))
		bus.Attach(0x62, chipsim.NewSCD4x(air))
		second.Attach(0x46, chipsim.NewSHT4x(air))
		th := chipsim.NewThermometer(0x0316a2795d1f, 12.5)
		rep := board(chipsim.NewW1Tree(th), bus, second).Discover(t.Context())
		want := map[string]string{
			"i2c-1:0x44": "sht4x", "i2c-1:0x45": "hdc302x", "i2c-1:0x38": "aht20", "i2c-1:0x77": "bme280",
			"i2c-1:0x1f": "mcp9808", "i2c-1:0x4b": "tmp102", "i2c-1:0x62": "scd4x", "i2c-3:0x46": "sht4x",
			"w1:28-0316a2795d1f": "ds18b20",
		}
		for _, f := range rep.Found {
			if f.Err != nil || want[f.Bus] != f.Driver {
				t.Errorf("%s: %s, %v; want %q", f.Bus, f.Driver, f.Err, want[f.Bus])
			}
			c := air.C
			if f.Driver == "ds18b20" {
				c = 12.5
			}
			if x, ok := f.Reading.Temp.Get(); !ok || math.Abs(x-c) > .04 {
				t.Errorf("%s: %v °C", f.Bus, f.Reading.Temp)
			}
			delete(want, f.Bus)
		}
		if len(want) != 0 {
			t.Errorf("not found: %v", want)
		}
		if len(rep.Buses) != 3 {
			t.Errorf("buses: %+v", rep.Buses)
		}
	})
}

// expander is a port expander, which takes every byte written for the state of
// its relays.
type expander struct {
	port   byte
	writes int
}

func (e *expander) Reset()               {}
func (e *expander) Write(w []byte) error { e.writes++; e.port = w[len(w)-1]; return nil }
func (e *expander) Read(r []byte) error {
	for i := range r {
		r[i] = e.port
	}
	return nil
}

// pwm is a chip of registers: the first byte written is where, the rest goes
// there, and reading goes on from there.
type pwm struct {
	mem  [256]byte
	at   byte
	data int // bytes stored
}

func (p *pwm) Reset() {}

func (p *pwm) Write(w []byte) error {
	p.at = w[0]
	for i, b := range w[1:] {
		p.mem[int(p.at)+i] = b
		p.data++
	}
	return nil
}

func (p *pwm) Read(r []byte) error {
	for i := range r {
		r[i] = p.mem[(int(p.at)+i)&0xff]
	}
	return nil
}

func TestDiscoverUpsetsNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		relays, motor := &expander{port: 0xff}, &pwm{}
		bus.Attach(0x38, relays)
		bus.Attach(0x44, motor)
		rep := board(fstest.MapFS{}, bus).Discover(t.Context())
		if relays.writes != 0 || relays.port != 0xff {
			t.Errorf("%d writes to a port expander: %02x", relays.writes, relays.port)
		}
		if motor.data != 0 {
			t.Errorf("%d bytes stored in an unknown chip", motor.data)
		}
		if len(rep.Found) != 2 {
			t.Fatalf("%+v", rep.Found)
		}
		for _, f := range rep.Found {
			if f.Driver != "" || !errors.Is(f.Err, sensors.ErrWrongDevice) || f.Reading != (sensors.Reading{}) {
				t.Errorf("%+v", f)
			}
		}
	})
}

func TestDiscoverSaysWhy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, dead := chipsim.NewBus("i2c-1"), chipsim.NewBus("i2c-2")
		bus.Attach(0x76, chipsim.NewBME280(air))
		bus.SetFault(0x76, chipsim.WrongID)
		bus.Attach(0x18, chipsim.NewMCP9808(air))
		bus.Attach(0x19, chipsim.NewMCP9808(air))
		bus.SetFault(0x19, chipsim.WrongID)
		dead.Attach(0x44, chipsim.NewSHT4x(air))
		dead.SetFault(0x44, chipsim.Hang)
		defer dead.SetFault(0x44, chipsim.Good)
		th := chipsim.NewThermometer(1, 12.5)
		th.SetFault(chipsim.PowerCut)
		h := board(chipsim.NewW1Tree(th), bus, dead)
		old := h.I2C
		h.I2C = func() ([]discover.Ref, error) {
			rs, err := old()
			return append(rs,
				discover.Ref{Name: "i2c-4", Detail: "SMBus I801 adapter at f000", Open: func() (i2c.BusCloser, error) {
					t.Error("opened the mainboard's own bus")
					return nil, fs.ErrInvalid
				}},
				discover.Ref{Name: "i2c-5", Open: func() (i2c.BusCloser, error) {
					return nil, fmt.Errorf("sysfs-i2c: are you member of group 'plugdev'? open /dev/i2c-5: permission denied")
				}}), err
		}
		rep := h.Discover(t.Context())
		why := map[string]error{}
		hints := map[string]string{}
		for _, b := range rep.Buses {
			why[b.Name], hints[b.Name] = b.Err, hint(b.Err)
		}
		if !errors.Is(why["i2c-2"], sensors.ErrTimeout) || hints["i2c-2"] == "" {
			t.Errorf("hung bus: %v", why["i2c-2"])
		}
		if why["i2c-1"] != nil {
			t.Errorf("good bus: %v", why["i2c-1"])
		}
		if why["i2c-4"] == nil || !strings.Contains(hints["i2c-5"], "group") {
			t.Errorf("%v; %q", why["i2c-4"], hints["i2c-5"])
		}
		found := map[string]discover.Found{}
		for _, f := range rep.Found {
			found[f.Bus] = f
		}
		if f := found["i2c-1:0x76"]; f.Err != nil || f.Driver != "bmp280" || f.Reading.RH.OK() {
			t.Errorf("%+v", f)
		}
		if f := found["i2c-1:0x19"]; !errors.Is(f.Err, sensors.ErrWrongDevice) || f.Driver != "" {
			t.Errorf("%+v", f)
		}
		if f := found["w1:28-000000000001"]; !errors.Is(f.Err, sensors.ErrPowerOn) || f.Reading.Temp.OK() || f.Driver != "ds18b20" {
			t.Errorf("%+v", f)
		}
		if f := found["i2c-1:0x18"]; f.Err != nil {
			t.Errorf("%+v", f)
		}
	})
}

// sickBus fails, or is held low, at every address but those of a good bus.
type sickBus struct {
	*chipsim.Bus
	good  map[uint16]bool
	err   error         // nil: the data line is low
	takes time.Duration // of each failing transfer
	n     int
}

func (b *sickBus) Tx(addr uint16, w, r []byte) error {
	if b.good[addr] {
		return b.Bus.Tx(addr, w, r)
	}
	b.n++
	time.Sleep(b.takes)
	clear(r)
	return b.err
}

// A sick bus is one line, whatever its adapter says at each address, and what
// answers on it all the same is found. An emulated i.MX6 times out where nobody
// is: that was told as 58 other devices.
func TestDiscoverSickBus(t *testing.T) {
	for name, tt := range map[string]struct {
		bus   *sickBus
		found int
		class error
		say   string
		most  int // transfers that fail
	}{
		"time-outs, one chip":  {&sickBus{err: errors.New("sysfs-i2c: connection timed out"), takes: 50 * time.Millisecond, good: map[uint16]bool{0x44: true}}, 1, sensors.ErrTimeout, "addresses", 100},
		"long time-outs":       {&sickBus{err: errors.New("sysfs-i2c: connection timed out"), takes: 2 * time.Second}, 0, sensors.ErrTimeout, "at 11 of 11 addresses", 11},
		"arbitration lost":     {&sickBus{err: errors.New("sysfs-i2c: resource temporarily unavailable")}, 0, sensors.ErrBus, "addresses", 100},
		"data line held low":   {&sickBus{}, 0, sensors.ErrBus, "held low", 1000},
		"nobody there, a chip": {&sickBus{err: errors.New("sysfs-i2c: remote I/O error"), good: map[uint16]bool{0x44: true}}, 1, nil, "", 100},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				tt.bus.Bus = chipsim.NewBus("i2c-1")
				tt.bus.Attach(0x44, chipsim.NewSHT4x(air))
				h := board(fstest.MapFS{})
				h.I2C = func() ([]discover.Ref, error) {
					return []discover.Ref{{Name: "i2c-1", Open: func() (i2c.BusCloser, error) { return tt.bus, nil }}}, nil
				}
				rep := h.Discover(t.Context())
				if len(rep.Found) != tt.found {
					t.Errorf("found %+v, want %d", rep.Found, tt.found)
				}
				for _, f := range rep.Found {
					if f.Err != nil || f.Driver != "sht4x" {
						t.Errorf("%+v", f)
					}
				}
				b := rep.Buses[0]
				if tt.class == nil {
					if b.Err != nil {
						t.Errorf("%v", b.Err)
					}
					return
				}
				if !errors.Is(b.Err, tt.class) || !strings.Contains(b.Err.Error(), tt.say) || hint(b.Err) == "" {
					t.Errorf("%v (%s), want %v that says %q", b.Err, hint(b.Err), tt.class, tt.say)
				}
				if tt.bus.n > tt.most {
					t.Errorf("%d transfers on a sick bus", tt.bus.n)
				}
			})
		})
	}
}

// Looking again and again, as a daemon does: a bus that hangs is asked once
// and not every time, and probes in use are left to their pollers.
func TestDiscoverAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, dead := chipsim.NewBus("i2c-1"), chipsim.NewBus("i2c-2")
		bus.Attach(0x44, chipsim.NewSHT4x(air))
		bus.Attach(0x48, chipsim.NewTMP102(air))
		dead.Attach(0x44, chipsim.NewSHT4x(air))
		dead.SetFault(0x44, chipsim.Hang)
		th := chipsim.NewThermometer(1, 12.5)
		th.SetFault(chipsim.Hang)
		h := board(chipsim.NewW1Tree(th), bus, dead)
		h.Discover(t.Context())
		if _, err := h.Open("air", "sht4x", "i2c-1:0x44"); err != nil {
			t.Fatal(err)
		}
		asked := bus.Transactions(0x44)
		onDead := func() (n int) {
			for a := range uint16(0x80) {
				n += dead.Transactions(a)
			}
			return n
		}
		hung := onDead()
		for range 20 {
			rep := h.Discover(t.Context())
			for _, f := range rep.Found {
				if f.Bus == "i2c-1:0x44" {
					t.Error("a probe in use was found again")
				}
			}
			if len(rep.Found) != 2 { // the other chip, and the thermometer that hangs
				t.Errorf("%+v", rep.Found)
			}
			time.Sleep(time.Minute)
		}
		if n := bus.Transactions(0x44) - asked; n != 0 {
			t.Errorf("%d transactions with a probe in use", n)
		}
		if n := onDead() - hung; n != 0 {
			t.Errorf("%d more transactions on a hung bus", n)
		}
		dead.SetFault(0x44, chipsim.Good)
		th.SetFault(chipsim.Good)
		time.Sleep(time.Minute)
		if rep := h.Discover(t.Context()); len(rep.Found) != 3 {
			t.Errorf("after they came back: %+v", rep.Found)
		}
	})
}

// A machine with no bus at all: said plainly, and no error. This machine is
// asked itself, whatever it has.
func TestDiscoverWithoutBuses(t *testing.T) {
	h := board(missing{})
	rep := h.Discover(t.Context())
	if len(rep.Found) != 0 || len(rep.Buses) != 2 {
		t.Fatalf("%+v", rep)
	}
	for _, b := range rep.Buses {
		if b.Err == nil || hint(b.Err) == "" {
			t.Errorf("%+v", b)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	here := discover.Host{Drivers: drivers}
	if rep := here.Discover(ctx); len(rep.Buses) == 0 {
		t.Error("nothing said about this machine's buses")
	}
}

type missing struct{}

func (missing) Open(name string) (fs.File, error) {
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

func TestOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		th := chipsim.NewThermometer(0x0316a2795d1f, 12.5)
		h := board(chipsim.NewW1Tree(th), bus)
		wired := chipsim.NewOneWire(th)
		h.Wire = func() ([]discover.WireRef, error) {
			return []discover.WireRef{{Name: "master", Open: func() (onewire.BusCloser, error) { return wired, nil }}}, nil
		}
		for _, place := range []string{"w1:28-0316a2795d1f", "master:28-0316a2795d1f"} {
			p, err := h.Open("panel-1", "ds18b20", place)
			must(t, err)
			if r, err := p.Read(t.Context()); err != nil || r.Temp != sensors.Some(12.5) || r.Probe != "panel-1" {
				t.Errorf("%s: %+v, %v", place, r, err)
			}
		}
		p, err := h.Open("air", "sht4x", "i2c-1:0x44")
		if err != nil {
			t.Fatalf("a chip not plugged in yet stopped the start: %v", err)
		}
		if _, err := p.Read(t.Context()); !errors.Is(err, sensors.ErrAbsent) {
			t.Errorf("%v", err)
		}
		bus.Attach(0x44, chipsim.NewSHT4x(air))
		if _, err := p.Read(t.Context()); err != nil {
			t.Errorf("plugged in since: %v", err)
		}
		p, err = h.Open("air2", "sht4x", "i2c-9:0x44")
		if err != nil {
			t.Fatalf("a bus not there yet stopped the start: %v", err)
		}
		if _, err := p.Read(t.Context()); !errors.Is(err, sensors.ErrAbsent) {
			t.Errorf("%v", err)
		}
		for _, bad := range [][2]string{
			{"sht40", "i2c-1:0x44"}, {"", "i2c-1:0x44"}, {"sht4x", "i2c-1"}, {"sht4x", "i2c-1:air"},
			{"sht4x", "i2c-1:0x76"}, {"sht4x", ":0x44"}, {"ds18b20", "w1:10-0316a2795d1f"},
			{"ds18b20", "w1:28-xyz"}, {"ds18b20", "w1"}, {"ds18b20", "w1:28-../../../etc"},
		} {
			if p, err := h.Open("x", bad[0], bad[1]); err == nil || p != nil {
				t.Errorf("%v opened", bad)
			}
		}
	})
}

// gone is an adapter that was pulled out: ENODEV, in the words that periph
// makes of it.
type gone struct{ closed *bool }

func (gone) Tx(uint16, []byte, []byte) error { return errors.New("sysfs-i2c: no such device") }
func (gone) SetSpeed(physic.Frequency) error { return nil }
func (gone) String() string                  { return "gone" }
func (g gone) Close() error                  { *g.closed = true; return nil }

// goneWire is the same for 1-wire.
type goneWire struct{ gone }

func (goneWire) Tx([]byte, []byte, onewire.Pullup) error { return errors.New("netlink-onewire: EOF") }
func (goneWire) Search(bool) ([]onewire.Address, error)  { return nil, errors.New("EOF") }

// An adapter that is pulled out and plugged in again is opened anew, and one on
// which nobody answers is left as it is.
func TestAdapterComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		wired := chipsim.NewOneWire(chipsim.NewThermometer(0x0316a2795d1f, 12.5))
		var closed, wireClosed bool
		var opened, wireOpened int
		h := board(chipsim.NewW1Tree())
		h.I2C = func() ([]discover.Ref, error) {
			return []discover.Ref{{Name: "i2c-1", Open: func() (i2c.BusCloser, error) {
				if opened++; opened == 1 {
					return gone{&closed}, nil
				}
				return bus, nil
			}}}, nil
		}
		h.Wire = func() ([]discover.WireRef, error) {
			return []discover.WireRef{{Name: "master", Open: func() (onewire.BusCloser, error) {
				if wireOpened++; wireOpened == 1 {
					return goneWire{gone{&wireClosed}}, nil
				}
				return wired, nil
			}}}, nil
		}
		air1, err := h.Open("air", "sht4x", "i2c-1:0x44")
		must(t, err)
		panel, err := h.Open("panel", "ds18b20", "master:28-0316a2795d1f")
		must(t, err)
		for _, p := range []sensors.Probe{air1, panel} {
			if r, err := p.Read(t.Context()); err == nil {
				t.Errorf("pulled out, and read %+v", r)
			}
		}
		if !closed || !wireClosed {
			t.Errorf("dead buses left open: I2C closed %v, 1-wire closed %v", closed, wireClosed)
		}
		if _, err := panel.Read(t.Context()); err != nil {
			t.Errorf("1-wire plugged in again: %v", err)
		}
		for range 3 { // nothing at the address yet
			if _, err := air1.Read(t.Context()); !errors.Is(err, sensors.ErrAbsent) {
				t.Errorf("an empty bus: %v", err)
			}
		}
		bus.Attach(0x44, chipsim.NewSHT4x(air))
		if _, err := air1.Read(t.Context()); err != nil {
			t.Errorf("I2C plugged in again: %v", err)
		}
		if opened != 2 || wireOpened != 2 {
			t.Errorf("opened I2C %d and 1-wire %d times, want twice each", opened, wireOpened)
		}
	})
}

// An adapter at a hub that came up in another order has another number: which
// is said, with those that could be it. Linux of its own takes none of them.
func TestAdapterElsewhere(t *testing.T) {
	open := func() (i2c.BusCloser, error) { return chipsim.NewBus("x"), nil }
	h := board(chipsim.NewW1Tree())
	h.I2C = func() ([]discover.Ref, error) {
		return []discover.Ref{{Name: "i2c-0", Detail: "DesignWare HDMI", Open: open},
			{Name: "i2c-3", Detail: "header", Open: open}, {Name: "i2c-10", Detail: "adapter at a hub", Open: open}}, nil
	}
	if _, err := h.Open("other", "sht4x", "i2c-3:0x44"); err != nil {
		t.Fatal(err)
	}
	p, err := h.Open("air", "sht4x", "i2c-9:0x44")
	must(t, err)
	r, err := p.Read(t.Context())
	if !errors.Is(err, sensors.ErrAbsent) || !strings.Contains(err.Error(), "there is no bus i2c-9") || r.Temp.OK() {
		t.Errorf("%+v, %v", r, err)
	}
	if hint := hint(err); !strings.Contains(hint, "there is i2c-10 (adapter at a hub)") || strings.Contains(hint, "i2c-3") || strings.Contains(hint, "i2c-0") {
		t.Errorf("hint %q", hint)
	}
	// One that another probe names is not it.
	if _, err := h.Open("third", "sht4x", "i2c-10:0x44"); err != nil {
		t.Fatal(err)
	}
	h.I2C = func() ([]discover.Ref, error) {
		return []discover.Ref{{Name: "i2c-3", Open: open}, {Name: "i2c-4", Detail: "not wanted", Open: open}, {Name: "i2c-11", Detail: "it", Open: open}}, nil
	}
	if _, err = p.Read(t.Context()); !strings.Contains(hint(err), "there is i2c-4 (not wanted), i2c-11 (it)") {
		t.Errorf("a bus that was never seen: %q", hint(err))
	}
	h.I2C = func() ([]discover.Ref, error) { return nil, nil }
	if _, err = p.Read(t.Context()); !strings.Contains(hint(err), "adapter") || strings.Contains(hint(err), "there is") {
		t.Errorf("no bus at all: %q", hint(err))
	}
}

func hint(err error) string {
	_, h := sensors.Said(err, words.View{})
	return h
}

func ExampleHost_Discover() {
	bus := chipsim.NewBus("i2c-1")
	bus.Attach(0x44, chipsim.NewSHT4x(chipsim.Air{C: 17.4, RH: 62}))
	h := discover.Host{
		Drivers: drivers,
		I2C: func() ([]discover.Ref, error) {
			return []discover.Ref{{Name: "i2c-1", Open: func() (i2c.BusCloser, error) { return bus, nil }}}, nil
		},
		W1: chipsim.NewW1Tree(),
	}
	for _, f := range h.Discover(context.Background()).Found {
		t, _ := f.Reading.Temp.Get()
		rh, _ := f.Reading.RH.Get()
		fmt.Printf("%s %s: %.1f °C, %.0f %%\n", f.Driver, f.Bus, t, rh)
	}
	// Output: sht4x i2c-1:0x44: 17.4 °C, 62 %
}

// pca9548 is a multiplexer with buses behind it (NXP PCA9548A, "Control
// register": a bit a channel, written and read as one byte).
type pca9548 struct {
	*chipsim.Bus
	addr    uint16
	control byte
	behind  [8]*chipsim.Bus
}

func (m *pca9548) Tx(addr uint16, w, r []byte) error {
	if addr == m.addr {
		if len(w) > 0 {
			m.control = w[len(w)-1]
		}
		for i := range r {
			r[i] = m.control
		}
		return nil
	}
	for n, b := range m.behind {
		if b != nil && m.control>>n&1 == 1 {
			if err := b.Tx(addr, w, r); err == nil {
				return nil
			}
		}
	}
	return m.Bus.Tx(addr, w, r)
}

// Two chips of one address behind a multiplexer, read in turns, found, and
// read on after its supply dipped; one that is none is not believed.
func TestMultiplexer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &pca9548{Bus: chipsim.NewBus("i2c-1"), addr: 0x70}
		m.Attach(0x18, chipsim.NewMCP9808(air))
		for n, c := range map[int]float64{0: 11.5, 3: 22.25} {
			m.behind[n] = chipsim.NewBus("behind")
			m.behind[n].Attach(0x48, chipsim.NewTMP102(chipsim.Air{C: c}))
		}
		h := board(fstest.MapFS{})
		h.I2C = func() ([]discover.Ref, error) {
			return []discover.Ref{{Name: "i2c-1", Open: func() (i2c.BusCloser, error) { return m, nil }}}, nil
		}
		h.Behind = []string{"i2c-1/0x70"}
		places := map[string]bool{}
		for _, f := range h.Discover(t.Context()).Found {
			if f.Err != nil {
				t.Errorf("%+v", f)
			}
			places[f.Bus] = true
		}
		if want := map[string]bool{"i2c-1:0x18": true, "i2c-1/0x70/0:0x48": true, "i2c-1/0x70/3:0x48": true}; !maps.Equal(places, want) {
			t.Errorf("found %v, want %v", places, want)
		}
		a, err := h.Open("a", "tmp102", "i2c-1/0x70/0:0x48")
		must(t, err)
		b, err := h.Open("b", "tmp102", "i2c-1/0x70/3:0x48")
		must(t, err)
		both := func() {
			t.Helper()
			for range 3 {
				for p, want := range map[sensors.Probe]float64{a: 11.5, b: 22.25} {
					if r, err := p.Read(t.Context()); err != nil || r.Temp != sensors.Some(want) {
						t.Errorf("%+v, %v; want %g", r, err, want)
					}
				}
			}
		}
		both()
		m.control = 0 // its supply dipped
		both()
		m.control = 0b1001 // disturbed: both chips would answer
		both()
		m.addr = 0x77 // nobody at its address; then something that keeps no byte
		if r, err := a.Read(t.Context()); !errors.Is(err, sensors.ErrAbsent) {
			t.Errorf("%+v, %v through no multiplexer", r, err)
		}
		m.Attach(0x70, chipsim.NewMCP9808(air))
		if r, err := a.Read(t.Context()); !errors.Is(err, sensors.ErrWrongDevice) {
			t.Errorf("%+v, %v through no multiplexer", r, err)
		}
		for _, bad := range []string{"i2c-1/0x70:0x48", "i2c-1/0x69/0:0x48", "i2c-1/0x70/8:0x48", "/0x70/1:0x48", "i2c-1/0x70/1/2:0x48"} {
			if _, err := h.Open("p", "tmp102", bad); err == nil || !strings.Contains(err.Error(), "i2c-1/0x70/3") {
				t.Errorf("%s: %v", bad, err)
			}
		}
	})
}

// What Linux drives itself is found by Linux's files, and not asked by us.
func TestDiscoverKernelsOwn(t *testing.T) {
	bus := chipsim.NewBus("i2c-1")
	bus.Attach(0x48, chipsim.NewTMP102(air))
	h := board(fstest.MapFS{}, bus)
	h.Sys = fstest.MapFS{
		"bus/i2c/devices/1-0048/driver/bind":      {},
		"devices/1-0048/hwmon/hwmon0/temp1_input": {Data: []byte("23750\n")},
		"devices/1-0048/hwmon/hwmon0/device":      {Data: []byte("../../../1-0048"), Mode: fs.ModeSymlink},
		"devices/1-0048/subsystem":                {Data: []byte("../../bus/i2c"), Mode: fs.ModeSymlink},
		"class/hwmon/hwmon0":                      {Data: []byte("../../devices/1-0048/hwmon/hwmon0"), Mode: fs.ModeSymlink},
		"class/i2c-adapter/i2c-1/name":            {Data: []byte("bcm2835 (i2c@7e804000)\n")},
	}
	rep := h.Discover(t.Context())
	if len(rep.Found) != 1 || rep.Found[0].Driver != "kernel" || rep.Found[0].Bus != "hwmon:1-0048" || rep.Found[0].Reading.Temp != sensors.Some(23.75) {
		t.Errorf("%+v", rep.Found)
	}
	if n := bus.Transactions(0x48); n != 0 {
		t.Errorf("%d transfers with a chip that Linux drives", n)
	}
	if _, err := h.Open("p", "kernel", "hwmon:1-0048"); err != nil {
		t.Error(err)
	}
	// Nor is it where the configuration names our driver for it.
	p, err := h.Open("q", "tmp102", "i2c-1:0x48")
	must(t, err)
	if r, err := p.Read(t.Context()); !errors.Is(err, sensors.ErrWrongDevice) || !strings.Contains(hint(err), `driver = "kernel" and bus = "hwmon:1-0048"`) || r.Temp.OK() || bus.Transactions(0x48) != 0 {
		t.Errorf("%+v, %v, %d transfers with a chip that Linux drives", r, err, bus.Transactions(0x48))
	}
	if rep := h.Discover(t.Context()); len(rep.Found) != 0 {
		t.Errorf("found once more: %+v", rep.Found)
	}
}
