// SPDX-License-Identifier: Apache-2.0

package web

import (
	"io/fs"
	"strings"
	"testing"
)

func TestLean(t *testing.T) {
	in := "// a reader's line\nconst a = 'http://x'; // stays\n\n  if (a) {\n    b();\n  }\n"
	want := "const a = 'http://x'; // stays\nif (a) {\nb();\n}\n"
	if got := string(lean("js/x.js", []byte(in))); got != want {
		t.Errorf("lean = %q, want %q", got, want)
	}
	if got := string(lean("vendor/x.js", []byte(in))); got != in {
		t.Errorf("a vendored file was changed: %q", got)
	}
	if got := string(lean("x.svg", []byte(in))); got != in {
		t.Errorf("another kind of file was changed: %q", got)
	}
}

// Each of the page's files has its type by its name.
func TestEveryFileHasAType(t *testing.T) {
	for name, f := range newAssets().files {
		if f.mime == "" {
			t.Errorf("%s: no type for its ending", name)
		}
	}
}

// TestLeanIsSafe: no script of ours has a text or a block comment that runs
// over the end of a line, where leading blanks or slashes would mean something.
func TestLeanIsSafe(t *testing.T) {
	err := fs.WalkDir(embedded, "assets", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(p, ".js") || strings.Contains(p, "vendor/") {
			return err
		}
		b, err := fs.ReadFile(embedded, p)
		if err != nil {
			return err
		}
		n := 0
		for line := range strings.Lines(string(b)) {
			n++
			if strings.Count(line, "`")%2 != 0 {
				t.Errorf("%s:%d: a template runs over the line's end", p, n)
			}
			if strings.Contains(line, "/*") || strings.HasSuffix(strings.TrimRight(line, "\r\n"), `\`) {
				t.Errorf("%s:%d: a block comment or a continued line", p, n)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
