// SPDX-License-Identifier: Apache-2.0

package tmp102

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"curewright/sensors"
	"curewright/sensors/chipsim"
)

func TestDecode(t *testing.T) {
	for _, tt := range []struct {
		raw  uint16
		want float64
	}{
		// TMP102 data sheet SBOS397, table "12-bit temperature data format"
		// (from memory), without its rows outside −40 to 125 °C.
		{0x640, 100},
		{0x500, 80},
		{0x4b0, 75},
		{0x320, 50},
		{0x190, 25},
		{0x004, .25},
		{0x000, 0},
		{0xffc, -.25},
		{0xe70, -25},
	} {
		got, err := decode([2]byte{byte(tt.raw >> 4), byte(tt.raw << 4)})
		if x, ok := got.Get(); err != nil || !ok || x != tt.want {
			t.Errorf("%03x: %v, %v; want %v °C", tt.raw, got, err, tt.want)
		}
	}
	// The same table's 127.9375 and −55 °C are beyond the rated span.
	for _, raw := range []uint16{0x7ff, 0xc90} {
		if got, err := decode([2]byte{byte(raw >> 4), byte(raw << 4)}); !errors.Is(err, sensors.ErrRange) || got.OK() {
			t.Errorf("%03x: %v, %v; want no value", raw, got, err)
		}
	}
	if got, err := decode([2]byte{0x19, 0x01}); err == nil || got.OK() {
		t.Errorf("low bits set: %v", got)
	}
}

func Example() {
	bus := chipsim.NewBus("i2c-1") // on a board: a bus of periph's i2creg
	bus.Attach(0x48, chipsim.NewTMP102(chipsim.Air{C: 17.5}))
	r, err := New("panel-2", bus, 0x48).Read(context.Background())
	fmt.Println(r.Temp, "°C", err)
	// Output: 17.5 °C <nil>
}
