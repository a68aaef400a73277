// SPDX-License-Identifier: Apache-2.0

// Package tent learns what a heated tent does from its own switching, and
// chooses the set points that land a coat's window.
//
// The tent is one node with a first-order answer to heat and to the shed
// around it; the air in it is fast against the panel and is not modelled.
// Everything is pure: times and temperatures come in as values.
//
// No heater, no limit that keeps one safe: those are heat's, which must work without
// this package.
package tent

import (
	"errors"
	"fmt"
	"math"

	"curewright/model/words"
)

// Sample is the tent during one bin.
type Sample struct {
	PanelC float64 // °C at the end of the bin; NaN where not read
	ShedC  float64 // °C around the tent, the bin's mean; NaN where not read
	Share  float64 // of the bin that the heater was on, 0 to 1
}

// BinS is a bin's length, s.
const BinS = 900.0

// Model is a tent as its own switching shows it: the panel goes towards
// Shed + Gain·share with the time constant TauS.
type Model struct {
	TauS   float64 // s
	GainK  float64 // K above the shed at full heat, in the end
	TauSD  float64 // standard deviations
	GainSD float64
	NoiseK float64 // of a bin's step, K
	Late   float64 // share of the heat that comes a bin late
	Bins   int
}

// Default is a tent of which nothing is known yet: wide on purpose. The
// figures are a choice: two hours, 20 K at full heat, each good to a factor.
func Default() Model {
	return Model{TauS: 2 * 3600, GainK: 20, TauSD: 3600, GainSD: 8, NoiseK: .2}
}

// Reasons why a tent could not be learned. Test with [errors.Is].
var (
	ErrFew       = errors.New("too few bins with heat and without")
	ErrWrongSign = errors.New("the tent cools when the heater is on: is it wired the wrong way round, or its probe outside?")
	ErrDead      = errors.New("the heater has no effect")
)

// Bins that a fit needs, and heat in them: the choice of ours.
const (
	minBins = 16
	minHeat = 1.5 // bins of full heat
)

// Identify fits a [Model] to a stretch of bins, by least squares on
//
//	P(k+1) − P(k) = (1 − e^(−h/τ))·(Shed − P(k)) + b0·share(k) + b1·share(k−1)
//
// with gain (b0+b1)/(1 − e^(−h/τ)); the second share takes up the delay of
// element and air. Standard deviations come from the residuals, widened where
// these hang together. Bins with anything missing are passed over.
//
// It returns [ErrFew], [ErrWrongSign] or [ErrDead] where the data do not show
// a heater that heats; the model is then of no use.
func Identify(s []Sample) (Model, error) {
	var (
		n             [3][3]float64
		v             [3]float64
		xs            [][3]float64
		ys            []float64
		heat, without float64
	)
	for k := 1; k+1 < len(s); k++ {
		a, b := s[k], s[k+1]
		y := b.PanelC - a.PanelC
		x := [3]float64{b.ShedC - a.PanelC, b.Share, a.Share}
		if math.IsNaN(y + x[0] + x[1] + x[2]) {
			continue
		}
		xs, ys = append(xs, x), append(ys, y)
		heat += x[1]
		without += 1 - x[1]
		for i := range 3 {
			for j := range 3 {
				n[i][j] += x[i] * x[j]
			}
			v[i] += x[i] * y
		}
	}
	m := Model{Bins: len(xs)}
	if len(xs) < minBins || heat < minHeat || without < minHeat {
		return m, fmt.Errorf("%w: %d bins, %.1f of them heat", ErrFew, len(xs), heat)
	}
	inv, ok := invert(n)
	if !ok {
		return m, fmt.Errorf("%w: heat and cold never came apart", ErrFew)
	}
	var th [3]float64
	for i := range 3 {
		for j := range 3 {
			th[i] += inv[i][j] * v[j]
		}
	}
	ss, lag, prev := 0.0, 0.0, 0.0
	for i, x := range xs {
		e := ys[i] - th[0]*x[0] - th[1]*x[1] - th[2]*x[2]
		ss += e * e
		if i > 0 {
			lag += e * prev
		}
		prev = e
	}
	rho := math.Max(0, math.Min(lag/math.Max(ss, 1e-12), .9))
	// Residuals that hang together say less than their number.
	s2 := ss / float64(len(xs)-3) * (1 + rho) / (1 - rho)
	m.NoiseK = math.Sqrt(ss / float64(len(xs)-3))
	b := th[1] + th[2]
	bSD := math.Sqrt(s2 * (inv[1][1] + inv[2][2] + 2*inv[1][2]))
	switch {
	case b < -2*bSD:
		return m, ErrWrongSign
	case b < 3*bSD:
		return m, fmt.Errorf("%w: %.2f ± %.2f K in a quarter hour of it", ErrDead, b, bSD)
	}
	if !(th[0] > 0 && th[0] < 1) {
		return m, fmt.Errorf("%w: the loss to the shed is not told from the heat", ErrFew)
	}
	m.TauS = -BinS / math.Log(1-th[0])
	m.TauSD = BinS / ((1 - th[0]) * math.Pow(math.Log(1-th[0]), 2)) * math.Sqrt(s2*inv[0][0])
	m.GainK = b / th[0]
	m.Late = math.Max(0, math.Min(th[2]/b, 1))
	cov := s2 * (inv[0][1] + inv[0][2])
	m.GainSD = math.Sqrt(math.Max(0, bSD*bSD/(th[0]*th[0])+b*b*s2*inv[0][0]/math.Pow(th[0], 4)-2*b*cov/math.Pow(th[0], 3)))
	return m, nil
}

// Next is the panel a time h (s) later under a share of full heat.
func (m Model) Next(panelC, shedC, share, h float64) float64 {
	end := shedC + m.GainK*share
	return end + (panelC-end)*math.Exp(-h/m.TauS)
}

// Open reports that the last bins lie so far under what the model makes of
// them, though there was heat, that a door must be open (or the heater dead
// since): lack is by how many K a bin. It wants two bins in a row beyond four
// times the noise.
func (m Model) Open(s []Sample) (lack float64, open bool) {
	if len(s) < 3 {
		return 0, false
	}
	lack = math.Inf(1)
	for k := len(s) - 2; k < len(s); k++ {
		a, b := s[k-1], s[k]
		e := m.Next(a.PanelC, b.ShedC, m.Late*a.Share+(1-m.Late)*b.Share, BinS) - b.PanelC
		if math.IsNaN(e) || a.Share+b.Share < .2 || e < 4*math.Max(m.NoiseK, .1) {
			return 0, false
		}
		lack = math.Min(lack, e)
	}
	return lack, true
}

// Say words a model for a person.
func (m Model) Say(v words.View) string {
	f := func(x float64) string { return fmt.Sprintf("%.0f", x) }
	return v.Say("tent.model", words.Facts{"min": f(m.TauS / 60), "min_sd": f(m.TauSD / 60), "gain": words.Kelvin(m.GainK), "gain_sd": words.Kelvin(m.GainSD)})
}

// invert inverts a symmetric positive matrix of three; false where it is
// nearly singular.
func invert(a [3][3]float64) ([3][3]float64, bool) {
	var b [3][3]float64
	cof := func(i, j int) float64 {
		r, c := [2]int{(i + 1) % 3, (i + 2) % 3}, [2]int{(j + 1) % 3, (j + 2) % 3}
		return a[r[0]][c[0]]*a[r[1]][c[1]] - a[r[0]][c[1]]*a[r[1]][c[0]]
	}
	det := a[0][0]*cof(0, 0) + a[0][1]*cof(0, 1) + a[0][2]*cof(0, 2)
	if scale := a[0][0] * a[1][1] * a[2][2]; !(det > 1e-9*scale) || scale <= 0 {
		return b, false
	}
	for i := range 3 {
		for j := range 3 {
			b[i][j] = cof(j, i) / det
		}
	}
	return b, true
}
