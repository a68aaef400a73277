// SPDX-License-Identifier: Apache-2.0

package record

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"

	"curewright/model/words"
)

// Whatever was typed, the table parses again with nine cells a row, none of
// them begins as a spreadsheet's formula does, and the page has no element
// that the template does not have.
func FuzzTyped(f *testing.F) {
	f.Add(`=HYPERLINK("x")`, "two\nlines, \"quoted\"", "</style><script>x</script>")
	f.Add("+1", "-1+cmd|' /C calc'!A0", "\t=1")
	f.Add("@SUM(1)", "\r=2", `" onload="x`)
	tame := strings.NewReplacer("<", "l", ">", "l", "&", "n", `"`, "q", "'", "q")
	made := func(name, note, shop string) (Input, Document, error) {
		in := weekend()
		in.Piece.Name, in.Shop, in.Panels[0].Name, in.Coats[1].Coat.Note = name, shop, name, note
		d, err := New(in)
		return in, d, err
	}
	page := func(t *testing.T, in Input, d Document) string {
		t.Helper()
		var b bytes.Buffer
		if err := HTML(&b, d, words.View{Loc: in.Loc}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	f.Fuzz(func(t *testing.T, name, note, shop string) {
		in, d, err := made(name, note, shop)
		if err != nil {
			return // refused is well too
		}
		var b bytes.Buffer
		if err := CSV(&b, d); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows {
			if len(r) != 9 {
				t.Fatalf("%d cells in %q", len(r), r)
			}
			for _, c := range r {
				if c != "" && strings.ContainsRune("=+@\t\r", rune(c[0])) {
					t.Errorf("the cell %q is a formula", c)
				}
				// A minus may begin a number and nothing else.
				if c != "" && c[0] == '-' && strings.Trim(c, "-0123456789.e") != "" {
					t.Errorf("the cell %q is a formula", c)
				}
			}
		}
		// The same page with tame words has the same elements.
		in2, d2, err := made(tame.Replace(name), tame.Replace(note), tame.Replace(shop))
		if err != nil {
			t.Fatal(err)
		}
		if got, want := strings.Count(page(t, in, d), "<"), strings.Count(page(t, in2, d2), "<"); got != want {
			t.Errorf("%d elements, %d with tame words", got, want)
		}
	})
}
