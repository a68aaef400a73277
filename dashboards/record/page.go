// SPDX-License-Identifier: Apache-2.0

package record

import "curewright/dashboards/html"

// page is the record as one page: a sheet or more for each side, and one with
// the resins, the doubt and the cautions.
func (v view) page() string {
	w := &html.Writer{}
	w.Put(`<!doctype html>
<html lang="%s">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>%s: %s</title>
<style>%s</style>
</head>
<body>
`, v.Lang(), v.T("page.cure_record"), v.Title(), html.Markup(styleText))
	for _, s := range v.Sheets() {
		v.sheet(w, s)
	}
	v.lastSheet(w)
	w.Put("</body>\n</html>\n")
	return w.String()
}

// what is the line above a sheet's title.
func (v view) what(w *html.Writer) {
	w.Put(`<p class="what">%s`, v.T("page.cure_record"))
	w.If(" · %s", v.Shop)
	w.Put("</p>\n")
}

func (v view) sheet(w *html.Writer, s sideView) {
	w.Put("\n<section class=\"sheet\">\n<header>\n")
	v.what(w)
	w.Put("<h1>%s<span class=\"side\">%s</span></h1>\n<p class=\"meta\">%s · %s</p>\n</header>\n", v.Title(), s.SideOf(), v.Span(), s.About())
	if len(s.Coats) > 0 {
		w.Put("<figure>%s\n<figcaption>", s.Figure())
		for _, k := range v.StateKeys() {
			w.Put(`<span class="key %s">%s</span>`, k[0], k[1])
		}
		w.Put(`<span class="key bar">%s</span><span class="key oval">%s</span><span class="key rip">%s</span></figcaption>
</figure>
`, v.T("page.key_window"), v.T("page.key_finger"), v.T("page.key_gap"))
		for _, c := range s.Rows() {
			v.article(w, c)
		}
	} else {
		w.Put(`<p class="verdict">%s</p>`, v.T("page.no_coat"))
	}
	if rows := s.Warnings(); len(rows) > 0 {
		w.Put(`<article class="keep"><h2>%s</h2><table class="list">`, v.T("page.warnings"))
		for _, r := range rows {
			w.Put(`<tr><td class="when">%s</td><td>%s</td><td class="when">%s</td></tr>`, r.When, r.Say, r.State)
		}
		w.Put("</table></article>\n")
	}
	if rows := s.Corrections(); len(rows) > 0 {
		w.Put(`<article class="flow"><h2>%s</h2><table class="list">`, v.T("page.changed"))
		for _, r := range rows {
			w.Put(`<tr><td class="when">%s</td><td>%s</td><td class="when">%s %s</td></tr>`, r.When, r.What, v.T("page.by"), r.Who)
		}
		w.Put("</table></article>\n")
	}
	w.Put("</section>\n")
}

// article is one coat.
func (v view) article(w *html.Writer, c coatView) {
	w.Put(`<article>
<h2>%s. %s<span>%s, %s</span></h2>
<p class="verdict">%s</p>
<dl class="two">
`, c.No, c.Kind(), c.Resin(), c.Applied(), c.State())
	w.Put(`<div><dt>%s</dt><dd>`, v.T("page.cup"))
	w.Each(`<p>%s</p>`, c.Cups())
	w.Put("</dd></div>\n<div><dt>%s</dt><dd>%s", v.T("page.cloth"), c.Cloth())
	w.If(`<p class="fine">%s</p>`, c.OnPanel())
	w.Put("</dd></div>\n<div><dt>%s</dt><dd>%s", v.T("page.below"), c.Fell())
	w.If(`<p class="fine">%s</p>`, c.FellWindow())
	w.Put("</dd></div>\n<div><dt>%s</dt><dd>", v.T("page.felt"))
	if felt := c.Felt(); len(felt) > 0 {
		w.Each(`<p>%s</p>`, felt)
	} else {
		w.Put("%s", v.T("page.never_felt"))
	}
	w.Put(`</dd></div>
<div><dt>%s</dt><dd>%s<p class="fine">%s: %s</p></dd></div>
<div><dt>%s</dt><dd>%s %s</dd></div>
<div><dt>%s</dt><dd>%s</dd></div>
<div><dt>%s</dt><dd>%s; %s<p class="fine">%s %s</p></dd></div>
</dl>
`, v.T("page.panel"), c.Temps(), v.T("page.cold"), c.Cold(),
		v.T("page.dew"), v.T("page.margin"), c.Dew(),
		v.T("page.missing"), c.Gaps(),
		v.T("page.cure"), c.Alpha(), c.Tg(), v.T("page.pace"), c.Rate())
	if marks := c.Marks(); len(marks) > 0 {
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
	if c.Note() != "" {
		w.Put("<p class=\"note\">%s: %s</p>\n", v.T("page.note"), c.Note())
	}
	w.Each("<p class=\"note\">%s</p>\n", c.Notes())
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
`, v.Title(), v.T("page.reckoned"), v.T("page.how_sure"), v.T("page.sure_times"), v.T("page.sure_states"))
	for _, r := range v.Resins() {
		w.Put(`<article class="keep"><h2>%s<span>%s</span></h2>`, r.Name, r.Kind())
		params(w, r.Parameters())
		w.Put("</article>\n")
	}
	if bill := v.BillLines(); len(bill) > 0 {
		w.Put(`<article class="keep"><h2>%s</h2>`, v.T("page.epoxy"))
		params(w, bill)
		w.Put("</article>\n")
	}
	if probes := v.ProbeLines(); len(probes) > 0 {
		w.Put(`<article class="keep"><h2>%s</h2>`, v.T("page.probes"))
		w.Each(`<p>%s</p>`, probes)
		w.Put("</article>\n")
	}
	w.Put(`<article class="keep"><h2>%s</h2>`, v.T("page.cautions"))
	w.Each(`<p>%s</p>`, v.Caution())
	w.Put(`</article>
<article class="keep"><h2>%s</h2>
<table class="params">
<tr><th scope="row">%s</th><td>%s (%s)`, v.T("page.this_record"), v.T("page.made"), v.MadeAt(), v.Zone)
	if v.Program != "" {
		w.Put(` %s %s`, v.T("page.by"), v.Program)
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
`, v.T("page.model"), v.Model, v.T("page.sum_entries"), v.Entries, v.T("page.sum_all"), v.Hash, v.T("page.sums"), v.T("page.checked_by"), v.T("page.date"))
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
