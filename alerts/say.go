package alerts

import (
	"fmt"
	"math"
	"strings"
	"time"

	"curewright/model/coat"
)

// View is how the person reads times and temperatures.
type View struct {
	Loc        *time.Location // the shop's clock; nil means UTC
	Fahrenheit bool
	Clock12    bool
}

// speaker renders times relative to one moment. While the clock is not
// trusted it says durations, never clock times.
type speaker struct {
	View
	now     time.Time
	trusted bool
}

func (s speaker) clock(t time.Time) string {
	loc := s.Loc
	if loc == nil {
		loc = time.UTC
	}
	// What is said of the future is a warning and is rounded to the early
	// side: to five minutes beyond an hour.
	if t.Sub(s.now) > time.Hour {
		t = t.Truncate(5 * time.Minute)
	}
	t, now := t.In(loc), s.now.In(loc)
	layout := "15:04"
	if s.Clock12 {
		layout = "3:04 pm"
	}
	ty, tm, td := t.Date()
	ny, nm, nd := now.Date()
	if ty != ny || tm != nm || td != nd {
		layout = "Mon " + layout
	}
	return t.Format(layout)
}

// span rounds to the minute below an hour, to five minutes beyond.
func span(d time.Duration) string {
	if d < 0 {
		d = -d
	}
	if d < time.Hour {
		m := int(math.Round(d.Minutes()))
		return fmt.Sprintf("%d min", max(m, 1))
	}
	d = d.Round(5 * time.Minute)
	h, m := int(d/time.Hour), int(d%time.Hour/time.Minute)
	if m == 0 {
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}

// until is " until 12:40", or "" for no end.
func (s speaker) until(t *time.Time) string {
	switch {
	case t == nil || !t.After(s.now):
		return ""
	case s.trusted:
		return ", until " + s.clock(*t) + " at the latest"
	}
	return ", for another " + span(t.Sub(s.now)) + " at most"
}

// from is "from 13:40 on".
func (s speaker) from(t time.Time) string {
	switch {
	case !t.After(s.now):
		return "any minute"
	case s.trusted:
		return "from " + s.clock(t) + " on"
	}
	return "in " + span(t.Sub(s.now))
}

// at is " at 02:10" of a past moment, or "" where it is not known.
func (s speaker) at(t *time.Time) string {
	switch {
	case t == nil || t.After(s.now):
		return ""
	case s.trusted:
		return " at " + s.clock(*t)
	}
	return " " + span(s.now.Sub(*t)) + " ago"
}

// since is " since 02:10" of a past moment, or "" where it is not known.
func (s speaker) since(t time.Time) string {
	switch {
	case t.IsZero() || t.After(s.now):
		return ""
	case s.trusted:
		return " since " + s.clock(t)
	}
	return " for " + span(s.now.Sub(t))
}

// temp is a temperature to half a degree.
func (s speaker) temp(c float64) string {
	if s.Fahrenheit {
		return fmt.Sprintf("%.0f °F", c*9/5+32)
	}
	return half(c) + " °C"
}

// sentence renders a sentence that another part made.
func (s speaker) sentence(x coat.Sentence) string {
	var b strings.Builder
	for _, p := range x {
		switch {
		case p.Time != nil:
			b.WriteString(s.clock(*p.Time))
		case p.TempC != nil:
			b.WriteString(s.temp(*p.TempC))
		case p.DiffK != nil:
			b.WriteString(s.diff(*p.DiffK))
		default:
			b.WriteString(p.Text)
		}
	}
	return b.String()
}

// diff is a temperature difference to half a degree.
func (s speaker) diff(k float64) string {
	if s.Fahrenheit {
		return half(k*9/5) + " °F"
	}
	return half(k) + " °C"
}

func half(x float64) string {
	x = math.Round(x*2) / 2
	if x == 0 {
		x = 0 // no minus zero
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", x), ".0")
}

type words map[string]string

// fill puts the words into a sentence. A word that is missing would print its
// braces: a test fills every sentence to see that none is.
func fill(sentence string, w words) string {
	var b strings.Builder
	for {
		pre, rest, ok := strings.Cut(sentence, "{")
		b.WriteString(pre)
		if !ok {
			break
		}
		key, post, ok := strings.Cut(rest, "}")
		if v, has := w[key]; ok && has {
			b.WriteString(v)
		} else {
			b.WriteString("{" + key + "}")
		}
		sentence = post
		if !ok {
			break
		}
	}
	s := b.String()
	if r := []rune(s); len(r) > 0 {
		s = strings.ToUpper(string(r[0])) + string(r[1:])
	}
	return s
}
