// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"curewright/dashboards/web"
	"curewright/sensors/shopsim"

	"curewright/internal/daemon"
	"curewright/internal/demo"
	"curewright/internal/testkit"
)

// The page over the demo's weekend in a real browser: what it says is there,
// nothing is wrong on the console. With -update the pictures that the README
// shows are made from it.
func TestPageOverTheDemo(t *testing.T) {
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = t.TempDir()
	cfg.Shop.Name = "Boathouse shed"
	cfg.Shop.Air = shopsim.ShedAir
	low := 6.0
	cfg.Shop.LowC = &low
	cfg.Sleep = daemon.SleepSection{From: "22:30", To: "06:30"}
	s, err := demo.NewShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 1, testkit.NoLog())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Daemon.Store().Close()
	heard := true
	if err := s.Daemon.TestSound(t.Context(), "page", &heard); err != nil {
		t.Fatal(err)
	}
	for range 3 { // alerts hold off a little before they speak
		if err := s.Daemon.Evaluate(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "test", LoopbackRole: web.Control}, s.Daemon)
	if err != nil {
		t.Fatal(err)
	}
	hs := httptest.NewServer(srv.Handler())
	defer hs.Close()

	ctx, cancel := chromedp.NewContext(browser(t))
	defer cancel()
	ctx, cancel = context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	do := func(steps ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		for _, step := range steps {
			if err := chromedp.Do(ctx, step); err != nil {
				t.Fatal(err)
			}
		}
	}
	do() // starts the browser
	for _, shot := range []struct {
		name          string
		width, height int64
		scheme        string
		hash          string
		tall          bool
	}{
		{"bench-1280", 1280, 900, "light", "", true},
		{"bench-360", 360, 740, "light", "", false},
		{"bench-360-dark", 360, 740, "dark", "", false},
		{"coat-1280", 1280, 900, "light", "#/coat/a-glass", true},
	} {
		t.Run(shot.name, func(t *testing.T) {
			var opts []chromedp.EmulateViewportOption
			if shot.width < 500 {
				opts = append(opts, chromedp.EmulateMobile, chromedp.EmulateTouch)
			}
			do(chromedp.EmulateViewport(shot.width, shot.height, opts...), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
				_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
					Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: shot.scheme}},
				})
				return err
			}))
			do(chromedp.Navigate("about:blank"), chromedp.Navigate(hs.URL+"/"+shot.hash), chromedp.WaitVisible(chromedp.CSS("#main > *")), chromedp.Sleep(700*time.Millisecond))
			text, err := chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerText"))
			if err != nil {
				t.Fatal(err)
			}
			for _, want := range []string{"Lid A, outer", "green"} {
				if !strings.Contains(text, want) {
					t.Errorf("no %q on the page:\n%s", want, text)
				}
			}
			for _, word := range []string{"κ", "posterior", "p10", "lease", "NaN", "undefined", "Infinity"} {
				if strings.Contains(text, word) {
					t.Errorf("%q is no word of the shop:\n%s", word, text)
				}
			}
			wide, err := chromedp.Run(ctx, chromedp.Evaluate[int64]("document.documentElement.scrollWidth"))
			if err != nil || wide > shot.width {
				t.Errorf("the page is %d px wide on a screen of %d: %v", wide, shot.width, err)
			}
			if !*update {
				return
			}
			if shot.tall {
				h, err := chromedp.Run(ctx, chromedp.Evaluate[int64]("document.documentElement.scrollHeight"))
				if err != nil {
					t.Fatal(err)
				}
				do(chromedp.EmulateViewport(shot.width, h, opts...), chromedp.Sleep(300*time.Millisecond))
			}
			png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join("..", "..", "..", "docs", shot.name+".png"), png, 0o644); err != nil {
				t.Fatal(err)
			}
		})
	}
}
