// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// Cup is a mass of mixed resin that shares one temperature and loses heat to
// the air: the lumped heat balance
//
//	m·cp·dT/dt = m·H·dα/dt − hA·(1+.006·max(0,T−Ta))·(T−Ta)
//
// with cp = clip(1.8+.004(T−20), 1.8, 2.4) J/gK. Constants are from memory and
// were softened to meet a remembered peak: use times, not temperatures. It is
// what a data sheet's pot life is compared with; a pot in the shop has its own
// package.
type Cup struct {
	Grams    float64 // of mixed resin and hardener
	HA       float64 // W/K at no temperature difference
	AmbientC float64
	StartC   float64
	Kappa    float64
}

// CupHorizon is how long a cup is followed, s.
const CupHorizon = 12 * 3600.0

// DefaultCupMM returns the diameter in mm of the cup somebody would take for
// the given grams: 65 mm for 100 g, growing with the 0.236th power, in steps
// of 5 mm.
func DefaultCupMM(grams float64) float64 {
	return 5 * math.Round(65*math.Pow(grams/100, 0.236)/5)
}

// CupHA returns W/K of an upright cylinder of the given mass (g), density
// (g/cm³) and diameter (mm): 10 W/m²K at the top, 8 at the side, 4 at the
// bottom (from memory).
func CupHA(grams, density, diameterMM float64) float64 {
	d := diameterMM / 1000
	area := math.Pi * d * d / 4
	depth := grams / density * 1e-6 / area
	return 10*area + 8*math.Pi*d*depth + 4*area
}

// CupPoint is one moment of a simulated cup.
type CupPoint struct {
	Seconds, TempC, Alpha float64
	TempRate, AlphaRate   float64 // K/s, 1/s
}

// Simulate follows the cup for up to [CupHorizon] and calls visit at every
// step until it returns false. Steps shorten as the cup heats.
func (c Cup) Simulate(r Resin, visit func(CupPoint) bool) {
	deriv := func(T, a float64) (dT, da float64) {
		da = r.Rate(a, T, c.Kappa)
		cp := min(max(1.8+0.004*(T-20), 1.8), 2.4)
		d := T - c.AmbientC
		loss := c.HA * (1 + 0.006*max(0, d)) * d
		return (c.Grams*r.HeatJG*da - loss) / (c.Grams * cp), da
	}
	t, T, a := 0.0, c.StartC, 0.0
	dT, da := deriv(T, a)
	for visit(CupPoint{t, T, a, dT, da}) && t < CupHorizon {
		// At most a kelvin and .01 of cure a step, and within the reach of
		// the method in how fast heat leaves.
		h := min(120, 1/max(math.Abs(dT), 1e-9), 0.01/max(da, 1e-12), 0.5*c.Grams*1.8/c.HA, CupHorizon-t)
		h = max(h, 1e-3)
		k2T, k2a := deriv(T+h/2*dT, a+h/2*da)
		k3T, k3a := deriv(T+h/2*k2T, a+h/2*k2a)
		k4T, k4a := deriv(T+h*k3T, a+h*k3a)
		T += h / 6 * (dT + 2*k2T + 2*k3T + k4T)
		a = min(a+h/6*(da+2*k2a+2*k3a+k4a), 1-1e-12)
		t += h
		dT, da = deriv(T, a)
	}
}

// TimeTo returns the minutes until the cup first reaches tC (°C); false when
// it does not within [CupHorizon].
func (c Cup) TimeTo(r Resin, tC float64) (float64, bool) {
	t, hot, _ := c.first(r, tC, 2)
	return t / 60, hot
}

// LifeUntil returns the minutes of a sheet's pot life by the end that the
// sheet gives it, one of [PotLifeEnds], or "" for 60 °C. Whatever the end,
// a cup that gels first is over. False when nothing ends it within
// [CupHorizon].
func (c Cup) LifeUntil(r Resin, end string) (float64, bool) {
	level := 60.0
	switch end {
	case UntilGel:
		level = math.Inf(1)
	case UntilRise15:
		level = max(c.AmbientC, c.StartC) + 15
	case Until50C:
		level = 50
	}
	t, hot, gelled := c.first(r, level, r.AlphaGel)
	return t / 60, hot || gelled
}

// first returns the seconds until the cup is at tC or its resin at alpha,
// whichever is first, and which it was.
func (c Cup) first(r Resin, tC, alpha float64) (at float64, hot, gelled bool) {
	var prev CupPoint
	c.Simulate(r, func(p CupPoint) bool {
		hot, gelled = p.TempC >= tC, p.Alpha >= alpha
		if !hot && !gelled {
			prev = p
			return true
		}
		at = p.Seconds
		if p.Seconds == 0 {
			return false
		}
		th, tg := math.Inf(1), math.Inf(1)
		if hot {
			th = crossing(prev.Seconds, p.Seconds, prev.TempC, p.TempC, prev.TempRate, p.TempRate, tC)
		}
		if gelled {
			tg = crossing(prev.Seconds, p.Seconds, prev.Alpha, p.Alpha, prev.AlphaRate, p.AlphaRate, alpha)
		}
		at = min(th, tg)
		hot, gelled = th <= tg, tg < th
		return false
	})
	return at, hot, gelled
}

// crossing finds where the cubic through two points and slopes passes y.
func crossing(t0, t1, y0, y1, d0, d1, y float64) float64 {
	h := t1 - t0
	c := hermite(y0, d0, y1, d1, h)
	lo, hi := 0.0, h
	for range 40 {
		m := (lo + hi) / 2
		if c[0]+m*(c[1]+m*(c[2]+m*c[3])) < y {
			lo = m
		} else {
			hi = m
		}
	}
	return t0 + (lo+hi)/2
}

// SheetCup is the cup that a data sheet's pot life of the given grams at the
// shop's temperature is read as: of the size somebody would take for it, its
// contents at the shop's temperature when mixed.
func SheetCup(r Resin, grams, shopC, kappa float64) Cup {
	return Cup{
		Grams: grams, HA: CupHA(grams, r.DensityGCC, DefaultCupMM(grams)),
		AmbientC: shopC, StartC: shopC, Kappa: kappa,
	}
}
