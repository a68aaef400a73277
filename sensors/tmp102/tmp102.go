// SPDX-License-Identifier: Apache-2.0

// Package tmp102 reads the TMP102 thermometer chip.
//
// The registers are read here, through periph's bus interface: periph's own
// driver takes a configuration it could not read for zero and writes it back,
// and reports −40 °C beside an error.
//
// The chip has neither checksum nor identity. Each reading is therefore a
// conversion asked for, whose end the chip reports in its configuration
// register together with bits that have fixed values, and every register is
// read until two answers agree.
//
// Data sheet: Texas Instruments SBOS397. Section names refer to it.
package tmp102

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Addrs are the addresses the address pin can give.
var Addrs = []uint16{0x48, 0x49, 0x4a, 0x4b}

// "Register map".
const (
	regTemp   = 0
	regConfig = 1

	oneShot  = 0x8000 // OS: write 1 to convert; reads 1 when done
	shutdown = 0x0100 // SD
	resBits  = 0x6000 // R1 R0, always 11
	fixed    = 0x000f // always 0
	extended = 0x0010 // EM, left off

	convertTime = 35 * time.Millisecond // "Electrical characteristics", maximum
	againTime   = 10 * time.Millisecond
	againMax    = 5

	minC, maxC = -40, 125
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
func (d *Device) Conversion() time.Duration { return convertTime + againMax*againTime }

// Resolution is 1/16 K.
func (d *Device) Resolution() (stepK float64, noisy bool) { return 1. / 16, false }

// Read converts once, °C; the chip sleeps between.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	const ask = oneShot | resBits | shutdown
	if err := sensors.Transact(ctx, d.bus, d.addr, []byte{regConfig, ask >> 8, ask & 0xff}, nil); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	if err := sensors.Wait(ctx, convertTime); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	for i := 0; ; i++ {
		c, err := d.config(ctx)
		if err != nil {
			return sensors.Reading{}, d.fail("measure", err)
		}
		if c&shutdown == 0 || c&extended != 0 {
			return sensors.Reading{}, d.fail("measure", fmt.Errorf("%w: configuration %04x is not what was written", sensors.ErrPowerOn, c))
		}
		if c&oneShot != 0 {
			break
		}
		if i == againMax {
			return sensors.Reading{}, d.fail("measure", fmt.Errorf("%w: conversion does not end", sensors.ErrTimeout))
		}
		if err := sensors.Wait(ctx, againTime); err != nil {
			return sensors.Reading{}, d.fail("measure", err)
		}
	}
	var b [2]byte
	if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{regTemp}, b[:]); err != nil {
		return sensors.Reading{}, d.fail("read", err)
	}
	at := time.Now()
	t, err := decode(b)
	if err != nil {
		return sensors.Reading{}, d.fail("decode", err)
	}
	return sensors.Reading{Probe: d.name, At: at, Temp: t}, nil
}

// Identify looks at the fixed bits of the configuration register.
func (d *Device) Identify(ctx context.Context) error {
	if _, err := d.config(ctx); err != nil {
		return d.fail("identify", err)
	}
	return nil
}

func (d *Device) config(ctx context.Context) (uint16, error) {
	var b [2]byte
	if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{regConfig}, b[:]); err != nil {
		return 0, err
	}
	c := uint16(b[0])<<8 | uint16(b[1])
	if c&resBits != resBits || c&fixed != 0 {
		return 0, fmt.Errorf("%w: configuration %04x", sensors.ErrWrongDevice, c)
	}
	return c, nil
}

func (d *Device) fail(op string, err error) error {
	return &sensors.ReadError{Probe: d.name, Op: op, Err: err}
}

// decode takes twelve bits of 1/16 °C, left-justified ("Temperature
// register"); the last four are 0 with EM off.
func decode(b [2]byte) (sensors.Value, error) {
	if b[1]&0x0f != 0 {
		return sensors.Value{}, fmt.Errorf("%w: low bits of % x are set", sensors.ErrBus, b)
	}
	return sensors.Within(float64(int16(uint16(b[0])<<8|uint16(b[1]))>>4)/16, minC, maxC, "°C")
}
