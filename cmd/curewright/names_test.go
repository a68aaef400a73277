// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// Answers say what was meant by its name, not by the id alone; an export says
// which span it gave, and gives all of it where none is asked for; a store that a
// daemon has is refused with what to do.
func TestAnswersNameThings(t *testing.T) {
	dir := t.TempDir()
	url, _, _ := startWatch(t, "--data", dir, "--listen", "127.0.0.1:0")
	t.Setenv("CUREWRIGHT_SERVER", url)
	api := &testkit.API{T: t, URL: url}
	api.Do("POST", "/api/v1/readings", []web.PushReading{{Probe: "panel-1", TempC: new(18.0)}}, 202)
	for _, x := range []struct {
		want string
		args []string
	}{
		{"Lid witness (panel-1), panel: its readings count from now on.", []string{"probes", "accept", "panel-1", "--name", "Lid witness", "--role", "panel"}},
		{"Lid A, outer, with the probe Lid witness: lid-a", []string{"panel", "add", "lid-a", "--name", "Lid A, outer", "--probe", "panel-1"}},
		{"The cup of 130 g medium mixed at ", []string{"batch", "mixed", "--resin", "medium", "--resin-g", "100", "--hardener-g", "30", "--id", "cup-1"}},
		{"The tack coat on Lid A, outer, from ", []string{"coat", "start", "--id", "tack", "--panel", "lid-a", "--resin", "medium", "--kind", "tack coat", "--batch", "cup-1"}},
		{"The tack coat on Lid A, outer felt wet at ", []string{"feel", "tack", "wet"}},
		{`The tack coat on Lid A, outer (tack): note was empty, is "thin".`, []string{"correct", "coat", "tack", "note=thin"}},
		{"The cup of 130 g medium mixed at ", []string{"batch", "end", "cup-1"}},
		{"Lid witness", []string{"panel", "list"}},
		{"The tack coat on Lid A, outer is ended (tack).", []string{"coat", "end", "tack"}},
	} {
		if out := cmdOK(t, x.args...); !strings.Contains(out, x.want) {
			t.Errorf("%s: %q, want %q", strings.Join(x.args, " "), out, x.want)
		}
	}
	api.Do("POST", "/api/v1/readings", []web.PushReading{{Probe: "panel-1", TempC: new(18.5)}}, 202)
	out := filepath.Join(t.TempDir(), "all.csv")
	if code, _, errs := runCmd(t, "export", "-o", out); code != exitDone || !strings.HasPrefix(errs, "1 readings from 20") {
		t.Errorf("export: %d %s", code, errs)
	}
	for _, cmd := range [][]string{{"record", "lid-a"}, {"export"}, {"backup", filepath.Join(t.TempDir(), "b.db")}} {
		code, _, errs := runCmd(t, append(cmd, "--data", dir)...)
		if code != exitUsage || !strings.Contains(errs, "--data: "+dir+" belongs to the daemon that runs: leave --data out, and it answers itself") {
			t.Errorf("%v beside a running daemon: %d %s", cmd, code, errs)
		}
	}
	if _, err := os.Stat(out); err != nil {
		t.Error(err)
	}
}
