// SPDX-License-Identifier: Apache-2.0

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

// gap parts two sentences.
func (y *saying) gap() *saying {
	if len(y.s) > 0 {
		y.s = append(y.s, Part{Text: " "})
	}
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
		return "Lay the next cloth in, wet on wet"
	case WindowFill:
		return "Roll the fill coat on"
	}
	return "Roll the next coat on"
}

// sign is what the finger finds once the window is open, and what then.
func sign(kind string) string {
	switch kind {
	case WindowCloth:
		return "Lay the cloth in once it sticks but lifts clean."
	case WindowFill:
		return "Roll the fill coat on once it holds the cloth and no longer strings."
	}
	return "Roll the next coat on once it sticks without stringing."
}

// ended is what the finger finds once the window is over, and what then.
func ended(kind string) string {
	switch kind {
	case WindowCloth:
		return "If it no longer sticks, stop: a fresh coat must go on first."
	case WindowWet:
		return "If it sticks and lifts clean, stop: a fresh coat must go on first."
	}
	return "If it no longer takes a dent, stop and let it get hard."
}

// phrase makes the words: one order, and under it why, the odds, and what was.
// All English about one coat stands here.
func (e *Estimate) phrase(c *Case) {
	head := saying{now: c.Now, loc: c.zone()}
	e.order(&head)
	e.Say = head.s
	e.Advice = head.s.Text(c.Now, c.zone())
	y := saying{now: c.Now, loc: c.zone()}
	e.why(c, &y)
	e.odds(c, &y)
	e.before(&y)
	e.Because = y.s
	if e.Facts.SoftenedAt != nil {
		n := saying{now: c.Now, loc: c.zone()}
		n.text("It softened at ").time(*e.Facts.SoftenedAt, nearest).text(": the panel got warmer than it had cured for.")
		e.Notes = append(e.Notes, n.s.Text(c.Now, c.zone()))
	}
	if e.Facts.Full {
		e.Notes = append(e.Notes, "It has had its week in the warm: that is as far as it goes at shop temperature.")
	}
}

// order is the head sentence: one order, at most fourteen words.
func (e *Estimate) order(y *saying) {
	fa, kind := &e.Facts, WindowCoat
	if e.NextWindow != nil {
		kind = e.NextWindow.Kind
	}
	switch e.AdviceCode {
	case AdviseCovered:
		y.bold("Leave it:").text(" the next coat lies on it.")
	case AdviseTakeOff:
		y.bold("Wipe it off").text(" while it is wet, then wash and abrade what lies below.")
	case AdviseWashAbrade:
		y.bold("Let it get hard,").text(" then wash with water, abrade and dry it.")
	case AdviseNotKnown:
		y.bold("Not known:")
		switch {
		case len(e.UnknownWhy) == 1 && e.UnknownWhy[0] == NoReading && fa.Felt != nil:
			y.text(" go by the finger, or put a probe on it.")
		case len(e.UnknownWhy) == 1 && e.UnknownWhy[0] == NoReading:
			y.text(" put a probe on it, or feel it.")
		case fa.WarmToC != nil:
			y.text(" warm it to ").temp(*fa.WarmToC).text(", then feel it.")
		case e.UnknownWhy[0] == OutsideRange:
			y.text(" let it cool, then feel it.")
		default:
			y.text(" feel it.")
		}
	case AdviseFeelAgain:
		y.bold("Feel it again")
		if fa.FeelAt != nil && fa.FeelAt.After(y.now) {
			y.text(" at ").time(*fa.FeelAt, nearest)
		}
		y.text(".")
	case AdviseRecoat, AdviseWashRecoat:
		what := doing(kind)
		if e.AdviceCode == AdviseWashRecoat {
			what = "Wash and dry it, then " + lower(what)
		}
		y.bold(what)
		if fa.Until != nil {
			y.text(" before ").time(*fa.Until, earlier).text(".")
		} else {
			y.text(" now.")
		}
	case AdviseFeel:
		if fa.FeelAt.After(y.now) {
			y.bold("Feel it").text(" at ").time(*fa.FeelAt, nearest).text(".")
		} else {
			y.bold("Feel it now.")
		}
	case AdviseWait:
		switch {
		case e.NextWindow == nil, fa.Never:
			y.bold("Leave it.")
		case fa.From == nil:
			y.bold("Leave it.")
		case e.NextWindow.Opens == nil:
			y.bold("Feel it").text(" at ").time(*fa.From, nearest).text(".")
		case fa.Until != nil:
			y.bold(doing(kind)).text(" from ").time(*fa.From, later).text(" to ").time(*fa.Until, earlier).text(".")
		default:
			y.bold(doing(kind)).text(" from ").time(*fa.From, later).text(".")
		}
	case AdviseWarm:
		y.bold("Warm it").text(" to ").temp(*fa.WarmToC).text(", then feel it.")
	case AdviseWaitAbrade:
		switch w := fa.Fresh; {
		case w != nil && w.FeelFrom != nil && w.FeelFrom.After(y.now):
			y.bold("Feel it").text(" at ").time(*w.FeelFrom, nearest).text(".")
		case w != nil && w.FeelFrom != nil:
			y.bold("Feel it now.")
		case w != nil && w.Opens.After(y.now):
			y.bold("Roll a fresh coat on").text(" from ").time(*w.Opens, later).text(", then lay the cloth in.")
		case w != nil:
			y.bold("Roll a fresh coat on").text(" before ").time(*w.Closes, earlier).text(", then lay the cloth in.")
		case fa.TryHard:
			y.bold("Try sanding it.")
		case fa.HardFrom != nil:
			y.bold("Let it get hard").text(" until ").time(*fa.HardFrom, later).text(", then wash, abrade and coat.")
		default:
			y.bold("Let it get hard,").text(" then wash, abrade and coat.")
		}
	case AdviseStalled:
		if fa.WarmToC != nil {
			y.bold("Warm it").text(" to ").temp(*fa.WarmToC).text(" or more; no load on it.")
		} else {
			y.bold("Put no load on it.")
		}
	case AdviseAbradeRecoat:
		y.bold("Wash, abrade and coat it;").text(" or sand or flip it.")
	}
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// why is what stands in the way, and what comes after the order.
func (e *Estimate) why(c *Case, y *saying) {
	fa, kind := &e.Facts, WindowCoat
	if e.NextWindow != nil {
		kind = e.NextWindow.Kind
	}
	wash := ""
	if fa.WashFirst {
		wash = "Wash it with water and dry it first. "
	}
	switch e.AdviceCode {
	case AdviseTakeOff:
		y.text("The coat below had closed")
		if t := e.Laid.ClosedAt; t != nil {
			y.text(" at ").time(*t, nearest)
		}
		y.text(": the bond would be weak. Once it sticks, let it be.")
	case AdviseWashAbrade:
		if e.Blush.Condensed {
			y.text("Water fell on it while it cured.")
		} else {
			y.text("Expect blush on it.")
		}
	case AdviseNotKnown:
		e.whyUnknown(y)
	case AdviseRecoat, AdviseWashRecoat:
		switch {
		case fa.Until == nil && e.NextWindow.Closes != nil:
			y.text("It may close any minute. %s", ended(kind))
		case e.NextWindow.Best != nil && e.NextWindow.Best.After(y.now):
			y.text("Best once it stops sticking, about ").time(*e.NextWindow.Best, nearest).text(".")
		}
	case AdviseFeel:
		y.text("%s%s", wash, sign(kind))
	case AdviseWait:
		switch {
		case fa.Never:
			y.text("At this temperature it will not get there within three days.")
		case e.NextWindow == nil && fa.HardFrom != nil:
			y.text("Hard enough to sand from ").time(*fa.HardFrom, later).text(".")
		case e.NextWindow == nil && fa.HardMaybe != nil:
			y.text("It may be hard enough to sand around ").time(*fa.HardMaybe, later).text("; feel it first.")
		case e.NextWindow != nil && e.NextWindow.Opens == nil:
			y.text("%s", sign(kind))
		case e.NextWindow != nil && e.NextWindow.Best != nil && fa.From != nil && e.NextWindow.Best.After(*fa.From):
			y.text("Best once it stops sticking, about ").time(*e.NextWindow.Best, nearest).text(".")
		}
	case AdviseWarm:
		if fa.Shut {
			y.text("It is stiff from cold and takes no coat; warmed, it may. Else wash and abrade.")
		} else {
			y.text("It is too cold to take a coat.")
		}
	case AdviseWaitAbrade:
		switch w := fa.Fresh; {
		case w != nil && w.FeelFrom != nil:
			y.text("If it no longer strings and a nail still dents it, %sroll a fresh coat on and lay the cloth into that. Past that, let it get hard, wash, dry and abrade first.", lower2(wash))
		case w != nil:
			y.text("%sPast that, let it get hard, wash, dry and abrade first.", wash)
		case fa.TryHard:
			y.text("If paper makes dust and does not gum, wash, dry, abrade and coat, or flip it. If it gums, leave it")
			if fa.HardFrom != nil {
				y.text(" until ").time(*fa.HardFrom, later)
			}
			y.text(". No load yet.")
		}
	case AdviseStalled:
		y.text("It has stopped curing short of its strength. Abrade it before the next coat.")
	case AdviseAbradeRecoat:
		switch {
		case fa.LoadFrom == nil:
			y.text("Do not load it yet.")
		case fa.LoadFrom.After(y.now):
			y.text("Load it from ").time(*fa.LoadFrom, later).text(".")
		default:
			y.text("The clamps may come off.")
		}
	}
	if e.Stall && e.AdviceCode != AdviseStalled && e.TNeedC != nil {
		y.gap().text("It will stop short unless it gets ").temp(min(math.Ceil(*e.TNeedC), c.Resin.MaxC)).text(" or more.")
	}
	if e.Outgassing && e.Covered == nil {
		y.gap().text("The panel warmed under a fresh coat: look for bubbles.")
	}
}

func lower2(s string) string {
	if s == "" {
		return s
	}
	return "wash it with water and dry it, then "
}

func (e *Estimate) whyUnknown(y *saying) {
	fa := &e.Facts
	switch e.UnknownWhy[0] {
	case NoReading:
		y.text("The panel has no temperature reading.")
	case ColdGlass:
		y.text("It went stiff from cold before it set. It may feel hard and is not.")
	case BelowMinimum:
		y.text("The panel was under ").temp(*fa.LimitC).text(" for %s.", inHours(fa.OutMinutes))
		if fa.WarmToC == nil {
			y.text(" It is warm enough now.")
		}
	case OutsideRange:
		y.text("The panel was over ").temp(*fa.LimitC).text(" for %s.", inHours(fa.OutMinutes))
	case Gap:
		if fa.GapMinutes > 0 {
			y.text("No reading of the panel for %s.", inHours(fa.GapMinutes))
		} else {
			y.text("Too long without a reading of the panel.")
		}
	}
}

// odds is what it is now, how surely, and by which thermometer.
func (e *Estimate) odds(c *Case, y *saying) {
	switch {
	case e.StateProbability != nil:
		p := e.StateProbability.of(e.State)
		how := "Perhaps"
		switch {
		case p >= 0.9:
			how = "Very likely"
		case p >= 0.65:
			how = "Most likely"
		}
		y.gap().text("%s %s: %s.", how, e.State, FingerWords[e.State])
	case e.State != Unknown:
		y.gap().text("%s by the finger: %s.", begin1(string(e.State)), FingerWords[e.State])
	case e.Facts.Felt != nil:
		y.gap().text("Felt %s at ", e.Facts.Felt.State).time(e.Facts.Felt.At, nearest).text(".")
	}
	if e.TempC != nil {
		y.gap().text("Panel ").temp(*e.TempC).text(".")
	}
	switch c.PanelFrom {
	case "air":
		y.gap().text("No probe on the panel: reckoned from the air.")
	case "none":
		if contains(e.UnknownWhy, Gap) || contains(e.UnknownWhy, NoReading) {
			break // said already
		}
		y.gap().text("No reading of the panel now.")
	}
}

func begin1(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// before is what was.
func (e *Estimate) before(y *saying) {
	if t := e.Facts.ClosedAt; t != nil {
		y.gap().text("The window closed at ").time(*t, nearest).text(".")
	} else if w := e.NextWindow; w != nil && w.Status == "closed" {
		y.gap().text("The window has closed.")
	}
	if v := e.Covered; v != nil {
		y.gap().text("Covered while %s, %s after it went on%s.", v.State, inHours(v.Minutes), map[string]string{
			FellBefore: ", before its window", FellAfter: ", after its window"}[v.Fell.Verdict])
	}
	if l := e.Laid; l != nil && e.AdviceCode != AdviseTakeOff {
		switch l.Do {
		case "let_be":
			if l.Verdict == FellBefore {
				y.gap().text("It went on before the coat below could carry it: let it be, and look for sags.")
			} else {
				y.gap().text("It went on late in the window below, or just past it: let it be.")
			}
		case "take_off":
			y.gap().text("It went onto a coat that had closed: let it be, and do not trust the bond; abrade before the next.")
		case "if_abraded":
			y.gap().text("It went onto a hard coat: right if that was washed and abraded.")
		}
	}
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
