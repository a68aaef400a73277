// SPDX-License-Identifier: Apache-2.0

package heat

import "time"

// onHours are a day and the hour under way, so that no part of a day is missed.
const onHours = 25

// onTime counts the heater's time on within any 24 h, in hours of the
// monotonic clock: a date that somebody can set would make the limit theirs.
type onTime struct {
	hour    [onHours]time.Duration // latest first; hour[0] is under way
	into    time.Duration          // how far into hour[0]
	unknown bool                   // reads as the limit until 24 h have been seen
	seen    time.Duration          // while unknown
}

// OnTime is the heater's on-time of the last 24 h as it is kept. The zero
// value is none at all.
type OnTime struct {
	Hours   [onHours]time.Duration // latest first
	Into    time.Duration          // of the hour under way
	Unknown bool                   // lost: counts as the limit
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
	x := o.build()
	x.advance(max(by, 0))
	return x.export()
}

func (o OnTime) build() onTime { return onTime{hour: o.Hours, into: o.Into, unknown: o.Unknown} }
func (t *onTime) export() OnTime {
	return OnTime{Hours: t.hour, Into: t.into, Unknown: t.unknown}
}

func (t *onTime) advance(dt time.Duration) {
	if t.unknown {
		if t.seen += dt; t.seen >= 24*time.Hour {
			t.unknown = false
		}
	}
	t.into += dt
	for t.into >= time.Hour {
		t.into -= time.Hour
		if t.total() == 0 {
			t.into %= time.Hour
			return
		}
		copy(t.hour[1:], t.hour[:onHours-1])
		t.hour[0] = 0
	}
}

func (t *onTime) add(on time.Duration) { t.hour[0] += on }

func (t *onTime) total() time.Duration { return t.export().Total() }

func (t *onTime) over(limit time.Duration) bool { return t.unknown || t.total() >= limit }
