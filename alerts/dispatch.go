// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"cmp"
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/model/words"

	"github.com/cenkalti/backoff/v5"
)

// PageChannel stands for the open web page's own sound in tests of channels.
const PageChannel = "page"

// Settings keeps a few texts over a restart; a name that was never set gives "".
type Settings interface {
	Setting(ctx context.Context, key string) (string, error)
	SetSetting(ctx context.Context, key, value string) error
}

// DispatchConfig is how messages are routed.
type DispatchConfig struct {
	Site   string
	Routes []Route
	// LinkBase is the part of a link before "/ack/TOKEN"; "" for no links.
	LinkBase string
	// Now is the daemon's clock, time.Now by default. The waits between tries
	// are real whatever it says.
	Now func() time.Time
	Log *slog.Logger
}

// Defaults and limits of delivery; a channel may set the first two otherwise.
const (
	tryFor     = 30 * time.Second // of one try
	perHour    = 20               // messages to a person through one channel
	giveUp     = 72 * time.Hour   // how long a message is tried
	maxWaiting = 200              // messages for one channel
	morning    = 7 * 60           // minute of the day: when a digest goes out without sleeping hours
)

// Dispatcher routes transitions to channels and delivers them, each channel by
// a goroutine of its own so that a slow one holds up no other. Its lock is
// never held over the store or the network: [Dispatcher.Run] writes what
// changed beside the deliveries.
type Dispatcher struct {
	cfg      DispatchConfig
	engine   *Engine
	settings Settings
	order    []string
	lines    map[string]*line

	mu       sync.Mutex
	view     View
	quiet    Hours
	trusted  bool
	seq      uint64
	heard    map[string]bool
	storeErr error           // of the last save: logged when it changes
	undone   map[string]bool // done with, but still in the outbox
	changed  chan struct{}   // something waits for Save
}

// line is one channel and what waits for it.
type line struct {
	Channel
	rows      map[string]*row
	wake      chan struct{}
	sending   *row
	back      *backoff.ExponentialBackOff
	notBefore time.Time // real time: no try before, after a failure
	turned    time.Time // real time of its goroutine's last turn; zero before Run
	sentAt    []time.Time
	stats     ChannelStats
	loggedAt  time.Time
	loggedIs  string
}

// row is one message waiting for one channel. There is at most one a channel
// and alert: what is newer replaces what was not delivered yet.
type row struct {
	Key     string    `json:"key"`
	Channel string    `json:"channel"`
	AlertID string    `json:"alert_id"`
	Due     time.Time `json:"due"`
	Made    time.Time `json:"made"`
	Seq     uint64    `json:"seq"`
	Tries   int       `json:"tries"`
	Digest  bool      `json:"digest"`
	Message Message   `json:"message"`

	unsaved bool
	stored  bool // it is, or may be, in the outbox
}

// ChannelStats are one channel's counts since start.
type ChannelStats struct {
	Sent, Failed, Refused, GaveUp uint64 // Refused: permanent
	Queued                        int
	LastErr                       string    // "" once a message got through
	FailingSince                  time.Time // zero while all is well
	LastSent                      time.Time
	Overflow                      uint64 // dropped because maxWaiting messages waited already
	Lost                          uint64 // of these, those that no later message has mentioned yet
}

// NewDispatcher returns a dispatcher over the channels. Its outbox is in the
// engine's own store; without that nothing outlives the process, and settings may
// be nil too. What the outbox holds is delivered first.
func NewDispatcher(cfg DispatchConfig, e *Engine, settings Settings, channels ...Channel) *Dispatcher {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	cfg.LinkBase = strings.TrimRight(cfg.LinkBase, "/")
	d := &Dispatcher{cfg: cfg, engine: e, settings: settings, lines: map[string]*line{}, heard: map[string]bool{}, undone: map[string]bool{}, changed: make(chan struct{}, 1), trusted: true}
	for _, c := range channels {
		c.Timeout, c.MaxPerHour = cmp.Or(c.Timeout, tryFor), cmp.Or(c.MaxPerHour, perHour)
		l := &line{Channel: c, rows: map[string]*row{}, wake: make(chan struct{}, 1), back: backoff.NewExponentialBackOff()}
		l.back.InitialInterval = 5 * time.Second
		l.back.MaxInterval = 5 * time.Minute
		l.back.Multiplier = 2
		l.back.Reset()
		d.order = append(d.order, c.Name)
		d.lines[c.Name] = l
	}
	d.load()
	e.OnChange(d.watch)
	return d
}

func (d *Dispatcher) load() {
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	if store := d.engine.store; store != nil {
		bodies, err := store.LoadOutbox(ctx)
		if err != nil {
			d.cfg.Log.Error("outbox not read", "err", err)
		}
		for _, b := range bodies {
			r := new(row)
			if err := json.Unmarshal(b, r); err != nil || r.Key == "" {
				d.cfg.Log.Error("outbox row not read", "err", err)
				continue
			}
			l, ok := d.lines[r.Channel]
			if !ok {
				// The configuration no longer has this channel: log what waited for it.
				d.cfg.Log.Warn("message for a channel that is gone", "channel", r.Channel, "say", r.Message.Text)
				d.undone[r.Key] = true
				d.saveLater()
				continue
			}
			r.stored = true
			l.rows[r.Key] = r
			d.seq = max(d.seq, r.Seq)
		}
	}
	if d.settings != nil {
		for _, n := range append([]string{PageChannel}, d.order...) {
			if v, err := d.settings.Setting(ctx, heardKey(n)); err == nil && v != "" {
				d.heard[n] = true
			}
		}
	}
}

// SetView sets how times are said, when the person sleeps (in View.Loc), and
// whether the clock is trusted; while it is not, nothing is put off until the
// morning, because nobody knows when that is.
func (d *Dispatcher) SetView(v View, quiet Hours, clockTrusted bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.view, d.quiet, d.trusted = v, quiet, clockTrusted
}

// target is a channel that an alert goes to, and on what terms.
type target struct {
	night    string
	resolved bool
	notes    bool // by day a note is sent at once instead of with the digest
}

func (d *Dispatcher) targets(a Alert, now time.Time, escalated bool) map[string]target {
	out := map[string]target{}
	put := func(names []string, t target) {
		for _, n := range names {
			if a.Rule == ChannelDown && a.Subject == n {
				continue // a channel that is down can't report itself
			}
			old, had := out[n]
			if had { // where two routes match, the one that wakes for more counts
				if nights[old.night] > nights[t.night] {
					t.night = old.night
				}
				t.resolved, t.notes = t.resolved || old.resolved, t.notes || old.notes
			}
			out[n] = t
		}
	}
	if len(d.cfg.Routes) == 0 {
		put(d.order, target{night: "act", resolved: true})
		return out
	}
	for _, r := range d.cfg.Routes {
		if len(r.Severity) > 0 && !slices.Contains(r.Severity, string(a.Severity)) ||
			len(r.Panel) > 0 && !slices.Contains(r.Panel, a.Panel) ||
			len(r.Rule) > 0 && !slices.Contains(r.Rule, a.Rule) {
			continue
		}
		if r.Hours != "" && d.trusted {
			if h, err := ParseHours(r.Hours); err == nil {
				if in, _ := h.In(now, d.view.Loc); !in {
					continue
				}
			}
		}
		t := target{night: r.Night, resolved: r.Resolved == nil || *r.Resolved, notes: slices.Contains(r.Severity, string(Note))}
		if t.night == "" {
			t.night = "act"
		}
		put(r.To, t)
		if escalated {
			put(r.EscalateTo, t)
		}
	}
	return out
}

var nights = map[string]int{"danger": 0, "act": 1, "all": 2}

// wakeMargin is how long after waking a window must still be open for its
// alert to wait until then.
const wakeMargin = 30 * time.Minute

// later returns when an alert may be told to a person, and whether that is
// later than now.
func (d *Dispatcher) later(a Alert, t target, now time.Time) (time.Time, bool) {
	if !d.trusted || a.Severity == Danger {
		return now, false
	}
	asleep, wakes := d.quiet.In(now, d.view.Loc)
	switch {
	case asleep && t.night == "all":
		return now, false
	case asleep && t.night == "act" && a.Severity == Act:
		if a.ActBy != nil && a.ActBy.After(wakes.Add(wakeMargin)) {
			return wakes, true // it can be acted on after breakfast
		}
		return now, false
	case asleep:
		return wakes, true
	case a.Severity == Note && !t.notes:
		loc := d.view.Loc
		if loc == nil {
			loc = time.UTC
		}
		m := morning
		if d.quiet.From != d.quiet.To {
			m = d.quiet.To
		}
		return next(now.In(loc), m), true
	}
	return now, false
}

// Handle routes transitions into the outbox. It never waits for a channel.
func (d *Dispatcher) Handle(ts []Transition) {
	for _, t := range ts {
		if t.What == WhatPending || t.What == WhatDropped {
			continue
		}
		over := ""
		tellOver := false
		if t.What == WhatResolved {
			over = d.engine.Over(t.Alert.ID)
			tellOver = rule(t.Alert.Rule, t.Alert.Severity).TellOver || !known(t.Alert.Rule)
		}
		// Minted before taking the dispatcher's lock: MintAck takes the engine's
		// lock, and the engine calls the dispatcher while holding it.
		link := ""
		if d.cfg.LinkBase != "" && (t.What == WhatFiring || t.What == WhatReminder || t.What == WhatEscalated) {
			if token := d.engine.MintAck(t.Alert.ID); token != "" {
				link = d.cfg.LinkBase + "/ack/" + token
			}
		}
		d.route(t, over, tellOver, link)
		d.engine.Told(t.Alert.ID, t.What)
	}
}

func known(rule string) bool { _, ok := ruleByName[rule]; return ok }

func (d *Dispatcher) route(t Transition, over string, tellOver bool, link string) {
	now := d.cfg.Now()
	a := t.Alert
	d.mu.Lock()
	defer d.mu.Unlock()
	for name, tg := range d.targets(a, now, t.What == WhatEscalated) {
		l, ok := d.lines[name]
		if !ok || l.Watch != nil {
			continue
		}
		key := name + "/" + a.ID
		old := l.rows[key]
		m := d.message(t, over)
		if l.Machine {
			// Every event, in order: a system may count them.
			d.seen(&m, link)
			d.put(l, &row{Key: key + "/" + t.What, Due: now, Message: m}, a, now)
			continue
		}
		switch t.What {
		case WhatAcknowledged:
			d.drop(l, key) // it was acknowledged: no message is needed any more
		case WhatResolved:
			untold := old != nil && old.Message.What != WhatResolved && old != l.sending
			switch {
			case untold && a.EndedBy == "person":
				d.drop(l, key)
			case untold && !old.Digest && !tellOver:
				d.drop(l, key) // too late to be of use
			case untold:
				// It ended before its first message was delivered: one message
				// reports both.
				sp := speaker{d.view, now, d.trusted}
				m.Text = old.Message.Text + sp.part("ended", words.Facts{"at": sp.at(a.EndedAt)})
				d.put(l, &row{Key: key, Due: old.Due, Digest: old.Digest, Message: m}, a, old.Made)
			case tellOver && tg.resolved && a.EndedBy != "person":
				quiet := a
				if quiet.Severity == Act {
					quiet.Severity = Soon // the end of an alert wakes nobody
				}
				due, wait := d.later(quiet, tg, now)
				if a.Severity == Note && !wait {
					continue
				}
				d.put(l, &row{Key: key, Due: due, Digest: wait, Message: m}, a, now)
			}
		default:
			if t.What == WhatEscalated && old != nil && old.Digest {
				continue // its first message still waits, so nobody could have acknowledged
			}
			due, wait := d.later(a, tg, now)
			if !wait {
				due, wait = d.limit(l, a, now)
			}
			if !wait {
				d.seen(&m, link)
			}
			d.put(l, &row{Key: key, Due: due, Digest: wait, Message: m}, a, now)
		}
	}
}

// limit puts off messages beyond the channel's limit per hour.
func (d *Dispatcher) limit(l *line, a Alert, now time.Time) (time.Time, bool) {
	if a.Severity == Danger {
		return now, false
	}
	l.sentAt = slices.DeleteFunc(l.sentAt, func(t time.Time) bool { return now.Sub(t) >= time.Hour || t.After(now) })
	waiting := 0
	for _, r := range l.rows {
		if !r.Digest {
			waiting++
		}
	}
	if len(l.sentAt)+waiting < l.MaxPerHour {
		return now, false
	}
	due := now.Add(gather)
	for _, r := range l.rows {
		if r.Digest && r.Due.After(now) && r.Due.Before(due) {
			due = r.Due // together with those that wait already
		}
	}
	return due, true
}

// gather is how long messages beyond the limit are gathered into one.
const gather = 15 * time.Minute

// seen puts the acknowledging link into a message; link is "" for none.
func (d *Dispatcher) seen(m *Message, link string) {
	if link != "" {
		m.AckURL, m.Ack = link, d.view.Say("message.ack", words.Facts{"url": link})+"\n"+d.view.Say("message.ack_where", nil)
	}
}

func (d *Dispatcher) message(t Transition, over string) Message {
	a := t.Alert
	m := Message{Key: a.ID + "/" + t.What, What: t.What, Site: d.cfg.Site, At: t.At, Alert: &a, Text: a.Say}
	if t.What == WhatFiring && a.AckedAt == nil && a.Times > 1 {
		m.Text += d.view.Say("part.repeats", words.Facts{"times": a.Times})
	}
	head := string(a.Severity)
	if code := "message." + head; words.English.Has(code) {
		head = d.view.Say(code, nil)
	}
	switch t.What {
	case WhatResolved:
		head = d.view.Say("message.over_head", nil)
		if over != "" {
			m.Text = over
		} else {
			m.Text = d.view.Say("message.over", words.Facts{"say": a.Say})
		}
	case WhatReminder:
		head = d.view.Say("message.last_call", nil)
	case WhatEscalated:
		head = d.view.Say("message.nobody", words.Facts{"head": strings.ToLower(head)})
	case WhatAcknowledged:
		head = d.view.Say("message.seen", nil)
	}
	m.Title = head
	if d.cfg.Site != "" {
		m.Title = d.view.Say("message.site", words.Facts{"site": d.cfg.Site, "head": head})
	}
	if a.Panel != "" {
		m.Title = d.view.Say("message.of", words.Facts{"head": m.Title, "panel": a.Panel})
	}
	return m
}

// note takes the state of the channels that report it by Channel.Err, such as the
// buzzer, into their counts.
func (d *Dispatcher) note() {
	for _, n := range d.order {
		l := d.lines[n]
		if l.Err == nil {
			continue
		}
		if err := l.Err(); err != nil {
			d.say(l, err, 0)
		} else {
			l.stats.LastErr, l.stats.FailingSince = "", time.Time{}
		}
	}
}

// Stats returns each channel's counts.
func (d *Dispatcher) Stats() map[string]ChannelStats {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.note()
	out := make(map[string]ChannelStats, len(d.lines))
	for n, l := range d.lines {
		s := l.stats
		s.Queued = len(l.rows)
		out[n] = s
	}
	return out
}

// Conditions returns a condition for each channel that has delivered nothing for
// ten minutes in spite of trying, for the engine's next step.
func (d *Dispatcher) Conditions() []Condition {
	now := d.cfg.Now()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.note()
	var out []Condition
	for _, n := range d.order {
		if s := d.lines[n].stats; !s.FailingSince.IsZero() && now.Sub(s.FailingSince) > 10*time.Minute {
			sp := speaker{d.view, now, d.trusted}
			how := "since"
			if d.lines[n].Watch != nil {
				how = "line"
			}
			out = append(out, Condition{Rule: ChannelDown, Subject: n, Severity: Soon,
				Case: how, Facts: words.Facts{"since": sp.since(s.FailingSince), "lost": sp.lost(s.Lost, "lost_and")}})
		}
	}
	return out
}
