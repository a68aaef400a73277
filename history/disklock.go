// SPDX-License-Identifier: Apache-2.0

package history

import "context"

// diskLock serialises the use of the one connection. Unlike a sync.Mutex it
// can be waited for with an end: whoever holds it may be in a write that the
// card does not finish.
type diskLock chan struct{}

func newDiskLock() diskLock { return make(diskLock, 1) }

func (l diskLock) Lock() { l <- struct{}{} }

func (l diskLock) Unlock() { <-l }

// LockFor is Lock until ctx ends.
func (l diskLock) LockFor(ctx context.Context) error {
	select { // free comes before an ended context: what was asked for is tried
	case l <- struct{}{}:
		return nil
	default:
	}
	select {
	case l <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
