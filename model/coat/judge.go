// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"slices"
	"time"

	"curewright/model/air"
	"curewright/model/cure"
	"curewright/model/words"
)

// Case is everything that one estimate is made from.
type Case struct {
	Now   time.Time
	Loc   *time.Location   // the shop's clock; nil means the coat's own offset
	Words *words.Catalogue // what is said; nil means English
	Coat  Coat
	Panel Panel
	Resin *cure.Resin
	// Track is the coat at Now; it follows the youngest resin on the panel,
	// off which opening is read. Oldest follows the first cup, off which
	// closing is read; nil where the two are the same.
	Track, Oldest *Track
	Belief        Belief
	Outlook       *Outlook // in the panel's temperature, from Now on; nil for none
	PanelFrom     string   // "probe", "air" or "none"
	// GapFor is how long the panel's temperature has been without a reading
	// at Now; 0 while it is read.
	GapFor time.Duration
	// Asleep is the coming stretch of sleep; nil when none are set.
	Asleep *Span
	Feels  []Feel // on this coat, up to Now
	// OffRatio says that one of its cups is off the mix ratio by more than the
	// tolerance: then only the finger speaks.
	OffRatio bool
	// Over is the coat that lies on this one by now; nil for none. Below is the
	// estimate of the one that this one lies on.
	Over  *Coat
	Below *Estimate
}

const (
	jLow, jHigh     = 0.3, 1.0
	stallDays       = 7
	outgasK         = 2.0
	longGap         = time.Hour // without a reading this long, nothing is claimed
	soonWithin      = time.Hour
	worthTaking     = 10 * time.Minute // a permission shorter than this is none
	gapTooWide      = 0.5              // doubt of ln κ from gaps beyond which nothing is claimed
	ambientTempC    = 20.0
	ambientDays     = 7
	ambientDoneRate = 1e-7
)

// NotYet is the estimate of a coat whose panel has no reading yet.
func NotYet(c *Case) Estimate {
	e := begin(c)
	e.State = Unknown
	e.UnknownWhy = []string{NoReading}
	e.PanelFrom = "none"
	e.DegradedMinutes = max(0, c.Now.Sub(c.Coat.Applied).Minutes())
	e.Blush = Blush{Band: "unknown"}
	e.AdviceCode, e.Flag = AdviseNotKnown, "not known"
	e.Facts.Felt = lastFeel(c.Feels, c.Now)
	e.phrase(c)
	if k := WindowKind(c.Coat); k != "" {
		e.NextWindow = &Window{Kind: k, Status: "unknown"}
	}
	e.Strip.Gaps = []Span{{c.Coat.Applied, c.Now}}
	return e
}

// lastFeel is the latest finger test up to now; nil when there is none.
func lastFeel(feels []Feel, now time.Time) *Feel {
	var last *Feel
	for i := range feels {
		if f := &feels[i]; !f.At.After(now) && (last == nil || !f.At.Before(last.At)) {
			last = f
		}
	}
	return last
}

func (c *Case) zone() *time.Location {
	if c.Loc != nil {
		return c.Loc
	}
	return c.Coat.Applied.Location()
}

func begin(c *Case) Estimate {
	e := Estimate{ID: c.Coat.ID, Panel: c.Coat.Panel, Resin: c.Coat.Resin, Kind: c.Coat.Kind, AppliedAt: c.Coat.Applied,
		UnknownWhy: []string{}, Notes: []string{}}
	if c.Resin != nil && c.Resin.Generic {
		e.Notes = append(e.Notes, c.text("note.generic", nil))
	}
	e.Strip = Strip{Segments: []Segment{}, Gaps: []Span{}, Drops: []Span{}, Feels: append([]Feel{}, c.Feels...)}
	return e
}

// WindowKind is what comes after a coat: what the person said, else what its
// kind is for; "" when nothing does.
func WindowKind(c Coat) string {
	switch c.Next {
	case "cloth":
		return WindowCloth
	case "wet":
		return WindowWet
	case "coat":
		return WindowCoat
	case "fill":
		return WindowFill
	case "none":
		return ""
	}
	switch c.Kind {
	case TackCoat:
		for _, cl := range c.Cloth {
			if cl.Laid != nil {
				return WindowCoat // the cloth is in: what fills it comes next
			}
		}
		return WindowCloth
	case WetOut:
		return WindowFill
	case FillCoat, Seal:
		return WindowCoat
	}
	return ""
}

// edges are the marks a window opens and closes by; -1 is application. What
// opens goes by the lesser reading of the time outside the resin's range, what
// closes by the law.
func edges(kind string) (opens, closes cure.Mark) {
	switch kind {
	case WindowCloth:
		return cure.Tacky, lawGreen
	case WindowWet:
		return -1, lawTacky
	}
	return cure.Opens, nextCloses
}

// Estimate says all there is to say about one coat.
func (ws *Workspace) Estimate(c *Case) Estimate {
	e := begin(c)
	tr, w, r := c.Track, &c.Belief.W, c.Resin
	temp := tr.NowC()
	if c.GapFor == 0 && c.PanelFrom != "none" {
		t := temp
		e.TempC = &t
	}
	e.PanelFrom = c.PanelFrom
	e.DegradedMinutes = math.Round(tr.degraded/6) / 10
	e.Alpha, e.TgC, e.Kappa = ws.bands(tr, w)
	k50 := w.Quantile(0.5)
	alpha50 := at(&tr.alpha, k50)

	// State: by the lesser of the two readings of the time outside the range.
	less, _ := tr.lesser()
	st, p := settle(tr.cumulative(&c.Belief, less), tr, k50, less)
	e.State, e.StateProbability = st, &p

	// Events.
	o := c.Outlook
	if o == nil {
		o = &Outlook{Start: c.Now, StepS: 900, Len: 1, VapourPa: math.NaN()}
	}
	f := ws.spreadOut(tr, &c.Belief, o)
	f.accumulate()
	closing := f
	if c.Oldest != nil {
		if ws.old == nil {
			ws.old = new(Workspace)
		}
		closing = ws.old.spreadOut(c.Oldest, &c.Belief, o)
		closing.accumulate()
	}
	e.Events = Events{Tacky: f.band(cure.Tacky), RecoatOpens: f.band(cure.Opens), Green: f.band(cure.Green), Firm: f.band(cure.Firm),
		RecoatCloses: closing.band(cure.Closes), Hard: f.band(cure.Hard), Handle: f.band(cure.Handle)}

	if ws.Spread != nil {
		e.Spread = &Spread{f.spread(cure.Green, ws.Spread), closing.spread(cure.Closes, ws.Spread)}
	}
	e.Blush = blush(tr, k50)
	if c.OffRatio {
		e.laidOn(c)
		e.offRatio(c)
		e.decide(c, f)
		e.phrase(c)
		e.strip(c, tr)
		return e
	}
	e.unknown(c)
	e.Stall, e.TNeedC = stall(c, alpha50, math.Exp(k50), temp)
	if c.Panel.Core == "wood" || c.Panel.Core == "foam" || c.Panel.Core == "honeycomb" {
		e.Outgassing = at(&tr.rise, k50) > outgasK
	}
	for _, n := range c.Belief.Notes {
		e.Notes = append(e.Notes, n.text(c))
	}
	// It softened, while it is as warm as it has been since.
	if !math.IsNaN(tr.softened) && (e.State == Green || e.State == Firm) && temp >= tr.softenedC-softenedK {
		at := tr.moment(tr.softened)
		e.Facts.SoftenedAt = &at
	}
	e.Facts.AmbientDone = ambientDone(tr, r, &e, alpha50, math.Exp(k50))
	e.covered(c, f, closing)
	e.window(c, f, closing, alpha50)
	e.decide(c, f)
	e.phrase(c)
	e.overnight(c, f, closing)
	e.strip(c, tr)
	return e
}

// softenedK is how far a panel may have cooled since its coat softened for that
// to be still said.
const softenedK = 0.5

// bands are p10–p50–p90 of degree of cure, Tg and rate factor: all three grow
// together, so their quantiles are the rate factor's.
func (ws *Workspace) bands(tr *Track, w *Weights) (alpha, tg, kappa *Band) {
	q := [3]float64{w.Quantile(0.1), w.Quantile(0.5), w.Quantile(0.9)}
	var a, t, k [3]float64
	for i, x := range q {
		a[i] = min(max(at(&tr.alpha, x), 0), 1)
		t[i] = tr.r.Tg(a[i])
		k[i] = math.Exp(x)
	}
	return &Band{a[0], a[1], a[2]}, &Band{t[0], t[1], t[2]}, &Band{k[0], k[1], k[2]}
}

// stall predicts whether the coat stops short of its target at the present
// temperature; need is the temperature at which a week would have reached it.
func stall(c *Case, alpha, kappa, temp float64) (bool, *float64) {
	r := c.Resin
	if r.Tg(alpha) < temp || math.IsNaN(temp) {
		return false, nil
	}
	target := r.AlphaTarget()
	left := c.Track.mixed.Add(stallDays * 24 * time.Hour).Sub(c.Now).Seconds()
	if alpha >= target || r.SteadyAlpha(alpha, temp, kappa, max(left, 0)) >= target {
		return false, nil
	}
	need := warmest(temp, 60, 12, func(c float64) bool { return r.SteadyAlpha(0, c, kappa, stallDays*dayS) >= target })
	return true, &need
}

// warmest is the least temperature between two, °C, at which something is
// reached, by so many halvings; the higher one where it is not.
func warmest(lo, hi float64, n int, reached func(c float64) bool) float64 {
	for range n {
		if m := (lo + hi) / 2; reached(m) {
			hi = m
		} else {
			lo = m
		}
	}
	return hi
}

// ambientDone reports the end of cure at shop temperature.
func ambientDone(tr *Track, r *cure.Resin, e *Estimate, alpha, kappa float64) bool {
	if e.State != Hard || e.Stall {
		return false
	}
	now := tr.NowC()
	return tr.warm7 >= ambientDays*dayS || now >= ambientTempC && r.Rate(alpha, now, kappa) < ambientDoneRate
}

// overnight fills what the hours asleep may bring, and the latest useful thing
// to do about it.
func (e *Estimate) overnight(c *Case, f, closing *fan) {
	if c.Asleep == nil || c.Outlook == nil || c.Outlook.Paths == 0 || e.State == Hard && !e.Stall || e.Covered != nil {
		return
	}
	n := &Overnight{From: c.Asleep.From, To: c.Asleep.To}
	from, to := n.From.Sub(f.tr.mixed).Seconds(), n.To.Sub(f.tr.mixed).Seconds()
	win := e.NextWindow
	if win != nil && win.Status != "closed" && !c.Belief.Asked {
		_, mark := edges(win.Kind)
		shift := closing.tr.mixed.Sub(f.tr.mixed).Seconds()
		n.WindowCloses = min(max(closing.by(mark, to-shift)-closing.by(mark, from-shift), 0), 1)
	}
	var need float64
	n.Stalls, need = stallChance(c, n, e)
	n.Dew = dewChance(c, n)
	by := words.Facts{"by": c.at(n.From, earlier), "until": c.at(n.To, nearest), "hold": words.Temp(math.Ceil(need))}
	switch {
	case n.WindowCloses >= worthSaying && win != nil:
		n.Say = e.sayClosing(c, n, f.tr)
	case n.Dew >= worthSaying:
		by["chance"] = c.chance(n.Dew)
		if n.From.After(c.Now.Add(time.Minute)) {
			n.Say = c.say("night.dew_by", by)
		} else {
			n.Say = c.say("night.dew", by)
		}
	case n.Stalls >= worthSaying:
		by["chance"] = c.chance(n.Stalls)
		n.Say = c.say("night.stalls", by)
	default:
		n.Say = c.say("night.nothing", by)
	}
	e.Overnight = n
}

// worthSaying is the chance from which a trouble of the night is spoken of.
const worthSaying = 0.2

// sayClosing names what can be done about a window that closes in the night:
// coat before, hold a temperature, or plan to abrade.
func (e *Estimate) sayClosing(c *Case, n *Overnight, tr *Track) Sentence {
	win := e.NextWindow
	facts, code := words.Facts{"until": c.at(n.To, nearest)}, "abrade"
	latest := n.From
	if win.Closes != nil && win.Closes.After(c.Now) && win.Closes.Before(latest) {
		latest = *win.Closes
	}
	if t, ok := holdFor(c, n, tr, win.Kind); ok {
		facts["hold"], code = words.Temp(t), "hold"
	}
	// Before sleep it must be open, or there is nothing to coat.
	if latest.After(c.Now) && win.OpensBand.P50 != nil && win.OpensBand.P50.Before(latest) {
		facts["do"], facts["by"] = words.Code("coat.do."+win.Kind), c.at(latest, earlier)
		if whole, _ := finger(win.Kind, c.Belief.LastUsed); !whole && (win.Opens == nil || win.Opens.After(latest)) {
			// Only the finger can permit it by then.
			facts["do"] = c.say("night.once_ready", words.Facts{"then": words.Code("coat.then." + win.Kind)})
		}
		code = "do_" + code
	}
	return c.say("night.closing", words.Facts{"chance": c.chance(n.WindowCloses)}).Then(c.say("night."+code, facts))
}

// holdFor looks for a steady temperature, within the resin's range and near
// the present one, that moves the window out of the night: cooler, so that
// even a fast batch is still open in the morning, or warmer, so that even a
// slow one opens half an hour before sleep.
func holdFor(c *Case, n *Overnight, tr *Track, kind string) (float64, bool) {
	r := c.Resin
	opens, closes := edges(kind)
	alphaAt := func(m cure.Mark, tC float64) float64 {
		switch m {
		case lawTacky:
			m = cure.Tacky
		case lawGreen:
			m = cure.Green
		case nextCloses:
			m = cure.Firm
		}
		return r.Level(m, tC, cure.Film{})
	}
	quick, slow := c.Belief.W.Quantile(0.9), c.Belief.W.Quantile(0.1)
	low, high := math.Ceil(r.MinC)+1, min(math.Floor(r.MaxC), 30)
	for t := math.Floor(tr.NowC()); t >= low; t-- {
		if s := r.SteadyTime(at(&tr.alpha, quick), alphaAt(closes, t), t, math.Exp(quick)); s >= n.To.Sub(c.Now).Seconds() {
			return t, true
		}
	}
	if opens < 0 {
		return 0, false
	}
	for t := math.Ceil(tr.NowC()); t <= high; t++ {
		if s := r.SteadyTime(at(&tr.alpha, slow), alphaAt(opens, t), t, math.Exp(slow)); s <= n.From.Sub(c.Now).Seconds()-1800 {
			return t, true
		}
	}
	return 0, false
}

// stallChance is the share of paths on which the night is colder than the
// coat needs to reach its target within its week, having turned to glass; need
// is that temperature.
func stallChance(c *Case, n *Overnight, e *Estimate) (p, need float64) {
	r, o, tr := c.Resin, c.Outlook, c.Track
	k50 := c.Belief.W.Quantile(0.5)
	kappa, alpha := math.Exp(k50), at(&tr.alpha, k50)
	target := r.AlphaTarget()
	if alpha >= target {
		return 0, 0
	}
	left := tr.mixed.Add(stallDays * 24 * time.Hour).Sub(c.Now).Seconds()
	if left <= 0 {
		return 0, 0
	}
	hi := warmest(0, 40, 10, func(c float64) bool { return r.SteadyAlpha(alpha, c, kappa, left) >= target })
	// By the end of the night it is at least as far as now; a coat too soft
	// to be glass by then cannot have stalled.
	night := n.To.Sub(c.Now).Seconds()
	var known [16]float64 // Tg in the morning after a night at about 4k−18 °C
	tgAt := func(tC float64) float64 {
		i := min(max(int((tC+20)/4), 0), len(known)-1)
		if known[i] == 0 {
			known[i] = r.Tg(r.SteadyAlpha(alpha, float64(4*i-18), kappa, night))
		}
		return known[i]
	}
	hit := 0
	for k := range o.Paths {
		sum, count, last := 0.0, 0.0, 0.0
		for i, t := range o.path(k) {
			at := o.Start.Add(time.Duration(float64(i) * o.StepS * float64(time.Second)))
			if at.Before(n.From) || at.After(n.To) {
				continue
			}
			sum, count, last = sum+float64(t), count+1, float64(t)
		}
		if count == 0 {
			continue
		}
		mean := sum / count
		if mean < hi && tgAt(mean) >= last {
			hit++
		}
	}
	return float64(hit) / float64(o.Paths), hi
}

func (c *Case) chance(p float64) string {
	return c.text("chance", words.Facts{"n": max(1, min(10, math.Round(10*p)))})
}

// dewChance is the share of paths on which the panel meets the present dew
// point while asleep.
func dewChance(c *Case, n *Overnight) float64 {
	o := c.Outlook
	td, ok := air.DewPoint(o.VapourPa)
	if !ok || o.Paths == 0 {
		return 0
	}
	hit := 0
	for p := range o.Paths {
		path := o.path(p)
		for k, t := range path {
			at := o.Start.Add(time.Duration(float64(k) * o.StepS * float64(time.Second)))
			if at.Before(n.From) || at.After(n.To) {
				continue
			}
			if float64(t) <= td {
				hit++
				break
			}
		}
	}
	return float64(hit) / float64(o.Paths)
}

// strip is the coat's life at the median.
func (e *Estimate) strip(c *Case, tr *Track) {
	s := &e.Strip
	s.Gaps, s.Drops = append([]Span{}, tr.gaps...), append([]Span{}, tr.drops...)
	horizon := c.Now
	if o := c.Outlook; o != nil {
		horizon = o.Start.Add(time.Duration(float64(o.Len-1) * o.StepS * float64(time.Second)))
	}
	if c.OffRatio {
		e.feltStrip(c, horizon)
		return
	}
	zone := c.zone()
	split := c.Now.In(zone)
	// What the sentence does not claim, the strip doesn't either: a mark that
	// is crossed as cold glass or outside the range is no firm and no hard coat.
	unclaimed := slices.Contains(e.UnknownWhy, ColdGlass) || slices.Contains(e.UnknownWhy, BelowMinimum) || slices.Contains(e.UnknownWhy, OutsideRange)
	put := func(state State, from, to time.Time, future bool) {
		if !future {
			s.Segments = tr.claimed(s.Segments, Segment{state, from, to, false}, c.Belief.W.Quantile(0.5))
			return
		}
		if unclaimed {
			state = Unknown
			if n := len(s.Segments) - 1; n >= 0 && s.Segments[n].State == Unknown && s.Segments[n].Future {
				s.Segments[n].To = to
				return
			}
		}
		s.Segments = append(s.Segments, Segment{state, from, to, future})
	}
	from, state := c.Coat.Applied.In(zone), Wet
	add := func(to time.Time, next State) {
		if to.Before(from) {
			to = from
		}
		if from.Before(split) && to.After(split) {
			put(state, from, split, false)
			put(state, split, to, true)
		} else if to.After(from) {
			put(state, from, to, !from.Before(split))
		}
		from, state = to, next
	}
	for _, x := range []struct {
		t    *time.Time
		next State
	}{{e.Events.Tacky.P50, Tacky}, {e.Events.Green.P50, Green}, {e.Events.Firm.P50, Firm}, {e.Events.Hard.P50, Hard}} {
		if x.t == nil || x.t.After(horizon) {
			break
		}
		add(*x.t, x.next)
	}
	add(horizon.In(zone), state)
}
