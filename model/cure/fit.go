// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"math"
	"slices"

	"curewright/model/words"
)

// Parameters of a fit, by the names under which their standard deviations
// stand in Resin.SD.
const (
	SDLnRate = "ln_rate"  // ln of the rate at 25 °C
	SDE      = "e_j_mol"  // activation energy of both paths
	SDLnK    = "ln_k1_k2" // ln of k1/k2
	SDTg0    = "tg0_c"
	SDTgInf  = "tginf_c"
	SDLambda = "lambda"
	SDM      = "m"
	SDN      = "n"
	SDD      = "d_k" // of the diffusion factor
)

// What a fit believes before it has seen a sheet: mean and standard
// deviation. The energy is held by published values from 44 to 65 kJ/mol, and
// the sum of the orders by values from 2 to 3; all else is judgement. The rate
// is that of a film that gels in 3.5 h at 25 °C, within a factor of two. D is
// free because the ambient Tg of a sheet says where the cure stops, which no
// other constant can follow.
//
// Held fixed, since no sheet says anything about them: one energy for both
// paths, the diffusion factor's W = 5 K, heat 420 J/g.
const (
	priorGelH   = 3.5
	priorLnRate = 0.7
	priorE      = 57e3
	priorESD    = 9e3
	priorK      = 0.3
	priorLnKSD  = 0.6
	priorTg0    = -38.0
	priorTg0SD  = 5.0
	priorTgInf  = 90.0
	priorTgISD  = 20.0
	postcureSD  = 5.0 // of a sheet's post-cure Tg
	priorLam    = 0.38
	priorLamSD  = 0.05
	priorM      = 1.0
	priorMSD    = 0.3
	priorN      = 2.0
	priorNSD    = 0.4
	priorD      = 5.0
	priorDSD    = 6.0

	batchLnSD = 0.25 // from batch to batch: ratio, age, lot
)

const fitN = 9

var fitNames = [fitN]string{SDLnRate, SDE, SDLnK, SDTg0, SDTgInf, SDLambda, SDM, SDN, SDD}

// fitParams are the parameters of a fit, in the order of fitNames.
type fitParams [fitN]float64

// Doubt of each kind of datum, as a standard deviation of ln time or in K: how
// differently sheets measure the same word. A range is read as ±1 sd, but
// never as less than this.
var datumSD = map[string]float64{
	EventWorking:     0.20,
	EventTacky:       0.20,
	EventRecoatFrom:  0.20,
	EventTackFree:    0.175,
	EventRecoatUntil: 0.25,
	EventSand:        0.25,
}

const (
	potLifeSD = 0.225 // the container's, the heat's and the definition's doubt
	tgSD      = 5.0   // K
)

// datum is one thing a sheet says that the model says too.
type datum struct {
	event string // of the sheet's, or one of the two below
	grams float64
	tempC float64
	unit  string // min or °C
	sheet float64
	sd    float64 // of ln for min, K for °C
	model func(Resin) float64
}

// What else a datum is of, beside the events of a sheet.
const (
	datumPotLife   = "pot_life"
	datumTgAmbient = "tg_ambient"
)

// residual is the model less the sheet in standard deviations.
func (d datum) residual(r Resin) float64 {
	m := d.model(r)
	if d.unit == "°C" {
		return (m - d.sheet) / d.sd
	}
	return math.Log(m/d.sheet) / d.sd
}

// Residual is one datum of a sheet beside the fitted model.
type Residual struct {
	Datum  string  `json:"datum"`
	Event  string  `json:"event"`           // of the sheet's, pot_life or tg_ambient
	TempC  float64 `json:"temp_c"`          // it is given at
	Grams  float64 `json:"grams,omitempty"` // of a pot life
	Unit   string  `json:"unit"`            // min or °C
	Sheet  float64 `json:"sheet"`
	Model  float64 `json:"model"`
	Sigmas float64 `json:"sigmas"` // model less sheet
}

// label names the datum for a reader: "pot life of 100 g at 25 °C".
func (x Residual) label(v words.View) string {
	facts := words.Facts{"grams": math.Round(x.Grams), "temp": words.Tenth(x.TempC)}
	if words.English.Has("fit.event." + x.Event) {
		facts["event"] = words.Code("fit.event." + x.Event)
		return v.Say("fit.datum.time", facts)
	}
	return v.Say("fit.datum."+x.Event, facts)
}

// FitResult is a resin from its sheet.
type FitResult struct {
	Resin     Resin              `json:"resin"`
	SD        map[string]float64 `json:"sd"`
	Residuals []Residual         `json:"residuals"`
	// Inconsistent names each datum beyond two standard deviations: the sheet
	// does not agree with itself there, or the model cannot follow it.
	Inconsistent []string `json:"inconsistent"`
	// Verdict says in plain sentences what the sheet could not tell.
	Verdict []string `json:"verdict"`

	remarks []remark
}

// remark is one sentence of a verdict.
type remark struct {
	code  string
	facts words.Facts
}

// Say puts the verdict and the names of the data into a reader's language and unit.
func (r *FitResult) Say(v words.View) {
	r.Inconsistent, r.Verdict = []string{}, []string{}
	for _, x := range r.remarks {
		r.Verdict = append(r.Verdict, v.Say("fit.verdict."+x.code, x.facts))
	}
	for i := range r.Residuals {
		x := &r.Residuals[i]
		x.Datum = x.label(v)
		if math.Abs(x.Sigmas) > 2 {
			r.Inconsistent = append(r.Inconsistent, x.Datum)
			r.Verdict = append(r.Verdict, v.Say("fit.verdict.inconsistent", words.Facts{"datum": x.Datum}))
		}
	}
}

// Fit returns the most probable resin for a data sheet, given what is believed
// of such resins at large, with standard deviations by Laplace's
// approximation. Any subset of data works; without any, the answer is the
// belief. A sheet that does not pass [Sheet.Check] gives its faults.
func Fit(s Sheet) (FitResult, error) {
	if err := (&document{}).finish(s.faults(), nil); err != nil {
		return FitResult{}, err
	}
	f := newFit(s)
	at, cov, err := f.solve()
	if err != nil {
		return FitResult{}, fmt.Errorf("fit: %w", err)
	}
	r := f.resin(at)
	out := FitResult{SD: map[string]float64{}, Residuals: []Residual{}}
	for i, n := range fitNames {
		out.SD[n] = math.Sqrt(cov[i][i])
	}
	for _, d := range f.data {
		out.Residuals = append(out.Residuals, Residual{Event: d.event, Grams: d.grams, TempC: d.tempC, Unit: d.unit, Sheet: d.sheet, Model: d.model(r), Sigmas: d.residual(r)})
	}
	// Batches differ, and the rate itself is known no better than the fit.
	r.LnKappaSD = math.Hypot(batchLnSD, out.SD[SDLnRate])
	r.SD = out.SD
	f.limits(&r)
	out.Resin = r
	out.remarks = f.remarks(out)
	out.Say(words.View{})
	if errs := r.Check(); errs != nil {
		return FitResult{}, fmt.Errorf("fit: the sheet leads to a resin that cannot be: %w", errs[0])
	}
	return out, nil
}

// fit is a sheet's data and the belief it meets.
type fit struct {
	sheet    Sheet
	base     Resin // what is not fitted
	mean, sd fitParams
	data     []datum
}

func newFit(s Sheet) *fit {
	// A resin of two epoxides a molecule and a diamine, at the sheet's ratio.
	gel, _ := GelConversion(4, 2, 1, 0)
	f := &fit{
		sheet: s,
		base: Resin{
			Name: s.Name, W: 5,
			AlphaGel: gel, HeatJG: 420, DensityGCC: sheetGCC,
			HardenerKind: s.HardenerKind,
			RatioWeight:  s.RatioWeight, RatioVolume: s.RatioVolume, RatioTolPct: s.RatioTolPct,
			DensityResin: s.DensityResin, DensityHardener: s.DensityHardener,
			MinC: 10, MaxC: 40,
		},
		mean: fitParams{0, priorE, math.Log(priorK), priorTg0, priorTgInf, priorLam, priorM, priorN, priorD},
		sd:   fitParams{priorLnRate, priorESD, priorLnKSD, priorTg0SD, priorTgISD, priorLamSD, priorMSD, priorNSD, priorDSD},
	}
	for _, p := range s.PotLife {
		p.keys = entryKeys{} // its place in the sheet means nothing elsewhere
		f.base.PotLife = append(f.base.PotLife, p)
	}
	if f.base.HardenerKind == "" {
		f.base.HardenerKind = "unknown"
	}
	f.base.Skin = skinOf[f.base.HardenerKind]
	if s.MinC != nil {
		f.base.MinC = *s.MinC
	}
	if s.MaxC != nil {
		f.base.MaxC = *s.MaxC
	}
	if f.base.MaxC <= f.base.MinC {
		f.base.MaxC = f.base.MinC + 25
	}
	if s.TgPostcureC != nil {
		f.mean[4], f.sd[4] = *s.TgPostcureC, max(postcureSD, s.TgPostcureHalfK)
	}
	width := func(r Range, least float64) float64 { return max(math.Log(r.Hi/r.Lo)/2, least) }
	for _, p := range s.PotLife {
		f.data = append(f.data, datum{
			event: datumPotLife, grams: p.Grams, tempC: p.TempC,
			unit: "min", sheet: p.Minutes.Mid(), sd: width(p.Minutes, potLifeSD),
			model: func(r Resin) float64 {
				t, ok := SheetCup(r, p.Grams, p.TempC, 1).LifeUntil(r, p.Until)
				if !ok {
					return CupHorizon / 60
				}
				return t
			},
		})
	}
	for _, x := range s.Times {
		sd, ok := datumSD[x.Event]
		if !ok {
			continue // a handling time is a rule, not a state of cure
		}
		f.data = append(f.data, datum{
			event: x.Event, tempC: x.TempC,
			unit: "min", sheet: x.Hours.Mid() * 60, sd: width(x.Hours, sd),
			model: func(r Resin) float64 {
				// Where Tg∞ is below what the mark needs, as long as can be.
				return min(r.SteadyTime(0, r.eventAlpha(x.Event, x.TempC), x.TempC, 1)/60, 1e7)
			},
		})
	}
	if s.TgAmbientC != nil {
		f.data = append(f.data, datum{
			event: datumTgAmbient, tempC: roomC, unit: "°C", sheet: *s.TgAmbientC, sd: max(tgSD, s.TgAmbientHalfK),
			model: func(r Resin) float64 { return r.Tg(r.SteadyAlpha(0, roomC, 1, roomWeekS)) },
		})
	}
	return f
}

// eventAlpha is the degree of cure that an event of a sheet is read as.
func (r Resin) eventAlpha(event string, tC float64) float64 {
	switch event {
	case EventWorking, EventTacky:
		return AlphaTacky
	case EventRecoatFrom:
		return AlphaOpens
	case EventTackFree:
		return r.AlphaGel
	case EventRecoatUntil:
		return r.Level(Firm, tC, Film{})
	}
	return r.Level(Hard, tC, Film{}) // sand
}

// resin is the resin of parameters p.
func (f *fit) resin(p fitParams) Resin {
	r := f.base
	r.E1, r.E2 = p[1], p[1]
	K := math.Exp(p[2])
	r.M, r.N = min(max(p[6], 0.1), 3), min(max(p[7], 0.6), 4)
	r.D = min(max(p[8], -15), 35)
	// The rate is set by when a film at 25 °C gels, which hardly moves with K.
	k2 := math.Exp(p[0]) * chemTime(K, r.M, r.N, r.AlphaGel) / (priorGelH * 3600)
	r.A2 = k2 * math.Exp(p[1]/(GasConstant*(25+zeroC)))
	r.A1 = K * r.A2
	r.Tg0, r.TgInf = p[3], max(p[4], p[3]+20)
	r.Lambda = min(max(p[5], 0.06), 0.98)
	return r
}

// in turns standard deviations from the belief's mean into parameters.
func (f *fit) in(z []float64) fitParams {
	var p fitParams
	for i := range p {
		p[i] = f.mean[i] + f.sd[i]*z[i]
	}
	return p
}

// residuals of the data and of the belief, all in standard deviations.
func (f *fit) residuals(z []float64) []float64 {
	r := f.resin(f.in(z))
	out := make([]float64, 0, len(f.data)+fitN)
	for _, d := range f.data {
		out = append(out, min(max(d.residual(r), -1e3), 1e3))
	}
	return append(out, z...)
}

func sumSquares(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v * v
	}
	return s
}

// jacobian of the residuals res at z, by central differences when fine, else
// by forward ones; rows are data and belief.
func (f *fit) jacobian(z, res []float64, fine bool) []fitParams {
	h := 1e-4
	if fine {
		h = 1e-3
	}
	j := make([]fitParams, len(res))
	x := slices.Clone(z)
	for c := range fitN {
		x[c] = z[c] + h
		up := f.residuals(x)
		down, width := res, h
		if fine {
			x[c] = z[c] - h
			down, width = f.residuals(x), 2*h
		}
		x[c] = z[c]
		for i := range up {
			j[i][c] = (up[i] - down[i]) / width
		}
	}
	return j
}

// solve finds the most probable parameters by damped Gauss–Newton in ln time,
// and their covariance.
func (f *fit) solve() (fitParams, fitMatrix, error) {
	// The rate has by far the widest belief, and times go nearly as its
	// inverse: begin where that would put it.
	z := make([]float64, fitN)
	num, den := 0.0, 1/(f.sd[0]*f.sd[0])
	for _, d := range f.data {
		if d.unit == "min" {
			num += d.residual(f.resin(f.mean)) / d.sd
			den += 1 / (d.sd * d.sd)
		}
	}
	z[0] = min(max(num/den/f.sd[0], -5), 5)
	res := f.residuals(z)
	damp, fine := 1e-3, false
	for range 100 {
		cost := sumSquares(res)
		j := f.jacobian(z, res, fine)
		jtj := normal(j)
		var grad fitParams
		for i := range j {
			for c := range grad {
				grad[c] += j[i][c] * res[i]
			}
		}
		step, gain := 0.0, 0.0
		for range 15 {
			a := jtj
			for i := range a {
				a[i][i] *= 1 + damp
			}
			if !a.factorise() {
				return fitParams{}, fitMatrix{}, fmt.Errorf("the sheet's data cannot be weighed")
			}
			next := slices.Clone(z)
			step = 0
			for i, d := range a.solve(grad) {
				next[i] -= d
				step = max(step, math.Abs(d))
			}
			r := f.residuals(next)
			if c := sumSquares(r); c <= cost {
				gain, z, res = cost-c, next, r
				damp = max(damp/10, 1e-9)
				break
			}
			if step < 1e-6 {
				break // no way down that matters
			}
			damp *= 10
		}
		switch {
		case !fine && (step < 1e-3 || gain < 1e-6):
			fine = true
		case step < 1e-6 || gain < 1e-12*(1+cost):
			return f.laplace(z, res)
		}
	}
	return fitParams{}, fitMatrix{}, fmt.Errorf("no optimum within 100 steps")
}

// laplace turns an optimum into parameters and their covariance, by Laplace's
// approximation with Gauss and Newton's second derivatives.
func (f *fit) laplace(z, res []float64) (fitParams, fitMatrix, error) {
	a := normal(f.jacobian(z, res, true))
	if !a.factorise() {
		return fitParams{}, fitMatrix{}, fmt.Errorf("no certain optimum")
	}
	var cov fitMatrix
	for i := range cov {
		var one fitParams
		one[i] = 1
		for k, x := range a.solve(one) {
			cov[k][i] = x * f.sd[i] * f.sd[k]
		}
	}
	return f.in(z), cov, nil
}

// fitMatrix is a symmetric matrix over the fit's parameters. The library for any
// size that did this weighs 1.6 MB in the program of a small board.
type fitMatrix [fitN][fitN]float64

// normal is jᵀj.
func normal(j []fitParams) (a fitMatrix) {
	for _, row := range j {
		for i, x := range row {
			for k, y := range row {
				a[i][k] += x * y
			}
		}
	}
	return a
}

// factorise puts Cholesky's L with a = L·Lᵀ into the lower half; false where a
// is not positive definite.
func (a *fitMatrix) factorise() bool {
	for i := range a {
		for k := range i + 1 {
			x := a[i][k]
			for m := range k {
				x -= a[i][m] * a[k][m]
			}
			switch {
			case k < i:
				a[i][k] = x / a[k][k]
			case !(x > 0):
				return false
			default:
				a[i][i] = math.Sqrt(x)
			}
		}
	}
	return true
}

// solve is x with L·Lᵀ·x = b of a factorised matrix.
func (a *fitMatrix) solve(b fitParams) fitParams {
	for i := range b {
		for k := range i {
			b[i] -= a[i][k] * b[k]
		}
		b[i] /= a[i][i]
	}
	for i := fitN - 1; i >= 0; i-- {
		for k := i + 1; k < fitN; k++ {
			b[i] -= a[k][i] * b[k]
		}
		b[i] /= a[i][i]
	}
	return b
}

// limits takes the sheet's own limits over: the strictest recoat limit and
// the longest handling time, whatever the temperature they are given at.
func (f *fit) limits(r *Resin) {
	at20 := func(h float64, c float64) float64 { return h * r.AgeFactor(c, 20) }
	for _, x := range f.sheet.Times {
		switch x.Event {
		case EventRecoatUntil:
			if u := r.RecoatUntil; u == nil || at20(x.Hours.Lo, x.TempC) < at20(u.Hours, u.TempC) {
				r.RecoatUntil = &TimeAt{Hours: x.Hours.Lo, TempC: x.TempC}
			}
		case EventHandle:
			if u := r.Handle; u == nil || at20(x.Hours.Hi, x.TempC) > at20(u.Hours, u.TempC) {
				r.Handle = &TimeAt{Hours: x.Hours.Hi, TempC: x.TempC}
			}
		}
	}
}

// remarks say what the sheet could not tell, and what was taken in its place.
func (f *fit) remarks(out FitResult) (v []remark) {
	add := func(code string, facts words.Facts) { v = append(v, remark{code, facts}) }
	kept := func(i int) bool { return out.SD[fitNames[i]] > 0.85*f.sd[i] }
	if len(f.data) == 0 {
		add("nothing", nil)
	} else if kept(0) {
		add("rate", nil)
	}
	if len(f.data) > 0 {
		if kept(1) {
			add("temperature", words.Facts{"times": fmt.Sprintf("%.1f", math.Exp(out.Resin.E2/GasConstant*(1/293.15-1/303.15))), "warm": words.Temp(30), "cool": words.Temp(20)})
		}
		if kept(2) && len(f.sheet.PotLife) == 0 {
			add("cup", nil)
		}
	}
	for i, p := range f.sheet.PotLife {
		facts := words.Facts{"min": math.Round(p.Minutes.Mid()), "life": p}
		code := "pot_life"
		if i < len(f.data) && math.Abs(math.Log(f.data[i].model(out.Resin)/f.data[i].sheet)) > 0.05 {
			code, facts["law"] = "pot_life_law", math.Round(f.data[i].model(out.Resin))
		}
		add(code, facts)
	}
	switch {
	case f.sheet.TgPostcureC == nil && kept(4):
		add("postcure", nil)
	case f.sheet.TgPostcureC == nil:
		add("postcure_end", nil)
	}
	if f.sheet.MinC == nil {
		add("min", words.Facts{"temp": words.Temp(10)})
	}
	if f.sheet.MaxC == nil {
		add("max", words.Facts{"temp": words.Tenth(out.Resin.MaxC)})
	}
	if f.sheet.HardenerKind == "" || f.sheet.HardenerKind == "unknown" {
		add("hardener", nil)
	}
	if f.sheet.RatioWeight == nil && f.sheet.RatioVolume == nil {
		add("ratio", nil)
	}
	return v
}
