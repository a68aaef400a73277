// SPDX-License-Identifier: Apache-2.0

package sht4x

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"curewright/sensors"
	"curewright/sensors/chipsim"
)

// frame makes the six bytes of an answer.
func frame(st, srh uint16) []byte {
	b := []byte{byte(st >> 8), byte(st), 0, byte(srh >> 8), byte(srh), 0}
	b[2], b[5] = sensors.CRC8(b[:2]), sensors.CRC8(b[3:5])
	return b
}

func TestDecode(t *testing.T) {
	for _, tt := range []struct {
		st, srh   uint16
		t, rh     float64
		failsWith error
	}{
		// SHT4x data sheet, "Conversion of signal output": T = −45 + 175·S/65535,
		// RH = −6 + 125·S/65535; 26214 is 2/5 of 65535.
		{26214, 34603, 25, 60.00099, nil},
		{0x6666, 0x3146, 25, 18.05966, nil},
		{19411, 55574, 6.8338, 100, nil},         // 100.0006 % by the formula: saturated
		{19411, 57000, 6.8338, 100, nil},         // 102.7 %: within the chip's tolerance
		{19411, 65535, 0, 0, sensors.ErrRange},   // 119 %: a wet or broken chip
		{19411, 0, 0, 0, sensors.ErrRange},       // −6 %
		{0, 34603, 0, 0, sensors.ErrRange},       // −45 °C is below the rated −40
		{65535, 34603, 0, 0, sensors.ErrRange},   // 130 °C is above the rated 125
		{0xffff, 0xffff, 0, 0, sensors.ErrRange}, // a bus held high, with its right checksums
	} {
		c, rh, err := decode(frame(tt.st, tt.srh))
		if tt.failsWith != nil {
			if !errors.Is(err, tt.failsWith) || c.OK() || rh.OK() {
				t.Errorf("%d, %d: %v, %v, %v; want %v and no value", tt.st, tt.srh, c, rh, err, tt.failsWith)
			}
			continue
		}
		gt, _ := c.Get()
		gh, _ := rh.Get()
		if err != nil || math.Abs(gt-tt.t) > 1e-4 || math.Abs(gh-tt.rh) > 1e-4 {
			t.Errorf("%d, %d: %v °C, %v %%, %v; want %v, %v", tt.st, tt.srh, gt, gh, err, tt.t, tt.rh)
		}
	}
	if c, _, _ := decode(frame(26214, 34603)); c != sensors.Some(25) {
		t.Errorf("26214 is %v °C, want 25 exactly", c)
	}
}

// A checksum of this kind finds every single flipped bit.
func TestDecodeFindsEveryFlippedBit(t *testing.T) {
	for i := range 48 {
		b := frame(26214, 34603)
		b[i/8] ^= 1 << (i % 8)
		if c, rh, err := decode(b); !errors.Is(err, sensors.ErrChecksum) || c.OK() || rh.OK() {
			t.Errorf("bit %d: %v, %v, %v", i, c, rh, err)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(frame(26214, 34603))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) != 6 {
			return
		}
		c, rh, err := decode(b)
		x, _ := c.Get()
		h, _ := rh.Get()
		if err == nil && !(x >= -40 && x <= 125 && h >= 0 && h <= 100) || err != nil && (c.OK() || rh.OK()) {
			t.Errorf("% x: %v, %v, %v", b, c, rh, err)
		}
	})
}

func Example() {
	bus := chipsim.NewBus("i2c-1") // on a board: a bus of periph's i2creg
	bus.Attach(0x44, chipsim.NewSHT4x(chipsim.Air{C: 17.4, RH: 62}))
	d := New("shed-air", bus, 0x44)
	r, err := d.Read(context.Background())
	t, _ := r.Temp.Get()
	rh, _ := r.RH.Get()
	fmt.Printf("%s: %.1f °C, %.0f %%, %v\n", r.Probe, t, rh, err)

	bus.Attach(0x44, nil) // somebody pulls the plug
	r, err = d.Read(context.Background())
	fmt.Println(r.Temp, "because", sensors.Reason(err))
	// Output:
	// shed-air: 17.4 °C, 62 %, <nil>
	// missing because absent
}
