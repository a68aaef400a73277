// SPDX-License-Identifier: Apache-2.0

package mqtt

import (
	"bytes"
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"
)

// BoardOptions are what a [Board] works with.
type BoardOptions struct {
	Pub    Publisher
	Log    *slog.Logger  // nil for none
	Expire time.Duration // of each message; 0 for ten minutes
	// Lasting reports whether a topic's message does not expire; nil: all do.
	Lasting func(topic string) bool
}

// Board keeps the present state on a broker, as one retained message per topic. A broker
// that lost its messages gets all of them again.
type Board struct {
	o    BoardOptions
	wake chan struct{}

	mu       sync.Mutex
	all      map[string]*shown
	sent     uint64
	failures uint64
	refused  map[string]bool
}

type shown struct {
	body    []byte
	dirty   bool
	gone    bool
	at      time.Time // when the broker last got it
	version uint64
}

// NewBoard returns an empty board.
func NewBoard(o BoardOptions) *Board {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Expire <= 0 {
		o.Expire = 10 * time.Minute
	}
	if o.Lasting == nil {
		o.Lasting = func(string) bool { return false }
	}
	return &Board{o: o, wake: make(chan struct{}, 1), all: map[string]*shown{}, refused: map[string]bool{}}
}

// Show replaces everything on the board: topics that are not in state are removed. It
// never blocks.
func (b *Board) Show(state map[string][]byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for t, body := range state {
		s := b.all[t]
		if s == nil {
			s = &shown{dirty: true}
			b.all[t] = s
		}
		if s.gone || !bytes.Equal(s.body, body) {
			s.body, s.dirty, s.gone = body, true, false
			s.version++
		}
	}
	for t, s := range b.all {
		if _, ok := state[t]; !ok && !s.gone {
			s.body, s.dirty, s.gone = nil, true, true
			s.version++
		}
	}
	b.poke()
}

// Renew publishes everything again: the connection came up, and the broker may
// have lost what it had.
func (b *Board) Renew() {
	b.mu.Lock()
	for _, s := range b.all {
		s.dirty = true
	}
	b.mu.Unlock()
	b.poke()
}

func (b *Board) poke() {
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// retryEvery is the pause before a failed message is tried again.
const retryEvery = 5 * time.Second

// Run publishes what changed, and renews what is about to expire, until ctx
// ends; it returns ctx's error.
func (b *Board) Run(ctx context.Context) error {
	tick := time.NewTicker(retryEvery)
	defer tick.Stop()
	for {
		b.publish(ctx)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-b.wake:
		case <-tick.C:
		}
	}
}

func (b *Board) publish(ctx context.Context) {
	now := time.Now()
	b.mu.Lock()
	var due []string
	for t, s := range b.all {
		if s.dirty || !b.o.Lasting(t) && now.Sub(s.at) >= b.o.Expire/2 {
			due = append(due, t)
		}
	}
	b.mu.Unlock()
	slices.Sort(due)
	for _, t := range due {
		if !b.o.Pub.Up() {
			return
		}
		b.mu.Lock()
		s, v := b.all[t], b.all[t].version
		body, gone := s.body, s.gone
		b.mu.Unlock()
		expire := b.o.Expire
		if b.o.Lasting(t) || gone {
			expire = 0
		}
		err := b.o.Pub.Publish(ctx, t, body, true, expire)
		if ctx.Err() != nil {
			return
		}
		b.mu.Lock()
		if err != nil {
			b.failures++
			if permanent(err) {
				// Tried again when it changes or would expire.
				s.dirty, s.at = false, time.Now()
				if !b.refused[t] && len(b.refused) < 256 {
					b.o.Log.Warn("mqtt does not take a message", "topic", t, "err", err)
				}
				b.refused[t] = true
			}
		} else {
			b.sent++
			delete(b.refused, t)
			s.at = time.Now()
			if s.version == v {
				s.dirty = false
				if gone {
					delete(b.all, t)
				}
			}
		}
		b.mu.Unlock()
		if err != nil && !permanent(err) {
			return
		}
	}
}

// Stats returns how many messages got through and how many tries did not.
func (b *Board) Stats() (sent, failures uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.sent, b.failures
}
