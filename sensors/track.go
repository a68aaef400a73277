// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"maps"
	"sync"
	"time"
)

// track is what is known about one probe, wired or pushed. Its methods may be
// called from any goroutine.
type track struct {
	mu      sync.Mutex
	h       Health
	filter  *Filter
	pushed  bool
	clock   func() time.Time
	heardAt time.Time // receipt of the last believed reading, monotonic
	bad     int       // implausible readings in a row
	custom  bool      // limits were given, not to be replaced with the role's
	base    Limits    // what the driver knows, kept when the role changes
}

func newTrack(h Health, lim *Limits, pushed bool, now func() time.Time) *track {
	t := &track{h: h, pushed: pushed, clock: now}
	if lim != nil {
		t.base, t.custom = *lim, true
	} else {
		t.base = DefaultLimits(h.Role, pushed)
	}
	t.filter = NewFilter(t.base)
	if t.h.Name == "" {
		t.h.Name = t.h.Probe
	}
	t.h.Errors = map[string]uint64{}
	return t
}

// judge runs the filter and records the outcome.
func (t *track) judge(r Reading, witness Witness) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	// The clock was set back: earlier readings now have times in the future
	// and are dropped.
	ahead := t.pushed && t.h.LastAt.Sub(t.clock()) > futureMargin
	if ahead {
		t.filter.Forget()
	}
	if err := t.filter.Check(r, witness); err != nil {
		t.fail(err)
		return err
	}
	t.bad = 0
	t.h.Taken++
	t.h.Why, t.h.Reason = nil, ""
	// A wired probe's reading that comes last is the latest, even if the clock was
	// set.
	if r.At = t.dated(r.At); !t.pushed || ahead || r.At.After(t.h.LastAt) {
		t.h.Last, t.h.LastAt = r, r.At
		t.heardAt = time.Now()
	}
	return nil
}

// forget drops the readings that the next one would be compared with.
func (t *track) forget() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.filter.Forget()
}

// dated converts a reading's time from the board's clock to the clock in use, which a
// person may have corrected by years. The filter keeps to the board's clock, because
// nobody sets that. A mean's parts carry that clock's time already.
func (t *track) dated(at time.Time) time.Time {
	now := time.Now()
	off := t.clock().Sub(now)
	if t.pushed || off.Abs() < time.Second || now.Sub(at).Abs() > time.Minute {
		return at
	}
	return at.Add(off)
}

func (t *track) failed(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.fail(err)
}

func (t *track) fail(err error) {
	t.h.Why, t.h.Reason, t.h.ErrAt = err, Reason(err), t.clock()
	t.h.Errors[t.h.Reason]++
	if implausible[t.h.Reason] {
		t.bad++
	} else {
		t.bad = 0
	}
}

var implausible = map[string]bool{"range": true, "jump": true, "doubted": true, "power_on": true}

// health returns a copy with the state as of now.
func (t *track) health() Health {
	t.mu.Lock()
	defer t.mu.Unlock()
	h := t.h
	h.Errors = maps.Clone(t.h.Errors)
	old := h.LastAt.IsZero()
	if !old && h.Stale > 0 {
		age := time.Since(t.heardAt)
		// A reading that was old already when it came in is stale at once.
		old = age > h.Stale || t.clock().Sub(h.LastAt) > h.Stale
	}
	switch {
	case !h.Accepted:
		h.State = "waiting"
	case h.Reason == "stuck":
		h.State = "stuck"
	case implausible[h.Reason] && (old || t.bad >= 2):
		h.State = "implausible"
	case !old:
		h.State = "ok"
	case h.Reason != "":
		h.State = "missing"
	case h.LastAt.IsZero():
		h.State = "waiting"
	default:
		h.State = "stale"
	}
	return h
}

// Meta is what a person may set about a probe.
type Meta struct {
	Name, Role, Panel string
	Accepted          bool
}

func (t *track) setMeta(m Meta) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if m.Name != "" {
		t.h.Name = m.Name
	}
	if m.Role != t.h.Role && !t.custom {
		l := DefaultLimits(m.Role, t.pushed)
		l.ResolutionK, l.Noisy, l.Gap = t.base.ResolutionK, t.base.Noisy, t.base.Gap
		t.filter.SetLimits(l)
	}
	t.h.Role, t.h.Panel, t.h.Accepted = m.Role, m.Panel, m.Accepted
}
