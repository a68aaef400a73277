// SPDX-License-Identifier: Apache-2.0

package internal

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// A figure is of code that runs: what a benchmark calls of ours must have a caller
// in the program too. The check goes by names, without types; it can pass what only
// shares a name, and never fails what is called.
func TestBenchmarksTimeWhatRuns(t *testing.T) {
	root := ".."
	set := token.NewFileSet()
	declared := map[string]bool{}    // functions and methods of ours
	called := map[string]bool{}      // named in a file that ships, other than where they are declared
	timed := map[string][]string{}   // by the benchmarks that call them
	helpers := map[string][]string{} // what a test helper calls, as file:name
	err := filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			switch d.Name() {
			case "node_modules", "testdata", "dist", ".git", "boards", "release":
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(p, ".go") {
			return nil
		}
		f, err := parser.ParseFile(set, p, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		test := strings.HasSuffix(p, "_test.go")
		if slices.ContainsFunc(testOnly, func(dir string) bool { return strings.HasPrefix(p, filepath.Join(root, dir)+"/") }) {
			return nil // what stands in, starts peers and reads open data
		}
		for _, decl := range f.Decls {
			fn, ok := decl.(*ast.FuncDecl)
			if !test {
				self := ""
				if ok {
					self = fn.Name.Name
					declared[self] = true
				}
				ast.Inspect(decl, func(n ast.Node) bool {
					if id, ok := n.(*ast.Ident); ok && id.Name != self {
						called[id.Name] = true
					}
					return true
				})
				continue
			}
			if !ok || fn.Body == nil {
				continue
			}
			var names []string
			ast.Inspect(fn.Body, func(n ast.Node) bool {
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				switch f := call.Fun.(type) {
				case *ast.Ident:
					names = append(names, f.Name)
				case *ast.SelectorExpr:
					names = append(names, f.Sel.Name)
				}
				return true
			})
			if strings.HasPrefix(fn.Name.Name, "Benchmark") {
				timed[p+" "+fn.Name.Name] = names
			} else {
				helpers[filepath.Dir(p)+" "+fn.Name.Name] = names
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(timed) < 20 {
		t.Fatalf("%d benchmarks found", len(timed))
	}
	called["Quantise"] = true // what the store does to each reading: the peer gets the same values
	for bench, names := range timed {
		dir := filepath.Dir(strings.Fields(bench)[0])
		seen := map[string]bool{}
		for i := 0; i < len(names); i++ {
			name := names[i]
			if seen[name] {
				continue
			}
			seen[name] = true
			names = append(names, helpers[dir+" "+name]...)
			if declared[name] && !called[name] {
				t.Errorf("%s times %s, which only tests call", bench, name)
			}
		}
	}
}
