package alerts

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
)

// PageChannel is the name under which the open page's own sound is tested.
const PageChannel = "page"

// Outbox keeps messages that are not delivered yet over a restart. Bodies are
// opaque to it. PutOutbox replaces the body of a key and returns once it is on
// disk; DoneOutbox forgets a key, one that is not there without an error.
type Outbox interface {
	PutOutbox(ctx context.Context, key string, body []byte) error
	LoadOutbox(ctx context.Context) ([][]byte, error)
	DoneOutbox(ctx context.Context, key string) error
}

// Settings keeps a few words over a restart; "" where none is kept.
type Settings interface {
	Setting(ctx context.Context, key string) (string, error)
	SetSetting(ctx context.Context, key, value string) error
}

// DispatchConfig is how messages are routed.
type DispatchConfig struct {
	Site   string
	Routes []Route
	// LinkBase is in front of "/ack/TOKEN"; "" for no links.
	LinkBase string
	// Timeout bounds one try; default 30 s. Timeouts has a channel's own.
	Timeout  time.Duration
	Timeouts map[string]time.Duration
	// MaxPerHour bounds the messages to a person through one channel; what is
	// beyond is gathered into one. Danger is exempt. Default 20.
	MaxPerHour  int
	MaxPerHours map[string]int
	// GiveUp is how long a message is tried. Default 72 h.
	GiveUp time.Duration
	// MaxQueued bounds the messages waiting for one channel. Default 200.
	MaxQueued int
	// Morning is when a digest goes out where no sleeping hours are set, in
	// minutes after midnight. Default 07:00.
	Morning int
	// Now is the daemon's clock, time.Now by default. The waits between tries
	// are real whatever it says.
	Now func() time.Time
	Log *slog.Logger
}

// Dispatcher routes transitions to channels and delivers them, each channel by
// a goroutine of its own so that a slow one holds up no other.
type Dispatcher struct {
	cfg      DispatchConfig
	engine   *Engine
	outbox   Outbox
	settings Settings
	order    []string
	lines    map[string]*line

	mu       sync.Mutex
	view     View
	quiet    Hours
	trusted  bool
	seq      uint64
	heard    map[string]bool
	storeErr error
	failedAt time.Time       // real time of the outbox's last refusal
	undone   map[string]bool // delivered, but still in the outbox
}

// line is one channel and what waits for it.
type line struct {
	ch        Channel
	machine   bool
	watcher   Watcher
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
}

// ChannelStats are one channel's counts since start.
type ChannelStats struct {
	Sent, Failed, Refused, GaveUp uint64 // Refused: permanent
	Queued                        int
	LastErr                       string    // "" once a message got through
	FailingSince                  time.Time // zero while all is well
	LastSent                      time.Time
	Overflow                      uint64 // dropped because MaxQueued was reached
}

// NewDispatcher returns a dispatcher over the channels; outbox and settings
// may be nil, and then nothing outlives the process. What the outbox holds is
// delivered first.
func NewDispatcher(cfg DispatchConfig, e *Engine, outbox Outbox, settings Settings, channels ...Channel) *Dispatcher {
	if cfg.Timeout <= 0 {
		cfg.Timeout = 30 * time.Second
	}
	if cfg.MaxPerHour <= 0 {
		cfg.MaxPerHour = 20
	}
	if cfg.GiveUp <= 0 {
		cfg.GiveUp = 72 * time.Hour
	}
	if cfg.MaxQueued <= 0 {
		cfg.MaxQueued = 200
	}
	if cfg.Morning <= 0 {
		cfg.Morning = 7 * 60
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	cfg.LinkBase = strings.TrimRight(cfg.LinkBase, "/")
	d := &Dispatcher{cfg: cfg, engine: e, outbox: outbox, settings: settings, lines: map[string]*line{}, heard: map[string]bool{}, undone: map[string]bool{}, trusted: true}
	for _, c := range channels {
		l := &line{ch: c, rows: map[string]*row{}, wake: make(chan struct{}, 1), back: backoff.NewExponentialBackOff()}
		l.back.InitialInterval = 5 * time.Second
		l.back.MaxInterval = 5 * time.Minute
		l.back.Multiplier = 2
		l.back.Reset()
		if m, ok := c.(Machine); ok {
			l.machine = m.Machine()
		}
		l.watcher, _ = c.(Watcher)
		d.order = append(d.order, c.Name())
		d.lines[c.Name()] = l
	}
	d.load()
	if e != nil {
		e.OnChange(d.watch)
	}
	return d
}

func (d *Dispatcher) load() {
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	if d.outbox != nil {
		bodies, err := d.outbox.LoadOutbox(ctx)
		if err != nil {
			d.storeErr = fmt.Errorf("outbox: load: %w", err)
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
				// The channel is gone from the configuration: say what it held.
				d.cfg.Log.Warn("message for a channel that is gone", "channel", r.Channel, "say", r.Message.Text)
				d.done(r.Key)
				continue
			}
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
	notes    bool // notes at once by day
}

func (d *Dispatcher) targets(a Alert, now time.Time, escalated bool) map[string]target {
	out := map[string]target{}
	put := func(names []string, t target) {
		for _, n := range names {
			if a.Rule == ChannelDown && a.Subject == n {
				continue // it would tell of itself
			}
			old, had := out[n]
			if had { // of two routes the louder counts
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
		m := d.cfg.Morning
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
		// Minted before the dispatcher's lock is taken: the engine calls the
		// dispatcher under its own.
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
		if !ok || l.watcher != nil {
			continue
		}
		key := name + "/" + a.ID
		old := l.rows[key]
		m := d.message(t, over)
		if l.machine {
			// Every event, in order: a system may count them.
			m.AckURL = link
			d.put(l, &row{Key: key + "/" + t.What, Due: now, Message: m}, a, now)
			continue
		}
		switch t.What {
		case WhatAcknowledged:
			d.drop(l, key) // the person knows
		case WhatResolved:
			untold := old != nil && old.Message.What != WhatResolved && old != l.sending
			switch {
			case untold && a.EndedBy == "person":
				d.drop(l, key)
			case untold && !old.Digest && !tellOver:
				d.drop(l, key) // too late to be of use
			case untold:
				// It came and went before anybody could be told: one message
				// says both.
				m.Text = old.Message.Text + " It ended" + speaker{d.view, now, d.trusted}.at(a.EndedAt) + "."
				d.put(l, &row{Key: key, Due: old.Due, Digest: old.Digest, Message: m}, a, old.Made)
			case tellOver && tg.resolved && a.EndedBy != "person":
				quiet := a
				if quiet.Severity == Act {
					quiet.Severity = Soon // good news waits
				}
				due, wait := d.later(quiet, tg, now)
				if a.Severity == Note && !wait {
					continue
				}
				d.put(l, &row{Key: key, Due: due, Digest: wait, Message: m}, a, now)
			}
		default:
			if t.What == WhatEscalated && old != nil && old.Digest {
				continue // nobody was told on purpose
			}
			due, wait := d.later(a, tg, now)
			if !wait {
				due, wait = d.limit(l, a, name, now)
			}
			if !wait {
				m.AckURL = link
			}
			d.put(l, &row{Key: key, Due: due, Digest: wait, Message: m}, a, now)
		}
	}
}

// limit puts off what is beyond the channel's messages an hour.
func (d *Dispatcher) limit(l *line, a Alert, name string, now time.Time) (time.Time, bool) {
	if a.Severity == Danger {
		return now, false
	}
	most := d.cfg.MaxPerHour
	if n := d.cfg.MaxPerHours[name]; n > 0 {
		most = n
	}
	recent := l.sentAt[:0]
	for _, t := range l.sentAt {
		if now.Sub(t) < time.Hour && !t.After(now) {
			recent = append(recent, t)
		}
	}
	l.sentAt = recent
	waiting := 0
	for _, r := range l.rows {
		if !r.Digest {
			waiting++
		}
	}
	if len(recent)+waiting < most {
		return now, false
	}
	due := now.Add(gather)
	for _, r := range l.rows {
		if r.Digest && r.Due.After(now) && r.Due.Before(due) {
			due = r.Due // with those that wait already
		}
	}
	return due, true
}

// gather is how long messages beyond the limit are gathered into one.
const gather = 15 * time.Minute

func (d *Dispatcher) message(t Transition, over string) Message {
	a := t.Alert
	m := Message{Key: a.ID + "/" + t.What, What: t.What, Site: d.cfg.Site, At: t.At, Alert: &a, Text: a.Say}
	if t.What == WhatFiring && a.AckedAt == nil && a.Times > 1 {
		m.Text += fmt.Sprintf(" (It comes and goes: %d times in 2 h.)", a.Times)
	}
	head := map[Severity]string{Danger: "Danger", Act: "Act now", Soon: "Soon", Note: "Note"}[a.Severity]
	if head == "" {
		head = string(a.Severity)
	}
	switch t.What {
	case WhatResolved:
		head = "Over"
		if over != "" {
			m.Text = over
		} else {
			m.Text = "Over: " + a.Say
		}
	case WhatReminder:
		head = "Last call"
	case WhatEscalated:
		head = "Nobody answered: " + strings.ToLower(head)
	case WhatAcknowledged:
		head = "Seen"
	}
	m.Title = head
	if d.cfg.Site != "" {
		m.Title = d.cfg.Site + ": " + head
	}
	if a.Panel != "" {
		m.Title += ", " + a.Panel
	}
	return m
}

func (d *Dispatcher) put(l *line, r *row, a Alert, made time.Time) {
	d.seq++
	r.Channel, r.AlertID, r.Seq, r.Made, r.unsaved = l.ch.Name(), a.ID, d.seq, made, true
	if _, had := l.rows[r.Key]; !had && len(l.rows) >= d.cfg.MaxQueued {
		var quiet *row // the quietest, oldest one gives way
		for _, o := range l.rows {
			if o != l.sending && (quiet == nil || lessRow(quiet, o)) {
				quiet = o
			}
		}
		if quiet != nil {
			l.stats.Overflow++
			d.drop(l, quiet.Key)
		}
	}
	l.rows[r.Key] = r
	d.save(r)
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

// lessRow orders rows: louder first, then older.
func lessRow(a, b *row) bool {
	if la, lb := loud(a.Message.Severity()), loud(b.Message.Severity()); la != lb {
		return la > lb
	}
	return a.Seq < b.Seq
}

// storeRest is how long an outbox that refused is left alone: a card that
// hangs must not hang every message.
const storeRest = 30 * time.Second

// resting reports whether the outbox refused just now.
func (d *Dispatcher) resting() bool { return d.storeErr != nil && time.Since(d.failedAt) < storeRest }

func (d *Dispatcher) save(r *row) {
	if d.outbox == nil || d.resting() {
		return // still delivered, from memory
	}
	b, err := json.Marshal(r)
	if err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
		defer cancel()
		err = d.outbox.PutOutbox(ctx, r.Key, b)
	}
	if d.wrote(err) {
		r.unsaved = false
		delete(d.undone, r.Key)
	}
}

// wrote notes how a write went; a refusal is logged when its text changes.
func (d *Dispatcher) wrote(err error) bool {
	if err == nil {
		d.storeErr = nil
		return true
	}
	err = fmt.Errorf("outbox: %w", err)
	if d.storeErr == nil || d.storeErr.Error() != err.Error() {
		d.cfg.Log.Error("outbox not written", "err", err)
	}
	d.storeErr, d.failedAt = err, time.Now()
	return false
}

func (d *Dispatcher) drop(l *line, key string) {
	if _, ok := l.rows[key]; !ok {
		return
	}
	delete(l.rows, key)
	d.done(key)
}

func (d *Dispatcher) done(key string) {
	if d.outbox == nil {
		return
	}
	if d.resting() {
		d.forgetLater(key)
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), storeTimeout)
	defer cancel()
	if !d.wrote(d.outbox.DoneOutbox(ctx, key)) {
		d.forgetLater(key)
		return
	}
	delete(d.undone, key)
}

// forgetLater keeps a key whose row could not be removed, within a bound:
// beyond it a restart delivers some once more.
func (d *Dispatcher) forgetLater(key string) {
	if len(d.undone) < 1000 {
		d.undone[key] = true
	}
}

// catchUp writes what the outbox refused before.
func (d *Dispatcher) catchUp(l *line) {
	for _, r := range l.rows {
		if r.unsaved && !d.resting() {
			d.save(r)
		}
	}
	for k := range d.undone {
		if !d.resting() {
			d.done(k)
		}
	}
}

// Run delivers until ctx ends; what is not delivered then stays in the outbox.
func (d *Dispatcher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, n := range d.order {
		l := d.lines[n]
		if l.watcher != nil {
			continue // runs by itself
		}
		d.mu.Lock()
		l.turned = time.Now()
		d.mu.Unlock()
		wg.Go(func() { d.deliver(ctx, l) })
		if r, ok := l.ch.(Refresher); ok {
			wg.Go(func() { d.refresh(ctx, l, r) })
		}
	}
	wg.Wait()
	return ctx.Err()
}

// Late returns the channels whose goroutine has not come round for longer than
// one try and its longest sleep take: it hangs, in a try that does not heed its
// time limit, and nothing goes out by it any more.
func (d *Dispatcher) Late() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	var late []string
	for _, n := range d.order {
		l := d.lines[n]
		if l.turned.IsZero() {
			continue // not begun, or runs by itself
		}
		limit := d.cfg.Timeout
		if t := d.cfg.Timeouts[n]; t > 0 {
			limit = t
		}
		if silent := time.Since(l.turned); silent > limit+poll+time.Minute {
			late = append(late, fmt.Sprintf("messages by %s: silent for %s", n, silent.Round(time.Second)))
		}
	}
	return late
}

// refreshEvery is how often a [Refresher] hears what lasts.
const refreshEvery = time.Minute

func (d *Dispatcher) refresh(ctx context.Context, l *line, r Refresher) {
	t := time.NewTicker(refreshEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		now := d.cfg.Now()
		active := d.engine.List(false)
		d.mu.Lock()
		active = slices.DeleteFunc(active, func(a Alert) bool {
			_, ok := d.targets(a, now, a.EscalatedAt != nil)[l.ch.Name()]
			return !ok
		})
		resting := time.Until(l.notBefore) > 0
		d.mu.Unlock()
		if resting || len(active) == 0 {
			continue
		}
		tctx, cancel := context.WithTimeout(ctx, d.cfg.Timeout)
		err := r.Refresh(tctx, active)
		cancel()
		if err != nil && ctx.Err() == nil {
			d.mu.Lock()
			l.stats.Failed++
			d.say(l, err, 0)
			d.mu.Unlock()
		}
	}
}

// poll is the longest sleep of a channel's goroutine: the daemon's clock may
// run faster than the real one, or be set.
const poll = 30 * time.Second

func (d *Dispatcher) deliver(ctx context.Context, l *line) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-l.wake:
		case <-timer.C:
		}
		for ctx.Err() == nil {
			rs, wait := d.pick(l)
			if len(rs) == 0 {
				timer.Reset(wait)
				break
			}
			d.try(ctx, l, rs)
		}
	}
}

// pick returns the next message's rows (several for a digest), or how long to
// wait for one.
func (d *Dispatcher) pick(l *line) ([]*row, time.Duration) {
	now, real := d.cfg.Now(), time.Now()
	d.mu.Lock()
	defer d.mu.Unlock()
	l.turned = real
	d.catchUp(l)
	held := l.notBefore.Sub(real)
	wait := poll
	var due []*row
	for _, r := range l.rows {
		if left := r.Due.Sub(now); left > 0 {
			wait = min(wait, left)
			continue
		}
		// Danger that was not tried yet does not wait for a channel's rest.
		if held > 0 && (l.machine || r.Tries > 0 || r.Message.Severity() != Danger) {
			wait = min(wait, held)
			continue
		}
		due = append(due, r)
	}
	if len(due) == 0 {
		return nil, max(wait, 10*time.Millisecond)
	}
	sort.Slice(due, func(i, j int) bool { return lessRow(due[i], due[j]) })
	pick := due[:1]
	if due[0].Digest {
		pick = nil
		for _, r := range due {
			if r.Digest {
				pick = append(pick, r)
			}
		}
		sort.Slice(pick, func(i, j int) bool { return pick[i].Seq < pick[j].Seq })
	}
	l.sending = pick[0]
	return pick, 0
}

func (d *Dispatcher) try(ctx context.Context, l *line, rs []*row) {
	m := rs[0].Message
	if rs[0].Digest {
		m = d.digest(rs)
	}
	limit := d.cfg.Timeout
	if t := d.cfg.Timeouts[l.ch.Name()]; t > 0 {
		limit = t
	}
	tctx, cancel := context.WithTimeout(ctx, limit)
	err := send(tctx, l.ch, m)
	cancel()

	now, real := d.cfg.Now(), time.Now()
	d.mu.Lock()
	defer d.mu.Unlock()
	l.sending = nil
	gone := func(r *row) {
		if l.rows[r.Key] != r {
			return // a newer one took its place meanwhile
		}
		delete(l.rows, r.Key)
		d.done(r.Key)
	}
	switch {
	case err == nil:
		l.stats.Sent++
		l.stats.LastSent, l.stats.LastErr, l.stats.FailingSince = now, "", time.Time{}
		l.notBefore = time.Time{}
		l.back.Reset()
		l.sentAt = append(l.sentAt, now)
		if n := len(l.sentAt) - 500; n > 0 {
			l.sentAt = slices.Clone(l.sentAt[n:])
		}
		for _, r := range rs {
			gone(r)
		}
		return
	case ctx.Err() != nil:
		return // stopping: it stays in the outbox
	case errors.Is(err, ErrPermanent):
		l.stats.Refused++
		for _, r := range rs {
			gone(r)
		}
	default:
		l.stats.Failed++
		hold := l.back.NextBackOff()
		var after *RetryAfterError
		if errors.As(err, &after) {
			hold = max(hold, min(after.Wait, time.Hour))
		}
		l.notBefore = real.Add(hold)
		for _, r := range rs {
			if r.Tries < math.MaxInt32 {
				r.Tries++
			}
			// By tries as well: a clock that was set makes any age.
			if age := now.Sub(r.Made); age > d.cfg.GiveUp && r.Tries >= minTries {
				l.stats.GaveUp++
				d.cfg.Log.Error("message given up", "channel", l.ch.Name(), "tries", r.Tries, "say", r.Message.Text)
				gone(r)
			}
		}
	}
	d.say(l, err, rs[0].Tries)
}

// say notes a failure of a channel. It is logged once, and again only when it
// changes or half an hour later.
func (d *Dispatcher) say(l *line, err error, tries int) {
	if l.stats.FailingSince.IsZero() {
		l.stats.FailingSince = d.cfg.Now()
	}
	l.stats.LastErr = err.Error()
	if l.loggedIs != err.Error() || time.Since(l.loggedAt) > 30*time.Minute {
		l.loggedIs, l.loggedAt = err.Error(), time.Now()
		d.cfg.Log.Warn("alert not delivered", "channel", l.ch.Name(), "tries", tries, "err", err)
	}
}

// minTries is the least number of tries before a message is given up.
const minTries = 20

// send keeps one channel's panic from taking the others with it.
func send(ctx context.Context, c Channel, m Message) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = Permanent(fmt.Errorf("channel %s: panic: %v", c.Name(), p))
		}
	}()
	return c.Send(ctx, m)
}

func (d *Dispatcher) digest(rs []*row) Message {
	d.mu.Lock()
	view, trusted := d.view, d.trusted
	d.mu.Unlock()
	now := d.cfg.Now()
	s := speaker{view, now, trusted}
	sev := Note
	m := Message{What: WhatDigest, Site: d.cfg.Site, At: now, Title: "Meanwhile", Text: "One thing happened meanwhile."}
	if d.cfg.Site != "" {
		m.Title = d.cfg.Site + ": meanwhile"
	}
	if len(rs) > 1 {
		m.Text = fmt.Sprintf("%d things happened meanwhile.", len(rs))
	}
	for _, r := range rs {
		l := r.Message.Text
		if trusted {
			l = s.clock(r.Message.At) + " " + l
		}
		m.Lines = append(m.Lines, l)
		if r.Message.Alert != nil && loud(r.Message.Alert.Severity) > loud(sev) {
			sev = r.Message.Alert.Severity
		}
	}
	m.Key = fmt.Sprintf("digest/%s/%d", rs[0].Channel, rs[len(rs)-1].Seq)
	return m
}

// watch passes what sounds to the channels that follow it, as far as their
// routes and the hour let it through.
func (d *Dispatcher) watch(active []Alert) {
	now := d.cfg.Now()
	d.mu.Lock()
	type call struct {
		w  Watcher
		as []Alert
	}
	var calls []call
	for _, n := range d.order {
		l := d.lines[n]
		if l.watcher == nil {
			continue
		}
		mine := []Alert{}
		for _, a := range active {
			tg, ok := d.targets(a, now, a.EscalatedAt != nil)[n]
			if !ok || a.Sound == "" {
				continue
			}
			if _, wait := d.later(a, tg, now); !wait {
				mine = append(mine, a)
			}
		}
		calls = append(calls, call{l.watcher, mine})
	}
	d.mu.Unlock()
	for _, c := range calls {
		c.w.Watch(c.as)
	}
}

// note takes over the trouble of channels that are not sent to.
func (d *Dispatcher) note() {
	for _, n := range d.order {
		l := d.lines[n]
		w, ok := l.ch.(interface{ Err() error })
		if l.watcher == nil || !ok {
			continue
		}
		if err := w.Err(); err != nil {
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

// StoreErr returns the outbox's last error, nil once a write worked again.
func (d *Dispatcher) StoreErr() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.storeErr
}

// Conditions reports channels that have not got through for ten minutes, as
// input for the next step.
func (d *Dispatcher) Conditions() []Condition {
	now := d.cfg.Now()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.note()
	var out []Condition
	for _, n := range d.order {
		if s := d.lines[n].stats; !s.FailingSince.IsZero() && now.Sub(s.FailingSince) > 10*time.Minute {
			out = append(out, Condition{Rule: ChannelDown, Subject: n, Severity: Soon,
				Say: fmt.Sprintf("Alerts have not got through by %s%s: check the network and its settings.", n, speaker{d.view, now, d.trusted}.since(s.FailingSince))})
		}
	}
	return out
}

// ErrNoChannel is returned for a name that no channel has.
var ErrNoChannel = errors.New("no such channel")

// Channels returns the names of the channels, in order of the configuration.
func (d *Dispatcher) Channels() []string { return slices.Clone(d.order) }

// Test sends a test message through one channel at once, past the outbox. That
// it was accepted does not mean that it woke anybody: ask, and call
// [Dispatcher.Heard].
func (d *Dispatcher) Test(ctx context.Context, name string) error {
	l, ok := d.lines[name]
	if !ok {
		return fmt.Errorf("channel %q: %w", name, ErrNoChannel)
	}
	ctx, cancel := context.WithTimeout(ctx, d.cfg.Timeout)
	defer cancel()
	now := d.cfg.Now()
	title := "Test"
	if d.cfg.Site != "" {
		title = d.cfg.Site + ": test"
	}
	return send(ctx, l.ch, Message{Key: fmt.Sprintf("test/%s/%d", name, now.UnixNano()), What: WhatTest, Site: d.cfg.Site,
		Title: title, Text: "This is a test: if you notice it, answer yes where you started it.", At: now})
}

func heardKey(name string) string { return "alerts.heard." + name }

// Heard records whether the person noticed a test of a channel, or of the
// open page under [PageChannel].
func (d *Dispatcher) Heard(ctx context.Context, name string, heard bool) error {
	if _, ok := d.lines[name]; !ok && name != PageChannel {
		return fmt.Errorf("channel %q: %w", name, ErrNoChannel)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if heard {
		d.heard[name] = true
	} else {
		delete(d.heard, name)
	}
	if d.settings == nil {
		return nil
	}
	v := ""
	if heard {
		v = d.cfg.Now().UTC().Format(time.RFC3339)
	}
	if err := d.settings.SetSetting(ctx, heardKey(name), v); err != nil {
		return fmt.Errorf("channel %s: remember the test: %w", name, err)
	}
	return nil
}

// WakeTested reports whether some way to wake the person was tested and
// noticed: a configured channel, or the page's own sound.
func (d *Dispatcher) WakeTested() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.heard) > 0
}
