// SPDX-License-Identifier: Apache-2.0

package sensors_test

import (
	"errors"
	"fmt"
	"time"

	"curewright/sensors"
)

// Readings that come over the network go through the same filter as wired
// ones; each that is refused says why.
func ExampleSet_Push() {
	now := time.Date(2026, 10, 10, 9, 40, 0, 0, time.UTC)
	set := sensors.NewSet(sensors.IntakeConfig{Now: func() time.Time { return now }}, func(r sensors.Reading) {
		fmt.Println("taken:", r.Probe, r.Temp, r.RH, r.CO2)
	})
	hour := now.Add(time.Hour)
	_, refused := set.Push(sensors.Source{Via: "push", Accept: true, ClockTrusted: true}, []sensors.Pushed{
		{Probe: "shed-air", Temp: sensors.Some(17.2), RH: sensors.Some(61)},
		{Probe: "panel-1", Temp: sensors.Some(63)},
		{Probe: "panel-2", Temp: sensors.Some(16.8), Time: &hour},
	})
	for _, r := range refused {
		fmt.Println("refused:", r.Probe, "because", sensors.Reason(r.Err))
	}
	// Output:
	// taken: shed-air 17.2 61 missing
	// refused: panel-1 because doubted
	// refused: panel-2 because future
}

func ExampleReason() {
	err := sensors.BadSum(0x91, 0x92)
	fmt.Println(err)
	fmt.Println(sensors.Reason(err), errors.Is(err, sensors.ErrChecksum))
	// Output:
	// checksum mismatch: came with 91, its sum is 92
	// checksum true
}
