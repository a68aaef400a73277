// SPDX-License-Identifier: Apache-2.0

package aht20

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"curewright/sensors"
	"curewright/sensors/chipsim"
)

// frame makes an answer of the given status and 20-bit words.
func frame(status byte, h, c uint32) (b [7]byte) {
	b = [7]byte{status, byte(h >> 12), byte(h >> 4), byte(h<<4) | byte(c>>16), byte(c >> 8), byte(c)}
	b[6] = sensors.CRC8(b[:6])
	return b
}

func TestDecode(t *testing.T) {
	for _, tt := range []struct {
		h, c  uint32
		rh, t float64
		want  error
	}{
		// AHT20 data sheet, "Signal conversion": RH = S/2²⁰·100, T = S/2²⁰·200 − 50.
		{1 << 19, 3 << 17, 50, 25, nil},
		{629146, 353370, 60, 17.4, nil},
		{0, 1 << 18, 0, 0, nil},
		{1<<20 - 1, 1 << 18, 99.9999, 0, nil},
		{1 << 19, 0, 0, 0, sensors.ErrRange},         // −50 °C is below the rated −40
		{1 << 19, 1<<20 - 1, 0, 0, sensors.ErrRange}, // 150 °C is above the rated 85
	} {
		c, rh, err := decode(frame(0x18, tt.h, tt.c))
		x, _ := c.Get()
		h, _ := rh.Get()
		switch {
		case tt.want != nil && (!errors.Is(err, tt.want) || c.OK() || rh.OK()):
			t.Errorf("%d, %d: %v, %v, %v; want no value", tt.h, tt.c, c, rh, err)
		case tt.want == nil && (err != nil || math.Abs(x-tt.t) > 2e-4 || math.Abs(h-tt.rh) > 1e-4):
			t.Errorf("%d, %d: %v °C, %v %%, %v; want %v, %v", tt.h, tt.c, x, h, err, tt.t, tt.rh)
		}
	}
	if c, rh, err := decode(frame(0x10, 1<<19, 3<<17)); !errors.Is(err, sensors.ErrPowerOn) || c.OK() || rh.OK() {
		t.Errorf("without its calibration: %v, %v, %v", c, rh, err)
	}
	for i := range 56 {
		b := frame(0x18, 629146, 353370)
		b[i/8] ^= 1 << (i % 8)
		if c, rh, err := decode(b); !errors.Is(err, sensors.ErrChecksum) || c.OK() || rh.OK() {
			t.Errorf("bit %d: %v, %v, %v", i, c, rh, err)
		}
	}
}

func Example() {
	bus := chipsim.NewBus("i2c-1") // on a board: a bus of periph's i2creg
	bus.Attach(0x38, chipsim.NewAHT20(chipsim.Air{C: 17.4, RH: 62}))
	r, err := New("shed-air", bus, 0x38).Read(context.Background())
	t, _ := r.Temp.Get()
	rh, _ := r.RH.Get()
	fmt.Printf("%.1f °C, %.0f %%, %v\n", t, rh, err)
	// Output: 17.4 °C, 62 %, <nil>
}
