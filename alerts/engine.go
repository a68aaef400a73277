// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/model/coat"
)

// States of an alert.
const (
	Pending      = "pending"
	Firing       = "firing"
	Acknowledged = "acknowledged"
	Resolved     = "resolved"
)

// Most alerts held in memory: those that last, and those that ended.
const (
	maxActive = 400
	maxEnded  = 200
)

// Store keeps alerts and undelivered messages over a restart. Bodies are opaque to it.
type Store interface {
	// SaveAlerts writes one batch, all of it or nothing, and returns once it is
	// on disk: bodies of alerts by id, bodies of waiting messages by key, and
	// the keys of messages that are done with. A body replaces the one before;
	// a done key that is not there is no error.
	SaveAlerts(ctx context.Context, alerts, outbox map[string][]byte, done []string) error
	LoadAlerts(ctx context.Context) ([][]byte, error)
	LoadOutbox(ctx context.Context) ([][]byte, error)
	DeleteAlert(ctx context.Context, id string) error
}

// Transition is one change of one alert.
type Transition struct {
	Alert Alert
	// What is pending, dropped (was pending, never fired), firing,
	// acknowledged, resolved, reminder or escalated.
	What string
	At   time.Time
}

// Values of [Transition.What] besides those of a message.
const (
	WhatPending = "pending"
	WhatDropped = "dropped"
)

// record is an alert as it is kept.
type record struct {
	Alert
	Over       string     `json:"over,omitempty"`
	ClearSince *time.Time `json:"clear_since,omitempty"`
	SeenAt     time.Time  `json:"seen_at"` // when the condition was last found, as saved
	RemindedAt *time.Time `json:"reminded_at,omitempty"`
	Told       []string   `json:"told,omitempty"` // events that are in the outbox
	AckHashes  []string   `json:"ack_hashes,omitempty"`
	Recent     []int64    `json:"recent,omitempty"` // unix times of recent firings of this rule and subject

	dirty bool
}

func (r *record) key() key   { return key{r.Rule, r.Subject} }
func (r *record) live() bool { return r.State != Resolved }

// Engine runs the rules and owns the life cycle of every alert. Its methods
// may be called from any goroutine. Its lock is never held over the store:
// what changed is decided and sounded in memory, and written by [Engine.Save]
// afterwards, so that a card that hangs delays no alarm.
type Engine struct {
	cfg     Tuning
	store   Store
	log     *slog.Logger
	saving  chan struct{} // holds one token: one save at a time, so that an older body cannot overtake a newer one
	changed chan struct{} // something waits for Save

	mu       sync.Mutex
	view     View
	live     map[key]*record
	ended    []*record // oldest first, at most maxEnded
	queue    []Transition
	first    bool
	watchers []func([]Alert)

	lastNow     time.Time // Input.Now of the last step
	lastReal    time.Time // real time of the last step, for the time that really passed
	lastDateSet int
	fullSaid    time.Time // when it was last logged that not all alerts found room
}

// New returns an engine with the alerts that the store holds; store may be nil.
// Alerts that can't be read are logged and left out.
func New(cfg Tuning, store Store, log *slog.Logger) *Engine {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	e := &Engine{cfg: cfg.defaults(), store: store, log: log, live: map[key]*record{}, first: true,
		saving: make(chan struct{}, 1), changed: make(chan struct{}, 1)}
	if store == nil {
		return e
	}
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	bodies, err := store.LoadAlerts(ctx)
	if err != nil {
		log.Error("alerts not read", "err", err)
	}
	for _, b := range bodies {
		r := new(record)
		if err := json.Unmarshal(b, r); err != nil || r.ID == "" || r.Rule == "" {
			log.Error("alert not read", "err", err)
			continue
		}
		if !r.live() {
			e.ended = append(e.ended, r)
			continue
		}
		// Two alerts of one rule and subject can only come from a torn write: the
		// newer counts.
		if old, ok := e.live[r.key()]; ok && old.Since.After(r.Since) {
			continue
		}
		e.live[r.key()] = r
	}
	slices.SortStableFunc(e.ended, byEnd)
	e.trim()
	return e
}

// storeTimeout bounds one write: a card that hangs must not hold up the alerts.
const storeTimeout = 5 * time.Second

// byEnd orders alerts that ended, oldest first.
func byEnd(a, b *record) int {
	end := func(r *record) time.Time {
		if r.EndedAt != nil {
			return *r.EndedAt
		}
		return r.Since
	}
	return end(a).Compare(end(b))
}

// trim drops the oldest ended alerts beyond the bound from memory. Those that are not
// on disk yet stay, up to four times the bound.
func (e *Engine) trim() {
	n := max(len(e.ended)-maxEnded, 0)
	for i, r := range e.ended[:n] {
		if r.dirty && len(e.ended)-i <= 4*maxEnded {
			n = i
			break
		}
	}
	if n > 0 {
		e.ended = slices.Clone(e.ended[n:])
	}
}

// SetView sets how times and temperatures are said from the next step on.
func (e *Engine) SetView(v View) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.view = v
}

// OnChange registers f to be called after each step or acknowledgement with
// what is firing and not acknowledged, loudest first. f must not block and
// must not call the engine.
func (e *Engine) OnChange(f func(active []Alert)) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.watchers = append(e.watchers, f)
}

// flapSpan is how far back firings of one rule and subject count as coming
// and going.
const flapSpan = 2 * time.Hour

// Step evaluates every rule once and returns what changed, in order. It neither fails nor
// waits for the store: an alert that can't be stored still sounds, and is
// stored by [Engine.Save] as soon as the store takes it.
func (e *Engine) Step(in Input) []Transition {
	e.mu.Lock()
	defer e.mu.Unlock()
	now := in.Now
	if in.Work == nil {
		in.Work = &coat.Work{}
	}
	e.redate(in)
	out := e.queue
	e.queue = nil
	if e.first {
		e.first = false
		out = append(e.catchUp(now), out...)
	}
	found := evaluate(in, e.cfg, e.view, func(rule, subject string) bool {
		_, ok := e.live[key{rule, subject}]
		return ok
	})
	out = append(out, e.follow(found, now)...)
	out = append(out, e.endGone(in, found)...)
	e.ackFelt(in)
	out = append(out, e.queue...)
	e.queue = nil
	for _, r := range e.live {
		out = append(out, e.timed(r, now)...)
	}
	e.saveLater()
	e.tellWatchers()
	return out
}

// follow applies each finding, loudest first, to its alert: begins it, keeps it or
// ends it.
func (e *Engine) follow(found map[key]*finding, now time.Time) (out []Transition) {
	for _, k := range slices.SortedFunc(maps.Keys(found), func(a, b key) int {
		return cmp.Or(loud(found[b].sev())-loud(found[a].sev()), strings.Compare(a.rule, b.rule), strings.Compare(a.subject, b.subject))
	}) {
		f, r := found[k], e.live[k]
		switch {
		case f.is == yes && r == nil && len(e.live) >= maxActive && !e.makeRoom(f, now):
		case f.is == yes:
			if r == nil {
				r = e.begin(f, now)
			}
			out = append(out, e.seen(r, f, now)...)
		case r == nil:
		case f.is == unsure:
			// Unknown for over an hour after the last useful moment: it ends.
			if r.State != Pending && r.ActBy != nil && now.Sub(*r.ActBy) > time.Hour {
				out = append(out, e.end(r, now, "cleared"))
			}
		case f.is == replaced:
			out = append(out, e.end(r, now, "cleared"))
		default:
			out = append(out, e.clear(r, f, now)...)
		}
	}
	return out
}

// endGone handles the alerts without a finding in this evaluation. Where their
// coat, cup or probe is gone, somebody ended it. A reported condition is over when
// its part no longer reports it.
func (e *Engine) endGone(in Input, found map[key]*finding) (out []Transition) {
	for _, k := range slices.SortedFunc(maps.Keys(e.live), func(a, b key) int {
		return strings.Compare(a.rule+a.subject, b.rule+b.subject)
	}) {
		if _, ok := found[k]; ok {
			continue
		}
		r := e.live[k]
		row := rule(k.rule, r.Severity)
		switch {
		case row.Source == FromReport:
			out = append(out, e.clear(r, &finding{rule: row, over: r.Over}, in.Now)...)
		case row.Source == FromCoat && (in.NoEstimate || unjudged(in, r.Subject)):
			// without an estimate the alert stays
		case present(in, r.Subject):
			out = append(out, e.end(r, in.Now, "cleared"))
		default:
			out = append(out, e.end(r, in.Now, "person"))
		}
	}
	return out
}

// ackFelt acknowledges the request to feel a coat once a finger test of it has been
// entered.
func (e *Engine) ackFelt(in Input) {
	for _, r := range e.live {
		if r.Rule != FeelNow || r.State != Firing {
			continue
		}
		for _, f := range in.Work.Feels {
			if f.Coat == r.Subject && f.At.After(*r.FiredAt) && !f.At.After(in.Now) {
				e.ack(r, "finger test", in.Now)
			}
		}
	}
}

// redate shifts the times of lasting alerts when the board's date is set by more
// than a minute, so that an alert that began three minutes ago still began three
// minutes ago.
func (e *Engine) redate(in Input) {
	if !e.lastNow.IsZero() && in.DateSet != e.lastDateSet {
		// Wall clock readings only (Round(0)): whether the monotonic part jumps too
		// depends on how the date was set.
		jump := in.Now.Round(0).Sub(e.lastNow.Round(0)) - time.Since(e.lastReal)
		if jump.Abs() > time.Minute {
			for _, r := range e.live {
				move := func(t *time.Time) *time.Time {
					if t == nil {
						return nil
					}
					return new(t.Round(0).Add(jump))
				}
				r.Since, r.SeenAt = *move(&r.Since), *move(&r.SeenAt)
				r.FiredAt, r.AckedAt, r.EscalatedAt = move(r.FiredAt), move(r.AckedAt), move(r.EscalatedAt)
				r.RemindedAt, r.ClearSince, r.ActBy = move(r.RemindedAt), move(r.ClearSince), move(r.ActBy)
				for i := range r.Recent {
					r.Recent[i] += int64(jump / time.Second)
				}
				r.dirty = true
			}
		}
	}
	e.lastNow, e.lastReal, e.lastDateSet = in.Now, time.Now(), in.DateSet
}

// unjudged reports whether a subject is an open coat, or a panel with one,
// that this evaluation has no estimate of.
func unjudged(in Input, subject string) bool {
	for _, c := range in.Work.Coats {
		if (c.ID == subject || c.Panel == subject) && c.Open(in.Now) &&
			!slices.ContainsFunc(in.Estimates, func(e coat.Estimate) bool { return e.ID == c.ID }) {
			return true
		}
	}
	return false
}

// present reports whether the coat, cup, panel or probe is still there.
func present(in Input, subject string) bool {
	for i := range in.Estimates {
		if in.Estimates[i].ID == subject || in.Estimates[i].Panel == subject {
			return true
		}
	}
	for i := range in.Cups {
		if in.Cups[i].Batch == subject {
			return true
		}
	}
	for i := range in.Probes {
		if in.Probes[i].Probe == subject {
			return true
		}
	}
	return false
}

func (f *finding) sev() Severity {
	if f.severity != "" {
		return f.severity
	}
	return f.rule.Severity
}

var loudness = map[Severity]int{Note: 0, Soon: 1, Act: 2, Danger: 3}

func loud(s Severity) int { return loudness[s] }

// makeRoom ends the quietest alert if it is quieter than the finding, and reports
// whether it did; otherwise the finding is dropped. Either is logged at most once
// an hour.
func (e *Engine) makeRoom(f *finding, now time.Time) bool {
	sev := f.sev()
	if since := now.Sub(e.fullSaid); since < 0 || since > time.Hour {
		e.fullSaid = now
		e.log.Error("too many alerts at once: the quietest are dropped", "most", maxActive, "say", f.say)
	}
	var least *record
	for _, r := range e.live {
		if loud(r.Severity) < loud(sev) && (least == nil || loud(r.Severity) < loud(least.Severity)) {
			least = r
		}
	}
	if least == nil {
		return false
	}
	e.queue = append(e.queue, e.end(least, least.SeenAt, "cleared"))
	return true
}

func (e *Engine) begin(f *finding, now time.Time) *record {
	r := &record{Alert: Alert{ID: newID(f.rule.Name), Rule: f.rule.Name, Subject: f.subject,
		Panel: f.panel, Severity: f.sev(), State: Pending, Since: now}, SeenAt: now, dirty: true}
	for i := len(e.ended) - 1; i >= 0; i-- {
		if old := e.ended[i]; old.key() == r.key() {
			// An earlier one that ended before it fired is replaced: a condition
			// that flickers for less than its hold time makes one row, not many.
			if old.FiredAt == nil {
				r.ID = old.ID
				e.ended = slices.Delete(e.ended, i, i+1)
			}
			for _, u := range old.Recent {
				if d := now.Sub(time.Unix(u, 0)); d >= 0 && d < flapSpan {
					r.Recent = append(r.Recent, u)
				}
			}
			break
		}
	}
	e.live[r.key()] = r
	return r
}

// pendingGap is how long a pending alert's condition may go unseen, as during a
// restart, and still count as having lasted.
const pendingGap = 15 * time.Minute

func (e *Engine) seen(r *record, f *finding, now time.Time) []Transition {
	var out []Transition
	fresh := r.Say == "" && r.State == Pending
	r.Say, r.Over, r.Sound, r.ActBy, r.Panel = f.say, f.over, f.rule.Sound, f.actBy, f.panel
	if r.ClearSince != nil {
		r.ClearSince, r.dirty = nil, true
		r.remember(now)
	}
	// It is louder than when it was acknowledged, so it fires again.
	if loud(f.sev()) > loud(r.Severity) && r.State == Acknowledged {
		r.State, r.AckedAt, r.AckedBy, r.EscalatedAt = Firing, nil, "", nil
		r.Severity, r.dirty = f.sev(), true
		r.Told = slices.DeleteFunc(r.Told, func(s string) bool { return s == WhatFiring || s == WhatAcknowledged || s == WhatEscalated })
		out = append(out, Transition{r.Alert, WhatFiring, now})
	} else if r.Severity != f.sev() {
		r.Severity, r.dirty = f.sev(), true
	}
	if r.State == Pending {
		// The clock was set back, or the daemon was off for so long that the
		// condition may have ended and come back: the hold time begins anew.
		if r.Since.After(now) || now.Sub(r.SeenAt) > pendingGap+f.rule.Hold {
			r.Since, r.dirty = now, true
		}
		if now.Sub(r.Since) >= f.rule.Hold {
			r.State, r.FiredAt, r.dirty = Firing, new(now), true
			r.remember(now)
			out = append(out, Transition{r.Alert, WhatFiring, now})
		} else if fresh {
			out = append(out, Transition{r.Alert, WhatPending, now})
		}
	}
	// Saving the last sighting every few minutes is enough to judge a gap.
	if now.Sub(r.SeenAt) > pendingGap/3 && r.State == Pending {
		r.dirty = true
	}
	r.SeenAt = now
	return out
}

// remember notes the time at which the condition came or came back.
func (r *record) remember(now time.Time) {
	r.Recent = slices.DeleteFunc(r.Recent, func(u int64) bool { return now.Sub(time.Unix(u, 0)) >= flapSpan })
	r.Recent = append(r.Recent, now.Unix())
	if n := len(r.Recent) - maxRecent; n > 0 {
		r.Recent = slices.Clone(r.Recent[n:])
	}
	r.Times = len(r.Recent)
}

// maxRecent bounds what is remembered of one rule and subject.
const maxRecent = 16

// clear counts the time a condition has been gone and ends the alert when
// that is long enough. For troubles each return within two hours doubles what is
// long enough, so that a condition that comes and goes is one alert and one message.
func (e *Engine) clear(r *record, f *finding, now time.Time) []Transition {
	if r.State == Pending {
		return []Transition{e.end(r, now, "cleared")}
	}
	if r.ClearSince == nil || r.ClearSince.After(now) {
		r.ClearSince, r.dirty = new(now), true
	}
	hold := f.rule.Clear
	again := 0
	for _, u := range r.Recent {
		if now.Sub(time.Unix(u, 0)) < flapSpan {
			again++
		}
	}
	switch {
	case r.ActBy != nil && now.After(*r.ActBy):
		hold = 0 // past its last useful moment it ends at once
	case f.rule.TellOver || !known(f.rule.Name):
		for i := 1; i < again; i++ {
			hold = min(2*max(hold, time.Minute), flapSpan)
		}
	}
	if now.Sub(*r.ClearSince) < hold {
		return nil
	}
	if f.over != "" {
		r.Over = f.over
	}
	return []Transition{e.end(r, now, "cleared")}
}

func (e *Engine) end(r *record, now time.Time, by string) Transition {
	what := WhatResolved
	if r.State == Pending {
		what = WhatDropped
	}
	r.State, r.EndedAt, r.EndedBy, r.ClearSince, r.AckHashes, r.dirty = Resolved, new(now), by, nil, nil, true
	delete(e.live, r.key())
	e.ended = append(e.ended, r)
	return Transition{r.Alert, what, now}
}

// timed makes the transitions that depend on time alone: reminder and escalation.
func (e *Engine) timed(r *record, now time.Time) []Transition {
	var out []Transition
	if r.State == Pending || r.ClearSince != nil {
		return nil
	}
	if rule(r.Rule, r.Severity).Remind && r.ActBy != nil && r.RemindedAt == nil && r.FiredAt != nil {
		left, before := r.ActBy.Sub(now), time.Duration(e.cfg.RemindBefore)
		// Not right after the first message.
		if left > 0 && left <= before && now.Sub(*r.FiredAt) >= before/2 {
			r.RemindedAt, r.dirty = new(now), true
			out = append(out, Transition{r.Alert, WhatReminder, now})
		}
	}
	if r.State == Firing && r.EscalatedAt == nil && r.FiredAt != nil {
		after := time.Duration(0)
		switch r.Severity {
		case Danger:
			after = time.Duration(e.cfg.EscalateDanger)
		case Act:
			after = time.Duration(e.cfg.EscalateAct)
		}
		if after > 0 && now.Sub(*r.FiredAt) >= after {
			r.EscalatedAt, r.dirty = new(now), true
			out = append(out, Transition{r.Alert, WhatEscalated, now})
		}
	}
	return out
}

// catchUp finds what happened before a restart and was never handed on.
func (e *Engine) catchUp(now time.Time) []Transition {
	var out []Transition
	all := slices.Clone(e.ended)
	for _, r := range e.live {
		all = append(all, r)
	}
	slices.SortStableFunc(all, func(a, b *record) int { return a.Since.Compare(b.Since) })
	for _, r := range all {
		if r.FiredAt == nil {
			continue
		}
		for _, ev := range []struct {
			what string
			at   *time.Time
		}{{WhatFiring, r.FiredAt}, {WhatAcknowledged, r.AckedAt}, {WhatReminder, r.RemindedAt}, {WhatEscalated, r.EscalatedAt}, {WhatResolved, r.EndedAt}} {
			if ev.at != nil && !slices.Contains(r.Told, ev.what) {
				// Of an alert that is over only the last event is of use.
				if r.State == Resolved && ev.what != WhatResolved {
					continue
				}
				if r.State == Resolved && now.Sub(*ev.at) > 24*time.Hour {
					continue
				}
				out = append(out, Transition{r.Alert, ev.what, *ev.at})
			}
		}
	}
	return out
}

// Told records that an event of an alert is safely in the outbox, so that a
// restart does not hand it on again.
func (e *Engine) Told(id, what string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	r := e.byID(id)
	if r == nil || slices.Contains(r.Told, what) {
		return
	}
	r.Told = append(r.Told, what)
	r.dirty = true
	e.saveLater()
}

func (e *Engine) byID(id string) *record {
	for _, r := range e.live {
		if r.ID == id {
			return r
		}
	}
	for i := len(e.ended) - 1; i >= 0; i-- {
		if e.ended[i].ID == id {
			return e.ended[i]
		}
	}
	return nil
}

// Over returns the sentence that says an alert has ended, "" where the alert is not
// known or has no such sentence.
func (e *Engine) Over(id string) string {
	e.mu.Lock()
	defer e.mu.Unlock()
	if r := e.byID(id); r != nil {
		return r.Over
	}
	return ""
}

// List returns the alerts that last, loudest and newest first; with all, also
// those still pending and those that ended and are still in memory.
func (e *Engine) List(all bool) []Alert {
	e.mu.Lock()
	defer e.mu.Unlock()
	out := []Alert{}
	for _, r := range e.live {
		if all || r.State != Pending {
			out = append(out, r.Alert)
		}
	}
	sortAlerts(out)
	if all {
		for i := len(e.ended) - 1; i >= 0; i-- {
			if e.ended[i].FiredAt != nil {
				out = append(out, e.ended[i].Alert)
			}
		}
	}
	return out
}

func sortAlerts(as []Alert) {
	slices.SortFunc(as, func(a, b Alert) int { // ids are random and can't order
		return cmp.Or(loud(b.Severity)-loud(a.Severity), b.Since.Compare(a.Since), strings.Compare(a.Rule, b.Rule), strings.Compare(a.Subject, b.Subject))
	})
}

func (e *Engine) tellWatchers() {
	if len(e.watchers) == 0 {
		return
	}
	active := []Alert{}
	for _, r := range e.live {
		if r.State == Firing {
			active = append(active, r.Alert)
		}
	}
	sortAlerts(active)
	for _, f := range e.watchers {
		f(active)
	}
}

// saveLater marks that something waits for [Engine.Save]; mu is held.
func (e *Engine) saveLater() {
	if e.store == nil {
		for _, r := range e.ended {
			r.dirty = false
		}
	}
	e.trim()
	select {
	case e.changed <- struct{}{}:
	default:
	}
}

// Save writes everything that changed in one batch. It returns nil once it is
// on disk; after an error it all stays marked for the next Save. The engine
// goes on working meanwhile. Without a store it does nothing.
func (e *Engine) Save(ctx context.Context) error {
	if e.store == nil {
		return nil
	}
	return e.saveWith(ctx, func(bodies map[string][]byte) error {
		if len(bodies) == 0 {
			return nil
		}
		return e.store.SaveAlerts(ctx, bodies, nil, nil)
	})
}

// saveWith collects what changed, has write put it on disk and marks how that
// went. write runs without the engine's lock.
func (e *Engine) saveWith(ctx context.Context, write func(bodies map[string][]byte) error) error {
	select {
	case e.saving <- struct{}{}:
		defer func() { <-e.saving }()
	case <-ctx.Done():
		return fmt.Errorf("alerts: save: %w", ctx.Err())
	}
	bodies := map[string][]byte{}
	var taken []*record
	take := func(r *record) {
		if !r.dirty {
			return
		}
		b, err := json.Marshal(r)
		if err != nil {
			return // JSON has no year beyond 9999: kept in memory only
		}
		bodies[r.ID] = b
		r.dirty = false // a change from here on marks it again
		taken = append(taken, r)
	}
	e.mu.Lock()
	for _, r := range e.live {
		take(r)
	}
	for _, r := range e.ended {
		take(r)
	}
	e.mu.Unlock()
	err := write(bodies)
	e.mu.Lock()
	defer e.mu.Unlock()
	if err != nil {
		err = fmt.Errorf("alerts: save: %w", err)
		for _, r := range taken {
			r.dirty = true
		}
	}
	e.trim()
	return err
}

// saveNow is Save before an answer that a person waits for: the change is on disk
// by then, unless the store refuses or hangs, which [Dispatcher.Save] logs.
func (e *Engine) saveNow() {
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	e.Save(ctx) // after an error the next save tries again
}

// newID is short, unique over restarts and safe in a path.
func newID(rule string) string {
	b := make([]byte, 5)
	rand.Read(b)
	return strings.ReplaceAll(rule, "_", "-") + "-" + hex.EncodeToString(b)
}
