package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"time"
)

// recheck is how often an open stream asks whether its log-in is still good.
const recheck = 500 * time.Millisecond

// events streams what happens, as server-sent events. A client that stops
// reading fills its own channel, which the backend then closes, or holds up
// one write until its deadline; either way only that client is dropped.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	if !s.query(w, r) {
		return
	}
	if n := s.streams.Add(1); n > maxStreams {
		s.streams.Add(-1)
		w.Header().Set("Retry-After", "10")
		s.fail(w, r, http.StatusServiceUnavailable, "", fmt.Sprintf("more than %d pages are open", maxStreams))
		return
	}
	defer s.streams.Add(-1)

	// Subscribed before the snapshot is taken, so that nothing falls between.
	ch, cancel := s.b.Subscribe()
	defer cancel()
	snap, err := s.b.Snapshot(r.Context())
	if err != nil {
		s.problem(w, r, err)
		return
	}
	first, err := json.Marshal(snap)
	if err != nil {
		s.problem(w, r, err)
		return
	}

	rc := http.NewResponseController(w)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy must not hold events back
	w.WriteHeader(http.StatusOK)
	if r.Method == http.MethodHead {
		return
	}
	send := func(b []byte) bool {
		rc.SetWriteDeadline(time.Now().Add(writeTimeout)) // unsupported only in tests' recorders
		if _, err := w.Write(b); err != nil {
			s.streamsLost.Add(1)
			return false
		}
		return rc.Flush() == nil
	}
	if !send([]byte("retry: 3000\n\n")) || !send(eventText(Event{Name: "snapshot", Data: first})) {
		return
	}
	beat := time.NewTicker(s.cfg.Beat)
	defer beat.Stop()
	check := time.NewTicker(recheck)
	defer check.Stop()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-stopping(r):
			return
		case e, ok := <-ch:
			if !ok {
				s.streamsLost.Add(1)
				return
			}
			if !send(eventText(e)) {
				return
			}
		case <-check.C:
			// A log-in that was taken back, or is over, must not go on listening.
			if who, _, _, ok := s.whoIs(r); !ok || !allows(who.Role, Look) {
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
