// SPDX-License-Identifier: Apache-2.0

// Package scd4x reads the SCD40 and SCD41 carbon dioxide chips, which measure
// air temperature and humidity as well.
//
// The registers are read here, through periph's bus interface: periph's own
// driver sleeps up to eleven seconds without regard to a deadline and treats
// an error while waiting as "not ready yet".
//
// The chip corrects its own drift by taking the lowest value of the last week
// for outdoor air: a shed that is never aired makes it read low.
//
// Data sheet: Sensirion SCD4x, version 1.4. Section names refer to it.
package scd4x

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Addrs is the chip's one address.
var Addrs = []uint16{0x62}

// "SCD4x command overview".
var (
	cmdStart  = []byte{0x21, 0xb1} // start_periodic_measurement
	cmdRead   = []byte{0xec, 0x05} // read_measurement
	cmdStop   = []byte{0x3f, 0x86} // stop_periodic_measurement
	cmdReady  = []byte{0xe4, 0xb8} // get_data_ready_status
	cmdSerial = []byte{0x36, 0x82} // get_serial_number
)

const (
	execTime  = time.Millisecond // of the reading commands
	stopTime  = 500 * time.Millisecond
	interval  = 5 * time.Second // between measurements
	againTime = 250 * time.Millisecond

	// "Specifications": output range, operating range.
	maxCO2      = 40000
	minC, maxC  = -10, 60
	rhTolerance = 9 // "Accuracy (typ.)" outside 15 to 35 °C, 20 to 65 %RH
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

// Conversion is the time between the chip's own measurements.
func (d *Device) Conversion() time.Duration { return interval + time.Second }

// Resolution is 175 K over 16 bits; noise is many steps.
func (d *Device) Resolution() (stepK float64, noisy bool) { return 175. / 65535, true }

// Read waits for the next of the chip's measurements, five seconds apart, and
// returns ppm, °C and %RH. A chip that is not measuring is started.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	ready, err := d.ready(ctx)
	if err != nil {
		return sensors.Reading{}, d.fail("open", err)
	}
	if !ready {
		// While it measures the chip does not acknowledge this command; then
		// it needs no start.
		if err := sensors.Transact(ctx, d.bus, d.addr, cmdStart, nil); err != nil && !errors.Is(err, sensors.ErrAbsent) {
			return sensors.Reading{}, d.fail("start", err)
		}
	}
	for waited := time.Duration(0); !ready; waited += againTime {
		if waited > interval+time.Second {
			return sensors.Reading{}, d.fail("measure", fmt.Errorf("%w: no measurement in %v", sensors.ErrTimeout, waited))
		}
		if err := sensors.Wait(ctx, againTime); err != nil {
			return sensors.Reading{}, d.fail("measure", err)
		}
		if ready, err = d.ready(ctx); err != nil {
			return sensors.Reading{}, d.fail("measure", err)
		}
	}
	var b [9]byte
	if err := d.command(ctx, cmdRead, b[:]); err != nil {
		return sensors.Reading{}, d.fail("read", err)
	}
	at := time.Now()
	co2, t, rh, err := decode(b[:])
	if err != nil {
		return sensors.Reading{}, d.fail("decode", err)
	}
	return sensors.Reading{Probe: d.name, At: at, Temp: t, RH: rh, CO2: co2}, nil
}

// ready tells whether a measurement can be fetched: the eleven lowest bits of
// the status are not all 0.
func (d *Device) ready(ctx context.Context) (bool, error) {
	var b [3]byte
	if err := d.command(ctx, cmdReady, b[:]); err != nil {
		return false, err
	}
	w, err := sensors.Word(b[:])
	return w&0x07ff != 0, err
}

func (d *Device) command(ctx context.Context, cmd, r []byte) error {
	if err := sensors.Transact(ctx, d.bus, d.addr, cmd, nil); err != nil {
		return err
	}
	if err := sensors.Wait(ctx, execTime); err != nil {
		return err
	}
	return sensors.Transact(ctx, d.bus, d.addr, nil, r)
}

// Identify asks whether a measurement is ready, which works in every state,
// and if the chip is idle reads its serial number.
func (d *Device) Identify(ctx context.Context) error {
	if _, err := d.ready(ctx); err != nil {
		return d.fail("identify", err)
	}
	return nil
}

// Stop ends the periodic measurement, so that the chip rests.
func (d *Device) Stop(ctx context.Context) error {
	if err := sensors.Transact(ctx, d.bus, d.addr, cmdStop, nil); err != nil {
		return d.fail("stop", err)
	}
	return sensors.Wait(ctx, stopTime)
}

// Serial returns the chip's serial number; it answers only when stopped.
func (d *Device) Serial(ctx context.Context) (uint64, error) {
	var b [9]byte
	if err := d.command(ctx, cmdSerial, b[:]); err != nil {
		return 0, d.fail("identify", err)
	}
	var n uint64
	for i := 0; i < 9; i += 3 {
		w, err := sensors.Word(b[i:])
		if err != nil {
			return 0, d.fail("identify", err)
		}
		n = n<<16 | uint64(w)
	}
	return n, nil
}

func (d *Device) fail(op string, err error) error {
	return &sensors.ReadError{Probe: d.name, Op: op, Err: err}
}

// decode applies "read_measurement": CO2 = word 0 ppm,
// T = −45 + 175·word 1/65535 °C, RH = 100·word 2/65535 %.
func decode(b []byte) (co2, t, rh sensors.Value, err error) {
	none := sensors.Value{}
	var w [3]uint16
	for i := range w {
		if w[i], err = sensors.Word(b[3*i:]); err != nil {
			return none, none, none, err
		}
	}
	if w[0] == 0 {
		return none, none, none, fmt.Errorf("%w: 0 ppm", sensors.ErrPowerOn)
	}
	if co2, err = sensors.Within(float64(w[0]), 1, maxCO2, "ppm"); err != nil {
		return none, none, none, err
	}
	if t, err = sensors.Within(-45+175*float64(w[1])/65535, minC, maxC, "°C"); err != nil {
		return none, none, none, err
	}
	if rh, err = sensors.SaturatedRH(100*float64(w[2])/65535, rhTolerance); err != nil {
		return none, none, none, err
	}
	return co2, t, rh, nil
}
