// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"cmp"
	"math"
	"slices"

	"curewright/model/cure"
	"curewright/model/mix"
	"curewright/model/words"
)

// LayMinutes is how long one person lays a coat of an area, min: so much to set
// up and so much a square metre, in steps of five (common practice, no source).
func LayMinutes(areaM2 float64, cloth bool) float64 {
	m := 8 + 12*areaM2
	if cloth {
		m = 10 + 25*areaM2
	}
	return math.Ceil(m/5-1e-9) * 5
}

// MixQuery asks what to mix: by mass, or by a coat's area and cloth.
type MixQuery struct {
	Words       *words.Catalogue // what is said; nil: English
	Resin       cure.Resin
	Grams       *float64 // resin and hardener; nil: from Need
	Need        *Need
	WorkMinutes *float64 // laying all of it; nil: [LayMinutes] of the area
	Vessel      Vessel   // "": [UsualVessel]
	People      int      // 2 or more: one mixes, the others lay
	Mixes, Lays string   // their names; "": not said
	Whole       bool     // one batch, as a plan divided it
	ShopC       float64
	StartC      *float64
	ScaleG      float64   // doubt of one weighing, g; 0: a scale that shows grams
	FillerPct   float64   // of the whole
	Pump        *mix.Pump // what one stroke gives
	CupG        float64   // what the scale showed with the empty cup
	Readings    []mix.Reading
}

// MixAnswer is what to mix now, and how the pouring stands.
type MixAnswer struct {
	Resin   string       `json:"resin"`
	Ratio   mix.Ratio    `json:"ratio"`
	Grams   float64      `json:"grams"` // all of it
	Need    *Quantity    `json:"need"`  // nil where a mass was asked
	Batches []Batch      `json:"batches"`
	FillerG float64      `json:"filler_g"` // of one batch
	Strokes *mix.Strokes `json:"strokes"`
	Pour    *mix.Pouring `json:"pour"`
	Pot     *Result      `json:"pot"` // one batch left in its cup
	Hands   []string     `json:"hands"`
	Notes   []string     `json:"notes"`
	// Faults are what is wrong with the pouring or the pump: the rest of the
	// answer stands.
	Faults   Faults   `json:"faults"`
	Cautions []string `json:"cautions"`
}

// Mixing answers a [MixQuery], or returns its [Faults].
func Mixing(q MixQuery) (MixAnswer, error) {
	var f Faults
	a := MixAnswer{Resin: q.Resin.Name, Hands: []string{}, Notes: []string{}, Faults: Faults{}, Cautions: CupCautions(q.Words)}
	kind, work := q.asked(&f, &a)
	f.Within("filler_pct", q.FillerPct, 0, 80, "% of the whole")
	ratio, err := mix.RatioOf(q.Words, q.Resin)
	f.Take(err)
	a.Ratio = ratio
	if len(f) > 0 {
		// The rest is said in the same answer.
		return MixAnswer{}, slices.Concat(f, (Hands{Vessel: q.Vessel, ScaleG: q.ScaleG}).check(), Query{Resin: q.Resin, Grams: 100, Shape: Cup, ShopC: q.ShopC, StartC: q.StartC}.Check())
	}
	vessel := q.Vessel
	if vessel == "" {
		vessel = UsualVessel(kind, a.Grams)
	}
	hands := Hands{GramsPerMin: a.Grams / math.Max(work, 1), Vessel: vessel, ScaleG: q.ScaleG, Mixer: q.People > 1, Whole: q.Whole}
	pq := Query{Words: q.Words, Resin: q.Resin, ShopC: q.ShopC, StartC: q.StartC}
	if q.FillerPct > 0 {
		pq.Filler = &Filler{Fraction: q.FillerPct / 100}
	}
	bs, err := Batches(pq, a.Grams, hands)
	if err != nil {
		return MixAnswer{}, err
	}
	a.Batches = bs
	one := bs[0]
	a.FillerG, _ = mix.Filler(one.Grams, q.FillerPct/100)
	pq.Grams, pq.Shape = math.Max(one.Grams+a.FillerG, 1), Cup
	if res, err := Solve(pq); err == nil {
		a.Pot = &res
	}
	q.remarks(&a, vessel)
	if q.Pump != nil {
		s, err := mix.ByPump(q.Resin, one.Grams, *q.Pump)
		if err == nil {
			a.Strokes = &s
		}
		a.Faults.Take(err)
	}
	if one.ResinG != nil {
		p, err := mix.Pour(q.Words, q.Resin, one.Split, a.FillerG, q.CupG, q.ScaleG, q.Readings)
		if err == nil {
			a.Pour = &p
		}
		a.Faults.Take(err)
	} else if len(q.Readings) > 0 {
		a.Faults.Add("readings", "no weights: %s", one.Note)
	}
	return a, nil
}

// asked is what is to be laid, and how long that takes: of a mass, or of a coat's
// area and cloth.
func (q *MixQuery) asked(f *Faults, a *MixAnswer) (kind string, work float64) {
	switch {
	case q.Grams != nil && q.Need != nil:
		f.Add("grams", "given together with an area: give one of the two")
	case q.Grams != nil:
		a.Grams = *q.Grams
		f.Positive("grams", a.Grams, 1e6, "g")
		// Without an area: a person lays some 25 g a minute (common practice,
		// no source).
		work = a.Grams / 25
	case q.Need != nil:
		n := *q.Need
		n.Words = q.Words
		if n.GCC == 0 {
			n.GCC = q.Resin.DensityGCC
		}
		need, err := n.Quantity()
		f.Take(err)
		if err == nil {
			a.Need, a.Grams, kind = &need, need.Grams.Use, n.Kind
			if need.Own != "" {
				a.Notes = append(a.Notes, need.Own)
			}
			work = LayMinutes(n.AreaM2, len(n.Cloth) > 0)
		}
	default:
		f.Add("grams", "missing: grams, or a coat's area")
	}
	if w := q.WorkMinutes; w != nil {
		work = *w
		f.Positive("work_minutes", *w, 24*60, "min")
	}
	return kind, work
}

// remarks are what a person should know of the first batch, and who does what.
func (q *MixQuery) remarks(a *MixAnswer, vessel Vessel) {
	one := a.Batches[0]
	if one.Note != "" {
		a.Notes = append(a.Notes, one.Note)
	}
	if one.Tight && one.WorkMinutes != nil {
		a.Notes = append(a.Notes, mixText(q.Words, "tight", words.Facts{"work": whole(math.Floor(*one.WorkMinutes)), "lay": whole(one.LayMinutes + MixMinutes)}))
	}
	if e := one.RatioErrPct; e > a.Ratio.TolPct {
		a.Notes = append(a.Notes, mixText(q.Words, "little", words.Facts{"pct": whole(math.Ceil(e))}))
	}
	if q.People > 1 {
		code := "hands_tray"
		if vessel == FromCup {
			code = "hands_cup"
		}
		a.Hands = append(a.Hands, mixText(q.Words, code, words.Facts{"mixes": cmp.Or(q.Mixes, q.Words.Text("mix.mixes")), "lays": cmp.Or(q.Lays, q.Words.Text("mix.lays"))}))
	}
}

// Say is what the hands need in one line: "340 g: mix 262 + 79, pour it into the
// tray at once, used by 14:05" without the time, which the caller knows.
func (a MixAnswer) Say(c *words.Catalogue) string {
	b := a.Batches[0]
	code, facts := "one", words.Facts{"grams": whole(b.Grams), "n": len(a.Batches)}
	if len(a.Batches) > 1 {
		code = "many"
	}
	s := mixText(c, code, facts)
	switch {
	case b.ResinG != nil:
		s += mixText(c, "grams", words.Facts{"resin": whole(*b.ResinG), "hardener": whole(*b.HardenerG)})
	case b.ResinML != nil:
		s += mixText(c, "millilitres", words.Facts{"resin": whole(*b.ResinML), "hardener": whole(*b.HardenerML)})
	case b.Parts != "":
		s += mixText(c, "parts", words.Facts{"parts": b.Parts})
	}
	if a.FillerG > 0 {
		s += mixText(c, "filler", words.Facts{"grams": whole(a.FillerG)})
	}
	switch b.Vessel {
	case FromTray:
		s += mixText(c, "tray", nil)
	case FromRoller:
		s += mixText(c, "roller_tray", nil)
	}
	return s
}

func mixText(c *words.Catalogue, code string, facts words.Facts) string {
	return words.View{Words: c}.Say("mix."+code, facts)
}
