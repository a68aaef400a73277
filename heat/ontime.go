// SPDX-License-Identifier: Apache-2.0

package heat

import "time"

// onHours are a day and the hour under way, so that no part of a day is missed.
const onHours = 25

// OnTime counts the heater's time on within any 24 h, in hours of the monotonic
// clock: a date that somebody can set would make the limit theirs. The zero value
// is none at all.
type OnTime struct {
	Hours   [onHours]time.Duration // latest first; Hours[0] is under way
	Into    time.Duration          // how far into Hours[0]
	Unknown bool                   // lost: counts as the limit until 24 h have been seen
	seen    time.Duration          // while unknown
}

// Total is the sum.
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
