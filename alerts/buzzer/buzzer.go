// SPDX-License-Identifier: Apache-2.0

// Package buzzer sounds a piezo on a GPIO line: three patterns that can be
// told apart with gloves on and the radio running, until somebody acknowledges
// or presses a wired push-button.
//
// A bare piezo disc draws next to nothing and hangs on the line itself; it is
// driven with a tone of about 2.7 kHz, by the board's own PWM where the line
// has one and the program may use it, else by switching the line fast enough.
// A buzzer with its own oscillator sounds while its line is on and wants
// [Steady]; most draw more than a line may give and need a transistor.
package buzzer

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/host/v3"

	"curewright/alerts"
)

// Pin is the piezo's line.
type Pin interface{ Set(on bool) error }

// Button is a push-button's line.
type Button interface{ Pressed() bool }

// A pattern is on, off, on, off, ... and then a pause before it repeats.
type pattern struct {
	beats []time.Duration
	pause time.Duration
	// slow is the pause once it has sounded for ten minutes: whoever is there
	// has heard it, and whoever comes back will.
	slow time.Duration
}

const ms = time.Millisecond

// patterns by the alert's sound: two long for "act now", three short for
// "closing", an unbroken trill for "danger". They differ in rhythm and not in
// pitch, which a simple piezo does not have.
var patterns = map[string]pattern{
	alerts.SoundActNow:  {beats: []time.Duration{600 * ms, 300 * ms, 600 * ms}, pause: 15 * time.Second, slow: 2 * time.Minute},
	alerts.SoundClosing: {beats: []time.Duration{120 * ms, 120 * ms, 120 * ms, 120 * ms, 120 * ms}, pause: 30 * time.Second, slow: 2 * time.Minute},
	alerts.SoundDanger: {beats: []time.Duration{100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms,
		100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms, 100 * ms}, pause: time.Second, slow: 10 * time.Second},
}

var order = map[string]int{alerts.SoundClosing: 1, alerts.SoundActNow: 2, alerts.SoundDanger: 3}

// slowAfter is how long a sound goes on before its pauses lengthen.
const slowAfter = 10 * time.Minute

// Buzzer sounds what is firing. It follows the alerts that last instead of
// taking messages, and falls silent as soon as none is left.
type Buzzer struct {
	name    string
	pin     Pin
	button  Button // nil for none
	onPress func()

	mu     sync.Mutex
	sound  string // "" for silence
	err    error
	change chan struct{}
	test   chan chan struct{}
}

// New returns a buzzer on a line; it does not touch it before [Buzzer.Run].
// button may be nil; onPress is called once a press and should acknowledge
// what sounds.
func New(name string, pin Pin, button Button, onPress func()) *Buzzer {
	return &Buzzer{name: name, pin: pin, button: button, onPress: onPress, change: make(chan struct{}, 1), test: make(chan chan struct{})}
}

// Channel returns the channel through which the dispatcher drives the buzzer.
func (c *Buzzer) Channel() alerts.Channel {
	return alerts.Channel{Name: c.name, Send: c.send, Watch: c.watch, Err: c.lineErr}
}

// lineErr returns the line's last error, nil while it can be switched.
func (c *Buzzer) lineErr() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.err
}

// watch takes what is firing and not acknowledged; the most urgent sound wins.
func (c *Buzzer) watch(active []alerts.Alert) {
	sound := ""
	for _, a := range active {
		if order[a.Sound] > order[sound] {
			sound = a.Sound
		}
	}
	c.mu.Lock()
	changed := sound != c.sound
	c.sound = sound
	c.mu.Unlock()
	if changed {
		select {
		case c.change <- struct{}{}:
		default:
		}
	}
}

// send plays all three patterns once for a test and does nothing for other
// messages: what is firing is followed through [Buzzer.watch].
func (c *Buzzer) send(ctx context.Context, m alerts.Message) error {
	if m.What != alerts.WhatTest {
		return nil
	}
	done := make(chan struct{})
	select {
	case c.test <- done:
	case <-ctx.Done():
		return fmt.Errorf("channel %s: the buzzer is not running: %w", c.name, ctx.Err())
	}
	select {
	case <-done:
		return c.lineErr()
	case <-ctx.Done():
		return fmt.Errorf("channel %s: %w", c.name, ctx.Err())
	}
}

// Run plays until ctx ends. The line is off when Run starts and when it
// returns.
func (c *Buzzer) Run(ctx context.Context) error {
	c.set(false)
	defer c.set(false)
	if c.button != nil {
		var wg sync.WaitGroup
		wg.Go(func() { c.watchButton(ctx) })
		defer wg.Wait()
	}
	var began time.Time
	last := ""
	for {
		c.mu.Lock()
		sound := c.sound
		c.mu.Unlock()
		if sound != last {
			last, began = sound, time.Now()
		}
		p, ok := patterns[sound]
		if !ok {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-c.change:
			case done := <-c.test:
				c.playAll(ctx)
				close(done)
			}
			continue
		}
		pause := p.pause
		if time.Since(began) >= slowAfter {
			pause = p.slow
		}
		if !c.play(ctx, p) || !c.rest(ctx, pause) {
			if ctx.Err() != nil {
				return ctx.Err()
			}
		}
	}
}

// play sounds one pattern; false when something changed meanwhile.
func (c *Buzzer) play(ctx context.Context, p pattern) bool {
	defer c.set(false)
	for i, d := range p.beats {
		c.set(i%2 == 0)
		if !c.rest(ctx, d) {
			return false
		}
	}
	return true
}

// rest waits; false when the sound changed or ctx ended.
func (c *Buzzer) rest(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			return true
		case <-ctx.Done():
			return false
		case <-c.change:
			return false
		case done := <-c.test:
			// An alert sounds at the moment, which tests the buzzer too.
			close(done)
		}
	}
}

func (c *Buzzer) playAll(ctx context.Context) {
	for _, s := range []string{alerts.SoundActNow, alerts.SoundClosing, alerts.SoundDanger} {
		if !c.play(ctx, patterns[s]) || !c.rest(ctx, time.Second) {
			return
		}
	}
}

func (c *Buzzer) set(on bool) {
	err := c.pin.Set(on)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.err = nil
	if err != nil {
		c.err = fmt.Errorf("channel %s: gpio: %w", c.name, err)
	}
}

// pressPoll is how often the button is looked at; two looks in a row must
// agree, so that a bounce or a spark is not a press.
const pressPoll = 50 * time.Millisecond

func (c *Buzzer) watchButton(ctx context.Context) {
	t := time.NewTicker(pressPoll)
	defer t.Stop()
	was, held := false, false
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		now := c.button.Pressed()
		if now && was && !held {
			held = true // one call per press, however long it is held
			if c.onPress != nil {
				c.onPress()
			}
		}
		if !now && !was {
			held = false
		}
		was = now
	}
}

// ErrNoLine is returned for a GPIO line that the board does not have.
var ErrNoLine = errors.New("no such GPIO line")

// Option is how a piezo is driven.
type Option func(*gpioPin)

// Steady holds the line on instead of driving it with a tone, for a buzzer
// that has its own oscillator.
func Steady() Option { return func(g *gpioPin) { g.steady = true } }

// tone is where small piezo discs are loudest; from memory, not from a data
// sheet.
const tone = 2700 * physic.Hertz

type gpioPin struct {
	p      gpio.PinIO
	low    bool // active low
	steady bool

	on   bool
	stop chan struct{} // of the goroutine that switches the line
	done chan struct{}
}

// Set switches the sound. It is called by one goroutine.
func (g *gpioPin) Set(on bool) error {
	if on == g.on {
		if on {
			return nil
		}
		return g.out(false) // whatever the line was before
	}
	g.on = on
	switch {
	case on && g.steady:
		return g.out(true)
	case on:
		if g.p.PWM(gpio.DutyHalf, tone) == nil {
			return nil
		}
		if err := g.out(true); err != nil {
			g.on = false
			return err
		}
		g.stop, g.done = make(chan struct{}), make(chan struct{})
		go g.shake(g.stop, g.done)
		return nil
	case g.stop != nil:
		close(g.stop)
		<-g.done
		g.stop = nil
	case !g.steady:
		g.p.Halt() // ends the PWM
	}
	return g.out(false)
}

func (g *gpioPin) out(on bool) error { return g.p.Out(gpio.Level(on != g.low)) }

// shake switches the line on and off until stop. Each sleep lasts a little longer
// than asked, so the pitch is slightly lower than tone.
func (g *gpioPin) shake(stop, done chan struct{}) {
	defer close(done)
	half := time.NewTicker(tone.Period() / 2)
	defer half.Stop()
	for on := false; ; on = !on {
		select {
		case <-stop:
			return
		case <-half.C:
			if g.out(on) != nil {
				return // the next Set reports it
			}
		}
	}
}

// OpenPin opens the piezo's line by its name, such as "GPIO18", and switches
// it off. activeLow is for a piezo that is off while the line is high. The
// host's lines are registered first, if nobody did.
func OpenPin(name string, activeLow bool, how ...Option) (Pin, error) {
	p, err := findPin(name)
	if err != nil {
		return nil, fmt.Errorf("buzzer: pin: %w", err)
	}
	g := &gpioPin{p: p, low: activeLow}
	for _, f := range how {
		f(g)
	}
	if err := g.Set(false); err != nil {
		return nil, fmt.Errorf("buzzer: pin %s: %w", name, err)
	}
	return g, nil
}

// Later is a line that is opened when it is first wanted, and tried again each
// time until it is there: a board without its buzzer watches all the same, and
// the channel says what it lacks.
func Later(open func() (Pin, error)) Pin { return &laterPin{open: open} }

type laterPin struct {
	open func() (Pin, error)
	pin  Pin
}

func (l *laterPin) Set(on bool) error {
	if l.pin == nil {
		p, err := l.open()
		if err != nil {
			return err
		}
		l.pin = p
	}
	return l.pin.Set(on)
}

// findPin is the board's line of that name.
func findPin(name string) (gpio.PinIO, error) {
	if _, err := host.Init(); err != nil {
		return nil, fmt.Errorf("GPIO lines: %w", err)
	}
	if p := gpioreg.ByName(name); p != nil {
		return p, nil
	}
	return nil, fmt.Errorf("%q: %w", name, ErrNoLine)
}

type gpioButton struct{ p gpio.PinIO }

func (g gpioButton) Pressed() bool { return g.p.Read() == gpio.Low }

// OpenButton opens a push-button between the line and ground, with the board's
// own pull-up.
func OpenButton(name string) (Button, error) {
	p, err := findPin(name)
	if err != nil {
		return nil, fmt.Errorf("button: %w", err)
	}
	if err := p.In(gpio.PullUp, gpio.NoEdge); err != nil {
		return nil, fmt.Errorf("button %s: %w", name, err)
	}
	return gpioButton{p}, nil
}
