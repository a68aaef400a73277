// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/alerts/alertmanager"
	"curewright/dashboards/boards"
	"curewright/dashboards/web"

	"curewright/internal/daemon/daemontest"
	"curewright/internal/realpart"
	"curewright/internal/testkit"
)

// noData are the queries that the demo cannot answer, and why. A made-up shop
// with a tent and a failing probe, scraped beside it, answers them.
var noData = map[string]string{
	"curewright_tent_":              "nobody holds a tent in the demo's shed",
	"curewright_probe_errors_total": "no probe fails in the demo",
}

// probeErrors is the page of a daemon one of whose probes fails now and then.
func probeErrors(t *testing.T, d *daemontest.Daemon) http.Handler {
	t.Helper()
	s, err := web.New(web.Config{Version: "test"}, failing{d})
	testkit.OK(t, err)
	return s.Handler()
}

type failing struct{ web.Backend }

func (b failing) Snapshot(ctx context.Context) (web.Snapshot, error) {
	s, err := b.Backend.Snapshot(ctx)
	s.Probes = slices.Clone(s.Probes)
	s.Probes[0].Errors = map[string]uint64{"timeout": 30}
	return s, err
}

// A real Prometheus with the shipped rules scrapes the demo. Every query of
// the shipped boards must then find data, and the alerts that the rules raise
// must be the board's own, label for label: an Alertmanager that gets both
// must take them for one.
func TestBoardsOverTheDemo(t *testing.T) {
	prom := realpart.Program(t, "prometheus")
	const speed, site = 60, "Boathouse shed"
	board := startDemo(t, "--listen", "127.0.0.1:0", "--speed", strconv.Itoa(speed))
	const madeUp = "Made-up shop"
	other := daemontest.NewShop(t, daemontest.Options{Before: daemontest.Tent(t)})
	testkit.OK(t, other.HeatedTent().SetTentPoint(t.Context(), web.Who{}, 22))
	shop := httptest.NewServer(probeErrors(t, other))
	defer shop.Close()
	server := startPrometheus(t, prom, map[string]string{site: board, madeUp: shop.URL}, speed)

	t.Run("queries", func(t *testing.T) {
		for _, name := range []string{"shed.json", "yard.json"} {
			for _, q := range boardQueries(t, name) {
				from := site
				for part, why := range noData {
					if strings.Contains(q.expr, part) {
						t.Logf("%s: %s: not from the demo: %s", name, q.panel, why)
						from = madeUp
					}
				}
				expr := strings.NewReplacer("$site", from, "$__rate_interval", "10s").Replace(q.expr)
				var last error
				deadline := time.Now().Add(30 * time.Second)
				for {
					got, err := server.has(expr)
					if last = err; err == nil && got {
						break
					}
					if time.Now().After(deadline) {
						t.Errorf("%s: %s: no data (%v) for %s", name, q.panel, last, expr)
						break
					}
					time.Sleep(300 * time.Millisecond) // two other programs have to get there
				}
			}
		}
	})

	t.Run("alerts", func(t *testing.T) {
		ours := map[string]bool{}
		for _, r := range alerts.Rules {
			ours[r.Name] = true
		}
		var want, got []string
		judged := false
		deadline := time.Now().Add(90 * time.Second)
		for {
			want, got = boardAlerts(t, board, site), server.firing(t, site, ours)
			for _, l := range got {
				judged = judged || strings.Contains(l, "rule=blush_") || strings.Contains(l, "rule=window_closed ")
			}
			if len(want) > 0 && judged && fmt.Sprint(got) == fmt.Sprint(want) {
				t.Logf("both say:\n%s", strings.Join(got, "\n"))
				return
			}
			if time.Now().After(deadline) {
				break
			}
			time.Sleep(300 * time.Millisecond)
		}
		t.Errorf("the rules never agreed with the board; at last\nboard: %s\nrules: %s", strings.Join(want, "\n       "), strings.Join(got, "\n       "))
	})
}

// The same over the demo's whole weekend, which takes five minutes: with
// CUREWRIGHT_WEEKEND=1 only. At 240 times the board and the rules look at each
// other at most a few seconds apart, a quarter of an hour of the shed's time;
// what they disagree on for longer is a difference between them.
func TestRulesOverTheWeekend(t *testing.T) {
	if os.Getenv("CUREWRIGHT_WEEKEND") == "" {
		t.Skip("takes five minutes: set CUREWRIGHT_WEEKEND=1")
	}
	prom, err := exec.LookPath("prometheus")
	if err != nil {
		t.Fatal("prometheus is not installed")
	}
	const speed, site, longest = 240, "Boathouse shed", 5
	board := startDemo(t, "--listen", "127.0.0.1:0", "--speed", strconv.Itoa(speed))
	server := startPrometheus(t, prom, map[string]string{site: board}, speed)
	ours := map[string]bool{}
	for _, r := range alerts.Rules {
		ours[r.Name] = true
	}
	met, apart, worst := map[string]bool{}, map[string]int{}, map[string]int{}
	for range 300 {
		b, r := map[string]bool{}, map[string]bool{}
		for _, x := range boardAlerts(t, board, site) {
			b[x] = true
		}
		for _, x := range server.firing(t, site, ours) {
			r[x] = true
			if b[x] {
				met[x] = true
			}
		}
		for _, side := range []struct {
			who      string
			has, not map[string]bool
		}{{"only the board: ", b, r}, {"only the rules: ", r, b}} {
			for x := range side.has {
				if side.not[x] {
					apart[side.who+x] = 0
					continue
				}
				apart[side.who+x]++
				worst[side.who+x] = max(worst[side.who+x], apart[side.who+x])
			}
		}
		for x := range apart {
			who, l, _ := strings.Cut(x, ": ")
			if who == "only the board" && !b[l] || who == "only the rules" && !r[l] {
				apart[x] = 0
			}
		}
		time.Sleep(time.Second)
	}
	for x, n := range worst {
		if n > longest {
			t.Errorf("for %d s %s", n, x)
		}
	}
	rules := map[string]bool{}
	for x := range met {
		_, x, _ = strings.Cut(x, "rule=")
		x, _, _ = strings.Cut(x, " ")
		rules[x] = true
	}
	t.Logf("both said %d alerts of %d rules", len(met), len(rules))
	if len(rules) < 12 {
		t.Errorf("only %d rules were met: %v", len(rules), rules)
	}
}

// startDemo runs `curewright demo` whole and returns its address.
func startDemo(t *testing.T, args ...string) string {
	url, _ := demoSays(t, args...)
	return url
}

// demoSays is startDemo with what the demo prints.
func demoSays(t *testing.T, args ...string) (url, said string) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, errw := &testkit.Buffer{}, &testkit.Buffer{}
	done := make(chan int, 1)
	go func() { done <- run(ctx, append([]string{"demo"}, args...), strings.NewReader(""), out, errw) }()
	t.Cleanup(func() { cancel(); <-done })
	for range 1200 {
		if m := regexp.MustCompile(`(http://\S+?)/ .*\n`).FindStringSubmatch(out.String()); m != nil {
			return m[1], out.String()
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("the demo never opened\n%s", errw.String())
	return "", ""
}

type promServer struct{ url string }

// startPrometheus runs a server with the shipped rules, their hold times
// shortened as much as the demo is sped up.
func startPrometheus(t *testing.T, prom string, targets map[string]string, speed int) promServer {
	t.Helper()
	dir := t.TempDir()
	rules, err := boards.Files.ReadFile("rules.yml")
	testkit.OK(t, err)
	rules = regexp.MustCompile(`((?:keep_firing_)?for): (\w+)`).ReplaceAllFunc(rules, func(m []byte) []byte {
		key, v, _ := bytes.Cut(m, []byte(": "))
		d, err := time.ParseDuration(string(v))
		testkit.OK(t, err)
		return fmt.Appendf(nil, "%s: %dms", key, (d / time.Duration(speed)).Milliseconds())
	})
	_, own := testkit.FreePort(t)
	cfg := "global: {scrape_interval: 1s, evaluation_interval: 1s, external_labels: {yard: quay}}\nrule_files: [rules.yml]\nscrape_configs:\n"
	for site, addr := range targets {
		cfg += fmt.Sprintf("- job_name: %q\n  static_configs: [{targets: [%q], labels: {site: %q, job: curewright}}]\n", site, strings.TrimPrefix(addr, "http://"), site)
	}
	for name, b := range map[string][]byte{"prometheus.yml": []byte(cfg), "rules.yml": rules} {
		testkit.OK(t, os.WriteFile(filepath.Join(dir, name), b, 0o600))
	}
	var log bytes.Buffer
	cmd := exec.Command(prom, "--config.file="+dir+"/prometheus.yml", "--storage.tsdb.path="+dir+"/data", "--web.listen-address="+own, "--log.level=warn")
	cmd.Stderr = &log
	testkit.OK(t, cmd.Start())
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	s := promServer{"http://" + own}
	deadline := time.Now().Add(40 * time.Second)
	for {
		if got, err := s.has(fmt.Sprintf("count(site:up:min == 1) == %d", len(targets))); err == nil && got {
			return s
		}
		if time.Now().After(deadline) {
			cmd.Process.Kill()
			cmd.Wait()
			t.Fatalf("not scraped in 40 s: %s", log.String())
		}
		time.Sleep(100 * time.Millisecond)
	}
}

func (s promServer) get(path string, q url.Values, v any) error {
	res, err := http.Get(s.url + path + "?" + q.Encode())
	if err != nil {
		return err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		return err
	}
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", res.Status, b)
	}
	return json.Unmarshal(b, v)
}

// has reports whether a query found anything in the last two minutes.
func (s promServer) has(expr string) (bool, error) {
	var a struct {
		Data struct{ Result []json.RawMessage }
	}
	now := time.Now()
	err := s.get("/api/v1/query_range", url.Values{"query": {expr}, "step": {"1s"},
		"start": {fmt.Sprint(now.Add(-2 * time.Minute).Unix())}, "end": {fmt.Sprint(now.Unix())}}, &a)
	return len(a.Data.Result) > 0, err
}

// firing are the labels of the alerts that Prometheus fires for a site by the
// board's own rules.
func (s promServer) firing(t *testing.T, site string, ours map[string]bool) []string {
	t.Helper()
	var a struct {
		Data struct {
			Alerts []struct {
				State  string
				Labels map[string]string
			}
		}
	}
	testkit.OK(t, s.get("/api/v1/alerts", nil, &a))
	var out []string
	for _, x := range a.Data.Alerts {
		if x.State == "firing" && x.Labels["site"] == site && ours[x.Labels["rule"]] {
			out = append(out, oneLine(x.Labels))
		}
	}
	sort.Strings(out)
	return out
}

// boardAlerts are the labels under which the board itself hands what fires to
// an Alertmanager.
func boardAlerts(t *testing.T, board, site string) []string {
	t.Helper()
	var list struct {
		Alerts []alerts.Alert `json:"alerts"`
	}
	testkit.Get(t, board+"/api/v1/alerts", &list)
	var active []alerts.Alert
	for _, a := range list.Alerts {
		if a.State == "firing" || a.State == "acknowledged" {
			active = append(active, a)
		}
	}
	var out []string
	am := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var posted []struct{ Labels map[string]string }
		if err := json.NewDecoder(r.Body).Decode(&posted); err != nil {
			t.Error(err)
		}
		for _, p := range posted {
			out = append(out, oneLine(p.Labels))
		}
	}))
	defer am.Close()
	c, err := alertmanager.New("yard", alertmanager.Options{URL: am.URL, Site: site})
	testkit.OK(t, err)
	testkit.OK(t, c.Refresh(t.Context(), active))
	sort.Strings(out)
	return out
}

func oneLine(labels map[string]string) string {
	var parts []string
	for k, v := range labels {
		parts = append(parts, k+"="+v)
	}
	sort.Strings(parts)
	return strings.Join(parts, " ") + " "
}

type boardQuery struct{ panel, expr string }

func boardQueries(t *testing.T, name string) []boardQuery {
	t.Helper()
	b, err := boards.Files.ReadFile(name)
	testkit.OK(t, err)
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	testkit.OK(t, json.Unmarshal(b, &board))
	var out []boardQuery
	for _, p := range board.Panels {
		for _, q := range p.Targets {
			out = append(out, boardQuery{p.Title, q.Expr})
		}
	}
	if len(out) < 15 {
		t.Errorf("%s: only %d queries", name, len(out))
	}
	return out
}
