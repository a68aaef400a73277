// SPDX-License-Identifier: Apache-2.0

package history

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Files deleted, replaced or moved away while the store runs: noticed by their
// inode, said, and nothing more is entered until they are back; what was in
// them is kept.
func TestFilesTakenAwayWhileRunning(t *testing.T) {
	for name, take := range map[string]func(path string) error{
		"database deleted":  func(p string) error { return os.Remove(p) },
		"log deleted":       func(p string) error { return os.Remove(p + "-wal") },
		"database replaced": func(p string) error { os.Remove(p); return os.WriteFile(p, []byte("another"), 0o640) },
		"database swapped": func(p string) error {
			if err := copyFile(p, p+".tmp"); err != nil {
				return err
			}
			return os.Rename(p+".tmp", p)
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir, at(day))
			enter(t, s, 1)
			s.checkFiles()
			if tr := s.Trouble(); tr != "" {
				t.Fatalf("with all in place: %s", tr)
			}
			must(t, take(s.path()))
			s.checkFiles()
			if _, _, err := s.CreateWork(t.Context(), "piece", "", []byte(`{"name":"lid"}`), "me", day, ""); !errors.Is(err, ErrDisplaced) {
				t.Errorf("an entry: %v, want ErrDisplaced", err)
			}
			if tr := s.Trouble(); !strings.Contains(tr, "nothing new is kept") || !s.Stats().Displaced {
				t.Errorf("said: %q", tr)
			}
			saved, err := filepath.Glob(filepath.Join(dir, "quarantine", "rescued-*.db"))
			if err != nil || len(saved) != 1 {
				t.Fatalf("rescued copies: %v, %v; want one", saved, err)
			}
			if c, err := CheckFile(t.Context(), saved[0]); err != nil || c.Rows["work"] != 1 {
				t.Errorf("the rescued copy holds %+v, %v; want one entry", c, err)
			}
			// It is looked at every few seconds, and copied once.
			s.checkFiles()
			if again, _ := filepath.Glob(filepath.Join(dir, "quarantine", "rescued-*.db")); len(again) != 1 {
				t.Errorf("copied %d times", len(again))
			}
		})
	}
	t.Run("moved away and put back", func(t *testing.T) {
		s := open(t, t.TempDir(), at(day))
		must(t, os.Rename(s.path(), s.path()+".away"))
		s.checkFiles()
		if s.displacedError() == nil {
			t.Fatal("not noticed")
		}
		must(t, os.Rename(s.path()+".away", s.path()))
		s.checkFiles()
		enter(t, s, 2)
		if tr := s.Trouble(); tr != "" {
			t.Errorf("once it is back: %s", tr)
		}
	})
}

// A second daemon cannot start on the folder, whatever became of the lock's
// name.
func TestLockHoldsWithoutItsName(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, at(day))
	lock := filepath.Join(dir, "lock")
	for name, do := range map[string]func() error{
		"deleted":  func() error { return os.Remove(lock) },
		"replaced": func() error { os.Remove(lock); return os.WriteFile(lock, nil, 0o640) },
		"renamed":  func() error { os.WriteFile(lock, nil, 0o640); return os.Rename(lock, lock+".old") },
	} {
		must(t, do())
		if two, err := Open(dir, at(day)); !errors.Is(err, ErrInUse) {
			t.Errorf("lock %s: a second store opened (%v)", name, err)
			two.Close()
		}
		if ro, err := OpenReadOnly(dir); !errors.Is(err, ErrInUse) {
			t.Errorf("lock %s: opened to read beside the daemon (%v)", name, err)
			ro.Close()
		}
	}
	s.checkFiles()
	if _, err := os.Stat(lock); err != nil {
		t.Error("the lock file is not made anew")
	}
	must(t, s.Close())
	open(t, dir, at(day))
}
