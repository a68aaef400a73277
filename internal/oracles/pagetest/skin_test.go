// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"context"
	"encoding/json"
	"fmt"
	"image"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/sensors/shopsim"

	"github.com/chromedp/chromedp"
)

// A hand is somebody with one thumb and a phone; it counts its taps.
type hand struct {
	t   *testing.T
	ctx context.Context
	s   *shed
	log []string

	taps, cups, feels, late int // late: entries still to be made late
	away                    bool
	dial                    bool // the late ones by the dial
	tack                    time.Time
	taken                   map[string][2]image.Image // frames for docs/skin.png
}

func (h *hand) count(what string) { h.taps++; h.log = append(h.log, what) }

// tap presses a button of the panel's card and waits until the phone has taken
// the entry: the undo line says it, or the queue keeps it.
func (h *hand) tap(what string) {
	h.t.Helper()
	tap(h.t, h.ctx, what)
	h.count(what)
}

// entries is the number of the entry on the undo line.
const entries = `((document.querySelector('.undo') || {dataset: {}}).dataset.n || '')`

// enter is a tap that is an entry.
func (h *hand) enter(what string) {
	h.t.Helper()
	h.entered(func() { h.tap(what) })
}

func (h *hand) entered(do func()) {
	h.t.Helper()
	n := js[string](h.t, h.ctx, entries)
	do()
	until(h.t, h.ctx, fmt.Sprintf("location.hash.length < 3 && document.querySelector('.undo button:not([disabled])') && %s !== %q", entries, n))
}

// spot presses a place of the dial by its name.
func (h *hand) spot(name string) {
	h.t.Helper()
	expr := fmt.Sprintf(`[...document.querySelectorAll('.spot')].find((e) => e.getAttribute('aria-label') === %q && !e.disabled)`, name)
	until(h.t, h.ctx, expr)
	tapAt(h.t, h.ctx, name, expr)
	h.count("dial " + name)
}

type card struct {
	Panel, Step, Do, Primary, Status, Order, Button string
	Cups                                            []struct{ Batch *string }
	More                                            *struct {
		CupsLeft int `json:"cups_left"`
	}
	Feel *struct {
		Coat         string
		EveryMinutes int `json:"every_minutes"`
	}
	Opens, Until *time.Time
	Mend         *struct{ Do string }
}

// next is the board's card of the panel that lies up.
func (h *hand) next() card {
	h.t.Helper()
	v := read[struct{ Next []card }](h.t, h.s, "/api/v1/next")
	if len(v.Next) != 1 {
		h.t.Fatalf("cards = %+v, want one", v.Next)
	}
	return v.Next[0]
}

// pass lets time go by and waits until the phone shows it.
func (h *hand) pass(by time.Duration) {
	h.t.Helper()
	h.s.Advance(by)
	if h.s.cut.Load() {
		// The phone's own clock goes on.
		js[bool](h.t, h.ctx, fmt.Sprintf("(() => { const was = Date.now; Date.now = () => was() + %d; dispatchEvent(new Event('resize')); return true; })()", by.Milliseconds()))
		return
	}
	// The harness has no pump of events: the phone asks, as it does whenever it
	// comes to itself.
	js[bool](h.t, h.ctx, "(dispatchEvent(new Event('online')), true)")
	at := h.s.Now().UTC().Format("15:04")
	until(h.t, h.ctx, fmt.Sprintf("document.querySelector('.head .t') && document.querySelector('.head .t').innerText === %q", at))
}

// shoot keeps a picture in the folder CUREWRIGHT_SHOTS, for somebody to look at.
func (h *hand) shoot(name string) {
	if *update && slices.Contains(frames, name) && h.taken[name] == ([2]image.Image{}) {
		h.taken[name] = frame(h.t, h.ctx)
	}
	dir := os.Getenv("CUREWRIGHT_SHOTS")
	if dir == "" {
		return
	}
	png, err := chromedp.Run(h.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		h.t.Fatal(err)
	}
	if err := os.WriteFile(dir+"/"+name+".png", png, 0o644); err != nil {
		h.t.Fatal(err)
	}
}

// TestWholeSkin is the measure: from an empty store with the job written, a
// whole side by one thumb at 360 px on the real daemon (joints, tack coat,
// aramid, wet-out with glass, fill coat, two cups each, five finger tests, two
// entries late), counted; then the flip and the other side. The phone has no
// line for half of the first side.
func TestWholeSkin(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	// An epoxy with a mix ratio, so that the card says two masses; its pace is the
	// generic fast set's, so that each coat is planned in two cups or three.
	shedEpoxy(t, s, "fast", 28)
	s.Post("/api/v1/jobs", map[string]any{"template": "foam-aramid-glass", "name": "Locker lid", "resin": "shed epoxy",
		"panels": []map[string]any{{"side": "outer", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam", "area_m2": 1.4}, {"side": "inner"}}})
	s.Advance(time.Minute)
	ctx := noisyPhone(t, s.url) // lost requests are console errors of the browser's own
	h := &hand{t: t, ctx: ctx, s: s, taken: map[string][2]image.Image{}}
	says(t, ctx, "Fill the joints")
	until(t, ctx, "document.documentElement.dataset.ahead === 'done' && navigator.serviceWorker.controller")
	h.shoot("skin-01-joints")

	// Nothing needed lies under the bar: the filled button is in view.
	if !js[bool](t, ctx, `(() => { const r = document.querySelector('.go').getBoundingClientRect(), f = document.querySelector('#foot').getBoundingClientRect(); return r.top >= 0 && r.bottom <= f.top; })()`) {
		t.Error("the filled button is not in view without scrolling")
	}
	if n := js[int](t, ctx, "document.querySelectorAll('.first').length"); n != 1 {
		t.Errorf("%d filled buttons, want one", n)
	}

	h.late = 2
	// The first side to the resting, with the line cut in the middle of it.
	h.work(func(c card) bool { return c.Do == "wait" })
	first := h.taps
	t.Logf("first side: %d taps: %s", first, strings.Join(h.log, " · "))
	if h.feels < 5 || h.cups < 8 || h.late != 0 {
		t.Errorf("%d finger tests, %d cups, %d late entries to go; want 5, 8 or more, 0", h.feels, h.cups, h.late)
	}
	if first > 24 {
		t.Errorf("%d taps for a side, want at most 24", first)
	}
	h.log, h.taps = nil, 0
	h.work(func(c card) bool { return c.Panel == "locker-lid-inner" })
	t.Logf("resting and flip: %d taps: %s", h.taps, strings.Join(h.log, " · "))
	h.log, h.taps, h.cups, h.feels = nil, 0, 0, 0
	h.work(func(c card) bool { return c.Do == "unclamp" })
	t.Logf("other side: %d taps, %d finger tests, %d cups: %s", h.taps, h.feels, h.cups, strings.Join(h.log, " · "))
	if h.taps > 24 {
		t.Errorf("%d taps for the other side, want at most 24", h.taps)
	}
	if *update {
		sheet(t, "../../../docs/skin.png", h.taken)
	}
	all := read[struct {
		Coats []struct{ Panel, Kind string }
	}](t, s, "/api/v1/coats?all=true")
	var kinds []string
	for _, c := range all.Coats {
		kinds = append(kinds, c.Kind)
	}
	if got := strings.Join(kinds, ", "); got != "bond, tack coat, wet-out, fill coat, bond, wet-out, fill coat" {
		t.Errorf("coats: %s", got)
	}
}

// work does what the cards ask for until stop; the finger finds what is most
// likely, so that the way through needs no lucky finger.
func (h *hand) work(stop func(card) bool) {
	h.t.Helper()
	for n := 0; ; n++ {
		if n > 2000 {
			h.t.Fatalf("the cards lead nowhere: %+v", h.next())
		}
		c := h.next()
		if stop(c) {
			return
		}
		if c.Step == "aramid" && !h.away && (c.Primary == "feel" || c.Primary == "done") {
			h.offline()
			continue
		}
		h.shoot(fmt.Sprintf("skin-%s-%s", strings.ReplaceAll(c.Step, " ", "-"), c.Primary))
		if c.Mend != nil {
			h.enter("Put it into the job")
			h.pass(time.Minute)
			continue
		}
		switch c.Primary {
		case "mixed":
			h.enter("Mixed")
			h.cups++
			h.pass(6 * time.Minute)
		case "done":
			h.done(c)
		case "feel":
			var v struct{ State string }
			if err := json.Unmarshal(h.s.Do("GET", "/api/v1/coats/"+c.Feel.Coat, nil, 200), &v); err != nil {
				h.t.Fatal(err)
			}
			word, ready := fingers[v.State], js[bool](h.t, h.ctx, button(button1(c))+" ? true : false")
			switch {
			case word != "" && h.feels < 5:
				h.enter(word)
				h.feels++
				h.pass(10 * time.Minute)
			case ready:
				h.done(c)
			case v.State == "green" || v.State == "firm": // five tests are enough: it goes on
				h.enter("Mixed")
				h.cups++
				h.pass(6 * time.Minute)
			default:
				h.pass(10 * time.Minute)
			}
		default:
			by := 10 * time.Minute
			if c.Do == "wait" || c.Do == "flip" {
				by = 2 * time.Hour
			}
			h.s.Advance(by)
			if n%6 == 5 || h.next().Primary != "none" {
				h.pass(time.Minute)
			}
		}
	}
}

// enterLate enters the step as of about ten minutes ago.
func (h *hand) enterLate(c card) {
	h.t.Helper()
	h.late--
	h.pass(11 * time.Minute)
	h.tap("Earlier")
	h.shoot("late-" + c.Step)
	if h.dial {
		at := h.s.Now().Add(-10 * time.Minute).Truncate(5 * time.Minute)
		h.spot(at.Format("15"))
		h.entered(func() { h.spot(at.Format("15:04")) })
		return
	}
	h.entered(func() { h.tap("10 min ago") })
}

// done is the step itself, and for a coat its second cup.
func (h *hand) done(c card) {
	h.t.Helper()
	if c.Step == "tack" {
		h.tack = h.s.Now()
		h.enterLate(c)
	} else {
		h.enter(button1(c))
	}
	h.pass(4 * time.Minute)
	if c.Do == "coat" {
		h.shoot(fmt.Sprintf("skin-%s-second", strings.ReplaceAll(c.Step, " ", "-")))
		if h.next().More == nil {
			return // in the cold of a night one cup lasts for all of it
		}
		h.rest()
		if m := h.next().More; m != nil {
			h.t.Fatalf("after the last cup of %s: more = %+v", c.Step, m)
		}
	}
}

// rest says that the cups still planned for the coat went on too: the phone
// shows each with its grams.
func (h *hand) rest() {
	h.t.Helper()
	const left = `[...document.querySelectorAll('.need .first')].some((e) => e.innerText.startsWith('Another cup'))`
	if !js[bool](h.t, h.ctx, left+" && !!document.querySelector('.need .grams')") {
		h.t.Fatalf("no second cup is shown with its grams:\n%s", js[string](h.t, h.ctx, text))
	}
	for n := 0; js[bool](h.t, h.ctx, left); n++ {
		if n > 4 {
			h.t.Fatal("the cups of a coat never end")
		}
		h.enter("Another cup went on")
		h.cups++
		h.pass(4 * time.Minute)
	}
}

// offline is the second half of the first side without a line: the aramid, the
// wet-out and the fill coat with their cups and finger tests. The phone's own
// cards lead; when to do it, the hand takes from the tack coat.
func (h *hand) offline() {
	h.t.Helper()
	h.away = true
	before := len(h.log)
	h.s.drop()
	js[bool](h.t, h.ctx, "(dispatchEvent(new Event('offline')), true)")
	says(h.t, h.ctx, "No line to the board")
	state := func(want string) {
		for range 100 {
			var v struct{ State string }
			var all struct{ Coats []struct{ ID, Kind string } }
			if err := json.Unmarshal(h.s.Do("GET", "/api/v1/coats", nil, 200), &all); err != nil {
				h.t.Fatal(err)
			}
			id := all.Coats[len(all.Coats)-1].ID
			if err := json.Unmarshal(h.s.Do("GET", "/api/v1/coats/"+id, nil, 200), &v); err != nil {
				h.t.Fatal(err)
			}
			if v.State == want {
				return
			}
			h.pass(15 * time.Minute)
		}
		h.t.Fatalf("the tack coat never becomes %s", want)
	}
	feel := func(word string, then time.Duration) {
		h.enter(fingers[word])
		h.feels++
		h.pass(then)
	}
	on := func(late bool) {
		h.enter("Mixed")
		h.cups++
		h.pass(4 * time.Minute)
		if late {
			h.enterLate(card{Step: "offline"})
		} else {
			h.enter("It’s on")
		}
		h.pass(4 * time.Minute)
		h.rest()
	}
	// Tack coat, aramid.
	state("tacky")
	feel("tacky", 2*time.Minute)
	h.shoot("skin-offline-aramid")
	if !js[bool](h.t, h.ctx, "(scrollTo(0, 0), document.querySelector('.go').getBoundingClientRect().bottom <= document.querySelector('#foot').getBoundingClientRect().top)") {
		h.t.Error("without a line, the filled button is not in view without scrolling")
	}
	h.enter("Cloth is in")
	h.pass(5 * time.Minute)
	state("green")
	green := h.s.Now().Sub(h.tack)
	feel("green", 10*time.Minute)
	feel("green", 2*time.Minute) // once more, to be sure
	h.shoot("skin-offline-wetout")
	on(true)
	// The board knows nothing of the wet-out yet. Of the same epoxy, it takes as
	// long as the tack coat took.
	h.pass(green)
	feel("green", 10*time.Minute)
	h.shoot("skin-offline-fill")
	feel("green", 2*time.Minute)
	on(false)
	n := len(h.log) - before
	h.shoot("skin-offline-kept")
	kept := js[int](h.t, h.ctx, "import('/js/state.js').then((m) => m.S.queue.length)")
	h.t.Logf("without a line: %d taps, %d entries kept on the phone", n, kept)
	if 2*n < before {
		h.t.Errorf("%d taps without a line after %d with one, want about half of the side", n, before)
	}
	says(h.t, h.ctx, fmt.Sprintf("%d entries are kept on this phone, will send", kept))
	says(h.t, h.ctx, "Kept, will send.") // the undo line, until it is sent
	h.pass(10 * time.Minute)
	h.s.mend()
	js[bool](h.t, h.ctx, "(dispatchEvent(new Event('online')), true)")
	until(h.t, h.ctx, "!/kept on this phone/i.test("+text+")")
	if js[bool](h.t, h.ctx, text+".includes('Not taken')") {
		h.t.Fatal(js[string](h.t, h.ctx, text))
	}
	h.pass(time.Minute)
	if c := h.next(); c.Step != "rest" {
		h.t.Fatalf("with the line back the card is %+v, want the rest's", c)
	}
}

func button1(c card) string { return strings.ReplaceAll(c.Button, "'", "’") }

var fingers = map[string]string{"wet": "Flows, strings", "tacky": "Sticks, lifts clean", "green": "No stick, nail dents", "firm": "Nail slides, no dent", "hard": "Sands to dust"}
