// SPDX-License-Identifier: Apache-2.0

package scd4x

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"curewright/sensors"
	"curewright/sensors/chipsim"
)

// sheet is the example answer of the SCD4x data sheet, "read_measurement":
// 500 ppm, 25 °C, 37 %RH (from memory; its checksums are part of the check).
var sheet = []byte{0x01, 0xf4, 0x33, 0x66, 0x67, 0xa2, 0x5e, 0xb9, 0x3c}

func TestDecode(t *testing.T) {
	co2, c, rh, err := decode(sheet)
	if err != nil {
		t.Fatal(err)
	}
	x, _ := c.Get()
	h, _ := rh.Get()
	if co2 != sensors.Some(500) || math.Abs(x-25) > .005 || math.Abs(h-37) > .005 {
		t.Errorf("%v ppm, %v °C, %v %%; want 500, 25, 37", co2, x, h)
	}
	for i := range 8 * len(sheet) {
		b := append([]byte(nil), sheet...)
		b[i/8] ^= 1 << (i % 8)
		if co2, c, rh, err := decode(b); !errors.Is(err, sensors.ErrChecksum) || co2.OK() || c.OK() || rh.OK() {
			t.Errorf("bit %d: %v, %v, %v, %v", i, co2, c, rh, err)
		}
	}
	zero := append([]byte{0, 0, sensors.CRC8([]byte{0, 0})}, sheet[3:]...)
	if co2, c, _, err := decode(zero); !errors.Is(err, sensors.ErrPowerOn) || co2.OK() || c.OK() {
		t.Errorf("0 ppm: %v, %v, %v", co2, c, err)
	}
}

// The chip measures each five seconds. A second read waits for the next
// measurement rather than handing out the last one again.
func TestReadWaitsForTheNextMeasurement(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		bus.Attach(Addrs[0], chipsim.NewSCD4x(chipsim.Air{C: 20, RH: 50, CO2: 800}))
		d := New("co2", bus, Addrs[0])
		for i, want := range []time.Duration{5 * time.Second, 5 * time.Second} {
			start := time.Now()
			r, err := d.Read(t.Context())
			if err != nil || r.CO2 != sensors.Some(800) {
				t.Fatalf("%+v, %v", r, err)
			}
			if took := time.Since(start); took < want-300*time.Millisecond || took > want+500*time.Millisecond {
				t.Errorf("read %d took %v", i, took)
			}
		}
	})
}

func TestStopAndSerial(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		bus.Attach(Addrs[0], chipsim.NewSCD4x(chipsim.Air{C: 20, RH: 50, CO2: 800}))
		d := New("co2", bus, Addrs[0])
		if _, err := d.Read(t.Context()); err != nil {
			t.Fatal(err)
		}
		if _, err := d.Serial(t.Context()); err == nil {
			t.Error("a serial number while measuring")
		}
		if err := d.Stop(t.Context()); err != nil {
			t.Fatal(err)
		}
		// SCD4x data sheet, "get_serial_number", its example (from memory).
		if n, err := d.Serial(t.Context()); err != nil || n != 0xf8969f073bbe {
			t.Errorf("%012x, %v", n, err)
		}
	})
}

func Example() {
	co2, t, rh, err := decode([]byte{0x01, 0xf4, 0x33, 0x66, 0x67, 0xa2, 0x5e, 0xb9, 0x3c})
	c, _ := t.Get()
	h, _ := rh.Get()
	fmt.Printf("%v ppm, %.1f °C, %.0f %%, %v\n", co2, c, h, err)
	// Output: 500 ppm, 25.0 °C, 37 %, <nil>
}
