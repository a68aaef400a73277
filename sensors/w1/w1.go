// SPDX-License-Identifier: Apache-2.0

// Package w1 reads DS18B20 thermometers through the files of Linux's w1_therm
// driver.
//
// The kernel converts and shows the raw scratchpad, which is decoded here, because
// the kernel's own "t=" does not reveal a power-on value or a shorted line.
//
// Data sheet: Maxim DS18B20, 19-7487 Rev 6.
package w1

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"strconv"
	"strings"
	"time"

	"curewright/sensors"
)

// Root is where the kernel shows 1-wire devices.
const Root = "/sys/bus/w1/devices"

// Family is the first part of a DS18B20's id.
const Family = "28"

// Device is one DS18B20. Make it with [New].
type Device struct {
	name, id string
	fsys     fs.FS
}

var _ sensors.Probe = (*Device)(nil)

// New returns the device with the given id, such as "28-0316a2795d1f", in the
// tree fsys, which is sensors.Files(Root) but in tests. It does no I/O, so a
// probe that is unplugged at start can appear later.
func New(name, id string, fsys fs.FS) *Device { return &Device{name: name, id: id, fsys: fsys} }

// Traits are the longest time of a 12-bit conversion (data sheet, "AC Electrical
// Characteristics") and its step; the chip is so quiet that a steady temperature
// gives the same number for hours.
func (d *Device) Traits() sensors.Traits {
	return sensors.Traits{Conversion: 750 * time.Millisecond, StepK: 1. / 16}
}

// Read makes the kernel convert and takes the result, in °C to 0.0625 K. The
// kernel can't be interrupted meanwhile: ctx is checked on entry only.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	if err := ctx.Err(); err != nil {
		return sensors.Reading{}, sensors.Late(err)
	}
	if !strings.HasPrefix(d.id, Family+"-") || !fs.ValidPath(d.id) || strings.Contains(d.id, "/") {
		return sensors.Reading{}, sensors.Fail(sensors.ErrWrongDevice, "family", sensors.Facts{"id": d.id, "family": Family})
	}
	b, err := fs.ReadFile(d.fsys, d.id+"/w1_slave")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return sensors.Reading{}, sensors.Fail(sensors.ErrAbsent, "w1", nil)
	case errors.Is(err, fs.ErrPermission):
		return sensors.Reading{}, sensors.Fail(sensors.ErrBus, "unreadable", sensors.Facts{"err": err, "path": Root})
	case err != nil:
		return sensors.Reading{}, sensors.BusError(err)
	}
	if len(bytes.TrimSpace(b)) == 0 {
		// Linux 6.1 gives an empty file where the chip does not answer at all, or
		// its checksum is wrong three times in a row; it tells which in its log only.
		return sensors.Reading{}, sensors.Fail(sensors.ErrAbsent, "w1", nil)
	}
	c, err := Decode(string(b))
	if err != nil {
		return sensors.Reading{}, err
	}
	return sensors.Reading{Probe: d.name, Temp: sensors.Some(c)}, nil
}

// Decode takes the text of a w1_slave file: nine scratchpad bytes in hex, the
// kernel's verdict on their checksum, and a second line that is not used. It
// returns °C, or an error as [sensors.DS18B20] does.
func Decode(s string) (celsius float64, err error) {
	line, _, _ := strings.Cut(s, "\n")
	const n = 9*3 - 1
	if len(line) < n {
		return 0, sensors.Fail(sensors.ErrBus, "scratchpad", sensors.Facts{"text": line})
	}
	var pad [9]byte
	for i := range pad {
		x, err := strconv.ParseUint(line[3*i:3*i+2], 16, 8)
		if err != nil || i > 0 && line[3*i-1] != ' ' {
			return 0, sensors.Fail(sensors.ErrBus, "scratchpad", sensors.Facts{"text": line[:n]})
		}
		pad[i] = byte(x)
	}
	celsius, err = sensors.DS18B20(pad[:])
	if err != nil {
		return 0, err
	}
	// The kernel's verdict is on the bytes that it read; the text here must have the
	// same.
	if !strings.HasSuffix(line, " YES") {
		return 0, sensors.Fail(sensors.ErrChecksum, "linux_sum", nil)
	}
	return celsius, nil
}
