// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"database/sql"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"curewright/sensors"
)

// minutes lives so many minutes of a shop as the running store would, a flush
// each.
func minutes(t *testing.T, s *Store, shop *shop, now *time.Time, n int) (all []sensors.Reading) {
	t.Helper()
	for range n {
		for range 6 {
			*now = now.Add(10 * time.Second)
			all = append(all, shop.at(*now)...)
			s.Append(shop.buf)
		}
		must(t, s.Flush(t.Context()))
		if s.packDue() {
			must(t, s.Compact(t.Context()))
		}
	}
	return all
}

// A flush of a minute writes one page and no other: rows of the tail are
// written again or over, and the tree stays as it is.
func TestFlushWritesOnePage(t *testing.T) {
	dir := t.TempDir()
	now := day
	s := open(t, dir, Options{Now: func() time.Time { return now }})
	minutes(t, s, newShop(), &now, 4*60)
	b, err := os.ReadFile(filepath.Join(dir, File+"-wal"))
	must(t, err)
	var commits []int // pages written by each
	n := 0
	for _, f := range readWAL(b, pageSize).frames {
		if n++; f.commit {
			commits, n = append(commits, n), 0
		}
	}
	// Two hours in, all rows are there: sixty flushes and a packing an hour.
	commits = commits[len(commits)-120:]
	more := slices.DeleteFunc(slices.Clone(commits), func(n int) bool { return n == 1 })
	if len(more) != 2 || slices.Max(more) > 30 {
		t.Errorf("pages written by each commit: %v; want one each, but for two packings", commits)
	}
}

// Readings that were packed lie in the tail until they are written over: they
// are not read twice, and a kill loses nothing, whatever was written over.
func TestTailIsWrittenOver(t *testing.T) {
	dir := t.TempDir()
	now := day
	opts := Options{Now: func() time.Time { return now }}
	shop := newShop()
	var all []sensors.Reading
	for round := range 5 {
		s := open(t, dir, opts)
		all = append(all, minutes(t, s, shop, &now, 47)...)
		var rows int
		if err := s.db.QueryRow("SELECT count(*) FROM tail").Scan(&rows); err != nil || rows > 40 {
			t.Errorf("%d rows in the tail after %d rounds, %v; want an hour's", rows, round+1, err)
		}
		waiting := s.Stats().Readings
		abandon(s)
		s = open(t, dir, opts)
		if n := s.Stats().Readings; n != waiting {
			t.Errorf("%d readings are not packed after a kill, %d before", n, waiting)
		}
		got, _, err := s.ReadingsAfter(t.Context(), 0, len(all)+1)
		if err != nil || len(got) != len(all) {
			t.Fatalf("%d readings after a kill, %v; want %d", len(got), err, len(all))
		}
		for i, r := range all {
			if want := Quantise(r); got[i] != want {
				t.Fatalf("reading %d: %v, want %v", i, got[i], want)
			}
		}
		s.Close()
	}
}

// An earlier version's rows are as long as they need to be. They are read, and
// go with the next packing.
func TestTailRowsOfAnyLength(t *testing.T) {
	dir := t.TempDir()
	now := day
	opts := Options{Now: func() time.Time { return now }}
	s := open(t, dir, opts)
	shop := newShop()
	all := minutes(t, s, shop, &now, 10)
	lengths := func() (n []int) {
		err := eachRow(t.Context(), s.db, "tail", 0, maxID, func(_ int64, body []byte, ok bool) error {
			n = append(n, len(body))
			return nil
		})
		must(t, err)
		return n
	}
	bodies := map[int64][]byte{}
	err := eachRow(t.Context(), s.db, "tail", 0, maxID, func(id int64, body []byte, _ bool) error {
		bodies[id] = slices.Clone(bytes.TrimRight(body, "\x00"))
		return nil
	})
	if err == nil {
		err = s.tryWrite(t.Context(), func(tx *sql.Tx) error {
			for id, body := range bodies {
				if err := putRow(t.Context(), tx, "tail", id, append(body, 0)); err != nil {
					return err
				}
			}
			return nil
		})
	}
	must(t, err)
	s.Close()
	s = open(t, dir, opts)
	if n := lengths(); len(n) < 3 || slices.Max(n) >= tailSize {
		t.Fatalf("rows of %v bytes, want short ones", n)
	}
	all = append(all, minutes(t, s, shop, &now, 60)...)
	if n := lengths(); slices.Min(n) != tailSize || slices.Max(n) != tailSize {
		t.Errorf("rows of %v bytes after a packing, want %d each", n, tailSize)
	}
	if got, _, err := s.ReadingsAfter(t.Context(), 0, len(all)+1); err != nil || len(got) != len(all) {
		t.Errorf("%d readings, %v; want %d", len(got), err, len(all))
	}
}

// Of two copies of a row that lie in a damaged file, an old page and its new
// image in the log, the one that was written last counts.
func TestTailRowRevision(t *testing.T) {
	b := rounds16(12)
	old, new := makeTailRow(9, b[:100]), makeTailRow(9, b[:180])
	if a, b := revision('t', 9, old.body), revision('t', 9, new.body); a != 1100 || b != 1180 {
		t.Errorf("revisions %d and %d, want what comes after the highest numbers, 1100 and 1180", a, b)
	}
}
