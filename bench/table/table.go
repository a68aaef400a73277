// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"time"

	"golang.org/x/perf/benchfmt"
	"golang.org/x/perf/benchunit"
)

// result is what one stage has said.
type result struct {
	output string
	err    error // of the run
	values map[string]map[string]float64
}

var cores = regexp.MustCompile(`-\d+$`)

// read takes the benchmark lines out of what go test has printed.
func read(output string, err error) *result {
	r := &result{output: output, err: err, values: map[string]map[string]float64{}}
	lines := benchfmt.NewReader(strings.NewReader(output), "")
	for lines.Scan() {
		b, ok := lines.Result().(*benchfmt.Result)
		if !ok {
			continue // a line of another kind, or one that only looks like a result
		}
		name := cores.ReplaceAllString(b.Name.String(), "")
		if r.values[name] == nil {
			r.values[name] = map[string]float64{}
		}
		for _, v := range b.Values {
			// The reader leaves the unit of a zero as it was.
			x, unit := benchunit.Tidy(v.Value, v.Unit)
			r.values[name][unit] = x
		}
	}
	return r
}

// value finds a figure; an error says why there is none.
func (r *result) value(f figure) (x float64, words string, err error) {
	if f.text != "" {
		m := regexp.MustCompile(f.text).FindStringSubmatch(r.output)
		if m == nil {
			return 0, "", r.why("")
		}
		if f.form == "" {
			return 0, "passes", nil
		}
		if x, err = strconv.ParseFloat(m[1], 64); err != nil {
			return 0, "", err
		}
		return x, fmt.Sprintf(f.form, x), nil
	}
	x, ok := r.values[f.bench][f.unit]
	if !ok {
		return 0, "", r.why(f.bench)
	}
	x *= f.times
	return x, fmt.Sprintf(f.form, x), nil
}

// reasons are lines that say why a run has no figure, the best first. A skip
// and a failure have their reason on the line after.
var reasons = []*regexp.Regexp{
	regexp.MustCompile(`(?m)^panic: (.*)$`),
	regexp.MustCompile(`(?m)^\s*--- FAIL: .*\n\s+(?:\S+\.go:\d+: )?(.*)$`),
	regexp.MustCompile(`(?m)^\s*--- SKIP: .*\n\s+(?:\S+\.go:\d+: )?(.*)$`),
	regexp.MustCompile(`(?m)^\S+\.go:\d+:\d+: (.*)$`),
	regexp.MustCompile(`(?m)^FAIL\s+(\S.*)$`),
}

// why says why a benchmark has no figure.
func (r *result) why(bench string) error {
	if bench != "" {
		top, _, _ := strings.Cut(bench, "/")
		// The deepest that was skipped or failed speaks for what is below it.
		for _, kind := range []string{"FAIL", "SKIP"} {
			m := regexp.MustCompile(`(?m)^\s*--- `+kind+`: Benchmark`+regexp.QuoteMeta(top)+`\b.*\n\s+(?:\S+\.go:\d+: )?(.*)$`).FindAllStringSubmatch(r.output, -1)
			if len(m) > 0 {
				return errors.New(m[len(m)-1][1])
			}
		}
	}
	if r.err == nil {
		if m := reasons[2].FindStringSubmatch(r.output); m != nil {
			return errors.New(m[1])
		}
		return errors.New("the run has no such figure")
	}
	if !strings.HasPrefix(r.err.Error(), "exit status") {
		return r.err
	}
	for _, re := range reasons {
		if m := re.FindStringSubmatch(r.output); m != nil {
			return errors.New(m[1])
		}
	}
	return r.err
}

// host is what the figures were measured on.
type host struct {
	short                                bool
	date                                 time.Time
	cpu, kernel, load, revision, goIs    string
	cores                                int
	prometheus, exporter, scipy, sundial string
}

func machine(ctx context.Context, now time.Time) host {
	m := host{date: now.UTC(), cores: runtime.NumCPU(), goIs: runtime.Version(), cpu: "not known", kernel: "not known", load: "not known"}
	if b, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		if x := regexp.MustCompile(`(?m)^model name\s*: (.*)$`).FindSubmatch(b); x != nil {
			m.cpu = string(x[1])
		}
	}
	if b, err := os.ReadFile("/proc/loadavg"); err == nil {
		m.load = strings.Join(strings.Fields(string(b))[:3], ", ")
	}
	if b, err := os.ReadFile("/proc/sys/kernel/osrelease"); err == nil {
		m.kernel = runtime.GOARCH + ", Linux " + strings.TrimSpace(string(b))
	}
	ask := func(expr string, args ...string) string {
		b, _ := exec.CommandContext(ctx, args[0], args[1:]...).CombinedOutput()
		if x := regexp.MustCompile(expr).FindSubmatch(b); x != nil {
			return string(x[1])
		}
		return "not here"
	}
	m.revision = ask(`^(\S+)`, "git", "describe", "--always", "--dirty", "--exclude=*")
	m.prometheus = ask(`version (\S+)`, "prometheus", "--version")
	m.exporter = ask(`version (\S+)`, "prometheus-node-exporter", "--version")
	m.scipy = ask(`^(\S+)\n`, "/usr/bin/python3", "-c", "import scipy; print(scipy.__version__)")
	m.sundial = ask(`"(\S+)"`, "grep", "SUNDIALS_VERSION ", "/usr/include/sundials/sundials_config.h")
	return m
}

const (
	begins = "<!-- bench: from here to its end written by make bench -->"
	ends   = "<!-- bench: end -->"
)

// splice puts the table between the two marks.
func splice(text, table []byte) ([]byte, error) {
	for _, mark := range []string{begins, ends} {
		if n := bytes.Count(text, []byte(mark)); n != 1 {
			return nil, fmt.Errorf("%d lines %q, want one", n, mark)
		}
	}
	before, rest, _ := bytes.Cut(text, []byte(begins))
	_, after, ok := bytes.Cut(rest, []byte(ends))
	if !ok {
		return nil, errors.New("its end is before its beginning")
	}
	return bytes.Join([][]byte{before, []byte(begins + "\n"), table, []byte(ends), after}, nil), nil
}

// render is the table with its head and the commands below it. It counts the
// figures that are missing.
func render(m host, ran []stage, done map[string]*result) (out []byte, missing int) {
	var b bytes.Buffer
	fmt.Fprintf(&b, "Measured %s at revision %s with %s on %s (%d cores, %s). Load average before: %s.\n",
		m.date.Format("2006-01-02 15:04 UTC"), m.revision, m.goIs, m.cpu, m.cores, m.kernel, m.load)
	fmt.Fprintf(&b, "Peers: SUNDIALS %s, scipy %s, Prometheus %s, node exporter %s.\n", m.sundial, m.scipy, m.prometheus, m.exporter)
	if m.short {
		b.WriteString("\n**Short form: each ran for a moment only. These are no figures to go by.**\n")
	}
	b.WriteString("\n| what | ours | peer | ratio | budget | | run |\n|---|---|---|---|---|---|---|\n")
	for _, r := range rows() {
		res := done[r.stage]
		if res == nil {
			continue
		}
		cells, n := r.cells(res)
		missing += n
		fmt.Fprintf(&b, "| %s | %s |\n", strings.Join(cells, " | "), r.stage)
	}
	if res := done["r"]; res != nil {
		missing += renderGrowth(&b, res)
	}
	b.WriteString("\n\"ours / peer\" is a cost, \"×\" says how many times quicker ours is.\n\n")
	for _, s := range ran {
		fmt.Fprintf(&b, "- %s: `%s`\n", s.key, s.command(m.short))
	}
	return b.Bytes(), missing
}

// renderGrowth is the table of one board's cost as one thing in it grows.
func renderGrowth(b *bytes.Buffer, res *result) (missing int) {
	b.WriteString("\n| size |")
	for _, c := range growthColumns {
		fmt.Fprintf(b, " %s |", c.head)
	}
	b.WriteString("\n|---" + strings.Repeat("|---", len(growthColumns)) + "|\n")
	for _, size := range growthSizes {
		what, n, _ := strings.Cut(size, "=")
		fmt.Fprintf(b, "| %s %s |", n, what)
		for _, c := range growthColumns {
			by := 1.
			if strings.HasPrefix(c.unit, "B-") {
				by = 1e-6
			}
			_, text, err := res.value(times("Growth/"+size, c.unit, by, c.form))
			if err != nil {
				missing++
				text = absent(err)
			}
			fmt.Fprintf(b, " %s |", text)
		}
		b.WriteString("\n")
	}
	return missing
}

// absent is the cell of a figure that was not measured.
func absent(err error) string {
	text := strings.TrimSpace(strings.ReplaceAll(err.Error(), "|", "/"))
	if cut := []rune(text); len(cut) > 120 {
		text = string(cut[:120]) + "…"
	}
	return "not measured: " + text
}

// cells are a row's texts; missing counts its figures that were not measured.
func (r row) cells(res *result) (c []string, missing int) {
	ours, text, err := res.value(r.ours)
	have := err == nil
	if !have {
		missing++
		text = absent(err)
	}
	peer, ratio := 0.0, ""
	peerText := r.peerIs
	both := false
	if r.peer != (figure{}) {
		x, words, err := res.value(r.peer)
		if err == nil {
			peer, peerText, both = x, words+" ("+r.peerIs+")", have && x != 0 && ours != 0
		} else {
			missing++
			peerText = absent(err) + " (" + r.peerIs + ")"
		}
	}
	quotient := 0.0
	if both {
		switch r.ratio {
		case oursOver:
			quotient = ours / peer
			ratio = fmt.Sprintf("%.2f", quotient)
		case peerOver, atLeast:
			quotient = peer / ours
			ratio = fmt.Sprintf("%.3g×", quotient)
			if quotient >= 1000 {
				ratio = fmt.Sprintf("%.0f×", quotient)
			}
		}
	}
	verdict := "**missed**"
	judged, ok := ours, have
	if r.ofRatio() {
		judged, ok = quotient, both
	}
	switch {
	case r.budget == "":
		verdict = ""
	case !ok:
		verdict = "not measured"
	case r.ours.form == "", // a check that has passed
		r.ratio == atLeast && judged >= r.limit, r.ratio != atLeast && judged <= r.limit:
		verdict = "met"
	}
	return []string{r.what, text, peerText, ratio, r.budget, verdict}, missing
}

// ofRatio reports whether the limit is on the ratio instead of on our figure.
func (r row) ofRatio() bool {
	return r.ratio == atLeast || strings.HasPrefix(r.budget, "flat") || strings.HasPrefix(r.budget, "ratio") || r.budget == "below both"
}

// quoted is an argument as a shell takes it.
func quoted(s string) string {
	if strings.ContainsAny(s, "|$^*()") {
		return "'" + s + "'"
	}
	return s
}
