// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"slices"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/cardfault"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/sensors"
	"curewright/sensors/shopsim"
)

// dated counts a probe's readings between two times.
func (b *bubble) dated(probe string, from, to time.Time) int {
	b.t.Helper()
	n := 0
	for _, err := range b.d.store.Readings(probe, from, to) {
		testkit.OK(b.t, err)
		n++
	}
	return n
}

// A board without a network is started anew in the middle of a coat, and a
// phone with a wrong year gives it the date. It is asked once more; told so
// twice, nothing is erased by it. The right date later puts all of it right:
// the degree of cure is then what it would have been without the wrong one.
func TestFaultWrongPhoneDate(t *testing.T) {
	if testing.Short() {
		t.Skip("eight simulated hours, four times over")
	}
	run := func(t *testing.T, wrong bool) (alpha float64) {
		dir := t.TempDir()
		var began, ended time.Time
		kept := 0
		inBubble(t, configIn(dir), true, func(b *bubble) {
			sim := shopsim.New(shopsim.Config{Seed: 3})
			began = b.d.Now()
			b.shed(sim, 10*time.Minute)
			b.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
			b.Post("/api/v1/coats", map[string]any{"id": "fill", "panel": "lid", "resin": "slow", "kind": "fill coat", "applied": b.d.Now()})
			b.shed(sim, 3*time.Hour)
			ended = b.d.Now().Add(-time.Second)
			kept = b.dated(shopsim.Panel1, began, ended)
		})
		// The board goes on from the time that it had when it stopped.
		inBubbleFrom(t, configIn(dir), false, 3*time.Hour+10*time.Minute, func(b *bubble) {
			truth := func() time.Time { return b.d.clk.(*wallClock).wall().Add(20 * time.Minute) }
			sim := shopsim.New(shopsim.Config{Seed: 4})
			b.shed(sim, 10*time.Minute)
			before := b.alpha("fill")
			if wrong {
				year2031 := func() time.Time { return truth().AddDate(5, 0, 0) }
				var ask struct {
					Error   web.Faults
					Confirm string
				}
				testkit.OK(b.t, json.Unmarshal(b.Do("POST", "/api/v1/clock", map[string]any{"time": year2031()}, http.StatusConflict), &ask))
				if ask.Confirm != "2031-10-10" || len(ask.Error) != 1 || ask.Error[0].Field != "confirm" {
					b.t.Errorf("asked %+v, want to confirm 2031-10-10", ask)
				}
				if after := b.alpha("fill"); math.Abs(after-before) > 1e-6 || b.d.clockTrusted.Load() {
					b.t.Errorf("a date that was only asked about moved the degree of cure from %.4f to %.4f", before, after)
				}
				// Another date confirmed is not this one.
				b.Do("POST", "/api/v1/clock", map[string]any{"time": year2031(), "confirm": "2030-10-10"}, http.StatusConflict)
				b.Do("POST", "/api/v1/clock", map[string]any{"time": year2031(), "confirm": ask.Confirm}, http.StatusOK)
				b.shed(sim, time.Minute)
				// Five years by a phone's word cure nothing, and permit nothing.
				var v web.CoatView
				testkit.OK(b.t, json.Unmarshal(b.Do("GET", "/api/v1/coats/fill", nil, http.StatusOK), &v))
				if after := b.alpha("fill"); math.Abs(after-before) > .01 {
					b.t.Errorf("a wrong date moved the degree of cure from %.4f to %.4f", before, after)
				}
				if v.State != coat.Unknown || !slices.Contains(v.Estimate.UnknownWhy, coat.Gap) {
					b.t.Errorf("after a wrong date the coat is %+v, want not known", v.Estimate)
				}
			}
			b.shed(sim, 20*time.Minute) // upkeep has been round forty times
			if n := b.dated(shopsim.Panel1, began, ended); n != kept {
				b.t.Errorf("%d readings of before are left, want %d", n, kept)
			}
			if wrong {
				// What is entered meanwhile gets the right date later too.
				b.Post("/api/v1/coats/fill/feels", map[string]any{"at": b.d.Now(), "state": "wet"})
			}
			// It agrees with what the board knows by itself, whatever was confirmed before.
			b.Do("POST", "/api/v1/clock", map[string]any{"time": truth()}, http.StatusOK)
			if !wrong {
				b.Post("/api/v1/coats/fill/feels", map[string]any{"at": b.d.Now(), "state": "wet"})
			}
			b.shed(sim, 10*time.Minute)
			alpha = b.alpha("fill")
			if n := b.dated(shopsim.Panel1, truth().Add(-50*time.Minute), truth()); n < 6*40-3 || n > 6*41+3 {
				b.t.Errorf("%d readings of this start have the right date, want 240 to 246", n)
			}
			if n := b.dated(shopsim.Panel1, truth().AddDate(1, 0, 0), time.Time{}); n != 0 {
				b.t.Errorf("%d readings are still dated 2031", n)
			}
			w, err := b.d.work(b.t.Context())
			if err != nil || len(w.Feels) != 1 || w.Feels[0].At.Sub(truth().Add(-10*time.Minute)).Abs() > 15*time.Second {
				b.t.Errorf("finger tests %+v, want one ten minutes ago (%v)", w.Feels, err)
			}
		})
		return alpha
	}
	want := run(t, false)
	got := run(t, true)
	if math.Abs(got-want) > 1e-3 {
		t.Errorf("degree of cure after a wrong date and the right one %.5f, with the right one alone %.5f", got, want)
	}
}

// A phone that is hours off, as with a wrong zone set by hand. A date by which the
// board was started before its last record is asked about, and one by which a
// coat cured on for long; the true one is not, also after a wrong one was
// confirmed, and the cure is then what it is without that.
func TestFaultPhoneHoursOff(t *testing.T) {
	const off = 20 * time.Minute // the power was away
	run := func(t *testing.T, coatOpen bool, wrong ...time.Duration) (alpha float64, asked []string) {
		dir := t.TempDir()
		inBubble(t, configIn(dir), true, func(b *bubble) {
			sim := shopsim.New(shopsim.Config{Seed: 3})
			b.shed(sim, 10*time.Minute)
			b.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
			if coatOpen {
				b.Post("/api/v1/coats", map[string]any{"id": "fill", "panel": "lid", "resin": "slow", "kind": "fill coat", "applied": b.d.Now()})
			}
			b.shed(sim, time.Hour)
		})
		inBubbleFrom(t, configIn(dir), false, 70*time.Minute, func(b *bubble) {
			truth := func() time.Time { return b.d.clk.(*wallClock).wall().Add(off) }
			sim := shopsim.New(shopsim.Config{Seed: 4})
			b.shed(sim, 10*time.Minute)
			for _, w := range wrong {
				body, err := json.Marshal(map[string]any{"time": truth().Add(w)})
				testkit.OK(b.t, err)
				code, answer := b.Raw("POST", "/api/v1/clock", body)
				if code == http.StatusOK {
					asked = append(asked, "")
					continue
				}
				var ask struct {
					Error   web.Faults
					Confirm string
				}
				if err := json.Unmarshal(answer, &ask); err != nil || code != http.StatusConflict || len(ask.Error) != 1 {
					b.t.Fatalf("%d %s, %v", code, answer, err)
				}
				asked = append(asked, ask.Error[0].What)
				b.Do("POST", "/api/v1/clock", map[string]any{"time": truth().Add(w), "confirm": ask.Confirm}, http.StatusOK)
				b.shed(sim, time.Minute)
			}
			b.Do("POST", "/api/v1/clock", map[string]any{"time": truth()}, http.StatusOK)
			b.shed(sim, (20-time.Duration(len(wrong)))*time.Minute)
			if coatOpen {
				alpha = b.alpha("fill")
			}
			if n := b.dated(shopsim.Panel1, truth().Add(-40*time.Minute), truth()); n < 6*29 || n > 6*31 {
				b.t.Errorf("%d readings of this start have the right date, want 180", n)
			}
		})
		return alpha, asked
	}
	want, asked := run(t, true, 0)
	if asked[0] != "" {
		t.Errorf("the true time is asked about: %q", asked[0])
	}
	got, asked := run(t, true, 3*time.Hour, -2*time.Hour)
	for i, w := range []string{
		"By this clock the board was off for 3 h 20 min, from 09:09 to 12:29, and what was laid cured on meanwhile. Is it 12:40 now?",
		"By this clock the board was started at 07:29, which is 1 h 40 min before its last record, of 09:09. One of the two is wrong. Is it 07:41 now?",
	} {
		if asked[i] != w {
			t.Errorf("asked %q, want %q", asked[i], w)
		}
	}
	if math.Abs(got-want) > 1e-3 {
		t.Errorf("degree of cure after wrong times and the right one %.5f, with the right one alone %.5f", got, want)
	}
	// Where no coat is open the hours cure nothing.
	if _, asked := run(t, false, 3*time.Hour); asked[0] != "" {
		t.Errorf("without a coat it is asked %q", asked[0])
	}
}

// The kernel's date, once a network keeps it right, replaces a phone's.
func TestKernelReplacesPhoneDate(t *testing.T) {
	inBubble(t, configIn(t.TempDir()), false, func(b *bubble) {
		sim := shopsim.New(shopsim.Config{Seed: 3})
		b.shed(sim, 10*time.Minute)
		b.Do("POST", "/api/v1/clock", map[string]any{"time": b.d.Now().AddDate(0, 0, -200)}, http.StatusOK)
		b.shed(sim, 10*time.Minute)
		b.sync.Store(true)
		b.shed(sim, 2*time.Minute)
		if d := time.Since(b.d.Now()).Abs(); d > time.Second {
			b.t.Errorf("the daemon is %v off the kernel's time", d)
		}
		if n := b.dated(shopsim.Panel1, time.Now().Add(-time.Hour), time.Now()); n < 6*22-3 {
			b.t.Errorf("%d readings have the kernel's date, want 132", n)
		}
		b.Do("POST", "/api/v1/clock", map[string]any{"time": time.Now().AddDate(0, 0, -200)}, http.StatusConflict)
	})
}

// Before anything is kept the first date is taken as it is; another one far from
// it is asked about.
func TestSecondDateIsAskedAbout(t *testing.T) {
	inBubble(t, configIn(t.TempDir()), false, func(b *bubble) {
		now := time.Now().Add(time.Hour)
		b.Do("POST", "/api/v1/clock", map[string]any{"time": now}, http.StatusOK)
		b.Do("POST", "/api/v1/clock", map[string]any{"time": now.AddDate(5, 0, 0)}, http.StatusConflict)
		b.Do("POST", "/api/v1/clock", map[string]any{"time": now.Add(time.Minute)}, http.StatusOK)
	})
}

// A coat entered while the date is not known, the service started again, and
// the clock set meanwhile: the coat and the readings get their date at the
// start, and keep it over the next boot.
func TestRestartBeforeTheDateIsKnown(t *testing.T) {
	for name, full := range map[string]bool{"room on the card": false, "card full at the restart": true} {
		t.Run(name, func(t *testing.T) {
			cardfault.Set(nil)
			defer cardfault.Set(nil)
			cfg := configIn(t.TempDir())
			begin := time.Now()
			start := func(boot string, trusted bool, now func() time.Time) *Daemon {
				t.Helper()
				clk := &wallClock{wall: now, boot: func() time.Duration { return time.Since(begin) }}
				d, err := New(Options{Config: cfg, Clock: clk, Log: testkit.NoLog(), ClockTrusted: trusted, Zone: time.UTC,
					Boot: boot, Uptime: func() time.Duration { return time.Since(begin) + time.Hour }, Synced: func() bool { return trusted }})
				testkit.OK(t, err)
				return d
			}
			truth := func() time.Time { return time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC).Add(time.Since(begin)) }
			d := start("boot-1", false, func() time.Time { return truth().AddDate(-2, 0, 0) })
			ctx := t.Context()
			for i := range 60 {
				d.store.Append([]sensors.Reading{{Probe: "panel-1", At: time.Now().Add(time.Duration(i-60) * time.Second), Temp: sensors.Some(18)}})
			}
			create(t, d, "panel", `{"id":"lid","probe":"panel-1"}`)
			create(t, d, "coat", fmt.Sprintf(`{"id":"tack","panel":"lid","resin":"medium","kind":"tack coat","applied":%q}`, d.Now().Format(time.RFC3339Nano)))
			testkit.OK(t, d.store.Close())
			if full {
				cardfault.Refuse(cardfault.ErrFull, cardfault.Write)
			}
			d = start("boot-1", true, truth)
			if full {
				cardfault.Set(nil)
				d.watchSync(ctx)
			}
			check := func(d *Daemon) {
				t.Helper()
				w, err := d.work(ctx)
				if err != nil || len(w.Coats) != 1 || w.Coats[0].Applied.Sub(truth()).Abs() > time.Minute {
					t.Errorf("the coat is of %+v, want %v (%v)", w.Coats, truth(), err)
				}
				n := 0
				for r, err := range d.store.Readings("panel-1", time.Time{}, time.Time{}) {
					if err != nil || truth().Sub(r.At).Abs() > 5*time.Minute {
						t.Fatalf("reading %v, %v", r, err)
					}
					n++
				}
				if n != 60 {
					t.Errorf("%d readings, want 60", n)
				}
			}
			check(d)
			testkit.OK(t, d.store.Close())
			d = start("boot-2", true, truth)
			check(d)
			testkit.OK(t, d.store.Close())
		})
	}
}
