// SPDX-License-Identifier: Apache-2.0

package mcp9808

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
		// MCP9808 data sheet DS25095, "Ambient temperature register": three
		// alert flags, a sign, 2⁷ … 2⁻⁴ °C. The first is its code example's
		// +25.25 °C with all flags set (from memory).
		{0xc194, 25.25},
		{0xe194, 25.25},
		{0x0194, 25.25},
		{0x0000, 0},
		{0x0001, .0625},
		{0x1fff, -.0625},
		{0x1e6c, -25.25},
		{0x07d0, 125},
		{0x1d80, -40},
	} {
		got, err := decode(tt.raw)
		if x, ok := got.Get(); err != nil || !ok || x != tt.want {
			t.Errorf("%04x: %v, %v; want %v °C", tt.raw, got, err, tt.want)
		}
	}
	for _, raw := range []uint16{0x07d1, 0x0fff, 0x1d7f, 0x1000} {
		if got, err := decode(raw); !errors.Is(err, sensors.ErrRange) || got.OK() {
			t.Errorf("%04x: %v, %v; want no value", raw, got, err)
		}
	}
}

func Example() {
	bus := chipsim.NewBus("i2c-1") // on a board: a bus of periph's i2creg
	bus.Attach(0x18, chipsim.NewMCP9808(chipsim.Air{C: -3.5}))
	r, err := New("outdoor", bus, 0x18).Read(context.Background())
	fmt.Println(r.Temp, "°C", err)
	// Output: -3.5 °C <nil>
}
