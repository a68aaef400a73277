// SPDX-License-Identifier: Apache-2.0

// Package mcp9808 reads the MCP9808 thermometer chip.
//
// The registers are read here, through periph's bus interface: periph's own
// driver never asks which chip answers, and its continuous mode sends a
// temperature beside a dropped error.
//
// The chip has no checksum. Each reading therefore begins with its two
// identity registers, which a shorted or floating bus does not imitate, every
// register is read until two answers agree, and a harmless setting is written
// that a chip which lost its supply no longer has.
//
// Data sheet: Microchip DS25095A. Section names refer to it.
package mcp9808

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Addrs are the addresses the three address pins can give.
var Addrs = []uint16{0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f}

// "Registers".
const (
	regConfig     = 1
	regAmbient    = 5
	regMaker      = 6
	regDevice     = 7
	regResolution = 8

	makerID  = 0x0054
	deviceID = 0x04 // upper byte; the lower is the revision

	// Hysteresis 1.5 °C, not used while the alert output is off: the mark that
	// the chip has not been reset since it was woken.
	mark = 0x0200

	convertTime = 300 * time.Millisecond // 250 ms typical at 0.0625 °C

	minC, maxC = -40, 125
)

// Device is one chip. Make it with [New].
type Device struct {
	name  string
	bus   i2c.Bus
	addr  uint16
	awake bool // seen to convert since the last fault
}

var _ sensors.Probe = (*Device)(nil)

// New returns the chip at the address on the bus. It does no I/O, so a chip
// that is unplugged at start can appear later.
func New(name string, bus i2c.Bus, addr uint16) *Device {
	return &Device{name: name, bus: bus, addr: addr}
}

// Conversion is the time of one measurement.
func (d *Device) Conversion() time.Duration { return convertTime }

// Resolution is 1/16 K.
func (d *Device) Resolution() (stepK float64, noisy bool) { return 1. / 16, false }

// Read returns the last of the chip's continuous conversions, °C. After a
// reset, until the first one, the chip says 0 °C: so it is woken and waited
// for after every fault, and afterwards must still bear the mark.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	r, err := d.read(ctx)
	if err != nil {
		d.awake = false
	}
	return r, err
}

func (d *Device) read(ctx context.Context) (sensors.Reading, error) {
	if err := d.Identify(ctx); err != nil {
		return sensors.Reading{}, err
	}
	if !d.awake {
		// Continuous conversion, and the finest step.
		if err := sensors.Transact(ctx, d.bus, d.addr, []byte{regConfig, mark >> 8, mark & 0xff}, nil); err != nil {
			return sensors.Reading{}, d.fail("wake", err)
		}
		if err := sensors.Transact(ctx, d.bus, d.addr, []byte{regResolution, 3}, nil); err != nil {
			return sensors.Reading{}, d.fail("wake", err)
		}
		if err := sensors.Wait(ctx, convertTime); err != nil {
			return sensors.Reading{}, d.fail("measure", err)
		}
	}
	raw, err := d.reg(ctx, regAmbient)
	if err != nil {
		return sensors.Reading{}, d.fail("read", err)
	}
	at := time.Now()
	conf, err := d.reg(ctx, regConfig)
	if err == nil && conf != mark {
		err = fmt.Errorf("%w: configuration %04x is not what was written", sensors.ErrPowerOn, conf)
	}
	if err != nil {
		return sensors.Reading{}, d.fail("read", err)
	}
	t, err := decode(raw)
	if err != nil {
		return sensors.Reading{}, d.fail("decode", err)
	}
	d.awake = true
	return sensors.Reading{Probe: d.name, At: at, Temp: t}, nil
}

// Identify reads maker and device identity.
func (d *Device) Identify(ctx context.Context) error {
	m, err := d.reg(ctx, regMaker)
	if err != nil {
		return d.fail("identify", err)
	}
	id, err := d.reg(ctx, regDevice)
	if err == nil && (m != makerID || id>>8 != deviceID) {
		err = fmt.Errorf("%w: maker %04x, device %04x", sensors.ErrWrongDevice, m, id)
	}
	if err != nil {
		return d.fail("identify", err)
	}
	return nil
}

func (d *Device) reg(ctx context.Context, n byte) (uint16, error) {
	var b [2]byte
	if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{n}, b[:]); err != nil {
		return 0, err
	}
	return uint16(b[0])<<8 | uint16(b[1]), nil
}

func (d *Device) fail(op string, err error) error {
	return &sensors.ReadError{Probe: d.name, Op: op, Err: err}
}

// decode takes the ambient register: three alert flags, a sign, twelve bits of
// 1/16 °C in two's complement ("Ambient temperature register").
func decode(raw uint16) (sensors.Value, error) {
	return sensors.Within(float64(int16(raw<<3)>>3)/16, minC, maxC, "°C")
}
