package daemon

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/model/air"
	"curewright/model/job"

	"curewright/internal/realpart"
)

type officeRow struct {
	at         time.Time
	c, rh, co2 float64
	ratio      float64
}

// office reads the room's rows; by shifts its temperature, and humidity then
// follows from the file's own humidity ratio, capped at 100 %.
func office(t *testing.T, by float64) []officeRow {
	t.Helper()
	f, err := os.Open(realpart.Office(t))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	recs, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []officeRow
	for _, r := range recs[1:] {
		at, err := time.Parse(time.RFC3339, r[0])
		if err != nil {
			t.Fatal(err)
		}
		var x [4]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(r[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		row := officeRow{at, x[0] + by, x[1], x[2], x[3]}
		if by != 0 {
			e := air.FromRatio(row.ratio, air.StandardPressure)
			row.rh = math.Min(100, 100*e/air.VapourPressure(row.c))
		}
		out = append(out, row)
	}
	return out
}

func contractCSV(rows []officeRow) []byte {
	var b bytes.Buffer
	b.WriteString("time,probe,temp_c,rh_pct,co2_ppm\n")
	for _, r := range rows {
		fmt.Fprintf(&b, "%s,shed-air,%.4f,%.4f,%.2f\n", r.at.Format(time.RFC3339), r.c, r.rh, r.co2)
	}
	return b.Bytes()
}

var threeCoats = []struct{ id, resin string }{{"quick", "fast"}, {"mid", "medium"}, {"late", "slow"}}

const officeApplied = "2015-02-13T22:00:00Z"

func jobTOML() string {
	var b strings.Builder
	for _, c := range threeCoats {
		fmt.Fprintf(&b, "[[panel]]\nid = \"lid-%s\"\nprobe = \"shed-air\"\nair = \"shed-air\"\ncore = \"foam\"\n\n", c.id)
	}
	for _, c := range threeCoats {
		fmt.Fprintf(&b, "[[coat]]\nid = \"%s\"\npanel = \"lid-%s\"\nresin = \"%s\"\nkind = \"fill coat\"\nnext = \"coat\"\napplied = %s\n\n", c.id, c.id, c.resin, officeApplied)
	}
	b.WriteString("[[feel]]\ncoat = \"mid\"\nat = 2015-02-14T01:00:00Z\nstate = \"tacky\"\n")
	return b.String()
}

// cmdOK runs the command line whole and returns what it printed.
func cmdOK(t *testing.T, args ...string) string {
	t.Helper()
	var out, errw bytes.Buffer
	if code := run(t.Context(), args, strings.NewReader(""), &out, &errw); code != exitDone {
		t.Fatalf("curewright %s: exit %d\n%s", strings.Join(args, " "), code, errw.String())
	}
	return out.String()
}

// The same room, once live through the daemon by push and once offline by
// replay, must give the same states and windows: as the room was, and 12 K
// colder, where cold, blush and unknown are met.
func TestLiveEqualsReplay(t *testing.T) {
	for _, by := range []float64{0, -12} {
		t.Run(fmt.Sprintf("%+g K", by), func(t *testing.T) {
			rows := office(t, by)
			dir := t.TempDir()
			readings, jobFile := filepath.Join(dir, "shed.csv"), filepath.Join(dir, "lids.toml")
			if err := os.WriteFile(readings, contractCSV(rows), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(jobFile, []byte(jobTOML()), 0o600); err != nil {
				t.Fatal(err)
			}
			live := newLiveDaemon(t, filepath.Join(dir, "store"), rows[0].at)
			applied, _ := time.Parse(time.RFC3339, officeApplied)
			checks := []time.Time{applied.Add(90 * time.Minute), applied.Add(4 * time.Hour), applied.Add(11 * time.Hour), applied.Add(30 * time.Hour)}
			next, entered, felt := 0, false, false
			var batch []web.PushReading
			met := map[string]bool{}
			for _, r := range rows {
				at := r.at
				batch = append(batch, web.PushReading{Probe: "shed-air", Time: &at, TempC: round4(r.c), RHPct: round4(r.rh), CO2PPM: &r.co2})
				if len(batch) < 30 && !(next < len(checks) && !at.Before(checks[next])) {
					continue
				}
				live.clk.Put(at)
				live.push(batch)
				batch = nil
				if !entered && !at.Before(applied) {
					entered = true
					for _, c := range threeCoats {
						live.post("/api/v1/panels", map[string]any{"id": "lid-" + c.id, "probe": "shed-air", "air": "shed-air", "core": "foam"})
						live.post("/api/v1/coats", map[string]any{"id": c.id, "panel": "lid-" + c.id, "resin": c.resin, "kind": "fill coat", "next": "coat", "applied": officeApplied})
					}
				}
				if !felt && at.After(applied.Add(3*time.Hour)) {
					felt = true
					live.post("/api/v1/coats/mid/feels", map[string]any{"at": "2015-02-14T01:00:00Z", "state": "tacky"})
				}
				if err := live.d.look(t.Context()); err != nil {
					t.Fatal(err)
				}
				if next < len(checks) && !at.Before(checks[next]) {
					var offline job.Result
					out := cmdOK(t, "replay", "--readings", readings, "--job", jobFile, "--until", at.Format(time.RFC3339), "--json")
					if err := json.Unmarshal([]byte(out), &offline); err != nil {
						t.Fatal(err)
					}
					got := live.coats()
					compareCoats(t, at, got, offline)
					for _, c := range got {
						met[string(c.State)] = true
						met["blush "+c.Blush.Band] = true
					}
					next++
				}
				if next == len(checks) {
					break
				}
			}
			if next < len(checks) {
				t.Fatalf("only %d of %d moments were compared", next, len(checks))
			}
			t.Logf("met: %v", met)
			want := []string{"wet", "tacky", "green", "hard", "blush low"}
			if by < 0 {
				want = []string{"wet", "unknown", "blush high"}
			}
			for _, w := range want {
				if !met[w] {
					t.Errorf("%s was never met, so it was not compared", w)
				}
			}
		})
	}
}

// round4 is what the CSV carries, so that both ways see the same number.
func round4(x float64) *float64 {
	r := math.Round(x*1e4) / 1e4
	return &r
}

func compareCoats(t *testing.T, at time.Time, live []web.CoatView, offline job.Result) {
	t.Helper()
	by := map[string]int{}
	for i, c := range offline.Coats {
		by[c.ID] = i
	}
	if len(live) != len(threeCoats) || len(offline.Coats) != len(threeCoats) {
		t.Fatalf("%v: %d coats live, %d offline, want %d", at, len(live), len(offline.Coats), len(threeCoats))
	}
	for _, l := range live {
		o := offline.Coats[by[l.ID]]
		if l.State != o.State || fmt.Sprint(l.UnknownWhy) != fmt.Sprint(o.UnknownWhy) || l.AdviceCode != o.AdviceCode || l.Stall != o.Stall || l.Blush.Band != o.Blush.Band {
			t.Errorf("%v %s: live %s %v %s, offline %s %v %s", at, l.ID, l.State, l.UnknownWhy, l.AdviceCode, o.State, o.UnknownWhy, o.AdviceCode)
		}
		if l.Alpha == nil || o.Alpha == nil {
			t.Errorf("%v %s: no degree of cure", at, l.ID)
			continue
		}
		// The store keeps temperature to 1/400 °C: that is all that may differ.
		if d := math.Abs(l.Alpha.P50 - o.Alpha.P50); d > 1e-4 {
			t.Errorf("%v %s: degree of cure %.6f live, %.6f offline", at, l.ID, l.Alpha.P50, o.Alpha.P50)
		}
		if (l.NextWindow == nil) != (o.NextWindow == nil) {
			t.Errorf("%v %s: a window on one side only", at, l.ID)
			continue
		}
		if l.NextWindow != nil {
			sameEdge(t, at, l.ID+" opens", l.NextWindow.Opens, o.NextWindow.Opens)
			sameEdge(t, at, l.ID+" closes", l.NextWindow.Closes, o.NextWindow.Closes)
		}
	}
}

func sameEdge(t *testing.T, at time.Time, what string, a, b *time.Time) {
	t.Helper()
	if (a == nil) != (b == nil) {
		t.Errorf("%v %s: %v live, %v offline", at, what, a, b)
	} else if a != nil && a.Sub(*b).Abs() > time.Minute {
		t.Errorf("%v %s: %v live, %v offline", at, what, a, b)
	}
}

// liveDaemon is a daemon with a clock that a test moves, behind its own
// server on loopback.
type liveDaemon struct {
	t   *testing.T
	d   *daemon
	clk *lapseClock
	url string

	handler http.Handler // asked without a network where it is set
}

func newLiveDaemon(t *testing.T, dir string, at time.Time) *liveDaemon {
	t.Helper()
	cfg := defaultConfig()
	cfg.Store.Path = dir
	clk := newLapseClock(at, 1)
	d, err := newDaemon(daemonOptions{cfg: cfg, clk: clk, log: noLog(), trusted: true, zone: time.UTC})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.store.Close() })
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "test", LoopbackRole: web.Control}, d)
	if err != nil {
		t.Fatal(err)
	}
	hs := httptest.NewServer(srv.Handler())
	t.Cleanup(hs.Close)
	return &liveDaemon{t: t, d: d, clk: clk, url: hs.URL}
}

func (l *liveDaemon) do(method, path string, body any, want int) []byte {
	l.t.Helper()
	var rd []byte
	if body != nil {
		var err error
		if rd, err = json.Marshal(body); err != nil {
			l.t.Fatal(err)
		}
	}
	code, b := l.raw(method, path, rd)
	if code != want {
		l.t.Fatalf("%s %s: %d, want %d: %s", method, path, code, want, b)
	}
	return b
}

// raw asks once and returns what was answered.
func (l *liveDaemon) raw(method, path string, body []byte) (int, []byte) {
	l.t.Helper()
	url := l.url
	if l.handler != nil {
		url = "http://127.0.0.1:8374"
	}
	req, err := http.NewRequestWithContext(l.t.Context(), method, url+path, bytes.NewReader(body))
	if err != nil {
		l.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	if l.handler != nil {
		req.RemoteAddr = "127.0.0.1:40000"
		rec := httptest.NewRecorder()
		here := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8374}
		l.handler.ServeHTTP(rec, req.WithContext(context.WithValue(req.Context(), http.LocalAddrContextKey, here)))
		return rec.Code, rec.Body.Bytes()
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		l.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		l.t.Fatal(err)
	}
	return resp.StatusCode, b
}

func (l *liveDaemon) post(path string, body any) string {
	l.t.Helper()
	var out struct{ ID string }
	if err := json.Unmarshal(l.do("POST", path, body, http.StatusCreated), &out); err != nil {
		l.t.Fatal(err)
	}
	return out.ID
}

func (l *liveDaemon) push(rs []web.PushReading) {
	l.t.Helper()
	var out web.PushResult
	if err := json.Unmarshal(l.do("POST", "/api/v1/readings", rs, http.StatusAccepted), &out); err != nil {
		l.t.Fatal(err)
	}
	if out.Taken != len(rs) {
		l.t.Fatalf("%d of %d readings taken: %+v", out.Taken, len(rs), out.Refused)
	}
}

func (l *liveDaemon) coats() []web.CoatView {
	l.t.Helper()
	var out struct{ Coats []web.CoatView }
	if err := json.Unmarshal(l.do("GET", "/api/v1/coats", nil, http.StatusOK), &out); err != nil {
		l.t.Fatal(err)
	}
	return out.Coats
}

func noLog() *slog.Logger { return slog.New(slog.DiscardHandler) }

// A day planned over the API, from the same keys as a job file has.
func TestPlanOverTheAPI(t *testing.T) {
	now := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	live := newLiveDaemon(t, t.TempDir(), now)
	var rs []web.PushReading
	for i := range 120 {
		at, c := now.Add(time.Duration(i-120)*time.Minute), 17.0
		rs = append(rs, web.PushReading{Probe: "shed-air", Time: &at, TempC: &c})
	}
	live.push(rs)
	steps := []map[string]any{
		{"id": "tack", "panel": "lid", "do": "coat", "coat": "t", "when": "start", "work_minutes": 15},
		{"id": "aramid", "panel": "lid", "do": "cloth", "cloth": "aramid 170 twill", "when": "tacky", "of": "tack", "work_minutes": 20},
	}
	body := map[string]any{
		"panel": []map[string]any{{"id": "lid", "core": "foam", "area_m2": 1.4, "probe": nil}},
		"coat":  []map[string]any{{"id": "t", "panel": "lid", "resin": "medium", "kind": "tack coat"}},
		"step":  steps,
		"day":   map[string]any{"start": now.Format(time.RFC3339), "hours": []string{"08:00-20:00"}, "people": 1, "low_c": 6},
	}
	var got struct {
		Feasible bool
		Steps    []struct {
			Step string
			At   time.Time
		}
	}
	if err := json.Unmarshal(live.do("POST", "/api/v1/plan", body, http.StatusOK), &got); err != nil {
		t.Fatal(err)
	}
	// A medium epoxy at 17 °C is tacky after about 2.9 h: between the 2.25 h at
	// 20 °C and the 3.37 h at 15 °C of the rate law's steady table.
	if !got.Feasible || len(got.Steps) != 2 || got.Steps[1].At.Sub(got.Steps[0].At) < 2*time.Hour || got.Steps[1].At.Sub(got.Steps[0].At) > 5*time.Hour {
		t.Errorf("plan: %+v", got)
	}
	// The day goes differently: the tack coat goes on two hours late. Planned
	// anew it counts as done, and the cloth follows it.
	late := now.Add(2 * time.Hour)
	live.clk.Put(late.Add(10 * time.Minute))
	live.post("/api/v1/panels", map[string]any{"id": "lid", "core": "foam"})
	live.post("/api/v1/coats", map[string]any{"panel": "lid", "resin": "medium", "kind": "tack coat", "applied": late})
	var again struct {
		Steps []struct {
			Step string
			At   time.Time
			Done bool
		}
	}
	if err := json.Unmarshal(live.do("POST", "/api/v1/plan", body, http.StatusOK), &again); err != nil {
		t.Fatal(err)
	}
	if len(again.Steps) != 2 || !again.Steps[0].Done || again.Steps[1].Done || again.Steps[1].At.Sub(late) < 2*time.Hour {
		t.Errorf("planned anew: %+v", again)
	}
	steps[1]["cloth"] = "tweed 170"
	if b := live.do("POST", "/api/v1/plan", body, http.StatusBadRequest); !bytes.Contains(b, []byte("tweed")) {
		t.Errorf("an unknown cloth: %s", b)
	}
}
