// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"slices"
	"sync"
	"time"
)

// patience is how long a read may hold up those behind it. A choice of ours:
// longer than most chips on I2C take, shorter than anybody minds.
const patience = 20 * time.Millisecond

// rounds reads probes for ever, each at its own interval. Those that are due
// together are read one after the other in one goroutine, so that a board
// wakes once for all of them; behind a read that takes longer than patience
// another goroutine goes on, so that a slow probe or a hung one delays nobody.
type rounds struct {
	more chan struct{} // a probe was added

	mu      sync.Mutex
	began   time.Time
	pollers []*Poller
	next    []time.Time // of each poller's turn
	due     []*Poller   // whose turn it is
	watch   *time.Timer // while some are due
}

func newRounds() *rounds { return &rounds{more: make(chan struct{}, 1), began: time.Now()} }

// add has a probe read at once, and then at whole intervals since the rounds
// began.
func (r *rounds) add(p *Poller) {
	r.mu.Lock()
	r.pollers, r.next = append(r.pollers, p), append(r.next, r.began)
	r.mu.Unlock()
	select {
	case r.more <- struct{}{}:
	default:
	}
}

// run reads until ctx ends, and returns its error. After that no probe's
// reading is handed on; a hung read is not waited for.
func (r *rounds) run(ctx context.Context) error {
	wake := time.NewTimer(0)
	defer wake.Stop()
	for {
		select {
		case <-ctx.Done():
			r.mu.Lock()
			r.due = nil
			if r.watch != nil {
				r.watch.Stop()
			}
			all := slices.Clone(r.pollers)
			r.mu.Unlock()
			for _, p := range all {
				p.stop()
			}
			return ctx.Err()
		case <-wake.C:
		case <-r.more:
		}
		wake.Reset(r.gather(ctx))
	}
}

// gather starts the turns that are due and returns the time until the next.
func (r *rounds) gather(ctx context.Context) time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := time.Now()
	wait := time.Hour
	for i, p := range r.pollers {
		if !now.Before(r.next[i]) {
			r.due = append(r.due, p)
			// Turns that nobody had the time for are left out.
			every := p.interval()
			r.next[i] = r.began.Add((now.Sub(r.began)/every + 1) * every)
		}
		wait = min(wait, r.next[i].Sub(now))
	}
	if len(r.due) > 0 {
		go r.read(ctx)
		if r.watch == nil {
			r.watch = time.AfterFunc(patience, func() { r.goOn(ctx) })
		} else {
			r.watch.Reset(patience)
		}
	}
	return wait
}

// goOn reads what waits behind a slow read.
func (r *rounds) goOn(ctx context.Context) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.due) > 0 {
		r.watch.Reset(patience)
		go r.read(ctx)
	}
}

// read takes turns until none is due.
func (r *rounds) read(ctx context.Context) {
	for {
		r.mu.Lock()
		if len(r.due) == 0 {
			r.watch.Stop()
			r.mu.Unlock()
			return
		}
		p := r.due[0]
		r.due = r.due[1:]
		r.mu.Unlock()
		p.turn(ctx)
	}
}
