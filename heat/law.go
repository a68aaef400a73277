// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"math"
	"time"
)

// TwoPoint switches with a hysteresis. The zero value is off and has no width.
type TwoPoint struct {
	BandK float64 // full width, K
	on    bool
}

// Step returns 1 below the band, 0 above it and the last answer in it; errK is
// set point minus temperature.
func (l *TwoPoint) Step(errK float64) float64 {
	switch {
	case errK > l.BandK/2:
		l.on = true
	case errK < -l.BandK/2:
		l.on = false
	}
	if l.on {
		return 1
	}
	return 0
}

// Reset makes the next answer within the band off.
func (l *TwoPoint) Reset() { l.on = false }

// PI is a proportional and integral law with its output between 0 and a cap.
// Its integral is held wherever the output is against a bound and the error
// would drive it further (conditional integration), so that it does not wind
// up while the tent cannot follow.
type PI struct {
	Kp  float64 // share of full heat per kelvin
	TiS float64 // reset time, s
	i   float64 // integral part of the output
}

// Step returns the share of full heat, 0 to cap, for an error of errK (set
// point minus temperature) that lasts for dt seconds.
func (l *PI) Step(errK, dt, cap float64) float64 {
	cap = math.Max(0, math.Min(cap, 1))
	p := l.Kp * errK
	// Rectangle rule: exact enough for steps of seconds and a reset time of minutes,
	// and it needs no previous error.
	i := l.i + l.Kp/l.TiS*errK*dt
	u := p + i
	if (u > cap && errK > 0) || (u < 0 && errK < 0) {
		i = l.i
	}
	// An integral beyond 0 to 1 could not act and would only take time to unwind.
	l.i = math.Max(math.Min(i, 1), 0)
	return math.Max(0, math.Min(p+l.i, cap))
}

// Reset empties the integral.
func (l *PI) Reset() { l.i = 0 }

// proportion turns a share of full heat into on and off times within windows. Time
// too short to switch on or off is carried into the next window, so that the mean is
// kept.
type proportion struct {
	window, minOn, minOff time.Duration
	from                  time.Duration // start of this window
	on                    time.Duration // how long it is on in it
	carry                 time.Duration // on-time that is owed to the next window (negative: it had too much already)
	begun                 bool
}

// step returns on or off at a moment. The share u is read at the start of a window;
// a share of 0 ends the window at once, and full heat starts a new one at once.
func (p *proportion) step(at time.Duration, u float64) bool {
	if u <= 0 {
		*p = proportion{window: p.window, minOn: p.minOn, minOff: p.minOff}
		return false
	}
	if !p.begun || at-p.from >= p.window {
		due := time.Duration(u*float64(p.window)) + p.carry
		switch {
		case due < p.minOn:
			p.on, p.carry = 0, due
		case p.window-due < p.minOff:
			p.on, p.carry = p.window, min(due-p.window, 0)
		default:
			p.on, p.carry = due, 0
		}
		p.from, p.begun = at, true
	}
	if u >= 1 {
		return true
	}
	return at-p.from < p.on
}
