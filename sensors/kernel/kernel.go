// SPDX-License-Identifier: Apache-2.0

// Package kernel reads chips that a Linux driver handles, through the files of the
// hwmon and iio subsystems: temperature, humidity, carbon dioxide, air pressure.
//
// A device is named by where it sits and not by its number, which changes from
// one start to the next: hwmon:1-0048 is the one at address 0x48 of I2C bus 1,
// iio:dht11@0 one that the device tree calls so. A device with several
// temperatures names one: hwmon:1-004c/temp2, iio:1-005a/temp_object.
//
// Units are those of Documentation/hwmon/sysfs-interface.rst and
// Documentation/ABI/testing/sysfs-bus-iio: thousandths of °C and of %, iio's
// concentration in %, its pressure in kPa.
package kernel

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/sensors"
)

// Driver is its name in the configuration.
const Driver = "kernel"

// The range of plausible values, °C: wide, for thermocouples, since the chip's rated
// range is known only to the kernel.
const minC, maxC = -200, 1400

// subsystems by the first part of a place.
var subsystems = map[string]string{"hwmon": "class/hwmon", "iio": "bus/iio/devices"}

// Device is one device of the kernel's. Make it with [New].
type Device struct {
	name    string
	sys     fs.FS
	kind    string // hwmon, iio
	at      string // the device's own name: 1-0048
	channel string // temp1, temp_object; "" for the first
	chip    string // chip name in Linux at the first reading
}

var _ sensors.Probe = (*Device)(nil)

// New returns the device at a place such as "hwmon:1-0048" in the tree sys,
// which is sensors.Files("/sys") but in tests. It does no I/O, so one that is
// unplugged at start can appear later.
func New(name, place string, sys fs.FS) (*Device, error) {
	kind, at, ok := strings.Cut(place, ":")
	at, channel, has := strings.Cut(at, "/")
	if !ok || subsystems[kind] == "" || at == "" || has && !strings.HasPrefix(channel, "temp") || strings.ContainsAny(channel, "/.") {
		return nil, fmt.Errorf("bus: %q: want hwmon:DEVICE or iio:DEVICE, such as hwmon:1-0048 or iio:1-005a/temp_object", place)
	}
	return &Device{name: name, sys: sys, kind: kind, at: at, channel: channel}, nil
}

// Traits are the longest that Linux waits for a common chip: a DHT22 is asked once
// in two seconds. The chip's step is not known.
func (*Device) Traits() sensors.Traits { return sensors.Traits{Conversion: 3 * time.Second} }

// List returns the places that look like probes: on I2C or SPI, or told of by
// the device tree, with a temperature or a humidity. The board's own processor
// and supply are left out, and thermometers on 1-wire, which are read with
// their scratchpad. private tells an I2C bus that serves the board itself.
func List(sys fs.FS, private func(bus string) bool) []string {
	var out []string
	for _, kind := range []string{"hwmon", "iio"} {
		for _, dir := range dirs(sys, kind) {
			at, sub := parent(sys, kind, dir)
			switch sub {
			case "i2c":
				if n, _, _ := strings.Cut(at, "-"); private("i2c-" + n) {
					continue
				}
			case "spi":
			case "platform":
				if kind == "hwmon" { // the processor's, the supply's, a fan's
					continue
				}
			default:
				continue
			}
			d := &Device{sys: sys, kind: kind, at: at}
			if ch := d.temps(dir); len(ch) > 0 || d.humid(dir) != "" {
				if p := kind + ":" + at; !slices.Contains(out, p) {
					out = append(out, p)
				}
			}
		}
	}
	return out
}

// Drives reports whether a Linux driver uses the address on an I2C bus: then no other
// program may talk to the chip.
func Drives(sys fs.FS, bus string, addr uint16) bool {
	n, ok := strings.CutPrefix(bus, "i2c-")
	if !ok {
		return false
	}
	_, err := fs.Stat(sys, fmt.Sprintf("bus/i2c/devices/%s-%04x/driver", n, addr))
	return err == nil
}

func dirs(sys fs.FS, kind string) (out []string) {
	es, err := fs.ReadDir(sys, subsystems[kind])
	if err != nil {
		return nil
	}
	for _, e := range es {
		if kind == "hwmon" || strings.HasPrefix(e.Name(), "iio:device") {
			out = append(out, path.Join(subsystems[kind], e.Name()))
		}
	}
	return out
}

// parent names the device behind a hwmon or iio entry and its subsystem.
func parent(sys fs.FS, kind, dir string) (at, sub string) {
	if kind == "hwmon" {
		link, err := fs.ReadLink(sys, dir+"/device")
		if err != nil {
			return "", ""
		}
		at = path.Base(link)
		s, _ := fs.ReadLink(sys, dir+"/device/subsystem")
		return at, path.Base(s)
	}
	link, err := fs.ReadLink(sys, dir)
	if err != nil {
		return "", ""
	}
	up := path.Join(path.Dir(dir), path.Dir(link)) // the iio device is a folder in its parent's
	s, _ := fs.ReadLink(sys, up+"/subsystem")
	return path.Base(up), path.Base(s)
}

func (d *Device) find() (string, error) {
	for _, dir := range dirs(d.sys, d.kind) {
		if at, _ := parent(d.sys, d.kind, dir); at == d.at {
			return dir, nil
		}
	}
	return "", sensors.Fail(sensors.ErrAbsent, "linux_gone", sensors.Facts{"path": "/sys/" + subsystems[d.kind]})
}

// names of the files in a folder.
func (d *Device) names(dir string) (out []string) {
	es, _ := fs.ReadDir(d.sys, dir)
	for _, e := range es {
		out = append(out, e.Name())
	}
	return out
}

// temps are the temperature channels, the first first; iio's prefix is left
// out.
func (d *Device) temps(dir string) (out []string) {
	for _, n := range d.names(dir) {
		if d.kind == "iio" {
			var ok bool
			if n, ok = strings.CutPrefix(n, "in_"); !ok {
				continue
			}
		}
		for _, end := range []string{"_input", "_raw"} {
			if ch, ok := strings.CutSuffix(n, end); ok && strings.HasPrefix(ch, "temp") && !slices.Contains(out, ch) {
				out = append(out, ch)
			}
		}
	}
	slices.Sort(out)
	// Of an infrared sensor the object's temperature is wanted, of a thermocouple
	// the tip's.
	if i := slices.Index(out, "temp_object"); i > 0 {
		out[0], out[i] = out[i], out[0]
	}
	return out
}

func (d *Device) humid(dir string) string {
	for _, n := range d.names(dir) {
		if d.kind == "hwmon" && n == "humidity1_input" {
			return "humidity1"
		}
		if d.kind == "iio" && (n == "in_humidityrelative_input" || n == "in_humidityrelative_raw") {
			return "humidityrelative"
		}
	}
	return ""
}

// Read reads the values from Linux, which may measure for it. That can't be
// interrupted: ctx is checked on entry only.
func (d *Device) Read(ctx context.Context) (sensors.Reading, error) {
	none := sensors.Reading{}
	if err := ctx.Err(); err != nil {
		return none, sensors.Late(err)
	}
	dir, err := d.find()
	if err != nil {
		return none, err
	}
	label, _ := fs.ReadFile(d.sys, dir+"/name")
	chip := strings.TrimSpace(string(label))
	if d.chip != "" && chip != d.chip {
		return none, sensors.Fail(sensors.ErrWrongDevice, "changed", sensors.Facts{"now": chip, "was": d.chip, "command": "sudo systemctl restart curewright"})
	}
	r := sensors.Reading{Probe: d.name}
	channels := d.temps(dir)
	ch := d.channel
	if ch == "" && len(channels) > 0 {
		ch = channels[0]
	}
	if d.channel != "" && !slices.Contains(channels, d.channel) {
		return none, sensors.Fail(sensors.ErrWrongDevice, "no_channel", sensors.Facts{"channel": d.channel, "channels": strings.Join(channels, ", ")})
	}
	if ch != "" {
		if f, err := d.text(dir, ch+"_fault"); err == nil && f == "1" {
			return none, sensors.Fail(sensors.ErrBus, "element", nil)
		}
		x, err := d.value(dir, ch)
		if err != nil {
			return none, err
		}
		if r.Temp, err = sensors.Within(x/1000, minC, maxC, "°C"); err != nil {
			return none, err
		}
	}
	if h := d.humid(dir); h != "" {
		x, err := d.value(dir, h)
		if err != nil {
			return none, err
		}
		if r.RH, err = sensors.SaturatedRH(x/1000, 5); err != nil {
			return none, err
		}
	}
	if d.kind == "iio" {
		if x, err := d.value(dir, "concentration_co2"); err == nil {
			if r.CO2, err = sensors.Within(x*1e4, 1, 40000, "ppm"); err != nil {
				return none, err
			}
		} else if !errors.Is(err, errNoFile) {
			return none, err
		}
		if x, err := d.value(dir, "pressure"); err == nil {
			if r.Pressure, err = sensors.Within(x*1000, 30000, 110000, "Pa"); err != nil {
				return none, err
			}
		} else if !errors.Is(err, errNoFile) {
			return none, err
		}
	}
	if !r.Temp.OK() && !r.RH.OK() && !r.CO2.OK() {
		return none, sensors.Fail(sensors.ErrWrongDevice, "no_quantity", nil)
	}
	d.chip = chip
	return r, nil
}

var errNoFile = errors.New("it has none")

// value is a channel's number in the subsystem's unit: as given, or raw with
// its offset and scale.
func (d *Device) value(dir, channel string) (float64, error) {
	x, err := d.number(dir, channel+"_input")
	if !errors.Is(err, errNoFile) || d.kind == "hwmon" {
		return x, err
	}
	if x, err = d.number(dir, channel+"_raw"); err != nil {
		return 0, err
	}
	scale, offset := 1., 0.
	for _, p := range []struct {
		what string
		to   *float64
	}{{"offset", &offset}, {"scale", &scale}} {
		// A file shared by all channels of a kind, where the channel has none.
		kind, _, _ := strings.Cut(channel, "_")
		for _, n := range []string{channel + "_" + p.what, kind + "_" + p.what} {
			v, err := d.number(dir, n)
			if err == nil {
				*p.to = v
				break
			}
			if !errors.Is(err, errNoFile) {
				return 0, err
			}
		}
	}
	return (x + offset) * scale, nil
}

func (d *Device) number(dir, file string) (float64, error) {
	s, err := d.text(dir, file)
	if err != nil {
		return 0, err
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, sensors.Fail(sensors.ErrBus, "file", sensors.Facts{"file": file, "text": s})
	}
	return x, nil
}

func (d *Device) text(dir, file string) (string, error) {
	if d.kind == "iio" {
		file = "in_" + file
	}
	b, err := fs.ReadFile(d.sys, dir+"/"+file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", sensors.Fail(nil, "no_file", sensors.Facts{"file": file, "err": errNoFile})
	case err != nil:
		return "", sensors.BusError(err)
	}
	return strings.TrimSpace(string(b)), nil
}
