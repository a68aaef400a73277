// SPDX-License-Identifier: Apache-2.0

package boards_test

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/boards"

	"curewright/internal/realpart"
)

func ok(t *testing.T, name string, args ...string) {
	t.Helper()
	if out, err := exec.CommandContext(t.Context(), realpart.Program(t, name), args...).CombinedOutput(); err != nil {
		t.Errorf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
}

// What is committed is what the generator writes, keeps to Grafana's schema
// and parses as PromQL: the generator's own tests, in its own module.
func TestGenerated(t *testing.T) {
	if testing.Short() {
		t.Skip("builds another module")
	}
	// Reading them here makes this result stale when one of them changes.
	files, err := filepath.Glob("gen/*")
	if err != nil || len(files) < 5 {
		t.Fatalf("the generator: %v, %v", files, err)
	}
	for _, name := range append(files, "shed.json", "yard.json", "rules.yml", "../web/metrics.go") {
		if _, err := os.ReadFile(name); err != nil {
			t.Error(err)
		}
	}
	goTool := realpart.Program(t, "go")
	run := func(args ...string) ([]byte, error) {
		cmd := exec.CommandContext(t.Context(), goTool, args...)
		cmd.Dir = "gen"
		cmd.Env = append(os.Environ(), "GOFLAGS=-trimpath", "GOWORK=off", "CGO_ENABLED=0")
		return cmd.CombinedOutput()
	}
	if os.Getenv("CI") != "true" {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		cmd := exec.CommandContext(ctx, goTool, "mod", "download")
		cmd.Dir = "gen"
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Skipf("the generator's libraries can't be had: %v\n%s", err, out)
		}
	}
	if out, err := run("test", "./..."); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestPromtool(t *testing.T) {
	ok(t, "promtool", "check", "rules", "rules.yml")
	ok(t, "promtool", "test", "rules", "testdata/rules_test.yml")
}

// A linter and a unit test are only worth something if they can fail: each of
// these changes is a way to get a rule wrong, and each must be found.
func TestRulesTestBites(t *testing.T) {
	if testing.Short() {
		t.Skip("runs another program a dozen times")
	}
	promtool := realpart.Program(t, "promtool")
	rules, err := boards.Files.ReadFile("rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	cases, err := os.ReadFile("testdata/rules_test.yml")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range [][2]string{
		{"for: 1m", "for: 3m"},
		{"keep_firing_for: 10m", "keep_firing_for: 1m"},
		{"< 0.5 and", "< 0.2 and"},
		{"< 3.5 and", "< 3.1 and"},
		{"-12 * 3600", "-99 * 3600"},
		{`curewright_coat_state{state="hard"} == 0`, `curewright_coat_state{state="hard"} >= 0`},
		{`window!="wet"`, `window!=""`},
		{`status="unknown"`, `status="nothing"`},
		{`alertstate="firing"`, `alertstate="pending"`},
		{"group_left () min by", "group_left () max by"},
		{`band="p10"} > 0`, `band="p10"}`},
	} {
		t.Run(m[0], func(t *testing.T) {
			t.Parallel()
			bad := bytes.Replace(rules, []byte(m[0]), []byte(m[1]), -1)
			if bytes.Equal(bad, rules) {
				t.Fatalf("%q is not in the rules", m[0])
			}
			dir := t.TempDir()
			write(t, filepath.Join(dir, "rules.yml"), bad)
			write(t, filepath.Join(dir, "testdata", "rules_test.yml"), cases)
			if exec.CommandContext(t.Context(), promtool, "test", "rules", filepath.Join(dir, "testdata", "rules_test.yml")).Run() == nil {
				t.Errorf("%q for %q is not found", m[1], m[0])
			}
		})
	}
}

func write(t *testing.T, name string, b []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// The sample configurations of the docs, as the programs that read them judge
// them, and word for word in the docs.
func TestFleetSamples(t *testing.T) {
	dir := t.TempDir()
	entries, err := boards.Files.ReadDir("fleet")
	if err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile("../../docs/fleet.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, err := boards.Files.ReadFile("fleet/" + e.Name())
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, e.Name()), b)
		if !bytes.Contains(page, b) {
			t.Errorf("docs/fleet.md does not have %s as it is", e.Name())
		}
	}
	b, err := boards.Files.ReadFile("rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "rules.yml"), b)
	for _, name := range []string{"shed-1", "shed-2"} {
		write(t, filepath.Join(dir, "tokens", name), []byte("not a real one\n"))
	}
	ok(t, "promtool", "check", "config", filepath.Join(dir, "prometheus.yml"))
	ok(t, "amtool", "check-config", filepath.Join(dir, "alertmanager.yml"))

	// The other stack: it skips what is not its own, and its rules are the same
	// without the clear times.
	ok(t, "victoria-metrics", "-promscrape.config="+filepath.Join(dir, "prometheus.yml"), "-promscrape.config.strictParse=false", "-dryRun")
	plain := regexp.MustCompile(`(?m)^ *keep_firing_for: .*\n`).ReplaceAll(b, nil)
	write(t, filepath.Join(dir, "plain.yml"), plain)
	ok(t, "vmalert", "-rule="+filepath.Join(dir, "plain.yml"), "-dryRun")

	// Which receiver an alert reaches, as amtool works it out.
	for labels, want := range map[string]string{
		"service=curewright severity=danger":                       "hands",
		"service=curewright severity=act alertname=CurewrightHard": "hands",
		"service=curewright severity=soon":                         "desk",
		"service=curewright severity=note":                         "book",
		"service=other severity=act":                               "desk",
	} {
		args := append([]string{"config", "routes", "test", "--config.file=" + filepath.Join(dir, "alertmanager.yml")}, strings.Fields(labels)...)
		out, err := exec.CommandContext(t.Context(), realpart.Program(t, "amtool"), args...).Output()
		if got := strings.TrimSpace(string(out)); err != nil || got != want {
			t.Errorf("%s reaches %q (%v), want %q", labels, got, err, want)
		}
	}
}

type alerting struct {
	name, rule, severity, expr string
	hold, keep                 time.Duration
}

// read takes the alerting rules out of the generated file, which has one key
// a line.
func read(t *testing.T) map[string]alerting {
	t.Helper()
	b, err := boards.Files.ReadFile("rules.yml")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]alerting{}
	var a *alerting
	put := func() {
		if a != nil {
			out[a.rule] = *a
		}
	}
	for line := range strings.Lines(string(b)) {
		key, v, _ := strings.Cut(strings.TrimSpace(line), ": ")
		switch key {
		case "- alert":
			put()
			a = &alerting{name: v}
		case "expr":
			if a != nil {
				a.expr = v
			}
		case "for", "keep_firing_for":
			d, err := time.ParseDuration(v)
			if err != nil {
				t.Fatal(err)
			}
			if key == "for" {
				a.hold = d
			} else {
				a.keep = d
			}
		case "rule":
			a.rule = v
		case "severity":
			a.severity = v
		}
	}
	put()
	return out
}

// Each rule of the board is one here, with its hold, clear time and severity;
// or it repeats what the board decided, which has held it already.
func TestRulesMatchTheBoard(t *testing.T) {
	have := read(t)
	judged := 0
	for _, r := range alerts.Rules {
		a, ok := have[r.Name]
		if !ok {
			t.Errorf("no rule for %s", r.Name)
			continue
		}
		want := alerting{severity: string(r.Severity), hold: r.Hold, keep: r.Clear}
		if strings.Contains(a.expr, `curewright_alert_active{rule="`+r.Name+`"}`) {
			want = alerting{}
		} else {
			judged++
		}
		if a.severity != want.severity || a.hold != want.hold || a.keep != want.keep {
			t.Errorf("%s: severity %q, for %v, keep %v; want %q, %v, %v", r.Name, a.severity, a.hold, a.keep, want.severity, want.hold, want.keep)
		}
		delete(have, r.Name)
	}
	if judged < 10 {
		t.Errorf("only %d rules are judged from measures", judged)
	}
	// What is left is the yard's own.
	for name, a := range have {
		if a.severity == "" {
			t.Errorf("%s has no severity", name)
		}
	}
	if len(have) < 5 {
		t.Errorf("only %d rules of the yard's own", len(have))
	}
}
