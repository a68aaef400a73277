// SPDX-License-Identifier: Apache-2.0

package influx

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"reflect"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	lp "github.com/influxdata/line-protocol"

	"curewright/history"
	"curewright/model/tomlfile"
	"curewright/sensors"

	"curewright/internal/realpart"
)

// logged is a log that a test reads.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// must ends the test at an error.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func (l *logged) log() *slog.Logger { return slog.New(slog.NewTextHandler(l, nil)) }

func open(t *testing.T) *history.Store {
	t.Helper()
	s, err := history.Open(t.TempDir(), history.Options{})
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

// received is a server of the v2 write path that keeps the lines it took.
type received struct {
	*httptest.Server
	mu     sync.Mutex
	lines  []string
	auth   string
	query  url.Values
	posts  int
	answer func(lines []string) (code int, body string) // nil or 0: takes them
}

func serve(t *testing.T) *received {
	r := &received{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body := io.Reader(q.Body)
		if q.Header.Get("Content-Encoding") == "gzip" {
			z, err := gzip.NewReader(q.Body)
			if err != nil {
				http.Error(w, err.Error(), 400)
				return
			}
			body = z
		}
		b, err := io.ReadAll(body)
		if err != nil || q.URL.Path != "/api/v2/write" {
			http.Error(w, fmt.Sprint(q.URL.Path, err), 404)
			return
		}
		lines := strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
		r.mu.Lock()
		defer r.mu.Unlock()
		r.posts++
		r.auth, r.query = q.Header.Get("Authorization"), q.URL.Query()
		if r.answer != nil {
			if code, text := r.answer(lines); code != 0 {
				w.Header().Set("Content-Type", "application/json")
				w.WriteHeader(code)
				io.WriteString(w, text)
				return
			}
		}
		r.lines = append(r.lines, lines...)
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *received) got() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.lines)
}

func newSender(t *testing.T, o Options) *Sender {
	t.Helper()
	if o.MinPause == 0 {
		o.MinPause = time.Millisecond
	}
	if o.Every == 0 {
		o.Every = sensors.Duration(time.Second)
	}
	if o.Rate == 0 {
		o.Rate = 1_000_000
	}
	s, err := New(o)
	must(t, err)
	return s
}

// parse reads lines by InfluxData's own parser.
func parse(t *testing.T, lines []string) []lp.Metric {
	t.Helper()
	ms, err := lp.NewParser(lp.NewMetricHandler()).Parse([]byte(strings.Join(lines, "\n") + "\n"))
	if err != nil {
		t.Fatalf("InfluxData's parser: %v", err)
	}
	return ms
}

func tagsOf(m lp.Metric) map[string]string {
	out := map[string]string{}
	for _, t := range m.TagList() {
		out[t.Key] = t.Value
	}
	return out
}

func fieldsOf(m lp.Metric) map[string]any {
	out := map[string]any{}
	for _, f := range m.FieldList() {
		out[f.Key] = f.Value
	}
	return out
}

// fixed hands out points once.
type fixed []Point

func (fixed) Name() string { return "fixed" }
func (f fixed) Next(_ context.Context, c history.Cursor, limit int) ([]Point, history.Cursor, error) {
	from := min(int(c), len(f))
	to := min(from+limit, len(f))
	return f[from:to], history.Cursor(to), nil
}

// Every line of every source, whatever names people choose, is read back by
// InfluxData's own parser (github.com/influxdata/line-protocol) as what was
// meant.
func TestLineProtocol(t *testing.T) {
	at := time.Date(2026, 10, 10, 9, 40, 0, 123456789, time.UTC)
	srv := serve(t)
	text := "Feel the fill coat, now: \"sticks\" = tacky \\ lifts clean ~ 18.5 °C"
	ps := fixed{
		{Measurement: MReading, Tags: map[string]string{"probe": "panel-1"}, Fields: map[string]any{"temp_c": 18.0625, "rh_pct": 61.25}, At: at},
		{Measurement: MReading, Tags: map[string]string{"probe": "panel-1"}, Fields: map[string]any{"temp_c": -0.0025}, At: at.Add(1)},
		{Measurement: MEvent, Tags: map[string]string{"kind": "alert", "subject": "lid, outer = \"A\" ü"}, Fields: map[string]any{"text": text, "n": int64(1)}, At: at},
		{Measurement: MEvent, Tags: map[string]string{"kind": "a\\b\nc\\", "subject": ""}, Fields: map[string]any{"text": ""}, At: at},
	}
	s := newSender(t, Options{Section: Section{URL: srv.URL, Org: "club", Bucket: "shed", Site: "boat shed", Labels: map[string]string{"yard": "north bank"}},
		Token: "not-a-secret", Cursors: open(t), Sources: []Source{ps}})
	must(t, s.Drain(t.Context()))
	if srv.auth != "Token not-a-secret" || srv.query.Get("org") != "club" || srv.query.Get("bucket") != "shed" || srv.query.Get("precision") != "ns" {
		t.Errorf("asked with %q and %v", srv.auth, srv.query)
	}
	ms := parse(t, srv.got())
	if len(ms) != len(ps) {
		t.Fatalf("%d lines read back, want %d", len(ms), len(ps))
	}
	for i, want := range []struct {
		tags   map[string]string
		fields map[string]any
	}{
		{map[string]string{"probe": "panel-1"}, map[string]any{"temp_c": 18.0625, "rh_pct": 61.25}},
		{map[string]string{"probe": "panel-1"}, map[string]any{"temp_c": -0.0025}},
		{map[string]string{"kind": "alert", "subject": "lid, outer = \"A\" ü"}, map[string]any{"text": text, "n": int64(1)}},
		{map[string]string{"kind": "a/b c/"}, map[string]any{"text": ""}},
	} {
		want.tags["site"], want.tags["yard"] = "boat shed", "north bank"
		m := ms[i]
		if m.Name() != ps[i].Measurement || !m.Time().Equal(ps[i].At) {
			t.Errorf("line %d: %s at %v, want %s at %v", i, m.Name(), m.Time(), ps[i].Measurement, ps[i].At)
		}
		if got := tagsOf(m); !maps.Equal(got, want.tags) {
			t.Errorf("line %d: tags %v, want %v", i, got, want.tags)
		}
		if got := fieldsOf(m); !reflect.DeepEqual(got, want.fields) {
			t.Errorf("line %d: fields %v, want %v", i, got, want.fields)
		}
	}
}

// cureOfTwo is a made-up cure.
type cureOfTwo struct{ first time.Time }

func (c cureOfTwo) Applied(context.Context) (map[string]time.Time, error) {
	return map[string]time.Time{"tack": c.first, "fill": c.first.Add(time.Hour)}, nil
}
func (c cureOfTwo) Points(_ context.Context, from, to time.Time, step time.Duration) ([]CurePoint, error) {
	var out []CurePoint
	for at := from.Add(step); !at.After(to); at = at.Add(step) {
		x := 0.5
		out = append(out, CurePoint{Coat: "tack", Panel: "lid", At: at, Alpha: &[3]float64{0.1, 0.2, 0.3}, TgC: &x, State: "tacky"},
			CurePoint{Coat: "fill", Panel: "lid", At: at, State: "unknown"})
	}
	return out, nil
}

// All that the daemon has: readings, events, the work and the cure, each once
// and in its order.
func TestSources(t *testing.T) {
	now := time.Date(2026, 10, 12, 9, 3, 20, 0, time.UTC)
	st, err := history.Open(t.TempDir(), history.Options{Now: func() time.Time { return now }})
	must(t, err)
	defer st.Close()
	for i := range 10 {
		st.Append([]sensors.Reading{{Probe: "shed-air", At: now.Add(time.Duration(i) * time.Second), Temp: sensors.Some(float64(i)), RH: sensors.Some(50)}})
		st.AddEvent("clock", "", fmt.Sprint("event ", i), now.Add(time.Duration(i)*time.Millisecond), "curewright")
		if _, _, err := st.CreateWork(t.Context(), "panel", fmt.Sprint("lid-", i), []byte(`{}`), "helper", now, ""); err != nil {
			t.Fatal(err)
		}
	}
	srv := serve(t)
	first := now.Add(-49 * time.Hour)
	clock := func() time.Time { return now }
	s := newSender(t, Options{Section: Section{URL: srv.URL, Bucket: "b", Batch: 3}, Cursors: st, Now: clock,
		Sources: []Source{Readings(st), Events(st, clock), Work(st), Cure(cureOfTwo{first}, clock, 0)}})
	must(t, s.Drain(t.Context()))
	by := map[string][]lp.Metric{}
	for _, m := range parse(t, srv.got()) {
		by[m.Name()] = append(by[m.Name()], m)
	}
	for i := range 10 {
		if m := by[MReading][i]; fieldsOf(m)["temp_c"] != float64(i) || fieldsOf(m)["co2_ppm"] != nil || tagsOf(m)["probe"] != "shed-air" {
			t.Errorf("reading %d: %v", i, m)
		}
		if m := by[MEvent][i]; fieldsOf(m)["text"] != fmt.Sprint("event ", i) {
			t.Errorf("event %d: %v", i, m)
		}
		if m := by[MWork][i]; fieldsOf(m)["id"] != fmt.Sprint("lid-", i) || fieldsOf(m)["by"] != "helper" || tagsOf(m)["kind"] != "panel" {
			t.Errorf("work %d: %v", i, m)
		}
	}
	// 49 h of five minutes, from the first grid point after the first coat.
	if got, want := len(by[MCure]), 49*12; got != want {
		t.Errorf("%d points of cure, want %d", got, want)
	}
	for i, m := range by[MCure] {
		want := first.Truncate(5 * time.Minute).Add(time.Duration(i+1) * 5 * time.Minute)
		if !m.Time().Equal(want) || fieldsOf(m)["alpha_p50"] != 0.2 || fieldsOf(m)["state"] != "tacky" || fieldsOf(m)["temp_c"] != nil {
			t.Fatalf("cure %d: %v at %v, want %v", i, m, m.Time(), want)
		}
	}
	if len(by[MReading]) != 10 || len(by[MEvent]) != 10 || len(by[MWork]) != 10 {
		t.Errorf("%d readings, %d events, %d changes, want ten of each", len(by[MReading]), len(by[MEvent]), len(by[MWork]))
	}

	// Nothing new: nothing is sent. The clock is set back: what is logged then
	// still goes out.
	n := len(srv.got())
	if err := s.Drain(t.Context()); err != nil || len(srv.got()) != n {
		t.Errorf("sent %d points again, %v", len(srv.got())-n, err)
	}
	now = now.Add(-24 * time.Hour)
	st.AddEvent("clock", "", "set back", now.Add(time.Second), "")
	if err := s.Drain(t.Context()); err != nil || !strings.Contains(strings.Join(srv.got()[n:], "\n"), `text="set back"`) {
		t.Errorf("after the clock was set back: %q, %v", srv.got()[n:], err)
	}
}

// lateCoats are put on at times that are entered later.
type lateCoats struct{ applied map[string]time.Time }

func (c lateCoats) Applied(context.Context) (map[string]time.Time, error) { return c.applied, nil }
func (c lateCoats) Points(_ context.Context, from, to time.Time, step time.Duration) ([]CurePoint, error) {
	var out []CurePoint
	for at := from.Add(step); !at.After(to); at = at.Add(step) {
		for id, applied := range c.applied {
			if !at.Before(applied) {
				out = append(out, CurePoint{Coat: id, Panel: "lid", At: at, TgC: new(float64)})
			}
		}
	}
	return out, nil
}

// A coat that is entered an hour after it was rolled on has its whole cure
// sent, also where the grid was already past it.
func TestCureOfLateEntry(t *testing.T) {
	now := time.Date(2026, 10, 12, 9, 0, 0, 0, time.UTC)
	coats := lateCoats{map[string]time.Time{}}
	src := Cure(coats, func() time.Time { return now }, 5*time.Minute)
	got := map[string]int{}
	var c history.Cursor
	drain := func() {
		t.Helper()
		for range 100 {
			ps, next, err := src.Next(t.Context(), c, 1000)
			must(t, err)
			for _, p := range ps {
				got[p.Tags["coat"]+" "+p.At.Format("15:04")]++
			}
			if next == c {
				return
			}
			c = next
		}
		t.Fatal("no end")
	}
	drain()
	now = now.Add(2 * time.Hour)
	drain()
	if len(got) != 0 {
		t.Errorf("points without a coat: %v", got)
	}
	coats.applied["tack"] = now.Add(-time.Hour)
	drain()
	drain()
	if len(got) != 12 || got["tack 10:05"] != 1 || got["tack 11:00"] != 1 {
		t.Errorf("got %v, want 12 points after 10:00 to 11:00, once each", got)
	}
	// A start anew sends nothing again.
	src = Cure(coats, func() time.Time { return now }, 5*time.Minute)
	drain()
	if len(got) != 12 || got["tack 10:30"] != 1 {
		t.Errorf("after a start anew: %v", got)
	}
}

// A point that the server refuses is passed over, counted and said; the rest
// of its batch gets there, once, in order.
func TestRejectedPoint(t *testing.T) {
	st := open(t)
	base := time.Now().Truncate(time.Second).Add(-time.Hour)
	bad := map[int]bool{0: true, 7: true, 8: true, 39: true}
	for i := range 40 {
		x := 20.0
		if bad[i] {
			x = 66
		}
		st.Append([]sensors.Reading{{Probe: "panel-1", At: base.Add(time.Duration(i) * time.Second), Temp: sensors.Some(x)}})
	}
	srv := serve(t)
	srv.answer = func(lines []string) (int, string) {
		for _, l := range lines {
			if strings.Contains(l, "temp_c=66") {
				return 400, `{"code":"invalid","message":"partial write: field type conflict"}`
			}
		}
		return 0, ""
	}
	out := &logged{}
	s := newSender(t, Options{Section: Section{URL: srv.URL, Bucket: "b", Batch: 16}, Cursors: st, Sources: []Source{Readings(st)}, Log: out.log()})
	must(t, s.Drain(t.Context()))
	var got []int
	for _, m := range parse(t, srv.got()) {
		if m.Name() == MReading {
			got = append(got, int(m.Time().Sub(base)/time.Second))
		}
	}
	var want []int
	for i := range 40 {
		if !bad[i] {
			want = append(want, i)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if s.Status().Rejected != 4 || s.Status().FailingSince != (time.Time{}) {
		t.Errorf("status %+v, want 4 rejected", s.Status())
	}
	if text := out.String(); strings.Count(text, "refuses a point") != 1 || !strings.Contains(text, "probe=panel-1") || !strings.Contains(text, "field type conflict") {
		t.Errorf("said\n%s\nwant one line with the point and why", text)
	}
	if st.Cursor("influx") != st.End() {
		t.Errorf("cursor %v, want the end, %v", st.Cursor("influx"), st.End())
	}
}

// A server that refuses everything is set up wrongly: nothing is dropped.
func TestRefusesEverything(t *testing.T) {
	st := open(t)
	for i := range 10 {
		st.Append([]sensors.Reading{{Probe: "a", At: time.Now().Add(time.Duration(i) * time.Second), Temp: sensors.Some(20)}})
	}
	srv := serve(t)
	srv.answer = func([]string) (int, string) {
		return 400, `{"code":"invalid","message":"no such precision"}`
	}
	s := newSender(t, Options{Section: Section{URL: srv.URL, Bucket: "b"}, Cursors: st, Sources: []Source{Readings(st)}})
	if err := s.Drain(t.Context()); err == nil || !strings.Contains(err.Error(), "refuses everything") {
		t.Errorf("got %v", err)
	}
	if c := st.Cursor("influx"); c != 0 || s.Status().Rejected != 0 {
		t.Errorf("passed to %v, %d rejected: the history would be lost", c, s.Status().Rejected)
	}
	srv.mu.Lock()
	srv.answer = nil
	srv.mu.Unlock()
	if err := s.Drain(t.Context()); err != nil || len(srv.got()) != 10 {
		t.Errorf("once it takes them: %v, %d points, want 10", err, len(srv.got()))
	}
}

// until polls for what takes a moment.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for range 1200 {
		if ok() {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	t.Fatalf("never: %s", what)
}

// Wrong credentials and an unknown host are said once, counted, and never end
// the sender; the token is not in the log.
func TestTroubleIsSaidOnce(t *testing.T) {
	denied := serve(t)
	denied.answer = func([]string) (int, string) { return 401, `{"code":"unauthorized","message":"unauthorized access"}` }
	for _, c := range []struct{ url, want string }{
		{denied.URL, "refuses the token"},
		// RFC 6761, 6.4: a name in .invalid never resolves.
		{"http://nowhere.invalid:8086", "nowhere.invalid"},
	} {
		out := &logged{}
		st := open(t)
		st.Append([]sensors.Reading{{Probe: "a", At: time.Now(), Temp: sensors.Some(20)}})
		o := Options{Section: Section{URL: strings.Replace(c.url, "http://nowhere", "https://nowhere", 1), Bucket: "b"}, Token: "s3cret-token", Cursors: st, Sources: []Source{Readings(st)}, Log: out.log()}
		s := newSender(t, o)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		until(t, "three tries", func() bool { return s.Status().Failures >= 3 })
		cancel()
		if err := <-done; err != context.Canceled {
			t.Errorf("ended with %v", err)
		}
		text := out.String()
		if strings.Count(text, "level=WARN") != 1 || !strings.Contains(text, c.want) || strings.Contains(text, "s3cret") {
			t.Errorf("said\n%s\nwant one line with %q and no token", text, c.want)
		}
		if st.Cursor("influx") != 0 || s.Status().FailingSince.IsZero() || s.Status().Err == "" {
			t.Errorf("status %+v", s.Status())
		}
	}
}

// A connection that breaks again and again, each time after a batch, still
// brings everything there: what is repeated for safety never eats the way
// gained.
func TestBadLinkGetsOn(t *testing.T) {
	st := open(t)
	base := time.Now().Truncate(time.Second).Add(-time.Hour)
	const n = 200
	for i := range n {
		st.Append([]sensors.Reading{{Probe: "a", At: base.Add(time.Duration(i) * time.Second), Temp: sensors.Some(20)}})
	}
	srv := serve(t)
	posts := 0
	srv.answer = func([]string) (int, string) {
		if posts++; posts%3 == 0 {
			return 503, `{"code":"unavailable","message":"busy"}`
		}
		return 0, ""
	}
	s := newSender(t, Options{Section: Section{URL: srv.URL, Bucket: "b", Batch: 10}, Cursors: st, Sources: []Source{Readings(st)}})
	tries := 0
	for ; tries < 500 && s.Drain(t.Context()) != nil; tries++ {
	}
	seen := map[int64]int{}
	for _, m := range parse(t, srv.got()) {
		seen[m.Time().Unix()]++
	}
	if len(seen) != n {
		t.Errorf("%d different points after %d breaks, want %d", len(seen), tries, n)
	}
	if st.Cursor("influx") != st.End() {
		t.Errorf("stopped at %v of %v", st.Cursor("influx"), st.End())
	}
	t.Logf("%d breaks, %d points sent for %d", tries, len(srv.got()), n)
}

// What was acknowledged just before the connection broke is sent again.
func TestRepeatsAfterBreak(t *testing.T) {
	for _, c := range []struct {
		repeat time.Duration
		want   int
	}{{30 * time.Second, 2}, {0, 1}} {
		st := open(t)
		st.Append([]sensors.Reading{{Probe: "a", At: time.Now(), Temp: sensors.Some(20)}})
		srv := serve(t)
		rep := sensors.Duration(c.repeat)
		s := newSender(t, Options{Section: Section{URL: srv.URL, Bucket: "b", Repeat: &rep}, Cursors: st, Sources: []Source{Readings(st)}})
		must(t, s.Drain(t.Context()))
		srv.mu.Lock()
		srv.answer = func([]string) (int, string) { return 502, "" }
		srv.mu.Unlock()
		st.Append([]sensors.Reading{{Probe: "b", At: time.Now(), Temp: sensors.Some(20)}})
		if err := s.Drain(t.Context()); err == nil {
			t.Fatal("a 502 was taken as success")
		}
		srv.mu.Lock()
		srv.answer = nil
		srv.mu.Unlock()
		must(t, s.Drain(t.Context()))
		if got := strings.Count(strings.Join(srv.got(), "\n"), "probe=a"); got != c.want {
			t.Errorf("repeat %v: the first reading came %d times, want %d", c.repeat, got, c.want)
		}
	}
}

func TestCheck(t *testing.T) {
	var c struct {
		Influx Section `toml:"influx"`
	}
	f, faults := tomlfile.Decode([]byte(`[influx]
url = "http://user:pw@metrics.example.org/x?db=1"
token_file = "a"
token_env = "B"
batch = -1
rate = 1
every = "10ms"
cure_every = "2h"
timeout = "1ms"
repeat = "-1s"
site = "a\nb"
external_labels = { probe = "x", "1a" = "x", b = "" }
`), &c)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	got := c.Influx.Check(f).Lines("f")
	want := []string{
		"f:2:1: influx.url: carries a password", "f:2:1: influx.url: only scheme", "f:2:1: influx.url: would send the token in the clear",
		"f:1:2: influx.bucket: required", "f:4:1: influx.token_env: given beside", "f:5:1: influx.batch: -1", "f:6:1: influx.rate: 1 is not",
		"f:7:1: influx.every: 10ms", "f:8:1: influx.cure_every: 2h0m0s", "f:9:1: influx.timeout: 1ms", "f:10:1: influx.repeat: -1s", "f:11:1: influx.site",
		"influx.external_labels.probe: \"probe\" is a tag", "influx.external_labels.1a", "influx.external_labels.b",
	}
	for _, w := range want {
		if !slices.ContainsFunc(got, func(g string) bool { return strings.Contains(g, w) }) {
			t.Errorf("no fault %q in\n%s", w, strings.Join(got, "\n"))
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d faults, want %d:\n%s", len(got), len(want), strings.Join(got, "\n"))
	}
	for _, far := range []string{"http://metrics.example.org", "http://127.example.org", "http://8.8.8.8:8086"} {
		if got := (Section{URL: far, Bucket: "b", TokenFile: "x"}).Check(nil).Lines("f"); len(got) != 1 || !strings.Contains(got[0], "token in the clear") {
			t.Errorf("%s: %q, want one fault: a token in the clear", far, got)
		}
	}
	for _, good := range []Section{{}, {URL: "http://localhost:8428", Bucket: "b", TokenFile: "x"}, {URL: "http://[::1]:8428", Bucket: "b", TokenFile: "x"}, {URL: "http://127.0.0.1:8428", Bucket: "b", TokenFile: "x"}, {URL: "http://metrics:8086", Bucket: "b", TokenFile: "x"},
		{URL: "http://192.168.4.2:8086", Bucket: "b", TokenFile: "x"}, {URL: "https://metrics.example.org", Bucket: "b", TokenFile: "x", Labels: map[string]string{"yard": "north"}}} {
		if faults := good.Check(nil); len(faults) > 0 {
			t.Errorf("%+v: %v", good, faults)
		}
	}
}

// victoria is a real server on a loopback port that can be killed and revived
// over the same data.
type victoria struct {
	t    *testing.T
	bin  string
	addr string
	dir  string
	cmd  *exec.Cmd
	out  bytes.Buffer
}

func (v *victoria) url() string { return "http://" + v.addr }

func (v *victoria) start() {
	v.t.Helper()
	v.out.Reset()
	// With the interval of deduplication at one millisecond it holds what has
	// the same time and tags once, as InfluxDB does by itself.
	v.cmd = exec.Command(v.bin, "-storageDataPath="+v.dir, "-httpListenAddr="+v.addr, "-dedup.minScrapeInterval=1ms", "-memory.allowedBytes=64MB", "-retentionPeriod=1")
	v.cmd.Stdout, v.cmd.Stderr = &v.out, &v.out
	v.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := v.cmd.Start(); err != nil {
		v.t.Fatal(err)
	}
	for range 400 {
		if res, err := http.Get(v.url() + "/health"); err == nil {
			res.Body.Close()
			if res.StatusCode == 200 {
				return
			}
		}
		time.Sleep(25 * time.Millisecond)
	}
	v.t.Fatalf("victoria-metrics does not start:\n%s", v.out.String())
}

func (v *victoria) kill(sig syscall.Signal) {
	v.cmd.Process.Signal(sig)
	v.cmd.Wait()
}

// export reads back every value of a measurement, by field, tag and time in ms.
func (v *victoria) export(match string) map[string]map[int64]float64 {
	v.t.Helper()
	q := url.Values{"match[]": {match}, "start": {"0"}}
	res, err := http.Get(v.url() + "/api/v1/export?" + q.Encode())
	if err != nil {
		v.t.Fatal(err)
	}
	defer res.Body.Close()
	out := map[string]map[int64]float64{}
	sc := bufio.NewScanner(res.Body)
	sc.Buffer(nil, 64<<20)
	for sc.Scan() {
		var row struct {
			Metric     map[string]string `json:"metric"`
			Values     []float64         `json:"values"`
			Timestamps []int64           `json:"timestamps"`
		}
		if err := json.Unmarshal(sc.Bytes(), &row); err != nil {
			v.t.Fatalf("export: %v: %.200s", err, sc.Text())
		}
		if row.Metric["site"] != "boat shed" || row.Metric["yard"] != "north" {
			v.t.Errorf("labels %v", row.Metric)
		}
		k := row.Metric["probe"] + " " + row.Metric["__name__"]
		if out[k] == nil {
			out[k] = map[int64]float64{}
		}
		for i, ts := range row.Timestamps {
			if _, twice := out[k][ts]; twice {
				v.t.Errorf("%s: %d is there twice", k, ts)
			}
			out[k][ts] = row.Values[i]
		}
	}
	if err := sc.Err(); err != nil {
		v.t.Fatal(err)
	}
	return out
}

// The history drains into a real victoria-metrics that is killed twice, once
// without warning, while readings keep coming: its export then equals the
// history point by point.
func TestVictoriaMetrics(t *testing.T) {
	v := &victoria{t: t, bin: realpart.Program(t, "victoria-metrics"), dir: t.TempDir()}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	v.addr = l.Addr().String()
	l.Close()
	v.start()
	t.Cleanup(func() { v.kill(syscall.SIGTERM) })

	st := open(t)
	const probes = 4
	// Two days of an outage that ended now: every ten seconds, four probes.
	at := time.Now().Truncate(time.Second).Add(-48 * time.Hour)
	var mu sync.Mutex
	step := func(n int) {
		mu.Lock()
		defer mu.Unlock()
		for range n {
			var rs []sensors.Reading
			for p := range probes {
				r := sensors.Reading{Probe: fmt.Sprint("probe-", p), At: at.Add(time.Duration(p) * time.Millisecond),
					Temp: sensors.Some(15 + 5*math.Sin(float64(at.Unix())/1e4) + float64(p))}
				if p%2 == 0 {
					r.RH = sensors.Some(60 + 10*math.Cos(float64(at.Unix())/1e4))
				}
				if at.Unix()%70 != 0 || p != 1 { // a gap of its own
					rs = append(rs, r)
				}
			}
			st.Append(rs)
			at = at.Add(10 * time.Second)
		}
	}
	step(10_000)
	s := newSender(t, Options{Section: Section{URL: v.url(), Org: "club", Bucket: "shed", Site: "boat shed", Labels: map[string]string{"yard": "north"},
		Batch: 500, Rate: 100_000, Every: sensors.Duration(time.Second)}, Cursors: st, Sources: []Source{Readings(st)}, MinPause: 50 * time.Millisecond})
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { s.Run(ctx) })
	defer wg.Wait()
	defer cancel()
	wg.Go(func() { // the load goes on through all of it
		for range 140 {
			step(30)
			select {
			case <-ctx.Done():
				return
			case <-time.After(20 * time.Millisecond):
			}
		}
	})

	sent := func() uint64 { return s.Status().Sent }
	until(t, "a part sent", func() bool { return sent() > 8000 })
	v.kill(syscall.SIGKILL)
	until(t, "the outage noticed", func() bool { return !s.Status().FailingSince.IsZero() })
	v.start()
	n := sent()
	until(t, "more sent", func() bool { return sent() > n+8000 })
	v.kill(syscall.SIGTERM)
	until(t, "the outage noticed", func() bool { return s.Status().Failures > 1 && !s.Status().FailingSince.IsZero() })
	v.start()
	until(t, "all sent", func() bool {
		mu.Lock()
		defer mu.Unlock()
		return at.After(time.Now().Add(-48*time.Hour+139*300*time.Second)) && st.Cursor("influx") == st.End()
	})
	cancel()
	wg.Wait()
	must(t, s.Drain(t.Context()))

	want := map[string]map[int64]float64{}
	points := 0
	for p := range probes {
		probe := fmt.Sprint("probe-", p)
		for r, err := range st.Readings(probe, time.Time{}, time.Time{}) {
			must(t, err)
			for field, x := range map[string]sensors.Value{"temp_c": r.Temp, "rh_pct": r.RH, "co2_ppm": r.CO2} {
				if y, ok := x.Get(); ok {
					k := probe + " " + MReading + "_" + field
					if want[k] == nil {
						want[k] = map[int64]float64{}
					}
					want[k][r.At.UnixMilli()] = y
					points++
				}
			}
		}
	}
	// What came last is searchable within a second or so.
	var got map[string]map[int64]float64
	for range 40 {
		got = v.export(`{__name__=~"curewright_reading_.*"}`)
		n := 0
		for _, m := range got {
			n += len(m)
		}
		if n >= points {
			break
		}
		time.Sleep(250 * time.Millisecond)
	}
	if !maps.EqualFunc(got, want, maps.Equal[map[int64]float64, map[int64]float64]) {
		for k := range want {
			lost, other := 0, 0
			for ts, x := range want[k] {
				if y, ok := got[k][ts]; !ok {
					lost++
				} else if x != y {
					other++
				}
			}
			t.Errorf("%s: %d of %d points are lost, %d differ, %d are there", k, lost, len(want[k]), other, len(got[k]))
		}
	}
	t.Logf("%d values of %d readings; %d points sent, %d failures", points, st.End(), s.Status().Sent, s.Status().Failures)
}

// A sender is made from the section, what it reads and where it keeps its
// place.
func Example() {
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		z, _ := gzip.NewReader(r.Body)
		io.Copy(os.Stdout, z)
		w.WriteHeader(http.StatusNoContent)
	}))
	defer srv.Close()
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	store, err := history.Open(dir, history.Options{})
	if err != nil {
		panic(err)
	}
	defer store.Close()
	store.Append([]sensors.Reading{{Probe: "shed-air", At: time.Unix(1791621600, 0), Temp: sensors.Some(17.5), RH: sensors.Some(64)}})
	s, err := New(Options{Section: Section{URL: srv.URL, Org: "club", Bucket: "shed", Site: "boat shed"}, Cursors: store, Sources: []Source{Readings(store)}})
	if err != nil {
		panic(err)
	}
	if err := s.Drain(context.Background()); err != nil {
		panic(err)
	}
	// Output: curewright_reading,probe=shed-air,site=boat\ shed rh_pct=64,temp_c=17.5 1791621600000000000
}
