// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"testing"
	"time"

	"curewright/sensors"

	"pgregory.net/rapid"
)

// Any order of readings, late ones, repeats, packings and restarts gives the
// readings that went in, sorted, and senders get each exactly once.
func TestAnyOrder(t *testing.T) {
	base := t.TempDir()
	runs := 0
	rapid.Check(t, func(t *rapid.T) {
		runs++
		dir := filepath.Join(base, fmt.Sprint(runs))
		now := day
		o := Options{Now: func() time.Time { return now }}
		s, err := Open(dir, o)
		must(t, err)
		defer func() { s.Close(); os.RemoveAll(dir) }()
		want := map[string]map[int64]sensors.Reading{"a": {}, "b": {}}
		taken, sent := 0, 0
		got := map[sensors.Reading]int{}
		drain := func() {
			c := s.Cursor("influx")
			for {
				rs, next, err := s.ReadingsAfter(context.Background(), c, rapid.IntRange(1, 50).Draw(t, "limit"))
				must(t, err)
				for _, r := range rs {
					got[r]++
					sent++
				}
				c = next
				if len(rs) == 0 {
					break
				}
			}
			s.SetCursor("influx", c)
		}
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			switch rapid.IntRange(0, 6).Draw(t, "do") {
			case 0, 1, 2, 3:
				p := rapid.SampledFrom([]string{"a", "b"}).Draw(t, "probe")
				for range rapid.IntRange(1, 40).Draw(t, "n") {
					now = now.Add(time.Duration(rapid.IntRange(1, 600).Draw(t, "step")) * time.Second)
					at := now
					if rapid.IntRange(0, 9).Draw(t, "late") == 0 {
						at = now.Add(-time.Duration(rapid.IntRange(0, 20_000).Draw(t, "by")) * time.Second)
					}
					if at.Before(day) {
						at = day
					}
					ms := at.UnixMilli()
					r := Quantise(reading(p, at, float64(ms%977)/16)) // the same time gives the same value
					n := s.Append([]sensors.Reading{r})
					if n == 1 {
						taken++
					} else if _, ok := want[p][ms]; !ok {
						t.Fatalf("new reading %v refused", r)
					}
					want[p][ms] = r
				}
			case 4:
				must(t, s.Compact(context.Background()))
			case 5:
				must(t, s.Close())
				if s, err = Open(dir, o); err != nil {
					t.Fatal(err)
				}
			case 6:
				drain()
			}
			for p, w := range want {
				ks := slices.Collect(maps.Keys(w))
				slices.Sort(ks)
				i := 0
				for r, err := range s.Readings(p, time.Time{}, time.Time{}) {
					if err != nil || i >= len(ks) || r != w[ks[i]] {
						t.Fatalf("%s: reading %d is %v, %v, want %v of %d", p, i, r, err, w[ks[min(i, len(ks)-1)]], len(ks))
					}
					i++
				}
				if i != len(ks) {
					t.Fatalf("%s: %d readings, want %d", p, i, len(ks))
				}
				if len(ks) > 0 {
					// A window in the middle has its bounds included.
					lo, hi := ks[len(ks)/3], ks[2*len(ks)/3]
					n := 0
					for r, err := range s.Readings(p, time.UnixMilli(lo), time.UnixMilli(hi)) {
						if err != nil || r.At.UnixMilli() < lo || r.At.UnixMilli() > hi {
							t.Fatalf("%v, %v outside the window", r, err)
						}
						n++
					}
					if w := sort.Search(len(ks), func(i int) bool { return ks[i] > hi }) - len(ks)/3; n != w {
						t.Fatalf("window has %d readings, want %d", n, w)
					}
					if last := s.probes[p].newest; last != ks[len(ks)-1] {
						t.Fatalf("newest %v, want %v", time.UnixMilli(last), time.UnixMilli(ks[len(ks)-1]))
					}
				}
			}
		}
		drain()
		for p, w := range want {
			for _, r := range w {
				if got[r] == 0 {
					t.Fatalf("%s: %v was never sent", p, r)
				}
				delete(got, r)
			}
		}
		if len(got) != 0 {
			t.Fatalf("sent what never was: %v", got)
		}
		// A repeat of a reading that was packed meanwhile is only recognised
		// at the next packing: a sender may see it again, once a repeat.
		if sent > taken {
			t.Fatalf("sent %d, taken %d", sent, taken)
		}
	})
}

// Two different values at one moment are both kept, in order.
func TestSameMoment(t *testing.T) {
	s := open(t, t.TempDir(), at(day))
	if n := s.Append([]sensors.Reading{reading("a", day, 1), reading("a", day, 2), reading("a", day, 1), reading("a", day.Add(time.Second), 3)}); n != 3 {
		t.Errorf("taken %d, want 3: the third is a repeat", n)
	}
	var temps []string
	for _, r := range collect(t, s, "a", time.Time{}, time.Time{}) {
		temps = append(temps, r.Temp.String())
	}
	if got := strings.Join(temps, " "); got != "1 2 3" {
		t.Errorf("got %s, want 1 2 3", got)
	}
	if st := s.Stats(); st.Duplicates != 1 {
		t.Errorf("%d duplicates counted, want 1", st.Duplicates)
	}
}

func TestRefused(t *testing.T) {
	s := open(t, t.TempDir(), at(day))
	n := s.Append([]sensors.Reading{
		{Probe: "a", At: day}, // no value at all
		{Probe: "", At: day, Temp: sensors.Some(1)},
		{Probe: "a", At: time.Time{}, Temp: sensors.Some(1)},
		{Probe: "a", At: day, Temp: sensors.Some(1e9)}, // beyond any probe: missing, not clamped
	})
	if n != 0 || s.Stats().Refused != 4 {
		t.Errorf("taken %d, refused %d of 4", n, s.Stats().Refused)
	}
}

// Version rises exactly when what was computed before has to be done again.
func TestVersion(t *testing.T) {
	s := open(t, t.TempDir(), at(day))
	s.Append([]sensors.Reading{reading("a", day, 1), reading("a", day.Add(time.Minute), 1)})
	v := s.Version("a")
	s.Append([]sensors.Reading{reading("a", day.Add(2*time.Minute), 1)})
	if s.Version("a") != v {
		t.Error("changed by a reading at the end")
	}
	s.Append([]sensors.Reading{reading("a", day.Add(30*time.Second), 1)})
	if s.Version("a") == v {
		t.Error("not changed by a late reading")
	}
}

// A board that boots with a wrong date: readings and work of that time keep
// their order and get their date when the clock is known; a second start of
// the program in the same boot, and a second boot, included.
func TestUntrustedClock(t *testing.T) {
	dir := t.TempDir()
	wrong := Options{Boot: "boot-1", ClockUntrusted: true, Uptime: func() time.Duration { return 100 * time.Second }}
	ctx := t.Context()

	s := open(t, dir, wrong)
	start := s.started // stands for uptime 100 s
	for i := range 4000 {
		s.Append([]sensors.Reading{reading("panel-1", start.Add(time.Duration(i)*time.Second), float64(i)/16)})
	}
	if err := s.Compact(ctx); err != nil { // an hour of them is packed without a date
		t.Fatal(err)
	}
	id, _, err := s.CreateWork(ctx, "coat", "", fmt.Appendf(nil, `{"panel":"lid","resin":"fast","kind":"tack coat","applied":%q,"cloth":[{"name":"glass","laid":%q}]}`,
		start.Add(time.Minute).Format(time.RFC3339Nano), start.Add(2*time.Minute).Format(time.RFC3339Nano)), "bench", start.Add(time.Minute), "")
	must(t, err)
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 4000 || got[3999].Temp != sensors.Some(3999.0/16) {
		t.Fatalf("%d undated readings seen in this boot, want 4000", len(got))
	}
	if rs, _, err := s.ReadingsAfter(ctx, 0, 10); err != nil || len(rs) != 0 {
		t.Errorf("senders get readings without a date: %v, %v", rs, err)
	}
	abandon(s)

	// The program starts again in the same boot, an hour and a half later.
	wrong.Uptime = func() time.Duration { return 100*time.Second + 90*time.Minute }
	s = open(t, dir, wrong)
	s.Append([]sensors.Reading{reading("panel-1", s.started.Add(time.Second), 5)})
	// Now somebody says what time it is.
	d, err := s.DateUntrusted(ctx, "boot-1", day)
	if err != nil || d.Readings != 4001 || d.Work != 1 {
		t.Fatalf("dated %+v, %v; want 4001 readings and 1 coat", d, err)
	}
	// One that comes before the clock is said to be trusted has its date.
	s.Append([]sensors.Reading{reading("panel-2", s.started.Add(3*time.Second), 5)})
	if got := collect(t, s, "panel-2", time.Time{}, time.Time{}); len(got) != 1 || !got[0].At.Equal(day.Add(103*time.Second+90*time.Minute)) {
		t.Errorf("a reading after the dating: %v", got)
	}
	s.SetClockTrusted(true)
	check := func(s *Store) {
		t.Helper()
		got := collect(t, s, "panel-1", time.Time{}, time.Time{})
		if len(got) != 4001 {
			t.Fatalf("%d readings, want 4001", len(got))
		}
		for i, r := range got[:4000] {
			if want := Quantise(reading("panel-1", day.Add(100*time.Second+time.Duration(i)*time.Second), float64(i)/16)); r != want {
				t.Fatalf("reading %d is %v, want %v", i, r, want)
			}
		}
		if want := day.Add(101*time.Second + 90*time.Minute); !got[4000].At.Equal(want) {
			t.Errorf("last at %v, want %v", got[4000].At, want)
		}
		w, err := s.Work(ctx)
		if err != nil || len(w.Coats) != 1 {
			t.Fatalf("%+v, %v", w, err)
		}
		// Provisional times are whole milliseconds.
		near := func(a, b time.Time) bool { return a.Sub(b).Abs() <= time.Millisecond }
		if c := w.Coats[0]; !near(c.Applied, day.Add(160*time.Second)) || !near(*c.Cloth[0].Laid, day.Add(220*time.Second)) {
			t.Errorf("applied %v, cloth %v", c.Applied, c.Cloth[0].Laid)
		}
		if len(s.UndatedBoots()) != 0 {
			t.Errorf("still undated: %v", s.UndatedBoots())
		}
	}
	check(s)
	cs, err := s.Changes(ctx, "coat", id)
	if err != nil || len(cs) != 2 || cs[1].By != "clock" {
		t.Errorf("changes %+v, %v", cs, err)
	}
	// Again does nothing.
	if d, err := s.DateUntrusted(ctx, "boot-1", day); err != nil || d.Readings != 0 || d.Work != 0 {
		t.Errorf("dating again: %+v, %v", d, err)
	}
	rs, _, err := s.ReadingsAfter(ctx, 0, 5000)
	if err != nil || len(rs) != 4002 {
		t.Errorf("senders get %d dated readings, %v", len(rs), err)
	}
	s.Close()
	check(open(t, dir, Options{Boot: "boot-2", Now: func() time.Time { return day.Add(24 * time.Hour) }}))
}

// Readings of a boot that never learnt the time stay, apart from the dated.
func TestNeverDated(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{Boot: "boot-1", ClockUntrusted: true})
	s.Append([]sensors.Reading{reading("panel-1", time.Now(), 5)})
	s.Close()
	s = open(t, dir, Options{Boot: "boot-2"})
	s.Append([]sensors.Reading{reading("panel-1", day, 6)})
	if got := collect(t, s, "panel-1", time.Time{}, time.Time{}); len(got) != 1 || got[0].Temp != sensors.Some(6) {
		t.Errorf("got %v, want only the dated one", got)
	}
	if n := s.UndatedBoots()["boot-1"]; n != 1 {
		t.Errorf("%d undated readings kept, want 1", n)
	}
}

// The wall clock stepped back an hour and forward a year: nothing is lost,
// nothing refused.
func TestClockSteps(t *testing.T) {
	dir := t.TempDir()
	now := day
	s := open(t, dir, Options{Now: func() time.Time { return now }})
	n := 0
	for _, step := range []time.Duration{0, -time.Hour, 365 * 24 * time.Hour, -365 * 24 * time.Hour, 0} {
		now = now.Add(step)
		for range 100 {
			now = now.Add(10 * time.Second)
			n += s.Append([]sensors.Reading{reading("a", now, float64(n)/16)})
		}
		must(t, s.Compact(t.Context()))
	}
	s.Close()
	s = open(t, dir, Options{Now: func() time.Time { return now }})
	got := collect(t, s, "a", time.Time{}, time.Time{})
	if n != 500 || len(got) != 500 {
		t.Fatalf("taken %d, kept %d, want 500", n, len(got))
	}
	if !slices.IsSortedFunc(got, func(a, b sensors.Reading) int { return a.At.Compare(b.At) }) {
		t.Error("not in order of time")
	}
	seen := map[sensors.Value]bool{}
	for _, r := range got {
		seen[r.Temp] = true
	}
	if len(seen) != 500 {
		t.Errorf("%d different values of 500", len(seen))
	}
}

// toFirstSchema leaves a store behind as its first schema was: no log of packs.
func toFirstSchema(t *testing.T, s *Store) {
	t.Helper()
	row := schemaRow(1)
	if _, err := s.db.Exec("DROP TABLE packlog; PRAGMA user_version = 1; DELETE FROM kv WHERE id = ?", schemaID); err != nil {
		t.Fatal(err)
	}
	if _, err := s.db.Exec("INSERT INTO kv VALUES (?, ?, ?)", schemaID, row.encode(), int64(rowSum('k', schemaID, row.encode()))); err != nil {
		t.Fatal(err)
	}
	abandon(s)
}

// What the power cuts of internal/board have an emulated board run between two
// of them, so that the next start upgrades its store.
func TestFirstSchema(t *testing.T) {
	dir := os.Getenv("CUREWRIGHT_FIRST_SCHEMA")
	if dir == "" {
		t.Skip("for an emulated board: make board")
	}
	s, err := Open(dir, Options{})
	must(t, err)
	toFirstSchema(t, s)
}

// A file of the first schema is upgraded and gives senders what it held.
func TestMigration(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, at(day.Add(24*time.Hour)))
	for i := range 500 {
		s.Append([]sensors.Reading{reading("a", day.Add(time.Duration(i)*time.Minute), float64(i)/16)})
	}
	if _, _, err := s.CreateWork(t.Context(), "piece", "lid", []byte(`{}`), "", day, ""); err != nil {
		t.Fatal(err)
	}
	must(t, s.Compact(t.Context()))
	toFirstSchema(t, s)
	s = open(t, dir, at(day.Add(24*time.Hour)))
	if tr := s.Trouble(); tr != "" {
		t.Fatal(tr)
	}
	rs, _, err := s.ReadingsAfter(t.Context(), 0, 1000)
	if err != nil || len(rs) != 500 || rs[0].At != day || len(collect(t, s, "a", time.Time{}, time.Time{})) != 500 {
		t.Errorf("%d readings after the upgrade, %v", len(rs), err)
	}
	var v int
	if err := s.db.QueryRow("PRAGMA user_version").Scan(&v); err != nil || v != len(migrations) {
		t.Errorf("schema %d, %v", v, err)
	}
	// A file from the future is left alone.
	row := schemaRow(99)
	if _, err := s.db.Exec("PRAGMA user_version = 99; UPDATE kv SET body = ?, crc = ? WHERE id = ?", row.encode(), int64(rowSum('k', schemaID, row.encode())), schemaID); err != nil {
		t.Fatal(err)
	}
	abandon(s)
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrNewer) {
		t.Errorf("a newer file: %v, want %v", err, ErrNewer)
	}
}

func TestBackupRestore(t *testing.T) {
	dir, stick := t.TempDir(), t.TempDir()
	fill(t, dir, 3)
	s, err := OpenReadOnly(dir)
	if !errors.Is(err, ErrInUse) {
		t.Fatalf("opened while in use: %v, %v", s, err)
	}
	w := open(t, t.TempDir(), at(day.Add(3*time.Hour)))
	for i := range 20_000 {
		w.Append([]sensors.Reading{reading("a", day.Add(time.Duration(i)*time.Second), float64(i%900)/16)})
	}
	enter(t, w, 1)
	must(t, w.Compact(t.Context()))
	want := contents(t, w)
	file := filepath.Join(stick, "history-copy.db")
	// Written to while the copy runs.
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range 50 {
			if _, _, err := w.CreateWork(context.Background(), "piece", "", []byte(`{}`), "", day, ""); err != nil {
				t.Errorf("entry %d during the copy: %v", i, err)
			}
		}
	}()
	must(t, w.Backup(t.Context(), file))
	<-done
	if ents, _ := os.ReadDir(stick); len(ents) != 1 {
		t.Errorf("left beside the copy: %v", ents)
	}
	// Into a folder that has a store in use: refused. Into another: there.
	if err := Restore(t.Context(), file, w.dir); !errors.Is(err, ErrInUse) {
		t.Errorf("restored under a running store: %v", err)
	}
	to := t.TempDir()
	old := open(t, to, at(day))
	enter(t, old, 5)
	old.Close()
	must(t, Restore(t.Context(), file, to))
	r := open(t, to, at(day.Add(3*time.Hour)))
	got := contents(t, r)
	if len(got.readings["a"]) != 20_000 || !slices.Equal(got.readings["a"], want.readings["a"]) || !slices.Equal(got.feels, want.feels) || !maps.Equal(got.alerts, want.alerts) {
		t.Error("the restored store differs")
	}
	if q, _ := filepath.Glob(filepath.Join(to, "quarantine", "*", File)); len(q) != 1 {
		t.Errorf("the store that was there is not kept: %v", q)
	}
	// A damaged copy is refused and changes nothing.
	b, err := os.ReadFile(file)
	must(t, err)
	b[bytes.Index(b, []byte(`"state":"tacky"`))+10] ^= 4
	bad := filepath.Join(stick, "bad.db")
	must(t, os.WriteFile(bad, b, 0o600))
	r.Close()
	short := filepath.Join(stick, "short.db")
	must(t, os.WriteFile(short, b[:len(b)/2], 0o600))
	for _, f := range []string{bad, short, filepath.Join(stick, "none.db")} {
		if err := Restore(t.Context(), f, to); err == nil {
			t.Errorf("%s restored", f)
		}
	}
	if r := open(t, to, at(day.Add(3*time.Hour))); len(contents(t, r).readings["a"]) != 20_000 {
		t.Error("a refused restore changed the store")
	}
}

// Copies of what was replaced are kept, but not without end.
func TestQuarantineIsBounded(t *testing.T) {
	dir, stick := t.TempDir(), filepath.Join(t.TempDir(), "copy.db")
	s := open(t, dir, at(day))
	must(t, s.Backup(t.Context(), stick))
	s.Close()
	for range keepAsideFiles + 2 {
		must(t, Restore(t.Context(), stick, dir))
		time.Sleep(2 * time.Millisecond) // the folders are named by the millisecond
	}
	if q, _ := filepath.Glob(filepath.Join(dir, "quarantine", "*")); len(q) != keepAsideFiles {
		t.Errorf("%d kept, want %d", len(q), keepAsideFiles)
	}
}

func TestOpenReadOnly(t *testing.T) {
	for _, clean := range []bool{true, false} {
		dir := t.TempDir()
		s := open(t, dir, at(day))
		s.Append([]sensors.Reading{reading("a", day, 5)})
		if _, _, err := s.CreateWork(t.Context(), "piece", "lid", []byte(`{}`), "", day, ""); err != nil {
			t.Fatal(err)
		}
		must(t, s.Flush(t.Context()))
		if clean {
			s.Close()
		} else {
			cut := t.TempDir()
			copyStore(t, dir, cut)
			dir = cut
		}
		before := listing(t, dir)
		r, err := OpenReadOnly(dir)
		must(t, err)
		if w, err := r.Work(t.Context()); err != nil || len(w.Pieces) != 1 || len(collect(t, r, "a", time.Time{}, time.Time{})) != 1 {
			t.Errorf("clean %v: work %+v, %v", clean, w, err)
		}
		if _, _, err := r.CreateWork(t.Context(), "piece", "", []byte(`{}`), "", day, ""); !errors.Is(err, ErrReadOnly) {
			t.Errorf("clean %v: writing: %v", clean, err)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
		if after := listing(t, dir); after != before {
			t.Errorf("clean %v: the folder changed:\n%s\n%s", clean, before, after)
		}
	}
}

func listing(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	ents, err := os.ReadDir(dir)
	must(t, err)
	for _, e := range ents {
		fi, err := e.Info()
		must(t, err)
		fmt.Fprintln(&b, e.Name(), fi.Size(), fi.ModTime())
	}
	return b.String()
}

// The oldest readings go first, by age and by size; work stays.
func TestRetention(t *testing.T) {
	now := day
	o := Options{Now: func() time.Time { return now }, MaxAge: 10 * 24 * time.Hour}
	dir := t.TempDir()
	s := open(t, dir, o)
	enter(t, s, 1)
	s.AddEvent("boot", "", "started", now, "")
	for i := range 30 * 144 {
		now = day.Add(time.Duration(i) * 10 * time.Minute)
		s.Append([]sensors.Reading{reading("a", now, float64(i)/16)})
	}
	must(t, s.Compact(t.Context()))
	got := collect(t, s, "a", time.Time{}, time.Time{})
	if age := now.Sub(got[0].At); age > 10*24*time.Hour+time.Hour || age < 10*24*time.Hour-time.Hour {
		t.Errorf("oldest reading is %v old, want 10 days", age)
	}
	if e, err := s.Events(t.Context(), time.Time{}, time.Time{}, 0); err != nil || len(e) != 0 {
		t.Errorf("old events: %v, %v", e, err)
	}
	if len(s.Records("feel")) != 1 {
		t.Error("work was dropped")
	}
	s.Close()
	o.MaxBytes = 20_000
	s = open(t, dir, o)
	must(t, s.Compact(t.Context()))
	got2 := collect(t, s, "a", time.Time{}, time.Time{})
	if len(got2) == 0 || len(got2) >= len(got) || got2[len(got2)-1] != got[len(got)-1] {
		t.Errorf("%d readings of %d after the bound on size; the newest must stay", len(got2), len(got))
	}
}

func TestTokens(t *testing.T) {
	sum := func(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }
	dir := t.TempDir()
	s := open(t, dir, at(day))
	ctx := t.Context()
	for i := range 4 {
		tok := Token{ID: fmt.Sprint("t", i), Name: "phone", Role: "record", Hash: sum(fmt.Sprint("secret", i)), Made: day}
		must(t, s.PutToken(ctx, tok))
	}
	must(t, s.RevokeToken(ctx, "t1", day))
	must(t, s.DeleteToken(ctx, "t2"))
	for _, id := range []string{"t1", "t2", "t3"} { // a use brings nothing back
		s.UseToken(id, day.Add(2*time.Hour), 2*time.Hour)
	}
	s.UseToken("t3", day.Add(-24*time.Hour), 2*time.Hour+time.Second) // the clock was set back
	s.Close()
	s = open(t, dir, at(day))
	for i, want := range []bool{true, false, false, true} {
		if _, ok := s.TokenByHash(sum(fmt.Sprint("secret", i))); ok != want {
			t.Errorf("token %d taken: %v, want %v", i, ok, want)
		}
	}
	if tok, _ := s.TokenByHash(sum("secret3")); tok.UsedRan != 7201 || tok.Used == nil || !tok.Used.Equal(day.Add(-24*time.Hour)) {
		t.Errorf("used at %v, after %d s of running; want the clock's word and 7201", tok.Used, tok.UsedRan)
	}
	if err := s.RevokeToken(ctx, "none", day); !errors.Is(err, ErrNotFound) {
		t.Errorf("revoking what is not there: %v", err)
	}
	b, err := os.ReadFile(filepath.Join(dir, File))
	if err != nil || bytes.Contains(b, []byte("secret0")) {
		t.Errorf("the file holds a secret: %v", err)
	}
}

func TestEvents(t *testing.T) {
	s := open(t, t.TempDir(), at(day))
	for i := range 5 {
		s.AddEvent("heater", "tent", fmt.Sprint("switched ", i), day, "") // one millisecond
	}
	s.AddEvent("clock", "", "stepped", day.Add(-time.Hour), "")
	es, err := s.Events(t.Context(), time.Time{}, time.Time{}, 0)
	if err != nil || len(es) != 6 || es[0].Kind != "clock" || es[5].Text != "switched 4" {
		t.Errorf("%+v, %v", es, err)
	}
	es, err = s.Events(t.Context(), day, day, 2)
	if err != nil || len(es) != 2 || es[1].Text != "switched 4" {
		t.Errorf("the newest two: %+v, %v", es, err)
	}
}

func TestExport(t *testing.T) {
	s := open(t, t.TempDir(), at(day))
	s.Append([]sensors.Reading{
		{Probe: "shed-air", At: day, Temp: sensors.Some(17.0625), RH: sensors.Some(61.25), CO2: sensors.Some(415)},
		{Probe: "panel-1", At: day.Add(1500 * time.Millisecond), Temp: sensors.Some(-0.5)},
		{Probe: "panel-1", At: day.Add(10 * time.Second), RH: sensors.Some(50)},
	})
	var b bytes.Buffer
	n, err := s.ExportCSV(t.Context(), &b, ExportQuery{})
	want := "time,probe,temp_c,rh_pct,co2_ppm\n" +
		"2026-10-10T09:40:01.5Z,panel-1,-0.5,,\n" +
		"2026-10-10T09:40:10Z,panel-1,,50,\n" +
		"2026-10-10T09:40:00Z,shed-air,17.0625,61.25,415\n"
	if err != nil || n != 3 || b.String() != want {
		t.Errorf("%d, %v\n%s", n, err, b.String())
	}
	if rows, err := csv.NewReader(&b).ReadAll(); err != nil || len(rows) != 4 {
		t.Errorf("%d rows, %v", len(rows), err)
	}
	if _, err := s.ExportCSV(t.Context(), &b, ExportQuery{Probes: []string{"panle-1"}}); !errors.Is(err, ErrNotFound) {
		t.Errorf("a misspelt probe: %v", err)
	}
}

// RFC 7396, appendix A: every example of the standard.
func TestMergePatch(t *testing.T) {
	for _, c := range [][3]string{
		{`{"a":"b"}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"b"}`, `{"b":"c"}`, `{"a":"b","b":"c"}`},
		{`{"a":"b"}`, `{"a":null}`, `{}`},
		{`{"a":"b","b":"c"}`, `{"a":null}`, `{"b":"c"}`},
		{`{"a":["b"]}`, `{"a":"c"}`, `{"a":"c"}`},
		{`{"a":"c"}`, `{"a":["b"]}`, `{"a":["b"]}`},
		{`{"a":{"b":"c"}}`, `{"a":{"b":"d","c":null}}`, `{"a":{"b":"d"}}`},
		{`{"a":[{"b":"c"}]}`, `{"a":[1]}`, `{"a":[1]}`},
		{`["a","b"]`, `["c","d"]`, `["c","d"]`},
		{`{"a":"b"}`, `["c"]`, `["c"]`},
		{`{"a":"foo"}`, `null`, `null`},
		{`{"a":"foo"}`, `"bar"`, `"bar"`},
		{`{"e":null}`, `{"a":1}`, `{"a":1,"e":null}`},
		{`[1,2]`, `{"a":"b","c":null}`, `{"a":"b"}`},
		{`{}`, `{"a":{"bb":{"ccc":null}}}`, `{"a":{"bb":{}}}`},
	} {
		got, err := MergePatch([]byte(c[0]), []byte(c[1]))
		if err != nil || string(got) != c[2] {
			t.Errorf("%s with %s = %s, %v; want %s", c[0], c[1], got, err, c[2])
		}
	}
}

// The chips' own steps pass through the store exactly.
func TestQuantise(t *testing.T) {
	// DS18B20 data sheet 19-7487, table 1: every value of the table.
	for _, x := range []float64{125, 85, 25.0625, 10.125, 0.5, 0, -0.5, -10.125, -25.0625, -55} {
		if got := Quantise(reading("a", day, x)).Temp; got != sensors.Some(x) {
			t.Errorf("%g °C becomes %v", x, got)
		}
	}
	for i := -5500; i <= 12500; i++ { // steps of 0.01 °C
		x := float64(i) / 100
		if got := Quantise(reading("a", day, x)).Temp; got != sensors.Some(x) {
			t.Fatalf("%g °C becomes %v", x, got)
		}
	}
	for i := range 10001 { // steps of 0.01 %
		x := float64(i) / 100
		if got := Quantise(sensors.Reading{Probe: "a", At: day, RH: sensors.Some(x)}).RH; got != sensors.Some(x) {
			t.Fatalf("%g %% becomes %v", x, got)
		}
	}
	r := Quantise(reading("a", day.Add(1234567*time.Nanosecond), 20.001234))
	if Quantise(r) != r {
		t.Error("quantising twice changes a reading")
	}
}
