// SPDX-License-Identifier: Apache-2.0

package job

import (
	"math"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"curewright/model/coat"

	"curewright/internal/realpart"
)

// benchShop is a week of a shed's air and panel, minute by minute, and a
// medium coat put on in the middle of the last day.
func benchShop() (*coat.Work, *Table, time.Time) {
	from := time.Date(2026, 10, 3, 0, 0, 0, 0, time.UTC)
	t := NewTable()
	for m := range 8 * 24 * 60 {
		at := from.Add(time.Duration(m) * time.Minute)
		h := float64(m) / 60
		c := 16 + 4*math.Cos(2*math.Pi*(h-15)/24) + 0.5*math.Sin(h/7)
		t.Add("shed-air", Sample{At: at, TempC: c, RHPct: 65, CO2: math.NaN()})
		t.Add("panel-1", Sample{At: at, TempC: c - 0.5, RHPct: math.NaN(), CO2: math.NaN()})
	}
	applied := from.Add(7*24*time.Hour + 10*time.Hour)
	w := &coat.Work{
		Panels: []coat.Panel{{ID: "lid-outer", Piece: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam"}},
		Coats:  []coat.Coat{{ID: "fill", Panel: "lid-outer", Resin: "medium", Kind: coat.FillCoat, Applied: applied}},
	}
	return w, t, applied
}

// BenchmarkEstimate is the full estimate of one coat two hours old: belief on
// 61 rate factors, 64 paths of 72 h in quarter hours, past from a checkpoint.
func BenchmarkEstimate(b *testing.B) {
	w, t, applied := benchShop()
	for _, age := range []time.Duration{30 * time.Minute, 2 * time.Hour, 8 * time.Hour} {
		b.Run(age.String(), func(b *testing.B) {
			e := NewEstimator(Options{})
			now := applied.Add(age)
			if _, err := e.Estimate(now, w, t, Settings{Air: "shed-air"}); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			b.ResetTimer()
			begin := cpuTime(b)
			for b.Loop() {
				if _, err := e.Estimate(now, w, t, Settings{Air: "shed-air"}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(1e3*(cpuTime(b)-begin)/float64(b.N), "cpu-ms/op")
		})
	}
}

// cpuTime is the processor time of this process, s: what a busy machine does
// not lengthen.
func cpuTime(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	sec := func(t syscall.Timeval) float64 { return float64(t.Sec) + float64(t.Usec)/1e6 }
	return sec(u.Utime) + sec(u.Stime)
}

// BenchmarkEstimateScipy is the same work with numpy and scipy, timed inside
// Python so that its start does not count.
func BenchmarkEstimateScipy(b *testing.B) {
	best, python := math.Inf(1), realpart.SciPy(b)
	for b.Loop() {
		out, err := exec.Command(python, filepath.Join("testdata", "estimate.py")).Output()
		if err != nil {
			b.Fatal(err)
		}
		ms, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
		if err != nil {
			b.Fatal(err)
		}
		best = min(best, ms)
	}
	b.ReportMetric(best, "ms/estimate")
}

// BenchmarkReplayYear is a year of minutes, two probes, with 100 coats.
func BenchmarkReplayYear(b *testing.B) {
	j, t := hundredCoats(365)
	b.ReportAllocs()
	b.ResetTimer()
	begin := cpuTime(b)
	for b.Loop() {
		if _, err := Replay(j, t, time.Time{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric((cpuTime(b)-begin)/float64(b.N), "cpu-s/op")
}

// BenchmarkReplayMemory is the most that is alive on the heap while 100 coats
// are replayed, beside the readings: over a year of them and over a month. What
// a replay holds should not grow with its length.
func BenchmarkReplayMemory(b *testing.B) {
	for _, c := range []struct {
		name string
		days int
	}{{"year", 365}, {"month", 30}} {
		j, t := hundredCoats(c.days)
		live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
		read := func() uint64 {
			metrics.Read(live)
			return live[0].Value.Uint64()
		}
		// So that the collector looks often: it counts what is alive only then.
		usual := debug.SetGCPercent(2)
		runtime.GC()
		base, peak := read(), uint64(0)
		done, stopped := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(stopped)
			for tick := time.NewTicker(5 * time.Millisecond); ; {
				peak = max(peak, read())
				select {
				case <-done:
					tick.Stop()
					return
				case <-tick.C:
				}
			}
		}()
		_, err := Replay(j, t, time.Time{})
		close(done)
		<-stopped
		debug.SetGCPercent(usual)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(max(peak, base)-base)/1e6, "MB-"+c.name)
		runtime.KeepAlive(t)
	}
	b.ReportMetric(0, "ns/op")
}

// hundredCoats is a job of 100 coats spread over so many days of minutes from
// two probes.
func hundredCoats(days int) (*Job, *Table) {
	from := time.Date(2025, 10, 3, 0, 0, 0, 0, time.UTC)
	t := NewTable()
	for m := range days * 24 * 60 {
		at := from.Add(time.Duration(m) * time.Minute)
		h := float64(m) / 60
		c := 16 + 4*math.Cos(2*math.Pi*(h-15)/24) + 0.5*math.Sin(h/7)
		t.Add("shed-air", Sample{At: at, TempC: c, RHPct: 65, CO2: math.NaN()})
		t.Add("panel-1", Sample{At: at, TempC: c - 0.5, RHPct: math.NaN(), CO2: math.NaN()})
	}
	w := coat.Work{Panels: []coat.Panel{{ID: "lid-outer", Piece: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam"}}}
	for i := range 100 {
		w.Coats = append(w.Coats, coat.Coat{ID: strconv.Itoa(i), Panel: "lid-outer", Resin: []string{"fast", "medium", "slow"}[i%3],
			Kind: coat.FillCoat, Applied: from.Add(time.Duration(i) * time.Duration(days) * 24 * time.Hour / 101)})
	}
	return &Job{Work: w}, t
}
