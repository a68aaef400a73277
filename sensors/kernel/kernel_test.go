// SPDX-License-Identifier: Apache-2.0

package kernel

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"curewright/model/words"
	"curewright/sensors"
)

// sysfs writes a tree as Linux shows it: devices under devices/, with links in
// class/hwmon and bus/iio/devices. The form is that of Documentation/hwmon/
// sysfs-interface.rst and Documentation/ABI/testing/sysfs-bus-iio, and of the
// emulated board's LM75 (scripts/board).
type sysfs struct {
	t    *testing.T
	root string
	n    int
}

func newSysfs(t *testing.T) *sysfs { return &sysfs{t: t, root: t.TempDir()} }

func (s *sysfs) must(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s *sysfs) add(kind, sub, at string, files map[string]string) (dir string) {
	s.n++
	dev := filepath.Join(s.root, "devices/soc", at)
	name := fmt.Sprintf("hwmon%d", s.n)
	dir = filepath.Join(dev, "hwmon", name)
	class := "class/hwmon"
	if kind == "iio" {
		name = fmt.Sprintf("iio:device%d", s.n)
		dir = filepath.Join(dev, name)
		class = "bus/iio/devices"
	}
	s.must(os.MkdirAll(dir, 0o755))
	s.must(os.MkdirAll(filepath.Join(s.root, "bus", sub), 0o755))
	s.must(os.MkdirAll(filepath.Join(s.root, class), 0o755))
	link := func(at, to string) {
		rel, err := filepath.Rel(filepath.Dir(at), to)
		s.must(err)
		s.must(os.Symlink(rel, at))
	}
	if _, err := os.Lstat(filepath.Join(dev, "subsystem")); err != nil {
		link(filepath.Join(dev, "subsystem"), filepath.Join(s.root, "bus", sub))
	}
	if kind == "hwmon" {
		s.must(os.Symlink("../../../"+at, filepath.Join(dir, "device")))
	}
	link(filepath.Join(s.root, class, name), dir)
	for f, text := range files {
		s.must(os.WriteFile(filepath.Join(dir, f), []byte(text+"\n"), 0o644))
	}
	return dir
}

func read(t *testing.T, sys fs.FS, place string) (sensors.Reading, error) {
	t.Helper()
	d, err := New("p", place, sys)
	if err != nil {
		t.Fatal(err)
	}
	r, err := d.Read(t.Context())
	r.At = r.At.Truncate(1 << 62)
	return r, err
}

func TestRead(t *testing.T) {
	s := newSysfs(t)
	some := sensors.Some
	for place, tt := range map[string]struct {
		sub   string
		files map[string]string
		want  sensors.Reading
		err   error
	}{
		"hwmon:1-0048": {"i2c", map[string]string{"name": "lm75", "temp1_input": "23750", "temp1_max": "80000"}, sensors.Reading{Temp: some(23.75)}, nil},
		"hwmon:1-0045": {"i2c", map[string]string{"name": "sht3x", "temp1_input": "17412", "humidity1_input": "61503"}, sensors.Reading{Temp: some(17.412), RH: some(61.503)}, nil},
		"hwmon:1-004a": {"i2c", map[string]string{"name": "lm75", "temp1_input": "-7062"}, sensors.Reading{Temp: some(-7.062)}, nil},
		"hwmon:1-004b": {"i2c", map[string]string{"name": "max31730", "temp1_input": "20000", "temp1_fault": "1"}, sensors.Reading{}, sensors.ErrBus},
		"hwmon:1-004c": {"i2c", map[string]string{"name": "x", "temp1_input": ""}, sensors.Reading{}, sensors.ErrBus},
		"hwmon:1-0044": {"i2c", map[string]string{"name": "sht4x", "temp1_input": "9000", "humidity1_input": "109000"}, sensors.Reading{}, sensors.ErrRange},
		// A DHT22 by the kernel's dht11 driver.
		"iio:dht11@0": {"platform", map[string]string{"name": "dht11", "in_temp_input": "18300", "in_humidityrelative_input": "72100"}, sensors.Reading{Temp: some(18.3), RH: some(72.1)}, nil},
		// A thermocouple: MAX31855, 14 bits of .25 °C.
		"iio:spi0.0": {"spi", map[string]string{"name": "max31855", "in_temp_raw": "402", "in_temp_scale": "250"}, sensors.Reading{Temp: some(100.5)}, nil},
		// An infrared front end: MLX90614, .02 K a step; the object counts.
		"iio:1-005a": {"i2c", map[string]string{"name": "mlx90614", "in_temp_ambient_raw": "14658", "in_temp_object_raw": "15658", "in_temp_offset": "-13657.500000", "in_temp_scale": "20"}, sensors.Reading{Temp: some(40.01)}, nil},
		// SCD4x by the kernel's driver: concentration in %.
		"iio:1-0062": {"i2c", map[string]string{"name": "scd4x", "in_temp_raw": "24000", "in_temp_scale": "2.670328", "in_temp_offset": "-16852",
			"in_humidityrelative_raw": "40303", "in_humidityrelative_scale": "1.525902", "in_concentration_co2_raw": "780", "in_concentration_co2_scale": "0.0001"},
			sensors.Reading{Temp: some(19.08), RH: some(61.498), CO2: some(780)}, nil},
		"iio:1-0077": {"i2c", map[string]string{"name": "bme280", "in_temp_input": "21330", "in_humidityrelative_input": "55123", "in_pressure_input": "101.020"}, sensors.Reading{Temp: some(21.33), RH: some(55.123), Pressure: some(101020)}, nil},
		"iio:adc@1":  {"platform", map[string]string{"name": "adc", "in_voltage0_raw": "17"}, sensors.Reading{}, sensors.ErrWrongDevice},
	} {
		kind, at, _ := strings.Cut(place, ":")
		s.add(kind, tt.sub, at, tt.files)
		r, err := read(t, os.DirFS(s.root), place)
		if tt.err != nil {
			if !errors.Is(err, tt.err) || r.Temp.OK() || r.RH.OK() {
				t.Errorf("%s: %+v, %v; want %v", place, r, err, tt.err)
			}
			continue
		}
		for what, v := range map[string][2]sensors.Value{"temp": {r.Temp, tt.want.Temp}, "rh": {r.RH, tt.want.RH}, "co2": {r.CO2, tt.want.CO2}, "pressure": {r.Pressure, tt.want.Pressure}} {
			x, ok := v[0].Get()
			want, has := v[1].Get()
			if err != nil || ok != has || ok && (x-want > .01 || want-x > .01) {
				t.Errorf("%s: %s is %v, %v; want %v", place, what, v[0], err, v[1])
			}
		}
	}
	if r, err := read(t, os.DirFS(s.root), "iio:1-005a/temp_ambient"); err != nil || r.Temp.String() != "20.01" {
		t.Errorf("the front end's own temperature: %+v, %v", r, err)
	}
	if _, err := read(t, os.DirFS(s.root), "iio:1-005a/temp9"); !errors.Is(err, sensors.ErrWrongDevice) {
		t.Errorf("%v", err)
	}
	_, err := read(t, os.DirFS(s.root), "hwmon:1-0019")
	if _, hint := sensors.Said(err, words.View{}); !errors.Is(err, sensors.ErrAbsent) || !strings.Contains(hint, "/sys/class/hwmon") {
		t.Errorf("%v; %s", err, hint)
	}

	// What is found: probes, and neither the processor nor a display's bus.
	s.add("hwmon", "platform", "cpu-thermal", map[string]string{"name": "cpu_thermal", "temp1_input": "51000"})
	s.add("hwmon", "w1", "28-0316a2795d1f", map[string]string{"name": "w1_slave_temp", "temp1_input": "20000"})
	s.add("hwmon", "i2c", "7-0018", map[string]string{"name": "jc42", "temp1_input": "33000"})
	got := List(os.DirFS(s.root), func(bus string) bool { return bus == "i2c-7" })
	slices.Sort(got)
	want := []string{"hwmon:1-0044", "hwmon:1-0045", "hwmon:1-0048", "hwmon:1-004a", "hwmon:1-004b", "hwmon:1-004c", "iio:1-005a", "iio:1-0062", "iio:1-0077", "iio:dht11@0", "iio:spi0.0"}
	if !slices.Equal(got, want) {
		t.Errorf("found %v\nwant  %v", got, want)
	}
	if len(List(os.DirFS(t.TempDir()), func(string) bool { return false })) != 0 {
		t.Error("probes in an empty tree")
	}
}

func TestPlaces(t *testing.T) {
	for _, place := range []string{"", "hwmon:", "hwmon", "acpi:1-0048", "hwmon:1-0048/fan1", "iio:1-005a/temp/../x", "iio:1-005a/temp.x"} {
		if d, err := New("p", place, os.DirFS(t.TempDir())); err == nil {
			t.Errorf("%q is taken: %+v", place, d)
		}
	}
}

// A place whose chip another driver of Linux's has since is not the same probe.
func TestAnotherChipAtItsPlace(t *testing.T) {
	s := newSysfs(t)
	dir := s.add("hwmon", "i2c", "1-0048", map[string]string{"name": "lm75", "temp1_input": "21500"})
	d, err := New("p", "hwmon:1-0048", os.DirFS(s.root))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Read(t.Context()); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, "name")
	s.must(os.WriteFile(name, []byte("adt7475\n"), 0o644))
	r, err := d.Read(t.Context())
	_, hint := sensors.Said(err, words.View{})
	if !errors.Is(err, sensors.ErrWrongDevice) || !strings.Contains(err.Error(), "adt7475 is there where lm75 was") || !strings.Contains(hint, "restart") || r.Temp.OK() {
		t.Errorf("%+v, %v; %s", r, err, hint)
	}
	s.must(os.WriteFile(name, []byte("lm75\n"), 0o644))
	if _, err := d.Read(t.Context()); err != nil {
		t.Errorf("back again: %v", err)
	}
}

// failing is a tree whose number can't be read.
type failing struct {
	fs.FS
	err error
}

func (f failing) Open(name string) (fs.File, error) {
	if strings.HasSuffix(name, "temp1_input") {
		return nil, &fs.PathError{Op: "read", Path: name, Err: f.err}
	}
	return f.FS.Open(name)
}

func (f failing) ReadLink(name string) (string, error)   { return fs.ReadLink(f.FS, name) }
func (f failing) Lstat(name string) (fs.FileInfo, error) { return fs.Lstat(f.FS, name) }

func TestReadErrors(t *testing.T) {
	s := newSysfs(t)
	s.add("hwmon", "i2c", "1-0048", map[string]string{"temp1_input": "1"})
	for errno, want := range map[syscall.Errno]error{syscall.ENXIO: sensors.ErrAbsent, syscall.EREMOTEIO: sensors.ErrAbsent, syscall.ETIMEDOUT: sensors.ErrTimeout, syscall.EIO: sensors.ErrBus} {
		if r, err := read(t, failing{os.DirFS(s.root), errno}, "hwmon:1-0048"); !errors.Is(err, want) || r.Temp.OK() {
			t.Errorf("%v: %+v, %v; want %v", errno, r, err, want)
		}
	}
}
