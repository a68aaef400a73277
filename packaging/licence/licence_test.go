// SPDX-License-Identifier: Apache-2.0

package licence_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"curewright/packaging/licence"
)

func Example() {
	fmt.Println(licence.Identify("Permission is hereby granted, free of charge, to any person obtaining a copy of this software"))
	fmt.Println(licence.Identify("All rights reserved."))
	// Output:
	// [MIT]
	// []
}

// Every module that go.mod asks for, of the program, of the generator of
// boards and of what tests and benchmarks alone need, is under a licence that we know and take: read from the module's own
// files.
func TestModulesAreAllowed(t *testing.T) {
	root := filepath.Join("..", "..")
	n := 0
	for _, dir := range []string{".", "dashboards/boards/gen", "bench/table", "internal/oracles", "scripts/tools"} {
		cmd := exec.Command("go", "mod", "download", "-json")
		cmd.Dir = filepath.Join(root, dir)
		cmd.Env = append(os.Environ(), "GOFLAGS=-mod=mod", "GOPROXY=off") // what is there, and nothing else
		out, err := cmd.Output()
		if err != nil && len(out) == 0 {
			t.Fatalf("%s: %v", dir, err)
		}
		dec := json.NewDecoder(strings.NewReader(string(out)))
		for {
			var m struct{ Path, Version, Dir, Error string }
			if err := dec.Decode(&m); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
			if m.Dir == "" {
				continue // named by somebody's go.mod and needed by nobody
			}
			n++
			if err := licence.Check(licence.Identify(licence.Text(m.Dir))); err != nil {
				t.Errorf("%s %s: %v", m.Path, m.Version, err)
			}
		}
	}
	if n < 20 {
		t.Errorf("%d modules looked at: too few", n)
	}
}

// The same for what the tests fetch from npm, by what each package says.
func TestPackagesAreAllowed(t *testing.T) {
	ps, err := licence.Packages(filepath.Join("..", "..", "internal", "oracles"))
	if err != nil {
		t.Fatal(err)
	}
	// For tests alone a dedication to the public is as good.
	ours := append(slices.Clone(licence.Allowed), "CC0-1.0")
	for _, p := range ps {
		if p.Licence == "" && os.Getenv("CI") != "true" {
			continue // not installed here, and the lock file does not say
		}
		if !slices.Contains(ours, p.Licence) {
			t.Errorf("%s %s: licence %q is not one that we take", p.Name, p.Version, p.Licence)
		}
	}
	if len(ps) < 10 {
		t.Errorf("%d packages looked at: too few", len(ps))
	}
}

func TestCheck(t *testing.T) {
	for _, tt := range []struct {
		ids  []string
		good bool
	}{
		{nil, false}, {[]string{"MIT"}, true}, {[]string{"EPL-2.0"}, false},
		{[]string{"EPL-2.0", "BSD-3-Clause"}, true}, {[]string{"MIT", "GPL-3.0-only"}, false},
	} {
		if err := licence.Check(tt.ids); (err == nil) != tt.good {
			t.Errorf("%q: %v", tt.ids, err)
		}
	}
}
