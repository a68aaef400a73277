// SPDX-License-Identifier: Apache-2.0

package history

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A copy holds no log-ins, and putting an older one back revives none: who was
// shut out since stays out, who is in stays in.
func TestCopiesHoldNoTokens(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	s := open(t, dir, at(day))
	for _, id := range []string{"lost-phone", "mine"} {
		must(t, s.PutToken(ctx, Token{ID: id, Hash: "hash-of-" + id, Made: day}))
	}
	enter(t, s, 1)
	copied := filepath.Join(t.TempDir(), "copy.db")
	must(t, s.Backup(ctx, copied))
	b, err := os.ReadFile(copied)
	if err != nil || strings.Contains(string(b), "hash-of-") {
		t.Errorf("the copy holds hashes of tokens (%v)", err)
	}
	enter(t, s, 2)
	must(t, s.RevokeToken(ctx, "lost-phone", day))
	s.Close()
	must(t, Restore(ctx, copied, dir))
	s = open(t, dir, at(day))
	if _, ok := s.TokenByHash("hash-of-lost-phone"); ok {
		t.Error("the restore let the lost phone in again")
	}
	if _, ok := s.TokenByHash("hash-of-mine"); !ok {
		t.Error("the restore shut out who was in")
	}
	if n := len(s.Records("feel")); n != 1 {
		t.Errorf("%d finger tests after putting back a copy with one: the journal of the store before has no say", n)
	}
	if tr := s.Trouble(); tr != "" {
		t.Errorf("after the restore: %s", tr)
	}
}

// A copy with a trigger, a view, an index or another table is refused.
func TestForeignSchemaIsRefused(t *testing.T) {
	dir, ctx := t.TempDir(), t.Context()
	s := open(t, dir, at(day))
	enter(t, s, 1)
	good := filepath.Join(t.TempDir(), "copy.db")
	must(t, s.Backup(ctx, good))
	s.Close()
	for name, text := range map[string]string{
		"trigger": "CREATE TRIGGER x AFTER INSERT ON work BEGIN DELETE FROM kv; END",
		"view":    "CREATE VIEW x AS SELECT * FROM work",
		"index":   "CREATE INDEX x ON work (crc)",
		"table":   "CREATE TABLE x (a)",
		"virtual": "CREATE VIRTUAL TABLE x USING fts5(a)",
		"column":  "ALTER TABLE work ADD COLUMN more",
	} {
		bad := filepath.Join(t.TempDir(), "bad.db")
		must(t, copyFile(good, bad))
		db, err := sql.Open("sqlite", "file:"+bad)
		must(t, err)
		if _, err := db.Exec(text); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		db.Close()
		if err := Restore(ctx, bad, dir); !errors.Is(err, ErrDamaged) {
			t.Errorf("a copy with another %s: %v, want it refused", name, err)
		}
	}
	if err := Restore(ctx, good, dir); err != nil {
		t.Errorf("the good copy: %v", err)
	}
}

// What a cut left of copies is removed at the start.
func TestLeftoversAreRemoved(t *testing.T) {
	dir := t.TempDir()
	for _, n := range []string{".restore-123", "journal.new", "history.db.restoring"} {
		must(t, os.WriteFile(filepath.Join(dir, n), []byte("x"), 0o600))
	}
	must(t, os.MkdirAll(filepath.Join(dir, ".backup-9", "in"), 0o700))
	open(t, dir, at(day))
	ents, err := os.ReadDir(dir)
	must(t, err)
	for _, e := range ents {
		if strings.HasPrefix(e.Name(), ".") || strings.HasSuffix(e.Name(), "ing") || strings.HasSuffix(e.Name(), ".new") {
			t.Errorf("%s is still there", e.Name())
		}
	}
}
