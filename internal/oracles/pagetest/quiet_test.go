// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// A panel's probe that goes quiet is told in whole words, with the panel that is
// judged without it.
func TestQuietProbe(t *testing.T) {
	s := day(t)
	s.Clock.Put(s.Now().Add(30 * time.Minute)) // and no reading came meanwhile
	s.Evaluate(t.Context())
	ctx := phone(t, s.url)
	says(t, ctx, "Lid A, outer is judged without it, with wider doubt. See Probes")
}

// The bench calls panels by their names from the first moment, also where the
// lists come long after the state: never by their ids.
func TestNamesFromTheFirst(t *testing.T) {
	b := browser(t)
	s := day(t)
	late := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/api/v1/panels" {
			time.Sleep(500 * time.Millisecond)
		}
		s.Server.Handler().ServeHTTP(w, r)
	}))
	t.Cleanup(late.Close)
	t.Cleanup(late.CloseClientConnections)
	ctx, bad := tab(t, b, 360, 740, false)
	do(t, ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `
			window.ids = new Set();
			new MutationObserver(() => {
				for (const x of (document.getElementById('main')?.textContent || '').match(/lid-[ab]/g) || []) ids.add(x);
			}).observe(document, { childList: true, characterData: true, subtree: true });`})
		return err
	}))
	open(t, ctx, late.URL)
	says(t, ctx, "Lid A, outer")
	if ids := js[string](t, ctx, "[...ids].join(' ')"); ids != "" {
		t.Errorf("shown by their ids at first: %s", ids)
	}
	clean(t, bad)
}
