// SPDX-License-Identifier: Apache-2.0

package main

import (
	"encoding/json"
	"math"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
)

func TestPlainArgs(t *testing.T) {
	for name, tt := range map[string]struct{ in, want []string }{
		"a frost":           {[]string{"air", "--temp", "-5.5", "--rh", "80"}, []string{"air", "--temp=-5.5", "--rh", "80"}},
		"a frost and a dot": {[]string{"air", "--temp", "-.5"}, []string{"air", "--temp=-.5"}},
		"a flag is a flag":  {[]string{"fit", "--json", "-o", "x"}, []string{"fit", "--json", "-o", "x"}},
		"help":              {[]string{"help", "cure"}, []string{"cure", "--help"}},
		"after --":          {[]string{"feel", "--", "--a", "-1"}, []string{"feel", "--", "--a", "-1"}},
	} {
		if got := plainArgs(tt.in); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
	// A shed below freezing. Dew point over water at −5 °C, 80 %: −7.91 °C by
	// psychrolib 1.1.1 is over ice; over water the Magnus form of WMO-No. 8,
	// Annex 4.B (6.112·exp(17.62 t/(243.12+t)) hPa) gives it.
	m := oneObject(t, cmdOK(t, "air", "--temp", "-5", "--rh", "80", "--json"))
	x := math.Log(.8) + 17.62*-5/(243.12-5)
	if got, want := m["dew_point_c"].(float64), 243.12*x/(17.62-x); math.Abs(got-want) > .05 {
		t.Errorf("dew point %g °C, want %.2f", got, want)
	}
}

// A number that is none hides nothing else that is wrong.
func TestAllFlagFaults(t *testing.T) {
	code, _, errs := runCmd(t, "cure", "--temp", "warm", "--kappa", "fast", "--resin", "brisk")
	if code != exitUsage {
		t.Errorf("exit %d, want %d", code, exitUsage)
	}
	for _, w := range []string{`--temp: "warm"`, `--kappa: "fast"`, `--resin: "brisk"`} {
		if strings.Count(errs, w) != 1 {
			t.Errorf("%s is not there once:\n%s", w, errs)
		}
	}
	if n := strings.Count(errs, "\n"); n != 3 {
		t.Errorf("%d lines, want one a fault:\n%s", n, errs)
	}
	code, _, errs = runCmd(t, "pot", "--resin", "brisk", "--grams", "0", "--shape", "bowl", "--shop", "220")
	if n := strings.Count(errs, "\n"); code != exitUsage || n != 4 {
		t.Errorf("exit %d, %d lines, want 2 and 4:\n%s", code, n, errs)
	}
}

const dayTOML = `
[day]
start = 2026-10-10T07:30:00+01:00
hours = ["08:00-20:00"]
people = 1
low_c = 6

[[panel]]
id = "lid-outer"
core = "foam"
area_m2 = 1.4

[[coat]]
id = "wet"
panel = "lid-outer"
resin = "medium"
kind = "wet-out"

[[cloth]]
coat = "wet"
name = "glass twill"
g_m2 = 200
[[cloth]]
coat = "wet"
name = "glass plain"
g_m2 = 100

[[step]]
id = "s1"
panel = "lid-outer"
do = "coat"
coat = "tack coat"
resin = "medium"
when = "start"
work_minutes = 20
[[step]]
id = "s2"
panel = "lid-outer"
do = "cloth"
cloth = "aramid 170"
when = "tacky"
of = "s1"
work_minutes = 25
[[step]]
id = "s3"
panel = "lid-outer"
do = "coat"
coat = "wet"
when = "recoat"
of = "s1"
work_minutes = 40
`

// The plan as people read it: 80 columns, the cups that are alike said once,
// and every layer of cloth filled. Hand sum for the wet-out, from the
// definition of the fibre mass fraction f (resin = cloth·(1−f)/f; f common
// practice, no source): aramid plain .42, glass twill .50, glass plain .48, and
// 15 % left behind.
func TestPlanText(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "day.toml")
	testkit.Write(t, file, dayTOML)
	out := cmdOK(t, "--units", "us", "plan", "--job", file, "--shop", "16")
	for l := range strings.SplitSeq(out, "\n") {
		if n := len([]rune(l)); n > 80 {
			t.Errorf("%d columns: %s", n, l)
		}
	}
	if strings.Contains(out, "°C") {
		t.Errorf("°C with US units:\n%s", out)
	}
	var res struct {
		Steps []struct {
			Step    string
			Batches []struct{ Grams float64 }
		}
	}
	testkit.OK(t, json.Unmarshal([]byte(cmdOK(t, "plan", "--job", file, "--shop", "16", "--json")), &res))
	want := 1.15 * 1.4 * (170*.58/.42 + 200*.5/.5 + 100*.52/.48)
	got, cups := 0.0, 0
	for _, s := range res.Steps {
		if s.Step == "s3" {
			cups = len(s.Batches)
			for _, b := range s.Batches {
				got += b.Grams
			}
		}
	}
	// Each cup is rounded up to the gram.
	if got < want-.01 || got > want+float64(cups) {
		t.Errorf("wet-out of %g g in %d cups, want %.1f g", got, cups, want)
	}

	testkit.Write(t, file, strings.Replace(dayTOML, "08:00-20:00", "08:00-08:00", 1))
	if code, _, errs := runCmd(t, "plan", "--job", file); code != exitUsage || !strings.Contains(errs, "day.toml:4:") || !strings.Contains(errs, "never opens") {
		t.Errorf("hours that never open: exit %d, %s", code, errs)
	}
}

// "now" and "10m" are the daemon's, whose clock may not be this machine's; a
// record that is not there is named.
func TestTimesAreTheDaemons(t *testing.T) {
	at := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	l := daemontest.New(t, daemontest.Options{At: at})
	remote := func(args ...string) (int, string, string) {
		return runCmd(t, append([]string{"--server", l.URL}, args...)...)
	}
	must := func(args ...string) string {
		t.Helper()
		code, out, errs := remote(args...)
		if code != exitDone {
			t.Fatalf("%v: exit %d: %s", args, code, errs)
		}
		return out
	}
	must("panel", "add", "lid", "--core", "foam")
	must("coat", "start", "--id", "tack", "--panel", "lid", "--resin", "medium", "--kind", "tack coat", "--applied", "10m")
	var cs struct {
		Coats []struct {
			Applied time.Time `json:"applied_at"`
		}
	}
	testkit.OK(t, json.Unmarshal(l.Do("GET", "/api/v1/coats", nil, http.StatusOK), &cs))
	if got, want := cs.Coats[0].Applied, at.Add(-10*time.Minute); got.Before(want) || got.After(want.Add(time.Minute)) {
		t.Errorf("applied %v, want %v", got, want)
	}
	must("batch", "mixed", "--id", "cup", "--resin", "medium", "--at", "08:40")
	if out := must("batch", "list"); !strings.Contains(out, "mixed Sat 08:40") {
		t.Errorf("not in the daemon's time: %s", out)
	}
	if code, _, errs := remote("batch", "end", "none"); code != exitUsage || !strings.Contains(errs, "batch none: not found") {
		t.Errorf("exit %d: %s", code, errs)
	}
	// What is wrong with a coat is said at once.
	if b := string(l.Do("POST", "/api/v1/coats", map[string]string{"panel": "none", "resin": "brisk", "kind": "tick"}, http.StatusBadRequest)); !strings.Contains(b, `"applied"`) ||
		!strings.Contains(b, `"panel"`) || !strings.Contains(b, `"resin"`) || !strings.Contains(b, `"kind"`) {
		t.Errorf("not every fault: %s", b)
	}
}

// A code for a phone that cannot come is said to be one.
func TestPairOnThisMachineOnly(t *testing.T) {
	l := daemontest.New(t, daemontest.Options{At: time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)})
	out := cmdOK(t, "--server", l.URL, "pair", "--name", "shed phone")
	if !strings.Contains(out, "this machine only") || !strings.Contains(out, "[web] listen") || strings.Contains(out, "█") {
		t.Errorf("the daemon listens on loopback, and pair says:\n%s", out)
	}
	if m := oneObject(t, cmdOK(t, "--server", l.URL, "pair", "--json")); m["local_only"] != true {
		t.Errorf("local_only %v, want true", m["local_only"])
	}
	// Behind a proxy of one's own the address is given, and the square with it.
	if out := cmdOK(t, "--server", l.URL, "pair", "--at", "https://shed.example"); !strings.Contains(out, "█") {
		t.Errorf("no square for an address that was given:\n%s", out)
	}
}

// What is not in the store is said as bad usage, by its name.
func TestStoreHasNoSuch(t *testing.T) {
	dir := t.TempDir()
	l := daemontest.New(t, daemontest.Options{Dir: dir, At: time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)})
	l.Store().Close()
	for what, args := range map[string][]string{
		"panel none: not found": {"record", "none", "--data", dir},
		`--probe: `:             {"export", "--probe", "none", "--data", dir},
	} {
		if code, _, errs := runCmd(t, args...); code != exitUsage || !strings.Contains(errs, what) || !strings.Contains(errs, "none") {
			t.Errorf("%v: exit %d, want 2; %s", args, code, errs)
		}
	}
}
