// SPDX-License-Identifier: Apache-2.0

package main

import (
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/model/cure"
	"curewright/model/memory"
)

// A temperature or a difference of two, with what tells the one from the other.
var degrees = regexp.MustCompile(`(\(about )?(-?[0-9]+(?:\.[0-9]+)?) (?:°(C|F)|(K))\b( warmer| an hour| apart| within)?`)

// typedByAPerson has a figure that nobody but its writer may change.
const typedByAPerson = "zq: glue at 20 °C, gain 3 K"

// TestFahrenheit runs what shows temperatures with either unit: with °F no °C and no
// K is left, each figure is the other's by the definition of the scales, a difference
// without the 32, and never -0; a person's own note stays, and so does the JSON.
func TestFahrenheit(t *testing.T) {
	d := daemontest.NewShop(t, daemontest.Options{Before: daemontest.Tent(t)})
	t.Setenv("CUREWRIGHT_SERVER", d.URL)
	r, _ := cure.Generic(cure.Fast)
	m := &memory.Memory{}
	m.Put(memory.Lesson{Coat: "zq", Board: "loft", Resin: r.Name, Law: memory.LawOf(&r), Applied: d.Now().Add(-48 * time.Hour), WarmthC: 21})
	b, err := memory.Write(m, "loft", d.Now())
	testkit.OK(t, err)
	if code, body := d.Raw("POST", "/api/v1/memory/file", b); code != 200 {
		t.Fatalf("%d %s", code, body)
	}
	_, plan, _ := strings.Cut(string(testkit.MustRead(t, "../../docs/plan.md")), "```toml\n")
	plan, _, _ = strings.Cut(plan, "```")
	dir := t.TempDir()
	for _, name := range []string{"sheet.toml", "lids.toml", "shed.csv"} {
		testkit.Write(t, filepath.Join(dir, name), string(testkit.MustRead(t, "../../examples/"+name)))
	}
	t.Chdir(dir)
	testkit.Write(t, "plan.toml", plan)
	testkit.Write(t, "job.toml", fmt.Sprintf(`[[panel]]
id = "zq-lid"
core = "foam"

[[step]]
id = "zq-soak"
panel = "zq-lid"
do = "soak"
temp_c = 40
hours = 8
ramp_c_h = 5
note = %q
`, typedByAPerson))
	cmdOK(t, "job", "new", "--file", "job.toml", "--id", "zq-job", "--resin", "medium", "--no-probe")
	tent, _ := tentConfig(t, strings.NewReplacer().Replace)
	cmdOK(t, "tent", "hold", "20")
	d.Advance(time.Minute)

	figures := 0
	for _, args := range [][]string{
		{"cure", "--resin", "medium", "--temp", "20"},
		{"cure", "--resin", "medium", "--temp", "2"},
		{"air", "--temp", "18", "--rh", "75", "--panel", "15", "--heat-to", "25"},
		{"air", "--temp", "1", "--rh", "95", "--panel", "0.4"},
		{"air", "--temp", "-17.8", "--rh", "50"}, // 0 °F, and never -0
		{"pot", "--resin", "medium", "--grams", "900", "--shop", "30"},
		{"fit", "--sheet", "sheet.toml"},
		{"mix", "--resin", "medium", "--ratio", "100:30", "--shop", "19", "--grams", "340"},
		{"mix", "--resin", "medium", "--grams", "340"},
		{"plan", "--job", "plan.toml"},
		{"replay", "--readings", "shed.csv", "--job", "lids.toml", "--until", "2026-10-10T20:00:00+01:00"},
		{"coat", "show", "tack"},
		{"coat", "list"},
		{"job", "next"},
		{"job", "show", "zq-job"},
		{"probes", "list"},
		{"memory", "--coats"},
		{"tent", "show"},
		{"tent", "aim", "tack", "hard", "--by", d.Now().Add(10 * time.Hour).Format(time.RFC3339)},
		{"check", "--config", tent},
	} {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			flat := func(out string) string { return strings.Join(strings.Fields(out), " ") }
			si, us := flat(cmdOK(t, args...)), flat(cmdOK(t, append([]string{"--units", "us"}, args...)...))
			if args[0] == "job" && args[1] == "next" && !strings.Contains(us, typedByAPerson) {
				t.Errorf("the note is gone or changed:\n%s", us)
			}
			si, us = strings.ReplaceAll(si, typedByAPerson, ""), strings.ReplaceAll(us, typedByAPerson, "")
			a, b := degrees.FindAllStringSubmatch(si, -1), degrees.FindAllStringSubmatch(us, -1)
			if len(a) != len(b) {
				t.Fatalf("%d figures are °C, %d °F:\n%s\n%s", len(a), len(b), si, us)
			}
			figures += len(a)
			for i := range a {
				x, _ := strconv.ParseFloat(a[i][2], 64)
				y, _ := strconv.ParseFloat(b[i][2], 64)
				want := x*1.8 + 32
				if a[i][4] == "K" || a[i][1]+a[i][5] != "" {
					want = x * 1.8
				}
				// Half a degree of °C and a whole one of °F are said.
				if a[i][3] == "F" || b[i][3] != "F" || math.Abs(y-want) > 1 || b[i][2] == "-0" {
					t.Errorf("%q is %q, want %.1f °F, in\n%s", a[i][0], b[i][0], want, us)
				}
			}
			leaf, _, _ := newProgram(new(commandLine)).Parse(args)
			for _, f := range leaf.Flags {
				if f.Name == "json" && args[0] != "plan" && args[0] != "tent" { // slow, and TestSheetBesideJSON; another moment
					args = append(args, "--json")
					if si, us := cmdOK(t, args...), cmdOK(t, append([]string{"--units", "us"}, args...)...); si != us {
						t.Errorf("the JSON changes with the units:\n%s\n%s", si, us)
					} else if strings.Contains(us, "°F") {
						t.Errorf("°F in the JSON:\n%s", us)
					}
				}
			}
		})
	}
	if figures < 50 {
		t.Errorf("only %d figures were compared", figures)
	}
}

// A plan's sheet is for people, its JSON is not: asked for at once, each has its own
// unit.
func TestSheetBesideJSON(t *testing.T) {
	_, plan, _ := strings.Cut(string(testkit.MustRead(t, "../../docs/plan.md")), "```toml\n")
	plan, _, _ = strings.Cut(plan, "```")
	t.Chdir(t.TempDir())
	testkit.Write(t, "plan.toml", plan)
	out := cmdOK(t, "--units", "us", "plan", "--job", "plan.toml", "--json", "--sheet", "day.html")
	if sheet := string(testkit.MustRead(t, "day.html")); strings.Contains(sheet, "°C") || !strings.Contains(sheet, "°F") {
		t.Errorf("the sheet is not in °F:\n%s", sheet)
	}
	if strings.Contains(out, "°F") || !strings.Contains(out, "°C") {
		t.Errorf("the JSON is not in °C:\n%s", out)
	}
}
