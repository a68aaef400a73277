// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"curewright/model/words"
)

// Densities of fibres, g/cm³, handbook values from memory: E-glass 2.55, aramid
// 1.44, carbon 1.78.
var fibreGCC = map[string]float64{"glass": 2.55, "aramid": 1.44, "carbon": 1.78}

// VolumeFraction is the fibre volume fraction of cloths with so many g/m² of
// resin of a density in g/cm³, voids left out: by definition Σ(w/ρf) over
// Σ(w/ρf) + r/ρr. NaN when there is neither fibre nor resin.
func VolumeFraction(cloths []Cloth, resinGM2, resinGCC float64) float64 {
	v := 0.0
	for _, c := range cloths {
		v += c.GM2 / fibreGCC[c.Fibre]
	}
	return v / (v + resinGM2/resinGCC)
}

// Tools is what stays in brush and roller, % of what was mixed, where the rest
// of the cup was weighed (common practice, no source).
var Tools = Range{3, 6, 12}

// Laid is one coat as it was really put on.
type Laid struct {
	Words   *words.Catalogue // what is said; nil: English
	ID      string
	Kind    string
	AreaM2  float64  // what it covers
	MixedG  float64  // resin and hardener of all its cups
	LeftG   *float64 // weighed in the cups afterwards; nil: not weighed
	Cloth   []Cloth  // whose weave it fills
	Core    string   // bare core under it
	CoreM2  *float64 // how much of it; nil: all of the area
	PeelPly bool
	DepthMM float64
	GCC     float64 // of the resin; 0: 1.10
}

// After is a coat's balance.
type After struct {
	ID      string   `json:"id"`
	GM2     Range    `json:"g_m2"`          // on the panel by this coat
	Cloth   Range    `json:"cloth_g_m2"`    // of it for the weave
	Vf      *Range   `json:"fibre_volume"`  // nil without cloth; Low is the wettest
	Wf      *Range   `json:"fibre_mass"`    // the same by mass
	Target  *Range   `json:"target_volume"` // what a hand reaches with these cloths
	Verdict string   `json:"verdict"`       // dry, right, wet; "" without cloth
	MendG   *float64 `json:"mend_g"`        // resin that brings it to the middle: more to roll in (above 0), too much (below); nil when right
	Is      string   `json:"is"`            // what it is, in one sentence
	Say     string   `json:"say"`           // the same with its mend, which holds while the coat is wet
}

// Balance says what a coat left on the panel, from what was mixed, left in the
// cup and lost in brush, core and peel ply; and whether its cloth is dry, right
// or flooded. Figures are ranges: only what is weighed is sure.
func Balance(l Laid) (After, error) {
	var f Faults
	f.Positive("area_m2", l.AreaM2, 1000, "m²")
	f.Positive("mixed_g", l.MixedG, 1e6, "g")
	if p := l.LeftG; p != nil && !(*p >= 0 && *p <= l.MixedG) {
		f.Add("left_g", "%g g left of %g g", *p, l.MixedG)
	}
	for i, c := range l.Cloth {
		if fibreFraction[c.Fibre][c.Weave] == (Range{}) || !(c.GM2 > 0) {
			f.Add(fmt.Sprintf("cloth %d", i+1), "unknown: %s %s %g g/m²", c.Fibre, c.Weave, c.GM2)
		}
	}
	if len(f) > 0 {
		return After{}, f
	}
	rho := l.GCC
	if rho == 0 {
		rho = density
	}
	// What is lost: the tools, and the rest of the cup when nobody weighed it.
	lost := Range{10, 15, 25}
	left := 0.0
	if l.LeftG != nil {
		lost, left = Tools, *l.LeftG
	}
	on := func(pc float64) float64 { return math.Max(0, l.MixedG*(1-pc/100)-left) / l.AreaM2 }
	a := After{ID: l.ID, GM2: Range{on(lost.High), on(lost.Use), on(lost.Low)}}
	away := coreTakes[l.Core]
	if l.CoreM2 != nil {
		away = away.times(*l.CoreM2 / l.AreaM2)
	}
	if l.PeelPly {
		away = away.plus(plyTakes)
	}
	a.Cloth = Range{math.Max(0, a.GM2.Low-away.High), math.Max(0, a.GM2.Use-away.Use), math.Max(0, a.GM2.High-away.Low)}
	laid := func(code string, facts words.Facts) string {
		return words.View{Words: l.Words}.Say("quantity.laid."+code, facts)
	}
	if len(l.Cloth) == 0 {
		a.Is = laid("plain", words.Facts{"gm2": whole(a.GM2.Use)})
		a.Say = a.Is
		return a, nil
	}
	var due Range
	fibre := 0.0
	for _, c := range l.Cloth {
		due = due.plus(c.ResinGM2())
		fibre += c.GM2
	}
	vf := func(r float64) float64 { return VolumeFraction(l.Cloth, r, rho) }
	wf := func(r float64) float64 { return fibre / (fibre + r) }
	a.Vf = &Range{vf(a.Cloth.High), vf(a.Cloth.Use), vf(a.Cloth.Low)}
	a.Wf = &Range{wf(a.Cloth.High), wf(a.Cloth.Use), wf(a.Cloth.Low)}
	a.Target = &Range{vf(due.High), vf(due.Use), vf(due.Low)}
	var names []string
	for _, c := range l.Cloth {
		if !slices.Contains(names, c.Fibre) {
			names = append(names, c.Fibre)
		}
	}
	is, mend, grams := "", "", ""
	switch short := (due.Use - a.Cloth.Use) * l.AreaM2; {
	case a.Cloth.Use < due.Low:
		a.Verdict, a.MendG = "dry", &short
		is, mend, grams = "dry", "dry_mend", whole(short)
	case a.Cloth.Use > due.High:
		a.Verdict, a.MendG = "wet", &short
		is, mend, grams = "wet", "wet_mend", whole(-short)
	default:
		a.Verdict, is, mend = "right", "right", "right"
	}
	say := func(verdict string) string {
		return words.Upper(laid("is", words.Facts{"what": strings.Join(names, " + "), "vf": fmt.Sprintf("%.2f", a.Vf.Use), "verdict": laid(verdict, words.Facts{"grams": grams})}))
	}
	a.Is, a.Say = say(is), say(mend)
	return a, nil
}

// Habit is how much one person takes of a kind of coat against the tables, and
// what share of a cup is left.
type Habit struct {
	Factor   float64 `json:"factor"`    // of the tables' grams, middle
	LnSD     float64 `json:"ln_sd"`     // doubt of its logarithm
	WastePct float64 `json:"waste_pct"` // left in the cup, mean
	Coats    int     `json:"coats"`
	Weighed  int     `json:"weighed"`       // coats whose cups were weighed afterwards
	Who      string  `json:"who,omitempty"` // "": everybody here
}

// lostPct is what a person loses in cup, brush and roller, % of what is on the
// panel, from what was weighed in the cups afterwards: as the tables have it
// before the first, and never more. What is left beyond that was mixed too much,
// and is not planned for again.
func (h Habit) lostPct() Range {
	const most = 0.15/1.15 - 0.06 // of a cup, that the tables' 15 % leave in it
	const prior = 2.0             // coats that the tables count for (a choice)
	n := float64(h.Weighed)
	left := math.Min(most, (n*h.WastePct/100+prior*most)/(n+prior))
	of := func(tools float64) float64 { return 100 * (tools/100 + left) / (1 - tools/100 - left) }
	return Range{of(Tools.Low), of(Tools.Use), of(Tools.High)}
}

// Past is one finished coat: what it took against what the tables reckoned.
type Past struct {
	Coat      string
	Kind      string
	UsedG     float64 // mixed less what was left
	ReckonedG float64 // by the tables, waste in brush included, without what stays in the cup
	LeftG     *float64
	MixedG    float64
}

// What is believed of a person's factor before the first coat, and how much one
// coat tells: standard deviations of ln (choices).
const (
	habitPriorSD = 0.20
	habitCoatSD  = 0.15
)

// Learn weighs the coats of each kind: ln of used over reckoned, a normal mean
// with a prior about what the others here take, 1 where nobody has. A coat off by more than a factor of three is a slip
// of the pen and is left out.
func Learn(past []Past, others map[string]Habit) map[string]Habit {
	type sums struct {
		ln, n, left, leftN float64
	}
	by := map[string]*sums{}
	for _, p := range past {
		if !(p.UsedG > 0) || !(p.ReckonedG > 0) {
			continue
		}
		x := math.Log(p.UsedG / p.ReckonedG)
		if math.Abs(x) > math.Log(3) {
			continue
		}
		s := by[p.Kind]
		if s == nil {
			s = new(sums)
			by[p.Kind] = s
		}
		s.ln += x
		s.n++
		if p.LeftG != nil && p.MixedG > 0 {
			s.left += *p.LeftG / p.MixedG
			s.leftN++
		}
	}
	out := map[string]Habit{}
	for kind, s := range by {
		w := 1/(habitPriorSD*habitPriorSD) + s.n/(habitCoatSD*habitCoatSD)
		prior := 0.0
		if o, ok := others[kind]; ok {
			prior = math.Log(o.Factor)
		}
		h := Habit{Factor: math.Exp((s.ln/(habitCoatSD*habitCoatSD) + prior/(habitPriorSD*habitPriorSD)) / w), LnSD: math.Sqrt(1 / w), Coats: int(s.n), Weighed: int(s.leftN)}
		if s.leftN > 0 {
			h.WastePct = 100 * s.left / s.leftN
		}
		out[kind] = h
	}
	return out
}
