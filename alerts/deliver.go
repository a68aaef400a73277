// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"curewright/model/words"
)

func (d *Dispatcher) put(l *line, r *row, a Alert, made time.Time) {
	d.seq++
	r.Channel, r.AlertID, r.Seq, r.Made, r.unsaved = l.Name, a.ID, d.seq, made, true
	if _, had := l.rows[r.Key]; !had && len(l.rows) >= maxWaiting {
		var quiet *row // the quietest and oldest message is dropped
		for _, o := range l.rows {
			if o != l.sending && (quiet == nil || lessRow(quiet, o)) {
				quiet = o
			}
		}
		if quiet != nil {
			l.stats.Overflow++
			l.stats.Lost++
			if l.stats.Lost == 1 {
				d.cfg.Log.Error("too many messages wait: the quietest are dropped", "channel", l.Name, "most", maxWaiting, "say", quiet.Message.Text)
			}
			d.drop(l, quiet.Key)
		}
	}
	if old := l.rows[r.Key]; old != nil {
		r.stored = old.stored
	}
	l.rows[r.Key] = r
	d.saveLater()
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

// saveLater wakes keep, which writes what changed; mu is held.
func (d *Dispatcher) saveLater() {
	select {
	case d.changed <- struct{}{}:
	default:
	}
}

// drop removes a waiting message; mu is held.
func (d *Dispatcher) drop(l *line, key string) {
	r, ok := l.rows[key]
	if !ok {
		return
	}
	delete(l.rows, key)
	// With 1000 keys waiting to be removed from the store, further ones are not
	// remembered: after a restart those messages are delivered once more.
	if r.stored && len(d.undone) < 1000 {
		d.undone[key] = true
		d.saveLater()
	}
}

// Save writes what changed in the outbox, and in the engine's alerts, in one
// batch: after a power cut both or neither are there. It returns nil once all
// is on disk; after an error the next Save tries again. No lock is
// held while the store works.
func (d *Dispatcher) Save(ctx context.Context) error {
	if d.engine.store == nil {
		return nil
	}
	return d.engine.saveWith(ctx, func(alerts map[string][]byte) error { return d.saveWith(ctx, alerts) })
}

func (d *Dispatcher) saveWith(ctx context.Context, alerts map[string][]byte) error {
	d.mu.Lock()
	rows := map[string]*row{}
	bodies := map[string][]byte{}
	for _, l := range d.lines {
		for _, r := range l.rows {
			if !r.unsaved {
				continue
			}
			b, err := json.Marshal(r)
			if err != nil {
				continue // JSON has no year beyond 9999: delivered from memory only
			}
			r.unsaved, r.stored = false, true
			rows[r.Key], bodies[r.Key] = r, b
			delete(d.undone, r.Key)
		}
	}
	done := slices.Sorted(maps.Keys(d.undone))
	d.mu.Unlock()
	var err error
	if len(alerts) > 0 || len(bodies) > 0 || len(done) > 0 {
		err = d.engine.store.SaveAlerts(ctx, alerts, bodies, done)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if err == nil {
		for _, k := range done {
			delete(d.undone, k)
		}
		d.storeErr = nil
		return nil
	}
	for _, r := range rows {
		r.unsaved = true
	}
	err = fmt.Errorf("outbox: %w", err)
	if d.storeErr == nil || d.storeErr.Error() != err.Error() {
		d.cfg.Log.Error("outbox not written", "err", err)
	}
	d.storeErr = err
	return err
}

// storeRest is the wait after a failed save.
const storeRest = 30 * time.Second

// keep saves whatever changes until ctx ends, and once more then.
func (d *Dispatcher) keep(ctx context.Context) {
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-d.changed:
		case <-d.engine.changed:
		}
		if ctx.Err() != nil {
			break
		}
		if d.Save(ctx) == nil {
			continue
		}
		select { // a message is delivered whether or not it could be saved
		case <-ctx.Done():
		case <-time.After(storeRest):
			d.saveLater()
		}
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	d.Save(last)
}

// stopTimeout bounds the last save: a card that hangs must not hold up the stop.
const stopTimeout = 2 * time.Second

// Run delivers until ctx ends; what is not delivered then stays in the outbox.
func (d *Dispatcher) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	keeping, stopKeeping := context.WithCancel(context.WithoutCancel(ctx))
	kept := make(chan struct{})
	go func() { defer close(kept); d.keep(keeping) }()
	defer func() { // after the last delivery
		stopKeeping()
		select {
		case <-kept:
		case <-time.After(stopTimeout):
		}
	}()
	for _, n := range d.order {
		l := d.lines[n]
		if l.Watch != nil {
			continue // is driven by Watch, not by messages
		}
		d.mu.Lock()
		l.turned = time.Now()
		d.mu.Unlock()
		wg.Go(func() { d.deliver(ctx, l) })
		if l.Refresh != nil {
			wg.Go(func() { d.refresh(ctx, l) })
		}
	}
	wg.Wait()
	return ctx.Err()
}

// Late returns the channels whose goroutine has made no turn for longer than one
// try and its longest sleep together. It hangs in a try that ignores its time
// limit, and the channel delivers nothing any more.
func (d *Dispatcher) Late() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	var late []string
	for _, n := range d.order {
		l := d.lines[n]
		if l.turned.IsZero() {
			continue // not started yet, or driven by Watch
		}
		if silent := time.Since(l.turned); silent > l.Timeout+poll+time.Minute {
			late = append(late, fmt.Sprintf("messages by %s: silent for %s", n, silent.Round(time.Second)))
		}
	}
	return late
}

// refreshEvery is the interval of [Channel.Refresh].
const refreshEvery = time.Minute

func (d *Dispatcher) refresh(ctx context.Context, l *line) {
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
			_, ok := d.targets(a, now, a.EscalatedAt != nil)[l.Name]
			return !ok
		})
		resting := time.Until(l.notBefore) > 0
		d.mu.Unlock()
		if resting || len(active) == 0 {
			continue
		}
		tctx, cancel := context.WithTimeout(ctx, l.Timeout)
		err := l.Refresh(tctx, active)
		cancel()
		if err != nil && ctx.Err() == nil {
			d.mu.Lock()
			l.stats.Failed++
			d.say(l, err, 0)
			d.mu.Unlock()
		}
	}
}

// poll is the longest sleep of a channel's goroutine. It is short because the
// daemon's clock may be set, or run faster than real time (in the demo).
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
	held := l.notBefore.Sub(real)
	wait := poll
	var due []*row
	for _, r := range l.rows {
		if left := r.Due.Sub(now); left > 0 {
			wait = min(wait, left)
			continue
		}
		// A danger message is tried at once, even while the channel waits after a failure.
		if held > 0 && (l.Machine || r.Tries > 0 || r.Message.Severity() != Danger) {
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
		pick = slices.DeleteFunc(due, func(r *row) bool { return !r.Digest })
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
	d.mu.Lock()
	lost, view := l.stats.Lost, d.view
	d.mu.Unlock()
	m.Text += speaker{View: view}.lost(lost, "lost_before")
	tctx, cancel := context.WithTimeout(ctx, l.Timeout)
	err := send(tctx, l.Channel, m)
	cancel()

	now, real := d.cfg.Now(), time.Now()
	d.mu.Lock()
	defer d.mu.Unlock()
	l.sending = nil
	gone := func(r *row) {
		if l.rows[r.Key] != r {
			return // a newer message has replaced it during the try
		}
		d.drop(l, r.Key)
	}
	switch {
	case err == nil:
		l.stats.Sent++
		l.stats.Lost -= lost
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
			// The number of tries counts too, because setting the clock can make any
			// message look old.
			if age := now.Sub(r.Made); age > giveUp && r.Tries >= minTries {
				l.stats.GaveUp++
				d.cfg.Log.Error("message given up", "channel", l.Name, "tries", r.Tries, "say", r.Message.Text)
				gone(r)
			}
		}
	}
	d.say(l, err, rs[0].Tries)
}

// say records a channel's failure. It is logged once, and again only when it
// changes or half an hour later.
func (d *Dispatcher) say(l *line, err error, tries int) {
	if l.stats.FailingSince.IsZero() {
		l.stats.FailingSince = d.cfg.Now()
	}
	l.stats.LastErr = err.Error()
	if l.loggedIs != err.Error() || time.Since(l.loggedAt) > 30*time.Minute {
		l.loggedIs, l.loggedAt = err.Error(), time.Now()
		d.cfg.Log.Warn("alert not delivered", "channel", l.Name, "tries", tries, "err", err)
	}
}

// minTries is the least number of tries before a message is given up.
const minTries = 20

// send calls the channel and turns a panic in it into an error.
func send(ctx context.Context, c Channel, m Message) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = Permanent(fmt.Errorf("channel %s: panic: %v", c.Name, p))
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
	m := Message{What: WhatDigest, Site: d.cfg.Site, At: now, Title: view.Say("message.meanwhile", nil), Text: view.Say("message.meanwhile_one", nil)}
	if d.cfg.Site != "" {
		m.Title = view.Say("message.site", words.Facts{"site": d.cfg.Site, "head": strings.ToLower(m.Title)})
	}
	if len(rs) > 1 {
		m.Text = view.Say("message.meanwhile_many", words.Facts{"count": len(rs)})
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

// watch passes the sounding alerts to the channels with a Watch function: each gets
// those that its routes allow at this hour.
func (d *Dispatcher) watch(active []Alert) {
	now := d.cfg.Now()
	d.mu.Lock()
	type call struct {
		watch  func([]Alert)
		active []Alert
	}
	var calls []call
	for _, n := range d.order {
		l := d.lines[n]
		if l.Watch == nil {
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
		calls = append(calls, call{l.Watch, mine})
	}
	d.mu.Unlock()
	for _, c := range calls {
		c.watch(c.active)
	}
}
