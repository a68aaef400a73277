// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"context"
	"errors"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curewright/sensors"
)

// rig is a tent of two nodes, its probes and an output with a lease, all in
// the test's fake time.
type rig struct {
	t    *testing.T
	dir  string
	sec  ConfigSection
	loop *Loop
	stop context.CancelFunc
	done chan any // what Run ended with: an error or a panic's value

	mu        sync.Mutex
	at        time.Time // the plant stands here
	air, pan  float64
	heaterW   float64 // 0: dead
	stuckOn   bool    // the relay heats whatever is asked
	probes    map[string]*fakeProbe
	hang      chan struct{} // probes block on it while it is not nil
	panicNext bool
	outErr    error
	renewedAt time.Time
	renewedOn bool
	wallStep  time.Duration
	trusted   bool
	profile   *Profile
	switchOff bool
	closed    bool
	events    []Event
}

type fakeProbe struct {
	h      sensors.Health
	frozen bool // no new readings, though nobody says so
	state  string
	add    float64
	fixed  *float64
}

const lease = 30 * time.Second

func ptr(x float64) *float64 { return &x }

// section is a configuration that passes its check.
func section() ConfigSection {
	c := DefaultSection()
	c.Output = "relay"
	c.Control, c.Limit, c.Air, c.Shed = "panel", "limit", "air", "shed"
	c.MaxAirC, c.MaxPanelC, c.ThermalCutoffC = ptr(45), ptr(40), ptr(60)
	c.Relay = RelaySection{Line: "file:/x", Watchdog: "none"}
	return c.Defaults()
}

// tempDir is a folder in memory where there is one: what is tested is not the
// disk, and hundreds of syncs are slow.
func tempDir(t *testing.T) string {
	d, err := os.MkdirTemp("/dev/shm", "curewright-heat-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(d) })
	return d
}

func newRig(t *testing.T, sec ConfigSection) *rig {
	r := &rig{t: t, dir: tempDir(t), sec: sec, at: time.Now(), air: 10, pan: 9, heaterW: 1500, trusted: true, probes: map[string]*fakeProbe{}}
	for _, id := range []string{"panel", "limit", "air", "shed"} {
		r.probes[id] = &fakeProbe{h: sensors.Health{Probe: id, Wired: true, State: "ok", Every: 10 * time.Second, Stale: 30 * time.Second, Accepted: true}}
	}
	if err := Prepare(r.dir, sec.Limits(nil), time.Now()); err != nil {
		t.Fatal(err)
	}
	return r
}

// start runs the loop.
func (r *rig) start() {
	r.t.Helper()
	l, err := NewLoop(LoopConfig{
		Section: r.sec, Output: r, Probe: r.health, Dir: r.dir, Journal: r,
		Clock: func() (time.Time, bool) {
			r.mu.Lock()
			defer r.mu.Unlock()
			return time.Now().Add(r.wallStep), r.trusted
		},
		Profile: func() (Profile, bool) {
			if r.profile == nil {
				return Profile{}, false
			}
			return *r.profile, true
		},
		Switch: func() bool {
			r.mu.Lock()
			defer r.mu.Unlock()
			return r.switchOff
		},
	})
	if err != nil {
		r.t.Fatal(err)
	}
	r.loop = l
	ctx, stop := context.WithCancel(context.Background())
	r.stop, r.done = stop, make(chan any, 1)
	go func() {
		defer func() {
			if x := recover(); x != nil {
				r.done <- x
			}
		}()
		r.done <- l.Run(ctx)
	}()
	synctest.Wait()
}

// running is a rig whose loop runs until the test ends.
func running(t *testing.T, sec ConfigSection) *rig {
	r := newRig(t, sec)
	r.start()
	t.Cleanup(r.end)
	return r
}

// pass lets fake time go by and what it sets off come to rest.
func pass(d time.Duration) { time.Sleep(d); synctest.Wait() }

// heated is when the heater has been asked for 25 °C for a while and is on.
func (r *rig) heated() {
	r.t.Helper()
	r.hold(25)
	time.Sleep(40 * time.Minute)
	r.until("on", time.Hour, isOn)
}

func isOn(s Status) bool { return s.On }

func (r *rig) end() {
	r.mu.Lock()
	if r.hang != nil {
		close(r.hang)
		r.hang = nil
	}
	r.mu.Unlock()
	r.stop()
	synctest.Wait()
}

func (r *rig) Note(e Event) {
	r.mu.Lock()
	r.events = append(r.events, e)
	r.mu.Unlock()
}

// Renew, Lease and Close make the rig an output that drops out by itself.
func (r *rig) Renew(_ context.Context, on bool) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.plant(time.Now())
	if r.outErr != nil {
		return r.outErr
	}
	r.renewedAt, r.renewedOn = time.Now(), on
	return nil
}

func (r *rig) Lease() time.Duration { return lease }
func (r *rig) Close() error {
	err := r.Renew(context.Background(), false)
	r.closed = true
	return err
}

// on is whether heat is asked of the relay at a moment.
func (r *rig) onAt(t time.Time) bool { return r.renewedOn && t.Sub(r.renewedAt) < lease }

func (r *rig) isOn() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.onAt(time.Now())
}

// plant takes the tent on, in steps of a second.
func (r *rig) plant(to time.Time) {
	for ; r.at.Before(to); r.at = r.at.Add(time.Second) {
		q := 0.0
		if r.stuckOn || r.onAt(r.at) {
			q = r.heaterW
		}
		r.air += (q - 30*(r.air-8) - 22*(r.air-r.pan)) / 24e3
		r.pan += 22 * (r.air - r.pan) / 32e3
	}
}

func (r *rig) health(id string) (sensors.Health, bool) {
	r.mu.Lock()
	hang, boom := r.hang, r.panicNext
	r.mu.Unlock()
	if boom {
		panic("a bug")
	}
	if hang != nil {
		<-hang
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	now := time.Now()
	r.plant(now)
	p := r.probes[id]
	if p == nil {
		return sensors.Health{}, false
	}
	if p.h.State = "ok"; p.state != "" {
		p.h.State = p.state
	}
	if !p.frozen && p.state == "" && now.Sub(p.h.LastAt) >= p.h.Every {
		c := map[string]float64{"panel": r.pan, "limit": r.air, "air": r.air, "shed": 8}[id] + p.add
		if p.fixed != nil {
			c = *p.fixed
		}
		p.h.Taken++
		p.h.LastAt = now
		p.h.Last = sensors.Reading{Probe: id, At: now, Temp: sensors.Some(c)}
		if id == "air" {
			p.h.Last.RH = sensors.Some(45)
		}
	}
	return p.h, true
}

func (r *rig) set(f func()) {
	r.mu.Lock()
	f()
	r.mu.Unlock()
}

// until waits for a condition, at most so long.
func (r *rig) until(what string, most time.Duration, ok func(Status) bool) {
	r.t.Helper()
	for t0 := time.Now(); time.Since(t0) < most; time.Sleep(time.Second) {
		synctest.Wait()
		if ok(r.loop.Status()) {
			return
		}
	}
	r.t.Fatalf("not %s within %v: %+v", what, most, r.loop.Status())
}

func (r *rig) hold(c float64) {
	r.t.Helper()
	if err := r.loop.Hold("somebody", c); err != nil {
		r.t.Fatal(err)
	}
	synctest.Wait()
}

func (r *rig) saveRecord(f func(*onRecord)) {
	rec := onRecord{SavedAt: time.Now(), Trusted: true}
	f(&rec)
	b, err := seal(rec)
	if err != nil {
		r.t.Fatal(err)
	}
	if err := writeFile(r.dir+"/"+OnTimeFile, b); err != nil {
		r.t.Fatal(err)
	}
}

// states are the situations that each fault is injected in.
var states = []struct {
	name  string
	reach func(r *rig)
}{
	{"not asked", func(r *rig) { r.start(); time.Sleep(3 * time.Minute) }},
	{"settling", func(r *rig) { r.start(); r.hold(20); time.Sleep(12 * time.Second) }},
	{"warming", func(r *rig) {
		r.start()
		r.hold(20)
		r.until("on", 30*time.Minute, isOn)
	}},
	{"long warming", func(r *rig) {
		r.start()
		r.hold(25)
		time.Sleep(40 * time.Minute)
		r.until("on", 20*time.Minute, isOn)
	}},
	{"resting in its cycle", func(r *rig) {
		r.start()
		r.hold(20)
		r.until("on", 30*time.Minute, isOn)
		r.until("resting", 30*time.Minute, func(s Status) bool { return !s.On })
	}},
	{"warm enough", func(r *rig) {
		r.set(func() { r.pan, r.air = 24, 24 })
		r.start()
		r.hold(15)
		time.Sleep(3 * time.Minute)
	}},
	{"solvent in use", func(r *rig) {
		r.start()
		r.hold(20)
		r.until("on", 30*time.Minute, isOn)
		r.loop.UseSolvent("somebody")
		time.Sleep(time.Minute)
	}},
	{"off by hand", func(r *rig) {
		r.start()
		r.hold(20)
		r.until("on", 30*time.Minute, isOn)
		r.loop.Off("somebody", "enough")
		time.Sleep(time.Minute)
	}},
	{"coming back after a power cut", func(r *rig) {
		at := time.Now().Add(-10 * time.Minute)
		r.saveRecord(func(x *onRecord) { x.On, x.OnAt, x.WishC, x.Resume = true, &at, ptr(20), true })
		r.start()
		time.Sleep(2 * time.Minute)
		if w := r.loop.Status().Why; w != Resuming {
			r.t.Fatalf("why = %s, want resuming", w)
		}
	}},
	{"on-time used up", func(r *rig) {
		r.saveRecord(func(x *onRecord) {
			for i := range 20 {
				x.HoursS[i] = 3600
			}
		})
		r.start()
		r.hold(20)
		time.Sleep(2 * time.Minute)
		if w := r.loop.Status().Why; w != OnTimeLimit {
			r.t.Fatalf("why = %s, want daily_limit", w)
		}
	}},
	{"latched", func(r *rig) {
		r.start()
		r.hold(20)
		r.until("on", 30*time.Minute, isOn)
		r.set(func() { r.probes["air"].fixed = ptr(46) })
		time.Sleep(30 * time.Second)
		r.set(func() { r.probes["air"].fixed = nil })
		if !r.loop.Status().Latched {
			r.t.Fatal("not latched")
		}
	}},
	{"a probe already missing", func(r *rig) {
		r.start()
		r.hold(20)
		r.until("on", 30*time.Minute, isOn)
		r.set(func() { r.probes["panel"].state = "missing" })
		time.Sleep(time.Minute)
	}},
	{"following a plan", func(r *rig) {
		now := time.Now()
		r.profile = &Profile{Points: []Point{{now, 12}, {now.Add(4 * time.Hour), 28}}, Until: now.Add(10 * time.Hour)}
		r.start()
		r.hold(15)
		r.until("on", 60*time.Minute, func(s Status) bool { return s.On && s.Planned })
	}},
}

// faults are everything that may go wrong, and what must be said of it where
// heat was wanted and nothing else was wrong before.
var faults = []struct {
	name   string
	why    Reason
	inject func(r *rig)
}{
	{"panel probe missing", ProbeMissing, func(r *rig) { r.probes["panel"].state = "missing" }},
	{"panel probe stops unsaid", ProbeStale, func(r *rig) { r.probes["panel"].frozen = true }},
	{"panel probe stuck", ProbeStuck, func(r *rig) { r.probes["panel"].state = "stuck" }},
	{"panel probe implausible", ProbeImplausible, func(r *rig) { r.probes["panel"].state = "implausible" }},
	{"panel probe forgotten", ProbeMissing, func(r *rig) { delete(r.probes, "panel") }},
	{"panel probe no longer wired", ProbeNotWired, func(r *rig) { r.probes["panel"].h.Wired = false }},
	{"limit probe missing", ProbeMissing, func(r *rig) { r.probes["limit"].state = "missing" }},
	{"limit probe stale", ProbeStale, func(r *rig) { r.probes["limit"].state = "stale" }},
	{"limit probe stops unsaid", ProbeStale, func(r *rig) { r.probes["limit"].frozen = true }},
	{"limit probe stuck", ProbeStuck, func(r *rig) { r.probes["limit"].state = "stuck" }},
	{"limit probe implausible", ProbeImplausible, func(r *rig) { r.probes["limit"].state = "implausible" }},
	{"air probe stops unsaid", ProbeStale, func(r *rig) { r.probes["air"].frozen = true }},
	{"air probe not accepted", ProbeMissing, func(r *rig) { r.probes["air"].state = "waiting" }},
	{"probes disagree", ProbesDisagree, func(r *rig) { r.probes["limit"].add = 30 - r.air + r.pan; r.probes["panel"].fixed = ptr(5) }},
	{"air too hot", OverTemperature, func(r *rig) { r.probes["air"].fixed = ptr(45) }},
	{"panel too hot", OverTemperature, func(r *rig) { r.probes["panel"].fixed, r.probes["panel"].state = ptr(40.5), "" }},
	{"limit probe too hot", OverTemperature, func(r *rig) { r.probes["limit"].fixed = ptr(45.2) }},
	{"heater dead", NoEffect, func(r *rig) { r.heaterW = 0 }},
	{"relay stuck on", "", func(r *rig) { r.stuckOn = true }},
	{"wall clock steps", ClockDoubt, func(r *rig) { r.wallStep += 40 * 24 * time.Hour }},
	{"wall clock steps back", ClockDoubt, func(r *rig) { r.wallStep -= 3 * time.Hour }},
	{"loop hangs", LoopLate, func(r *rig) { r.hang = make(chan struct{}) }},
	{"output does not obey", OutputFault, func(r *rig) { r.outErr = errors.New("no answer") }},
	{"records can't be kept", Records, func(r *rig) { os.RemoveAll(r.dir) }},
}

// TestFaultTable injects every fault in every state. From the fault's stated
// limit on, the heater is off, and stays off for as long as the fault lasts.
func TestFaultTable(t *testing.T) {
	cases, off := 0, 0
	for _, st := range states {
		for _, f := range faults {
			cases++
			t.Run(st.name+"/"+f.name, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r := newRig(t, section())
					st.reach(r)
					defer r.end()
					r.set(func() { f.inject(r) })
					limit, lasts := offWithin(r.sec, f.why, 30*time.Second), 15*time.Minute
					switch f.why {
					case OutputFault:
						limit = lease // an output that takes no word drops out by itself
					case Records:
						limit = onSave + 2*keepWithin // found at the next save
					case ClockDoubt:
						lasts = clockRest - 30*time.Second // then a plain hold goes on
					case NoEffect, "":
						checkShows(t, r, f.why, limit)
						off++
						return
					}
					time.Sleep(limit)
					for range int(lasts / time.Second) {
						synctest.Wait()
						if r.isOn() {
							t.Fatalf("on %v after the fault", limit)
						}
						time.Sleep(time.Second)
					}
					if f.name == "loop hangs" || f.why == Records {
						off++
						return
					}
					s := r.loop.Status()
					if !s.Why.Fault() && (f.why != ClockDoubt || s.WishC.OK()) {
						t.Errorf("why = %s (%s), no fault", s.Why, s.Say)
					}
					if st.name == "warming" && s.Why != f.why {
						t.Errorf("why = %s (%s), want %s", s.Why, s.Say, f.why)
					}
					if f.why == OutputFault && s.Switched == 0 {
						if s.Why != OutputWaiting && !s.Latched {
							t.Errorf("why = %s, want output_waiting before it was ever on", s.Why)
						}
						off++
						return
					}
					if f.why.Latches() && !s.Latched {
						t.Error("not latched")
					}
					off++
				})
			})
		}
	}
	t.Logf("heater off within its stated limit in %d of %d cases", off, cases)
	if off != cases {
		t.Errorf("off in %d of %d cases, want all", off, cases)
	}
}

// checkShows waits for a fault that shows only in what the tent does. A dead
// heater shows once heat is asked for; a stuck relay always, and latches.
func checkShows(t *testing.T, r *rig, why Reason, limit time.Duration) {
	t.Helper()
	if why == "" {
		limit = time.Hour // a choice: the tent is hot by then
	} else {
		limit += SolventRest // in that state heat is asked for only then
	}
	asked := false
	for t0 := time.Now(); time.Since(t0) < limit; time.Sleep(time.Second) {
		synctest.Wait()
		if r.loop.Status().Latched {
			for range 15 * 60 {
				pass(time.Second)
				if r.isOn() {
					t.Fatal("on again, though latched")
				}
			}
			return
		}
		asked = asked || r.isOn()
	}
	if asked || why == "" {
		t.Fatalf("not latched within %v: %+v", limit, r.loop.Status())
	}
}
