package pot

import (
	"fmt"
	"math"

	"curewright/model/cure"
)

// Verdicts on a pot. There is none better than Low.
const (
	Low     = "low"
	Caution = "caution"
	Runaway = "runaway"
)

// Where the verdict changes: below 1/e a lumped mass cannot run away even
// without consumption (Semenov); with consumption the edge lies near
// e⁻¹(1 + 2.85·B^(−2/3)) ≈ .52 to .55 for B of 14 to 18 (from memory).
const (
	psiCaution = 0.37
	psiRunaway = 0.55
)

// Result answers one [Query]. The outer figures are the cautious ones, drawn
// from the fit's doubt or, for a generic set, from k1/k2 between .1 and .6;
// Nominal is the resin as its numbers stand. Times are minutes from mixing;
// nil is never within 12 h.
type Result struct {
	Resin      string   `json:"resin"`
	Generic    bool     `json:"generic"`
	Grams      float64  `json:"grams"`
	Shape      Shape    `json:"shape"`
	DiameterMM *float64 `json:"diameter_mm"` // nil where the shape has none
	DepthMM    float64  `json:"depth_mm"`
	ShopC      float64  `json:"shop_c"`
	StartC     float64  `json:"start_c"`

	Psi          float64  `json:"psi"` // Semenov number
	Verdict      string   `json:"verdict"`
	ToPlus15K    *float64 `json:"minutes_to_plus15k"` // to 15 K above the air
	To60C        *float64 `json:"minutes_to_60c"`
	WorkMinutes  *float64 `json:"work_minutes"` // least of +15 K, 60 °C and α = .30 in the pot
	PeakClass    string   `json:"peak_class"`   // warm, hot or burning
	MaxGrams     MaxGrams `json:"max_grams_for_work"`
	Nominal      Nominal  `json:"nominal"`
	Conduction   Thick    `json:"conduction"`
	Doubt        string   `json:"doubt"` // where the cautious figures come from
	Say          string   `json:"say"`
	Cautions     []string `json:"cautions"`
	CautiousK    float64  `json:"cautious_k1_k2"` // at 25 °C
	AdiabaticK   float64  `json:"adiabatic_rise_k"`
	CriticalRise float64  `json:"critical_rise_k"` // R·T²/E: warn before this much above the air
}

// MaxGrams is the largest mass in the same shape that still gives 20, 30 or 45
// cautious minutes: 0 not met at 10 g, nil no limit up to 2000 g.
type MaxGrams struct {
	For20 *int `json:"20"`
	For30 *int `json:"30"`
	For45 *int `json:"45"`
}

// Nominal is a pot without the doubt.
type Nominal struct {
	Psi         float64  `json:"psi"`
	ToPlus15K   *float64 `json:"minutes_to_plus15k"`
	To60C       *float64 `json:"minutes_to_60c"`
	WorkMinutes *float64 `json:"work_minutes"`
	PeakC       float64  `json:"peak_c"` // ±50 K: not a number to trust
	PeakMin     float64  `json:"peak_minutes"`
}

// Thick is the conduction view of the same mass: Biot number of its shape and
// the Frank-Kamenetskii number against its critical value at that Biot
// number. It speaks in the verdict only where the mass is insulated.
type Thick struct {
	Biot     float64 `json:"biot"`
	Delta    float64 `json:"delta"`
	Critical float64 `json:"delta_critical"`
}

// CupCautions are said with every pot.
var CupCautions = []string{
	"While it is only warm, pour it into a wide tray or take it outdoors.",
	"Once it smokes, foams or is too hot to hold: leave it, get out, air the shed; no water into it, no lid, nothing thrown on top.",
	"No waste cup, wet rag or sawdust in a bin until cold overnight.",
	"Gloves and eye protection: epoxy on the skin can make you allergic for good.",
	"An estimate: the resin's data sheet and safety data sheet win over any number here.",
}

// Doubt of a fit where the resin names none: standard deviation of ln(k1/k2),
// of the heat of reaction and of the activation energy (the priors of the
// data-sheet fit, judgement).
const (
	sdLnRatio = 0.6
	sdHeat    = 50.0
	sdE       = 6000.0
	z10       = 1.2815515655446004 // standard normal, 90 %
)

// variant is one reading of the resin: its numbers as they stand, or with a
// doubt taken against us.
type variant struct {
	r cure.Resin
	k kinetics
}

// Solve answers the query, or returns its [Faults].
func Solve(q Query) (Result, error) {
	if f := q.Check(); len(f) > 0 {
		return Result{}, f
	}
	q = q.filled()
	g := q.geometry()
	start := *q.StartC
	res := Result{
		Resin: q.Resin.Name, Generic: q.Resin.Generic, Grams: q.Grams, Shape: q.Shape,
		DepthMM: g.depth * 1000, ShopC: q.ShopC, StartC: start, Cautions: CupCautions,
	}
	if g.diameter > 0 {
		d := g.diameter * 1000
		res.DiameterMM = &d
	}

	nominal, careful, doubt := q.variants(g)
	res.Doubt = doubt
	n := q.simulate(nominal, g, start, false)
	psi := q.psi(nominal, g)
	res.Nominal = Nominal{Psi: psi, ToPlus15K: some(n.plus15), To60C: some(n.to60), WorkMinutes: some(n.work()), PeakC: n.peakC, PeakMin: n.peakMin}

	worst := n
	res.Psi = psi
	at := nominal
	for _, v := range careful {
		r := q.simulate(v, g, start, false)
		worst.plus15 = earlier(worst.plus15, r.plus15)
		worst.to60 = earlier(worst.to60, r.to60)
		worst.alpha30 = earlier(worst.alpha30, r.alpha30)
		worst.peakC = math.Max(worst.peakC, r.peakC)
		if p := q.psi(v, g); p > res.Psi {
			res.Psi, at = p, v
		}
	}
	res.ToPlus15K, res.To60C, res.WorkMinutes = some(worst.plus15), some(worst.to60), some(worst.work())
	res.CautiousK = ratioAt25(at.r)
	res.PeakClass = peakClass(worst.peakC)

	rm, e := at.k.rMax(q.ShopC)
	ta := q.ShopC + kelvin
	s := newSystem(&q, at.k, g)
	rise := cure.GasConstant * ta * ta / e
	res.CriticalRise = rise
	cp, _ := cpResin(start)
	res.AdiabaticK = s.heat / ((1-s.fw)*cp + s.fw*s.fcp)
	res.Conduction = Thick{
		Biot:     g.biot,
		Delta:    q.gcc() * 1e6 * s.heat * rm * g.half * g.half / (condWMK * rise),
		Critical: DeltaCritical(g.class, g.biot),
	}
	res.Verdict = verdict(res.Psi)
	if q.Insulated {
		// At criticality ψ is 1/e for a lumped mass: the same scale.
		eq := res.Conduction.Delta / res.Conduction.Critical / math.E
		if v := verdict(eq); rank(v) > rank(res.Verdict) {
			res.Verdict = v
		}
	}
	all := append([]variant{nominal}, careful...)
	res.MaxGrams = MaxGrams{q.maxGrams(all, 20), q.maxGrams(all, 30), q.maxGrams(all, 45)}
	res.Say = say(res)
	return res, nil
}

// filled sets what the query left out.
func (q Query) filled() Query {
	if q.Resin.HeatJG == 0 {
		q.Resin.HeatJG = heatJG
	}
	if q.StartC == nil {
		q.StartC = &q.ShopC
	}
	return q
}

func (q *Query) simulate(v variant, g geometry, start float64, workOnly bool) run {
	qq := *q
	qq.Resin = v.r
	s := newSystem(&qq, v.k, g)
	return s.simulate(0, start, Horizon, workOnly)
}

func (q *Query) psi(v variant, g geometry) float64 {
	r, e := v.k.rMax(q.ShopC)
	qq := *q
	qq.Resin = v.r
	s := newSystem(&qq, v.k, g)
	ta := q.ShopC + kelvin
	return s.mass * s.heat * r * e / (g.hA * cure.GasConstant * ta * ta)
}

// work is the shortest working time over the variants, looked for up to limit.
func (q *Query) work(vs []variant, limit float64) float64 {
	g := q.geometry()
	w := math.Inf(1)
	for _, v := range vs {
		qq := *q
		qq.Resin = v.r
		s := newSystem(&qq, v.k, g)
		w = math.Min(w, s.simulate(0, *q.StartC, math.Min(limit, w), true).work())
	}
	return w
}

func (q Query) maxGrams(vs []variant, minutes float64) *int {
	if q.Shape != Cup {
		// Heat and loss grow alike: the mass does not matter, only the depth.
		if q.Shape == Tray && q.DepthMM == nil && q.DiameterMM != nil {
			// ... unless the tray's width is what is given.
		} else if q.work(vs, minutes) < minutes {
			return new(int)
		} else {
			return nil
		}
	}
	if q.DiameterMM == nil && q.DepthMM != nil {
		// The same cup, filled further: its width is the shape.
		d := q.geometry().diameter * 1000
		q.DiameterMM, q.DepthMM = &d, nil
	} else if q.DiameterMM != nil {
		q.DepthMM = nil
	}
	ok := func(grams int) bool {
		q.Grams = float64(grams)
		return q.work(vs, minutes) >= minutes
	}
	const least, most = 10, 2000
	if !ok(least) {
		return new(int)
	}
	if ok(most) {
		return nil
	}
	lo, hi := least, most
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; ok(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return &lo
}

func ratioAt25(r cure.Resin) float64 {
	const t = 25 + kelvin
	return r.A1 / r.A2 * math.Exp((r.E2-r.E1)/(cure.GasConstant*t))
}

// variants are the nominal resin and the readings of it that the cautious
// figures are the worst of.
func (q *Query) variants(g geometry) (nominal variant, careful []variant, doubt string) {
	kappa := 1.0
	if q.Kappa != nil {
		kappa = *q.Kappa
	}
	of := func(r cure.Resin) variant { return variant{r, newKinetics(r, kappa)} }
	nominal = of(q.Resin)
	if q.Resin.A1 == 0 {
		return nominal, nil, "no fast path in the resin's law: as its numbers stand"
	}
	if q.Resin.Generic {
		// Working time falls as k1/k2 rises; ψ is largest at one of the ends.
		return nominal, []variant{of(WithRatio(q.Resin, 0.1)), of(WithRatio(q.Resin, 0.6))},
			"generic set: worst of k1/k2 from 0.1 to 0.6 at the same film gel time"
	}
	// The one point, z10 standard deviations out, to which the linearised
	// ln ψ responds most: its tenth percentile over the fit, taken against us.
	// Parameters are taken as independent; a sheet ties rate and ratio so that
	// one makes up for the other, and leaving that out errs to the careful side.
	sd := func(fallback float64, names ...string) float64 {
		for _, n := range names {
			if v, ok := q.Resin.SD[n]; ok && v >= 0 && !math.IsInf(v, 0) {
				return v
			}
		}
		return fallback
	}
	doubt = "one in ten over the fit's doubt"
	sLn := 0.0
	if len(q.Resin.SD) == 0 {
		doubt = "one in ten over the doubt of an unfitted resin: its file names none"
		sLn = q.Resin.LnKappaSD
	}
	s := [4]float64{
		sd(sdLnRatio, cure.SDLnK),
		sd(sdHeat, "heat_j_g"), // no sheet tells it
		sd(sdE, cure.SDE, "e2_j_mol"),
		sd(sLn, cure.SDLnRate),
	}
	moved := func(z [4]float64) variant {
		r := q.Resin
		e := z[2] * s[2]
		const t = cure.GasConstant * (25 + kelvin)
		r.E1, r.E2 = r.E1+e, r.E2+e // about 25 °C, where the scale is known
		r.A1, r.A2 = r.A1*math.Exp(e/t), r.A2*math.Exp(e/t)
		r = WithRatio(r, ratioAt25(r)*math.Exp(z[0]*s[0]))
		f := math.Exp(z[3] * s[3])
		r.A1, r.A2 = r.A1*f, r.A2*f
		r.HeatJG = math.Max(1, r.HeatJG+z[1]*s[1])
		return of(r)
	}
	worst := func(f func(variant) float64) (z [4]float64) {
		var norm float64
		for i := range z {
			var up, down [4]float64
			up[i], down[i] = 0.5, -0.5
			z[i] = f(moved(up)) - f(moved(down))
			norm += z[i] * z[i]
		}
		if norm == 0 || math.IsNaN(norm) || math.IsInf(norm, 0) {
			return [4]float64{}
		}
		for i := range z {
			z[i] *= z10 / math.Sqrt(norm)
		}
		return z
	}
	careful = append(careful, moved(worst(func(v variant) float64 { return math.Log(q.psi(v, g)) })))
	careful = append(careful, moved(worst(func(v variant) float64 {
		w := q.simulate(v, g, *q.StartC, true).work()
		return -math.Log(math.Min(math.Max(w, 0.1), Horizon))
	})))
	return nominal, careful, doubt
}

func verdict(psi float64) string {
	switch {
	case psi < psiCaution:
		return Low
	case psi <= psiRunaway:
		return Caution
	}
	return Runaway
}

func rank(v string) int {
	switch v {
	case Low:
		return 0
	case Caution:
		return 1
	}
	return 2
}

// peakClass words a peak temperature: from 45 °C a hand lets go, from 60 °C
// it burns within a minute (both from memory).
func peakClass(c float64) string {
	switch {
	case c < 45:
		return "warm"
	case c < 60:
		return "hot"
	}
	return "burning"
}

func some(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func earlier(a, b float64) float64 {
	if math.IsNaN(a) || b < a {
		return b
	}
	return a
}

// minutes words a duration that a person must keep to: rounded down, to five
// beyond half an hour.
func minutes(m float64) string {
	switch {
	case m < 1:
		return "less than a minute"
	case m < 30:
		return fmt.Sprintf("about %d min", int(m))
	case m < 90:
		return fmt.Sprintf("about %d min", int(m/5)*5)
	}
	return fmt.Sprintf("about %.1f h", math.Floor(m/6)/10)
}

func say(r Result) string {
	noun := string(r.Shape)
	work := "It stays workable for hours; the sheet's own time comes first."
	if r.WorkMinutes != nil {
		work = fmt.Sprintf("Use it within %s of mixing.", minutes(*r.WorkMinutes))
	}
	switch r.Verdict {
	case Runaway:
		s := fmt.Sprintf("This %s will overheat if it is left standing.", noun)
		if r.To60C != nil {
			s = fmt.Sprintf("This %s will overheat: too hot to hold in %s.", noun, minutes(*r.To60C))
		}
		return work + " " + s
	case Caution:
		return work + fmt.Sprintf(" This %s may overheat on a warm day: do not leave it standing.", noun)
	}
	return work + " Little heat is expected, but keep an eye on it."
}
