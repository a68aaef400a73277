// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
)

const lan = "192.0.2.10:8374" // documentation address, RFC 5737

// ask is one request as the gate sees it.
type ask struct {
	method, path  string
	local, remote string // addresses of the connection
	host          string
	token, cookie string
	header        map[string]string
	body          string
}

// do makes the request, in at most 10 s.
func (a ask) do(t *testing.T, h http.Handler) *httptest.ResponseRecorder {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	return a.in(ctx, t, h)
}

func (a ask) in(ctx context.Context, t *testing.T, h http.Handler) *httptest.ResponseRecorder {
	t.Helper()
	if a.method == "" {
		a.method = "GET"
	}
	if a.local == "" {
		a.local = "127.0.0.1:8374"
	}
	if a.remote == "" {
		a.remote = "127.0.0.1:50000"
		if !strings.HasPrefix(a.local, "127.") {
			a.remote = "192.0.2.77:50000"
		}
	}
	if a.host == "" {
		a.host = a.local
	}
	r := httptest.NewRequest(a.method, "http://x"+a.path, strings.NewReader(a.body))
	r = r.WithContext(context.WithValue(ctx, http.LocalAddrContextKey, net.TCPAddrFromAddrPort(netip.MustParseAddrPort(a.local))))
	r.RemoteAddr, r.Host = a.remote, a.host
	if a.token != "" {
		r.Header.Set("Authorization", "Bearer "+a.token)
	}
	if a.cookie != "" {
		r.AddCookie(&http.Cookie{Name: web.CookieName, Value: a.cookie})
	}
	if a.body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	for k, v := range a.header {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// server is one on which loopback may everything, as in the demo: tests of
// routes then need no log-in.
func server(t testing.TB, b web.Backend) *web.Server {
	t.Helper()
	return serverOf(t, web.Config{HostName: "shed.example.net", Version: "test", LoopbackRole: web.Control}, b)
}

func serverOf(t testing.TB, cfg web.Config, b web.Backend) *web.Server {
	t.Helper()
	s, err := web.New(cfg, b)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// running serves until the test ends, or until stop is called; it must return nil
// then.
func running(t *testing.T, serve func(ctx context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- serve(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("served until %v", err)
		}
	})
	t.Cleanup(stop)
	return stop
}

// first returns the first fault of an error answer, as "field: what".
func first(t *testing.T, w *httptest.ResponseRecorder) string {
	t.Helper()
	var e struct{ Error web.Faults }
	if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil || len(e.Error) == 0 {
		t.Fatalf("answer %d %q is not {\"error\":[…]}: %v", w.Code, w.Body, err)
	}
	return e.Error[0].Error()
}

// who may do what, written down by hand from the contract: the letters of the
// roles that may (l look, p push, r record, c control), "-" for everybody and
// "b" for nobody but at the board.
var mayDo = map[string]string{
	"GET /healthz": "-", "GET /readyz": "lrc", "GET /metrics": "lrc",
	"GET /{$}": "lrc", "GET /pair": "-", "POST /pair": "-", "POST /api/v1/pair": "-",
	"POST /logout": "-", "POST /api/v1/logout": "-", "GET /ack/{token}": "-", "POST /ack/{token}": "-",
	"GET /events": "lrc", "GET /api/v1/events": "lrc", "GET /api/v1/snapshot": "lrc", "GET /api/v1/whoami": "lrc", "GET /api/v1/openapi.json": "lrc",

	"GET /api/v1/coats": "lrc", "GET /api/v1/coats/{id}": "lrc", "GET /api/v1/coats/{id}/trace": "lrc", "GET /api/v1/coats/{id}/feels": "lrc",
	"GET /api/v1/pieces": "lrc", "GET /api/v1/panels": "lrc", "GET /api/v1/batches": "lrc", "GET /api/v1/feels": "lrc", "GET /api/v1/resins": "lrc",
	"GET /api/v1/pieces/{id}": "lrc", "GET /api/v1/panels/{id}": "lrc", "GET /api/v1/batches/{id}": "lrc", "GET /api/v1/feels/{id}": "lrc", "GET /api/v1/resins/{id}": "lrc",
	"GET /api/v1/panels/{id}/record": "lrc",

	"POST /api/v1/pieces": "rc", "POST /api/v1/panels": "rc", "POST /api/v1/batches": "rc", "POST /api/v1/coats": "rc", "POST /api/v1/feels": "rc", "POST /api/v1/resins": "rc",
	"GET /api/v1/jobs": "lrc", "GET /api/v1/jobs/templates": "lrc", "GET /api/v1/jobs/{id}": "lrc", "GET /api/v1/jobs/{id}/file": "lrc", "GET /api/v1/next": "lrc", "GET /api/v1/entries": "lrc",
	"POST /api/v1/jobs": "rc", "PATCH /api/v1/jobs/{id}": "rc", "DELETE /api/v1/jobs/{id}": "rc", "PATCH /api/v1/ticks/{id}": "rc", "DELETE /api/v1/ticks/{id}": "rc",
	"POST /api/v1/feel": "rc", "POST /api/v1/undo": "rc", "POST /api/v1/entries/{id}/undo": "rc",
	"POST /api/v1/jobs/{id}/done": "rc", "POST /api/v1/jobs/{id}/mixed": "rc", "POST /api/v1/jobs/{id}/feel": "rc", "POST /api/v1/jobs/{id}/insert": "rc",
	"POST /api/v1/jobs/{id}/skip": "rc", "POST /api/v1/jobs/{id}/later": "rc", "POST /api/v1/jobs/{id}/repeat": "rc", "POST /api/v1/jobs/{id}/reopen": "rc", "POST /api/v1/jobs/{id}/settle": "rc",
	"POST /api/v1/coats/{id}/feels": "rc", "POST /api/v1/batches/{id}/end": "rc",
	"PATCH /api/v1/pieces/{id}": "rc", "PATCH /api/v1/panels/{id}": "rc", "PATCH /api/v1/batches/{id}": "rc", "PATCH /api/v1/coats/{id}": "rc", "PATCH /api/v1/feels/{id}": "rc", "PATCH /api/v1/resins/{id}": "rc",
	"DELETE /api/v1/pieces/{id}": "rc", "DELETE /api/v1/panels/{id}": "rc", "DELETE /api/v1/batches/{id}": "rc", "DELETE /api/v1/coats/{id}": "rc", "DELETE /api/v1/feels/{id}": "rc", "DELETE /api/v1/resins/{id}": "rc",

	"POST /api/v1/readings": "prc", "GET /api/v1/readings": "lrc", "GET /api/v1/probes": "lrc", "PUT /api/v1/probes/{id}": "rc", "DELETE /api/v1/probes/{id}": "rc",
	"GET /api/v1/alerts": "lrc", "POST /api/v1/alerts/{id}/ack": "rc", "POST /api/v1/sound/test": "rc",
	"GET /api/v1/settings": "lrc", "PUT /api/v1/settings": "rc", "POST /api/v1/clock": "rc",
	"POST /api/v1/mix": "lrc", "GET /api/v1/stock": "lrc", "GET /api/v1/stock/{id}": "lrc", "GET /api/v1/stock.csv": "lrc", "POST /api/v1/stock": "rc", "POST /api/v1/stock/import": "rc",
	"GET /api/v1/memory": "lrc", "POST /api/v1/memory/forget": "rc", "GET /api/v1/memory/file": "c", "POST /api/v1/memory/file": "c",
	"PATCH /api/v1/stock/{id}": "rc", "DELETE /api/v1/stock/{id}": "rc", "GET /api/v1/panels/{id}/laminate": "lrc", "GET /api/v1/pieces/{id}/bill": "lrc",
	"GET /api/v1/air": "lrc", "GET /api/v1/cure": "lrc", "GET /api/v1/pot": "lrc", "POST /api/v1/plan": "lrc", "POST /api/v1/resins/fit": "lrc",
	"GET /api/v1/tent": "lrc", "PUT /api/v1/tent/setpoint": "c", "POST /api/v1/tent/off": "rc",
	"POST /api/v1/tent/solvent": "rc", "POST /api/v1/tent/release": "c", "POST /api/v1/tent/accept": "b", "PUT /api/v1/tent/resume": "c", "POST /api/v1/tent/aim": "c", "DELETE /api/v1/tent/aim": "c",
	"GET /api/v1/backup": "c", "POST /api/v1/backup": "c", "POST /api/v1/paircodes": "c", "GET /api/v1/tokens": "c", "DELETE /api/v1/tokens/{id}": "c",
}

// Every route with every role, from elsewhere.
func TestRoleMatrix(t *testing.T) {
	d := tented(t)
	b := &noting{Backend: d}
	h := server(t, b).Handler()
	tokens := map[string]string{"": "", "made up": web.NewToken()}
	for _, r := range []web.Role{web.Look, web.Push, web.Record, web.Control} {
		tokens[string(r)] = d.Token("phone-"+string(r), r)
	}
	ended, stop := context.WithCancel(t.Context())
	stop() // event streams end at once
	routes := web.Routes()
	for rt := range mayDo {
		if !slices.Contains(routes, rt) {
			t.Errorf("%s is expected and not served", rt)
		}
	}
	for _, rt := range routes {
		may, ok := mayDo[rt]
		if !ok {
			t.Errorf("%s is served and nobody wrote down who may", rt)
			continue
		}
		method, path, _ := strings.Cut(rt, " ")
		path = strings.NewReplacer("{$}", "", "{id}", "nothing", "{token}", "nothing").Replace(path)
		for role, token := range tokens {
			if strings.HasSuffix(path, "/logout") && role != "" && role != "made up" {
				token = d.Token("leaving-"+role, web.Role(role)) // it is no log-in any more
			}
			r := httptest.NewRequest(method, path, strings.NewReader("{}"))
			addr := net.TCPAddrFromAddrPort(netip.MustParseAddrPort(lan))
			ctx := t.Context()
			if strings.HasSuffix(path, "/events") {
				ctx = ended
			}
			r = r.WithContext(context.WithValue(ctx, http.LocalAddrContextKey, addr))
			r.Host, r.RemoteAddr = lan, "192.0.2.77:5000"
			r.Header.Set("Content-Type", "application/json")
			if token != "" {
				r.Header.Set("Authorization", "Bearer "+token)
			}
			w := httptest.NewRecorder()
			func() {
				defer func() {
					if p := recover(); p != nil && p != http.ErrAbortHandler { // a stream that was let through, whose end is there
						panic(p)
					}
				}()
				h.ServeHTTP(w, r)
			}()
			known := role != "" && role != "made up"
			switch {
			case may == "-" || known && strings.Contains(may, role[:1]):
				if w.Code == http.StatusForbidden || w.Code == http.StatusUnauthorized && !strings.HasSuffix(path, "/pair") {
					t.Errorf("%s as %q: %d %s, want it let through", rt, role, w.Code, w.Body)
				}
			case known:
				if w.Code != http.StatusForbidden {
					t.Errorf("%s as %q: %d, want 403", rt, role, w.Code)
				}
			default:
				if w.Code != http.StatusUnauthorized {
					t.Errorf("%s as %q: %d, want 401", rt, role, w.Code)
				}
			}
		}
	}
	for _, c := range b.calls() {
		if strings.HasPrefix(c, "loopback") || strings.HasPrefix(c, "phone-look") {
			t.Errorf("%q reached the daemon", c)
		}
	}
}

func TestHostAndOrigin(t *testing.T) {
	b := shop(t)
	s := serverOf(t, web.Config{
		ConfigSection: web.ConfigSection{Listen: "0.0.0.0:8374", Hosts: []string{"Bench.example.org"}},
		HostName:      "shed.example.net",
	}, b)
	h := s.Handler()
	tok := b.Token("phone", web.Record)
	const snap, coats = "/api/v1/snapshot", "/api/v1/coats"
	const coat = `{"panel":"lid-outer","resin":"medium","kind":"seal","applied":"2026-10-10T10:00:00Z"}`
	own := map[string]string{"Origin": "http://127.0.0.1:8374"}
	with := func(kv ...string) map[string]string {
		m := map[string]string{}
		for i := 0; i < len(kv); i += 2 {
			m[kv[i]] = kv[i+1]
		}
		return m
	}
	for name, tt := range map[string]struct {
		ask
		want int
	}{
		"loopback needs no log-in":           {ask{path: snap}, 200},
		"localhost":                          {ask{path: snap, host: "localhost:8374"}, 200},
		"localhost through a forwarded port": {ask{path: snap, host: "localhost:9000"}, 200},
		"IPv6 loopback":                      {ask{path: snap, local: "[::1]:8374", remote: "[::1]:4000", host: "[::1]:8374"}, 200},
		"own page asks":                      {ask{path: snap, header: own}, 200},
		"command line changes":               {ask{method: "POST", path: coats, body: coat}, 201},
		"own page changes":                   {ask{method: "POST", path: coats, body: coat, header: own}, 201},

		"rebound name":                     {ask{path: snap, host: "evil.example:8374"}, 403},
		"rebound name, own origin":         {ask{path: snap, host: "evil.example:8374", header: with("Origin", "http://evil.example:8374")}, 403},
		"rebound name that begins as ours": {ask{path: snap, host: "localhost.evil.example"}, 403},
		"rebound name that ends as ours":   {ask{path: snap, host: "evil-localhost"}, 403},
		"address of another machine":       {ask{path: snap, host: "192.0.2.99:8374"}, 403},
		"no host":                          {ask{path: snap, host: ":8374"}, 403},
		"host with user":                   {ask{path: snap, host: "evil.example@localhost"}, 403},
		"two ports":                        {ask{path: snap, host: "localhost:1:2"}, 403},

		"other site reads":        {ask{path: snap, header: with("Origin", "http://evil.example")}, 403},
		"other port reads":        {ask{path: snap, header: with("Origin", "http://127.0.0.1:3000")}, 403},
		"other name of us reads":  {ask{path: snap, header: with("Origin", "http://localhost:8374")}, 403},
		"sandboxed page":          {ask{path: snap, header: with("Origin", "null")}, 403},
		"file on disk":            {ask{path: snap, header: with("Origin", "file://")}, 403},
		"origin with a path":      {ask{path: snap, header: with("Origin", "http://127.0.0.1:8374/x")}, 403},
		"empty origin":            {ask{path: snap, header: with("Origin", "")}, 403},
		"image on another site":   {ask{path: snap, header: with("Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "no-cors", "Sec-Fetch-Dest", "image")}, 403},
		"page of another port":    {ask{path: snap, header: with("Sec-Fetch-Site", "same-site", "Sec-Fetch-Mode", "no-cors")}, 403},
		"link from another site":  {ask{path: "/", header: with("Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate", "Sec-Fetch-Dest", "document")}, 200},
		"frame on another site":   {ask{path: "/", header: with("Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate", "Sec-Fetch-Dest", "iframe")}, 403},
		"form on another site":    {ask{method: "POST", path: coats, body: coat, header: with("Origin", "http://evil.example")}, 403},
		"form that says nothing":  {ask{method: "POST", path: coats, body: coat, header: with("Sec-Fetch-Site", "cross-site", "Sec-Fetch-Mode", "navigate", "Sec-Fetch-Dest", "document")}, 403},
		"old form as text":        {ask{method: "POST", path: coats, body: coat, header: with("Content-Type", "text/plain", "User-Agent", "Mozilla/5.0 (X)")}, 400},
		"old form, linked":        {ask{method: "POST", path: coats, body: coat, header: with("Content-Type", "application/x-www-form-urlencoded", "Referer", "http://evil.example/")}, 400},
		"hurried command line":    {ask{method: "POST", path: coats, body: coat, header: with("Content-Type", "application/x-www-form-urlencoded", "User-Agent", "fetcher/1.0", "Accept", "*/*")}, 201},
		"small radio probe":       {ask{method: "POST", path: coats, body: coat, header: with("Content-Type", "")}, 201},
		"proxy on this board":     {ask{path: snap, header: with("X-Forwarded-For", "198.51.100.4")}, 401},
		"proxy, standard header":  {ask{path: snap, header: with("Forwarded", "for=198.51.100.4")}, 401},
		"proxy that keeps names":  {ask{path: snap, host: "bench.example.org"}, 401},
		"proxy, with a log-in":    {ask{path: snap, host: "bench.example.org", token: tok}, 200},
		"proxy that ends TLS":     {ask{path: snap, host: "bench.example.org", token: tok, header: with("Origin", "https://bench.example.org")}, 200},
		"remote says loopback":    {ask{path: snap, local: lan, remote: "192.0.2.77:5000", host: "127.0.0.1:8374"}, 401},
		"remote with header":      {ask{path: snap, local: lan, header: with("X-Forwarded-For", "127.0.0.1")}, 401},
		"half a loopback":         {ask{path: snap, local: "127.0.0.1:8374", remote: "192.0.2.77:5000"}, 401},
		"other half":              {ask{path: snap, local: lan, remote: "127.0.0.1:5000", host: "127.0.0.1:8374"}, 401},
		"own address from itself": {ask{path: snap, local: lan, remote: "192.0.2.10:5000"}, 401},

		"by address":            {ask{path: snap, local: lan, token: tok}, 200},
		"by host name":          {ask{path: snap, local: lan, host: "shed.example.net:8374", token: tok}, 200},
		"by short name":         {ask{path: snap, local: lan, host: "shed", token: tok}, 200},
		"by mDNS name":          {ask{path: snap, local: lan, host: "SHED.local:8374", token: tok}, 200},
		"by configured name":    {ask{path: snap, local: lan, host: "bench.EXAMPLE.org.", token: tok}, 200},
		"by another name":       {ask{path: snap, local: lan, host: "shed.example.com", token: tok}, 403},
		"basic log-in":          {ask{path: snap, local: lan, header: with("Authorization", "Basic eDp5")}, 401},
		"cookie reads":          {ask{path: snap, local: lan, cookie: tok}, 200},
		"cookie changes":        {ask{method: "POST", path: coats, local: lan, cookie: tok, body: coat}, 403},
		"cookie, own page":      {ask{method: "POST", path: coats, local: lan, cookie: tok, body: coat, header: with("Origin", "http://"+lan)}, 201},
		"cookie, fetch says so": {ask{method: "POST", path: coats, local: lan, cookie: tok, body: coat, header: with("Sec-Fetch-Site", "same-origin")}, 201},
		"cookie, typed address": {ask{method: "POST", path: coats, local: lan, cookie: tok, body: coat, header: with("Sec-Fetch-Site", "none")}, 403},
		"cookie, other site":    {ask{method: "POST", path: coats, local: lan, cookie: tok, body: coat, header: with("Origin", "http://evil.example")}, 403},
		"bearer changes":        {ask{method: "POST", path: coats, local: lan, token: tok, body: coat}, 201},
		"alive, any name":       {ask{path: "/healthz", local: lan, host: "whatever"}, 200},
		"not ready for anybody": {ask{path: "/readyz", local: lan}, 401},
	} {
		t.Run(name, func(t *testing.T) {
			w := tt.do(t, h)
			if w.Code != tt.want {
				t.Errorf("%d %s, want %d", w.Code, w.Body, tt.want)
			}
			if w.Code >= 400 && !strings.HasPrefix(w.Body.String(), "<!") {
				first(t, w)
			}
			for k, want := range map[string]string{"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin"} {
				if got := w.Header().Get(k); got != want {
					t.Errorf("%s = %q, want %q", k, got, want)
				}
			}
			if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'self'") || strings.Contains(csp, "unsafe") {
				t.Errorf("content policy %q", csp)
			}
		})
	}
}

// A request that carries no address of its own counts as one from elsewhere.
func TestNoAddressIsElsewhere(t *testing.T) {
	r := httptest.NewRequest("GET", "/api/v1/snapshot", nil)
	r.Host, r.RemoteAddr = "127.0.0.1:8374", "127.0.0.1:1"
	w := httptest.NewRecorder()
	server(t, bare(t)).Handler().ServeHTTP(w, r)
	if w.Code != http.StatusUnauthorized {
		t.Errorf("%d, want 401", w.Code)
	}
}

// Without a log-in the page itself comes as the answer, so that it can ask for
// the code; its files come too, data does not.
func TestLogInPage(t *testing.T) {
	s := server(t, bare(t))
	h := s.Handler()
	w := ask{path: "/", local: lan}.do(t, h)
	if w.Code != http.StatusUnauthorized || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") {
		t.Errorf("page: %d %s, want 401 as HTML", w.Code, w.Header().Get("Content-Type"))
	}
	for _, name := range s.Assets() {
		if w := (ask{path: "/" + name, local: lan}).do(t, h); w.Code != http.StatusOK {
			t.Errorf("/%s: %d, want 200", name, w.Code)
		}
	}
}

func TestPairing(t *testing.T) {
	b := bare(t)
	h := server(t, b).Handler()
	w := ask{method: "POST", path: "/api/v1/paircodes", body: `{"role":"record","name":"bench phone"}`}.do(t, h)
	var code web.PairCode
	if err := json.Unmarshal(w.Body.Bytes(), &code); err != nil || w.Code != http.StatusCreated || len(code.Code) != 9 {
		t.Fatalf("new code: %d %s %v", w.Code, w.Body, err)
	}
	typed := strings.ToLower(strings.ReplaceAll(code.Code, "-", " "))
	body, _ := json.Marshal(map[string]string{"code": typed})
	w = ask{method: "POST", path: "/pair", local: lan, body: string(body), header: map[string]string{"Origin": "http://" + lan}}.do(t, h)
	var got web.Paired
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != http.StatusOK {
		t.Fatalf("pair: %d %s %v", w.Code, w.Body, err)
	}
	if got.Role != web.Record || got.Name != "bench phone" || len(got.Token) != 43 {
		t.Errorf("paired as %+v", got)
	}
	c := w.Result().Cookies()
	if len(c) != 1 || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || c[0].Value != got.Token || c[0].Path != "/" {
		t.Errorf("cookie %+v", c)
	}
	if w := (ask{path: "/api/v1/snapshot", local: lan, cookie: got.Token}).do(t, h); w.Code != http.StatusOK {
		t.Errorf("with the cookie: %d", w.Code)
	}
	w = ask{method: "POST", path: "/pair", local: lan, body: string(body)}.do(t, h)
	if w.Code != http.StatusUnauthorized {
		t.Errorf("the code again: %d, want 401", w.Code)
	}
	w = ask{method: "POST", path: "/logout", local: lan, cookie: got.Token, header: map[string]string{"Origin": "http://" + lan}}.do(t, h)
	if c := w.Result().Cookies(); w.Code != http.StatusOK || len(c) != 1 || c[0].MaxAge >= 0 {
		t.Errorf("log out: %d %+v", w.Code, c)
	}
	if w := (ask{path: "/api/v1/snapshot", local: lan, token: got.Token}).do(t, h); w.Code != http.StatusUnauthorized {
		t.Errorf("the token after the log-out: %d, want 401", w.Code)
	}
}

// A code is short: wrong ones are limited for each address, for each network
// and for all.
func TestPairingIsLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := server(t, bare(t)).Handler()
		try := func(remote string) int {
			return ask{method: "POST", path: "/pair", local: lan, remote: remote, body: `{"code":"AAAA-AAAA"}`}.do(t, h).Code
		}
		codes := map[int]int{}
		for range 200 {
			codes[try("192.0.2.77:5000")]++
		}
		if codes[401] != 5 || codes[429] != 195 {
			t.Errorf("one noisy caller: %v, want five tries", codes)
		}
		if got := try("192.0.2.78:5000"); got != 401 {
			t.Errorf("another caller: %d, want a try of its own", got)
		}
		// The phones of one shed are of one IPv6 network, link-local or not.
		for _, network := range []string{"2001:db8::", "fe80::"} {
			for range 50 {
				try("[" + network + "bad]:5000")
			}
			if got := try("[" + network + "77]:5000"); got != 401 {
				t.Errorf("another phone of %s/64: %d, want a try of its own", network, got)
			}
		}
		// But one machine can take every address of its network.
		tried := 0
		for i := range 200 {
			if try("[2001:db8:0:7::"+strconv.FormatInt(int64(i), 16)+"]:5000") == 401 {
				tried++
			}
		}
		if tried != 60 {
			t.Errorf("one IPv6 network: %d tries, want 60", tried)
		}
		// A wrong link is counted apart.
		if got := (ask{path: "/ack/nothing", local: lan, remote: "192.0.2.77:5000"}).do(t, h).Code; got != 404 {
			t.Errorf("a wrong link after many wrong codes: %d, want 404", got)
		}
		links := 0
		for range 50 {
			if (ask{path: "/ack/nothing", local: lan, remote: "192.0.2.80:5000"}).do(t, h).Code == 404 {
				links++
			}
		}
		if links != 5 {
			t.Errorf("wrong links of one caller: %d tries, want 5", links)
		}
		if got := try("192.0.2.80:5000"); got != 401 {
			t.Errorf("a code after many wrong links: %d, want 401", got)
		}
		time.Sleep(time.Minute)
		if got := try("192.0.2.77:5000"); got != 401 {
			t.Errorf("the noisy caller a minute later: %d, want 401", got)
		}
	})
}

// Whoever has as many addresses as they like guesses for the whole life of a
// code: what gets through is few enough. SECURITY.md reckons with it.
func TestGuessesInTheLifeOfACode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := server(t, bare(t)).Handler()
		guesses := 0
		time.Sleep(59 * time.Second) // the worst phase of the fixed minutes
		for i := range 10 * 60 * 2 {
			for j := range 10 {
				n := i*10 + j
				remote := "10." + strconv.Itoa(n>>16&255) + "." + strconv.Itoa(n>>8&255) + "." + strconv.Itoa(n&255) + ":1"
				if (ask{method: "POST", path: "/pair", local: lan, remote: remote, body: `{"code":"AAAA-AAAA"}`}).do(t, h).Code == 401 {
					guesses++
				}
			}
			time.Sleep(time.Second / 2)
		}
		const most, letters, codes = 11 * 300, 23, 8 // minutes begun in ten, NewCode's letters, codes that wait at once
		if guesses > most || guesses < 10*300 {
			t.Errorf("%d guesses in ten minutes, want 3000 to %d", guesses, most)
		}
		if p := most * codes / math.Pow(letters, 8); p > 1e-4 {
			t.Errorf("a guess is right with probability %.1e, want 1e-4 at most", p)
		}
		seen := map[rune]bool{}
		for range 2000 {
			for _, r := range strings.ReplaceAll(web.NewCode(), "-", "") {
				seen[r] = true
			}
		}
		if len(seen) != letters {
			t.Errorf("codes are of %d letters, want %d", len(seen), letters)
		}
	})
}

// The same over real connections: what counts is the connection itself, and
// nothing the client says about itself matters.
func TestRealConnection(t *testing.T) {
	b := bare(t)
	get := func(ln net.Listener, token string) int {
		r, _ := http.NewRequest("GET", "http://"+ln.Addr().String()+"/api/v1/snapshot", nil)
		if token != "" {
			r.Header.Set("Authorization", "Bearer "+token)
		}
		res, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		io.Copy(io.Discard, res.Body)
		return res.StatusCode
	}
	home, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	away := daemontest.ListenAsBoard(t)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 2)
	for _, ln := range []net.Listener{home, away} {
		go func() { done <- server(t, b).Serve(ctx, ln) }()
	}
	if got := get(home, ""); got != 200 {
		t.Errorf("loopback: %d, want 200", got)
	}
	if got := get(away, ""); got != 401 {
		t.Errorf("another host: %d, want 401", got)
	}
	if got := get(away, b.Token("phone", web.Look)); got != 200 {
		t.Errorf("another host with a token: %d, want 200", got)
	}
	stop()
	for range 2 {
		if err := <-done; err != nil {
			t.Errorf("Serve = %v after its context ended", err)
		}
	}
}

func TestTokens(t *testing.T) {
	// FIPS 180-4 example: SHA-256 of "abc".
	if got, want := web.HashToken("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"; got != want {
		t.Errorf("HashToken(abc) = %s, want %s", got, want)
	}
	seen := map[string]bool{}
	for range 1000 {
		tok, code := web.NewToken(), web.NewCode()
		if len(tok) != 43 || seen[tok] || seen[code] || web.CleanCode(strings.ToLower(code)) != code {
			t.Fatalf("token %q, code %q", tok, code)
		}
		seen[tok], seen[code] = true, true
	}
}

// Whatever is asked for, only the names of this board are answered. The name
// is taken out of the header by the standard library's URL parser, not by our
// own code.
func FuzzHost(f *testing.F) {
	s, err := web.New(web.Config{HostName: "shed.example.net"}, bare(f))
	if err != nil {
		f.Fatal(err)
	}
	ours := map[string]bool{"localhost": true, "shed.example.net": true, "shed": true, "shed.local": true, "192.0.2.10": true}
	for _, h := range []string{"localhost", "LOCALHOST.:80", "shed.local:1", "[::1]", "[::1]:2", "127.1.2.3", "192.0.2.10", "evil.example", "localhost@evil.example",
		"evil.example#localhost", "[::ffff:127.0.0.1]", "[::1%25lo]:1", "0x7f.1", "127.1", "localhost:", ":", "a:b:c", "[", "shed\x00", "xn--shd-dma"} {
		f.Add(h)
	}
	f.Fuzz(func(t *testing.T, host string) {
		if host == "" {
			return // ask fills it in
		}
		w := ask{path: "/pair", local: lan, host: host}.do(t, s.Handler())
		if w.Code == http.StatusForbidden {
			return
		}
		u, err := url.Parse("http://" + host + "/")
		if err != nil {
			t.Fatalf("answered %q, which is no host: %v", host, err)
		}
		name := strings.ToLower(strings.TrimSuffix(u.Hostname(), "."))
		ip, err := netip.ParseAddr(name)
		if !ours[name] && !(err == nil && (ip.Unmap().IsLoopback() || ours[ip.Unmap().WithZone("").String()])) {
			t.Errorf("answered %q (%d), which is not ours", host, w.Code)
		}
	})
}

// Nothing that opens a door is ever logged, even when everything breaks.
func TestSecretsAreNotLogged(t *testing.T) {
	var log bytes.Buffer
	d := bare(t)
	b := &faulty{Backend: d}
	tok := d.Token("phone", web.Control)
	s := serverOf(t, web.Config{LoopbackRole: web.Control, Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))}, breaks{b})
	h := s.Handler()
	b.err = io.ErrClosedPipe
	for _, a := range []ask{
		{path: "/api/v1/snapshot", local: lan, token: tok}, {path: "/api/v1/coats", local: lan, cookie: tok},
		{path: "/ack/sesame-link", local: lan}, {method: "POST", path: "/ack/sesame-link", local: lan},
		{method: "POST", path: "/pair", local: lan, body: `{"code":"SESA-MECO"}`},
		{path: "/metrics", local: lan, token: tok}, {method: "POST", path: "/api/v1/paircodes", body: `{"role":"look"}`},
	} {
		a.do(t, h)
	}
	if log.Len() == 0 {
		t.Fatal("nothing was logged at all")
	}
	for _, secret := range []string{tok, web.HashToken(tok), "sesame-link", "SESA-MECO"} {
		if strings.Contains(log.String(), secret) {
			t.Errorf("%q is in the log:\n%s", secret, log.String())
		}
	}
}

// breaks panics where a secret is at hand.
type breaks struct{ web.Backend }

func (breaks) AckLook(context.Context, string) (alerts.Alert, error) { panic("look") }
func (breaks) AckByLink(context.Context, string) (alerts.Alert, error) {
	return alerts.Alert{}, io.ErrClosedPipe
}
func (breaks) Redeem(context.Context, string, string) (string, web.Who, error) {
	panic("redeem")
}
