package pagetest

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
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/model/coat"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

const assets = "../assets"

// js evaluates an expression in the page.
func js[T any](t *testing.T, ctx context.Context, expr string) T {
	t.Helper()
	c, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	v, err := chromedp.Run(c, chromedp.Evaluate[T](expr, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", expr, err)
	}
	return v
}

// until waits for an expression to become true.
func until(t *testing.T, ctx context.Context, expr string) {
	t.Helper()
	c, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	_, err := chromedp.Run(c, chromedp.Poll[bool]("!!("+expr+")", chromedp.WithPollingInterval(40*time.Millisecond), chromedp.WithPollingTimeout(15*time.Second)))
	if err != nil {
		body, _ := chromedp.Run(ctx, chromedp.Evaluate[string]("document.body.innerText"))
		t.Fatalf("waiting for %s: %v\nthe page says:\n%s", expr, err, body)
	}
}

// says waits until the page shows the text.
func says(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	until(t, ctx, fmt.Sprintf("document.body.innerText.replace(/[\\u00a0\\u202f]/g,' ').includes(%q)", text))
}

// button is an expression for the visible button, link or choice of that text.
func button(text string) string {
	return fmt.Sprintf(`[...document.querySelectorAll('button, a, .opt')].find((e) => e.innerText.replace(/[\u00a0\u202f]/g,' ').trim().split('\n')[0] === %q && e.getClientRects().length)`, text)
}

// tap presses what carries the text, as a finger would: by its place on the
// screen. A person looks before pressing: the page asked for last is the one
// drawn, and the place is the same in two frames running with nothing over it.
func tap(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	until(t, ctx, drawn+" && "+button(text))
	at := js[[]float64](t, ctx, fmt.Sprintf(`(async () => {
		const frame = () => new Promise(requestAnimationFrame);
		const place = () => {
			const e = %s && %s;
			if (!e) return null;
			e.scrollIntoView({block: 'center'});
			const r = e.getBoundingClientRect(), x = r.x + r.width / 2, y = r.y + r.height / 2;
			return e.contains(document.elementFromPoint(x, y)) ? [x, y] : null;
		};
		for (let was = null, n = 0; n < 600; n++) {
			const now = place();
			if (was && now && was[0] === now[0] && was[1] === now[1]) return now;
			was = now;
			await frame();
		}
		return [];
	})()`, drawn, button(text)))
	if len(at) != 2 {
		t.Fatalf("%q has no place on the screen to press", text)
	}
	do(t, ctx, chromedp.MouseClickXY(at[0], at[1]))
}

// drawn is true once the page that the address names is the one on the screen:
// a link's click changes the address before the page.
const drawn = `(document.querySelector('#main').dataset.at === location.hash)`

// type_ writes into the field of that name.
func type_(t *testing.T, ctx context.Context, field, text string) {
	t.Helper()
	sel := chromedp.CSS(fmt.Sprintf(`[data-field="%s"] input`, field))
	do(t, ctx, chromedp.WaitVisible(sel), chromedp.SendKeys(sel, text))
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

// sizes are the two screens of the brief: a phone held in a glove, light; a
// wide screen across the shed, dark.
var sizes = []struct {
	name          string
	width, height int64
	dark          bool
}{{"phone", 360, 740, false}, {"wide", 1280, 900, true}}

// TestFirstHour is a new user's first hour: name a probe, add a panel, mix, put
// the coat on, feel it, be called, acknowledge.
func TestFirstHour(t *testing.T) {
	b := browser(t)
	for _, z := range sizes {
		t.Run(z.name, func(t *testing.T) {
			s := shed(t, "empty")
			ctx, bad := tab(t, b, z.width, z.height, z.dark)
			open(t, ctx, serve(t, s))
			says(t, ctx, "Nothing is on the bench yet.")
			says(t, ctx, "No way to wake you is set up.")

			tap(t, ctx, "Name it")
			type_(t, ctx, "name", "loose lid probe")
			tap(t, ctx, "On a panel")
			tap(t, ctx, "Accept it")
			says(t, ctx, "loose lid probe")
			if p := s.seen().probes[2]; !p.Accepted || p.Role != "panel" || p.Name != "loose lid probe" {
				t.Errorf("probe = %+v, want it accepted, on a panel, named", p)
			}

			tap(t, ctx, "Bench")
			tap(t, ctx, "New panel")
			type_(t, ctx, "id", "Locker lid, outer")
			tap(t, ctx, "loose lid probe")
			tap(t, ctx, "Add the panel")
			says(t, ctx, "Locker lid, outer added.")
			if len(s.seen().panels) != 1 || s.seen().panels[0].ID != "locker-lid-outer" || s.seen().panels[0].Probe != "panel-2" || s.seen().panels[0].Air != "shed-air" {
				t.Errorf("panels = %+v", s.seen().panels)
			}

			tap(t, ctx, "Mixed")
			tap(t, ctx, "lid epoxy, slow")
			tap(t, ctx, "200 g")
			says(t, ctx, "56 g hardener")
			tap(t, ctx, "5 min ago")
			tapBar(t, ctx)
			says(t, ctx, "in the cup of 256 g of lid epoxy, slow, mixed 14:15")
			if b := s.seen().batches[0]; *b.ResinG != 200 || *b.HardenerG != 56 || b.Shape != "cup" {
				t.Errorf("batch = %+v", b)
			}

			tap(t, ctx, "On the panel")
			tap(t, ctx, "Tack coat")
			tapBar(t, ctx)
			says(t, ctx, "It is on.")
			says(t, ctx, "Leave it. Feel it from")
			c := s.seen().records[0]
			if c.Kind != "tack coat" || c.Next != "cloth" || len(c.Batches) != 1 || c.Batches[0] != s.seen().batches[0].ID || c.Resin != "lid epoxy, slow" {
				t.Errorf("coat = %+v", c)
			}

			tap(t, ctx, "Feel it")
			tap(t, ctx, "Sticks, lifts clean")
			tapBar(t, ctx)
			says(t, ctx, "Sticks, lifts clean.")
			until(t, ctx, "document.querySelector('.strip .thumb')")

			tap(t, ctx, "Got it")
			says(t, ctx, "Heard the call of")
			tap(t, ctx, "Used up")
			says(t, ctx, "Cup used up.")
			until(t, ctx, "!document.querySelector('.cup')")
			for kind, n := range map[string]int{"panel": 1, "batch": 1, "coat": 1, "feel": 1, "ack": 1} {
				if s.seen().writes[kind] != n {
					t.Errorf("%d × %s entered, want %d", s.seen().writes[kind], kind, n)
				}
			}
			clean(t, bad)
		})
	}
}

// tapBar presses the button at the thumb.
func tapBar(t *testing.T, ctx context.Context) {
	t.Helper()
	until(t, ctx, drawn)
	do(t, ctx, chromedp.Click(chromedp.CSS("#bar button.first")))
}

// TestBench checks the order, the sentence with its clock times, and that what
// matters is said in words.
func TestBench(t *testing.T) {
	b := browser(t)
	ctx, bad := tab(t, b, 360, 740, false)
	for _, x := range []struct {
		situation string
		want      []string
	}{
		{"day", []string{"Roll the fill coat on between now and 16:50.", "About 9 min left", "While you sleep", "Tonight’s low?", "Lid A, outer 19°C, 9°C above dew", "fill coat over cloth"}},
		{"us", []string{"between now and 4:50 pm.", "2:20 pm", "Lid A, outer 66°F, 16°F above dew"}},
		{"trouble", []string{"lid B probe is not found.", "Last heard 13:06, 1 h 15 min ago.", "Look at its plug", "Time is up", "do not carry it if it is hot", "only 1.5°C above dew", "No way to wake you is set up."}},
		{"unknown", []string{"Not known: the panel was under 10 °C for 3 h."}},
		{"noprobe", []string{"No probe is found.", "no reading", "How to add one"}},
		{"noclock", []string{"The board does not know the time.", "Use this phone’s time", "between now and 2 h 30 min from now."}},
	} {
		open(t, ctx, serve(t, shed(t, x.situation)))
		for _, w := range x.want {
			says(t, ctx, w)
		}
		// The words of statistics and machinery stay out of the shop.
		for _, w := range []string{"κ", "kappa", "posterior", "lease", "p10", "p50", "p90", "null", "undefined", "NaN", "Invalid"} {
			if js[bool](t, ctx, fmt.Sprintf("document.body.innerText.includes(%q)", w)) {
				t.Errorf("%s: the page says %q", x.situation, w)
			}
		}
	}
	open(t, ctx, serve(t, shed(t, "day")))
	says(t, ctx, "Lid A, outer")
	got := js[[]string](t, ctx, "[...document.querySelectorAll('.coat h2')].map((e) => e.innerText)")
	if want := []string{"Lid A, outer", "Lid B, outer", "Hinge blocks"}; strings.Join(got, "|") != strings.Join(want, "|") {
		t.Errorf("order = %v, want %v: who needs you next comes first", got, want)
	}
	clean(t, bad)
}

// TestHundred draws a hundred coats: all are there, and the most urgent first.
func TestHundred(t *testing.T) {
	b := browser(t)
	ctx, bad := tab(t, b, 1280, 900, false)
	open(t, ctx, serve(t, shed(t, "hundred")))
	until(t, ctx, "document.querySelectorAll('.coat .strip').length === 100")
	flags := js[[]string](t, ctx, "[...document.querySelectorAll('.coat .flag')].map((e) => e.textContent)")
	if flags[0] != "act now" || flags[99] != "done" {
		t.Errorf("first %q, last %q; want act now, done", flags[0], flags[99])
	}
	clean(t, bad)
}

// TestHolds ends a coat only after half a second's press, by finger and by key,
// and takes it back.
func TestHolds(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, s))
	says(t, ctx, "Hold: done with it")
	tap(t, ctx, "Hold: done with it")
	if s.seen().records[0].Ended != nil {
		t.Fatal("a tap ended the coat; want a hold of half a second")
	}
	js[bool](t, ctx, "(document.querySelector('button.hold[data-do=end]').focus(), true)")
	js[bool](t, ctx, "(document.activeElement.dispatchEvent(new KeyboardEvent('keydown', {key: 'Enter', bubbles: true, cancelable: true})), true)")
	says(t, ctx, "No longer watched.")
	until(t, ctx, "!document.querySelector('[data-coat=bond-1]')")
	tap(t, ctx, "Undo")
	until(t, ctx, "document.querySelector('[data-coat=bond-1]')")
	clean(t, bad)
}

// TestCopyBack saves everything to the phone and puts it back through the
// page's own field, as a file whose kind the phone does not know; another file
// is refused with the reason and nothing is lost.
func TestCopyBack(t *testing.T) {
	b := browser(t)
	ctx, bad := tab(t, b, 360, 740, false)
	url := serve(t, shed(t, "day"))
	open(t, ctx, url+"/#/history")
	says(t, ctx, "Save everything to this phone")
	put := func(what string) {
		js[bool](t, ctx, `(async () => {
			const dt = new DataTransfer(), field = document.querySelector('#main input[type=file]');
			dt.items.add(new File([`+what+`], 'curewright-2026-10-10.db'));
			field.files = dt.files;
			field.dispatchEvent(new Event('change'));
			return true;
		})()`)
	}
	put(`await (await fetch('api/v1/backup')).blob()`)
	says(t, ctx, "The copy is whole. It is taken at the next start.")
	put(`'holiday.jpg'`)
	says(t, ctx, "This is not a copy of a made-up shed. Nothing was changed.")
	// A phone that may only enter work is told so, and not handed a download
	// that the board refuses.
	js[bool](t, ctx, `(() => {
		const ask = fetch;
		window.fetch = (url, o) => String(url).endsWith('/whoami') ? Promise.resolve(new Response('{"name":"phone","role":"record"}')) : ask(url, o);
		location.hash = '#/more';
		return true;
	})()`)
	says(t, ctx, "Epoxies")
	js[bool](t, ctx, "(location.hash = '#/history', true)")
	says(t, ctx, "Only a phone that may do everything can copy it or put a copy back.")
	if js[bool](t, ctx, `!!document.querySelector('#main input[type=file], #main a[download]')`) {
		t.Error("what the board would refuse is still offered")
	}
	// The browser itself says "400" of the refused file.
	for _, m := range bad() {
		if !strings.Contains(m, "400") {
			t.Errorf("the page complains: %s", m)
		}
	}
}

// TestHeaterIsHeld taps what could bring heat back: nothing happens before
// half a second's hold.
func TestHeaterIsHeld(t *testing.T) {
	b := browser(t)
	ctx, _ := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, shed(t, "day"))+"/#/tent")
	says(t, ctx, "Heat off")
	loose := js[[]string](t, ctx, `[...document.querySelectorAll('#main button')].filter((b) => !b.classList.contains('hold') && !b.closest('.step')).map((b) => b.innerText)`)
	for _, name := range loose {
		// These two only ever switch off, and the third only asks.
		if name != "Heat off" && !strings.HasPrefix(name, "Solvent in use") && name != "What would it take" {
			t.Errorf("%q acts at a tap, want a hold", name)
		}
	}
	if len(loose) < 2 {
		t.Errorf("buttons that act at a tap = %q, want the two that switch off", loose)
	}
}

// TestLandACoat asks from a phone what would land a coat, and has it followed:
// the wish goes out with the shop's next seven o'clock, and the answer stands on
// the page.
func TestLandACoat(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, s)+"/#/tent")
	says(t, ctx, "Never sleep in a tent")
	tap(t, ctx, "What would it take")
	says(t, ctx, "84 % likely")
	s.mu.Lock()
	asked := slices.Clone(s.aimed)
	s.mu.Unlock()
	if len(asked) != 1 {
		t.Fatalf("asked %q, want once", asked)
	}
	var w struct {
		Coat, Wish string
		From, To   time.Time
		Apply      bool
	}
	if err := json.Unmarshal([]byte(asked[0]), &w); err != nil {
		t.Fatal(err)
	}
	loc := s.Now().Location()
	if w.Coat == "" || w.Wish != "window" || w.Apply || w.From.In(loc).Format("15:04") != "07:00" || w.To.Sub(w.From) != 2*time.Hour || !w.From.After(s.Now()) || w.From.After(s.Now().Add(24*time.Hour)) {
		t.Errorf("asked %s", asked[0])
	}
	clean(t, bad)
}

// TestDayFlips plans a flip: the day names the panel that comes up and sends
// it along, though only one side was chosen.
func TestDayFlips(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	s.panels = []coat.Panel{{ID: "out", Piece: "lid", Name: "Lid, out"}, {ID: "in", Piece: "lid", Name: "Lid, in"}, {ID: "door", Piece: "door", Name: "Door"}}
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, s)+"/#/day")
	says(t, ctx, "Lid, out")
	tap(t, ctx, "One more step")
	js[bool](t, ctx, `((x) => { x.value = 'flip'; x.dispatchEvent(new Event('change')); return true; })(document.querySelector('[aria-label="Step 5: what"]'))`)
	js[bool](t, ctx, `((x) => { x.value = 'hard'; x.dispatchEvent(new Event('change')); return true; })(document.querySelector('[aria-label="Step 5: when"]'))`)
	tap(t, ctx, "Plan it")
	says(t, ctx, "91 in 100 forecasts")
	s.mu.Lock()
	got := s.planned
	s.mu.Unlock()
	var day struct {
		Panel []struct{ ID string }
		Step  []struct{ Panel, Do, To, When string }
	}
	if err := json.Unmarshal([]byte(got), &day); err != nil {
		t.Fatal(err)
	}
	if n := len(day.Step); n != 5 || day.Step[4].Do != "flip" || day.Step[4].Panel != "out" || day.Step[4].To != "in" || day.Step[4].When != "hard" {
		t.Errorf("steps: %+v", day.Step)
	}
	if len(day.Panel) != 2 || day.Panel[0].ID != "out" || day.Panel[1].ID != "in" {
		t.Errorf("panels: %+v", day.Panel)
	}
	clean(t, bad)
}

// TestDayAgainstPlan shows a day that was planned again: what is done stands
// beside the time first given to it, what is past is not called undone, and a
// window that closes before it opens is not drawn as one.
func TestDayAgainstPlan(t *testing.T) {
	b := browser(t)
	ctx, bad := tab(t, b, 360, 740, false)
	url := serve(t, shed(t, "day"))
	open(t, ctx, url)
	js[bool](t, ctx, `(localStorage.setItem('plan', JSON.stringify({
		made: Date.parse('2026-10-10T12:00:00+01:00'), from: '2026-10-10T08:00:00Z',
		first: {tack: '2026-10-10T09:00:00+01:00', glass: '2026-10-10T11:10:00+01:00', fill: '2026-10-10T18:00:00+01:00'},
		plan: {feasible: false, say: 'Only 12 in 100 forecasts let every step fall inside its window.', notes: ['Generic epoxy: fit your own from its data sheet.'], steps: [
			{step: 'tack', panel: 'lid-a-outer', at: '2026-10-10T09:40:00+01:00', done: true, say: 'Tack coat: done.'},
			{step: 'glass', panel: 'lid-a-outer', at: '2026-10-10T11:10:00+01:00', say: 'Roll the glass in.', batches: [{grams: 127, resin_g: 100, hardener_g: 27, work_minutes: 18, verdict: 'runaway'}, {grams: 127, resin_g: 100, hardener_g: 27, work_minutes: 18, verdict: 'runaway'}], window: {opens: '2026-10-10T11:00:00+01:00', closes: null}},
			{step: 'fill', panel: 'lid-a-outer', at: '2026-10-10T18:20:00+01:00', say: 'Roll the fill coat on.', window: {opens: '2026-10-10T18:30:00+01:00', closes: '2026-10-10T18:10:00+01:00'}}]},
	})), location.hash = '#/day', true)`)
	says(t, ctx, "Only 12 in 100 forecasts")
	text := js[string](t, ctx, `document.querySelector('#main [role=status]').innerText.replace(/[\u00a0\u202f]/g, ' ')`)
	for _, want := range []string{"09:40 · Lid A, outer · done · first planned 09:00", "11:10 · Lid A, outer · past: if it is done, plan again\n", "Window 11:00 to open end.", "18:20 · Lid A, outer · first planned 18:00", "It closes before it opens.", "2 cups of 127 g: 100 g resin, 27 g hardener, 18 min, overheats if left standing.", "Generic epoxy: fit your own"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if t.Failed() {
		t.Log(text)
	}
	clean(t, bad)
}

// TestDoubleTap taps twice where once was meant: one cup is entered.
func TestDoubleTap(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, s)+"/#/mixed")
	says(t, ctx, "How much resin")
	js[bool](t, ctx, "(() => { const e = document.querySelector('#bar button.first'); e.click(); e.click(); setTimeout(() => e.click(), 5); return true; })()")
	says(t, ctx, "Mixed.")
	if s.seen().writes["batch"] != 1 {
		t.Errorf("%d cups entered, want 1", s.seen().writes["batch"])
	}
	tap(t, ctx, "Undo")
	says(t, ctx, "Undone.")
	if len(s.seen().batches) != 0 {
		t.Errorf("batches = %+v after undo, want none", s.seen().batches)
	}
	clean(t, bad)
}

// TestRefused: the board's fault stands beside its field, and what was entered
// stays.
func TestRefused(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ctx, _ := tab(t, b, 360, 740, false) // a 400 is a console error of the browser's own
	open(t, ctx, serve(t, s)+"/#/panel")
	type_(t, ctx, "id", "Lid A outer")
	tap(t, ctx, "wood")
	tapBar(t, ctx)
	says(t, ctx, `there is a panel "lid-a-outer" already`)
	if !js[bool](t, ctx, `document.querySelector('[data-field="id"] .err').innerText.includes('already')`) {
		t.Error("the fault does not stand beside its field")
	}
	if v := js[string](t, ctx, `document.querySelector('[data-field="id"] input').value`); v != "Lid A outer" {
		t.Errorf("the field holds %q, want what was typed", v)
	}
	if !js[bool](t, ctx, `document.querySelector('input[value=wood]').checked`) {
		t.Error("the choice was lost")
	}
	// A reload loses nothing either.
	do(t, ctx, chromedp.Reload(), ready(".slip"))
	if v := js[string](t, ctx, `document.querySelector('[data-field="id"] input').value`); v != "Lid A outer" {
		t.Errorf("after a reload the field holds %q, want what was typed", v)
	}
}

// TestBlink loses the line on a LAN name over plain HTTP: log in, lose it, enter
// a cup and the coat made from it, get it back; both arrive once, in order, the
// coat naming the cup by the board's id.
func TestBlink(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := ln.Addr().String()
	_, port, _ := net.SplitHostPort(addr)
	stop := serveUntil(t, s, ln, "shed.test")
	ctx, _ := tab(t, b, 360, 740, false) // lost requests are console errors of the browser's own
	open(t, ctx, "http://shed.test:"+port+"/")
	says(t, ctx, "Who is it?")
	type_(t, ctx, "code", "000000")
	tapBar(t, ctx)
	says(t, ctx, "wrong, used up or older")
	js[bool](t, ctx, `(document.querySelector('[data-field="code"] input').value = '', true)`)
	type_(t, ctx, "code", Code)
	tapBar(t, ctx)
	says(t, ctx, "Roll the fill coat on")
	if js[bool](t, ctx, "isSecureContext") {
		t.Fatal("this is a secure context: not the plain LAN name that was meant to be tried")
	}
	says(t, ctx, "Feel it")

	stop()
	tap(t, ctx, "Mixed")
	tap(t, ctx, "slow")
	tapBar(t, ctx)
	says(t, ctx, "Kept on this phone, will send")
	says(t, ctx, "No line to the board")
	tap(t, ctx, "On the panel")
	tap(t, ctx, "Lid B, inner")
	tap(t, ctx, "Seal")
	tapBar(t, ctx)
	says(t, ctx, "cup of slow mixed")
	says(t, ctx, "seal on Lid B, inner")
	if len(s.seen().batches)+s.seen().writes["coat"] != 0 {
		t.Fatal("something was entered without a line")
	}

	ln2, err := net.Listen("tcp", addr)
	if err != nil {
		t.Skipf("the port was taken meanwhile: %v", err)
	}
	serveUntil(t, s, ln2, "shed.test")
	js[bool](t, ctx, "(dispatchEvent(new Event('online')), true)")
	until(t, ctx, "!document.body.innerText.includes('Kept on this phone')")
	until(t, ctx, "document.querySelector('.cup [data-id=batch-1]')")
	if s.seen().writes["batch"] != 1 || s.seen().writes["coat"] != 1 {
		t.Errorf("entered: %v, want one batch and one coat", s.seen().writes)
	}
	if c := s.seen().records[len(s.seen().records)-1]; len(c.Batches) != 1 || c.Batches[0] != "batch-1" || c.Kind != "seal" || c.Panel != "lid-b-inner" {
		t.Errorf("coat = %+v, want the seal on lid B from batch-1", c)
	}
}

// serveUntil is serve with a way to stop it early.
func serveUntil(t *testing.T, s *Shed, ln net.Listener, hosts ...string) func() {
	t.Helper()
	cfg := web.Config{LoopbackRole: web.Control}
	cfg.Listen, cfg.Hosts = ln.Addr().String(), hosts
	srv, err := web.New(cfg, s)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		srv.Serve(ctx, ln)
		close(done)
	}()
	stop := func() {
		cancel()
		<-done
	}
	t.Cleanup(stop)
	return stop
}

// pages are all routes, with what shows that they are drawn.
var pages = []struct{ situation, hash, ready string }{
	{"day", "", ".coat"}, {"day", "mixed", ".slip"}, {"day", "on", ".slip"}, {"day", "feel/wet-out-a", ".slip"},
	{"day", "cloth/tack-b", ".slip"}, {"day", "low", ".slip"}, {"day", "coat/wet-out-a/edit", "form"}, {"day", "air", ".chart canvas"},
	{"day", "pot", ".kv"}, {"day", "resins", ".rows"}, {"day", "resin/medium", "table"}, {"day", "resin/new", "form"},
	{"day", "day", "form"}, {"day", "tent", ".kv"}, {"day", "history", ".rows"}, {"day", "history/lid-a-outer", ".rows"},
	{"day", "settings", ".who p"}, {"day", "more", ".rows"}, {"day", "login", ".slip"},
	{"trouble", "", ".coat"}, {"trouble", "coat/fill-c", ".chart canvas"}, {"trouble", "probes", ".rows"},
	{"noprobe", "", ".coat"},
	{"noclock", "", ".coat"},
	{"empty", "", ".bench"}, {"empty", "panel", ".slip"}, {"empty", "probes/panel-2", "form"},
}

// visit opens each page at each size and hands it to check; pages of one
// situation follow each other without a reload, as a person walks through them.
func visit(t *testing.T, check func(t *testing.T, ctx context.Context)) {
	t.Helper()
	b := browser(t)
	urls := map[string]string{}
	for _, z := range sizes {
		ctx, bad := tab(t, b, z.width, z.height, z.dark)
		prev := ""
		for _, p := range pages {
			if urls[p.situation] == "" {
				urls[p.situation] = serve(t, shed(t, p.situation))
			}
			t.Run(z.name+"/"+p.situation+"/"+p.hash, func(t *testing.T) {
				if p.situation == prev {
					js[bool](t, ctx, fmt.Sprintf("(location.hash = %q, true)", "#/"+p.hash))
				} else {
					do(t, ctx, chromedp.Navigate("about:blank"), chromedp.Navigate(urls[p.situation]+"/#/"+p.hash))
				}
				prev = p.situation
				do(t, ctx, ready(fmt.Sprintf("#main[data-at=%q] %s", "#/"+p.hash, p.ready)))
				check(t, ctx)
			})
		}
		clean(t, bad)
	}
}

// TestPages looks at every page as two machines would. axe-core (Deque's
// implementation of the W3C's WCAG 2 rules) must find no violation. And a ruler,
// for a gloved finger: nothing that acts is lower than 64 px or nearer than
// 16 px to its neighbour, and no page is wider than the screen.
func TestPages(t *testing.T) {
	src, err := os.ReadFile("../../../internal/oracles/node_modules/axe-core/axe.min.js")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("axe-core is not installed: %v", err)
		}
		t.Logf("axe-core is not installed, only the ruler is used: %v", err)
	}
	visit(t, func(t *testing.T, ctx context.Context) {
		glove(t, ctx)
		if src == nil {
			return
		}
		if !js[bool](t, ctx, "!!window.axe") {
			js[bool](t, ctx, "(() => {"+string(src)+"\nreturn true})()")
		}
		type violation struct {
			ID    string `json:"id"`
			Help  string `json:"help"`
			Nodes []struct {
				HTML    string `json:"html"`
				Summary string `json:"failureSummary"`
			} `json:"nodes"`
		}
		for _, v := range js[[]violation](t, ctx, "axe.run(document, {resultTypes: ['violations']}).then((r) => r.violations)") {
			for _, n := range v.Nodes[:min(3, len(v.Nodes))] {
				t.Errorf("%s: %s\n%s\n%s", v.ID, v.Help, n.HTML, n.Summary)
			}
		}
	})
}

// glove measures what a finger meets on the page.
func glove(t *testing.T, ctx context.Context) {
	t.Helper()
	for _, m := range js[[]string](t, ctx, `(() => {
		const out = [];
		if (document.documentElement.scrollWidth > innerWidth) out.push('the page is ' + document.documentElement.scrollWidth + ' px wide');
		const name = (e) => (e.getAttribute('aria-label') || e.innerText).slice(0, 40);
		const all = [...document.querySelectorAll('button, .btn, .opt')].filter((e) => e.getClientRects().length && !e.closest('#bar'));
		const boxes = all.map((e) => [e, e.getBoundingClientRect()]);
		for (const [e, r] of boxes) if (r.height < 63.5) out.push(name(e) + ' is ' + r.height + ' px high');
		for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
			const [a, p] = boxes[i], [b, q] = boxes[j];
			const dx = Math.max(p.left - q.right, q.left - p.right), dy = Math.max(p.top - q.bottom, q.top - p.bottom);
			if (Math.max(dx, dy) < 15.5 && !a.contains(b) && !b.contains(a)) out.push(name(a) + ' and ' + name(b) + ' are ' + Math.max(dx, dy) + ' px apart');
		}
		return out;
	})()`) {
		t.Error(m)
	}
}

// TestKeyboard walks the finger test with the keys alone.
func TestKeyboard(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ctx, bad := tab(t, b, 1280, 900, false)
	open(t, ctx, serve(t, s)+"/#/feel/wet-out-a")
	says(t, ctx, "What does the finger find?")
	js[bool](t, ctx, "(document.querySelector('.opt input').focus(), true)")
	do(t, ctx, chromedp.KeyEvent(" "), chromedp.KeyEvent(kb.ArrowDown), chromedp.KeyEvent(kb.ArrowDown), chromedp.KeyEvent(kb.Enter))
	says(t, ctx, "No stick, nail dents.")
	if f := s.seen().feels[len(s.seen().feels)-1]; f.State != "green" || f.Coat != "wet-out-a" {
		t.Errorf("feel = %+v, want green on wet-out-a", f)
	}
	clean(t, bad)
}

// TestSound asks whether the tone was heard, and only then says that something
// can wake you.
func TestSound(t *testing.T) {
	b := browser(t)
	s := shed(t, "trouble")
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, s))
	tap(t, ctx, "Try the sound")
	says(t, ctx, "Did you hear it?")
	tap(t, ctx, "No")
	says(t, ctx, "Not heard.")
	if s.seen().settings.WakeTested {
		t.Fatal("counted as heard")
	}
	tap(t, ctx, "Play it again")
	tap(t, ctx, "Yes, I heard it")
	until(t, ctx, "!document.body.innerText.includes('No way to wake you')")
	if !s.seen().settings.WakeTested {
		t.Error("the board was not told")
	}
	clean(t, bad)
}

// TestStale: a board that falls silent is said at once.
func TestStale(t *testing.T) {
	b := browser(t)
	s := shed(t, "quiet")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	stop := serveUntil(t, s, ln)
	ctx, _ := tab(t, b, 360, 740, false)
	open(t, ctx, "http://"+ln.Addr().String())
	says(t, ctx, "Leave it.")
	stop()
	says(t, ctx, "No line to the board")
}

// TestBudget: everything that a page can fetch, as the server sends it, is at
// most 80 kB compressed. The chart library's licence lies beside it and is read
// by people only.
func TestBudget(t *testing.T) {
	url := serve(t, shed(t, "quiet"))
	total := 0
	err := filepath.WalkDir(assets, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(p, ".LICENSE.txt") {
			return err
		}
		name, err := filepath.Rel(assets, p)
		if err != nil {
			return err
		}
		req, err := http.NewRequest("GET", url+"/"+filepath.ToSlash(name), nil)
		if err != nil {
			return err
		}
		req.Header.Set("Accept-Encoding", "gzip") // said ourselves, so that the client leaves it packed
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return err
		}
		defer res.Body.Close()
		n, err := io.Copy(io.Discard, res.Body)
		if err != nil || res.StatusCode != 200 {
			return fmt.Errorf("%s: %s, %v", name, res.Status, err)
		}
		t.Logf("%6d %s", n, name)
		total += int(n)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%6d bytes in all", total)
	if total > 80_000 {
		t.Errorf("%d bytes compressed, want at most 80,000", total)
	}
}

// TestNothingFromElsewhere: no file names another host; the policy of the
// server forbids it as well.
func TestNothingFromElsewhere(t *testing.T) {
	other := regexp.MustCompile(`(?:https?:)?//[a-z0-9-]+\.[a-z]`)
	err := filepath.WalkDir(assets, func(p string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		raw, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		// The SVG namespace is a name, not an address.
		raw = bytes.ReplaceAll(raw, []byte("http://www.w3.org/2000/svg"), nil)
		if strings.Contains(p, "vendor") {
			return nil // its licence and its home page
		}
		if m := other.Find(raw); m != nil {
			t.Errorf("%s names %s", p, m)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestFit: a sheet with a fault is told beside its field; a good one shows its
// residuals, and is kept.
func TestFit(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ctx, _ := tab(t, b, 1280, 900, false)
	open(t, ctx, serve(t, s)+"/#/resin/new")
	tap(t, ctx, "Fit it")
	says(t, ctx, "required: what stands on the can")
	type_(t, ctx, "name", "shed epoxy")
	tap(t, ctx, "Fit it")
	says(t, ctx, "The sheet does not agree with itself: sand at 20 °C.")
	tap(t, ctx, "Keep this epoxy")
	says(t, ctx, "shed epoxy is kept.")
	if len(s.seen().own) != 1 || s.seen().own[0].Name != "shed epoxy" {
		t.Errorf("own = %+v", s.seen().own)
	}
}

// TestChange edits a coat: the record holds both versions, and undo brings the
// first back.
func TestChange(t *testing.T) {
	b := browser(t)
	s := shed(t, "day")
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, s)+"/#/coat/tack-b")
	tap(t, ctx, "Change what I entered")
	tap(t, ctx, "seal")
	until(t, ctx, `[...document.querySelectorAll('.opt')].some((e) => e.innerText.trim().split('\n')[0] === 'seal' && e.querySelector('input').checked)`)
	tap(t, ctx, "Save the change")
	says(t, ctx, "Changed.")
	says(t, ctx, "kind: tack coat → seal")
	tap(t, ctx, "Undo")
	says(t, ctx, "Undone.")
	c, err := s.Changes(context.Background(), "coat", "tack-b")
	if err != nil {
		t.Fatal(err)
	}
	var last struct{ Kind string }
	if err := json.Unmarshal(c[len(c)-1].Body, &last); err != nil || last.Kind != "tack coat" {
		t.Errorf("after undo the kind is %q (%v), want tack coat", last.Kind, err)
	}
	clean(t, bad)
}

// TestMonth draws a month of readings in pieces the chart can take.
func TestMonth(t *testing.T) {
	b := browser(t)
	ctx, bad := tab(t, b, 360, 740, false)
	open(t, ctx, serve(t, shed(t, "day"))+"/#/air")
	ready := "document.querySelectorAll('.chart canvas').length === 2"
	until(t, ctx, ready)
	tap(t, ctx, "a month")
	until(t, ctx, ready+" && document.body.innerText.includes('since')")
	clean(t, bad)
}
