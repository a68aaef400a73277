// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"slices"
	"sync"
	"time"
)

// patience is how long a read may delay the reads behind it. Our choice: longer than
// most I2C chips take, too short to matter.
const patience = 20 * time.Millisecond

// rounds reads probes for ever, each at its own interval. Those that are due
// together are read one after the other in one goroutine, so that a board
// wakes once for all of them; behind a read that takes longer than patience
// another goroutine goes on in its place, so that a slow probe or a hung one
// delays nobody.
type rounds struct {
	more chan struct{} // a probe was added

	mu      sync.Mutex
	began   time.Time
	pollers []*Poller
	next    []time.Time // of each poller's turn
	due     []*Poller   // whose turn it is
	taken   int         // how many of them had it
	reader  int         // number of the goroutine that reads
	turn    *Poller     // what it reads; nil while none is due
	watch   *time.Timer // while it reads
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

// run reads until ctx ends, and returns its error. After that sinks get no further
// reading; a hung read is not waited for.
func (r *rounds) run(ctx context.Context) error {
	go r.read(ctx, 0)
	<-ctx.Done()
	r.mu.Lock()
	r.reader++ // nobody reads any more
	if r.watch != nil {
		r.watch.Stop()
	}
	all := slices.Clone(r.pollers)
	r.mu.Unlock()
	for _, p := range all {
		p.stop()
	}
	return ctx.Err()
}

// read takes the turns as they come due, until ctx ends or another goroutine
// took over.
func (r *rounds) read(ctx context.Context, me int) {
	wake := time.NewTimer(0)
	defer wake.Stop()
	for {
		p, wait, mine := r.take(ctx, me)
		switch {
		case !mine:
			return
		case p != nil:
			p.turn(ctx)
			continue
		}
		wake.Reset(wait)
		select {
		case <-ctx.Done():
			return
		case <-wake.C:
		case <-r.more:
		}
	}
}

// take gives the poller whose turn it is to the goroutine that reads. With nil
// it says how long no other turn is due; false tells the goroutine that
// another one reads in its place.
func (r *rounds) take(ctx context.Context, me int) (p *Poller, wait time.Duration, mine bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.reader != me || ctx.Err() != nil {
		return nil, 0, false
	}
	if r.taken == len(r.due) {
		if wait = r.gather(); len(r.due) == 0 {
			if r.turn = nil; r.watch != nil {
				r.watch.Stop()
			}
			return nil, wait, true
		}
	}
	if r.turn == nil {
		if r.watch == nil {
			r.watch = time.AfterFunc(patience, func() { r.takeOver(ctx) })
		} else {
			r.watch.Reset(patience)
		}
	}
	r.turn = r.due[r.taken]
	r.taken++
	return r.turn, 0, true
}

// gather lists whose turn it is and returns the time until the next; r.mu is
// held.
func (r *rounds) gather() time.Duration {
	now := time.Now()
	wait := time.Hour
	r.due, r.taken = r.due[:0], 0
	for i, p := range r.pollers {
		if !now.Before(r.next[i]) {
			r.due = append(r.due, p)
			// Missed turns are skipped.
			every := p.interval()
			r.next[i] = r.began.Add((now.Sub(r.began)/every + 1) * every)
		}
		wait = min(wait, r.next[i].Sub(now))
	}
	return wait
}

// takeOver lets another goroutine read the probes behind a slow read, and watches the
// slow read's deadline from here on.
func (r *rounds) takeOver(ctx context.Context) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.turn == nil || ctx.Err() != nil {
		return
	}
	r.turn.limit()
	r.turn = nil
	r.reader++
	go r.read(ctx, r.reader)
}
