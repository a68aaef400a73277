// SPDX-License-Identifier: Apache-2.0

package web

import "sync"

// Hub hands events to any number of readers, each behind a bounded channel. A
// reader that falls a whole channel behind is dropped by closing its channel,
// so that nothing upstream ever waits for a page. The zero Hub is not usable:
// call [NewHub].
type Hub struct {
	mu      sync.Mutex
	depth   int
	subs    map[chan Event]bool
	dropped uint64
	closed  bool
}

// NewHub returns a hub whose readers may be depth events behind.
func NewHub(depth int) *Hub {
	return &Hub{depth: max(depth, 1), subs: map[chan Event]bool{}}
}

// Subscribe returns a channel of events and the function that ends it; the
// function may be called more than once. After [Hub.Close] the channel comes
// back closed.
func (h *Hub) Subscribe() (<-chan Event, func()) {
	ch := make(chan Event, h.depth)
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		close(ch)
		return ch, func() {}
	}
	h.subs[ch] = true
	return ch, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.drop(ch)
	}
}

// Publish hands e to every reader without waiting for any of them.
func (h *Hub) Publish(e Event) {
	// Framed once: however many pages are open and slow, what they wait to be
	// written is held once.
	e.frame = eventText(e)
	h.mu.Lock()
	defer h.mu.Unlock()
	for ch := range h.subs {
		select {
		case ch <- e:
		default:
			h.dropped++
			h.drop(ch)
		}
	}
}

// Stats returns how many readers there are and how many were dropped for
// being slow since the hub was made.
func (h *Hub) Stats() (readers int, dropped uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.subs), h.dropped
}

// Close ends every reader; later events go nowhere.
func (h *Hub) Close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.closed = true
	for ch := range h.subs {
		h.drop(ch)
	}
}

func (h *Hub) drop(ch chan Event) {
	if h.subs[ch] {
		delete(h.subs, ch)
		close(ch)
	}
}
