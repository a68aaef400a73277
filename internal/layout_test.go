// SPDX-License-Identifier: Apache-2.0

package internal

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path"
	"slices"
	"strings"
	"testing"
)

// testOnly may be imported by tests alone: nothing that ships depends on them.
var testOnly = []string{"internal/testkit", "internal/realpart", "internal/cardfault", "internal/daemon/daemontest"}

const module = "curewright"

type pkg struct {
	ImportPath string
	Imports    []string
	Deps       []string
}

// rules say what a package may import of ours. The first pattern that matches
// counts; "x/..." means x and all below it.
var rules = []struct {
	who string
	may []string
}{
	{"model/...", []string{"model/..."}},
	{"sensors", []string{"model/words"}},
	{"sensors/...", []string{"sensors", "model/words"}},
	{"heat", []string{"sensors", "internal/file", "model/words"}},
	{"heat/...", []string{"heat", "sensors", "internal/file", "model/words"}},
	{"history/...", []string{"sensors", "model/...", "history"}},
	{"alerts", []string{"sensors", "model/..."}},
	{"alerts/...", []string{"alerts", "sensors", "model/..."}},
	{"dashboards/...", []string{"dashboards/...", "sensors", "alerts", "model/..."}},
	{"cmd/...", []string{"..."}},
	{"packaging/...", []string{"packaging/..."}},
	{"bench/...", []string{"model/...", "bench/conduction"}},
	{"internal/daemon/daemontest", []string{"..."}},
	{"internal/daemon/access", []string{"history", "dashboards/...", "sensors", "alerts", "model/..."}}, // no heat, no other room of the daemon
	{"internal/daemon/broker", []string{"history/...", "model/...", "sensors/...", "dashboards/...", "alerts", "internal/file", "internal/daemon/learnt", "internal/daemon/mqttlink"}},
	{"internal/daemon/learnt", []string{"history/...", "model/...", "sensors", "dashboards/...", "alerts", "internal/file", "internal/daemon/mqttlink"}},
	{"internal/daemon/mqttlink", nil},
	{"internal/daemon/tentplan", []string{"heat", "sensors", "model/...", "internal/file", "dashboards/...", "alerts"}}, // no store, no clock of its own
	{"internal/daemon", []string{"model/...", "sensors/...", "heat/...", "history/...", "alerts/...", "dashboards/...", "packaging", "internal/daemon/access", "internal/daemon/broker", "internal/daemon/learnt", "internal/daemon/mqttlink", "internal/daemon/tentplan", "internal/fault", "internal/file"}},
	{"internal/fault", []string{"model/..."}},
	{"internal/file", nil},
	{"internal/argv", nil},
	{"internal/manual", []string{"internal/argv"}},
	{"internal/cli", []string{"model/...", "sensors/...", "heat/...", "history/...", "alerts/...", "dashboards/...", "packaging", "internal/argv", "internal/daemon", "internal/daemon/access", "internal/daemon/broker", "internal/daemon/learnt", "internal/daemon/mqttlink", "internal/daemon/tentplan", "internal/fault", "internal/file", "internal/manual"}},
	{"internal/doctor", []string{"..."}},
	{"internal/demo", []string{"..."}},
	{"internal/...", []string{"..."}}, // what only tests import
}

func matches(pattern, p string) bool {
	if pattern == "..." {
		return true
	}
	if base, ok := strings.CutSuffix(pattern, "/..."); ok {
		return p == base || strings.HasPrefix(p, base+"/")
	}
	ok, _ := path.Match(pattern, p)
	return ok
}

func list(t *testing.T) []pkg {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports,Deps", module+"/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var ps []pkg
	dec := json.NewDecoder(bytes.NewReader(out))
	for {
		var p pkg
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			return ps
		} else if err != nil {
			t.Fatal(err)
		}
		ps = append(ps, p)
	}
}

// floors are the rooms of what ships, each with what it stands on, as
// DEVELOPERS.md draws them.
func floors(ps []pkg) map[string][]string {
	floor := func(p string) string {
		first, rest, _ := strings.Cut(strings.TrimPrefix(p, module+"/"), "/")
		if first == "internal" {
			first, _, _ = strings.Cut(rest, "/")
		}
		return first
	}
	ships := map[string]bool{}
	for _, p := range ps {
		if p.ImportPath == module+"/cmd/curewright" {
			for _, d := range append(p.Deps, p.ImportPath) {
				ships[d] = true
			}
		}
	}
	out := map[string][]string{}
	for _, p := range ps {
		if !ships[p.ImportPath] {
			continue
		}
		from := floor(p.ImportPath)
		for _, i := range p.Imports {
			if to := floor(i); strings.HasPrefix(i, module+"/") && to != from && !slices.Contains(out[from], to) {
				out[from] = append(out[from], to)
			}
		}
		slices.Sort(out[from])
	}
	return out
}

// The drawing in DEVELOPERS.md is what stands on what, every arrow of it points
// down, and so no two rooms stand on each other.
func TestTreeIsDrawn(t *testing.T) {
	b, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ := strings.Cut(string(b), "What stands on what:\n\n```\n")
	text, _, ok := strings.Cut(text, "```")
	if !ok {
		t.Fatal("no drawing in DEVELOPERS.md")
	}
	is := floors(list(t))
	below := map[string]bool{}
	var drawn []string
	for line := range strings.Lines(text) {
		from, to, _ := strings.Cut(strings.TrimSpace(line), "→")
		from = strings.TrimSpace(from)
		drawn = append(drawn, from)
		if got := strings.Fields(to); !slices.Equal(got, is[from]) {
			t.Errorf("%s → %s, drawn as %s", from, strings.Join(is[from], " "), strings.Join(got, " "))
		}
		for _, x := range is[from] {
			if below[x] {
				t.Errorf("%s → %s points up", from, x)
			}
		}
		below[from] = true
	}
	for from, to := range is {
		if len(to) > 0 && !slices.Contains(drawn, from) {
			t.Errorf("%s → %s is not drawn", from, strings.Join(to, " "))
		}
	}
}

// One way for data: probe, reading, history, model, then alerts, dashboards
// and heat. A shortcut between parts is a fault even where it compiles.
func TestImportRules(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range list(t) {
		own := strings.TrimPrefix(p.ImportPath, module+"/")
		seen[strings.SplitN(own, "/", 2)[0]] = true
		var may []string
		found := false
		for _, r := range rules {
			if matches(r.who, own) {
				may, found = r.may, true
				break
			}
		}
		if !found {
			t.Errorf("%s: no import rule covers it", own)
			continue
		}
		// Over Deps, so that a forbidden package cannot come in through an
		// allowed one.
	deps:
		for _, d := range p.Deps {
			d, ours := strings.CutPrefix(d, module+"/")
			if !ours || d == own {
				continue
			}
			if slices.Contains(testOnly, d) && !slices.Contains(testOnly, own) {
				t.Errorf("%s depends on %s, which is for tests", own, d)
			}
			for _, m := range may {
				if matches(m, d) {
					continue deps
				}
			}
			t.Errorf("%s may not depend on %s", own, d)
		}
		for _, i := range p.Imports {
			// Both look methods up by a name that the compiler does not know, and
			// the linker then keeps every method of every type: twice the program.
			if (i == "text/template" || i == "html/template") && !slices.Contains(testOnly, own) {
				t.Errorf("%s may not import %s: dashboards/html writes pages", own, i)
			}
		}
		if matches("model/...", own) {
			for _, i := range p.Imports {
				switch {
				case i == "os", i == "net", i == "log", strings.HasPrefix(i, "os/"), strings.HasPrefix(i, "net/"), strings.HasPrefix(i, "log/"):
					t.Errorf("%s is pure and may not import %s", own, i)
				}
			}
		}
	}
	for _, want := range []string{"model", "sensors", "history", "alerts", "dashboards", "cmd"} {
		if !seen[want] {
			t.Errorf("no package below %s: the rules check nothing there", want)
		}
	}
}
