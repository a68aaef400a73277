// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"
)

func write(t *testing.T, s *Store, key, say string, ws ...WorkWrite) Entry {
	t.Helper()
	e, _, err := s.WriteWork(t.Context(), "Anna", entryNow, key, func(func(string) string) ([]WorkWrite, string, error) { return ws, say, nil })
	must(t, err)
	return e
}

var entryNow = time.Date(2026, 10, 10, 10, 0, 0, 0, time.UTC)

func field(t *testing.T, s *Store, kind, id, name string) string {
	t.Helper()
	b, _, ok := s.Record(kind, id)
	if !ok {
		return "gone"
	}
	var m map[string]any
	must(t, json.Unmarshal(b, &m))
	v, _ := m[name].(string)
	return v
}

func w(kind, id, body string) WorkWrite { return WorkWrite{kind, id, []byte(body)} }

// An entry of several records is taken back as a whole, one after another, and
// nothing of it is lost from the store; so it is after a restart.
func TestUndoEntry(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	one := write(t, s, "k1", "cup", w("batch", "c3", `{"resin":"medium","mixed":"2026-10-10T09:30:00Z"}`))
	two := write(t, s, "", "tack on",
		w("coat", "coat-1", `{"panel":"lid","resin":"medium","kind":"tack coat","applied":"2026-10-10T09:35:00Z"}`),
		w("batch", "c3", `{"resin":"medium","mixed":"2026-10-10T09:30:00Z","ended":"2026-10-10T09:35:00Z"}`),
		w("tick", "tick-1", `{"step":"tack"}`))
	if len(two.Wrote) != 3 || two.Wrote[1].Op != "patch" || two.Say != "tack on" {
		t.Errorf("entry %+v", two)
	}
	must(t, s.Close())
	s = open(t, dir, Options{})
	// The repeat of a key gives the first entry again, and writes nothing.
	e, created, err := s.WriteWork(t.Context(), "Anna", entryNow, "k1", func(func(string) string) ([]WorkWrite, string, error) {
		t.Error("built again")
		return nil, "", nil
	})
	if err != nil || created || e.ID != one.ID {
		t.Errorf("repeat: %+v, %v, %v", e, created, err)
	}
	if last, ok := s.LastEntry(); !ok || last.ID != two.ID || len(last.Wrote) != 3 || last.Say != "tack on" {
		t.Errorf("last %+v", last)
	}
	undone, entry, err := s.UndoEntry(t.Context(), "", "Ben", entryNow, "", nil)
	if err != nil || undone.ID != two.ID || entry.Undoes != two.ID || entry.By != "Ben" {
		t.Fatalf("undone %+v by %+v: %v", undone, entry, err)
	}
	if got := field(t, s, "coat", "coat-1", "kind") + " " + field(t, s, "batch", "c3", "ended") + " " + field(t, s, "tick", "tick-1", "step"); got != "gone  gone" {
		t.Errorf("after the undo: %q", got)
	}
	if cs, err := s.Changes(t.Context(), "coat", "coat-1"); err != nil || len(cs) != 2 {
		t.Errorf("the record shows %d versions, want both: %v", len(cs), err)
	}
	if _, _, err := s.UndoEntry(t.Context(), two.ID, "Ben", entryNow, "", nil); !errors.Is(err, ErrExists) {
		t.Errorf("taken back twice: %v", err)
	}
	if last, ok := s.LastEntry(); !ok || last.ID != one.ID {
		t.Errorf("last after the undo: %+v", last)
	}
	// A taking back is taken back by its id: all is there again.
	if _, _, err := s.UndoEntry(t.Context(), entry.ID, "Ben", entryNow, "", nil); err != nil {
		t.Fatal(err)
	}
	if got := field(t, s, "coat", "coat-1", "kind") + " " + field(t, s, "batch", "c3", "ended"); got != "tack coat 2026-10-10T09:35:00Z" {
		t.Errorf("after the redo: %q", got)
	}
	es, err := s.Entries(t.Context(), 10)
	if err != nil || len(es) != 4 || es[0].Undoes != entry.ID || es[2].ID != two.ID || es[2].Undone {
		t.Errorf("entries %+v: %v", es, err)
	}
}

func TestUndoRefuses(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	if _, _, err := s.UndoEntry(t.Context(), "", "Ben", entryNow, "", nil); !errors.Is(err, ErrNotFound) {
		t.Errorf("nothing entered: %v", err)
	}
	first := write(t, s, "", "cup", w("batch", "c3", `{"resin":"medium","mixed":"2026-10-10T09:30:00Z"}`))
	second := write(t, s, "", "corrected", w("batch", "c3", `{"resin":"slow","mixed":"2026-10-10T09:30:00Z"}`))
	_, _, err := s.UndoEntry(t.Context(), first.ID, "Ben", entryNow, "", nil)
	if !errors.Is(err, ErrBuiltOn) || !strings.Contains(err.Error(), second.ID) {
		t.Errorf("built on: %v", err)
	}
	no := errors.New("no")
	if _, _, err := s.UndoEntry(t.Context(), second.ID, "Ben", entryNow, "", func([]WorkWrite) error { return no }); !errors.Is(err, no) {
		t.Errorf("refused: %v", err)
	}
	// An entry that cannot be written whole leaves nothing.
	_, _, err = s.WriteWork(t.Context(), "Anna", entryNow, "", func(id func(string) string) ([]WorkWrite, string, error) {
		return []WorkWrite{w("batch", id("batch"), `{"resin":"medium"}`), w("coat", "x", `{"applied":7}`)}, "", nil
	})
	if err == nil || len(s.Records("batch")) != 1 {
		t.Errorf("half an entry: %v, %d cups", err, len(s.Records("batch")))
	}
	// Ids made in one entry differ.
	var ids []string
	_, _, _ = s.WriteWork(t.Context(), "Anna", entryNow, "", func(id func(string) string) ([]WorkWrite, string, error) {
		ids = []string{id("batch"), id("batch"), id("coat")}
		return nil, "", context.Canceled
	})
	if strings.Join(ids, " ") != "batch-1 batch-2 coat-1" {
		t.Errorf("ids %v", ids)
	}
}
