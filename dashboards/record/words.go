package record

import (
	"fmt"
	"math"
	"strings"
	"time"

	"curewright/model/coat"
)

// words turns numbers into what stands on the page, in the reader's clock and
// unit.
type words struct {
	loc *time.Location
	us  bool
}

// none is what the page shows for what is not known: never a number.
const none = "not known"

func (w words) day(t time.Time) string { return t.In(w.loc).Format("Mon 2 Jan 2006") }

// at is a clock time with its day, to the minute.
func (w words) at(t time.Time) string { return t.In(w.loc).Format("Mon 2 Jan 15:04") }

func (w words) hour(t time.Time) string { return t.In(w.loc).Format("15:04") }

// about is an estimated time, to five minutes.
func (w words) about(t time.Time) time.Time {
	return t.Round(5 * time.Minute).In(w.loc)
}

// band is "Sat 10 Oct 11:05 (10:40 to 11:35)"; days are named where they
// differ.
func (w words) band(b coat.TimeBand) string {
	if b.P50 == nil {
		if b.P10 != nil {
			return "not before " + w.about(*b.P10).Format("Mon 2 Jan 15:04") + ", perhaps never"
		}
		return "not reached"
	}
	mid := w.about(*b.P50)
	s := mid.Format("Mon 2 Jan 15:04")
	short := func(t time.Time) string {
		t = w.about(t)
		if t.YearDay() == mid.YearDay() && t.Year() == mid.Year() {
			return t.Format("15:04")
		}
		return t.Format("Mon 15:04")
	}
	switch {
	case b.P10 != nil && b.P90 != nil:
		lo, hi := short(*b.P10), short(*b.P90)
		if lo != hi {
			s += " (" + lo + " to " + hi + ")"
		}
	case b.P10 != nil:
		s += " (from " + short(*b.P10) + ", perhaps never)"
	}
	return s
}

// temp is to half a degree.
func (w words) temp(c *float64) string {
	if c == nil || math.IsNaN(*c) {
		return none
	}
	x, unit := *c, "°C"
	if w.us {
		x, unit = x*9/5+32, "°F"
	}
	return trim(math.Round(x*2)/2) + " " + unit
}

func (w words) diff(k *float64) string {
	if k == nil || math.IsNaN(*k) {
		return none
	}
	x, unit := *k, "K"
	if w.us {
		x, unit = x*9/5, "°F"
	}
	return trim(math.Round(x*2)/2) + " " + unit
}

// temps is "8 to 17 °C, mean 12.5".
func (w words) temps(c Conditions) string {
	if c.MinC == nil || c.MaxC == nil {
		return none
	}
	lo, hi := w.temp(c.MinC), w.temp(c.MaxC)
	s := lo
	if lo != hi {
		s = strings.TrimSuffix(strings.TrimSuffix(lo, " °C"), " °F") + " to " + hi
	}
	if c.MeanC != nil {
		s += ", mean " + w.temp(c.MeanC)
	}
	return s
}

func (w words) alpha(b *coat.Band) string {
	if b == nil {
		return none
	}
	return fmt.Sprintf("%.0f %% (%.0f to %.0f)", 100*b.P50, 100*b.P10, 100*b.P90)
}

func (w words) tg(b *coat.Band) string {
	if b == nil {
		return none
	}
	lo, hi := w.temp(&b.P10), w.temp(&b.P90)
	return w.temp(&b.P50) + " (" + strings.TrimSuffix(strings.TrimSuffix(lo, " °C"), " °F") + " to " + hi + ")"
}

// rate says how fast a batch was against its sheet.
func (w words) rate(b *coat.Band) string {
	if b == nil {
		return none
	}
	return fmt.Sprintf("%.2f of the sheet's (%.2f to %.2f)", b.P50, b.P10, b.P90)
}

func trim(x float64) string {
	if x == 0 {
		x = 0 // no minus before a zero
	}
	return strings.Replace(strings.TrimSuffix(fmt.Sprintf("%.1f", x), ".0"), "-", "−", 1)
}

// minutes is "3 h 20 min", to five minutes beyond an hour.
func minutes(m float64) string {
	if m < 1 {
		return "none"
	}
	if m < 60 {
		return fmt.Sprintf("%.0f min", m)
	}
	n := int(math.Round(m/5)) * 5
	if n%60 == 0 {
		return fmt.Sprintf("%d h", n/60)
	}
	return fmt.Sprintf("%d h %d min", n/60, n%60)
}

var whyWords = map[string]string{
	coat.ColdGlass:    "it turned to cold glass before it gelled",
	coat.BelowMinimum: "the panel was under the resin's least temperature",
	coat.OutsideRange: "the panel was outside the range that was fitted",
	coat.NoReading:    "there was no reading of the panel",
	coat.Gap:          "readings are missing",
}

// state is the estimated state in words, with its probability.
func (w words) state(e *coat.Estimate) string {
	if e == nil {
		return "Not known: no estimate was made."
	}
	if e.State == coat.Unknown || e.State == "" {
		var why []string
		for _, y := range e.UnknownWhy {
			if t, ok := whyWords[y]; ok {
				why = append(why, t)
			} else {
				why = append(why, y)
			}
		}
		s := "Not known"
		if len(why) > 0 {
			s += ": " + strings.Join(why, "; ")
		}
		return s + "."
	}
	s := strings.ToUpper(string(e.State[:1])) + string(e.State[1:])
	if p := e.StateProbability; p != nil {
		// The chance of this state or a later one.
		at := map[coat.State]float64{
			coat.Wet: 1, coat.Tacky: p.Tacky + p.Green + p.Firm + p.Hard, coat.Green: p.Green + p.Firm + p.Hard, coat.Firm: p.Firm + p.Hard, coat.Hard: p.Hard,
		}[e.State]
		s += ", " + chance(at)
	}
	if e.Stall {
		s += "; stalled: it will not go further at that temperature"
		if e.TNeedC != nil {
			s += ", it needs " + w.temp(e.TNeedC)
		}
	}
	return s + "."
}

func chance(p float64) string {
	switch {
	case p >= .995:
		return "over 99 in 100"
	case p >= .9:
		return fmt.Sprintf("%.0f in 100", 100*p)
	}
	return fmt.Sprintf("%.0f in 10", math.Round(10*p))
}

func (w words) fell(r *Recoat) string {
	var s string
	switch r.Verdict {
	case FellUnknown:
		return "Not known"
	case FellInside:
		s = "Inside the window"
		if !r.Sure {
			s += ", within the doubt of its edges"
		}
	case FellBefore:
		s = "Before it opened"
		if !r.Sure {
			s += ", by less than the doubt"
		}
	case FellAfter:
		s = "After it closed"
		if !r.Sure {
			s += ", by less than the doubt"
		}
	}
	if r.Covered != "" {
		s += fmt.Sprintf("; covered while %s, after %s", r.Covered, minutes(r.Minutes))
	}
	switch r.Do {
	case "let_be":
		s += "; was to be let be"
	case "take_off":
		s += "; was to be taken off while wet"
	case "if_abraded":
		s += "; right if the coat below was washed and abraded"
	}
	switch r.Blush {
	case "elevated":
		s += "; blush elevated below it: wash first"
	case "high":
		s += "; blush high below it: wash and abrade first"
	}
	return s
}

// window is the span that the recoat was judged by.
func (w words) window(r *Recoat) string {
	if r.Verdict == FellUnknown {
		return none
	}
	return w.band(r.Opens) + " until " + w.band(r.Closes)
}
