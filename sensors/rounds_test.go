// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// set16 is a running set of sixteen probes, each read once a second, of which
// the first are slow. took has the moments of each one's readings since began.
func set16(t *testing.T, slow int, forHow time.Duration) (took func() map[string][]time.Duration, stop func()) {
	t.Helper()
	var mu sync.Mutex
	got := map[string][]time.Duration{}
	began := time.Now()
	s := NewSet(IntakeConfig{}, func(r Reading) {
		mu.Lock()
		defer mu.Unlock()
		got[r.Probe] = append(got[r.Probe], time.Since(began))
	})
	for i := range 16 {
		f := &fake{do: func(context.Context, int) (Reading, error) {
			if i < slow {
				time.Sleep(forHow)
			}
			return good(20)
		}}
		must(t, s.Add(PollerConfig{ID: string(rune('a' + i)), Probe: f, Every: time.Second}))
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	return func() map[string][]time.Duration {
			mu.Lock()
			defer mu.Unlock()
			out := map[string][]time.Duration{}
			for id, at := range got {
				out[id] = append([]time.Duration(nil), at...)
			}
			return out
		}, func() {
			cancel()
			if err := <-done; !errors.Is(err, context.Canceled) {
				t.Errorf("Run = %v", err)
			}
		}
}

// However slow some are, even past their deadline, the others are read in time.
func TestSlowProbesDelayNobody(t *testing.T) {
	for _, forHow := range []time.Duration{750 * time.Millisecond, time.Hour} {
		synctest.Test(t, func(t *testing.T) {
			took, stop := set16(t, 5, forHow)
			time.Sleep(10*time.Second + 500*time.Millisecond)
			synctest.Wait()
			for id, at := range took() {
				if id < "f" {
					continue
				}
				if len(at) != 11 {
					t.Errorf("slow for %v: %s was read %d times in ten seconds", forHow, id, len(at))
					continue
				}
				for i, d := range at {
					if late := d - time.Duration(i)*time.Second; late < 0 || late > 5*patience {
						t.Errorf("slow for %v: %s: reading %d came %v after its turn", forHow, id, i, late)
					}
				}
			}
			stop()
			time.Sleep(time.Hour) // the slow ones come back
		})
	}
}

// A probe that is found later is read at once, and from then on when the
// others are: the board wakes once for all.
func TestLaterProbeSharesTheTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var at []time.Duration
		began := time.Now()
		s := NewSet(IntakeConfig{}, func(Reading) {
			mu.Lock()
			defer mu.Unlock()
			at = append(at, time.Since(began))
		})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx) }()
		time.Sleep(3400 * time.Millisecond)
		must(t, s.Add(PollerConfig{ID: "late", Every: 2 * time.Second, Probe: &fake{do: func(context.Context, int) (Reading, error) { return good(20) }}}))
		time.Sleep(5 * time.Second)
		cancel()
		<-done
		want := []time.Duration{3400 * time.Millisecond, 4 * time.Second, 6 * time.Second, 8 * time.Second}
		if len(at) != len(want) {
			t.Fatalf("read at %v, want %v", at, want)
		}
		for i := range want {
			if at[i] != want[i] {
				t.Fatalf("read at %v, want %v", at, want)
			}
		}
	})
}

// Who closes the store after Run must not get another reading.
func TestNoReadingAfterTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		took, stop := set16(t, 16, 300*time.Millisecond)
		time.Sleep(5100 * time.Millisecond) // in the middle of a read
		stop()
		n := len(took()["a"])
		time.Sleep(time.Minute)
		if m := len(took()["a"]); n == 0 || m != n {
			t.Errorf("%d readings at the end, %d a minute after", n, m)
		}
	})
}

// The kernel's files are read as the os package reads them, faults too.
func TestFilesAsTheOSReadsThem(t *testing.T) {
	dir := t.TempDir()
	for name, size := range map[string]int{"empty": 0, "short": 75, "buffer": 512, "long": 1300} {
		must(t, os.WriteFile(filepath.Join(dir, name), []byte(strings.Repeat("x", size)), 0o600))
	}
	ours, theirs := Files(dir), os.DirFS(dir)
	for _, name := range []string{"empty", "short", "buffer", "long", "none", "../etc/passwd", ".", "short/below"} {
		a, aerr := fs.ReadFile(ours, name)
		b, berr := fs.ReadFile(theirs, name)
		if string(a) != string(b) || (aerr == nil) != (berr == nil) || errors.Is(aerr, fs.ErrNotExist) != errors.Is(berr, fs.ErrNotExist) {
			t.Errorf("%s: %q, %v; the os package: %q, %v", name, a, aerr, b, berr)
		}
	}
}

// A deadline is armed even if the patience with the round ran out in the moment
// between choosing a probe and beginning its read.
func TestHungReadIsLateWithoutATakeOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{do: func(ctx context.Context, _ int) (Reading, error) {
			<-ctx.Done()
			return Reading{}, ctx.Err()
		}}
		p, err := NewPoller(PollerConfig{ID: "a", Probe: f, Every: time.Second}, func(Reading) {})
		must(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		p.limit() // too early: the read has not begun
		for range 5 {
			go p.turn(ctx)
			time.Sleep(time.Second)
		}
		synctest.Wait()
		if h := p.Health(); h.Reason != "timeout" {
			t.Errorf("reason %q after 5 s with a deadline of %v", h.Reason, p.cfg.Deadline)
		}
	})
}
