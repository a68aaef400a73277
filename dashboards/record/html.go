// SPDX-License-Identifier: Apache-2.0

package record

import (
	_ "embed"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/pot"
	"curewright/model/stock"
	"curewright/model/words"
)

//go:embed record.css
var styleText string

// HTML writes the record as one page that prints on A4 and Letter: one sheet
// or more a side, and one with the resins, the doubt and the cautions, in the
// reader's language, clock and unit. It holds its own style and no script, and fetches nothing.
func HTML(w io.Writer, d Document, read words.View) error {
	v := view{d, readerOf(read)}
	if _, err := io.WriteString(w, v.page()); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	return nil
}

// view is the document as the page shows it.
type view struct {
	Document
	w reader
}

// span says when the work was done.
func (v view) span() string {
	var from, to time.Time
	for _, s := range v.Sides {
		for _, c := range s.Coats {
			at := c.Coat.Coat.Applied
			if from.IsZero() || at.Before(from) {
				from = at
			}
			if at.After(to) {
				to = at
			}
		}
	}
	if from.IsZero() {
		return v.w.t("no_coat_yet", nil)
	}
	a, b := v.w.day(from), v.w.day(to)
	if a == b {
		return a
	}
	return v.w.span(a, b)
}

// panelFacts are what a panel is and where its temperature comes from.
func (w reader) panelFacts(panel coat.Panel) string {
	var p []string
	if panel.Core != "" {
		p = append(p, w.t("core", words.Facts{"core": words.Known("core."+panel.Core, panel.Core)}))
	}
	if panel.AreaM2 != nil {
		p = append(p, fmt.Sprintf("%g m²", *panel.AreaM2))
	}
	if panel.Probe != "" {
		p = append(p, w.t("surface_probe", words.Facts{"probe": panel.Probe}))
	} else {
		p = append(p, w.t("no_surface_probe", nil))
	}
	if panel.Air != "" {
		p = append(p, w.t("air_probe", words.Facts{"probe": panel.Air}))
	}
	return strings.Join(p, ", ")
}

func (w reader) applied(k coat.Coat) string {
	s := w.at(k.Applied)
	if k.Finished != nil {
		s += w.t("last_stroke", words.Facts{"at": w.hour(*k.Finished)})
	}
	return s
}

// onPanel is what the coat left on its panel; "" where that is not known.
func (w reader) onPanel(a *pot.After) string {
	if a == nil {
		return ""
	}
	return fmt.Sprintf("%.0f g/m² (%s). %s", a.GM2.Use, w.span(fmt.Sprintf("%.0f", a.GM2.Low), fmt.Sprintf("%.0f", a.GM2.High)), a.Say)
}

// bill is what the piece took, wasted and cost.
func (w reader) bill(b *stock.Bill) [][2]string {
	if b == nil || b.MixedG == 0 {
		return nil
	}
	out := [][2]string{{w.t("bill.mixed", nil), fmt.Sprintf("%.0f g", b.MixedG)}, {w.t("bill.left", nil), fmt.Sprintf("%.0f g", b.LeftG)}}
	if b.ScrapG > 0 {
		out = append(out, [2]string{w.t("bill.scrapped", nil), fmt.Sprintf("%.0f g", b.ScrapG)})
	}
	out = append(out, [2]string{w.t("bill.wasted", nil), fmt.Sprintf("%.0f %%", b.WastePct)})
	for _, cur := range slices.Sorted(maps.Keys(b.Cost)) {
		out = append(out, [2]string{w.t("bill.cost", nil), w.t("bill.of_it", words.Facts{"cost": fmt.Sprintf("%.2f %s", b.Cost[cur], cur), "wasted": fmt.Sprintf("%.2f", b.WasteCost[cur])})})
	}
	if b.UnpricedG > 0 && len(b.Cost) > 0 {
		out = append(out, [2]string{w.t("bill.unpriced", nil), fmt.Sprintf("%.0f g", b.UnpricedG)})
	}
	if b.Unweighed > 0 {
		out = append(out, [2]string{w.t("bill.unweighed", nil), w.t("bill.cups", words.Facts{"count": b.Unweighed})})
	}
	return out
}

func (w reader) cups(batches []coat.Batch) []string {
	var out []string
	for _, b := range batches {
		s := w.t("mixed", words.Facts{"cup": b.ID, "at": w.at(b.Mixed)})
		if b.Lot != "" {
			s += w.t("lot", words.Facts{"lot": b.Lot})
		}
		if b.ResinG != nil && b.HardenerG != nil {
			s += w.t("weighed", words.Facts{"resin": *b.ResinG, "hardener": *b.HardenerG})
		} else {
			s += w.t("not_weighed", nil)
		}
		if b.LeftG != nil {
			s += w.t("left_over", words.Facts{"grams": *b.LeftG})
		}
		if b.OffRatio == coat.OffUsed {
			s += w.t("off_ratio", nil)
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		out = append(out, w.t("no_cup", nil))
	}
	return out
}

func (w reader) cloth(k coat.Coat) string {
	var out []string
	for _, l := range k.Cloth {
		s := l.Name
		if l.GM2 != nil {
			s += fmt.Sprintf(" %g g/m²", *l.GM2)
		}
		if l.Laid != nil {
			s += w.t("laid", words.Facts{"at": w.at(*l.Laid)})
		}
		out = append(out, s)
	}
	if k.Cover != "" && k.Cover != "none" {
		out = append(out, w.t("under", words.Facts{"cover": k.Cover}))
	}
	if len(out) == 0 {
		return w.t("no", nil)
	}
	return strings.Join(out, "; ")
}

func (w reader) dew(c CoatEntry) string {
	s := w.diff(c.Conditions.MarginK)
	if e := c.Estimate; e != nil {
		switch {
		case e.Blush.Condensed:
			s += w.t("dew_fell", nil)
		case e.Blush.Band == "" || e.Blush.Band == "unknown":
			s += w.t("blush_unknown", nil)
		default:
			s += w.t("blush."+e.Blush.Band, nil)
		}
	}
	return s
}

func (w reader) gaps(c Conditions) string {
	if !c.Readings {
		return w.t("no_reading", nil)
	}
	if c.GapMin < 1 {
		return w.t("no", nil)
	}
	var out []string
	for i, g := range c.Gaps {
		if i == 6 {
			out = append(out, w.t("and_more", words.Facts{"count": len(c.Gaps) - i}))
			break
		}
		out = append(out, w.span(w.at(g.From), w.hour(g.To)))
	}
	return w.t("in_all", words.Facts{"span": w.minutes(&c.GapMin), "list": strings.Join(out, ", ")})
}

// marks are the estimated times of the marks.
func (w reader) marks(e coat.Events) [][2]string {
	return [][2]string{
		{w.Say("state.tacky", nil), w.band(e.Tacky)}, {w.t("mark.recoat_opens", nil), w.band(e.RecoatOpens)}, {w.Say("state.green", nil), w.band(e.Green)},
		{w.t("mark.recoat_closes", nil), w.band(e.RecoatCloses)}, {w.Say("state.hard", nil), w.band(e.Hard)}, {w.t("mark.handle", nil), w.band(e.Handle)},
	}
}

func (w reader) felt(feels []coat.Feel) []string {
	var out []string
	for _, f := range feels {
		s := w.at(f.At) + ": " + w.Say("state."+string(f.State), nil)
		if code := "finger." + string(f.State); words.English.Has(code) {
			s += " (" + w.Say(code, nil) + ")"
		}
		out = append(out, s)
	}
	return out
}

// warnings are the alerts about a side: when, what, and what became of it.
func (v view) warnings(s Side) [][3]string {
	mine := map[string]bool{s.Panel.ID: true, s.Panel.Probe: s.Panel.Probe != "", s.Panel.Air: s.Panel.Air != ""}
	for _, c := range s.Coats {
		mine[c.Coat.Coat.ID] = true
		for _, b := range c.Batches {
			mine[b.ID] = true
		}
	}
	var out [][3]string
	for _, a := range v.Alerts {
		if a.FiredAt == nil || !(a.Panel == s.Panel.ID || a.Panel == "" && mine[a.Subject]) {
			continue
		}
		st := v.w.t("alert."+a.State, nil)
		if a.AckedAt != nil {
			st = v.w.t("acknowledged", words.Facts{"at": v.w.at(*a.AckedAt)})
			if a.AckedBy != "" {
				st = v.w.t("acknowledged_by", words.Facts{"at": v.w.at(*a.AckedAt), "who": a.AckedBy})
			}
		}
		out = append(out, [3]string{v.w.at(*a.FiredAt), a.Say, st})
	}
	return out
}

// resins are those of the piece, each once, with their names.
func (v view) resins() (names []string, of map[string]cure.Resin) {
	of = map[string]cure.Resin{}
	for _, s := range v.Sides {
		for _, c := range s.Coats {
			name := c.Coat.Coat.Resin
			if _, seen := of[name]; !seen {
				of[name] = c.Resin
				names = append(names, name)
			}
		}
	}
	return names, of
}

func (w reader) resinKind(r cure.Resin) string {
	switch {
	case r.A2 == 0:
		return w.t("resin.not_kept", nil)
	case r.Generic:
		return w.t("resin.generic", nil)
	}
	return w.t("resin.fitted", nil)
}

// parameters are the numbers the estimate was made with.
func (w reader) parameters(x cure.Resin) [][2]string {
	if x.A2 == 0 {
		return nil
	}
	g := func(v float64) string { return fmt.Sprintf("%.4g", v) }
	return [][2]string{
		{"A₁, A₂ (1/s)", g(x.A1) + ", " + g(x.A2)},
		{"E₁, E₂ (kJ/mol)", g(x.E1/1000) + ", " + g(x.E2/1000)},
		{"m, n", g(x.M) + ", " + g(x.N)},
		{"Tg₀, Tg∞", w.temp(&x.Tg0) + ", " + w.temp(&x.TgInf)},
		{"λ", g(x.Lambda)},
		{"D, W (K)", g(x.D) + ", " + g(x.W)},
		{w.t("resin.gel", nil), g(x.AlphaGel)},
		{w.t("resin.claimed", nil), w.temp(&x.MinC) + ", " + w.temp(&x.MaxC)},
		{w.t("resin.doubt", nil), g(x.LnKappaSD)},
	}
}

// probes are named, each with what is known of it.
func (v view) probes() []string {
	var out []string
	for _, p := range v.Probes {
		s := p.ID
		if p.Name == p.ID {
			p.Name = ""
		}
		for _, more := range []string{p.Name, p.Role, p.Driver} {
			if more != "" {
				s += ", " + more
			}
		}
		out = append(out, s)
	}
	return out
}
