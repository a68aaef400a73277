package coat

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Text renders a sentence in a clock's zone, 24 h and °C. A time that is not
// of the same day as now carries its weekday. A nil zone means the time's own.
func (s Sentence) Text(now time.Time, loc *time.Location) string {
	var b strings.Builder
	for _, p := range s {
		switch {
		case p.Time != nil:
			t := *p.Time
			if loc != nil {
				t = t.In(loc)
			}
			n := now.In(t.Location())
			if t.YearDay() != n.YearDay() || t.Year() != n.Year() {
				b.WriteString(t.Format("Mon 15:04"))
			} else {
				b.WriteString(t.Format("15:04"))
			}
		case p.TempC != nil:
			b.WriteString(half(*p.TempC) + " °C")
		case p.DiffK != nil:
			b.WriteString(half(*p.DiffK) + " K")
		default:
			b.WriteString(p.Text)
		}
	}
	return b.String()
}

// String renders a sentence with times in their own zones.
func (s Sentence) String() string { return s.Text(time.Time{}, nil) }

// half gives a temperature to half a degree, as a shop reads it.
func half(x float64) string {
	v := math.Round(2*x) / 2
	if v == 0 {
		v = 0
	}
	return fmt.Sprintf("%g", v)
}

// Direction of rounding: a permission rounds later, a warning earlier.
type direction int

const (
	nearest direction = iota
	later
	earlier
)

// clock rounds a time as the shop speaks: to the minute within an hour of
// now, to five minutes beyond.
func clock(t, now time.Time, d direction) time.Time {
	unit := time.Minute
	if gap := t.Sub(now); gap > time.Hour || gap < -time.Hour {
		unit = 5 * time.Minute
	}
	down := t.Truncate(unit)
	switch {
	case d == earlier || down.Equal(t):
		return down
	case d == later:
		return down.Add(unit)
	}
	return t.Round(unit)
}

// saying builds a sentence.
type saying struct {
	s   Sentence
	now time.Time
	loc *time.Location
}

func (y *saying) text(format string, a ...any) *saying {
	y.s = append(y.s, Part{Text: fmt.Sprintf(format, a...)})
	return y
}

func (y *saying) bold(t string) *saying {
	y.s = append(y.s, Part{Text: t, Bold: true})
	return y
}

func (y *saying) time(t time.Time, d direction) *saying {
	t = clock(t, y.now, d)
	if y.loc != nil {
		t = t.In(y.loc)
	}
	y.s = append(y.s, Part{Time: &t})
	return y
}

func (y *saying) temp(c float64) *saying {
	c = math.Round(2*c) / 2
	y.s = append(y.s, Part{TempC: &c})
	return y
}

// what a person does in a window, as a sentence begins it.
func doing(kind string) string {
	switch kind {
	case WindowCloth:
		return "Lay the cloth in"
	case WindowWet:
		return "Lay the next cloth in, wet on wet,"
	case WindowFill:
		return "Roll the fill coat on"
	}
	return "Roll the next coat on"
}

// sign is what the finger finds once the window is open.
func sign(kind string) string {
	switch kind {
	case WindowCloth:
		return "lay the cloth in once it sticks but lifts clean"
	case WindowFill:
		return "roll the fill coat on once it stops sticking and the nail still dents it"
	}
	return "roll the next coat on once it sticks without stringing"
}

// ended is what the finger finds once the window is over, and what then.
func ended(kind string) string {
	switch kind {
	case WindowCloth:
		return "if it no longer sticks, stop; a fresh coat must go on first"
	case WindowWet:
		return "if it sticks and lifts clean, stop; a fresh coat must go on first"
	}
	return "if it no longer takes a dent, stop and let it get hard"
}

func inHours(minutes float64) string {
	switch {
	case minutes < 90:
		return fmt.Sprintf("%.0f min", math.Max(minutes, 1))
	case minutes < 36*60:
		return half(minutes/60) + " h"
	}
	return half(minutes/1440) + " days"
}
