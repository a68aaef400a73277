// SPDX-License-Identifier: Apache-2.0

package buzzer

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/physic"

	"curewright/alerts"
)

// tape records when the piezo went on and off.
type tape struct {
	mu    sync.Mutex
	began time.Time
	on    bool
	edges []string
	fail  error
}

func (p *tape) Set(on bool) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.fail != nil {
		return p.fail
	}
	if on != p.on {
		p.edges = append(p.edges, fmt.Sprintf("%v %v", time.Since(p.began), map[bool]string{true: "on", false: "off"}[on]))
	}
	p.on = on
	return nil
}

func (p *tape) count() int     { p.mu.Lock(); defer p.mu.Unlock(); return len(p.edges) }
func (p *tape) sounding() bool { p.mu.Lock(); defer p.mu.Unlock(); return p.on }

// within counts the beeps and the time sounding from one moment to another.
func (p *tape) within(from, to time.Duration) (beeps int, sounding time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var since time.Duration
	for _, e := range p.edges {
		at, what, _ := strings.Cut(e, " ")
		d, _ := time.ParseDuration(at)
		if d < from || d > to {
			continue
		}
		if what == "on" {
			since = d
			beeps++
		} else {
			sounding += d - since
		}
	}
	return beeps, sounding
}

type push struct {
	mu   sync.Mutex
	down bool
}

func (b *push) Pressed() bool { b.mu.Lock(); defer b.mu.Unlock(); return b.down }
func (b *push) set(d bool)    { b.mu.Lock(); b.down = d; b.mu.Unlock() }

// pass lets fake time go by and what it sets off come to rest.
func pass(d time.Duration) { time.Sleep(d); synctest.Wait() }

func sounding(s string) []alerts.Alert { return []alerts.Alert{{Sound: s}} }

func run(t *testing.T, c *Buzzer) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); c.Run(ctx) }()
	synctest.Wait()
	return func() { cancel(); <-done }
}

// Three rhythms that nobody mistakes for each other.
func TestPatterns(t *testing.T) {
	for _, tt := range []struct {
		sound string
		beeps int
		long  time.Duration // sounding in all, once
	}{
		{alerts.SoundActNow, 2, 1200 * time.Millisecond},
		{alerts.SoundClosing, 3, 360 * time.Millisecond},
		{alerts.SoundDanger, 10, time.Second},
	} {
		synctest.Test(t, func(t *testing.T) {
			p := &tape{began: time.Now()}
			c := New("piezo", p, nil, nil)
			stop := run(t, c)
			c.watch(sounding(tt.sound))
			pass(2500 * time.Millisecond)
			if n, d := p.within(0, 2500*time.Millisecond); n != tt.beeps || d != tt.long {
				t.Errorf("%s: %d beeps, %v sounding; want %d, %v", tt.sound, n, d, tt.beeps, tt.long)
			}
			stop()
			if p.sounding() {
				t.Errorf("%s: sounds after the end", tt.sound)
			}
		})
	}
}

func TestFallsSilentAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &tape{began: time.Now()}
		c := New("piezo", p, nil, nil)
		defer run(t, c)()
		c.watch(sounding(alerts.SoundActNow))
		pass(300 * time.Millisecond) // in the middle of a beep
		c.watch(nil)
		synctest.Wait()
		if p.sounding() {
			t.Error("still on after it was acknowledged")
		}
		n := p.count()
		pass(time.Hour)
		if p.count() != n {
			t.Errorf("sounds again: %d edges", p.count()-n)
		}
	})
}

func TestDangerOverrides(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &tape{began: time.Now()}
		c := New("piezo", p, nil, nil)
		defer run(t, c)()
		c.watch(sounding(alerts.SoundClosing))
		pass(10 * time.Second) // in its pause
		c.watch([]alerts.Alert{{Sound: alerts.SoundClosing}, {Sound: alerts.SoundDanger}, {Sound: ""}})
		pass(2500 * time.Millisecond)
		if n, _ := p.within(10*time.Second, 12500*time.Millisecond); n != 10 {
			t.Errorf("%d beeps after danger came, want its 10", n)
		}
	})
}

// Unanswered for ten minutes it goes on, less often.
func TestGoesOnSlower(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &tape{began: time.Now()}
		c := New("piezo", p, nil, nil)
		defer run(t, c)()
		c.watch(sounding(alerts.SoundActNow))
		pass(20*time.Minute + time.Second)
		early, _ := p.within(0, 5*time.Minute)
		late, _ := p.within(15*time.Minute, 20*time.Minute)
		if early < 30 || late < 4 || late > 8 {
			t.Errorf("%d beeps in the first five minutes, %d in five after a quarter of an hour", early, late)
		}
	})
}

func TestButton(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, b := &tape{began: time.Now()}, &push{}
		var presses atomic.Int32
		var c *Buzzer
		c = New("piezo", p, b, func() { presses.Add(1); c.watch(nil) })
		defer run(t, c)()
		c.watch(sounding(alerts.SoundActNow))
		pass(time.Second)
		b.set(true) // a spark: gone before the second look
		pass(40 * time.Millisecond)
		b.set(false)
		pass(time.Second)
		if presses.Load() != 0 {
			t.Error("a spark counts as a press")
		}
		b.set(true) // leaned on for an hour
		pass(time.Hour)
		if presses.Load() != 1 || p.sounding() {
			t.Errorf("%d presses, sounding %v; want 1, false", presses.Load(), p.sounding())
		}
		// What comes while it is stuck is heard.
		c.watch(sounding(alerts.SoundDanger))
		n := p.count()
		pass(10 * time.Second)
		if presses.Load() != 1 || p.count() == n {
			t.Errorf("a stuck button silences what comes later")
		}
		b.set(false)
		pass(time.Second)
		b.set(true)
		pass(time.Second)
		if presses.Load() != 2 {
			t.Errorf("%d presses, want 2", presses.Load())
		}
	})
}

func TestTest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &tape{began: time.Now()}
		c := New("piezo", p, nil, nil)
		stop := run(t, c)
		if err := c.send(t.Context(), alerts.Message{What: alerts.WhatTest}); err != nil {
			t.Fatal(err)
		}
		if n, _ := p.within(0, time.Minute); n != 2+3+10 {
			t.Errorf("%d beeps, want all three patterns", n)
		}
		if err := c.send(t.Context(), alerts.Message{What: alerts.WhatFiring}); err != nil {
			t.Error(err)
		}
		p.mu.Lock()
		p.fail = errors.New("line taken")
		p.mu.Unlock()
		if err := c.send(t.Context(), alerts.Message{What: alerts.WhatTest}); err == nil || !strings.Contains(err.Error(), "line taken") {
			t.Errorf("a line that does not obey passes its test: %v", err)
		}
		stop()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := c.send(ctx, alerts.Message{What: alerts.WhatTest}); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a buzzer that does not run: %v", err)
		}
	})
}

// wire is a GPIO line without a board.
type wire struct {
	gpio.PinIO
	name string
	n    int
	l    gpio.Level
	pull gpio.Pull

	mu    sync.Mutex
	edges int
	noPWM bool
	freq  physic.Frequency
	duty  gpio.Duty
}

func (w *wire) Name() string   { return w.name }
func (w *wire) Number() int    { return w.n }
func (w *wire) String() string { return w.name }
func (w *wire) Out(l gpio.Level) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if l != w.l {
		w.edges++
	}
	w.l = l
	return nil
}
func (w *wire) Halt() error { w.freq, w.duty = 0, 0; return nil }
func (w *wire) PWM(d gpio.Duty, f physic.Frequency) error {
	if w.noPWM {
		return errors.New("not supported")
	}
	w.freq, w.duty = f, d
	return nil
}
func (w *wire) state() (gpio.Level, int)          { w.mu.Lock(); defer w.mu.Unlock(); return w.l, w.edges }
func (w *wire) In(p gpio.Pull, _ gpio.Edge) error { w.pull = p; return nil }
func (w *wire) Read() gpio.Level                  { return w.l }

func TestGPIO(t *testing.T) {
	if _, err := OpenPin("TEST_NONE", false); !errors.Is(err, ErrNoLine) {
		t.Errorf("unknown pin: %v", err)
	}
	if _, err := OpenButton("TEST_NONE"); !errors.Is(err, ErrNoLine) {
		t.Errorf("unknown button: %v", err)
	}
	line, key := &wire{name: "TEST_PIEZO", n: 9001, l: gpio.High}, &wire{name: "TEST_BUTTON", n: 9002}
	for _, p := range []*wire{line, key} {
		if err := gpioreg.Register(p); err != nil {
			t.Fatal(err)
		}
		defer gpioreg.Unregister(p.name)
	}
	p, err := OpenPin("TEST_PIEZO", false, Steady())
	if err != nil || line.l != gpio.Low {
		t.Fatalf("opened %v, line %v; want off", err, line.l)
	}
	if p.Set(true); line.l != gpio.High {
		t.Error("on is not high")
	}
	p, _ = OpenPin("TEST_PIEZO", true, Steady())
	if line.l != gpio.High {
		t.Error("active low: off is not high")
	}
	if p.Set(true); line.l != gpio.Low {
		t.Error("active low: on is not low")
	}
	// A bare piezo gets a tone: the board's own PWM where there is one.
	p, _ = OpenPin("TEST_PIEZO", false)
	if p.Set(true); line.freq != 2700*physic.Hertz || line.duty != gpio.DutyHalf {
		t.Errorf("PWM %v, %v", line.freq, line.duty)
	}
	if p.Set(false); line.freq != 0 || line.l != gpio.Low {
		t.Errorf("after the tone PWM %v, line %v; want off", line.freq, line.l)
	}
	b, err := OpenButton("TEST_BUTTON")
	if err != nil || key.pull != gpio.PullUp {
		t.Fatalf("button %v, pull %v", err, key.pull)
	}
	key.l = gpio.High
	up := b.Pressed()
	key.l = gpio.Low
	if up || !b.Pressed() {
		t.Error("a button to ground is pressed when its line is low, and only then")
	}
}

// Without PWM the line is switched: 2.7 kHz is 540 edges in a tenth of a
// second.
func TestToneWithoutPWM(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{name: "TEST_BARE", n: 9003, noPWM: true}
		if err := gpioreg.Register(w); err != nil {
			t.Fatal(err)
		}
		defer gpioreg.Unregister(w.name)
		p, err := OpenPin(w.name, false)
		if err != nil {
			t.Fatal(err)
		}
		p.Set(true)
		pass(100 * time.Millisecond)
		p.Set(false)
		l, n := w.state()
		if n < 535 || n > 545 || l != gpio.Low {
			t.Errorf("%d edges, line %v; want 540, low", n, l)
		}
		pass(time.Second)
		if _, m := w.state(); m != n {
			t.Errorf("%d edges after it was switched off", m-n)
		}
	})
}

func TestSoundsKnown(t *testing.T) {
	for _, r := range alerts.Rules {
		if _, ok := patterns[r.Sound]; r.Sound != "" && (!ok || order[r.Sound] == 0) {
			t.Errorf("rule %s has a sound %q that has no pattern", r.Name, r.Sound)
		}
	}
	if len(patterns) != 3 {
		t.Errorf("patterns = %d", len(patterns))
	}
}

// printer stands in for a GPIO line.
type printer struct{}

func (printer) Set(on bool) error { return nil }

func Example() {
	c := New("piezo", printer{}, nil, nil)
	c.watch([]alerts.Alert{{Rule: alerts.CupOver, Sound: alerts.SoundDanger}}) // what is firing now
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	fmt.Println(c.name, c.Run(ctx))
	// Output:
	// piezo context canceled
}

type plainPin struct{ on bool }

func (p *plainPin) Set(on bool) error { p.on = on; return nil }

// A line that is not there yet is an error, and is used once it is.
func TestLater(t *testing.T) {
	var line *plainPin
	opened := 0
	pin := Later(func() (Pin, error) {
		if line == nil {
			return nil, ErrNoLine
		}
		opened++
		return line, nil
	})
	if err := pin.Set(true); !errors.Is(err, ErrNoLine) {
		t.Errorf("%v, want %v", err, ErrNoLine)
	}
	line = new(plainPin)
	for _, on := range []bool{true, false, true} {
		if err := pin.Set(on); err != nil || line.on != on {
			t.Errorf("on %v, want %v (%v)", line.on, on, err)
		}
	}
	if opened != 1 {
		t.Errorf("opened %d times", opened)
	}
}
