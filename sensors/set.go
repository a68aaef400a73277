// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sync"
	"time"
)

// ErrUnknown is the error for a probe id that the set does not hold.
var ErrUnknown = errors.New("no such probe")

// Set holds every probe, wired and pushed. Safe for concurrent use.
type Set struct {
	*Intake
	sink func(Reading)

	mu      sync.Mutex
	pollers map[string]*Poller
	paths   map[string]*path // where each probe's temperature has been
	running *rounds          // non-nil while Run runs
}

// NewSet returns an empty set that hands every believed reading, of whatever
// origin, to sink. sink may be called from several goroutines and must not
// block. Of c, Wired and Witness are the set's own.
func NewSet(c IntakeConfig, sink func(Reading)) *Set {
	s := &Set{sink: sink, pollers: map[string]*Poller{}, paths: map[string]*path{}}
	c.Wired = s.wired
	c.Witness = s.witness
	s.Intake = NewIntake(c, s.take)
	return s
}

func (s *Set) take(r Reading) {
	if t, ok := r.Temp.Get(); ok {
		s.mu.Lock()
		p := s.paths[r.Probe]
		if p == nil {
			p = &path{}
			s.paths[r.Probe] = p
		}
		p.add(r.At, t)
		s.mu.Unlock()
	}
	s.sink(r)
}

func (s *Set) wired(id string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, ok := s.pollers[id]
	return ok
}

// witness returns the largest movement of any probe but the one named.
func (s *Set) witness(id string) Witness {
	return func(since time.Time) float64 {
		s.mu.Lock()
		defer s.mu.Unlock()
		m := 0.0
		for other, p := range s.paths {
			if other != id {
				m = math.Max(m, p.moved(since))
			}
		}
		return m
	}
}

// Add puts a wired probe into the set, and starts reading it if the set runs.
func (s *Set) Add(c PollerConfig) error {
	if len(c.Of) > 0 {
		m := &mean{set: s, id: c.ID, of: c.Of, now: c.Now}
		if m.now == nil {
			m.now = time.Now
		}
		c.Probe, c.Driver = m, DriverMean
	}
	p, err := NewPoller(c, s.take)
	if err != nil {
		return err
	}
	p.witness = s.witness(c.ID)
	if s.Intake.get(c.ID) != nil {
		return fmt.Errorf("probe %q: a pushed probe already has this name", c.ID)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.pollers[c.ID]; ok {
		return fmt.Errorf("probe %q: already there", c.ID)
	}
	s.pollers[c.ID] = p
	if s.running != nil {
		s.running.add(p)
	}
	return nil
}

// Run reads every wired probe until ctx ends, and returns its error; a hung
// read is not waited for.
func (s *Set) Run(ctx context.Context) error {
	s.mu.Lock()
	if s.running != nil {
		s.mu.Unlock()
		return errors.New("probes: already running")
	}
	r := newRounds()
	for _, id := range slices.Sorted(maps.Keys(s.pollers)) {
		r.add(s.pollers[id])
	}
	s.running = r
	s.mu.Unlock()
	err := r.run(ctx)
	s.mu.Lock()
	s.running = nil
	s.mu.Unlock()
	return err
}

// Health returns every probe's, sorted by id.
func (s *Set) Health() []Health {
	hs := s.Intake.Health()
	s.mu.Lock()
	ps := make([]*Poller, 0, len(s.pollers))
	for _, p := range s.pollers {
		ps = append(ps, p)
	}
	s.mu.Unlock()
	for _, p := range ps {
		hs = append(hs, p.Health())
	}
	slices.SortFunc(hs, func(a, b Health) int { return cmp.Compare(a.Probe, b.Probe) })
	return hs
}

// Get returns one probe's health.
func (s *Set) Get(id string) (Health, bool) {
	if t := s.find(id); t != nil {
		return t.health(), true
	}
	return Health{}, false
}

func (s *Set) find(id string) *track {
	s.mu.Lock()
	p := s.pollers[id]
	s.mu.Unlock()
	if p != nil {
		return p.track
	}
	if pp := s.Intake.get(id); pp != nil {
		return pp.track
	}
	return nil
}

// SetMeta sets name, role, panel and acceptance; an empty name leaves the old
// one. A wired probe is always accepted. The error is [ErrUnknown] or a role
// that does not exist.
func (s *Set) SetMeta(id string, m Meta) error {
	if !knownRole(m.Role) {
		return fmt.Errorf("role: %q is not air, panel, pot, outdoor or tent", m.Role)
	}
	t := s.find(id)
	if t == nil {
		return fmt.Errorf("%w: %q", ErrUnknown, id)
	}
	if !t.pushed {
		m.Accepted = true
	} else if m.Accepted && !t.accepted() {
		s.Intake.mu.Lock()
		n := s.Intake.accepted()
		s.Intake.mu.Unlock()
		if n >= MaxPushed {
			return fmt.Errorf("%w: %d already; forget one first", ErrTooMany, MaxPushed)
		}
	}
	t.setMeta(m)
	return nil
}

// path keeps a probe's temperatures of some hours, thinned out.
type path struct {
	at []time.Time
	t  []float64
}

const (
	pathEvery = 5 * time.Minute
	pathLen   = 144 // 12 h
)

func (p *path) add(at time.Time, t float64) {
	if n := len(p.at); n > 0 && at.Sub(p.at[n-1]) < pathEvery {
		return
	}
	if len(p.at) == pathLen {
		p.at = slices.Delete(p.at, 0, 1)
		p.t = slices.Delete(p.t, 0, 1)
	}
	p.at = append(p.at, at)
	p.t = append(p.t, t)
}

// moved is the range of temperatures since a time, K.
func (p *path) moved(since time.Time) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, at := range p.at {
		if !at.Before(since) {
			lo, hi = math.Min(lo, p.t[i]), math.Max(hi, p.t[i])
		}
	}
	return math.Max(hi-lo, 0)
}
