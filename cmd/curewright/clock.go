package main

import (
	"sync"
	"sync/atomic"
	"time"
)

// clock is where the daemon takes "now" from: the wall, or the demo's
// simulated weekend. Intervals of real work (fsync, retries) stay real.
type clock interface {
	Now() time.Time
	// Speed is how many seconds pass in one real second.
	Speed() float64
	// Offset is what Now adds to the board's own clock.
	Offset() time.Duration
	// Set makes Now the given time from now on. The board's own clock is not
	// touched: that takes rights which the daemon should not have.
	Set(now time.Time)
}

// wallClock is the board's clock, corrected by what the person said.
type wallClock struct{ offset atomic.Int64 }

func (c *wallClock) Now() time.Time {
	if off := c.Offset(); off != 0 {
		return time.Now().Add(off)
	}
	return time.Now()
}
func (c *wallClock) Speed() float64        { return 1 }
func (c *wallClock) Offset() time.Duration { return time.Duration(c.offset.Load()) }
func (c *wallClock) Set(now time.Time)     { c.offset.Store(int64(now.Round(0).Sub(time.Now().Round(0)))) }

// lapseClock stands where it is put until it is started, then runs at a
// multiple of real time.
type lapseClock struct {
	mu    sync.Mutex
	at    time.Time
	real  time.Time // when it was started; zero while it stands
	speed float64
}

func newLapseClock(at time.Time, speed float64) *lapseClock {
	return &lapseClock{at: at, speed: speed}
}

func (c *lapseClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.real.IsZero() {
		return c.at
	}
	return c.at.Add(time.Duration(float64(time.Since(c.real)) * c.speed))
}

// Put makes a standing clock show the given time.
func (c *lapseClock) Put(at time.Time) {
	c.mu.Lock()
	c.at = at
	c.mu.Unlock()
}

// Start lets it run from where it stands.
func (c *lapseClock) Start() {
	c.mu.Lock()
	c.real = time.Now()
	c.mu.Unlock()
}

func (c *lapseClock) Speed() float64        { return c.speed }
func (c *lapseClock) Offset() time.Duration { return 0 }
func (c *lapseClock) Set(time.Time)         {}
