// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"curewright/internal/daemon/daemontest"
)

// Where the connection is trusted, as over TLS or, here, on the machine itself,
// the page can be put on a phone's home screen: the browser finds nothing against
// it (W3C Web Application Manifest, and what Chromium asks for beside it).
func TestInstallable(t *testing.T) {
	d := daemontest.New(t, daemontest.Options{})
	ctx, _ := tab(t, browser(t), 360, 740, false)
	against := func() (ids []string) {
		do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
			r, err := cdp.Call(ctx, tg, page.GetInstallabilityErrors, cdp.Empty{})
			for _, e := range r.InstallabilityErrors {
				ids = append(ids, e.ErrorID)
			}
			return err
		}))
		return ids
	}
	if len(against()) == 0 {
		t.Fatal("the browser would install an empty tab: it does not look")
	}
	open(t, ctx, d.URL)
	if !js[bool](t, ctx, "isSecureContext") {
		t.Fatal("no secure context")
	}
	if ids := against(); len(ids) > 0 {
		t.Errorf("not installable: %q", ids)
	}
}
