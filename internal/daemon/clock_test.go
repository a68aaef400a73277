// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"testing"
	"time"
)

// The kernel is asked for the time since the board started where the clock jumped
// or the board slept, and not for each reading; a sleep is no step, a set clock is.
func TestWallClockAsksTheKernelWhereClocksPart(t *testing.T) {
	wall := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	var mono, boot time.Duration
	asked := 0
	c := &wallClock{
		wall: func() time.Time { return wall },
		boot: func() time.Duration { asked++; return boot },
		mono: func() time.Duration { return mono },
	}
	goOn := func(d time.Duration) {
		wall, mono, boot = wall.Add(d), mono+d, boot+d
	}
	c.Hold()
	for range 1000 {
		goOn(time.Second)
		c.Now()
	}
	if asked != 1 {
		t.Errorf("the kernel was asked %d times while nothing happened, want 1", asked)
	}

	wall, boot = wall.Add(10*time.Minute), boot+10*time.Minute // asleep
	goOn(time.Second)
	if got := c.Offset(); got != 0 || asked != 2 {
		t.Errorf("after a sleep: offset %v, asked %d times; want 0 and 2", got, asked)
	}

	goOn(time.Hour)
	c.Now()
	wall = wall.Add(-2 * time.Hour) // set
	goOn(time.Second)
	want := wall.Add(2 * time.Hour)
	if got := c.Now(); !got.Equal(want) || asked != 3 {
		t.Errorf("after it was set: %v, asked %d times; want %v and 3", got, asked, want)
	}
	if steps, away := c.Held(); len(steps) != 1 || steps[0] != -2*time.Hour || away != -2*time.Hour {
		t.Errorf("held back %v, away %v; want one step of -2h", steps, away)
	}
}

// The board's own clocks give the same time since it started, asked or not.
func TestWallClockKeepsTimeSinceBoot(t *testing.T) {
	c := &wallClock{}
	for range 3 {
		c.Now()
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if d := sinceBoot() - c.lastBoot; d < -alike || d > time.Minute {
		t.Errorf("the time since the board started is %v off", d)
	}
}
