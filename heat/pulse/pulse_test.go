// SPDX-License-Identifier: Apache-2.0

package pulse

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"
)

// relay is the retriggerable relay: in for hold after every rising edge.
type relay struct {
	hold  time.Duration
	level bool
	edge  time.Time
	edges int
}

func (r *relay) Set(on bool) error {
	if on && !r.level {
		r.edge = time.Now()
		r.edges++
	}
	r.level = on
	return nil
}

func (r *relay) in() bool { return r.edges > 0 && time.Since(r.edge) < r.hold }

// TestPulses: the relay is in while renewals come and out soon after the last,
// whichever level the line was left at.
func TestPulses(t *testing.T) {
	for left := range 2 {
		synctest.Test(t, func(t *testing.T) {
			r := &relay{hold: 20 * time.Second}
			o := New(r, r.hold)
			if err := o.Renew(t.Context(), false); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Minute)
			if r.in() {
				t.Fatal("in without a renewal for on")
			}
			for i := range 20 + left {
				o.Renew(t.Context(), true)
				if i > 0 && !r.in() {
					t.Fatalf("dropped out at renewal %d", i)
				}
				time.Sleep(5 * time.Second)
			}
			// Here the program dies: the line stays as it is.
			time.Sleep(o.Lease())
			if r.in() {
				t.Errorf("in a lease after the last renewal, line left at %v", r.level)
			}
			o.Renew(t.Context(), true)
			o.Renew(t.Context(), true)
			o.Close()
			if r.level {
				t.Error("Close leaves the line high")
			}
		})
	}
}

func Example() {
	r := &relay{hold: 20 * time.Second}
	o := New(r, r.hold)
	for range 4 {
		o.Renew(context.Background(), true)
	}
	fmt.Println("pulses in four renewals:", r.edges)
	// Output: pulses in four renewals: 2
}
