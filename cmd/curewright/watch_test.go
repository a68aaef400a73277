// SPDX-License-Identifier: Apache-2.0

package main

import (
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/internal/daemon"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
)

// startWatch runs `curewright watch` whole, as a person would, and returns
// the address it prints. stop ends it and returns its exit code.
func startWatch(t *testing.T, args ...string) (url string, out *testkit.Buffer, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	out, errw := &testkit.Buffer{}, &testkit.Buffer{}
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
		if m := testkit.Opened.FindStringSubmatch(out.String()); m != nil {
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

// A board without configuration: the probe on its wires is found, polled and
// shown; unplugged, it is missing and never a number.
func TestWatchFindsProbe(t *testing.T) {
	root, slave := testkit.W1Tree(t)
	t.Setenv(daemon.W1Env, root)
	if out := cmdOK(t, "probes"); !strings.Contains(out, "ds18b20") || !strings.Contains(out, "25.1 °C") {
		t.Errorf("probes does not list it:\n%s", out)
	}
	url, _, stop := startWatch(t, "--data", t.TempDir(), "--listen", "127.0.0.1:0")
	var snap web.Snapshot
	testkit.Until(t, "a reading of the probe", func() bool {
		testkit.Get(t, url+"/api/v1/snapshot", &snap)
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
	testkit.Get(t, url+"/api/v1/readings?probe="+snap.Probes[0].Probe, &rs)
	if len(rs.Readings) == 0 || rs.Readings[0].TempC == nil || *rs.Readings[0].TempC != 25.0625 || rs.Readings[0].RH != nil {
		t.Errorf("readings %+v, want 25.0625 °C and no humidity", rs)
	}
	testkit.OK(t, os.RemoveAll(filepath.Dir(slave)))
	var b []byte
	testkit.Until(t, "the unplugged probe to be missing", func() bool {
		resp, err := http.Get(url + "/metrics")
		testkit.OK(t, err)
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
	t.Setenv(daemon.W1Env, t.TempDir())
	data := t.TempDir()
	url, out, stop := startWatch(t, "--data", data, "--listen", "127.0.0.1:0")
	if !strings.Contains(out.String(), "No probe was found") {
		t.Errorf("it does not say that there is no probe:\n%s", out.String())
	}
	var set web.SettingsView
	testkit.Get(t, url+"/api/v1/settings", &set)
	if !set.NoProbe {
		t.Error("the page is not told that there is no probe")
	}
	temp := 18.25
	// On loopback without a log-in a new probe has to be named first: behind a
	// proxy on the board anybody may be there. At the socket it need not be.
	c, err := client.New(url, "")
	testkit.OK(t, err)
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
	testkit.Get(t, url+"/api/v1/probes", &probes)
	if i := slices.IndexFunc(probes.Probes, func(p web.ProbeView) bool { return p.Probe == "radio-1" }); i < 0 || !probes.Probes[i].Accepted {
		t.Errorf("the pushed probe is forgotten: %+v", probes)
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
	live := daemontest.New(t, daemontest.Options{At: time.Now()})
	cfg := live.Config.Web
	cfg.Listen = "0.0.0.0:8374"
	srv, err := web.New(web.Config{ConfigSection: cfg, Version: "test"}, live.Daemon)
	testkit.OK(t, err)
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
		testkit.OK(t, err)
		if body != "" {
			req.Header.Set("Content-Type", "application/json")
		}
		if token != "" {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		resp, err := phone.Do(req)
		testkit.OK(t, err)
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		testkit.OK(t, err)
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
	t.Setenv("CUREWRIGHT_SERVER", live.URL)
	var code struct{ Code, Link string }
	testkit.OK(t, json.Unmarshal([]byte(cmdOK(t, "pair", "--role", "look", "--name", "shed phone", "--json")), &code))
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
	// By name, where one alone has it: a phone that is lost is known by that.
	ids := ""
	for range 2 {
		testkit.OK(t, json.Unmarshal([]byte(cmdOK(t, "pair", "--role", "look", "--name", "lost phone", "--json")), &code))
		if got, b := ask("POST", "/pair", "", `{"code":"`+code.Code+`"}`, &paired); got != http.StatusOK {
			t.Fatalf("pair: %d %s", got, b)
		}
		ids = strings.Fields(cmdOK(t, "token", "list"))[0]
	}
	for name, want := range map[string]string{"no phone": "curewright token list", "lost phone": ids} {
		if rc, _, errs := runCmd(t, "token", "revoke", name); rc == exitDone || !strings.Contains(errs, want) {
			t.Errorf("revoke %q: exit %d, %q, want %q", name, rc, errs, want)
		}
	}
	cmdOK(t, "token", "revoke", ids)
	if out := cmdOK(t, "token", "revoke", "lost phone"); !strings.Contains(out, "lost phone") || !strings.Contains(out, "is shut out") {
		t.Errorf("revoke by name: %q", out)
	}
}
