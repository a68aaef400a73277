// SPDX-License-Identifier: Apache-2.0

package alerts_test

import (
	"context"
	"fmt"
	"time"

	"curewright/alerts"
)

// A cup of resin mixed 21 minutes ago, good for 25.
func Example() {
	now := time.Date(2026, 10, 10, 10, 1, 0, 0, time.UTC)
	engine := alerts.New(alerts.Tuning{}, nil, nil)
	done := make(chan struct{})
	phone := alerts.Channel{Name: "phone", Send: func(_ context.Context, m alerts.Message) error {
		fmt.Println(m.Title + ": " + m.Text)
		close(done)
		return nil
	}}
	d := alerts.NewDispatcher(alerts.DispatchConfig{Site: "shed"}, engine, nil, phone)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go d.Run(ctx)

	in := alerts.Input{Now: now, ClockTrusted: true, Cups: []alerts.Cup{
		{Batch: "batch-1", Resin: "medium", Mixed: now.Add(-21 * time.Minute), EndsAt: now.Add(4 * time.Minute)}}}
	d.Handle(engine.Step(in))
	<-done

	in.Now = now.Add(time.Minute)
	for _, a := range engine.List(false) {
		fmt.Println(a.Rule, a.State, a.Sound)
	}
	// Output:
	// shed: Act now: About 4 min left in the cup of medium: use it or spread it in a tray.
	// cup_soon firing closing
}

// The engine by itself: one evaluation after the other, and what changed.
func ExampleEngine_Step() {
	engine := alerts.New(alerts.Tuning{}, nil, nil)
	in := alerts.Input{Now: time.Date(2026, 10, 10, 10, 1, 0, 0, time.UTC), ClockTrusted: true,
		Conditions: []alerts.Condition{{Rule: alerts.TentOff, Severity: alerts.Act}}}
	for _, t := range engine.Step(in) {
		fmt.Println(t.What+":", t.Alert.Say)
	}
	in.Conditions = nil
	for _, t := range engine.Step(in) {
		fmt.Println(t.What+":", engine.Over(t.Alert.ID))
	}
	// Output:
	// firing: The tent's heater was switched off for safety: look at the tent before you switch it on again.
	// resolved: The tent's heater may run again.
}
