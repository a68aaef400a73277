// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/fault"
	"curewright/model/words"
)

// What a tick says of its step.
const (
	TickDone  = "done"  // it was done, all of it or a share
	TickMixed = "mixed" // a cup was mixed for it
	TickSkip  = "skip"  // it will not be done
	TickLater = "later" // not before a time
)

// Tick is one entry about one step of a job. Ticks are kept as they were
// entered: two that contradict each other are both there.
type Tick struct {
	ID    string    `json:"id"`
	Job   string    `json:"job"`
	Step  string    `json:"step"`
	Panel string    `json:"panel,omitempty"`
	Did   string    `json:"did"` // one of the constants
	At    time.Time `json:"at"`
	// Until is when a step put off comes back.
	Until *time.Time `json:"until,omitempty"`
	Coat  string     `json:"coat,omitempty"`  // the coat that it made, or that it is about
	Batch string     `json:"batch,omitempty"` // the cup that it mixed
	// Share of the panel, above 0 to 1; nil means all of it.
	Share *float64 `json:"share,omitempty"`
	// Said is the coat as this entry has it, for two entries of one step.
	Said *Said  `json:"said,omitempty"`
	Who  string `json:"who,omitempty"`
	Note string `json:"note,omitempty"`
	// Overruled names the entry that was taken as right instead of this one.
	Overruled string `json:"overruled,omitempty"`
}

// Said is what one entry says of a coat.
type Said struct {
	Kind    string   `json:"kind,omitempty"`
	Resin   string   `json:"resin,omitempty"`
	Batches []string `json:"batches,omitempty"`
	Cloth   string   `json:"cloth,omitempty"`
	Cover   string   `json:"cover,omitempty"`
}

// LaidBy is who laid each coat, by its id, as the ticks say.
func LaidBy(ticks []Tick) map[string]string {
	out := map[string]string{}
	for _, t := range ticks {
		if t.Did == TickDone && t.Coat != "" && t.Who != "" && t.Overruled == "" {
			out[t.Coat] = t.Who
		}
	}
	return out
}

// share is how much of the panel a tick covers.
func (t Tick) share() float64 {
	if t.Share != nil {
		return *t.Share
	}
	return 1
}

// Status of a step.
const (
	StepOpen    = "open"
	StepDone    = "done"
	StepSkipped = "skipped"
	StepLater   = "later"  // put off until a time
	StepUnsaid  = "unsaid" // overtaken by a later step, and nobody said that it was done
)

// StepState is one step with what the record says of it.
type StepState struct {
	Step
	Status         string          `json:"status"`
	DoneAt         *time.Time      `json:"done_at,omitempty"`
	Until          *time.Time      `json:"until,omitempty"`
	Coat           string          `json:"on,omitempty"` // the coat that did it, or that it was done to
	Share          float64         `json:"share"`        // of the panel, 0 to 1
	Card           Card            `json:"card"`         // filled by [Desk.Steps]
	Ticks          []Tick          `json:"ticks"`
	Contradictions []Contradiction `json:"contradictions"`
}

// over reports whether nothing is left to do about a step.
func (s *StepState) over() bool { return s.Status == StepDone || s.Status == StepSkipped }

// Contradiction is two entries that say different things of one step.
type Contradiction struct {
	Step  string    `json:"step"`
	Field string    `json:"field"` // applied, kind, resin, batches, cloth or cover
	A     Statement `json:"a"`
	B     Statement `json:"b"`
	Say   string    `json:"say"` // which of the two is right?
}

// Statement is what one entry says.
type Statement struct {
	Tick  string    `json:"tick"`
	By    string    `json:"by"`
	At    time.Time `json:"at"`
	Value string    `json:"value"`
}

// sameMoment is how far apart two entries of one coat may lie and still mean
// the same: people look at the clock when they think of it.
const sameMoment = 5 * time.Minute

// Progress says what has been done of a job: by its ticks, by waits that have
// passed, and by coats and cloths that were entered without the job, each of
// which counts for the first open step of its kind on its panel. Entries may
// be in any order; what counts is the time that they name.
func (s *Schedule) Progress(w *coat.Work, ticks []Tick, now time.Time) []StepState {
	out := make([]StepState, len(s.Steps))
	coats := map[string]*coat.Coat{}
	for i := range w.Coats {
		coats[w.Coats[i].ID] = &w.Coats[i]
	}
	linked := map[string]bool{}
	for _, t := range ticks {
		// An entry of a step that an edit took out holds no coat back from the
		// steps that are there.
		if t.Coat != "" && t.Did == TickDone && (t.Job != s.ID || s.Step(t.Step) >= 0) {
			linked[t.Coat] = true
		}
	}
	for i, x := range s.Steps {
		st := &out[i]
		st.Step, st.Status, st.Ticks, st.Contradictions = x, StepOpen, []Tick{}, []Contradiction{}
		for _, t := range ticks {
			if t.Job == s.ID && t.Step == x.ID {
				st.Ticks = append(st.Ticks, t)
			}
		}
		slices.SortStableFunc(st.Ticks, func(a, b Tick) int { return cmp.Or(a.At.Compare(b.At), strings.Compare(a.ID, b.ID)) })
		st.read(coats, now)
	}
	s.readRecord(w, out, linked, now)
	s.readWaits(w, out, now)
	// What lies before a step that was done has been overtaken.
	for i := range out {
		for k := i + 1; k < len(out) && out[i].Status == StepOpen; k++ {
			same := out[k].Panel == out[i].Panel || out[i].Do == "flip" && out[k].Panel == out[i].To
			if same && out[k].Status == StepDone && out[k].Do != "wait" {
				out[i].Status = StepUnsaid
			}
		}
	}
	return out
}

// read takes a step's own ticks.
func (st *StepState) read(coats map[string]*coat.Coat, now time.Time) {
	var full []Tick
	var skipped, later *Tick
	for i := range st.Ticks {
		t := &st.Ticks[i]
		if t.Overruled != "" {
			continue
		}
		switch t.Did {
		case TickDone:
			if _, there := coats[t.Coat]; t.Coat != "" && !there {
				continue // its coat was deleted: it was not done after all
			}
			if st.DoneAt == nil {
				at := t.At
				st.DoneAt = &at
			}
			if st.Coat == "" {
				st.Coat = t.Coat
			}
			st.Share = min(st.Share+t.share(), 1)
			if t.share() >= 1 {
				full = append(full, *t)
			}
		case TickSkip:
			skipped = t
		case TickLater:
			later = t
		}
	}
	switch {
	case st.Share > 0.99:
		st.Status = StepDone
	case skipped != nil:
		st.Status = StepSkipped
	case later != nil && later.Until != nil && later.Until.After(now):
		st.Status, st.Until = StepLater, later.Until
	}
	for i := 1; i < len(full); i++ {
		st.Contradictions = append(st.Contradictions, contradict(st.Step, full[0], full[i])...)
	}
}

// contradict lists what two full entries of one step say differently.
func contradict(s Step, a, b Tick) []Contradiction {
	var out []Contradiction
	add := func(field, x, y string) {
		out = append(out, Contradiction{Step: s.ID, Field: field, A: Statement{a.ID, by(a), a.At, x}, B: Statement{b.ID, by(b), b.At, y}})
	}
	if d := b.At.Sub(a.At); d > sameMoment || d < -sameMoment {
		at := b.At.In(a.At.Location())
		add("applied", clockText(nil, a.At, at), clockText(nil, at, a.At))
	}
	if a.Said == nil || b.Said == nil {
		return out
	}
	for _, x := range []struct{ field, a, b string }{
		{"kind", a.Said.Kind, b.Said.Kind}, {"resin", a.Said.Resin, b.Said.Resin},
		{"cloth", a.Said.Cloth, b.Said.Cloth}, {"cover", a.Said.Cover, b.Said.Cover},
	} {
		if x.a != "" && x.b != "" && x.a != x.b {
			add(x.field, x.a, x.b)
		}
	}
	return out
}

// theRecord stands for whoever entered a coat by itself.
const theRecord = "the record"

// text asks which of the two entries is right.
func (c Contradiction) text(lang *words.Catalogue) string {
	said := func(s Statement, other time.Time) any {
		if c.Field == "applied" {
			return clockText(lang, s.At.In(other.Location()), other)
		}
		return words.Known("kind."+s.Value, s.Value)
	}
	who := func(s Statement) any {
		if s.By == theRecord {
			return words.Code("entry.the_record")
		}
		return s.By
	}
	return words.View{Words: lang}.Say("entry.contradiction", words.Facts{"step": c.Step, "a": said(c.A, c.B.At), "by_a": who(c.A), "b": said(c.B, c.A.At), "by_b": who(c.B)})
}

func by(t Tick) string {
	if t.Who != "" {
		return t.Who
	}
	return t.ID
}

// before is how long before a job was written a coat may have gone on and
// still be of it.
const before = 24 * time.Hour

// readRecord finds steps that were done in the record without a tick.
func (s *Schedule) readRecord(w *coat.Work, out []StepState, linked map[string]bool, now time.Time) {
	last := map[string]time.Time{} // by panel: a step is not done before the one before it
	for i := range out {
		st := &out[i]
		after := s.At.Add(-before)
		if t, ok := last[st.Panel]; ok && t.After(after) {
			after = t
		}
		if st.Status == StepOpen && len(st.Ticks) == 0 {
			for k := range w.Coats {
				c := &w.Coats[k]
				if c.Panel != st.Panel || c.Applied.After(now) {
					continue
				}
				if st.Do == "coat" && !linked[c.ID] && c.Kind == st.Step.Coat && !c.Applied.Before(after) {
					at := c.Applied
					st.Status, st.DoneAt, st.Coat, st.Share, linked[c.ID] = StepDone, &at, c.ID, 1, true
					if c.Share != nil {
						st.Share = *c.Share
						if *c.Share < 0.99 {
							st.Status = StepOpen
						}
					}
					break
				}
				if st.Do == "cloth" {
					b := baseCoat(s.Steps, i)
					if b < 0 || out[b].Coat != c.ID {
						continue
					}
					for _, cl := range c.Cloth {
						if cl.Laid != nil && !cl.Laid.After(now) {
							at := *cl.Laid
							st.Status, st.DoneAt, st.Coat, st.Share = StepDone, &at, c.ID, 1
						}
					}
				}
			}
		}
		if st.Status == StepDone && st.DoneAt != nil {
			last[st.Panel] = *st.DoneAt
		}
	}
}

// readWaits ends the waits whose hours have passed.
func (s *Schedule) readWaits(w *coat.Work, out []StepState, now time.Time) {
	for i := range out {
		st := &out[i]
		if st.Do != "wait" || st.Status != StepOpen || st.Hours == nil {
			continue
		}
		if end, ok := s.waitEnds(out, i); ok && !end.After(now) {
			st.Status, st.DoneAt, st.Share = StepDone, &end, 1
		}
	}
}

// waitEnds is when wait i is over: so many hours after the step that it names,
// or after the last thing done on its panel before it.
func (s *Schedule) waitEnds(out []StepState, i int) (time.Time, bool) {
	from := -1
	if st := out[i]; st.Of != "" {
		from = s.Step(st.Of)
	} else {
		for k := i - 1; k >= 0 && from < 0; k-- {
			if out[k].Panel == st.Panel && out[k].Status == StepDone {
				from = k
			}
		}
	}
	if from < 0 || from >= i || out[from].DoneAt == nil || out[i].Hours == nil {
		return time.Time{}, false
	}
	return out[from].DoneAt.Add(time.Duration(*out[i].Hours * float64(time.Hour))), true
}

// Up reports, for every panel of the job, whether it lies up: the first panel
// of its piece that the steps name, until a flip that was done turns another
// one up.
func (s *Schedule) Up(w *coat.Work, out []StepState) map[string]bool {
	piece := func(id string) string {
		if p, ok := find(w.Panels, func(p coat.Panel) bool { return p.ID == id }); ok && p.Piece != "" {
			return p.Piece
		}
		return id
	}
	top := map[string]string{}
	for _, st := range out {
		if _, ok := top[piece(st.Panel)]; !ok {
			top[piece(st.Panel)] = st.Panel
		}
		switch {
		case st.Do == "flip" && (st.Status == StepDone || st.Status == StepUnsaid):
			top[piece(st.Panel)] = st.To
		case st.Status == StepDone && st.Do != "wait":
			// Worked on, so it lay up: also where nobody noted the flip.
			top[piece(st.Panel)] = st.Panel
		}
	}
	up := map[string]bool{}
	for _, id := range s.Panels() {
		up[id] = top[piece(id)] == id
	}
	return up
}

// CheckTick checks a tick that was corrected by hand.
func CheckTick(w *coat.Work, jobs []Schedule, t Tick, now time.Time) []Fault {
	var f fault.List
	f.ID("id", t.ID)
	if s, ok := find(jobs, func(s Schedule) bool { return s.ID == t.Job }); !ok {
		f.Add("job", "unknown job %q", t.Job)
	} else if s.Step(t.Step) < 0 {
		f.Add("step", "%q is no step of %s", t.Step, s.title())
	}
	f.OneOf("did", t.Did, []string{TickDone, TickMixed, TickSkip, TickLater}, true)
	checkWhen(&f, "at", t.At, now)
	if _, ok := find(w.Coats, func(c coat.Coat) bool { return c.ID == t.Coat }); t.Coat != "" && !ok {
		f.Add("coat", "unknown coat %q", t.Coat)
	}
	checkShare(&f, t.Share)
	checkWho(&f, t.Who)
	f.Text("note", t.Note, maxNote)
	return f
}
