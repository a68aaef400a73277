// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"math"
	"slices"

	"curewright/model/cure"
	"curewright/model/mix"
)

// Vessel is what the mixed resin is used from.
type Vessel string

// From a cup as it stands; poured at once into a wide tray on the bench; or
// into a roller tray, which stands on feet and has only its own plastic to warm.
const (
	FromCup    Vessel = "cup"
	FromTray   Vessel = "tray"
	FromRoller Vessel = "roller"
)

// Shape is what the mass stands in once it is in the vessel.
func (v Vessel) Shape() Shape {
	if v == FromTray || v == FromRoller {
		return Tray
	}
	return Cup
}

// Vessels lists them.
var Vessels = []Vessel{FromCup, FromTray, FromRoller}

// UsualVessel is what a coat is usually used from: a joint from its cup, and
// what is rolled or brushed over a panel from a tray, unless it is so little
// that a cup does (our choice: 120 g).
func UsualVessel(kind string, grams float64) Vessel {
	if kind == "bond" || grams <= 120 {
		return FromCup
	}
	return FromTray
}

// rollerJM2K is the heat that a roller tray's own plastic takes up, J/(m²·K):
// 1.5 mm of polypropylene (from memory).
const rollerJM2K = 2600.0

// MixMinutes is what weighing and stirring take before the first stroke
// (common practice, no source).
const MixMinutes = 4.0

// mostGrams is the largest batch that one person stirs well (our choice).
const mostGrams = 1500.0

// Hands is who lays a coat and how.
type Hands struct {
	GramsPerMin float64 // laid by one person, g/min
	Vessel      Vessel  // "": cup
	MixMinutes  float64 // 0: [MixMinutes]
	ScaleG      float64 // doubt of one weighing, g (sd); 0: 0.5, a scale that shows grams
	// Mixer says that a second person mixes while the first lays, so that the
	// next batch is ready when this one is used up. The mixing still costs the
	// batch its first minutes.
	Mixer bool
	Whole bool // one batch: it was divided already
}

// Batch is one of a coat's equal batches.
type Batch struct {
	mix.Split
	WorkMinutes *float64 `json:"work_minutes"` // cautious, from mixing; nil: not within 12 h
	LayMinutes  float64  `json:"lay_minutes"`  // what laying it takes
	Vessel      Vessel   `json:"vessel"`
	DiameterMM  float64  `json:"diameter_mm"` // of the cup that it is mixed in
	Verdict     string   `json:"verdict"`     // what it does if left in the cup
	Danger      string   `json:"danger"`      // of the cup
	Tight       bool     `json:"tight"`       // cannot be laid in time even when split: lay faster, cooler, or slower resin
	RatioErrPct float64  `json:"ratio_error_pct"`
}

func (h Hands) check() Faults {
	var f Faults
	switch h.Vessel {
	case "", FromCup, FromTray, FromRoller:
	default:
		f.Add("vessel", "%q is not cup, tray or roller", string(h.Vessel))
	}
	f.Within("mix_minutes", h.MixMinutes, 0, 60, "min")
	if !(h.ScaleG >= 0 && h.ScaleG <= 100) {
		f.Add("scale_g", "±%g g is outside 0 to 100", h.ScaleG)
	}
	return f
}

func (h Hands) filled() Hands {
	if h.Vessel == "" {
		h.Vessel = FromCup
	}
	if h.MixMinutes == 0 {
		h.MixMinutes = MixMinutes
	}
	if h.ScaleG == 0 {
		h.ScaleG = mix.ScaleG
	}
	return h
}

// workFrom is the shortest working time over the cup's readings, with what
// comes after mixing in the hands' vessel.
func (q *Query) workFrom(vs []variant, h Hands, limit float64) float64 {
	h = h.filled()
	if h.Vessel == FromCup {
		return q.work(vs, limit)
	}
	w := math.Inf(1)
	tray := *q
	tray.Shape, tray.DiameterMM, tray.DepthMM = Tray, nil, nil
	heat := BenchJM2K
	if h.Vessel == FromRoller {
		heat = rollerJM2K
	}
	g, gt := q.geometry(), tray.geometry()
	for _, v := range vs {
		s := newSystem(q, v, g)
		first := s.simulate(0, *q.StartC, math.Min(limit, h.MixMinutes), true)
		if e := first.work(); !math.IsInf(e, 1) {
			w = math.Min(w, e)
			continue
		}
		v.sub = &heat
		s = newSystem(&tray, v, gt)
		rest := s.simulate(first.alpha, first.temp, math.Max(0, math.Min(limit, w)-h.MixMinutes), true)
		w = math.Min(w, h.MixMinutes+rest.work())
	}
	return w
}

// Batches divides a coat's grams into equal batches, each no bigger than one
// person lays in its cautious working time in the vessel that is used, mixing
// included, and no bigger than one stirs well. q gives resin, shop and start
// temperature; its shape, mass and width are not used.
//
// Where no batch of 10 g or more can be laid in time the coat is still divided,
// as for the smallest batch whose ratio the scale can hold, and every batch
// says Tight: the person decides, with the times before them.
func Batches(q Query, total float64, h Hands) ([]Batch, error) {
	var f Faults
	f.Positive("grams", total, 1e6, "g")
	if !(h.GramsPerMin > 0) {
		f.Add("rate", "%g g/min is not positive", h.GramsPerMin)
	}
	q.Shape, q.DiameterMM, q.DepthMM, q.Grams = Cup, nil, nil, 100
	if f = slices.Concat(f, h.check(), q.Check()); len(f) > 0 {
		return nil, f
	}
	h = h.filled()
	q = q.filled()
	_, careful, _ := q.variants(q.geometry())
	work := func(grams, limit float64) float64 {
		q.Grams = math.Max(grams, 1)
		vs := careful
		if len(q.Resin.PotLife) > 0 { // the sheet's pin depends on the mass
			_, vs, _ = q.variants(q.geometry())
		}
		return q.workFrom(vs, h, limit)
	}
	fits := func(grams float64) bool {
		need := h.MixMinutes + grams/h.GramsPerMin
		return need <= Horizon && work(grams, need) >= need
	}
	least := math.Min(total, math.Max(10, mix.LeastGrams(q.Resin, h.ScaleG)))
	each, tight := least, false
	hi := math.Min(total, mostGrams)
	switch {
	case fits(hi):
		each = hi
	case !fits(least):
		tight = true
	default:
		lo := least
		for hi = math.Ceil(hi); hi-lo > 1; {
			if mid := math.Floor((lo + hi) / 2); fits(mid) {
				lo = mid
			} else {
				hi = mid
			}
		}
		each = lo
	}
	n := int(math.Ceil(total/each - 1e-9))
	if h.Whole {
		n, tight = 1, !fits(total)
	} else if tight {
		// Splitting does not help: the fewest batches that are stirred well.
		n = max(1, int(math.Ceil(total/math.Min(mostGrams, math.Max(least, 150))-1e-9)))
	}
	each = math.Ceil(total/float64(n) - 1e-9)
	split, err := mix.For(q.Words, q.Resin, each)
	if err != nil {
		return nil, err
	}
	w := work(each, Horizon)
	res := Batch{Split: split, WorkMinutes: some(w), LayMinutes: each / h.GramsPerMin, Vessel: h.Vessel,
		DiameterMM: cure.DefaultCupMM(each), Tight: tight, RatioErrPct: split.RatioErrorPct(h.ScaleG)}
	q.Grams = math.Max(each, 1)
	g := q.geometry()
	nominal, careful, _ := q.variants(g)
	res.Verdict = verdict(q.simulate(nominal, g, *q.StartC, false).peakC, math.Max(q.ShopC, *q.StartC))
	to60 := math.NaN()
	for _, v := range careful {
		to60 = earlier(to60, q.simulate(v, g, *q.StartC, false).to60)
	}
	res.Danger = DangerAt(some(to60))
	out := make([]Batch, n)
	for i := range out {
		out[i] = res
	}
	return out, nil
}
