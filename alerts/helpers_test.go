// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/sensors"
)

// A Saturday in October, in a shed an hour ahead of UTC.
var (
	shed = time.FixedZone("shed", 3600)
	t0   = time.Date(2026, 10, 10, 9, 40, 0, 0, shed)
)

func ptr[T any](x T) *T { return &x }

func at(d time.Duration) *time.Time { t := t0.Add(d); return &t }

// mem is a store, an outbox and settings in memory, with a switch that makes
// every write fail as a full card does.
type mem struct {
	mu       sync.Mutex
	alerts   map[string][]byte
	outbox   map[string][]byte
	settings map[string]string
	full     bool
	hang     chan struct{} // not nil: every write waits until it is closed
	writes   int
}

var errFull = errors.New("no space left on device")

func newMem() *mem {
	return &mem{alerts: map[string][]byte{}, outbox: map[string][]byte{}, settings: map[string]string{}}
}

func (m *mem) setFull(b bool) { m.mu.Lock(); m.full = b; m.mu.Unlock() }

func (m *mem) write(f func()) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.full {
		return errFull
	}
	m.writes++
	f()
	return nil
}

func (m *mem) SaveAlerts(_ context.Context, alerts, outbox map[string][]byte, done []string) error {
	if m.hang != nil {
		<-m.hang
	}
	return m.write(func() {
		maps.Copy(m.alerts, alerts)
		maps.Copy(m.outbox, outbox)
		for _, k := range done {
			delete(m.outbox, k)
		}
	})
}

func (m *mem) DeleteAlert(_ context.Context, id string) error {
	return m.write(func() { delete(m.alerts, id) })
}

func (m *mem) LoadAlerts(context.Context) ([][]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out [][]byte
	for _, b := range m.alerts {
		out = append(out, b)
	}
	return out, nil
}

func (m *mem) LoadOutbox(context.Context) ([][]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out [][]byte
	for _, b := range m.outbox {
		out = append(out, b)
	}
	return out, nil
}

func (m *mem) Setting(_ context.Context, k string) (string, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.settings[k], nil
}

func (m *mem) SetSetting(_ context.Context, k, v string) error {
	if m.hang != nil {
		<-m.hang
	}
	return m.write(func() { m.settings[k] = v })
}

func (m *mem) queued() int { m.mu.Lock(); defer m.mu.Unlock(); return len(m.outbox) }

// shop is an input with one panel, one probe of each role and one resin.
func shop(now time.Time, es ...coat.Estimate) Input {
	w := &coat.Work{
		Panels: []coat.Panel{{ID: "lid-outer", Probe: "panel-1", Air: "shed-air"}},
		Resins: map[string]cure.Resin{"medium": {Name: "medium", MinC: 10, MaxC: 40}},
	}
	for _, e := range es {
		w.Coats = append(w.Coats, coat.Coat{ID: e.ID, Panel: e.Panel, Resin: e.Resin, Kind: e.Kind, Applied: e.AppliedAt})
	}
	return Input{Now: now, ClockTrusted: true, Estimates: es, Work: w}
}

// wet is a fresh tack coat that nothing is wrong with.
func wet() coat.Estimate {
	return coat.Estimate{ID: "tack", Panel: "lid-outer", Resin: "medium", Kind: coat.TackCoat, AppliedAt: t0,
		TempC: ptr(18.), State: coat.Wet, Blush: coat.Blush{Index: ptr(.1), Band: "low"}, AdviceCode: coat.AdviseWait}
}

func cold(c float64) coat.Estimate { e := wet(); e.TempC = &c; return e }

func probe(state string, now time.Time) sensors.Health {
	return sensors.Health{Probe: "shed-air", Role: "air", Accepted: true, State: state, LastAt: now.Add(-time.Minute), Stale: 30 * time.Second}
}

// whats renders transitions as "rule what" for comparing.
func whats(ts []Transition) []string {
	out := []string{}
	for _, t := range ts {
		out = append(out, t.Alert.Rule+" "+t.What)
	}
	return out
}

func expect(t *testing.T, ts []Transition, want ...string) {
	t.Helper()
	got := whats(ts)
	if !slices.Equal(got, want) {
		t.Errorf("transitions %q, want %q", got, want)
	}
}

// fires reports the alert of a rule that is firing now.
func fires(e *Engine, rule string) (Alert, bool) {
	for _, a := range e.List(false) {
		if a.Rule == rule {
			return a, true
		}
	}
	return Alert{}, false
}

// fake is a channel of the tests'.
type fake interface{ channel() Channel }

// chanFake records what it was given; fail decides each try, and none gets through
// while it is down.
type chanFake struct {
	name    string
	machine bool
	fail    func(try int) error
	delay   time.Duration
	down    atomic.Bool
	perHour int
	timeout time.Duration

	mu    sync.Mutex
	tries int
	at    []time.Time // of each try
	got   []Message
}

func (c *chanFake) channel() Channel {
	return Channel{Name: c.name, Machine: c.machine, Send: c.send, MaxPerHour: c.perHour, Timeout: c.timeout}
}

// broken is a channel that is down.
func broken(name string) *chanFake {
	c := &chanFake{name: name}
	c.down.Store(true)
	return c
}

func (c *chanFake) send(ctx context.Context, m Message) error {
	if c.delay > 0 {
		select {
		case <-time.After(c.delay):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.tries++
	c.at = append(c.at, time.Now())
	if c.down.Load() {
		return errors.New("no route to host")
	}
	if c.fail != nil {
		if err := c.fail(c.tries); err != nil {
			return err
		}
	}
	c.got = append(c.got, m)
	return nil
}

func (c *chanFake) messages() []Message {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.got)
}

func (c *chanFake) say() []string {
	out := []string{}
	for _, m := range c.messages() {
		r := ""
		if m.Alert != nil {
			r = m.Alert.Rule + " "
		}
		out = append(out, r+m.What)
	}
	return out
}

func (c *chanFake) String() string { return fmt.Sprint(c.name, c.say()) }

// again is the engine after it was saved and the program started anew.
func again(t *testing.T, e *Engine) *Engine {
	t.Helper()
	if err := e.Save(t.Context()); err != nil {
		t.Fatal(err)
	}
	return New(e.cfg, e.store, nil)
}
