// SPDX-License-Identifier: Apache-2.0

package daemon

import (
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
	// maxCodes is how many codes may wait at once; one more drops the oldest.
	maxCodes = 8
	// idleFor is how long a log-in lives without use, by the daemon's running
	// time: a phone that was lost or sold ends, one that rests with the board
	// over the winter does not.
	idleFor = 180 * day
	// ranKey is where the store remembers how long the daemon has run in all;
	// ranEvery is how often it does.
	ranKey   = "ran-s"
	ranEvery = time.Hour

	day = 24 * time.Hour
)

// access is tokens and pair codes held in memory, beside the tokens in the store. Lives
// are counted by what no clock can jump: how long the daemon has run.
type access struct {
	mu    sync.Mutex
	since time.Time     // this start, with its monotonic part
	base  time.Duration // what had run before it
	saved time.Duration
	codes map[string]pairCode // by hash; only in memory, so that a restart ends them
	over  map[string]bool     // ids that the store could not let go of yet
}

type pairCode struct {
	role web.Role
	name string
	days int
	made time.Time // with its monotonic part
}

func openAccess(s *history.Store) *access {
	d := &access{since: time.Now(), codes: map[string]pairCode{}, over: map[string]bool{}}
	var ran int64
	if s.ReadSetting(ranKey, &ran) && ran > 0 {
		d.base = time.Duration(ran) * time.Second
		d.saved = d.base
	}
	return d
}

// ran is how long the daemon has run, over all its starts.
func (d *access) ran() time.Duration { return d.base + time.Since(d.since) }

// wallNow is the clock of log-ins: the board's, its steps held back. A
// simulated weekend has no say in them.
func (d *Daemon) wallNow() time.Time {
	if _, ok := d.clk.(stepHolder); ok {
		return d.clk.Now()
	}
	return time.Now()
}

// left is how much longer a token is good. What was asked for in days ends by
// the clock, as far as it is trusted, and after as many days of running
// whatever the clock says: set back, it gives nobody longer. The others end
// when they are not used, by running alone: a clock that is a year ahead when
// the board starts must not shut every phone out.
func (d *Daemon) left(t history.Token, now time.Time) time.Duration {
	ran := d.access.ran()
	if t.Days <= 0 && t.Expires == nil {
		return idleFor - (ran - time.Duration(t.UsedRan)*time.Second)
	}
	left := time.Duration(1<<63 - 1)
	if t.Days > 0 {
		left = time.Duration(t.Days)*day - (ran - time.Duration(t.MadeRan)*time.Second)
	}
	if t.Expires != nil && d.clockTrusted.Load() {
		left = min(left, t.Expires.Sub(now))
	}
	return left
}

// expired ends a token whose time is over, for good: a clock that is set back
// later finds nothing to bring back.
func (d *Daemon) expired(ctx context.Context, t history.Token, now time.Time) bool {
	d.access.mu.Lock()
	over := d.access.over[t.ID]
	if !over && d.left(t, now) > 0 {
		d.access.mu.Unlock()
		return false
	}
	d.access.over[t.ID] = true
	d.access.mu.Unlock()
	if !over {
		d.event("expired", t.Name, "the log-in with the role "+t.Role+" is over", d.clk.Now())
	}
	d.forgetToken(ctx, t.ID)
	return true
}

func (d *Daemon) forgetToken(ctx context.Context, id string) {
	if err := d.store.DeleteToken(ctx, id); err != nil {
		return // the card is full or away, which is said elsewhere; upkeep tries again
	}
	d.access.mu.Lock()
	delete(d.access.over, id)
	d.access.mu.Unlock()
}

// tokenUpkeep removes log-ins that are over or were taken back, and notes how
// long the daemon has run.
func (d *Daemon) tokenUpkeep(ctx context.Context) {
	now := d.wallNow()
	for _, t := range d.store.Tokens() {
		if t.Revoked != nil {
			d.forgetToken(ctx, t.ID)
			continue
		}
		d.expired(ctx, t, now)
	}
	d.access.mu.Lock()
	due := d.access.ran()-d.access.saved >= ranEvery
	d.access.mu.Unlock()
	if due {
		d.saveRan(ctx)
	}
}

// saveRan notes how long the daemon has run. What a power cut loses of it, an
// hour at most, makes lives longer and not shorter.
func (d *Daemon) saveRan(ctx context.Context) {
	ran := d.access.ran()
	if err := d.store.WriteSetting(ctx, ranKey, int64(ran/time.Second)); err != nil {
		return // the card is full or away, which is said elsewhere
	}
	d.access.mu.Lock()
	d.access.saved = ran
	d.access.mu.Unlock()
}

// Authenticate finds whose token it is. Open event streams ask again at each
// heartbeat.
func (d *Daemon) Authenticate(ctx context.Context, token string) (web.Who, bool) {
	t, ok := d.store.TokenByHash(web.HashToken(token))
	if !ok {
		return web.Who{}, false
	}
	now := d.wallNow()
	if d.expired(ctx, t, now) {
		return web.Who{}, false
	}
	d.store.UseToken(t.ID, now, d.access.ran())
	return web.Who{ID: t.ID, Name: t.Name, Role: web.Role(t.Role)}, true
}

// NewPairCode makes a one-time code for a role.
func (d *Daemon) NewPairCode(_ context.Context, role web.Role, name string, days int) (string, time.Time, error) {
	if err := checkRole(role); err != nil {
		return "", time.Time{}, err
	}
	code := web.NewCode()
	now := time.Now()
	d.access.mu.Lock()
	defer d.access.mu.Unlock()
	oldest := ""
	for h, c := range d.access.codes {
		if now.Sub(c.made) >= pairFor {
			delete(d.access.codes, h)
		} else if oldest == "" || c.made.Before(d.access.codes[oldest].made) {
			oldest = h
		}
	}
	if len(d.access.codes) >= maxCodes {
		delete(d.access.codes, oldest)
	}
	d.access.codes[web.HashToken(code)] = pairCode{role, name, days, now}
	return code, d.wallNow().Add(pairFor), nil
}

func checkRole(role web.Role) error {
	switch role {
	case web.Look, web.Record, web.Push, web.Control:
		return nil
	}
	return web.Faults{{Field: "role", What: fmt.Sprintf("%q is not look, record, push or control", role)}}
}

// Redeem turns a code into a token, once.
func (d *Daemon) Redeem(ctx context.Context, code, device string) (string, web.Who, error) {
	key := web.HashToken(web.CleanCode(code))
	d.access.mu.Lock()
	c, ok := d.access.codes[key]
	delete(d.access.codes, key)
	d.access.mu.Unlock()
	if !ok || time.Since(c.made) >= pairFor {
		return "", web.Who{}, web.ErrNotFound
	}
	name := c.name
	if name == "" {
		name = device
	}
	if name == "" {
		name = "a " + string(c.role) + " device"
	}
	token := web.NewToken()
	hash := web.HashToken(token)
	now, ran := d.wallNow(), int64(d.access.ran()/time.Second)
	t := history.Token{ID: hash[:8], Name: name, Role: string(c.role), Hash: hash, Made: now.UTC(), Days: c.days, MadeRan: ran, UsedRan: ran}
	if c.days > 0 && d.clockTrusted.Load() {
		end := now.UTC().Add(time.Duration(c.days) * day)
		t.Expires = &end
	}
	if err := d.store.PutToken(ctx, t); err != nil {
		d.access.mu.Lock()
		d.access.codes[key] = c // nobody is in by it yet
		d.access.mu.Unlock()
		return "", web.Who{}, webError(err)
	}
	said := "let in with the role " + t.Role
	if c.days > 0 {
		said += fmt.Sprintf(" for %d days", c.days)
	}
	d.event("paired", name, said, d.clk.Now())
	return token, web.Who{Name: name, Role: c.role}, nil
}

// ListTokens lists the tokens that are good, without their secrets.
func (d *Daemon) ListTokens(context.Context) ([]web.TokenInfo, error) {
	out := []web.TokenInfo{}
	now := d.wallNow()
	for _, t := range d.store.Tokens() {
		left := d.left(t, now)
		if t.Revoked != nil || left <= 0 {
			continue
		}
		end := now.Add(left).UTC()
		out = append(out, web.TokenInfo{ID: t.ID, Name: t.Name, Role: web.Role(t.Role), Made: t.Made, Used: t.Used, Days: t.Days, Expires: &end})
	}
	return out, nil
}

// RevokeToken shuts a token out at once.
func (d *Daemon) RevokeToken(ctx context.Context, id string) error {
	if err := d.store.RevokeToken(ctx, id, d.wallNow()); err != nil {
		return named("token", id, webError(err))
	}
	d.event("revoked", id, "token revoked", d.clk.Now())
	return nil
}
