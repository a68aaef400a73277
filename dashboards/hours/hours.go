// SPDX-License-Identifier: Apache-2.0

// Package hours finds the round hours of a shop's clock over a stretch of time,
// for the axis of every figure: right in zones with half and quarter hours, over
// a change of clocks, and in zones that change theirs at midnight.
package hours

import "time"

// Tick is one round hour.
type Tick struct {
	At time.Time // in the shop's zone
	// Day is set on the first round hour of a day: midnight, or the hour that
	// stands in its place where the clocks go on at midnight.
	Day bool
}

// quarter is what every zone's offset is a multiple of: UTC+05:45 and the like.
// (Lord Howe's change of half an hour is one too.)
const quarter = 15 * time.Minute

// Ticks are the hours from from to to, both included, whose number the step
// divides, by the clock of loc: step 6 gives 00, 06, 12 and 18 on each day. A
// step of 24 or more gives days, one in step/24 of them. An hour that the
// clocks go over is not there; one that comes twice is there once.
func Ticks(from, to time.Time, step int, loc *time.Location) []Tick {
	if step < 1 {
		step = 1
	}
	days := max(step/24, 1)
	var out []Tick
	day, n := -1, -1                                 // of the last quarter hour seen; days so far
	t := from.Add(-26 * time.Hour).Truncate(quarter) // so that the first day is seen to begin
	for ; !t.After(to); t = t.Add(quarter) {
		l := t.In(loc)
		if l.Minute() != 0 {
			continue
		}
		first := l.YearDay() != day
		if first {
			day = l.YearDay()
			n++
		}
		switch {
		case t.Before(from):
			continue
		case step >= 24 && (!first || n%days != 0):
			continue
		case step < 24 && l.Hour()%step != 0 && !first:
			continue
		}
		if k := len(out) - 1; k >= 0 && out[k].At.Hour() == l.Hour() && out[k].At.YearDay() == l.YearDay() && step < 24 {
			continue // the hour that comes twice
		}
		out = append(out, Tick{l, first})
	}
	return out
}
