// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/history"
	"curewright/internal/testkit"
)

// A copy made by one command is put back by the other; a broken copy and a
// store in use are refused with nothing changed.
func TestRestore(t *testing.T) {
	dir, copyDir := t.TempDir(), t.TempDir()
	file := filepath.Join(copyDir, "copy.db")
	open := func(dir string) *history.Store {
		t.Helper()
		s, err := history.Open(dir, history.Options{})
		testkit.OK(t, err)
		return s
	}
	events := func(dir string) string {
		t.Helper()
		s, err := history.OpenReadOnly(dir)
		testkit.OK(t, err)
		defer s.Close()
		es, err := s.Events(t.Context(), time.Time{}, time.Now().Add(time.Hour), 100)
		testkit.OK(t, err)
		var b strings.Builder
		for _, e := range es {
			if e.Kind == "test" {
				b.WriteString(e.Text + ";")
			}
		}
		return b.String()
	}
	s := open(dir)
	s.AddEvent("test", "", "before the copy", time.Now(), "test")
	testkit.OK(t, s.Close())
	cmdOK(t, "backup", file, "--data", dir)
	s = open(dir)
	s.AddEvent("test", "", "after the copy", time.Now(), "test")

	// In use: the daemon has it.
	code, _, errs := runCmd(t, "restore", file, "--data", dir)
	if code != exitFailed || !strings.Contains(errs, "stop the daemon first") {
		t.Errorf("in use: exit %d, %q", code, errs)
	}
	testkit.OK(t, s.Close())

	// Broken, of another kind, absent.
	whole := testkit.MustRead(t, file)
	half := filepath.Join(copyDir, "half.db")
	testkit.Write(t, half, string(whole[:len(whole)/2]))
	text := filepath.Join(copyDir, "text.db")
	testkit.Write(t, text, "no store")
	before := testkit.MustRead(t, filepath.Join(dir, history.File))
	for _, bad := range []string{half, text, filepath.Join(copyDir, "none.db")} {
		code, out, errs := runCmd(t, "restore", bad, "--data", dir)
		if code != exitUsage || out != "" || !strings.Contains(errs, filepath.Base(bad)) {
			t.Errorf("%s: exit %d, %q, %q", filepath.Base(bad), code, out, errs)
		}
	}
	if now, _ := os.ReadFile(filepath.Join(dir, history.File)); !bytes.Equal(now, before) {
		t.Error("a refused restore changed the store")
	}
	if got := events(dir); got != "before the copy;after the copy;" {
		t.Fatalf("before restoring: %q", got)
	}

	out := cmdOK(t, "restore", file, "--data", dir)
	if !strings.Contains(out, "quarantine") {
		t.Errorf("where the old store is kept is not said: %s", out)
	}
	if got := events(dir); got != "before the copy;" {
		t.Errorf("restored: %q", got)
	}
	if q, _ := filepath.Glob(filepath.Join(dir, "quarantine", "*", history.File)); len(q) != 1 {
		t.Errorf("the old store is not kept: %v", q)
	}
	// Into a folder that does not exist yet: a new board.
	fresh := filepath.Join(t.TempDir(), "new")
	cmdOK(t, "restore", file, "--data", fresh)
	if got := events(fresh); got != "before the copy;" {
		t.Errorf("on a new board: %q", got)
	}
}
