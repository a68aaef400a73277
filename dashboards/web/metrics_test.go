// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/dashboards/web/webtest"
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

func scrape(t *testing.T, h http.Handler) (string, map[string]float64) {
	t.Helper()
	w := ask{path: "/metrics"}.do(t, h)
	if w.Code != 200 {
		t.Fatalf("scrape: %d %s", w.Code, w.Body)
	}
	return w.Body.String(), series(t, w.Body.String())
}

func TestMetrics(t *testing.T) {
	b := webtest.NewFull()
	text, m := scrape(t, server(t, b).Handler())
	for name, want := range map[string]float64{
		`curewright_probe_temperature_celsius{panel="lid-outer",probe="panel-1",role="panel"}`:                                              17.5,
		`curewright_probe_age_seconds{probe="panel-1"}`:                                                                                     4,
		`curewright_probe_age_seconds{probe="shed-air"}`:                                                                                    300,
		`curewright_probe_errors_total{probe="shed-air",reason="timeout"}`:                                                                  30,
		`curewright_probe_state{probe="shed-air",state="stale"}`:                                                                            1,
		`curewright_probe_state{probe="shed-air",state="ok"}`:                                                                               0,
		`curewright_probes_not_accepted`:                                                                                                    1,
		`curewright_panel_dew_margin_kelvin{panel="lid-outer"}`:                                                                             6.9,
		`curewright_panel_relative_humidity_ratio{panel="lid-outer"}`:                                                                       0.64,
		`curewright_coat_cure_ratio{band="p50",coat="tack",panel="lid-outer"}`:                                                              0.35,
		`curewright_coat_tg_celsius{band="p10",coat="tack",panel="lid-outer"}`:                                                              -24,
		`curewright_coat_state{coat="tack",panel="lid-outer",state="tacky"}`:                                                                1,
		`curewright_coat_state{coat="tack",panel="lid-outer",state="green"}`:                                                                0,
		`curewright_coat_state_probability_ratio{coat="tack",panel="lid-outer",state="tacky"}`:                                              0.8,
		`curewright_coat_unknown{coat="tack",panel="lid-outer",reason="cold_glass"}`:                                                        0,
		`curewright_coat_window_opens_seconds{band="p90",coat="tack",panel="lid-outer",window="cloth"}`:                                     300,
		`curewright_coat_window_opens_seconds{band="p10",coat="tack",panel="lid-outer",window="cloth"}`:                                     -2400,
		`curewright_coat_window_closes_seconds{band="p50",coat="tack",panel="lid-outer",window="cloth"}`:                                    10200,
		`curewright_coat_window_status{coat="tack",panel="lid-outer",status="open",window="cloth"}`:                                         1,
		`curewright_coat_blush_index{coat="tack",panel="lid-outer"}`:                                                                        0.12,
		`curewright_coat_stall{coat="tack",panel="lid-outer"}`:                                                                              0,
		`curewright_coat_degraded_seconds{coat="tack",panel="lid-outer"}`:                                                                   180,
		`curewright_coat_age_seconds{coat="tack",panel="lid-outer"}`:                                                                        6000,
		`curewright_cup_remaining_seconds{batch="cup-1"}`:                                                                                   360,
		`curewright_alerts_firing{rule="window_open",severity="act",state="firing"}`:                                                        1,
		`curewright_alert_active{panel="lid-outer",rule="window_open",severity="act",state="firing",subject="tack"}`:                        1,
		`curewright_alerts_unacknowledged{severity="act"}`:                                                                                  1,
		`curewright_alerts_unacknowledged{severity="danger"}`:                                                                               0,
		`curewright_estimate_age_seconds`:                                                                                                   20,
		`curewright_snapshot_ok`:                                                                                                            1,
		`curewright_store_pending_readings`:                                                                                                 12,
		`curewright_intake_refused_total{intake="http",reason="future"}`:                                                                    2,
		`curewright_tent_heater_on`:                                                                                                         0,
		`curewright_tent_heater_on_today_seconds`:                                                                                           5400,
		`curewright_shop_info{name="Shed"}`:                                                                                                 1,
		`curewright_clock_trusted`:                                                                                                          1,
		`curewright_probe_info{bus="w1:28-0316a2795d1f",driver="ds18b20",name="Lid, outer",panel="lid-outer",probe="panel-1",role="panel"}`: 1,
	} {
		if got, ok := m[name]; !ok || math.Abs(got-want) > 1e-9 {
			t.Errorf("%s = %v (there: %v), want %v", name, got, ok, want)
		}
	}
	// No series for what is missing, stale, not within the horizon or not
	// accepted by anybody.
	for _, none := range []string{
		`curewright_probe_temperature_celsius{panel="",probe="shed-air"`, `curewright_probe_relative_humidity_ratio{`, `curewright_probe_co2_ratio{`,
		`probe="radio-7"`, `curewright_coat_window_closes_seconds{band="p90"`, `curewright_store_size_bytes{`, `NaN`, `Inf`, "quantile=\"0.5\",coat",
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

// What an unruly shop or a stranger sends must neither spoil the scrape nor
// make it grow without bound.
func TestMetricsBounded(t *testing.T) {
	b := webtest.New()
	b.Edit(func(s *web.Snapshot, _ *coat.Work) {
		base := s.Result.Coats[0]
		for i := range 1000 {
			e := base
			e.ID = fmt.Sprintf("coat-%d", i)
			s.Result.Coats = append(s.Result.Coats, e, e) // and each one twice
			s.Probes = append(s.Probes, sensors.Health{Probe: fmt.Sprintf("p\xff%d\n\"", i), Accepted: true, State: "ok"})
			s.Alerts = append(s.Alerts, alerts.Alert{Rule: fmt.Sprint("rule", i), Severity: "made up", State: "firing"})
		}
		s.Probes[0].Errors = map[string]uint64{"checksum": 1, "new word": 2, "another": 3}
		s.Probes[0].Last.Temp = sensors.Value{}
		s.Result.Coats[0].UnknownWhy = []string{"no word of ours"}
		s.Result.Coats[0].NextWindow = &coat.Window{Kind: "no window of ours"}
		s.Result.Coats[0].Alpha = &coat.Band{P10: math.NaN(), P50: .5, P90: math.Inf(1)}
		s.Result.Coats[0].StateProbability = nil
	})
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
	b := webtest.New()
	b.Fail(io.ErrUnexpectedEOF)
	_, m := scrape(t, server(t, b).Handler())
	if got, ok := m["curewright_snapshot_ok"]; !ok || got != 0 {
		t.Errorf("snapshot_ok = %v, %v; want 0", got, ok)
	}
	if _, ok := m["curewright_coats_open"]; ok {
		t.Error("a count of coats that nobody could count")
	}
}

// A real Prometheus scrapes us, with a log-in from a file as it would from
// another machine, and answers a query with our figure.
func TestPrometheusScrapes(t *testing.T) {
	prom := realpart.Program(t, "prometheus")
	b := webtest.New()
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
	cmd := exec.Command(prom, "--config.file="+dir+"/prometheus.yml", "--storage.tsdb.path="+dir+"/data", "--web.listen-address="+own, "--log.level=warn")
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
		`curewright_coat_cure_ratio{band="p50"}`:                       "0.35",
		`count(curewright_coat_state{state="tacky"}==1)`:               "1",
		`sum(curewright_probe_errors_total)`:                           "32",
		`scrape_samples_scraped-scrape_samples_post_metric_relabeling`: "0",
	} {
		if got, ok := query(strings.NewReplacer("{", "%7B", "}", "%7D", `"`, "%22", "=", "%3D").Replace(q)); !ok || got != want {
			t.Errorf("%s = %q, want %q", q, got, want)
		}
	}
}
