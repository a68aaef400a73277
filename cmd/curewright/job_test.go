// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/sensors/shopsim"
)

// A side by the command line against the real daemon over the simulated shed:
// one line a step, readable in 80 columns, one JSON object where it is asked
// for, everything corrected and taken back, faults with their place.
func TestJobByCommandLine(t *testing.T) {
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}})
	d.Advance(time.Hour)
	t.Setenv("CUREWRIGHT_SERVER", d.URL)
	must := func(want string, args ...string) string {
		t.Helper()
		out := cmdOK(t, args...)
		if !strings.Contains(out, want) {
			t.Errorf("%v: no %q in\n%s", args, want, out)
		}
		for l := range strings.SplitSeq(out, "\n") {
			if len([]rune(l)) > 80 {
				t.Errorf("%v: %d columns: %s", args, len([]rune(l)), l)
			}
		}
		return out
	}
	bad := func(args ...string) string {
		t.Helper()
		code, out, errs := runCmd(t, args...)
		if code != exitUsage || out != "" {
			t.Errorf("%v: exit %d, %q, %q", args, code, out, errs)
		}
		return errs
	}
	must("foam-aramid-glass", "job", "templates")
	must("No job is written", "job", "next")
	// A panel without a probe is a choice, where a probe is there.
	newJob := []string{"job", "new", "--template", "foam-aramid-glass", "--name", "Locker lid", "--id", "lid", "--resin", "medium", "--core", "foam", "--area-m2", "1.4"}
	if errs := bad(newJob...); !strings.Contains(errs, "--probe panel-1") || !strings.Contains(errs, "--no-probe") {
		t.Errorf("no probe offered: %s", errs)
	}
	must("Fill the joints", append(newJob, "--probe", "panel-1")...)
	must("Skipped: joints.", "job", "skip", "--why", "none on this lid")
	must("Cup batch-1 mixed for the tack coat", "job", "mixed", "--resin-g", "110", "--hardener-g", "33")
	must("Tack coat on Locker lid, outer", "job", "done", "--at", "5m", "--cover", "none")
	must("aramid", "job", "next")
	must("Tack coat on Locker lid", "undo", "--list")
	must("hardener_g was 33, is 34", "correct", "cup", "batch-1", "hardener_g=34", "mixed=08:50")
	if errs := bad("correct", "cup", "batch-1", "grams=9", "mixed=noon"); !strings.Contains(errs, "grams: no such key") || !strings.Contains(errs, `mixed: "noon"`) {
		t.Errorf("correct: %s", errs)
	}
	must("Taken back: Cup batch-1 corrected.", "undo")
	must("Not today: aramid", "job", "later")
	must("Not today.", "job", "next")
	must("Taken back", "undo")
	must("tack 2", "job", "repeat", "tack")
	must("✓ tack", "job", "show")
	must("Step wash added", "job", "insert", "wash", "--do", "wash", "--before", "fill", "--when", "hard", "--of", "wet-out")
	if errs := bad("job", "insert", "loop", "--do", "cloth", "--before", "joints", "--cloth", "glass 200", "--of", "loop"); !strings.Contains(errs, "waits for itself") {
		t.Errorf("insert: %s", errs)
	}
	if errs := bad("job", "done", "polish"); !strings.Contains(errs, `"polish" is no step`) {
		t.Errorf("done: %s", errs)
	}
	// The job file is what plan reads, once it has a day.
	file := filepath.Join(t.TempDir(), "lid.toml")
	must("", "job", "file", "-o", file)
	if text := string(testkit.MustRead(t, file)); !strings.Contains(text, "[[step]]") || !strings.Contains(text, `cloth = 'aramid 170 plain'`) {
		t.Errorf("job file:\n%s", text)
	}
	must("is changed", "job", "edit", "lid", "--steps", file, "--name", "The lid")
	// Replay reads it beside exported readings: the coat that is on is in it.
	readings := filepath.Join(t.TempDir(), "shed.csv")
	must("", "export", "--out", readings)
	if out := must("", "replay", "--readings", readings, "--job", file); !strings.Contains(out, "tack coat") {
		t.Errorf("replay:\n%s", out)
	}
	must("", "job", "file", "--start", "2026-10-10T10:00:00Z", "--hours", "07:00-22:00", "-o", file)
	if text := string(testkit.MustRead(t, file)); !strings.HasPrefix(text, "[day]\nstart = 2026-10-10T10:00:00Z") {
		t.Errorf("no day:\n%s", text)
	}
	for _, args := range [][]string{{"job", "templates", "--json"}, {"job", "list", "--json"}, {"job", "show", "--json"}, {"job", "next", "--json"},
		{"job", "mixed", "--json"}, {"undo", "--list", "--json"}, {"undo", "--json"}} {
		var m map[string]any
		if err := json.Unmarshal([]byte(cmdOK(t, args...)), &m); err != nil || len(m) == 0 {
			t.Errorf("%v: not one object: %v", args, err)
		}
	}
	// Cups one after another, the second mixed while the coat went on, both
	// named at once; rolled on they are empty.
	cmdOK(t, "panel", "add", "lid-b", "--no-probe", "--core", "foam")
	cmdOK(t, "batch", "mixed", "--id", "c3", "--resin", "medium", "--at", "30m")
	cmdOK(t, "batch", "mixed", "--id", "c4", "--resin", "medium", "--at", "10m")
	cmdOK(t, "coat", "start", "--panel", "lid-b", "--resin", "medium", "--kind", "wet-out", "--batch", "c3,c4", "--applied", "25m",
		"--cover", "vacuum bag", "--bag-kpa", "60", "--bag-minutes", "600", "--share", "0.5")
	if out := cmdOK(t, "batch", "list"); strings.Count(out, "used up") < 2 {
		t.Errorf("cups on the panel still stand:\n%s", out)
	}
}
