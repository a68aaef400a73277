// SPDX-License-Identifier: Apache-2.0

package mix

import (
	"fmt"
	"math"
	"slices"

	"curewright/model/cure"
	"curewright/model/words"
)

// The parts that go into a cup, in the order in which they are poured.
const (
	Resin    = "resin"
	Hardener = "hardener"
	Fill     = "filler"
)

// Reading is what the scale showed after some of a part was poured. The total
// includes the cup unless it was tared.
type Reading struct {
	Part   string  `json:"part"`
	TotalG float64 `json:"total_g"`
}

// Pouring is where a batch on the scale stands.
type Pouring struct {
	ResinG    float64 `json:"resin_g"` // poured so far
	HardenerG float64 `json:"hardener_g"`
	FillerG   float64 `json:"filler_g"`
	Part      string  `json:"part"`     // what is poured next, "" when all is in
	LeftG     float64 `json:"left_g"`   // of it
	ScaleG    float64 `json:"scale_g"`  // what the scale shows when it is in
	Slip      *Slip   `json:"slip"`     // too much of a part; nil when none
	TakeOutG  float64 `json:"take_out"` // of resin, possible only while it is alone in the cup
	Say       string  `json:"say"`
}

// Pour follows a batch on the scale: cupG is what the scale showed with the
// empty cup (0 when tared), planned the split, fillerG its filler. Every slip
// gets its mend, since the plan follows what is in the cup: hardener is due for
// the resin that was poured. Readings that go backwards by more than the
// scale's doubt, or parts out of order, are faults beside their reading and
// nothing is guessed.
func Pour(c *words.Catalogue, r cure.Resin, planned Split, fillerG, cupG, scaleG float64, readings []Reading) (Pouring, error) {
	var f Faults
	if planned.ResinG == nil || planned.HardenerG == nil {
		f = append(f, Fault{Field: "resin", What: "no weights: " + planned.Note})
	}
	f.Within("cup_g", cupG, 0, 1e5, "g")
	if !(fillerG >= 0 && fillerG <= 1e6) {
		f.Add("filler_g", "%g g is below 0", fillerG)
	}
	if scaleG == 0 {
		scaleG = ScaleG
	}
	q, err := RatioOf(c, r)
	if err != nil {
		return Pouring{}, err
	}
	if q.ByWeight == nil && planned.ResinG != nil {
		f.Add("resin", "%s", q.Missing)
	}
	in := poured(&f, cupG, scaleG, readings)
	if len(f) > 0 {
		return Pouring{}, f
	}
	k := *q.ByWeight
	// Filler is due for what is really in the cup.
	if all := in[0] + in[1]; all > *planned.ResinG+*planned.HardenerG {
		fillerG *= all / (*planned.ResinG + *planned.HardenerG)
	}
	p := Pouring{ResinG: in[0], HardenerG: in[1], FillerG: in[2]}
	total := cupG + in[0] + in[1] + in[2]
	say := func(code string, facts words.Facts) {
		facts["scale"] = fmt.Sprintf("%.0f", p.ScaleG)
		p.Say = words.View{Words: c}.Say("mix.pour."+code, facts)
	}
	next := func(part string, left float64) {
		p.Part, p.LeftG, p.ScaleG = part, left, total+left
		say(part, words.Facts{})
	}
	slipped := func(code string, s Slip) {
		p.Slip = &s
		say(code, words.Facts{"over": fmt.Sprintf("%.0f", s.OverG), "add": fmt.Sprintf("%.0f", s.AddG)})
	}
	// A gram short on a scale that shows grams is poured.
	const enough = 0.5
	switch resinDue, hardDue := *planned.ResinG, in[0]*k; {
	case in[1] == 0 && in[0] < resinDue-enough:
		next(Resin, resinDue-in[0])
	case in[1] == 0:
		next(Hardener, hardDue)
		if over := in[0] - resinDue; over > enough && over > resinDue*q.TolPct/100 {
			p.TakeOutG = over
			slipped("resin_over", Slip{OffPct: 100 * (*planned.HardenerG/hardDue - 1), Over: Resin, OverG: over, Add: Hardener, AddG: hardDue - *planned.HardenerG, TotalG: in[0] + hardDue})
		}
	default:
		s, err := Check(r, math.Max(in[0], 1e-9), in[1])
		if err != nil {
			return Pouring{}, err
		}
		// Rounding of two readings is no slip.
		doubt := math.Hypot(scaleG, scaleG*k)
		switch {
		case s.Over == Resin && s.AddG > doubt:
			next(Hardener, s.AddG)
		case s.Over == Hardener && s.AddG > doubt:
			next(Resin, s.AddG)
			slipped("hardener_over", s)
		case in[2] < fillerG-enough:
			next(Fill, fillerG-in[2])
		default:
			say("all_in", words.Facts{})
		}
	}
	return p, nil
}

// poured is how much of each part is in the cup by the readings.
func poured(f *Faults, cupG, scaleG float64, readings []Reading) (in [3]float64) {
	parts := []string{Resin, Hardener, Fill}
	prev, at := cupG, 0
	for i, x := range readings {
		field := fmt.Sprintf("readings[%d]", i)
		o := slices.Index(parts, x.Part)
		switch {
		case o < 0:
			f.Add(field, "%q is not resin, hardener or filler", x.Part)
		case !(x.TotalG >= 0 && x.TotalG <= 1e6):
			f.Add(field, "%g g is not what a scale shows", x.TotalG)
		case x.TotalG < prev-2*scaleG && o == 0 && at == 0 && i > 0 && x.TotalG >= cupG:
			// Resin alone in the cup can be taken out again.
			in[0], prev = x.TotalG-cupG, x.TotalG
		case x.TotalG < prev-2*scaleG:
			f.Add(field, "%g g is less than the %g g before: was something taken out, or the scale tared again?", x.TotalG, prev)
		default:
			// More resin after the hardener is the mend for too much hardener, and
			// the other way round: what was poured already stays.
			in[o] += x.TotalG - prev
			at, prev = max(at, o), x.TotalG
		}
	}
	return in
}
