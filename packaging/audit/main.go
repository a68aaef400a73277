// SPDX-License-Identifier: Apache-2.0

// Command audit writes what the program and its tests are made of: each Go
// module and npm package with its version, its licence and what is newer, and
// the known vulnerabilities that a local copy of the Go vulnerability database
// has of them. scripts/audit.sh fetches what it needs and runs it.
//
//	audit -database DIR -osv DIR          lays out a copy of the database for govulncheck
//	audit -of WORDS FILE...               writes the listing; each FILE is govulncheck's JSON
package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/packaging/licence"
)

func main() {
	database := flag.String("database", "", "folder to lay a vulnerability database out in")
	osv := flag.String("osv", "", "folder of its entries, one JSON file each")
	of := flag.String("of", "", "which database it was; empty: none was at hand")
	flag.Parse()
	var err error
	if *database != "" {
		err = layOut(*database, *osv)
	} else {
		err = list(os.Stdout, *of, flag.Args(), time.Now().UTC())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "audit:", err)
		os.Exit(1)
	}
}

// entry is what the database's index needs of one vulnerability (OSV schema 1.3).
type entry struct {
	ID       string    `json:"id"`
	Modified time.Time `json:"modified"`
	Aliases  []string  `json:"aliases"`
	Summary  string    `json:"summary"`
	Affected []struct {
		Package struct {
			Name string `json:"name"`
		} `json:"package"`
		Ranges []struct {
			Events []struct {
				Fixed string `json:"fixed"`
			} `json:"events"`
		} `json:"ranges"`
	} `json:"affected"`
}

// layOut makes the folder that govulncheck's -db takes: index/db.json,
// index/modules.json, index/vulns.json and ID/*.json, as the database's
// documentation has them.
func layOut(dir, osv string) error {
	files, err := filepath.Glob(filepath.Join(osv, "*.json"))
	if err != nil {
		return err
	}
	if len(files) == 0 {
		return fmt.Errorf("%s: no entries", osv)
	}
	type vuln struct {
		ID       string    `json:"id"`
		Modified time.Time `json:"modified"`
		Fixed    string    `json:"fixed,omitempty"`
		Aliases  []string  `json:"aliases,omitempty"`
	}
	type module struct {
		Path  string `json:"path"`
		Vulns []vuln `json:"vulns"`
	}
	by := map[string][]vuln{}
	var all []vuln
	for _, sub := range []string{"index", "ID"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o755); err != nil {
			return err
		}
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			return err
		}
		var e entry
		if err := json.Unmarshal(b, &e); err != nil {
			return fmt.Errorf("%s: %w", f, err)
		}
		all = append(all, vuln{ID: e.ID, Modified: e.Modified, Aliases: e.Aliases})
		for _, a := range e.Affected {
			fixed := ""
			for _, r := range a.Ranges {
				for _, x := range r.Events {
					if x.Fixed != "" {
						fixed = x.Fixed
					}
				}
			}
			vs := by[a.Package.Name]
			if len(vs) == 0 || vs[len(vs)-1].ID != e.ID {
				by[a.Package.Name] = append(vs, vuln{ID: e.ID, Modified: e.Modified, Fixed: fixed})
			}
		}
		if err := os.WriteFile(filepath.Join(dir, "ID", e.ID+".json"), b, 0o644); err != nil {
			return err
		}
	}
	modules := []module{}
	for p, vs := range by {
		modules = append(modules, module{p, vs})
	}
	slices.SortFunc(modules, func(a, b module) int { return strings.Compare(a.Path, b.Path) })
	for name, v := range map[string]any{"db": map[string]time.Time{"modified": time.Now().UTC()}, "modules": modules, "vulns": all} {
		b, err := json.Marshal(v)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(dir, "index", name+".json"), b, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// goModule is one line of `go list -m -u -json`.
type goModule struct {
	Path, Version, Dir string
	Indirect           bool
	Update             *struct{ Version string }
	Deprecated         string
	Retracted          []string
	Error              *struct{ Err string }
}

// modules are those that the Go module in dir asks for, with what is newer as
// far as the proxy says.
func modules(dir string) ([]goModule, error) {
	out, err := inDir(dir, "go", "mod", "edit", "-json")
	if err != nil {
		return nil, err
	}
	var mod struct{ Require []goModule }
	if err := json.Unmarshal(out, &mod); err != nil {
		return nil, fmt.Errorf("%s: %w", dir, err)
	}
	asked := map[string]goModule{}
	args := []string{"list", "-m", "-u", "-retracted", "-e", "-json"}
	for _, m := range mod.Require {
		asked[m.Path] = m
		args = append(args, m.Path)
	}
	if out, err = inDir(dir, "go", args...); err != nil {
		return nil, err
	}
	var ms []goModule
	dec := json.NewDecoder(bytes.NewReader(out))
	for {
		var m goModule
		if err := dec.Decode(&m); errors.Is(err, io.EOF) {
			return ms, nil
		} else if err != nil {
			return nil, fmt.Errorf("go list in %s: %w", dir, err)
		}
		m.Indirect = asked[m.Path].Indirect
		ms = append(ms, m)
	}
}

func inDir(dir, name string, args ...string) ([]byte, error) {
	cmd := exec.Command(name, args...)
	cmd.Dir, cmd.Stderr = dir, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("%s %s in %s: %w", name, args[0], dir, err)
	}
	return out, nil
}

// finding is what govulncheck says of one vulnerability: how near it comes.
type finding struct {
	id, module, version, fixed string
	level                      int // 1 the module is there, 2 its package is imported, 3 its function can be reached
}

var levels = []string{"", "in the module, not in what we import of it", "in a package that we import, not in what we call", "can be reached by our code"}

// found reads govulncheck's JSON.
func found(files []string) ([]finding, map[string]entry, error) {
	entries := map[string]entry{}
	best := map[string]finding{}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			return nil, nil, err
		}
		dec := json.NewDecoder(bytes.NewReader(b))
		seen := false
		for {
			var m struct {
				Config  *struct{}
				OSV     *entry
				Finding *struct {
					OSV   string `json:"osv"`
					Fixed string `json:"fixed_version"`
					Trace []struct{ Module, Version, Package, Function string }
				}
			}
			if err := dec.Decode(&m); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				return nil, nil, fmt.Errorf("%s: %w", f, err)
			}
			switch {
			case m.Config != nil:
				seen = true
			case m.OSV != nil:
				entries[m.OSV.ID] = *m.OSV
			case m.Finding != nil && len(m.Finding.Trace) > 0:
				t := m.Finding.Trace[0]
				x := finding{id: m.Finding.OSV, module: t.Module, version: t.Version, fixed: m.Finding.Fixed, level: 1}
				if t.Package != "" {
					x.level = 2
				}
				if t.Function != "" {
					x.level = 3
				}
				if key := x.id + x.module; x.level > best[key].level {
					best[key] = x
				}
			}
		}
		if !seen {
			return nil, nil, fmt.Errorf("%s: not what govulncheck writes", f)
		}
	}
	var out []finding
	for _, x := range best {
		out = append(out, x)
	}
	slices.SortFunc(out, func(a, b finding) int {
		if a.level != b.level {
			return b.level - a.level
		}
		return strings.Compare(a.id+a.module, b.id+b.module)
	})
	return out, entries, nil
}

// page is the listing while it is written.
type page struct{ strings.Builder }

func (p *page) line(format string, a ...any) { fmt.Fprintf(p, format+"\n", a...) }

// head writes the head of a table, row a line of it.
func (p *page) head(columns ...string) {
	p.row(columns...)
	p.line("|%s", strings.Repeat("---|", len(columns)))
}

func (p *page) row(cells ...string) {
	for i, c := range cells {
		cells[i] = strings.ReplaceAll(c, "|", "/")
	}
	p.line("| %s |", strings.Join(cells, " | "))
}

func list(w io.Writer, of string, files []string, now time.Time) error {
	goVersion, err := exec.Command("go", "env", "GOVERSION").Output()
	if err != nil {
		return err
	}
	var p page
	p.line("# What is inside, and what is known against it\n")
	p.line("Made by `make audit` on %s with %s. Licences are read from each part's own\nfiles; `go test ./packaging/licence` holds them to the list that is allowed.\n", now.Format("2006-01-02"), strings.TrimSpace(string(goVersion)))
	if err := p.vulnerabilities(of, files); err != nil {
		return err
	}
	for _, part := range []struct{ title, dir string }{
		{"Go modules of the program and its tests", "."},
		{"Go modules of the boards' generator, which is not in the program", "dashboards/boards/gen"},
		{"Go modules of checks alone, a browser's among them, which are not in the program", "internal/oracles"},
		{"Go modules of the benchmarks' table", "bench/table"},
		{"Go modules of the linter", "scripts/tools"},
		{"Go modules of what makes the packages, which are not in the program", "packaging/release"},
	} {
		ms, err := modules(part.dir)
		if err != nil {
			return err
		}
		p.line("\n## %s\n", part.title)
		p.head("module", "version", "licence", "newer", "")
		for _, m := range ms {
			p.module(m)
		}
	}
	if err := p.npm(); err != nil {
		return err
	}
	_, err = io.WriteString(w, p.String())
	return err
}

func (p *page) vulnerabilities(of string, files []string) error {
	p.line("## Known vulnerabilities\n")
	if of == "" {
		p.line("**No database was at hand**: nothing is known, which is not the same as nothing\nis there. What is newer, retracted or deprecated stands in the tables below.")
	} else {
		fs, entries, err := found(files)
		if err != nil {
			return err
		}
		p.line("Looked for with govulncheck in %s, in the program, its\ntests and the generator of boards, and in the Go standard library of the version\nabove. What the database did not know then is not in it.\n", of)
		if len(fs) == 0 {
			p.line("None.")
		} else {
			p.head("", "part", "version", "mended in", "how near", "what")
		}
		for _, f := range fs {
			p.row(f.id, f.module, f.version, cmp.Or(f.fixed, "not yet"), levels[f.level], entries[f.id].Summary)
		}
	}
	p.line("\nnpm's packages were not looked up: npm's advisories are answered by its registry\nonly while a package is installed. The few that the page holds stand below.")
	return nil
}

func (p *page) module(m goModule) {
	newer := ""
	if m.Update != nil {
		newer = m.Update.Version
	}
	var notes []string
	if m.Error != nil {
		newer = "not told"
	}
	if m.Indirect {
		notes = append(notes, "through others")
	}
	if len(m.Retracted) > 0 {
		notes = append(notes, "retracted: "+strings.Join(m.Retracted, "; "))
	}
	if m.Deprecated != "" {
		notes = append(notes, "deprecated: "+m.Deprecated)
	}
	ids := "not fetched: no build needs it"
	if m.Dir != "" {
		ids = cmp.Or(strings.Join(licence.Identify(licence.Text(m.Dir)), ", "), "not known")
	}
	p.row(m.Path, m.Version, ids, newer, strings.Join(notes, ", "))
}

func (p *page) npm() error {
	p.line("\n## npm packages copied into the page\n")
	p.head("package", "version", "licence")
	vendored, err := licence.Vendored("dashboards/web/assets/vendor")
	if err != nil {
		return err
	}
	for _, v := range vendored {
		p.row(v.Name, v.Version, strings.Join(licence.Identify(v.Text), ", "))
	}
	p.line("\n## npm packages of the tests\n")
	p.head("package", "version", "licence")
	ps, err := licence.Packages("internal/oracles")
	if err != nil {
		return err
	}
	for _, x := range ps {
		p.row(x.Name, x.Version, x.Licence)
	}
	return nil
}
