// SPDX-License-Identifier: Apache-2.0

// Package shop forecasts the temperature of a small workshop and of a panel
// in it: the panel's lag behind the air, a first-order model of the shop
// fitted to its last days, and an ensemble of temperature paths that carries
// the doubt.
//
// Everything is deterministic: the ensemble is drawn from fixed low-discrepancy
// and pseudo-random sequences, so that the same input gives the same paths.
//
// No coat and no cure comes in here.
package shop

import (
	"math"
	"time"
)

// LagSeconds is the time constant in s with which a panel of the given core
// follows the air: wood 9 mm with both faces free 9 min, foam sandwich 25 mm
// 23 min, laminate 6 mm on one face 26 min, metal 3 mm 8 min. Computed from
// ρ·c·d/h with h ≈ 8 W/m²K in still air (from memory); honeycomb stands
// between wood and foam by judgement. An unknown core counts as foam.
func LagSeconds(core string) float64 {
	switch core {
	case "wood":
		return 540
	case "metal":
		return 480
	case "laminate":
		return 26 * 60
	case "honeycomb":
		return 15 * 60
	}
	return 23 * 60
}

// StandInSDK is how far, as one standard deviation in K, a panel may lie from
// lagged air where no probe says: sun, radiant heat and draughts are not in
// the lag. Judgement.
const StandInSDK = 1.5

// Lag is a first-order filter. The zero value takes its first input as is.
type Lag struct {
	Tau   float64 // s
	t, in float64
	out   float64
	begun bool
}

// Feed moves the filter to time t (s) with the input going linearly from its
// last value to c, and returns the output. For a linear input the first-order
// response is exact.
func (l *Lag) Feed(t, c float64) float64 {
	if !l.begun {
		l.begun, l.t, l.in, l.out = true, t, c, c
		return c
	}
	dt := t - l.t
	if dt <= 0 {
		return l.out
	}
	slope := (c - l.in) / dt
	// out follows in with the steady lag slope·τ.
	d := l.out - l.in + slope*l.Tau
	l.out = c - slope*l.Tau + d*math.Exp(-dt/l.Tau)
	l.t, l.in = t, c
	return l.out
}

// Out is the last output; false before the first input.
func (l *Lag) Out() (float64, bool) { return l.out, l.begun }

// Restart makes the next input the beginning.
func (l *Lag) Restart() { l.begun = false }

// BridgeSDK is how far, as one standard deviation in K, a straight line over a
// gap may lie from what the temperature did. Judgement: a shop moves about a
// kelvin in an hour and does not stray beyond some 4.
func BridgeSDK(gap time.Duration) float64 {
	return min(4, 0.5+math.Sqrt(max(gap.Hours(), 0)))
}
