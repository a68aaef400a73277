// SPDX-License-Identifier: Apache-2.0

package tent

import (
	"context"
	"math"
	"time"

	"curewright/model/cure"
	"curewright/model/fault"
)

// Soak is a post-cure as a person asks for it: the panel is warmed by so many
// °C an hour, held, and cooled as slowly.
type Soak struct {
	TempC  float64 // °C
	Hours  float64 // held, h
	RampCH float64 // °C/h, up and down
}

// Corner is a point of a soak's set point, which is linear between them.
type Corner struct {
	At time.Time
	C  float64
}

// SoakPlan is what comes of a soak.
type SoakPlan struct {
	Corners []Corner
	Until   time.Time // cooled down
	// Holds is the share of the forecasts in which the panel is within 1 K of
	// what is asked for as long as is asked, a twentieth apart.
	Holds float64
	// Glass transition of the coat, p10, p50 and p90 over rate factors and
	// forecasts, °C: now, at the end, and at the same time without heat.
	TgNow, TgAfter, TgWithout [3]float64
	EnergyKWh                 *float64 // mean; nil without the heater's power
	Share                     float64  // mean share of full heat until the end
}

const (
	soakWithinK = 1.0
	soakShort   = 0.95
	// gelledAtLeast is how surely a coat must have gelled before it is soaked:
	// a soft one runs, and a warmed core blows bubbles through it.
	gelledAtLeast = 0.9
)

// Check returns everything that is wrong with a soak of a coat: the tent's latched limits, the epoxy's maximum, the
// forecast's end, a coat that has not gelled.
func (s Soak) Check(p *Problem) error {
	var f fault.List
	switch t := s.TempC; {
	case !(t >= p.MinC):
		f.Add("temp_c", "%g °C is below %g °C, the least that the tent is held at", t, p.MinC)
	case t > p.MaxC:
		f.Add("temp_c", "%g °C is above the tent's limit of %g °C", t, p.MaxC)
	}
	if s.TempC > p.Resin.MaxC {
		f.Add("temp_c", "%g °C is above the epoxy's maximum of %g °C", s.TempC, p.Resin.MaxC)
	}
	switch r := s.RampCH; {
	case !(r > 0):
		f.Add("ramp_c_h", "%g must be above 0", r)
	case r > p.RampKH:
		f.Add("ramp_c_h", "%g °C an hour is faster than the tent's limit of %g", r, p.RampKH)
	}
	if !(s.Hours > 0) {
		f.Add("hours", "%g must be above 0", s.Hours)
	}
	if len(p.Nodes) == 0 || p.Paths < 1 || p.Len < 2 || len(p.Shed) < p.Paths*p.Len || !(p.StepS > 0) {
		f.Add("forecast", "none")
	}
	if !(p.Tent.TauS > 0) || !(p.Tent.GainK > 0) || math.IsNaN(p.PanelC) {
		f.Add("tent", "not known, or no panel temperature")
	}
	gelled, all := 0.0, 0.0
	for _, n := range p.Nodes {
		all += n.Weight
		if n.Alpha >= p.Resin.AlphaGel {
			gelled += n.Weight
		}
	}
	if all > 0 && gelled < gelledAtLeast*all {
		f.Add("coat", "it has not gelled for certain: soak it once it is hard")
	}
	if len(f) == 0 && s.end(p)/p.StepS > float64(p.Len-1) {
		f.Add("hours", "it would last beyond the forecast, which ends in %.0f h", float64(p.Len-1)*p.StepS/3600)
	}
	return f.Err()
}

// times are when a soak is up, when it begins to cool, and when it is over, s
// from now.
func (s Soak) times(p *Problem) (up, cool, end float64) {
	rise := math.Abs(s.TempC-p.PanelC) / s.RampCH * 3600
	cool = rise + s.Hours*3600
	return rise, cool, cool + math.Max(s.TempC-math.Max(p.PanelC, p.MinC), 0)/s.RampCH*3600
}

func (s Soak) end(p *Problem) float64 {
	_, _, end := s.times(p)
	return end
}

// Plan makes the set point of a soak and foretells what it does for the coat's
// glass transition. It returns the errors of [Soak.Check], and ctx's.
func (s Soak) Plan(ctx context.Context, p Problem) (SoakPlan, error) {
	if err := s.Check(&p); err != nil {
		return SoakPlan{}, err
	}
	up, cool, end := s.times(&p)
	at := func(x float64) time.Time { return p.Now.Add(time.Duration(x * float64(time.Second))) }
	from := math.Max(p.PanelC, p.MinC)
	out := SoakPlan{Until: at(end), Corners: []Corner{{p.Now, math.Min(from, p.MaxC)}, {at(up), s.TempC}, {at(cool), s.TempC}, {at(end), math.Min(from, s.TempC)}}}
	want := func(x float64) float64 {
		switch {
		case x < up:
			return p.PanelC + (s.TempC-p.PanelC)*x/up
		case x <= cool:
			return s.TempC
		case x < end:
			return s.TempC - s.RampCH*(x-cool)/3600
		}
		return offC
	}
	p.Wish = Wish{}
	v := newSolver(ctx, &p)
	v.steps = min(int(math.Ceil(end/p.StepS)), p.Len-1)
	nodes := v.pick(1, len(p.Nodes)).nodes
	var after, without, now weighted
	start := func() (alpha []float64) {
		alpha = make([]float64, len(nodes))
		for i, n := range nodes {
			alpha[i], v.kappa[i] = p.Nodes[n].Alpha, p.Nodes[n].Kappa
		}
		return alpha
	}
	final := func() []float64 { // of every node, at the end of the soak
		alpha := start()
		for k := range v.steps {
			v.it.Stride(alpha, v.kappa[:len(nodes)], p.StepS, v.temps[k], v.temps[k+1])
		}
		return alpha
	}
	gather := func(to *weighted, alpha []float64) {
		for i, n := range nodes {
			*to = append(*to, struct{ t, w float64 }{p.Resin.Tg(alpha[i]), p.Nodes[n].Weight})
		}
	}
	for path := range p.Paths {
		if err := ctx.Err(); err != nil {
			return SoakPlan{}, err
		}
		out.Share += v.follow(func(step int) float64 { return want(float64(step) * p.StepS) }, path, v.steps) / float64(p.Paths)
		held := 0.0
		for k := 1; k <= v.steps; k++ {
			if math.Abs(v.temps[k]-s.TempC) <= soakWithinK {
				held += p.StepS / 3600
			}
		}
		if held >= soakShort*s.Hours {
			out.Holds += 1 / float64(p.Paths)
		}
		gather(&after, final())
		v.walk(candidate{offC, offC, 0}, path, v.steps)
		gather(&without, final())
	}
	gather(&now, start())
	for i, q := range []float64{.1, .5, .9} {
		out.TgNow[i], out.TgAfter[i], out.TgWithout[i] = now.quantile(q), after.quantile(q), without.quantile(q)
	}
	if p.HeaterW > 0 {
		kWh := out.Share * float64(v.steps) * p.StepS / 3600 * p.HeaterW / 1000
		out.EnergyKWh = &kWh
	}
	return out, nil
}

// CanLand reports whether a coat can be landed at all, and why not, by its code
// below "tent.why_not": what has closed or is hard needs no landing, and what is too
// far gone to stall none either.
func CanLand(kind string, r cure.Resin, alpha, panelC float64) (why string, ok bool) {
	hard := alpha >= r.Level(cure.Hard, panelC, cure.Film{})
	switch {
	case kind == Window && alpha >= r.Level(cure.Firm, panelC, cure.Film{}):
		return "closed", false
	case kind == Hard && hard:
		return "hard", false
	case kind == NoStall && alpha >= r.AlphaTarget():
		return "no_stall", false
	}
	return "", true
}
