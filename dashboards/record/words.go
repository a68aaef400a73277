// SPDX-License-Identifier: Apache-2.0

package record

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/words"
)

// reader turns codes and numbers into what stands on the page, in the reader's
// language, clock and unit.
type reader struct {
	words.View
	loc *time.Location // never nil
}

func readerOf(v words.View) reader { return reader{v, cmp.Or(v.Loc, time.UTC)} }

// t is a sentence of the record.
func (w reader) t(code string, facts words.Facts) string { return w.Say("record."+code, facts) }

// kind is a coat's kind.
func (w reader) kind(k string) string { return w.Known("kind."+k, k) }

// none is what the page shows for what is not known: never a number.
func (w reader) none() string { return w.t("none", nil) }

func (w reader) day(t time.Time) string { return w.date(t) + t.In(w.loc).Format(" 2006") }

// date is "Sat 10 Oct".
func (w reader) date(t time.Time) string {
	t = t.In(w.loc)
	return w.Words.DateName("day", t) + t.Format(" 2 ") + w.Words.DateName("month", t)
}

// at is a clock time with its day, to the minute.
func (w reader) at(t time.Time) string { return w.date(t) + " " + w.hour(t) }

func (w reader) hour(t time.Time) string { return t.In(w.loc).Format("15:04") }

// about is an estimated time, to five minutes.
func (w reader) about(t time.Time) time.Time {
	return t.Round(5 * time.Minute).In(w.loc)
}

// band is "Sat 10 Oct 11:05 (10:40 to 11:35)"; days are named where they
// differ.
func (w reader) band(b coat.TimeBand) string {
	if b.P50 == nil {
		if b.P10 != nil {
			return w.t("not_before", words.Facts{"at": w.at(w.about(*b.P10))})
		}
		return w.t("not_reached", nil)
	}
	mid := w.about(*b.P50)
	s := w.at(mid)
	short := func(t time.Time) string {
		t = w.about(t)
		if t.YearDay() == mid.YearDay() && t.Year() == mid.Year() {
			return t.Format("15:04")
		}
		return w.Words.DateName("day", t) + t.Format(" 15:04")
	}
	switch {
	case b.P10 != nil && b.P90 != nil:
		lo, hi := short(*b.P10), short(*b.P90)
		if lo != hi {
			s += " (" + w.span(lo, hi) + ")"
		}
	case b.P10 != nil:
		s += w.t("from_perhaps_never", words.Facts{"at": short(*b.P10)})
	}
	return s
}

// temp is a temperature, to half a degree.
func (w reader) temp(c *float64) string {
	if c == nil || math.IsNaN(*c) {
		return w.none()
	}
	return minus(w.Temp(*c))
}

// diff is a difference; in kelvin where temperatures are in °C.
func (w reader) diff(k *float64) string {
	switch {
	case k == nil || math.IsNaN(*k):
		return w.none()
	case w.Words.Fahrenheit():
		return minus(w.Diff(*k))
	}
	return minus(words.Half(*k)) + " K"
}

// minus is a number with the sign that print has for it.
func minus(s string) string { return strings.Replace(s, "-", "−", 1) }

// temps is "8 to 17 °C, mean 12.5".
func (w reader) temps(c Conditions) string {
	if c.MinC == nil || c.MaxC == nil {
		return w.none()
	}
	s := w.temp(c.MinC)
	if hi := w.temp(c.MaxC); hi != s {
		s = w.tempSpan(*c.MinC, *c.MaxC)
	}
	if c.MeanC != nil {
		s += w.t("mean", words.Facts{"temp": w.temp(c.MeanC)})
	}
	return s
}

func (w reader) alpha(b *coat.Band) string {
	if b == nil {
		return w.none()
	}
	return fmt.Sprintf("%.0f %% (%s)", 100*b.P50, w.span(fmt.Sprintf("%.0f", 100*b.P10), fmt.Sprintf("%.0f", 100*b.P90)))
}

func (w reader) tg(b *coat.Band) string {
	if b == nil {
		return w.none()
	}
	return w.temp(&b.P50) + " (" + w.tempSpan(b.P10, b.P90) + ")"
}

// rate says how fast a batch was against its sheet.
func (w reader) rate(b *coat.Band) string {
	if b == nil {
		return w.none()
	}
	return w.t("rate", words.Facts{"mid": fmt.Sprintf("%.2f", b.P50), "span": w.span(fmt.Sprintf("%.2f", b.P10), fmt.Sprintf("%.2f", b.P90))})
}

// span is "8 to 17".
func (w reader) span(lo, hi string) string { return w.t("to", words.Facts{"from": lo, "to": hi}) }

// tempSpan is "8 to 17 °C".
func (w reader) tempSpan(lo, hi float64) string {
	return w.span(minus(w.Degrees(lo)), w.temp(&hi))
}

// minutes is "3 h 20 min", to five minutes beyond an hour.
func (w reader) minutes(m *float64) string {
	switch {
	case m == nil:
		return w.none()
	case *m < 1:
		return w.t("no", nil)
	}
	return w.Span(time.Duration(*m * float64(time.Minute)))
}

// state is the estimated state in words, with its probability.
func (w reader) state(e *coat.Estimate) string {
	if e == nil {
		return w.t("state_none", nil)
	}
	if e.State == coat.Unknown || e.State == "" {
		var why []string
		for _, y := range e.UnknownWhy {
			why = append(why, w.Known("record.why."+y, y))
		}
		if len(why) == 0 {
			return w.t("state_unknown", nil)
		}
		return w.t("state_unknown_why", words.Facts{"why": strings.Join(why, "; ")})
	}
	s := words.Upper(w.Say("state."+string(e.State), nil))
	if p := e.StateProbability; p != nil {
		// The chance of this state or a later one.
		at, list := 0.0, p.List()
		for i := max(slices.Index(coat.States, e.State), 0); i < len(list); i++ {
			at += list[i]
		}
		s += ", " + w.chance(at)
	}
	if e.Stall {
		s += w.t("stalled", nil)
		if e.TNeedC != nil {
			s += w.t("needs", words.Facts{"temp": w.temp(e.TNeedC)})
		}
	}
	return s + "."
}

func (w reader) chance(p float64) string {
	switch {
	case p >= .995:
		return w.t("chance_over", words.Facts{"n": 99, "of": 100})
	case p >= .9:
		return w.t("chance", words.Facts{"n": fmt.Sprintf("%.0f", 100*p), "of": 100})
	}
	return w.t("chance", words.Facts{"n": math.Round(10 * p), "of": 10})
}

func (w reader) fell(r *Recoat) string {
	if r.Verdict == FellUnknown {
		return w.t("fell.unknown", nil)
	}
	code := map[string]string{FellInside: "fell.inside", FellBefore: "fell.before", FellAfter: "fell.after"}[r.Verdict]
	if !r.Sure {
		code += "_doubt"
	}
	s := w.t(code, nil)
	if r.Covered != "" {
		s += w.t("fell.covered", words.Facts{"state": w.Say("state."+string(r.Covered), nil), "span": w.minutes(&r.Minutes)})
	}
	if code := "record.fell.do_" + r.Do; words.English.Has(code) {
		s += w.Say(code, nil)
	}
	if r.Blush == "elevated" || r.Blush == "high" {
		s += w.t("fell.blush_"+r.Blush, nil)
	}
	return s
}

// window is the span that the recoat was judged by.
func (w reader) window(r *Recoat) string {
	if r.Verdict == FellUnknown {
		return w.none()
	}
	return w.t("until", words.Facts{"from": w.band(r.Opens), "to": w.band(r.Closes)})
}
