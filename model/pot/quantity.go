package pot

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"curewright/model/cure"
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

// Practice is the source of every table here: nobody published it, hand
// laminators agree on it.
const Practice = "common practice, no source"

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
	Kind    string  // tack coat, wet-out, fill coat, bond, seal
	AreaM2  float64 // of the panel, or of the two faces' overlap for a bond
	Cloth   []Cloth // filled by this coat
	Core    string  // bare core under the coat; "" for none or already sealed
	PeelPly bool
	DepthMM float64 // bond: thickness; 0: 2 mm (our choice)
	WastePc *Range  // % left in cup, roller and brush; nil: 10, 15, 25 (common practice, no source)
	GCC     float64 // resin density; 0: 1.10
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
}

// Quantity reckons the coat, or returns its [Faults].
func (n Need) Quantity() (Quantity, error) {
	var f Faults
	if !(n.AreaM2 > 0 && n.AreaM2 <= 1000) {
		f = append(f, Fault{"area_m2", fmt.Sprintf("%g m² is outside 0 to 1000", n.AreaM2)})
	}
	if _, ok := coreTakes[n.Core]; !ok {
		f = append(f, Fault{"core", fmt.Sprintf("%q is not wood, foam, honeycomb, metal or laminate", n.Core)})
	}
	if !(n.DepthMM >= 0 && n.DepthMM <= 200) {
		f = append(f, Fault{"depth_mm", fmt.Sprintf("%g mm is outside 0 to 200", n.DepthMM)})
	}
	if !(n.GCC >= 0 && n.GCC < 5) {
		f = append(f, Fault{"density", fmt.Sprintf("%g g/cm³ is outside 0 to 5", n.GCC)})
	}
	kinds := []string{"tack coat", "wet-out", "fill coat", "bond", "seal"}
	if !slices.Contains(kinds, n.Kind) {
		f = append(f, Fault{"kind", fmt.Sprintf("%q is not one of %s", n.Kind, strings.Join(kinds, ", "))})
	}
	for i, c := range n.Cloth {
		if fibreFraction[c.Fibre] == nil || fibreFraction[c.Fibre][c.Weave] == (Range{}) {
			f = append(f, Fault{fmt.Sprintf("cloth %d", i+1), fmt.Sprintf("unknown: %s %s", c.Fibre, c.Weave)})
		} else if !(c.GM2 > 0) {
			f = append(f, Fault{fmt.Sprintf("cloth %d", i+1), fmt.Sprintf("weight %g g/m² is not positive", c.GM2)})
		}
	}
	waste := Range{10, 15, 25}
	if n.WastePc != nil {
		waste = *n.WastePc
		if !(waste.Low >= 0 && waste.Low <= waste.Use && waste.Use <= waste.High && waste.High < 100) {
			f = append(f, Fault{"waste", fmt.Sprintf("%g, %g, %g %% do not ascend within 0 to 100", waste.Low, waste.Use, waste.High)})
		}
	}
	if len(f) > 0 {
		return Quantity{}, f
	}
	rho := n.GCC
	if rho == 0 {
		rho = density
	}
	var q Quantity
	add := func(what string, gm2 Range) {
		q.Parts = append(q.Parts, Part{what, gm2.times(n.AreaM2), Practice})
		q.Grams = q.Grams.plus(gm2.times(n.AreaM2))
	}
	if t := coreTakes[n.Core]; t != (Range{}) {
		add("drunk by the "+n.Core, t)
	}
	switch n.Kind {
	case "tack coat":
		add("tack film", filmTack)
	case "fill coat":
		add("fill film", filmFill)
	case "seal":
		add("seal film", filmSeal)
	case "bond":
		d := n.DepthMM
		if d == 0 {
			d = 2
		}
		// 1 mm over 1 m² is a litre; squeeze-out by common practice.
		add(fmt.Sprintf("joint %g mm thick, with squeeze-out", d), Range{1, 1.15, 1.4}.times(d*rho*1000))
	}
	for _, c := range n.Cloth {
		add(fmt.Sprintf("to fill %s %s %g g/m²", c.Fibre, c.Weave, c.GM2), c.ResinGM2())
	}
	if n.PeelPly {
		add("soaked up by peel ply", plyTakes)
	}
	lost := q.Grams.within(Range{waste.Low / 100, waste.Use / 100, 0}, Range{0, 0, waste.High / 100})
	q.Parts = append(q.Parts, Part{"left in cup, brush and roller", lost, Practice})
	q.Grams = q.Grams.plus(lost)
	return q, nil
}

// Mix is one cup on the scale, or by volume.
type Mix struct {
	Grams     float64  `json:"grams"`      // resin and hardener
	ResinG    *float64 `json:"resin_g"`    // nil: the sheet gives no weight ratio
	HardenerG *float64 `json:"hardener_g"` // to the gram
	LowG      *float64 `json:"hardener_low_g"`
	HighG     *float64 `json:"hardener_high_g"` // the ratio's tolerance for this much resin
	Parts     string   `json:"parts"`           // "100 : 27 by weight", "2 : 1 by volume"
	Note      string   `json:"note,omitempty"`
}

// MixFor splits a mass by the resin's own ratio. A weight ratio is never made
// from a volume ratio or the other way round: that takes both densities, which
// a resin file does not hold.
func MixFor(r cure.Resin, grams float64) (Mix, error) {
	if !(grams > 0) {
		return Mix{}, Faults{{"grams", fmt.Sprintf("%g g is not positive", grams)}}
	}
	m := Mix{Grams: grams}
	num := func(v float64) string { return strconv.FormatFloat(v, 'g', 5, 64) }
	switch {
	case r.RatioWeight != nil:
		a, b := r.RatioWeight[0], r.RatioWeight[1]
		if !(a > 0) || !(b > 0) {
			return Mix{}, Faults{{"ratio_by_weight", fmt.Sprintf("%g : %g has a part that is not positive", a, b)}}
		}
		m.Parts = num(a) + " : " + num(b) + " by weight"
		// The resin is poured first, so it is the round number.
		resin := math.Round(grams * a / (a + b))
		hard := math.Round(resin * b / a)
		m.ResinG, m.HardenerG = &resin, &hard
		m.Grams = resin + hard
		if r.RatioTolPct != nil {
			t := *r.RatioTolPct / 100
			lo, hi := resin*b/a*(1-t), resin*b/a*(1+t)
			m.LowG, m.HighG = &lo, &hi
			if hard < lo || hard > hi {
				m.Note = fmt.Sprintf("too little to weigh to the gram within ±%g %%: mix more, or use a scale that shows tenths", *r.RatioTolPct)
			}
		}
	case r.RatioVolume != nil:
		a, b := r.RatioVolume[0], r.RatioVolume[1]
		if !(a > 0) || !(b > 0) {
			return Mix{}, Faults{{"ratio_by_volume", fmt.Sprintf("%g : %g has a part that is not positive", a, b)}}
		}
		m.Parts = num(a) + " : " + num(b) + " by volume"
		m.Note = "measure by volume: no weight ratio is known"
	default:
		m.Note = "no ratio known: take it from the data sheet"
	}
	return m, nil
}

// CupPlan is a batch to be mixed.
type CupPlan struct {
	Mix
	WorkMinutes *float64 `json:"work_minutes"` // cautious; nil: not within 12 h
	DiameterMM  float64  `json:"diameter_mm"`
	Verdict     string   `json:"verdict"`
}

// MixMinutes is what weighing and stirring take before the first stroke
// (common practice, no source).
const MixMinutes = 4.0

// SplitCups divides a coat's grams into equal cups, each no bigger than can be
// spread, at the person's rate in g/min and with the minutes for mixing,
// before its cautious working time is over. q gives resin, shop and start
// temperature; its mass and width are not used. When not even 10 g can be
// spread in time it answers with a fault.
func SplitCups(q Query, total, rate float64) ([]CupPlan, error) {
	var f Faults
	if !(total > 0 && total <= 1e6) {
		f = append(f, Fault{"grams", fmt.Sprintf("%g g is outside 0 to 1000000", total)})
	}
	if !(rate > 0) {
		f = append(f, Fault{"rate", fmt.Sprintf("%g g/min is not positive", rate)})
	}
	q.Shape, q.DiameterMM, q.DepthMM, q.Grams = Cup, nil, nil, 100
	f = append(f, q.Check()...)
	if len(f) > 0 {
		return nil, f
	}
	q = q.filled()
	nominal, careful, _ := q.variants(q.geometry())
	vs := append([]variant{nominal}, careful...)
	fits := func(grams float64) bool {
		q.Grams = grams
		need := MixMinutes + grams/rate
		return need <= Horizon && q.work(vs, need) >= need
	}
	// The biggest cup that one person stirs well is 1500 g (our choice).
	lo, hi := 10.0, math.Min(total, 1500)
	switch {
	case total <= 10:
		lo = total
		if !fits(math.Max(total, 1)) {
			return nil, Faults{{"rate", fmt.Sprintf("%.0f g cannot be spread at %.3g g/min before the cup's time is over at %g °C", total, rate, q.ShopC)}}
		}
	case !fits(10):
		return nil, Faults{{"rate", fmt.Sprintf("not even 10 g can be spread at %.3g g/min before the cup's time is over at %g °C", rate, q.ShopC)}}
	case fits(hi):
		lo = hi
	default:
		for hi = math.Ceil(hi); hi-lo > 1; {
			if mid := math.Floor((lo + hi) / 2); fits(mid) {
				lo = mid
			} else {
				hi = mid
			}
		}
	}
	n := int(math.Ceil(total/lo - 1e-9))
	each := math.Ceil(total / float64(n))
	q.Grams = math.Max(each, 1)
	w := q.work(vs, Horizon)
	psi := 0.0
	g := q.geometry()
	for _, v := range vs {
		psi = math.Max(psi, q.psi(v, g))
	}
	mix, err := MixFor(q.Resin, each)
	if err != nil {
		return nil, err
	}
	cup := CupPlan{Mix: mix, WorkMinutes: some(w), DiameterMM: g.diameter * 1000, Verdict: verdict(psi)}
	cups := make([]CupPlan, n)
	for i := range cups {
		cups[i] = cup
	}
	return cups, nil
}
