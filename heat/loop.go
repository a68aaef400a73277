// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync"
	"time"

	"curewright/model/words"
	"curewright/sensors"
)

// LoopConfig is the configuration of a [Loop].
type LoopConfig struct {
	Section ConfigSection    // with defaults, checked
	Words   *words.Catalogue // language of the sentences; nil for English
	Output  Output
	// Probe returns what is known about a probe; it must not block.
	Probe func(id string) (sensors.Health, bool)
	Dir   string // of the two files
	// Limits are what a person accepts at the board, as
	// [ConfigSection.Limits] gives them; nil for those of Section without the
	// probes' wiring.
	Limits []string
	// Clock is the wall clock, and whether it is trusted. Only plans and the files
	// for a restart use it.
	Clock func() (time.Time, bool)
	// Profile is the latest plan of set points; nil for none ever.
	Profile func() (Profile, bool)
	Switch  func() bool // the wired switch says heat off; nil for none
	Journal Journal     // nil for none
	Log     *slog.Logger
}

// Loop runs a [Controller] with real probes, output and clock. Make it with
// [NewLoop]; its methods may be called from any goroutine.
type Loop struct {
	cfg  LoopConfig
	keep *keeper
	kick chan struct{}

	mu       sync.Mutex
	ctl      *Controller
	started  time.Time
	back     *onRecord // the last run's, until it is decided whether heat resumes
	resume   bool      // "resume after power cut" is ticked
	accepted []string  // limits that a person accepted at the board
	held     []Event   // for the journal once the latch is on disk
	seen     map[string]*seen
	output   string
	profile  bool // a plan is followed
	wall     time.Time
	mono     time.Time
	onAt     time.Time // last time known on, wall clock
	savedAt  time.Duration
	onWas    bool
	switched uint64
	lastAt   time.Duration
	onTotal  time.Duration
	whyWas   Reason
	byNext   string
	status   Status
	next     Status // of the last step, not shown until its latch is on disk
}

// seen is when a probe's latest accepted reading came in, by the monotonic clock: a
// wall clock that is set back does not make a reading look fresh.
type seen struct {
	taken uint64
	last  time.Time
	at    time.Time
}

// Status is the tent for pages, metrics and alerts.
type Status struct {
	Decision
	At            time.Time // wall
	Since         time.Time // of the last switching
	PanelC, AirC  sensors.Value
	LimitC        sensors.Value
	WishC         sensors.Value // set point that a person asked for, °C
	Planned       bool          // the set point comes from a plan
	OnTime        time.Duration // in the last 24 h
	OnTimeUnknown bool
	Solvent       time.Duration // how long it still keeps heat off
	Resume        bool          // ticked
	Switched      uint64
	OnTotal       time.Duration // since the start
	Lease         time.Duration
	Output        string // what is wrong with it
	StepNS        int64  // of the last step
}

// NewLoop reads the two files and returns a loop that is off. It returns an
// error for a section that does not pass its check.
func NewLoop(c LoopConfig) (*Loop, error) {
	if errs := c.Section.Check(nil); len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	if c.Section.Output == "" || c.Output == nil {
		return nil, errors.New("tent.output: none")
	}
	if c.Log == nil {
		c.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if c.Clock == nil {
		c.Clock = func() (time.Time, bool) { return time.Now(), true }
	}
	now, trusted := c.Clock()
	k := readKept(c.Words, c.Dir, now, trusted)
	for _, n := range k.notes {
		c.Log.Warn("heat", "record", n)
	}
	l := &Loop{
		cfg: c, keep: newKeeper(c.Words, c.Dir), kick: make(chan struct{}, 1),
		ctl: NewController(c.Section, k.latch, k.on), seen: map[string]*seen{}, started: time.Now(),
		resume: k.rec.Resume, accepted: k.limit,
	}
	l.ctl.lang = c.Words
	if l.cfg.Limits == nil {
		l.cfg.Limits = c.Section.Limits(nil)
	}
	if why := notAccepted(c.Words, l.accepted, l.cfg.Limits); why != "" {
		l.ctl.Refuse(why)
		c.Log.Warn("heat", "limits", why)
	}
	if k.rec.Solvent {
		// How much of the solvent's time had passed is unknown: it begins anew.
		l.ctl.UseSolvent(0)
	}
	if k.rec.WishC != nil {
		l.back = &k.rec
		l.ctl.unasked(Resuming, l.ctl.say("after_restart", nil))
	}
	l.status.Decision = Decision{Why: NotAsked, Say: l.ctl.say("starting", nil), Latched: k.latch != nil || l.ctl.refuse != ""}
	l.status.At, l.status.Since = now, now
	l.status.Lease = c.Output.Lease()
	return l, nil
}

// Run steps until ctx ends. The output is switched off before the first step
// and when Run returns, also by a panic.
func (l *Loop) Run(ctx context.Context) (err error) {
	done := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() { l.keep.run(done) })
	defer func() {
		// This runs during a panic too, which then continues.
		e := errors.Join(l.renew(false), l.cfg.Output.Close())
		l.stopped()
		close(done)
		wg.Wait()
		if err == nil {
			err = e
		}
	}()
	every := time.Duration(l.cfg.Section.Every)
	l.noteOutput(l.renew(false))
	tick := time.NewTicker(every)
	defer tick.Stop()
	var gone <-chan struct{} // nil, on which nothing ever arrives, for an output without Gone
	if o, ok := l.cfg.Output.(interface{ Gone() <-chan struct{} }); ok {
		gone = o.Gone()
	}
	for {
		l.Step()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		case <-l.kick:
		case <-gone: // the next step gets the output's error and acts on it
		}
	}
}

// renew renews the output's lease, waiting at most one interval of the loop.
func (l *Loop) renew(on bool) error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Duration(l.cfg.Section.Every))
	defer cancel()
	return l.cfg.Output.Renew(ctx, on)
}

func (l *Loop) noteOutput(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.output = ""
	if err != nil {
		l.output = err.Error()
	}
}

// Step reads the probes, decides and renews the lease, once. Run calls it, and so may
// a simulation.
func (l *Loop) Step() {
	d := l.decide()
	// The lease is renewed only here: a loop that hangs does not renew it.
	if err := l.renew(d.On); err != nil {
		l.noteOutput(err)
		if d.On {
			l.renew(false)
		}
		l.cfg.Log.Error("heat: output", "err", err)
	} else {
		l.noteOutput(nil)
	}
	l.tell()
}

// tell publishes the status of a step that latched. A latch is shown only once it is
// on disk, so that it can't vanish with the process; while the disk does not answer,
// the status is off by a fault.
func (l *Loop) tell() {
	l.mu.Lock()
	wait := len(l.held) > 0
	l.mu.Unlock()
	if !wait {
		return
	}
	l.keep.written(LatchFile, keepSoon)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.show(time.Since(l.started))
	for _, e := range l.held {
		l.note(e)
	}
	l.held = nil
}

// show publishes the step's status; mu is held.
func (l *Loop) show(at time.Duration) {
	l.status = l.next
	l.showWish(at) // a person may have asked for something since
}

// showWish publishes the set point asked for; mu is held.
func (l *Loop) showWish(at time.Duration) {
	l.status.WishC, l.status.Resume, l.status.Solvent = l.ctl.Wish(), l.resume, l.ctl.SolventLeft(at)
	l.status.Latched = l.latched()
}

// latched is the latch to be shown: one that is on disk, or one for limits that were
// not accepted.
func (l *Loop) latched() bool {
	return l.ctl.refuse != "" || l.ctl.Latched() != nil && !l.keep.waits(LatchFile)
}

func (l *Loop) decide() Decision {
	l.mu.Lock()
	defer l.mu.Unlock()
	t0 := time.Now()
	at := t0.Sub(l.started)
	now, trusted := l.cfg.Clock()

	in := Input{At: at, Output: l.output, Records: l.keep.trouble()}
	in.Control = l.sense(l.cfg.Section.Control)
	in.Limit = l.sense(l.cfg.Section.Limit)
	in.Air = in.Limit
	if l.cfg.Section.Air != l.cfg.Section.Limit {
		in.Air = l.sense(l.cfg.Section.Air)
	}
	if l.cfg.Section.Shed != "" {
		in.Shed = l.sense(l.cfg.Section.Shed)
	} else {
		in.Shed.Doubt = ProbeMissing
	}
	in.SwitchOff = l.cfg.Switch != nil && l.cfg.Switch()
	l.profile = false
	if l.cfg.Profile != nil {
		if p, ok := l.cfg.Profile(); ok {
			if !trusted {
				in.ClockDoubt = true
			} else if c, ok := p.At(now); ok {
				in.ProfileC, l.profile = sensors.Some(c), true
			}
		}
	}
	if !l.wall.IsZero() {
		// The wall clock and the monotonic clock advanced by different times: it was
		// set.
		if step := now.Round(0).Sub(l.wall) - t0.Sub(l.mono); step > time.Minute || step < -time.Minute {
			in.ClockDoubt = true
		}
	}
	l.wall, l.mono = now.Round(0), t0
	l.decideBack(at, now, trusted)

	latchedWas := l.ctl.Latched()
	d := l.ctl.Step(in)
	l.book(d, in, at, now, trusted, latchedWas)
	l.next.StepNS = time.Since(t0).Nanoseconds()
	if len(l.held) == 0 {
		l.show(at)
	}
	return d
}

// decideBack decides whether heat resumes by itself after a restart.
func (l *Loop) decideBack(at time.Duration, now time.Time, trusted bool) {
	b := l.back
	if b == nil {
		return
	}
	no := func(code string) {
		l.back = nil
		l.ctl.unasked(PowerCut, l.ctl.say("cut.off", words.Facts{"temp": words.Tenth(*b.WishC), "why": words.Known("heat.cut."+code, code)}))
	}
	switch {
	case !b.Resume:
		no("not_ticked")
	case l.ctl.Latched() != nil:
		no("latched")
	case b.OnAt == nil:
		no("not_on")
	case !trusted && at > resumeSound:
		no("clock")
	case !trusted:
	case !b.Trusted:
		no("clock_before")
	case now.Sub(*b.OnAt) > ResumeMemory || now.Before(*b.OnAt):
		no("long_ago")
	default:
		l.back = nil
		if err := l.ctl.Resume(*b.WishC, at); err != nil {
			l.back = b
			no(err.Error())
		}
	}
}

// doubts maps a probe's state to the heater's doubt; any other state is missing.
var doubts = map[string]Reason{"ok": "", "stuck": ProbeStuck, "implausible": ProbeImplausible, "stale": ProbeStale}

// sense reads one probe and judges whether it is sound.
func (l *Loop) sense(id string) Sense {
	s := Sense{ID: id}
	h, ok := l.cfg.Probe(id)
	if !ok {
		s.Doubt = ProbeMissing
		return s
	}
	s.Wired, s.Why = h.Wired, h.Why
	now := time.Now()
	m := l.seen[id]
	if m == nil {
		// A reading from before the start has an unknown age.
		m = &seen{taken: h.Taken, last: h.LastAt}
		l.seen[id] = m
	} else if h.Taken != m.taken && !h.LastAt.Equal(m.last) {
		m.at = now
	}
	m.taken, m.last = h.Taken, h.LastAt
	if s.Doubt, ok = doubts[h.State]; !ok {
		s.Doubt = ProbeMissing
	}
	if s.Doubt == "" && (m.at.IsZero() || now.Sub(m.at) > h.Stale) {
		s.Doubt = ProbeStale
	}
	if s.Doubt == "" {
		s.TempC, s.RH, s.Why = h.Last.Temp, h.Last.RH, nil
	}
	return s
}

// book hands latch and on-time to the keeper and changes to the journal.
func (l *Loop) book(d Decision, in Input, at time.Duration, now time.Time, trusted bool, latchedWas *Latch) {
	if d.On {
		l.onAt = now
	}
	if l.onWas {
		l.onTotal += at - l.lastAt
	}
	l.lastAt = at
	by := l.byNext
	l.byNext = ""
	if d.On != l.onWas {
		l.switched++
	}
	if d.On != l.onWas || d.Why != l.whyWas && (d.Why.Fault() || l.whyWas.Fault()) {
		e := Event{At: now, On: d.On, Why: d.Why, Text: l.ctl.text("log."+OnOff(d.On), words.Facts{"why": d.Say}), By: by}
		if x := l.ctl.Latched(); x != latchedWas && x != nil {
			l.held = append(l.held, e)
		} else {
			l.note(e)
		}
	}
	if x := l.ctl.Latched(); x != latchedWas && x != nil {
		l.saveLatch()
	}
	// Also while off: a card that can't be written is found before heat is on.
	if d.On != l.onWas || at-l.savedAt >= onSave || l.savedAt == 0 {
		l.saveOn(now, trusted, at)
	}
	l.onWas, l.whyWas = d.On, d.Why
	since := now.Add(-(at - l.ctl.Since()))
	l.next = Status{
		Decision: d, At: now, Since: since, PanelC: in.Control.TempC, AirC: in.Air.TempC, LimitC: in.Limit.TempC,
		WishC: l.ctl.Wish(), Planned: l.profile && l.ctl.Wish().OK(), OnTime: l.ctl.OnTime().Total(), OnTimeUnknown: l.ctl.OnTime().Unknown,
		Solvent: l.ctl.SolventLeft(at), Resume: l.resume, Switched: l.switched, OnTotal: l.onTotal, Lease: l.cfg.Output.Lease(), Output: l.output,
	}
}

// OnOff returns "on" or "off".
func OnOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

func (l *Loop) note(e Event) {
	if l.cfg.Journal != nil {
		l.cfg.Journal.Note(e)
	}
}

// noteBy writes a person's action to the journal; its text is the message
// "heat.log." + code.
func (l *Loop) noteBy(by string, why Reason, code string, facts words.Facts) {
	now, _ := l.cfg.Clock()
	l.note(Event{At: now, Why: why, Text: l.ctl.text("log."+code, facts), By: by})
}

func (l *Loop) saveLatch() {
	now, _ := l.cfg.Clock()
	r := latchRecord{At: now, Accepted: l.accepted}
	if x := l.ctl.Latched(); x != nil {
		r.Latched, r.Why, r.Say, r.Parts = true, x.Why, x.Say.String(), x.Say
	}
	l.keep.put(LatchFile, r)
}

func (l *Loop) saveOn(now time.Time, trusted bool, at time.Duration) {
	o := l.ctl.OnTime()
	if o.Unknown {
		return // unknown on-time counts as the limit until a day has passed
	}
	r := onRecord{IntoS: o.Into.Seconds(), SavedAt: now, Trusted: trusted, On: l.ctl.on, WishC: l.ctl.Wish().Ptr(), Resume: l.resume, Solvent: l.ctl.SolventLeft(at) > 0}
	for i, h := range o.Hours {
		r.HoursS[i] = h.Seconds()
	}
	if !l.onAt.IsZero() {
		r.OnAt = new(l.onAt)
	} else if l.back != nil {
		r.OnAt = l.back.OnAt
	}
	if l.back != nil && r.WishC == nil {
		r.WishC = l.back.WishC
	}
	l.keep.put(OnTimeFile, r)
	l.savedAt = at
}

// stopped writes the loop's end to the journal.
func (l *Loop) stopped() {
	l.mu.Lock()
	defer l.mu.Unlock()
	now, trusted := l.cfg.Clock()
	if l.onWas {
		l.note(Event{At: now, Why: Stopped, Text: l.ctl.text("log.stops", nil)})
	}
	l.ctl.on = false
	l.saveOn(now, trusted, time.Since(l.started))
	l.status.Decision = Decision{Why: Stopped, Say: l.ctl.say("stopped", nil), Latched: l.ctl.Latched() != nil || l.ctl.refuse != ""}
}

// person applies a person's change and makes the loop step at once.
func (l *Loop) person(by string, f func(at time.Duration) error) error {
	l.mu.Lock()
	at := time.Since(l.started)
	err := f(at)
	if err == nil {
		l.byNext = by
		now, trusted := l.cfg.Clock()
		l.saveOn(now, trusted, at)
		// The new set point is shown at once; the heater follows with the step that
		// is made now.
		l.showWish(at)
		if !l.profile || !l.status.WishC.OK() {
			l.status.AimC = l.status.WishC
		}
	}
	l.mu.Unlock()
	select {
	case l.kick <- struct{}{}:
	default:
	}
	return err
}

// Hold asks for a set point, °C, within the configured range.
func (l *Loop) Hold(by string, setC float64) error {
	return l.person(by, func(time.Duration) error {
		if err := l.ctl.Hold(setC); err != nil {
			return err
		}
		l.back = nil
		now, _ := l.cfg.Clock()
		l.note(Event{At: now, On: l.onWas, Why: l.whyWas, Text: l.ctl.text("log.held", words.Facts{"temp": words.Tenth(setC)}), By: by})
		return nil
	})
}

// Off switches off until a person asks for heat again.
func (l *Loop) Off(by, why string) {
	l.person(by, func(time.Duration) error {
		l.back = nil
		l.ctl.Off(ByHand, why)
		l.noteBy(by, ByHand, "off", words.Facts{"why": why})
		return nil
	})
}

// UseSolvent keeps heat off for 30 minutes.
func (l *Loop) UseSolvent(by string) {
	l.person(by, func(at time.Duration) error {
		l.ctl.UseSolvent(at)
		l.noteBy(by, Solvent, "off", words.Facts{"why": words.Code("heat.solvent_used")})
		return nil
	})
}

// Release clears a latch on behalf of a person who has looked at the heater.
func (l *Loop) Release(by string) error {
	return l.person(by, func(time.Duration) error {
		x := l.ctl.Latched()
		if x == nil && l.ctl.refuse != "" {
			return errors.New(l.ctl.refuse)
		}
		if x == nil {
			return errors.New("nothing is latched")
		}
		l.ctl.Release()
		l.back = nil
		l.saveLatch()
		l.noteBy(by, NotAsked, "released", words.Facts{"why": x.Say})
		return nil
	})
}

// SetResume ticks or unticks "resume after power cut".
func (l *Loop) SetResume(by string, on bool) {
	l.person(by, func(time.Duration) error { l.resume = on; return nil })
}

// Status is the tent after the last step.
func (l *Loop) Status() Status {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.status
}
