// SPDX-License-Identifier: Apache-2.0

package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"curewright/sensors"
	"curewright/sensors/chipsim"
)

// Table 1 of the data sheet 19-7487, over the bus.
func TestRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		th := chipsim.NewThermometer(0x0316a2795d1f, 0)
		d := New("panel-1", chipsim.NewOneWire(th), th.Addr)
		for _, c := range []float64{125, 85, 25.0625, 10.125, .5, 0, -.5, -10.125, -25.0625, -55} {
			th.SetC(c)
			start := time.Now()
			r, err := d.Read(t.Context())
			if err != nil || r.Temp != sensors.Some(c) || r.RH.OK() {
				t.Errorf("%v °C: %+v, %v", c, r, err)
			}
			// "AC Electrical Characteristics": 750 ms at 12 bits.
			if took := time.Since(start); took != 750*time.Millisecond {
				t.Errorf("took %v", took)
			}
		}
	})
}

func TestTwoOnOneBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := chipsim.NewThermometer(1, 17), chipsim.NewThermometer(2, 9)
		bus := chipsim.NewOneWire(a, b)
		a.SetFault(chipsim.Absent)
		if r, err := New("a", bus, a.Addr).Read(t.Context()); !errors.Is(err, sensors.ErrAbsent) || r.Temp.OK() {
			t.Errorf("the one pulled off: %+v, %v", r, err)
		}
		if r, err := New("b", bus, b.Addr).Read(t.Context()); err != nil || r.Temp != sensors.Some(9) {
			t.Errorf("its neighbour: %+v, %v", r, err)
		}
		if _, err := New("c", bus, 0x10).Read(t.Context()); !errors.Is(err, sensors.ErrWrongDevice) {
			t.Errorf("another family: %v", err)
		}
	})
}

func TestDeadlineEndsTheWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		th := chipsim.NewThermometer(1, 17)
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		start := time.Now()
		_, err := New("a", chipsim.NewOneWire(th), th.Addr).Read(ctx)
		if !errors.Is(err, sensors.ErrTimeout) || time.Since(start) != 100*time.Millisecond {
			t.Errorf("%v after %v", err, time.Since(start))
		}
	})
}

func Example() {
	th := chipsim.NewThermometer(0x0316a2795d1f, 17.0625)
	bus := chipsim.NewOneWire(th) // on a board: a bus of periph's onewirereg
	r, err := New("panel-1", bus, th.Addr).Read(context.Background())
	fmt.Println(r.Probe, r.Temp, "°C", err)
	// Output: panel-1 17.0625 °C <nil>
}
