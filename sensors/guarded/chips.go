// SPDX-License-Identifier: Apache-2.0

package guarded

import (
	"fmt"
	"time"

	"periph.io/x/devices/v3/aht20"
	"periph.io/x/devices/v3/bmxx80"
	"periph.io/x/devices/v3/hdc302x"
	"periph.io/x/devices/v3/mcp9808"
	"periph.io/x/devices/v3/scd4x"
	"periph.io/x/devices/v3/tmp102"

	"curewright/sensors"
)

// Kinds are the chips. Where two can have one address, they are tried in this order.
var Kinds = []*Kind{hdc, bme, bmp, aht, mcp, tmp, scd}

// Named returns the kind of the driver's name, nil for none.
func Named(driver string) *Kind {
	for _, k := range Kinds {
		if k.Driver == driver {
			return k
		}
	}
	return nil
}

// HDC3020, HDC3021, HDC3022; Texas Instruments SNAS778. periph starts the
// chip's own measuring, once a second, and takes the last one.
var hdc = &Kind{
	Driver: "hdc302x", Addrs: []uint16{0x44, 0x45, 0x46, 0x47},
	step: 175. / 65535, noisy: true, takes: 2 * time.Second,
	minC: -40, maxC: 125, overRH: 2.5, keep: true,
	// "Command table": manufacturer identity. Other kinds of chip share these
	// addresses.
	identify: func(w *wire) error {
		b, err := w.read(3, 0x37, 0x81)
		if id := uint16(b[0])<<8 | uint16(b[1]); err == nil && id != 0x3000 {
			err = wrong(w, "%04x", id)
		}
		return err
	},
	open: func(w *wire) (func(*env) error, error) {
		// It may be measuring since an earlier start, and then takes no other
		// setting. "Exit auto measurement".
		_ = w.write(0x30, 0x93)
		d, err := hdc302x.NewI2C(w, w.addr, hdc302x.RateHertz)
		if err != nil {
			return nil, err
		}
		return func(e *env) error { return d.Sense(&e.Env) }, nil
	},
	rule: func(_ *wire, out []byte, n int) rule {
		return rule{sums: n > 0, nackOK: len(out) == 2 && out[0] == 0x30}
	},
}

// AHT20; Aosong, version 1.0. periph sets the chip up only when the driver is made, so
// the driver is made for each reading, at the cost of one more transfer.
var aht = &Kind{
	Driver: "aht20", Addrs: []uint16{0x38},
	step: .01, takes: 300 * time.Millisecond,
	minC: -40, maxC: 85, overRH: 5, slow: sensors.ErrTimeout, nameless: true,
	// The chip has no identity. Before anything is written it is only read: port
	// expanders can have this address too. They repeat one byte, and would switch
	// a relay at the first command.
	identify: func(w *wire) error {
		w.state = nil // these bytes are no answer to a command
		b, err := w.read(7)
		if err == nil && [7]byte(b) == [7]byte{b[0], b[0], b[0], b[0], b[0], b[0], b[0]} {
			err = wrong(w, "%02x", b[0])
		}
		return err
	},
	open: func(w *wire) (func(*env) error, error) {
		d, err := aht20.NewI2C(w, &aht20.Opts{MeasurementReadTimeout: 200 * time.Millisecond, ValidateData: true})
		if err != nil {
			return nil, err
		}
		return func(e *env) error { return d.Sense(&e.Env) }, nil
	},
	rule: func(w *wire, out []byte, n int) rule {
		if len(out) > 0 && out[0] == 0xac {
			w.state = "measuring"
		}
		if n != 7 || w.state == nil {
			return rule{}
		}
		return rule{check: func(b []byte) error {
			if sum := sensors.CRC8(b[:6]); sum != b[6] {
				return sensors.BadSum(b[6], sum)
			}
			if b[0]&(1<<3) == 0 {
				return sensors.Fail(sensors.ErrPowerOn, "not_loaded", nil)
			}
			return nil
		}}
	},
}

// MCP9808; Microchip DS25095A. It has no checksum, and after a reset it reads 0 °C
// until the first conversion is done. So the guard writes a mark into a register,
// waits, and checks that the mark is still there.
var mcp = &Kind{
	Driver: "mcp9808", Addrs: []uint16{0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f},
	step: 1. / 16, takes: mcpConvert,
	minC: -40, maxC: 125, keep: true,
	identify: func(w *wire) error {
		maker, err := w.word(6)
		if err != nil {
			return err
		}
		id, err := w.word(7)
		if err == nil && (maker != 0x0054 || id>>8 != 0x04) {
			err = wrong(w, "%04x, %04x", maker, id)
		}
		return err
	},
	open: func(w *wire) (func(*env) error, error) {
		d, err := mcp9808.New(w, &mcp9808.Opts{Addr: int(w.addr), Res: mcp9808.Maximum})
		if err != nil {
			return nil, err
		}
		if err := w.write(1, mcpMark>>8, mcpMark&0xff); err != nil {
			return nil, err
		}
		return func(e *env) error { return d.Sense(&e.Env) }, w.wait(mcpConvert)
	},
	after: func(w *wire) error {
		c, err := w.word(1)
		if err == nil && c != mcpMark {
			err = lost(w, "%04x", c)
		}
		return err
	},
	rule: registers,
}

const (
	mcpConvert = 300 * time.Millisecond // 250 ms typical at 0.0625 °C
	mcpMark    = 0x0200                 // hysteresis 1.5 °C, not used while the alert output is off
)

// BME280; Bosch BST-BME280-DS002. periph's driver polls for the end of a
// measurement without a limit, and drops the sign of the humidity words H4 and H5.
// After a dip of the supply the chip measures no humidity.
var bme = &Kind{
	Driver: "bme280", Addrs: []uint16{0x76, 0x77},
	step: .01, takes: 200 * time.Millisecond,
	minC: -40, maxC: 85, overRH: 3, pressure: true, keep: true,
	identify: func(w *wire) error {
		b, err := w.read(1, 0xd0)
		if err == nil && b[0] == 0x58 {
			return w.fail(sensors.Fail(sensors.ErrWrongDevice, "bmp280", nil))
		}
		if err == nil && b[0] != 0x60 {
			err = wrong(w, "%02x", b[0])
		}
		return err
	},
	open: openBMx, rule: ruleBMx,
	after: func(w *wire) error { return afterBMx(w, 1) },
}

// BMP280; Bosch BST-BMP280-DS001: the same without humidity.
var bmp = &Kind{
	Driver: "bmp280", Addrs: bme.Addrs, Like: "bme280",
	step: .01, takes: 200 * time.Millisecond,
	minC: -40, maxC: 85, pressure: true, keep: true,
	identify: func(w *wire) error {
		b, err := w.read(1, 0xd0)
		if err == nil && b[0] != 0x58 {
			err = wrong(w, "%02x", b[0])
		}
		return err
	},
	open: openBMx, rule: ruleBMx,
	after: func(w *wire) error { return afterBMx(w, 0) },
}

func openBMx(w *wire) (func(*env) error, error) {
	s, err := w.read(1, 0xf3)
	if err != nil {
		return nil, err
	}
	if s[0]&1 != 0 {
		return nil, w.fail(sensors.Fail(sensors.ErrPowerOn, "not_loaded", nil))
	}
	d, err := bmxx80.NewI2C(w, w.addr, &bmxx80.Opts{Temperature: bmxx80.O1x, Pressure: bmxx80.O1x, Humidity: bmxx80.O1x})
	if err != nil {
		return nil, err
	}
	return func(e *env) error {
		err := d.Sense(&e.Env)
		// The driver clamps humidity at 0, and no air has 0 %.
		if err == nil && w.k.overRH > 0 && e.Humidity == 0 {
			return w.fail(sensors.Fail(sensors.ErrRange, "humidity", sensors.Facts{"rh": 0}))
		}
		return err
	}, nil
}

// afterBMx checks that the control registers still hold what was written; otherwise
// the chip was reset in between.
func afterBMx(w *wire, hum byte) error {
	b, err := w.read(3, 0xf2)
	if err == nil && (b[0]&7 != hum || b[2] != 1<<5|1<<2) {
		err = lost(w, "%02x %02x", b[0], b[2])
	}
	return err
}

func ruleBMx(_ *wire, out []byte, n int) rule {
	if n == 0 {
		return rule{}
	}
	switch out[0] {
	case 0xf3: // status
		return rule{pace: 2 * time.Millisecond}
	case 0x88, 0xe1:
		h := out[0] == 0xe1
		return rule{twice: true, check: func(b []byte) error {
			same := true
			for _, x := range b[:6] {
				same = same && x == b[0]
			}
			switch {
			case same:
				return sensors.Fail(sensors.ErrBus, "calibration", sensors.Facts{"says": fmt.Sprintf("%02x", b[0])})
			case h && (b[3]|b[5])&0x80 != 0:
				return sensors.Fail(sensors.ErrRange, "negative_word", nil)
			}
			return nil
		}}
	case 0xf7: // "Data readout": what a skipped channel holds
		return rule{twice: true, check: func(b []byte) error {
			for i := 0; i < 6; i += 3 {
				if b[i] == 0x80 && b[i+1] == 0 && b[i+2] == 0 {
					return sensors.Fail(sensors.ErrPowerOn, "unmeasured", nil)
				}
			}
			if len(b) == 8 && b[6] == 0x80 && b[7] == 0 {
				return sensors.Fail(sensors.ErrPowerOn, "unmeasured", nil)
			}
			return nil
		}}
	}
	return rule{twice: true}
}

// TMP102; Texas Instruments SBOS397. Each reading is a conversion that the
// guard asks for, whose end the chip reports together with bits of fixed value.
//
// Older relatives (LM75, TMP75, TMP105 and the like) have a configuration of one byte
// without such bits. They are recognised by their alarm limits, 75 and 80 °C after
// power-on, and are left converting continuously, with a mark that a reset clears.
var tmp = &Kind{
	Driver: "tmp102", Addrs: []uint16{0x48, 0x49, 0x4a, 0x4b},
	step: 1. / 16, takes: time.Second,
	minC: -55, maxC: 125, keep: true,
	identify: func(w *wire) error {
		old, err := olderKin(w)
		if err == nil && old {
			var lo, hi uint16
			if lo, err = w.word(2); err == nil {
				hi, err = w.word(3)
			}
			if err == nil && (lo != 0x4b00 || hi != 0x5000) {
				err = wrong(w, "%04x, %04x", lo, hi)
			}
		}
		return err
	},
	open: func(w *wire) (func(*env) error, error) {
		old, err := olderKin(w)
		if err != nil {
			return nil, err
		}
		w.state = old
		d, err := tmp102.NewI2C(w, w.addr, nil)
		if err != nil {
			return nil, err
		}
		sense := func(e *env) error { return d.Sense(&e.Env) }
		if old {
			if err := w.write(1, kinMark); err != nil {
				return nil, err
			}
			return sense, w.wait(350 * time.Millisecond) // 300 ms at most, LM75; 320, TMP105
		}
		return func(e *env) error {
			if err := oneShot(w); err != nil {
				return err
			}
			return sense(e)
		}, nil
	},
	after: func(w *wire) error {
		if w.state != true {
			return nil
		}
		c, err := w.read(1, 1)
		if err == nil && c[0]&0x1f != kinMark&0x1f {
			err = lost(w, "%02x", c[0])
		}
		return err
	},
	rule: func(w *wire, out []byte, n int) rule {
		r := registers(w, out, n)
		switch {
		case w.state == true && len(out) == 3 && out[0] == 1:
			r.out = out[:2] // the configuration is one byte
		case n == 2 && out[0] == 0 && w.state != true:
			// Four bits are always 0 while the extended format is off.
			r.check = func(b []byte) error {
				if b[1]&0x0f != 0 {
					return sensors.Fail(sensors.ErrBus, "low_bits", sensors.Facts{"bytes": fmt.Sprintf("% x", b)})
				}
				return nil
			}
		case n == 2 && out[0] == 0:
			// These bits are undefined on chips with fewer bits.
			r.check = func(b []byte) error { b[1] &= 0xf0; return nil }
		}
		return r
	},
}

// kinMark is the configuration that marks an older relative: eleven bits where the
// chip can set them, a fault queue of two, and converting. Not twelve bits: some
// return arbitrary bits after their only configuration byte, which could then look
// like a TMP102's.
const kinMark = 0x48

// olderKin reports whether a configuration is one byte of an older relative. The
// TMP102's always has R1 R0 = 1 1 and its last four bits 0.
func olderKin(w *wire) (bool, error) {
	c, err := w.word(1)
	if err != nil || c&0x6000 == 0x6000 && c&0x000f == 0 && c>>8 != c&0xff {
		return false, err
	}
	return true, nil
}

func oneShot(w *wire) error {
	const shutdown, ask = 0x0100, 0x8000 | 0x6000 | 0x0100
	if err := w.write(1, ask>>8, ask&0xff); err != nil {
		return err
	}
	if err := w.wait(35 * time.Millisecond); err != nil { // at most
		return err
	}
	for i := 0; ; i++ {
		c, err := w.word(1)
		switch {
		case err != nil:
			return err
		case c&shutdown == 0 || c&0x0010 != 0:
			return lost(w, "%04x", c)
		case c&0x8000 != 0:
			return nil
		case i == 5:
			return w.fail(sensors.Fail(sensors.ErrTimeout, "endless", nil))
		}
		if err := w.wait(10 * time.Millisecond); err != nil {
			return err
		}
	}
}

// SCD40 and SCD41; Sensirion, version 1.4. While waiting, periph's driver takes
// any error for "not ready yet". The chip acknowledges neither the wake-up command
// nor, while it measures, any other than the reading commands.
//
// The chip corrects its drift by taking the lowest value of the last week as that of
// outdoor air, so in a shed that is never aired it reads too low.
var scd = &Kind{
	Driver: "scd4x", Addrs: []uint16{0x62},
	step: 175. / 65535, noisy: true, takes: 8 * time.Second,
	minC: -10, maxC: 60, overRH: 9, co2: true, keep: true, slow: sensors.ErrTimeout,
	identify: func(w *wire) error {
		_, err := w.read(3, 0xe4, 0xb8) // data ready: works in every state
		return err
	},
	open: func(w *wire) (func(*env) error, error) {
		d, err := scd4x.NewI2C(w, w.addr)
		if err != nil {
			return nil, err
		}
		return func(e *env) error {
			var s scd4x.Env
			err := d.Sense(&s)
			e.Env, e.ppm = s.Env, int(s.CO2)
			return err
		}, nil
	},
	rule: func(_ *wire, out []byte, n int) rule {
		return rule{sums: n > 0, gap: time.Millisecond, nackOK: len(out) == 2 && (out[0] == 0x36 && out[1] == 0xf6 || out[0] == 0x3f)}
	},
}

// registers is the rule for a chip without checksums whose registers do not change
// between two reads.
func registers(_ *wire, _ []byte, n int) rule { return rule{twice: n > 0} }

// wrong ends the reading with [sensors.ErrWrongDevice]: another chip answers.
func wrong(w *wire, format string, a ...any) error {
	return w.fail(sensors.Fail(sensors.ErrWrongDevice, "identity", sensors.Facts{"says": fmt.Sprintf(format, a...)}))
}

// lost ends it with [sensors.ErrPowerOn]: the chip no longer has what was written.
func lost(w *wire, format string, a ...any) error {
	return w.fail(sensors.Fail(sensors.ErrPowerOn, "lost", sensors.Facts{"now": fmt.Sprintf(format, a...)}))
}
