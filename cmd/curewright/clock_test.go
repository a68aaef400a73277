// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/sensors/shopsim"
)

// A board that does not know the date is told it from the command line: seen,
// asked about once more where it is far from the last record, then taken.
func TestClockCommand(t *testing.T) {
	dir := t.TempDir()
	t.Run("the start before", func(t *testing.T) { // it knew the date: here is the last record
		live := daemontest.New(t, daemontest.Options{Dir: dir, Shed: &shopsim.Config{Seed: 3}})
		live.Advance(time.Minute)
	})
	live := daemontest.New(t, daemontest.Options{Dir: dir, At: time.Date(2026, 10, 10, 8, 10, 0, 0, time.UTC), ClockUntrusted: true})
	t.Setenv("CUREWRIGHT_SERVER", live.URL)

	var seen struct {
		Now     time.Time
		Trusted bool
		AheadS  float64 `json:"ahead_s"`
	}
	show := func() {
		t.Helper()
		testkit.OK(t, json.Unmarshal([]byte(cmdOK(t, "clock", "show", "--json")), &seen))
	}
	show()
	if seen.Trusted || !seen.Now.Equal(live.Now()) {
		t.Errorf("clock show: %+v, want %s and not trusted", seen, live.Now())
	}
	if out := strings.Join(strings.Fields(cmdOK(t, "clock", "show")), " "); !strings.Contains(out, "does not believe it") || !strings.Contains(out, "Sat 10 Oct 2026 08:10:00 UTC") || !strings.Contains(out, "this machine's clock") {
		t.Errorf("clock show:\n%s", out)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"yesterday"}, `"yesterday" is not a date and a time`},
		{[]string{"--date", "10/10/2026"}, "10/10/2026"},
		{[]string{"1970-01-01 00:00"}, "between 2025 and 2100"},
		// Not at a terminal, the question is an error that says what answers it.
		{[]string{"2031-10-10 08:12"}, "curewright clock confirm \"2031-10-10 08:12\" --date 2031-10-10"},
		{[]string{"2031-10-10 08:12", "--json"}, "days after the last record here"},
		{[]string{"2031-10-10 08:12", "--date", "2030-10-10"}, "--date 2031-10-10"},
	} {
		code, out, errs := runCmd(t, append([]string{"clock", "confirm"}, c.args...)...)
		if code != exitUsage || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("clock confirm %q: exit %d, %q, %q, want %q", c.args, code, out, errs, c.want)
		}
	}
	if show(); seen.Trusted {
		t.Error("trusted before anybody confirmed it")
	}
	if out := cmdOK(t, "clock", "confirm", "2031-10-10 08:12", "--date", "2031-10-10"); !strings.Contains(out, "from now on") {
		t.Errorf("clock confirm: %q", out)
	}
	if show(); !seen.Trusted {
		t.Error("not trusted after it was confirmed")
	}
	// The right one later is always taken.
	cmdOK(t, "clock", "confirm", "2026-10-10T09:12:00+01:00", "--json")
}
