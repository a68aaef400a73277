// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"fmt"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
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
			// The names a shop's network would give, and one that somebody else
			// points at the board.
			chromedp.Flag("host-resolver-rules", "MAP shed.test 127.0.0.1, MAP shed.local 127.0.0.1, MAP rebound.example 127.0.0.1"),
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
	// A thing where a word should stand is a complaint as well.
	do(t, ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `
			new MutationObserver(() => {
				const x = /.{0,40}(\[object |\bundefined\b|\bNaN\b).{0,40}/.exec(document.getElementById('main')?.textContent || '');
				if (x) console.error('no words: ' + x[0]);
			}).observe(document, { childList: true, characterData: true, subtree: true });`})
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

// do runs steps against the tab, each within a while.
func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	for i, step := range steps {
		c, cancel := context.WithTimeout(ctx, patience)
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

// js evaluates an expression in the page.
func js[T any](t *testing.T, ctx context.Context, expr string) T {
	t.Helper()
	c, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	v, err := chromedp.Run(c, chromedp.Evaluate[T](expr, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", expr, err)
	}
	return v
}

// patience bounds every wait for an event; a machine under load is slow, and a
// page that never does it fails all the same.
const patience = 40 * time.Second

// until waits for an expression to become true, asked anew in every frame.
func until(t *testing.T, ctx context.Context, expr string) {
	t.Helper()
	c, cancel := context.WithTimeout(ctx, patience+5*time.Second)
	defer cancel()
	_, err := chromedp.Run(c, chromedp.Poll[bool]("!!("+expr+")", chromedp.WithPollingInterval(40*time.Millisecond), chromedp.WithPollingTimeout(patience)))
	if err != nil {
		body, _ := chromedp.Run(ctx, chromedp.Evaluate[string]("location.hash + '\\n' + document.body.innerText"))
		t.Fatalf("waiting for %s: %v\nthe page says:\n%s", expr, err, body)
	}
}

// text is the page's, with plain blanks.
const text = `document.body.innerText.replace(/[\u00a0\u202f]/g,' ')`

// says waits until the page shows the text.
func says(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	until(t, ctx, fmt.Sprintf("%s.includes(%q)", text, what))
}

// button is an expression for the visible button, link or choice of that text.
func button(text string) string {
	return fmt.Sprintf(`[...document.querySelectorAll('button, a, .opt')].find((e) => e.innerText.replace(/[\u00a0\u202f]/g,' ').trim().split('\n')[0] === %q && e.getClientRects().length && !e.disabled && !e.classList.contains('vh'))`, text)
}

// drawn is true once the page that the address names is the one on the screen:
// a link's click changes the address before the page.
const drawn = `(document.querySelector('#main') && document.querySelector('#main').dataset.at === location.hash)`

// tap presses what carries the text, as a finger would.
func tap(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	until(t, ctx, drawn+" && "+button(text))
	tapAt(t, ctx, text, button(text))
}

// tapAt presses an element by its place on the screen. A person looks before
// pressing: the page asked for last is the one drawn, and the place is the same
// in two frames running with nothing over it.
func tapAt(t *testing.T, ctx context.Context, what, expr string) {
	t.Helper()
	// What is pressed may move under the finger, as when the foot gets a line more
	// in that moment: then it is pressed again, as a person does.
	for range 3 {
		if pressed(t, ctx, what, expr) {
			return
		}
	}
	t.Fatalf("%q was pressed three times and got no click", what)
}

// pressed presses once and reports whether the click came to where it was meant,
// or to a page that is no more.
func pressed(t *testing.T, ctx context.Context, what, expr string) bool {
	t.Helper()
	at := js[[]float64](t, ctx, fmt.Sprintf(`(async () => {
		const frame = () => new Promise(requestAnimationFrame);
		const place = () => {
			const e = %s && %s;
			if (!e) return null;
			const p = e.getBoundingClientRect(), foot = document.querySelector('#foot').getBoundingClientRect();
			if (p.top < 0 || p.bottom > (e.closest('#foot') ? innerHeight : foot.top)) e.scrollIntoView({block: 'center'});
			const r = e.getBoundingClientRect(), x = r.x + r.width / 2, y = r.y + r.height / 2;
			return e.contains(document.elementFromPoint(x, y)) ? [x, y] : null;
		};
		for (let was = null, n = 0; n < 900; n++) {
			const now = place();
			if (was && now && was[0] === now[0] && was[1] === now[1]) {
				window.clicked = false;
				(%s).addEventListener('click', () => { window.clicked = true; }, { capture: true, once: true });
				return now;
			}
			was = now;
			await frame();
		}
		return [];
	})()`, drawn, expr, expr))
	if len(at) != 2 {
		t.Fatalf("%q has no place on the screen to press", what)
	}
	do(t, ctx, chromedp.MouseClickXY(at[0], at[1]))
	return js[bool](t, ctx, `window.clicked !== false`)
}

// type_ writes into the field of that name.
func type_(t *testing.T, ctx context.Context, field, text string) {
	t.Helper()
	sel := chromedp.CSS(fmt.Sprintf(`[data-field="%s"] input`, field))
	do(t, ctx, chromedp.WaitVisible(sel))
	// Out from under the foot, as a person scrolls before typing.
	js[bool](t, ctx, fmt.Sprintf(`(document.querySelector('[data-field="%s"] input').scrollIntoView({block: 'center'}), true)`, field))
	do(t, ctx, chromedp.SendKeys(sel, text))
}

// phone opens an address on a phone. At the test's end the page has complained of
// nothing.
func phone(t *testing.T, url string) context.Context {
	t.Helper()
	ctx, bad := tab(t, browser(t), 360, 740, os.Getenv("CUREWRIGHT_DARK") != "")
	t.Cleanup(func() { clean(t, bad) })
	open(t, ctx, url)
	return ctx
}

// noisyPhone is one whose console tells of lost requests or refusals, which are
// the browser's own complaints.
func noisyPhone(t *testing.T, url string) context.Context {
	t.Helper()
	ctx, _ := tab(t, browser(t), 360, 740, os.Getenv("CUREWRIGHT_DARK") != "")
	open(t, ctx, url)
	return ctx
}

func open(t *testing.T, ctx context.Context, url string) {
	t.Helper()
	do(t, ctx, chromedp.Navigate(url), ready("#main > *"))
}

func clean(t *testing.T, bad func() []string) {
	t.Helper()
	for _, m := range bad() {
		t.Errorf("the page complains: %s", m)
	}
}
