// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/model/coat"
	"curewright/model/fault"
	"curewright/model/job"
	"curewright/model/words"
	"curewright/sensors"
)

// jobCache holds the jobs and their ticks as decoded from the store.
type jobCache struct {
	mu      sync.Mutex
	version uint64
	jobs    []job.Schedule
	ticks   []job.Tick
}

// jobsNow are the jobs and ticks as they stand. The slices are shared.
func (d *Daemon) jobsNow() ([]job.Schedule, []job.Tick) {
	c := &d.jobsKept
	c.mu.Lock()
	defer c.mu.Unlock()
	v := d.store.WorkVersion()
	if v == c.version && c.version != 0 {
		return c.jobs, c.ticks
	}
	c.jobs, c.ticks = decodeAll[job.Schedule](d, "job"), decodeAll[job.Tick](d, "tick")
	c.version = v
	return c.jobs, c.ticks
}

func decodeAll[T any](d *Daemon, kind string) []T {
	var out []T
	for _, b := range d.store.Records(kind) {
		var x T
		if err := json.Unmarshal(b, &x); err != nil {
			d.log.Error("record not read", "kind", kind, "err", err) // it was checked when it was entered
			continue
		}
		out = append(out, x)
	}
	return out
}

// deskFor collects what the next steps are computed from.
func (d *Daemon) deskFor(now time.Time, w *coat.Work, ticks []job.Tick, estimates []coat.Estimate, probes []sensors.Health) *job.Desk {
	dk := &job.Desk{Words: d.lang, Now: now, Loc: d.loc, Work: w, Ticks: ticks, Estimates: estimates}
	if c := shopTemp(now, probes); c == c { // NaN where no probe says
		dk.ShopC = &c
	}
	return dk
}

// nextSteps are those of all jobs.
func (d *Daemon) nextSteps(now time.Time, w *coat.Work, estimates []coat.Estimate, probes []sensors.Health) []job.Next {
	jobs, ticks := d.jobsNow()
	dk := d.deskFor(now, w, ticks, estimates, probes)
	var out []job.Next
	for i := range jobs {
		for _, n := range dk.Next(&jobs[i]) {
			// A job that is over is shown for two days, then it is history.
			if n.Status == job.NextOver && overLong(&jobs[i], w, ticks, now) {
				continue
			}
			out = append(out, n)
		}
	}
	return out
}

const overShown = 48 * time.Hour

func overLong(s *job.Schedule, w *coat.Work, ticks []job.Tick, now time.Time) bool {
	last := s.At
	for _, st := range s.Progress(w, ticks, now) {
		if st.DoneAt != nil && st.DoneAt.After(last) {
			last = *st.DoneAt
		}
	}
	return now.Sub(last) > overShown
}

func head(s *job.Schedule, steps []job.StepState) web.JobHead {
	h := web.JobHead{ID: s.ID, Name: cmp.Or(s.Name, s.ID), Piece: s.Piece, Resin: s.Resin, Lot: s.Lot, From: s.From, At: s.At, Panels: s.Panels(), Total: len(steps)}
	for _, st := range steps {
		if st.Status == job.StepDone || st.Status == job.StepSkipped || st.Status == job.StepUnsaid {
			h.Done++
		}
	}
	h.Over = h.Done == h.Total
	return h
}

// Jobs lists the jobs, newest first.
func (d *Daemon) Jobs(ctx context.Context) ([]web.JobHead, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	jobs, ticks := d.jobsNow()
	now := d.Now()
	var out []web.JobHead
	for i := range slices.Backward(jobs) {
		out = append(out, head(&jobs[i], jobs[i].Progress(w, ticks, now)))
	}
	return out, nil
}

func (d *Daemon) findJob(id string) (*job.Schedule, []job.Tick, error) {
	jobs, ticks := d.jobsNow()
	i := slices.IndexFunc(jobs, func(s job.Schedule) bool { return s.ID == id })
	if i < 0 {
		return nil, nil, named("job", id, web.ErrNotFound)
	}
	return &jobs[i], ticks, nil
}

// Job returns one job with its steps and what was done of them.
func (d *Daemon) Job(ctx context.Context, id string) (web.JobView, error) {
	s, ticks, err := d.findJob(id)
	if err != nil {
		return web.JobView{}, err
	}
	snap, err := d.Snapshot(ctx)
	if err != nil {
		return web.JobView{}, err
	}
	w, err := d.work(ctx)
	if err != nil {
		return web.JobView{}, err
	}
	now := d.Now()
	dk := d.deskFor(now, w, ticks, snap.Result.Coats, snap.Probes)
	steps := dk.Steps(s)
	v := web.JobView{JobHead: head(s, steps), Steps: steps, Next: dk.Next(s)}
	for _, t := range ticks {
		if t.Job == s.ID && s.Step(t.Step) < 0 {
			v.Stray = append(v.Stray, t)
		}
	}
	v.Changes, err = d.Changes(ctx, "job", id)
	return v, err
}

// JobFile returns a job as a job file.
func (d *Daemon) JobFile(ctx context.Context, id string) ([]byte, error) {
	s, ticks, err := d.findJob(id)
	if err != nil {
		return nil, err
	}
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	return s.File(w, s.Progress(w, ticks, d.Now()))
}

// NextSteps is the one next step of every panel that lies up.
func (d *Daemon) NextSteps(ctx context.Context) ([]job.Next, error) {
	snap, err := d.Snapshot(ctx)
	return snap.Next, err
}

// enter stores the records that work computes, in one transaction, acknowledges the
// alerts that they answer, evaluates anew and returns the next step.
func (d *Daemon) enter(ctx context.Context, who web.Who, key string, work func(b *job.Book) (*job.Entry, error)) (web.Entered, error) {
	var now time.Time
	var made *job.Entry
	var e history.Entry
	var created bool
	err := d.change(ctx, func(w *coat.Work) (err error) {
		now = d.Now()
		e, created, err = d.write(ctx, who, now, key, func(newID func(string) string) ([]job.Write, string, error) {
			jobs, ticks := d.jobsNow()
			dk := d.deskFor(now, w, ticks, nil, d.set.Health())
			b := &job.Book{Now: now, Loc: d.loc, By: who.Name, Words: d.lang, Work: w, Jobs: jobs, Ticks: ticks, NewID: newID, Card: dk.CardOf}
			if made, err = work(b); err != nil {
				return nil, "", err
			}
			return made.Writes, made.Say, nil
		})
		return err
	})
	if err != nil {
		return web.Entered{}, err
	}
	out := web.Entered{Entry: e.ID, Created: created, Say: e.Say}
	panel := ""
	if created {
		out.Tick, out.Coat, out.Batches, out.Batch, out.Feel = made.Tick, made.Coat, made.Batches, made.Batch, made.Feel
		out.Warnings = made.Warnings
		out.Silenced = d.answer(made.Answers, who.Name, now)
		panel = made.Panel
	} else {
		// A repeated request: the records of the first one, and the step that is next
		// now.
		for _, x := range e.Wrote {
			switch {
			case x.Kind == "tick" && x.Op == "create":
				out.Tick = x.ID
				if b, _, ok := d.store.Record("tick", x.ID); ok {
					var t job.Tick
					if json.Unmarshal(b, &t) == nil {
						out.Coat, out.Batch, panel = t.Coat, t.Batch, t.Panel
					}
				}
			case x.Kind == "feel" && x.Op == "create":
				out.Feel = x.ID
			case x.Kind == "job" && x.Op == "create":
				out.ID = x.ID
			case x.Kind == "panel" && x.Op == "create":
				out.Panels = append(out.Panels, x.ID)
			}
		}
		if w, err := d.work(ctx); err == nil && out.Coat != "" {
			for _, c := range w.Coats {
				if c.ID == out.Coat {
					out.Batches = c.Batches
				}
			}
		}
	}
	out.Next = d.nextAfter(ctx, panel)
	if created {
		d.publishWrote(e)
	}
	return out, nil
}

func (d *Daemon) publishWrote(e history.Entry) {
	for _, x := range e.Wrote {
		d.publish("work", map[string]string{"kind": x.Kind})
	}
}

// nextAfter evaluates with the new entry and returns a panel's next step; panel ""
// gives the next step of all.
func (d *Daemon) nextAfter(ctx context.Context, panel string) []job.Next {
	// What was entered is on disk: a caller that has gone does not undo the
	// evaluation that everybody else waits for.
	if err := d.Evaluate(context.WithoutCancel(ctx)); err != nil {
		d.log.Error("estimate", "err", err)
		d.RequestEvaluation()
	}
	snap := d.snap.Load()
	if snap == nil {
		return nil
	}
	i := slices.IndexFunc(snap.Next, func(n job.Next) bool { return n.Panel == panel })
	if panel == "" || i < 0 { // after a flip it is the other panel's
		return snap.Next
	}
	return snap.Next[i : i+1]
}

// calls are the rules that call a person to a coat or a cup. An entry of the work
// answers them. Rules about air and temperature are not among them.
var calls = []string{alerts.CupSoon, alerts.CupOver, alerts.ReadyForCloth, alerts.WindowOpen, alerts.FeelNow, alerts.ClosingSoon,
	alerts.WindowClosed, alerts.NightAhead, alerts.IsHard, alerts.MayHandle, alerts.NotKnown}

// answer acknowledges the live calls about coats and cups, and returns them.
func (d *Daemon) answer(subjects []string, who string, now time.Time) []string {
	var out []string
	for _, a := range d.rules.List(false) {
		if a.EndedAt != nil || a.AckedAt != nil || a.FiredAt == nil || !slices.Contains(subjects, a.Subject) || !slices.Contains(calls, a.Rule) {
			continue
		}
		if err := d.rules.Ack(a.ID, who, now); err == nil {
			out = append(out, a.ID)
		}
	}
	return out
}

// Enter takes one entry of a job.
func (d *Daemon) Enter(ctx context.Context, who web.Who, jobID string, q any, key string) (web.Entered, error) {
	if jobID != "" {
		if _, _, err := d.findJob(jobID); err != nil {
			return web.Entered{}, err
		}
	}
	return d.enter(ctx, who, key, func(b *job.Book) (*job.Entry, error) {
		var e *job.Entry
		var f []job.Fault
		switch q := q.(type) {
		case job.Done:
			e, f = b.Done(jobID, q)
		case job.Mixed:
			e, f = b.Mixed(jobID, q)
		case job.Felt:
			e, f = b.Felt(jobID, q)
		case web.JobInsert:
			e, f = b.Insert(jobID, q.After, q.Before, q.Step)
		case web.JobPut:
			switch q.What {
			case "skip":
				e, f = b.Skip(jobID, q.Put)
			case "later":
				e, f = b.Later(jobID, q.Put)
			case "repeat":
				e, f = b.Repeat(jobID, q.Put)
			case "reopen":
				e, f = b.Reopen(jobID, q.Put)
			case "settle":
				e, f = b.Settle(jobID, q.Put)
			}
		}
		if e == nil && f == nil {
			return nil, web.ErrNotFound
		}
		return e, web.Faults(f).Err()
	})
}

// NewJob writes a job, with the piece and the panels that are not there yet.
func (d *Daemon) NewJob(ctx context.Context, who web.Who, q web.NewJob, key string) (web.Entered, error) {
	var id string
	var panels []string
	out, err := d.enter(ctx, who, key, func(b *job.Book) (*job.Entry, error) {
		e, err := d.buildJob(b, q)
		if err != nil {
			return nil, err
		}
		for _, x := range e.Writes {
			switch v := x.Value.(type) {
			case coat.Panel:
				panels = append(panels, v.ID)
			case job.Schedule:
				id, panels = v.ID, v.Panels()
			}
		}
		return e, nil
	})
	if err == nil && out.Created {
		out.ID, out.Panels = id, panels
	}
	return out, err
}

// buildJob works out the records of a new job.
func (d *Daemon) buildJob(b *job.Book, q web.NewJob) (*job.Entry, error) {
	n := job.New{Schedule: job.Schedule{ID: q.ID, Name: q.Name, Piece: q.Piece, Resin: q.Resin, Lot: q.Lot, From: q.From, Steps: q.Steps, At: b.Now},
		Template: q.Template, Panels: q.Panels}
	if q.At != nil {
		n.At = q.At.In(d.loc)
	}
	if q.TOML != "" {
		steps, panels, err := job.ParseSchedule([]byte(q.TOML), "job", resinOf(b.Work))
		if err != nil && q.Template == "" && q.From == "" && len(q.Steps) == 0 {
			return nil, fault.OfLines(job.Lines(err))
		}
		n.File = &job.NewFile{Steps: steps, Panels: panels}
	}
	e, f := b.New(n)
	return e, web.Faults(f).Err()
}

// Entries lists what was entered, newest first.
func (d *Daemon) Entries(ctx context.Context, limit int) ([]web.EntryView, error) {
	es, err := d.store.Entries(ctx, limit)
	if err != nil {
		return nil, webError(err)
	}
	out := make([]web.EntryView, len(es))
	for i, e := range es {
		out[i] = d.entryView(e)
	}
	return out, nil
}

func (d *Daemon) entryView(e history.Entry) web.EntryView {
	v := web.EntryView{ID: e.ID, At: e.At.In(d.loc), By: e.By, Say: e.Say, Undoes: e.Undoes, Undone: e.Undone, CanUndo: !e.Undone && !e.Damaged, Wrote: slices.Concat([]web.Wrote{}, e.Wrote)}
	if v.Say == "" && len(e.Wrote) > 0 {
		v.Say = d.wroteWords(e.Wrote[0])
	}
	return v
}

// wroteWords say an entry of one record.
func (d *Daemon) wroteWords(x history.Wrote) string {
	code := "entry.entered"
	if x.Op == "patch" || x.Op == "delete" {
		code = "entry." + x.Op
	}
	return d.say(code, words.Facts{"kind": words.Known("entry.kind."+x.Kind, x.Kind), "id": x.ID})
}

// lastEntry is the newest entry that can be taken back; nil for none. It does
// not wait for the card.
func (d *Daemon) lastEntry() *web.EntryView {
	e, ok := d.store.LastEntry()
	if !ok {
		return nil
	}
	v := d.entryView(e)
	return &v
}

// Undo takes an entry back as a whole.
func (d *Daemon) Undo(ctx context.Context, who web.Who, id, key string) (web.Undone, error) {
	var undone, entry history.Entry
	err := d.change(ctx, func(w *coat.Work) (err error) {
		undone, entry, err = d.store.UndoEntry(ctx, id, who.Name, d.clk.Now(), key, func(writes []history.WorkWrite) error {
			return undoable(w, writes)
		})
		return err
	})
	switch {
	case errors.Is(err, history.ErrBuiltOn):
		return web.Undone{}, fmt.Errorf("%w: %s", web.ErrConflict, strings.TrimPrefix(err.Error(), "history: "))
	case errors.Is(err, history.ErrExists):
		return web.Undone{}, fmt.Errorf("%w: it was taken back already", web.ErrConflict)
	case errors.Is(err, history.ErrNotFound):
		return web.Undone{}, fmt.Errorf("%w: there is nothing to take back", web.ErrNotFound)
	case err != nil:
		return web.Undone{}, webError(err)
	}
	d.publishWrote(entry)
	return web.Undone{Entry: entry.ID, Undid: undone.ID, Say: d.say("entry.undone", words.Facts{"entry": d.entryView(undone).Say}), Next: d.nextAfter(ctx, "")}, nil
}

// undoable refuses to take back an entry that a later one depends on.
func undoable(w *coat.Work, writes []history.WorkWrite) error {
	going := map[string]bool{}
	for _, x := range writes {
		if x.Body == nil {
			going[x.Kind+" "+x.ID] = true
		}
	}
	left := *w
	left.Coats = slices.DeleteFunc(slices.Clone(w.Coats), func(c coat.Coat) bool { return going["coat "+c.ID] })
	left.Feels = slices.DeleteFunc(slices.Clone(w.Feels), func(f coat.Feel) bool { return going["feel "+f.ID] })
	left.Panels = slices.DeleteFunc(slices.Clone(w.Panels), func(p coat.Panel) bool { return going["panel "+p.ID] })
	left.Batches = slices.DeleteFunc(slices.Clone(w.Batches), func(b coat.Batch) bool { return going["batch "+b.ID] })
	// Records that the undo changes are checked in their new form.
	for _, x := range writes {
		if x.Kind != "coat" || x.Body == nil {
			continue
		}
		var c coat.Coat
		if json.Unmarshal(x.Body, &c) == nil {
			left.Coats = slices.DeleteFunc(left.Coats, func(o coat.Coat) bool { return o.ID == c.ID })
			left.Coats = append(left.Coats, c)
		}
	}
	for _, x := range writes {
		if x.Body != nil {
			continue
		}
		if user := usedBy(&left, x.Kind, x.ID); user != "" {
			return fmt.Errorf("%w: %s %s is used by %s: take that back first", web.ErrConflict, x.Kind, x.ID, user)
		}
	}
	return nil
}

// rolledOn returns the open cups that a new coat names, as they are once it is on:
// empty, unless a person corrects that afterwards. A cup that is mixed while the coat
// goes on counts as empty as soon as it is mixed.
func (d *Daemon) rolledOn(w *coat.Work, kind string, body []byte) []coat.Batch {
	var c coat.Coat
	if kind != "coat" || json.Unmarshal(body, &c) != nil {
		return nil
	}
	var out []coat.Batch
	for _, k := range w.Batches {
		if k.Ended != nil || k.Kept || !slices.Contains(c.Batches, k.ID) {
			continue
		}
		k.Ended = &c.Applied
		if k.Mixed.After(c.Applied) {
			k.Ended = new(k.Mixed)
		}
		out = append(out, k)
	}
	return out
}

// createWith stores a new record together with the cups that it empties.
func (d *Daemon) createWith(ctx context.Context, who web.Who, kind, id string, body []byte, cups []coat.Batch, now time.Time, key string) (string, bool, error) {
	e, created, err := d.write(ctx, who, now, key, func(newID func(string) string) ([]job.Write, string, error) {
		if id == "" {
			id = newID(kind)
		} else if _, _, there := d.store.Record(kind, id); there {
			return nil, "", fmt.Errorf("%s %s: %w", kind, id, history.ErrExists)
		}
		writes := []job.Write{{Kind: kind, ID: id, Value: json.RawMessage(body)}}
		var names []string
		for _, k := range cups {
			writes, names = append(writes, job.Write{Kind: "batch", ID: k.ID, Value: k}), append(names, k.ID)
		}
		return writes, d.say("entry.coat_on", words.Facts{"coat": id, "cups": strings.Join(names, ", ")}), nil
	})
	for _, x := range e.Wrote {
		if x.Kind == kind {
			id = x.ID
		}
	}
	return id, created, err
}
