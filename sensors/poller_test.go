// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"curewright/model/words"
)

// must ends the test at an error.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// fake is a probe whose behaviour a test sets.
type fake struct {
	reads, inside, most atomic.Int32
	do                  func(ctx context.Context, n int) (Reading, error)
}

func (f *fake) Read(ctx context.Context) (Reading, error) {
	n := int(f.reads.Add(1))
	in := f.inside.Add(1)
	defer f.inside.Add(-1)
	if in > f.most.Load() {
		f.most.Store(in)
	}
	return f.do(ctx, n)
}

func good(c float64) (Reading, error) { return Reading{At: time.Now(), Temp: Some(c)}, nil }

// run starts a poller in the bubble and returns what it took so far.
func run(t *testing.T, c PollerConfig) (*Poller, func() []Reading) {
	t.Helper()
	if c.ID == "" {
		c.ID = "p"
	}
	var mu sync.Mutex
	var got []Reading
	p, err := NewPoller(c, func(r Reading) {
		mu.Lock()
		defer mu.Unlock()
		got = append(got, r)
	})
	must(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("Run = %v", err)
		}
	})
	return p, func() []Reading {
		mu.Lock()
		defer mu.Unlock()
		return slices.Clone(got)
	}
}

func TestPollerKeepsItsInterval(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{do: func(context.Context, int) (Reading, error) {
			time.Sleep(700 * time.Millisecond) // a conversion does not stretch the interval
			return good(20)
		}}
		p, got := run(t, PollerConfig{Probe: f, Every: 10 * time.Second})
		time.Sleep(time.Hour + time.Second)
		synctest.Wait()
		if n := len(got()); n != 361 { // at once, then each ten seconds for an hour
			t.Errorf("%d readings in an hour", n)
		}
		if h := p.Health(); h.State != "ok" || h.Taken != 361 || h.Stale != 30*time.Second {
			t.Errorf("health %+v", h)
		}
		if got()[0].Probe != "p" {
			t.Errorf("probe %q", got()[0].Probe)
		}
	})
}

// A read that never returns: missing after the deadline, no second read behind
// it, stale as the limit says.
func TestPollerHungRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		f := &fake{do: func(_ context.Context, n int) (Reading, error) {
			if n == 3 {
				<-release // does not even look at its context
				return good(99)
			}
			return good(20)
		}}
		p, got := run(t, PollerConfig{Probe: f, Every: 10 * time.Second, Deadline: 2 * time.Second})
		time.Sleep(23 * time.Second)
		synctest.Wait()
		h := p.Health()
		if h.Reason != "timeout" || h.Errors["timeout"] != 1 || h.State != "ok" {
			t.Errorf("after the deadline: %+v", h)
		}
		time.Sleep(18 * time.Second) // 31 s after the last good one at 10 s
		if h := p.Health(); h.State != "missing" {
			t.Errorf("past the stale limit: state %s", h.State)
		}
		if r, ok := p.Health().Now(time.Now()); ok {
			t.Errorf("a stale reading passes for the present: %+v", r)
		}
		time.Sleep(time.Hour)
		if n := f.reads.Load(); n != 3 {
			t.Errorf("%d reads begun while one hung", n)
		}
		close(release)
		time.Sleep(11 * time.Second)
		synctest.Wait()
		if h := p.Health(); h.State != "ok" || h.Last.Temp != Some(20) {
			t.Errorf("after it came back: %+v", h)
		}
		for _, r := range got() {
			if r.Temp == Some(99) {
				t.Error("the value that came after its deadline was taken")
			}
		}
		if f.most.Load() != 1 {
			t.Errorf("%d reads at once", f.most.Load())
		}
	})
}

func TestPollerReopens(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := make(chan struct{})
		defer close(block)
		hung := &fake{do: func(context.Context, int) (Reading, error) { <-block; return Reading{}, ErrBus }}
		fine := &fake{do: func(context.Context, int) (Reading, error) { return good(18) }}
		opened := 0
		p, got := run(t, PollerConfig{
			Probe: hung, Every: 10 * time.Second, HangsToReopen: 3,
			Reopen: func(context.Context) (Probe, error) {
				if opened++; opened == 1 {
					return nil, ErrAbsent // the first try fails; the next turns try the old one
				}
				return fine, nil
			},
		})
		time.Sleep(35 * time.Second)
		synctest.Wait()
		if opened != 1 || p.Health().Reason != "absent" {
			t.Errorf("opened %d, %+v", opened, p.Health())
		}
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if opened != 2 || len(got()) == 0 {
			t.Errorf("opened %d times, %d readings", opened, len(got()))
		}
		if h := p.Health(); h.State != "ok" {
			t.Errorf("state %s: %s", h.State, h.Why)
		}
	})
}

// However often a probe hangs, the goroutines left behind are bounded.
func TestPollerLeavesFewBehind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := make(chan struct{})
		defer close(block)
		f := &fake{do: func(context.Context, int) (Reading, error) { <-block; return Reading{}, ErrBus }}
		run(t, PollerConfig{Probe: f, Every: time.Second, Reopen: func(context.Context) (Probe, error) { return f, nil }})
		time.Sleep(24 * time.Hour)
		if n := f.inside.Load(); n > maxAbandoned+1 {
			t.Errorf("%d reads hang", n)
		}
	})
}

// Errors in a row space the reads out, to a minute; one good read ends that.
func TestPollerBacksOffAndFindsItAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var there atomic.Bool
		var mu sync.Mutex
		var at []time.Duration
		start := time.Now()
		f := &fake{do: func(context.Context, int) (Reading, error) {
			mu.Lock()
			at = append(at, time.Since(start))
			mu.Unlock()
			if !there.Load() {
				return Reading{Temp: Some(0)}, ErrAbsent // a value beside an error
			}
			return good(20)
		}}
		p, got := run(t, PollerConfig{Probe: f, Every: 5 * time.Second})
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if h := p.Health(); h.State != "missing" || h.Reason != "absent" || h.Taken != 0 || h.Last.Temp.OK() {
			t.Errorf("never there: %+v", h)
		}
		mu.Lock()
		for i := 1; i < len(at); i++ {
			gap := at[i] - at[i-1]
			if i > 8 && gap != time.Minute {
				t.Errorf("read %d after %v, want the cap of a minute", i, gap)
			}
			if i < 3 && gap != 5*time.Second {
				t.Errorf("read %d after %v: a lone fault must not slow the next", i, gap)
			}
		}
		mu.Unlock()
		there.Store(true)
		time.Sleep(time.Minute)
		synctest.Wait()
		if len(got()) == 0 {
			t.Fatal("not found within a minute of being plugged in")
		}
		n := len(got())
		time.Sleep(time.Minute)
		synctest.Wait()
		if len(got())-n != 12 {
			t.Errorf("%d readings in the minute after", len(got())-n)
		}
	})
}

// One lost reading is not a lost probe.
func TestPollerRidesOverOneFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{do: func(_ context.Context, n int) (Reading, error) {
			if n == 2 {
				return Reading{}, ErrChecksum
			}
			return good(20)
		}}
		p, _ := run(t, PollerConfig{Probe: f, Every: 10 * time.Second})
		time.Sleep(15 * time.Second)
		synctest.Wait()
		if h := p.Health().In(words.View{}); h.State != "ok" || h.Errors["checksum"] != 1 || h.Err == "" || h.Hint == "" {
			t.Errorf("%+v", h)
		}
	})
}

func TestPollerSurvivesAPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{do: func(_ context.Context, n int) (Reading, error) {
			if n == 1 {
				panic("index out of range")
			}
			return good(20)
		}}
		p, got := run(t, PollerConfig{Probe: f})
		time.Sleep(11 * time.Second)
		synctest.Wait()
		if len(got()) != 1 || p.Health().Errors["other"] != 1 {
			t.Errorf("%d readings, %+v", len(got()), p.Health())
		}
	})
}

// One probe's fault is that probe's alone.
func TestSetKeepsFaultsApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := make(chan struct{})
		defer close(block)
		var n atomic.Int32
		s := NewSet(IntakeConfig{}, func(r Reading) {
			if r.Probe == "good" {
				n.Add(1)
			} else {
				t.Errorf("reading of %s", r.Probe)
			}
		})
		add := func(id string, do func(context.Context, int) (Reading, error)) {
			must(t, s.Add(PollerConfig{ID: id, Probe: &fake{do: do}, Every: 10 * time.Second}))
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		synctest.Wait()
		add("hung", func(context.Context, int) (Reading, error) { <-block; return Reading{}, ErrBus })
		add("gone", func(context.Context, int) (Reading, error) { return Reading{}, ErrAbsent })
		add("mad", func(context.Context, int) (Reading, error) { panic("mad") })
		add("good", func(context.Context, int) (Reading, error) { return good(20) })
		time.Sleep(10*time.Minute + time.Second)
		synctest.Wait()
		if n.Load() != 61 {
			t.Errorf("%d readings of the good probe", n.Load())
		}
		want := map[string]string{"good": "ok", "hung": "missing", "gone": "missing", "mad": "missing"}
		for _, h := range s.Health() {
			if h.State != want[h.Probe] {
				t.Errorf("%s is %s, want %s", h.Probe, h.State, want[h.Probe])
			}
		}
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("Run = %v", err)
		}
	})
}

// A board that boots in 1970 and is told the date by its person: the probe
// must not be missing for being fifty years old.
func TestPollerOnACorrectedClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var off atomic.Int64
		clock := func() time.Time { return time.Now().Add(time.Duration(off.Load())) }
		f := &fake{do: func(_ context.Context, n int) (Reading, error) { return good(20 + .1*float64(n)) }}
		p, _ := run(t, PollerConfig{Probe: f, Now: clock})
		was := Some(0)
		for _, o := range []time.Duration{0, 26 * 365 * 24 * time.Hour, -3 * time.Hour} {
			off.Store(int64(o))
			// After a step back the old reading is in the future until the next.
			time.Sleep(11 * time.Second)
			synctest.Wait()
			h := p.Health()
			if _, ok := h.Now(clock()); !ok || h.State != "ok" {
				t.Errorf("clock set by %v: state %s, last at %v, now %v", o, h.State, h.LastAt, clock())
			}
			if h.Last.Temp == was || clock().Sub(h.LastAt).Abs() > 20*time.Second {
				t.Errorf("clock set by %v: still at %v of %v, now %v", o, h.Last.Temp, h.LastAt, clock())
			}
			was = h.Last.Temp
		}
	})
}

func TestPollerConfigSaysAllFaults(t *testing.T) {
	err := PollerConfig{ID: "shed air", Every: time.Minute, Stale: time.Second, Role: "roof"}.Check()
	if err == nil {
		t.Fatal("no fault found")
	}
	for _, want := range []string{"not a probe name", "no driver", "stale", "role"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in %q", want, err)
		}
	}
}

func TestSetRefusesDoubles(t *testing.T) {
	s := NewSet(IntakeConfig{}, func(Reading) {})
	f := &fake{do: func(context.Context, int) (Reading, error) { return good(1) }}
	must(t, s.Add(PollerConfig{ID: "a", Probe: f}))
	if err := s.Add(PollerConfig{ID: "a", Probe: f}); err == nil {
		t.Error("two probes of one name")
	}
	if _, refused := s.Push(Source{Accept: true}, []Pushed{{Probe: "a", Temp: Some(1)}}); len(refused) != 1 || !errors.Is(refused[0].Err, ErrWired) {
		t.Errorf("a pushed reading stood in for a wired probe: %v", refused)
	}
	if err := s.SetMeta("b", Meta{}); !errors.Is(err, ErrUnknown) {
		t.Errorf("SetMeta of nobody: %v", err)
	}
	if err := s.SetMeta("a", Meta{Role: "roof"}); err == nil {
		t.Error("unknown role taken")
	}
	if err := s.SetMeta("a", Meta{Name: "Air", Role: RoleAir, Panel: "lid"}); err != nil {
		t.Error(err)
	}
	if h, _ := s.Get("a"); h.Name != "Air" || h.Role != RoleAir || h.Panel != "lid" || !h.Accepted {
		t.Errorf("%+v", h)
	}
}

// Reads left behind by reopening come back in the end; then there is room to
// reopen once more, and the probe that has been plugged in anew is read again.
func TestPollerReopensAfterTheAbandonedCameBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		block := make(chan struct{})
		stays := make(chan struct{})
		defer close(stays)
		var opened atomic.Int64
		hang := func(until chan struct{}) *fake {
			return &fake{do: func(context.Context, int) (Reading, error) { <-until; return Reading{}, ErrBus }}
		}
		_, got := run(t, PollerConfig{Probe: hang(block), Every: time.Second, Reopen: func(context.Context) (Probe, error) {
			switch n := opened.Add(1); {
			case n < maxAbandoned:
				return hang(block), nil
			case n == maxAbandoned:
				return hang(stays), nil // the read under way now never ends
			}
			return &fake{do: func(context.Context, int) (Reading, error) { return good(18) }}, nil
		}})
		time.Sleep(time.Hour)
		synctest.Wait()
		if opened.Load() != maxAbandoned || len(got()) != 0 {
			t.Fatalf("opened %d times, %d readings; the test needs %d and none", opened.Load(), len(got()), maxAbandoned)
		}
		close(block)
		time.Sleep(time.Hour)
		synctest.Wait()
		if opened.Load() != maxAbandoned+1 || len(got()) == 0 {
			t.Errorf("opened %d times, %d readings after the old reads came back", opened.Load(), len(got()))
		}
	})
}
