// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"curewright/internal/cardfault"
	"curewright/sensors"
)

// Every way in which something is entered, with each call to the operating
// system failing once in its turn, SQLite's and our own: what was acknowledged
// is there after a kill, what was refused was refused aloud, and the store
// opens and works.
func TestEveryCallFails(t *testing.T) {
	defer cardfault.Set(nil)
	stride := 5
	if faults(0) > 0 {
		stride = 1 // the campaign
	}
	calls, failed, acked, refused := 0, 0, 0, 0
	for _, why := range []error{cardfault.ErrFull, cardfault.ErrIO} {
		for n := 0; ; n += stride {
			hit := failNth(t, n, why, &acked, &refused)
			if !hit {
				calls = n
				break
			}
			failed++
			if t.Failed() {
				return
			}
		}
	}
	t.Logf("about %d calls, %d failures injected: %d entries acknowledged and found, %d refused", calls, failed, acked, refused)
	if failed < 20 {
		t.Errorf("only %d failures were injected", failed)
	}
}

func failNth(t *testing.T, n int, why error, acked, refused *int) (hit bool) {
	t.Helper()
	cardfault.Set(nil)
	dir, ctx := t.TempDir(), context.Background()
	count := 0
	fail := func(string) error {
		count++
		if count-1 == n {
			hit = true
			return why
		}
		return nil
	}
	o := Options{Now: func() time.Time { return day.Add(6 * time.Hour) }}
	s, err := Open(dir, o)
	must(t, err)
	must(t, s.PutToken(ctx, Token{ID: "old", Hash: "old-hash", Made: day}))
	// Nothing else writes meanwhile: the n-th call is the same in every run.
	s.opts.fault = func(op, path string) error { return fail(op + path) }
	cardfault.Set(func(op cardfault.Op, path string) error { return fail(string(op) + path) })
	type entry struct {
		name  string
		err   error
		there func(*Store) bool
	}
	var es []entry
	do := func(name string, err error, there func(*Store) bool) { es = append(es, entry{name, err, there}) }
	has := func(kind, id string) func(*Store) bool {
		return func(s *Store) bool { _, _, ok := s.Record(kind, id); return ok }
	}
	create := func(kind, id, body string) error {
		_, _, err := s.CreateWork(ctx, kind, id, []byte(body), "me", day, "")
		return err
	}
	do("create", create("panel", "lid", `{"core":"foam"}`), has("panel", "lid"))
	do("create", create("coat", "tack", `{"panel":"lid","resin":"fast","kind":"tack coat","applied":"2026-10-10T09:40:00Z"}`), func(s *Store) bool {
		return s.work[workKey{"coat", "tack"}] != nil // deleted below
	})
	do("patch", s.PatchWork(ctx, "panel", "lid", []byte(`{"core":"wood"}`), "me", day, "", nil), func(s *Store) bool {
		_, v, ok := s.Record("panel", "lid")
		return ok && v == 2
	})
	do("delete", s.DeleteWork(ctx, "coat", "tack", "me", day, ""), func(s *Store) bool { return !has("coat", "tack")(s) })
	_, _, err = s.WriteWork(ctx, "me", day, "", func(newID func(string) string) ([]WorkWrite, string, error) {
		return []WorkWrite{{"panel", "a", []byte(`{}`)}, {"panel", "b", []byte(`{}`)}}, "two at once", nil
	})
	do("entry of two", err, func(s *Store) bool { return has("panel", "a")(s) && has("panel", "b")(s) })
	do("setting", s.PutKV(ctx, "setting", "x", []byte(`1`)), func(s *Store) bool { _, ok := s.KV("setting", "x"); return ok })
	do("alerts", s.SaveAlerts(ctx, map[string][]byte{"a1": []byte(`{}`)}, map[string][]byte{"m1": []byte(`{}`)}, nil), func(s *Store) bool {
		_, a := s.KV("alert", "a1")
		_, m := s.KV("outbox", "m1")
		return a && m
	})
	do("token", s.PutToken(ctx, Token{ID: "new", Hash: "new-hash", Made: day}), func(s *Store) bool { _, ok := s.TokenByHash("new-hash"); return ok })
	do("revocation", s.RevokeToken(ctx, "old", day), func(s *Store) bool { _, ok := s.TokenByHash("old-hash"); return !ok })
	for i := range 90 {
		s.Append([]sensors.Reading{reading("panel-1", day.Add(time.Duration(i)*time.Minute), float64(i)/16)})
	}
	readings := func(s *Store) bool {
		rs := collect(t, s, "panel-1", time.Time{}, time.Time{})
		return len(rs) == 90
	}
	do("flush", s.Flush(ctx), readings)
	do("packing", s.Compact(ctx), readings)
	s.dbmu.Lock()
	err = s.compactJournal(ctx)
	s.dbmu.Unlock()
	do("journal anew", err, func(*Store) bool { return true })
	copied := filepath.Join(t.TempDir(), "copy.db")
	do("copy", s.Backup(ctx, copied), func(*Store) bool { _, err := CheckFile(ctx, copied); return err == nil })
	do("create after all", create("panel", "last", `{}`), has("panel", "last"))

	cardfault.Set(nil)
	abandon(s)
	s, err = Open(dir, Options{Now: o.Now})
	if err != nil {
		t.Errorf("call %d (%v): the store does not open: %v", n, why, err)
		return hit
	}
	defer s.Close()
	for _, e := range es {
		if e.err != nil {
			*refused++
			continue
		}
		*acked++
		if !e.there(s) {
			t.Errorf("call %d fails (%v): %s was acknowledged and is not there: %q", n, why, e.name, s.Trouble())
		}
	}
	if _, _, err := s.CreateWork(ctx, "piece", "after", []byte(`{}`), "me", day, ""); err != nil {
		t.Errorf("call %d (%v): cannot be written after: %v", n, why, err)
	}
	return hit
}
