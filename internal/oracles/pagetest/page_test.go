// SPDX-License-Identifier: Apache-2.0

package pagetest_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/internal/daemon"
	"curewright/internal/daemon/daemontest"
	"curewright/internal/testkit"
	"curewright/model/words"
	"curewright/sensors"

	"github.com/chromedp/chromedp"
)

const assets = "../../../dashboards/web/assets"

// sizes are the two screens of the brief: a phone held in a glove, light; a
// wide screen across the shed, dark.
var sizes = []size{{"phone", 360, 740, false}, {"wide", 1280, 900, true}}

type size struct {
	name          string
	width, height int64
	dark          bool
}

// packed is what the server sends of a file, compressed.
func packed(t *testing.T, url string) int {
	t.Helper()
	req, err := http.NewRequest("GET", url, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Accept-Encoding", "gzip") // said ourselves, so that the client leaves it packed
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	n, err := io.Copy(io.Discard, res.Body)
	if err != nil || res.StatusCode != 200 {
		t.Fatalf("%s: %s, %v", url, res.Status, err)
	}
	return int(n)
}

// TestBudget: what the first view of the bench fetches is at most 50 kB
// compressed, and everything that any page can fetch at most 150 kB. The first
// view is the page, its style, and all that its modules import at once;
// import() comes later.
func TestBudget(t *testing.T) {
	d := daemontest.New(t, daemontest.Options{})
	static := regexp.MustCompile(`(?m)^(?:import|export)\b[^;]*?from '([^']+)'`)
	minified := regexp.MustCompile(`from"(\./[^"]+)"`)
	first := map[string]bool{"index.html": true, "app.css": true, "icon.svg": true, "manifest.webmanifest": true}
	todo := []string{"js/app.js"}
	for len(todo) > 0 {
		f := todo[0]
		todo = todo[1:]
		if first[f] {
			continue
		}
		first[f] = true
		b, err := os.ReadFile(filepath.Join(assets, f))
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range append(static.FindAllSubmatch(b, -1), minified.FindAllSubmatch(b, -1)...) {
			todo = append(todo, filepath.Join(filepath.Dir(f), string(m[1])))
		}
	}
	var one, all int
	err := filepath.WalkDir(assets, func(p string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || strings.HasSuffix(p, ".LICENSE.txt") { // read by people only
			return err
		}
		name, _ := filepath.Rel(assets, p)
		url := d.URL + "/" + filepath.ToSlash(name)
		if name == "index.html" {
			url = d.URL + "/"
		}
		n := packed(t, url)
		mark := " "
		if first[name] {
			one += n
			mark = "*"
		}
		t.Logf("%6d %s %s", n, mark, name)
		all += n
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%6d bytes for the first view (*)", one)
	t.Logf("%6d bytes in all", all)
	if one > 50_000 || all > 150_000 {
		t.Errorf("first view %d, all %d bytes compressed; want at most 50,000 and 150,000", one, all)
	}
}

// TestNothingFromElsewhere: no file names another host; the policy of the
// server forbids it as well.
func TestNothingFromElsewhere(t *testing.T) {
	other := regexp.MustCompile(`(?:https?:)?//[a-z0-9-]+\.[a-z]`)
	err := filepath.WalkDir(assets, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.Contains(p, "vendor") { // a library names its home and its licence
			return err
		}
		raw, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		// The name space of SVG is a name, not an address.
		raw = bytes.ReplaceAll(raw, []byte("http://www.w3.org/2000/svg"), nil)
		if m := other.Find(raw); m != nil {
			t.Errorf("%s names %s", p, m)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestVendored: what is vendored is npm's own file, but for the line with its
// version and the name of the hooks' neighbour.
func TestVendored(t *testing.T) {
	mods := "../../../dashboards/web/npm/node_modules/"
	if _, err := os.Stat(mods); err != nil {
		t.Skip("npm's packages are not installed here: scripts/vendor-page.sh does it")
	}
	same := func(mine, theirs string, change func([]byte) []byte) {
		a, err := os.ReadFile(filepath.Join(assets, "vendor", mine))
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(mods + theirs)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(a, bytes.TrimSpace(change(b))) {
			t.Errorf("vendor/%s is not %s: run scripts/vendor-page.sh", mine, theirs)
		}
	}
	bare := func(b []byte) []byte { b, _, _ = bytes.Cut(b, []byte("//# sourceMappingURL")); return b }
	same("preact.js", "preact/dist/preact.mjs", bare)
	same("preact-hooks.js", "preact/hooks/dist/hooks.mjs", func(b []byte) []byte {
		return bytes.ReplaceAll(bare(b), []byte(`from"preact"`), []byte(`from"./preact.js"`))
	})
	same("uplot.js", "uplot/dist/uPlot.iife.min.js", func(b []byte) []byte { return b })
}

// TestCatalogue: every key that the page names stands in the catalogue, and no
// text of it is left unused.
func TestCatalogue(t *testing.T) {
	var en []byte
	for _, f := range []string{"js/en.js", "js/en-pages.js"} {
		b, err := os.ReadFile(filepath.Join(assets, f))
		if err != nil {
			t.Fatal(err)
		}
		en = append(en, b...)
	}
	var src []byte
	for _, g := range []string{"js/*.js", "js/pages/*.js"} {
		files, _ := filepath.Glob(filepath.Join(assets, g))
		for _, f := range files {
			if strings.HasSuffix(f, "js/en.js") || strings.HasSuffix(f, "js/en-pages.js") {
				continue
			}
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			src = append(src, b...)
		}
	}
	entry := regexp.MustCompile(`(?m)(?:^  |, )(?:'([^']+)'|"([^"]+)"|([\w]+)): (?:'|"|many|\()`)
	have := map[string]bool{}
	for _, m := range entry.FindAllSubmatch(en, -1) {
		have[string(m[1])+string(m[2])+string(m[3])] = true
	}
	for _, m := range regexp.MustCompile(`\b(?:t|say)\((?:'([^']+)'|"([^"]+)")[,)]`).FindAllSubmatch(src, -1) {
		if k := string(m[1]) + string(m[2]); !have[k] {
			t.Errorf("the page names %q, which the catalogue has not", k)
		}
	}
	// Keys put together from a prefix and a code: "state.", "cover." …
	var prefixes []string
	for _, m := range regexp.MustCompile(`'([a-z]\w*\.(?:\w+\.)?)'`).FindAllSubmatch(src, -1) {
		prefixes = append(prefixes, string(m[1]))
	}
	for k := range have {
		if bytes.Contains(src, []byte("'"+k+"'")) || bytes.Contains(src, []byte(`"`+k+`"`)) || k == "locale" {
			continue
		}
		if !slices.ContainsFunc(prefixes, func(p string) bool { return strings.HasPrefix(k, p) }) && !strings.HasPrefix(k, "air.low") && !strings.HasPrefix(k, "tent.heater") {
			t.Errorf("nothing says %q any more", k)
		}
	}
	if len(have) < 300 {
		t.Errorf("found %d keys in the catalogue: the test does not read it", len(have))
	}
}

// TestByHand is a new user's first hour without a job: a panel, a cup, a coat, a
// finger test by one tap on the word, undo.
func TestByHand(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	ctx := phone(t, s.url)
	says(t, ctx, "Write the job, or just mix.")
	until(t, ctx, "document.documentElement.dataset.ahead === 'done'") // all of it, without a tent and a log-in to give
	if n := js[int](t, ctx, "document.querySelectorAll('#main .first').length"); n != 1 {
		t.Errorf("%d filled buttons on a fresh phone, want the one thing to do first", n)
	}
	js[bool](t, ctx, "(location.hash = '#/panel', true)")
	says(t, ctx, "A new panel")
	type_(t, ctx, "id", "Locker lid, outer")
	// Two panel probes speak: which one is said, never assumed.
	tap(t, ctx, "Add the panel")
	says(t, ctx, "say which probe lies on it, or that none does")
	tap(t, ctx, "Lid A witness")
	tap(t, ctx, "Add the panel")
	says(t, ctx, "Locker lid, outer added.")

	tap(t, ctx, "Mixed")
	tap(t, ctx, "medium")
	tap(t, ctx, "200 g")
	tapAt(t, ctx, "Mixed", "document.querySelector('#bar .first')")
	says(t, ctx, "cup of medium mixed")
	tap(t, ctx, "Another coat")
	tap(t, ctx, "Tack coat")
	tap(t, ctx, "It’s on")
	says(t, ctx, "tack coat on Locker lid, outer")
	// That is said when the phone has it; the board may have it a little later.
	for end := time.Now().Add(patience); len(s.Coats()) == 0 && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	s.Advance(time.Minute)
	until(t, ctx, "document.querySelector('.coat .strip')")
	cs := s.Coats()
	if len(cs) != 1 || cs[0].Kind != "tack coat" || cs[0].Record.Next != "cloth" || len(cs[0].Batches) != 1 || cs[0].Batches[0].Ended == nil {
		t.Fatalf("coats = %+v, want one tack coat whose cup is empty", cs)
	}
	tap(t, ctx, "Feel it")
	tap(t, ctx, "Flows, strings")
	until(t, ctx, "document.querySelector('.undo button')")
	says(t, ctx, "Flows, strings, Locker lid, outer")
	if f := s.Coats()[0].Feels; len(f) != 1 || f[0].State != "wet" {
		t.Errorf("feels = %+v, want one: wet", f)
	}
	tap(t, ctx, "Undo")
	says(t, ctx, "Undone.")
	if f := s.Coats()[0].Feels; len(f) != 0 {
		t.Errorf("feels after undo = %+v, want none", f)
	}
}

// pages are all routes of a day, with what shows that they are drawn.
var pages = []struct{ hash, ready string }{
	{"", ".coat"}, {"mixed", ".slip"}, {"on", ".slip"}, {"feel/tack-a", ".slip"}, {"cloth/tack-a", ".slip"}, {"low", ".slip"}, {"panel", ".slip"}, {"panel/lid-a", ".slip"}, {"piece/lid-a", ".slip"},
	{"coat/tack-a", ".chart canvas"}, {"coat/tack-a/edit", "form"}, {"air", ".chart canvas"}, {"pot", ".kv"}, {"resins", ".rows"}, {"resin/medium", ".curve"}, {"resin/new", "form"},
	{"tent", ".say"}, {"history", ".rows"}, {"history/lid-a", ".rows"}, {"settings", ".who p"}, {"more", ".rows"}, {"login", ".slip"}, {"probes", ".rows"}, {"probes/panel-1", "form"}, {"cup/cup-1", ".step"},
	{"late/lid-c-outer", ".dial"}, {"other/lid-c-outer", "form"}, {"job/lid-c", ".steps"}, {"job/lid-c/edit", "form"}, {"jobs", ".rows"}, {"write", "form"}, {"day", "form"}, {"entries", ".rows"},
	{"mix", ".kv"}, {"stock", ".rows"}, {"stock/drum-1", ".slip"}, {"stock/new", ".slip"},
}

// visit opens each page at each size and hands it to check; pages follow each
// other without a reload, as a person walks through them.
func visit(t *testing.T, s *shed, query string, sizes []size, check func(t *testing.T, ctx context.Context)) {
	t.Helper()
	b := browser(t)
	for _, z := range sizes {
		ctx, bad := tab(t, b, z.width, z.height, z.dark)
		open(t, ctx, s.url+"/"+query)
		for _, p := range pages {
			t.Run(z.name+"/"+p.hash, func(t *testing.T) {
				show(t, ctx, p.hash, p.ready)
				check(t, ctx)
			})
		}
		for _, m := range bad() {
			if !strings.Contains(m, "404") || !strings.Contains(m, "/tent") { // asked for by its address though there is none
				t.Errorf("the page complains: %s", m)
			}
		}
	}
}

// show goes to a page and waits until it is drawn.
func show(t *testing.T, ctx context.Context, hash, ready string) {
	t.Helper()
	js[bool](t, ctx, fmt.Sprintf("(location.hash = %q, true)", "#/"+hash))
	until(t, ctx, fmt.Sprintf("document.querySelector('#main') && document.querySelector('#main').dataset.at === %q && document.querySelector(%q)", "#/"+hash, "#main "+ready))
}

// TestPages looks at every page as two machines would. axe-core (Deque's
// implementation of the W3C's WCAG 2 rules) must find no violation. And a ruler,
// for a gloved finger: nothing that acts is lower than 64 px or nearer than
// 16 px to its neighbour, nothing stays under the bar, and no page is wider than
// the screen.
func TestPages(t *testing.T) {
	src, err := os.ReadFile("../node_modules/axe-core/axe.min.js")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("axe-core is not installed: %v", err)
		}
		t.Logf("axe-core is not installed, only the ruler is used: %v", err)
	}
	visit(t, day(t), "", sizes, func(t *testing.T, ctx context.Context) {
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

// glove measures what a finger meets on the page; round ones as round.
func glove(t *testing.T, ctx context.Context) {
	t.Helper()
	for _, m := range js[[]string](t, ctx, `(() => {
		const out = [];
		if (document.documentElement.scrollWidth > innerWidth) out.push('the page is ' + document.documentElement.scrollWidth + ' px wide');
		const name = (e) => (e.getAttribute('aria-label') || e.innerText).slice(0, 40);
		const all = [...document.querySelectorAll('button, .btn, .opt')].filter((e) => e.getClientRects().length && !e.closest('#foot') && !e.classList.contains('vh'));
		const boxes = all.map((e) => [e, e.getBoundingClientRect()]);
		for (const [e, r] of boxes) if (r.height < 63.5) out.push(name(e) + ' is ' + r.height + ' px high');
		for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
			const [a, p] = boxes[i], [b, q] = boxes[j];
			const dx = Math.max(p.left - q.right, q.left - p.right), dy = Math.max(p.top - q.bottom, q.top - p.bottom);
			const round = a.classList.contains('spot') && b.classList.contains('spot');
			const gap = round ? Math.hypot(p.x - q.x, p.y - q.y) - p.width : Math.max(dx, dy);
			if (gap < 15.5 && !a.contains(b) && !b.contains(a)) out.push(name(a) + ' and ' + name(b) + ' are ' + gap + ' px apart');
		}
		const was = scrollY, foot = document.querySelector('#foot');
		scrollTo(0, document.documentElement.scrollHeight);
		for (const e of all) if (foot && e.getBoundingClientRect().bottom > foot.getBoundingClientRect().top + 0.5) out.push(name(e) + ' stays under the bar');
		scrollTo(0, was);
		return out;
	})()`) {
		t.Error(m)
	}
}

// What the pseudo-language puts in brackets, the page's own in plain letters, the
// board's in wide ones; and what may stand outside.
var (
	brackets    = regexp.MustCompile(`⟦[^⟦⟧]*⟧`)
	ownBrackets = regexp.MustCompile(`⟦[ -~\x{a0}-\x{2fff}]*⟧`)
	letters     = regexp.MustCompile(`\p{L}`)
	units       = regexp.MustCompile(`°[CF]|\bk?g\b|m²|\bCO₂`)
)

// TestLanguage: in the pseudo-language, page and board, every text of the page's own
// and every name of a thing that acts stands in brackets, and what the board says
// in brackets and wide letters. What is bare was taken from no catalogue. Names and
// ids are the values of the API's fields for them; numbers with their units are no
// words.
func TestLanguage(t *testing.T) {
	pseudo := testkit.Pseudo(t)
	s := dayIn(t, func(o *daemontest.Options) {
		o.Change = func(c *daemon.Config) { c.Shop.Language = pseudo }
		o.Before = daemontest.Tent(t)
	})
	names := s.names()
	visit(t, s, "?lang=pseudo", sizes, func(t *testing.T, ctx context.Context) { fromCatalogues(t, ctx, names) })
}

// fromCatalogues is that nothing on a page is bare but names.
func fromCatalogues(t *testing.T, ctx context.Context, names []string) {
	t.Helper()
	for _, x := range js[[]string](t, ctx, `(() => {
		const out = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
		for (let n; (n = walk.nextNode());) if (!n.parentElement.closest('[translate=no], script, style, noscript')) out.push(n.data);
		for (const a of ['placeholder', 'title', 'alt', 'aria-label', 'aria-description', 'aria-roledescription', 'aria-valuetext'])
			for (const e of document.querySelectorAll('[' + a + ']')) out.push(e.getAttribute(a));
		return out;
	})()`) {
		own := brackets.ReplaceAllString(x, "")
		for own != x { // from the inmost brackets out
			x, own = own, brackets.ReplaceAllString(own, "")
		}
		for _, n := range names {
			own = strings.ReplaceAll(own, n, "")
		}
		if letters.MatchString(units.ReplaceAllString(own, "")) {
			t.Errorf("the page says %q", own)
		}
	}
	for _, said := range js[[]string](t, ctx, `[...document.querySelectorAll('[translate=no]')].filter((e) => !e.parentElement.closest('[translate=no]')).map((e) => e.textContent)`) {
		if bare := words.Bare(ownBrackets.ReplaceAllString(said, ""), names...); len(bare) > 0 {
			t.Errorf("the board says %q in %q", bare, said)
		}
	}
}

// What fails of a probe, each by its code, is said by page and board in the
// reader's language, with what to do about it.
func TestFailingProbes(t *testing.T) {
	pseudo := testkit.Pseudo(t)
	s := dayIn(t, func(o *daemontest.Options) { o.Change = func(c *daemon.Config) { c.Shop.Language = pseudo } })
	errs := testkit.ReadErrors(t)
	for code, err := range errs {
		testkit.OK(t, s.Sensors().Add(sensors.PollerConfig{ID: "zq-" + code, Name: "zq", Driver: "zq", Bus: "zq", Every: time.Hour, Probe: failing{err}}))
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- s.Sensors().Run(ctx) }()
	t.Cleanup(func() { stop(); <-done })
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		failed := 0
		for _, h := range s.Sensors().Health() {
			if h.Why != nil {
				failed++
			}
		}
		if failed == len(errs) {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("%d of %d probes have failed", failed, len(errs))
		}
	}
	s.Advance(time.Minute)
	names := append(s.names(), "said elsewhere") // of the system
	page := phone(t, s.url+"/?lang=pseudo")
	show(t, page, "", ".coat")
	fromCatalogues(t, page, names)
	show(t, page, "probes", ".rows")
	fromCatalogues(t, page, names)
	if n := js[int](t, page, "document.querySelectorAll('#main .item p.why').length"); n < len(errs) {
		t.Errorf("the page says of %d probes what fails, want %d", n, len(errs))
	}
	// A reason's word stands inside a sentence: in brackets of its own.
	for _, since := range js[[]string](t, page, "[...document.querySelectorAll('#main .item p.small')].map((e) => e.textContent)") {
		if _, counts, ok := strings.Cut(since, "; "); ok && !strings.HasPrefix(counts, "1 ⟦") {
			t.Errorf("the page says %q", since)
		}
	}
}

// failing is a probe that can't be read.
type failing struct{ err error }

func (f failing) Read(context.Context) (sensors.Reading, error) { return sensors.Reading{}, f.err }

// names are the values of every field of the API that holds a name or an id, the
// longest first.
func (s *shed) names() []string {
	fields := []string{"id", "name", "piece", "panel", "probe", "air", "resin", "lot", "by", "cloth", "who", "step", "shop_name", "driver", "bus", "via", "currency"}
	seen := map[string]bool{}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, x := range v {
				walk(x)
			}
		case map[string]any:
			for k, x := range v {
				if text, ok := x.(string); ok && text != "" && slices.Contains(fields, k) {
					seen[text] = true
				}
				walk(x)
			}
		}
	}
	for _, path := range []string{"panels", "pieces", "coats", "batches", "probes", "resins", "stock", "jobs", "jobs/lid-c", "settings", "entries", "tokens"} {
		var v any
		if err := json.Unmarshal(s.Do("GET", "/api/v1/"+path, nil, 200), &v); err != nil {
			s.T.Fatal(path, err)
		}
		walk(v)
	}
	return slices.SortedFunc(maps.Keys(seen), func(a, b string) int { return len(b) - len(a) })
}

// TestZones asks the page's one formatter for the clock in zones with half and
// quarter hours and across changes of daylight saving. The offsets and dates are
// the time-zone database's, as the browser has it.
func TestZones(t *testing.T) {
	s := newShed(t, daemontest.Options{})
	ctx := phone(t, s.url)
	type answer struct {
		Ticks  [][2]float64 `json:"ticks"`
		Sleeps [][2]float64 `json:"sleeps"`
		HM     string       `json:"hm"`
		Floor  string       `json:"floor"`
		At     string       `json:"at"`
	}
	for _, x := range []struct {
		name, zone, at string
		firstMinute    int    // UTC minutes of a whole hour there
		night          string // length of the night of 22:30 to 06:30 ahead
		hm             string
	}{
		{"Kathmandu is 5:45 ahead", "Asia/Kathmandu", "2026-10-10T09:00:00Z", 15, "8", "14:45"},
		{"the same as a fixed offset", "+05:45", "2026-10-10T09:00:00Z", 15, "8", "14:45"},
		{"Adelaide is 10:30 ahead in its summer", "Australia/Adelaide", "2026-10-10T09:00:00Z", 30, "8", "19:30"},
		{"Newfoundland is 2:30 behind", "America/St_Johns", "2026-10-10T09:10:00Z", 30, "8", "06:40"},
		{"London goes back on 25 October: a night of nine hours", "Europe/London", "2026-10-24T18:00:00Z", 0, "9", "19:00"},
		{"London goes forward on 29 March: seven", "Europe/London", "2026-03-28T18:00:00Z", 0, "7", "18:00"},
		{"Lord Howe goes forward by half an hour on 4 October: seven and a half", "Australia/Lord_Howe", "2026-10-03T08:00:00Z", 30, "7.5", "18:30"},
	} {
		a := js[answer](t, ctx, fmt.Sprintf(`(async () => {
			const [st, say] = await Promise.all([import('./js/state.js'), import('./js/say.js')]);
			const at = Date.parse(%q), old = st.S.snap;
			st.S.snap = { at: %q, zone: %q, settings: { clock_trusted: true, speed: 1, sleep_from: '22:30', sleep_to: '06:30' } };
			st.S.got = Date.now();
			try {
				return { ticks: say.hoursIn(at, at + 26 * 3600e3), sleeps: say.sleeps(at, at + 26 * 3600e3), hm: say.hm(at), floor: new Date(say.floorHour(at)).toISOString(), at: say.hm(say.atWall(1, 6, 30)) };
			} finally { st.S.snap = old; }
		})()`, x.at, x.at, x.zone))
		if a.HM != x.hm || a.At != "06:30" {
			t.Errorf("%s: the clock shows %s, tomorrow's 6:30 is %s; want %s, 06:30", x.name, a.HM, a.At, x.hm)
		}
		for _, k := range a.Ticks[:1] {
			if m := int(k[0]/60000) % 60; m != x.firstMinute {
				t.Errorf("%s: a tick at minute %d of UTC, want %d", x.name, m, x.firstMinute)
			}
		}
		if len(a.Sleeps) == 0 {
			t.Errorf("%s: no night", x.name)
			continue
		}
		n := a.Sleeps[0]
		if got := fmt.Sprint((n[1] - n[0]) / 3600e3); got != x.night {
			t.Errorf("%s: a night of %s h, want %s", x.name, got, x.night)
		}
	}
}

// TestOffline: once it was open a while, every page is here without a line, also
// after a reload, and entries are kept.
func TestOffline(t *testing.T) {
	s := day(t)
	ctx := noisyPhone(t, s.url) // lost requests are console errors of the browser's own
	until(t, ctx, "document.documentElement.dataset.ahead === 'done' && navigator.serviceWorker.controller")
	s.drop()
	js[bool](t, ctx, "(dispatchEvent(new Event('offline')), true)")
	says(t, ctx, "No line to the board")
	do(t, ctx, chromedp.Reload(), ready(".coat"))
	for _, p := range []string{"settings", "history", "resins", "mixed"} {
		js[bool](t, ctx, fmt.Sprintf("(location.hash = %q, true)", "#/"+p))
		until(t, ctx, fmt.Sprintf("document.querySelector('#main').dataset.at === %q", "#/"+p))
		if js[bool](t, ctx, text+".includes('did not come')") {
			t.Errorf("%s did not come without a line", p)
		}
	}
	tap(t, ctx, "300 g")
	tapAt(t, ctx, "Mixed", "document.querySelector('#bar .first')")
	says(t, ctx, "1 entry is kept on this phone, will send")
	s.mend()
	js[bool](t, ctx, "(dispatchEvent(new Event('online')), true)")
	until(t, ctx, "!"+text+".includes('kept on this phone')")
	got := read[struct {
		Batches []struct {
			ResinG float64 `json:"resin_g"`
		}
	}](t, s, "/api/v1/batches")
	if n := len(got.Batches); n != 3 || got.Batches[2].ResinG != 300 {
		t.Errorf("batches = %+v, want the third of 300 g, once", got.Batches)
	}
}

// TestSound asks whether the tone was heard, and only then does the board count
// it as a way to wake somebody.
func TestSound(t *testing.T) {
	b := browser(t)
	s := day(t)
	ctx, bad := tab(t, b, 360, 740, false)
	tested := func() bool {
		v := read[struct {
			WakeTested bool `json:"wake_tested"`
		}](t, s, "/api/v1/settings")
		return v.WakeTested
	}
	open(t, ctx, s.url)
	tap(t, ctx, "Try the sound")
	says(t, ctx, "Did you hear it?")
	tap(t, ctx, "No")
	says(t, ctx, "Not heard.")
	if tested() {
		t.Fatal("counted as heard")
	}
	tap(t, ctx, "Play it again")
	tap(t, ctx, "Yes, I heard it")
	// The line goes only once the board has answered.
	until(t, ctx, "!"+text+".includes('Did you hear it?') && !"+text+".includes('Not heard.')")
	if !tested() {
		t.Error("the board was not told")
	}
	clean(t, bad)
}
