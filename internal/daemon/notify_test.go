// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/testkit"
	"curewright/sensors/shopsim"
)

// Pings come while every part makes progress, stop while one is stuck, and
// come back.
func TestSupervisor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// The bubble orders what these two goroutines do; the race detector
		// wants a lock to see it.
		var mu sync.Mutex
		locked := func(f func()) { mu.Lock(); defer mu.Unlock(); f() }
		var sent []string
		var late []string
		dumps := 0
		s := &supervisor{
			send: func(state string) (bool, error) {
				locked(func() { sent = append(sent, state) })
				return true, nil
			},
			every: 30 * time.Second,
			stuck: func() (out []string) { locked(func() { out = stuckParts(late) }); return out },
			words: func() string { return "3 of 3 probes read" },
			dump:  func() { locked(func() { dumps++ }) },
			log:   slog.New(slog.DiscardHandler),
		}
		pings := func(d time.Duration) int {
			locked(func() { sent = nil })
			time.Sleep(d)
			synctest.Wait()
			n := 0
			for _, m := range sent {
				if slices.Contains(strings.Split(m, "\n"), "WATCHDOG=1") {
					n++
				}
			}
			return n
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- s.run(ctx) }()
		synctest.Wait()
		if len(sent) != 1 || sent[0] != "READY=1\nSTATUS=3 of 3 probes read" {
			t.Fatalf("at the start %q", sent)
		}
		if n := pings(10 * time.Minute); n != 20 {
			t.Errorf("%d pings in 10 min at one each 30 s, want 20", n)
		}
		// A full card is not mended by a restart, which would throw away what
		// waits in memory.
		locked(func() { late = []string{"store: disk full"} })
		if n := pings(2 * time.Minute); n != 4 {
			t.Errorf("%d pings in 2 min with a full card, want 4", n)
		}
		locked(func() { late = []string{"estimator: silent for 2m0s", "store: disk full"} })
		if n := pings(10 * time.Minute); n != 0 {
			t.Errorf("%d pings while the estimator is stuck, want none", n)
		}
		if last := sent[len(sent)-1]; last != "STATUS=stuck: estimator: silent for 2m0s" {
			t.Errorf("status %q", last)
		}
		if dumps != 1 {
			t.Errorf("%d dumps in one hang, want 1", dumps)
		}
		locked(func() { late = nil })
		if n := pings(time.Minute); n != 2 {
			t.Errorf("%d pings in the minute after, want 2", n)
		}
		locked(func() { sent = nil })
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("ended with %v", err)
		}
		if !slices.Equal(sent, []string{"STOPPING=1"}) {
			t.Errorf("at the end %q", sent)
		}
	})
}

// Without a watchdog in the unit there are words and no pings.
func TestSupervisorWithoutWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var sent []string
		s := &supervisor{
			send:  func(state string) (bool, error) { sent = append(sent, state); return true, nil },
			stuck: func() []string { return nil }, words: func() string { return "x" }, log: slog.New(slog.DiscardHandler),
		}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
		defer cancel()
		_ = s.run(ctx)
		if all := strings.Join(sent, "\n"); strings.Contains(all, "WATCHDOG") || !strings.Contains(all, "STATUS=x") {
			t.Errorf("sent %q", sent)
		}
	})
}

// A buzzer whose line the board does not have is called down by itself, also
// where nothing had to sound: on the page, and through the channel that works.
func TestMissingBuzzerIsCalledDown(t *testing.T) {
	cfg := configIn(t.TempDir())
	cfg.Alert.Channels = []alerts.ChannelConfig{{Name: "piezo", Kind: alerts.KindBuzzer, Pin: "GPIO99", Button: "GPIO98"}, {Name: "log", Kind: alerts.KindLog}}
	inBubble(t, cfg, true, func(b *bubble) {
		sim := shopsim.New(shopsim.Config{Seed: 3})
		b.shed(sim, 20*time.Minute)
		var snap web.Snapshot
		testkit.OK(b.t, json.Unmarshal(b.Do("GET", "/api/v1/snapshot", nil, http.StatusOK), &snap))
		i := slices.IndexFunc(snap.Alerts, func(a alerts.Alert) bool { return a.Rule == alerts.ChannelDown && a.Subject == "piezo" })
		if i < 0 || snap.Alerts[i].State != alerts.Firing {
			b.t.Fatalf("with a missing buzzer these are there: %+v", snap.Alerts)
		}
		if want := "Nothing sounds by piezo since 08:00: look at its wire"; !strings.HasPrefix(snap.Alerts[i].Say, want) {
			b.t.Errorf("it says %q, want %q", snap.Alerts[i].Say, want)
		}
		if st := b.d.post.Stats(); !strings.Contains(st["piezo"].LastErr, "GPIO99") || st["log"].Sent == 0 {
			b.t.Errorf("channels: %+v, want the piezo's line named and the log told", st)
		}
	})
}
