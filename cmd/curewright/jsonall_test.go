// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"slices"
	"strings"
	"testing"

	"curewright/internal/argv"
)

// printsNoJSON are the commands whose output is something else: a daemon's log, a
// record or readings in a format of their own, text for a shell.
var printsNoJSON = []string{"demo", "watch", "relay-guard", "record", "export", "completion"}

// Every command that prints can print one JSON object.
func TestEveryCommandHasJSON(t *testing.T) {
	n := 0
	for _, leaf := range newProgram(new(commandLine)).Leaves() {
		first := leaf
		for first.Parent.Parent != nil {
			first = first.Parent
		}
		has := slices.ContainsFunc(leaf.Flags, func(f *argv.Value) bool { return f.Name == "json" })
		// "job file" prints the job file itself, in TOML, "stock export" a table.
		if no := slices.Contains(printsNoJSON, first.Name) || strings.HasPrefix(leaf.Path(), "job file") || leaf.Path() == "stock export"; no == has {
			t.Errorf("%s: --json is %v", leaf.Path(), has)
		}
		n++
	}
	if n < 30 {
		t.Errorf("only %d commands were seen", n)
	}
}

// Standard output that takes nothing is a failure, for every kind of printing.
func TestFullStandardOutput(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here")
	}
	defer full.Close()
	for _, args := range [][]string{
		{"cure", "--resin", "medium", "--temp", "20"},
		{"cure", "--resin", "medium", "--temp", "20", "--json"},
		{"air", "--temp", "20", "--rh", "60"},
		{"check"},
		{"version"},
		{"completion", "bash"},
		{"replay", "--readings", "../../examples/shed.csv", "--job", "../../examples/lids.toml"},
	} {
		var errs strings.Builder
		if code := run(t.Context(), args, strings.NewReader(""), full, &errs); code != exitFailed || !strings.Contains(errs.String(), "no space left") {
			t.Errorf("%s: exit %d, %q", strings.Join(args, " "), code, errs.String())
		}
	}
}
