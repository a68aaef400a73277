// SPDX-License-Identifier: Apache-2.0

// Package guarded reads chips through periph's own drivers, behind one guard.
//
// A periph driver gets a bus that is a [wire]. The wire keeps the first fault, fails
// every later transfer of the driver, and the reading returns that fault, whatever
// the driver returns. Each transfer has a deadline, and so has the reading, which
// does not wait for a driver that sleeps. Checksums are checked where the chip sends
// them; without, registers are read until two answers agree. The chip's identity is
// checked. After any fault the driver is made anew, which sets the chip up again.
// Finally values outside the data sheet's range are refused.
//
// What else each chip needs is in chips.go, one entry per chip.
package guarded

import (
	"context"
	"errors"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"curewright/sensors"
)

// Kind is one kind of chip. The kinds are listed in [Kinds].
type Kind struct {
	Driver string   // its name in the configuration
	Addrs  []uint16 // where the chip can live
	// Like is a kind that identifies its chip by the same question. If it finds
	// another chip, this kind may be tried.
	Like string

	step  float64       // K, of the temperature
	noisy bool          // its noise is many steps
	takes time.Duration // the longest time of one reading

	minC, maxC float64 // °C, rated
	overRH     float64 // %RH above 100 that the data sheet's tolerance allows; 0: no humidity
	pressure   bool
	co2        bool
	nameless   bool  // it has no identity to ask for
	keep       bool  // the driver is kept from one reading to the next
	slow       error // reason for an error that the driver returns without a bus fault

	identify func(*wire) error                     // checks the chip's identity; harmless to other chips at the address
	open     func(*wire) (func(*env) error, error) // makes periph's driver
	after    func(*wire) error                     // checks the chip after the reading
	rule     func(w *wire, out []byte, n int) rule
}

// env is a driver's result.
type env struct {
	physic.Env
	ppm int
}

// rule is how one kind of transfer is done.
type rule struct {
	twice  bool               // until two answers agree
	sums   bool               // words of two bytes, each with its sum
	nackOK bool               // a missing acknowledgement is normal and no fault
	gap    time.Duration      // between writing and reading, which are then two transfers
	pace   time.Duration      // wait before it; such transfers are bounded by pacedMost
	check  func([]byte) error // checks the bytes read
	out    []byte             // bytes to write instead
}

const (
	transferTime = 3 * time.Second // for one transfer: a bus at 10 kHz moves 3 kB in it
	pacedMost    = 100             // polls of one reading
)

// guard is one reading at a time, with its deadline and its first fault.
type guard struct {
	turn chan struct{} // held by the running reading, even after it was given up

	mu     sync.Mutex
	ctx    context.Context
	err    error         // the first fault of this reading
	failed chan struct{} // closed with it
}

// fail keeps the first fault and returns it.
func (g *guard) fail(err error) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.err == nil {
		g.err = err
		close(g.failed)
	}
	return g.err
}

func (g *guard) fault() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.err
}

func (g *guard) wait(d time.Duration) error {
	if err := sensors.Wait(g.ctx, d); err != nil {
		return g.fail(err)
	}
	return nil
}

// inTime ends a transfer that takes too long for the reading; the transfer
// itself can't be ended.
func (g *guard) inTime() (over func() bool) {
	return time.AfterFunc(transferTime, func() {
		_ = g.fail(sensors.Fail(sensors.ErrTimeout, "within", sensors.Facts{"span": transferTime}))
	}).Stop
}

// run does one reading and returns with the first fault or at the deadline,
// while f may still sleep: then the next reading waits for it. end is called
// when f has come back.
func (g *guard) run(ctx context.Context, f func() (sensors.Reading, error), end func(failed bool)) (sensors.Reading, error) {
	if err := ctx.Err(); err != nil {
		return sensors.Reading{}, sensors.Late(err)
	}
	select {
	case g.turn <- struct{}{}:
	case <-ctx.Done():
		return sensors.Reading{}, sensors.Fail(sensors.ErrTimeout, "last_out", nil)
	}
	failed := make(chan struct{})
	g.mu.Lock()
	g.ctx, g.err, g.failed = ctx, nil, failed
	g.mu.Unlock()
	type answer struct {
		r   sensors.Reading
		err error
	}
	done := make(chan answer, 1)
	go func() {
		defer func() { <-g.turn }()
		var a answer
		defer func() {
			if x := recover(); x != nil {
				a.err = sensors.Fail(sensors.ErrBus, "panicked", sensors.Facts{"err": x})
			}
			if err := g.fault(); err != nil {
				a.err = err
			}
			end(a.err != nil)
			done <- a
		}()
		a.r, a.err = f()
	}()
	var a answer
	select {
	case a = <-done:
	case <-failed:
		a.err = g.fault()
	case <-ctx.Done():
		a.err = g.fail(sensors.Late(ctx.Err()))
	}
	if a.err != nil {
		return sensors.Reading{}, a.err
	}
	return a.r, nil
}

// wire is a bus with one chip on it.
type wire struct {
	guard
	bus   i2c.Bus
	addr  uint16
	k     *Kind
	polls int
	state any // the kind's own
}

var _ i2c.Bus = (*wire)(nil)

func (w *wire) String() string                { return w.bus.String() }
func (*wire) SetSpeed(physic.Frequency) error { return errors.New("left as the board has it") }

// Tx implements i2c.Bus for periph's driver.
func (w *wire) Tx(_ uint16, out, in []byte) error {
	if err := w.fault(); err != nil {
		return err
	}
	var r rule
	if w.k.rule != nil {
		r = w.k.rule(w, out, len(in))
	}
	if r.out != nil {
		out = r.out
	}
	if r.pace > 0 {
		if w.polls++; w.polls > pacedMost {
			return w.fail(sensors.Fail(sensors.ErrTimeout, "endless", nil))
		}
		if err := w.wait(r.pace); err != nil {
			return err
		}
	}
	err := w.transfer(r, out, in)
	if err == nil && r.sums {
		for i := 0; err == nil && i < len(in); i += 3 {
			_, err = sensors.Word(in[i:])
		}
	}
	if err == nil && r.check != nil {
		err = r.check(in)
	}
	if r.nackOK && errors.Is(err, sensors.ErrAbsent) {
		return err
	}
	if err != nil {
		clear(in)
		return w.fail(err)
	}
	// A transfer that came back after the reading was given up is no answer.
	return w.fault()
}

func (w *wire) transfer(r rule, out, in []byte) error {
	defer w.inTime()()
	switch {
	case r.gap > 0 && len(out) > 0 && len(in) > 0:
		if err := sensors.Transact(w.ctx, w.bus, w.addr, out, nil); err != nil {
			return err
		}
		if err := sensors.Wait(w.ctx, r.gap); err != nil {
			return err
		}
		return sensors.Transact(w.ctx, w.bus, w.addr, nil, in)
	case r.twice:
		return sensors.TransactTwice(w.ctx, w.bus, w.addr, out, in)
	}
	return sensors.Transact(w.ctx, w.bus, w.addr, out, in)
}

// The guard's own transfers, by the same rules as the driver's.

func (w *wire) write(b ...byte) error { return w.Tx(w.addr, b, nil) }

func (w *wire) read(n int, cmd ...byte) ([]byte, error) {
	b := make([]byte, n)
	err := w.Tx(w.addr, cmd, b)
	return b, err
}

// word reads a word that has no sum.
func (w *wire) word(cmd ...byte) (uint16, error) {
	b, err := w.read(2, cmd...)
	return uint16(b[0])<<8 | uint16(b[1]), err
}

// Device is one chip. Make it with [Kind.New].
type Device struct {
	name  string
	k     *Kind
	wire  *wire
	sense func(*env) error
}

var _ sensors.Probe = (*Device)(nil)

// New returns the chip at the address on the bus. It does no I/O, so a chip
// that is unplugged at start can appear later.
func (k *Kind) New(name string, bus i2c.Bus, addr uint16) *Device {
	return &Device{name: name, k: k, wire: &wire{guard: guard{turn: make(chan struct{}, 1)}, bus: bus, addr: addr, k: k}}
}

// Traits are the longest time of one reading, the temperature's step, and whether
// noise hides it.
func (d *Device) Traits() sensors.Traits {
	return sensors.Traits{Conversion: d.k.takes, StepK: d.k.step, Noisy: d.k.noisy}
}

// Read measures once. It ends with ctx at the latest, if need be before the
// driver does; the next reading then waits for that.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	return d.run(ctx, d.measure)
}

// Identify asks the chip who it is, as far as it can say: one without an
// identity measures once.
func (d *Device) Identify(ctx context.Context) error {
	f := func() (sensors.Reading, error) { return sensors.Reading{}, d.k.identify(d.wire) }
	if d.k.nameless {
		f = d.measure
	}
	_, err := d.run(ctx, f)
	return err
}

func (d *Device) run(ctx context.Context, f func() (sensors.Reading, error)) (sensors.Reading, error) {
	return d.wire.run(ctx, func() (sensors.Reading, error) {
		d.wire.polls = 0
		return f()
	}, func(failed bool) {
		if failed || !d.k.keep {
			d.sense = nil
		}
	})
}

func (d *Device) measure() (sensors.Reading, error) {
	if err := d.k.identify(d.wire); err != nil {
		return sensors.Reading{}, err
	}
	if d.sense == nil {
		s, err := d.k.open(d.wire)
		if err != nil {
			return sensors.Reading{}, d.own(err)
		}
		d.sense = s
	}
	var e env
	if err := d.sense(&e); err != nil {
		return sensors.Reading{}, d.own(err)
	}
	if d.k.after != nil {
		if err := d.k.after(d.wire); err != nil {
			return sensors.Reading{}, err
		}
	}
	r := sensors.Reading{Probe: d.name}
	var err error
	if r.Temp, err = sensors.Within(e.Temperature.Celsius(), d.k.minC, d.k.maxC, "°C"); err != nil {
		return sensors.Reading{}, err
	}
	if d.k.overRH > 0 {
		if r.RH, err = sensors.SaturatedRH(float64(e.Humidity)/float64(physic.PercentRH), d.k.overRH); err != nil {
			return sensors.Reading{}, err
		}
	}
	if d.k.pressure {
		if r.Pressure, err = sensors.Within(float64(e.Pressure)/float64(physic.Pascal), 30000, 110000, "Pa"); err != nil {
			return sensors.Reading{}, err
		}
	}
	if d.k.co2 {
		if e.ppm == 0 {
			return sensors.Reading{}, sensors.Fail(sensors.ErrPowerOn, "value", sensors.Facts{"x": "0 ppm"})
		}
		if r.CO2, err = sensors.Within(float64(e.ppm), 1, 40000, "ppm"); err != nil {
			return sensors.Reading{}, err
		}
	}
	return r, nil
}

// own classifies an error that the driver returns without a fault of the bus.
func (d *Device) own(err error) error {
	if werr := d.wire.fault(); werr != nil {
		return werr
	}
	if d.k.slow != nil {
		return sensors.Fail(d.k.slow, "passed", sensors.Facts{"err": err})
	}
	return sensors.BusError(err)
}
