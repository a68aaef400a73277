// SPDX-License-Identifier: Apache-2.0

package pot

import (
	"fmt"
	"math"
	"strings"

	"curewright/model/cure"
	"curewright/model/words"
)

// What a pot does if it is left standing, by its nominal peak. There is none
// better than Low.
const (
	Low     = "low"     // under 20 K above the warmer of resin and shop: it stays warm
	Caution = "caution" // under 80 °C: too hot to hold
	Runaway = "runaway" // from 80 °C on: it smokes
)

// How near 60 °C is. Red belongs to time, not to what a forgotten cup would
// come to one day.
const (
	DangerNow   = "now"   // 10 min or less
	DangerSoon  = "soon"  // 30 min or less
	DangerLater = "later" // more
	DangerNone  = "none"  // not within 12 h
)

const (
	lowRiseK = 20.0
	runawayC = 80.0
)

// DangerAt words the minutes until 60 °C; nil: not within 12 h.
func DangerAt(minutes *float64) string {
	switch {
	case minutes == nil:
		return DangerNone
	case *minutes <= 10:
		return DangerNow
	case *minutes <= 30:
		return DangerSoon
	}
	return DangerLater
}

// Result answers one [Query]. The outer figures are the cautious ones, one in
// ten over the resin's own doubt; Nominal is the resin as its numbers (or its
// sheet's pot life) stand, and what the verdict goes by. Times are minutes from
// mixing; nil is never within 12 h.
type Result struct {
	Resin      string   `json:"resin"`
	Generic    bool     `json:"generic"`
	Grams      float64  `json:"grams"`
	Shape      Shape    `json:"shape"`
	DiameterMM *float64 `json:"diameter_mm"` // nil where the shape has none
	DepthMM    float64  `json:"depth_mm"`
	ShopC      float64  `json:"shop_c"`
	StartC     float64  `json:"start_c"`

	Psi         float64  `json:"psi"` // Semenov number
	Verdict     string   `json:"verdict"`
	Danger      string   `json:"danger"`
	ToPlus15K   *float64 `json:"minutes_to_plus15k"` // to 15 K above the warmer of shop and start
	To60C       *float64 `json:"minutes_to_60c"`
	WorkMinutes *float64 `json:"work_minutes"` // least of +15 K, 60 °C and α = .30 in the pot
	PeakClass   string   `json:"peak_class"`   // warm, hot or burning: the nominal peak
	MaxGrams    MaxGrams `json:"max_grams_for_work"`
	Nominal     Nominal  `json:"nominal"`

	// The three things a hand needs, each its own sentence.
	Work string   `json:"work"` // how long it can be worked
	Left string   `json:"left"` // what it does if it is left standing
	Do   string   `json:"do"`   // what to do now
	Why  []string `json:"why"`  // where the figures come from, most telling first
	Say  string   `json:"say"`  // the three in one line

	SheetPotLife []string   `json:"sheet_pot_life,omitempty"` // the sheet's, which the figures follow
	StandsFor    *StandsFor `json:"stands_for,omitempty"`     // a generic set: the pot life it is
	BenchJM2K    *float64   `json:"bench_j_m2_k,omitempty"`   // heat under a tray that the outer figures count
	Conduction   Thick      `json:"conduction"`
	Doubt        string     `json:"doubt"` // where the cautious figures come from
	Cautions     []string   `json:"cautions"`
	AdiabaticK   float64    `json:"adiabatic_rise_k"`
	CriticalRise float64    `json:"critical_rise_k"` // R·T²/E: warn before this much above the air
}

// StandsFor is the pot life that a generic set stands for: 100 g in its usual
// cup, minutes to 60 °C without doubt. Compare it with the tin's.
type StandsFor struct {
	Grams   float64 `json:"grams"`
	TempC   float64 `json:"temp_c"`
	Minutes float64 `json:"minutes"`
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
func CupCautions(c *words.Catalogue) []string {
	var out []string
	for _, code := range c.Codes("pot.caution.") {
		out = append(out, c.Text(code))
	}
	return out
}

// Doubt of a fit where the resin names none: standard deviation of ln(k1/k2),
// of the heat of reaction and of the activation energy (the priors of the
// data-sheet fit, judgement).
const (
	sdLnRatio = 0.6
	sdHeat    = 50.0
	sdE       = 6000.0
	z10       = 1.2815515655446004 // standard normal, 90 %
	// From cup to cup of one sheet: lot and batch, √(.10² + .12²) (choices).
	sdBatch = 0.156
	// Of a sheet's single figure; a range is ±1 sd.
	sdPotLife = 0.10
)

// variant is one reading of the resin: its numbers as they stand, or with a
// doubt taken against us. k holds the person's rate factor, and the one with
// which a mass meets the sheet's pot life.
type variant struct {
	r   cure.Resin
	k   kinetics
	sub *float64 // heat of what lies under or behind, J/(m²·K)
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
		DepthMM: g.depth * 1000, ShopC: q.ShopC, StartC: start, Cautions: CupCautions(q.Words),
	}
	if g.diameter > 0 {
		d := g.diameter * 1000
		res.DiameterMM = &d
	}

	nominal, careful, doubt := q.variants(g)
	res.Doubt = doubt
	n := q.simulate(nominal, g, start, false)
	res.Nominal = Nominal{Psi: q.psi(nominal, g), ToPlus15K: some(n.plus15), To60C: some(n.to60), WorkMinutes: some(n.work()), PeakC: n.peakC, PeakMin: n.peakMin}
	res.Verdict = verdict(n.peakC, math.Max(q.ShopC, start))
	res.PeakClass = peakClass(n.peakC)

	worst := q.worst(n, careful, g)
	res.ToPlus15K, res.To60C, res.WorkMinutes = some(worst.plus15), some(worst.to60), some(worst.work())
	res.Danger = DangerAt(res.To60C)
	res.MaxGrams = MaxGrams{q.maxGrams(careful, 20), q.maxGrams(careful, 30), q.maxGrams(careful, 45)}

	hottest := nominal
	res.Psi = res.Nominal.Psi
	for _, v := range careful {
		if p := q.psi(v, g); p > res.Psi {
			res.Psi, hottest = p, v
		}
	}
	q.balance(&res, hottest, g)
	if q.Insulated && res.Conduction.Delta > res.Conduction.Critical && res.Verdict != Runaway {
		// Past the conduction limit the middle of a lagged mass has no steady
		// temperature: what the lumped peak says does not hold there.
		res.Verdict = Runaway
		res.Why = append(res.Why, q.text("why.lagged", nil))
	}
	if careful[0].sub != nil && nominal.sub == nil {
		b := *careful[0].sub
		res.BenchJM2K = &b
	}
	for _, p := range q.Resin.PotLife {
		res.SheetPotLife = append(res.SheetPotLife, p.Say(words.View{Words: q.Words}))
	}
	if q.Resin.Generic {
		if m, ok := cure.SheetCup(q.Resin, 100, 25, 1).TimeTo(q.Resin, 60); ok {
			res.StandsFor = &StandsFor{100, 25, m}
		}
	}
	res.Why = append(res.Why, q.why(&res, worst.peakC)...)
	res.Work, res.Left, res.Do = q.sayWork(&res), q.sayLeft(&res), q.sayDo(&res)
	res.Say = res.Work + " " + res.Left + " " + res.Do
	return res, nil
}

// worst is the earliest of each time, and the hottest peak, over the careful
// readings; beside them the peak of the nominal one counts, and its times where
// none of theirs comes: what lies under a tray must not hide its danger.
func (q *Query) worst(nominal run, careful []variant, g geometry) run {
	nan := math.NaN()
	out := run{plus15: nan, to60: nan, alpha30: nan, peakC: nominal.peakC}
	for _, v := range careful {
		r := q.simulate(v, g, *q.StartC, false)
		out.plus15 = earlier(out.plus15, r.plus15)
		out.to60 = earlier(out.to60, r.to60)
		out.alpha30 = earlier(out.alpha30, r.alpha30)
		out.peakC = math.Max(out.peakC, r.peakC)
	}
	for _, x := range []struct {
		outer *float64
		plain float64
	}{{&out.plus15, nominal.plus15}, {&out.to60, nominal.to60}, {&out.alpha30, nominal.alpha30}} {
		if math.IsNaN(*x.outer) {
			*x.outer = x.plain
		}
	}
	return out
}

// balance fills in what a reading's heat comes to against what carries it away:
// the adiabatic rise, the critical one, and the view by conduction.
func (q *Query) balance(res *Result, v variant, g geometry) {
	rate, e := v.k.rMax(q.ShopC)
	ta := q.ShopC + kelvin
	s := newSystem(q, v, g)
	cp, _ := cpResin(*q.StartC)
	res.CriticalRise = cure.GasConstant * ta * ta / e
	res.AdiabaticK = s.heat / ((1-s.fw)*cp + s.fw*s.fcp)
	res.Conduction = Thick{
		Biot:     g.biot,
		Delta:    q.gcc() * 1e6 * s.heat * rate * g.half * g.half / (condWMK * res.CriticalRise),
		Critical: DeltaCritical(g.class, g.biot),
	}
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
	s := newSystem(q, v, g)
	return s.simulate(0, start, Horizon, workOnly)
}

// psi is the Semenov number of a reading; what lies under or behind is not in
// it.
func (q *Query) psi(v variant, g geometry) float64 {
	r, e := v.k.rMax(q.ShopC)
	v.sub = nil
	s := newSystem(q, v, g)
	ta := q.ShopC + kelvin
	return s.mass * s.heat * r * e / (g.hA * cure.GasConstant * ta * ta)
}

// work is the shortest working time over the variants, looked for up to limit.
func (q *Query) work(vs []variant, limit float64) float64 {
	g := q.geometry()
	w := math.Inf(1)
	for _, v := range vs {
		s := newSystem(q, v, g)
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
// figures are the worst of; there is at least one.
func (q *Query) variants(g geometry) (nominal variant, careful []variant, doubt string) {
	nominal = q.reading(q.Resin, 1)
	if q.Resin.Generic {
		short := math.Exp(z10 * q.Resin.LnKappaSD)
		return nominal, []variant{q.against(q.Resin, short)}, q.text("why.doubt_generic", words.Facts{"pct": whole(100 * (short - 1))})
	}
	sd, code := q.doubts()
	hottest := q.worstWay(sd, func(v variant) float64 { return math.Log(q.psi(v, g)) })
	shortest := q.worstWay(sd, func(v variant) float64 {
		w := q.simulate(v, g, *q.StartC, true).work()
		return -math.Log(math.Min(math.Max(w, 0.1), Horizon))
	})
	return nominal, []variant{q.moved(sd, hottest), q.moved(sd, shortest)}, q.text(code, nil)
}

// reading is one of the resin, whose cups last short times what the sheet says; a
// resin without a sheet's pot life is taken by its law.
func (q *Query) reading(r cure.Resin, short float64) variant {
	f := pinned(r, q.Resin.PotLife, q.Grams, q.ShopC) * short
	if q.Shape != Cup {
		// A thin layer goes by the film's law, which the sheet's film times
		// hold; a cup that is quicker than the law still warns.
		f = math.Max(f, short)
	}
	kappa := 1.0
	if q.Kappa != nil {
		kappa = *q.Kappa
	}
	v := variant{r: r, k: newKinetics(r, kappa*f)}
	if q.Shape == Bond {
		v.sub = q.SubstrateJM2K
	}
	return v
}

// against is a reading in which what lies under or behind keeps its heat as well.
func (q *Query) against(r cure.Resin, short float64) variant {
	v := q.reading(r, short)
	v.sub = q.SubstrateJM2K
	if v.sub == nil && q.Shape == Tray {
		b := BenchJM2K
		v.sub = &b
	}
	return v
}

// four are figures of a resin's ln(k1/k2), heat, activation energies and ln rate:
// their standard deviations, or how many of them a reading lies out.
type four [4]float64

// doubts are those of a fit or, beside a sheet's pot life, of the sheet and the
// batch, with the code of the sentence that says whence.
func (q *Query) doubts() (s four, code string) {
	sd := func(fallback float64, names ...string) float64 {
		for _, n := range names {
			if v, ok := q.Resin.SD[n]; ok && v >= 0 && !math.IsInf(v, 0) {
				return v
			}
		}
		return fallback
	}
	code = "why.doubt_fit"
	sLn := 0.0
	if len(q.Resin.SD) == 0 {
		code = "why.doubt_unfitted"
		sLn = q.Resin.LnKappaSD
	}
	s = four{
		sd(sdLnRatio, cure.SDLnK),
		sd(sdHeat, "heat_j_g"), // no sheet tells it
		sd(sdE, cure.SDE, "e2_j_mol"),
		sd(sLn, cure.SDLnRate),
	}
	if len(q.Resin.PotLife) > 0 {
		// Each reading meets the sheet's own cup again, so what is left of the
		// doubt there is the sheet's and the batch's.
		code = "why.doubt_sheet"
		s[3] = math.Hypot(sheetSD(q.Resin.PotLife), sdBatch)
	}
	return s, code
}

// moved is the reading against us that lies so many standard deviations out.
func (q *Query) moved(sd, z four) variant {
	r := q.Resin
	e := z[2] * sd[2]
	const t = cure.GasConstant * (25 + kelvin)
	r.E1, r.E2 = r.E1+e, r.E2+e // about 25 °C, where the scale is known
	r.A1, r.A2 = r.A1*math.Exp(e/t), r.A2*math.Exp(e/t)
	if r.A1 > 0 { // without a fast path there is no ratio to doubt
		r = WithRatio(r, ratioAt25(r)*math.Exp(z[0]*sd[0]))
	}
	r.HeatJG = math.Max(1, r.HeatJG+z[1]*sd[1])
	return q.against(r, math.Exp(z[3]*sd[3]))
}

// worstWay is the one point, z10 standard deviations out, to which f, linearised,
// responds most: its tenth percentile over the fit, taken against us. Parameters
// are taken as independent; a sheet ties rate and ratio so that one makes up for
// the other, and leaving that out errs to the careful side.
func (q *Query) worstWay(sd four, f func(variant) float64) (out four) {
	var norm float64
	for i := range out {
		if sd[i] == 0 {
			continue
		}
		var up, down four
		up[i], down[i] = 0.5, -0.5
		out[i] = f(q.moved(sd, up)) - f(q.moved(sd, down))
		norm += out[i] * out[i]
	}
	if norm == 0 || math.IsNaN(norm) || math.IsInf(norm, 0) {
		return four{}
	}
	for i := range out {
		out[i] *= z10 / math.Sqrt(norm)
	}
	return out
}

// sheetSD is the doubt of ln minutes of a sheet's pot life: half its range, or
// a tenth for a single figure.
func sheetSD(ps []cure.PotLife) float64 {
	sum := 0.0
	for _, p := range ps {
		sum += math.Max(sdPotLife, math.Log(p.Minutes.Hi/p.Minutes.Lo)/2)
	}
	return sum / float64(len(ps))
}

// pinned is the factor on the rate in a mass with which the resin's law meets
// its sheet's pot lives: exactly in the sheet's own cups, weighed by nearness
// (in temperature and ln mass) between them. 1 without any.
func pinned(r cure.Resin, ps []cure.PotLife, grams, shopC float64) float64 {
	if r.DensityGCC == 0 {
		r.DensityGCC = density
	}
	var num, den float64
	for _, p := range ps {
		if !(p.Minutes.Mid() > 0) {
			continue
		}
		ln := pinOne(r, p)
		// Ten kelvin count as much as a factor of e in mass.
		dt, dm := (shopC-p.TempC)/10, math.Log(grams/p.Grams)
		d := dt*dt + dm*dm
		if d < 1e-9 {
			return math.Exp(ln)
		}
		num += ln / d
		den += 1 / d
	}
	if den == 0 {
		return 1
	}
	return math.Exp(num / den)
}

// pinOne finds ln of the rate factor with which one cup of the sheet lasts as
// the sheet says, within a factor of five either way: beyond, the sheet and the
// law do not speak of one resin, and the fit says so.
func pinOne(r cure.Resin, p cure.PotLife) float64 {
	want := math.Log(p.Minutes.Mid())
	last := func(x float64) float64 {
		m, ok := cure.SheetCup(r, p.Grams, p.TempC, math.Exp(x)).LifeUntil(r, p.Until)
		if !ok {
			m = Horizon
		}
		return math.Log(math.Max(m, 1e-3)) - want
	}
	const most = 1.61
	// Times go nearly as one over the rate: secant steps, kept in bounds.
	x0, f0 := 0.0, last(0)
	x1 := math.Max(-most, math.Min(most, f0))
	for range 12 {
		f1 := last(x1)
		if math.Abs(f1) < 1e-4 || x1 == x0 || f1 == f0 {
			break
		}
		x := x1 - f1*(x1-x0)/(f1-f0)
		x0, f0 = x1, f1
		x1 = math.Max(-most, math.Min(most, x))
	}
	return x1
}

// verdict is what a pot comes to, by its peak; base is the warmer of resin and
// shop.
func verdict(peakC, base float64) string {
	switch {
	case peakC >= runawayC:
		return Runaway
	case peakC < base+lowRiseK:
		return Low
	}
	return Caution
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

// text is a sentence of the catalogue below "pot.".
func (q *Query) text(code string, facts words.Facts) string {
	return words.View{Words: q.Words}.Say("pot."+code, facts)
}

// minutes words a duration that a person must keep to: rounded down, to five
// beyond half an hour.
func (q *Query) minutes(m float64) string {
	switch {
	case m < 1:
		return q.text("under_a_minute", nil)
	case m < 30:
		return q.text("about_min", words.Facts{"min": int(m)})
	case m < 90:
		return q.text("about_min", words.Facts{"min": int(m/5) * 5})
	}
	return q.text("about_h", words.Facts{"h": fmt.Sprintf("%.1f", math.Floor(m/6)/10)})
}

func (q *Query) sayWork(r *Result) string {
	if r.WorkMinutes == nil {
		return q.text("workable_hours", nil)
	}
	return q.text("workable", words.Facts{"time": q.minutes(*r.WorkMinutes)})
}

func (q *Query) sayLeft(r *Result) string {
	code := "warm"
	switch {
	case r.Verdict == Runaway && r.To60C == nil:
		code = "smokes"
	case r.Verdict == Runaway:
		code = "smokes_after"
	case r.Verdict == Caution && r.To60C == nil:
		code = "hot"
	case r.Verdict == Caution:
		code = "hot_after"
	case r.To60C != nil:
		code = "warm_quick"
	}
	facts := words.Facts{}
	if r.To60C != nil {
		facts["after"] = q.text("left.after", words.Facts{"time": q.minutes(*r.To60C)})
	}
	return q.text("left."+code, facts)
}

func (q *Query) sayDo(r *Result) string {
	thin, code := r.Shape == Tray, "carry_on"
	switch {
	case r.Shape == Bond:
		code = "bond"
		if r.Danger == DangerNow || r.Danger == DangerSoon {
			code = "bond_thin"
		}
	case r.Danger == DangerNow && thin:
		code = "thinner"
	case r.Danger == DangerNow:
		code = "wide"
	case r.Danger == DangerSoon && thin:
		code = "outdoors"
	case r.Danger == DangerSoon:
		code = "tray"
	}
	return q.text("do."+code, nil)
}

// why says where the figures come from. worstPeak is the hottest of the
// cautious readings.
func (q *Query) why(r *Result, worstPeak float64) []string {
	var w []string
	base := math.Max(r.ShopC, r.StartC)
	if v := verdict(worstPeak, base); rank(v) > rank(r.Verdict) {
		w = append(w, q.text(map[string]string{Caution: "why.quick_hot", Runaway: "why.quick_smokes"}[v], nil))
	}
	if len(r.SheetPotLife) > 0 {
		code, facts := "why.sheet", words.Facts{"said": strings.Join(r.SheetPotLife, "; ")}
		if t := r.Nominal.To60C; t != nil {
			code, facts["min"], facts["end"] = "why.sheet_likely", fmt.Sprintf("%.0f", *t), words.Temp(60)
		}
		w = append(w, q.text(code, facts))
	}
	if s := r.StandsFor; s != nil {
		w = append(w, q.text("why.generic", words.Facts{"min": whole(s.Minutes), "grams": whole(s.Grams), "temp": words.Temp(s.TempC), "end": words.Temp(60)}))
	}
	if r.BenchJM2K != nil {
		w = append(w, q.text("why.bench", words.Facts{"heat": whole(*r.BenchJM2K)}))
	}
	return append(w, q.text("why.doubt", words.Facts{"doubt": r.Doubt}))
}

func whole(x float64) string { return fmt.Sprintf("%.0f", x) }
