package coat

import (
	"fmt"
	"math"
	"strings"
	"time"

	"curewright/model/air"
	"curewright/model/cure"
)

// Case is everything that one estimate is made from.
type Case struct {
	Now   time.Time
	Loc   *time.Location // the shop's clock; nil means the coat's own offset
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
}

const (
	jLow, jHigh     = 0.3, 1.0
	stallDays       = 7
	outgasK         = 2.0
	longGap         = time.Hour // without a reading this long, nothing is claimed
	feelFreshFor    = 30 * time.Minute
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
	y := saying{now: c.Now, loc: c.zone()}
	if f := lastFeel(c.Feels, c.Now); f != nil {
		// The finger is all there is: its word stands, and how it goes on doesn't.
		y.bold("Felt "+string(f.State)).text(" at ").time(f.At, nearest).
			text(". How it goes on is not known: the panel has no temperature reading. Go by the finger, or put a probe on it.")
	} else {
		y.bold("Not known yet:").text(" the panel has no temperature reading. Put a probe on it, or feel it.")
	}
	e.Say, e.Advice = y.s, y.s.Text(c.Now, c.zone())
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
		e.Notes = append(e.Notes, "Generic resin: fit your own.")
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

// edges are the marks a window opens and closes by; -1 is application.
func edges(kind string) (opens, closes Mark) {
	switch kind {
	case WindowCloth:
		return MarkTacky, MarkGreen
	case WindowWet:
		return -1, MarkTacky
	case WindowFill:
		return MarkGreen, MarkCloses
	}
	return MarkOpens, MarkCloses
}

// Estimate says all there is to say about one coat.
func (ws *Workspace) Estimate(c *Case) Estimate {
	e := begin(c)
	tr, w, r := c.Track, &c.Belief.W, c.Resin
	temp := tr.nowC
	if c.GapFor == 0 && c.PanelFrom != "none" {
		t := temp
		e.TempC = &t
	}
	e.PanelFrom = c.PanelFrom
	e.DegradedMinutes = math.Round(tr.degraded/6) / 10
	e.Alpha, e.TgC, e.Kappa = ws.bands(tr, w)
	k50 := w.quantile(0.5)
	alpha50 := at(&tr.alpha, k50)

	// State.
	cum, cold := ws.cumulative(tr, w)
	st, p := settle(cum, tr, k50)
	e.State, e.StateProbability = st, &p

	// Events.
	o := c.Outlook
	if o == nil {
		o = &Outlook{Start: c.Now, StepS: 900, Len: 1, VapourPa: math.NaN()}
	}
	f := ws.spreadOut(tr, w, o)
	f.finish()
	closing := f
	if c.Oldest != nil {
		if ws.old == nil {
			ws.old = new(Workspace)
		}
		closing = ws.old.spreadOut(c.Oldest, w, o)
		closing.finish()
	}
	e.Events = Events{Tacky: f.band(MarkTacky), RecoatOpens: f.band(MarkOpens), Green: f.band(MarkGreen), Firm: f.band(MarkFirm),
		RecoatCloses: closing.band(MarkCloses), Hard: f.band(MarkHard), Handle: f.band(MarkHandle)}

	// What cannot be known.
	e.unknown(c, tr, cold)

	// Blush and water.
	e.Blush = blush(tr, w, k50)
	e.Stall, e.TNeedC = stall(c, alpha50, math.Exp(k50), temp)
	if c.Panel.Core == "wood" || c.Panel.Core == "foam" || c.Panel.Core == "honeycomb" {
		e.Outgassing = at(&tr.rise, k50) > outgasK
	}
	for _, n := range c.Belief.Notes {
		e.Notes = append(e.Notes, n.Say.Text(c.Now, c.zone()))
	}
	if e.State != Unknown && !math.IsNaN(tr.softened) && (st == Green || st == Firm) {
		y := saying{now: c.Now, loc: c.zone()}
		y.text("It softened at ").time(tr.moment(tr.softened), nearest).text(": the panel got warmer than it had cured for.")
		e.Notes = append(e.Notes, y.s.Text(c.Now, c.zone()))
	}
	if full(tr, r, &e, alpha50, math.Exp(k50)) {
		e.Notes = append(e.Notes, "It has had its week in the warm: that is as far as it goes at shop temperature.")
	}
	e.window(c, f, closing, alpha50)
	e.speak(c, f, closing)
	e.overnight(c, f, closing)
	e.strip(c, tr)
	return e
}

// bands are p10–p50–p90 of degree of cure, Tg and rate factor: all three grow
// together, so their quantiles are the rate factor's.
func (ws *Workspace) bands(tr *Track, w *Weights) (alpha, tg, kappa *Band) {
	q := [3]float64{w.quantile(0.1), w.quantile(0.5), w.quantile(0.9)}
	var a, t, k [3]float64
	for i, x := range q {
		a[i] = min(max(at(&tr.alpha, x), 0), 1)
		t[i] = tr.r.Tg(a[i])
		k[i] = math.Exp(x)
	}
	return &Band{a[0], a[1], a[2]}, &Band{t[0], t[1], t[2]}, &Band{k[0], k[1], k[2]}
}

// cumulative mixes P(S ≥ s) over the belief, and gives the share of it in
// which the coat is a glass that has not gelled.
func (ws *Workspace) cumulative(tr *Track, w *Weights) (p [4]float64, cold float64) {
	for i, x := range w {
		if x < 1e-9 {
			continue
		}
		green := !math.IsInf(tr.when[MarkGreen][i/perNode], 1)
		c := cumulative(tr.r, spread(&tr.alpha, i), tr.nowC, tr.refC, green, false)
		for k := range p {
			p[k] += x * c[k]
		}
		j := (i + perNode/2) / perNode
		if tr.cold&(1<<j) != 0 {
			cold += x
		}
	}
	return p, cold
}

// settle picks the highest state with P(S ≥ s) ≥ .5. Firm and hard are held
// over a hysteresis of 1 K.
func settle(cum [4]float64, tr *Track, k50 float64) (State, Probabilities) {
	n := 0
	for k, p := range cum {
		if p >= 0.5 {
			n = k + 1
		}
	}
	bit := uint32(1) << min(max(int(math.Round((k50-gridMin)/(gridStep*perNode))), 0), nodeN-1)
	alpha := at(&tr.alpha, k50)
	if n == 2 && tr.firm&bit != 0 && alpha >= tr.r.AlphaAtTg(tr.refC-hysteresisK) && !math.IsInf(at(&tr.when[MarkFirm], k50), 1) {
		n = 3
	}
	if n == 3 && tr.hard&bit != 0 && alpha >= tr.r.AlphaAtTg(tr.refC+hardAboveK-hysteresisK) && !math.IsInf(at(&tr.when[MarkHard], k50), 1) {
		n = 4
	}
	return order[n], states(cum)
}

// unknown takes the state back where the model has no right to it.
func (e *Estimate) unknown(c *Case, tr *Track, cold float64) {
	if cold >= 0.5 {
		e.UnknownWhy = append(e.UnknownWhy, ColdGlass)
	}
	high := e.State == Green || e.State == Firm || e.State == Hard
	if high && tr.debtBelow > 0 {
		e.UnknownWhy = append(e.UnknownWhy, BelowMinimum)
	}
	if high && tr.debtAbove > 0 {
		e.UnknownWhy = append(e.UnknownWhy, OutsideRange)
	}
	// A finger test after the gap ends it.
	if c.GapFor > longGap || tr.gapSD() > gapTooWide && c.Belief.GapSD < 0.8*tr.gapSD() {
		e.UnknownWhy = append(e.UnknownWhy, Gap)
	}
	if len(e.UnknownWhy) > 0 {
		e.State, e.StateProbability = Unknown, nil
	}
}

func blush(tr *Track, w *Weights, k50 float64) Blush {
	mid := uint32(1) << min(max(int(math.Round((k50-gridMin)/(gridStep*perNode))), 0), nodeN-1)
	b := Blush{Band: "unknown", Condensed: tr.condensed&mid != 0}
	if tr.humid > 0 {
		j := max(at(&tr.j, k50), 0)
		b.Index = &j
		switch {
		case j > jHigh:
			b.Band = "high"
		case j >= jLow:
			b.Band = "elevated"
		default:
			b.Band = "low"
		}
	}
	if b.Condensed {
		b.Band = "high"
	}
	return b
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
	lo, hi := temp, 60.0
	for range 12 {
		m := (lo + hi) / 2
		if r.SteadyAlpha(0, m, kappa, stallDays*dayS) >= target {
			hi = m
		} else {
			lo = m
		}
	}
	return true, &hi
}

// full is the end of cure at shop temperature.
func full(tr *Track, r *cure.Resin, e *Estimate, alpha, kappa float64) bool {
	if e.State != Hard || e.Stall {
		return false
	}
	return tr.warm7 >= ambientDays*dayS || tr.nowC >= ambientTempC && r.Rate(alpha, tr.nowC, kappa) < ambientDoneRate
}

// window fills NextWindow.
func (e *Estimate) window(c *Case, f, closing *fan, alpha50 float64) {
	kind := WindowKind(c.Coat)
	if kind == "" {
		return
	}
	opens, closes := edges(kind)
	win := &Window{Kind: kind}
	applied := c.Coat.Applied
	if opens < 0 {
		win.OpensBand = TimeBand{&applied, &applied, &applied}
	} else {
		win.OpensBand = f.band(opens)
	}
	if closes == MarkCloses {
		win.ClosesBand = closing.band(closes)
	} else {
		win.ClosesBand = f.band(closes)
	}
	win.Opens, win.Closes = win.OpensBand.P90, win.ClosesBand.P10
	now := c.Now
	passed := func(t *time.Time) bool { return t != nil && !t.After(now) }
	open, shut := finger(kind, c.Belief.LastUsed)
	fresh := c.Belief.LastUsed != nil && now.Sub(c.Belief.LastUsed.At) <= feelFreshFor
	// Where the edges cross, no permission: a time to begin feeling it.
	if !open && win.OpensBand.P10 != nil && win.Closes != nil && (win.Opens == nil || win.Opens.Add(worthTaking).After(*win.Closes)) {
		from := *win.OpensBand.P10
		if from.Before(now) {
			from = now
		}
		win.FeelFrom = &from
	}
	cold := f.tr.cold != 0 && contains(e.UnknownWhy, ColdGlass) ||
		alpha50 < c.Resin.AlphaGel && c.Resin.Tg(alpha50) >= f.tr.nowC
	switch {
	case cold:
		win.Status = "cold"
	case e.State == Unknown:
		win.Status = "unknown"
	case shut, passed(win.ClosesBand.P50) && !(open && fresh):
		// A finger that found it soft just now outweighs the reckoning.
		win.Status = "closed"
	case open || passed(win.Opens) && win.FeelFrom == nil:
		win.Status = "open"
	default:
		win.Status = "before"
	}
	if win.Status != "before" {
		win.FeelFrom = nil
	}
	e.NextWindow = win
}

func contains(s []string, x string) bool {
	for _, y := range s {
		if y == x {
			return true
		}
	}
	return false
}

// finger says whether the last finger test found the window open, or past its
// end: a test opens a step at once.
func finger(kind string, f *Feel) (open, shut bool) {
	if f == nil {
		return false, false
	}
	n := f.State.Rank()
	switch kind {
	case WindowCloth:
		return n == Tacky.Rank(), n >= Green.Rank()
	case WindowWet:
		return n == Wet.Rank(), n >= Tacky.Rank()
	case WindowFill:
		return n == Green.Rank(), n >= Firm.Rank()
	}
	return n == Tacky.Rank() || n == Green.Rank(), n >= Firm.Rank()
}

func (e *Estimate) speak(c *Case, f, closing *fan) {
	y := saying{now: c.Now, loc: c.zone()}
	defer func() {
		e.Say = y.s
		e.Advice = y.s.Text(c.Now, c.zone())
		e.because(c)
	}()
	win := e.NextWindow
	status := ""
	if win != nil {
		status = win.Status
	}
	j := 0.0
	if e.Blush.Index != nil {
		j = *e.Blush.Index
	}
	hard := e.State == Hard
	switch {
	case e.Blush.Condensed || j > jHigh:
		e.AdviceCode, e.Flag = AdviseWashAbrade, "trouble"
		if e.Blush.Condensed {
			y.bold("Water fell on it while it cured.")
		} else {
			y.bold("Expect blush on it.")
		}
		y.text(" Once it is hard, wash with water, abrade, dry, then coat.")
	case e.State == Unknown:
		e.AdviceCode, e.Flag = AdviseNotKnown, "not known"
		e.sayUnknown(c, f.tr, &y)
	case status == "open" && j < jLow:
		e.AdviceCode, e.Flag = AdviseRecoat, "act now"
		e.sayOpen(c, win, &y, "")
	case status == "open":
		e.AdviceCode, e.Flag = AdviseWashRecoat, "act now"
		e.sayOpen(c, win, &y, "Wash it with water and dry it first. ")
	case status == "before":
		e.sayBefore(c, win, &y)
	case status == "cold":
		e.AdviceCode, e.Flag = AdviseWarm, "act now"
		y.bold("Too cold to go on.").text(" Warm the panel to ").temp(e.warmTo(c)).text(", then feel it.")
	case win == nil && !hard:
		e.AdviceCode, e.Flag = AdviseWait, "wait"
		y.bold("Leave it.")
		if t := e.Events.Hard; t.P90 != nil {
			y.text(" Hard enough to sand from ").time(*t.P90, later).text(".")
		} else if t.P50 != nil {
			y.text(" It may be hard enough to sand around ").time(*t.P50, later).text("; feel it first.")
		}
	case !hard:
		e.AdviceCode, e.Flag = AdviseWaitAbrade, "wait"
		e.sayClosed(c, &y)
		if e.sayFresh(c, j, &y) {
			break
		}
		y.text(" Let it get hard")
		if t := e.Events.Hard.P90; t != nil {
			y.text(" (from ").time(*t, later).text(")")
		}
		y.text(", then wash with water, dry, abrade and coat.")
	case e.Stall:
		e.AdviceCode, e.Flag = AdviseStalled, "trouble"
		y.bold("It has stopped curing short of its strength.")
		if e.TNeedC != nil {
			y.text(" Warm it to ").temp(math.Ceil(*e.TNeedC)).text(" or more.")
		}
		y.text(" No load on it; abrade before the next coat.")
	case !e.surelyHard(c):
		e.AdviceCode, e.Flag = AdviseWaitAbrade, "wait"
		if win != nil {
			e.sayClosed(c, &y)
			y.text(" ")
		}
		y.bold("It may be hard: try it.").text(" If paper makes dust and does not gum, wash with water, dry, abrade, then coat; or sand and flip it.")
		if t := e.Events.Hard.P90; t != nil {
			y.text(" If it gums, leave it until ").time(*t, later).text(".")
		} else {
			y.text(" If it gums, leave it.")
		}
		y.text(" Do not load it yet.")
	default:
		e.AdviceCode, e.Flag = AdviseAbradeRecoat, "done"
		if win != nil {
			e.sayClosed(c, &y)
			y.text(" ")
		}
		y.text("Wash with water, dry, abrade, then coat. You can sand and flip it")
		switch t := e.Events.Handle; {
		case t.P90 != nil && !t.P90.After(c.Now):
			y.text(" and take the clamps off.")
		case t.P90 != nil:
			y.text("; load it from ").time(*t.P90, later).text(".")
		default:
			y.text("; do not load it yet.")
		}
	}
}

// surelyHard reports whether sanding and flipping are permitted: a permission
// speaks at the late edge of its event, or when a finger found it.
func (e *Estimate) surelyHard(c *Case) bool {
	if t := e.Events.Hard.P90; t != nil && !t.After(c.Now) {
		return true
	}
	return c.Belief.LastUsed != nil && c.Belief.LastUsed.State == Hard
}

// sayFresh names the way out when a coat no longer takes cloth, or a layer laid
// wet on wet, but still bonds to a fresh coat: that window is longer.
func (e *Estimate) sayFresh(c *Case, j float64, y *saying) bool {
	if k := e.NextWindow.Kind; k != WindowCloth && k != WindowWet || e.State != Tacky && e.State != Green {
		return false
	}
	fresh := coatWindow(c, e.Events.RecoatOpens, e.Events.RecoatCloses)
	if fresh == nil {
		return false
	}
	wash := ""
	if j >= jLow {
		wash = "wash it with water and dry it, then "
	}
	const what = "roll a fresh coat on and lay the cloth into that"
	begin := func(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
	switch {
	case fresh.FeelFrom != nil:
		if d := fresh.FeelFrom.Sub(c.Now); d <= 0 {
			e.Flag = "act now"
			y.text(" Feel it now, and every 10 min: ")
		} else {
			y.text(" Feel it from ").time(*fresh.FeelFrom, nearest).text(", every 10 min: ")
		}
		y.text("if it no longer strings and a nail still dents it, %s%s.", wash, what)
	case fresh.Opens.After(c.Now):
		if fresh.Opens.Sub(c.Now) <= soonWithin {
			e.Flag = "soon"
		}
		y.text(" %s between ", begin(wash+what)).time(*fresh.Opens, later).text(" and ").time(*fresh.Closes, earlier).text(".")
	default:
		e.Flag = "act now"
		y.text(" %s before ", begin(wash+what)).time(*fresh.Closes, earlier).text(".")
	}
	y.text(" Past that, let it get hard, wash, dry and abrade first.")
	return true
}

// coatWindow is when a further coat may go on, by the rules of every window;
// nil when that time is over, or not known.
func coatWindow(c *Case, opens, closes TimeBand) *Window {
	if opens.P10 == nil || closes.P50 == nil || !closes.P50.After(c.Now) {
		return nil
	}
	open, shut := finger(WindowCoat, c.Belief.LastUsed)
	if shut {
		return nil
	}
	w := &Window{Kind: WindowCoat, Opens: opens.P90, Closes: closes.P10, OpensBand: opens, ClosesBand: closes}
	if !w.Closes.After(c.Now) || !open && (w.Opens == nil || w.Opens.Add(worthTaking).After(*w.Closes)) {
		from := *opens.P10
		if from.Before(c.Now) {
			from = c.Now
		}
		w.FeelFrom = &from
	} else if open {
		w.Opens = &c.Now
	}
	return w
}

func (e *Estimate) sayClosed(c *Case, y *saying) {
	if t := e.NextWindow.ClosesBand.P50; t != nil && !t.After(c.Now) {
		y.bold("The window closed at ").time(*t, nearest).text(".")
		return
	}
	// A finger found it closed before the reckoning did.
	y.bold("The window has closed.")
}

func (e *Estimate) sayOpen(c *Case, win *Window, y *saying, first string) {
	if first != "" {
		y.text("%s", first)
	}
	switch {
	case win.Closes != nil && win.Closes.After(c.Now.Add(time.Minute)):
		y.bold(doing(win.Kind)).text(" between now and ").time(*win.Closes, earlier).text(".")
	case win.Closes != nil:
		y.bold(doing(win.Kind)+" now.").text(" It may close any minute: %s.", ended(win.Kind))
	default:
		y.bold(doing(win.Kind)).text(" any time now.")
	}
}

func (e *Estimate) sayBefore(c *Case, win *Window, y *saying) {
	if win.FeelFrom != nil {
		e.AdviceCode, e.Flag = AdviseFeel, "wait"
		if d := win.FeelFrom.Sub(c.Now); d <= 0 {
			e.Flag = "act now"
			y.bold("Feel it now,").text(" and every 10 min; %s.", sign(win.Kind))
		} else {
			if d <= soonWithin {
				e.Flag = "soon"
			}
			y.bold("Leave it.").text(" Feel it from ").time(*win.FeelFrom, nearest).text(", every 10 min; %s.", sign(win.Kind))
		}
		return
	}
	e.AdviceCode, e.Flag = AdviseWait, "wait"
	y.bold("Leave it. ")
	switch {
	case win.Opens == nil && win.OpensBand.P50 == nil:
		y.text("At this temperature it will not get there within three days.")
	case win.Opens == nil:
		y.text("Feel it from ").time(*win.OpensBand.P50, nearest).text(".")
	case !win.Opens.After(c.Now):
		e.Flag = "soon"
		y.text("Feel it; %s.", sign(win.Kind))
	default:
		if win.Opens.Sub(c.Now) <= soonWithin {
			e.Flag = "soon"
		}
		y.text("%s", doing(win.Kind))
		if win.Closes != nil {
			y.text(" between ").time(*win.Opens, later).text(" and ").time(*win.Closes, earlier).text(".")
		} else {
			y.text(" from ").time(*win.Opens, later).text(".")
		}
	}
}

// warmTo is the temperature that a cold coat needs before it can be felt.
func (e *Estimate) warmTo(c *Case) float64 {
	t := c.Resin.MinC
	if e.TgC != nil {
		t = max(t, e.TgC.P50+2)
	}
	return math.Ceil(t)
}

func (e *Estimate) sayUnknown(c *Case, tr *Track, y *saying) {
	y.bold("Not known:")
	switch e.UnknownWhy[0] {
	case ColdGlass:
		y.text(" it went stiff from cold before it set. It may feel hard and is not. Warm it to ").temp(e.warmTo(c)).text(", then feel it.")
	case BelowMinimum:
		y.text(" the panel was under ").temp(c.Resin.MinC).text(" for %s.", inHours(tr.below/60))
		// What it owes is made up by time inside the range or by a finger:
		// it need not be warmed through its glass transition, having gelled.
		if e.TempC != nil && *e.TempC >= c.Resin.MinC {
			y.text(" It is warm enough now: feel it.")
		} else {
			y.text(" Warm it to ").temp(math.Ceil(c.Resin.MinC)).text(" or more, then feel it.")
		}
	case OutsideRange:
		y.text(" the panel was over ").temp(c.Resin.MaxC).text(" for %s. Let it cool, then feel it.", inHours(tr.above/60))
	case Gap:
		if c.GapFor > 0 {
			y.text(" no reading of the panel for %s. Feel it.", inHours(c.GapFor.Minutes()))
		} else {
			y.text(" too long without a reading of the panel. Feel it.")
		}
	default:
		y.text(" feel it.")
	}
}

// because is what stands under the sentence.
func (e *Estimate) because(c *Case) {
	y := saying{now: c.Now, loc: c.zone()}
	if e.StateProbability != nil {
		how := "Perhaps"
		switch p := e.StateProbability.of(e.State); {
		case p >= 0.9:
			how = "Very likely"
		case p >= 0.65:
			how = "Most likely"
		}
		y.text("%s %s: %s.", how, e.State, FingerWords[e.State])
	}
	if e.TempC != nil {
		if len(y.s) > 0 {
			y.text(" ")
		}
		y.text("Panel ").temp(*e.TempC).text(".")
	}
	switch c.PanelFrom {
	case "air":
		y.text(" No probe on the panel: reckoned from the air.")
	case "none":
		y.text(" No reading of the panel now.")
	}
	if e.Outgassing {
		y.text(" The panel warmed under a fresh coat: look for bubbles.")
	}
	if e.Stall && e.AdviceCode != AdviseStalled && e.TNeedC != nil {
		y.text(" It will stop short unless it gets ").temp(math.Ceil(*e.TNeedC)).text(" or more.")
	}
	e.Because = y.s
}

// overnight fills what the hours asleep may bring, and the latest useful thing
// to do about it.
func (e *Estimate) overnight(c *Case, f, closing *fan) {
	if c.Asleep == nil || c.Outlook == nil || c.Outlook.Paths == 0 || e.State == Hard && !e.Stall {
		return
	}
	n := &Overnight{From: c.Asleep.From, To: c.Asleep.To}
	from, to := n.From.Sub(f.tr.mixed).Seconds(), n.To.Sub(f.tr.mixed).Seconds()
	fan, mark := closing, MarkCloses
	win := e.NextWindow
	if win != nil && win.Status != "closed" {
		if _, cl := edges(win.Kind); cl != MarkCloses {
			fan, mark = f, cl
		}
		shift := fan.tr.mixed.Sub(f.tr.mixed).Seconds()
		n.WindowCloses = min(max(fan.by(mark, to-shift)-fan.by(mark, from-shift), 0), 1)
	}
	var need float64
	n.Stalls, need = stallChance(c, n, e)
	n.Dew = dewChance(c, n)
	y := saying{now: c.Now, loc: c.zone()}
	switch {
	case n.WindowCloses >= worthSaying && win != nil:
		e.sayClosing(c, n, f.tr, &y)
	case n.Dew >= worthSaying:
		y.text("Dew may fall on it while you sleep (%s). Keep the panel warmer than the air, or cover it, ", chance(n.Dew))
		e.bedtime(c, n, &y).text(".")
	case n.Stalls >= worthSaying:
		y.text("It may stop curing while you sleep (%s). Hold it at ", chance(n.Stalls)).temp(math.Ceil(need)).text(" or more.")
	default:
		y.text("Nothing needs you before ").time(n.To, nearest).text(".")
	}
	n.Say = y.s
	e.Overnight = n
}

// bedtime is the time by which something is to be done before sleep.
func (e *Estimate) bedtime(c *Case, n *Overnight, y *saying) *saying {
	if n.From.After(c.Now.Add(time.Minute)) {
		return y.text("before ").time(n.From, earlier)
	}
	return y.text("now")
}

// worthSaying is the chance from which a trouble of the night is spoken of.
const worthSaying = 0.2

// sayClosing names what can be done about a window that closes in the night:
// coat before, hold a temperature, or plan to abrade.
func (e *Estimate) sayClosing(c *Case, n *Overnight, tr *Track, y *saying) {
	win := e.NextWindow
	y.text("The window may close while you sleep (%s). ", chance(n.WindowCloses))
	said := false
	latest := n.From
	if win.Closes != nil && win.Closes.After(c.Now) && win.Closes.Before(latest) {
		latest = *win.Closes
	}
	// Before sleep it must be open, or there is nothing to coat.
	if latest.After(c.Now) && win.OpensBand.P50 != nil && win.OpensBand.P50.Before(latest) {
		what := doing(win.Kind)
		if open, _ := finger(win.Kind, c.Belief.LastUsed); !open && (win.Opens == nil || win.Opens.After(latest)) {
			// Only the finger can permit it by then.
			what = "Feel it, and once it is ready " + strings.ToLower(what[:1]) + what[1:]
		}
		y.text("%s before ", what).time(latest, earlier)
		said = true
	}
	if t, ok := holdFor(c, n, tr, win.Kind); ok {
		if said {
			y.text(", or hold it at ")
		} else {
			y.text("Hold it at ")
		}
		y.temp(t)
		said = true
	}
	if said {
		y.text(", or plan")
	} else {
		y.text("Plan")
	}
	y.text(" to wash and abrade at ").time(n.To, nearest).text(".")
}

// holdFor looks for a steady temperature, within the resin's range and near
// the present one, that moves the window out of the night: cooler, so that
// even a fast batch is still open in the morning, or warmer, so that even a
// slow one opens half an hour before sleep.
func holdFor(c *Case, n *Overnight, tr *Track, kind string) (float64, bool) {
	r := c.Resin
	opens, closes := edges(kind)
	alphaAt := func(m Mark, tC float64) float64 {
		switch m {
		case MarkTacky:
			return alphaTacky
		case MarkOpens:
			return alphaOpens
		case MarkGreen:
			return max(r.AlphaGel, r.AlphaAtTg(tC-greenBelowK))
		}
		return max(r.AlphaGel, r.AlphaAtTg(max(tC, min(tr.refC, refCapC))))
	}
	quick, slow := c.Belief.W.quantile(0.9), c.Belief.W.quantile(0.1)
	low, high := math.Ceil(r.MinC)+1, min(math.Floor(r.MaxC), 30)
	for t := math.Floor(tr.nowC); t >= low; t-- {
		if s := r.SteadyTime(at(&tr.alpha, quick), alphaAt(closes, t), t, math.Exp(quick)); s >= n.To.Sub(c.Now).Seconds() {
			return t, true
		}
	}
	if opens < 0 {
		return 0, false
	}
	for t := math.Ceil(tr.nowC); t <= high; t++ {
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
	k50 := c.Belief.W.quantile(0.5)
	kappa, alpha := math.Exp(k50), at(&tr.alpha, k50)
	target := r.AlphaTarget()
	if alpha >= target {
		return 0, 0
	}
	left := tr.mixed.Add(stallDays * 24 * time.Hour).Sub(c.Now).Seconds()
	if left <= 0 {
		return 0, 0
	}
	lo, hi := 0.0, 40.0
	for range 10 {
		m := (lo + hi) / 2
		if r.SteadyAlpha(alpha, m, kappa, left) >= target {
			hi = m
		} else {
			lo = m
		}
	}
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

func chance(p float64) string { return fmt.Sprintf("%.0f in 10", max(1, min(10, math.Round(10*p)))) }

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
	zone := c.zone()
	split := c.Now.In(zone)
	// What the sentence does not claim, the strip doesn't either: a mark that
	// is crossed as cold glass or outside the range is no firm and no hard coat.
	unclaimed := contains(e.UnknownWhy, ColdGlass) || contains(e.UnknownWhy, BelowMinimum) || contains(e.UnknownWhy, OutsideRange)
	put := func(state State, from, to time.Time, future bool) {
		if !future {
			s.Segments = tr.claimed(s.Segments, Segment{state, from, to, false}, c.Belief.W.quantile(0.5))
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
