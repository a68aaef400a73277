// SPDX-License-Identifier: Apache-2.0

package hdc302x

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"curewright/sensors"
	"curewright/sensors/chipsim"
)

func frame(st, srh uint16) []byte {
	b := []byte{byte(st >> 8), byte(st), 0, byte(srh >> 8), byte(srh), 0}
	b[2], b[5] = sensors.CRC8(b[:2]), sensors.CRC8(b[3:5])
	return b
}

func TestDecode(t *testing.T) {
	for _, tt := range []struct {
		st, srh uint16
		t, rh   float64
		fails   bool
	}{
		// HDC302x data sheet: T = −45 + 175·S/65535, RH = 100·S/65535.
		{26214, 39321, 25, 60, false},
		{0x6666, 0x8000, 25, 50.00076, false},
		{16852, 65535, .00076, 100, false},
		{0, 39321, 0, 0, true},     // −45 °C is below the rated −40
		{65535, 39321, 0, 0, true}, // 130 °C is above the rated 125
	} {
		c, rh, err := decode(frame(tt.st, tt.srh))
		x, _ := c.Get()
		h, _ := rh.Get()
		switch {
		case tt.fails && (!errors.Is(err, sensors.ErrRange) || c.OK() || rh.OK()):
			t.Errorf("%d: %v, %v, %v; want no value", tt.st, c, rh, err)
		case !tt.fails && (err != nil || math.Abs(x-tt.t) > 1e-3 || math.Abs(h-tt.rh) > 1e-4):
			t.Errorf("%d, %d: %v °C, %v %%, %v; want %v, %v", tt.st, tt.srh, x, h, err, tt.t, tt.rh)
		}
	}
	for i := range 48 {
		b := frame(26214, 39321)
		b[i/8] ^= 1 << (i % 8)
		if c, rh, err := decode(b); !errors.Is(err, sensors.ErrChecksum) || c.OK() || rh.OK() {
			t.Errorf("bit %d: %v, %v, %v", i, c, rh, err)
		}
	}
}

func Example() {
	bus := chipsim.NewBus("i2c-1") // on a board: a bus of periph's i2creg
	bus.Attach(0x44, chipsim.NewHDC302x(chipsim.Air{C: 17.4, RH: 62}))
	r, err := New("shed-air", bus, 0x44).Read(context.Background())
	t, _ := r.Temp.Get()
	rh, _ := r.RH.Get()
	fmt.Printf("%.1f °C, %.0f %%, %v\n", t, rh, err)
	// Output: 17.4 °C, 62 %, <nil>
}
