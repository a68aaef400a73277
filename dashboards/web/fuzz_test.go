// SPDX-License-Identifier: Apache-2.0

package web_test

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"strings"
	"testing"

	"curewright/dashboards/web"
)

// No spelling of a header lets anybody in without a token, and none that
// stands beside a good token of a phone that may only look does more.
func FuzzCredentials(f *testing.F) {
	b := bare(f)
	tok := b.Token("phone", web.Look)
	h := server(f, b).Handler()
	for _, s := range []string{"Bearer x", "bearer " + web.HashToken(tok), "Basic eDp5", "Bearer", "Bearer \x00", "Bearer ' OR 1=1"} {
		f.Add(s, "curewright=x", "")
		f.Add("", "curewright="+s, "null")
	}
	f.Add("", "curewright=; curewright=a; =", "http://"+lan)
	f.Add("", "Curewright="+web.NewToken(), "https://"+lan+"/")
	f.Fuzz(func(t *testing.T, auth, cookie, origin string) {
		if strings.Contains(auth+cookie, tok) {
			return
		}
		header := map[string]string{"Authorization": auth, "Cookie": cookie, "Origin": origin}
		for k, v := range header {
			if v == "" {
				delete(header, k)
			}
		}
		if w := (ask{path: "/api/v1/snapshot", local: lan, header: header}).do(t, h); w.Code != http.StatusUnauthorized && w.Code != http.StatusForbidden {
			t.Errorf("%q let in: %d", header, w.Code)
		}
		delete(header, "Authorization")
		a := ask{method: "POST", path: "/api/v1/panels", local: lan, token: tok, body: `{"id":"lid"}`, header: header}
		if w := a.do(t, h); w.Code != http.StatusForbidden && w.Code != http.StatusUnauthorized {
			t.Errorf("%q beside a token that may look changes something: %d %s", header, w.Code, w.Body)
		}
		// Another site's page is never ours, whatever it says.
		u, err := url.Parse(origin)
		ours := err == nil && strings.EqualFold(u.Host, lan)
		if w := (ask{path: "/api/v1/snapshot", local: lan, token: tok, header: map[string]string{"Origin": origin}}).do(t, h); !ours && w.Code == http.StatusOK {
			t.Errorf("a page of %q reads", origin)
		}
	})
}

// Whatever stands in a path or after its question mark, the answer is right or
// says what is wrong; the board is never at fault, and no file of its is read.
func FuzzAddress(f *testing.F) {
	h := server(f, tented(f)).Handler()
	for _, s := range []string{
		"/api/v1/readings?probe=panel-1&from=2026-10-10T00:00:00Z", "/api/v1/cure?resin=medium&temp_c=18", "/api/v1/air?temp_c=-273.16&rh_pct=NaN",
		"/api/v1/pot?resin=fast&grams=1e308&shape=cup&shop_c=20", "/api/v1/coats/../../etc/passwd", "/api/v1/coats/%2e%2e%2fx/trace?points=-1", "/%2e%2e/%2e%2e/etc/passwd",
		"/ack/%00", "/api/v1/panels/lid-outer/record?format=csv", "/js/..%2f..%2fserver.go", "/api/v1/alerts?all=maybe", "//evil.example/", "/vendor/", "/api/v1/feels?x=%zz",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, address string) {
		if !strings.HasPrefix(address, "/") || strings.Contains(address, "/events") {
			return // a stream does not end by itself
		}
		u, err := url.ParseRequestURI(address)
		if err != nil {
			return // net/http answers 400 by itself
		}
		r := httptest.NewRequest("GET", "http://x/", nil)
		r.URL, r.RequestURI = u, address
		r = r.WithContext(context.WithValue(t.Context(), http.LocalAddrContextKey, net.TCPAddrFromAddrPort(netip.MustParseAddrPort("127.0.0.1:8374"))))
		r.RemoteAddr, r.Host = "127.0.0.1:50000", "127.0.0.1:8374"
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code >= 500 && w.Code != http.StatusServiceUnavailable {
			t.Errorf("%q: %d %s", address, w.Code, w.Body)
		}
		if body := w.Body.String(); strings.Contains(body, "root:x:0") || strings.Contains(body, "package web") {
			t.Errorf("%q reads a file: %.80q", address, body)
		}
		if to := w.Header().Get("Location"); w.Code >= 300 && w.Code < 400 {
			v, err := url.Parse(to)
			if err != nil || v.Host != "" || strings.HasPrefix(to, "//") || strings.HasPrefix(to, `/\`) {
				t.Errorf("%q leads elsewhere: %q", address, to)
			}
		}
	})
}
