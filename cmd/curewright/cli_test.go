// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"encoding/json"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"curewright/internal/testkit"
)

// runCmd runs the command line whole.
func runCmd(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// oneObject decodes output that must be exactly one JSON object.
func oneObject(t *testing.T, out string) map[string]any {
	t.Helper()
	dec := json.NewDecoder(strings.NewReader(out))
	var m map[string]any
	if err := dec.Decode(&m); err != nil {
		t.Fatalf("not a JSON object: %v\n%s", err, out)
	}
	if dec.More() {
		t.Fatalf("text after the object:\n%s", out)
	}
	return m
}

func hasKeys(t *testing.T, where string, m map[string]any, keys ...string) {
	t.Helper()
	for _, k := range keys {
		if _, ok := m[k]; !ok {
			t.Errorf("%s: no key %q among %v", where, k, slices.Sorted(maps.Keys(m)))
		}
	}
}

func sub(t *testing.T, m map[string]any, key string) map[string]any {
	t.Helper()
	s, ok := m[key].(map[string]any)
	if !ok {
		t.Fatalf("%q is %T, want an object", key, m[key])
	}
	return s
}

// The keys of the contract: other programs read them.
func TestJSONKeys(t *testing.T) {
	m := oneObject(t, cmdOK(t, "cure", "--resin", "medium", "--temp", "20", "--json"))
	hasKeys(t, "cure", m, "resin", "temp_c", "kappa", "times_min", "alpha_at_h", "tg_c_at_h", "stall")
	hasKeys(t, "cure times_min", sub(t, m, "times_min"), "alpha_0.30", "gel", "alpha_0.80", "tacky", "recoat_opens", "green", "firm", "recoat_closes", "hard")
	hasKeys(t, "cure alpha_at_h", sub(t, m, "alpha_at_h"), "1", "2", "4", "8", "24", "168")
	hasKeys(t, "cure tg_c_at_h", sub(t, m, "tg_c_at_h"), "1", "2", "4", "8", "24", "168")

	m = oneObject(t, cmdOK(t, "air", "--temp", "20", "--rh", "60", "--panel", "15", "--json"))
	hasKeys(t, "air", m, "vapour_pressure_pa", "dew_point_c", "humidity_ratio", "panel_rh_pct", "dew_margin_k", "condensing")
	// psychrolib 1.1.1 from npm gives a dew point of 12.007 °C at 20 °C, 60 %.
	if d := m["dew_point_c"].(float64); d < 11.95 || d > 12.06 {
		t.Errorf("dew point %g °C, want 12.007 ± .05", d)
	}

	m = oneObject(t, cmdOK(t, "pot", "--resin", "fast", "--grams", "100", "--shape", "cup", "--shop", "22", "--json"))
	hasKeys(t, "pot", m, "psi", "verdict", "minutes_to_plus15k", "minutes_to_60c", "work_minutes", "peak_class", "max_grams_for_work", "nominal")
	hasKeys(t, "pot max_grams_for_work", sub(t, m, "max_grams_for_work"), "20", "30", "45")
	hasKeys(t, "pot nominal", sub(t, m, "nominal"), "psi", "minutes_to_plus15k", "minutes_to_60c", "peak_c")
	if m["verdict"] != "runaway" {
		t.Errorf("100 g of a fast hardener in a cup: verdict %v, want runaway (common practice, no source)", m["verdict"])
	}

	dir := t.TempDir()
	csv, job := filepath.Join(dir, "r.csv"), filepath.Join(dir, "j.toml")
	var b strings.Builder
	b.WriteString("time,probe,temp_c,rh_pct,co2_ppm\n")
	for i := range 240 {
		b.WriteString("2026-10-10T" + clockOf(9*60+i) + ":00+01:00,panel-1,19.0,,\n")
	}
	testkit.Write(t, csv, b.String())
	testkit.Write(t, job, "[[panel]]\nid = \"lid\"\nprobe = \"panel-1\"\ncore = \"foam\"\n[[coat]]\nid = \"tack\"\npanel = \"lid\"\nresin = \"medium\"\nkind = \"tack coat\"\napplied = 2026-10-10T09:40:00+01:00\n")
	m = oneObject(t, cmdOK(t, "replay", "--readings", csv, "--job", job, "--json"))
	hasKeys(t, "replay", m, "at", "coats")
	c := m["coats"].([]any)[0].(map[string]any)
	hasKeys(t, "coat", c, "id", "panel", "resin", "applied_at", "temp_c", "alpha", "tg_c", "kappa", "state", "state_probability",
		"unknown_why", "advice", "next_window", "events", "blush", "stall", "degraded_minutes")
	hasKeys(t, "next_window", sub(t, c, "next_window"), "kind", "opens", "closes")
	hasKeys(t, "state_probability", sub(t, c, "state_probability"), "wet", "tacky", "green", "firm", "hard")
	hasKeys(t, "blush", sub(t, c, "blush"), "index", "band", "condensed")
	ev := sub(t, c, "events")
	hasKeys(t, "events", ev, "tacky", "recoat_opens", "green", "firm", "recoat_closes", "hard", "handle")
	hasKeys(t, "events.green", sub(t, ev, "green"), "p10", "p50", "p90")
}

func clockOf(minute int) string {
	return string([]byte{'0' + byte(minute/600), '0' + byte(minute/60%10), ':', '0' + byte(minute%60/10), '0' + byte(minute%10)})
}

// Bad usage and bad input: exit 2, every fault on a line of its own with its
// place, and nothing on standard output.
func TestBadInput(t *testing.T) {
	dir := t.TempDir()
	at := func(name, text string) string {
		p := filepath.Join(dir, name)
		testkit.Write(t, p, text)
		return p
	}
	goodCSV := at("good.csv", "time,probe,temp_c,rh_pct,co2_ppm\n2026-10-10T09:00:00+01:00,panel-1,19,,\n2026-10-10T09:10:00+01:00,panel-1,19,,\n")
	goodJob := at("good.toml", "[[panel]]\nid = \"lid\"\nprobe = \"panel-1\"\n[[coat]]\nid = \"a\"\npanel = \"lid\"\nresin = \"medium\"\nkind = \"tack coat\"\napplied = 2026-10-10T09:00:00+01:00\n")
	for name, tt := range map[string]struct {
		args []string
		want []string // each must stand in some line
	}{
		"unknown command": {[]string{"cuer"}, []string{"arguments"}},
		"unknown resin":   {[]string{"cure", "--resin", "brisk", "--temp", "20"}, []string{"--resin: \"brisk\""}},
		"two faults":      {[]string{"cure", "--resin", "brisk", "--temp", "200"}, []string{"--resin", "--temp: 200"}},
		"°F in a flag":    {[]string{"cure", "--resin", "fast", "--temp", "68"}, []string{"--temp: 68 °C", "was it typed in °F? (68 °F is 20 °C)"}},
		"air":             {[]string{"air", "--temp", "20", "--rh", "140"}, []string{"140"}},
		"pot":             {[]string{"pot", "--resin", "fast", "--grams", "-5", "--shop", "20"}, []string{"--grams"}},
		"other header":    {[]string{"replay", "--readings", at("h.csv", "date,temp\n1,2\n"), "--job", goodJob}, []string{"h.csv:1:1: ", "time,probe,temp_c,rh_pct,co2_ppm"}},
		"broken rows": {[]string{"replay", "--readings", at("b.csv", "time,probe,temp_c,rh_pct,co2_ppm\nyesterday,p,19,,\n2026-10-10T09:00:00Z,p,warm,,\n2026-10-10T09:01:00Z,p,NaN,,\n2126-10-10T09:02:00Z,p,19,,\n"), "--job", goodJob},
			[]string{"b.csv:2:1: ", "b.csv:3:24: ", "b.csv:4:24: ", "b.csv:5:1: "}},
		"only a header":             {[]string{"replay", "--readings", at("o.csv", "time,probe,temp_c,rh_pct,co2_ppm\n"), "--job", goodJob}, []string{"o.csv:1:1: no readings"}},
		"a sheet that is not there": {[]string{"fit", "--sheet", filepath.Join(dir, "none.toml")}, []string{"curewright: " + filepath.Join(dir, "none.toml") + ": no such file"}},
		"a shed at 68":              {[]string{"replay", "--readings", at("f.csv", "time,probe,temp_c,rh_pct,co2_ppm\n2026-10-10T09:00:00Z,p,68,,\n2026-10-10T09:01:00Z,p,68.1,,\n"), "--job", goodJob}, []string{"f.csv:2:", "°F"}},
		"unknown panel": {[]string{"replay", "--readings", goodCSV, "--job", at("p.toml", "[[coat]]\nid = \"a\"\npanel = \"lid\"\nresin = \"brisk\"\nkind = \"tack coat\"\napplied = 2026-10-10T09:00:00+01:00\n")},
			[]string{"p.toml:3:", "p.toml:4:"}},
		"coat in the future": {[]string{"replay", "--readings", goodCSV, "--job", at("c.toml", "[[panel]]\nid = \"lid\"\n[[coat]]\nid = \"a\"\npanel = \"lid\"\nresin = \"fast\"\nkind = \"tack coat\"\napplied = 2126-10-10T09:00:00+01:00\n")},
			[]string{"c.toml:8:", "future"}},
		"no such file": {[]string{"check", "--config", filepath.Join(dir, "none.toml")}, []string{"none.toml: no such file"}},
		"configuration": {[]string{"check", "--config", at("w.toml", "[web]\nlisten = \"0.0.0.0:8374\"\nlisen = 3\n[[probe]]\nid = \"a\"\ndriver = \"sht9x\"\nbus = \"i2c-1:0x44\"\nevery = 10\n[[probe]]\nid = \"a\"\ndriver = \"sht4x\"\n[sleep]\nfrom = \"25:00\"\nto = \"06:30\"\n")},
			[]string{"w.toml:3:1: web.lisen: unknown key", "w.toml:6:1: probe[0].driver", "w.toml:8:1: probe[0].every", "\"10s\"", "w.toml:10:1: probe[1].id", "probe[1].bus", "w.toml:13:1: sleep.from"}},
		"data in a file": {[]string{"watch", "--config", at("l.toml", "[web]\nlisten = \"shed\"\n")}, []string{"l.toml:2:1: web.listen"}},
	} {
		t.Run(name, func(t *testing.T) {
			code, out, errs := runCmd(t, tt.args...)
			if code != exitUsage {
				t.Errorf("exit %d, want %d", code, exitUsage)
			}
			if out != "" {
				t.Errorf("something was printed beside the fault: %q", out)
			}
			for _, l := range strings.Split(strings.TrimSpace(errs), "\n") {
				if !strings.HasPrefix(l, "curewright: ") {
					t.Errorf("line does not begin with the program's name: %q", l)
				}
			}
			for _, w := range tt.want {
				if !strings.Contains(errs, w) {
					t.Errorf("no %q in:\n%s", w, errs)
				}
			}
		})
	}
}

// --units us changes what people read, never the JSON.
func TestUnits(t *testing.T) {
	if out := cmdOK(t, "--units", "us", "air", "--temp", "20", "--rh", "60"); !strings.Contains(out, "68 °F") || strings.Contains(out, "°C") {
		t.Errorf("US units: %s", out)
	}
	us := cmdOK(t, "--units", "us", "air", "--temp", "20", "--rh", "60", "--json")
	if si := cmdOK(t, "air", "--temp", "20", "--rh", "60", "--json"); us != si {
		t.Error("the JSON changes with the units")
	}
}

// What people read fits a terminal of 80 columns.
func TestEightyColumns(t *testing.T) {
	for _, args := range [][]string{
		{"cure", "--resin", "slow", "--temp", "12"},
		{"air", "--temp", "18", "--rh", "90", "--panel", "16", "--heat-to", "24"},
		{"pot", "--resin", "medium", "--grams", "400", "--shop", "24"},
		{"probes"}, {"check"}, {"--help"},
	} {
		for _, l := range strings.Split(cmdOK(t, args...), "\n") {
			if n := len([]rune(l)); n > 80 {
				t.Errorf("%v: %d columns: %s", args, n, l)
			}
		}
	}
}

func TestNoArguments(t *testing.T) {
	if out := cmdOK(t); !strings.Contains(out, "curewright") || !strings.Contains(out, "watch") {
		t.Errorf("no help without arguments:\n%s", out)
	}
}
