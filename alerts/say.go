// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/words"
)

// View is how the person reads: language, clock and unit.
type View = words.View

// speaker renders times relative to one moment. While the clock is not
// trusted it says durations, never clock times.
type speaker struct {
	View
	now     time.Time
	trusted bool
}

func (s speaker) clock(t time.Time) string {
	// A time ahead is a warning, so it is rounded down: to five minutes where it
	// is more than an hour.
	if t.Sub(s.now) > time.Hour {
		t = t.Truncate(5 * time.Minute)
	}
	return s.Clock(t, s.now)
}

// part is a piece of a sentence.
func (s speaker) part(code string, facts words.Facts) string { return s.Say("part."+code, facts) }

// until is " until 12:40", or "" for no end.
func (s speaker) until(t *time.Time) string {
	if t == nil || !t.After(s.now) {
		return ""
	}
	return s.moment(*t, "until", "for_another")
}

// moment is a part with a time on the clock, or with the span from now to it
// while the clock is not trusted.
func (s speaker) moment(t time.Time, onClock, span string) string {
	if s.trusted {
		return s.part(onClock, words.Facts{"at": s.clock(t)})
	}
	return s.part(span, words.Facts{"span": words.Span(t.Sub(s.now).Abs())})
}

// from is "from 13:40 on".
func (s speaker) from(t time.Time) string {
	if !t.After(s.now) {
		return s.part("any_minute", nil)
	}
	return s.moment(t, "from", "in")
}

// at is " at 02:10" of a past moment, or "" where it is not known.
func (s speaker) at(t *time.Time) string {
	if t == nil || t.After(s.now) {
		return ""
	}
	return s.moment(*t, "at", "ago")
}

// since is " since 02:10" of a past moment, or "" where it is not known.
func (s speaker) since(t time.Time) string {
	if t.IsZero() || t.After(s.now) {
		return ""
	}
	return s.moment(t, "since", "for")
}

// sentence renders a message of another package, such as the model's.
func (s speaker) sentence(x coat.Sentence) string {
	var b strings.Builder
	for _, p := range x {
		switch {
		case p.Time != nil:
			b.WriteString(s.clock(*p.Time))
		case p.TempC != nil:
			b.WriteString(s.Temp(*p.TempC))
		case p.DiffK != nil:
			b.WriteString(s.Diff(*p.DiffK))
		default:
			b.WriteString(p.Text)
		}
	}
	return b.String()
}

// lost says how many messages were dropped, "" for none; code is its sentence.
func (s speaker) lost(n uint64, code string) string {
	switch n {
	case 0:
		return ""
	case 1:
		return s.part(code, words.Facts{"lost": s.part("lost_one", nil)})
	}
	return s.part(code, words.Facts{"lost": s.part("lost", words.Facts{"count": n})})
}
