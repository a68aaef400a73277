// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/sensors"
)

// growth is a size of the shop: open coats, probes that are read each minute,
// and for how long they were.
type growth struct {
	name          string
	probes, coats int
	span          time.Duration
	end           time.Time // when the shop is looked at; zero for a day of 2126
}

const growthYear = 365 * 24 * time.Hour

// longestKept is what a store keeps that is told to keep everything: an age is a
// time.Duration, which ends at 292 years.
const longestKept = 200 * growthYear

var growths = []growth{
	{name: "probes=1", probes: 1, coats: 10, span: 24 * time.Hour},
	{name: "probes=10", probes: 10, coats: 10, span: 24 * time.Hour},
	{name: "probes=100", probes: 100, coats: 10, span: 24 * time.Hour},
	{name: "probes=1000", probes: 1000, coats: 10, span: 24 * time.Hour},
	{name: "coats=1", probes: 10, coats: 1, span: 24 * time.Hour},
	{name: "coats=100", probes: 10, coats: 100, span: 24 * time.Hour},
	{name: "coats=1000", probes: 10, coats: 1000, span: 24 * time.Hour},
	{name: "years=1", probes: 1, coats: 1, span: growthYear},
	{name: "years=10", probes: 1, coats: 1, span: 10 * growthYear},
	{name: "years=100", probes: 1, coats: 1, span: 100 * growthYear},
	{name: "years=200", probes: 1, coats: 1, span: longestKept, end: time.Date(2226, 10, 10, 20, 0, 0, 0, time.UTC)},
}

// BenchmarkGrowth is what one board costs as one thing in it grows by ten, the
// others standing: the start to the first estimate, an evaluation, the page's whole
// state, a push of one reading from every probe, the packing of an hour, a
// backup, and what lives in memory. All of it runs in this process, at once and
// without waiting. Run it once: -benchtime 1x.
func BenchmarkGrowth(b *testing.B) {
	for _, g := range growths {
		b.Run(g.name, func(b *testing.B) { g.measure(b) })
	}
}

// at is when the shop is looked at: late enough that a century lies between
// it and 1970, before which no reading is taken.
func (g growth) at() time.Time {
	if !g.end.IsZero() {
		return g.end
	}
	return time.Date(2126, 10, 10, 20, 0, 0, 0, time.UTC)
}

func (g growth) readings(at time.Time) (rs []sensors.Reading) {
	day := float64(at.Unix()%86400) / 86400
	for i := range g.probes {
		rs = append(rs, sensors.Reading{Probe: fmt.Sprintf("probe-%d", i), At: at, Temp: sensors.Some(15 + 5*day + float64(i%16)/16)})
	}
	return rs
}

// fill makes the store that the shop has by then.
func (g growth) fill(b *testing.B, dir string) {
	b.Helper()
	now := g.at().Add(-g.span)
	s, err := history.Open(dir, history.Options{Now: func() time.Time { return now }, MaxBytes: 1 << 50, MaxAge: longestKept})
	testkit.OK(b, err)
	n := 0
	for ; !now.After(g.at()); now = now.Add(time.Minute) {
		rs := g.readings(now)
		s.Append(rs)
		if n += len(rs); n > 100_000 {
			n = 0
			testkit.OK(b, s.Compact(b.Context()))
		}
	}
	now = g.at()
	testkit.OK(b, s.Compact(b.Context()))
	_, _, err = s.WriteWork(b.Context(), "bench", now, "", func(func(string) string) (out []history.WorkWrite, _ string, _ error) {
		add := func(kind, id string, v any) {
			body, err := json.Marshal(v)
			testkit.OK(b, err)
			out = append(out, history.WorkWrite{Kind: kind, ID: id, Body: body})
		}
		for i := range min(g.coats, 100) {
			id := fmt.Sprintf("lid-%d", i)
			add("panel", id, coat.Panel{ID: id, Piece: id, Probe: fmt.Sprintf("probe-%d", i%g.probes), Core: "foam"})
		}
		for i := range g.coats {
			id := fmt.Sprintf("coat-%d", i)
			add("coat", id, coat.Coat{ID: id, Panel: fmt.Sprintf("lid-%d", i%100), Resin: "medium", Kind: coat.FillCoat, Applied: now.Add(-10 * time.Hour)})
		}
		return out, "", nil
	})
	testkit.OK(b, err)
	testkit.OK(b, s.Close())
}

// pushes reports whether the probes push: no more than 64 may, and above that
// they are wired ones, whose readings are taken in as the poller does it.
func (g growth) pushes() bool { return g.probes <= 64 }

// noChip stands for a wired probe that is not asked here.
type noChip struct{}

func (noChip) Read(context.Context) (sensors.Reading, error) {
	return sensors.Reading{}, sensors.ErrEmpty
}

func (g growth) measure(b *testing.B) {
	dir := b.TempDir()
	g.fill(b, dir)
	b.ResetTimer()
	cfg := configIn(dir)
	cfg.Store.MaxMB, cfg.Store.KeepDays = 0, 0 // keeps everything
	clk := NewLapseClock(g.at(), 1)
	took := func(name string, f func() error) {
		b.Helper()
		start := time.Now()
		if err := f(); err != nil {
			b.Fatalf("%s: %v", name, err)
		}
		b.ReportMetric(float64(time.Since(start).Microseconds())/1e3, "ms-"+name)
	}
	var wired []sensors.PollerConfig
	for i := 0; !g.pushes() && i < g.probes; i++ {
		wired = append(wired, sensors.PollerConfig{ID: fmt.Sprintf("probe-%d", i), Driver: "bench", Every: time.Minute, Probe: noChip{}})
	}
	var d *Daemon
	took("start", func() (err error) {
		if d, err = New(Options{Config: cfg, Clock: clk, Log: testkit.NoLog(), ClockTrusted: true, Probes: wired}); err != nil {
			return err
		}
		return d.Evaluate(b.Context())
	})
	defer func() { d.store.Close() }()
	if n := len(d.snap.Load().Result.Coats); n != g.coats {
		b.Fatalf("%d coats are estimated, want %d", n, g.coats)
	}
	for i := 0; g.pushes() && i < g.probes; i++ {
		testkit.OK(b, d.set.Restore(fmt.Sprintf("probe-%d", i), "push", sensors.Meta{Accepted: true}))
	}
	push := func() error {
		at := clk.Now()
		if !g.pushes() {
			for _, r := range g.readings(at) {
				d.take(r)
			}
			return nil
		}
		var ps []sensors.Pushed
		for _, r := range g.readings(at) {
			ps = append(ps, sensors.Pushed{Probe: r.Probe, Time: &at, Temp: r.Temp})
		}
		if _, refused := d.set.Push(sensors.Source{Via: "push", Accept: true, ClockTrusted: true}, ps); len(refused) > 0 {
			return fmt.Errorf("refused: %v", refused[0])
		}
		return nil
	}
	next := func() { clk.Put(clk.Now().Add(time.Minute)) }
	next()
	took("push", push)
	took("look", func() error { return d.Evaluate(b.Context()) })
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "bench", LoopbackRole: web.Control}, d)
	testkit.OK(b, err)
	api := &testkit.API{T: b, Handler: srv.Handler()}
	api.Do("GET", "/api/v1/snapshot", nil, http.StatusOK)
	var page []byte
	took("page", func() error { page = api.Do("GET", "/api/v1/snapshot", nil, http.StatusOK); return nil })
	b.ReportMetric(float64(len(page))/1e3, "kB-page")
	for range 90 { // an hour and what is not packed yet
		next()
		testkit.OK(b, push())
	}
	testkit.OK(b, d.store.Flush(b.Context()))
	took("packing", func() error { return d.store.Compact(b.Context()) })
	file := filepath.Join(b.TempDir(), "copy.db")
	took("backup", func() error { return d.store.Backup(b.Context(), file) })
	fi, err := os.Stat(file)
	testkit.OK(b, err)
	b.ReportMetric(float64(fi.Size())/1e6, "MB-file")
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	b.ReportMetric(float64(m.HeapAlloc)/1e6, "MB-memory")
	b.ReportMetric(0, "ns/op")
}
