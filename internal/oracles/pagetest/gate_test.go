// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"curewright/dashboards/web"
	"curewright/internal/daemon/daemontest"
)

// The gate rests on what browsers say of themselves; here a real one says it.
// The board is asked by an address that is not loopback, so that log-ins,
// cookies and plain HTTP are as on a shop's network.
func TestGateInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("a browser at work: the race detector sees the same gate in TestHostAndOrigin")
	}
	chromium := browser(t)
	d := daemontest.NewShop(t, daemontest.Options{InMemory: true})
	as, err := d.Alerts(t.Context(), false)
	if err != nil || len(as) == 0 {
		t.Fatalf("no alert in the shop: %v", err)
	}
	s, err := web.New(web.Config{HostName: "shed", LoopbackRole: web.Control}, d)
	if err != nil {
		t.Fatal(err)
	}
	ln := daemontest.ListenAsBoard(t)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, ln) }()
	defer func() { stop(); <-done }()
	_, port, _ := net.SplitHostPort(ln.Addr().String())
	board := "http://shed.local:" + port

	// Another site, on the same machine and so the nearest there can be.
	evil := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprint(w, "<!doctype html><title>elsewhere</title>")
	}))
	defer evil.Close()

	tab, cancel := chromedp.NewContext(chromium)
	defer cancel()
	if err := chromedp.Do(tab); err != nil {
		t.Fatal(err)
	}
	limited, cancel := context.WithTimeout(tab, 90*time.Second)
	defer cancel()
	run := func(what string, steps ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(limited, steps...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	eval := func(js string) string {
		t.Helper()
		v, err := chromedp.Run(limited, chromedp.Evaluate[string](js, chromedp.EvalAwaitPromise))
		if err != nil {
			t.Fatalf("%s: %v", js, err)
		}
		return v
	}
	// fetch makes one request from the page that is open and returns the
	// status, or the browser's own refusal.
	fetch := func(url, init string) string {
		t.Helper()
		return eval(fmt.Sprintf(`fetch(%q, %s).then(r => r.type === 'opaque' ? 'opaque' : String(r.status), e => 'blocked')`, url, init))
	}
	want := func(what, got string, want ...string) {
		t.Helper()
		for _, w := range want {
			if got == w {
				return
			}
		}
		t.Errorf("%s: %s, want %v", what, got, want)
	}
	const feel = `{method: 'POST', credentials: 'include', headers: {'Content-Type': 'application/json'}, body: '{"state":"tacky","at":"2026-10-10T10:05:00Z"}'}`
	feels := board + "/api/v1/coats/tack/feels"

	// Opened without a log-in, the page comes and can ask for the code.
	run("open", chromedp.Navigate(board+"/"))
	want("data without a log-in", fetch("/api/v1/snapshot", "{}"), "401")
	code, _, err := d.NewPairCode(t.Context(), web.Record, "phone", 0)
	if err != nil {
		t.Fatal(err)
	}
	body, _ := json.Marshal(map[string]string{"code": code})
	want("pair", fetch("/pair", fmt.Sprintf(`{method: 'POST', headers: {'Content-Type': 'application/json'}, body: %q}`, body)), "200")
	want("data", fetch("/api/v1/snapshot", "{}"), "200")
	want("finger test", fetch(feels, feel), "201")
	want("what a script can see of the cookie", eval("document.cookie"), "")

	// From another site, with the cookie in the browser's jar.
	before, err := d.Entries(t.Context(), 200)
	if err != nil {
		t.Fatal(err)
	}
	run("elsewhere", chromedp.Navigate(evil.URL))
	want("another site reads", fetch(board+"/api/v1/snapshot", "{credentials: 'include'}"), "blocked")
	want("another site writes", fetch(feels, feel), "blocked")
	want("another site writes blindly", fetch(feels, `{method: 'POST', mode: 'no-cors', credentials: 'include', body: '{"state":"hard"}'}`), "opaque", "blocked")
	want("another site logs out", fetch(board+"/logout", `{method: 'POST', mode: 'no-cors', credentials: 'include'}`), "opaque", "blocked")
	eval(fmt.Sprintf(`(() => { const f = document.createElement('form'); f.method = 'post'; f.enctype = 'text/plain'; f.action = %q;
		const i = document.createElement('input'); i.name = '{"state":"hard","x":"'; i.value = '"}'; f.append(i); document.body.append(f); f.submit(); return ''; })()`, feels))
	run("another site's form", chromedp.WaitReady(chromedp.CSS("pre"))) // how a browser shows JSON
	if text := eval("document.body.innerText"); !strings.Contains(text, "not this board's own page") {
		t.Errorf("another site's form: %s", text)
	}
	if after, err := d.Entries(t.Context(), 200); err != nil || len(after) != len(before) {
		t.Errorf("another site entered something: %d entries, were %d, %v", len(after), len(before), err)
	}
	run("back", chromedp.Navigate(board+"/"))
	want("the log-in afterwards", fetch("/api/v1/snapshot", "{}"), "200")

	// A name of somebody else's that points at the board.
	run("rebound", chromedp.Navigate("http://rebound.example:"+port+"/"))
	want("a rebound name reads", fetch("/api/v1/snapshot", "{}"), "403")
	want("a rebound name writes", fetch("/api/v1/coats/tack/feels", feel), "403")

	// The link in a message: a plain form, no script, no log-in.
	run("acknowledge", chromedp.Navigate(board+"/ack/"+d.Rules().MintAck(as[0].ID)), chromedp.Click(chromedp.CSS("button")), chromedp.WaitNotPresent(chromedp.CSS("form")))
	want("after the button", eval("document.querySelector('h1').textContent"), "Noted")
	as, err = d.Alerts(t.Context(), false)
	if err != nil || len(as) == 0 || as[0].AckedAt == nil {
		t.Errorf("not acknowledged: %+v, %v", as, err)
	}
}
