// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"slices"
	"sync"
)

// diskLock serialises the use of the one connection. Unlike a sync.Mutex, waiting
// for it can be cancelled: its holder may be in a write that the card never
// finishes. It has two queues: readings must reach the disk within seconds,
// however many entries wait on a slow card, so their writer goes before all
// others. The zero value is unlocked.
type diskLock struct {
	mu          sync.Mutex
	held        bool
	first, rest []chan struct{} // who waits, each closed when it is its turn
}

func (l *diskLock) Lock() { _ = l.wait(context.Background(), &l.rest) }

// LockFor is Lock until ctx ends.
func (l *diskLock) LockFor(ctx context.Context) error { return l.wait(ctx, &l.rest) }

// LockFirst is LockFor, ahead of all that wait in Lock and LockFor.
func (l *diskLock) LockFirst(ctx context.Context) error { return l.wait(ctx, &l.first) }

func (l *diskLock) wait(ctx context.Context, queue *[]chan struct{}) error {
	l.mu.Lock()
	if !l.held { // even if ctx has ended: a free lock is taken
		l.held = true
		l.mu.Unlock()
		return nil
	}
	turn := make(chan struct{})
	*queue = append(*queue, turn)
	l.mu.Unlock()
	select {
	case <-turn:
		return nil
	case <-ctx.Done():
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if i := slices.Index(*queue, turn); i >= 0 {
		*queue = slices.Delete(*queue, i, i+1)
		return ctx.Err()
	}
	return nil // we were handed the lock meanwhile
}

func (l *diskLock) Unlock() {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, queue := range []*[]chan struct{}{&l.first, &l.rest} {
		if len(*queue) > 0 {
			close((*queue)[0])
			*queue = slices.Delete(*queue, 0, 1)
			return
		}
	}
	l.held = false
}
