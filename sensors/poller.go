// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"
)

// Defaults of a poller.
const (
	DefaultEvery      = 10 * time.Second
	DefaultDeadline   = 3 * time.Second
	DefaultBackoffMax = time.Minute // an unplugged probe is found again this soon
	staleIntervals    = 3
	backoffFrom       = 3 // errors in a row; a lone checksum fault is retried at the next turn
	hangsToReopen     = 3
	maxAbandoned      = 4 // hung reads left behind by reopening, a bound on goroutines
)

// PollerConfig describes one wired probe and how often it is read.
type PollerConfig struct {
	Probe Probe
	ID    string   // unique; also the name under which readings are stored
	Of    []string // in place of Probe: the mean of these wired probes of the same [Set]

	Name, Driver, Bus, Role, Panel string
	Locked                         bool // named in the configuration file

	Every    time.Duration // between reads; default 10 s
	Stale    time.Duration // a reading older than this is missing; default 3 × Every
	Deadline time.Duration // for one read; default 3 s, or twice the probe's Conversion and a second
	Limits   *Limits       // nil: the role's

	// BackoffMax bounds the wait after errors in a row; default one minute,
	// never less than Every.
	BackoffMax time.Duration

	// Reopen makes the probe anew on a bus opened anew. It is called, once,
	// after HangsToReopen turns (default 3) have passed with a read hung. nil:
	// never.
	Reopen        func(context.Context) (Probe, error)
	HangsToReopen int

	// Now is the clock that staleness is judged by; default time.Now.
	Now func() time.Time

	Log *slog.Logger // nil: none
}

// Traits are what a driver knows of its probe beyond its readings. The zero value
// is of a probe of which nothing is known.
type Traits struct {
	Conversion time.Duration // how long one reading takes: its poller waits long enough
	StepK      float64       // of temperature; with Noisy for the stuck test
	Noisy      bool          // the chip's noise is many steps wide
}

// TraitsOf are a probe's own, where its driver says any.
func TraitsOf(p Probe) Traits {
	if t, ok := p.(interface{ Traits() Traits }); ok {
		return t.Traits()
	}
	return Traits{}
}

// Check returns every fault of the configuration, joined.
func (c PollerConfig) Check() error {
	var errs []error
	bad := func(format string, a ...any) {
		errs = append(errs, fmt.Errorf("probe %q: "+format, append([]any{c.ID}, a...)...))
	}
	if err := CheckID(c.ID); err != nil {
		errs = append(errs, err)
	}
	if c.Probe == nil {
		bad("no driver")
	}
	if c.Every < 0 || c.Stale < 0 || c.Deadline < 0 {
		bad("negative duration")
	}
	if c.Every > 0 && c.Stale > 0 && c.Stale < c.Every {
		bad("stale: %v is shorter than every: %v", c.Stale, c.Every)
	}
	if !knownRole(c.Role) {
		bad("role: %q is not air, panel, pot, outdoor or tent", c.Role)
	}
	return errors.Join(errs...)
}

func knownRole(r string) bool {
	switch r {
	case "", RoleAir, RolePanel, RolePot, RoleOutdoor, RoleTent:
		return true
	}
	return false
}

// Poller reads one probe for ever. Make it with [NewPoller] or [Set.Add].
type Poller struct {
	cfg     PollerConfig
	sink    func(Reading)
	witness Witness
	track   *track

	mu        sync.Mutex
	turns     int             // the read under way has this number
	busy      bool            // it has not come back
	late      bool            // its deadline has passed
	hung      int             // turns since then
	inRow     int             // errors in a row
	notUntil  time.Time       // backing off
	begun     time.Time       // the read under way
	deadline  *time.Timer     // of it, once it takes long
	reading   context.Context // of reads until one overruns its deadline; nil then
	giveUp    func()          // ends it
	abandoned int             // hung reads left behind
	stopped   bool
}

// NewPoller checks the configuration, fills its defaults and returns a poller
// that hands every believed reading to sink, one at a time. sink must not block:
// while it does, no reading is taken.
func NewPoller(c PollerConfig, sink func(Reading)) (*Poller, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	if c.Every == 0 {
		c.Every = DefaultEvery
	}
	if c.Stale == 0 {
		c.Stale = staleIntervals * c.Every
	}
	if c.Deadline == 0 {
		c.Deadline = max(DefaultDeadline, 2*TraitsOf(c.Probe).Conversion+time.Second)
	}
	if c.BackoffMax == 0 {
		c.BackoffMax = DefaultBackoffMax
	}
	c.BackoffMax = max(c.BackoffMax, c.Every)
	if c.HangsToReopen == 0 {
		c.HangsToReopen = hangsToReopen
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Log == nil {
		c.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	h := Health{
		Probe: c.ID, Name: c.Name, Driver: c.Driver, Bus: c.Bus, Role: c.Role, Panel: c.Panel,
		Every: c.Every, Stale: c.Stale, Accepted: true, Wired: true, Locked: c.Locked,
	}
	tr := newTrack(h, c.Limits, false, c.Now)
	if c.Limits == nil {
		if t := TraitsOf(c.Probe); t.StepK > 0 || t.Noisy {
			tr.base.ResolutionK, tr.base.Noisy = t.StepK, t.Noisy
		}
		tr.base.Gap = max(tr.base.Gap, c.Stale)
		tr.filter.SetLimits(tr.base)
	}
	return &Poller{cfg: c, sink: sink, track: tr}, nil
}

// Health returns what is known about the probe now. Safe for concurrent use.
func (p *Poller) Health() Health { return p.track.health() }

type outcome struct {
	r    Reading
	err  error
	made Probe // by Reopen
}

// Run reads the probe at once and then every interval of the monotonic clock,
// until ctx ends; its error is then ctx's. At most one read is under way: one
// that has overrun its deadline is given up for missing, and no other is
// started until it comes back or the probe was made anew.
func (p *Poller) Run(ctx context.Context) error {
	r := newRounds()
	r.add(p)
	return r.run(ctx)
}

// interval is the real time between two turns.
func (p *Poller) interval() time.Duration {
	return max(p.cfg.Every, time.Millisecond)
}

// turn reads the probe, unless errors have it wait or a read is still under
// way. It returns when the read does.
func (p *Poller) turn(ctx context.Context) {
	a, ok := p.begin(ctx)
	if ok {
		p.came(a.n, p.read(a))
	}
}

// attempt is one read: its number, of which probe, and whether on a bus opened
// anew.
type attempt struct {
	n      int
	ctx    context.Context
	probe  Probe
	reopen bool
}

// begin says whether this turn is to read, and how.
func (p *Poller) begin(ctx context.Context) (a attempt, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	switch {
	case p.stopped || ctx.Err() != nil:
		return a, false
	case !p.busy:
		if now.Before(p.notUntil) {
			return a, false
		}
	case p.late:
		p.hung++
		if p.hung < p.cfg.HangsToReopen || p.cfg.Reopen == nil || p.abandoned >= maxAbandoned {
			return a, false
		}
		p.abandoned++
		p.cfg.Log.Warn("read hangs, opening the probe anew", "probe", p.cfg.ID, "turns", p.hung)
		a.reopen = true
	default:
		p.arm() // in case limit came before the read began
		return a, false
	}
	p.turns++
	p.busy, p.late, p.hung, p.begun = true, false, 0, now
	if p.reading == nil {
		p.reading, p.giveUp = context.WithCancel(ctx)
	}
	a.n, a.ctx, a.probe = p.turns, p.reading, p.cfg.Probe
	return a, true
}

// limit has the read under way end at its deadline. It is called once a read
// takes long: most come back at once, and their deadline is never set.
func (p *Poller) limit() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.arm()
}

// arm is limit; p.mu is held.
func (p *Poller) arm() {
	if !p.busy || p.late || p.stopped {
		return
	}
	left := p.cfg.Deadline - time.Since(p.begun)
	if p.deadline == nil {
		p.deadline = time.AfterFunc(left, p.overrun)
	} else {
		p.deadline.Reset(left)
	}
}

// overrun books a read as missing whose deadline has passed, and ends its
// context.
func (p *Poller) overrun() {
	p.mu.Lock()
	defer p.mu.Unlock()
	// The timer may be that of the read before.
	if p.busy && !p.late && !p.stopped && time.Since(p.begun) >= p.cfg.Deadline {
		p.late = true
		p.giveUp()
		p.reading = nil
		p.failed(Fail(ErrTimeout, "within", Facts{"span": p.cfg.Deadline}))
	}
}

// came books what the read of that number brought.
func (p *Poller) came(n int, o outcome) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if n != p.turns { // one left behind came back after all
		p.abandoned--
		return
	}
	p.busy = false
	if p.deadline != nil {
		p.deadline.Stop()
	}
	if o.made != nil {
		p.cfg.Probe = o.made
	}
	switch {
	case p.stopped:
	case p.late: // booked as missing already, and its value is of an unknown moment
	case o.err != nil: // whatever came beside it is not a value
		p.failed(o.err)
	default:
		p.inRow, p.notUntil = 0, time.Time{}
		o.r.Probe = p.cfg.ID
		if o.r.At.IsZero() { // all but a mean, which is as old as its parts
			o.r.At = time.Now()
		}
		if err := p.track.judge(o.r, p.witness); err != nil {
			p.cfg.Log.Debug("reading not believed", "probe", p.cfg.ID, "err", err)
			return
		}
		p.sink(o.r)
	}
}

// stop ends the poller: no reading is handed on from here on.
func (p *Poller) stop() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stopped = true
	if p.deadline != nil {
		p.deadline.Stop()
	}
	if p.giveUp != nil {
		p.giveUp()
	}
}

// failed books an error, and has those in a row space the reads out; mu is held.
func (p *Poller) failed(err error) {
	if p.inRow++; p.inRow >= backoffFrom {
		real := p.interval()
		wait := real << min(p.inRow-backoffFrom+1, 16)
		if wait <= 0 || wait > p.cfg.BackoffMax {
			wait = p.cfg.BackoffMax
		}
		p.notUntil = time.Now().Add(wait - real/2) // half a turn early, so that the turn due then is not missed by a hair
	}
	p.note(err)
}

// read does one read. A panic in a driver is that probe's fault alone.
func (p *Poller) read(a attempt) (o outcome) {
	defer func() {
		if x := recover(); x != nil {
			o.r, o.err = Reading{}, Fail(nil, "panicked", Facts{"err": x})
		}
	}()
	if a.reopen {
		made, err := p.cfg.Reopen(a.ctx)
		if err != nil {
			o.err = Fail(nil, "passed", Facts{"err": err})
			return o
		}
		a.probe, o.made = made, made
	}
	o.r, o.err = a.probe.Read(a.ctx)
	return o
}

func (p *Poller) note(err error) {
	was := p.track.health().Why
	p.track.failed(err)
	if was == nil || err.Error() != was.Error() { // the same fault again is counted, not repeated
		p.cfg.Log.Warn("no reading", "probe", p.cfg.ID, "reason", Reason(err), "err", err)
	}
}
