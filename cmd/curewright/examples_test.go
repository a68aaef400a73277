// SPDX-License-Identifier: Apache-2.0

package main

import (
	"strings"
	"testing"
)

// TestEveryCommandHasAnExample: with --help, one that calls the command by its
// name, on a terminal of 80 columns.
func TestEveryCommandHasAnExample(t *testing.T) {
	n := 0
	for _, leaf := range newProgram(new(commandLine)).Leaves() {
		n++
		path := strings.Fields(leaf.Path())
		for i, p := range path {
			if strings.HasPrefix(p, "<") || strings.HasPrefix(p, "[") {
				path = path[:i]
				break
			}
		}
		out := cmdOK(t, append(path, "--help")...)
		if !strings.Contains(out, "Example") || !strings.Contains(out, " curewright "+strings.Join(path, " ")) {
			t.Errorf("%s: no example in\n%s", leaf.Path(), out)
		}
		for _, l := range strings.Split(out, "\n") {
			if len([]rune(l)) > 80 {
				t.Errorf("%s: wider than a terminal: %q", leaf.Path(), l)
			}
		}
	}
	if n < 20 {
		t.Errorf("%d commands seen", n)
	}
}
