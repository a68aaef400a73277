// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// resetPeak makes the kernel count a process' highest resident memory anew
// (proc(5), clear_refs).
func resetPeak(tb testing.TB, pid int) {
	tb.Helper()
	if err := os.WriteFile(fmt.Sprintf("/proc/%d/clear_refs", pid), []byte("5"), 0); err != nil {
		tb.Skipf("no peak to be had: %v", err)
	}
}

// BenchmarkPeaks is the most memory, above the real program at rest, that a
// plan, a record, an export and a backup take, on a year of sixteen probes
// each minute and four open coats. The daemon limits its heap itself, as it does
// as a service. Parquet is made from a store that no daemon holds, by a
// command of its own, and so is a second CSV: there the whole command counts.
// Run it once: -benchtime 1x. CUREWRIGHT_SECONDS is how long the daemon rests
// between two, 35 without it: within 30 it returns what it took. CUREWRIGHT_DAYS
// shortens the year.
func BenchmarkPeaks(b *testing.B) {
	bin := testkit.BuildBinary(b)
	g := growth{probes: 16, coats: 4, span: growthYear, end: time.Now().UTC().Truncate(time.Minute)}
	if days := os.Getenv("CUREWRIGHT_DAYS"); days != "" {
		var n int
		if _, err := fmt.Sscan(days, &n); err != nil || n < 1 {
			b.Fatalf("CUREWRIGHT_DAYS: %q: want 1 or more", days)
		}
		g.span = time.Duration(n) * 24 * time.Hour
	}
	dir := b.TempDir()
	g.fill(b, dir)
	rest := time.Duration(benchSeconds(b, 35)) * time.Second

	b.Run("daemon", func(b *testing.B) {
		pid, url := startDaemon(b, bin, b.TempDir(), "--data", dir)
		c, err := client.New(url, "")
		testkit.OK(b, err)
		// The store was filled by another process since this machine was started,
		// which has to be confirmed.
		now := time.Now()
		if _, err := c.TrustClock(b.Context(), now, now.Format(time.DateOnly)); err != nil {
			b.Fatal(err)
		}
		area := 1.4
		if _, err := c.NewJob(b.Context(), web.NewJob{ID: "skin", Template: "foam-aramid-glass", Resin: "medium", Panels: []web.NewPanel{{Side: "outer", ID: "lid-a", Probe: "probe-0", Core: "foam", AreaM2: &area}}}); err != nil {
			b.Fatal(err)
		}
		plan, err := json.Marshal(map[string]any{"job": "skin", "day": map[string]any{"start": time.Now().Add(14 * time.Hour), "hours": []string{"07:00-22:00"}}})
		testkit.OK(b, err)
		time.Sleep(rest)
		before := readProc(b, pid).rss
		b.ReportMetric(before, "MB-rest")
		for _, x := range []struct {
			name string
			do   func(context.Context) error
		}{
			{"plan", func(ctx context.Context) error { _, err := c.Plan(ctx, plan); return err }},
			{"record", func(ctx context.Context) error { return c.Record(ctx, io.Discard, "lid-0", "html") }},
			{"csv", func(ctx context.Context) error {
				for i := range g.probes {
					if err := c.ReadingsCSV(ctx, io.Discard, fmt.Sprintf("probe-%d", i), time.Unix(0, 0), g.end); err != nil {
						return err
					}
				}
				return nil
			}},
			{"backup", func(ctx context.Context) error { return c.Backup(ctx, io.Discard) }},
		} {
			resetPeak(b, pid)
			if err := x.do(b.Context()); err != nil {
				b.Fatalf("%s: %v", x.name, err)
			}
			b.ReportMetric(readProc(b, pid).peak-before, "MB-"+x.name)
			time.Sleep(rest)
		}
		b.ReportMetric(0, "ns/op")
	})
	b.Run("command", func(b *testing.B) {
		for _, format := range []string{"csv", "parquet"} {
			cmd := exec.CommandContext(b.Context(), bin, "export", "--data", dir, "--format", format, "-o", os.DevNull)
			b.ReportMetric(wholePeak(b, cmd), "MB-"+format)
		}
		b.ReportMetric(0, "ns/op")
	})
}

// wholePeak runs a command and returns the most that it held, MB. What wait(2)
// says would be this process' own, from before the command's image was loaded.
func wholePeak(b *testing.B, cmd *exec.Cmd) (peak float64) {
	b.Helper()
	testkit.OK(b, cmd.Start())
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	for tick := time.NewTicker(2 * time.Millisecond); ; {
		select {
		case err := <-done:
			if err != nil || peak == 0 {
				b.Fatalf("%v: %v, peak %g", cmd.Args, err, peak)
			}
			return peak
		case <-tick.C:
			status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid))
			if m := highWater.FindSubmatch(status); err == nil && m != nil {
				kB, _ := strconv.ParseFloat(string(m[1]), 64)
				peak = max(peak, kB/1024)
			}
		}
	}
}

var highWater = regexp.MustCompile(`VmHWM:\s+(\d+)`)
