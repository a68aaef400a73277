// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"context"
	"errors"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curewright/internal/testkit"
	"curewright/sensors"
)

// TestResume: after a power cut heat comes back by itself only if everything
// allows it; otherwise it stays off and says so at once.
func TestResume(t *testing.T) {
	ago := func(d time.Duration) *time.Time { x := time.Now().Add(-d); return &x }
	good := func(x *onRecord) { x.On, x.OnAt, x.WishC, x.Resume = true, ago(30*time.Minute), ptr(20), true }
	for name, tt := range map[string]struct {
		rec   func(*onRecord)
		rig   func(*rig)
		comes bool
	}{
		"everything allows it": {good, nil, true},
		"not ticked":           {func(x *onRecord) { good(x); x.Resume = false }, nil, false},
		"too long ago":         {func(x *onRecord) { good(x); x.OnAt = ago(61 * time.Minute) }, nil, false},
		"never on":             {func(x *onRecord) { good(x); x.OnAt = nil }, nil, false},
		"in the future":        {func(x *onRecord) { good(x); x.OnAt = ago(-time.Hour) }, nil, false},
		"latched": {good, func(r *rig) {
			b, _ := seal(latchRecord{Latched: true, Why: OverTemperature, Say: "hot"})
			os.WriteFile(r.dir+"/"+LatchFile, b, 0o644)
		}, false},
		"latch file gone":    {good, func(r *rig) { os.Remove(r.dir + "/" + LatchFile) }, false},
		"clock not known":    {good, func(r *rig) { r.trusted = false }, false},
		"a probe missing":    {good, func(r *rig) { r.probes["limit"].state = "missing" }, false},
		"probe not sound":    {good, func(r *rig) { r.probes["panel"].frozen = true }, false},
		"set point too high": {func(x *onRecord) { good(x); x.WishC = ptr(60) }, nil, false},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, section())
				r.saveRecord(tt.rec)
				if tt.rig != nil {
					tt.rig(r)
				}
				r.start()
				defer r.end()
				t0 := time.Now()
				onAfter := time.Duration(0)
				alerted := false
				for time.Since(t0) < 40*time.Minute {
					pass(time.Second)
					if r.isOn() && onAfter == 0 {
						onAfter = time.Since(t0)
					}
					alerted = alerted || r.loop.Status().Why.Fault()
				}
				if (onAfter > 0) != tt.comes {
					t.Errorf("on after %v, want coming back %v: %+v", onAfter, tt.comes, r.loop.Status())
				}
				if tt.comes && onAfter < 5*time.Minute {
					t.Errorf("on after %v, before the probes were sound for 5 minutes", onAfter)
				}
				if !tt.comes && !alerted {
					t.Error("stays off and says nothing")
				}
			})
		})
	}
}

// TestNeverOnByItself: whatever the files hold, without a person or a ticked
// resume nothing is switched on.
func TestNeverOnByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := running(t, section())
		for range 3600 {
			pass(time.Second)
			if r.isOn() {
				t.Fatal("on, and nobody asked")
			}
		}
	})
}

// TestFiles: a missing or damaged file reads as latched and as the limit of
// on-time, at every byte.
func TestFiles(t *testing.T) {
	dir := t.TempDir()
	now := time.Now()
	if err := Prepare(dir, section().Limits(nil), now); err != nil {
		t.Fatal(err)
	}
	if k := readKept(nil, dir, now, true); k.latch != nil || k.on.Unknown || len(k.notes) != 0 {
		t.Fatalf("prepared files read as %+v", k)
	}
	for _, name := range []string{LatchFile, OnTimeFile} {
		path := dir + "/" + name
		good := testkit.MustRead(t, path)
		refused := func(what string) {
			t.Helper()
			k := readKept(nil, dir, now, true)
			if name == LatchFile && (k.latch == nil || k.latch.Why != LatchUnknown) {
				t.Errorf("%s %s: not latched", name, what)
			}
			if name == OnTimeFile && !k.on.over(24*time.Hour) {
				t.Errorf("%s %s: on-time not at its limit", name, what)
			}
		}
		for i := range good {
			for bit := range 8 {
				bad := append([]byte(nil), good...)
				bad[i] ^= 1 << bit
				if bad[i] == good[i]^0x20 && strings.ContainsRune("abcdefABCDEF", rune(good[i])) && i < 8 {
					continue // the sum in capitals is the same sum
				}
				if i == len(good)-1 {
					continue // the end of line is not part of the record
				}
				os.WriteFile(path, bad, 0o644)
				refused("with a bit turned over")
			}
			os.WriteFile(path, good[:i], 0o644)
			if i != len(good)-1 {
				refused("cut short")
			}
		}
		os.Remove(path)
		refused("missing")
		os.WriteFile(path, good, 0o644)
	}
}

// TestOnTime: the sum over any 24 h, with the board off in between, and never
// less than it was.
func TestOnTime(t *testing.T) {
	var o OnTime
	for range 10 * 3600 { // ten hours at half
		o.advance(time.Second)
		o.add(time.Second / 2)
	}
	if got := o.Total(); got != 5*time.Hour {
		t.Errorf("total = %v, want 5h", got)
	}
	if got := o.Aged(13 * time.Hour).Total(); got != 5*time.Hour {
		t.Errorf("after 13 h off: %v, want 5h still within 24 h", got)
	}
	if got := o.Aged(20 * time.Hour).Total(); got < 2*time.Hour || got > 3*time.Hour {
		t.Errorf("after 20 h off: %v, want 2 to 3 h", got)
	}
	if got := o.Aged(30 * time.Hour).Total(); got != 0 {
		t.Errorf("after 30 h off: %v, want none", got)
	}
	if got := o.Aged(-time.Hour).Total(); got != 5*time.Hour {
		t.Errorf("a clock put back makes it %v", got)
	}
}

// TestRestartKeeps: latch and on-time come through a restart; the on-time
// counts at least what was used.
func TestRestartKeeps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, section())
		r.start()
		r.hold(25)
		time.Sleep(3 * time.Hour)
		used := r.loop.Status().OnTime
		if used < 20*time.Minute {
			t.Fatalf("on for %v in 3 h", used)
		}
		r.set(func() { r.probes["air"].fixed = ptr(46) })
		time.Sleep(time.Minute)
		r.end()
		r.set(func() { r.probes["air"].fixed = nil })
		time.Sleep(time.Hour)
		r.start()
		defer r.end()
		time.Sleep(10 * time.Minute)
		s := r.loop.Status()
		if !s.Latched || s.Why != OverTemperature {
			t.Errorf("after a restart: %+v, want latched", s)
		}
		if s.OnTime < used {
			t.Errorf("on-time = %v after a restart, was %v", s.OnTime, used)
		}
		if err := r.loop.Hold("somebody", 20); err == nil {
			t.Error("a set point is taken while latched")
		}
		if err := r.loop.Release("somebody"); err != nil {
			t.Fatal(err)
		}
		pass(10 * time.Minute)
		if s := r.loop.Status(); s.On || s.Latched || s.WishC.OK() {
			t.Errorf("after the release: %+v, want off and nothing asked", s)
		}
		r.hold(20)
		r.until("on", time.Hour, isOn)
	})
}

// TestPersonsOff: the page's off, the wired switch and solvent act within a
// step; solvent ends by itself after 30 minutes, the others do not.
func TestPersonsOff(t *testing.T) {
	for name, tt := range map[string]struct {
		do    func(*rig)
		comes bool
	}{
		"page":    {func(r *rig) { r.loop.Off("somebody", "enough") }, false},
		"switch":  {func(r *rig) { r.set(func() { r.switchOff = true }) }, false},
		"solvent": {func(r *rig) { r.loop.UseSolvent("somebody") }, true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := running(t, section())
				r.heated()
				tt.do(r)
				pass(6 * time.Second)
				if r.isOn() {
					t.Fatal("on a step later")
				}
				r.set(func() { r.switchOff = false })
				t0, on := time.Now(), time.Duration(0)
				for time.Since(t0) < 50*time.Minute && on == 0 {
					pass(time.Second)
					if r.isOn() {
						on = time.Since(t0)
					}
				}
				if (on > 0) != tt.comes {
					t.Errorf("on after %v, want coming back %v", on, tt.comes)
				}
				if tt.comes && on < SolventRest-10*time.Second {
					t.Errorf("on after %v, within the 30 minutes", on)
				}
			})
		})
	}
}

// TestRecovers: a fault that does not latch lets heat come back once the
// probes have been sound for a minute.
func TestRecovers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := running(t, section())
		r.hold(25)
		time.Sleep(40 * time.Minute)
		r.set(func() { r.probes["limit"].state = "missing" })
		time.Sleep(time.Minute)
		if s := r.loop.Status(); s.Why != ProbeMissing || s.On {
			t.Fatalf("%+v", s)
		}
		r.set(func() { r.probes["limit"].state = "" })
		t0 := time.Now()
		r.until("on", 30*time.Minute, isOn)
		if d := time.Since(t0); d < soundFor {
			t.Errorf("on again after %v, before a minute of sound readings", d)
		}
	})
}

// TestPushedControl: a pushed control probe that lies cold heats the tent no
// further than the wired probe allows.
func TestPushedControl(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sec := section()
		sec.AllowPushedControl = true
		r := newRig(t, sec)
		r.probes["panel"].h.Wired = false
		r.probes["panel"].fixed = ptr(9)
		r.pan = 9
		r.start()
		defer r.end()
		r.hold(18)
		top := 0.0
		for range 6 * 3600 {
			pass(time.Second)
			r.set(func() { top = max(top, r.air) })
		}
		// The wired probe may be 10 K over the ramp's set point, which is at
		// most 5 K over the pushed one; one step of heat more.
		if top > 9+5+10+1.5 {
			t.Errorf("the air reached %.1f °C by a pushed probe that stands at 9 °C", top)
		}
	})
}

// TestClockDoubtKeepsPlainHold: a plan is given up while the clock is not
// trusted, and the plain hold goes on after a rest.
func TestClockDoubtKeepsPlainHold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, section())
		now := time.Now()
		r.profile = &Profile{Points: []Point{{now, 30}}, Until: now.Add(100 * time.Hour)}
		r.start()
		defer r.end()
		r.hold(15)
		time.Sleep(5 * time.Minute)
		if s := r.loop.Status(); !s.Planned || s.AimC != sensors.Some(30) {
			t.Fatalf("plan not followed: %+v", s)
		}
		r.set(func() { r.trusted = false })
		time.Sleep(10 * time.Second)
		if s := r.loop.Status(); s.On || s.Why != ClockDoubt {
			t.Errorf("in doubt: %+v", s)
		}
		time.Sleep(10 * time.Minute)
		if s := r.loop.Status(); s.Why.Fault() || s.Planned || s.AimC != sensors.Some(15) {
			t.Errorf("after the rest: %+v, want the plain hold at 15 °C", s)
		}
	})
}

// TestPanic: a bug in the loop ends it with the heater off, and is not hidden.
func TestPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, section())
		r.start()
		r.heated()
		r.set(func() { r.panicNext = true })
		pass(6 * time.Second)
		if r.isOn() || !r.closed {
			t.Errorf("on = %v, closed = %v after a panic", r.isOn(), r.closed)
		}
		if x := <-r.done; x != "a bug" {
			t.Errorf("Run ended with %v, want the panic", x)
		}
		r.stop()
	})
}

// TestStops: off when the program is told to stop, and said in the history.
func TestStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, section())
		r.start()
		r.heated()
		r.end()
		if r.isOn() || !r.closed {
			t.Errorf("on = %v, closed = %v after the stop", r.isOn(), r.closed)
		}
		if err := <-r.done; !errors.Is(err.(error), context.Canceled) {
			t.Errorf("Run = %v", err)
		}
		ons, offs := 0, 0
		for _, e := range r.events {
			if e.Text == "" || e.Why == "" {
				t.Errorf("event without a reason: %+v", e)
			}
			if strings.HasPrefix(e.Text, "on:") {
				ons++
			} else if strings.HasPrefix(e.Text, "off:") {
				offs++
			}
		}
		if uint64(ons+offs) < r.loop.Status().Switched || ons == 0 {
			t.Errorf("%d switchings on and %d off in the journal, %d made", ons, offs, r.loop.Status().Switched)
		}
	})
}

type fakeLine struct {
	on   atomic.Bool
	sets atomic.Int64
	bad  atomic.Bool
}

func (f *fakeLine) Set(on bool) error {
	f.sets.Add(1)
	if f.bad.Load() {
		return errors.New("line is stuck")
	}
	f.on.Store(on)
	return nil
}

// TestLease: off without renewals, off at the end, and an error where nobody
// keeps it.
func TestLease(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		line := new(fakeLine)
		line.on.Store(true)
		l := NewLease(line, 30*time.Second)
		short, done := context.WithTimeout(t.Context(), time.Second)
		defer done()
		if err := l.Renew(short, true); !errors.Is(err, ErrNoRenewal) {
			t.Errorf("Renew before Run = %v", err)
		}
		ended := make(chan error, 1)
		go func() { ended <- l.Run(ctx) }()
		synctest.Wait()
		if line.on.Load() {
			t.Error("on when it starts")
		}
		if err := l.Renew(t.Context(), true); err != nil {
			t.Fatal(err)
		}
		pass(29 * time.Second)
		if !line.on.Load() {
			t.Error("off before the lease ran out")
		}
		pass(2 * time.Second)
		if line.on.Load() {
			t.Error("still on 31 s after the last renewal")
		}
		line.bad.Store(true)
		l.Renew(t.Context(), true)
		synctest.Wait()
		if l.Err() == nil {
			t.Error("a stuck line is no error")
		}
		line.bad.Store(false)
		l.Renew(t.Context(), true)
		synctest.Wait()
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		if line.on.Load() {
			t.Error("on after Run returned")
		}
	})
}

func TestProfile(t *testing.T) {
	t0 := time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC)
	p := Profile{Points: []Point{{t0, 10}, {t0.Add(2 * time.Hour), 20}}, Until: t0.Add(12 * time.Hour)}
	for _, tt := range []struct {
		min  int
		want float64
		ok   bool
	}{{-1, 0, false}, {0, 10, true}, {60, 15, true}, {120, 20, true}, {600, 20, true}, {720, 0, false}} {
		got, ok := p.At(t0.Add(time.Duration(tt.min) * time.Minute))
		if ok != tt.ok || got != tt.want {
			t.Errorf("after %d min: %g, %v; want %g, %v", tt.min, got, ok, tt.want, tt.ok)
		}
	}
	q := p.BeforeCoat(t0.Add(6*time.Hour), 5)
	was := 99.0
	for m := 6*60 - 90; m < 360; m += 10 {
		c, _ := q.At(t0.Add(time.Duration(m) * time.Minute))
		if c >= was {
			t.Errorf("the set point does not fall before the coat: %g then %g °C", was, c)
		}
		was = c
	}
	if c, _ := q.At(t0.Add(6 * time.Hour)); c != 20 {
		t.Errorf("from the coat on %g °C, want 20", c)
	}
	if err := q.Check(5, 30); err != nil {
		t.Error(err)
	}
	if q.Check(5, 15) == nil || (Profile{}).Check(0, 50) == nil {
		t.Error("a profile outside the file's span, or without corners, passes")
	}
}

// BenchmarkStep holds the loop's step to its budget of a millisecond.
func BenchmarkStep(b *testing.B) {
	sec := section()
	probes := map[string]sensors.Health{}
	for _, id := range []string{"panel", "limit", "air", "shed"} {
		probes[id] = sensors.Health{Probe: id, Wired: true, State: "ok", Stale: time.Hour, LastAt: time.Now(), Last: sensors.Reading{Temp: sensors.Some(15), RH: sensors.Some(60)}}
	}
	dir := b.TempDir()
	if err := Prepare(dir, section().Limits(nil), time.Now()); err != nil {
		b.Fatal(err)
	}
	n := uint64(0)
	l, err := NewLoop(LoopConfig{Section: sec, Output: nullOutput{}, Dir: dir, Probe: func(id string) (sensors.Health, bool) {
		n++
		h := probes[id]
		h.Taken, h.LastAt = n, h.LastAt.Add(time.Duration(n))
		return h, true
	}})
	if err != nil {
		b.Fatal(err)
	}
	if err := l.Hold("bench", 20); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		l.Step()
	}
}

type nullOutput struct{}

func (nullOutput) Renew(context.Context, bool) error { return nil }
func (nullOutput) Lease() time.Duration              { return 30 * time.Second }
func (nullOutput) Close() error                      { return nil }

// TestDailyLimit: over two days with a heater too weak to get there, no 24 h
// have more heat in them than the file allows, and one step.
func TestDailyLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sec := section()
		sec.MaxOnHours, sec.Law, sec.EffectAfter = 3, "two-point", sensors.Duration(2*time.Hour)
		sec.Shed = ""
		r := newRig(t, sec)
		r.heaterW = 400
		r.start()
		defer r.end()
		r.hold(30)
		var on []bool
		const every = 5 // s
		for range 50 * 3600 / every {
			pass(every * time.Second)
			on = append(on, r.isOn())
			if s := r.loop.Status(); s.Latched {
				t.Fatalf("latched: %+v", s)
			}
		}
		const day = 24 * 3600 / every
		sum, most, all := 0, 0, 0
		for i, x := range on {
			if x {
				sum++
				all++
			}
			if i >= day && on[i-day] {
				sum--
			}
			most = max(most, sum)
		}
		if got := time.Duration(most*every) * time.Second; got > 3*time.Hour+time.Minute {
			t.Errorf("on for %v within 24 h, the file allows 3h", got)
		}
		if got := time.Duration(all*every) * time.Second; got < 5*time.Hour {
			t.Errorf("on for %v in 50 h: the limit never lets go", got)
		}
	})
}

// TestQueue: a full queue drops and counts and never blocks; what is left at
// the end is handed on.
func TestQueue(t *testing.T) {
	q := NewQueue(3)
	for i := range 5 {
		q.Note(Event{Text: string(rune('a' + i))})
	}
	if q.Dropped() != 2 {
		t.Errorf("dropped %d, want 2", q.Dropped())
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	got := ""
	if err := q.Run(ctx, func(e Event) { got += e.Text }); !errors.Is(err, context.Canceled) || got != "abc" {
		t.Errorf("Run = %v with %q, want abc", err, got)
	}
}

// FuzzUnseal: no bytes but whole ones read as a record that is not latched.
func FuzzUnseal(f *testing.F) {
	good, err := seal(latchRecord{})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte("00000000 {}\n"))
	f.Add([]byte(""))
	f.Fuzz(func(t *testing.T, b []byte) {
		var r latchRecord
		if unseal(b, &r) != nil {
			return
		}
		again, err := seal(r)
		if err != nil {
			t.Fatal(err)
		}
		var s latchRecord
		if unseal(again, &s) != nil || s.Latched != r.Latched || s.Why != r.Why {
			t.Errorf("%q reads as %+v and back as %+v", b, r, s)
		}
	})
}
