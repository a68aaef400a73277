// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
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

// Config is how the rules are tuned. The zero value of a field means its
// default.
type Config struct {
	// ClosingLead is how long before a window's cautious end it is called
	// closing. Default 45 min.
	ClosingLead time.Duration
	// CupLead is how long before the end of a cup its countdown speaks.
	// Default 6 min.
	CupLead time.Duration
	// CupForget is how long a cup whose time is up stays an alert. Default
	// 12 h: by then it is cold.
	CupForget time.Duration
	// DewMarginK is the least distance of a panel to the dew point, K.
	// Default 3, as in ISO 8502-4.
	DewMarginK float64
	// RemindBefore is how long before the end a reminder comes. Default 10
	// min.
	RemindBefore time.Duration
	// EscalateDanger and EscalateAct are how long an alert of that severity
	// may go unacknowledged before it is escalated. Defaults 3 min and 20 min.
	EscalateDanger, EscalateAct time.Duration
	// MaxActive bounds the alerts held at once, MaxEnded those kept in memory
	// after their end. Defaults 400 and 200.
	MaxActive, MaxEnded int
}

func (c Config) defaults() Config {
	def := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	def(&c.ClosingLead, 45*time.Minute)
	def(&c.CupLead, 6*time.Minute)
	def(&c.CupForget, 12*time.Hour)
	def(&c.RemindBefore, 10*time.Minute)
	def(&c.EscalateDanger, 3*time.Minute)
	def(&c.EscalateAct, 20*time.Minute)
	if !(c.DewMarginK > 0) {
		c.DewMarginK = 3
	}
	if c.MaxActive <= 0 {
		c.MaxActive = 400
	}
	if c.MaxEnded <= 0 {
		c.MaxEnded = 200
	}
	return c
}

// Store keeps alerts and the messages that are not delivered yet over a
// restart. Bodies are opaque to it.
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

// What a transition may be besides the Whats of a message.
const (
	WhatPending = "pending"
	WhatDropped = "dropped"
)

// record is an alert as it is kept.
type record struct {
	Alert
	Over       string     `json:"over,omitempty"`
	ClearSince *time.Time `json:"clear_since,omitempty"`
	SeenAt     time.Time  `json:"seen_at"` // last saved sighting
	RemindedAt *time.Time `json:"reminded_at,omitempty"`
	Told       []string   `json:"told,omitempty"` // what was handed to the outbox
	AckHashes  []string   `json:"ack_hashes,omitempty"`
	Recent     []int64    `json:"recent,omitempty"` // unix times of recent firings of this rule and subject

	dirty bool
}

func (r *record) key() key       { return key{r.Rule, r.Subject} }
func (r *record) live() bool     { return r.State != Resolved }
func (r *record) audible() bool  { return r.State == Firing }
func (r *record) shownAs() Alert { return r.Alert }

// Engine runs the rules and owns the life cycle of every alert. Its methods
// may be called from any goroutine. Its lock is never held over the store:
// what changed is decided and sounded in memory, and written by [Engine.Save]
// afterwards, so that a card that hangs delays no alarm.
type Engine struct {
	cfg     Config
	store   Store
	saving  chan struct{} // holds one token: one save at a time, so that an older body cannot overtake a newer one
	changed chan struct{} // something waits for Save

	mu       sync.Mutex
	view     View
	live     map[key]*record
	ended    []*record // oldest first, at most cfg.MaxEnded
	queue    []Transition
	first    bool
	storeErr error
	dropped  uint64
	spoilt   int // stored bodies that could not be read
	watchers []func([]Alert)

	lastNow     time.Time // of the last step, as it was told
	lastReal    time.Time // of the last step, for what really went by
	lastDateSet int
}

// New returns an engine that goes on where the store left off. What the store
// can't give is left out; the engine runs all the same.
func New(cfg Config, store Store) *Engine {
	e := &Engine{cfg: cfg.defaults(), store: store, live: map[key]*record{}, first: true,
		saving: make(chan struct{}, 1), changed: make(chan struct{}, 1)}
	if store == nil {
		return e
	}
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	bodies, err := store.LoadAlerts(ctx)
	if err != nil {
		e.storeErr = fmt.Errorf("alerts: load: %w", err)
	}
	for _, b := range bodies {
		r := new(record)
		if err := json.Unmarshal(b, r); err != nil || r.ID == "" || r.Rule == "" {
			e.spoilt++
			continue
		}
		if !r.live() {
			e.ended = append(e.ended, r)
			continue
		}
		// Two of a kind can only come from a torn write: the newer counts.
		if old, ok := e.live[r.key()]; ok && old.Since.After(r.Since) {
			continue
		}
		e.live[r.key()] = r
	}
	sort.SliceStable(e.ended, func(i, j int) bool { return endedAt(e.ended[i]).Before(endedAt(e.ended[j])) })
	e.trim()
	return e
}

// storeTimeout bounds one write: a card that hangs must not hold the alerts.
const storeTimeout = 5 * time.Second

func endedAt(r *record) time.Time {
	if r.EndedAt != nil {
		return *r.EndedAt
	}
	return r.Since
}

// trim lets go of the oldest ended alerts beyond the bound. Those that are not
// on disk yet stay, up to four times the bound.
func (e *Engine) trim() {
	n := max(len(e.ended)-e.cfg.MaxEnded, 0)
	for i, r := range e.ended[:n] {
		if r.dirty && len(e.ended)-i <= 4*e.cfg.MaxEnded {
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
	keys := make([]key, 0, len(found))
	for k := range found {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(i, j int) bool {
		a, b := found[keys[i]], found[keys[j]]
		if la, lb := loud(a.sev()), loud(b.sev()); la != lb {
			return la > lb
		}
		if keys[i].rule != keys[j].rule {
			return keys[i].rule < keys[j].rule
		}
		return keys[i].subject < keys[j].subject
	})
	for _, k := range keys {
		f := found[k]
		r := e.live[k]
		switch {
		case f.is == yes && r == nil:
			if len(e.live) >= e.cfg.MaxActive && !e.makeRoom(f.sev()) {
				e.dropped++
				continue
			}
			r = e.begin(f, now)
			out = append(out, e.seen(r, f, now)...)
		case f.is == yes:
			out = append(out, e.seen(r, f, now)...)
		case f.is == unsure && r != nil:
			// Past its last useful moment nothing is left to hold on to.
			if r.State != Pending && r.ActBy != nil && now.Sub(*r.ActBy) > time.Hour {
				out = append(out, e.end(r, now, "cleared"))
			}
		case f.is == replaced && r != nil:
			out = append(out, e.end(r, now, "cleared"))
		case f.is == no && r != nil:
			out = append(out, e.clear(r, f, now)...)
		}
	}
	// What is no longer looked at at all was ended by somebody: the coat, the
	// cup or the probe is gone from the shop. A condition is gone when its
	// part stops reporting it.
	gone := make([]key, 0)
	for k := range e.live {
		if _, ok := found[k]; !ok {
			gone = append(gone, k)
		}
	}
	sort.Slice(gone, func(i, j int) bool {
		return gone[i].rule+gone[i].subject < gone[j].rule+gone[j].subject
	})
	for _, k := range gone {
		r := e.live[k]
		source := rule(k.rule, r.Severity).Source
		if source == FromReport {
			out = append(out, e.clear(r, finding{rule: rule(k.rule, r.Severity), over: r.Over}, now)...)
			continue
		}
		if source == FromCoat && (in.NoEstimate || unjudged(in, r.Subject)) {
			continue // no news is not good news
		}
		by := "cleared"
		if !present(in, r.Subject) {
			by = "person"
		}
		out = append(out, e.end(r, now, by))
	}
	// Whoever felt the coat has heard that it wants to be felt.
	for _, r := range e.live {
		if r.Rule == FeelNow && r.State == Firing && in.Work != nil {
			for _, f := range in.Work.Feels {
				if f.Coat == r.Subject && f.At.After(*r.FiredAt) && !f.At.After(now) {
					e.ack(r, "finger test", now)
				}
			}
		}
	}
	out = append(out, e.queue...)
	e.queue = nil
	for _, r := range e.live {
		out = append(out, e.timed(r, now)...)
	}
	e.saveLater()
	e.tellWatchers()
	return out
}

// redate moves what lasts onto the right clock when the board learns the time:
// an alert that began three minutes ago did not begin in another year, and is
// not long overdue.
func (e *Engine) redate(in Input) {
	if !e.lastNow.IsZero() && in.DateSet != e.lastDateSet {
		// By the wall alone: the jump may or may not be in the monotonic part.
		jump := in.Now.Round(0).Sub(e.lastNow.Round(0)) - time.Since(e.lastReal)
		if jump.Abs() > time.Minute {
			for _, r := range e.live {
				move := func(t *time.Time) *time.Time {
					if t == nil {
						return nil
					}
					m := t.Round(0).Add(jump)
					return &m
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
	if in.Work == nil {
		return false
	}
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

func (f finding) sev() Severity {
	if f.severity != "" {
		return f.severity
	}
	return f.rule.Severity
}

func loud(s Severity) int {
	switch s {
	case Danger:
		return 3
	case Act:
		return 2
	case Soon:
		return 1
	}
	return 0
}

// makeRoom drops the quietest alert if it is quieter than sev.
func (e *Engine) makeRoom(sev Severity) bool {
	var least *record
	for _, r := range e.live {
		if loud(r.Severity) < loud(sev) && (least == nil || loud(r.Severity) < loud(least.Severity)) {
			least = r
		}
	}
	if least == nil {
		return false
	}
	e.dropped++
	t := e.end(least, least.SeenAt, "cleared")
	e.queue = append(e.queue, t)
	return true
}

func (e *Engine) begin(f finding, now time.Time) *record {
	r := &record{Alert: Alert{ID: newID(f.rule.Name), Rule: f.rule.Name, Subject: f.subject,
		Panel: f.panel, Severity: f.sev(), State: Pending, Since: now}, SeenAt: now, dirty: true}
	for i := len(e.ended) - 1; i >= 0; i-- {
		if old := e.ended[i]; old.key() == r.key() {
			// One that came to nothing leaves its place to the next: a
			// condition that flickers below its hold-off is one row, not many.
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

// pendingGap is how long a pending alert may go unseen, over a restart, and
// still count as lasting.
const pendingGap = 15 * time.Minute

func (e *Engine) seen(r *record, f finding, now time.Time) []Transition {
	var out []Transition
	fresh := r.Say == "" && r.State == Pending
	r.Say, r.Over, r.Sound, r.ActBy, r.Panel = f.say, f.over, f.rule.Sound, f.actBy, f.panel
	if r.ClearSince != nil {
		r.ClearSince, r.dirty = nil, true
		r.remember(now)
	}
	// Louder than when it was acknowledged: it must be heard anew.
	if loud(f.sev()) > loud(r.Severity) && r.State == Acknowledged {
		r.State, r.AckedAt, r.AckedBy, r.EscalatedAt = Firing, nil, "", nil
		r.Severity, r.dirty = f.sev(), true
		r.Told = slices.DeleteFunc(r.Told, func(s string) bool { return s == WhatFiring || s == WhatAcknowledged || s == WhatEscalated })
		out = append(out, Transition{r.shownAs(), WhatFiring, now})
	} else if r.Severity != f.sev() {
		r.Severity, r.dirty = f.sev(), true
	}
	if r.State == Pending {
		// The clock may have been set back, or the daemon been away so long
		// that nobody can say whether it lasted.
		if r.Since.After(now) || now.Sub(r.SeenAt) > pendingGap+f.rule.Hold {
			r.Since, r.dirty = now, true
		}
		if now.Sub(r.Since) >= f.rule.Hold {
			at := now
			r.State, r.FiredAt, r.dirty = Firing, &at, true
			r.remember(now)
			out = append(out, Transition{r.shownAs(), WhatFiring, now})
		} else if fresh {
			out = append(out, Transition{r.shownAs(), WhatPending, now})
		}
	}
	// A saved sighting every few minutes is enough to judge a gap by.
	if now.Sub(r.SeenAt) > pendingGap/3 && r.State == Pending {
		r.dirty = true
	}
	r.SeenAt = now
	return out
}

// remember notes that the condition came, or came back.
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
// long enough, so that what comes and goes is one alert and one message.
func (e *Engine) clear(r *record, f finding, now time.Time) []Transition {
	if r.State == Pending {
		return []Transition{e.end(r, now, "cleared")}
	}
	if r.ClearSince == nil || r.ClearSince.After(now) {
		at := now
		r.ClearSince, r.dirty = &at, true
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
		hold = 0 // its time is over anyhow
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
	at := now
	r.State, r.EndedAt, r.EndedBy, r.ClearSince, r.AckHashes, r.dirty = Resolved, &at, by, nil, nil, true
	delete(e.live, r.key())
	e.ended = append(e.ended, r)
	t := Transition{r.shownAs(), what, now}
	return t
}

// timed is what comes by the clock alone: the reminder and the escalation.
func (e *Engine) timed(r *record, now time.Time) []Transition {
	var out []Transition
	if r.State == Pending || r.ClearSince != nil {
		return nil
	}
	if rule(r.Rule, r.Severity).Remind && r.ActBy != nil && r.RemindedAt == nil && r.FiredAt != nil {
		left := r.ActBy.Sub(now)
		// Not on the heels of the first message.
		if left > 0 && left <= e.cfg.RemindBefore && now.Sub(*r.FiredAt) >= e.cfg.RemindBefore/2 {
			at := now
			r.RemindedAt, r.dirty = &at, true
			out = append(out, Transition{r.shownAs(), WhatReminder, now})
		}
	}
	if r.State == Firing && r.EscalatedAt == nil && r.FiredAt != nil {
		after := time.Duration(0)
		switch r.Severity {
		case Danger:
			after = e.cfg.EscalateDanger
		case Act:
			after = e.cfg.EscalateAct
		}
		if after > 0 && now.Sub(*r.FiredAt) >= after {
			at := now
			r.EscalatedAt, r.dirty = &at, true
			out = append(out, Transition{r.shownAs(), WhatEscalated, now})
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
	sort.SliceStable(all, func(i, j int) bool { return all[i].Since.Before(all[j].Since) })
	for _, r := range all {
		if r.FiredAt == nil {
			continue
		}
		for _, ev := range []struct {
			what string
			at   *time.Time
		}{{WhatFiring, r.FiredAt}, {WhatAcknowledged, r.AckedAt}, {WhatReminder, r.RemindedAt}, {WhatEscalated, r.EscalatedAt}, {WhatResolved, r.EndedAt}} {
			if ev.at != nil && !slices.Contains(r.Told, ev.what) {
				// Only the last word on an alert that is over.
				if r.State == Resolved && ev.what != WhatResolved {
					continue
				}
				if r.State == Resolved && now.Sub(*ev.at) > 24*time.Hour {
					continue
				}
				out = append(out, Transition{r.shownAs(), ev.what, *ev.at})
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

// Over returns what is said now that an alert has ended, "" where nothing is
// known of it.
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
			out = append(out, r.shownAs())
		}
	}
	sortAlerts(out)
	if all {
		for i := len(e.ended) - 1; i >= 0; i-- {
			if e.ended[i].FiredAt != nil {
				out = append(out, e.ended[i].shownAs())
			}
		}
	}
	return out
}

func sortAlerts(as []Alert) {
	sort.Slice(as, func(i, j int) bool {
		a, b := as[i], as[j]
		if la, lb := loud(a.Severity), loud(b.Severity); la != lb {
			return la > lb
		}
		if !a.Since.Equal(b.Since) {
			return a.Since.After(b.Since)
		}
		if a.Rule != b.Rule {
			return a.Rule < b.Rule
		}
		return a.Subject < b.Subject // ids are drawn: they would order by chance
	})
}

func (e *Engine) tellWatchers() {
	if len(e.watchers) == 0 {
		return
	}
	active := []Alert{}
	for _, r := range e.live {
		if r.audible() {
			active = append(active, r.shownAs())
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
			return // a time beyond year 9999: kept in memory only
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
	if len(taken) > 0 || err != nil {
		e.storeErr = err
	}
	e.trim()
	return err
}

// saveNow is Save for an answer that a person waits for: what was said is on
// disk before it, unless the store refuses or hangs, which is said elsewhere.
func (e *Engine) saveNow() {
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	e.Save(ctx) // the next one writes what this one could not
}

// newID is short, unique over restarts and safe in a path.
func newID(rule string) string {
	b := make([]byte, 5)
	rand.Read(b)
	return strings.ReplaceAll(rule, "_", "-") + "-" + hex.EncodeToString(b)
}
