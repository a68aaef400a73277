package pagetest

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/dashboards/web"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"curewright/internal/realpart"
)

// shared is the one browser of all tests; each page is a tab of its own, and
// each server an origin of its own, so that nothing is remembered between them.
var shared struct {
	sync.Once
	ctx  context.Context
	stop func()
	err  error
}

func TestMain(m *testing.M) {
	code := m.Run()
	if shared.stop != nil {
		shared.stop()
	}
	os.Exit(code)
}

func browser(t *testing.T) context.Context {
	t.Helper()
	path := realpart.Browser(t)
	shared.Do(func() {
		dir, err := os.MkdirTemp("", "curewright-page-")
		if err != nil {
			shared.err = err
			return
		}
		ctx, cancel := chromedp.NewExecAllocator(context.Background(),
			chromedp.ExecPath(path), chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
			chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
			chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
			chromedp.Flag("hide-scrollbars", true), chromedp.Flag("autoplay-policy", "user-gesture-required"),
			chromedp.Flag("host-resolver-rules", "MAP shed.test 127.0.0.1"),
			chromedp.UserDataDir(dir))
		ctx, cancel2 := chromedp.NewContext(ctx)
		shared.ctx, shared.err = ctx, chromedp.Do(ctx)
		shared.stop = func() {
			cancel2()
			cancel()
			os.RemoveAll(dir)
		}
	})
	if shared.err != nil {
		t.Fatalf("start chromium: %v", shared.err)
	}
	return shared.ctx
}

// serve runs the real server over the shed on a free loopback port and returns
// its address.
func serve(t *testing.T, s *Shed, hosts ...string) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return serveOn(t, s, ln, hosts...)
}

func serveOn(t *testing.T, s *Shed, ln net.Listener, hosts ...string) string {
	t.Helper()
	cfg := web.Config{LoopbackRole: web.Control} // the pages are tried with every button
	cfg.Listen = ln.Addr().String()
	cfg.Hosts = hosts
	srv, err := web.New(cfg, s)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ctx, ln) }()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return "http://" + ln.Addr().String()
}

func shed(t *testing.T, situation string) *Shed {
	t.Helper()
	s, err := New(situation)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// tab opens a page of the given width and scheme. What the page complains of
// (errors thrown, console errors, policy violations) is collected; the second
// result returns it.
func tab(t *testing.T, b context.Context, width, height int64, dark bool) (context.Context, func() []string) {
	t.Helper()
	ctx, cancel := chromedp.NewContext(b)
	t.Cleanup(cancel)
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	opts := []chromedp.EmulateViewportOption{}
	if width < 700 {
		opts = append(opts, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	do(t, ctx, chromedp.EmulateViewport(width, height, opts...), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
		})
		return err
	}))
	var mu sync.Mutex
	var bad []string
	console := chromedp.Console(ctx)
	go func() {
		for m, err := range console {
			if err != nil {
				return
			}
			if m.Type == chromedp.ConsoleError || m.IsException() {
				mu.Lock()
				bad = append(bad, fmt.Sprintf("%s (%s:%d)", m, m.URL, m.Line+1))
				mu.Unlock()
			}
		}
	}()
	return ctx, func() []string {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), bad...)
	}
}

// do runs steps against the tab, each within ten seconds.
func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	for i, step := range steps {
		c, cancel := context.WithTimeout(ctx, 10*time.Second)
		if i == 0 {
			c, cancel = ctx, func() {} // the first run opens the tab, whose life hangs on its context
		}
		err := chromedp.Do(c, step)
		cancel()
		if err != nil {
			t.Fatalf("step %d: %v", i+1, err)
		}
	}
}

// ready waits until the page has drawn what the route asked for.
func ready(sel string) chromedp.Action[chromedp.Void] { return chromedp.WaitVisible(chromedp.CSS(sel)) }

// TestShots draws the pages into the folder CUREWRIGHT_SHOTS, for somebody to
// look at; CUREWRIGHT_SHOTS_ONLY picks names that contain it.
func TestShots(t *testing.T) {
	dir := os.Getenv("CUREWRIGHT_SHOTS")
	if dir == "" {
		t.Skip("CUREWRIGHT_SHOTS names no folder")
	}
	only := strings.Split(os.Getenv("CUREWRIGHT_SHOTS_ONLY"), ",")
	b := browser(t)
	for _, x := range []struct{ name, situation, hash string }{
		{"bench", "day", ""}, {"quiet", "quiet", ""}, {"trouble", "trouble", ""}, {"unknown", "unknown", ""}, {"noprobe", "noprobe", ""},
		{"noclock", "noclock", ""}, {"empty", "empty", ""}, {"us", "us", ""}, {"hundred", "hundred", ""},
		{"mixed", "day", "mixed"}, {"on", "day", "on"}, {"feel", "day", "feel/wet-out-a"}, {"cloth", "day", "cloth/tack-b"}, {"panel", "empty", "panel"}, {"low", "day", "low"},
		{"coat", "day", "coat/wet-out-a"}, {"coatgap", "trouble", "coat/fill-c"}, {"air", "day", "air"}, {"pot", "day", "pot"}, {"resins", "day", "resins"}, {"resin-new", "day", "resin/new"}, {"resin", "day", "resin/medium"},
		{"probes", "trouble", "probes"}, {"day", "day", "day"}, {"tent", "day", "tent"}, {"history", "day", "history"}, {"settings", "day", "settings"}, {"more", "day", "more"}, {"login", "day", "login"},
	} {
		for _, width := range []int64{360, 1280} {
			for _, dark := range []bool{false, true} {
				name := fmt.Sprintf("%s-%d", x.name, width)
				if dark {
					name += "-dark"
				}
				pick := false
				for _, o := range only {
					pick = pick || strings.HasPrefix(name, o)
				}
				if !pick {
					continue
				}
				url := serve(t, shed(t, x.situation))
				ctx, bad := tab(t, b, width, 780, dark)
				do(t, ctx, chromedp.Navigate(url+"/#/"+x.hash), ready("main > *"), chromedp.Sleep(500*time.Millisecond))
				shot := chromedp.FullScreenshot(100)
				if x.name == "hundred" {
					shot = chromedp.CaptureScreenshot()
				} else if h, err := chromedp.Run(ctx, chromedp.Evaluate[int64]("document.documentElement.scrollHeight")); err == nil {
					// A window as tall as the page, so that the bar stands at its foot.
					do(t, ctx, chromedp.EmulateViewport(width, h), chromedp.Sleep(200*time.Millisecond))
				}
				png, err := chromedp.Run(ctx, shot)
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
					t.Fatal(err)
				}
				for _, m := range bad() {
					t.Errorf("%s: the page complains: %s", name, m)
				}
			}
		}
	}
}
