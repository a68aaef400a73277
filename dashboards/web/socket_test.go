// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"curewright/dashboards/web"
)

// board is a server as the daemon runs it, with its socket in a folder that
// everybody may enter.
func board(t *testing.T, cfg web.Config, b web.Backend, gid *uint32) (socket string) {
	t.Helper()
	dir := t.TempDir()
	for d := dir; d != "/" && d != os.TempDir(); d = filepath.Dir(d) {
		if err := os.Chmod(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	socket = filepath.Join(dir, web.SocketName)
	cfg.Socket = socket
	s := serverOf(t, cfg, b)
	ln, err := web.ListenSocket(socket, gid != nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { // after it was stopped
		if _, err := os.Lstat(socket); !os.IsNotExist(err) {
			t.Errorf("the socket is left behind: %v", err)
		}
	})
	running(t, func(ctx context.Context) error { return s.ServeSocket(ctx, ln, gid) })
	return socket
}

func bySocket(path string) *http.Client {
	return &http.Client{Transport: &http.Transport{DisableKeepAlives: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return web.DialSocket(ctx, path) }}}
}

// Without a log-in this machine may record and no more, whoever it is: a
// reverse proxy on the board makes every stranger's connection look local.
func TestLoopbackMayNotControl(t *testing.T) {
	d := tented(t)
	b := &noting{Backend: d}
	s := serverOf(t, web.Config{HostName: "shed.example.net", Socket: "/run/x/control.sock"}, b)
	h := s.Handler()
	for _, rt := range web.Routes() {
		if mayDo[rt] != "c" {
			continue
		}
		method, path, _ := strings.Cut(rt, " ")
		path = strings.NewReplacer("{id}", "nothing").Replace(path)
		for name, header := range map[string]map[string]string{
			"plain": nil, "own page": {"Origin": "http://127.0.0.1:8374"}, "a stale cookie": {"Cookie": web.CookieName + "=old"},
		} {
			w := ask{method: method, path: path, body: "{}", header: header}.do(t, h)
			if w.Code != http.StatusForbidden {
				t.Errorf("%s, %s: %d %s, want 403", rt, name, w.Code, w.Body)
			}
			if got := w.Header().Get(web.SocketHeader); got != "/run/x/control.sock" {
				t.Errorf("%s, %s: the socket is told as %q", rt, name, got)
			}
		}
		// With a log-in that may, it may from here as from elsewhere.
		tok := d.Token("desk", web.Control)
		if w := (ask{method: method, path: path, body: "{}", token: tok}).do(t, h); w.Code == http.StatusForbidden || w.Code == http.StatusUnauthorized {
			t.Errorf("%s with a log-in: %d", rt, w.Code)
		}
		if w := (ask{method: method, path: path, body: "{}", cookie: tok, header: map[string]string{"Origin": "http://127.0.0.1:8374"}}).do(t, h); w.Code == http.StatusForbidden || w.Code == http.StatusUnauthorized {
			t.Errorf("%s with a cookie: %d", rt, w.Code)
		}
	}
	for _, c := range b.calls() {
		if strings.HasPrefix(c, "loopback") {
			t.Errorf("%q reached the daemon", c)
		}
	}
	// Recording goes on as before, also with a cookie that is over or may less.
	const coat = `{"panel":"lid-outer","resin":"medium","kind":"seal","applied":"2026-10-10T10:00:00Z"}`
	for name, a := range map[string]ask{
		"plain": {}, "old cookie": {cookie: "old", header: map[string]string{"Origin": "http://127.0.0.1:8374"}},
		"look cookie": {cookie: d.Token("tablet", web.Look), header: map[string]string{"Origin": "http://127.0.0.1:8374"}},
	} {
		a.method, a.path, a.body = "POST", "/api/v1/coats", coat
		if w := a.do(t, h); w.Code != http.StatusCreated {
			t.Errorf("record, %s: %d %s", name, w.Code, w.Body)
		}
	}
	// What a program shows on purpose counts as it is.
	if w := (ask{path: "/api/v1/snapshot", token: "old"}).do(t, h); w.Code != http.StatusUnauthorized || w.Header().Get(web.SocketHeader) != "" {
		t.Errorf("a wrong token: %d, socket %q", w.Code, w.Header().Get(web.SocketHeader))
	}
}

// A declared proxy's requests never count as local, by whatever they say.
func TestDeclaredProxy(t *testing.T) {
	b := bare(t)
	s := serverOf(t, web.Config{HostName: "shed", Socket: "/x", ConfigSection: web.ConfigSection{Listen: "0.0.0.0:8374", Proxies: []string{"127.0.0.1", "192.0.2.32/28"}}}, b)
	h := s.Handler()
	for name, a := range map[string]ask{
		"silent":            {},
		"says so":           {header: map[string]string{"X-Forwarded-For": "198.51.100.7"}},
		"says loopback":     {header: map[string]string{"X-Forwarded-For": "127.0.0.1"}},
		"another's address": {local: lan, remote: "192.0.2.40:999"},
	} {
		a.path = "/api/v1/snapshot"
		if w := a.do(t, h); w.Code != http.StatusUnauthorized {
			t.Errorf("%s: %d, want 401", name, w.Code)
		}
	}
	// Guesses are counted by whom the proxy names, and only by what it added.
	guess := func(local, remote, forwarded string) int {
		return ask{method: "POST", path: "/pair", local: local, remote: remote, body: `{"code":"AAAA-AAAA"}`, header: map[string]string{"X-Forwarded-For": forwarded}}.do(t, h).Code
	}
	for i := range 5 {
		if got := guess("127.0.0.1:8374", "127.0.0.1:9", fmt.Sprintf("10.0.0.%d, 198.51.100.7", i)); got != 401 {
			t.Fatalf("guess %d: %d", i, got)
		}
	}
	if got := guess("127.0.0.1:8374", "127.0.0.1:9", "10.9.9.9, 198.51.100.7"); got != 429 {
		t.Errorf("a sixth guess under another made-up name: %d, want 429", got)
	}
	if got := guess("127.0.0.1:8374", "127.0.0.1:9", "198.51.100.8"); got != 401 {
		t.Errorf("somebody else behind the proxy: %d, want 401", got)
	}
	for i := range 5 {
		if got := guess(lan, "192.0.2.77:9", fmt.Sprintf("198.51.100.%d", i)); got != 401 {
			t.Fatalf("guess %d past the proxy: %d", i, got)
		}
	}
	if got := guess(lan, "192.0.2.77:9", "198.51.100.99"); got != 429 {
		t.Errorf("the header of somebody who is no proxy: %d, want 429", got)
	}
	for _, bad := range []string{"proxy.example", "0.0.0.0/0", "127.0.0.1:80", ""} {
		if _, err := web.New(web.Config{ConfigSection: web.ConfigSection{Proxies: []string{bad}}}, b); err == nil {
			t.Errorf("proxies = [%q] was taken", bad)
		}
	}
}

// Root, the daemon's own user and, for a service, its group control through
// the socket; the kernel says who it is.
func TestSocket(t *testing.T) {
	b := bare(t)
	socket := board(t, web.Config{HostName: "shed"}, b, nil)
	post := func(c *http.Client, path, body, token string) (int, string) {
		r, _ := http.NewRequest("POST", "http://board"+path, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		res, err := c.Do(r)
		if err != nil {
			return 0, err.Error()
		}
		defer res.Body.Close()
		text, _ := io.ReadAll(res.Body)
		return res.StatusCode, string(text)
	}
	code, text := post(bySocket(socket), "/api/v1/paircodes", `{"role":"record"}`, "")
	var pc web.PairCode
	if json.Unmarshal([]byte(text), &pc) != nil || code != http.StatusCreated || len(pc.Code) != 9 {
		t.Fatalf("pair code: %d %s", code, text)
	}
	res, err := bySocket(socket).Get("http://board/api/v1/whoami")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	who, _ := io.ReadAll(res.Body)
	if !bytes.Contains(who, []byte(`"name":"board"`)) || !bytes.Contains(who, []byte(`"role":"control"`)) {
		t.Errorf("who am I: %s", who)
	}
	if fi, err := os.Stat(socket); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("socket: %v %v, want 0600", fi.Mode(), err)
	}
	if os.Geteuid() != 0 {
		t.Skip("not root: cannot be somebody else")
	}
	// Somebody else, even where the file's rights would let them in.
	if err := os.Chmod(socket, 0o666); err != nil {
		t.Fatal(err)
	}
	as := func(uid, gid int, groups []int, f func(c *http.Client)) {
		done := make(chan struct{})
		go func() {
			defer close(done)
			runtime.LockOSThread() // and never unlocked: the thread ends with its rights
			for _, c := range []struct {
				nr   uintptr
				a, b uintptr
			}{{unix.SYS_SETGROUPS, uintptr(len(groups)), first32(groups)}, {unix.SYS_SETRESGID, uintptr(gid), uintptr(gid)}, {unix.SYS_SETRESUID, uintptr(uid), uintptr(uid)}} {
				if _, _, e := syscall.RawSyscall(c.nr, c.a, c.b, c.b); e != 0 {
					t.Errorf("becoming %d:%d: %v", uid, gid, e)
					return
				}
			}
			// The kernel keeps whoever connects, so the connection is made here.
			conn, err := web.DialSocket(context.Background(), socket)
			if err != nil {
				t.Errorf("as %d:%d: %v", uid, gid, err)
				return
			}
			f(&http.Client{Transport: &http.Transport{DisableKeepAlives: true,
				DialContext: func(context.Context, string, string) (net.Conn, error) { return conn, nil }}})
		}()
		<-done
	}
	as(65534, 65534, nil, func(c *http.Client) {
		if code, text := post(c, "/api/v1/paircodes", `{"role":"control"}`, ""); code != http.StatusUnauthorized {
			t.Errorf("a stranger on the socket: %d %s, want 401", code, text)
		}
	})
	as(65534, 65534, nil, func(c *http.Client) {
		if code, text := post(c, "/api/v1/paircodes", `{"role":"look"}`, b.Token("desk", web.Control)); code != http.StatusCreated {
			t.Errorf("a stranger with a log-in: %d %s, want 201", code, text)
		}
	})
	gid := uint32(54321)
	socket = board(t, web.Config{HostName: "shed"}, b, &gid)
	os.Chmod(socket, 0o666)
	for name, tt := range map[string]struct {
		gid    int
		groups []int
		want   int
	}{
		"the group first":   {54321, nil, 201},
		"one of the groups": {65534, []int{7, 54321}, 201},
		"in no such group":  {65534, []int{7}, 401},
	} {
		as(65534, tt.gid, tt.groups, func(c *http.Client) {
			if code, text := post(c, "/api/v1/paircodes", `{"role":"look"}`, ""); code != tt.want {
				t.Errorf("%s: %d %s, want %d", name, code, text, tt.want)
			}
		})
	}
}

// A socket that a killed daemon left is taken over; a live one and a file of
// somebody's are not. A path longer than the kernel's 107 bytes works.
func TestListenSocket(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("a long folder ", 8))
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, web.SocketName)
	ln, err := web.ListenSocket(path, false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := web.ListenSocket(path, false); err == nil || !strings.Contains(err.Error(), "answers there already") {
		t.Errorf("a second daemon: %v", err)
	}
	ln.Close()
	// As after kill -9: the file is there and nobody answers.
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_STREAM, 0)
	if err != nil {
		t.Fatal(err)
	}
	short := filepath.Join(t.TempDir(), web.SocketName)
	if err := unix.Bind(fd, &unix.SockaddrUnix{Name: short}); err != nil {
		t.Fatal(err)
	}
	unix.Close(fd)
	if ln, err = web.ListenSocket(short, true); err != nil {
		t.Fatalf("after a kill: %v", err)
	}
	if fi, err := os.Stat(short); err != nil || fi.Mode().Perm() != 0o660 {
		t.Errorf("for a service: %v %v, want 0660", fi.Mode(), err)
	}
	ln.Close()
	if err := os.WriteFile(short, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := web.ListenSocket(short, false); err == nil {
		t.Error("somebody's file was taken for a socket")
	}
	if b, _ := os.ReadFile(short); string(b) != "mine" {
		t.Errorf("somebody's file is %q now", b)
	}
}
