// SPDX-License-Identifier: Apache-2.0

package history_test

import (
	"context"
	"fmt"
	"os"
	"time"

	"curewright/history"
	"curewright/sensors"
)

func Example() {
	dir, err := os.MkdirTemp("", "history")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	at := time.Date(2026, 10, 10, 9, 40, 0, 0, time.UTC)

	s, err := history.Open(dir, history.Options{Now: func() time.Time { return at }})
	if err != nil {
		panic(err)
	}
	s.Append([]sensors.Reading{
		{Probe: "panel-1", At: at, Temp: sensors.Some(14.5)},
		{Probe: "panel-1", At: at.Add(10 * time.Second), Temp: sensors.Some(14.5625)},
	})
	id, _, err := s.CreateWork(ctx, "coat", "", []byte(`{"panel":"lid-outer","resin":"medium","kind":"tack coat","applied":"2026-10-10T09:40:00Z"}`), "bench", at, "key-1")
	if err != nil {
		panic(err)
	}
	if err := s.PatchWork(ctx, "coat", id, []byte(`{"note":"second cup"}`), "bench", at, "", nil); err != nil {
		panic(err)
	}
	if err := s.Close(); err != nil {
		panic(err)
	}

	// A restart finds all of it.
	s, err = history.OpenReadOnly(dir)
	if err != nil {
		panic(err)
	}
	defer s.Close()
	for r, err := range s.Readings("panel-1", time.Time{}, time.Time{}) {
		if err != nil {
			panic(err)
		}
		fmt.Println(r.At.Format(time.TimeOnly), r.Temp, "°C")
	}
	changes, err := s.Changes(ctx, "coat", id)
	if err != nil {
		panic(err)
	}
	for _, c := range changes {
		fmt.Println(c.ID, "version", c.Version, c.Op)
	}
	// Output:
	// 09:40:00 14.5 °C
	// 09:40:10 14.5625 °C
	// coat-1 version 1 create
	// coat-1 version 2 patch
}
