// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/internal/cardfault"
	"curewright/internal/testkit"
	"curewright/sensors"
)

// A card that takes nothing is one alert that wants an act, and not another one
// beside it. Where there is room nobody is sent to make some.
func TestCardThatTakesNothingIsOneAlert(t *testing.T) {
	for _, why := range []error{cardfault.ErrFull, cardfault.ErrIO} {
		cardfault.Set(nil)
		t.Cleanup(func() { cardfault.Set(nil) })
		live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
		cardfault.Refuse(why, cardfault.Write, cardfault.Sync)
		if code, body := live.Raw("POST", "/api/v1/panels", []byte(`{"id":"lid","no_probe":true}`)); code != http.StatusInsufficientStorage {
			t.Errorf("%v: a panel is answered %d %s", why, code, body)
		}
		testkit.OK(t, live.d.Evaluate(t.Context()))
		as := live.d.rules.List(false)
		if len(as) != 1 || as[0].Rule != alerts.StoreFull || as[0].Severity != alerts.Act || !strings.Contains(as[0].Say, "takes nothing, though it has room") {
			t.Errorf("%v: %+v, want one alert that says it", why, as)
		}
		cardfault.Set(nil)
	}
}

// A card that never finishes a sync holds up neither an evaluation, a snapshot, a
// page, an alarm nor /healthz. Each is waited for as an event while the card
// hangs; none of them would ever come if it waited for the card.
func TestHungCardHoldsUpNothing(t *testing.T) {
	cardfault.Set(nil)
	t.Cleanup(func() { cardfault.Set(nil) })
	cfg := configIn(t.TempDir())
	begin := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	clk := NewLapseClock(begin, 1)
	d, err := New(Options{Config: cfg, Clock: clk, Log: testkit.NoLog(), ClockTrusted: true, Zone: time.UTC})
	testkit.OK(t, err)
	ctx := t.Context()
	feed := func(from, to time.Duration) {
		for at := from; at < to; at += time.Minute {
			d.store.Append([]sensors.Reading{{Probe: "panel-1", At: begin.Add(at), Temp: sensors.Some(18.5)}, {Probe: "shed-air", At: begin.Add(at), Temp: sensors.Some(17), RH: sensors.Some(60)}})
		}
	}
	create(t, d, "panel", `{"id":"lid-outer","probe":"panel-1","air":"shed-air","core":"foam","area_m2":1.4}`)
	create(t, d, "coat", `{"id":"tack","panel":"lid-outer","resin":"medium","kind":"tack coat","applied":"2026-10-10T09:00:00Z","next":"cloth"}`)
	feed(0, 3*time.Hour+30*time.Minute)
	clk.Put(begin.Add(3*time.Hour + 30*time.Minute))
	if err := d.store.Compact(ctx); err != nil { // complete hours are on the card only, as far as the file goes
		t.Fatal(err)
	}
	testkit.OK(t, d.Evaluate(ctx))
	loop, renewed := heldLoop(t, d, cfg.Store.Path)
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "test", Log: testkit.NoLog()}, d)
	testkit.OK(t, err)

	// From here on no sync ends.
	hang, stuck := make(chan struct{}), make(chan struct{}, 100)
	var hung atomic.Bool
	cardfault.Set(func(op cardfault.Op, _ string) error {
		if op == cardfault.Sync {
			hung.Store(true)
			select {
			case stuck <- struct{}{}:
			default:
			}
			<-hang
		}
		return nil
	})
	flushed := make(chan error, 1)
	feed(3*time.Hour+30*time.Minute, 4*time.Hour+10*time.Minute)
	go func() { flushed <- d.store.Flush(ctx) }()
	<-stuck

	done := func(what string, f func() error) {
		t.Helper()
		res := make(chan error, 1)
		began := time.Now()
		go func() { res <- f() }()
		select {
		case err := <-res:
			if err != nil {
				t.Errorf("%s: %v", what, err)
			}
			t.Logf("%s: %s", what, time.Since(began).Round(time.Millisecond))
		case <-time.After(20 * time.Second):
			t.Fatalf("%s waits for the card", what)
		}
	}
	clk.Put(begin.Add(4*time.Hour + 10*time.Minute)) // over the hour: what the estimator reads anew is packed
	done("look", func() error { return d.Evaluate(ctx) })
	done("snapshot", func() error { _, err := d.Snapshot(ctx); return err })
	// An alarm is decided, sounded and handed on.
	done("step", func() error {
		ts := d.rules.Step(alerts.Input{Now: d.clk.Now(), ClockTrusted: true, Conditions: []alerts.Condition{{Rule: alerts.TentOff, Severity: alerts.Act}}})
		d.post.Handle(ts)
		return nil
	})
	// The heater's loop comes round, and renews or lets go, as if nothing were.
	done("a wish for heat", func() error { return d.tent.hold.Hold("me", 20) })
	done("the heater's loop", func() error { <-renewed; return nil })
	if s := loop.Status(); s.WishC.OrNaN() != 20 {
		t.Errorf("the tent is held at %v", s.WishC)
	}
	done("heat off", func() error { loop.Off("me", "done"); <-renewed; return nil })
	done("all parts", func() error { d.Ready(ctx); d.conditions(d.clk.Now()); d.StoreStats(); return nil })
	for _, path := range []string{"/healthz", "/api/v1/coats", "/api/v1/alerts", "/api/v1/probes", "/metrics", "/api/v1/settings", "/"} {
		done(path, func() error {
			w, r := httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8374"+path, nil)
			r.RemoteAddr = "127.0.0.1:4000"
			srv.Handler().ServeHTTP(w, r)
			return nil
		})
	}
	select {
	case err := <-flushed:
		t.Fatalf("the card did not hang: the flush ended with %v", err)
	default:
	}
	if !hung.Load() {
		t.Fatal("no sync hung")
	}
	close(hang)
	if err := <-flushed; err != nil {
		t.Errorf("flush once the card works again: %v", err)
	}
	cardfault.Set(nil)
	testkit.OK(t, d.store.Close())
}

// heldLoop is the loop of a heated tent whose two files are on the same card.
// renewed has a turn whenever the output was renewed.
func heldLoop(t *testing.T, d *Daemon, dir string) (loop *heat.Loop, renewed chan struct{}) {
	t.Helper()
	sec := heat.DefaultSection()
	sec.Output, sec.Control, sec.Limit = "relay", "panel-1", "tent-air"
	sec.MaxAirC, sec.MaxPanelC, sec.ThermalCutoffC = new(40.0), new(35.0), new(60.0)
	sec.Relay = heat.RelaySection{Line: "simulated", Watchdog: "none"}
	sec = sec.Defaults()
	renewed = make(chan struct{})
	d.AttachTent(sec, func(note func(heat.Event), profile func() (heat.Profile, bool)) TentHolder {
		q := heat.NewQueue(256)
		var err error
		if loop, err = heat.NewLoop(heat.LoopConfig{Section: sec, Output: nowhere{renewed}, Probe: d.set.Get, Dir: dir, Profile: profile, Journal: q}); err != nil {
			t.Fatal(err)
		}
		go q.Run(t.Context(), note)
		ended := make(chan struct{})
		go func() { defer close(ended); loop.Run(t.Context()) }()
		t.Cleanup(func() { <-ended })
		_, hash, _ := loop.Limits()
		testkit.OK(t, loop.Accept("the test", hash))
		return loop
	})
	return loop, renewed
}

// nowhere is an output without a heater.
type nowhere struct{ renewed chan struct{} }

func (o nowhere) Renew(context.Context, bool) error {
	select {
	case o.renewed <- struct{}{}:
	default:
	}
	return nil
}
func (nowhere) Lease() time.Duration { return time.Minute }
func (nowhere) Close() error         { return nil }
