// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"sync"
	"time"
)

// Clock is where the daemon takes "now" from: the wall, or the demo's
// simulated weekend. Intervals of real work (fsync, retries) stay real.
type Clock interface {
	Now() time.Time
	// Speed is how many seconds pass in one real second.
	Speed() float64
	// Offset is what Now adds to the board's own clock.
	Offset() time.Duration
	// Set makes Now the given time from now on. The board's own clock is not
	// touched: that takes rights which the daemon should not have.
	Set(now time.Time)
	// Hold begins to hold back jumps of the board's clock. Held returns the jumps
	// since its last call, and the sum of all: the difference between the board's
	// clock and the time in use.
	Hold()
	Held() (steps []time.Duration, away time.Duration)
	// Wall is the clock of log-ins: the board's, with its jumps held back, and
	// never the demo's simulated one.
	Wall() time.Time
}

// wallClock is the board's clock, corrected by the date that a person gave. Once it is
// trusted, Now advances evenly: a jump of the board's clock is held back, since it
// would count as curing time of every coat. The zero wallClock is ready to use.
type wallClock struct {
	wall func() time.Time     // nil: the board's
	boot func() time.Duration // nil: the board's time since it was started, asleep or not
	mono func() time.Duration // nil: the process's monotonic clock; without it a wall of its own has none

	mu       sync.Mutex
	offset   time.Duration // what Now adds to the board's clock
	held     bool
	seen     bool
	lastWall time.Time
	lastBoot time.Duration
	lastMono time.Duration
	steps    []time.Duration // held back and not yet returned by Held
	away     time.Duration   // sum of all steps that are held back
}

// processStart is what durations are counted from where the kernel has no better.
var processStart = time.Now()

// heldStep is the smallest step that is held back: shorter ones are a clock
// being corrected, and too short to cure anything.
const heldStep = time.Minute

// alike is how far the wall clock and the monotonic one may part between two looks
// without either having jumped: far less than any sleep takes.
const alike = 50 * time.Millisecond

// read reads the board's clock and finds out whether it was set meanwhile; mu is
// held.
func (c *wallClock) read() time.Time {
	now, boot := time.Now(), sinceBoot
	mono := now.Sub(processStart)
	if c.wall != nil {
		now, boot = c.wall(), c.boot
	}
	if c.mono != nil {
		mono = c.mono()
	}
	wall := now.Round(0)
	// Two clocks that went on alike were not set, and the board did not sleep: the
	// time since it started need not be asked of the kernel for each reading.
	up := c.lastBoot + mono - c.lastMono
	if apart := wall.Sub(c.lastWall) - (mono - c.lastMono); !c.seen || apart.Abs() > alike || c.wall != nil && c.mono == nil {
		up = boot()
	}
	if c.seen && c.held {
		if step := wall.Sub(c.lastWall) - (up - c.lastBoot); step.Abs() >= heldStep {
			c.offset -= step
			c.away += step
			c.steps = append(c.steps, step)
		}
	}
	c.lastWall, c.lastBoot, c.lastMono, c.seen = wall, up, mono, true
	if c.offset == 0 {
		return now
	}
	// Without the monotonic part, which would not have the correction.
	return wall.Add(c.offset)
}

func (c *wallClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.read()
}

func (c *wallClock) Speed() float64  { return 1 }
func (c *wallClock) Wall() time.Time { return c.Now() }

func (c *wallClock) Offset() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.read()
	return c.offset
}

func (c *wallClock) Set(now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.read()
	c.offset = now.Round(0).Sub(c.lastWall)
	c.away = 0
}

func (c *wallClock) Hold() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.read()
	c.held = true
}

func (c *wallClock) Held() (steps []time.Duration, away time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.read()
	steps, c.steps = c.steps, nil
	return steps, c.away
}

// LapseClock stands where it is put until it is started, then runs at a
// multiple of real time.
type LapseClock struct {
	mu    sync.Mutex
	at    time.Time
	real  time.Time // when it was started; zero while it stands
	speed float64
}

func NewLapseClock(at time.Time, speed float64) *LapseClock {
	return &LapseClock{at: at, speed: speed}
}

func (c *LapseClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.real.IsZero() {
		return c.at
	}
	return c.at.Add(time.Duration(float64(time.Since(c.real)) * c.speed))
}

// Put makes a standing clock show the given time.
func (c *LapseClock) Put(at time.Time) {
	c.mu.Lock()
	c.at = at
	c.mu.Unlock()
}

// Start lets it run from where it stands.
func (c *LapseClock) Start() {
	c.mu.Lock()
	c.real = time.Now()
	c.mu.Unlock()
}

func (c *LapseClock) Speed() float64        { return c.speed }
func (c *LapseClock) Offset() time.Duration { return 0 }
func (c *LapseClock) Set(time.Time)         {}
func (c *LapseClock) Hold()                 {}
func (c *LapseClock) Wall() time.Time       { return time.Now() }

func (c *LapseClock) Held() ([]time.Duration, time.Duration) { return nil, 0 }
