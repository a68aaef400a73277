// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
	"curewright/model/job"
)

// TestPlanGuide: the guide's own job is planned, and every key and word that a
// step may have stands in the guide.
func TestPlanGuide(t *testing.T) {
	guide := string(testkit.MustRead(t, "../../docs/plan.md"))
	_, text, ok := strings.Cut(guide, "```toml\n")
	text, after, ok2 := strings.Cut(text, "```")
	if !ok || !ok2 {
		t.Fatal("no job in the guide")
	}
	file := filepath.Join(t.TempDir(), "lids.toml")
	testkit.Write(t, file, text)
	m := oneObject(t, cmdOK(t, "plan", "--job", file, "--json"))
	if n, want := len(m["steps"].([]any)), strings.Count(text, "[[step]]"); n != want {
		t.Errorf("%d steps planned, the job has %d", n, want)
	}
	if m["feasible"] == true || len(m["why_not"].([]any)) == 0 || len(m["options"].([]any)) == 0 {
		t.Errorf("the guide says that this day does not go well; the plan: %v", m["say"])
	}
	words := append(append([]string{}, job.Does...), job.Whens...)
	for s, i := reflect.TypeFor[job.Step](), 0; i < s.NumField(); i++ {
		key, _, _ := strings.Cut(s.Field(i).Tag.Get("toml"), ",")
		words = append(words, key)
	}
	for _, w := range words {
		if !strings.Contains(after, "`"+w+"`") {
			t.Errorf("%q does not stand in the guide's tables", w)
		}
	}
	for _, l := range strings.Split(cmdOK(t, "plan", "--job", file), "\n") {
		if n := len([]rune(l)); n > 80 {
			t.Errorf("%d columns: %s", n, l)
		}
	}
}

// A record belongs to one step, on its own panel: a slip would count work as
// done that nobody did.
func TestPlanCoatOfAnotherStep(t *testing.T) {
	file := filepath.Join(t.TempDir(), "slip.toml")
	err := os.WriteFile(file, []byte(`[day]
start = 2026-10-10T08:00:00+01:00

[[panel]]
id = "a"
area_m2 = 1

[[panel]]
id = "b"
area_m2 = 1

[[coat]]
id = "tack-1"
panel = "a"
resin = "medium"
kind = "tack coat"
applied = 2026-10-10T09:40:00+01:00

[[step]]
id = "one"
panel = "a"
do = "coat"
coat = "tack-1"

[[step]]
id = "two"
panel = "b"
do = "coat"
coat = "tack-1"
`), 0o600)
	testkit.OK(t, err)
	code, _, errs := runCmd(t, "plan", "--job", file)
	for _, w := range []string{"slip.toml:29:1: ", `is on panel "a", the step on "b"`, `is of step "one" already`} {
		if !strings.Contains(errs, w) {
			t.Errorf("%q is not said:\n%s", w, errs)
		}
	}
	if n := strings.Count(errs, "\n"); code != exitUsage || n != 2 {
		t.Errorf("exit %d, %d lines, want 2 and 2:\n%s", code, n, errs)
	}
}

// Planned times are whole five minutes of the clock, whenever the last reading
// came.
func TestPlanByTheClock(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		p := filepath.Join(dir, name)
		testkit.Write(t, p, text)
		return p
	}
	day := write("day.toml", `[day]
start = 2026-10-10T08:00:00+01:00

[[panel]]
id = "lid"
area_m2 = 1

[[step]]
id = "tack"
panel = "lid"
do = "coat"
coat = "tack coat"
resin = "medium"

[[step]]
id = "fill"
panel = "lid"
do = "coat"
coat = "fill coat"
resin = "medium"
when = "recoat"
of = "tack"
`)
	csv := write("shed.csv", "time,probe,temp_c,rh_pct,co2_ppm\n2026-10-10T08:31:00+01:00,shed-air,19,60,\n2026-10-10T08:42:37+01:00,shed-air,19,60,\n")
	m := oneObject(t, cmdOK(t, "plan", "--job", day, "--readings", csv, "--json"))
	for _, x := range m["steps"].([]any) {
		s := x.(map[string]any)
		at, err := time.Parse(time.RFC3339, s["at"].(string))
		if err != nil || at.Minute()%5 != 0 || at.Second() != 0 {
			t.Errorf("%s at %v, %v", s["step"], s["at"], err)
		}
		for _, clock := range regexp.MustCompile(`\d\d:\d(\d)`).FindAllStringSubmatch(s["say"].(string), -1) {
			if clock[1] != "0" && clock[1] != "5" {
				t.Errorf("%s: %q", s["step"], s["say"])
			}
		}
	}
}
