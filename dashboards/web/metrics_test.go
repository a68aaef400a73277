// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"maps"
	"math"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/sensors"

	"curewright/internal/realpart"
)

// series reads the exposition format: name{labels} → value.
func series(t *testing.T, text string) map[string]float64 {
	t.Helper()
	m := map[string]float64{}
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		i := strings.LastIndexByte(line, ' ')
		x, err := strconv.ParseFloat(line[i+1:], 64)
		if err != nil {
			t.Fatalf("line %q: %v", line, err)
		}
		if _, dup := m[line[:i]]; dup {
			t.Errorf("%s twice", line[:i])
		}
		m[line[:i]] = x
	}
	return m
}

// measured checks some series.
func measured(t *testing.T, m map[string]float64, want map[string]float64) {
	t.Helper()
	for name, x := range want {
		if got, ok := m[name]; !ok || math.Abs(got-x) > 1e-9 {
			t.Errorf("%s = %v (there: %v), want %v", name, got, ok, x)
		}
	}
}

func scrape(t *testing.T, h http.Handler) (string, map[string]float64) {
	t.Helper()
	w := ask{path: "/metrics"}.do(t, h)
	if w.Code != 200 {
		t.Fatalf("scrape: %d %s", w.Code, w.Body)
	}
	return w.Body.String(), series(t, w.Body.String())
}

func TestMetrics(t *testing.T) {
	d := tented(t)
	snap, err := d.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	b := &faulty{Backend: d, edit: func(s *web.Snapshot) {
		s.Probes = slices.Clone(s.Probes)
		for i := range s.Probes {
			if p := &s.Probes[i]; p.Probe == "loft" {
				p.State, p.Errors = "stale", map[string]uint64{"timeout": 30, "checksum": 2}
			}
		}
		s.Result.At = s.At.Add(-20 * time.Second)
		s.Result.Coats = slices.Clone(s.Result.Coats)
		s.Result.Coats[0].NextWindow.ClosesBand.P90 = nil // beyond the horizon
	}, intakes: []web.IntakeStats{{Intake: "http", Taken: 40, Refused: map[string]uint64{"future": 2}}}}
	text, m := scrape(t, server(t, b).Handler())
	// What the model says is what the API says; the rest is the shop's.
	c, cup, surface := snap.Result.Coats[0], snap.Cups[0], snap.Surfaces[0]
	since := func(at *time.Time) float64 { return at.Sub(snap.At).Seconds() }
	measured(t, m, map[string]float64{
		`curewright_probe_temperature_celsius{panel="lid-outer",probe="panel-1",role="panel"}`:                             17.6,
		`curewright_probe_age_seconds{probe="panel-1"}`:                                                                    4,
		`curewright_probe_age_seconds{probe="shed-air"}`:                                                                   300,
		`curewright_probe_errors_total{probe="loft",reason="timeout"}`:                                                     30,
		`curewright_probe_state{probe="loft",state="stale"}`:                                                               1,
		`curewright_probe_state{probe="loft",state="ok"}`:                                                                  0,
		`curewright_probes_not_accepted`:                                                                                   1,
		`curewright_panel_dew_margin_kelvin{panel="lid-outer"}`:                                                            *surface.MarginK,
		`curewright_panel_relative_humidity_ratio{panel="lid-outer"}`:                                                      *surface.PanelRHPct / 100,
		`curewright_coat_cure_ratio{band="p50",coat="tack",panel="lid-outer"}`:                                             c.Alpha.P50,
		`curewright_coat_tg_celsius{band="p10",coat="tack",panel="lid-outer"}`:                                             c.TgC.P10,
		`curewright_coat_state{coat="tack",panel="lid-outer",state="tacky"}`:                                               1,
		`curewright_coat_state{coat="tack",panel="lid-outer",state="green"}`:                                               0,
		`curewright_coat_state_probability_ratio{coat="tack",panel="lid-outer",state="tacky"}`:                             c.StateProbability.Tacky,
		`curewright_coat_unknown{coat="tack",panel="lid-outer",reason="cold_glass"}`:                                       0,
		`curewright_coat_window_opens_seconds{band="p90",coat="tack",panel="lid-outer",window="cloth"}`:                    since(c.NextWindow.OpensBand.P90),
		`curewright_coat_window_opens_seconds{band="p10",coat="tack",panel="lid-outer",window="cloth"}`:                    since(c.NextWindow.OpensBand.P10),
		`curewright_coat_window_closes_seconds{band="p50",coat="tack",panel="lid-outer",window="cloth"}`:                   since(c.NextWindow.ClosesBand.P50),
		`curewright_coat_window_status{coat="tack",panel="lid-outer",status="open",window="cloth"}`:                        1,
		`curewright_coat_blush_index{coat="tack",panel="lid-outer"}`:                                                       *c.Blush.Index,
		`curewright_coat_stall{coat="tack",panel="lid-outer"}`:                                                             0,
		`curewright_coat_degraded_seconds{coat="tack",panel="lid-outer"}`:                                                  c.DegradedMinutes * 60,
		`curewright_coat_age_seconds{coat="tack",panel="lid-outer"}`:                                                       6000,
		`curewright_cup_remaining_seconds{batch="cup-2"}`:                                                                  since(&cup.EndsAt),
		`curewright_alerts_firing{rule="ready_for_cloth",severity="act",state="firing"}`:                                   1,
		`curewright_alert_active{panel="lid-outer",rule="ready_for_cloth",severity="act",state="firing",subject="tack"}`:   1,
		`curewright_alerts_unacknowledged{severity="act"}`:                                                                 1,
		`curewright_alerts_unacknowledged{severity="danger"}`:                                                              0,
		`curewright_estimate_age_seconds`:                                                                                  20,
		`curewright_snapshot_ok`:                                                                                           1,
		`curewright_store_pending_readings`:                                                                                *d.StoreStats().Pending,
		`curewright_intake_refused_total{intake="http",reason="future"}`:                                                   2,
		`curewright_tent_heater_on`:                                                                                        0,
		`curewright_tent_heater_on_today_seconds`:                                                                          0,
		`curewright_shop_info{name="Shop"}`:                                                                                1,
		`curewright_clock_trusted`:                                                                                         1,
		`curewright_probe_info{bus="push",driver="push",name="Lid, outer",panel="lid-outer",probe="panel-1",role="panel"}`: 1,
	})
	// No series for what is missing, stale, not within the horizon or not
	// accepted by anybody.
	for _, none := range []string{
		`curewright_probe_temperature_celsius{panel="",probe="loft"`, `curewright_probe_relative_humidity_ratio{panel="lid-outer"`, `curewright_probe_co2_ratio{`,
		`probe="radio-7"`, `curewright_coat_window_closes_seconds{band="p90"`, `NaN`, `} +Inf`, "quantile=\"0.5\",coat",
	} {
		for k := range m {
			if strings.HasPrefix(k, "go_") {
				continue
			}
			if strings.Contains(k, none) {
				t.Errorf("%s should not be there", k)
			}
		}
	}
	if !strings.Contains(text, `curewright_build_info{`) {
		t.Error("no build_info")
	}

	promtool := realpart.Program(t, "promtool")
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(text)
	if out, err := cmd.CombinedOutput(); err != nil || len(bytes.TrimSpace(out)) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// Asked for OpenMetrics, the same is said in it, as Prometheus itself reads it.
func TestOpenMetrics(t *testing.T) {
	h := server(t, tented(t)).Handler()
	ask{path: "/healthz"}.do(t, h)
	w := ask{path: "/metrics", header: map[string]string{"Accept": "application/openmetrics-text; version=1.0.0"}}.do(t, h)
	text := w.Body.String()
	if k := w.Header().Get("Content-Type"); !strings.HasPrefix(k, "application/openmetrics-text; version=1.0.0") || !strings.HasSuffix(text, "# EOF\n") {
		t.Fatalf("%s: %.200s", k, text)
	}
	if !strings.Contains(text, "# TYPE curewright_http_request_duration_seconds histogram") || !strings.Contains(text, `curewright_http_request_duration_seconds_bucket{le="60.0"} 1`) {
		t.Error("one answer and no histogram of it")
	}
	// promtool reads OpenMetrics where it makes blocks of it; there each sample
	// has a time.
	var dated strings.Builder
	for line := range strings.Lines(text) {
		if line = strings.TrimSuffix(line, "\n"); line[0] != '#' {
			line += " 1791619200"
		}
		dated.WriteString(line + "\n")
	}
	dir := t.TempDir()
	in := filepath.Join(dir, "in.om")
	if err := os.WriteFile(in, []byte(dated.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	promtool := realpart.Program(t, "promtool")
	if out, err := exec.CommandContext(t.Context(), promtool, "tsdb", "create-blocks-from", "openmetrics", in, filepath.Join(dir, "blocks")).CombinedOutput(); err != nil {
		t.Errorf("promtool: %v\n%s", err, out)
	}
}

// docs/metrics.md lists every metric there is, as the code declares it.
func TestMetricsReference(t *testing.T) {
	var b strings.Builder
	b.WriteString(`# Metrics

` + "`/metrics`" + ` exports the series below, in the text format of Prometheus, or in
OpenMetrics 1.0 for a client that sends ` + "`Accept: application/openmetrics-text`" + `. A
scraper needs a log-in with the role look, unless it runs on the board itself;
[fleet.md](fleet.md) shows how to configure one. A missing value has no series:
nothing is exported as 0 or NaN because it is not known. The Go runtime's
` + "`go_*`" + ` and the process's ` + "`process_*`" + ` are exported as well.

This page is made from the code: ` + "`go test ./dashboards/web -run MetricsReference -update`" + `.

| metric | type | labels | what |
|---|---|---|---|
`)
	for _, f := range web.Families() {
		fmt.Fprintf(&b, "| \x60%s\x60 | %s | %s | %s |\n", f[0], f[1], f[2], f[3])
	}
	b.WriteString(`
A histogram has the series ` + "`_bucket`, `_sum` and `_count`" + `. The labels below take one of
a few words; all other labels are ids and names of the shop. A family exports at most
256 subjects; ` + "`curewright_series_left_out`" + ` counts the others.

| label | words |
|---|---|
`)
	m := web.Bounded()
	for _, k := range slices.Sorted(maps.Keys(m)) {
		fmt.Fprintf(&b, "| %s | %s |\n", k, strings.Join(m[k], ", "))
	}
	const page = "../../docs/metrics.md"
	if *updateMetrics {
		if err := os.WriteFile(page, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := os.ReadFile(page); err != nil || string(got) != b.String() {
		t.Errorf("docs/metrics.md is not what the code says (%v): go test ./dashboards/web -run MetricsReference -update", err)
	}
}

var updateMetrics = flag.Bool("update", false, "write docs/metrics.md anew")

// What an unruly shop or a stranger sends must neither spoil the scrape nor
// make it grow without bound.
func TestMetricsBounded(t *testing.T) {
	b := &faulty{Backend: shop(t), edit: func(s *web.Snapshot) {
		s.Result.Coats, s.Probes = slices.Clone(s.Result.Coats), slices.Clone(s.Probes)
		base := s.Result.Coats[0]
		for i := range 1000 {
			e := base
			e.ID = fmt.Sprintf("coat-%d", i)
			s.Result.Coats = append(s.Result.Coats, e, e) // and each one twice
			s.Probes = append(s.Probes, sensors.Health{Probe: fmt.Sprintf("p\xff%d\n\"", i), Accepted: true, State: "ok"})
			s.Alerts = append(s.Alerts, alerts.Alert{Rule: fmt.Sprint("rule", i), Severity: "made up", State: "firing"})
		}
		i := slices.IndexFunc(s.Probes, func(p sensors.Health) bool { return p.Probe == "panel-1" })
		s.Probes[i].Errors = map[string]uint64{"checksum": 1, "new word": 2, "another": 3}
		s.Probes[i].Last.Temp = sensors.Value{}
		s.Result.Coats[0].UnknownWhy = []string{"no word of ours"}
		s.Result.Coats[0].NextWindow = &coat.Window{Kind: "no window of ours"}
		s.Result.Coats[0].Alpha = &coat.Band{P10: math.NaN(), P50: .5, P90: math.Inf(1)}
		s.Result.Coats[0].StateProbability = nil
	}}
	_, m := scrape(t, server(t, b).Handler())
	count := func(part string) (n int) {
		for k := range m {
			if strings.HasPrefix(k, part) {
				n++
			}
		}
		return n
	}
	for part, most := range map[string]int{"curewright_coat_info": web.MaxSeries, "curewright_probe_info": web.MaxSeries, "curewright_alerts_firing": web.MaxSeries} {
		if n := count(part); n != most {
			t.Errorf("%d of %s, want %d", n, part, most)
		}
	}
	if got := m["curewright_series_left_out"]; got < 2*(1000-web.MaxSeries) {
		t.Errorf("left out %v, want them counted", got)
	}
	if got := m["curewright_coats_open"]; got != 1001 {
		t.Errorf("%v coats, want 1001", got)
	}
	if got := m[`curewright_probe_errors_total{probe="panel-1",reason="other"}`]; got != 5 {
		t.Errorf("words we do not know: %v, want 5 under other", got)
	}
	if n := count(`curewright_coat_cure_ratio{band="p10",coat="tack"`) + count(`curewright_coat_cure_ratio{band="p90",coat="tack"`); n != 0 {
		t.Error("NaN and Inf became series")
	}
	if n := count(`curewright_coat_cure_ratio{band="p50",coat="tack"`); n != 1 {
		t.Error("the good value beside them is gone")
	}
	if n := count(`curewright_coat_state_probability_ratio{coat="tack"`); n != 0 {
		t.Error("a probability without a state")
	}
	if n := count(`curewright_probe_temperature_celsius{panel="lid-outer",probe="panel-1"`); n != 0 {
		t.Error("a missing temperature became a series")
	}
}

func TestMetricsWithoutSnapshot(t *testing.T) {
	b := &faulty{Backend: bare(t), err: io.ErrUnexpectedEOF}
	_, m := scrape(t, server(t, b).Handler())
	if got, ok := m["curewright_snapshot_ok"]; !ok || got != 0 {
		t.Errorf("snapshot_ok = %v, %v; want 0", got, ok)
	}
	if _, ok := m["curewright_coats_open"]; ok {
		t.Error("a count of coats that nobody could count")
	}
}

// A real Prometheus and a real VictoriaMetrics scrape us by the same
// configuration and answer queries with our figures. Prometheus asks for
// OpenMetrics.
func TestScrapes(t *testing.T) {
	if testing.Short() {
		t.Skip("two other programs at work: the race detector sees the same scrape in TestMetrics")
	}
	for _, p := range []struct {
		name string
		args func(cfg, data, listen string) []string
		samp string // what says that nothing was dropped
	}{
		{"prometheus", func(cfg, data, listen string) []string {
			return []string{"--config.file=" + cfg, "--storage.tsdb.path=" + data, "--web.listen-address=" + listen, "--log.level=warn"}
		}, `scrape_samples_scraped-scrape_samples_post_metric_relabeling`},
		{"victoria-metrics", func(cfg, data, listen string) []string {
			return []string{"-promscrape.config=" + cfg, "-storageDataPath=" + data, "-httpListenAddr=" + listen, "-memory.allowedBytes=64MB", "-search.latencyOffset=0s", "-loggerLevel=WARN"}
		}, `scrape_samples_scraped-scrape_samples_post_metric_relabeling`},
	} {
		t.Run(p.name, func(t *testing.T) { scrapes(t, realpart.Program(t, p.name), p.args, p.samp) })
	}
}

func scrapes(t *testing.T, program string, args func(cfg, data, listen string) []string, samp string) {
	b := &faulty{Backend: shop(t), edit: func(s *web.Snapshot) {
		s.Probes = slices.Clone(s.Probes)
		s.Probes[0].Errors = map[string]uint64{"timeout": 30, "checksum": 2}
		s.Result.Coats = slices.Clone(s.Result.Coats)
		s.Result.Coats[0].Alpha = &coat.Band{P10: .29, P50: .35, P90: .41}
	}}
	addr := serve(t, web.Config{}, b)
	dir := t.TempDir()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	own := ln.Addr().String()
	ln.Close()
	cfg := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs:\n- job_name: curewright\n  static_configs: [{targets: [%q]}]\n", addr)
	if err := os.WriteFile(filepath.Join(dir, "prometheus.yml"), []byte(cfg), 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd := exec.Command(program, args(dir+"/prometheus.yml", dir+"/data", own)...)
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { cmd.Process.Kill(); cmd.Wait() }()

	query := func(q string) (string, bool) {
		res, err := http.Get("http://" + own + "/api/v1/query?query=" + q)
		if err != nil {
			return "", false
		}
		defer res.Body.Close()
		var a struct {
			Data struct {
				Result []struct{ Value [2]any }
			}
		}
		if json.NewDecoder(res.Body).Decode(&a) != nil || len(a.Data.Result) != 1 {
			return "", false
		}
		return fmt.Sprint(a.Data.Result[0].Value[1]), true
	}
	give := time.Now().Add(40 * time.Second)
	for {
		if got, ok := query("up"); ok && got == "1" {
			break
		}
		if time.Now().After(give) {
			t.Fatalf("not scraped in 40 s: %s", log.String())
		}
		time.Sleep(100 * time.Millisecond) // another program's start cannot be waited for otherwise
	}
	for q, want := range map[string]string{
		`curewright_coat_cure_ratio{band="p50"}`:                 "0.35",
		`count(curewright_coat_state{state="tacky"}==1)`:         "1",
		`sum(curewright_probe_errors_total)`:                     "32",
		`count(curewright_http_request_duration_seconds_bucket)`: "12", // eleven edges and +Inf
		samp: "0",
	} {
		if got, ok := query(url.QueryEscape(q)); !ok || got != want {
			t.Errorf("%s = %q, want %q", q, got, want)
		}
	}
}
