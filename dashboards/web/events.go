// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"
)

// pages are the open event streams by who holds them. Nobody is refused: where
// one log-in opens more than its share its oldest stream ends, and where all
// places are taken the oldest one of whoever holds most.
type pages struct {
	mu      sync.Mutex
	open    []*openPage   // oldest first
	revoked chan struct{} // closed, and made anew, when a log-in was taken back
}

type openPage struct {
	who   string
	ended chan struct{}
}

func newPages() *pages { return &pages{revoked: make(chan struct{})} }

// changes is closed when the next log-in is taken back.
func (p *pages) changes() <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.revoked
}

// changed lets every open stream ask whether its log-in is still good.
func (p *pages) changed() {
	p.mu.Lock()
	defer p.mu.Unlock()
	close(p.revoked)
	p.revoked = make(chan struct{})
}

func (p *pages) enter(who string) (ended <-chan struct{}, leave func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	held := map[string]int{who: 1}
	most := who
	for _, o := range p.open {
		if held[o.who]++; held[o.who] > held[most] {
			most = o.who
		}
	}
	switch {
	case held[who] > maxStreamsEach:
		p.end(who)
	case len(p.open) >= maxStreams:
		p.end(most)
	}
	o := &openPage{who, make(chan struct{})}
	p.open = append(p.open, o)
	return o.ended, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		if i := slices.Index(p.open, o); i >= 0 {
			p.open = slices.Delete(p.open, i, i+1)
		}
	}
}

// end closes the oldest stream of somebody; mu is held.
func (p *pages) end(who string) {
	for i, o := range p.open {
		if o.who == who {
			close(o.ended)
			p.open = slices.Delete(p.open, i, i+1)
			return
		}
	}
}

// recheck is how often an open stream asks whether its log-in is over by time;
// one that is taken back is told at once.
const recheck = 30 * time.Second

// events streams what happens, as server-sent events. A client that stops
// reading fills its own channel, which the backend then closes, or holds up
// one write until its deadline; either way only that client is dropped.
func (s *Server) events(w http.ResponseWriter, r *http.Request) (any, error) {
	if err := known(r); err != nil {
		return nil, err
	}
	ended, leave := s.pages.enter(whoOf(r).key())
	defer leave()
	s.streams.Add(1)
	defer s.streams.Add(-1)

	// Subscribed before the snapshot is taken, so that nothing falls between.
	ch, cancel := s.b.Subscribe()
	defer cancel()
	snap, err := s.b.Snapshot(r.Context())
	if err != nil {
		return nil, err
	}
	first, err := json.Marshal(snap)
	if err != nil {
		return nil, err
	}

	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy must not hold events back
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodHead {
		return nil, nil
	}
	rc := http.NewResponseController(w)
	send := func(b []byte) bool {
		rc.SetWriteDeadline(time.Now().Add(streamTimeout)) // unsupported only in tests' recorders
		if _, err := w.Write(b); err != nil {
			s.streamsLost.Add(1)
			return false
		}
		return rc.Flush() == nil
	}
	if send([]byte("retry: 3000\n\n")) && send(eventText(Event{Name: "snapshot", Data: first})) {
		s.relay(r, ch, ended, send)
	}
	return nil, nil
}

// relay passes events on until the client or its log-in is gone, its place is
// wanted, or the server stops.
func (s *Server) relay(r *http.Request, ch <-chan Event, ended <-chan struct{}, send func([]byte) bool) {
	beat := time.NewTicker(s.cfg.Beat)
	defer beat.Stop()
	check := time.NewTicker(recheck)
	defer check.Stop()
	good := func() bool {
		who, _, _, ok := s.whoIs(r)
		return ok && allows(who.Role, Look)
	}
	revoked := s.pages.changes()
	if !good() { // taken back since it was let in
		return
	}
	for {
		select {
		case <-r.Context().Done():
			return
		case <-stopping(r):
			return
		case <-ended: // its place was wanted
			s.streamsLost.Add(1)
			return
		case e, ok := <-ch:
			if !ok {
				s.streamsLost.Add(1)
				return
			}
			if e.frame == nil {
				e.frame = eventText(e)
			}
			if !send(e.frame) {
				return
			}
		// A log-in that was taken back, or is over, must not go on listening.
		case <-revoked:
			if revoked = s.pages.changes(); !good() {
				return
			}
		case <-check.C:
			if !good() {
				return
			}
		case <-beat.C:
			if !send([]byte(": alive\n\n")) {
				return
			}
		}
	}
}

// eventText frames an event. JSON has no raw line breaks once compacted, so
// one data line is enough.
func eventText(e Event) []byte {
	var buf bytes.Buffer
	name := bytes.Map(func(r rune) rune {
		if r < ' ' {
			return -1
		}
		return r
	}, []byte(e.Name))
	fmt.Fprintf(&buf, "event: %s\ndata: ", name)
	n := buf.Len()
	if len(e.Data) == 0 {
		buf.WriteString("null")
	} else if err := json.Compact(&buf, e.Data); err != nil {
		buf.Truncate(n)
		buf.WriteString("null")
	}
	buf.WriteString("\n\n")
	return buf.Bytes()
}
