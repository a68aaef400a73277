// SPDX-License-Identifier: Apache-2.0

package file

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// What is no file with an end is refused with why, and nothing hangs or fills
// the memory.
func TestRead(t *testing.T) {
	dir := t.TempDir()
	text, pipe := filepath.Join(dir, "text"), filepath.Join(dir, "pipe")
	must(t, os.WriteFile(text, []byte("\xef\xbb\xbf[shop]\n"), 0o600))
	if b, err := Read(text); err != nil || string(b) != "[shop]\n" {
		t.Errorf("with a byte order mark: %q, %v", b, err)
	}
	must(t, syscall.Mkfifo(pipe, 0o600))
	for name, want := range map[string]string{"/dev/zero": "larger than", pipe: "nobody writes", dir: "directory", filepath.Join(dir, "none"): "no such file"} {
		if b, err := Read(name); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %d bytes, %v, want %q", name, len(b), err, want)
		}
	}
	// A pipe that somebody wrote to is read to its end. Ours keeps what is in it.
	keep, err := Open(pipe)
	must(t, err)
	defer keep.Close()
	w, err := os.OpenFile(pipe, os.O_WRONLY, 0)
	must(t, err)
	if _, err := w.WriteString("sheet"); err != nil {
		t.Fatal(err)
	}
	w.Close()
	if b, err := Read(pipe); err != nil || string(b) != "sheet" {
		t.Errorf("a pipe: %q, %v", b, err)
	}
}
