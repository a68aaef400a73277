// SPDX-License-Identifier: Apache-2.0

// Package aht20 reads the AHT20 air temperature and humidity chip.
//
// The registers are read here, through periph's bus interface: periph's own
// driver waits without regard to a deadline, talks to the chip when it is
// made, and in continuous mode drops errors.
//
// Data sheet: Aosong AHT20, version 1.0. Section names refer to it.
package aht20

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Addrs is the chip's one address.
var Addrs = []uint16{0x38}

// "Sensor communication".
var (
	cmdInit    = []byte{0xbe, 0x08, 0x00}
	cmdMeasure = []byte{0xac, 0x33, 0x00}
)

const (
	cmdStatus = 0x71

	busy       = 1 << 7
	calibrated = 1 << 3

	initTime    = 10 * time.Millisecond
	measureTime = 80 * time.Millisecond
	againTime   = 10 * time.Millisecond
	againMax    = 20

	// "Technical specifications".
	minC, maxC  = -40, 85
	rhTolerance = 5 // at the ends of the span, "Maximum error of relative humidity"
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
func (d *Device) Conversion() time.Duration { return measureTime + againMax*againTime }

// Resolution is .01 K by the data sheet, with noise of about as much.
func (d *Device) Resolution() (stepK float64, noisy bool) { return .01, false }

// Read measures once: °C and %RH.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	if err := d.ready(ctx); err != nil {
		return sensors.Reading{}, d.fail("open", err)
	}
	if err := sensors.Transact(ctx, d.bus, d.addr, cmdMeasure, nil); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	if err := sensors.Wait(ctx, measureTime); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	var b [7]byte
	for i := 0; ; i++ {
		if err := sensors.Transact(ctx, d.bus, d.addr, nil, b[:]); err != nil {
			return sensors.Reading{}, d.fail("read", err)
		}
		if b[0]&busy == 0 {
			break
		}
		if i == againMax {
			return sensors.Reading{}, d.fail("measure", fmt.Errorf("%w: still busy", sensors.ErrTimeout))
		}
		if err := sensors.Wait(ctx, againTime); err != nil {
			return sensors.Reading{}, d.fail("measure", err)
		}
	}
	at := time.Now()
	t, rh, err := decode(b)
	if err != nil {
		return sensors.Reading{}, d.fail("decode", err)
	}
	return sensors.Reading{Probe: d.name, At: at, Temp: t, RH: rh}, nil
}

// ready loads the calibration if the chip has lost it.
func (d *Device) ready(ctx context.Context) error {
	var s [1]byte
	if err := sensors.Transact(ctx, d.bus, d.addr, []byte{cmdStatus}, s[:]); err != nil {
		return err
	}
	if s[0]&calibrated != 0 {
		return nil
	}
	if err := sensors.Transact(ctx, d.bus, d.addr, cmdInit, nil); err != nil {
		return err
	}
	return sensors.Wait(ctx, initTime)
}

// Identify measures once: the chip has no identity to read, but only it
// answers a measurement with seven bytes whose checksum is right. Before
// anything is written it is only listened to: port expanders live at this
// address too, say the same byte over and over, and would switch a relay at
// the first command.
func (d *Device) Identify(ctx context.Context) error {
	var b [7]byte
	if err := sensors.Transact(ctx, d.bus, d.addr, nil, b[:]); err != nil {
		return d.fail("identify", err)
	}
	if b == [7]byte{b[0], b[0], b[0], b[0], b[0], b[0], b[0]} {
		return d.fail("identify", fmt.Errorf("%w: it says %02x only", sensors.ErrWrongDevice, b[0]))
	}
	_, err := d.Read(ctx)
	return err
}

func (d *Device) fail(op string, err error) error {
	return &sensors.ReadError{Probe: d.name, Op: op, Err: err}
}

// decode applies "Signal conversion": RH = S/2²⁰·100 %, T = S/2²⁰·200 − 50 °C.
func decode(b [7]byte) (t, rh sensors.Value, err error) {
	none := sensors.Value{}
	if got := sensors.CRC8(b[:6]); got != b[6] {
		return none, none, fmt.Errorf("%w: came with %02x, the sum is %02x", sensors.ErrChecksum, b[6], got)
	}
	if b[0]&calibrated == 0 {
		return none, none, fmt.Errorf("%w: calibration not loaded", sensors.ErrPowerOn)
	}
	h := uint32(b[1])<<12 | uint32(b[2])<<4 | uint32(b[3])>>4
	c := uint32(b[3]&0xf)<<16 | uint32(b[4])<<8 | uint32(b[5])
	if t, err = sensors.Within(float64(c)/(1<<20)*200-50, minC, maxC, "°C"); err != nil {
		return none, none, err
	}
	if rh, err = sensors.SaturatedRH(float64(h)/(1<<20)*100, rhTolerance); err != nil {
		return none, none, err
	}
	return t, rh, nil
}
