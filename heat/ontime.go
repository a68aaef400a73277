// SPDX-License-Identifier: Apache-2.0

package heat

import "time"

// onHours is 25: the current hour and 24 before it, so that 24 h are always covered.
const onHours = 25

// OnTime counts the heater's time on within any 24 h, in hours of the monotonic
// clock, so that setting the date can't evade the limit. The zero value is no
// on-time.
type OnTime struct {
	Hours   [onHours]time.Duration // latest first; Hours[0] is under way
	Into    time.Duration          // how far into Hours[0]
	Unknown bool                   // lost: counts as the limit until 24 h have been seen
	seen    time.Duration          // while unknown
}

// Total is the on-time in the last 24 h.
func (o OnTime) Total() time.Duration {
	t := time.Duration(0)
	for _, h := range o.Hours {
		t += h
	}
	return t
}

// Aged returns the count after a time during which the heater was off.
func (o OnTime) Aged(by time.Duration) OnTime {
	o.advance(max(by, 0))
	return o
}

func (o *OnTime) advance(dt time.Duration) {
	if o.Unknown {
		if o.seen += dt; o.seen >= 24*time.Hour {
			o.Unknown = false
		}
	}
	o.Into += dt
	for o.Into >= time.Hour {
		o.Into -= time.Hour
		if o.Total() == 0 {
			o.Into %= time.Hour
			return
		}
		copy(o.Hours[1:], o.Hours[:onHours-1])
		o.Hours[0] = 0
	}
}

func (o *OnTime) add(on time.Duration) { o.Hours[0] += on }

func (o OnTime) over(limit time.Duration) bool { return o.Unknown || o.Total() >= limit }
