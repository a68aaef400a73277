// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/onewire"

	"curewright/model/words"
)

func TestCRC8(t *testing.T) {
	for _, tt := range []struct {
		b    []byte
		want byte
	}{
		// SHT4x data sheet (and SHTC3, SCD4x), "Checksum calculation": BE EF → 92.
		{[]byte{0xbe, 0xef}, 0x92},
		// Sensirion's CRC example for a single zero byte.
		{[]byte{0x00}, 0xac},
		// SCD4x data sheet 1.4, "read_measurement": 500 ppm, 25 °C, 37 %RH, each
		// word with its checksum (from memory).
		{[]byte{0x01, 0xf4}, 0x33},
		{[]byte{0x66, 0x67}, 0xa2},
		{[]byte{0x5e, 0xb9}, 0x3c},
	} {
		if got := CRC8(tt.b); got != tt.want {
			t.Errorf("CRC8(% x) = %02x, want %02x", tt.b, got, tt.want)
		}
	}
}

func TestCRC8Maxim(t *testing.T) {
	for _, tt := range []struct {
		b    []byte
		want byte
	}{
		// Maxim application note 27, the worked ROM example.
		{[]byte{0x02, 0x1c, 0xb8, 0x01, 0, 0, 0}, 0xa2},
		// CRC-8/MAXIM-DOW check value of the common CRC catalogues (from memory).
		{[]byte("123456789"), 0xa1},
		// A published DS18B20 scratchpad.
		{[]byte{0x98, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x08, 0x10}, 0x22},
	} {
		if got := CRC8Maxim(tt.b); got != tt.want {
			t.Errorf("CRC8Maxim(% x) = %02x, want %02x", tt.b, got, tt.want)
		}
	}
	// periph's table, as an independent implementation, over all single bytes
	// and running on.
	var b []byte
	for i := range 256 {
		b = append(b, byte(i))
		if got, want := CRC8Maxim(b), onewire.CalcCRC(b); got != want {
			t.Fatalf("CRC8Maxim of 0..%d = %02x, periph %02x", i, got, want)
		}
	}
}

// pad makes a scratchpad with the right checksum.
func pad(raw uint16, config, b6 byte) []byte {
	p := []byte{byte(raw), byte(raw >> 8), 0x4b, 0x46, config, 0xff, b6, 0x10}
	return append(p, onewire.CalcCRC(p))
}

func TestDS18B20(t *testing.T) {
	for _, tt := range []struct {
		raw  uint16
		want float64
	}{
		// DS18B20 data sheet 19-7487, table 1 "Temperature/Data Relationship".
		{0x07d0, 125},
		{0x0550, 85}, // with byte 6 = 10: a conversion gave it
		{0x0191, 25.0625},
		{0x00a2, 10.125},
		{0x0008, .5},
		{0x0000, 0},
		{0xfff8, -.5},
		{0xff5e, -10.125},
		{0xfe6f, -25.0625},
		{0xfc90, -55},
	} {
		got, err := DS18B20(pad(tt.raw, 0x7f, 0x10))
		if err != nil || got != tt.want {
			t.Errorf("%04x: %v, %v; want %v °C", tt.raw, got, err, tt.want)
		}
	}
	// Data sheet, figure "Configuration Register" and "Operation—Measuring
	// Temperature": at 9 bits, bits 2 to 0 are undefined.
	for config, want := range map[byte]float64{0x1f: 25, 0x3f: 25.25, 0x5f: 25.375, 0x7f: 25.4375} {
		got, err := DS18B20(pad(0x0197, config, 0x10))
		if err != nil || got != want {
			t.Errorf("configuration %02x: %v, %v; want %v °C", config, got, err, want)
		}
	}
}

func TestDS18B20Faults(t *testing.T) {
	flipped := pad(0x0191, 0x7f, 0x10)
	flipped[0] ^= 4
	for name, tt := range map[string]struct {
		pad  []byte
		want error
	}{
		"power-on":      {pad(0x0550, 0x7f, 0x0c), ErrPowerOn},
		"open line":     {[]byte{255, 255, 255, 255, 255, 255, 255, 255, 255}, ErrAbsent},
		"shorted line":  {make([]byte, 9), ErrBus}, // its checksum is right
		"a bit flipped": {flipped, ErrChecksum},
		"other chip":    {pad(0x0191, 0x00, 0x10), ErrWrongDevice},
		"too hot":       {pad(0x07d1, 0x7f, 0x10), ErrRange},
		"too cold":      {pad(0xfc8f, 0x7f, 0x10), ErrRange},
		"short":         {[]byte{1, 2}, ErrBus},
	} {
		c, err := DS18B20(tt.pad)
		if !errors.Is(err, tt.want) || c != 0 {
			t.Errorf("%s: %v, %v; want %v and no value", name, c, err, tt.want)
		}
	}
	// Every single flipped bit is found: a CRC of this kind finds all of them
	// (application note 27).
	for i := range 72 {
		p := pad(0x0191, 0x7f, 0x10)
		p[i/8] ^= 1 << (i % 8)
		if c, err := DS18B20(p); err == nil {
			t.Errorf("bit %d flipped and %g °C believed", i, c)
		}
	}
}

func FuzzDS18B20(f *testing.F) {
	f.Add(pad(0x0191, 0x7f, 0x10))
	f.Add(pad(0x0550, 0x7f, 0x0c))
	f.Add(make([]byte, 9))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := DS18B20(b)
		if err != nil && c != 0 {
			t.Errorf("% x: %g °C beside %v", b, c, err)
		}
		if err == nil && !(c >= -55 && c <= 125) {
			t.Errorf("% x: %g °C believed", b, c)
		}
	})
}

func TestBusError(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want error
		word string
	}{
		{syscall.ENXIO, ErrAbsent, "absent"},
		{fmt.Errorf("sysfs-i2c: %v", syscall.EREMOTEIO), ErrAbsent, "absent"}, // as periph writes it
		{fmt.Errorf("sysfs-i2c: %v", syscall.ETIMEDOUT), ErrTimeout, "timeout"},
		{syscall.EIO, ErrBus, "bus"},
		{errors.New("anything"), ErrBus, "bus"},
		{nil, nil, ""},
	} {
		got := BusError(tt.err)
		if _, hint := Said(got, words.View{}); strings.Contains(hint, "one by one") != (tt.word == "timeout") {
			t.Errorf("BusError(%v): hint %q", tt.err, hint)
		}
		if !errors.Is(got, tt.want) || Reason(got) != tt.word {
			t.Errorf("BusError(%v) = %v (%s), want %v", tt.err, got, Reason(got), tt.want)
		}
	}
}

func TestWaitEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		start := time.Now()
		if err := Wait(ctx, time.Minute); !errors.Is(err, ErrTimeout) || time.Since(start) != time.Second {
			t.Errorf("%v after %v", err, time.Since(start))
		}
	})
}

func TestSaturatedRH(t *testing.T) {
	for _, tt := range []struct {
		rh   float64
		want Value
	}{
		{0, Some(0)}, {55, Some(55)}, {100, Some(100)}, {103, Some(100)},
		{105.1, Value{}}, {119, Value{}}, {-.1, Value{}}, {-6, Value{}},
	} {
		got, err := SaturatedRH(tt.rh, 5)
		if got != tt.want || (err == nil) != tt.want.OK() {
			t.Errorf("%g %%: %v, %v; want %v", tt.rh, got, err, tt.want)
		}
	}
}
