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

	"curewright/dashboards/html"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/words"
)

//go:embed record.css
var styleText string

// HTML writes the record as one page that prints on A4 and Letter: one sheet
// or more a side, and one with the resins, the doubt and the cautions, in the
// reader's language, clock and unit. It holds its own style and no script, and fetches nothing.
func HTML(w io.Writer, d Document, read words.View) error {
	v := view{Document: d, w: readerOf(read)}
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

// T is a sentence of the record.
func (v view) T(code string) string { return v.w.t(code, nil) }

// Lang is the language's tag.
func (v view) Lang() string {
	if v.w.Words == nil {
		return words.English.Lang
	}
	return v.w.Words.Lang
}

// Caution are the cautions, in the reader's language.
func (v view) Caution() []string {
	out := make([]string, len(cautionCodes))
	for i, code := range cautionCodes {
		out[i] = v.w.Say(code, nil)
	}
	return out
}

// StateKeys are the states with their words, as the figure's key shows them.
func (v view) StateKeys() [][2]string {
	var out [][2]string
	for _, s := range coat.States {
		out = append(out, [2]string{string(s), v.w.Say("state."+string(s), nil)})
	}
	return append(out, [2]string{"ask", v.w.Say("state.unknown", nil)})
}

func (v view) Title() string {
	if v.Piece.Name != "" {
		return v.Piece.Name
	}
	return v.Piece.ID
}

func (v view) MadeAt() string { return v.w.at(v.Made) + " " + v.Made.Format("2006") }

// Span says when the work was done.
func (v view) Span() string {
	var from, to time.Time
	for _, s := range v.Document.Sides {
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

type sideView struct {
	Side
	w     reader
	No, N int
	view  view
}

func (v view) Sheets() []sideView {
	out := make([]sideView, len(v.Document.Sides))
	for i, s := range v.Document.Sides {
		out[i] = sideView{Side: s, w: v.w, No: i + 1, N: len(v.Document.Sides), view: v}
	}
	return out
}

func (s sideView) Name() string {
	if s.Panel.Name != "" {
		return s.Panel.Name
	}
	return s.Panel.ID
}

// SideOf is the side's name and number.
func (s sideView) SideOf() string {
	return s.w.t("page.side_of", words.Facts{"name": s.Name(), "n": s.No, "of": s.N})
}

// About is what the panel is and where its temperature comes from.
func (s sideView) About() string {
	var p []string
	if s.Panel.Core != "" {
		p = append(p, s.w.t("core", words.Facts{"core": words.Known("core."+s.Panel.Core, s.Panel.Core)}))
	}
	if s.Panel.AreaM2 != nil {
		p = append(p, fmt.Sprintf("%g m²", *s.Panel.AreaM2))
	}
	if s.Panel.Probe != "" {
		p = append(p, s.w.t("surface_probe", words.Facts{"probe": s.Panel.Probe}))
	} else {
		p = append(p, s.w.t("no_surface_probe", nil))
	}
	if s.Panel.Air != "" {
		p = append(p, s.w.t("air_probe", words.Facts{"probe": s.Panel.Air}))
	}
	return strings.Join(p, ", ")
}

func (s sideView) Figure() html.Markup { return drawSide(s.Side, s.w) }

type coatView struct {
	CoatEntry
	w  reader
	No int
}

func (s sideView) Rows() []coatView {
	out := make([]coatView, len(s.Coats))
	for i, c := range s.Coats {
		out[i] = coatView{c, s.w, i + 1}
	}
	return out
}

func (c coatView) Kind() string  { return c.w.kind(c.CoatEntry.Coat.Coat.Kind) }
func (c coatView) Resin() string { return c.CoatEntry.Coat.Coat.Resin }
func (c coatView) Note() string  { return c.CoatEntry.Coat.Coat.Note }

func (c coatView) Applied() string {
	s := c.w.at(c.CoatEntry.Coat.Coat.Applied)
	if f := c.CoatEntry.Coat.Coat.Finished; f != nil {
		s += c.w.t("last_stroke", words.Facts{"at": c.w.hour(*f)})
	}
	return s
}

// OnPanel is what the coat left on its panel; "" where that is not known.
func (c coatView) OnPanel() string {
	if c.After == nil {
		return ""
	}
	return fmt.Sprintf("%.0f g/m² (%s). %s", c.After.GM2.Use, c.w.span(fmt.Sprintf("%.0f", c.After.GM2.Low), fmt.Sprintf("%.0f", c.After.GM2.High)), c.After.Say)
}

// BillLines is what the piece took, wasted and cost.
func (v view) BillLines() [][2]string {
	b := v.Bill
	if b == nil || b.MixedG == 0 {
		return nil
	}
	out := [][2]string{{v.w.t("bill.mixed", nil), fmt.Sprintf("%.0f g", b.MixedG)}, {v.w.t("bill.left", nil), fmt.Sprintf("%.0f g", b.LeftG)}}
	if b.ScrapG > 0 {
		out = append(out, [2]string{v.w.t("bill.scrapped", nil), fmt.Sprintf("%.0f g", b.ScrapG)})
	}
	out = append(out, [2]string{v.w.t("bill.wasted", nil), fmt.Sprintf("%.0f %%", b.WastePct)})
	for _, cur := range slices.Sorted(maps.Keys(b.Cost)) {
		out = append(out, [2]string{v.w.t("bill.cost", nil), v.w.t("bill.of_it", words.Facts{"cost": fmt.Sprintf("%.2f %s", b.Cost[cur], cur), "wasted": fmt.Sprintf("%.2f", b.WasteCost[cur])})})
	}
	if b.UnpricedG > 0 && len(b.Cost) > 0 {
		out = append(out, [2]string{v.w.t("bill.unpriced", nil), fmt.Sprintf("%.0f g", b.UnpricedG)})
	}
	if b.Unweighed > 0 {
		out = append(out, [2]string{v.w.t("bill.unweighed", nil), v.w.t("bill.cups", words.Facts{"count": b.Unweighed})})
	}
	return out
}

func (c coatView) Cups() []string {
	var out []string
	for _, b := range c.Batches {
		s := c.w.t("mixed", words.Facts{"cup": b.ID, "at": c.w.at(b.Mixed)})
		if b.Lot != "" {
			s += c.w.t("lot", words.Facts{"lot": b.Lot})
		}
		switch {
		case b.ResinG != nil && b.HardenerG != nil:
			s += c.w.t("weighed", words.Facts{"resin": *b.ResinG, "hardener": *b.HardenerG})
		default:
			s += c.w.t("not_weighed", nil)
		}
		if b.LeftG != nil {
			s += c.w.t("left_over", words.Facts{"grams": *b.LeftG})
		}
		if b.OffRatio == coat.OffUsed {
			s += c.w.t("off_ratio", nil)
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		out = append(out, c.w.t("no_cup", nil))
	}
	return out
}

func (c coatView) Cloth() string {
	var out []string
	for _, l := range c.CoatEntry.Coat.Coat.Cloth {
		s := l.Name
		if l.GM2 != nil {
			s += fmt.Sprintf(" %g g/m²", *l.GM2)
		}
		if l.Laid != nil {
			s += c.w.t("laid", words.Facts{"at": c.w.at(*l.Laid)})
		}
		out = append(out, s)
	}
	if cov := c.CoatEntry.Coat.Coat.Cover; cov != "" && cov != "none" {
		out = append(out, c.w.t("under", words.Facts{"cover": cov}))
	}
	if len(out) == 0 {
		return c.w.t("no", nil)
	}
	return strings.Join(out, "; ")
}

func (c coatView) State() string { return c.w.state(c.Estimate) }

func (c coatView) Alpha() string {
	if c.Estimate == nil {
		return c.w.none()
	}
	return c.w.alpha(c.Estimate.Alpha)
}

func (c coatView) Tg() string {
	if c.Estimate == nil {
		return c.w.none()
	}
	return c.w.tg(c.Estimate.TgC)
}

func (c coatView) Rate() string {
	if c.Estimate == nil {
		return c.w.none()
	}
	return c.w.rate(c.Estimate.Kappa)
}

func (c coatView) Temps() string { return c.w.temps(c.Conditions) }

func (c coatView) Cold() string {
	if c.Conditions.ColdMin == nil {
		return c.w.none()
	}
	return c.w.minutes(*c.Conditions.ColdMin)
}

func (c coatView) Dew() string {
	s := c.w.diff(c.Conditions.MarginK)
	if e := c.Estimate; e != nil {
		switch {
		case e.Blush.Condensed:
			s += c.w.t("dew_fell", nil)
		case e.Blush.Band == "" || e.Blush.Band == "unknown":
			s += c.w.t("blush_unknown", nil)
		default:
			s += c.w.t("blush."+e.Blush.Band, nil)
		}
	}
	return s
}

func (c coatView) Gaps() string {
	if !c.Conditions.Readings {
		return c.w.t("no_reading", nil)
	}
	if c.Conditions.GapMin < 1 {
		return c.w.t("no", nil)
	}
	var out []string
	for i, g := range c.Conditions.Gaps {
		if i == 6 {
			out = append(out, c.w.t("and_more", words.Facts{"count": len(c.Conditions.Gaps) - i}))
			break
		}
		out = append(out, c.w.span(c.w.at(g.From), c.w.hour(g.To)))
	}
	return c.w.t("in_all", words.Facts{"span": c.w.minutes(c.Conditions.GapMin), "list": strings.Join(out, ", ")})
}

// Marks are the estimated times of the marks.
func (c coatView) Marks() [][2]string {
	if c.Estimate == nil {
		return nil
	}
	e := c.Estimate.Events
	return [][2]string{
		{c.w.Say("state.tacky", nil), c.w.band(e.Tacky)}, {c.w.t("mark.recoat_opens", nil), c.w.band(e.RecoatOpens)}, {c.w.Say("state.green", nil), c.w.band(e.Green)},
		{c.w.t("mark.recoat_closes", nil), c.w.band(e.RecoatCloses)}, {c.w.Say("state.hard", nil), c.w.band(e.Hard)}, {c.w.t("mark.handle", nil), c.w.band(e.Handle)},
	}
}

func (c coatView) Fell() string {
	if c.Recoat == nil {
		return c.w.t("first_coat", nil)
	}
	return c.w.fell(c.Recoat)
}

func (c coatView) FellWindow() string {
	if c.Recoat == nil {
		return ""
	}
	return c.w.Say("window."+c.Recoat.Window, nil) + ": " + c.w.window(c.Recoat)
}

func (c coatView) Felt() []string {
	var out []string
	for _, f := range c.Feels {
		s := c.w.at(f.At) + ": " + c.w.Say("state."+string(f.State), nil)
		if code := "finger." + string(f.State); words.English.Has(code) {
			s += " (" + c.w.Say(code, nil) + ")"
		}
		out = append(out, s)
	}
	return out
}

// Notes are what the estimate says about itself.
func (c coatView) Notes() []string {
	if c.Estimate == nil {
		return nil
	}
	return c.Estimate.Notes
}

type alertView struct{ When, Say, State string }

// Warnings are the alerts about this side.
func (s sideView) Warnings() []alertView {
	mine := map[string]bool{s.Panel.ID: true, s.Panel.Probe: s.Panel.Probe != "", s.Panel.Air: s.Panel.Air != ""}
	for _, c := range s.Coats {
		mine[c.Coat.Coat.ID] = true
		for _, b := range c.Batches {
			mine[b.ID] = true
		}
	}
	var out []alertView
	for _, a := range s.view.Document.Alerts {
		if a.FiredAt == nil || !(a.Panel == s.Panel.ID || a.Panel == "" && mine[a.Subject]) {
			continue
		}
		st := s.w.t("alert."+a.State, nil)
		if a.AckedAt != nil {
			st = s.w.t("acknowledged", words.Facts{"at": s.w.at(*a.AckedAt)})
			if a.AckedBy != "" {
				st = s.w.t("acknowledged_by", words.Facts{"at": s.w.at(*a.AckedAt), "who": a.AckedBy})
			}
		}
		out = append(out, alertView{s.w.at(*a.FiredAt), a.Say, st})
	}
	return out
}

// Resins are those of the piece, each once.
func (v view) Resins() []resinView {
	var out []resinView
	seen := map[string]bool{}
	for _, s := range v.Document.Sides {
		for _, c := range s.Coats {
			if r := c.Resin; !seen[c.Coat.Coat.Resin] {
				seen[c.Coat.Coat.Resin] = true
				out = append(out, resinView{c.Coat.Coat.Resin, r, v.w})
			}
		}
	}
	return out
}

type resinView struct {
	Name string
	r    cure.Resin
	w    reader
}

func (r resinView) Kind() string {
	if r.r.A2 == 0 {
		return r.w.t("resin.not_kept", nil)
	}
	if r.r.Generic {
		return r.w.t("resin.generic", nil)
	}
	return r.w.t("resin.fitted", nil)
}

// Parameters are the numbers the estimate was made with.
func (r resinView) Parameters() [][2]string {
	x := r.r
	if x.A2 == 0 {
		return nil
	}
	g := func(v float64) string { return fmt.Sprintf("%.4g", v) }
	return [][2]string{
		{"A₁, A₂ (1/s)", g(x.A1) + ", " + g(x.A2)},
		{"E₁, E₂ (kJ/mol)", g(x.E1/1000) + ", " + g(x.E2/1000)},
		{"m, n", g(x.M) + ", " + g(x.N)},
		{"Tg₀, Tg∞", r.w.temp(&x.Tg0) + ", " + r.w.temp(&x.TgInf)},
		{"λ", g(x.Lambda)},
		{"D, W (K)", g(x.D) + ", " + g(x.W)},
		{r.w.t("resin.gel", nil), g(x.AlphaGel)},
		{r.w.t("resin.claimed", nil), r.w.temp(&x.MinC) + ", " + r.w.temp(&x.MaxC)},
		{r.w.t("resin.doubt", nil), g(x.LnKappaSD)},
	}
}

// ProbeLine names a probe.
func (v view) ProbeLines() []string {
	var out []string
	for _, p := range v.Document.Probes {
		s := p.ID
		if p.Name != "" && p.Name != p.ID {
			s += ", " + p.Name
		}
		if p.Role != "" {
			s += ", " + p.Role
		}
		if p.Driver != "" {
			s += ", " + p.Driver
		}
		out = append(out, s)
	}
	return out
}
