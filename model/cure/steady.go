// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// Never is the horizon of [Steady]: a mark that is not passed within a year
// is "never" to somebody waiting for it.
const neverHours = 8760.0

// SteadyTimes are minutes from mixing at a steady temperature; nil is
// never, or not known (see SteadyResult.UnknownWhy).
type SteadyTimes struct {
	Alpha30      *float64 `json:"alpha_0.30"`
	Gel          *float64 `json:"gel"`
	Alpha80      *float64 `json:"alpha_0.80"`
	Tacky        *float64 `json:"tacky"`
	RecoatOpens  *float64 `json:"recoat_opens"`
	Green        *float64 `json:"green"`
	Firm         *float64 `json:"firm"`
	RecoatCloses *float64 `json:"recoat_closes"`
	Hard         *float64 `json:"hard"`
}

// SteadyHours are values at hours after mixing.
type SteadyHours struct {
	H1   float64 `json:"1"`
	H2   float64 `json:"2"`
	H4   float64 `json:"4"`
	H8   float64 `json:"8"`
	H24  float64 `json:"24"`
	H168 float64 `json:"168"`
}

// SteadyResult is one resin at one steady temperature.
type SteadyResult struct {
	Resin    string      `json:"resin"`
	TempC    float64     `json:"temp_c"`
	Kappa    float64     `json:"kappa"`
	TimesMin SteadyTimes `json:"times_min"`
	AlphaAtH SteadyHours `json:"alpha_at_h"`
	TgCAtH   SteadyHours `json:"tg_c_at_h"`
	Stall    bool        `json:"stall"`
	// UnknownWhy says why green and above are not claimed: below_minimum,
	// outside_range, cold_glass; empty when they are.
	UnknownWhy []string `json:"unknown_why"`
	Generic    bool     `json:"generic"`
}

// Steady returns the times and values of a thin film at steady tC (°C) with
// rate factor kappa; diffusion false leaves the slowing by vitrification out.
// Outside the resin's range, and where a coat that turned to glass before it
// gelled does not gel within a year, green and above are left nil and UnknownWhy
// says why.
func Steady(r Resin, tC, kappa float64, diffusion bool) SteadyResult {
	s := steadyPath{r: r, t: tC, kappa: kappa, diffusion: diffusion}
	out := SteadyResult{Resin: r.Name, TempC: tC, Kappa: kappa, Generic: r.Generic, UnknownWhy: []string{}}
	m := &out.TimesMin
	m.Alpha30, m.Gel, m.Alpha80 = s.minutes(0.30), s.minutes(r.AlphaGel), s.minutes(0.80)
	level := func(m Mark) *float64 { return s.minutes(r.Level(m, tC, Film{})) }
	m.Tacky, m.RecoatOpens = level(Tacky), level(Opens)
	switch {
	case tC < r.MinC:
		out.UnknownWhy = append(out.UnknownWhy, "below_minimum")
	case tC > r.MaxC:
		out.UnknownWhy = append(out.UnknownWhy, "outside_range")
	default:
		m.Green, m.Firm, m.Hard = level(Green), level(Firm), level(Hard)
		// A glass before it has gelled creeps on, but it may take too long.
		if diffusion && m.Green == nil && r.Tg(r.AlphaGel) >= tC+GlassAboveK {
			out.UnknownWhy = append(out.UnknownWhy, "cold_glass")
		}
	}
	m.RecoatCloses = m.Firm
	if u := r.RecoatUntil; u != nil {
		lim := u.Hours * 60 / r.AgeFactor(tC, u.TempC)
		if m.RecoatCloses == nil || lim < *m.RecoatCloses {
			m.RecoatCloses = &lim
		}
	}
	for _, x := range []struct {
		h     float64
		a, tg *float64
	}{
		{1, &out.AlphaAtH.H1, &out.TgCAtH.H1}, {2, &out.AlphaAtH.H2, &out.TgCAtH.H2},
		{4, &out.AlphaAtH.H4, &out.TgCAtH.H4}, {8, &out.AlphaAtH.H8, &out.TgCAtH.H8},
		{24, &out.AlphaAtH.H24, &out.TgCAtH.H24}, {168, &out.AlphaAtH.H168, &out.TgCAtH.H168},
	} {
		*x.a = s.alpha(x.h * 3600)
		*x.tg = r.Tg(*x.a)
	}
	out.Stall = out.TgCAtH.H168 >= tC && out.AlphaAtH.H168 < r.AlphaTarget()
	return out
}

// AlphaTarget is the degree of cure below which a coat at the end of its
// week counts as stalled: that of a glass transition of 40 °C.
func (r Resin) AlphaTarget() float64 { return r.AlphaAtTg(40) }

// SteadyAlpha returns the degree of cure after the given seconds at steady tC
// (°C), beginning at alpha0.
func (r Resin) SteadyAlpha(alpha0, tC, kappa, seconds float64) float64 {
	s := steadyPath{r: r, t: tC, kappa: kappa, diffusion: true, a0: alpha0}
	return s.alpha(seconds)
}

// SteadyTime returns the seconds from alpha0 to alpha at steady tC (°C);
// +Inf when alpha is 1 or more.
func (r Resin) SteadyTime(alpha0, alpha, tC, kappa float64) float64 {
	s := steadyPath{r: r, t: tC, kappa: kappa, diffusion: true, a0: alpha0}
	return s.seconds(alpha)
}

// steadyPath is α(t) at one temperature, where time is a quadrature over α.
type steadyPath struct {
	r         Resin
	t, kappa  float64
	diffusion bool
	a0        float64
}

// seconds integrates dα/rate from a0 to alpha.
func (s steadyPath) seconds(alpha float64) float64 {
	if alpha >= 1 {
		return math.Inf(1)
	}
	return s.span(s.a0, alpha)
}

// Five-point Gauss–Legendre on [−1, 1].
var gauss5 = [5][2]float64{
	{-0.9061798459386640, 0.2369268850561891},
	{-0.5384693101056831, 0.4786286704993665},
	{0, 0.5688888888888889},
	{0.5384693101056831, 0.4786286704993665},
	{0.9061798459386640, 0.2369268850561891},
}

// piece is how far in α one quadrature reaches: finer towards the poles of
// the slowness, at 1 and, for m = 1, at −k1/k2, and towards 0 for broken m.
func piece(a, k1, k2, m float64) float64 {
	h := min(0.02, (1-a)/8)
	if k2 > 0 {
		h = min(h, (a+k1/k2)/2)
	}
	if m != math.Trunc(m) {
		// α^m has no slope at 0 that a polynomial could follow.
		h = min(h, max(a, 1e-7))
	}
	return h
}

// chemTime is [ClosedTime] for any orders, by quadrature where there is no
// closed form.
func chemTime(K, m, n, alpha float64) float64 {
	if m == 1 && n == 2 {
		return ClosedTime(K, alpha)
	}
	s := steadyPath{r: Resin{A1: K, A2: 1, M: m, N: n}, kappa: 1}
	return s.span(0, alpha)
}

func (s steadyPath) span(a, b float64) float64 {
	k1, k2 := s.r.constants(s.t)
	m, n := s.r.M, s.r.N
	sum := 0.0
	for a < b {
		e := min(a+piece(a, k1, k2, m), b)
		if e <= a {
			return math.Inf(1)
		}
		mid, w := (a+e)/2, (e-a)/2
		for _, g := range gauss5 {
			x := mid + w*g[0]
			slow := 1 / ((k1 + k2*power(x, m)) * power(1-x, n))
			if s.diffusion {
				slow *= 1 + math.Exp((s.r.Tg(x)-s.t-s.r.D)/s.r.W)
			}
			sum += w * g[1] * slow
		}
		a = e
	}
	return sum / s.kappa
}

func (s steadyPath) minutes(alpha float64) *float64 {
	t := s.seconds(alpha)
	if !(t <= neverHours*3600) {
		return nil
	}
	t /= 60
	return &t
}

// alpha inverts seconds: α grows with time without end, so bisect.
func (s steadyPath) alpha(seconds float64) float64 {
	if seconds <= 0 {
		return s.a0
	}
	k1, k2 := s.r.constants(s.t)
	a, t := s.a0, 0.0
	// March in pieces until the time is passed, then bisect within one.
	for {
		h := piece(a, k1, k2, s.r.M)
		if h < 1e-12 {
			return a
		}
		dt := s.span(a, a+h)
		if t+dt >= seconds {
			lo, hi := a, a+h
			for range 50 {
				mid := (lo + hi) / 2
				if t+s.span(a, mid) < seconds {
					lo = mid
				} else {
					hi = mid
				}
			}
			return (lo + hi) / 2
		}
		a, t = a+h, t+dt
	}
}
