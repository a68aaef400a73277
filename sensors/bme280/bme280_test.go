// SPDX-License-Identifier: Apache-2.0

package bme280

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"curewright/sensors"
	"curewright/sensors/chipsim"
)

// example is the calibration of the BMP280 data sheet's worked example
// (BST-BMP280-DS001, section 3.12) with a humidity set beside it.
var example = calibration{
	t1: 27504, t2: 26435, t3: -1000,
	p1: 36477, p2: -10685, p3: 3024, p4: 2855, p5: 140, p6: -7, p7: 15500, p8: -14600, p9: 6000,
	h1: 75, h2: 362, h3: 0, h4: 315, h5: 50, h6: 30,
}

func TestCompensation(t *testing.T) {
	// BST-BMP280-DS001, section 3.12: adc_T 519888 gives t_fine 128422 and
	// 25.08 °C; adc_P 415148 gives 100653.27 Pa.
	c, fine := example.temperature(519888)
	if math.Abs(c-25.08) > .005 || math.Abs(fine-128422) > 1 {
		t.Errorf("%v °C, t_fine %v; want 25.08, 128422", c, fine)
	}
	if p := example.pressure(415148, 128422); math.Abs(p-100653.27) > .05 {
		t.Errorf("%v Pa, want 100653.27", p)
	}
	// Bosch's reference integer routine for humidity, run on these words, gives
	// 71319/1024 % (no data-sheet example: there is none). The double form is
	// not rounded at each step: it is within five of those steps.
	if n := chipsim.BMEInt32H(32768, 128422); n != 71319 {
		t.Errorf("integer form %d/1024 %%, want 71319", n)
	}
	if h := example.humidity(32768, 128422); math.Abs(h-71319./1024) > .005 {
		t.Errorf("%v %%, want %v", h, 71319./1024)
	}
}

// The two forms that the data sheet gives, integer (in the emulated chip) and
// double (here), agree over the whole span; the integer one is coarser.
func TestDoubleFormAgainstIntegerForm(t *testing.T) {
	for adc := int64(330000); adc < 640000; adc += 997 {
		centi, fine := chipsim.BMEInt32T(adc)
		c, f := example.temperature(uint32(adc))
		if math.Abs(c-float64(centi)/100) > .011 || math.Abs(f-float64(fine)) > 25 {
			t.Fatalf("adc_T %d: %v °C, integer form %v", adc, c, float64(centi)/100)
		}
		for _, raw := range []int64{300000, 415148, 500000} {
			p, want := example.pressure(uint32(raw), float64(fine)), float64(chipsim.BMEInt64P(raw, fine))/256
			if math.Abs(p-want) > .5 {
				t.Fatalf("adc_P %d at %v °C: %v Pa, integer form %v", raw, c, p, want)
			}
		}
		for _, raw := range []int64{22000, 28000, 32768, 38000} {
			h, want := example.humidity(uint32(raw), float64(fine)), float64(chipsim.BMEInt32H(raw, fine))/1024
			if h > 0 && h < 100 && math.Abs(h-want) > .02 {
				t.Fatalf("adc_H %d at %v °C: %v %%, integer form %v", raw, c, h, want)
			}
		}
	}
}

// Words 4 and 5 of humidity are twelve bits with a sign ("Compensation
// parameter storage").
func TestCalibrationSigns(t *testing.T) {
	a := [lenCalib1]byte{0x70, 0x6b, 0x43, 0x67, 0x18, 0xfc, 0x7d, 0x8e, 0x43, 0xd6}
	a[25] = 75
	for _, tt := range []struct {
		e4, e5, e6 byte
		h4, h5     int16
	}{
		{0x13, 0x2b, 0x03, 315, 50},
		{0xff, 0xff, 0xff, -1, -1},
		{0x80, 0x00, 0x80, -2048, -2048},
		{0x7f, 0xff, 0x7f, 2047, 2047},
	} {
		c, err := newCalibration(a, [lenCalib2]byte{0x6a, 1, 0, tt.e4, tt.e5, tt.e6, 0x1e})
		if err != nil || c.h4 != tt.h4 || c.h5 != tt.h5 {
			t.Errorf("% x: %+v, %v; want %d, %d", []byte{tt.e4, tt.e5, tt.e6}, c, err, tt.h4, tt.h5)
		}
	}
	if c, err := newCalibration(a, [lenCalib2]byte{0x6a, 1, 0, 0x13, 0x2b, 0x03, 0x1e}); err != nil ||
		c.t1 != 27504 || c.t2 != 26435 || c.t3 != -1000 || c.p1 != 36477 || c.p2 != -10685 || c.h1 != 75 || c.h2 != 362 || c.h6 != 30 {
		t.Errorf("%+v, %v", c, err)
	}
}

func TestBlankMemory(t *testing.T) {
	var a [lenCalib1]byte
	var b [lenCalib2]byte
	for _, x := range []byte{0, 0xff} {
		for i := range a {
			a[i] = x
		}
		for i := range b {
			b[i] = x
		}
		if c, err := newCalibration(a, b); !errors.Is(err, sensors.ErrBus) || c != nil {
			t.Errorf("memory of %02x: %v, %v", x, c, err)
		}
	}
}

// "Data readout": a skipped channel holds 0x80000 or 0x8000.
func TestSkippedChannel(t *testing.T) {
	whole := []byte{0x65, 0x5a, 0xc0, 0x7e, 0xed, 0x00, 0x75, 0x30}
	if _, _, _, err := example.decode(whole); err != nil {
		t.Fatal(err)
	}
	for name, at := range map[string]int{"pressure": 0, "temperature": 3, "humidity": 6} {
		b := append([]byte(nil), whole...)
		b[at], b[at+1] = 0x80, 0
		if at < 6 {
			b[at+2] = 0
		}
		if tc, rh, p, err := example.decode(b); !errors.Is(err, sensors.ErrPowerOn) || tc.OK() || rh.OK() || p.OK() {
			t.Errorf("%s skipped: %v %v %v, %v", name, tc, rh, p, err)
		}
	}
}

// meddled is a bus on which another program has switched humidity off.
type meddled struct{ *chipsim.Bus }

func (m meddled) Tx(addr uint16, w, r []byte) error {
	err := m.Bus.Tx(addr, w, r)
	if len(w) == 1 && w[0] == regCtrlHum {
		r[0] = 0
	}
	return err
}

func TestControlRegistersMustBeAsWritten(t *testing.T) {
	bus := chipsim.NewBus("i2c-1")
	bus.Attach(0x76, chipsim.NewBME280(chipsim.Air{C: 17.4, RH: 62, Pa: 101300}))
	if r, err := New("p", meddled{bus}, 0x76).Read(t.Context()); !errors.Is(err, sensors.ErrPowerOn) || r != (sensors.Reading{}) {
		t.Errorf("%+v, %v", r, err)
	}
}

func Example() {
	bus := chipsim.NewBus("i2c-1") // on a board: a bus of periph's i2creg
	bus.Attach(0x76, chipsim.NewBME280(chipsim.Air{C: 17.4, RH: 62, Pa: 101300}))
	r, err := New("shed-air", bus, 0x76).Read(context.Background())
	t, _ := r.Temp.Get()
	p, _ := r.Pressure.Get()
	fmt.Printf("%.1f °C, %.0f hPa, %v\n", t, p/100, err)
	// Output: 17.4 °C, 1013 hPa, <nil>
}
