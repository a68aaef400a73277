// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"curewright/internal/testkit"
	"curewright/model/words"
)

// prose is a text with a word of its own in it: two words in a row, or one beside
// a space, a comma or a format's verb.
var prose = regexp.MustCompile(`\p{L}{2,} \p{L}{2,}|(^|[ ,:;(])\p{Ll}{3,}[ ,:;)]| \p{Ll}{2,}$`)

// typed is what is typed or read in a text as it stands: commands, flags with
// their values, and units behind a number.
var typed = regexp.MustCompile(`(sudo .*|systemctl status )?curewright [a-z-]+( [a-z-]+)*|sudo [^\n]*|--[a-z-]+ \S+|--[a-z-]+|%[.0-9]*[fg] \S+`)

// asItIs are texts that are no sentences: keys and values of files and the API, and
// parts of refusals.
var asItIs = []string{"would be written", "filler fraction", "[web] listen = \"0.0.0.0:8374\"", " ago", " tacky", "wet, green, firm, hard", "unix:",
	"the daemon knows none yet", "known are ", "systemctl status curewright", "curewright %s (commit %.12s, %s, %s)"}

// refusals are the functions whose texts are English in every language: what is
// wrong with what was typed, by the names of flags, fields and files.
var refusals = []string{"fault.Inputf", "fault.In", "errors.New", "fmt.Errorf", "CheckNumbers", "bad", "append(lines", "regexp.MustCompile"}

// No command says a word that does not stand in the catalogue. What a run does not
// reach is found as well: this reads the source. Help and the tags of flags are
// English on purpose.
func TestNoBareWords(t *testing.T) {
	fset := token.NewFileSet()
	seen := 0
	for name, text := range sources(t) {
		tree, err := parser.ParseFile(fset, name, text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				return n.Name.Name != "Help"
			case *ast.StructType, *ast.ImportSpec:
				return false
			case *ast.CallExpr:
				return !slices.Contains(refusals, called(n))
			case *ast.KeyValueExpr:
				if k, ok := n.Key.(*ast.Ident); ok && k.Name == "Lines" {
					return false // of a fault.Input
				}
			case *ast.BasicLit:
				if n.Kind != token.STRING {
					return true
				}
				seen++
				s, err := strconv.Unquote(n.Value)
				if err == nil && !slices.Contains(asItIs, s) && prose.MatchString(typed.ReplaceAllString(s, "")) {
					t.Errorf("%s: %q stands in no catalogue", fset.Position(n.Pos()), s)
				}
			}
			return true
		})
	}
	if seen < 500 {
		t.Errorf("%d texts were looked at", seen)
	}
}

// sources are the files of this package but its tests, by their names.
func sources(t *testing.T) map[string]string {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, f := range files {
		if !strings.HasSuffix(f, "_test.go") {
			out[f] = string(testkit.MustRead(t, f))
		}
	}
	return out
}

// called names the function of a call, and of append what it is appended to.
func called(n *ast.CallExpr) string {
	switch f := n.Fun.(type) {
	case *ast.Ident:
		if f.Name == "append" {
			if to, ok := n.Args[0].(*ast.Ident); ok {
				return "append(" + to.Name
			}
		}
		return f.Name
	case *ast.SelectorExpr:
		if x, ok := f.X.(*ast.Ident); ok {
			return x.Name + "." + f.Sel.Name
		}
	}
	return ""
}

// Every code that a command names is in the catalogue, and every sentence of the
// commands is named.
func TestCodesAreSaid(t *testing.T) {
	text := ""
	for _, source := range sources(t) {
		text += source
	}
	for _, m := range regexp.MustCompile(`(?:a\.say|tell|row)\((?:columns, |[0-9]+, )?"([a-z_.]+[a-z_])"`).FindAllStringSubmatch(text, -1) {
		if code := "cli." + m[1]; !words.English.Has(code) {
			t.Errorf("%s: no such sentence", code)
		}
	}
	for _, code := range words.English.Codes("cli.") {
		short := strings.TrimPrefix(code, "cli.")
		family := short[:strings.LastIndex(short, ".")+1] // "cure.why." + code
		if !strings.Contains(text, `"`+short+`"`) && !(family != "" && strings.Contains(text, `"`+family+`"`)) &&
			!strings.Contains(text, `"cli.`+family+`"`) && !strings.Contains(text, `"`+short[:strings.LastIndexAny(short, "_.")+1]+`"`) {
			t.Errorf("%s: nobody says it", code)
		}
	}
}
