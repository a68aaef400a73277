// SPDX-License-Identifier: Apache-2.0

package sensors_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
	"curewright/model/words"
	"curewright/sensors"
)

// Every code that a driver names has a sentence or an advice, whose facts it gives;
// every sentence is named; and no fact is a word. What no run reaches is found as
// well: this reads the source.
func TestEveryFailIsSaid(t *testing.T) {
	fact := regexp.MustCompile(`%[0-9]*[a-z]|^(1-wire|I2C)$|^/sys/$|^sudo systemctl [a-z ]+$`)
	prose := regexp.MustCompile(`\p{L}{3,}`)
	reasons := regexp.MustCompile(`^(sensors\.)?Err(Absent|WrongDevice|Checksum|PowerOn|Range|Jump|Stuck|Timeout|Stale|Bus|Doubted|Empty)$`)
	named := map[string]bool{}
	fset := token.NewFileSet()
	text := func(n ast.Expr) string {
		var b strings.Builder
		ast.Inspect(n, func(n ast.Node) bool {
			if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
				s, _ := strconv.Unquote(l.Value)
				b.WriteString(fact.ReplaceAllString(s, " ") + " ")
			}
			return true
		})
		return b.String()
	}
	name := func(n ast.Expr) string {
		switch n := n.(type) {
		case *ast.Ident:
			return n.Name
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok {
				return x.Name + "." + n.Sel.Name
			}
		}
		return ""
	}
	check := func(decl ast.Node) {
		var chosen []string // where a function chooses the code first
		ast.Inspect(decl, func(n ast.Node) bool {
			if a, ok := n.(*ast.AssignStmt); ok && len(a.Lhs) == 1 && name(a.Lhs[0]) == "code" {
				if l, ok := a.Rhs[0].(*ast.BasicLit); ok {
					s, _ := strconv.Unquote(l.Value)
					chosen = append(chosen, s)
				}
			}
			return true
		})
		ast.Inspect(decl, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			at := fset.Position(call.Pos())
			switch name(call.Fun) {
			case "wrong", "lost":
				if s := text(call.Args[1]); prose.MatchString(s) {
					t.Errorf("%s: %q stands in no catalogue", at, s)
				}
			case "fmt.Errorf":
				for _, a := range call.Args {
					if reasons.MatchString(name(a)) {
						t.Errorf("%s: a reason with a text of its own", at)
					}
				}
			case "Fail", "sensors.Fail":
				codes := chosen
				if l, ok := call.Args[1].(*ast.BasicLit); ok {
					s, _ := strconv.Unquote(l.Value)
					codes = []string{s}
				}
				if len(codes) == 0 {
					t.Errorf("%s: which code?", at)
				}
				given := []string{}
				if facts, ok := call.Args[2].(*ast.CompositeLit); ok {
					for _, e := range facts.Elts {
						kv := e.(*ast.KeyValueExpr)
						key, _ := strconv.Unquote(kv.Key.(*ast.BasicLit).Value)
						given = append(given, key)
						if s := text(kv.Value); prose.MatchString(s) && s != "0 ppm " {
							t.Errorf("%s: {%s} is %q, which stands in no catalogue", at, key, s)
						}
					}
				}
				for _, code := range codes {
					named[code] = true
					if code == "" {
						continue
					}
					why, do := "probe.why."+code, "probe.do."+code
					if !words.English.Has(why) && !words.English.Has(do) || words.English.Has("probe.reason."+code) {
						t.Errorf("%s: %s: no such sentence, or a reason's", at, code)
					}
					for _, want := range slices.Concat(words.Names(words.English.Text(why)), words.Names(words.English.Text(do))) {
						if !slices.Contains(given, want) {
							t.Errorf("%s: %s wants {%s}", at, code, want)
						}
					}
				}
			}
			return true
		})
	}
	testkit.OK(t, fs.WalkDir(os.DirFS("."), ".", func(file string, _ fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(file, ".go") || strings.HasSuffix(file, "_test.go") {
			return err
		}
		tree, err := parser.ParseFile(fset, file, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, d := range tree.Decls {
			check(d)
		}
		return nil
	}))
	for _, code := range slices.Concat(words.English.Codes("probe.why."), words.English.Codes("probe.do.")) {
		if short := code[strings.LastIndex(code, ".")+1:]; !named[short] && !words.English.Has("probe.reason."+short) {
			t.Errorf("%s: nobody says it", code)
		}
	}
}

// A temperature in what a probe says is in the unit of whoever reads, also inside the
// cause of something else and as part of another sentence; the reason stays.
func TestSaidInTheReadersUnit(t *testing.T) {
	_, cause := sensors.Within(-60, -55, 125, "°C")
	err := sensors.Fail(sensors.ErrWrongDevice, "not_a", sensors.Facts{"driver": "sht4x", "err": cause})
	us := words.English.In("us")
	for _, tt := range []struct{ got, want string }{
		{err.Error(), "another device answers at this address: not a sht4x: outside rated range: -60 °C is not in -55 °C to 125 °C"},
		{us.Sentence("heat.probe", words.Facts{"probe": "x", "why": cause}).Text(time.Time{}, words.View{Words: us}), words.View{}.Say("heat.probe", words.Facts{"probe": "x", "why": "outside rated range: -76 °F is not in -67 °F to 257 °F"})},
	} {
		if tt.got != tt.want { // by the definition of the scales
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
	if got := sensors.Reason(err); got != "wrong_device" {
		t.Errorf("the reason is %q", got)
	}
	if why, hint := sensors.Said(err, words.View{Words: us}); !strings.Contains(why, "-76 °F") || hint != words.English.Text("probe.do.wrong_device") {
		t.Errorf("%q; %q", why, hint)
	}
}
