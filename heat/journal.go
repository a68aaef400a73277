// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"context"
	"sync/atomic"
	"time"
)

// Event is one switching of the heater, or one change of the reason, for the history.
type Event struct {
	At   time.Time
	On   bool
	Why  Reason
	Text string
	By   string // person who did it, "" for the controller
}

// Journal takes events. Note never blocks.
type Journal interface{ Note(Event) }

// Queue is a [Journal] between the loop and something that may block: it drops
// and counts when it is full.
type Queue struct {
	ch      chan Event
	dropped atomic.Uint64
}

// NewQueue returns a queue of n events.
func NewQueue(n int) *Queue { return &Queue{ch: make(chan Event, n)} }

// Note hands an event over, or drops it.
func (q *Queue) Note(e Event) {
	select {
	case q.ch <- e:
	default:
		q.dropped.Add(1)
	}
}

// Dropped is how many events found no room.
func (q *Queue) Dropped() uint64 { return q.dropped.Load() }

// Run passes events to sink until ctx ends, and then the remaining ones.
func (q *Queue) Run(ctx context.Context, sink func(Event)) error {
	for {
		select {
		case e := <-q.ch:
			sink(e)
		case <-ctx.Done():
			for {
				select {
				case e := <-q.ch:
					sink(e)
				default:
					return ctx.Err()
				}
			}
		}
	}
}
