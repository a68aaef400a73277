// SPDX-License-Identifier: Apache-2.0

package guarded

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/ds18b20"

	"curewright/sensors"
)

// Thermometer is a DS18B20 on a 1-wire bus that periph drives, such as a bus
// master chip on I2C. Where Linux drives the bus, see package w1.
//
// periph's driver compares the power-on value with 85 kelvin, so it never detects it,
// and it does not notice a shorted line, whose zeros have a valid checksum. So the
// guard checks the scratchpad itself. Data sheet: Maxim
// DS18B20, 19-7487 Rev 6.
type Thermometer struct {
	name string
	addr onewire.Address
	wire *oneWire
	dev  *ds18b20.Dev
}

var _ sensors.Probe = (*Thermometer)(nil)

// NewThermometer returns the thermometer with the given address on the bus. It
// does no I/O, so one that is unplugged at start can appear later.
func NewThermometer(name string, bus onewire.Bus, addr onewire.Address) *Thermometer {
	return &Thermometer{name: name, addr: addr, wire: &oneWire{guard: guard{turn: make(chan struct{}, 1)}, bus: bus}}
}

// Traits are the longest time of a 12-bit conversion, as periph waits for it, and
// its step.
func (*Thermometer) Traits() sensors.Traits {
	return sensors.Traits{Conversion: 752 * time.Millisecond, StepK: 1. / 16}
}

// Read converts once, with the bus pulled up hard for parasitic supply, and
// returns °C.
func (d *Thermometer) Read(ctx context.Context) (sensors.Reading, error) {
	if f := byte(d.addr); f != 0x28 {
		return sensors.Reading{}, sensors.Fail(sensors.ErrWrongDevice, "family", sensors.Facts{"id": fmt.Sprintf("%02x", f), "family": "28"})
	}
	return d.wire.run(ctx, d.measure, func(failed bool) {
		if failed {
			d.dev = nil
		}
	})
}

func (d *Thermometer) measure() (sensors.Reading, error) {
	d.wire.converted = false
	if d.dev == nil {
		dev, err := ds18b20.New(d.wire, d.addr, 12)
		if err != nil {
			return sensors.Reading{}, sensors.BusError(err)
		}
		d.dev = dev
	}
	d.wire.converted = true
	var e physic.Env
	if err := d.dev.Sense(&e); err != nil {
		return sensors.Reading{}, sensors.BusError(err)
	}
	return sensors.Reading{Probe: d.name, Temp: sensors.Some(e.Temperature.Celsius())}, nil
}

// oneWire is the bus as the driver sees it.
type oneWire struct {
	guard
	bus       onewire.Bus
	converted bool // the scratchpad holds the result of a conversion
}

func (w *oneWire) String() string { return w.bus.String() }

// Search implements onewire.Bus; the driver has no use for it.
func (w *oneWire) Search(alarmOnly bool) ([]onewire.Address, error) { return w.bus.Search(alarmOnly) }

func (w *oneWire) Tx(out, in []byte, power onewire.Pullup) error {
	if err := w.fault(); err != nil {
		return err
	}
	if err := w.ctx.Err(); err != nil {
		return w.fail(sensors.Late(err))
	}
	defer w.inTime()()
	if err := w.bus.Tx(out, in, power); err != nil {
		return w.fail(wireError(err))
	}
	if len(in) == 9 {
		if _, err := sensors.DS18B20(in); err != nil && (w.converted || !errors.Is(err, sensors.ErrPowerOn) && !errors.Is(err, sensors.ErrRange)) {
			clear(in)
			return w.fail(err)
		}
	}
	return w.fault()
}

// wireError knows periph's words for a bus with nobody on it and a shorted one.
func wireError(err error) error {
	var none onewire.NoDevicesError
	var short onewire.ShortedBusError
	switch {
	case errors.As(err, &short) && short.IsShorted():
		return sensors.Fail(sensors.ErrBus, "shorted", sensors.Facts{"err": err})
	case errors.As(err, &none) && none.NoDevices():
		return sensors.Fail(sensors.ErrAbsent, "nobody", sensors.Facts{"err": err})
	}
	return sensors.BusError(err)
}
