// SPDX-License-Identifier: Apache-2.0

package history

import (
	"slices"
	"testing"
	"time"

	"curewright/sensors"
)

// A sender that pages through events gets each once and in order, and one
// that starts at the end gets only what is new.
func TestEventsAfter(t *testing.T) {
	now := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	s, err := Open(t.TempDir(), Options{Now: func() time.Time { return now }})
	must(t, err)
	defer s.Close()
	var want []string
	for i := range 25 {
		text := string(rune('a' + i))
		want = append(want, text)
		// Three at a time share a millisecond.
		s.AddEvent("test", "", text, now.Add(time.Duration(i/3)*time.Millisecond), "")
	}
	var got []string
	var c Cursor
	for {
		es, next, err := s.EventsAfter(t.Context(), c, 7)
		must(t, err)
		for _, e := range es {
			got = append(got, e.Text)
		}
		if next == c {
			break
		}
		c = next
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	es, _, err := s.EventsAfter(t.Context(), EventCursor(now.Add(7*time.Millisecond).UnixMilli()), 100)
	if err != nil || len(es) != 4 || es[0].Text != "v" {
		t.Errorf("from the eighth millisecond on: %v, %v; want the last four", es, err)
	}

	s.Append([]sensors.Reading{{Probe: "a", At: now, Temp: sensors.Some(20)}})
	end := s.End()
	s.Append([]sensors.Reading{{Probe: "a", At: now.Add(time.Second), Temp: sensors.Some(21)}})
	rs, next, err := s.ReadingsAfter(t.Context(), end, 10)
	if err != nil || len(rs) != 1 || !rs[0].At.Equal(now.Add(time.Second)) || next != s.End() {
		t.Errorf("after the end: %v, %v, %v; want the second reading only", rs, next, err)
	}
}

// An event of a board that did not know the date has none, and is not sent.
func TestEventsAfterUndated(t *testing.T) {
	s, err := Open(t.TempDir(), Options{ClockUntrusted: true, Boot: "b1"})
	must(t, err)
	defer s.Close()
	s.AddEvent("test", "", "sometime", time.Now(), "")
	es, next, err := s.EventsAfter(t.Context(), 0, 10)
	if err != nil || len(es) != 0 || next == 0 {
		t.Errorf("got %v, %v, %v; want none, and the cursor past it", es, next, err)
	}
}

// A sender that has gone past readings without a date gets them once they have
// one, packed meanwhile or not.
func TestReadingsAfterPassesNoUndatedOnes(t *testing.T) {
	for _, compact := range []bool{false, true} {
		now := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
		s, err := Open(t.TempDir(), Options{Boot: "boot-1", ClockUntrusted: true, Uptime: func() time.Duration { return time.Minute }, Now: func() time.Time { return now }})
		must(t, err)
		defer s.Close()
		const n = 500
		for i := range n {
			s.Append([]sensors.Reading{{Probe: "a", At: now.Add(time.Duration(i) * 10 * time.Second), Temp: sensors.Some(20 + float64(i%7))}})
		}
		must(t, s.Flush(t.Context()))
		if compact {
			now = now.Add(6 * time.Hour)
			must(t, s.Compact(t.Context()))
		}
		rs, c, err := s.ReadingsAfter(t.Context(), 0, 10*n)
		if err != nil || len(rs) != 0 {
			t.Fatalf("%d without a date, %v", len(rs), err)
		}
		d, err := s.DateUntrusted(t.Context(), "boot-1", time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC))
		if err != nil || d.Readings != n {
			t.Fatalf("dated %+v, %v", d, err)
		}
		s.SetClockTrusted(true)
		got := 0
		for {
			rs, next, err := s.ReadingsAfter(t.Context(), c, 64)
			must(t, err)
			if got += len(rs); next == c {
				break
			}
			c = next
		}
		if got != n {
			t.Errorf("packed %v: %d readings after they were dated, want %d", compact, got, n)
		}
	}
}

// A board that lost power before it knew the date leaves readings that nobody
// can date. Nothing more will come of that boot: they are packed whole, and hold
// no later packing back.
func TestEndedBootIsPackedWhole(t *testing.T) {
	dir := t.TempDir()
	now := day
	clock := func() time.Time { return now }
	s := open(t, dir, Options{Boot: "boot-1", ClockUntrusted: true, Uptime: func() time.Duration { return time.Minute }, Now: clock})
	s.Append([]sensors.Reading{reading("a", time.Now(), 20), reading("b", time.Now(), 21)})
	must(t, s.Flush(t.Context()))
	abandon(s)
	s = open(t, dir, Options{Boot: "boot-2", Now: clock})
	for i := range 720 {
		s.Append([]sensors.Reading{reading("a", now.Add(time.Duration(i)*10*time.Second), 20)})
	}
	now = now.Add(4 * time.Hour)
	must(t, s.Compact(t.Context()))
	if n := s.Stats().Readings; n != 0 {
		t.Errorf("%d readings are not packed, want none", n)
	}
	if s.tail.safe != s.nextSeq {
		t.Errorf("packed up to %d, want %d", s.tail.safe, s.nextSeq)
	}
	if d, err := s.DateUntrusted(t.Context(), "boot-1", day.Add(-24*time.Hour)); err != nil || d.Readings != 2 {
		t.Errorf("dated %+v, %v; want the 2 of the boot that ended", d, err)
	}
}

// A sender that begins far back takes its fill and no more, also while an old
// reading waits to be packed: a board's memory does not hold a year.
func TestReadingsAfterOpensWhatItNeeds(t *testing.T) {
	now := day
	s := open(t, t.TempDir(), Options{Now: func() time.Time { return now }})
	s.Append([]sensors.Reading{reading("late", day.Add(1000*time.Hour), 20)}) // the first number, packed last
	const hours = 60
	for range hours * 12 {
		now = now.Add(5 * time.Minute)
		for i := range 30 {
			s.Append([]sensors.Reading{reading("a", now.Add(time.Duration(i)*10*time.Second), 20+float64(i%7))})
		}
		if s.packDue() {
			must(t, s.Compact(t.Context()))
		}
	}
	o := intake{s: s, after: 0, limit: 10}
	must(t, s.readingsAfter(t.Context(), &o))
	if len(o.out) != 10 || len(o.wait) > 1000 {
		t.Errorf("%d readings, and %d more in memory; want 10, and an hour's", len(o.out), len(o.wait))
	}
	if rs, _, err := s.ReadingsAfter(t.Context(), 0, 1e6); err != nil || len(rs) != hours*360+1 || rs[0].Probe != "late" {
		t.Errorf("%d readings, %v; want all %d", len(rs), err, hours*360+1)
	}
}
