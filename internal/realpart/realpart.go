// SPDX-License-Identifier: Apache-2.0

// Package realpart finds what the tests stand the program against: real
// servers, a browser, reference libraries, open data. A test whose part is not
// here is skipped, but with CI=true, where everything is meant to be
// installed, it fails. Only tests use it.
package realpart

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Missing ends a test for want of a part.
func Missing(tb testing.TB, format string, a ...any) {
	tb.Helper()
	if os.Getenv("CI") == "true" {
		tb.Fatalf(format, a...)
	}
	tb.Skipf(format, a...)
}

// Program finds a program by the first of its names that is installed.
func Program(tb testing.TB, names ...string) string {
	tb.Helper()
	for _, name := range names {
		// Debian keeps servers where not every user's path leads.
		for _, n := range []string{name, filepath.Join("/usr/sbin", name)} {
			if p, err := exec.LookPath(n); err == nil {
				return p
			}
		}
	}
	Missing(tb, "%s is not installed", names[0])
	return ""
}

// Browser finds Chromium under the names that it goes by.
func Browser(tb testing.TB) string {
	tb.Helper()
	return Program(tb, "chromium", "chromium-browser", "google-chrome")
}

// SciPy finds a Python that has scipy: Debian's own first, since another one in
// the path has packages of its own.
func SciPy(tb testing.TB) string {
	tb.Helper()
	for _, p := range []string{"/usr/bin/python3", "python3"} {
		if exec.Command(p, "-c", "import scipy").Run() == nil {
			return p
		}
	}
	Missing(tb, "no python3 with scipy is here (Debian: python3-scipy)")
	return ""
}

// OpenData is the path of a file of open data: in the folder that
// CUREWRIGHT_DATA names, or in ../shared/data beside the project.
func OpenData(tb testing.TB, name string) string {
	tb.Helper()
	dir := os.Getenv("CUREWRIGHT_DATA")
	if dir == "" {
		dir = filepath.Join(root(tb), "..", "shared", "data")
	}
	return there(tb, filepath.Join(dir, name), "set CUREWRIGHT_DATA")
}

// Office is the open data of a real room's week by the minute: Candanedo and
// Feldheim, Energy and Buildings 112 (2016) 28–39, UCI "Occupancy Detection".
func Office(tb testing.TB) string {
	tb.Helper()
	return OpenData(tb, "office-2015-minute.csv")
}

// NPM is the path of something in the reference packages of npm.
func NPM(tb testing.TB, elem ...string) string {
	tb.Helper()
	p := filepath.Join(append([]string{root(tb), "internal", "oracles", "node_modules"}, elem...)...)
	return there(tb, p, "make deps installs it")
}

func there(tb testing.TB, p, hint string) string {
	tb.Helper()
	if _, err := os.Stat(p); err != nil {
		Missing(tb, "%v: %s", err, hint)
	}
	return p
}

// root is the project's folder, seen from the package that is tested.
func root(tb testing.TB) string {
	tb.Helper()
	dir, err := os.Getwd()
	if err != nil {
		tb.Fatal(err)
	}
	for d := dir; ; d = filepath.Dir(d) {
		if _, err := os.Stat(filepath.Join(d, "internal", "realpart")); err == nil {
			return d
		}
		if d == filepath.Dir(d) {
			tb.Fatalf("%s is not in the project", dir)
		}
	}
}
