// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/history"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/sensors"
)

// proc is what the kernel says of a process: the same files for the daemon
// and for its peer.
type proc struct {
	rss, peak   float64 // MB
	cpu         float64 // s
	wchar, disk float64 // bytes
}

func readProc(tb testing.TB, pid int) proc {
	tb.Helper()
	var p proc
	file := func(name string) string {
		b := testkit.MustRead(tb, fmt.Sprintf("/proc/%d/%s", pid, name))
		return string(b)
	}
	number := func(text, key string) float64 {
		m := regexp.MustCompile(key + `:\s+(\d+)`).FindStringSubmatch(text)
		if m == nil {
			tb.Fatalf("no %s", key)
		}
		x, _ := strconv.ParseFloat(m[1], 64)
		return x
	}
	status := file("status")
	p.rss, p.peak = number(status, "VmRSS")/1024, number(status, "VmHWM")/1024
	stat := file("stat")
	f := strings.Fields(stat[strings.LastIndexByte(stat, ')')+2:])
	user, _ := strconv.ParseFloat(f[11], 64)
	sys, _ := strconv.ParseFloat(f[12], 64)
	p.cpu = (user + sys) / 100 // clock ticks are 100 a second on Linux
	io := file("io")
	p.wchar, p.disk = number(io, "wchar"), number(io, "write_bytes")
	return p
}

// sixteenProbes makes a kernel-like tree of sixteen DS18B20 and the
// configuration that reads each of them at the given interval.
func sixteenProbes(tb testing.TB, every string) (root, conf string, ids []string) {
	tb.Helper()
	root = tb.TempDir()
	var b strings.Builder
	for i := range 16 {
		id := fmt.Sprintf("28-0316a27900%02x", i)
		ids = append(ids, id)
		testkit.OK(tb, os.MkdirAll(filepath.Join(root, id), 0o755))
		testkit.OK(tb, os.WriteFile(filepath.Join(root, id, "w1_slave"), testkit.W1File(int16(288+i)), 0o600))
		fmt.Fprintf(&b, "[[probe]]\nid = \"probe-%d\"\ndriver = \"ds18b20\"\nbus = \"w1:%s\"\nevery = \"%s\"\n\n", i+1, id, every)
	}
	conf = filepath.Join(tb.TempDir(), "curewright.toml")
	testkit.Write(tb, conf, b.String())
	return root, conf, ids
}

// drift moves every probe a little once a second, as air does.
func drift(ctx context.Context, root string, ids []string) {
	raw := int16(0)
	for n := 0; ; n++ {
		select {
		case <-ctx.Done():
			return
		case <-time.After(time.Second):
		}
		raw = int16(n / 7 % 40)
		for i, id := range ids {
			name := filepath.Join(root, id, "w1_slave")
			tmp := name + ".new"
			if os.WriteFile(tmp, testkit.W1File(288+int16(i)+raw+int16((n+i)%2)), 0o600) == nil {
				os.Rename(tmp, name)
			}
		}
	}
}

func startDaemon(tb testing.TB, bin, root string, args ...string) (pid int, url string) {
	tb.Helper()
	cmd := exec.Command(bin, append([]string{"watch", "--listen", "127.0.0.1:0"}, args...)...)
	cmd.Env = append(os.Environ(), W1Env+"="+root)
	out, err := cmd.StdoutPipe()
	testkit.OK(tb, err)
	testkit.OK(tb, cmd.Start())
	tb.Cleanup(func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() })
	line, err := bufio.NewReader(out).ReadString('\n')
	m := testkit.Opened.FindStringSubmatch(line)
	if err != nil || m == nil {
		tb.Fatalf("daemon said %q: %v", line, err)
	}
	go io.Copy(io.Discard, out)
	return cmd.Process.Pid, m[1]
}

// openPage holds the dashboard's event stream open, as a phone does.
func openPage(ctx context.Context, url string) {
	req, _ := http.NewRequestWithContext(ctx, "GET", url+"/api/v1/events", nil)
	if resp, err := http.DefaultClient.Do(req); err == nil {
		io.Copy(io.Discard, resp.Body)
		resp.Body.Close()
	}
}

// BenchmarkDaemon is the real binary with sixteen probes each second, four
// coats and the page open, beside the node exporter scraped every 15 s. Run it
// once, -benchtime 1x: it measures for CUREWRIGHT_SECONDS, 120 without it.
func BenchmarkDaemon(b *testing.B) {
	bin := testkit.BuildBinary(b)
	root, conf, ids := sixteenProbes(b, "1s")
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	go drift(ctx, root, ids)
	pid, url := startDaemon(b, bin, root, "--config", conf, "--data", b.TempDir())
	c, err := client.New(url, "")
	testkit.OK(b, err)
	fourCoats(b, c)
	go openPage(ctx, url)

	_, peerAddr := testkit.FreePort(b)
	peer := exec.Command("prometheus-node-exporter", "--web.listen-address="+peerAddr)
	if err := peer.Start(); err != nil {
		b.Skipf("no node exporter to stand beside: %v", err)
	}
	defer func() { peer.Process.Signal(os.Interrupt); peer.Wait() }()
	scrape := func() {
		for _, u := range []string{"http://" + peerAddr + "/metrics", url + "/metrics"} {
			if resp, err := http.Get(u); err == nil {
				io.Copy(io.Discard, resp.Body)
				resp.Body.Close()
			}
		}
	}
	for range 4 {
		time.Sleep(5 * time.Second)
		scrape()
	}
	ours, theirs := readProc(b, pid), readProc(b, peer.Process.Pid)
	start := time.Now()
	b.ResetTimer()
	for i := range benchSeconds(b, 120) {
		time.Sleep(time.Second)
		if i%15 == 14 {
			scrape()
		}
	}
	b.StopTimer()
	sec := time.Since(start).Seconds()
	o, t := readProc(b, pid), readProc(b, peer.Process.Pid)
	b.ReportMetric(o.rss, "MB-resident")
	b.ReportMetric(t.rss, "MB-peer")
	b.ReportMetric(o.rss/t.rss, "resident/peer")
	b.ReportMetric(100*(o.cpu-ours.cpu)/sec, "%-of-a-core")
	b.ReportMetric(100*(t.cpu-theirs.cpu)/sec, "%-of-a-core-peer")
}

// benchSeconds is how long a benchmark in real time measures.
func benchSeconds(b *testing.B, usual int) int {
	b.Helper()
	s := os.Getenv("CUREWRIGHT_SECONDS")
	if s == "" {
		return usual
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		b.Fatalf("CUREWRIGHT_SECONDS: %q: want 1 or more", s)
	}
	return n
}

// trustClock is the person's "use this phone's time": a board that has no time
// yet raises an alert and keeps its readings undated, which is not its usual
// day.
func trustClock(b *testing.B, url string) {
	b.Helper()
	req, err := http.NewRequestWithContext(b.Context(), "POST", url+"/api/v1/clock", strings.NewReader(fmt.Sprintf(`{"time":%q}`, time.Now().Format(time.RFC3339Nano))))
	testkit.OK(b, err)
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	testkit.OK(b, err)
	defer res.Body.Close()
	if text, _ := io.ReadAll(res.Body); res.StatusCode != http.StatusOK {
		b.Fatalf("clock: %s: %s", res.Status, text)
	}
}

// BenchmarkHundredCoats is the same daemon with a hundred open coats, by itself.
func BenchmarkHundredCoats(b *testing.B) {
	root, conf, ids := sixteenProbes(b, "1s")
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	go drift(ctx, root, ids)
	pid, url := startDaemon(b, testkit.BuildBinary(b), root, "--config", conf, "--data", b.TempDir())
	c, err := client.New(url, "")
	testkit.OK(b, err)
	fourCoats(b, c)
	for i := range 96 {
		_, err := c.StartCoat(b.Context(), coat.Coat{ID: fmt.Sprintf("more-%d", i), Panel: fmt.Sprintf("lid-%d", i%4+1),
			Resin: "medium", Kind: coat.FillCoat, Applied: time.Now().Add(-time.Minute)})
		testkit.OK(b, err)
	}
	time.Sleep(20 * time.Second)
	before, start := readProc(b, pid), time.Now()
	b.ResetTimer()
	time.Sleep(time.Duration(benchSeconds(b, 120)) * time.Second)
	b.StopTimer()
	b.ReportMetric(100*(readProc(b, pid).cpu-before.cpu)/time.Since(start).Seconds(), "%-of-a-core")
}

func fourCoats(b *testing.B, c *client.Client) {
	b.Helper()
	for i, resin := range []string{"fast", "medium", "slow", "medium"} {
		panel := fmt.Sprintf("lid-%d", i+1)
		if _, err := c.AddPanel(b.Context(), coat.Panel{ID: panel, Probe: fmt.Sprintf("probe-%d", i+1), Core: "foam"}); err != nil {
			b.Fatal(err)
		}
		if _, err := c.StartCoat(b.Context(), coat.Coat{Panel: panel, Resin: resin, Kind: coat.FillCoat, Applied: time.Now().Add(-time.Minute)}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkWritten is what a day writes: sixteen probes every ten seconds,
// with a coat open and without, by both of the kernel's counters. A Prometheus
// that scrapes the same sixteen temperatures at the same pace runs beside
// them (its store gets five figures of its own a scrape besides). Measured are
// CUREWRIGHT_SECONDS, 1500 without it, after the first minutes, in which a new
// board raises alerts and numbers its probes; an hour's packing may fall into them
// or not, and is in the simulated day of BenchmarkDayBesidePrometheus in history.
// Run it once: -benchtime 1x.
func BenchmarkWritten(b *testing.B) {
	bin := testkit.BuildBinary(b)
	root, conf, ids := sixteenProbes(b, "10s")
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	go drift(ctx, root, ids)
	type party struct {
		name   string
		pid    int
		before proc
	}
	var parties []*party
	for _, name := range []string{"no-coat", "coat-open"} {
		pid, url := startDaemon(b, bin, root, "--config", conf, "--data", b.TempDir())
		trustClock(b, url)
		if name == "coat-open" {
			c, err := client.New(url, "")
			testkit.OK(b, err)
			fourCoats(b, c)
		}
		parties = append(parties, &party{name: name, pid: pid})
	}
	if pid := scrapingPrometheus(b, root, ids, 10*time.Second); pid != 0 {
		parties = append(parties, &party{name: "peer", pid: pid})
	}
	seconds := benchSeconds(b, 1500)
	time.Sleep(min(time.Duration(seconds)*time.Second/2, 150*time.Second))
	start := time.Now()
	for _, p := range parties {
		p.before = readProc(b, p.pid)
	}
	b.ResetTimer()
	time.Sleep(time.Duration(seconds) * time.Second)
	b.StopTimer()
	day := 86400 / time.Since(start).Seconds()
	for _, p := range parties {
		after := readProc(b, p.pid)
		b.ReportMetric((after.wchar-p.before.wchar)*day/1e6, "MB/day-wchar-"+p.name)
		b.ReportMetric((after.disk-p.before.disk)*day/1e6, "MB/day-write_bytes-"+p.name)
	}
}

// scrapingPrometheus starts the real server over an exporter of the probes'
// temperatures; it returns 0 where there is none.
func scrapingPrometheus(b *testing.B, root string, ids []string, every time.Duration) (pid int) {
	b.Helper()
	bin, err := exec.LookPath("prometheus")
	if err != nil {
		b.Logf("no Prometheus to stand beside: %v", err)
		return 0
	}
	temp := regexp.MustCompile(`t=(-?\d+)`)
	exporter := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for i, id := range ids {
			text, err := os.ReadFile(filepath.Join(root, id, "w1_slave"))
			if m := temp.FindSubmatch(text); err == nil && m != nil {
				fmt.Fprintf(w, "temperature_celsius{probe=\"probe-%d\"} %se-3\n", i+1, m[1])
			}
		}
	}))
	b.Cleanup(exporter.Close)
	dir := b.TempDir()
	yml := fmt.Sprintf("global: {scrape_interval: %v}\nscrape_configs:\n- job_name: probes\n  static_configs: [{targets: [%q]}]\n", every, strings.TrimPrefix(exporter.URL, "http://"))
	testkit.Write(b, filepath.Join(dir, "scrape.yml"), yml)
	_, own := testkit.FreePort(b)
	cmd := exec.Command(bin, "--config.file="+dir+"/scrape.yml", "--storage.tsdb.path="+dir+"/data", "--web.listen-address="+own, "--log.level=error")
	testkit.OK(b, cmd.Start())
	b.Cleanup(func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() })
	return cmd.Process.Pid
}

// BenchmarkStartYear is the time from start to the first estimate with a year
// of minutes from two probes in the store and a coat open.
func BenchmarkStartYear(b *testing.B) {
	dir := b.TempDir()
	now := time.Now().Truncate(time.Minute)
	s, err := history.Open(dir, history.Options{})
	testkit.OK(b, err)
	var rs []sensors.Reading
	for at := now.AddDate(-1, 0, 0); at.Before(now); at = at.Add(time.Minute) {
		h := float64(at.Unix()%86400) / 86400
		for i, p := range []string{"panel-1", "shed-air"} {
			r := sensors.Reading{Probe: p, At: at, Temp: sensors.Some(15 + 5*h + float64(i))}
			if i == 1 {
				r.RH = sensors.Some(60 + 10*h)
			}
			rs = append(rs, r)
		}
		if len(rs) > 20000 {
			s.Append(rs)
			rs = rs[:0]
			testkit.OK(b, s.Flush(b.Context()))
		}
	}
	s.Append(rs)
	for _, x := range []struct {
		kind, id string
		v        any
	}{
		{"panel", "lid", coat.Panel{ID: "lid", Piece: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam"}},
		{"coat", "a", coat.Coat{ID: "a", Panel: "lid", Resin: "medium", Kind: coat.FillCoat, Applied: now.Add(-10 * time.Hour)}},
	} {
		body, err := json.Marshal(x.v)
		testkit.OK(b, err)
		if _, _, err := s.CreateWork(b.Context(), x.kind, x.id, body, "bench", now, ""); err != nil {
			b.Fatal(err)
		}
	}
	testkit.OK(b, s.Compact(b.Context()))
	testkit.OK(b, s.Close())
	b.ResetTimer()
	for range b.N {
		d, err := New(Options{Config: configIn(dir), Clock: &wallClock{}, Log: testkit.NoLog(), ClockTrusted: true})
		testkit.OK(b, err)
		testkit.OK(b, d.Evaluate(b.Context()))
		snap := d.snap.Load()
		if len(snap.Result.Coats) != 1 || snap.Result.Coats[0].Alpha == nil {
			b.Fatal("no estimate")
		}
		b.StopTimer()
		d.store.Close()
		b.StartTimer()
	}
}
