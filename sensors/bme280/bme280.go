// SPDX-License-Identifier: Apache-2.0

// Package bme280 reads the BME280 air temperature, humidity and pressure chip.
//
// The registers are read here, through periph's bus interface: periph's own
// driver waits for the end of a measurement without a limit, takes the sign of
// two calibration words away, and does not know the values that stand for "not
// measured".
//
// The chip has no checksum. Each reading therefore takes the control registers
// in the same transfer as the data: what was written must stand there, which a
// shorted bus or a chip that lost its supply does not fake. Everything is read
// until two answers agree.
//
// Data sheet: Bosch BST-BME280-DS002. Section names refer to it.
package bme280

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Addrs are the addresses the SDO pin can give.
var Addrs = []uint16{0x76, 0x77}

// "Memory map".
const (
	regCalib1  = 0x88 // T1 to P9, a gap, H1
	lenCalib1  = 0xa2 - 0x88
	regID      = 0xd0
	regCalib2  = 0xe1 // H2 to H6
	lenCalib2  = 7
	regCtrlHum = 0xf2
	regStatus  = 0xf3
	regCtrl    = 0xf4
	regData    = 0xf7
	lenBurst   = 0xff - regCtrlHum

	idBME280 = 0x60
	idBMP280 = 0x58 // the same without humidity, often sold in its place

	ctrlHum = 1           // humidity once
	ctrl    = 1<<5 | 1<<2 // temperature once, pressure once; sleep
	forced  = 1           // measure now, then sleep

	measuring = 1 << 3
	updating  = 1 << 0 // calibration is being copied, at power-on

	// "Measurement time", once each: 9.3 ms at most.
	measureTime = 10 * time.Millisecond
	againTime   = 2 * time.Millisecond
	againMax    = 20

	// "Data readout": what a skipped channel holds.
	skipped20 = 0x80000
	skipped16 = 0x8000

	minC, maxC   = -40, 85
	minPa, maxPa = 30000, 110000
	rhTolerance  = 3
)

// Device is one chip. Make it with [New].
type Device struct {
	name string
	bus  i2c.Bus
	addr uint16
	cal  *calibration // nil until read, and after any fault
}

var _ sensors.Probe = (*Device)(nil)

// New returns the chip at the address on the bus. It does no I/O, so a chip
// that is unplugged at start can appear later.
func New(name string, bus i2c.Bus, addr uint16) *Device {
	return &Device{name: name, bus: bus, addr: addr}
}

// Conversion is the time of one measurement.
func (d *Device) Conversion() time.Duration { return measureTime + againMax*againTime }

// Resolution is about .005 K with one sample, and noise of as much.
func (d *Device) Resolution() (stepK float64, noisy bool) { return .01, false }

// Read measures once: °C, %RH and Pa.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	r, err := d.read(ctx)
	if err != nil {
		d.cal = nil // another chip may be plugged in next
	}
	return r, err
}

func (d *Device) read(ctx context.Context) (sensors.Reading, error) {
	if err := d.Identify(ctx); err != nil {
		return sensors.Reading{}, err
	}
	if d.cal == nil {
		cal, err := d.calibrate(ctx)
		if err != nil {
			return sensors.Reading{}, d.fail("calibrate", err)
		}
		d.cal = cal
	}
	// "Register 0xF2": humidity's setting counts from the next write of 0xF4.
	w := []byte{regCtrlHum, ctrlHum, regCtrl, ctrl | forced}
	if err := sensors.Transact(ctx, d.bus, d.addr, w, nil); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	if err := sensors.Wait(ctx, measureTime); err != nil {
		return sensors.Reading{}, d.fail("measure", err)
	}
	var b [lenBurst]byte
	for i := 0; ; i++ {
		if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{regCtrlHum}, b[:]); err != nil {
			return sensors.Reading{}, d.fail("read", err)
		}
		if b[regStatus-regCtrlHum]&measuring == 0 {
			break
		}
		if i == againMax {
			return sensors.Reading{}, d.fail("measure", fmt.Errorf("%w: measurement does not end", sensors.ErrTimeout))
		}
		if err := sensors.Wait(ctx, againTime); err != nil {
			return sensors.Reading{}, d.fail("measure", err)
		}
	}
	at := time.Now()
	if h, m := b[0], b[regCtrl-regCtrlHum]; h&7 != ctrlHum || m != ctrl {
		return sensors.Reading{}, d.fail("read", fmt.Errorf("%w: control registers %02x %02x are not as written", sensors.ErrPowerOn, h, m))
	}
	t, rh, p, err := d.cal.decode(b[regData-regCtrlHum:])
	if err != nil {
		return sensors.Reading{}, d.fail("decode", err)
	}
	return sensors.Reading{Probe: d.name, At: at, Temp: t, RH: rh, Pressure: p}, nil
}

// Identify reads the chip's identity.
func (d *Device) Identify(ctx context.Context) error {
	var id [1]byte
	if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{regID}, id[:]); err != nil {
		return d.fail("identify", err)
	}
	switch id[0] {
	case idBME280:
		return nil
	case idBMP280:
		return &sensors.ReadError{Probe: d.name, Op: "identify",
			Err:  fmt.Errorf("%w: a BMP280, which has no humidity", sensors.ErrWrongDevice),
			Hint: "boards sold as BME280 sometimes carry a BMP280: get another"}
	}
	return d.fail("identify", fmt.Errorf("%w: identity %02x", sensors.ErrWrongDevice, id[0]))
}

func (d *Device) calibrate(ctx context.Context) (*calibration, error) {
	var s [1]byte
	if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{regStatus}, s[:]); err != nil {
		return nil, err
	}
	if s[0]&updating != 0 {
		return nil, fmt.Errorf("%w: calibration is not loaded yet", sensors.ErrPowerOn)
	}
	var a [lenCalib1]byte
	var b [lenCalib2]byte
	if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{regCalib1}, a[:]); err != nil {
		return nil, err
	}
	if err := sensors.TransactTwice(ctx, d.bus, d.addr, []byte{regCalib2}, b[:]); err != nil {
		return nil, err
	}
	return newCalibration(a, b)
}

func (d *Device) fail(op string, err error) error {
	return &sensors.ReadError{Probe: d.name, Op: op, Err: err}
}

// calibration holds the words of "Compensation parameter storage".
type calibration struct {
	t1                     uint16
	t2, t3                 int16
	p1                     uint16
	p2, p3, p4, p5, p6, p7 int16
	p8, p9                 int16
	h1, h3                 uint8
	h2, h4, h5             int16
	h6                     int8
}

func newCalibration(a [lenCalib1]byte, b [lenCalib2]byte) (*calibration, error) {
	u := func(i int) uint16 { return uint16(a[i]) | uint16(a[i+1])<<8 }
	s := func(i int) int16 { return int16(u(i)) }
	c := &calibration{
		t1: u(0), t2: s(2), t3: s(4),
		p1: u(6), p2: s(8), p3: s(10), p4: s(12), p5: s(14), p6: s(16), p7: s(18), p8: s(20), p9: s(22),
		h1: a[25],
		h2: int16(uint16(b[0]) | uint16(b[1])<<8), h3: b[2],
		// Twelve bits each, sharing byte 4; both are signed.
		h4: int16(int8(b[3]))<<4 | int16(b[4]&0xf),
		h5: int16(int8(b[5]))<<4 | int16(b[4]>>4),
		h6: int8(b[6]),
	}
	// Blank or stuck memory: every chip has these, and they divide.
	if c.t1 == 0 || c.t1 == 0xffff || c.p1 == 0 || c.p1 == 0xffff || c.t2 == 0 || c.h2 == 0 {
		return nil, fmt.Errorf("%w: calibration words are blank", sensors.ErrBus)
	}
	return c, nil
}

// decode takes pressure, temperature (20 bits each) and humidity (16 bits).
func (c *calibration) decode(b []byte) (t, rh, p sensors.Value, err error) {
	none := sensors.Value{}
	rawP := uint32(b[0])<<12 | uint32(b[1])<<4 | uint32(b[2])>>4
	rawT := uint32(b[3])<<12 | uint32(b[4])<<4 | uint32(b[5])>>4
	rawH := uint32(b[6])<<8 | uint32(b[7])
	if rawT == skipped20 || rawP == skipped20 || rawH == skipped16 {
		return none, none, none, fmt.Errorf("%w: a channel was skipped", sensors.ErrPowerOn)
	}
	celsius, fine := c.temperature(rawT)
	if t, err = sensors.Within(celsius, minC, maxC, "°C"); err != nil {
		return none, none, none, err
	}
	if rh, err = sensors.SaturatedRH(c.humidity(rawH, fine), rhTolerance); err != nil {
		return none, none, none, err
	}
	if p, err = sensors.Within(c.pressure(rawP, fine), minPa, maxPa, "Pa"); err != nil {
		return none, none, none, err
	}
	return t, rh, p, nil
}

// The three below are "Compensation formulas in double precision floating
// point", without their clamps.

func (c *calibration) temperature(raw uint32) (celsius, fine float64) {
	x := float64(raw)
	a := (x/16384 - float64(c.t1)/1024) * float64(c.t2)
	b := x/131072 - float64(c.t1)/8192
	fine = a + b*b*float64(c.t3)
	return fine / 5120, fine
}

func (c *calibration) pressure(raw uint32, fine float64) float64 {
	a := fine/2 - 64000
	b := a * a * float64(c.p6) / 32768
	b += a * float64(c.p5) * 2
	b = b/4 + float64(c.p4)*65536
	a = (float64(c.p3)*a*a/524288 + float64(c.p2)*a) / 524288
	a = (1 + a/32768) * float64(c.p1)
	p := (1048576 - float64(raw) - b/4096) * 6250 / a // ±Inf or NaN at a = 0 is out of range
	return p + (float64(c.p9)*p*p/2147483648+p*float64(c.p8)/32768+float64(c.p7))/16
}

func (c *calibration) humidity(raw uint32, fine float64) float64 {
	x := fine - 76800
	x = (float64(raw) - (float64(c.h4)*64 + float64(c.h5)/16384*x)) *
		(float64(c.h2) / 65536 * (1 + float64(c.h6)/67108864*x*(1+float64(c.h3)/67108864*x)))
	return x * (1 - float64(c.h1)*x/524288)
}
