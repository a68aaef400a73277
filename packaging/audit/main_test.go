// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"curewright/internal/testkit"
)

// An entry as the OSV schema (1.3.1) has it.
const osvEntry = `{"schema_version":"1.3.1","id":"GO-2000-0001","modified":"2000-01-02T00:00:00Z","aliases":["CVE-2000-1"],"summary":"a | b",
"affected":[{"package":{"name":"example.org/m","ecosystem":"Go"},"ranges":[{"type":"SEMVER","events":[{"introduced":"0"},{"fixed":"1.2.3"}]}]}]}`

func TestLayOut(t *testing.T) {
	osv, db := t.TempDir(), t.TempDir()
	if err := layOut(db, osv); err == nil {
		t.Error("an empty database is taken: everything would look well")
	}
	testkit.Write(t, filepath.Join(osv, "GO-2000-0001.json"), osvEntry)
	if err := layOut(db, osv); err != nil {
		t.Fatal(err)
	}
	b := testkit.MustRead(t, filepath.Join(db, "index", "modules.json"))
	var ms []struct {
		Path  string
		Vulns []struct{ ID, Fixed string }
	}
	if err := json.Unmarshal(b, &ms); err != nil || len(ms) != 1 || ms[0].Path != "example.org/m" || ms[0].Vulns[0].ID != "GO-2000-0001" || ms[0].Vulns[0].Fixed != "1.2.3" {
		t.Errorf("index %s: %v", b, err)
	}
	if b, err := os.ReadFile(filepath.Join(db, "ID", "GO-2000-0001.json")); err != nil || string(b) != osvEntry {
		t.Errorf("entry: %v", err)
	}
}

// What govulncheck writes with -format json: one object after the other; of
// several findings of one vulnerability the nearest counts.
func TestFound(t *testing.T) {
	file := filepath.Join(t.TempDir(), "found.json")
	put := func(s string) {
		testkit.Write(t, file, s)
	}
	finding := func(pkg, fn string) string {
		return `{"finding":{"osv":"GO-2000-0001","fixed_version":"v1.2.3","trace":[{"module":"example.org/m","version":"v1.0.0","package":"` + pkg + `","function":"` + fn + `"}]}}`
	}
	put(`{"config":{"db":"file:///x"}}{"osv":` + osvEntry + `}` + finding("", "") + finding("example.org/m/p", "F") + finding("example.org/m/p", ""))
	fs, entries, err := found([]string{file})
	if err != nil || len(fs) != 1 || fs[0].level != 3 || fs[0].fixed != "v1.2.3" || entries["GO-2000-0001"].Summary != "a | b" {
		t.Errorf("found %+v, %v", fs, err)
	}
	// What was cut off, or is something else, is never "nothing found".
	for _, s := range []string{``, `{"osv":` + osvEntry + `}`, `{"config":{}}{"finding":`, `none`} {
		put(s)
		if _, _, err := found([]string{file}); err == nil {
			t.Errorf("%q counts as a look", s)
		}
	}
}
