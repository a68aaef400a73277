// SPDX-License-Identifier: Apache-2.0

// Package ds18b20 reads DS18B20 thermometers on a 1-wire bus that periph
// drives, such as a bus master chip on I2C. Where Linux drives the bus, see
// package w1.
//
// The commands are given here, through periph's bus interface: periph's own
// driver compares the power-on value with 85 kelvin, so that its guard never
// fires, and does not notice a shorted line, whose zeros have the right
// checksum.
//
// Data sheet: Maxim DS18B20, 19-7487 Rev 6. Section names refer to it.
package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/onewire"

	"curewright/sensors"
)

// "DS18B20 function commands".
const (
	family      = 0x28
	cmdConvert  = 0x44
	cmdRead     = 0xbe
	convertTime = 750 * time.Millisecond // at 12 bits, maximum
)

// Device is one DS18B20. Make it with [New].
type Device struct {
	name string
	dev  onewire.Dev
}

var _ sensors.Probe = (*Device)(nil)

// New returns the thermometer with the given address on the bus. It does no
// I/O, so one that is unplugged at start can appear later.
func New(name string, bus onewire.Bus, addr onewire.Address) *Device {
	return &Device{name: name, dev: onewire.Dev{Bus: bus, Addr: addr}}
}

// Conversion is the longest time of a 12-bit conversion.
func (d *Device) Conversion() time.Duration { return convertTime }

// Resolution is 1/16 K at 12 bits.
func (d *Device) Resolution() (stepK float64, noisy bool) { return 1. / 16, false }

// Read converts once, with the bus pulled up hard for parasitic supply, and
// returns °C.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	if byte(d.dev.Addr) != family {
		return sensors.Reading{}, d.fail("open", fmt.Errorf("%w: family %02x", sensors.ErrWrongDevice, byte(d.dev.Addr)))
	}
	if err := ctx.Err(); err != nil {
		return sensors.Reading{}, d.fail("convert", fmt.Errorf("%w: %w", sensors.ErrTimeout, err))
	}
	if err := d.dev.TxPower([]byte{cmdConvert}, nil); err != nil {
		return sensors.Reading{}, d.fail("convert", busError(err))
	}
	if err := sensors.Wait(ctx, convertTime); err != nil {
		return sensors.Reading{}, d.fail("convert", err)
	}
	at := time.Now()
	var pad [9]byte
	if err := d.dev.Tx([]byte{cmdRead}, pad[:]); err != nil {
		return sensors.Reading{}, d.fail("read", busError(err))
	}
	c, err := sensors.DS18B20(pad[:])
	if err != nil {
		return sensors.Reading{}, d.fail("decode", err)
	}
	return sensors.Reading{Probe: d.name, At: at, Temp: sensors.Some(c)}, nil
}

// busError knows periph's words for a bus with nobody on it and a shorted one.
func busError(err error) error {
	var none onewire.NoDevicesError
	var short onewire.ShortedBusError
	switch {
	case errors.As(err, &short) && short.IsShorted():
		return fmt.Errorf("%w: the data line is shorted: %w", sensors.ErrBus, err)
	case errors.As(err, &none) && none.NoDevices():
		return fmt.Errorf("%w: %w", sensors.ErrAbsent, err)
	}
	return sensors.BusError(err)
}

func (d *Device) fail(op string, err error) error {
	return &sensors.ReadError{Probe: d.name, Op: op, Err: err}
}
