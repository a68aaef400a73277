// SPDX-License-Identifier: Apache-2.0

package history

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"curewright/sensors"
)

// day is a Saturday morning in October, in the middle of an hour.
var day = time.Date(2026, 10, 10, 9, 40, 0, 0, time.UTC)

// must ends the test at an error.
func must(t interface {
	Helper()
	Fatal(args ...any)
}, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func open(t testing.TB, dir string, opts Options) *Store {
	t.Helper()
	s, err := Open(dir, opts)
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

func at(now time.Time) Options { return Options{Now: func() time.Time { return now }} }

func reading(probe string, at time.Time, temp float64) sensors.Reading {
	return sensors.Reading{Probe: probe, At: at, Temp: sensors.Some(temp)}
}

func collect(t testing.TB, s *Store, probe string, from, to time.Time) []sensors.Reading {
	t.Helper()
	var out []sensors.Reading
	for r, err := range s.Readings(probe, from, to) {
		must(t, err)
		out = append(out, r)
	}
	return out
}

func TestReadingsSurvivePackingAndRestart(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, at(day))
	var want []sensors.Reading
	for i := range 3 * 360 {
		r := sensors.Reading{Probe: "shed-air", At: day.Add(time.Duration(i) * 10 * time.Second), Temp: sensors.Some(17 + float64(i%7)/16), RH: sensors.Some(61.25)}
		if i%5 == 0 {
			r.RH = sensors.Value{} // missing stays missing
		}
		want = append(want, Quantise(r))
		if n := s.Append([]sensors.Reading{r}); n != 1 {
			t.Fatalf("reading %d: taken %d", i, n)
		}
		if i == 500 {
			must(t, s.Compact(t.Context()))
		}
	}
	check := func(s *Store, when string) {
		t.Helper()
		got := collect(t, s, "shed-air", time.Time{}, time.Time{})
		if !slices.Equal(got, want) {
			t.Fatalf("%s: got %d readings, want %d equal ones", when, len(got), len(want))
		}
		if last, ok := s.LastRecord(); !ok || !last.Equal(want[len(want)-1].At) {
			t.Errorf("%s: last record of %v, want %v", when, last, want[len(want)-1].At)
		}
	}
	check(s, "before restart")
	must(t, s.Close())
	s = open(t, dir, at(day.Add(24*time.Hour)))
	check(s, "after restart")
	if !s.Stats().CleanStop {
		t.Error("a proper stop is not known as one")
	}
	must(t, s.Compact(t.Context()))
	check(s, "after packing")
	if n := s.Stats().Readings; n != 0 {
		t.Errorf("%d readings left in the tail after a day", n)
	}
}

func TestWork(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, at(day))
	ctx := t.Context()
	id, created, err := s.CreateWork(ctx, "coat", "", fmt.Appendf(nil, `{"panel":"lid-outer","resin":"medium","kind":"tack coat","applied":%q}`, day.Format(time.RFC3339)), "phone", day, "key-1")
	if err != nil || !created || id != "coat-1" {
		t.Fatalf("create = %q, %v, %v", id, created, err)
	}
	again, created, err := s.CreateWork(ctx, "coat", "", []byte(`{}`), "phone", day, "key-1")
	if err != nil || created || again != id {
		t.Fatalf("repeat = %q, %v, %v", again, created, err)
	}
	must(t, s.PatchWork(ctx, "coat", id, []byte(`{"kind":"fill coat","note":"second cup"}`), "bench", day.Add(time.Minute), "", nil))
	s.Close()
	s = open(t, dir, at(day))
	w, err := s.Work(ctx)
	if err != nil || len(w.Coats) != 1 || w.Coats[0].Kind != "fill coat" || w.Coats[0].Note != "second cup" || !w.Coats[0].Applied.Equal(day) {
		t.Fatalf("work = %+v, %v", w, err)
	}
	if again, created, _ := s.CreateWork(ctx, "coat", "", []byte(`{}`), "phone", day, "key-1"); created || again != id {
		t.Errorf("repeat after restart = %q, %v", again, created)
	}
	must(t, s.DeleteWork(ctx, "coat", id, "bench", day, ""))
	cs, err := s.Changes(ctx, "coat", id)
	if err != nil || len(cs) != 3 || cs[0].Op != "create" || cs[1].By != "bench" || cs[2].Op != "delete" {
		t.Fatalf("changes = %+v, %v", cs, err)
	}
}

// Upkeep as often as a daemon asks for it does not write readings that may
// still wait: each commit costs the card whole pages. A complete hour is
// packed all the same.
func TestUpkeepLetsReadingsWait(t *testing.T) {
	now := day
	s := open(t, t.TempDir(), Options{Now: func() time.Time { return now }})
	// The first calls write what a new store has to say of itself.
	must(t, s.Flush(t.Context()))
	s.Append([]sensors.Reading{reading("panel-1", now, 17)})
	must(t, s.Upkeep(t.Context()))
	if got := s.Stats(); got.Pending != 1 || got.Packed != 0 {
		t.Errorf("after upkeep %d readings wait and %d are packed, want 1 and 0", got.Pending, got.Packed)
	}
	now = now.Add(2 * time.Hour)
	must(t, s.Flush(t.Context()))
	must(t, s.Upkeep(t.Context()))
	if got := s.Stats(); got.Pending != 0 || got.Packed != 1 {
		t.Errorf("two hours later %d readings wait and %d are packed, want 0 and 1", got.Pending, got.Packed)
	}
}

// What a transaction leaves waiting has waited since it came: however long the
// card takes, a reading is written ten seconds after that.
func TestRestKeepsWaiting(t *testing.T) {
	s := open(t, t.TempDir(), at(day))
	s.mu.Lock()
	s.waitSince = time.Time{}
	s.mu.Unlock()
	rs := make([]sensors.Reading, flushBatch+1)
	for i := range rs {
		rs[i] = reading("a", day.Add(time.Duration(i)*time.Second), 20)
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	s.Append(rs)
	since := s.waitSince
	if more, err := s.flushSome(t.Context()); err != nil || !more {
		t.Fatal(more, err)
	}
	if s.waitSince.IsZero() || s.waitSince.After(since) {
		t.Errorf("what is left waits since %v, came at %v", s.waitSince, since)
	}
}

// A coat is urgent at once, and at a start: a look at all the work takes a slow
// board longer than readings may be at risk.
func TestCoatIsUrgentAtOnce(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, at(day))
	enter := func(kind string) {
		if _, _, err := s.CreateWork(t.Context(), kind, "x", []byte(`{}`), "", day, ""); err != nil {
			t.Fatal(err)
		}
	}
	urgent := func() bool { s.mu.Lock(); defer s.mu.Unlock(); return s.urgent }
	if enter("piece"); urgent() {
		t.Error("no coat, and urgent")
	}
	if enter("coat"); !urgent() {
		t.Error("a coat that was written waits for a look")
	}
	if s.SetUrgent(false); urgent() {
		t.Error("urgent after the last coat")
	}
	abandon(s)
	if s = open(t, dir, at(day)); !urgent() {
		t.Error("a coat that was read waits for a look")
	}
}
