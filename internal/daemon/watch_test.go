package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
)

// syncBuffer is standard output that a test reads while the command runs.
type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

var opened = regexp.MustCompile(`Open (http://\S+?)/?\n`)

// startWatch runs `curewright watch` whole, as a person would, and returns
// the address it prints. stop ends it and returns its exit code.
func startWatch(t *testing.T, args ...string) (url string, out *syncBuffer, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, errw := &syncBuffer{}, &syncBuffer{}
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, append([]string{"watch"}, args...), strings.NewReader(""), out, errw)
	}()
	var code *int
	stop = func() int {
		cancel()
		if code == nil {
			c := <-done
			code = &c
		}
		return *code
	}
	t.Cleanup(func() { stop() })
	for range 600 {
		if m := opened.FindStringSubmatch(out.String()); m != nil {
			return m[1], out, stop
		}
		select {
		case c := <-done:
			code = &c
			t.Fatalf("stopped at once with exit %d\n%s", c, errw.String())
		case <-time.After(50 * time.Millisecond):
		}
	}
	t.Fatalf("never listened\n%s", errw.String())
	return "", nil, nil
}

func get(t *testing.T, url string, v any) {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %d: %s", url, resp.StatusCode, b)
	}
	if v != nil {
		if err := json.Unmarshal(b, v); err != nil {
			t.Fatalf("GET %s: %v: %s", url, err, b)
		}
	}
}

// until polls for what takes the daemon a moment.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for range 400 {
		if ok() {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("never: %s", what)
}

// w1Tree makes a tree like the kernel's with one DS18B20 at 25.0625 °C: the
// scratchpad 0191 of the data sheet's temperature table (DS18B20, 19-7487
// Rev 6, Table 1), in w1_therm's form.
func w1Tree(t *testing.T) (root, slave string) {
	t.Helper()
	root = t.TempDir()
	dir := filepath.Join(root, "28-0316a2795d1f")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	slave = filepath.Join(dir, "w1_slave")
	pad := []byte{0x91, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10}
	crc := byte(0)
	for _, b := range pad {
		crc ^= b
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0x8c
			} else {
				crc >>= 1
			}
		}
	}
	hex := ""
	for _, b := range append(pad, crc) {
		hex += fmt.Sprintf("%02x ", b)
	}
	if err := os.WriteFile(slave, []byte(fmt.Sprintf("%s: crc=%02x YES\n%st=25062\n", hex, crc, hex)), 0o600); err != nil {
		t.Fatal(err)
	}
	return root, slave
}

// A board without configuration: the probe on its wires is found, polled and
// shown; unplugged, it is missing and never a number.
func TestWatchFindsProbe(t *testing.T) {
	root, slave := w1Tree(t)
	t.Setenv(w1Env, root)
	if out := cmdOK(t, "probes"); !strings.Contains(out, "ds18b20") || !strings.Contains(out, "25.1 °C") {
		t.Errorf("probes does not list it:\n%s", out)
	}
	url, _, stop := startWatch(t, "--data", t.TempDir(), "--listen", "127.0.0.1:0")
	var snap web.Snapshot
	until(t, "a reading of the probe", func() bool {
		get(t, url+"/api/v1/snapshot", &snap)
		return len(snap.Probes) == 1 && snap.Probes[0].State == "ok"
	})
	if p := snap.Probes[0]; p.Driver != "ds18b20" || !p.Wired {
		t.Errorf("probe is %+v", p)
	}
	var rs struct {
		Readings []struct {
			TempC *float64 `json:"temp_c"`
			RH    *float64 `json:"rh_pct"`
		}
	}
	get(t, url+"/api/v1/readings?probe="+snap.Probes[0].Probe, &rs)
	if len(rs.Readings) == 0 || rs.Readings[0].TempC == nil || *rs.Readings[0].TempC != 25.0625 || rs.Readings[0].RH != nil {
		t.Errorf("readings %+v, want 25.0625 °C and no humidity", rs)
	}
	if err := os.RemoveAll(filepath.Dir(slave)); err != nil {
		t.Fatal(err)
	}
	var b []byte
	until(t, "the unplugged probe to be missing", func() bool {
		resp, err := http.Get(url + "/metrics")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, _ = io.ReadAll(resp.Body)
		return strings.Contains(string(b), `reason="absent"`)
	})
	if code := stop(); code != exitDone {
		t.Errorf("exit %d after a stop", code)
	}
}

// With no probe at all it runs, says so plainly, and takes pushed readings.
func TestWatchWithoutProbe(t *testing.T) {
	t.Setenv(w1Env, t.TempDir())
	data := t.TempDir()
	url, out, stop := startWatch(t, "--data", data, "--listen", "127.0.0.1:0")
	if !strings.Contains(out.String(), "No probe was found") {
		t.Errorf("it does not say that there is no probe:\n%s", out.String())
	}
	var set web.SettingsView
	get(t, url+"/api/v1/settings", &set)
	if !set.NoProbe {
		t.Error("the page is not told that there is no probe")
	}
	temp := 18.25
	// On loopback without a log-in a new probe has to be named first: behind a
	// proxy on the board anybody may be there. At the socket it need not be.
	c, err := client.New(url, "")
	if err != nil {
		t.Fatal(err)
	}
	if res, err := c.Push(t.Context(), []web.PushReading{{Probe: "stranger", TempC: &temp}}); err != nil || res.Taken != 0 || len(res.Refused) != 1 {
		t.Errorf("push of a new probe without a log-in: %+v, %v", res, err)
	}
	if c, err = client.New("unix:"+filepath.Join(data, web.SocketName), ""); err != nil {
		t.Fatal(err)
	}
	res, err := c.Push(t.Context(), []web.PushReading{{Probe: "radio-1", TempC: &temp}})
	if err != nil || res.Taken != 1 {
		t.Fatalf("push: %+v, %v", res, err)
	}
	// A reading without a probe's name is refused by itself, with its reason.
	if res, err := c.Push(t.Context(), []web.PushReading{{TempC: &temp}, {Probe: "radio-1", TempC: &temp}}); err != nil || len(res.Refused) == 0 || res.Refused[0].Index != 0 {
		t.Errorf("push without a name: %+v, %v", res, err)
	}
	// A whole coat through the command line, then a restart.
	t.Setenv("CUREWRIGHT_SERVER", url)
	cmdOK(t, "panel", "add", "lid-a", "--probe", "radio-1", "--core", "foam")
	cmdOK(t, "batch", "mixed", "--id", "cup-1", "--resin", "medium", "--resin-g", "100", "--hardener-g", "30", "--at", "10m")
	cmdOK(t, "coat", "start", "--id", "tack", "--panel", "lid-a", "--resin", "medium", "--kind", "tack coat", "--batch", "cup-1", "--applied", "5m")
	cmdOK(t, "feel", "tack", "wet")
	cmdOK(t, "batch", "end", "cup-1")
	if out := cmdOK(t, "coat", "list"); !strings.Contains(out, "tack · tack coat on lid-a") {
		t.Errorf("coat list:\n%s", out)
	}
	if code, _, errs := runCmd(t, "feel", "nope", "tacky"); code != exitUsage || !strings.Contains(errs, "nope") {
		t.Errorf("feel of an unknown coat: exit %d, %q", code, errs)
	}
	if code, _, errs := runCmd(t, "coat", "start", "--panel", "nope", "--resin", "brisk", "--kind", "tack coat"); code != exitUsage ||
		!strings.Contains(errs, "nope") || !strings.Contains(errs, "brisk") {
		t.Errorf("a coat with two faults: exit %d, %q", code, errs)
	}
	stop()
	url, _, _ = startWatch(t, "--data", data, "--listen", "127.0.0.1:0")
	t.Setenv("CUREWRIGHT_SERVER", url)
	if out := cmdOK(t, "coat", "list"); !strings.Contains(out, "tack · tack coat on lid-a") {
		t.Errorf("after a restart:\n%s", out)
	}
	var probes struct{ Probes []web.ProbeView }
	get(t, url+"/api/v1/probes", &probes)
	if i := slices.IndexFunc(probes.Probes, func(p web.ProbeView) bool { return p.Probe == "radio-1" }); i < 0 || !probes.Probes[i].Accepted {
		t.Errorf("the pushed probe is forgotten: %+v", probes)
	}
}

// A restart resumes every open coat exactly: the same estimate to the last
// digit.
func TestRestartIsExact(t *testing.T) {
	rows := office(t, 0)
	dir := t.TempDir()
	live := newLiveDaemon(t, dir, rows[0].at)
	live.post("/api/v1/panels", map[string]any{"id": "lid", "probe": "shed-air", "air": "shed-air", "core": "foam"})
	var batch []web.PushReading
	for i, r := range rows[:700] {
		at := r.at
		batch = append(batch, web.PushReading{Probe: "shed-air", Time: &at, TempC: round4(r.c), RHPct: round4(r.rh)})
		if len(batch) == 20 {
			live.clk.Put(at)
			live.push(batch)
			batch = nil
			if err := live.d.look(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		if i == 200 {
			live.post("/api/v1/coats", map[string]any{"id": "a", "panel": "lid", "resin": "medium", "kind": "fill coat", "applied": at.Add(-time.Minute)})
		}
		if i == 420 {
			live.post("/api/v1/coats/a/feels", map[string]any{"at": at, "state": "tacky"})
		}
	}
	estimate := func(l *liveDaemon) string {
		if err := l.d.look(t.Context()); err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(l.d.snap.Load().Result)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	before := estimate(live)
	at := live.clk.Now()
	if err := live.d.store.Close(); err != nil {
		t.Fatal(err)
	}
	if after := estimate(newLiveDaemon(t, dir, at)); after != before {
		t.Errorf("after a restart:\n%s\nbefore:\n%s", after, before)
	}
}

// pipeListener hands out in-memory connections that claim to be between two
// hosts of a documentation network (RFC 5737): what the daemon sees is a
// phone in the shed, and no packet leaves the test.
type pipeListener struct {
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

type claimedConn struct{ net.Conn }

func (claimedConn) LocalAddr() net.Addr {
	return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 8374}
}
func (claimedConn) RemoteAddr() net.Addr {
	return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 77), Port: 40000}
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return claimedConn{c}, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}
func (l *pipeListener) Close() error   { l.once.Do(func() { close(l.done) }); return nil }
func (l *pipeListener) Addr() net.Addr { return claimedConn{}.LocalAddr() }

func (l *pipeListener) dial(context.Context, string, string) (net.Conn, error) {
	a, b := net.Pipe()
	select {
	case l.conns <- b:
		return a, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}

// On any address but loopback nobody gets in without a code from the board.
func TestGateAndPair(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Now())
	cfg := live.d.cfg.Web
	cfg.Listen = "0.0.0.0:8374"
	srv, err := web.New(web.Config{ConfigSection: cfg, Version: "test"}, live.d)
	if err != nil {
		t.Fatal(err)
	}
	ln := &pipeListener{conns: make(chan net.Conn), done: make(chan struct{})}
	ctx, cancel := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- srv.Serve(ctx, ln) }()
	defer func() {
		cancel()
		if err := <-served; err != nil {
			t.Errorf("serve: %v", err)
		}
	}()
	phone := &http.Client{Transport: &http.Transport{DialContext: ln.dial}}
	ask := func(method, path, token, body string, into any) (int, string) {
		req, err := http.NewRequestWithContext(t.Context(), method, "http://192.0.2.1:8374"+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		if body != "" {
			req.Header.Set("Content-Type", "application/json")
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		resp, err := phone.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		if into != nil && resp.StatusCode < 300 {
			if err := json.Unmarshal(b, into); err != nil {
				t.Fatalf("%s %s: %v: %s", method, path, err, b)
			}
		}
		return resp.StatusCode, string(b)
	}
	if got, _ := ask("GET", "/healthz", "", "", nil); got != http.StatusOK {
		t.Errorf("healthz: %d", got)
	}
	for _, path := range []string{"/api/v1/snapshot", "/metrics", "/api/v1/coats"} {
		if got, _ := ask("GET", path, "", "", nil); got != http.StatusUnauthorized {
			t.Errorf("%s without a token: %d, want 401", path, got)
		}
	}
	// On the board itself the command line needs no token.
	t.Setenv("CUREWRIGHT_SERVER", live.url)
	var code struct{ Code, Link string }
	if err := json.Unmarshal([]byte(cmdOK(t, "pair", "--role", "look", "--name", "shed phone", "--json")), &code); err != nil {
		t.Fatal(err)
	}
	var paired struct{ Token string }
	redeem := `{"code":"` + strings.ToLower(code.Code) + `","device":"phone"}`
	if got, b := ask("POST", "/pair", "", redeem, &paired); got != http.StatusOK || paired.Token == "" {
		t.Fatalf("pair: %d %s", got, b)
	}
	if got, _ := ask("POST", "/pair", "", redeem, nil); got != http.StatusUnauthorized {
		t.Errorf("the same code again: %d, want 401", got)
	}
	if got, _ := ask("GET", "/api/v1/snapshot", paired.Token, "", nil); got != http.StatusOK {
		t.Errorf("with a token: %d", got)
	}
	if got, b := ask("POST", "/api/v1/panels", paired.Token, `{"id":"lid"}`, nil); got != http.StatusForbidden {
		t.Errorf("a token that may only look adds a panel: %d %s", got, b)
	}
	out := cmdOK(t, "token", "list")
	if !strings.Contains(out, "shed phone") || strings.Contains(out, paired.Token) {
		t.Errorf("token list:\n%s", out)
	}
	cmdOK(t, "token", "revoke", strings.Fields(out)[0])
	if got, _ := ask("GET", "/api/v1/snapshot", paired.Token, "", nil); got != http.StatusUnauthorized {
		t.Errorf("a revoked token: %d, want 401", got)
	}
}

// TestNoTokensNoYard: beyond this machine the page is not served where who may
// come in can't be kept; on this machine alone it is.
func TestNoTokensNoYard(t *testing.T) {
	full := errors.New("no room on the card")
	asked := 0
	put := func(_ context.Context, _, _ string, _ []byte) error { asked++; return full }
	for _, listen := range []string{"0.0.0.0:8374", "192.0.2.7:8374", "[::]:8374"} {
		err := canKeepTokens(t.Context(), web.ConfigSection{Listen: listen}, put)
		if !errors.Is(err, full) || !strings.Contains(err.Error(), listen) {
			t.Errorf("%s: %v", listen, err)
		}
	}
	if asked != 3 {
		t.Errorf("the store was asked %d times of 3", asked)
	}
	for _, listen := range []string{"127.0.0.1:8374", "[::1]:8374"} {
		if err := canKeepTokens(t.Context(), web.ConfigSection{Listen: listen}, put); err != nil {
			t.Errorf("%s: %v", listen, err)
		}
	}
	put = func(context.Context, string, string, []byte) error { return nil }
	if err := canKeepTokens(t.Context(), web.ConfigSection{Listen: "0.0.0.0:8374"}, put); err != nil {
		t.Errorf("with a store that keeps: %v", err)
	}
}
