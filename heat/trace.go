// SPDX-License-Identifier: Apache-2.0

package heat

import "time"

// trace holds the air's temperature of the last half hour, by the minute, and the
// shed's beside it.
type trace struct {
	p     [traceLen]tracePoint
	n     int // points used
	next  int
	begun time.Duration // start of the unbroken stretch
}

type tracePoint struct {
	at        time.Duration
	air, shed float64
	hasShed   bool
}

const (
	traceEvery = time.Minute
	traceLen   = 36
)

func (t *trace) put(at time.Duration, air, shed float64, hasShed bool) {
	if t.n == 0 {
		t.begun = at
	} else if last := t.last(); at-last.at < traceEvery && at >= last.at {
		return
	}
	t.p[t.next] = tracePoint{at, air, shed, hasShed}
	t.next = (t.next + 1) % traceLen
	t.n = min(t.n+1, traceLen)
}

func (t *trace) last() tracePoint { return t.p[(t.next+traceLen-1)%traceLen] }

// span is how long the trace goes back without a break.
func (t *trace) span(now time.Duration) time.Duration {
	if t.n == 0 {
		return 0
	}
	return now - max(t.begun, t.p[(t.next-t.n+traceLen)%traceLen].at)
}

// highest is the highest air temperature since a moment, °C.
func (t *trace) highest(since time.Duration) (float64, bool) {
	hi, ok := 0.0, false
	for i := range t.n {
		if p := t.p[(t.next-1-i+2*traceLen)%traceLen]; p.at >= since && (!ok || p.air > hi) {
			hi, ok = p.air, true
		}
	}
	return hi, ok
}

// rise is how far the air rose between two moments, K, less what the shed rose;
// alone reports that the shed's temperature is not known.
func (t *trace) rise(from, to time.Duration) (k float64, alone, ok bool) {
	var first, last tracePoint
	for i := range t.n { // newest first
		p := t.p[(t.next-1-i+2*traceLen)%traceLen]
		if p.at > to || p.at < from {
			continue
		}
		if !ok {
			last, ok = p, true
		}
		first = p
	}
	if !ok || last.at-first.at < riseIn-2*traceEvery {
		return 0, false, false
	}
	k = last.air - first.air
	alone = !first.hasShed || !last.hasShed
	if !alone {
		k -= max(last.shed-first.shed, 0)
	}
	return k, alone, true
}
