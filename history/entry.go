// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/model/coat"
)

// ErrBuiltOn: an entry cannot be taken back, because something was entered on
// top of it.
var ErrBuiltOn = errors.New("something was entered on top of it")

// WorkWrite is one record that an entry creates, replaces or, with a nil body,
// deletes.
type WorkWrite struct {
	Kind, ID string
	Body     []byte // the whole record, a JSON object
}

// Wrote is one record that an entry wrote.
type Wrote = coat.Wrote

// Entry is one thing that a person entered, with every record that it wrote.
// Taking it back takes back all of them.
type Entry struct {
	ID     string    `json:"id"`
	At     time.Time `json:"at"` // when it was entered
	By     string    `json:"by"`
	Say    string    `json:"say"` // "" for a single record
	Wrote  []Wrote   `json:"wrote"`
	Undoes string    `json:"undoes,omitempty"` // the entry that this one takes back
	Undone bool      `json:"undone"`           // it was taken back
	// Damaged says that not all of it can be read any more.
	Damaged bool `json:"damaged,omitempty"`
}

// entryRow is an entry in memory: its rows follow each other.
type entryRow struct {
	first  int64
	n      int64
	undoes int64
	undone bool
	auto   bool
}

func entryID(first int64) string { return "e" + strconv.FormatInt(first, 10) }

// foldEntry takes one version into the list of entries; mu is held.
func (s *Store) foldEntry(row int64, d workDisk) {
	first := cmp.Or(d.Entry, row)
	if k := len(s.entries) - 1; k >= 0 && s.entries[k].first == first {
		s.entries[k].n = row - first + 1
		if k := len(s.newest) - 1; k >= 0 && s.newest[k].ID == entryID(first) {
			s.newest[k].Wrote = append(s.newest[k].Wrote, Wrote{Kind: d.Kind, ID: d.ID, Op: d.Op})
		}
		return
	}
	if !d.Auto && d.Undoes == 0 {
		s.newest = append(s.newest, Entry{ID: entryID(first), At: d.At, By: d.By, Say: d.Say, Wrote: []Wrote{{Kind: d.Kind, ID: d.ID, Op: d.Op}}})
		if len(s.newest) > 2*recentEntries {
			s.newest = slices.Delete(s.newest, 0, recentEntries)
		}
	}
	s.entries = append(s.entries, entryRow{first: first, n: row - first + 1, undoes: d.Undoes, auto: d.Auto})
	if u := s.entryRow(d.Undoes); u != nil {
		u.undone = true
		if v := s.entryRow(u.undoes); v != nil {
			v.undone = false // a taking back was taken back
		}
	}
}

// recentEntries is how many of the newest entries are kept in memory, so that
// whoever shows the last one does not wait for the card.
const recentEntries = 32

// LastEntry is the newest entry that is neither taken back nor a taking back,
// of the last few dozen. It does not wait for the card.
func (s *Store) LastEntry() (Entry, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := len(s.newest) - 1; i >= 0; i-- {
		e := s.newest[i]
		if row := s.entryRow(mustEntry(e.ID)); row != nil && !row.undone {
			e.Wrote = slices.Clone(e.Wrote)
			return e, true
		}
	}
	return Entry{}, false
}

// entryRow finds an entry by its first row; mu is held.
func (s *Store) entryRow(first int64) *entryRow {
	i, ok := slices.BinarySearchFunc(s.entries, first, func(e entryRow, first int64) int { return cmp.Compare(e.first, first) })
	if !ok || first == 0 {
		return nil
	}
	return &s.entries[i]
}

// WriteWork writes everything that one entry changes in one transaction: all of
// it or nothing. build is called with the store at rest and a source of short
// ids; it may call [Store.Work], [Store.Record] and [Store.Records] but nothing
// that writes, and its error is returned as it is. A known idempotency key
// returns the entry of the first call and created false. It is on disk before
// WriteWork returns.
func (s *Store) WriteWork(ctx context.Context, by string, at time.Time, idemKey string, build func(newID func(kind string) string) (writes []WorkWrite, say string, err error)) (Entry, bool, error) {
	if err := s.dbmu.LockFor(ctx); err != nil {
		return Entry{}, false, fmt.Errorf("history: entry: %w", err)
	}
	defer s.dbmu.Unlock()
	s.mu.Lock()
	first, repeat, err := s.repeat(idemKey, at)
	s.mu.Unlock()
	if err != nil {
		return Entry{}, false, err
	}
	if repeat {
		e, err := s.entry(ctx, first)
		return e, false, err
	}
	taken := map[string]int{}
	writes, say, err := build(func(kind string) string {
		s.mu.Lock()
		defer s.mu.Unlock()
		taken[kind]++
		return s.shortID(kind, taken[kind])
	})
	if err != nil {
		return Entry{}, false, err
	}
	row, err := s.putEntry(ctx, writes, say, 0, by, at, idemKey)
	if err != nil {
		return Entry{}, false, err
	}
	e, err := s.entry(ctx, entryID(row))
	return e, true, err
}

// putEntry writes an entry; dbmu is held.
func (s *Store) putEntry(ctx context.Context, writes []WorkWrite, say string, undoes int64, by string, at time.Time, key string) (int64, error) {
	if len(writes) == 0 {
		return 0, fmt.Errorf("history: entry: nothing to write")
	}
	var rows []workDisk
	for i, w := range writes {
		d := workDisk{Kind: w.Kind, ID: w.ID, Version: 1, Op: "create", At: at.UTC(), By: by}
		s.mu.Lock()
		r := s.work[workKey{w.Kind, w.ID}]
		if r != nil {
			d.Version, d.Op = r.version+1, "patch"
		}
		if w.Body == nil && r != nil {
			d.Op, d.Body = "delete", r.body
		}
		s.mu.Unlock()
		if w.Body == nil && r == nil {
			return 0, fmt.Errorf("history: %s %s: %w", w.Kind, w.ID, ErrNotFound)
		}
		if w.Body != nil {
			full, err := withID(w.Kind, w.ID, w.Body)
			if err == nil {
				err = checkBody(w.Kind, full)
			}
			if err != nil {
				return 0, fmt.Errorf("history: %s %s: %w", w.Kind, w.ID, err)
			}
			d.Body = full
		}
		if i == 0 {
			d.Key, d.Say, d.Undoes = key, say, undoes
		}
		rows = append(rows, d)
	}
	if len(rows) == 1 && key != "" {
		// A repeat of a one-row entry would otherwise return the record's id.
		s.mu.Lock()
		rows[0].Entry = s.workNext + 1
		s.mu.Unlock()
	}
	row, err := s.appendRows(ctx, rows)
	if err != nil {
		return 0, fmt.Errorf("history: entry: %w", err)
	}
	return row, nil
}

// entry reads an entry from the disk; dbmu is held.
func (s *Store) entry(ctx context.Context, id string) (Entry, error) {
	n, err := strconv.ParseInt(strings.TrimPrefix(id, "e"), 10, 64)
	s.mu.Lock()
	row := s.entryRow(n)
	if err != nil || row == nil || entryID(n) != id {
		s.mu.Unlock()
		return Entry{}, fmt.Errorf("history: entry %s: %w", id, ErrNotFound)
	}
	r := *row
	s.mu.Unlock()
	e := Entry{ID: id, Undone: r.undone}
	if r.undoes != 0 {
		e.Undoes = entryID(r.undoes)
	}
	err = eachRow(ctx, s.db, "work", r.first, r.first+r.n-1, func(_ int64, body []byte, ok bool) error {
		d, err := readWork(body)
		if !ok || err != nil {
			return nil // the repair has reported the damage
		}
		if e.At.IsZero() {
			e.At, e.By, e.Say = d.At, d.By, d.Say
		}
		e.Wrote = append(e.Wrote, Wrote{Kind: d.Kind, ID: d.ID, Op: d.Op})
		return nil
	})
	e.Damaged = int64(len(e.Wrote)) < r.n
	return e, err
}

// Entries returns up to limit of what people entered, newest first.
func (s *Store) Entries(ctx context.Context, limit int) ([]Entry, error) {
	if err := s.dbmu.LockFor(ctx); err != nil {
		return nil, fmt.Errorf("history: entries: %w", err)
	}
	defer s.dbmu.Unlock()
	if s.closed {
		return nil, ErrClosed
	}
	var ids []string
	s.mu.Lock()
	for i := len(s.entries) - 1; i >= 0 && len(ids) < limit; i-- {
		if !s.entries[i].auto {
			ids = append(ids, entryID(s.entries[i].first))
		}
	}
	s.mu.Unlock()
	out := make([]Entry, 0, len(ids))
	for _, id := range ids {
		e, err := s.entry(ctx, id)
		if err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	return out, nil
}

// UndoEntry takes an entry back as a whole: every record that it wrote is again
// as it was before, by a new version each, and both stay in the store. With id
// "" it is the newest entry that is neither taken back nor a taking back; a
// taking back may itself be taken back by its id. check, when not nil, may
// refuse. Where a record was changed since, the error is [ErrBuiltOn] and names
// it.
func (s *Store) UndoEntry(ctx context.Context, id, by string, at time.Time, idemKey string, check func(writes []WorkWrite) error) (undone, entry Entry, err error) {
	if err := s.dbmu.LockFor(ctx); err != nil {
		return undone, entry, fmt.Errorf("history: undo: %w", err)
	}
	defer s.dbmu.Unlock()
	s.mu.Lock()
	if known, ok, kerr := s.repeat(idemKey, at); ok {
		s.mu.Unlock()
		if kerr != nil {
			return undone, entry, kerr
		}
		if entry, err = s.entry(ctx, known); err == nil {
			undone, err = s.entry(ctx, entry.Undoes)
		}
		return undone, entry, err
	}
	if id == "" {
		for i := len(s.entries) - 1; i >= 0 && id == ""; i-- {
			if e := s.entries[i]; !e.auto && !e.undone && e.undoes == 0 {
				id = entryID(e.first)
			}
		}
	}
	s.mu.Unlock()
	if id == "" {
		return undone, entry, fmt.Errorf("history: undo: %w: nothing is left to take back", ErrNotFound)
	}
	if undone, err = s.entry(ctx, id); err != nil {
		return undone, entry, err
	}
	if undone.Undone {
		return undone, entry, fmt.Errorf("history: entry %s: %w: it was taken back already", id, ErrExists)
	}
	if undone.Damaged {
		return undone, entry, fmt.Errorf("history: entry %s: a part of it is damaged; correct its records by hand", id)
	}
	writes, err := s.beforeEntry(ctx, undone)
	if err != nil {
		return undone, entry, err
	}
	if check != nil {
		if err := check(writes); err != nil {
			return undone, entry, err
		}
	}
	say := "Taken back: " + cmp.Or(undone.Say, "an entry") // its own words follow
	row, err := s.putEntry(ctx, writes, say, mustEntry(id), by, at, idemKey)
	if err != nil {
		return undone, entry, err
	}
	undone.Undone = true
	entry, err = s.entry(ctx, entryID(row))
	return undone, entry, err
}

func mustEntry(id string) int64 {
	n, _ := strconv.ParseInt(strings.TrimPrefix(id, "e"), 10, 64)
	return n
}

// beforeEntry is every record of an entry as it was before; dbmu is held.
func (s *Store) beforeEntry(ctx context.Context, e Entry) ([]WorkWrite, error) {
	first := mustEntry(e.ID)
	var out []WorkWrite
	for _, w := range slices.Backward(e.Wrote) {
		s.mu.Lock()
		r := s.work[workKey{w.Kind, w.ID}]
		row := s.entryRow(first)
		if r == nil || row == nil {
			s.mu.Unlock()
			return nil, fmt.Errorf("history: %s %s: %w", w.Kind, w.ID, ErrNotFound)
		}
		rows, end := slices.Clone(r.rows), row.first+row.n
		last := s.lastHeld(rows)
		by := s.entryOf(last)
		s.mu.Unlock()
		if last >= end {
			return nil, fmt.Errorf("history: %s %s: %w: entry %s came after; take that back first", w.Kind, w.ID, ErrBuiltOn, entryID(by.first))
		}
		was := WorkWrite{Kind: w.Kind, ID: w.ID}
		if k, _ := slices.BinarySearch(rows, first); k > 0 {
			found := false
			err := eachRow(ctx, s.db, "work", rows[k-1], rows[k-1], func(_ int64, body []byte, ok bool) error {
				if d, err := readWork(body); ok && err == nil {
					found = true
					if d.Op != "delete" {
						was.Body = d.Body
					}
				}
				return nil
			})
			if err != nil {
				return nil, err
			}
			if !found {
				return nil, fmt.Errorf("history: %s %s: the version before is damaged; correct it by hand", w.Kind, w.ID)
			}
		}
		if was.Body == nil && w.Op == "delete" {
			continue // it did not exist before the entry either
		}
		out = append(out, was)
	}
	return out, nil
}

// lastHeld is the newest of a record's rows that still holds: entries that were
// taken back, and the takings back, cancel each other. mu is held.
func (s *Store) lastHeld(rows []int64) int64 {
	for _, row := range slices.Backward(rows) {
		if e := s.entryOf(row); e.undone || e.undoes != 0 {
			continue
		}
		return row
	}
	return rows[0]
}

// entryOf is the entry that holds a row; mu is held.
func (s *Store) entryOf(row int64) entryRow {
	i, ok := slices.BinarySearchFunc(s.entries, row, func(e entryRow, row int64) int { return cmp.Compare(e.first, row) })
	if !ok {
		i--
	}
	if i < 0 {
		return entryRow{first: row, n: 1}
	}
	return s.entries[i]
}
