// SPDX-License-Identifier: Apache-2.0

package record

import (
	"cmp"
	"slices"

	"curewright/dashboards/html"
	"curewright/model/coat"
	"curewright/model/words"
)

// page is the record as one page: a sheet or more for each side, and one with
// the resins, the doubt and the cautions.
func (v view) page() string {
	w := html.Begin(v.w.Lang(), v.t("cure_record")+": "+v.title())
	w.Put("<style>%s</style>\n</head>\n<body>\n", html.Markup(styleText))
	for i, s := range v.Sides {
		v.sheet(w, i+1, s)
	}
	v.lastSheet(w)
	w.Put("</body>\n</html>\n")
	return w.String()
}

// t is a sentence of the page.
func (v view) t(code string) string { return v.w.t("page."+code, nil) }

func (v view) title() string { return cmp.Or(v.Piece.Name, v.Piece.ID) }

// what is the line above a sheet's title.
func (v view) what(w *html.Writer) {
	w.Put(`<p class="what">%s`, v.t("cure_record"))
	w.If(" · %s", v.Shop)
	w.Put("</p>\n")
}

func (v view) sheet(w *html.Writer, no int, s Side) {
	w.Put("\n<section class=\"sheet\">\n<header>\n")
	v.what(w)
	w.Put("<h1>%s<span class=\"side\">%s</span></h1>\n<p class=\"meta\">%s · %s</p>\n</header>\n", v.title(),
		v.w.t("page.side_of", words.Facts{"name": cmp.Or(s.Panel.Name, s.Panel.ID), "n": no, "of": len(v.Sides)}), v.span(), v.w.panelFacts(s.Panel))
	if len(s.Coats) > 0 {
		w.Put("<figure>%s\n<figcaption>", drawSide(s, v.w))
		for _, s := range append(slices.Clone(coat.States), coat.Unknown) {
			w.Put(`<span>%s%s</span>`, swatch(s), v.w.Say("state."+string(s), nil))
		}
		w.Put(`<span class="key bar">%s</span><span class="key oval">%s</span><span class="key rip">%s</span></figcaption>
</figure>
`, v.t("key_window"), v.t("key_finger"), v.t("key_gap"))
		for i, c := range s.Coats {
			v.article(w, i+1, c)
		}
	} else {
		w.Put(`<p class="verdict">%s</p>`, v.t("no_coat"))
	}
	v.list(w, "keep", v.t("warnings"), v.warnings(s))
	v.list(w, "flow", v.t("changed"), v.w.corrections(s))
	w.Put("</section>\n")
}

// list is a table of what was said when, and by whom or to what end.
func (v view) list(w *html.Writer, class, title string, rows [][3]string) {
	if len(rows) == 0 {
		return
	}
	w.Put(`<article class="%s"><h2>%s</h2><table class="list">`, class, title)
	for _, r := range rows {
		w.Put(`<tr><td class="when">%s</td><td>%s</td><td class="when">%s</td></tr>`, r[0], r[1], r[2])
	}
	w.Put("</table></article>\n")
}

// article is one coat.
func (v view) article(w *html.Writer, no int, c CoatEntry) {
	k, x, say := c.Coat.Coat, c.Conditions, v.w
	e := cmp.Or(c.Estimate, &coat.Estimate{}) // of one that is not estimated nothing is known
	fell, window := say.t("first_coat", nil), ""
	if c.Recoat != nil {
		fell, window = say.fell(c.Recoat), say.Say("window."+c.Recoat.Window, nil)+": "+say.window(c.Recoat)
	}
	w.Put(`<article>
<h2>%s. %s<span>%s, %s</span></h2>
<p class="verdict">%s</p>
<dl class="two">
`, no, say.kind(k.Kind), k.Resin, say.applied(k), say.state(c.Estimate))
	w.Put(`<div><dt>%s</dt><dd>`, v.t("cup"))
	w.Each(`<p>%s</p>`, say.cups(c.Batches))
	w.Put("</dd></div>\n<div><dt>%s</dt><dd>%s", v.t("cloth"), say.cloth(k))
	w.If(`<p class="fine">%s</p>`, say.onPanel(c.After))
	w.Put("</dd></div>\n<div><dt>%s</dt><dd>%s", v.t("below"), fell)
	w.If(`<p class="fine">%s</p>`, window)
	w.Put("</dd></div>\n<div><dt>%s</dt><dd>", v.t("felt"))
	if felt := say.felt(c.Feels); len(felt) > 0 {
		w.Each(`<p>%s</p>`, felt)
	} else {
		w.Put("%s", v.t("never_felt"))
	}
	w.Put(`</dd></div>
<div><dt>%s</dt><dd>%s<p class="fine">%s: %s</p></dd></div>
<div><dt>%s</dt><dd>%s %s</dd></div>
<div><dt>%s</dt><dd>%s</dd></div>
<div><dt>%s</dt><dd>%s; %s<p class="fine">%s %s</p></dd></div>
</dl>
`, v.t("panel"), say.temps(x), v.t("cold"), say.minutes(x.ColdMin),
		v.t("dew"), v.t("margin"), say.dew(c),
		v.t("missing"), say.gaps(x),
		v.t("cure"), say.alpha(e.Alpha), say.tg(e.TgC), v.t("pace"), say.rate(e.Kappa))
	if c.Estimate != nil {
		marks := say.marks(e.Events)
		w.Put(`<table class="marks"><tr>`)
		for _, m := range marks {
			w.Put(`<th scope="col">%s</th>`, m[0])
		}
		w.Put(`</tr><tr>`)
		for _, m := range marks {
			w.Put(`<td>%s</td>`, m[1])
		}
		w.Put("</tr></table>\n")
	}
	if k.Note != "" {
		w.Put("<p class=\"note\">%s: %s</p>\n", v.t("note"), k.Note)
	}
	w.Each("<p class=\"note\">%s</p>\n", e.Notes)
	w.Put("</article>\n")
}

// lastSheet is how it was reckoned: doubt, resins, epoxy, probes, cautions, and
// the sums that the record is verified by.
func (v view) lastSheet(w *html.Writer) {
	w.Put("\n<section class=\"sheet\">\n<header>")
	v.what(w)
	w.Put(`<h1>%s<span class="side">%s</span></h1></header>
<article class="keep"><h2>%s</h2>
<p>%s</p>
<p>%s</p>
</article>
`, v.title(), v.t("reckoned"), v.t("how_sure"), v.t("sure_times"), v.t("sure_states"))
	names, resins := v.resins()
	for _, name := range names {
		w.Put(`<article class="keep"><h2>%s<span>%s</span></h2>`, name, v.w.resinKind(resins[name]))
		params(w, v.w.parameters(resins[name]))
		w.Put("</article>\n")
	}
	if bill := v.w.bill(v.Bill); len(bill) > 0 {
		w.Put(`<article class="keep"><h2>%s</h2>`, v.t("epoxy"))
		params(w, bill)
		w.Put("</article>\n")
	}
	if probes := v.probes(); len(probes) > 0 {
		w.Put(`<article class="keep"><h2>%s</h2>`, v.t("probes"))
		w.Each(`<p>%s</p>`, probes)
		w.Put("</article>\n")
	}
	w.Put(`<article class="keep"><h2>%s</h2>`, v.t("cautions"))
	for _, code := range cautionCodes {
		w.Put(`<p>%s</p>`, v.w.Say(code, nil))
	}
	w.Put(`</article>
<article class="keep"><h2>%s</h2>
<table class="params">
<tr><th scope="row">%s</th><td>%s (%s)`, v.t("this_record"), v.t("made"), v.w.at(v.Made)+" "+v.Made.Format("2006"), v.Zone)
	if v.Program != "" {
		w.Put(` %s %s`, v.t("by"), v.Program)
	}
	w.Put(`</td></tr>
<tr><th scope="row">%s</th><td>%s</td></tr>
<tr><th scope="row">%s</th><td class="sum">%s</td></tr>
<tr><th scope="row">%s</th><td class="sum">%s</td></tr>
</table>
<p class="fine">%s <code>curewright record --verify FILE</code></p>
<p class="sign"><span>%s</span><span>%s</span></p>
</article>
</section>
`, v.t("model"), v.Model, v.t("sum_entries"), v.Entries, v.t("sum_all"), v.Hash, v.t("sums"), v.t("checked_by"), v.t("date"))
}

// params is a table of names and values.
func params(w *html.Writer, rows [][2]string) {
	if len(rows) == 0 {
		return
	}
	w.Put(`<table class="params">`)
	for _, r := range rows {
		w.Put(`<tr><th scope="row">%s</th><td>%s</td></tr>`, r[0], r[1])
	}
	w.Put(`</table>`)
}
