// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"slices"
	"time"

	"curewright/model/words"
)

// Sentence is a sentence with places for times and temperatures.
type Sentence = words.Sentence

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

// at is a time as a sentence gives it: rounded, on the shop's clock.
func (c *Case) at(t time.Time, d direction) time.Time { return clock(t, c.Now, d).In(c.zone()) }

// say is a sentence of the catalogue's table [coat].
func (c *Case) say(code string, facts words.Facts) Sentence {
	return c.Words.Sentence("coat."+code, facts)
}

// text is the same as a text, for notes.
func (c *Case) text(code string, facts words.Facts) string {
	return c.say(code, facts).Text(c.Now, words.View{Words: c.Words, Loc: c.zone()})
}

// stateWord is a state in words, and fingerWord what a finger finds then.
func stateWord(s State) words.Code  { return words.Code("state." + string(s)) }
func fingerWord(s State) words.Code { return words.Code("finger." + string(s)) }

// duration is so many minutes as a sentence gives them.
func (c *Case) duration(minutes float64) string {
	v := words.View{Words: c.Words}
	switch {
	case minutes < 90:
		return v.Say("span.min", words.Facts{"min": math.Round(math.Max(minutes, 1))})
	case minutes < 36*60:
		return v.Say("span.h", words.Facts{"h": words.Half(minutes / 60)})
	}
	return v.Say("span.days", words.Facts{"days": words.Half(minutes / 1440)})
}

// phrase makes the words: one order, and under it why, the odds, and what was.
// Which sentence is chosen here; the sentences are in the catalogue, [coat].
func (e *Estimate) phrase(c *Case) {
	e.Say = e.order(c)
	e.Advice = e.Say.Text(c.Now, words.View{Words: c.Words, Loc: c.zone()})
	e.Because = e.why(c).Then(e.odds(c)).Then(e.before(c))
	if t := e.Facts.SoftenedAt; t != nil {
		e.Notes = append(e.Notes, c.text("note.softened", words.Facts{"at": c.at(*t, nearest)}))
	}
	if e.Facts.AmbientDone {
		e.Notes = append(e.Notes, c.text("note.ambient_done", nil))
	}
}

// windowKind is the kind of the window that comes next.
func (e *Estimate) windowKind() string {
	if e.NextWindow == nil {
		return WindowCoat
	}
	return e.NextWindow.Kind
}

// order is the head sentence: one order, at most fourteen words.
func (e *Estimate) order(c *Case) Sentence {
	fa, kind := &e.Facts, e.windowKind()
	facts := words.Facts{"do": words.Code("coat.do." + kind), "then": words.Code("coat.then." + kind)}
	fact := func(name string, t *time.Time, d direction) {
		if t != nil {
			facts[name] = c.at(*t, d)
		}
	}
	fact("from", fa.From, later)
	fact("until", fa.Until, earlier)
	fact("feel", fa.FeelAt, nearest)
	if fa.WarmToC != nil {
		facts["warm"] = words.Temp(*fa.WarmToC)
	}
	say := func(code string) Sentence { return c.say("order."+code, facts) }
	switch e.AdviceCode {
	case AdviseNotKnown:
		switch {
		case len(e.UnknownWhy) == 1 && e.UnknownWhy[0] == NoReading && fa.Felt != nil:
			return say("not_known_finger")
		case len(e.UnknownWhy) == 1 && e.UnknownWhy[0] == NoReading:
			return say("not_known_probe")
		case fa.WarmToC != nil:
			return say("not_known_warm")
		case e.UnknownWhy[0] == OutsideRange:
			return say("not_known_cool")
		}
		return say("not_known")
	case AdviseFeelAgain:
		if fa.FeelAt != nil && fa.FeelAt.After(c.Now) {
			return say("feel_again_at")
		}
		return say("feel_again")
	case AdviseRecoat, AdviseWashRecoat:
		if fa.Until != nil {
			return say(e.AdviceCode + "_until")
		}
		return say(e.AdviceCode)
	case AdviseFeel:
		if fa.FeelAt.After(c.Now) {
			return say("feel_at")
		}
		return say("feel")
	case AdviseWait:
		switch {
		case e.NextWindow == nil, fa.Never, fa.From == nil:
			return say("leave")
		case e.NextWindow.Opens == nil:
			fact("feel", fa.From, nearest)
			return say("feel_at")
		case fa.Until != nil:
			return say("from_to")
		}
		return say("from")
	case AdviseWaitAbrade:
		switch w := fa.Fresh; {
		case w != nil && w.FeelFrom != nil && w.FeelFrom.After(c.Now):
			fact("feel", w.FeelFrom, nearest)
			return say("feel_at")
		case w != nil && w.FeelFrom != nil:
			return say("feel")
		case w != nil && w.Opens.After(c.Now):
			fact("from", w.Opens, later)
			return say("fresh_from")
		case w != nil:
			fact("until", w.Closes, earlier)
			return say("fresh_until")
		case fa.TryHard:
			return say("try_hard")
		case fa.HardFrom != nil:
			fact("hard", fa.HardFrom, later)
			return say("harden_until")
		}
		return say("harden")
	case AdviseStalled:
		if fa.WarmToC != nil {
			return say("stalled_warm")
		}
	}
	return say(e.AdviceCode)
}

// why is what stands in the way, and what comes after the order.
func (e *Estimate) why(c *Case) Sentence {
	y := e.whyOrder(c)
	if e.Stall && e.AdviceCode != AdviseStalled && e.TNeedC != nil {
		y = y.Then(c.say("why.short", words.Facts{"need": words.Temp(min(math.Ceil(*e.TNeedC), c.Resin.MaxC))}))
	}
	if e.Outgassing && e.Covered == nil {
		y = y.Then(c.say("why.bubbles", nil))
	}
	return y
}

// whyOrder is why the order of this advice is given.
func (e *Estimate) whyOrder(c *Case) Sentence {
	fa, kind, win := &e.Facts, e.windowKind(), e.NextWindow
	best := func() Sentence {
		return c.say("why.best", words.Facts{"at": c.at(*win.Best, nearest)})
	}
	switch e.AdviceCode {
	case AdviseTakeOff:
		if t := e.Laid.ClosedAt; t != nil {
			return c.say("why.take_off_at", words.Facts{"at": c.at(*t, nearest)})
		}
		return c.say("why.take_off", nil)
	case AdviseWashAbrade:
		if e.Blush.Condensed {
			return c.say("why.dew", nil)
		}
		return c.say("why.blush", nil)
	case AdviseNotKnown:
		return e.whyUnknown(c)
	case AdviseRecoat, AdviseWashRecoat:
		switch {
		case fa.Until == nil && win.Closes != nil:
			return c.say("why.any_minute", nil).Then(c.say("ended."+kind, nil))
		case win.Best != nil && win.Best.After(c.Now):
			return best()
		}
	case AdviseFeel:
		if fa.WashFirst {
			return c.say("why.wash", nil).Then(c.say("sign."+kind, nil))
		}
		return c.say("sign."+kind, nil)
	case AdviseWait:
		switch {
		case fa.Never:
			return c.say("why.never", nil)
		case win == nil && fa.HardFrom != nil:
			return c.say("why.hard", words.Facts{"from": c.at(*fa.HardFrom, later)})
		case win == nil && fa.HardMaybe != nil:
			return c.say("why.hard_maybe", words.Facts{"at": c.at(*fa.HardMaybe, later)})
		case win != nil && win.Opens == nil:
			return c.say("sign."+kind, nil)
		case win != nil && win.Best != nil && fa.From != nil && win.Best.After(*fa.From):
			return best()
		}
	case AdviseWarm:
		if fa.Shut {
			return c.say("why.shut", nil)
		}
		return c.say("why.cold", nil)
	case AdviseWaitAbrade:
		switch w := fa.Fresh; {
		case w != nil && w.FeelFrom != nil && fa.WashFirst:
			return c.say("why.fresh_feel_wash", nil)
		case w != nil && w.FeelFrom != nil:
			return c.say("why.fresh_feel", nil)
		case w != nil && fa.WashFirst:
			return c.say("why.wash", nil).Then(c.say("why.fresh_past", nil))
		case w != nil:
			return c.say("why.fresh_past", nil)
		case fa.TryHard && fa.HardFrom != nil:
			return c.say("why.gums_until", words.Facts{"from": c.at(*fa.HardFrom, later)})
		case fa.TryHard:
			return c.say("why.gums", nil)
		}
	case AdviseStalled:
		return c.say("why.stalled", nil)
	case AdviseAbradeRecoat:
		switch {
		case fa.LoadFrom == nil:
			return c.say("why.no_load", nil)
		case fa.LoadFrom.After(c.Now):
			return c.say("why.load", words.Facts{"from": c.at(*fa.LoadFrom, later)})
		}
		return c.say("why.unclamp", nil)
	}
	return nil
}

func (e *Estimate) whyUnknown(c *Case) Sentence {
	fa := &e.Facts
	facts := words.Facts{"for": c.duration(fa.OutMinutes)}
	if fa.LimitC != nil {
		facts["limit"] = words.Temp(*fa.LimitC)
	}
	switch why := e.UnknownWhy[0]; why {
	case BelowMinimum:
		y := c.say("unknown."+why, facts)
		if fa.WarmToC == nil {
			y = y.Then(c.say("unknown.warm_now", nil))
		}
		return y
	case Gap:
		if fa.GapMinutes > 0 {
			return c.say("unknown.gap_for", words.Facts{"for": c.duration(fa.GapMinutes)})
		}
		return c.say("unknown.gap", nil)
	default:
		return c.say("unknown."+why, facts)
	}
}

// odds is what it is now, how surely, and by which thermometer.
func (e *Estimate) odds(c *Case) Sentence {
	var y Sentence
	facts := words.Facts{"state": stateWord(e.State), "finger": fingerWord(e.State)}
	switch {
	case e.StateProbability != nil:
		p := e.StateProbability.of(e.State)
		how := "perhaps"
		switch {
		case p >= 0.9:
			how = "very_likely"
		case p >= 0.65:
			how = "most_likely"
		}
		y = c.say("odds."+how, facts)
	case e.State != Unknown:
		facts["state"] = words.Upper(c.Words.Text(string(stateWord(e.State))))
		y = c.say("odds.by_finger", facts)
	case e.Facts.Felt != nil:
		y = c.say("odds.felt", words.Facts{"state": stateWord(e.Facts.Felt.State), "at": c.at(e.Facts.Felt.At, nearest)})
	}
	if e.TempC != nil {
		y = y.Then(c.say("odds.panel", words.Facts{"temp": words.Temp(*e.TempC)}))
	}
	switch c.PanelFrom {
	case "air":
		y = y.Then(c.say("odds.from_air", nil))
	case "none":
		if slices.Contains(e.UnknownWhy, Gap) || slices.Contains(e.UnknownWhy, NoReading) {
			break // said already
		}
		y = y.Then(c.say("odds.no_reading", nil))
	}
	return y
}

// before is what was: when the window closed, the coat over this one, the coat
// under it.
func (e *Estimate) before(c *Case) Sentence {
	var y Sentence
	if t := e.Facts.ClosedAt; t != nil {
		y = c.say("before.closed_at", words.Facts{"at": c.at(*t, nearest)})
	} else if w := e.NextWindow; w != nil && w.Status == "closed" {
		y = c.say("before.closed", nil)
	}
	if v := e.Covered; v != nil {
		code := "before.covered"
		switch {
		case v.State == Unknown:
			code = "before.covered_unknown"
		case v.Fell.Verdict == FellBefore:
			code = "before.covered_early"
		case v.Fell.Verdict == FellAfter:
			code = "before.covered_late"
		}
		y = y.Then(c.say(code, words.Facts{"state": stateWord(v.State), "after": c.duration(v.Minutes)}))
	}
	if l := e.Laid; l != nil && l.Do != "" && e.AdviceCode != AdviseTakeOff {
		code := "before.laid_" + l.Do
		if l.Do == "let_be" && l.Verdict == FellBefore {
			code = "before.laid_early"
		}
		y = y.Then(c.say(code, nil))
	}
	return y
}
