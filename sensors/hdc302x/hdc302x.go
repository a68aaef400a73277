// SPDX-License-Identifier: Apache-2.0

// Package hdc302x reads the HDC3020, HDC3021 and HDC3022 air temperature and
// humidity chips.
//
// The registers are read here, through periph's bus interface: periph's own
// driver starts continuous measurement when it is made and then hands out
// whatever the chip measured last, with no way to know when, and its
// continuous mode drops errors. Here each reading is asked for.
//
// Data sheet: Texas Instruments SNAS778 (HDC302x). Section names refer to it.
package hdc302x

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Addrs are the addresses the two address pins can give.
var Addrs = []uint16{0x44, 0x45, 0x46, 0x47}

// "Command table".
var (
	cmdMeasure = []byte{0x24, 0x00} // on demand, lowest noise
	cmdMaker   = []byte{0x37, 0x81} // manufacturer identity
)

const (
	makerTI = 0x3000

	// "Switching characteristics": 14 ms at most in the lowest-noise mode;
	// rounded up.
	measureTime = 16 * time.Millisecond

	// "Recommended operating conditions".
	minC, maxC  = -40, 125
	rhTolerance = 2.5
)

// Device is one chip. Make it with [New].
type Device struct {
	name string
	bus  i2c.Bus
	addr uint16
}

var _ sensors.Probe = (*Device)(nil)

// New returns the chip at the address on the bus. It does no I/O, so a chip
// that is unplugged at start can appear later.
func New(name string, bus i2c.Bus, addr uint16) *Device {
	return &Device{name: name, bus: bus, addr: addr}
}

// Conversion is the time of one measurement.
func (d *Device) Conversion() time.Duration { return measureTime }

// Resolution is 175 K over 16 bits; noise is several steps.
func (d *Device) Resolution() (stepK float64, noisy bool) { return 175. / 65535, true }

// Read asks who answers, for other kinds of chip share these addresses, and
// measures once: °C and %RH.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	if err := d.Identify(ctx); err != nil {
		return sensors.Reading{}, err
	}
	if err := sensors.Transact(ctx, d.bus, d.addr, cmdMeasure, nil); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	if err := sensors.Wait(ctx, measureTime); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	var b [6]byte
	if err := sensors.Transact(ctx, d.bus, d.addr, nil, b[:]); err != nil {
		return sensors.Reading{}, d.fail("read", err)
	}
	at := time.Now()
	t, rh, err := decode(b[:])
	if err != nil {
		return sensors.Reading{}, d.fail("decode", err)
	}
	return sensors.Reading{Probe: d.name, At: at, Temp: t, RH: rh}, nil
}

// Identify reads the maker's identity.
func (d *Device) Identify(ctx context.Context) error {
	var b [3]byte
	if err := sensors.Transact(ctx, d.bus, d.addr, cmdMaker, b[:]); err != nil {
		return d.fail("identify", err)
	}
	id, err := sensors.Word(b[:])
	if err == nil && id != makerTI {
		err = fmt.Errorf("%w: maker %04x", sensors.ErrWrongDevice, id)
	}
	if err != nil {
		return d.fail("identify", err)
	}
	return nil
}

func (d *Device) fail(op string, err error) error {
	return &sensors.ReadError{Probe: d.name, Op: op, Err: err}
}

// decode applies "Device functional modes": T = −45 + 175·S/65535 °C,
// RH = 100·S/65535 %.
func decode(b []byte) (t, rh sensors.Value, err error) {
	none := sensors.Value{}
	st, err := sensors.Word(b)
	if err != nil {
		return none, none, err
	}
	srh, err := sensors.Word(b[3:])
	if err != nil {
		return none, none, err
	}
	if t, err = sensors.Within(-45+175*float64(st)/65535, minC, maxC, "°C"); err != nil {
		return none, none, err
	}
	if rh, err = sensors.SaturatedRH(100*float64(srh)/65535, rhTolerance); err != nil {
		return none, none, err
	}
	return t, rh, nil
}
