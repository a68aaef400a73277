// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// recorded is what each run said on a two-core machine, in its short form.
func recorded(t *testing.T) map[string]*result {
	t.Helper()
	done := map[string]*result{}
	for _, s := range stages {
		text, err := os.ReadFile(filepath.Join("testdata", s.key+".txt"))
		if err != nil {
			t.Fatal(err)
		}
		done[s.key] = read(string(text), nil)
	}
	return done
}

var desk = host{date: time.Date(2026, 10, 10, 9, 40, 0, 0, time.UTC), cpu: "some processor", kernel: "amd64, Linux 6", load: "0.10, 0.20, 0.30",
	revision: "abc1234", goIs: "go1.26", cores: 2, prometheus: "2", exporter: "1", scipy: "1", sundial: "6"}

func line(t *testing.T, table []byte, begin string) string {
	t.Helper()
	for l := range strings.Lines(string(table)) {
		if strings.HasPrefix(l, "| "+begin+" |") {
			return strings.TrimSpace(l)
		}
	}
	t.Errorf("no row %q", begin)
	return ""
}

// The expected cells are read off the recorded lines by hand.
func TestTableOfARecordedRun(t *testing.T) {
	table, missing := render(desk, stages, recorded(t))
	for _, want := range []string{
		"| cure integral, 24 h by the minute, each of a coat's rate factors, fast | 22.0 µs | 2775 µs (SUNDIALS CVODE) | 126× | ≥ 100× as quick | met | a |",
		"| largest error in α against scipy's LSODA, real and synthetic traces | 3.7e-07 |  |  | ≤ 1e-6 | met | b |",
		"| what its size costs, fast: worst quantile of an event, of the time since mixing | 2.3 % | against 201 rate factors × 500 paths × 1 min |  |  |  | d |",
		"| what its size costs, slow: worst quantile of an event, of the time since mixing | not measured: the run has no such figure | against 201 rate factors × 500 paths × 1 min |  |  |  | d |",
		"| replay of a year of minutes × 100 coats | 24.5 s |  |  | ≤ 5 s on two cores | **missed** | e |",
		"| the most it holds at once, beside the readings | 3.67 MB | 3.05 MB (with a twelfth of the readings) | 1.20 | flat: ratio ≤ 1.5 | met | e |",
		"| shop forecast on a real room: pinball loss over all leads | 0.253 K | 0.319 K (stays as now) | 0.79 | below both | met | h |",
		"| shop forecast on hourly normals: pinball loss over all leads | 0.021 K | 0.849 K (stays as now) | 0.02 | below both | met | h |",
		"| a reading, packed: a real room by the minute, temperature and humidity | 2.05 bytes | 10.05 bytes (Prometheus, one block) | 0.20 | ≤ 3 bytes | met | i |",
		"| written in a simulated day, no coat open, by write_bytes | 33.6 MB | 26.3 MB (Prometheus, same samples) | 1.28 | ≤ 20 MB | **missed** | j |",
		"| longest that a reading waits for the disk, a coat open | 8.0 s |  |  | ≤ 10 s | met | k |",
		"| coats, batches, finger tests and alerts lost by a kill | passes |  |  | none | met | k |",
		"| start to first estimate, a year of minutes from two probes | 102 ms |  |  | ≤ 300 ms | met | l |",
		"| daemon, 16 probes each second, 4 coats, page open: resident | 34.4 MB | 19.5 MB (node exporter) | 1.76 | ratio ≤ 1.5 | **missed** | m |",
		// The peer's time was below a tick of the kernel's clock: no ratio.
		"| the same: of a core | 0.20 % | 0.00 % (node exporter) |  | ≤ 0.15 % | **missed** | m |",
		"| a hundred open coats: of a core | 0.77 % |  |  | ≤ 1 % | met | m |",
		"| the daemon at its own pace, a coat open, by write_bytes | 70.7 MB a day | 0.0 MB a day (Prometheus, scraping) |  | ≤ 100 MB | met | n |",
		"| most that a plan takes in the daemon above its rest, a year of minutes from 16 probes | 7.1 MB |  |  | ≤ 64 MB | met | u |",
		"| most that the command holds, all in all, which makes Parquet of that year | 32.3 MB |  |  | ≤ 64 MB | met | u |",
		"| everything the page fetches, compressed | 80244 bytes |  |  | ≤ 150,000 bytes | met | o |",
		"| scrape of /metrics, 16 probes and 4 coats | 3.50 ms |  |  |  |  | p |",
		"| the program for armv6, stripped | 25.0 MB |  |  | ≤ 25 MB | **missed** | t |",
		"| 10 probes | 148 ms | 58 ms | 6.0 ms | 41 kB | 0.05 ms | 2 ms | 31 ms | 0.1 MB | 3.0 MB |",
		"| an alert step, 4 coats and 16 probes | 0.36 ms |  |  |  |  | q |",
	} {
		what, _, _ := strings.Cut(strings.TrimPrefix(want, "| "), " |")
		if got := line(t, table, what); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	// Two of the sizes are in the short form.
	if want := 2 + (len(growthSizes)-2)*len(growthColumns); missing != want {
		t.Errorf("%d figures are missing, want %d:\n%s", missing, want, table)
	}
	for _, want := range []string{"2026-10-10 09:40 UTC at revision abc1234", "(2 cores, amd64, Linux 6)", "Load average before: 0.10",
		"- a: `go test ./bench -run '^$' -bench Day -benchtime 20x`\n"} {
		if !bytes.Contains(table, []byte(want)) {
			t.Errorf("%q is not in the table", want)
		}
	}
}

// Every budget has a row that reads one of the runs, and every run is read.
func TestRows(t *testing.T) {
	read := map[string]bool{"r": true} // in a table of its own
	for _, r := range rows() {
		read[r.stage] = true
		if r.ours == (figure{}) {
			t.Errorf("%s: nothing is measured", r.what)
		}
		if r.limit != 0 && r.budget == "" || r.ratio != noRatio && r.peer == (figure{}) || r.peer != (figure{}) && r.peerIs == "" {
			t.Errorf("%s: half a row", r.what)
		}
	}
	for _, s := range stages {
		if !read[s.key] {
			t.Errorf("run %s is in no row", s.key)
		}
		delete(read, s.key)
	}
	for key := range read {
		t.Errorf("no run %q", key)
	}
}

// A figure that was not measured says why in its own row and is no longer
// there: neither as met nor with what it was.
func TestNotMeasuredSaysWhy(t *testing.T) {
	r := row{what: "x", ours: times("Day/fast", "ours-µs", 1, "%.1f µs"), peer: times("Day/fast", "cvode-µs", 1, "%.0f µs"), peerIs: "CVODE", ratio: atLeast, limit: 100, budget: "≥ 100×"}
	const good = "BenchmarkDay/fast-2 20 21000 ns/op 2100 cvode-µs 20.0 ours-µs\n"
	for _, c := range []struct {
		name, output string
		err          error
		want         []string
	}{
		{"measured", good, nil, []string{"x", "20.0 µs", "2100 µs (CVODE)", "105×", "≥ 100×", "met"}},
		{"missed", "BenchmarkDay/fast-2 20 21000 ns/op 1999 cvode-µs 20.0 ours-µs\n", nil, []string{"x", "20.0 µs", "1999 µs (CVODE)", "100×", "≥ 100×", "**missed**"}},
		{"no peer", "BenchmarkDay/fast-2 20 21000 ns/op 20.0 ours-µs\n", nil, []string{"x", "20.0 µs", "not measured: the run has no such figure (CVODE)", "", "≥ 100×", "not measured"}},
		{"skipped", "--- SKIP: BenchmarkDay/fast\n    cvode_test.go:38: no SUNDIALS here (Debian: libsundials-dev)\nPASS\n", nil,
			[]string{"x", "not measured: no SUNDIALS here (Debian: libsundials-dev)", "not measured: no SUNDIALS here (Debian: libsundials-dev) (CVODE)", "", "≥ 100×", "not measured"}},
		{"failed", "--- FAIL: BenchmarkDay/fast\n    cvode_test.go:60: cvode.c: exit status 1\nFAIL\n", errors.New("exit status 1"),
			[]string{"x", "not measured: cvode.c: exit status 1", "not measured: cvode.c: exit status 1 (CVODE)", "", "≥ 100×", "not measured"}},
		{"does not compile", "# curewright/bench\nbench/doc.go:7:2: undefined: x\nFAIL\tcurewright/bench [build failed]\nFAIL\n", errors.New("exit status 1"),
			[]string{"x", "not measured: undefined: x", "not measured: undefined: x (CVODE)", "", "≥ 100×", "not measured"}},
		{"too long", "goos: linux\n", errors.New("not done after 5m0s"),
			[]string{"x", "not measured: not done after 5m0s", "not measured: not done after 5m0s (CVODE)", "", "≥ 100×", "not measured"}},
	} {
		got, _ := r.cells(read(c.output, c.err))
		if strings.Join(got, "\n") != strings.Join(c.want, "\n") {
			t.Errorf("%s:\ngot  %q\nwant %q", c.name, got, c.want)
		}
	}
}

// A test of the tree's own that fails is no "passes", and one that a run does
// not have is none either.
func TestCheckRow(t *testing.T) {
	r := row{what: "x", ours: check("TestKill"), budget: "none"}
	for output, want := range map[string]string{
		"--- PASS: TestKill (1.00s)\n":                                            "passes none met",
		"--- FAIL: TestKill (1.00s)\n    fault_test.go:9: feel 3 is gone\nFAIL\n": "not measured: feel 3 is gone none not measured",
		"--- PASS: TestKillAll (1.00s)\n":                                         "not measured: the run has no such figure none not measured",
	} {
		var err error
		if strings.Contains(output, "FAIL") {
			err = errors.New("exit status 1")
		}
		c, _ := r.cells(read(output, err))
		if got := strings.Join([]string{c[1], c[4], c[5]}, " "); got != want {
			t.Errorf("%q: got %q, want %q", output, got, want)
		}
	}
}

func TestSplice(t *testing.T) {
	text := "words\n" + begins + "\nold\n" + ends + "\nmore\n"
	got, err := splice([]byte(text), []byte("new\n"))
	if want := "words\n" + begins + "\nnew\n" + ends + "\nmore\n"; err != nil || string(got) != want {
		t.Errorf("got %q, %v", got, err)
	}
	for _, bad := range []string{"no marks", begins + begins + ends, ends + begins} {
		if _, err := splice([]byte(bad), nil); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
	book, err := os.ReadFile(filepath.Join("..", "..", "BENCHMARKS.md"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := splice(book, nil); err != nil {
		t.Errorf("BENCHMARKS.md: %v", err)
	}
}

// Wrong arguments end it before anything has run.
func TestArguments(t *testing.T) {
	for _, args := range [][]string{{"-only", "z"}, {"c"}, {"-file", filepath.Join(t.TempDir(), "none.md")}, {"-nonsense"}} {
		var out bytes.Buffer
		if err := run(context.Background(), args, &out); err == nil || out.Len() > 0 {
			t.Errorf("%q: %v, %q", args, err, out.String())
		}
	}
}

// A whole run on a machine where nothing works: the table is written all the
// same, each row says why, and no old figure is left.
func TestWholeRunThatFails(t *testing.T) {
	bin, file := t.TempDir(), filepath.Join(t.TempDir(), "BOOK.md")
	script := "#!/bin/sh\necho 'panic: the disk is on fire'\nexit 2\n"
	if err := os.WriteFile(filepath.Join(bin, "go"), []byte(script), 0o700); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", bin)
	if err := os.WriteFile(file, []byte("words\n"+begins+"\n| an old figure | 123 µs |\n"+ends+"\nmore\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	err := run(t.Context(), []string{"-file", file}, &out)
	if err == nil || !strings.Contains(err.Error(), "figures were not measured") {
		t.Errorf("%v, want how many figures were not measured", err)
	}
	book, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text := string(book)
	if strings.Contains(text, "123 µs") || !strings.HasPrefix(text, "words\n") || !strings.HasSuffix(text, "\nmore\n") {
		t.Errorf("got:\n%s", text)
	}
	table := 0
	for l := range strings.Lines(text) {
		if !strings.HasPrefix(l, "| ") || strings.HasPrefix(l, "| what |") || strings.HasPrefix(l, "| size |") {
			continue
		}
		table++
		if !strings.Contains(l, "not measured: the disk is on fire") || strings.Contains(l, "| met |") {
			t.Errorf("row %s", l)
		}
	}
	if table != len(rows())+len(growthSizes) {
		t.Errorf("%d rows, want %d", table, len(rows())+len(growthSizes))
	}
	if all := len(stages); !strings.Contains(out.String(), fmt.Sprintf("[%d/%d] ", all, all)) {
		t.Errorf("progress: %s", out.String())
	}
	// Stopped half way, it writes nothing.
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := run(ctx, []string{"-file", file}, &out); err == nil {
		t.Error("a run that was stopped is taken for done")
	}
	if again, err := os.ReadFile(file); err != nil || !bytes.Equal(again, book) {
		t.Errorf("a run that was stopped has written: %v", err)
	}
}
