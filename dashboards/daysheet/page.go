// SPDX-License-Identifier: Apache-2.0

package daysheet

import "curewright/dashboards/html"

// page is the sheet as one page of HTML.
func (s sheet) page() string {
	w := html.Begin(s.Lang(), s.title()+": "+s.t("name", nil))
	w.Put(`<style>
@page { size: A4; margin: 11mm 12mm }
* { box-sizing: border-box }
body { font: %s/1.3 ui-serif, Georgia, "Liberation Serif", serif; color: #111; background: #fff; margin: 0 auto; max-width: 186mm; font-variant-numeric: tabular-nums }
@media screen { body { padding: 12px; font-size: 16px } }
h1 { font-size: 1.6em; margin: 0 }
.head { display: flex; justify-content: space-between; align-items: baseline; gap: 1em; border-bottom: 2px solid #111; padding-bottom: 2pt; flex-wrap: wrap }
.lead { margin: 4pt 0 }
table { border-collapse: collapse; width: 100%% }
td { vertical-align: top; padding: 2.5pt 4pt 2.5pt 0; border-top: .5pt solid #999 }
tr { break-inside: avoid }
.day td { border-top: 1.5pt solid #111; font-weight: bold; padding-top: 5pt }
.box { width: 1.6em } .box i { display: inline-block; width: .95em; height: .95em; border: 1pt solid #111 }
.box i.done { background: #111 }
.at { width: 5.2em; white-space: nowrap; font-weight: bold } .at small { font-weight: normal; display: block }
.win { width: 9.5em; font-size: .92em }
.cup { font-size: .92em; padding-left: .8em; text-indent: -.8em } .cup::before { content: "▾ " }
.panel { font-size: .92em; width: 7em } .panel small { white-space: nowrap }
ul { margin: 2pt 0; padding-left: 1.1em } h2 { font-size: 1.05em; margin: 6pt 0 0 }
.foot { border-top: 2px solid #111; margin-top: 6pt; font-size: .88em }
.no { border: 2pt solid #111; padding: 4pt 6pt; margin: 5pt 0 }
</style>
</head>
<body>
<div class="head"><h1>%s</h1><div>`, s.size, s.title())
	w.If("%s · ", s.Shop)
	if !s.Made.IsZero() {
		made := s.in(s.Made)
		w.Put("%s %s", s.t("planned", nil), s.date(made)+made.Format(" 2006, 15:04"))
	}
	w.Put("</div></div>\n")
	if s.res.Feasible {
		w.Put(`<p class="lead"><b>%s</b> %s`, s.chance("chance", s.res.Probability), s.t("every_step", nil))
		if s.res.Finish != nil {
			w.Put("; %s %s", s.t("done_about", nil), s.weekday(s.in(*s.res.Finish), " 15:04"))
		}
		w.Put(". %s</p>\n", s.t("finger", nil))
	} else {
		w.Put("<div class=\"no\"><b>%s</b></div>\n", s.res.Say)
	}
	list(w, s.res.WhyNot)
	if len(s.res.Options) > 0 {
		w.Put(`<h2>%s</h2>`, s.t("mend", nil))
		var say []string
		for _, x := range s.res.Options {
			say = append(say, x.Say+" "+s.chance("chance_of", x.Probability))
		}
		list(w, say)
	}
	w.Put("<table>\n")
	for _, r := range s.rows {
		s.line(w, r)
	}
	w.Put("</table>\n<div class=\"foot\">\n")
	list(w, s.res.Notes)
	list(w, s.res.Cautions)
	w.Put("</div>\n</body>\n</html>\n")
	return w.String()
}

// line is a step of the day, below its date where that is another one.
func (s sheet) line(w *html.Writer, r row) {
	w.If(`<tr class="day"><td colspan="5">%s</td></tr>`, r.Day)
	w.Put("\n<tr><td class=\"box\"><i")
	if r.Done {
		w.Put(` class="done"`)
	}
	w.Put(`></i></td><td class="at">%s<small>%s %s</small></td><td class="panel">%s`, r.At, s.t("to", nil), r.Until, r.Panel)
	if r.Temp != "" {
		w.Put(`<br><small>%s %s</small>`, s.t("about", nil), r.Temp)
	}
	w.Put(`</td><td>%s`, r.Say)
	w.Each(`<div class="cup">%s</div>`, r.Cups)
	w.Put(`</td><td class="win">%s`, r.Window)
	if r.Feel != "" {
		w.Put(`<br>%s %s`, s.t("feel", nil), r.Feel)
	}
	w.Put("</td></tr>\n")
}

func list(w *html.Writer, lines []string) {
	if len(lines) > 0 {
		w.Put("<ul>")
		w.Each("<li>%s</li>", lines)
		w.Put("</ul>\n")
	}
}
