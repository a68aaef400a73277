package shop

import (
	"math"
	"math/rand/v2"
)

// The forecast's choice of size: see the package's measured error.
const (
	Paths = 64
	StepS = 900.0
	Steps = 288 // 72 h
)

// Conditions are what a forecast begins from.
type Conditions struct {
	TempC    float64 // now
	DaySecs  float64 // s after local midnight now
	LowC     *float64
	LowInS   float64 // s from now to that low
	SetPoint *float64
}

// Model is a shop: how fast it forgets, its daily rhythm, how much it strays.
type Model struct {
	TauS      float64 // time constant with which departures from the rhythm fade
	MeanC     float64 // of the last days; NaN before there is history
	Harmonics [4]float64
	AmpSD     float64 // doubt of the daily swing, K
	StraySD   float64 // standard deviation of departures in the long run, K
	Fitted    bool
}

// Default is a shop of which nothing is known: wide.
func Default() Model {
	return Model{TauS: 8 * 3600, MeanC: math.NaN(), Harmonics: [4]float64{-1.5, -1.5}, AmpSD: 1.5, StraySD: 3}
}

func (m *Model) rhythm(daySecs float64) float64 {
	x := 2 * math.Pi * daySecs / 86400
	return m.Harmonics[0]*math.Cos(x) + m.Harmonics[1]*math.Sin(x) + m.Harmonics[2]*math.Cos(2*x) + m.Harmonics[3]*math.Sin(2*x)
}

// Ensemble appends to dst the paths' temperatures, path by path, each
// steps+1 long and beginning at the present temperature.
func (m Model) Ensemble(dst []float32, paths, steps int, c Conditions) []float32 {
	rng := rand.New(rand.NewPCG(0x9e3779b97f4a7c15, 0x5851f42d4c957f2d))
	r0 := m.rhythm(c.DaySecs)
	for p := range paths {
		level := m.StraySD * quantileNormal((float64(p)+0.5)/float64(paths))
		amp := 1 + m.AmpSD/3*rng.NormFloat64()
		stray := 0.0
		a := math.Exp(-StepS / m.TauS)
		for k := range steps + 1 {
			t := float64(k) * StepS
			fade := 1 - math.Exp(-t/(2*m.TauS))
			if k > 0 {
				stray = a*stray + 0.3*m.StraySD*math.Sqrt(1-a*a)*rng.NormFloat64()
			}
			x := c.TempC + amp*(m.rhythm(c.DaySecs+t)-r0) + level*fade + stray
			if c.SetPoint != nil {
				x = max(x, *c.SetPoint-1)
			}
			dst = append(dst, float32(x))
		}
	}
	return dst
}

// quantileNormal is the standard normal quantile, by the error function's
// inverse.
func quantileNormal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
