// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
	"unicode/utf8"
)

// Pushed is one reading that came over the network. A nil Time means now.
type Pushed struct {
	Probe string
	Time  *time.Time
	Temp  Value // °C
	RH    Value // %
	CO2   Value // ppm

	// State of a radio probe itself.
	Battery Value // %, 0 to 100; a probe that only reports good or low: 100 or 0
	Link    Value // quality of its radio link, in its own radio's unit
}

// Refusal is one reading of a push that was refused, and why.
type Refusal struct {
	Index int
	Probe string
	Err   error
}

// Reasons a push can be refused besides those of a reading.
var (
	ErrNotAccepted error = reason{"not_accepted", "not accepted yet: name this probe on the probes page first"}
	ErrTooMany     error = reason{"too_many", "too many pushed probes"}
	ErrFuture      error = reason{"future", "time is in the future"}
	ErrTooOld      error = reason{"too_old", "time is too long ago"}
	ErrRepeat      error = reason{"repeat", "already taken a reading of this probe at this time"}
	ErrName        error = reason{"name", "not a probe name"}
	ErrWired       error = reason{"wired", "this probe is wired here and cannot be pushed"}
	ErrFlood       error = reason{"flood", "too many readings at once: push the rest later"}
	ErrUndated     error = reason{"undated", "the board does not know the date, so readings of other moments can't be dated: confirm its clock, then push them again"}
)

// Bounds of the intake.
const (
	MaxPushed      = 64             // accepted probes that push
	MaxWaiting     = 32             // probes that nobody has accepted yet
	maxWaitingEach = 8              // of them by one source
	maxAtOnce      = 32             // probes accepted at once by one source since the start
	waitingFor     = 24 * time.Hour // time without a push after which a probe that nobody accepted is forgotten
	maxIDLen       = 64
	futureMargin   = 2 * time.Minute // a probe's clock may be this far ahead
	pushedStale    = 15 * time.Minute
	minPushStale   = time.Minute
	maxPushStale   = time.Hour
	pushedRecents  = 16 // times remembered to know a repeat

	// All pushed probes together may send pushRate readings a second (three for
	// each of MaxPushed), and pushBurst more at once, since a radio that was out of
	// reach sends what it kept. One hour at that rate, which is the most that the
	// store holds in memory, is under a million readings.
	pushRate  = 200
	pushBurst = 50_000
)

// CheckID accepts what can safely be a metric label, a file name and a word on
// a page: letters, digits, dot, dash, underscore.
func CheckID(s string) error {
	if s == "" {
		return fmt.Errorf("%w: empty", ErrName)
	}
	if len(s) > maxIDLen || !utf8.ValidString(s) {
		return fmt.Errorf("%w: longer than %d bytes or not text", ErrName, maxIDLen)
	}
	for i, c := range s {
		ok := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || i > 0 && (c == '-' || c == '.')
		if !ok {
			return fmt.Errorf("%w: %q: letters, digits, dot, dash and underscore only", ErrName, s)
		}
	}
	return nil
}

// Source is the sender of a push.
type Source struct {
	Via    string // "push" or "mqtt"
	Who    string // the log-in or broker it comes by; "" for this board's own
	Accept bool   // a new probe is accepted at once
	// ClockTrusted is false while this machine's date is in doubt: the time of
	// receipt then replaces the time that the probe sends.
	ClockTrusted bool
}

// IntakeConfig configures an [Intake].
type IntakeConfig struct {
	Now    func() time.Time // default time.Now
	MaxAge time.Duration    // older readings are refused; 0: any age is taken
	// Wired reports whether the id belongs to a wired probe; nil: none does.
	Wired func(id string) bool
	// Witness returns the witness for a probe's stuck test; may be nil.
	Witness func(id string) Witness
}

// Intake takes readings that are pushed, over HTTP or MQTT, through the same
// plausibility filter as wired ones. Safe for concurrent use.
type Intake struct {
	cfg    IntakeConfig
	sink   func(Reading)
	mu     sync.Mutex
	probes map[string]*pushProbe
	room   float64        // readings that may still come at once
	roomAt time.Time      // when room was computed, monotonic
	atOnce map[string]int // probes accepted at once, by source
}

type pushProbe struct {
	*track
	recent  []time.Time
	doubted bool      // its last reading came while the date was in doubt
	from    string    // source that sent it first
	heard   time.Time // last pushed, by the monotonic clock
}

// NewIntake returns an intake that hands believed readings of accepted probes
// to sink, in the order in which they came.
func NewIntake(c IntakeConfig, sink func(Reading)) *Intake {
	if c.Now == nil {
		c.Now = time.Now
	}
	return &Intake{cfg: c, sink: sink, probes: map[string]*pushProbe{}, atOnce: map[string]int{}, room: pushBurst, roomAt: time.Now()}
}

// Push judges each reading by itself and returns how many were taken and which
// were refused. A new probe waits for a person to accept it: until then its
// readings are refused with [ErrNotAccepted], but the last plausible one is shown, so
// that the person can tell which probe it is. Waiting probes do not count towards
// [MaxPushed]. They are forgotten after a day of silence; if a source brings too many,
// its own are forgotten first.
func (in *Intake) Push(src Source, ps []Pushed) (taken int, refused []Refusal) {
	believed := make([]Reading, 0, len(ps))
	in.mu.Lock()
	now := in.cfg.Now()
	at := time.Now()
	in.room = min(in.room+pushRate*at.Sub(in.roomAt).Seconds(), pushBurst)
	in.roomAt = at
	var newest map[string]time.Time // of each probe's readings in this push
	if !src.ClockTrusted {
		newest = make(map[string]time.Time, len(ps))
		for _, p := range ps {
			if p.Time != nil && p.Time.After(newest[p.Probe]) {
				newest[p.Probe] = *p.Time
			}
		}
	}
	for i, p := range ps {
		if in.room < 1 {
			refused = append(refused, Refusal{Index: i, Probe: p.Probe, Err: ErrFlood})
			continue
		}
		if p.Time != nil && p.Time.Before(newest[p.Probe]) {
			refused = append(refused, Refusal{Index: i, Probe: p.Probe, Err: ErrUndated})
			continue
		}
		r, err := in.push(src, now, p)
		if err != nil {
			refused = append(refused, Refusal{Index: i, Probe: p.Probe, Err: err})
			continue
		}
		believed = append(believed, r)
		in.room--
	}
	in.mu.Unlock()
	for _, r := range believed { // without the lock: sink may ask for a probe's health
		in.sink(r)
	}
	return len(believed), refused
}

func (in *Intake) push(src Source, now time.Time, p Pushed) (Reading, error) {
	if err := CheckID(p.Probe); err != nil {
		return Reading{}, err
	}
	if in.cfg.Wired != nil && in.cfg.Wired(p.Probe) {
		return Reading{}, ErrWired
	}
	r := Reading{Probe: p.Probe, At: now, Temp: p.Temp, RH: p.RH, CO2: p.CO2}
	dated := p.Time != nil && src.ClockTrusted
	if dated {
		switch age := now.Sub(*p.Time); {
		case age < -futureMargin:
			return Reading{}, fmt.Errorf("%w: %s is %v ahead of the clock here", ErrFuture, p.Time.Format(time.RFC3339), (-age).Round(time.Second))
		case in.cfg.MaxAge > 0 && age > in.cfg.MaxAge:
			return Reading{}, fmt.Errorf("%w: %s", ErrTooOld, p.Time.Format(time.RFC3339))
		}
		r.At = *p.Time
	}
	pp := in.probes[p.Probe]
	if pp == nil {
		from := src.Via + " " + src.Who
		accept := src.Accept && (src.Who == "" || in.atOnce[from] < maxAtOnce)
		if accept && in.accepted() >= MaxPushed {
			return Reading{}, fmt.Errorf("%w: %d already", ErrTooMany, MaxPushed)
		}
		if accept {
			in.atOnce[from]++
		} else {
			in.makeRoom(from)
		}
		pp = in.add(p.Probe, src.Via, Meta{Accepted: accept})
		pp.from = from
	}
	pp.heard = time.Now()
	if dated && slices.ContainsFunc(pp.recent, r.At.Equal) {
		return Reading{}, ErrRepeat
	}
	if src.ClockTrusted && pp.doubted {
		pp.forget() // readings from while the date was in doubt can't be compared by time
	}
	pp.doubted = !src.ClockTrusted
	var w Witness
	if in.cfg.Witness != nil {
		w = in.cfg.Witness(p.Probe)
	}
	before := pp.lastAt()
	if err := pp.judge(r, w); err != nil {
		if p.Time != nil && !dated && errors.Is(err, ErrJump) {
			// It carries a time, which is not used while the date is in doubt, so
			// how long after the previous reading it was taken is unknown.
			return Reading{}, ErrUndated
		}
		return Reading{}, err
	}
	if dated {
		if len(pp.recent) == pushedRecents {
			pp.recent = slices.Delete(pp.recent, 0, 1)
		}
		pp.recent = append(pp.recent, r.At)
	}
	pp.pace(before, r.At)
	pp.radio(p.Battery, p.Link)
	if !pp.accepted() {
		return Reading{}, ErrNotAccepted
	}
	return r, nil
}

// accepted is the number of accepted probes; in.mu is held.
func (in *Intake) accepted() (n int) {
	for _, p := range in.probes {
		if p.accepted() {
			n++
		}
	}
	return n
}

// makeRoom forgets waiting probes so that a new one can wait: those silent for
// waitingFor; then, if this source has too many, its longest silent one; or, if all
// sources together have too many, that of the source with the most.
func (in *Intake) makeRoom(from string) {
	by := map[string]int{}
	for id, p := range in.probes {
		switch {
		case p.accepted():
		case time.Since(p.heard) >= waitingFor:
			delete(in.probes, id)
		default:
			by[p.from]++
		}
	}
	all, most := 0, from
	for f, n := range by {
		if all += n; n > by[most] {
			most = f
		}
	}
	switch {
	case by[from] >= maxWaitingEach:
		in.dropWaiting(from)
	case all >= MaxWaiting:
		in.dropWaiting(most)
	}
}

func (in *Intake) dropWaiting(from string) {
	oldest := ""
	for id, p := range in.probes {
		if !p.accepted() && p.from == from && (oldest == "" || p.heard.Before(in.probes[oldest].heard)) {
			oldest = id
		}
	}
	delete(in.probes, oldest)
}

func (in *Intake) add(id, via string, m Meta) *pushProbe {
	if via == "" {
		via = "push"
	}
	h := Health{Probe: id, Driver: via, Bus: via, Stale: pushedStale}
	tr := newTrack(h, nil, true, in.cfg.Now)
	tr.setMeta(m)
	pp := &pushProbe{track: tr}
	in.probes[id] = pp
	return pp
}

// Restore brings back a pushed probe that was known before a restart.
func (in *Intake) Restore(id, via string, m Meta) error {
	if err := CheckID(id); err != nil {
		return err
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	if pp := in.probes[id]; pp != nil {
		pp.setMeta(m)
		return nil
	}
	if m.Accepted && in.accepted() >= MaxPushed {
		return fmt.Errorf("%w: %d already", ErrTooMany, MaxPushed)
	}
	in.add(id, via, m).heard = time.Now()
	return nil
}

// Forget drops a pushed probe; it reappears if it pushes again.
func (in *Intake) Forget(id string) {
	in.mu.Lock()
	defer in.mu.Unlock()
	delete(in.probes, id)
}

func (in *Intake) get(id string) *pushProbe {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.probes[id]
}

// Health returns every pushed probe's, in no order.
func (in *Intake) Health() []Health {
	in.mu.Lock()
	ps := make([]*pushProbe, 0, len(in.probes))
	for id, p := range in.probes {
		if !p.accepted() && time.Since(p.heard) >= waitingFor {
			delete(in.probes, id)
			continue
		}
		ps = append(ps, p)
	}
	in.mu.Unlock()
	hs := make([]Health, len(ps))
	for i, p := range ps {
		hs[i] = p.health()
	}
	return hs
}

func (t *track) lastAt() time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.h.LastAt
}

func (t *track) accepted() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.h.Accepted
}

// radio keeps the probe's battery and link. A value that a message does not carry
// stays as it was.
func (t *track) radio(battery, link Value) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if battery.OK() {
		t.h.Battery = battery
	}
	if link.OK() {
		t.h.Link = link
	}
}

// pace learns the probe's interval, and from that when it is stale.
func (t *track) pace(before, at time.Time) {
	d := at.Sub(before)
	if before.IsZero() || d <= 0 || d > maxPushStale {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.h.Every == 0 {
		t.h.Every = d
	} else {
		t.h.Every += (d - t.h.Every) / 4
	}
	if t.h.Taken >= 3 {
		t.h.Stale = min(max(staleIntervals*t.h.Every, minPushStale), maxPushStale)
	}
}
