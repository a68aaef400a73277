package cure

import "math"

// Cup is a mass of mixed resin that shares one temperature and loses heat to
// the air: the lumped heat balance
//
//	m·cp·dT/dt = m·H·dα/dt − hA·(1+.006·max(0,T−Ta))·(T−Ta)
//
// with cp = clip(1.8+.004(T−20), 1.8, 2.4) J/gK. Constants are from memory and
// were softened to meet a remembered peak: use times and go/no-go, not peak
// temperatures.
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
}

// Simulate follows the cup for up to [CupHorizon] and calls visit at every
// step until it returns false. Steps shorten as the cup heats.
func (c Cup) Simulate(r Resin, visit func(CupPoint) bool) {
	t, T, a := 0.0, c.StartC, 0.0
	kappa := c.Kappa
	deriv := func(T, a float64) (dT, da float64) {
		da = r.Rate(a, T, kappa)
		cp := min(max(1.8+0.004*(T-20), 1.8), 2.4)
		d := T - c.AmbientC
		loss := c.HA * (1 + 0.006*max(0, d)) * d
		return (c.Grams*r.HeatJG*da - loss) / (c.Grams * cp), da
	}
	if !visit(CupPoint{0, T, 0}) {
		return
	}
	for t < CupHorizon {
		dT, da := deriv(T, a)
		// At most half a kelvin and .005 of cure a step.
		h := min(60, 0.5/max(math.Abs(dT), 1e-9), 0.005/max(da, 1e-12), CupHorizon-t)
		h = max(h, 1e-3)
		k1T, k1a := dT, da
		k2T, k2a := deriv(T+h/2*k1T, a+h/2*k1a)
		k3T, k3a := deriv(T+h/2*k2T, a+h/2*k2a)
		k4T, k4a := deriv(T+h*k3T, a+h*k3a)
		T += h / 6 * (k1T + 2*k2T + 2*k3T + k4T)
		a += h / 6 * (k1a + 2*k2a + 2*k3a + k4a)
		t += h
		if !visit(CupPoint{t, T, a}) {
			return
		}
	}
}

// TimeTo returns the minutes until the cup first reaches tC (°C), between
// steps by straight line; false when it does not within [CupHorizon].
func (c Cup) TimeTo(r Resin, tC float64) (float64, bool) {
	var prev CupPoint
	at, ok := 0.0, false
	c.Simulate(r, func(p CupPoint) bool {
		if p.TempC >= tC {
			at, ok = p.Seconds, true
			if p.TempC > prev.TempC && p.Seconds > 0 {
				at = prev.Seconds + (p.Seconds-prev.Seconds)*(tC-prev.TempC)/(p.TempC-prev.TempC)
			}
			return false
		}
		prev = p
		return true
	})
	return at / 60, ok
}

// CupTimeTo60 returns the minutes until a cup of the given grams, of the size
// somebody would take for it, mixed at the shop's temperature shopC (°C),
// reaches 60 °C: what a sheet's pot life is compared with.
func (r Resin) CupTimeTo60(grams, shopC, kappa float64) (float64, bool) {
	c := Cup{
		Grams: grams, HA: CupHA(grams, r.DensityGCC, DefaultCupMM(grams)),
		AmbientC: shopC, StartC: shopC, Kappa: kappa,
	}
	return c.TimeTo(r, 60)
}
