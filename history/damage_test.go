// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"curewright/sensors"
)

// fill puts a morning's work into a store: readings that are packed and
// readings that are not, coats, alerts, settings.
func fill(t testing.TB, dir string, hours int) {
	t.Helper()
	s := open(t, dir, at(day.Add(time.Duration(hours)*time.Hour)))
	for i := range hours * 60 {
		if i == hours*40 {
			must(t, s.Compact(t.Context()))
			var busy, n, done int
			if err := s.db.QueryRow("PRAGMA wal_checkpoint(RESTART)").Scan(&busy, &n, &done); err != nil || n != done {
				t.Fatal(busy, n, done, err)
			}
		}
		at := day.Add(time.Duration(i) * time.Minute)
		s.Append([]sensors.Reading{
			{Probe: "shed-air", At: at, Temp: sensors.Some(14 + float64(i%40)/16), RH: sensors.Some(70 + float64(i%13)/10)},
			{Probe: "panel-1", At: at, Temp: sensors.Some(13 + float64(i%50)/16)},
		})
		if i%7 == 0 {
			must(t, s.Flush(t.Context()))
		}
		if i%10 == 0 {
			enter(t, s, i/10)
		}
	}
	must(t, s.Compact(t.Context()))
	for i := range 20 {
		s.Append([]sensors.Reading{reading("panel-1", day.Add(time.Duration(hours)*time.Hour+time.Duration(i)*time.Minute), 15)})
		if i%5 == 4 {
			must(t, s.Flush(t.Context()))
			enter(t, s, 1000+i)
		}
	}
}

func enter(t testing.TB, s *Store, i int) {
	t.Helper()
	ctx := t.Context()
	if _, _, err := s.CreateWork(ctx, "feel", "", fmt.Appendf(nil, `{"coat":"coat-1","at":%q,"state":"tacky"}`, day.Add(time.Duration(i)*time.Minute).Format(time.RFC3339)), "bench", day, fmt.Sprint("key-", i)); err != nil {
		t.Fatal(err)
	}
	must(t, s.PutKV(ctx, "alert", fmt.Sprint("alert-", i%5), fmt.Appendf(nil, `{"id":"alert-%d","n":%d}`, i%5, i)))
}

// content is what a store holds, for comparing.
type content struct {
	readings map[string][]sensors.Reading
	feels    []string
	alerts   map[string]string
}

func contents(t testing.TB, s *Store) content {
	t.Helper()
	c := content{readings: map[string][]sensors.Reading{}, alerts: map[string]string{}}
	for _, p := range s.Probes() {
		c.readings[p] = collect(t, s, p, time.Time{}, time.Time{})
	}
	for _, b := range s.Records("feel") {
		c.feels = append(c.feels, string(b))
	}
	for k, v := range s.KVs("alert") {
		c.alerts[k] = string(v)
	}
	return c
}

// lost counts what is in want and not in got. Anything in got that is not in
// want is an invention and fails the test.
func lost(t *testing.T, got, want content) (readings, feels, alerts int) {
	t.Helper()
	for p, rs := range want.readings {
		have := map[sensors.Reading]bool{}
		for _, r := range got.readings[p] {
			have[r] = true
		}
		for _, r := range rs {
			if !have[r] {
				readings++
			}
		}
	}
	n := 0
	for p, rs := range got.readings {
		n += len(rs)
		for _, r := range rs {
			ok := slices.Contains(want.readings[p], r)
			if p == "probe-0" || p == "probe-1" { // the name was lost
				ok = slices.ContainsFunc(slices.Concat(want.readings["shed-air"], want.readings["panel-1"]), func(w sensors.Reading) bool { w.Probe = p; return w == r })
			}
			if !ok {
				t.Errorf("invented reading %v", r)
				return
			}
		}
	}
	for _, f := range want.feels {
		if !slices.Contains(got.feels, f) {
			feels++
		}
	}
	for _, f := range got.feels {
		if !slices.Contains(want.feels, f) {
			t.Errorf("invented entry %s", f)
		}
	}
	for k, v := range want.alerts {
		if got.alerts[k] != v {
			alerts++
		}
	}
	return
}

// copyStore copies the files of a store that is open elsewhere or was.
func copyStore(t testing.TB, from, to string) {
	t.Helper()
	for _, name := range []string{File, File + "-wal", JournalFile} {
		b, err := os.ReadFile(filepath.Join(from, name))
		if os.IsNotExist(err) {
			continue
		}
		if err == nil {
			err = os.WriteFile(filepath.Join(to, name), b, 0o600)
		}
		must(t, err)
	}
}

func faults(normal int) int {
	if n, err := strconv.Atoi(os.Getenv("CUREWRIGHT_FAULTS")); err == nil {
		return n
	}
	return normal
}

// at6 is the end of the morning that fill puts into a store.
var at6 = at(day.Add(6 * time.Hour))

// hurt opens a copy of a store in which one file holds other bytes; one that
// does not open is an error of the test, and nil.
func hurt(t *testing.T, cut, name string, b []byte, what string) *Store {
	t.Helper()
	dir := t.TempDir()
	copyStore(t, cut, dir)
	must(t, os.WriteFile(filepath.Join(dir, name), b, 0o600))
	s, err := Open(dir, at6)
	if err != nil {
		t.Errorf("%s: does not open: %v", what, err)
		return nil
	}
	return s
}

// Single flipped bytes anywhere in database and log: the store opens, what is
// not hit is kept, nothing is invented, and a loss is said.
func TestFlippedBytes(t *testing.T) {
	cut, want := crashedStore(t)
	rng := rand.New(rand.NewPCG(1, 2))
	var silent, said, intact int
	worst := 0
	for _, name := range []string{File, File + "-wal"} {
		b, err := os.ReadFile(filepath.Join(cut, name))
		must(t, err)
		for range faults(60) {
			at, bit := rng.IntN(len(b)), byte(1)<<rng.IntN(8)
			f := slices.Clone(b)
			f[at] ^= bit
			what := fmt.Sprintf("%s byte %d bit %02x", name, at, bit)
			s := hurt(t, cut, name, f, what)
			if s == nil {
				continue
			}
			r, fl, al := lost(t, contents(t, s), want)
			trouble := s.Trouble()
			switch {
			case r+fl+al == 0 && trouble == "":
				intact++
			case trouble == "":
				silent++
				t.Errorf("%s: %d readings, %d entries, %d alerts lost without a word", what, r, fl, al)
			default:
				said++
				worst = max(worst, r)
				// One page is hit; it holds at most a few rows.
				if fl > 4 || al > 5 || r > 200 {
					t.Errorf("%s: lost %d readings, %d entries, %d alerts: %s", what, r, fl, al, trouble)
				}
			}
			if err := s.Close(); err != nil {
				t.Errorf("%s: close: %v", what, err)
			}
		}
	}
	t.Logf("%d flips: %d without effect, %d found and said, %d silent; at worst %d readings lost", intact+said+silent, intact, said, silent, worst)
}

// Holes of 4 kB, the size of a card's sector, in the log, the database and the
// journal: no entry and no alert is lost, and nothing else without a word.
func TestHoles(t *testing.T) {
	cut, want := crashedStore(t)
	for _, name := range []string{File + "-wal", File, JournalFile} {
		rng := rand.New(rand.NewPCG(5, 6))
		b, err := os.ReadFile(filepath.Join(cut, name))
		must(t, err)
		var restored, readings, said, silent, n int
		for range faults(50) {
			n++
			at := rng.IntN(len(b))
			if name != JournalFile {
				at = at / 512 * 512
			}
			f := slices.Clone(b)
			fill := byte(0)
			if n%2 == 0 {
				fill = 0xff // an erased sector of a card
			}
			for i := at; i < min(at+4096, len(f)); i++ {
				f[i] = fill
			}
			what := fmt.Sprintf("%s hole at %d", name, at)
			s := hurt(t, cut, name, f, what)
			if s == nil {
				continue
			}
			r, fl, al := lost(t, contents(t, s), want)
			if fl+al > 0 {
				t.Errorf("%s: %d entries, %d alerts lost: %q", what, fl, al, s.Trouble())
			}
			restored += s.restored.work + s.restored.other
			readings += r
			if s.Trouble() != "" {
				said++
			} else if r > 0 {
				silent++
				t.Errorf("%s: %d readings lost without a word", what, r)
			}
			if err := s.Close(); err != nil {
				t.Errorf("%s: close: %v", what, err)
			}
			// Mended for good: the next start has nothing to say.
			s = open(t, s.dir, at6)
			if _, fl, al := lost(t, contents(t, s), want); fl+al > 0 || s.Trouble() != "" {
				t.Errorf("%s: at the next start %d entries, %d alerts lost, %q", what, fl, al, s.Trouble())
			}
			s.Close()
		}
		t.Logf("%s: %d holes, %d said; %d rows put back from the journal; %d readings lost, %d times in silence", name, n, said, restored, readings, silent)
	}
}

// Database and log cut at many offsets.
func TestTruncated(t *testing.T) {
	cut, want := crashedStore(t)
	rng := rand.New(rand.NewPCG(3, 4))
	counted := map[string]int{}
	defer func() { t.Logf("said: %v", counted) }()
	for _, name := range []string{File, File + "-wal", JournalFile} {
		b, err := os.ReadFile(filepath.Join(cut, name))
		must(t, err)
		offsets := []int{0, 1, 31, 32, 33, 99, 100, 512, 1023, 1024, 1025, len(b) - 1, len(b) - 1024}
		for range faults(25) {
			offsets = append(offsets, rng.IntN(len(b)))
		}
		for _, n := range offsets {
			what := fmt.Sprintf("%s cut at %d", name, n)
			s := hurt(t, cut, name, b[:n], what)
			if s == nil {
				continue
			}
			r, fl, al := lost(t, contents(t, s), want)
			// Whatever is cut, what was acknowledged is in the other file.
			if fl+al > 0 {
				t.Errorf("%s: %d entries and %d alerts lost", what, fl, al)
			}
			if name == File && r > 0 && s.Trouble() == "" {
				t.Errorf("%s: %d readings lost without a word", what, r)
			}
			said := s.Trouble() != ""
			if said {
				counted[name]++
			}
			if s.Stats().CleanStop && r+fl+al > 0 {
				t.Errorf("%s: said to be a clean stop", what)
			}
			if _, _, err := s.CreateWork(context.Background(), "piece", "", []byte(`{"name":"lid"}`), "bench", day, ""); err != nil {
				t.Errorf("%s: cannot be written: %v", what, err)
			}
			s.Close()
		}
	}
}

// crashedStore makes the folder of a store that was not closed, with a
// database that was checkpointed and a log that was not.
func crashedStore(t *testing.T) (string, content) {
	t.Helper()
	dir, cut := t.TempDir(), t.TempDir()
	fill(t, dir, 6)
	s, err := Open(dir, at(day))
	if err == nil {
		s.Close()
		t.Fatal("a second store on one folder")
	}
	copyStore(t, dir, cut)
	keep := t.TempDir()
	copyStore(t, cut, keep)
	k := open(t, keep, at6)
	c := contents(t, k)
	if tr := k.Trouble(); tr != "" {
		t.Fatalf("an undamaged store says: %s", tr)
	}
	if k.Stats().CleanStop {
		t.Fatal("a crash is taken for a clean stop")
	}
	if n := len(c.readings["panel-1"]); n != 6*60+20 {
		t.Fatalf("%d readings of panel-1", n)
	}
	if len(c.feels) != 40 {
		b, _ := json.Marshal(c.feels)
		t.Fatalf("%d feels: %s", len(c.feels), b)
	}
	return cut, c
}
