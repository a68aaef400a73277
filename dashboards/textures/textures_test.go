// SPDX-License-Identifier: Apache-2.0

package textures

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"curewright/model/coat"
	"curewright/model/words"
)

var update = flag.Bool("update", false, "write the page's and the boards' lists of states anew")

var all = append(slices.Clone(coat.States), coat.Unknown)

// Every state has a drawing, and no two the same.
func TestEveryState(t *testing.T) {
	marks := map[rune]coat.State{}
	for _, s := range all {
		x, ok := Of[s]
		if !ok || x.Mark == 0 || x.Rows == nil && !x.Lean && !x.Tone && !x.Doubt || (x.Tile == nil) != x.Tone {
			t.Errorf("%s is not drawn: %+v", s, x)
		}
		if other, twice := marks[x.Mark]; twice {
			t.Errorf("%s and %s are both %c", s, other, x.Mark)
		}
		marks[x.Mark] = s
	}
	if len(Of) != len(marks) {
		t.Errorf("%d drawings of %d states", len(Of), len(marks))
	}
}

// The page and the Grafana boards have the states from here: their order, their
// words and their drawings; the page has what other codes are called as well.
func TestStatesElsewhere(t *testing.T) {
	type state struct {
		Code   coat.State `json:"code"`
		Word   string     `json:"word"`
		Finger string     `json:"finger,omitempty"`
		Tile   *Tile      `json:"tile,omitempty"`
	}
	page := bytes.NewBufferString("// SPDX-License-Identifier: Apache-2.0\n// Generated: go test ./dashboards/textures -update. The states, from wet on, and\n// what is drawn and said where none is known; what other codes of the board are called.\n\nexport const states = [\n")
	board := bytes.NewBufferString("[\n")
	for i, s := range all {
		x := state{Code: s, Word: words.English.Text("state." + string(s))}
		short, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		if s != coat.Unknown {
			x.Finger = words.Upper(words.English.Text("finger." + string(s)))
		}
		x.Tile = Of[s].Tile
		long, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		page.WriteString("  " + string(long) + ",\n")
		board.WriteString("  " + string(short) + map[bool]string{true: ",\n", false: "\n"}[i+1 < len(all)])
	}
	page.WriteString("];\n\nexport const words = {\n")
	for _, prefix := range []string{"kind.", "core.", "window.", "flag."} {
		page.WriteString(" ")
		for _, code := range words.English.Codes(prefix) {
			fmt.Fprintf(page, " %q: %q,", code, words.English.Text(code))
		}
		page.WriteString("\n")
	}
	page.WriteString("};\n")
	board.WriteString("]\n")
	for name, want := range map[string][]byte{"../web/assets/js/states.js": page.Bytes(), "../boards/gen/states.json": board.Bytes()} {
		if *update {
			if err := os.WriteFile(name, want, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := os.ReadFile(name); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s is not what the states are (%v): go test ./dashboards/textures -update", name, err)
		}
	}
}

// A state more is four places (DEVELOPERS.md): its mark in model/cure, its order
// and judging in model/coat, its words in the catalogue, its drawing here. No file
// elsewhere that shows coats lists them.
func TestStatesStandInFewPlaces(t *testing.T) {
	var named []string
	for _, s := range coat.States {
		w := string(s)
		named = append(named, `(?:["'.]`+w+`["' :{]|coat\.`+words.Upper(w)+`\b)`)
	}
	list := regexp.MustCompile(`(?s)` + strings.Join(named, `.{0,250}?`))
	generated := []string{"../web/assets/js/states.js", "../boards/gen/states.json", "textures.go"}
	looked := 0
	for _, root := range []string{"..", "../../alerts", "../../history", "../../internal/cli", "../../internal/daemon"} {
		err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
			if err == nil && d.IsDir() && (d.Name() == "testdata" || d.Name() == "node_modules") {
				return fs.SkipDir
			}
			if err != nil || d.IsDir() || !slices.Contains([]string{".go", ".js", ".css", ".json"}, filepath.Ext(p)) || strings.HasSuffix(p, "_test.go") ||
				strings.HasPrefix(filepath.Base(p), "openapi") || slices.Contains(generated, p) || p == "../textures/textures.go" || filepath.Dir(p) == "../boards" {
				return err
			}
			b, err := os.ReadFile(p)
			if err != nil {
				return err
			}
			looked++
			if list.Match(b) {
				t.Errorf("%s lists the states: take them from coat.States, or from states.js", p)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if looked < 100 {
		t.Errorf("only %d files were looked at", looked)
	}
}
