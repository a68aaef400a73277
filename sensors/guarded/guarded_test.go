// SPDX-License-Identifier: Apache-2.0

package guarded_test

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"curewright/sensors"
	"curewright/sensors/chipsim"
	"curewright/sensors/guarded"
)

// registers is a chip that holds what the data sheet's tables hold.
type registers map[byte][]byte

type regBus struct {
	regs registers
	at   byte
	on   func(w []byte) // after each write
}

var _ i2c.Bus = (*regBus)(nil)

func (*regBus) String() string                  { return "i2c-1" }
func (*regBus) SetSpeed(physic.Frequency) error { return nil }
func (b *regBus) Tx(_ uint16, w, r []byte) error {
	if len(w) > 0 {
		b.at = w[0]
		if len(w) > 1 {
			b.regs[w[0]] = append([]byte(nil), w[1:]...)
		}
		if b.on != nil {
			b.on(w)
		}
	}
	clear(r)
	copy(r, b.regs[b.at])
	return nil
}

func be(v uint16) []byte { return binary.BigEndian.AppendUint16(nil, v) }

// Temperature tables of the data sheets, through periph's driver and the guard.
func TestDataSheetTemperatures(t *testing.T) {
	type row struct {
		raw  uint16
		want float64
		err  error
	}
	for driver, tt := range map[string]struct {
		regs registers
		addr uint16
		reg  byte
		on   func(*regBus) func([]byte)
		rows []row
	}{
		// MCP9808 data sheet DS25095, "Ambient temperature register": three alert
		// flags, a sign, 2⁷ … 2⁻⁴ °C. The first is its code example's +25.25 °C
		// with all flags set (from memory).
		"mcp9808": {registers{6: be(0x0054), 7: be(0x0400)}, 0x18, 5, nil, []row{
			{0xc194, 25.25, nil}, {0xe194, 25.25, nil}, {0x0194, 25.25, nil}, {0, 0, nil}, {1, .0625, nil}, {0x1fff, -.0625, nil},
			{0x1e6c, -25.25, nil}, {0x07d0, 125, nil}, {0x1d80, -40, nil},
			{0x07d1, 0, sensors.ErrRange}, {0x0fff, 0, sensors.ErrRange}, {0x1d7f, 0, sensors.ErrRange}, {0x1000, 0, sensors.ErrRange},
		}},
		// TMP102 data sheet SBOS397, "12-bit temperature data format" (from
		// memory). Its 127.9375 °C is beyond the rated span.
		"tmp102": {registers{1: be(0x60a0)}, 0x48, 0, func(b *regBus) func([]byte) {
			return func(w []byte) { // a conversion ends at once
				if len(w) == 3 && w[0] == 1 && w[1]&1 != 0 {
					b.regs[1] = []byte{w[1] | 0x80, w[2]}
				}
			}
		}, []row{
			{0x6400, 100, nil}, {0x5000, 80, nil}, {0x4b00, 75, nil}, {0x3200, 50, nil}, {0x1900, 25, nil}, {0x0040, .25, nil},
			{0, 0, nil}, {0xffc0, -.25, nil}, {0xe700, -25, nil}, {0xc900, -55, nil},
			{0x7ff0, 0, sensors.ErrRange}, {0x1901, 0, sensors.ErrBus},
		}},
	} {
		t.Run(driver, func(t *testing.T) {
			for _, r := range tt.rows {
				synctest.Test(t, func(t *testing.T) {
					b := &regBus{regs: registers{}}
					for k, v := range tt.regs {
						b.regs[k] = v
					}
					b.regs[tt.reg] = be(r.raw)
					if tt.on != nil {
						b.on = tt.on(b)
					}
					got, err := guarded.Named(driver).New("p", b, tt.addr).Read(t.Context())
					x, ok := got.Temp.Get()
					if r.err != nil && (!errors.Is(err, r.err) || ok) || r.err == nil && (err != nil || !ok || math.Abs(x-r.want) > 1e-9) {
						t.Errorf("%04x: %v, %v; want %g °C, %v", r.raw, got.Temp, err, r.want, r.err)
					}
				})
			}
		})
	}
}

// The LM75, TMP75, TMP105 and their like: a configuration of one byte, which
// some repeat and some follow by anything; alarm limits of 75 and 80 °C after
// power-on (LM75 data sheet, "Power up"; from memory). An ADC that lives at the
// same addresses is not taken for one, nor written to.
func TestOlderThermometers(t *testing.T) {
	for name, tt := range map[string]struct {
		second func(first byte) byte
		raw    uint16
		want   float64
	}{
		"repeats the byte":      {func(b byte) byte { return b }, 0x1980, 25.5},
		"ones follow":           {func(byte) byte { return 0xff }, 0xe700, -25},
		"the last read follows": {func(byte) byte { return 0xc0 }, 0x17c0, 23.75},
		"undefined low bits":    {func(byte) byte { return 0 }, 0x198f, 25.5},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := &regBus{regs: registers{0: be(tt.raw), 1: {0, tt.second(0)}, 2: be(0x4b00), 3: be(0x5000)}}
			b.on = func(w []byte) {
				if len(w) > 1 && w[0] == 1 {
					b.regs[1] = []byte{w[1], tt.second(w[1])}
				}
			}
			d := guarded.Named("tmp102").New("p", b, 0x48)
			if err := d.Identify(t.Context()); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			for range 3 {
				r, err := d.Read(t.Context())
				if x, ok := r.Temp.Get(); err != nil || !ok || x != tt.want {
					t.Errorf("%s: %v, %v; want %g", name, r.Temp, err, tt.want)
				}
			}
			b.regs[1] = []byte{0, tt.second(0)} // a dip of the supply
			if r, err := d.Read(t.Context()); !errors.Is(err, sensors.ErrPowerOn) || r != (sensors.Reading{}) {
				t.Errorf("%s: after a reset %+v, %v", name, r, err)
			}
			if _, err := d.Read(t.Context()); err != nil {
				t.Errorf("%s: not well again: %v", name, err)
			}
		})
	}
	adc := &regBus{regs: registers{0: be(0x1900), 1: be(0x8583), 2: be(0x8000), 3: be(0x7fff)}}
	adc.on = func(w []byte) {
		if len(w) > 1 {
			t.Errorf("written to a stranger: % x", w)
		}
	}
	if r, err := guarded.Named("tmp102").New("p", adc, 0x48).Read(t.Context()); !errors.Is(err, sensors.ErrWrongDevice) || r != (sensors.Reading{}) {
		t.Errorf("an ADC: %+v, %v", r, err)
	}
}

// example is the BMP280 data sheet's worked example (BST-BMP280-DS001, section
// 3.12): calibration, adc_T 519888, adc_P 415148; 25.08 °C, 100653.27 Pa.
func example(id byte) *regBus {
	var cal []byte
	for _, v := range []int{27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000} {
		cal = binary.LittleEndian.AppendUint16(cal, uint16(v))
	}
	cal = append(cal, 0, 75) // a gap, H1
	b := &regBus{regs: registers{
		0xd0: {id}, 0x88: cal,
		0xe1: {0x6a, 1, 0, 0x13, 0x2b, 0x03, 0x1e}, // H2 362, H3 0, H4 315, H5 50, H6 30
		0xf7: {0x65, 0x5a, 0xc0, 0x7e, 0xed, 0x00, 0x80, 0x01},
	}}
	b.on = func(w []byte) {
		for i := 0; len(w) > 1 && i+1 < len(w); i += 2 {
			switch w[i] {
			case 0xf2:
				b.regs[0xf2] = []byte{w[i+1], 0, 0}
			case 0xf4:
				c := b.regs[0xf2]
				if c == nil {
					c = []byte{0, 0, 0}
				}
				b.regs[0xf2] = []byte{c[0], 0, w[i+1] &^ 3} // measured at once, asleep again
			}
		}
	}
	return b
}

func TestBoschExample(t *testing.T) {
	for driver, id := range map[string]byte{"bmp280": 0x58, "bme280": 0x60} {
		r, err := guarded.Named(driver).New("p", example(id), 0x76).Read(t.Context())
		x, _ := r.Temp.Get()
		p, _ := r.Pressure.Get()
		if err != nil || math.Abs(x-25.08) > .005 || math.Abs(p-100653.27) > .5 {
			t.Errorf("%s: %g °C, %g Pa, %v; want 25.08, 100653.27", driver, x, p, err)
		}
		if h, ok := r.RH.Get(); ok != (driver == "bme280") || ok && math.Abs(h-float64(chipsim.BMEInt32H(0x8001, 128422))/1024) > .02 {
			t.Errorf("%s: humidity %v", driver, r.RH)
		}
	}
	// Each finds the other's chip wrong, and the BME280's driver says which.
	_, err := guarded.Named("bme280").New("p", example(0x58), 0x76).Read(t.Context())
	if re, ok := errors.AsType[*sensors.ReadError](err); !ok || re.Reason != sensors.ErrWrongDevice || re.Code != "bmp280" {
		t.Errorf("%v", err)
	}
	if _, err := guarded.Named("bmp280").New("p", example(0x60), 0x76).Read(t.Context()); !errors.Is(err, sensors.ErrWrongDevice) {
		t.Errorf("%v", err)
	}
}

// What periph's BME280 driver would get wrong without a word.
func TestBoschGuards(t *testing.T) {
	for name, tt := range map[string]struct {
		spoil func(*regBus)
		want  error
	}{
		"H5 below 0":          {func(b *regBus) { b.regs[0xe1] = []byte{0x6a, 1, 0, 0x13, 0xfb, 0xff, 0x1e} }, sensors.ErrRange},
		"H4 below 0":          {func(b *regBus) { b.regs[0xe1] = []byte{0x6a, 1, 0, 0x83, 0x2b, 0x03, 0x1e} }, sensors.ErrRange},
		"blank memory":        {func(b *regBus) { b.regs[0x88] = make([]byte, 26) }, sensors.ErrBus},
		"not loaded yet":      {func(b *regBus) { b.regs[0xf3] = []byte{1} }, sensors.ErrPowerOn},
		"humidity skipped":    {func(b *regBus) { b.regs[0xf7] = []byte{0x65, 0x5a, 0xc0, 0x7e, 0xed, 0, 0x80, 0} }, sensors.ErrPowerOn},
		"pressure skipped":    {func(b *regBus) { b.regs[0xf7] = []byte{0x80, 0, 0, 0x7e, 0xed, 0, 0x80, 1} }, sensors.ErrPowerOn},
		"temperature skipped": {func(b *regBus) { b.regs[0xf7] = []byte{0x65, 0x5a, 0xc0, 0x80, 0, 0, 0x80, 1} }, sensors.ErrPowerOn},
		"somebody switched humidity off": {func(b *regBus) {
			on := b.on
			b.on = func(w []byte) { on(w); b.regs[0xf2] = []byte{0, 0, 1<<5 | 1<<2} }
		}, sensors.ErrPowerOn},
		"never idle": {func(b *regBus) { b.regs[0xf3] = []byte{8} }, sensors.ErrTimeout},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := example(0x60)
			tt.spoil(b)
			if r, err := guarded.Named("bme280").New("p", b, 0x76).Read(t.Context()); !errors.Is(err, tt.want) || r != (sensors.Reading{}) {
				t.Errorf("%s: %+v, %v; want %v", name, r, err, tt.want)
			}
		})
	}
}

// answers is a chip that gives each command its bytes.
type answers struct {
	to   map[uint16][]byte
	last uint16
}

func (*answers) String() string                  { return "i2c-1" }
func (*answers) SetSpeed(physic.Frequency) error { return nil }
func (a *answers) Tx(_ uint16, w, r []byte) error {
	if len(w) == 2 {
		a.last = binary.BigEndian.Uint16(w)
	}
	clear(r)
	copy(r, a.to[a.last])
	return nil
}

func words(ws ...uint16) (b []byte) {
	for _, w := range ws {
		p := be(w)
		b = append(b, p[0], p[1], sensors.CRC8(p))
	}
	return b
}

// SCD4x data sheet, "read_measurement", its example: 500 ppm, 25 °C, 37 %RH
// (from memory; its checksums are part of the check). HDC302x: T = −45 +
// 175·S/65535, RH = 100·S/65535.
func TestWordsWithSums(t *testing.T) {
	sheet := []byte{0x01, 0xf4, 0x33, 0x66, 0x67, 0xa2, 0x5e, 0xb9, 0x3c}
	scd := func(b []byte) *answers { return &answers{to: map[uint16][]byte{0xe4b8: words(0x8006), 0xec05: b}} }
	hdc := func(t, rh uint16) *answers {
		return &answers{to: map[uint16][]byte{0x3781: words(0x3000), 0xe000: words(t, rh)}}
	}
	for _, tt := range []struct {
		driver     string
		bus        i2c.Bus
		addr       uint16
		t, rh, ppm float64
		err        error
	}{
		{"scd4x", scd(sheet), 0x62, 25, 37, 500, nil},
		{"scd4x", scd(append(words(0), sheet[3:]...)), 0x62, 0, 0, 0, sensors.ErrPowerOn},
		{"hdc302x", hdc(26214, 39321), 0x44, 25, 60, 0, nil},
		{"hdc302x", hdc(0x6666, 0x8000), 0x44, 25, 50.00076, 0, nil},
		{"hdc302x", hdc(0, 39321), 0x44, 0, 0, 0, sensors.ErrRange},
		{"hdc302x", hdc(65535, 39321), 0x44, 0, 0, 0, sensors.ErrRange},
	} {
		synctest.Test(t, func(t *testing.T) {
			r, err := guarded.Named(tt.driver).New("p", tt.bus, tt.addr).Read(t.Context())
			x, _ := r.Temp.Get()
			h, _ := r.RH.Get()
			c, _ := r.CO2.Get()
			if tt.err != nil && (!errors.Is(err, tt.err) || r != (sensors.Reading{})) ||
				tt.err == nil && (err != nil || math.Abs(x-tt.t) > .005 || math.Abs(h-tt.rh) > .005 || c != tt.ppm) {
				t.Errorf("%s: %+v, %v; want %g °C, %g %%, %g ppm, %v", tt.driver, r, err, tt.t, tt.rh, tt.ppm, tt.err)
			}
		})
	}
	for i := range 8 * len(sheet) {
		synctest.Test(t, func(t *testing.T) {
			b := append([]byte(nil), sheet...)
			b[i/8] ^= 1 << (i % 8)
			if r, err := guarded.Named("scd4x").New("p", scd(b), 0x62).Read(t.Context()); !errors.Is(err, sensors.ErrChecksum) || r != (sensors.Reading{}) {
				t.Errorf("bit %d: %+v, %v", i, r, err)
			}
		})
	}
}

// The first fault is what the reading says, at once, however long the driver
// then sleeps: the SCD4x's takes a bus error for "not ready" and asks on for
// six seconds. The next reading waits for it and opens the chip anew.
func TestFirstFaultEndsTheReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		bus.Attach(0x62, chipsim.NewSCD4x(chipsim.Air{C: 20, RH: 50, CO2: 800}))
		d := guarded.Named("scd4x").New("co2", bus, 0x62)
		if r, err := d.Read(t.Context()); err != nil || r.CO2 != sensors.Some(800) {
			t.Fatalf("%+v, %v", r, err)
		}
		go func() {
			time.Sleep(2 * time.Second)
			bus.SetFault(0x62, chipsim.FlipBit)
		}()
		start := time.Now()
		if _, err := d.Read(t.Context()); !errors.Is(err, sensors.ErrChecksum) {
			t.Errorf("%v", err)
		}
		if took := time.Since(start); took > 3500*time.Millisecond {
			t.Errorf("said after %v", took)
		}
		bus.SetFault(0x62, chipsim.Good)
		if r, err := d.Read(t.Context()); err != nil || r.CO2 != sensors.Some(800) {
			t.Errorf("%+v, %v", r, err)
		}
	})
}

// A transfer that hangs ends the reading after three seconds, before the
// reading's own deadline; nothing more is asked of the bus meanwhile.
func TestHungTransfer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		bus.Attach(0x18, chipsim.NewMCP9808(chipsim.Air{C: 20}))
		bus.SetFault(0x18, chipsim.Hang)
		d := guarded.Named("mcp9808").New("p", bus, 0x18)
		start := time.Now()
		if _, err := d.Read(t.Context()); !errors.Is(err, sensors.ErrTimeout) || time.Since(start) != 3*time.Second {
			t.Errorf("%v after %v", err, time.Since(start))
		}
		asked := bus.Transactions(0x18)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := d.Read(ctx); !errors.Is(err, sensors.ErrTimeout) {
			t.Errorf("%v", err)
		}
		if n := bus.Transactions(0x18); n != asked {
			t.Errorf("%d more transfers on a hung bus", n-asked)
		}
		bus.SetFault(0x18, chipsim.Good)
		if r, err := d.Read(t.Context()); err != nil || r.Temp != sensors.Some(20) {
			t.Errorf("%+v, %v", r, err)
		}
	})
}

// Table 1 of the DS18B20's data sheet 19-7487, over the bus.
func TestThermometer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		th := chipsim.NewThermometer(0x0316a2795d1f, 0)
		d := guarded.NewThermometer("panel-1", chipsim.NewOneWire(th), th.Addr)
		for _, c := range []float64{125, 85, 25.0625, 10.125, .5, 0, -.5, -10.125, -25.0625, -55} {
			th.SetC(c)
			r, err := d.Read(t.Context())
			if x, ok := r.Temp.Get(); err != nil || !ok || math.Abs(x-c) > 1e-9 || r.RH.OK() {
				t.Errorf("%v °C: %+v, %v", c, r, err)
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		start := time.Now()
		if _, err := d.Read(ctx); !errors.Is(err, sensors.ErrTimeout) || time.Since(start) != 100*time.Millisecond {
			t.Errorf("%v after %v", err, time.Since(start))
		}
		time.Sleep(time.Second) // the driver's own wait
	})
}

func TestTwoThermometersOnOneBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := chipsim.NewThermometer(1, 17), chipsim.NewThermometer(2, 9)
		bus := chipsim.NewOneWire(a, b)
		a.SetFault(chipsim.Absent)
		if r, err := guarded.NewThermometer("a", bus, a.Addr).Read(t.Context()); !errors.Is(err, sensors.ErrAbsent) || r.Temp.OK() {
			t.Errorf("the one pulled off: %+v, %v", r, err)
		}
		if r, err := guarded.NewThermometer("b", bus, b.Addr).Read(t.Context()); err != nil || r.Temp != sensors.Some(9) {
			t.Errorf("its neighbour: %+v, %v", r, err)
		}
		if _, err := guarded.NewThermometer("c", bus, 0x10).Read(t.Context()); !errors.Is(err, sensors.ErrWrongDevice) {
			t.Errorf("another family: %v", err)
		}
	})
}

func Example() {
	bus := chipsim.NewBus("i2c-1") // on a board: a bus of periph's i2creg
	bus.Attach(0x38, chipsim.NewAHT20(chipsim.Air{C: 17.4, RH: 62}))
	r, err := guarded.Named("aht20").New("shed-air", bus, 0x38).Read(context.Background())
	t, _ := r.Temp.Get()
	rh, _ := r.RH.Get()
	fmt.Printf("%.1f °C, %.0f %%, %v\n", t, rh, err)
	// Output: 17.4 °C, 62 %, <nil>
}
