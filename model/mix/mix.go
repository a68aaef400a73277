// SPDX-License-Identifier: Apache-2.0

// Package mix is the arithmetic of mixing resin and hardener: by weight on a
// scale, by volume, by strokes of a pump; what is on the scale and what is
// still to pour; what mends a slip; how much of an error in the ratio a scale
// makes. It returns facts and the sentences that must be the same everywhere; no
// clock, no store and no work comes in here.
//
// A ratio by weight is never made from one by volume, or the other way round,
// without the densities of both parts.
package mix

import (
	"math"
	"strconv"
	"strings"

	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/words"
)

// ScaleG is the doubt of one weighing on a scale that shows whole grams, g, as
// a standard deviation: rounding alone is 1/√12 = 0.29 g of each of two
// readings, the rest is where the cup stands (a choice).
const ScaleG = 0.5

// TolerancePct is how far hardener may be off its due where the sheet names no
// tolerance: sheets name from 2 to 5 % (from memory).
const TolerancePct = 5.0

// Fault is one thing wrong with one field; Faults is every fault at once, an error.
type (
	Fault  = fault.Fault
	Faults = fault.List
)

// Ratio is what is known of a resin's mix ratio: hardener for each unit of
// resin, nil where it is not known.
type Ratio struct {
	ByWeight *float64 `json:"by_weight"`
	ByVolume *float64 `json:"by_volume"`
	Parts    string   `json:"parts"`   // as the sheet prints it: "100 : 27 by weight"
	Derived  bool     `json:"derived"` // one was made from the other by both densities
	Missing  string   `json:"missing,omitempty"`
	TolPct   float64  `json:"tolerance_pct"`
}

// RatioOf reads a resin's ratio, or returns its [Faults]. What it says is said in
// the catalogue's language; nil is English.
func RatioOf(c *words.Catalogue, r cure.Resin) (Ratio, error) {
	var f Faults
	view := words.View{Words: c}
	num := func(v float64) string { return strconv.FormatFloat(v, 'g', 5, 64) }
	read := func(field, how string, p *[2]float64) (*float64, string) {
		if p == nil {
			return nil, ""
		}
		if !(p[0] > 0) || !(p[1] > 0) || math.IsInf(p[0], 0) || math.IsInf(p[1], 0) {
			f.Add(field, "%g : %g has a part that is not positive", p[0], p[1])
			return nil, ""
		}
		v := p[1] / p[0]
		return &v, view.Say("mix.by_"+how, words.Facts{"resin": num(p[0]), "hardener": num(p[1])})
	}
	out := Ratio{TolPct: TolerancePct}
	if r.RatioTolPct != nil {
		out.TolPct = *r.RatioTolPct
	}
	var wParts, vParts string
	out.ByWeight, wParts = read("ratio_by_weight", "weight", r.RatioWeight)
	out.ByVolume, vParts = read("ratio_by_volume", "volume", r.RatioVolume)
	out.Parts = wParts
	if wParts == "" {
		out.Parts = vParts
	}
	if len(f) > 0 {
		return Ratio{}, f
	}
	dr, dh := r.DensityResin, r.DensityHardener
	both := dr != nil && dh != nil && *dr > 0 && *dh > 0
	switch {
	case out.ByWeight == nil && out.ByVolume == nil:
		out.Missing = c.Text("mix.no_ratio")
	case out.ByWeight == nil && both:
		v := *out.ByVolume * *dh / *dr
		out.ByWeight, out.Derived = &v, true
	case out.ByVolume == nil && both:
		v := *out.ByWeight * *dr / *dh
		out.ByVolume, out.Derived = &v, true
	case out.ByWeight == nil:
		out.Missing = c.Text("mix.volume_only")
	case out.ByVolume == nil:
		out.Missing = c.Text("mix.weight_only")
	}
	return out, nil
}

// Split is one batch in its parts. A pointer is nil where the ratio (or a
// density) for it is not known.
type Split struct {
	Grams      float64  `json:"grams"` // resin and hardener
	ResinG     *float64 `json:"resin_g"`
	HardenerG  *float64 `json:"hardener_g"` // to the gram
	LowG       *float64 `json:"hardener_low_g"`
	HighG      *float64 `json:"hardener_high_g"` // the tolerance for this much resin
	ResinML    *float64 `json:"resin_ml,omitempty"`
	HardenerML *float64 `json:"hardener_ml,omitempty"`
	Parts      string   `json:"parts"`
	Note       string   `json:"note,omitempty"`
}

// For splits a mass of resin and hardener by the resin's own ratio, to the
// gram. By volume it needs the mixed density, which every resin has.
func For(c *words.Catalogue, r cure.Resin, grams float64) (Split, error) {
	var f Faults
	if !f.Positive("grams", grams, 1e6, "g") {
		return Split{}, f
	}
	q, err := RatioOf(c, r)
	if err != nil {
		return Split{}, err
	}
	s := Split{Grams: grams, Parts: q.Parts, Note: q.Missing}
	if q.ByWeight != nil {
		// The resin is poured first, so it is the round number.
		resin := math.Round(grams / (1 + *q.ByWeight))
		due := resin * *q.ByWeight
		hard := math.Round(due)
		lo, hi := due*(1-q.TolPct/100), due*(1+q.TolPct/100)
		s.ResinG, s.HardenerG, s.Grams = &resin, &hard, resin+hard
		s.Note = ""
		if r.RatioTolPct != nil {
			s.LowG, s.HighG = &lo, &hi
		}
		if hard < lo || hard > hi {
			s.Note = words.View{Words: c}.Say("mix.too_little", words.Facts{"pct": q.TolPct})
		}
		if q.Derived {
			s.Note = strings.TrimPrefix(s.Note+"; "+c.Text("mix.derived"), "; ")
		}
	}
	if q.ByVolume != nil && r.DensityGCC > 0 {
		ml := grams / r.DensityGCC
		a := ml / (1 + *q.ByVolume)
		b := ml - a
		s.ResinML, s.HardenerML = &a, &b
	}
	return s, nil
}

// RatioErrorPct is the error of the hardener to resin ratio that weighing
// brings, %, one standard deviation, by propagation of independent errors:
// 100·√((d/h)² + (d/r)²) for a doubt of d grams in each. 0 when the parts have
// no weight.
func (s Split) RatioErrorPct(scaleG float64) float64 {
	if s.ResinG == nil || s.HardenerG == nil || !(*s.ResinG > 0) || !(*s.HardenerG > 0) {
		return 0
	}
	return 100 * math.Hypot(scaleG / *s.HardenerG, scaleG / *s.ResinG)
}

// LeastGrams is the smallest mass whose ratio a scale of the given doubt holds
// within the resin's tolerance two times out of three (one standard deviation).
// 0 when the resin has no ratio by weight.
func LeastGrams(r cure.Resin, scaleG float64) float64 {
	q, err := RatioOf(nil, r)
	if err != nil || q.ByWeight == nil || !(q.TolPct > 0) {
		return 0
	}
	k := *q.ByWeight
	// d·√(1/h² + 1/r²) = tol with r = m/(1+k), h = k·m/(1+k).
	return scaleG * (1 + k) * math.Sqrt(1/(k*k)+1) / (q.TolPct / 100)
}

// Slip is what two poured masses are against the ratio. A zero Slip is right.
type Slip struct {
	OffPct float64 `json:"off_pct"` // of hardener against its due for this resin
	Within bool    `json:"within"`  // the tolerance
	Over   string  `json:"over"`    // "resin" or "hardener": what is too much; "" when within
	OverG  float64 `json:"over_g"`  // how much too much for the other part
	// The mend: AddG of the other part brings it to the ratio; TotalG is then
	// in the cup.
	Add    string  `json:"add"`
	AddG   float64 `json:"add_g"`
	TotalG float64 `json:"total_g"`
}

// Check compares what was poured with the ratio. An error when the resin has
// no ratio by weight, or a mass is not positive.
func Check(r cure.Resin, resinG, hardenerG float64) (Slip, error) {
	var f Faults
	f.Positive("resin_g", resinG, 1e6, "g")
	f.Positive("hardener_g", hardenerG, 1e6, "g")
	q, err := RatioOf(nil, r)
	if err != nil {
		return Slip{}, err
	}
	if q.ByWeight == nil {
		f.Add("resin", "%s", q.Missing)
	}
	if len(f) > 0 {
		return Slip{}, f
	}
	k := *q.ByWeight
	s := Slip{OffPct: 100 * (hardenerG/(resinG*k) - 1), TotalG: resinG + hardenerG}
	s.Within = math.Abs(s.OffPct) <= q.TolPct+1e-9
	switch due := resinG * k; {
	case s.Within:
	case hardenerG < due:
		s.Over, s.OverG = "resin", resinG-hardenerG/k
		s.Add, s.AddG = "hardener", due-hardenerG
		s.TotalG += s.AddG
	default:
		s.Over, s.OverG = "hardener", hardenerG-due
		s.Add, s.AddG = "resin", hardenerG/k-resinG
		s.TotalG += s.AddG
	}
	return s, nil
}

// Say is the slip in one sentence: what is too much and what mends it.
func (s Slip) Say(c *words.Catalogue) string {
	if s.Over == "" {
		return ""
	}
	return words.View{Words: c}.Say("mix.slip."+s.Over, words.Facts{"over": math.Round(s.OverG), "add": math.Round(s.AddG)})
}

// Filler returns the grams of filler that make a fraction (0 to 0.8, of the
// whole) with so many grams of resin and hardener.
func Filler(mixedG, fraction float64) (float64, error) {
	var f Faults
	if !f.Within("filler", 100*fraction, 0, 80, "% of the whole") {
		return 0, f
	}
	return mixedG * fraction / (1 - fraction), nil
}

// Pump is a pair of pumps: what one stroke of each gives, mL.
type Pump struct {
	ResinML    float64 `json:"resin_ml"`
	HardenerML float64 `json:"hardener_ml"`
}

// Strokes is a batch by pump.
type Strokes struct {
	Resin    int      `json:"resin"`
	Hardener int      `json:"hardener"`
	Grams    float64  `json:"grams"`   // what they give, by the mixed density
	OffPct   float64  `json:"off_pct"` // of hardener, by volume: pumps do not divide
	ResinG   *float64 `json:"resin_g"` // nil without both densities
	HardG    *float64 `json:"hardener_g"`
}

// ByPump is the least number of whole strokes that gives at least so many
// grams with the ratio inside its tolerance; the nearest ratio within one
// stroke more of each where none is.
func ByPump(r cure.Resin, grams float64, p Pump) (Strokes, error) {
	var f Faults
	f.Positive("grams", grams, 1e6, "g")
	f.Positive("pump_resin_ml", p.ResinML, 1000, "mL a stroke")
	f.Positive("pump_hardener_ml", p.HardenerML, 1000, "mL a stroke")
	q, err := RatioOf(nil, r)
	if err != nil {
		return Strokes{}, err
	}
	switch {
	case q.ByVolume == nil && q.ByWeight == nil:
		f.Add("resin", "%s", q.Missing)
	case q.ByVolume == nil:
		f.Add("resin", "a pump measures by volume and the sheet's ratio is by weight: enter the densities of both parts, or weigh it")
	}
	if !(r.DensityGCC > 0) {
		f.Add("resin", "its mixed density is not known: grams cannot be made from strokes")
	}
	if len(f) > 0 {
		return Strokes{}, f
	}
	k := *q.ByVolume
	needML := grams / r.DensityGCC / (1 + k) // of resin
	n := int(math.Ceil(needML/p.ResinML - 1e-9))
	best := Strokes{}
	for i := n; i < n+12; i++ {
		h := int(math.Round(float64(i) * p.ResinML * k / p.HardenerML))
		if h < 1 {
			continue
		}
		off := 100 * (float64(h)*p.HardenerML/(float64(i)*p.ResinML*k) - 1)
		if best.Resin == 0 || math.Abs(off) < math.Abs(best.OffPct) {
			best = Strokes{Resin: i, Hardener: h, OffPct: off}
		}
		if math.Abs(best.OffPct) <= q.TolPct {
			break
		}
	}
	if best.Resin == 0 {
		return Strokes{}, Faults{{Field: "pump_hardener_ml", What: "one stroke of hardener is more than a dozen strokes of resin take"}}
	}
	rml, hml := float64(best.Resin)*p.ResinML, float64(best.Hardener)*p.HardenerML
	best.Grams = (rml + hml) * r.DensityGCC
	if r.DensityResin != nil && r.DensityHardener != nil {
		a, b := rml**r.DensityResin, hml**r.DensityHardener
		best.ResinG, best.HardG, best.Grams = &a, &b, a+b
	}
	return best, nil
}
