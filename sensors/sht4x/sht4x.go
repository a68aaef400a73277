// SPDX-License-Identifier: Apache-2.0

// Package sht4x reads the SHT40, SHT41 and SHT45 air temperature and humidity
// chips.
//
// The registers are read here, through periph's bus interface, because the
// periph device drivers pinned for this program have none for this chip, and
// the later one overwrites a bus error with a checksum error and can report
// −40 °C beside an error.
//
// Data sheet: Sensirion SHT4x, version 6. Section names refer to it.
package sht4x

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Addrs are the addresses the chip is sold with.
var Addrs = []uint16{0x44, 0x45, 0x46}

// "Command overview".
const cmdMeasure = 0xfd // high repeatability

// "Timings": a high-repeatability measurement takes at most 8.3 ms.
const measureTime = 9 * time.Millisecond

// "Sensor specifications": specified range of each.
const (
	minC, maxC = -40, 125
	// The chip computes RH between −6 and 119 %; near saturation its
	// tolerance reaches some 4.5 % ("Relative humidity", SHT40 maximum).
	rhTolerance = 4.5
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

// Traits are the time of one measurement, and 175 K over 16 bits with a noise of
// some ten steps ("Repeatability").
func (d *Device) Traits() sensors.Traits {
	return sensors.Traits{Conversion: measureTime, StepK: 175. / 65535, Noisy: true}
}

// Read measures once, with high repeatability: °C and %RH.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	if err := sensors.Transact(ctx, d.bus, d.addr, []byte{cmdMeasure}, nil); err != nil {
		return sensors.Reading{}, err
	}
	if err := sensors.Wait(ctx, measureTime); err != nil {
		return sensors.Reading{}, err
	}
	var b [6]byte
	if err := sensors.Transact(ctx, d.bus, d.addr, nil, b[:]); err != nil {
		return sensors.Reading{}, err
	}
	t, rh, err := decode(b[:])
	if err != nil {
		return sensors.Reading{}, err
	}
	return sensors.Reading{Probe: d.name, Temp: t, RH: rh}, nil
}

// Identify measures once. It does not ask for the serial number, though that
// would tell the chip too: if another program or goroutine were waiting for a
// measurement just then, it would take the number, whose checksums are right,
// for temperature and humidity.
func (d *Device) Identify(ctx context.Context) error {
	_, err := d.Read(ctx)
	return err
}

// decode applies "Conversion of signal output":
//
//	T = −45 + 175·S/65535 °C    RH = −6 + 125·S/65535 %
func decode(b []byte) (t, rh sensors.Value, err error) {
	st, err := sensors.Word(b)
	if err != nil {
		return sensors.Value{}, sensors.Value{}, err
	}
	srh, err := sensors.Word(b[3:])
	if err != nil {
		return sensors.Value{}, sensors.Value{}, err
	}
	if t, err = sensors.Within(-45+175*float64(st)/65535, minC, maxC, "°C"); err != nil {
		return sensors.Value{}, sensors.Value{}, err
	}
	if rh, err = sensors.SaturatedRH(-6+125*float64(srh)/65535, rhTolerance); err != nil {
		return sensors.Value{}, sensors.Value{}, err
	}
	return t, rh, nil
}
