// SPDX-License-Identifier: Apache-2.0

// Package access keeps the log-ins, with their roles and lifetimes, and the one-time
// codes that make them. What a role may do is decided by the gate of dashboards/web.
// Requests, pages and the shop do not appear here.
package access

import (
	"cmp"
	"context"
	"fmt"
	"sync"
	"time"

	"curewright/dashboards/web"
	"curewright/history"
)

const (
	// pairFor is how long a pairing code is good, and it is good once.
	pairFor = 10 * time.Minute
	// MaxCodes is how many codes may wait at once; one more drops the oldest.
	MaxCodes = 8
	// idleFor is how long a log-in lives without use, counted in the daemon's
	// running time: that of a lost or sold phone ends, but not that of a phone which
	// is unused while the board is off over the winter.
	idleFor = 180 * day
	// ranKey is where the store remembers how long the daemon has run in all;
	// ranEvery is how often it does.
	ranKey   = "ran-s"
	ranEvery = time.Hour

	day = 24 * time.Hour
)

// Options are the parameters of [Open].
type Options struct {
	Store *history.Store
	// Now is the clock of log-ins: the board's, with its jumps held back, and never
	// the demo's simulated one.
	Now       func() time.Time
	DateKnown func() bool
	Note      func(kind, subject, text string) // an event for the log
}

// Access is the log-ins. The store keeps them; lifetimes are counted in the daemon's
// running time, which no jump of a clock changes.
type Access struct {
	o     Options
	mu    sync.Mutex
	since time.Time     // this start, with its monotonic part
	base  time.Duration // running time of the starts before
	saved time.Duration
	codes map[string]pairCode // by hash; only in memory, so that a restart ends them
	over  map[string]bool     // ids of ended log-ins that the store could not remove yet
}

type pairCode struct {
	role web.Role
	name string
	days int
	made time.Time // with its monotonic part
}

// Open reads how long the daemon had run before.
func Open(o Options) *Access {
	a := &Access{o: o, since: time.Now(), codes: map[string]pairCode{}, over: map[string]bool{}}
	var ran int64
	if o.Store.ReadSetting(ranKey, &ran) && ran > 0 {
		a.base = time.Duration(ran) * time.Second
		a.saved = a.base
	}
	return a
}

// ran is how long the daemon has run, over all its starts.
func (a *Access) ran() time.Duration { return a.base + time.Since(a.since) }

// left is how much longer a token is good. A token made for some days ends by the
// clock, while that is trusted, and at the latest after as many days of running, so
// that a clock set back does not prolong it. Other tokens end after idleFor of running
// without use; the clock does not matter for them, since one that is a year ahead at
// the start would lock every phone out.
func (a *Access) left(t history.Token, now time.Time) time.Duration {
	ran := a.ran()
	if t.Days <= 0 && t.Expires == nil {
		return idleFor - (ran - time.Duration(t.UsedRan)*time.Second)
	}
	left := time.Duration(1<<63 - 1)
	if t.Days > 0 {
		left = time.Duration(t.Days)*day - (ran - time.Duration(t.MadeRan)*time.Second)
	}
	if t.Expires != nil && a.o.DateKnown() {
		left = min(left, t.Expires.Sub(now))
	}
	return left
}

// expired ends a token whose time is over for good: setting the clock back later does
// not revive it.
func (a *Access) expired(ctx context.Context, t history.Token, now time.Time) bool {
	a.mu.Lock()
	over := a.over[t.ID]
	if !over && a.left(t, now) > 0 {
		a.mu.Unlock()
		return false
	}
	a.over[t.ID] = true
	a.mu.Unlock()
	if !over {
		a.o.Note("expired", t.Name, "the log-in with the role "+t.Role+" is over")
	}
	a.forgetToken(ctx, t.ID)
	return true
}

func (a *Access) forgetToken(ctx context.Context, id string) {
	if err := a.o.Store.DeleteToken(ctx, id); err != nil {
		return // the card is full or missing, which is reported elsewhere; upkeep tries again
	}
	a.mu.Lock()
	delete(a.over, id)
	a.mu.Unlock()
}

// Upkeep removes log-ins that are over or were taken back, and notes how
// long the daemon has run.
func (a *Access) Upkeep(ctx context.Context) {
	now := a.o.Now()
	for _, t := range a.o.Store.Tokens() {
		if t.Revoked != nil {
			a.forgetToken(ctx, t.ID)
			continue
		}
		a.expired(ctx, t, now)
	}
	a.mu.Lock()
	due := a.ran()-a.saved >= ranEvery
	a.mu.Unlock()
	if due {
		a.SaveRan(ctx)
	}
}

// SaveRan notes how long the daemon has run. A power cut loses an hour
// of it at most, which makes lifetimes longer and not shorter.
func (a *Access) SaveRan(ctx context.Context) {
	ran := a.ran()
	if err := a.o.Store.WriteSetting(ctx, ranKey, int64(ran/time.Second)); err != nil {
		return // the card is full or away, which is said elsewhere
	}
	a.mu.Lock()
	a.saved = ran
	a.mu.Unlock()
}

// Authenticate finds the log-in of a token. Open event streams call it again at each
// heartbeat.
func (a *Access) Authenticate(ctx context.Context, token string) (web.Who, bool) {
	t, ok := a.o.Store.TokenByHash(web.HashToken(token))
	if !ok {
		return web.Who{}, false
	}
	now := a.o.Now()
	if a.expired(ctx, t, now) {
		return web.Who{}, false
	}
	a.o.Store.UseToken(t.ID, now, a.ran())
	return web.Who{ID: t.ID, Name: t.Name, Role: web.Role(t.Role)}, true
}

// NewPairCode makes a one-time code for a role.
func (a *Access) NewPairCode(role web.Role, name string, days int) (string, time.Time, error) {
	if err := checkRole(role); err != nil {
		return "", time.Time{}, err
	}
	code := web.NewCode()
	now := time.Now()
	a.mu.Lock()
	defer a.mu.Unlock()
	oldest := ""
	for h, c := range a.codes {
		if now.Sub(c.made) >= pairFor {
			delete(a.codes, h)
		} else if oldest == "" || c.made.Before(a.codes[oldest].made) {
			oldest = h
		}
	}
	if len(a.codes) >= MaxCodes {
		delete(a.codes, oldest)
	}
	a.codes[web.HashToken(code)] = pairCode{role, name, days, now}
	return code, a.o.Now().Add(pairFor), nil
}

func checkRole(role web.Role) error {
	switch role {
	case web.Look, web.Record, web.Push, web.Control:
		return nil
	}
	return web.Faults{{Field: "role", What: fmt.Sprintf("%q is not look, record, push or control", role)}}
}

// Redeem turns a code into a token, once.
func (a *Access) Redeem(ctx context.Context, code, device string) (string, web.Who, error) {
	key := web.HashToken(web.CleanCode(code))
	a.mu.Lock()
	c, ok := a.codes[key]
	delete(a.codes, key)
	a.mu.Unlock()
	if !ok || time.Since(c.made) >= pairFor {
		return "", web.Who{}, web.ErrNotFound
	}
	name := cmp.Or(c.name, device, "a "+string(c.role)+" device")
	token := web.NewToken()
	hash := web.HashToken(token)
	now, ran := a.o.Now(), int64(a.ran()/time.Second)
	t := history.Token{ID: hash[:8], Name: name, Role: string(c.role), Hash: hash, Made: now.UTC(), Days: c.days, MadeRan: ran, UsedRan: ran}
	if c.days > 0 && a.o.DateKnown() {
		t.Expires = new(now.UTC().Add(time.Duration(c.days) * day))
	}
	if err := a.o.Store.PutToken(ctx, t); err != nil {
		a.mu.Lock()
		a.codes[key] = c // the token could not be stored: the code stays good
		a.mu.Unlock()
		return "", web.Who{}, err
	}
	said := "let in with the role " + t.Role
	if c.days > 0 {
		said += fmt.Sprintf(" for %d days", c.days)
	}
	a.o.Note("paired", name, said)
	return token, web.Who{Name: name, Role: c.role}, nil
}

// List is the tokens that are good, without their secrets.
func (a *Access) List() []web.TokenInfo {
	out := []web.TokenInfo{}
	now := a.o.Now()
	for _, t := range a.o.Store.Tokens() {
		left := a.left(t, now)
		if t.Revoked != nil || left <= 0 {
			continue
		}
		out = append(out, web.TokenInfo{ID: t.ID, Name: t.Name, Role: web.Role(t.Role), Made: t.Made, Used: t.Used, Days: t.Days, Expires: new(now.Add(left).UTC())})
	}
	return out
}

// Revoke ends a token at once.
func (a *Access) Revoke(ctx context.Context, id string) error {
	if err := a.o.Store.RevokeToken(ctx, id, a.o.Now()); err != nil {
		return err
	}
	a.o.Note("revoked", id, "token revoked")
	return nil
}
