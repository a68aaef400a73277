// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// More than any shop's probes say is refused with the reason, and taken again
// when there is room.
func TestPushFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		in := NewIntake(IntakeConfig{}, func(Reading) { n++ })
		at := time.Now()
		push := func(count int) (taken int, refused []Refusal) {
			var ps []Pushed
			for range count {
				at = at.Add(time.Millisecond)
				x := at
				ps = append(ps, Pushed{Probe: "a", Time: &x, Temp: Some(17)})
			}
			return in.Push(Source{Via: "push", Accept: true, ClockTrusted: true}, ps)
		}
		taken, refused := push(pushBurst + 500)
		if taken != pushBurst || len(refused) != 500 || !errors.Is(refused[0].Err, ErrFlood) {
			t.Fatalf("%d taken, %d refused", taken, len(refused))
		}
		time.Sleep(time.Second)
		if taken, _ = push(1000); taken != pushRate {
			t.Errorf("%d taken a second later, want %d", taken, pushRate)
		}
		time.Sleep(time.Hour)
		if taken, refused = push(1000); taken != 1000 || len(refused) != 0 {
			t.Errorf("%d taken an hour later: %v", taken, refused)
		}
		if n != pushBurst+pushRate+1000 {
			t.Errorf("%d handed on", n)
		}
	})
}
