// SPDX-License-Identifier: Apache-2.0

package record

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"curewright/dashboards/hours"
	page "curewright/dashboards/html"
	"curewright/dashboards/textures"
	"curewright/model/coat"
	"curewright/model/words"
)

// The figure is drawn in units of a quarter of a millimetre over 720 units,
// the width of both A4 and Letter inside their margins. Textures carry the
// meaning, so that a cheap printer and a photocopy keep it.
const (
	figWidth  = 720.0
	figLeft   = 4.0
	figRight  = 716.0
	stripHigh = 30.0
	rowHigh   = 88.0
	axisHigh  = 30.0
	tempHigh  = 96.0
)

type figure struct {
	b        strings.Builder
	w        reader
	from, to time.Time
}

func (f *figure) x(t time.Time) float64 {
	d := f.to.Sub(f.from).Seconds()
	if d <= 0 {
		return figLeft
	}
	return figLeft + (figRight-figLeft)*min(max(t.Sub(f.from).Seconds()/d, 0), 1)
}

func (f *figure) p(format string, a ...any) { fmt.Fprintf(&f.b, format, a...) }

// n prints a coordinate shortly.
func n(x float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", x), ".0") }

// texture fills a box. Strokes and dashes rather than patterns: those end up as
// coarse pictures in a PDF.
func (f *figure) texture(s coat.State, a, b, top, high float64, faint bool) {
	class, tone := "ink", "#c4c4c4"
	if faint {
		class, tone = "ink faint", "#e6e6e6"
	}
	f.p(`<rect x="%s" y="%s" width="%s" height="%s" fill="#fff"/>`, n(a), n(top), n(b-a), n(high))
	switch x := textures.Of[s]; {
	case x.Rows != nil:
		end := ""
		if x.Rows.Dots {
			end = ` stroke-linecap="round" stroke-width="1.3"`
		}
		for i, y := 0, x.Rows.Every/2+.5; y < high; i, y = i+1, y+x.Rows.Every {
			if l, r := a+x.Rows.Inset, b-x.Rows.Inset; l < r {
				f.p(`<path class="%s" d="M%s %sH%s" stroke-dasharray="%s" stroke-dashoffset="%s"%s/>`, class, n(l), n(top+y), n(r), x.Rows.Dash, n(x.Rows.Shift*float64(i%2)), end)
			}
		}
	case x.Lean:
		var d strings.Builder
		const lean, every, gap = 5.0, 6.0, 10.0 // a stroke leans over 5, in rows of 10
		for y := top; y < top+high-1; y += gap {
			y1, y2 := y+1.5, y+gap-2
			for x := a - lean; x < b; x += every {
				x1, x2 := x, x+lean // from foot to head
				yy := func(v float64) float64 { return y2 - (y2-y1)*(v-x1)/lean }
				l, r := max(x1, a), min(x2, b)
				if r-l > 1 {
					fmt.Fprintf(&d, "M%s %sL%s %s", n(l), n(yy(l)), n(r), n(yy(r)))
				}
			}
		}
		f.p(`<path class="%s" d="%s"/>`, class, d.String())
	case x.Tone:
		f.p(`<rect x="%s" y="%s" width="%s" height="%s" fill="%s"/>`, n(a), n(top), n(b-a), n(high), tone)
	default:
		for x := a + 8; x < b-5; x += 26 {
			f.p(`<text class="doubt" x="%s" y="%s">?</text>`, n(x), n(top+high/2+4))
		}
	}
}

// swatch is a small piece of a state's texture, for the figure's key.
func swatch(s coat.State) page.Markup {
	const wide, high = 28, 12 // 7 by 3 mm
	f := &figure{}
	f.p(`<svg class="swatch" viewBox="0 0 %d %d" aria-hidden="true">`, wide, high)
	f.texture(s, 0, wide, 0, high, false)
	f.p(`</svg>`)
	return page.Markup(f.b.String())
}

// bounds is the span of a side's figure: from the first pour to a little
// after the last thing that happened.
func bounds(s Side) (from, to time.Time, ok bool) {
	for _, c := range s.Coats {
		at := c.Coat.Coat.Applied
		if !ok || at.Before(from) {
			from = at
		}
		if !ok || at.After(to) {
			to = at
		}
		ok = true
		to = later(to, c.Conditions.To)
		if e := c.Estimate; e != nil {
			if e.Events.Hard.P50 != nil {
				to = later(to, *e.Events.Hard.P50)
			} else if n := len(e.Strip.Segments); n > 0 {
				to = later(to, e.Strip.Segments[n-1].To)
			}
		}
		for _, f := range c.Feels {
			to = later(to, f.At)
		}
	}
	if !ok {
		return
	}
	d := to.Sub(from)
	return from.Add(-d / 50), to.Add(max(d/25, 30*time.Minute)), true
}

// drawSide draws all strips of a side over one time axis, the panel's
// temperature below them.
func drawSide(s Side, w reader) page.Markup {
	from, to, ok := bounds(s)
	if !ok {
		return ""
	}
	f := &figure{w: w, from: from, to: to}
	high := axisHigh + rowHigh*float64(len(s.Coats)) + tempHigh + 16
	f.p(`<svg class="strips" viewBox="0 0 %s %s" role="img" aria-label="%s">`, n(figWidth), n(high), html.EscapeString(w.t("page.strips", words.Facts{"count": len(s.Coats)})))
	f.axis(high - 16)
	y := axisHigh
	for i, c := range s.Coats {
		var next *CoatEntry
		if i+1 < len(s.Coats) {
			next = &s.Coats[i+1]
		}
		f.strip(i+1, c, next, y)
		y += rowHigh
	}
	f.temperature(s, y)
	f.p(`</svg>`)
	return page.Markup(f.b.String())
}

// axis draws days and hours along the top and faint lines down to the foot.
func (f *figure) axis(foot float64) {
	span := f.to.Sub(f.from)
	step := 24
	for _, h := range []int{1, 2, 3, 6, 12} {
		if span.Hours()/float64(h) <= 16 {
			step = h
			break
		}
	}
	days := 1
	for step == 24 && span.Hours()/24/float64(days) > 16 {
		days++
	}
	local := f.from.In(f.w.loc)
	if step == 24 {
		step *= days
	}
	f.p(`<g class="axis">`)
	firstDay, lastDay := math.Inf(1), math.Inf(-1)
	for _, t := range hours.Ticks(f.from, f.to, step, f.w.loc) {
		x := f.x(t.At)
		f.p(`<path class="%s" d="M%s %sV%s"/>`, map[bool]string{true: "midnight", false: "hour"}[t.Day], n(x), n(axisHigh-8), n(foot))
		if step < 24 && !t.Day && x > figLeft+13 && x < figRight-13 {
			f.p(`<text x="%s" y="%s" text-anchor="middle">%s</text>`, n(x), n(axisHigh-11), t.At.Format("15:04"))
		}
		if t.Day && x-lastDay > 52 && x < figRight-40 {
			f.p(`<text class="day" x="%s" y="10">%s</text>`, n(x+3), html.EscapeString(f.w.date(t.At)))
			lastDay = x
			firstDay = min(firstDay, x)
		}
	}
	if firstDay > figLeft+62 {
		f.p(`<text class="day" x="%s" y="10">%s</text>`, n(figLeft), html.EscapeString(f.w.date(local)))
	}
	f.p(`</g>`)
}

// strip draws one coat: its states as textures, gaps as torn paper, finger
// tests as ovals, the window as a bar with soft ends, trouble as drops.
func (f *figure) strip(no int, c CoatEntry, next *CoatEntry, y float64) {
	top := y + 27
	f.p(`<text class="name" x="%s" y="%s">%d. %s, %s, %s</text>`, n(figLeft), n(y+10), no, html.EscapeString(f.w.kind(c.Coat.Coat.Kind)), html.EscapeString(c.Coat.Coat.Resin), f.w.at(c.Coat.Coat.Applied))
	e := c.Estimate
	x0 := f.x(c.Coat.Coat.Applied)
	if e == nil || len(e.Strip.Segments) == 0 {
		f.texture(coat.Unknown, x0, figRight, top, stripHigh, false)
		f.p(`<rect class="edge" x="%s" y="%s" width="%s" height="%s" fill="none"/>`, n(x0), n(top), n(figRight-x0), n(stripHigh))
		return
	}
	segs := e.Strip.Segments
	end := x0
	for _, g := range segs {
		a, b := f.x(g.From), f.x(g.To)
		if b-a < .3 {
			continue
		}
		f.texture(g.State, a, b, top, stripHigh, g.Future)
		f.p(`<path class="turn" d="M%s %sv%s"/>`, n(a), n(top), n(stripHigh))
		end = max(end, b)
	}
	f.p(`<rect class="edge" x="%s" y="%s" width="%s" height="%s" fill="none"/>`, n(x0), n(top), n(end-x0), n(stripHigh))
	for _, g := range e.Strip.Gaps {
		f.torn(f.x(g.From), f.x(g.To), top)
	}
	f.stateWords(c, next, segs, top)
	for i, d := range e.Strip.Drops {
		for x := f.x(d.From); x <= max(f.x(d.To), f.x(d.From)); x += 9 {
			f.p(`<path class="drop" d="M%s %sc-2.4 3.6-2.4 6 0 6s2.4-2.4 0-6z"/>`, n(x+2), n(top+stripHigh+9))
			if i > 500 {
				break
			}
		}
	}
	f.window(c, next, top+stripHigh)
	said := math.Inf(-1)
	for _, feel := range c.Feels {
		x := f.x(feel.At)
		// A thumbprint: an oval with its ridges.
		f.p(`<g class="feel"><ellipse cx="%s" cy="%s" rx="5" ry="7.5"/><path d="M%s %sq3-5 6 0M%s %sq3-4 6 0M%s %sq2-3 4 0"/></g>`,
			n(x), n(top+stripHigh/2), n(x-3), n(top+stripHigh/2+4), n(x-3), n(top+stripHigh/2+1), n(x-2), n(top+stripHigh/2-2))
		if x-said > 48 { // the list below has them all
			f.p(`<text class="tiny" x="%s" y="%s" text-anchor="middle">%s</text>`, n(min(max(x, 24), figRight-24)), n(top-8), html.EscapeString(f.w.t("figure.felt", words.Facts{"state": f.w.Say("state."+string(feel.State), nil)})))
			said = x
		}
	}
	if next != nil {
		x := f.x(next.Coat.Coat.Applied)
		f.p(`<path class="next" d="M%s %sv%s"/><path d="M%s %sl-4-6h8z"/>`, n(x), n(top-4), n(stripHigh+18), n(x), n(top))
		f.p(`<text class="tiny" x="%s" y="%s">%s</text>`, n(x+3), n(top+stripHigh+17), html.EscapeString(f.w.t("figure.coat_on", words.Facts{"no": no + 1})))
	}
}

// stateWords writes each state's name on its texture, clear of gaps, finger
// tests and the next coat's mark; where there is no room the texture has to do.
func (f *figure) stateWords(c CoatEntry, next *CoatEntry, segs []coat.Segment, top float64) {
	var taken [][2]float64
	for _, g := range c.Estimate.Strip.Gaps {
		taken = append(taken, [2]float64{f.x(g.From) - 4, max(f.x(g.To), f.x(g.From)+5) + 4})
	}
	for _, t := range c.Feels {
		taken = append(taken, [2]float64{f.x(t.At) - 7, f.x(t.At) + 7})
	}
	if next != nil {
		x := f.x(next.Coat.Coat.Applied)
		taken = append(taken, [2]float64{x - 4, x + 4})
	}
	for _, g := range segs {
		word := ""
		if g.State != "" {
			word = f.w.Say("state."+string(g.State), nil)
		}
		wide := 5.4*float64(utf8.RuneCountInString(word)) + 6
		x, end := f.x(g.From)+3, f.x(g.To)-3
		for moved := true; moved; {
			moved = false
			for _, t := range taken {
				if x < t[1] && x+wide > t[0] {
					x, moved = t[1]+1, true
				}
			}
		}
		if x+wide > end || word == "" || g.State == coat.Unknown {
			continue
		}
		f.p(`<rect x="%s" y="%s" width="%s" height="12" rx="2" fill="#fff"/><text class="state" x="%s" y="%s">%s</text>`,
			n(x), n(top+3), n(wide), n(x+3), n(top+12), html.EscapeString(word))
	}
}

// window draws the bar under the strip; each end fades over its doubt.
func (f *figure) window(c CoatEntry, next *CoatEntry, y float64) {
	var o, k coat.TimeBand
	if next != nil && next.Recoat != nil {
		o, k = next.Recoat.Opens, next.Recoat.Closes
	} else if e := c.Estimate; e.NextWindow != nil && (e.NextWindow.OpensBand.P50 != nil || e.NextWindow.ClosesBand.P50 != nil) {
		o, k = e.NextWindow.OpensBand, e.NextWindow.ClosesBand
	} else {
		o, k = e.Events.RecoatOpens, e.Events.RecoatCloses
	}
	if o.P50 == nil {
		return
	}
	or := func(p *time.Time, q time.Time) float64 {
		if p == nil {
			return f.x(q)
		}
		return f.x(*p)
	}
	a1, a2 := or(o.P10, *o.P50), or(o.P90, *o.P50)
	last := f.to
	if k.P50 != nil {
		last = *k.P50
	}
	b1, b2 := or(k.P10, last), or(k.P90, last)
	const h = 5.0
	y += 3
	// Doubt as softness, in steps that a printer can show.
	const steps = 6
	part := func(x, w, ink float64) {
		if w > 0 {
			f.p(`<rect x="%s" y="%s" width="%s" height="%s" fill="#000" fill-opacity="%.2f"/>`, n(x), n(y), n(w), n(h), ink)
		}
	}
	edge := func(x1, x2 float64, rising bool) {
		for i := range steps {
			ink := (float64(i) + .5) / steps
			if !rising {
				ink = 1 - ink
			}
			part(x1+(x2-x1)*float64(i)/steps, (x2-x1)/steps, ink)
		}
	}
	if a2 <= b1 {
		edge(a1, a2, true)
		part(a2, b1-a2, 1)
		edge(b1, b2, false)
		return
	}
	// The doubts overlap: nowhere is it surely open.
	const many = 24
	for i := range many {
		x1 := a1 + (b2-a1)*float64(i)/many
		mid := x1 + (b2-a1)/many/2
		part(x1, (b2-a1)/many, ramp(mid, a1, a2)*(1-ramp(mid, b1, b2)))
	}
}

func ramp(x, a, b float64) float64 {
	if b <= a {
		if x < a {
			return 0
		}
		return 1
	}
	return min(max((x-a)/(b-a), 0), 1)
}

// torn draws a gap in the readings as torn paper, never as a joined line.
func (f *figure) torn(a, b, top float64) {
	b = max(b, a+5)
	var d strings.Builder
	edge := func(x float64, down bool) {
		const teeth = 6
		for i := 0; i <= teeth; i++ {
			k := i
			if !down {
				k = teeth - i
			}
			off := 2.2
			if k%2 == 0 {
				off = -2.2
			}
			fmt.Fprintf(&d, "L%s %s", n(x+off), n(top-1+(stripHigh+2)*float64(k)/teeth))
		}
	}
	fmt.Fprintf(&d, "M%s %s", n(a), n(top-1))
	edge(a, true)
	edge(b, false)
	d.WriteString("Z")
	f.p(`<path class="torn" d="%s"/>`, d.String())
	if b-a > 44 {
		f.p(`<text class="tiny" x="%s" y="%s" text-anchor="middle">%s</text>`, n((a+b)/2), n(top+stripHigh/2+3), html.EscapeString(f.w.t("page.key_gap", nil)))
	}
}

// temperature draws the panel's temperature and the dew point under the
// strips, broken where there was no reading.
func (f *figure) temperature(s Side, y float64) {
	top, foot := y+10, y+tempHigh-4
	points := f.measured(s)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range points {
		for _, v := range []*float64{p.TempC, p.DewC} {
			if v != nil && !math.IsNaN(*v) && !p.Gap {
				lo, hi = min(lo, *v), max(hi, *v)
			}
		}
	}
	if math.IsInf(lo, 1) {
		f.p(`<text class="name" x="%s" y="%s">%s</text>`, n(figLeft), n(top+12), html.EscapeString(f.w.t("figure.no_temperature", nil)))
		return
	}
	lo, hi = math.Floor(lo/5)*5, math.Ceil(hi/5)*5
	if hi == lo {
		hi += 5
	}
	yy := func(v float64) float64 { return foot - (foot-top)*(v-lo)/(hi-lo) }
	step := 5.0
	for (hi-lo)/step > 5 {
		step *= 2
	}
	for v := lo; v <= hi; v += step {
		f.p(`<path class="hour" d="M%s %sH%s"/><text class="tiny" x="%s" y="%s" text-anchor="end">%s</text>`, n(figLeft), n(yy(v)), n(figRight), n(figRight), n(yy(v)-2), f.w.temp(&v))
	}
	f.line("temp", points, func(p coat.TracePoint) *float64 { return p.TempC }, yy)
	f.line("dew", points, func(p coat.TracePoint) *float64 { return p.DewC }, yy)
	f.p(`<text class="tiny" x="%s" y="%s">%s</text>`, n(figLeft), n(y+6), html.EscapeString(f.w.t("figure.lines", nil)))
}

// measured are the readings of a side, each coat's until the next one's go on
// from there, with a gap between them.
func (f *figure) measured(s Side) (out []coat.TracePoint) {
	for i, c := range s.Coats {
		until := f.to
		if i+1 < len(s.Coats) {
			until = s.Coats[i+1].Coat.Coat.Applied
		}
		for _, p := range c.Trace {
			if !p.Forecast && !p.At.After(until) {
				out = append(out, p)
			}
		}
		out = append(out, coat.TracePoint{Gap: true})
	}
	return out
}

// line draws one quantity of the readings. There are more points than can be
// seen: of each half millimetre it takes the first, the least, the most and the
// last.
func (f *figure) line(class string, points []coat.TracePoint, get func(coat.TracePoint) *float64, yy func(float64) float64) {
	var d strings.Builder
	pen := false
	var col []float64
	var colX float64
	flush := func() {
		for i, v := range col {
			if i > 0 && i < len(col)-1 && v != slices.Min(col) && v != slices.Max(col) {
				continue
			}
			c := 'M'
			if pen {
				c = 'L'
			}
			pen = true
			fmt.Fprintf(&d, "%c%s %s", c, n(colX), n(yy(v)))
		}
		col = col[:0]
	}
	for _, p := range points {
		v := get(p)
		if v == nil || p.Gap || math.IsNaN(*v) {
			flush()
			pen = false
			continue
		}
		x := math.Round(f.x(p.At)/2) * 2
		if x != colX || len(col) == 0 {
			flush()
			colX = x
		}
		col = append(col, *v)
	}
	flush()
	if d.Len() > 0 {
		f.p(`<path class="%s" d="%s"/>`, class, d.String())
	}
}
