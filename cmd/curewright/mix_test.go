// SPDX-License-Identifier: Apache-2.0

package main

import (
	"math"
	"path/filepath"
	"strings"
	"testing"

	"curewright/internal/testkit"
)

// A coat of 1.4 m² by hand: foam 180 and cloth 200 g/m², 15 % lost, at 100 : 30.
func TestMixCommand(t *testing.T) {
	o := oneObject(t, cmdOK(t, "mix", "--resin", "medium", "--ratio", "100:30", "--area-m2", "1.4", "--cloth", "glass 200 twill", "--core", "foam", "--shop", "19", "--json"))
	if got, want := o["grams"].(float64), 1.4*380*1.15; math.Abs(got-want) > 1e-6 {
		t.Errorf("%g g, by hand %g", got, want)
	}
	out := cmdOK(t, "mix", "--resin", "medium", "--ratio", "100:30", "--grams", "340", "--shop", "19", "--shows", "resin=302")
	for _, w := range []string{"mix 262 + 79, pour it into the tray at once", "40 g resin too much: take it out, or pour 12 g more", "no water into it, no lid"} {
		if !strings.Contains(strings.Join(strings.Fields(out), " "), w) {
			t.Errorf("%q is not said:\n%s", w, out)
		}
	}
	// Volumes without densities are never made weights; the batch stands.
	out = cmdOK(t, "mix", "--resin", "slow", "--ratio-volume", "2:1", "--grams", "90", "--shop", "19", "--shows", "resin=60")
	if !strings.Contains(out, "enter the densities of both parts") && !strings.Contains(out, "enter the\ndensities of both parts") {
		t.Errorf("no word on densities:\n%s", out)
	}
	code, _, errs := runCmd(t, "mix", "--resin", "medium", "--ratio", "100", "--grams=-3", "--vessel", "bucket", "--shop", "19", "--filler", "99")
	for _, w := range []string{"--ratio: ", "--grams: -3 g", "--vessel: \"bucket\"", "--filler: 99 %"} {
		if !strings.Contains(errs, w) {
			t.Errorf("%q is not said:\n%s", w, errs)
		}
	}
	if code != exitUsage {
		t.Errorf("exit %d, want %d", code, exitUsage)
	}
}

// A file with two units in one field is refused with its place before anything
// is sent.
func TestStockImportPlaces(t *testing.T) {
	name := filepath.Join(t.TempDir(), "stock.csv")
	testkit.Write(t, name, "part,resin,full_g\nresin,medium,5 kg 200 g\nhardener,medium\n")
	code, _, errs := runCmd(t, "stock", "import", name)
	if code != exitUsage || !strings.Contains(errs, name+":2: full_g: \"5 kg 200 g\" has two figures or units") || !strings.Contains(errs, name+":3: 2 fields") {
		t.Errorf("exit %d:\n%s", code, errs)
	}
}
