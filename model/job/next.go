// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/pot"
	"curewright/model/stock"
	"curewright/model/words"
)

// Status of a next step: whether the hands may go.
const (
	NextNow     = "now"     // go; Closes says until when
	NextBefore  = "before"  // Opens says from when
	NextFeel    = "feel"    // the finger decides; Feel says which coat and from when
	NextClosed  = "closed"  // the window is over; Mend says what helps
	NextCold    = "cold"    // too cold to go on
	NextUnknown = "unknown" // the model cannot say: feel it
	NextLater   = "later"   // put off until Until
	NextWaiting = "waiting" // for another step
	NextOver    = "over"    // nothing is left to do
)

// Card is what the hands need for one step, as far as it does not depend on
// the time of day.
type Card struct {
	Do        string        `json:"do"`
	Kind      string        `json:"kind,omitempty"`
	Order     string        `json:"order"` // one order without a time, at most 14 words
	Say       coat.Sentence `json:"say"`   // the same in parts
	Button    string        `json:"button"`
	Resin     string        `json:"resin,omitempty"`
	Lot       string        `json:"lot,omitempty"`
	AreaM2    *float64      `json:"area_m2"`
	Grams     *float64      `json:"grams"` // whole grams of mixed epoxy; null where no area is known
	ResinG    *float64      `json:"resin_g"`
	HardenerG *float64      `json:"hardener_g"`
	Parts     []pot.Part    `json:"parts"`
	Cups      []CardCup     `json:"cups"`
	Cloth     string        `json:"cloth,omitempty"`
	Cover     string        `json:"cover,omitempty"`
	BagKPa    *float64      `json:"bag_kpa"`
	BagMin    *float64      `json:"bag_minutes"`
	DepthMM   *float64      `json:"depth_mm"`
	To        string        `json:"to,omitempty"`
	TempC     *float64      `json:"temp_c"`
	Hours     *float64      `json:"hours"`
	RampCH    *float64      `json:"ramp_c_h"`
	Then      *Then         `json:"then"`
	Note      string        `json:"note,omitempty"`
	Notes     []string      `json:"notes"`
}

// CardCup is one planned cup.
type CardCup struct {
	Grams       float64  `json:"grams"`
	ResinG      *float64 `json:"resin_g"`
	HardenerG   *float64 `json:"hardener_g"`
	HardenerLow *float64 `json:"hardener_low_g"`
	HardenerHi  *float64 `json:"hardener_high_g"`
	Ratio       string   `json:"ratio"`
	Shape       string   `json:"shape"`
	DiameterMM  float64  `json:"diameter_mm"`
	WorkMinutes *float64 `json:"work_minutes"`
	LayMinutes  float64  `json:"lay_minutes"` // what laying it takes one person
	Vessel      string   `json:"vessel"`      // used from: cup, or poured at once into a tray or roller
	Verdict     string   `json:"verdict"`     // what it does if left in the cup
	Danger      string   `json:"danger"`      // of the cup: now, soon, later, none
	Note        string   `json:"note,omitempty"`
	Batch       string   `json:"batch,omitempty"` // once it was mixed for this step
}

// Then is the step after, said in advance.
type Then struct {
	Step string `json:"step"`
	Say  string `json:"say"`
}

// Next is the one next step of a panel.
type Next struct {
	Job       string `json:"job"`
	JobName   string `json:"job_name"`
	Panel     string `json:"panel"`
	PanelName string `json:"panel_name"`
	Step      string `json:"step"`
	Card
	Order  string        `json:"order"` // the one order, with its times, at most 14 words
	Say    coat.Sentence `json:"say"`
	Status string        `json:"status"` // one of the constants
	Opens  *time.Time    `json:"opens"`
	Closes *time.Time    `json:"closes"`
	Until  *time.Time    `json:"until"`

	WaitingFor *Waiting `json:"waiting_for"`
	Feel       *FeelAt  `json:"feel"`
	// Primary is the one filled button: mixed, done, feel or none.
	Primary   string  `json:"primary"`
	Mend      *Mend   `json:"mend"`
	ShareDone float64 `json:"share_done"`

	ReadyCups      []ReadyCup      `json:"ready_cups"`
	More           *More           `json:"more"`
	Unsaid         []Then          `json:"unsaid"`
	Contradictions []Contradiction `json:"contradictions"`
	Cautions       []string        `json:"cautions"`
}

// Waiting is a step that must come first.
type Waiting struct {
	Step string `json:"step"`
	Coat string `json:"coat,omitempty"`
	For  string `json:"for,omitempty"` // done, or one of [Whens]
	Say  string `json:"say"`
}

// FeelAt is a finger test that is wanted.
type FeelAt struct {
	Coat         string     `json:"coat"`
	From         *time.Time `json:"from"` // nil: now
	EveryMinutes int        `json:"every_minutes"`
	Say          string     `json:"say"` // what the finger must find
}

// Mend is what helps once a window is over: repeat the step, or wash and
// abrade.
type Mend struct {
	Do   string `json:"do"` // repeat or insert
	Step string `json:"step"`
	Say  string `json:"say"`
	Make *Step  `json:"make,omitempty"` // the step to insert before this one
}

// ReadyCup is a cup that is mixed and not used up.
type ReadyCup struct {
	Batch   string    `json:"batch"`
	Resin   string    `json:"resin"`
	Grams   *float64  `json:"grams"`
	Mixed   time.Time `json:"mixed"`
	ForStep bool      `json:"for_step"` // it was mixed for this step
}

// More is the coat that has just gone on and takes the cups that are still
// planned for it.
type More struct {
	Step     string    `json:"step"`
	Coat     string    `json:"coat"`
	Kind     string    `json:"kind"`
	CupsLeft int       `json:"cups_left"`
	Cups     []CardCup `json:"cups"` // those left, the next one first
}

// Desk is everything that the next step is worked out from.
type Desk struct {
	Now       time.Time
	Loc       *time.Location
	Work      *coat.Work
	Ticks     []Tick
	Estimates []coat.Estimate
	Words     *words.Catalogue // what is said; nil: English
	ShopC     *float64         // air in the shop, °C; nil: not known, 20 is taken

	learnt map[string]pot.Habit // of [stock.Habits], once asked
}

// habits is what this shop takes of each kind of coat.
func (d *Desk) habits() map[string]pot.Habit {
	if d.learnt == nil {
		d.learnt = stock.Habits(d.Work, LaidBy(d.Ticks), "")
	}
	return d.learnt
}

// cupShopC is taken where no probe says how warm the shop is.
const cupShopC = 20.0

// WorkMinutes is how long a step takes a person where it does not say: so much
// to set up and so much a square metre, in steps of five (common practice, no
// source).
func WorkMinutes(s Step, area float64) float64 {
	if s.WorkMinutes != nil {
		return *s.WorkMinutes
	}
	m := 10.0
	switch s.Do {
	case "coat":
		return pot.LayMinutes(area, s.Cloth != "")
	case "cloth":
		m = 5 + 10*area
	case "cover":
		m = 5 + 5*area
	case "sand":
		m = 10 + 25*area
	case "wash":
		m = 10 + 8*area
	case "wait", "soak":
		return 0
	}
	return math.Ceil(m/5-1e-9) * 5
}

// Steps is the job's progress with a card for every step.
func (d *Desk) Steps(s *Schedule) []StepState {
	out := s.Progress(d.Work, d.Ticks, d.Now)
	for i := range out {
		out[i].Card = d.CardOf(s, i)
		out[i].Card.Then = d.then(s, out, i)
		d.asked(out[i].Contradictions)
	}
	return out
}

// Next is the one next step of every panel of the job that lies up. A job with
// nothing left has one entry, with status over.
func (d *Desk) Next(s *Schedule) []Next {
	out := s.Progress(d.Work, d.Ticks, d.Now)
	up := s.Up(d.Work, out)
	var next []Next
	left := false
	for _, panel := range s.Panels() {
		i := openStep(out, panel)
		left = left || i >= 0
		if i < 0 || !up[panel] {
			continue
		}
		next = append(next, d.next(s, out, i))
	}
	if !left && len(out) > 0 {
		last := out[len(out)-1]
		next = append(next, Next{Job: s.ID, JobName: s.title(), Panel: last.Panel, PanelName: d.panelName(last.Panel), Step: last.ID,
			Status: NextOver, Order: d.text("order.over", nil), Say: d.say("order.over", nil), Primary: "none",
			Card: Card{Do: last.Do, Parts: []pot.Part{}, Cups: []CardCup{}, Notes: []string{}}, ReadyCups: []ReadyCup{}, Unsaid: []Then{}, Contradictions: d.contradictions(out, ""), Cautions: []string{}})
	}
	return next
}

// openStep is the first step of a panel that is still to be done after the
// last one that was; -1 when nothing is left.
func openStep(out []StepState, panel string) int {
	for i := range out {
		if out[i].Panel == panel && (out[i].Status == StepOpen || out[i].Status == StepLater) {
			return i
		}
	}
	return -1
}

// contradictions are those of a panel's steps, or of all, each with its question.
func (d *Desk) contradictions(out []StepState, panel string) []Contradiction {
	all := []Contradiction{}
	for _, st := range out {
		if panel == "" || st.Panel == panel {
			all = append(all, d.asked(st.Contradictions)...)
		}
	}
	return all
}

func (d *Desk) asked(cs []Contradiction) []Contradiction {
	for i := range cs {
		cs[i].Say = cs[i].text(d.Words)
	}
	return cs
}

func (d *Desk) panel(id string) coat.Panel {
	p, _ := find(d.Work.Panels, func(p coat.Panel) bool { return p.ID == id })
	return p
}

func (d *Desk) panelName(id string) string { return cmp.Or(d.panel(id).Name, id) }

func (d *Desk) estimate(id string) *coat.Estimate {
	i := slices.IndexFunc(d.Estimates, func(e coat.Estimate) bool { return e.ID == id })
	if id == "" || i < 0 {
		return nil
	}
	return &d.Estimates[i]
}

// CardOf is what the hands need for step i of a job.
func (d *Desk) CardOf(s *Schedule, i int) Card {
	x := s.Steps[i]
	c := Card{Do: x.Do, Button: d.button(x), Cloth: x.Cloth, Cover: x.Cover, BagKPa: x.BagKPa, BagMin: x.BagMinutes, DepthMM: x.DepthMM,
		To: x.To, TempC: x.TempC, Hours: x.Hours, RampCH: x.RampCH, Note: x.Note, Parts: []pot.Part{}, Cups: []CardCup{}, Notes: []string{}}
	c.Say = d.say("order.plain", words.Facts{"do": d.doing("do", s, i)})
	c.Order = c.Say.String()
	p := d.panel(x.Panel)
	c.AreaM2 = cmp.Or(x.AreaM2, p.AreaM2)
	if x.Do != "coat" {
		return c
	}
	c.Kind, c.Resin, c.Lot = x.Coat, s.ResinOf(i), s.Lot
	need, ok := Need(s.Steps, i, p, density(d.Work, c.Resin))
	if !ok {
		c.Notes = append(c.Notes, d.text("note.no_area", nil))
		return c
	}
	if h, ok := d.habits()[c.Kind]; ok {
		need.Habit = &h
	}
	need.Words = d.Words
	q, err := need.Quantity()
	if err != nil {
		c.Notes = append(c.Notes, err.Error())
		return c
	}
	for _, part := range q.Parts {
		part.Grams = pot.Range{Low: math.Round(part.Grams.Low), Use: math.Round(part.Grams.Use), High: math.Round(part.Grams.High)}
		c.Parts = append(c.Parts, part)
	}
	grams := math.Ceil(q.Grams.Use)
	c.Grams = &grams
	r, known := d.Work.Resins[c.Resin]
	if !known {
		return c
	}
	shop := cupShopC
	if d.ShopC != nil {
		shop = min(max(*d.ShopC, -20), 50)
	}
	hands := pot.Hands{GramsPerMin: grams / math.Max(WorkMinutes(x, need.AreaM2), 1), Vessel: pot.UsualVessel(c.Kind, grams)}
	batches, err := pot.Batches(pot.Query{Resin: r, ShopC: shop}, grams, hands)
	if err != nil {
		c.Notes = append(c.Notes, err.Error())
		return c
	}
	if k := batches[0]; k.Tight && k.WorkMinutes != nil {
		c.Notes = append(c.Notes, d.text("note.tight", words.Facts{"work": math.Floor(*k.WorkMinutes), "lay": math.Round(k.LayMinutes + pot.MixMinutes)}))
	}
	for _, k := range batches {
		cup := CardCup{Grams: math.Round(k.Grams), ResinG: whole(k.ResinG), HardenerG: whole(k.HardenerG), HardenerLow: k.LowG, HardenerHi: k.HighG,
			Ratio: k.Parts, Shape: string(k.Vessel.Shape()), DiameterMM: math.Round(k.DiameterMM), LayMinutes: math.Ceil(k.LayMinutes), Vessel: string(k.Vessel), Verdict: k.Verdict, Danger: k.Danger, Note: k.Note}
		if k.WorkMinutes != nil {
			m := math.Floor(*k.WorkMinutes)
			cup.WorkMinutes = &m
		}
		c.Cups = append(c.Cups, cup)
		c.ResinG, c.HardenerG = plus(c.ResinG, cup.ResinG), plus(c.HardenerG, cup.HardenerG)
	}
	return c
}

func whole(p *float64) *float64 {
	if p == nil {
		return nil
	}
	v := math.Round(*p)
	return &v
}

func plus(a, b *float64) *float64 {
	if a == nil || b == nil {
		return cmp.Or(a, b)
	}
	v := *a + *b
	return &v
}

// next works out step i, the one that its panel is at.
func (d *Desk) next(s *Schedule, out []StepState, i int) Next {
	st := &out[i]
	n := Next{Job: s.ID, JobName: s.title(), Panel: st.Panel, PanelName: d.panelName(st.Panel), Step: st.ID,
		Card: d.CardOf(s, i), ShareDone: st.Share, ReadyCups: []ReadyCup{}, Unsaid: []Then{},
		Contradictions: d.contradictions(out, st.Panel), Cautions: []string{}}
	n.Card.Then = d.then(s, out, i)
	for k := range out {
		if out[k].Panel == st.Panel && out[k].Status == StepUnsaid {
			n.Unsaid = append(n.Unsaid, Then{out[k].ID, d.text("note.unsaid", words.Facts{"step": out[k].ID})})
		}
	}
	d.cups(s, out, i, &n)
	n.Status = NextNow
	switch {
	case st.Status == StepLater:
		n.Status, n.Until = NextLater, st.Until
	case st.Do == "wait":
		n.Status, n.Opens = NextBefore, nil
		if end, ok := s.waitEnds(out, i); ok {
			n.Opens = &end
		}
	default:
		d.window(s, out, i, &n)
	}
	d.order(s, i, &n)
	n.Primary = "none"
	switch n.Status {
	case NextNow:
		n.Primary = "done"
		// Also where no grams are known: no coat goes on without a cup.
		if st.Do == "coat" && !slices.ContainsFunc(n.ReadyCups, func(c ReadyCup) bool { return c.ForStep || c.Resin == n.Resin }) && st.Share == 0 {
			n.Primary = "mixed"
		}
	case NextFeel, NextUnknown, NextCold:
		if n.Feel != nil && (n.Feel.From == nil || !n.Feel.From.After(d.Now)) {
			n.Primary = "feel"
		}
	}
	if n.Do == "coat" {
		n.Cautions = append(n.Cautions, d.text("caution.estimate", nil))
	}
	if n.Do == "soak" {
		n.Cautions = append(n.Cautions, d.text("caution.no_sleep", nil))
	}
	return n
}

// window says whether the hands may go, by the coat that the step waits for.
func (d *Desk) window(s *Schedule, out []StepState, i int, n *Next) {
	st := &out[i]
	if st.Of != "" {
		if k := s.Step(st.Of); k >= 0 && k < i && !out[k].over() && out[k].Status != StepUnsaid {
			n.Status = NextWaiting
			n.WaitingFor = &Waiting{Step: st.Of, For: "done", Say: d.text("waits.done", words.Facts{"step": st.Of})}
			return
		}
	}
	if st.When == "" || st.When == "start" {
		return
	}
	b := baseCoat(s.Steps, i)
	if b < 0 || out[b].Status == StepSkipped {
		return
	}
	for k := b + 1; k < i; k++ {
		// Washed and abraded since: the coat bonds mechanically, and the window of
		// the coat below is of no more account.
		if x := &out[k]; x.Panel == st.Panel && x.Do == "wash" && x.Status == StepDone && slices.Contains(waitsForSoft, st.When) {
			return
		}
	}
	e := d.estimate(out[b].Coat)
	kind := out[b].Step.Coat
	if e == nil {
		n.Status = NextUnknown
		n.Notes = append(n.Notes, d.text("note.not_watched", words.Facts{"coat": words.Known("kind."+kind, kind)}))
		return
	}
	n.WaitingFor = &Waiting{Step: out[b].ID, Coat: e.ID, For: st.When, Say: d.text("waits."+st.When, words.Facts{"coat": words.Known("kind."+kind, kind)})}
	feel := func(from *time.Time) {
		// Never closer than a tenth of the coat's age.
		every := min(max(int(d.Now.Sub(e.AppliedAt).Minutes()/10), 5), 60)
		n.Feel = &FeelAt{Coat: e.ID, From: from, EveryMinutes: every, Say: d.text("once."+st.When, nil)}
	}
	if st.When == "hard" || st.When == "handle" {
		d.hardness(e, st.When, n, feel)
		return
	}
	w := e.NextWindow
	if w == nil || w.Kind != windowKinds[st.When] {
		w = windowFor(e, st.When, d.Now)
	}
	n.Opens, n.Closes = w.Opens, w.Closes
	switch {
	case w.Permits:
		n.Status, n.WaitingFor, n.Opens = NextNow, nil, nil
	case w.Status == "closed":
		n.Status, n.Opens, n.Closes = NextClosed, nil, w.ClosesBand.P50
		n.Mend = d.mend(s, i, b, e)
	case w.Status == "cold":
		n.Status = NextCold
		feel(nil)
	case w.Status == "unknown":
		n.Status = NextUnknown
		feel(nil)
	default: // not yet, or open by the middle of the doubt and not permitted
		n.Status = NextBefore
		switch {
		case w.FeelFrom != nil:
			n.Status = NextFeel
			feel(w.FeelFrom)
		case (w.Opens == nil || w.Closes != nil && !w.Opens.Before(*w.Closes)) && w.OpensBand.P50 != nil:
			n.Status = NextFeel
			feel(w.OpensBand.P50)
		case w.Opens != nil && !w.Opens.After(d.Now):
			n.Status = NextFeel
			feel(nil)
		}
	}
}

// hardness says whether a coat is hard enough, or may be handled: a permission
// at the late edge, a finger test from the middle on.
func (d *Desk) hardness(e *coat.Estimate, when string, n *Next, feel func(*time.Time)) {
	band := e.Events.Hard
	if when == "handle" {
		band = e.Events.Handle
	}
	last := coat.State("")
	for _, f := range e.Strip.Feels {
		last = f.State
	}
	n.Opens = band.P90
	switch {
	case e.State == coat.Unknown:
		n.Status = NextUnknown
		feel(nil)
	case when == "hard" && (last == coat.Hard || e.Sand), band.P90 != nil && !band.P90.After(d.Now) && e.State == coat.Hard:
		n.Status, n.Opens, n.WaitingFor = NextNow, nil, nil
		if e.Stall {
			n.Notes = append(n.Notes, d.text("note.stalled", nil))
		}
	case when == "hard" && band.P50 != nil && !band.P50.After(d.Now):
		n.Status = NextFeel
		feel(nil)
	default:
		n.Status = NextBefore
		if n.Opens == nil && band.P50 != nil {
			n.Opens = band.P50
		}
	}
}

var windowKinds = map[string]string{"tacky": coat.WindowCloth, "wet": coat.WindowWet, "recoat": coat.WindowCoat, "fill": coat.WindowFill}

// windowFor reads a window off a coat's events, by the rules of every window,
// where the estimate speaks of another one.
func windowFor(e *coat.Estimate, when string, now time.Time) *coat.Window {
	w := &coat.Window{Kind: windowKinds[when], Status: "before"}
	applied := e.AppliedAt
	switch when {
	case "tacky":
		w.OpensBand, w.ClosesBand = e.Events.Tacky, e.Events.Green
	case "wet":
		w.OpensBand, w.ClosesBand = coat.TimeBand{P10: &applied, P50: &applied, P90: &applied}, e.Events.Tacky
	case "recoat", "fill":
		w.OpensBand, w.ClosesBand = e.Events.RecoatOpens, e.Events.RecoatCloses
	}
	w.Opens, w.Closes = w.OpensBand.P90, w.ClosesBand.P10
	past := func(t *time.Time) bool { return t != nil && !t.After(now) }
	crossed := w.OpensBand.P10 != nil && w.Closes != nil && (w.Opens == nil || !w.Opens.Before(*w.Closes))
	switch {
	case e.State == coat.Unknown:
		w.Status = "unknown"
	case past(w.ClosesBand.P50):
		w.Status = "closed"
	case crossed:
		w.FeelFrom = w.OpensBand.P10
	case past(w.Opens):
		w.Status = "open"
		w.Permits = !past(w.Closes)
	}
	return w
}

// mend is what helps once the window of step i is over.
func (d *Desk) mend(s *Schedule, i, b int, e *coat.Estimate) *Mend {
	if x := s.Steps[i]; (x.When == "tacky" || x.When == "wet") && (e.State == coat.Tacky || e.State == coat.Green) {
		return &Mend{Do: "repeat", Step: s.Steps[b].ID, Say: d.text("mend.repeat", words.Facts{"coat": words.Known("kind."+s.Steps[b].Coat, s.Steps[b].Coat)})}
	}
	id := "wash"
	for k := 2; s.Step(id) >= 0; k++ {
		id = fmt.Sprintf("wash %d", k)
	}
	return &Mend{Do: "insert", Step: s.Steps[i].ID, Say: d.text("mend.insert", nil),
		Make: &Step{ID: id, Panel: s.Steps[i].Panel, Do: "wash", When: "hard", Of: s.Steps[b].ID, Note: d.text("mend.note", nil)}}
}

// cups finds the cups that stand ready, marks the planned ones that have been
// mixed, and says whether the last coat may take another.
func (d *Desk) cups(s *Schedule, out []StepState, i int, n *Next) {
	mixedFor := map[string]string{} // batch → step
	for _, st := range out {
		for _, t := range st.Ticks {
			if t.Did == TickMixed && t.Overruled == "" {
				mixedFor[t.Batch] = st.ID
			}
		}
	}
	onCoat := onCoats(d.Work)
	mixed := 0
	for _, b := range d.Work.Batches {
		if _, is := mixedFor[b.ID]; is && mixedFor[b.ID] == out[i].ID {
			if mixed < len(n.Cups) {
				n.Cups[mixed].Batch = b.ID
			}
			mixed++
		}
		if n.Do == "coat" && b.Resin == n.Resin && b.OffRatio != coat.OffScrap && standing(b, d.Now) && (!onCoat[b.ID] || b.Kept) {
			of, known := mixedFor[b.ID]
			if known && of != out[i].ID {
				continue
			}
			n.ReadyCups = append(n.ReadyCups, ReadyCup{Batch: b.ID, Resin: b.Resin, Grams: batchGrams(b), Mixed: b.Mixed, ForStep: known})
		}
	}
	// The coat that went on last on this panel, while cups of it are left.
	for k := i - 1; k >= 0; k-- {
		st := &out[k]
		if st.Panel != out[i].Panel || st.Do != "coat" || st.Status != StepDone {
			continue
		}
		c, ok := find(d.Work.Coats, func(c coat.Coat) bool { return c.ID == st.Coat })
		if !ok || d.Now.Sub(c.Applied) > moreFor {
			return
		}
		if left := d.cupsLeft(d.CardOf(s, k).Cups, c); len(left) > 0 {
			n.More = &More{Step: st.ID, Coat: c.ID, Kind: c.Kind, CupsLeft: len(left), Cups: left}
		}
		return
	}
}

// cupsLeft are the cups that a coat still takes of those planned for it. Their
// size is that of the cup mixed last: whoever has mixed the first of two expects
// one more like it, also where the shop has warmed by a degree since.
func (d *Desk) cupsLeft(planned []CardCup, c coat.Coat) []CardCup {
	var all, in, last float64
	for _, p := range planned {
		all += p.Grams
	}
	for _, id := range c.Batches {
		b, _ := find(d.Work.Batches, func(b coat.Batch) bool { return b.ID == id })
		g := batchGrams(b)
		if g == nil || b.HardenerG == nil { // not weighed: counted by the cup
			return planned[min(len(c.Batches), len(planned)):]
		}
		in, last = in+*g, *g
	}
	if len(planned) == 0 || last <= 0 {
		return planned
	}
	n := int(math.Ceil((all-in)/last - aCupMore))
	if n <= 0 {
		return nil
	}
	cup := planned[0]
	part := (all - in) / float64(n) / cup.Grams
	cup.Grams = math.Round(cup.Grams * part)
	for _, p := range []**float64{&cup.ResinG, &cup.HardenerG, &cup.HardenerLow, &cup.HardenerHi} {
		if *p != nil {
			g := math.Round(**p * part)
			*p = &g
		}
	}
	if part > 1.05 {
		cup.WorkMinutes = nil // larger than what it was worked out for
	}
	cup.Batch = ""
	return slices.Repeat([]CardCup{cup}, n)
}

// aCupMore is by how much of itself a cup may be larger before another one is
// asked for (a choice).
const aCupMore = 0.25

// moreFor is how long after the first brush stroke another cup still belongs to
// the same coat without being asked about.
const moreFor = 2 * time.Hour

// standing reports whether a cup is mixed and not used up, and young enough
// that somebody may still mean it.
func standing(b coat.Batch, now time.Time) bool {
	return b.Ended == nil && !b.Mixed.After(now.Add(ClockSlack)) && now.Sub(b.Mixed) <= 12*time.Hour
}

func batchGrams(b coat.Batch) *float64 { return plus(b.ResinG, b.HardenerG) }
