package record

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

//go:embed record.html
var pageText string

//go:embed record.css
var styleText string

var page = template.Must(template.New("record").Parse(pageText))

// HTML writes the record as one page that prints on A4 and Letter: one sheet
// or more a side, and one with the resins, the doubt and the cautions. It
// holds its own style and no script, and fetches nothing.
func HTML(w io.Writer, d Document, loc *time.Location, us bool) error {
	if loc == nil {
		loc = time.UTC
	}
	v := view{Document: d, w: words{loc: loc, us: us}, Style: template.CSS(styleText)}
	if err := page.Execute(w, v); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	return nil
}

// view is the document as the page's template sees it.
type view struct {
	Document
	w     words
	Style template.CSS
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
		return "no coat yet"
	}
	a, b := v.w.day(from), v.w.day(to)
	if a == b {
		return a
	}
	return a + " to " + b
}

func (v view) ShortHash() string { return v.Hash[:16] }

type sideView struct {
	Side
	w     words
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

// About is what the panel is and where its temperature comes from.
func (s sideView) About() string {
	var p []string
	if s.Panel.Core != "" {
		p = append(p, s.Panel.Core+" core")
	}
	if s.Panel.AreaM2 != nil {
		p = append(p, fmt.Sprintf("%g m²", *s.Panel.AreaM2))
	}
	if s.Panel.Probe != "" {
		p = append(p, "surface probe "+s.Panel.Probe)
	} else {
		p = append(p, "no surface probe: temperature taken from the air through a lag, with wider doubt")
	}
	if s.Panel.Air != "" {
		p = append(p, "air probe "+s.Panel.Air)
	}
	return strings.Join(p, ", ")
}

func (s sideView) Figure() template.HTML { return drawSide(s.Side, s.w) }

type coatView struct {
	CoatEntry
	w  words
	No int
}

func (s sideView) Rows() []coatView {
	out := make([]coatView, len(s.Coats))
	for i, c := range s.Coats {
		out[i] = coatView{c, s.w, i + 1}
	}
	return out
}

func (c coatView) Kind() string  { return c.CoatEntry.Coat.Coat.Kind }
func (c coatView) Resin() string { return c.CoatEntry.Coat.Coat.Resin }
func (c coatView) ID() string    { return c.CoatEntry.Coat.Coat.ID }
func (c coatView) Note() string  { return c.CoatEntry.Coat.Coat.Note }

func (c coatView) Applied() string {
	s := c.w.at(c.CoatEntry.Coat.Coat.Applied)
	if f := c.CoatEntry.Coat.Coat.Finished; f != nil {
		s += ", last stroke " + c.w.hour(*f)
	}
	return s
}

// OnPanel is what the coat left on its panel; "" where that is not known.
func (c coatView) OnPanel() string {
	if c.After == nil {
		return ""
	}
	return fmt.Sprintf("%.0f g/m² (%.0f to %.0f). %s", c.After.GM2.Use, c.After.GM2.Low, c.After.GM2.High, c.After.Say)
}

// BillLines is what the piece took, wasted and cost.
func (v view) BillLines() [][2]string {
	b := v.Bill
	if b == nil || b.MixedG == 0 {
		return nil
	}
	out := [][2]string{{"mixed", fmt.Sprintf("%.0f g", b.MixedG)}, {"left in cups", fmt.Sprintf("%.0f g", b.LeftG)}}
	if b.ScrapG > 0 {
		out = append(out, [2]string{"scrapped", fmt.Sprintf("%.0f g", b.ScrapG)})
	}
	out = append(out, [2]string{"wasted", fmt.Sprintf("%.0f %%", b.WastePct)})
	for _, cur := range slices.Sorted(maps.Keys(b.Cost)) {
		out = append(out, [2]string{"cost", fmt.Sprintf("%.2f %s, of it wasted %.2f", b.Cost[cur], cur, b.WasteCost[cur])})
	}
	if b.UnpricedG > 0 && len(b.Cost) > 0 {
		out = append(out, [2]string{"without a price", fmt.Sprintf("%.0f g", b.UnpricedG)})
	}
	if b.Unweighed > 0 {
		out = append(out, [2]string{"not weighed", fmt.Sprintf("%d cups", b.Unweighed)})
	}
	return out
}

func (c coatView) Cups() []string {
	var out []string
	for _, b := range c.Batches {
		s := b.ID + ", mixed " + c.w.at(b.Mixed)
		if b.Lot != "" {
			s += ", lot " + b.Lot
		}
		switch {
		case b.ResinG != nil && b.HardenerG != nil:
			s += fmt.Sprintf(", %g g resin + %g g hardener", *b.ResinG, *b.HardenerG)
		default:
			s += ", not weighed"
		}
		if b.LeftG != nil {
			s += fmt.Sprintf(", %g g left over", *b.LeftG)
		}
		if b.OffRatio == coat.OffUsed {
			s += ", off its ratio: how it cures is not modelled"
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		out = append(out, "no cup noted: mixed when it went on, with wider doubt")
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
			s += ", laid " + c.w.at(*l.Laid)
		}
		out = append(out, s)
	}
	if cov := c.CoatEntry.Coat.Coat.Cover; cov != "" && cov != "none" {
		out = append(out, "under "+cov)
	}
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, "; ")
}

func (c coatView) State() string { return c.w.state(c.Estimate) }

func (c coatView) Alpha() string {
	if c.Estimate == nil {
		return none
	}
	return c.w.alpha(c.Estimate.Alpha)
}

func (c coatView) Tg() string {
	if c.Estimate == nil {
		return none
	}
	return c.w.tg(c.Estimate.TgC)
}

func (c coatView) Rate() string {
	if c.Estimate == nil {
		return none
	}
	return c.w.rate(c.Estimate.Kappa)
}

func (c coatView) Temps() string { return c.w.temps(c.Conditions) }

func (c coatView) Cold() string {
	if c.Conditions.ColdMin == nil {
		return none
	}
	return minutes(*c.Conditions.ColdMin)
}

func (c coatView) Dew() string {
	s := c.w.diff(c.Conditions.MarginK)
	if e := c.Estimate; e != nil {
		switch {
		case e.Blush.Condensed:
			s += "; dew fell on it"
		case e.Blush.Band == "" || e.Blush.Band == "unknown":
			s += "; blush not known"
		default:
			s += "; blush " + e.Blush.Band
		}
	}
	return s
}

func (c coatView) Gaps() string {
	if !c.Conditions.Readings {
		return "no reading at all"
	}
	if c.Conditions.GapMin < 1 {
		return "none"
	}
	var out []string
	for i, g := range c.Conditions.Gaps {
		if i == 6 {
			out = append(out, fmt.Sprintf("and %d more", len(c.Conditions.Gaps)-i))
			break
		}
		out = append(out, c.w.at(g.From)+" to "+c.w.hour(g.To))
	}
	return minutes(c.Conditions.GapMin) + " in all: " + strings.Join(out, ", ")
}

// Marks are the estimated times of the marks.
func (c coatView) Marks() [][2]string {
	if c.Estimate == nil {
		return nil
	}
	e := c.Estimate.Events
	return [][2]string{
		{"tacky", c.w.band(e.Tacky)}, {"recoat opens", c.w.band(e.RecoatOpens)}, {"green", c.w.band(e.Green)},
		{"firm, recoat closes", c.w.band(e.RecoatCloses)}, {"hard", c.w.band(e.Hard)}, {"may be handled", c.w.band(e.Handle)},
	}
}

func (c coatView) Fell() string {
	if c.Recoat == nil {
		return "first coat"
	}
	return c.w.fell(c.Recoat)
}

func (c coatView) FellWindow() string {
	if c.Recoat == nil {
		return ""
	}
	return c.Recoat.Window + ": " + c.w.window(c.Recoat)
}

func (c coatView) Felt() []string {
	var out []string
	for _, f := range c.Feels {
		s := c.w.at(f.At) + ": " + string(f.State)
		if t, ok := coat.FingerWords[f.State]; ok {
			s += " (" + t + ")"
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
		st := a.State
		if a.AckedAt != nil {
			st = "acknowledged " + s.w.at(*a.AckedAt)
			if a.AckedBy != "" {
				st += " by " + a.AckedBy
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
	w    words
}

func (r resinView) Kind() string {
	if r.r.A2 == 0 {
		return "its parameters were not kept"
	}
	if r.r.Generic {
		return "generic, fit your own"
	}
	return "fitted to its data sheet"
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
		{"cure at the gel point", g(x.AlphaGel)},
		{"claimed from, to", r.w.temp(&x.MinC) + ", " + r.w.temp(&x.MaxC)},
		{"doubt of a batch, ln", g(x.LnKappaSD)},
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
