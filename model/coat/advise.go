// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"time"

	"curewright/model/cure"
)

// decide picks the advice, the first that holds, and gathers the facts that its
// words are made from.
func (e *Estimate) decide(c *Case, f *fan) {
	win, fa := e.NextWindow, &e.Facts
	status, j := "", 0.0
	if win != nil {
		status = win.Status
	}
	if e.Blush.Index != nil {
		j = *e.Blush.Index
	}
	hard := e.State == Hard
	if t := e.Events.Hard; t.P90 != nil && t.P90.After(c.Now) {
		fa.HardFrom = t.P90
	} else if t.P90 == nil {
		fa.HardMaybe = t.P50
	}
	fa.Felt = lastFeel(c.Feels, c.Now)
	if win != nil && (status == "closed" || fa.Shut) {
		if t := win.ClosesBand.P50; t != nil && !t.After(c.Now) {
			fa.ClosedAt = t
		}
	}
	fa.WashFirst = j >= jLow
	e.Sand = hard && e.surelyHard(c, f)
	set := func(code, flag string) { e.AdviceCode, e.Flag = code, flag }
	switch {
	case e.Covered != nil:
		set(AdviseCovered, "wait")
		if hard {
			e.Flag = "done"
		}
	case e.Laid != nil && e.Laid.Do == "take_off" && e.State == Wet:
		set(AdviseTakeOff, "act now")
	case e.Blush.Condensed || j > jHigh:
		set(AdviseWashAbrade, "trouble")
	case e.State == Unknown:
		set(AdviseNotKnown, "not known")
		e.unknownFacts(c)
	case c.Belief.Asked:
		set(AdviseFeelAgain, "soon")
		if win != nil {
			fa.FeelAt = win.FeelFrom
		}
		if fa.FeelAt == nil || !fa.FeelAt.After(c.Now) {
			e.Flag = "act now"
		}
	case status == "cold" && fa.Shut:
		set(AdviseWarm, "act now")
		// One standard deviation of firm over where it would just reopen.
		t := min(math.Ceil(e.TgC.P50-cure.FirmAboveK+sdFirmK), c.Resin.MaxC)
		fa.WarmToC = &t
	case status == "open" && win.Permits:
		set(AdviseRecoat, "act now")
		if fa.WashFirst {
			e.AdviceCode = AdviseWashRecoat
		}
		if win.Closes != nil && win.Closes.After(c.Now.Add(time.Minute)) {
			fa.Until = win.Closes
		}
	case status == "open", status == "before":
		e.decideBefore(c)
	case status == "cold":
		set(AdviseWarm, "act now")
		t := e.warmTo(c)
		fa.WarmToC = &t
	case win == nil && !hard:
		set(AdviseWait, "wait")
	case !hard:
		set(AdviseWaitAbrade, "wait")
		e.fresh(c)
	case e.Stall:
		set(AdviseStalled, "trouble")
		if e.TNeedC != nil {
			t := min(math.Ceil(*e.TNeedC), c.Resin.MaxC)
			fa.WarmToC = &t
		}
	case !e.Sand:
		set(AdviseWaitAbrade, "wait")
		fa.TryHard = true
	default:
		set(AdviseAbradeRecoat, "done")
		if t := e.Events.Handle.P90; t != nil {
			fa.LoadFrom = t
		}
	}
}

// surelyHard reports whether sanding and flipping are permitted.
func (e *Estimate) surelyHard(c *Case, f *fan) bool {
	if c.OffRatio {
		return true // a finger found it so
	}
	return f.by(cure.Hard, f.start) >= permitP || c.Belief.LastUsed != nil && c.Belief.LastUsed.State == Hard
}

// decideBefore is for a window that may not be used yet, or not without a
// finger.
func (e *Estimate) decideBefore(c *Case) {
	win, fa := e.NextWindow, &e.Facts
	soon := func(t time.Time) {
		switch d := t.Sub(c.Now); {
		case d <= 0:
			e.Flag = "act now"
		case d <= soonWithin:
			e.Flag = "soon"
		}
	}
	e.Flag = "wait"
	switch {
	case win.FeelFrom != nil:
		e.AdviceCode, fa.FeelAt = AdviseFeel, win.FeelFrom
		soon(*win.FeelFrom)
	case win.Opens != nil && !win.Opens.After(c.Now), win.Opens == nil && win.Status == "open":
		// Felt often enough, and still in doubt.
		e.AdviceCode = AdviseFeel
		fa.FeelAt = &c.Now
		e.Flag = "soon"
	case win.Opens == nil:
		e.AdviceCode = AdviseWait
		if win.OpensBand.P50 == nil {
			fa.Never = true
		} else {
			fa.From = win.OpensBand.P50
		}
	default:
		e.AdviceCode = AdviseWait
		fa.From, fa.Until = win.Opens, win.Closes
		soon(*win.Opens)
		if e.Flag == "act now" {
			e.Flag = "soon"
		}
	}
}

// warmTo is the temperature that a cold coat needs before it can be felt, never
// above what the resin's sheet allows.
func (e *Estimate) warmTo(c *Case) float64 {
	t := c.Resin.MinC
	if e.TgC != nil {
		t = max(t, e.TgC.P50+2)
	}
	return min(math.Ceil(t), c.Resin.MaxC)
}

func (e *Estimate) unknownFacts(c *Case) {
	fa, tr := &e.Facts, c.Track
	switch e.UnknownWhy[0] {
	case ColdGlass:
		t := e.warmTo(c)
		fa.WarmToC = &t
	case BelowMinimum:
		low := c.Resin.MinC
		fa.LimitC, fa.OutMinutes = &low, tr.below/60
		// It has gelled: it need not be warmed through its glass transition.
		if e.TempC == nil || *e.TempC < low {
			t := math.Ceil(low)
			fa.WarmToC = &t
		}
	case OutsideRange:
		high := c.Resin.MaxC
		fa.LimitC, fa.OutMinutes = &high, tr.above/60
	case Gap:
		fa.GapMinutes = c.GapFor.Minutes()
	}
}

// fresh names the way out when a coat no longer takes cloth, or a layer laid
// wet on wet, but still bonds to a fresh coat: that window is longer.
func (e *Estimate) fresh(c *Case) {
	if k := e.NextWindow.Kind; k != WindowCloth && k != WindowWet || e.State != Tacky && e.State != Green {
		return
	}
	opens, closes := e.Events.RecoatOpens, e.Events.RecoatCloses
	if opens.P10 == nil || closes.P50 == nil || !closes.P50.After(c.Now) {
		return
	}
	whole, past := finger(WindowCoat, c.Belief.LastUsed)
	if past {
		return
	}
	w := &Window{Kind: WindowCoat, Opens: opens.P90, Closes: closes.P10, OpensBand: opens, ClosesBand: closes}
	if w.Closes == nil || !w.Closes.After(c.Now) || !whole && (w.Opens == nil || w.Opens.Add(worthTaking).After(*w.Closes)) {
		from := *opens.P10
		if from.Before(c.Now) {
			from = c.Now
		}
		w.FeelFrom = &from
		if !from.After(c.Now) {
			e.Flag = "act now"
		}
	} else if whole || !w.Opens.After(c.Now) {
		w.Opens = &c.Now
		e.Flag = "act now"
	} else if w.Opens.Sub(c.Now) <= soonWithin {
		e.Flag = "soon"
	}
	e.Facts.Fresh = w
}
