// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"curewright/model/words"
)

// Range is a quantity with its spread: Use is what to reckon with.
type Range struct {
	Low  float64 `json:"low"`
	Use  float64 `json:"use"`
	High float64 `json:"high"`
}

func (r Range) times(f float64) Range   { return Range{r.Low * f, r.Use * f, r.High * f} }
func (r Range) plus(o Range) Range      { return Range{r.Low + o.Low, r.Use + o.Use, r.High + o.High} }
func (r Range) within(p, q Range) Range { return Range{r.Low * p.Low, r.Use * p.Use, r.High * q.High} }

// Every table here is common practice, without a source: nobody published it, hand
// laminators agree on it.

// fibreFraction is the fibre mass fraction that hand lay-up reaches, by fibre
// and weave; Low and High are of the fraction. Common practice, no source.
var fibreFraction = map[string]map[string]Range{
	"glass": {
		"plain": {.42, .48, .54}, "twill": {.44, .50, .56}, "satin": {.46, .52, .58},
		"stitched": {.46, .53, .60}, "uni": {.48, .55, .62}, "mat": {.25, .29, .34},
	},
	"aramid": {"plain": {.36, .42, .48}, "twill": {.38, .44, .50}, "satin": {.40, .46, .52}, "stitched": {.40, .46, .52}, "uni": {.42, .48, .54}},
	"carbon": {"plain": {.40, .46, .52}, "twill": {.42, .48, .54}, "satin": {.44, .50, .56}, "stitched": {.44, .51, .58}, "uni": {.46, .53, .60}},
}

// Film weights in g/m² of resin. Common practice, no source.
var (
	filmTack = Range{80, 110, 150}  // enough to hold a cloth, not to fill it
	filmFill = Range{120, 180, 250} // over a weave, before sanding
	filmSeal = Range{80, 120, 180}
	plyTakes = Range{60, 90, 130} // soaked up by peel ply
)

// coreTakes is what a bare core drinks from its first coat, g/m². Common
// practice, no source.
var coreTakes = map[string]Range{
	"": {}, "metal": {}, "laminate": {},
	"foam":      {100, 180, 350},
	"honeycomb": {60, 100, 160},
	"wood":      {60, 100, 160},
}

// Cloth is one layer of reinforcement.
type Cloth struct {
	Fibre string  // glass, aramid, carbon
	Weave string  // plain, twill, satin, stitched, uni, mat
	GM2   float64 // g/m², dry
}

// ParseCloth reads a cloth as people write it, in any order: "glass 200
// twill", "aramid 170 g/m2", "mat 300". Fibre defaults to glass for a mat,
// the weave to plain.
func ParseCloth(s string) (Cloth, error) {
	var c Cloth
	var faults []string
	for _, w := range strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return r == ' ' || r == ',' }) {
		w = strings.TrimSuffix(strings.TrimSuffix(strings.TrimSuffix(w, "g/m2"), "g/m²"), "gsm")
		switch {
		case w == "" || w == "cloth" || w == "weave" || w == "g":
		case fibreFraction[w] != nil:
			c.Fibre = w
		case w == "mat":
			c.Weave = w
			if c.Fibre == "" {
				c.Fibre = "glass"
			}
		case w == "unidirectional":
			c.Weave = "uni"
		case w == "biaxial":
			c.Weave = "stitched"
		case w == "plain" || w == "twill" || w == "satin" || w == "stitched" || w == "uni":
			c.Weave = w
		default:
			v, err := strconv.ParseFloat(w, 64)
			if err != nil {
				faults = append(faults, fmt.Sprintf("unknown word %q", w))
			} else {
				c.GM2 = v
			}
		}
	}
	if c.Fibre == "" {
		faults = append(faults, "no fibre named: glass, aramid or carbon")
	}
	if c.Weave == "" {
		c.Weave = "plain"
	}
	if !(c.GM2 >= 10 && c.GM2 <= 2000) {
		faults = append(faults, fmt.Sprintf("weight %g g/m² is outside 10 to 2000", c.GM2))
	}
	if f := fibreFraction[c.Fibre]; f != nil {
		if _, ok := f[c.Weave]; !ok {
			faults = append(faults, fmt.Sprintf("no %s is woven as %s", c.Fibre, c.Weave))
		}
	}
	if len(faults) > 0 {
		return Cloth{}, fmt.Errorf("cloth %q: %s", s, strings.Join(faults, "; "))
	}
	return c, nil
}

// ParseCloths reads several layers, "aramid 170 + glass 200 twill"; one cloth
// is a list of one. Every layer that cannot be read is in the error.
func ParseCloths(s string) ([]Cloth, error) {
	var out []Cloth
	var errs []error
	for part := range strings.SplitSeq(s, "+") {
		c, err := ParseCloth(strings.TrimSpace(part))
		if err != nil {
			errs = append(errs, err)
			continue
		}
		out = append(out, c)
	}
	if errs != nil {
		return nil, errors.Join(errs...)
	}
	return out, nil
}

// Fraction returns the fibre mass fraction that hand lay-up reaches with this
// cloth: mass of fibre over mass of fibre and resin. Low is the wettest.
func (c Cloth) Fraction() Range { return fibreFraction[c.Fibre][c.Weave] }

// ResinGM2 returns the resin that fills the cloth, g/m²: w·(1−f)/f for a
// cloth of w g/m² at fibre mass fraction f.
func (c Cloth) ResinGM2() Range {
	f := c.Fraction()
	need := func(x float64) float64 { return c.GM2 * (1 - x) / x }
	return Range{need(f.High), need(f.Use), need(f.Low)}
}

// Need is one coat to be reckoned.
type Need struct {
	Words   *words.Catalogue // what is said; nil: English
	Kind    string           // tack coat, wet-out, fill coat, bond, seal
	AreaM2  float64          // of the panel, or of the two faces' overlap for a bond
	Cloth   []Cloth          // filled by this coat
	Core    string           // bare core under the coat; "" for none or already sealed
	CoreM2  *float64         // how much of it is bare; nil: all of the area
	PeelPly bool
	DepthMM float64 // bond: thickness; 0: 2 mm (our choice)
	WastePc *Range  // % left in cup, roller and brush; nil: as Habit has it, else 10, 15, 25 (common practice, no source)
	GCC     float64 // resin density; 0: 1.10
	Habit   *Habit  // what this person takes of the kind; nil: as the tables say
}

// BareM2 is how much of a coat's area meets bare core: the panel (nil: as large
// as the coat) less what earlier coats sealed, and never more than the coat's
// own area. A joint seals nothing, since it lies along an edge: leave it out of
// sealed.
func BareM2(area float64, panel *float64, sealed float64) float64 {
	whole := area
	if panel != nil {
		whole = math.Max(area, *panel)
	}
	bare := math.Min(area, whole-sealed)
	if bare < 1e-9 {
		return 0
	}
	return bare
}

// text is a phrase of the catalogue below "quantity.".
func (n *Need) text(code string, facts words.Facts) string {
	return words.View{Words: n.Words}.Say("quantity."+code, facts)
}

func (n *Need) coats(k int) string {
	if k == 1 {
		return n.text("one_coat", nil)
	}
	return n.text("coats", words.Facts{"n": k})
}

// Part is one line of a reckoning.
type Part struct {
	What   string `json:"what"`
	Grams  Range  `json:"grams"`
	Source string `json:"source"`
}

// Quantity is the resin a coat takes, hardener included, with its lines.
type Quantity struct {
	Grams Range  `json:"grams"`
	Parts []Part `json:"parts"`
	// Own says in one sentence what the person's own coats changed; "" where
	// nothing was learnt.
	Own string `json:"own,omitempty"`
}

// check is all that is wrong with what is to be reckoned.
func (n *Need) check() Faults {
	var f Faults
	f.Positive("area_m2", n.AreaM2, 1000, "m²")
	if _, ok := coreTakes[n.Core]; !ok {
		f.Add("core", "%q is not wood, foam, honeycomb, metal or laminate", n.Core)
	}
	if b := n.CoreM2; b != nil && !(*b >= 0 && *b <= n.AreaM2*(1+1e-9)) {
		f.Add("core_m2", "%g m² bare of %g m²", *b, n.AreaM2)
	}
	f.Within("depth_mm", n.DepthMM, 0, 200, "mm")
	if !(n.GCC >= 0 && n.GCC < 5) {
		f.Add("density", "%g g/cm³ is outside 0 to 5", n.GCC)
	}
	kinds := []string{"tack coat", "wet-out", "fill coat", "bond", "seal"}
	if !slices.Contains(kinds, n.Kind) {
		f.Add("kind", "%q is not one of %s", n.Kind, strings.Join(kinds, ", "))
	}
	for i, c := range n.Cloth {
		if fibreFraction[c.Fibre] == nil || fibreFraction[c.Fibre][c.Weave] == (Range{}) {
			f.Add(fmt.Sprintf("cloth %d", i+1), "unknown: %s %s", c.Fibre, c.Weave)
		} else if !(c.GM2 > 0) {
			f.Add(fmt.Sprintf("cloth %d", i+1), "weight %g g/m² is not positive", c.GM2)
		}
	}
	if w := n.WastePc; w != nil && !(w.Low >= 0 && w.Low <= w.Use && w.Use <= w.High && w.High < 100) {
		f.Add("waste", "%g, %g, %g %% do not ascend within 0 to 100", w.Low, w.Use, w.High)
	}
	return f
}

// Quantity reckons the coat, or returns its [Faults].
func (n Need) Quantity() (Quantity, error) {
	if f := n.check(); len(f) > 0 {
		return Quantity{}, f
	}
	waste := Range{10, 15, 25}
	if n.WastePc != nil {
		waste = *n.WastePc
	}
	rho := n.GCC
	if rho == 0 {
		rho = density
	}
	var q Quantity
	add := func(what string, gm2 Range) {
		q.Parts = append(q.Parts, Part{what, gm2.times(n.AreaM2), n.text("tables", nil)})
		q.Grams = q.Grams.plus(gm2.times(n.AreaM2))
	}
	if t := coreTakes[n.Core]; t != (Range{}) {
		if n.CoreM2 != nil {
			t = t.times(*n.CoreM2 / n.AreaM2)
		}
		add(n.text("core", words.Facts{"core": words.Code("core." + n.Core)}), t)
	}
	switch n.Kind {
	case "tack coat":
		add(n.text("tack", nil), filmTack)
	case "fill coat":
		add(n.text("fill", nil), filmFill)
	case "seal":
		add(n.text("seal", nil), filmSeal)
	case "bond":
		d := n.DepthMM
		if d == 0 {
			d = 2
		}
		// 1 mm over 1 m² is a litre; squeeze-out by common practice.
		add(n.text("joint", words.Facts{"mm": d}), Range{1, 1.15, 1.4}.times(d*rho*1000))
	}
	for _, c := range n.Cloth {
		add(n.text("weave", words.Facts{"cloth": c.Fibre + " " + c.Weave, "gm2": c.GM2}), c.ResinGM2())
	}
	if n.PeelPly {
		add(n.text("peel_ply", nil), plyTakes)
	}
	cup, source := "left", "tables"
	if h := n.Habit; h != nil && h.Coats > 0 && h.Factor > 0 {
		more := q.Grams.times(h.Factor - 1)
		as, your := "you", "your"
		if h.Who != "" {
			as, your = "who", "whose"
		}
		facts := words.Facts{"who": h.Who, "coats": n.coats(h.Coats), "coat": words.Known("kind."+n.Kind, n.Kind), "table": whole(q.Grams.Use / n.AreaM2), "lost": ""}
		q.Parts = append(q.Parts, Part{n.text(as, facts), more, n.text("own", nil)})
		q.Grams = q.Grams.plus(more)
		facts["own"] = whole(q.Grams.Use / n.AreaM2)
		if h.Weighed > 0 && n.WastePc == nil {
			waste = h.lostPct()
			cup, source = "left_weighed", "own"
			facts["lost"] = n.text("lost", words.Facts{"pct": whole(waste.Use)})
		}
		q.Own = n.text(your, facts)
	}
	lost := q.Grams.within(Range{waste.Low / 100, waste.Use / 100, 0}, Range{0, 0, waste.High / 100})
	q.Parts = append(q.Parts, Part{n.text(cup, nil), lost, n.text(source, nil)})
	q.Grams = q.Grams.plus(lost)
	return q, nil
}
