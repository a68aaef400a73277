// SPDX-License-Identifier: Apache-2.0

package history

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"curewright/internal/cardfault"
	"curewright/sensors"
)

// A date that jumps five years ahead makes nothing old: only as many hours of
// readings as are to be kept, taken at the new date, push out what was before.
func TestJumpedDateErasesNothing(t *testing.T) {
	now := day.Truncate(time.Hour)
	o := Options{Now: func() time.Time { return now }, MaxAge: 100 * time.Hour}
	s := open(t, t.TempDir(), o)
	fill := func(hours int) {
		for range hours * 60 {
			s.Append([]sensors.Reading{reading("panel-1", now, 20)})
			now = now.Add(time.Minute)
		}
	}
	before := now
	fill(72) // 4,320 readings
	s.AddEvent("boot", "", "started", before, "")
	must(t, s.Compact(t.Context()))
	jump := now.AddDate(5, 0, 0)
	now = jump
	for range 10 {
		must(t, s.Upkeep(t.Context()))
		fill(1)
	}
	if got := len(collect(t, s, "panel-1", before, before.Add(72*time.Hour))); got != 4320 {
		t.Errorf("%d readings from before the jump after ten hours at the new date, want all 4320", got)
	}
	fill(18) // 100 hours in all: still as many as are to be kept
	must(t, s.Compact(t.Context()))
	if got := len(collect(t, s, "panel-1", before, before.Add(72*time.Hour))); got != 4320 {
		t.Errorf("%d readings from before with 100 hours in all, want 4320", got)
	}
	fill(5)
	must(t, s.Compact(t.Context()))
	if got := len(collect(t, s, "panel-1", before, before.Add(72*time.Hour))); got != 4320-4*60 { // the 105th waits in the tail
		t.Errorf("%d readings from before with 104 hours packed, want the oldest four gone: %d", got, 4320-4*60)
	}
	// Late readings of other years are kept as well, by amount.
	for _, y := range []int{1999, 2022} {
		old := time.Date(y, 3, 1, 12, 30, 0, 0, time.UTC)
		if n := s.Append([]sensors.Reading{reading("late", old, 7)}); n != 1 {
			t.Errorf("a reading of %d was not taken", y)
		}
	}
	if n := s.Append([]sensors.Reading{reading("late", time.Date(1989, 12, 31, 0, 0, 0, 0, time.UTC), 7)}); n != 0 || s.Stats().Refused != 1 {
		t.Errorf("a reading of 1989: %d taken, %d refused; want 0, 1", n, s.Stats().Refused)
	}
}

// A phone's date that was wrong by years, and the right one later: readings,
// packed and not, and the times of what was entered are as if the wrong date
// had never been; readings of before the boot, and times typed from a
// calendar, stay.
func TestRightDateAfterAWrongOne(t *testing.T) {
	for _, restart := range []bool{false, true} {
		t.Run(fmt.Sprintf("restart=%v", restart), func(t *testing.T) {
			dir, ctx := t.TempDir(), t.Context()
			s := open(t, dir, Options{Boot: "boot-1", Now: func() time.Time { return day }})
			for i := range 200 {
				s.Append([]sensors.Reading{reading("panel-1", day.Add(time.Duration(i-300)*time.Minute), 15)})
			}
			if _, _, err := s.CreateWork(ctx, "coat", "early", fmt.Appendf(nil, `{"panel":"lid","resin":"fast","kind":"tack coat","applied":%q}`, day.Add(-4*time.Hour).Format(time.RFC3339Nano)), "me", day.Add(-4*time.Hour), ""); err != nil {
				t.Fatal(err)
			}
			s.Close()

			right := day.Add(-100 * time.Second) // of uptime zero; the service started 100 s later
			up := 100 * time.Second
			opts := Options{Boot: "boot-2", ClockUntrusted: true, Uptime: func() time.Duration { return up }}
			s = open(t, dir, opts)
			start := s.started
			feed := func(from, to int) { // by what the clock shows; as the process runs, not by any date
				for i := from; i < to; i += 10 {
					s.Append([]sensors.Reading{reading("panel-1", start.Add(time.Duration(i)*time.Second), float64(i)/1000)})
				}
			}
			feed(0, 5000)
			must(t, s.Compact(ctx))
			// The phone says 2031.
			wrong := right.AddDate(5, 0, 0)
			if d, err := s.DateUntrusted(ctx, "boot-2", wrong); err != nil || d.Readings != 500 {
				t.Fatalf("dated %+v, %v", d, err)
			}
			s.SetClockTrusted(true)
			wall := func(sec int, zero time.Time) time.Time {
				return zero.Add(100*time.Second + time.Duration(sec)*time.Second)
			}
			for i := 5000; i < 9000; i += 10 {
				s.Append([]sensors.Reading{reading("panel-1", wall(i, wrong), float64(i)/1000)})
			}
			// One that a radio probe dated itself, rightly.
			s.Append([]sensors.Reading{reading("radio", day, 3)})
			typed := "2026-10-09T08:00:00Z"
			if _, _, err := s.CreateWork(ctx, "coat", "late", fmt.Appendf(nil, `{"panel":"lid","resin":"fast","kind":"tack coat","applied":%q,"finished":%q}`, wall(5100, wrong).Format(time.RFC3339Nano), typed), "me", wall(5200, wrong), ""); err != nil {
				t.Fatal(err)
			}
			must(t, s.PatchWork(ctx, "coat", "early", fmt.Appendf(nil, `{"ended":%q}`, wall(5300, wrong).Format(time.RFC3339Nano)), "me", wall(5300, wrong), "", nil))
			must(t, s.Compact(ctx))
			if restart {
				s.Close()
				up += 9500 * time.Second
				s = open(t, dir, opts)
				if z, ok := s.BootDate(); !ok || !z.Equal(wrong) {
					t.Fatalf("after a restart in the same boot its date is %v, %v; want %v", z, ok, wrong)
				}
			} else {
				// Uptime is the process's here; the span of the wrong date is longer.
				s.upAt += 9500 * time.Second
			}
			before := s.Version("panel-1")
			d, err := s.DateUntrusted(ctx, "boot-2", right)
			if err != nil || d.Readings != 900 || d.Work != 2 {
				t.Fatalf("moved %+v, %v; want 900 readings and 2 coats", d, err)
			}
			if s.Version("panel-1") == before {
				t.Error("the probe's version is the same: estimates would not be made anew")
			}
			check := func() {
				t.Helper()
				got := collect(t, s, "panel-1", time.Time{}, time.Time{})
				if len(got) != 1100 {
					t.Fatalf("%d readings, want 1100", len(got))
				}
				for i := range 900 {
					want := Quantise(reading("panel-1", wall(10*i, right), float64(10*i)/1000))
					if r := got[200+i]; r.Temp != want.Temp || r.At.Sub(want.At).Abs() > 2*time.Millisecond {
						t.Fatalf("reading %d is %v, want %v", i, r, want)
					}
				}
				if got := collect(t, s, "radio", time.Time{}, time.Time{}); len(got) != 1 || !got[0].At.Equal(day) {
					t.Errorf("the radio probe's own time became %v, want %v", got, day)
				}
				w, err := s.Work(ctx)
				must(t, err)
				near := func(a, b time.Time) bool { return a.Sub(b).Abs() <= 2*time.Millisecond }
				for _, c := range w.Coats {
					switch c.ID {
					case "early":
						if !c.Applied.Equal(day.Add(-4*time.Hour)) || c.Ended == nil || !near(*c.Ended, wall(5300, right)) {
							t.Errorf("early: applied %v, ended %v; want %v, %v", c.Applied, c.Ended, day.Add(-4*time.Hour), wall(5300, right))
						}
					case "late":
						if !near(c.Applied, wall(5100, right)) || c.Finished == nil || c.Finished.Format(time.RFC3339) != typed {
							t.Errorf("late: applied %v, finished %v; want %v, %v", c.Applied, c.Finished, wall(5100, right), typed)
						}
					}
				}
			}
			check()
			if d, err := s.DateUntrusted(ctx, "boot-2", right); err != nil || d.Readings != 0 || d.Work != 0 {
				t.Errorf("again: %+v, %v; want nothing to do", d, err)
			}
			// Senders get each of them again, under the right date.
			rs, _, err := s.ReadingsAfter(ctx, 0, 10_000)
			if err != nil || len(rs) != 1101 {
				t.Errorf("%d readings for senders, %v; want 1101", len(rs), err)
			}
			must(t, s.Compact(ctx))
			check()
			s.Close()
			s = open(t, dir, Options{Boot: "boot-3"})
			check()
		})
	}
}

// A phone was an hour ahead. What comes while readings are given their right date has
// it already: it is not moved with them, and not written twice.
func TestReadingsWhileTheDateIsRighted(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	up := 100 * time.Second
	opts := Options{Boot: "boot-1", ClockUntrusted: true, Uptime: func() time.Duration { return up }}
	cardfault.Set(nil)
	s := open(t, dir, opts)
	right := day.Add(-up)
	wrong := right.Add(time.Hour)
	if _, err := s.DateUntrusted(ctx, "boot-1", wrong); err != nil {
		t.Fatal(err)
	}
	s.SetClockTrusted(true)
	s.Append([]sensors.Reading{reading("panel-1", day.Add(time.Hour), 10)})
	s.upAt += 30 * time.Second
	came := 0
	cardfault.Set(func(cardfault.Op, string) error {
		if came++; came == 1 {
			s.Append([]sensors.Reading{reading("panel-1", day.Add(30*time.Second), 11)})
		}
		return nil
	})
	defer cardfault.Set(nil)
	if d, err := s.DateUntrusted(ctx, "boot-1", right); err != nil || d.Readings != 1 || came == 0 {
		t.Fatalf("%+v, %v, after %d calls to the card; want 1 moved while another came", d, err, came)
	}
	for range 2 {
		got := collect(t, s, "panel-1", time.Time{}, time.Time{})
		if len(got) != 2 || !got[0].At.Equal(day) || !got[1].At.Equal(day.Add(30*time.Second)) {
			t.Errorf("%v; want the first moved to %v, the other as it came", got, day)
		}
		s.Close()
		opts.Boot = "boot-2"
		s = open(t, dir, opts)
	}
}

// Two phones confirm at once: the clock is trusted after, and what is entered
// meanwhile has its date.
func TestTwoConfirmationsAtOnce(t *testing.T) {
	s := open(t, t.TempDir(), Options{Boot: "boot-1", ClockUntrusted: true, Uptime: func() time.Duration { return 100 * time.Second }})
	ctx := t.Context()
	for i := range 50 {
		s.Append([]sensors.Reading{reading("panel-1", s.started.Add(time.Duration(i)*time.Second), 20)})
		if _, _, err := s.CreateWork(ctx, "feel", "", fmt.Appendf(nil, `{"coat":"tack","state":"tacky","at":%q}`, s.started.Add(time.Duration(i)*time.Second).Format(time.RFC3339Nano)), "me", s.started, ""); err != nil {
			t.Fatal(err)
		}
	}
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			if _, err := s.DateUntrusted(ctx, "boot-1", day); err != nil {
				t.Error(err)
			}
			s.SetClockTrusted(true)
		})
	}
	wg.Wait()
	s.mu.Lock()
	trusted := s.trusted
	s.mu.Unlock()
	if !trusted {
		t.Error("the clock is not trusted after four confirmations")
	}
	w, err := s.Work(ctx)
	if err != nil || len(w.Feels) != 50 {
		t.Fatalf("%d finger tests, %v", len(w.Feels), err)
	}
	for _, f := range w.Feels {
		if f.At.Before(day) || f.At.After(day.Add(time.Hour)) {
			t.Errorf("finger test at %v, want on %v", f.At, day)
		}
	}
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 50 || got[0].At.Before(day) {
		t.Errorf("%d readings from %v", len(got), got[0].At)
	}
}
