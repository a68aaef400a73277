// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/fault"
	"curewright/model/mix"
	"curewright/model/pot"
	"curewright/model/words"
)

// Book is the record of work that an entry is added to. Its methods compute all
// records that one entry writes, so that they can be stored in one transaction; they
// change nothing themselves.
type Book struct {
	Now   time.Time
	Loc   *time.Location
	By    string           // person who enters it
	Words *words.Catalogue // language of the answer; nil for English
	Work  *coat.Work
	Jobs  []Schedule
	Ticks []Tick
	// NewID makes a short id for a new record of a kind. It must never give the
	// same one twice.
	NewID func(kind string) string
	// Card is the planned step, whose weights count for cups entered without
	// weights; nil for none.
	Card func(s *Schedule, i int) Card
}

// Write is one record that an entry creates, replaces or deletes.
type Write struct {
	Kind   string
	ID     string
	Value  any // the whole record; nil deletes it
	Create bool
}

// Entry is one thing that a person entered, with all its consequences.
type Entry struct {
	Writes   []Write
	Say      string
	Warnings []string
	Tick     string
	Coat     string   // coat that it made or changed
	Batches  []string // of that coat
	Batch    string   // the cup that it mixed
	Feel     string
	Panel    string
	Answers  []string // coats and cups whose alerts it acknowledges
}

func (e *Entry) put(kind, id string, v any, create bool) {
	for i := range e.Writes {
		if e.Writes[i].Kind == kind && e.Writes[i].ID == id {
			e.Writes[i].Value = v // at most one version per record and entry
			return
		}
	}
	e.Writes = append(e.Writes, Write{kind, id, v, create})
}

// Done is the one request that says a step was done. Everything but Step is a
// deviation from the job.
type Done struct {
	Step       string     `json:"step"`
	ID         string     `json:"id,omitempty"` // of the coat that it makes; "" for a new id
	At         *time.Time `json:"at,omitempty"`
	Who        string     `json:"who,omitempty"`
	Panel      string     `json:"panel,omitempty"` // for a step that the job no longer has
	Kind       string     `json:"kind,omitempty"`
	Resin      string     `json:"resin,omitempty"`
	Lot        string     `json:"lot,omitempty"`
	Cloth      string     `json:"cloth,omitempty"`
	Cover      string     `json:"cover,omitempty"`
	BagKPa     *float64   `json:"bag_kpa,omitempty"`
	BagMinutes *float64   `json:"bag_minutes,omitempty"`
	Share      *float64   `json:"share,omitempty"`
	Batches    *[]string  `json:"batches,omitempty"`
	Keep       []string   `json:"keep,omitempty"` // cups that are not empty
	Finished   *time.Time `json:"finished,omitempty"`
	Next       string     `json:"next,omitempty"`
	Note       string     `json:"note,omitempty"`
}

// Mixed is the request that says a cup was mixed for a step.
type Mixed struct {
	Step       string     `json:"step"`
	ID         string     `json:"id,omitempty"` // of the cup; "" for a new id
	At         *time.Time `json:"at,omitempty"`
	Who        string     `json:"who,omitempty"`
	Resin      string     `json:"resin,omitempty"`
	Lot        string     `json:"lot,omitempty"`
	ResinG     *float64   `json:"resin_g,omitempty"`
	HardenerG  *float64   `json:"hardener_g,omitempty"`
	Shape      string     `json:"shape,omitempty"`
	DiameterMM *float64   `json:"diameter_mm,omitempty"`
	StartC     *float64   `json:"start_c,omitempty"`
	Cup        *int       `json:"cup,omitempty"` // which planned cup; nil: the first not mixed
	FillerG    *float64   `json:"filler_g,omitempty"`
	// HardenerLot, where it differs from the resin's; OffRatio is what was done
	// with a cup that is off its ratio: scrap or used.
	HardenerLot string `json:"hardener_lot,omitempty"`
	OffRatio    string `json:"off_ratio,omitempty"`
	On          bool   `json:"on,omitempty"` // it is on the panel already
	Note        string `json:"note,omitempty"`
}

// Put is a step skipped, put off, repeated, reopened, or settled.
type Put struct {
	Step  string     `json:"step"`
	At    *time.Time `json:"at,omitempty"`
	Who   string     `json:"who,omitempty"`
	Why   string     `json:"why,omitempty"`
	Until *time.Time `json:"until,omitempty"` // later: nil means tomorrow at seven
	Keep  string     `json:"keep,omitempty"`  // settle: the tick that is right
	Coat  string     `json:"coat,omitempty"`  // reopen: "void" deletes the coat as well
}

// Felt is a finger test by panel, step or coat.
type Felt struct {
	Coat  string     `json:"coat,omitempty"`
	Step  string     `json:"step"`
	Panel string     `json:"panel,omitempty"`
	State coat.State `json:"state"`
	At    *time.Time `json:"at,omitempty"`
	Who   string     `json:"who,omitempty"`
}

// newID is the id that an entry asks for, or one that is made up.
func (b *Book) newID(f *fault.List, kind, want string, taken func(string) bool) string {
	if want == "" {
		return b.NewID(kind)
	}
	f.ID("id", want)
	if taken(want) {
		f.Add("id", "there is a %s %q already", kind, want)
	}
	return want
}

func (b *Book) job(id string) *Schedule {
	i := slices.IndexFunc(b.Jobs, func(s Schedule) bool { return s.ID == id })
	if i < 0 {
		return nil
	}
	return &b.Jobs[i]
}

// when is an entry's time; a time in the future or from a clock that was never set is
// a fault.
func (b *Book) when(f *fault.List, at *time.Time) time.Time {
	if at == nil {
		return b.Now
	}
	checkWhen(f, "at", *at, b.Now)
	t := *at
	if b.Loc != nil {
		t = t.In(b.Loc)
	}
	return t
}

// find looks a step up; the faults say so when it is not there.
func (b *Book) find(f *fault.List, jobID, step string) (*Schedule, int) {
	s := b.job(jobID)
	if s == nil {
		f.Add("job", "unknown job %q", jobID)
		return nil, -1
	}
	i := s.Step(step)
	switch {
	case step == "":
		f.Add("step", "missing")
	case i < 0:
		f.Add("step", "%q is no step of %s; its steps are %s", step, s.title(), strings.Join(stepIDs(s), ", "))
	}
	return s, i
}

func stepIDs(s *Schedule) []string {
	var out []string
	for _, x := range s.Steps {
		out = append(out, x.ID)
	}
	return out
}

// text is a sentence of an entry's answer: the message "entry." + code with its facts.
func (b *Book) text(code string, facts words.Facts) string {
	return words.View{Words: b.Words}.Say("entry."+code, facts)
}

// say sets the entry's answer, with a capital first letter: the sentence may begin with
// a kind of coat or a cloth.
func (b *Book) say(e *Entry, code string, facts words.Facts) {
	e.Say = words.Upper(b.text(code, facts))
}

func (b *Book) warn(e *Entry, code string, facts words.Facts) {
	e.Warnings = append(e.Warnings, words.Upper(b.text("warn."+code, facts)))
}

// clockText is a time as text, with its date if that is not today's.
func (b *Book) clockText(t time.Time) string {
	if b.Loc != nil {
		t = t.In(b.Loc)
	}
	return clockText(b.Words, t, b.Now)
}

func clockText(c *words.Catalogue, t, now time.Time) string {
	now = now.In(t.Location())
	if now.YearDay() != t.YearDay() || now.Year() != t.Year() {
		return c.DateName("day", t) + t.Format(" 2 ") + c.DateName("month", t) + t.Format(" 15:04")
	}
	return t.Format("15:04")
}

// kindWord is a coat's kind as the language calls it, or as a person wrote it.
func kindWord(kind string) any { return words.Known("kind."+kind, kind) }

func (b *Book) panelName(id string) string {
	p, _ := find(b.Work.Panels, func(p coat.Panel) bool { return p.ID == id })
	return cmp.Or(p.Name, id)
}

// atStep is an entry of one step as it is worked out.
type atStep struct {
	*Book
	f         fault.List
	e         *Entry
	s         *Schedule
	out       []StepState // its progress
	i         int         // which step of it
	x         Step
	at        time.Time
	who, note string
}

// step works out an entry of a step: f are the faults that it has already, and
// field the name of its note.
func (b *Book) step(f fault.List, jobID, step string, at *time.Time, who, field, note string, work func(n *atStep)) (*Entry, []Fault) {
	n := &atStep{Book: b, f: f, e: &Entry{}, who: who, note: note}
	n.s, n.i = b.find(&n.f, jobID, step)
	n.at = b.when(&n.f, at)
	n.f.Text(field, note, maxNote)
	checkWho(&n.f, who)
	if n.f != nil {
		return nil, n.f
	}
	n.x, n.out = n.s.Steps[n.i], n.s.Progress(b.Work, b.Ticks, b.Now)
	work(n)
	if n.f != nil {
		return nil, n.f
	}
	return n.e, nil
}

// tick begins the tick of an entry.
func (n *atStep) tick(did string) Tick {
	t := Tick{ID: n.NewID("tick"), Job: n.s.ID, Step: n.x.ID, Panel: n.x.Panel, Did: did, At: n.at, Who: cmp.Or(n.who, n.By), Note: n.note}
	n.e.Tick, n.e.Panel = t.ID, t.Panel
	return t
}

// Done computes the records of one tap on "done": the coat is on, with its kind, cloth
// and cover; its cups are empty; the coat below is closed; the job gives the next step.
func (b *Book) Done(jobID string, q Done) (*Entry, []Fault) {
	var f fault.List
	checkShare(&f, q.Share)
	return b.step(f, jobID, q.Step, q.At, q.Who, "note", q.Note, func(n *atStep) {
		t := n.tick(TickDone)
		t.Share = q.Share
		switch n.x.Do {
		case "coat":
			n.coatOn(q, &t)
		case "cloth", "cover":
			n.cloth(q, &t)
		default:
			n.plain()
		}
		if n.x.Do != "coat" || n.out[n.i].Coat == "" {
			b.used(n.e, n.x.Panel, n.at)
		}
		n.order()
		n.e.put("tick", t.ID, t, true)
	})
}

// coatOn is the one tap for a coat.
func (n *atStep) coatOn(q Done, t *Tick) {
	now := &n.out[n.i]
	have, there := find(n.Work.Coats, func(c coat.Coat) bool { return c.ID == now.Coat && c.ID != "" })
	c := n.coatSaid(q)
	cups, named := n.cupsFor(q, c.Resin)
	if q.Resin == "" && named && len(cups) > 0 && cups[0].Resin != c.Resin {
		c.Resin = cups[0].Resin // the cup decides which epoxy it is
	}
	for _, k := range cups {
		c.Batches = append(c.Batches, k.ID)
	}
	t.Said = &Said{Kind: c.Kind, Resin: c.Resin, Batches: c.Batches, Cloth: clothText(c.Cloth), Cover: c.Cover}
	switch {
	case !there:
		c.ID = n.newID(&n.f, "coat", q.ID, func(id string) bool {
			return slices.ContainsFunc(n.Work.Coats, func(o coat.Coat) bool { return o.ID == id })
		})
		n.close(n.e, &c)
		n.lateFeels(n.e, &c)
		n.lateCloth(&c)
	case now.Status != StepDone:
		c = restOn(have, c, now.Share+t.share())
	default:
		// Entered twice: one coat, with both entries and the cups of both.
		have.Batches = union(have.Batches, c.Batches)
		c = have
		if d := contradict(n.x, now.firstFull(), *t); len(d) > 0 {
			for _, k := range d {
				n.e.Warnings = append(n.e.Warnings, k.text(n.Words))
			}
		} else {
			n.warn(n.e, "again", words.Facts{"step": n.x.ID})
		}
	}
	t.Coat = c.ID
	n.f = append(n.f, CheckCoat(n.with(cups), c, n.Now)...)
	n.e.put("coat", c.ID, c, !there)
	n.empty(n.e, cups, q.Keep, q.Lot, n.at)
	n.e.Coat, n.e.Batches = c.ID, c.Batches
	n.sayOn(c, cups, q)
	n.e.Answers = append(append(n.e.Answers, c.ID), c.Batches...)
}

// coatSaid is the coat of a step by its job and an entry, without its cups.
func (n *atStep) coatSaid(q Done) coat.Coat {
	x := n.x
	c := coat.Coat{Panel: x.Panel, Resin: cmp.Or(q.Resin, n.s.ResinOf(n.i)), Kind: cmp.Or(q.Kind, x.Coat), Applied: n.at, Finished: q.Finished, Note: q.Note,
		Cover: cmp.Or(q.Cover, x.Cover), BagKPa: cmp.Or(q.BagKPa, x.BagKPa), BagMinutes: cmp.Or(q.BagMinutes, x.BagMinutes), Share: q.Share,
		Next: cmp.Or(q.Next, n.nextWord(n.s, n.i))}
	if q.Cover != "" && q.Cover != "vacuum bag" {
		c.BagKPa, c.BagMinutes = q.BagKPa, q.BagMinutes
	}
	if cloth := cmp.Or(q.Cloth, x.Cloth); cloth != "" && cloth != "none" {
		c.Cloth = Cloths(cloth, &n.at)
	}
	return c
}

// restOn extends a coat of which a share was on already to a larger share.
func restOn(have, more coat.Coat, share float64) coat.Coat {
	have.Batches = union(have.Batches, more.Batches)
	have.Cloth = append(slices.Clone(have.Cloth), newCloth(have.Cloth, more.Cloth)...)
	share = min(share, 1)
	have.Share = &share
	if share > 0.99 {
		have.Share = nil
	}
	at := more.Applied
	if at.Before(have.Applied) {
		have.Applied = at
	} else if have.Finished == nil || have.Finished.Before(at) {
		have.Finished = &at
	}
	return have
}

// sayOn is the answer to a coat that is on, with what became of its cups.
func (n *atStep) sayOn(c coat.Coat, cups []coat.Batch, q Done) {
	code, facts := "on", words.Facts{"what": kindWord(c.Kind), "panel": n.panelName(n.x.Panel), "at": n.clockText(n.at)}
	if q.Share != nil && *q.Share < 1 {
		code, facts["pct"] = "on_share", fmt.Sprintf("%.0f", 100**q.Share)
	}
	n.say(n.e, code, facts)
	if left := len(cups) - len(q.Keep); left == 1 {
		n.e.Say += " " + n.text("cup_empty", words.Facts{"cup": cups[0].ID})
	} else if left > 1 {
		n.e.Say += " " + n.text("cups_empty", words.Facts{"n": left})
	}
	if len(c.Batches) == 0 {
		n.warn(n.e, "no_cup", nil)
	}
}

func (st *StepState) firstFull() Tick {
	for _, t := range st.Ticks {
		if t.Did == TickDone && t.Overruled == "" && t.share() >= 1 {
			return t
		}
	}
	at := time.Time{}
	if st.DoneAt != nil {
		at = *st.DoneAt
	}
	return Tick{ID: st.Coat, At: at, Who: theRecord}
}

// with is the work including the cups that this entry changes.
func (b *Book) with(cups []coat.Batch) *coat.Work {
	w := *b.Work
	w.Batches = slices.Clone(b.Work.Batches)
	for _, c := range cups {
		if !slices.ContainsFunc(w.Batches, func(o coat.Batch) bool { return o.ID == c.ID }) {
			w.Batches = append(w.Batches, c)
		}
	}
	return &w
}

// cupsFor returns the cups of a coat: those named; else those mixed for the step; else
// open cups that were mixed for no other step, younger than half a day and mixed before
// the entry's time.
func (n *atStep) cupsFor(q Done, resin string) (cups []coat.Batch, named bool) {
	if q.Batches != nil {
		for k, id := range *q.Batches {
			c, ok := find(n.Work.Batches, func(c coat.Batch) bool { return c.ID == id })
			if !ok {
				n.f.Add(fmt.Sprintf("batches[%d]", k), "unknown batch %q", id)
				continue
			}
			cups = append(cups, c)
		}
		return cups, true
	}
	mixedFor := map[string]bool{}
	mine := map[string]bool{}
	for _, t := range n.Ticks {
		if t.Did == TickMixed && t.Overruled == "" && n.stands(t) {
			mixedFor[t.Batch] = true
			if t.Job == n.s.ID && t.Step == n.x.ID {
				mine[t.Batch] = true
			}
		}
	}
	onCoat := onCoats(n.Work)
	for _, c := range n.Work.Batches {
		if mine[c.ID] && !onCoat[c.ID] && c.OffRatio != coat.OffScrap {
			cups = append(cups, c)
		}
	}
	if len(cups) > 0 {
		return cups, false
	}
	for _, c := range n.Work.Batches {
		if !mixedFor[c.ID] && (!onCoat[c.ID] || c.Kept) && c.Resin == resin && c.OffRatio != coat.OffScrap && standing(c, n.Now) && !c.Mixed.After(n.at.Add(ClockSlack)) {
			cups = append(cups, c)
		}
	}
	return cups, false
}

// onCoats are the cups that belong to a coat.
func onCoats(w *coat.Work) map[string]bool {
	on := map[string]bool{}
	for _, c := range w.Coats {
		for _, id := range c.Batches {
			on[id] = true
		}
	}
	return on
}

// stands reports whether the step that a tick is of is still in its job.
func (b *Book) stands(t Tick) bool {
	s := b.job(t.Job)
	return s != nil && s.Step(t.Step) >= 0
}

// empty ends cups: a cup whose coat is on is empty unless it is named in Keep.
func (b *Book) empty(e *Entry, cups []coat.Batch, keep []string, lot string, at time.Time) {
	for _, c := range cups {
		changed := false
		if c.Ended == nil && !slices.Contains(keep, c.ID) {
			end := at
			if c.Mixed.After(end) {
				end = c.Mixed
			}
			c.Ended, changed = &end, true
		}
		if slices.Contains(keep, c.ID) && !c.Kept {
			c.Kept, changed = true, true
		}
		if lot != "" && c.Lot == "" {
			c.Lot, changed = lot, true
		}
		if changed {
			e.put("batch", c.ID, c, false)
		}
	}
}

// close ends the coats that a new coat covers, and the new one where a later
// one is on already: entries may come in any order. Bonds lie in the joints
// and stay open.
func (b *Book) close(e *Entry, c *coat.Coat) {
	if c.Kind == coat.Bond {
		return
	}
	for _, o := range b.Work.Coats {
		if o.Panel != c.Panel || o.Kind == coat.Bond || o.ID == c.ID {
			continue
		}
		switch {
		case o.Applied.Before(c.Applied) && (o.Ended == nil || o.Ended.After(c.Applied)):
			end := c.Applied
			o.Ended = &end
			e.put("coat", o.ID, o, false)
			e.Answers = append(e.Answers, o.ID)
		case o.Applied.After(c.Applied) && (c.Ended == nil || o.Applied.Before(*c.Ended)):
			end := o.Applied
			c.Ended = &end
		}
	}
}

// lateFeels moves finger tests to a coat that is entered late: tests made on it were
// entered earlier and so belong to the coat that it covers. A bond stays accessible
// beside the coats on the panel, so its finger tests stay with it.
func (b *Book) lateFeels(e *Entry, c *coat.Coat) {
	if c.Kind == coat.Bond || c.Share != nil && *c.Share < 1 {
		return
	}
	for _, x := range b.Work.Feels {
		o, ok := find(b.Work.Coats, func(o coat.Coat) bool { return o.ID == x.Coat })
		if !ok || o.Panel != c.Panel || o.Kind == coat.Bond || !o.Applied.Before(c.Applied) || x.At.Before(c.Applied) || c.Ended != nil && x.At.After(*c.Ended) {
			continue
		}
		x.Coat = c.ID
		e.put("feel", x.ID, x, false)
	}
}

// cloth lays a cloth, or a cover, into the coat that the step is about.
func (n *atStep) cloth(q Done, t *Tick) {
	x, at, out := n.x, n.at, n.out
	base := baseCoat(n.s.Steps, n.i)
	var c coat.Coat
	ok := false
	if base >= 0 && out[base].Coat != "" {
		c, ok = find(n.Work.Coats, func(c coat.Coat) bool { return c.ID == out[base].Coat })
	}
	what := x.Cover
	if x.Do == "cloth" {
		what = cmp.Or(q.Cloth, x.Cloth)
	} else if q.Cover != "" {
		what = q.Cover
	}
	t.Said = &Said{Cloth: cmp.Or(q.Cloth, x.Cloth), Cover: cmp.Or(q.Cover, x.Cover)}
	code := "on"
	if x.Do == "cloth" {
		code = "cloth_in"
	}
	n.say(n.e, code, words.Facts{"what": what, "panel": n.panelName(x.Panel), "at": n.clockText(at)})
	if !ok {
		n.warn(n.e, "no_coat", nil)
		return
	}
	if out[n.i].Status == StepDone && len(out[n.i].Ticks) > 0 {
		for _, k := range contradict(x, out[n.i].firstFull(), *t) {
			n.e.Warnings = append(n.e.Warnings, k.text(n.Words))
		}
		t.Coat = c.ID
		n.e.Coat = c.ID
		return
	}
	if at.Before(c.Applied) {
		n.warn(n.e, "before_coat", words.Facts{"at": n.clockText(at), "coat": kindWord(c.Kind), "coat_at": n.clockText(c.Applied)})
	}
	if x.Do == "cloth" {
		laid := at
		if laid.Before(c.Applied) {
			laid = c.Applied
		}
		add := Cloths(what, &laid)
		kept := slices.Clone(c.Cloth)
		for _, one := range add {
			// This is the cloth that was planned when the coat went on.
			if k := slices.IndexFunc(kept, func(o coat.Cloth) bool { return o.Name == one.Name && o.Laid == nil }); k >= 0 {
				kept[k] = one
				continue
			}
			kept = append(kept, one)
		}
		c.Cloth = kept
	}
	if cover := cmp.Or(q.Cover, x.Cover); cover != "" {
		putOn(&c, cover, cmp.Or(q.BagKPa, x.BagKPa), cmp.Or(q.BagMinutes, x.BagMinutes))
	}
	if next := cmp.Or(q.Next, n.nextWord(n.s, n.i)); next != "" {
		c.Next = next
	}
	n.f = append(n.f, CheckCoat(n.Work, c, n.Now)...)
	t.Coat, n.e.Coat, n.e.Batches = c.ID, c.ID, c.Batches
	n.e.put("coat", c.ID, c, false)
	n.e.Answers = append(n.e.Answers, c.ID)
}

// putOn gives a coat a cover; pressure and time are kept for a vacuum bag only.
func putOn(c *coat.Coat, cover string, bagKPa, bagMinutes *float64) {
	if cover != "vacuum bag" {
		bagKPa, bagMinutes = nil, nil
	}
	c.Cover, c.BagKPa, c.BagMinutes = cover, bagKPa, bagMinutes
}

// lateCloth moves cloths into a new coat that were laid into it but entered before the
// coat itself.
func (n *atStep) lateCloth(c *coat.Coat) {
	out := n.out
	for k := range out {
		x := n.s.Steps[k]
		if out[k].Status != StepDone && out[k].Status != StepUnsaid || out[k].Coat != "" || x.Do != "cloth" && x.Do != "cover" || baseCoat(n.s.Steps, k) != n.i {
			continue
		}
		for _, t := range out[k].Ticks {
			if t.Did != TickDone || t.Overruled != "" || t.Said == nil {
				continue
			}
			laid := t.At
			if laid.Before(c.Applied) {
				n.warn(n.e, "step_before_coat", words.Facts{"step": x.ID, "at": n.clockText(laid), "coat": kindWord(c.Kind), "coat_at": n.clockText(c.Applied)})
				laid = c.Applied
			}
			if x.Do == "cloth" {
				c.Cloth = append(c.Cloth, Cloths(t.Said.Cloth, &laid)...)
			}
			if t.Said.Cover != "" {
				putOn(c, t.Said.Cover, x.BagKPa, x.BagMinutes)
			}
			c.Next = n.nextWord(n.s, k)
			t.Coat = c.ID
			n.e.put("tick", t.ID, t, false)
		}
	}
}

// used ends the open cups of a panel's coats: a later step on the panel shows that they
// were used up.
func (b *Book) used(e *Entry, panel string, at time.Time) {
	for _, c := range b.Work.Coats {
		if c.Panel != panel || c.Applied.After(at) {
			continue
		}
		for _, id := range c.Batches {
			k, ok := find(b.Work.Batches, func(o coat.Batch) bool { return o.ID == id })
			if ok && k.Ended == nil && standing(k, b.Now) && !k.Mixed.After(at) {
				k.Ended = &at
				e.put("batch", k.ID, k, false)
				e.Answers = append(e.Answers, k.ID)
			}
		}
	}
}

// plain enters a step that makes no coat: sanding, washing, a flip.
func (n *atStep) plain() {
	x := n.x
	if x.Do == "flip" {
		n.say(n.e, "flipped", words.Facts{"at": n.clockText(n.at), "panel": n.panelName(x.To)})
	} else {
		n.say(n.e, "plain", words.Facts{"did": words.Code("job.button." + x.Do), "panel": n.panelName(x.Panel), "at": n.clockText(n.at)})
	}
	// It acknowledges the alerts about the coats on that side.
	for _, c := range n.Work.Coats {
		if c.Panel == x.Panel && c.Open(n.at) {
			n.e.Answers = append(n.e.Answers, c.ID)
		}
	}
}

// order warns where a time does not fit those of the steps before and after it. The
// entry is never refused for it: both times stay in the record.
func (n *atStep) order() {
	out, i, at := n.out, n.i, n.at
	for k := range out {
		if k == i || out[k].Panel != out[i].Panel || out[k].DoneAt == nil || out[k].Do == "wait" {
			continue
		}
		d := *out[k].DoneAt
		switch {
		case k < i && d.After(at.Add(ClockSlack)):
			n.warn(n.e, "order_before", words.Facts{"step": out[i].ID, "at": n.clockText(at), "other": out[k].ID, "other_at": n.clockText(d)})
		case k > i && d.Before(at.Add(-ClockSlack)):
			n.warn(n.e, "order_after", words.Facts{"step": out[i].ID, "at": n.clockText(at), "other": out[k].ID, "other_at": n.clockText(d)})
		}
	}
}

// nextWord is what comes after step i on its panel, in the words of Coat.Next.
func (b *Book) nextWord(s *Schedule, i int) string {
	for _, x := range s.Steps[i+1:] {
		if x.Panel != s.Steps[i].Panel {
			continue
		}
		switch {
		case x.When == "tacky":
			return "cloth"
		case x.When == "wet":
			return "wet"
		case x.When == "recoat":
			return "coat"
		case x.When == "fill":
			return "fill"
		case x.When == "hard", x.When == "handle":
			return "none"
		case x.Do == "coat" && s.Steps[i].Coat != coat.Bond:
			return "coat"
		case x.Do == "wait", x.Do == "soak", x.Do == "cover":
			continue
		}
		return "none"
	}
	return "none"
}

// Mixed computes the records of a cup mixed for a step. If the step's coat is on
// already, the cup is added to it; with On it is on the panel at once.
func (b *Book) Mixed(jobID string, q Mixed) (*Entry, []Fault) {
	return b.step(nil, jobID, q.Step, q.At, q.Who, "note", q.Note, func(n *atStep) { n.mixed(q) })
}

func (n *atStep) mixed(q Mixed) {
	if n.x.Do != "coat" {
		n.f.Add("step", "%s takes no epoxy", n.x.ID)
		return
	}
	id := n.newID(&n.f, "batch", q.ID, func(id string) bool {
		return slices.ContainsFunc(n.Work.Batches, func(o coat.Batch) bool { return o.ID == id })
	})
	k := coat.Batch{ID: id, Resin: cmp.Or(q.Resin, n.s.ResinOf(n.i)), Lot: cmp.Or(q.Lot, n.s.Lot), ResinG: q.ResinG, HardenerG: q.HardenerG,
		HardenerLot: q.HardenerLot, FillerG: q.FillerG, OffRatio: q.OffRatio, Mixed: n.at, Shape: q.Shape, DiameterMM: q.DiameterMM, StartC: q.StartC}
	n.weighedAsPlanned(q, &k)
	n.f = append(n.f, CheckBatch(n.Work, k, n.Now)...)
	if n.f != nil {
		return
	}
	t := n.tick(TickMixed)
	t.Batch = k.ID
	grams := ""
	if g := batchGrams(k); g != nil {
		grams = fmt.Sprintf(", %.0f g", *g)
	}
	n.say(n.e, "mixed", words.Facts{"cup": k.ID, "coat": kindWord(n.x.Coat), "grams": grams, "at": n.clockText(n.at)})
	n.unknownRatio(n.e, k)
	c, there := find(n.Work.Coats, func(c coat.Coat) bool { return c.ID == n.out[n.i].Coat && c.ID != "" })
	switch {
	case !there && q.On:
		n.f.Add("on", "the %s is not on yet: enter it first", n.x.Coat)
		return
	case !there:
	case c.Resin != k.Resin:
		n.warn(n.e, "other_resin", words.Facts{"coat": kindWord(c.Kind), "coat_resin": c.Resin, "resin": k.Resin})
	default:
		n.goesTo(n.e, c, &k, q.On)
		t.Coat = c.ID
	}
	n.e.Batch = k.ID
	n.e.put("batch", k.ID, k, true)
	n.e.put("tick", t.ID, t, true)
}

// weighedAsPlanned gives a cup without weights those of the card: of the planned cup
// that is named, else of the first that is not mixed yet.
func (n *atStep) weighedAsPlanned(q Mixed, k *coat.Batch) {
	if q.ResinG != nil || q.HardenerG != nil || n.Card == nil {
		return
	}
	cups := n.Card(n.s, n.i).Cups
	which := n.mixedFor(n.s, n.x.ID)
	if q.Cup != nil {
		which = *q.Cup
	}
	switch {
	case q.Cup != nil && (which < 0 || which >= len(cups)):
		n.f.Add("cup", "%d is not one of the %d planned cups (the first is 0)", which, len(cups))
	case len(cups) > 0 && k.Resin == n.s.ResinOf(n.i):
		c := cups[min(which, len(cups)-1)]
		k.ResinG, k.HardenerG = c.ResinG, c.HardenerG
		k.Shape = cmp.Or(k.Shape, c.Shape)
		if c.DiameterMM > 0 && k.Shape == string(pot.Cup) {
			k.DiameterMM = cmp.Or(k.DiameterMM, &c.DiameterMM)
		}
	}
}

// goesTo adds a new cup to the coat that it was mixed for; on says that it is on
// the panel already.
func (b *Book) goesTo(e *Entry, c coat.Coat, k *coat.Batch, on bool) {
	at := k.Mixed
	c.Batches = union(c.Batches, []string{k.ID})
	e.Coat, e.Batches = c.ID, c.Batches
	switch {
	case on:
		k.Ended = &at
		e.Say += " " + b.text("on_panel", nil)
	case !at.After(c.Applied):
		// Entered late: its coat is on already.
		end := c.Applied
		k.Ended = &end
	default:
		k.Kept = true // it belongs to the coat but stays in the cup until it is entered as on
	}
	if c.Finished != nil && c.Finished.Before(at) {
		c.Finished = &at
	}
	e.put("coat", c.ID, c, false)
}

// unknownRatio warns of a cup whose ratio can't be checked, because the resin has none:
// of the first cup, and of one whose ratio differs from that of the cup before.
func (b *Book) unknownRatio(e *Entry, k coat.Batch) {
	r, ok := b.Work.Resins[k.Resin]
	if ratio, err := mix.RatioOf(nil, r); !ok || err != nil || ratio.ByWeight != nil || k.ResinG == nil || k.HardenerG == nil {
		return
	}
	var last *coat.Batch
	for i := range b.Work.Batches {
		o := &b.Work.Batches[i]
		if o.Resin == k.Resin && o.ResinG != nil && o.HardenerG != nil && *o.HardenerG > 0 && (last == nil || o.Mixed.After(last.Mixed)) {
			last = o
		}
	}
	facts := words.Facts{"resin": k.Resin, "resin_g": num(*k.ResinG), "hardener_g": num(*k.HardenerG)}
	if last == nil {
		b.warn(e, "ratio_unknown", facts)
		return
	}
	if off := (*k.HardenerG / *k.ResinG) / (*last.HardenerG / *last.ResinG); math.Abs(off-1) > mixRatioSlackPct/100. {
		facts["last_resin_g"], facts["last_hardener_g"] = num(*last.ResinG), num(*last.HardenerG)
		b.warn(e, "ratio_unlike", facts)
	}
}

func num(x float64) string { return fmt.Sprintf("%g", x) }

// mixedFor counts the cups mixed for a step.
func (b *Book) mixedFor(s *Schedule, step string) int {
	n := 0
	for _, t := range b.Ticks {
		if t.Job == s.ID && t.Step == step && t.Did == TickMixed {
			n++
		}
	}
	return n
}

// Skip computes the records of a step that will not be done.
func (b *Book) Skip(jobID string, q Put) (*Entry, []Fault) {
	return b.put(jobID, q, func(n *atStep) {
		t := n.tick(TickSkip)
		n.e.put("tick", t.ID, t, true)
		b.say(n.e, "skipped", words.Facts{"step": t.Step})
		n.answerBase()
	})
}

// Later computes the records of a step that is put off: until tomorrow at seven, unless
// a time is given.
func (b *Book) Later(jobID string, q Put) (*Entry, []Fault) {
	return b.put(jobID, q, func(n *atStep) {
		t := n.tick(TickLater)
		until := tomorrow(n.at.In(cmp.Or(b.Loc, n.at.Location())))
		if q.Until != nil {
			until = *q.Until
			if !until.After(n.at) || until.Sub(n.at) > 60*24*time.Hour {
				n.f.Add("until", "%s is not within the next 60 days", stamp(until))
			}
		}
		t.Until = &until
		n.e.put("tick", t.ID, t, true)
		b.say(n.e, "later", words.Facts{"step": t.Step, "until": b.clockText(until)})
		n.answerBase()
	})
}

// tomorrow is seven in the morning of the next day by the shop's clock: the
// default of "not today", our choice.
func tomorrow(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d+1, 7, 0, 0, 0, t.Location())
}

// answerBase acknowledges the alert for a step that was put off.
func (n *atStep) answerBase() {
	if k := baseCoat(n.s.Steps, n.i); k >= 0 && n.out[k].Coat != "" {
		n.e.Answers = append(n.e.Answers, n.out[k].Coat)
	}
}

// Repeat computes the records of a step that is to be done once more: it is inserted
// again, before the first open step of its panel.
func (b *Book) Repeat(jobID string, q Put) (*Entry, []Fault) {
	return b.put(jobID, q, func(n *atStep) {
		x, s, out := n.x, n.s, n.out
		again := x
		again.ID = freeID(s, x.ID)
		again.When, again.Of = "", ""
		k := openStep(out, x.Panel)
		if k < 0 || k <= n.i {
			k = n.i + 1
		}
		more := *s
		more.Steps = slices.Insert(slices.Clone(s.Steps), k, again)
		// Open steps that wait for the first one now wait for the new one.
		for j := k + 1; j < len(more.Steps); j++ {
			if more.Steps[j].Of == x.ID && j-1 < len(out) && !out[j-1].over() {
				more.Steps[j].Of = again.ID
			}
		}
		n.f = append(n.f, CheckSchedule(b.Work, more)...)
		n.e.put("job", s.ID, more, false)
		n.e.Panel = x.Panel
		b.say(n.e, "repeat", words.Facts{"step": x.ID, "again": again.ID})
	})
}

func freeID(s *Schedule, id string) string {
	base := id
	if k := strings.LastIndexByte(id, ' '); k > 0 && strings.Trim(id[k+1:], "0123456789") == "" {
		base = id[:k]
	}
	for n := 2; ; n++ {
		if again := fmt.Sprintf("%s %d", base, n); s.Step(again) < 0 {
			return again
		}
	}
}

// Insert computes the records of an additional step, after or before a named one.
func (b *Book) Insert(jobID, after, before string, x Step) (*Entry, []Fault) {
	var f fault.List
	s := b.job(jobID)
	if s == nil {
		f.Add("job", "unknown job %q", jobID)
		return nil, f
	}
	at := len(s.Steps)
	for _, w := range []struct {
		field, id string
		plus      int
	}{{"after", after, 1}, {"before", before, 0}} {
		if w.id == "" {
			continue
		}
		if k := s.Step(w.id); k < 0 {
			f.Add(w.field, "unknown step %q", w.id)
		} else {
			at = k + w.plus
		}
	}
	if after != "" && before != "" {
		f.Add("before", "say after or before, not both")
	}
	n := *s
	n.Steps = slices.Insert(slices.Clone(s.Steps), at, x)
	for _, x := range CheckSchedule(b.Work, n) {
		x.Field = strings.Replace(x.Field, fmt.Sprintf("steps[%d]", at), "step", 1)
		f = append(f, x)
	}
	if f != nil {
		return nil, f
	}
	e := &Entry{Panel: x.Panel}
	b.say(e, "inserted", words.Facts{"step": x.ID})
	e.put("job", s.ID, n, false)
	return e, nil
}

// Reopen computes the records by which a step was not done after all: its ticks are
// deleted; its coat stays unless it is void too.
func (b *Book) Reopen(jobID string, q Put) (*Entry, []Fault) {
	return b.put(jobID, q, func(n *atStep) {
		gone := 0
		for _, t := range n.out[n.i].Ticks {
			if t.Did != TickMixed {
				n.e.put("tick", t.ID, nil, false)
				gone++
			}
		}
		n.e.Panel = n.x.Panel
		b.say(n.e, "reopened", words.Facts{"step": n.x.ID})
		if id := n.out[n.i].Coat; q.Coat == "void" && id != "" && n.x.Do == "coat" {
			for _, x := range b.Work.Feels {
				if x.Coat == id {
					n.e.put("feel", x.ID, nil, false)
				}
			}
			n.e.put("coat", id, nil, false)
			gone++
		} else if id != "" && gone == 0 {
			n.f.Add("step", "%s was done by coat %s, which was entered by itself: say coat = \"void\" to take it back, or delete that coat", n.x.ID, id)
		}
		if gone == 0 && n.f == nil {
			n.f.Add("step", "%s is open", n.x.ID)
		}
	})
}

// Settle computes the records that make one of several entries of a step the right one:
// the coat takes its values, and the others stay in the record as overruled.
func (b *Book) Settle(jobID string, q Put) (*Entry, []Fault) {
	return b.put(jobID, q, func(n *atStep) {
		ticks := n.out[n.i].Ticks
		k := slices.IndexFunc(ticks, func(t Tick) bool { return t.ID == q.Keep && t.Did == TickDone })
		if k < 0 {
			n.f.Add("keep", "%q is no entry of %s", q.Keep, n.x.ID)
			return
		}
		keep := ticks[k]
		for _, t := range ticks {
			if t.Did == TickDone && t.ID != keep.ID && t.share() >= 1 {
				t.Overruled = keep.ID
				n.e.put("tick", t.ID, t, false)
			}
		}
		keep.Overruled = ""
		n.e.put("tick", keep.ID, keep, false)
		n.e.Tick, n.e.Panel = keep.ID, keep.Panel
		b.say(n.e, "settled", words.Facts{"step": n.x.ID, "at": b.clockText(keep.At)})
		c, ok := find(b.Work.Coats, func(c coat.Coat) bool { return c.ID == keep.Coat })
		if !ok || keep.Said == nil || n.x.Do != "coat" {
			return
		}
		c.Applied = keep.At
		c.Kind, c.Resin = cmp.Or(keep.Said.Kind, c.Kind), cmp.Or(keep.Said.Resin, c.Resin)
		putOn(&c, keep.Said.Cover, c.BagKPa, c.BagMinutes)
		if keep.Said.Cloth != clothText(c.Cloth) {
			laid := keep.At
			c.Cloth = Cloths(keep.Said.Cloth, &laid)
		}
		for k := range c.Cloth {
			if l := c.Cloth[k].Laid; l != nil && l.Before(c.Applied) {
				laid := c.Applied
				c.Cloth[k].Laid = &laid
			}
		}
		n.f = append(n.f, CheckCoat(b.Work, c, b.Now)...)
		n.e.Coat = c.ID
		n.e.put("coat", c.ID, c, false)
	})
}

func (b *Book) put(jobID string, q Put, work func(n *atStep)) (*Entry, []Fault) {
	return b.step(nil, jobID, q.Step, q.At, q.Who, "why", q.Why, work)
}

// Felt computes the records of a finger test: on a coat by its id, on a step's coat, or
// on the topmost coat of a panel at that time.
func (b *Book) Felt(jobID string, q Felt) (*Entry, []Fault) {
	var f fault.List
	at := b.when(&f, q.At)
	id := q.Coat
	if id == "" && q.Step != "" {
		s, i := b.find(&f, jobID, q.Step)
		if f == nil {
			out := s.Progress(b.Work, b.Ticks, b.Now)
			if k := baseCoat(s.Steps, i); s.Steps[i].Do != "coat" && k >= 0 {
				i = k
			} else if s.Steps[i].Do == "coat" && out[i].Coat == "" && k >= 0 {
				i = k // the step is not done: the test is on the coat that it waits for
			}
			id = out[i].Coat
			if id == "" {
				f.Add("step", "nothing is on for %s yet", q.Step)
			}
		}
	} else if id == "" && q.Panel != "" {
		var last *coat.Coat
		for k := range b.Work.Coats {
			c := &b.Work.Coats[k]
			if c.Panel == q.Panel && !c.Applied.After(at.Add(ClockSlack)) && (last == nil || !c.Applied.Before(last.Applied)) {
				last = c
			}
		}
		if last == nil {
			f.Add("panel", "no coat lay on %q at %s", q.Panel, b.clockText(at))
		} else {
			id = last.ID
		}
	}
	checkWho(&f, q.Who)
	if f != nil {
		return nil, f
	}
	x := coat.Feel{ID: b.NewID("feel"), Coat: id, At: at, State: q.State}
	if f = append(f, CheckFeel(b.Work, x, b.Now)...); f != nil {
		return nil, f
	}
	c, _ := find(b.Work.Coats, func(c coat.Coat) bool { return c.ID == id })
	e := &Entry{Feel: x.ID, Coat: id, Panel: c.Panel}
	b.say(e, "felt", words.Facts{"coat": kindWord(c.Kind), "panel": b.panelName(c.Panel), "state": words.Code("state." + string(q.State)), "at": b.clockText(at)})
	e.put("feel", x.ID, x, true)
	e.Answers = append(e.Answers, id)
	return e, nil
}

func union(a, b []string) []string {
	out := slices.Clone(a)
	for _, x := range b {
		if !slices.Contains(out, x) {
			out = append(out, x)
		}
	}
	return out
}

// Cloths are the cloths of a text such as "aramid 170 + glass 200 twill". One
// that is not fibre, weight and weave is kept as its name.
func Cloths(text string, laid *time.Time) []coat.Cloth {
	var out []coat.Cloth
	for part := range strings.SplitSeq(text, "+") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		c := coat.Cloth{Name: part, Laid: laid}
		if p, err := pot.ParseCloth(part); err == nil {
			g := p.GM2
			c.GM2 = &g
		}
		out = append(out, c)
	}
	return out
}

func clothText(cs []coat.Cloth) string {
	var names []string
	for _, c := range cs {
		names = append(names, c.Name)
	}
	return strings.Join(names, " + ")
}

// newCloth are the cloths of b that a does not have.
func newCloth(a, b []coat.Cloth) (out []coat.Cloth) {
	for _, c := range b {
		if !slices.ContainsFunc(a, func(o coat.Cloth) bool { return o.Name == c.Name }) {
			out = append(out, c)
		}
	}
	return out
}
