// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/words"
	"curewright/sensors"
)

// verdict is the result of one rule for one subject in one evaluation. A missing
// value neither raises nor ends an alert: the verdict is then unsure, and the alert
// stays as it was.
type verdict int

const (
	no verdict = iota
	yes
	unsure
	replaced // another alert of the same coat has taken its place: it ends at once
)

type finding struct {
	rule     Rule
	subject  string
	panel    string
	is       verdict
	severity Severity // of this case; "" for the rule's
	say      string
	over     string
	actBy    *time.Time
}

type key struct{ rule, subject string }

// eval collects the findings of one evaluation.
type eval struct {
	in  Input
	cfg Tuning
	speaker
	active func(rule, subject string) bool
	out    map[key]*finding
}

func (e *eval) add(name, subject, panel string, is verdict, variant string, actBy *time.Time, w words.Facts) *finding {
	return e.addRule(rule(name, ""), subject, panel, is, variant, actBy, w)
}

func (e *eval) addRule(r Rule, subject, panel string, is verdict, variant string, actBy *time.Time, w words.Facts) *finding {
	if w == nil {
		w = words.Facts{}
	}
	say := "say"
	if variant != "" {
		say = "case." + variant
	}
	f := &finding{rule: r, subject: subject, panel: panel, is: is, actBy: actBy}
	if is == yes || e.active(r.Name, subject) { // most rules do not hold most of the time: no sentence is made for them
		f.say, f.over = words.Upper(e.Say(r.code(say), w)), words.Upper(e.Say(r.code("over"), w))
	}
	e.out[key{r.Name, subject}] = f
	return f
}

// overLimit is a comparison with hysteresis: x must pass on to begin and
// fall back past off to end.
func (e *eval) overLimit(name, subject string, x *float64, on, off float64, below bool) verdict {
	if x == nil || math.IsNaN(*x) {
		return unsure
	}
	limit := on
	if e.active(name, subject) {
		limit = off
	}
	if (below && *x < limit) || (!below && *x > limit) {
		return yes
	}
	return no
}

// evaluate judges every rule for every cup, coat, panel, probe and condition.
func evaluate(in Input, cfg Tuning, view View, active func(rule, subject string) bool) map[key]*finding {
	e := &eval{in: in, cfg: cfg, active: active, out: map[key]*finding{},
		speaker: speaker{View: view, now: in.Now, trusted: in.ClockTrusted}}
	for i := range in.Cups {
		e.cup(in.Cups[i])
	}
	newest := map[string]string{} // panel to its last coat: only that has a window
	var at = map[string]time.Time{}
	for _, c := range in.Estimates {
		if t, ok := at[c.Panel]; !ok || !c.AppliedAt.Before(t) {
			at[c.Panel], newest[c.Panel] = c.AppliedAt, c.ID
		}
	}
	curing := map[string]bool{} // panels with a coat that is not hard yet
	for i := range in.Estimates {
		c := &in.Estimates[i]
		if c.State != coat.Hard {
			curing[c.Panel] = true
		}
		e.coat(c, newest[c.Panel] == c.ID)
	}
	for _, s := range in.Surfaces {
		if curing[s.Panel] {
			e.surface(s)
		}
	}
	inUse := map[string]bool{}
	for _, p := range in.Work.Panels {
		if curing[p.ID] {
			inUse[p.Probe], inUse[p.Air] = true, true
		}
	}
	for _, h := range in.Probes {
		e.probe(h, inUse[h.Probe] || curing[h.Panel])
	}
	for _, c := range in.Conditions {
		e.condition(c)
	}
	return e.out
}

// cupUp is how long the alert lasts after the end of the working time of a cup that
// does not become dangerous (our choice).
const cupUp = 30 * time.Minute

// cupForget is how long a cup that is a danger stays an alert: by then it is cold.
const cupForget = 12 * time.Hour

func (e *eval) cup(c Cup) {
	left := c.EndsAt.Sub(e.now)
	total := c.EndsAt.Sub(c.Mixed)
	lead := time.Duration(e.cfg.CupLead)
	if c.Class == "runaway" {
		lead = lead * 3 / 2
	}
	lead = min(lead, total/2) // a cup with ten minutes of working time must not be "about to end" at once
	what := ""
	if c.Resin != "" {
		what = e.part("cup_of", words.Facts{"resin": c.Resin})
	}
	if c.Grams != nil {
		what += e.part("cup_grams", words.Facts{"grams": math.Round(*c.Grams)})
	}
	w := words.Facts{"left": words.Span(left), "cup": what}
	ends := c.EndsAt
	// No alert for a cup that went onto a panel, nor for one entered after its
	// working time. A forgotten cup has cooled down after cupForget.
	live := !c.OnPanel && !c.Late
	variant := ""
	if left <= 0 {
		variant = "over"
	}
	danger := c.DangerFrom != nil && !e.now.Before(*c.DangerFrom) && e.now.Sub(*c.DangerFrom) < cupForget
	e.add(CupSoon, c.Batch, "", is(live && !danger && left <= lead && -left < cupUp), variant, &ends, w)
	e.add(CupOver, c.Batch, "", is(live && danger), "", nil, w)
}

func is(b bool) verdict {
	if b {
		return yes
	}
	return no
}

// find returns the coat's record and its panel's name.
func (e *eval) find(c *coat.Estimate) (rec coat.Coat, panel string) {
	for _, x := range e.in.Work.Coats {
		if x.ID == c.ID {
			rec = x
		}
	}
	return rec, e.panelName(c.Panel)
}

func (e *eval) panelName(id string) string {
	for _, p := range e.in.Work.Panels {
		if p.ID == id && p.Name != "" {
			return p.Name
		}
	}
	return id
}

// felt returns the last finger test of a coat.
func (e *eval) felt(id string) (coat.Feel, bool) {
	var last coat.Feel
	ok := false
	for _, f := range e.in.Work.Feels {
		if f.Coat == id && !f.At.After(e.now) && (!ok || !f.At.Before(last.At)) {
			last, ok = f, true
		}
	}
	return last, ok
}

func (e *eval) coat(c *coat.Estimate, newest bool) {
	rec, panel := e.find(c)
	kind := c.Kind
	if kind == "" {
		kind = e.part("coat", nil)
	}
	name := e.part("coat_on", words.Facts{"kind": kind, "panel": panel})
	w := func(more ...string) words.Facts {
		m := words.Facts{"coat": name, "panel": panel, "resin": c.Resin}
		for i := 0; i+1 < len(more); i += 2 {
			m[more[i]] = more[i+1]
		}
		return m
	}
	add := func(rule string, is verdict, variant string, actBy *time.Time, w words.Facts) {
		e.add(rule, c.ID, c.Panel, is, variant, actBy, w)
	}

	if c.Covered != nil {
		return // only the topmost coat has alerts
	}
	if newest && rec.Next != "none" && c.NextWindow != nil {
		e.window(c, panel, add, w)
	}

	e.unknown(c, add, w)
	e.cold(c, add, w)
	e.blush(c, add, w)
	// Bubbles rise only while it is wet; later, shading it is of no use.
	gas := is(c.Outgassing && c.State == coat.Wet)
	if c.State == coat.Unknown {
		gas = unsure
	}
	add(Outgassing, gas, "", nil, w())
	e.night(c, add, w)

	e.permits(c, add, w)
}

// addFinding adds a rule's result for the coat at hand. wording returns the facts for
// its sentences: those of every sentence about the coat, and more as name, value, …
type (
	addFinding func(rule string, is verdict, variant string, actBy *time.Time, w words.Facts)
	wording    func(more ...string) words.Facts
)

// unknown judges whether the coat's state is not known, and what helps.
func (e *eval) unknown(c *coat.Estimate, add addFinding, w wording) {
	if c.State != coat.Unknown {
		add(NotKnown, no, "", nil, w("why", "", "need", ""))
		return
	}
	// The other rules claim nothing new about a coat whose state is unknown.
	is, variant, need := yes, "", ""
	why := e.whyUnknown(c.UnknownWhy)
	switch {
	case slices.Contains(c.UnknownWhy, coat.ColdGlass), slices.Contains(c.UnknownWhy, coat.BelowMinimum):
		t, ok := e.warmTo(c)
		if !slices.Contains(c.UnknownWhy, coat.ColdGlass) {
			// It has gelled: only the resin's minimum temperature matters.
			if t, ok = e.minC(c); ok && c.TempC != nil && *c.TempC >= t {
				variant = "warm"
				break
			}
		}
		if ok {
			variant, need = "need", e.Temp(math.Ceil(t))
		}
	case slices.Contains(c.UnknownWhy, coat.OutsideRange):
		variant = "hot"
	case slices.Contains(c.UnknownWhy, coat.Gap):
		variant = "gap"
	case slices.Contains(c.UnknownWhy, coat.OffRatio):
		is = no // the person who entered the wrong ratio knows
	case slices.Contains(c.UnknownWhy, coat.NoReading) && !e.probeSpeaks(c.Panel):
		variant = "none"
	default:
		is = unsure // the probe has an alert of its own
	}
	add(NotKnown, is, variant, nil, w("why", why, "need", need))
}

// cold judges whether the coat is too cold to cure, or stops short.
func (e *eval) cold(c *coat.Estimate, add addFinding, w wording) {
	hard := c.State == coat.Hard
	// Too cold, while there is something left to cure.
	if min, ok := e.minC(c); !hard && ok {
		t := ""
		if c.TempC != nil {
			x := *c.TempC
			if x < min && math.Round(2*x)/2 >= min {
				x = math.Floor(2*x) / 2 // 9.8 °C must not read as "10 °C, below the 10 °C"
			}
			t = e.Temp(x)
		}
		add(TooCold, e.overLimit(TooCold, c.ID, c.TempC, min, min+.5, true), "", nil, w("temp", t, "min", e.Temp(min)))
	}
	stall, variant, need := unsure, "", ""
	if c.TNeedC != nil {
		variant, need = "need", e.Temp(math.Ceil(*c.TNeedC))
	}
	if c.TempC != nil {
		stall = is(c.Stall)
	}
	add(Stall, stall, variant, nil, w("need", need))
}

func (e *eval) blush(c *coat.Estimate, add addFinding, w wording) {
	// One of the two blush rules at a time.
	high, elevated := no, no
	switch {
	case c.Blush.Condensed || c.Blush.Band == "high":
		high = yes
	case c.Blush.Band == "elevated":
		elevated = yes
	case c.Blush.Band != "low":
		high, elevated = unsure, unsure
	}
	variant := ""
	if c.Blush.Condensed {
		variant = "dew"
	}
	add(BlushElevated, elevated, "", nil, w())
	add(BlushHigh, high, variant, nil, w())
}

// permits judges whether the coat is hard, may be handled, or has softened again.
func (e *eval) permits(c *coat.Estimate, add addFinding, w wording) {
	hard := c.State == coat.Hard
	// Permission is given at the cautious (P90) time, or at once where a finger
	// test found the coat hard.
	feel, felt := e.felt(c.ID)
	isHard := is(hard && (c.Sand || past(c.Events.Hard.P90, e.now) || felt && feel.State == coat.Hard))
	handle := is(hard && past(c.Events.Handle.P90, e.now))
	softened := is(c.Facts.SoftenedAt != nil)
	if c.State == coat.Unknown {
		isHard, handle, softened = unsure, unsure, unsure
	}
	variant := ""
	if c.Stall {
		variant, handle = "stalled", no // a stalled coat feels hard but must not carry load
	}
	add(IsHard, isHard, variant, nil, w())
	add(MayHandle, handle, "", nil, w())
	add(Softened, softened, "", nil, w())
}

// minC is the least temperature of the coat's resin, °C, where it is known.
func (e *eval) minC(c *coat.Estimate) (float64, bool) {
	r, ok := e.in.Work.Resins[c.Resin]
	if !ok || !(r.MaxC > r.MinC) {
		return 0, false
	}
	return r.MinC, true
}

// warmTo is the temperature at which a cold coat can be felt again, °C: above
// its glass transition by 2 K and at least the resin's own minimum, never above
// its maximum.
func (e *eval) warmTo(c *coat.Estimate) (float64, bool) {
	t, ok := e.minC(c)
	if c.TgC != nil {
		if g := c.TgC.P50 + 2; !ok || g > t {
			t, ok = g, true
		}
	}
	if r, known := e.in.Work.Resins[c.Resin]; known && r.MaxC > r.MinC {
		t = min(t, r.MaxC)
	}
	return math.Ceil(t), ok
}

// probeSpeaks reports whether a probe of the panel has a trouble of its own,
// whose alert says what to do.
func (e *eval) probeSpeaks(panel string) bool {
	for _, p := range e.in.Work.Panels {
		if p.ID != panel {
			continue
		}
		for _, h := range e.in.Probes {
			if (h.Probe == p.Probe || h.Probe == p.Air) && (h.Accepted || h.Wired) && h.State != "ok" {
				return true
			}
		}
	}
	return false
}

// nightBefore is how long before the sleeping hours the night's risks are reported,
// and nightChance the least probability that is reported.
const (
	nightBefore = 90 * time.Minute
	nightChance = .2
)

// night warns before the sleeping hours of what may happen to the coat during them.
func (e *eval) night(c *coat.Estimate, add addFinding, w wording) {
	n := c.Overnight
	if n == nil || !e.trusted {
		return
	}
	ahead := n.From.Sub(e.now)
	v := is(ahead > 0 && ahead <= nightBefore && max(n.WindowCloses, n.Stalls, n.Dew) >= nightChance && len(n.Say) > 0)
	from := n.From
	add(NightAhead, v, "", &from, w("night", e.sentence(n.Say)))
}

// window judges what can be done with the coat's next window, and its end.
func (e *eval) window(c *coat.Estimate, panel string, add addFinding, w wording) {
	win := c.NextWindow
	short := win.Kind // also the case of a sentence
	if short == coat.WindowCoat {
		short = ""
	}
	wash := c.AdviceCode == coat.AdviseWashRecoat || c.AdviceCode == coat.AdviseWashAbrade
	known := win.Status != "unknown" && win.Status != ""
	open := win.Status == "open"
	closed := win.Status == "closed"

	closing := is(e.closing(c))
	if !known {
		closing = unsure
	}

	// The window is open where the estimate permits work. Until then the person may be
	// asked to feel the coat, also where only a finger test can decide.
	permit := open && win.Permits && c.AdviceCode != coat.AdviseWashAbrade
	v := is(permit)
	if !known {
		v = unsure
	}
	if v == yes && closing == yes {
		v = replaced // one alert per coat: ClosingSoon has the deadline and what to do
	}
	until := w("until", e.until(win.Closes), "first", e.first(c, panel, wash))
	switch win.Kind {
	case coat.WindowCloth:
		add(ReadyForCloth, v, "", win.Closes, until)
	case coat.WindowWet:
		// It is open from the moment of application, which needs no alert.
	default:
		add(WindowOpen, v, short, win.Closes, until)
	}

	if win.Kind != coat.WindowWet {
		v = is(win.FeelFrom != nil && past(win.FeelFrom, e.now) && !closed && win.Status != "cold" && !permit)
		if !known && c.AdviceCode != coat.AdviseFeelAgain {
			v = unsure
		}
		add(FeelNow, v, short, win.ClosesBand.P50, w())
	}

	variant := short
	if win.FeelFrom != nil && !permit {
		variant = "feel"
	}
	closes := ""
	if win.Closes != nil {
		closes = e.from(*win.Closes)
	}
	actBy := win.Closes
	if past(actBy, e.now) {
		actBy = win.ClosesBand.P50
	}
	add(ClosingSoon, closing, variant, actBy, w("closes", closes, "first", e.first(c, panel, wash)))

	if win.Kind != coat.WindowWet {
		v = is(closed && c.State != coat.Hard)
		if !known {
			v = unsure
		}
		add(WindowClosed, v, short, nil, w("at", e.at(win.ClosesBand.P50)))
	}
}

// closing reports whether the window's cautious end is nearer than the lead, but
// not from the first minute of a short one. Past it that stays so until the window
// is closed.
func (e *eval) closing(c *coat.Estimate) bool {
	win := c.NextWindow
	if win.Closes == nil || win.Status == "closed" || win.Status != "open" && win.FeelFrom == nil {
		return false
	}
	from := c.AppliedAt
	if win.Opens != nil && win.Opens.Before(*win.Closes) {
		from = *win.Opens
	}
	lead := time.Duration(e.cfg.ClosingLead)
	if l := win.Closes.Sub(from); l > 0 {
		lead = min(lead, l/2)
	}
	return win.Closes.Sub(e.now) <= lead
}

// first is what must be done to the panel before the next coat goes on, or "": a
// coat applied within the window still can't cure where it is too cold.
func (e *eval) first(c *coat.Estimate, panel string, wash bool) string {
	min, ok := e.minC(c)
	cold := ok && c.TempC != nil && *c.TempC < min
	code := ""
	switch {
	case cold && wash:
		code = "warm_wash"
	case cold:
		code = "warm"
	case wash:
		code = "wash"
	default:
		return ""
	}
	return e.part(code, words.Facts{"panel": panel, "temp": words.Temp(min)})
}

func past(t *time.Time, now time.Time) bool { return t != nil && !t.After(now) }

func (e *eval) surface(s Surface) {
	panel := e.panelName(s.Panel)
	margin := ""
	if s.MarginK != nil {
		margin = e.Diff(max(*s.MarginK, 0))
	}
	w := words.Facts{"panel": panel, "margin": margin}
	wet := e.overLimit(Condensation, s.Panel, s.MarginK, 0, .5, true)
	if s.MarginK != nil && *s.MarginK <= 0 {
		wet = yes // a surface at the dew point is wet
	}
	near := e.overLimit(DewMargin, s.Panel, s.MarginK, *e.cfg.DewMarginK, *e.cfg.DewMarginK+.5, true)
	if wet == yes {
		near = no // Condensation, the louder of the two, is enough
	}
	e.add(Condensation, s.Panel, s.Panel, wet, "", nil, w)
	e.add(DewMargin, s.Panel, s.Panel, near, "", nil, w)
}

func (e *eval) probe(h sensors.Health, inUse bool) {
	if !h.Accepted && !h.Wired {
		return // a radio probe that was not accepted is shown on the probes page only
	}
	name := h.Name
	if name == "" {
		name = h.Probe
	}
	hint := ""
	if _, do := sensors.Said(h.Why, e.View); do != "" {
		hint = e.part("hint", words.Facts{"hint": do})
	}
	w := words.Facts{"probe": name, "hint": hint, "last": e.since(h.LastAt)}
	add := func(rule string, v verdict) {
		f := e.add(rule, h.Probe, h.Panel, v, "", nil, w)
		if !inUse {
			f.severity = Note
		}
	}
	for _, r := range []struct{ rule, state string }{
		{ProbeMissing, "missing"}, {ProbeStale, "stale"}, {ProbeStuck, "stuck"}, {ProbeDoubtful, "implausible"},
	} {
		v := is(h.State == r.state)
		if h.State == "waiting" || h.State == "" {
			v = unsure // just started: it has neither failed nor recovered
		}
		add(r.rule, v)
	}
	// A probe that does not report its battery is not judged by it.
	if pct, ok := h.Battery.Get(); ok {
		v := is(pct <= lowBattery)
		if pct > lowBattery && pct < lowBattery+batteryBack {
			v = unsure // a cell's voltage recovers a little while it rests
		}
		w["left"] = ""
		if pct > 0 {
			w["left"] = e.part("battery_left", words.Facts{"percent": math.Round(pct)})
		}
		add(ProbeBattery, v)
	}
}

// A battery at or below lowBattery, %, raises an alert; radio firmware commonly calls
// that low (common practice, no source). The alert ends batteryBack above it.
const (
	lowBattery  = 15
	batteryBack = 10
)

func (e *eval) condition(c Condition) {
	r := rule(c.Rule, c.Severity)
	subject := c.Subject
	if subject == "" {
		subject = e.part("the_shop", nil)
	}
	facts := words.Facts{"subject": subject}
	maps.Copy(facts, c.Facts)
	f := e.addRule(r, c.Subject, "", yes, c.Case, nil, facts)
	if c.Say != "" {
		f.say = c.Say
	}
	f.severity = c.Severity
}

// whyUnknown puts the reasons of an unknown state into words. A missing reading is
// left out: the probe rules report it.
func (e *eval) whyUnknown(why []string) string {
	var out []string
	for _, r := range why {
		if code := "part.why." + r; words.English.Has(code) {
			out = append(out, e.Say(code, nil))
		}
	}
	return strings.Join(out, ", ")
}
