// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"curewright/internal/testkit"
	"curewright/model/cure"
)

// TestFitText: what the sheet says and what the fit gives stand side by side in
// one unit, a temperature as the sheet printed it, and a datum that does not
// fit is named once below the table.
func TestFitText(t *testing.T) {
	sheet := filepath.Join(t.TempDir(), "sheet.toml")
	if err := os.WriteFile(sheet, []byte(`name = "odd"
[[pot_life]]
fl_oz = 4
temp_f = 77
minutes = 12
[[time]]
event = "working"
temp_f = 72
minutes = [80, 88]
[[time]]
event = "tack_free"
temp_f = 72
hours = 9
`), 0o600); err != nil {
		t.Fatal(err)
	}
	out := cmdOK(t, "fit", "--sheet", sheet)
	row := regexp.MustCompile(`(?m)^  (pot life|working|tack free)[^\n]*? +[\d.]+ (min|h|days) +[\d.]+ (min|h|days) +[+-]`)
	rows := row.FindAllStringSubmatch(out, -1)
	if len(rows) != 3 {
		t.Fatalf("%d rows of 3:\n%s", len(rows), out)
	}
	for _, r := range rows {
		if r[2] != r[3] {
			t.Errorf("%s: the sheet in %s, the fit in %s", r[1], r[2], r[3])
		}
	}
	if !strings.Contains(out, "working at 22.2 °C") || strings.Contains(out, "22.22") {
		t.Errorf("temperatures:\n%s", out)
	}
	if us := cmdOK(t, "fit", "--sheet", sheet, "--units", "us"); !strings.Contains(us, "working at 72 °F") || strings.Contains(us, "°C") {
		t.Errorf("as the sheet prints it:\n%s", us)
	}
	if n := strings.Count(out, "does not fit"); n == 0 || strings.Count(out, "Data sheet inconsistent") != n {
		t.Errorf("%d data do not fit, or one is named twice:\n%s", n, out)
	}
	for _, l := range strings.Split(out, "\n") {
		if len([]rune(l)) > 80 {
			t.Errorf("wider than a terminal: %q", l)
		}
	}
}

// "-o -" is standard output and nothing else stands on it; two things at once
// are refused.
func TestStandardOutput(t *testing.T) {
	sheet := filepath.Join(t.TempDir(), "sheet.toml")
	testkit.Write(t, sheet, "name = \"club epoxy\"\nhardener_kind = \"cycloaliphatic\"\nratio_by_weight = [100, 30]\nmin_temp_c = 12\n[[time]]\nevent = \"tack_free\"\ntemp_c = 22\nhours = [4, 5]\n")
	out := cmdOK(t, "fit", "--sheet", sheet, "-o", "-")
	if _, err := cure.ParseResin([]byte(out)); err != nil {
		t.Errorf("standard output is no resin: %v\n%s", err, out)
	}
	if code, out, errs := runCmd(t, "fit", "--sheet", sheet, "-o", "-", "--json"); code != exitUsage || out != "" || !strings.Contains(errs, "standard output") {
		t.Errorf("exit %d, %q, %q", code, out, errs)
	}
}

// A fault in a sheet is said with the file, line and column, as an editor opens it.
func TestFitFaultHasItsPlace(t *testing.T) {
	sheet := filepath.Join(t.TempDir(), "sheet.toml")
	testkit.Write(t, sheet, "name = \"odd\"\n\n[[time]]\nwat = 3\n")
	code, _, errs := runCmd(t, "fit", "--sheet", sheet)
	if code != 2 || !strings.Contains(errs, "curewright: "+sheet+":4:1: time[0].wat: unknown key\n") {
		t.Errorf("exit %d:\n%s", code, errs)
	}
}
