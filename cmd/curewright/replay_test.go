// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// TestReplayText: everything by the clock that the job was written by, with or
// without --until; the odds and the span of each event; and a probe that the
// readings have nothing of is named.
func TestReplayText(t *testing.T) {
	dir := t.TempDir()
	at := func(name, s string) string {
		p := filepath.Join(dir, name)
		testkit.Write(t, p, s)
		return p
	}
	var csv strings.Builder
	csv.WriteString("time,probe,temp_c,rh_pct,co2_ppm\n")
	begin := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC) // 09:00 by the shed's clock
	for m := range 5*60 + 1 {
		fmt.Fprintf(&csv, "%s,panel-1,20,,\n", begin.Add(time.Duration(m)*time.Minute).Format(time.RFC3339))
	}
	readings := at("shed.csv", csv.String())
	job := at("lids.toml", `[[panel]]
id = "lid"
probe = "panel-1"
air = "shde-air"
[[coat]]
id = "tack"
panel = "lid"
resin = "medium"
kind = "tack coat"
applied = 2026-10-10T09:40:00+01:00
[[feel]]
coat = "tack"
at = 2026-10-10T12:00:00+01:00
state = "tacky"
`)
	var out, errw bytes.Buffer
	if code := run(t.Context(), []string{"replay", "--readings", readings, "--job", job}, strings.NewReader(""), &out, &errw); code != exitDone {
		t.Fatalf("exit %d: %s", code, errw.String())
	}
	text := out.String()
	for _, want := range []string{"Saturday 10 October, 14:00\n", "the odds   wet ", "% (", "early    likely      late\n", "sticks, lifts clean (tacky)", "sands to dust (hard)"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	if n := errw.String(); !strings.Contains(n, `shed.csv has no reading of "shde-air"`) || strings.Contains(n, `reading of "panel-1"`) {
		t.Errorf("of the probe that is not there: %q", n)
	}
	if again := cmdOK(t, "replay", "--readings", readings, "--job", job, "--until", "2026-10-10T13:00:00Z"); again != text {
		t.Errorf("the same moment in another zone reads otherwise:\n%s\nand\n%s", again, text)
	}
	for _, l := range strings.Split(text, "\n") {
		if len([]rune(l)) > 80 {
			t.Errorf("wider than a terminal: %q", l)
		}
	}
}
