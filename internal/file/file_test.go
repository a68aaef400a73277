// SPDX-License-Identifier: Apache-2.0

package file

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// must ends the test at an error.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, name string) string {
	t.Helper()
	b, err := os.ReadFile(name)
	must(t, err)
	return string(b)
}

func TestReplace(t *testing.T) {
	dir := t.TempDir()
	name, link, away := filepath.Join(dir, "a"), filepath.Join(dir, "link"), filepath.Join(dir, "away")
	for i, text := range []string{"old", "new"} {
		if err := Replace(name, []byte(text)); err != nil || read(t, name) != text {
			t.Fatalf("%d: %v", i, err)
		}
	}
	must(t, os.Chmod(name, 0o600))
	must(t, os.Symlink("a", link))
	if err := Replace(link, []byte("by the link")); err != nil || read(t, name) != "by the link" {
		t.Errorf("through a link: %v, %q", err, read(t, name))
	}
	if fi, err := os.Lstat(link); err != nil || fi.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link is gone: %v", err)
	}
	if fi, err := os.Stat(name); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("its mode is %v, want 0600", fi.Mode())
	}
	must(t, os.Symlink("made", away))
	if err := Replace(away, []byte("x")); err != nil || read(t, filepath.Join(dir, "made")) != "x" {
		t.Errorf("through a link to nothing: %v", err)
	}
	if err := Replace(dir, []byte("x")); !errors.Is(err, syscall.EISDIR) {
		t.Errorf("a folder: %v", err)
	}

	// What fails half way leaves what was there, and nothing beside it.
	broken := errors.New("broken off")
	err := Write(name, func(w io.Writer) error { io.WriteString(w, "half"); return broken })
	if !errors.Is(err, broken) || read(t, name) != "by the link" {
		t.Errorf("broken off: %v, %q", err, read(t, name))
	}
	es, err := os.ReadDir(dir)
	if err != nil || len(es) != 4 {
		t.Errorf("left behind: %v, %v", es, err)
	}
}

// A pipe and a device are written into and stay what they are: replaced by root,
// a device would be a page of HTML from then on.
func TestNeverReplacesWhatIsNoFile(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "pipe")
	must(t, syscall.Mkfifo(pipe, 0o600))
	got := make(chan string, 1)
	go func() {
		b, _ := os.ReadFile(pipe)
		got <- string(b)
	}()
	must(t, Replace(pipe, []byte("through")))
	if s := <-got; s != "through" {
		t.Errorf("the reader got %q", s)
	}
	if fi, err := os.Lstat(pipe); err != nil || fi.Mode()&fs.ModeNamedPipe == 0 {
		t.Errorf("no pipe any more: %v, %v", fi.Mode(), err)
	}

	null := filepath.Join(t.TempDir(), "null")
	if err := syscall.Mknod(null, syscall.S_IFCHR|0o600, 1<<8|3); err != nil {
		t.Skip("no device can be made here (that needs root):", err)
	}
	if err := Replace(null, []byte("into nothing")); err != nil {
		t.Skip("devices are not open here:", err)
	}
	if fi, err := os.Lstat(null); err != nil || fi.Mode()&fs.ModeCharDevice == 0 {
		t.Errorf("no device any more: %v, %v", fi.Mode(), err)
	}
}
