// SPDX-License-Identifier: Apache-2.0

package demo

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"curewright/dashboards/boards"
	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/testkit"
	"curewright/sensors/shopsim"
)

// BenchmarkFleet says how many boards one server takes: 200 simulated boards
// answer with the demo's own scrape, their figures moving, and a real server
// with the shipped rules scrapes them for minutes. Run it alone, or one case
// by -bench Fleet/prometheus:
//
//	go test ./internal/demo -run '^$' -bench Fleet -benchtime 1x -timeout 30m
//
// CUREWRIGHT_BOARDS sets another number of boards.
func BenchmarkFleet(b *testing.B) {
	n := 200
	if s := os.Getenv("CUREWRIGHT_BOARDS"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil {
			b.Fatal(err)
		}
	}
	scrape := demoScrape(b)
	for _, server := range []string{"prometheus", "victoria-metrics"} {
		for _, load := range []struct{ every, span time.Duration }{
			{30 * time.Second, 2 * time.Minute},
			{5 * time.Second, 2 * time.Minute},
			// 240 rounds: as many samples a series as two hours bring at 30 s,
			// which is what Prometheus keeps in memory before it writes a block.
			{time.Second, 4 * time.Minute},
		} {
			b.Run(fmt.Sprintf("%s/every=%v", server, load.every), func(b *testing.B) {
				bin, err := exec.LookPath(server)
				if err != nil {
					b.Skipf("%s is not installed", server)
				}
				for b.Loop() {
					fleet(b, server, bin, scrape, n, load.every, load.span)
				}
			})
		}
	}
}

// demoScrape is what the demo's daemon answers to a scrape.
func demoScrape(b *testing.B) []byte {
	b.Helper()
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = b.TempDir()
	cfg.Shop.Name = "Boathouse shed"
	cfg.Shop.Air = shopsim.ShedAir
	show, err := NewShow(b.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 1, testkit.NoLog())
	testkit.OK(b, err)
	defer show.Daemon.Store().Close()
	testkit.OK(b, show.Daemon.Evaluate(b.Context()))
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "bench"}, show.Daemon)
	testkit.OK(b, err)
	hs := httptest.NewServer(srv.Handler())
	defer hs.Close()
	res, err := http.Get(hs.URL + "/metrics")
	testkit.OK(b, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		b.Fatal(res.Status, err)
	}
	if !bytes.Contains(text, []byte("curewright_coat_cure_ratio{")) {
		b.Fatal("no coat in the scrape")
	}
	return text
}

// moved is a scrape with its fractions moved a little: figures that stand
// still cost a server next to nothing.
func moved(scrape []byte, r *rand.Rand) []byte {
	var out bytes.Buffer
	out.Grow(len(scrape) + 1<<10)
	for line := range bytes.Lines(scrape) {
		i := bytes.LastIndexByte(line, ' ')
		if line[0] != '#' && i > 0 && bytes.ContainsRune(line[i:], '.') {
			if x, err := strconv.ParseFloat(string(bytes.TrimSpace(line[i:])), 64); err == nil {
				out.Write(line[:i+1])
				fmt.Fprintf(&out, "%g\n", x*(1+.01*(r.Float64()-.5)))
				continue
			}
		}
		out.Write(line)
	}
	return out.Bytes()
}

func fleet(b *testing.B, server, bin string, scrape []byte, n int, every, span time.Duration) {
	b.Helper()
	// Bodies are made beforehand, so that the simulated boards do not take the
	// processor from the server.
	r := rand.New(rand.NewPCG(1, 2))
	bodies := make([][]byte, 64)
	for i := range bodies {
		bodies[i] = moved(scrape, r)
	}
	var asked, at atomic.Int64
	sim := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		w.Header().Set("Content-Type", "text/plain; version=0.0.4")
		w.Write(bodies[at.Add(1)%int64(len(bodies))])
	}))
	defer sim.Close()

	dir := b.TempDir()
	type group struct {
		Targets []string          `json:"targets"`
		Labels  map[string]string `json:"labels"`
	}
	var groups []group
	for i := range n {
		groups = append(groups, group{[]string{strings.TrimPrefix(sim.URL, "http://")}, map[string]string{
			"site": fmt.Sprintf("shed %d", i+1), "instance": fmt.Sprintf("board-%d", i+1), "__metrics_path__": fmt.Sprintf("/%d/metrics", i+1)}})
	}
	sd, err := json.Marshal(groups)
	testkit.OK(b, err)
	rules, err := boards.Files.ReadFile("rules.yml")
	testkit.OK(b, err)
	cfg := fmt.Sprintf("global: {scrape_interval: %v}\nscrape_configs:\n- job_name: curewright\n  file_sd_configs: [{files: [%s]}]\n", every, filepath.Join(dir, "boards.json"))
	data := filepath.Join(dir, "data")
	_, own := testkit.FreePort(b)
	args := []string{"-search.latencyOffset=1s", "-promscrape.config=" + dir + "/scrape.yml", "-storageDataPath=" + data, "-httpListenAddr=" + own, "-loggerLevel=ERROR"}
	if server == "prometheus" {
		cfg = strings.Replace(cfg, "global: {", "global: {evaluation_interval: 30s, ", 1)
		cfg += fmt.Sprintf("rule_files: [%s]\n", filepath.Join(dir, "rules.yml"))
		args = []string{"--config.file=" + dir + "/scrape.yml", "--storage.tsdb.path=" + data, "--web.listen-address=" + own, "--log.level=error"}
	}
	for name, text := range map[string][]byte{"boards.json": sd, "rules.yml": rules, "scrape.yml": []byte(cfg)} {
		testkit.OK(b, os.WriteFile(filepath.Join(dir, name), text, 0o600))
	}
	cmd := exec.Command(bin, args...)
	var log bytes.Buffer
	cmd.Stderr = &log
	testkit.OK(b, cmd.Start())
	defer func() { cmd.Process.Kill(); cmd.Wait() }()

	// The first round makes every series and is not what it costs later.
	until := time.Now().Add(2*every + 30*time.Second)
	for asked.Load() < int64(n) {
		if time.Now().After(until) {
			b.Fatalf("%d of %d boards asked: %s", asked.Load(), n, log.String())
		}
		time.Sleep(100 * time.Millisecond)
	}
	time.Sleep(5 * time.Second)
	cpu0, asked0, start := cpuSeconds(b, cmd.Process.Pid), asked.Load(), time.Now()
	time.Sleep(span)
	took := time.Since(start).Seconds()
	cpu, scrapes := cpuSeconds(b, cmd.Process.Pid)-cpu0, float64(asked.Load()-asked0)
	rss, peak := residentMB(b, cmd.Process.Pid)

	// As the server itself counts: a scrape that failed, or that was cut
	// short, would make the figures too good.
	if up := ask(b, own, "sum(up)"); up != float64(n) {
		b.Errorf("%v of %d boards are up", up, n)
	}
	perScrape := ask(b, own, "avg(scrape_samples_scraped)")
	b.ReportMetric(100*cpu/took, "%core")
	b.ReportMetric(rss, "MB-resident")
	b.ReportMetric(peak, "MB-peak")
	b.ReportMetric(rss/float64(n), "MB-a-board")
	b.ReportMetric(perScrape, "samples/scrape")
	b.ReportMetric(scrapes/took*perScrape, "samples/s")
	b.ReportMetric(folderMB(data), "MB-disk")
	b.ReportMetric(0, "ns/op")
}

func ask(b *testing.B, own, q string) float64 {
	b.Helper()
	res, err := http.Get("http://" + own + "/api/v1/query?" + url.Values{"query": {q}}.Encode())
	testkit.OK(b, err)
	defer res.Body.Close()
	var a struct {
		Data struct {
			Result []struct{ Value [2]any }
		}
	}
	if err := json.NewDecoder(res.Body).Decode(&a); err != nil || len(a.Data.Result) == 0 {
		b.Fatalf("%s: %v, %d results", q, err, len(a.Data.Result))
	}
	x, err := strconv.ParseFloat(fmt.Sprint(a.Data.Result[0].Value[1]), 64)
	testkit.OK(b, err)
	return x
}

// cpuSeconds is the processor time of a process, from /proc/PID/stat fields
// 14 and 15 (proc(5)), in hundredths of a second on Linux.
func cpuSeconds(b *testing.B, pid int) float64 {
	b.Helper()
	text := testkit.MustRead(b, fmt.Sprintf("/proc/%d/stat", pid))
	_, rest, _ := strings.Cut(string(text), ") ")
	f := strings.Fields(rest)
	user, err1 := strconv.ParseFloat(f[11], 64)
	sys, err2 := strconv.ParseFloat(f[12], 64)
	if err1 != nil || err2 != nil {
		b.Fatal(err1, err2)
	}
	return (user + sys) / 100
}

// residentMB is a process's resident memory now and at its peak.
func residentMB(b *testing.B, pid int) (now, peak float64) {
	b.Helper()
	text := testkit.MustRead(b, fmt.Sprintf("/proc/%d/status", pid))
	for line := range strings.Lines(string(text)) {
		f := strings.Fields(line)
		if len(f) < 2 {
			continue
		}
		x, err := strconv.ParseFloat(f[1], 64)
		switch {
		case f[0] == "VmRSS:" && err == nil:
			now = x / 1024
		case f[0] == "VmHWM:" && err == nil:
			peak = x / 1024
		}
	}
	return now, peak
}

func folderMB(dir string) float64 {
	var sum int64
	filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			if i, err := d.Info(); err == nil {
				sum += i.Size()
			}
		}
		return nil
	})
	return float64(sum) / (1 << 20)
}
