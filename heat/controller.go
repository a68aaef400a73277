// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"errors"
	"fmt"
	"math"
	"time"

	"curewright/sensors"
)

// Input is all that a step goes by.
type Input struct {
	At time.Duration // monotonic, since any fixed moment; never falls

	Control, Limit, Air Sense
	Shed                Sense // around the tent; only used where sound

	// ProfileC is the set point of a plan now, missing where there is none or
	// it is stale: then the plain hold counts.
	ProfileC sensors.Value
	// ClockDoubt says that the wall clock stepped or is not trusted although a
	// plan goes by it.
	ClockDoubt bool
	SwitchOff  bool   // the wired switch
	Output     string // what is wrong with the output, "" while it obeys
	Records    string // why latch or on-time cannot be kept, "" while they can
}

// Decision is what a step says.
type Decision struct {
	On      bool
	Why     Reason
	Say     string // a sentence without its stop
	Latched bool
	Share   float64       // of full heat asked for, 0 to 1
	SetC    sensors.Value // where the set point's ramp stands; missing when not held
	AimC    sensors.Value // what is asked for in the end
	DewC    sensors.Value // dew point of the tent's air
	MarginK sensors.Value // panel above it
}

// Latch is a fault that wants a person.
type Latch struct {
	Why Reason
	Say string
}

// Controller decides step by step whether the heater is on. It has no clock
// and does no input or output; one goroutine uses it.
type Controller struct {
	cfg ConfigSection
	pi  PI
	two TwoPoint
	pro proportion

	wish   *float64 // the plain hold, nil when nobody wants heat
	offWhy Reason   // why nobody wants it
	offSay string

	latch  *Latch
	refuse string // why the limits do not count as accepted, "" if they do
	everOn bool   // since the start
	onTime onTime

	begun       bool
	at          time.Duration // of the last step
	on          bool
	since       time.Duration // of the last switching
	last        Decision
	soundAt     time.Duration // all probes sound since
	sound       bool
	apartAt     time.Duration // control and limit apart since
	apart       bool
	restTo      time.Duration // no heat before this
	restWhy     Reason
	solventTo   time.Duration
	solvent     bool
	resume      *float64 // set point to come back to by itself
	resumeTo    time.Duration
	rampC       float64 // where the set point's ramp stands
	ramping     bool
	airOn       float64       // lowest air since the heater was switched on
	effect      bool          // the air has risen by effectK since then
	shown       bool          // it has risen by shownK in this turn or soon after it
	turnOn      time.Duration // how long this turn has been on
	turnOpen    bool          // it is on, or went off only just
	fruitless   time.Duration // time on in turns that showed nothing
	trace       trace         // the air's last half hour
	marginAt    time.Duration
	marginK     float64 // margin at the start of this dew period
	marginSlope float64 // its change over the last one
	marginBegun bool
	slopeKnown  bool
	onInPeriod  bool
	dewStop     bool // heat took the panel towards the dew point
	dewStopAt   time.Duration
	dewStopK    float64
}

// NewController returns a controller that is off. cfg must have its defaults
// and be checked. latch is what the last run left, nil for none; on is its
// on-time.
func NewController(cfg ConfigSection, latch *Latch, on OnTime) *Controller {
	c := &Controller{cfg: cfg, latch: latch, onTime: on.build(), offWhy: NotAsked}
	c.pi = PI{Kp: cfg.Kp, TiS: time.Duration(cfg.Ti).Seconds()}
	c.two = TwoPoint{BandK: cfg.BandK}
	c.pro = proportion{window: time.Duration(cfg.Window), minOn: time.Duration(cfg.MinOn), minOff: time.Duration(cfg.MinOff)}
	return c
}

// Hold asks for a set point, °C. It is refused outside the file's span and
// while a latch stands.
func (c *Controller) Hold(setC float64) error {
	lo, hi := *c.cfg.MinSetC, *c.cfg.MaxSetC
	if !(setC >= lo && setC <= hi) {
		return fmt.Errorf("%g °C is outside %g to %g, which the configuration file allows", setC, lo, hi)
	}
	if c.latch != nil {
		return fmt.Errorf("off by safety (%s): look at the tent, then release it", c.latch.Say)
	}
	if c.refuse != "" {
		return errors.New(c.refuse)
	}
	if c.wish == nil {
		c.fresh()
	}
	c.wish, c.resume = &setC, nil
	return nil
}

// SetAccepted says whether a person has accepted the limits at the board, and
// if not why. Without it there is no heat, and no release brings it; a new
// controller counts as accepted.
func (c *Controller) SetAccepted(ok bool, why string) {
	c.refuse = ""
	if !ok {
		c.refuse = why
		if c.refuse == "" {
			c.refuse = "the limits are not accepted at the board"
		}
	}
}

// fresh makes the law begin anew.
func (c *Controller) fresh() {
	c.pi.Reset()
	c.two.Reset()
	c.pro.step(0, 0)
	c.ramping, c.marginBegun, c.slopeKnown = false, false, false
}

// Off is a person's: no heat until a person asks for it again. It never fails.
func (c *Controller) Off(why Reason, say string) {
	c.wish, c.resume = nil, nil
	c.offWhy, c.offSay = why, say
}

// UseSolvent keeps heat off for [SolventRest] from the given moment.
func (c *Controller) UseSolvent(at time.Duration) {
	c.solventTo, c.solvent = at+SolventRest, true
}

// SolventLeft is how long solvent still keeps heat off, 0 for not.
func (c *Controller) SolventLeft(at time.Duration) time.Duration {
	if !c.solvent {
		return 0
	}
	return max(c.solventTo-at, 0)
}

// Release takes back a latch, as a person who looked. Heat stays off until it
// is asked for again.
func (c *Controller) Release() {
	c.latch = nil
	c.Off(NotAsked, "released; nobody has asked for heat since")
	c.trace = trace{}
	c.fruitless, c.turnOpen = 0, false
}

// Resume makes the controller come back to a set point by itself once every
// probe has been sound for five minutes, as after a power cut.
func (c *Controller) Resume(setC float64, at time.Duration) error {
	if err := c.Hold(setC); err != nil {
		return err
	}
	c.resume, c.resumeTo = c.wish, at+resumeWithin
	return nil
}

// Latched returns the fault that wants a person, nil for none.
func (c *Controller) Latched() *Latch { return c.latch }

// Wish is the plain hold, missing when nobody wants heat.
func (c *Controller) Wish() sensors.Value { return sensors.FromPtr(c.wish) }

// OnTime is the heater's on-time in the last 24 h.
func (c *Controller) OnTime() OnTime { return c.onTime.export() }

// Last is the last step's decision.
func (c *Controller) Last() Decision { return c.last }

// Since is when the heater was last switched.
func (c *Controller) Since() time.Duration { return c.since }

// Step decides.
func (c *Controller) Step(in Input) Decision {
	dt := in.At - c.at
	if !c.begun {
		c.begun, dt, c.since = true, 0, in.At
	}
	late := dt > 3*time.Duration(c.cfg.Every)+time.Duration(c.cfg.Every)/2
	back := dt < 0
	if back {
		dt = 0
	}
	// What was on since the last step counts, but not beyond the lease: the
	// output has gone off by then.
	c.onTime.advance(dt)
	if c.on {
		c.onTime.add(min(dt, time.Duration(c.cfg.Lease)))
	}
	c.at = in.At

	d := c.decide(in, dt, late, back)
	if d.Why == NotAccepted {
		// It lasts by itself, until somebody accepts.
		d.Latched = true
	} else if d.Why.Latches() && c.latch == nil {
		c.latch = &Latch{Why: d.Why, Say: d.Say}
		d.Latched = true
	}
	if d.On != c.on {
		c.on, c.since = d.On, in.At
		if d.On {
			c.everOn = true
			c.closeTurn()
			c.effect, c.shown, c.turnOn, c.turnOpen = false, false, 0, true
			if a, ok := in.Air.c(); ok {
				c.airOn = a
			}
		}
	}
	if !d.On && d.Why.Fault() {
		c.fresh()
	}
	c.last = d
	return d
}

func off(why Reason, format string, a ...any) Decision {
	return Decision{Why: why, Say: fmt.Sprintf(format, a...)}
}

func (c *Controller) decide(in Input, dt time.Duration, late, back bool) Decision {
	c.follow(in, dt)
	d, isFault := c.fault(in, late, back)
	if !isFault {
		d = c.allowed(in, dt)
	}
	d.Latched = c.latch != nil || c.refuse != ""
	d.AimC = c.aim(in)
	dew, margin := c.dew(in)
	d.DewC, d.MarginK = dew, margin
	return d
}

// aim is what is asked for, missing when nobody wants heat.
func (c *Controller) aim(in Input) sensors.Value {
	if c.wish == nil {
		return sensors.Value{}
	}
	if p, ok := in.ProfileC.Get(); ok && !in.ClockDoubt {
		return sensors.Some(math.Max(*c.cfg.MinSetC, math.Min(p, *c.cfg.MaxSetC)))
	}
	return sensors.FromPtr(c.wish)
}

// follow keeps what the guards remember.
func (c *Controller) follow(in Input, dt time.Duration) {
	air, ok := in.Air.c()
	if !ok {
		c.trace = trace{}
		return
	}
	shed, okShed := in.Shed.c()
	c.trace.put(in.At, air, shed, okShed)
	if !c.turnOpen {
		return
	}
	if c.on {
		c.turnOn = in.At - c.since
		// It may still fall before the element is warm.
		c.airOn = math.Min(c.airOn, air)
	}
	c.effect = c.effect || air >= c.airOn+effectK
	c.shown = c.shown || air >= c.airOn+shownK
	if !c.on && in.At-c.since >= afterHeat {
		c.closeTurn()
	}
}

// closeTurn adds up heat that showed nothing. A short turn says nothing either
// way.
func (c *Controller) closeTurn() {
	switch {
	case !c.turnOpen || c.turnOn < minTurn:
	case c.shown:
		c.fruitless = 0
	default:
		c.fruitless += c.turnOn
	}
	c.turnOpen = false
}

// fault is the guards, the worst first.
func (c *Controller) fault(in Input, late, back bool) (Decision, bool) {
	// Over-temperature is looked for even while something else is wrong.
	for _, x := range []struct {
		s    Sense
		max  float64
		what string
	}{
		{in.Air, *c.cfg.MaxAirC, "the air"}, {in.Control, *c.cfg.MaxPanelC, "the panel"}, {in.Limit, *c.cfg.LimitC, "the limit probe"},
	} {
		if t, ok := x.s.c(); ok && t >= x.max && (c.latch == nil || c.latch.Why == LatchUnknown) {
			d := off(OverTemperature, "%s reached %.1f °C, its limit is %g", x.what, t, x.max)
			c.latch = &Latch{Why: d.Why, Say: d.Say}
			c.sound = false
			return d, true
		}
	}
	if c.latch != nil {
		c.sound = c.sound && c.soundNow(in) == ""
		return off(c.latch.Why, "%s", c.latch.Say), true
	}
	if c.refuse != "" {
		c.sound = false
		return off(NotAccepted, "%s", c.refuse), true
	}
	if in.Output != "" && !c.everOn {
		// A broker that starts later than we do is no reason to wake anybody.
		c.sound = false
		return off(OutputWaiting, "the heater's output is not ready: %s", in.Output), true
	}
	if in.Output != "" {
		return off(OutputFault, "the heater's output does not obey: %s; unplug the heater", in.Output), true
	}
	if back {
		c.rest(in.At, clockRest, ClockDoubt)
		return off(ClockDoubt, "the monotonic clock ran backwards"), true
	}
	if late {
		c.sound = false
		return off(LoopLate, "the control loop was late"), true
	}
	if in.Records != "" {
		return off(Records, "its record cannot be kept: %s", in.Records), true
	}
	if why := c.soundNow(in); why != "" {
		c.sound = false
		s := c.firstDoubt(in)
		say := s.Say
		if say == "" {
			say = words[why]
		}
		return off(why, "probe %s: %s", s.ID, say), true
	}
	if !c.sound {
		c.sound, c.soundAt = true, in.At
	}
	if d, bad := c.disagree(in); bad {
		return d, true
	}
	if in.ClockDoubt {
		// Off at once; later the plain hold may go on without the wall clock.
		if c.restWhy != ClockDoubt {
			c.rest(in.At, clockRest, ClockDoubt)
		}
	} else if c.restWhy == ClockDoubt && in.At >= c.restTo {
		c.restWhy = ""
	}
	if c.restWhy == ClockDoubt && in.At < c.restTo {
		return off(ClockDoubt, "the clock is in doubt"), true
	}
	if d, bad := c.effects(in); bad {
		return d, true
	}
	if c.onTime.over(time.Duration(c.cfg.MaxOnHours * float64(time.Hour))) {
		if c.onTime.unknown {
			return off(OnTimeLimit, "how long the heater was on in the last 24 h is not known, which counts as its limit"), true
		}
		return off(OnTimeLimit, "the heater was on for %.1f h in the last 24, its limit", c.onTime.total().Hours()), true
	}
	return Decision{}, false
}

func (c *Controller) rest(at, d time.Duration, why Reason) { c.restTo, c.restWhy = at+d, why }

var words = map[Reason]string{
	ProbeMissing: "no reading", ProbeStale: "its last reading is too old", ProbeStuck: "stuck at one value",
	ProbeImplausible: "not plausible", ProbeNotWired: "not wired to this board",
}

func (c *Controller) soundNow(in Input) Reason { return c.firstDoubt(in).Doubt }

// firstDoubt is the first of the probes used that is not sound.
func (c *Controller) firstDoubt(in Input) Sense {
	for i, s := range []Sense{in.Control, in.Limit, in.Air} {
		pushedMay := c.cfg.AllowPushedControl && i != 1
		if s.Doubt == "" && !s.Wired && !pushedMay {
			s.Doubt = ProbeNotWired
		}
		if _, ok := s.TempC.Get(); s.Doubt == "" && !ok {
			s.Doubt = ProbeMissing
		}
		if s.Doubt != "" {
			return s
		}
	}
	return Sense{}
}

func (c *Controller) disagree(in Input) (Decision, bool) {
	p, _ := in.Control.c()
	l, _ := in.Limit.c()
	a, _ := in.Air.c()
	what, k := "", 0.0
	if math.Abs(p-l) > c.cfg.DisagreeK {
		what, k = "the control and the limit probe", math.Abs(p-l)
	} else if in.Air.ID != in.Limit.ID && math.Abs(p-a) > c.cfg.DisagreeK {
		what, k = "the control and the air probe", math.Abs(p-a)
	}
	if what == "" {
		c.apart = false
		return Decision{}, false
	}
	if !c.apart {
		c.apart, c.apartAt = true, in.At
	}
	if in.At-c.apartAt < disagreeFor {
		return Decision{}, false
	}
	c.sound = false
	return off(ProbesDisagree, "%s are %.0f K apart", what, k), true
}

// effects looks for a heater that does not do what it is told.
func (c *Controller) effects(in Input) (Decision, bool) {
	air, _ := in.Air.c()
	lasted := in.At - c.since
	if c.on {
		if !c.effect && lasted >= time.Duration(c.cfg.EffectAfter) {
			return off(NoEffect, "the heater has been on for %.0f min and the air has not risen by %g K", lasted.Minutes(), effectK), true
		}
		if sum := c.fruitless + lasted; !c.shown && sum >= time.Duration(c.cfg.EffectAfter) {
			return off(NoEffect, "the heater has been on for %.0f min in all and the air did not follow", sum.Minutes()), true
		}
		if lasted >= coolIn {
			if hi, ok := c.trace.highest(in.At - coolIn); ok && air <= hi-coolK {
				return off(NoEffect, "the heater is on and the air fell by %.1f K within %.0f min: a door is open or the heater is dead", hi-air, coolIn.Minutes()), true
			}
		}
		return Decision{}, false
	}
	if lasted >= offRest+riseIn && c.trace.span(in.At) >= riseIn {
		if k, alone, ok := c.trace.rise(in.At-riseIn, in.At); ok {
			need := riseK
			if alone {
				need = riseAlone
			}
			if k >= need {
				return off(RisingWhileOff, "the heater is switched off and the air rose by %.1f K within %.0f min: a relay may be stuck; unplug the heater", k, riseIn.Minutes()), true
			}
		}
	}
	return Decision{}, false
}

// allowed is the rest: whether heat is wanted, and how much.
func (c *Controller) allowed(in Input, dt time.Duration) Decision {
	switch {
	case in.SwitchOff:
		c.Off(Switch, "the switch says heat off")
		return off(Switch, "the switch says heat off")
	case c.solvent && in.At < c.solventTo:
		return off(Solvent, "solvent in use: off for another %.0f min", math.Ceil((c.solventTo - in.At).Minutes()))
	case c.wish == nil:
		say := c.offSay
		if say == "" {
			say = "nobody has asked for heat"
		}
		return off(c.offWhy, "%s", say)
	}
	c.solvent = false
	if c.resume != nil {
		if in.At-c.soundAt < resumeSound {
			if in.At > c.resumeTo {
				c.Off(PowerCut, "the probes were not sound for 5 minutes after the power cut")
				return off(PowerCut, "%s", c.offSay)
			}
			return off(Resuming, "after the power cut: the probes must be sound for 5 minutes first")
		}
		c.resume = nil
	}
	if in.At-c.soundAt < soundFor {
		return off(Settling, "the probes must be sound for a minute first")
	}
	return c.law(in, dt)
}

// law is the heat that the set point wants under the soft limits.
func (c *Controller) law(in Input, dt time.Duration) Decision {
	panel, _ := in.Control.c()
	air, _ := in.Air.c()
	limit, _ := in.Limit.c()
	aim, _ := c.aim(in).Get()

	// The set point starts where the panel is and rises no faster than the
	// ramp; it waits for a panel that cannot follow.
	if !c.ramping {
		c.rampC, c.ramping = math.Min(panel, aim), true
	}
	c.rampC = math.Min(aim, c.rampC+c.cfg.RampKH*dt.Hours())
	c.rampC = math.Min(c.rampC, panel+5)

	room, why := 1.0, Resting
	less := func(share float64, r Reason) {
		if share < room {
			room, why = math.Max(share, 0), r
		}
	}
	less((*c.cfg.MaxAirC-c.cfg.AirMarginK-air)/2, AirLimit)
	less((*c.cfg.LimitC-2-limit)/2, AirLimit)
	less((*c.cfg.MaxPanelC-1-panel)/1, WarmEnough)
	less((c.cfg.MaxLeadK-(air-panel))/2, LeadLimit)
	if !in.Control.Wired {
		less((c.rampC+c.cfg.PushedLeadK-limit)/2, PushedBound)
	}
	less(c.dewRoom(in, dt), DewGuard)

	err := c.rampC - panel
	var u float64
	if c.cfg.Law == "two-point" {
		u = math.Min(c.two.Step(err), room)
	} else {
		u = c.pi.Step(err, dt.Seconds(), room)
	}
	on := c.pro.step(in.At, u)
	// The relay's rest: soft reasons wait for it, limits and faults do not.
	switch lasted := in.At - c.since; {
	case on && !c.on && lasted < time.Duration(c.cfg.MinOff):
		on = false
	case !on && c.on && lasted < time.Duration(c.cfg.MinOn) && room > 0 && u > 0:
		on = true
	}
	d := Decision{On: on, Share: u, SetC: sensors.Some(c.rampC)}
	switch {
	case on:
		d.Why, d.Say = Warming, fmt.Sprintf("warming the panel to %.1f °C", c.rampC)
	case room == 0:
		d.Why, d.Say = why, softWords[why]
	case err <= 0:
		d.Why, d.Say = WarmEnough, "the panel is warm enough"
	default:
		d.Why, d.Say = Resting, "resting in its cycle"
	}
	return d
}

var softWords = map[Reason]string{
	AirLimit: "the air is as warm as it may get; the panel follows", LeadLimit: "the panel has to catch up with the air",
	DewGuard: "warming would bring the panel to the dew point", PushedBound: "the wired probe is as warm as a pushed one may ask for",
	WarmEnough: "the panel is near its limit",
}

// dew is the dew point of the tent's air and the panel's margin over it.
func (c *Controller) dew(in Input) (dew, margin sensors.Value) {
	t, ok := in.Air.c()
	rh, okRH := in.Air.RH.Get()
	if !ok || !okRH {
		return
	}
	dew = sensors.Some(dewPoint(t, rh))
	if d, ok := dew.Get(); ok {
		if p, ok := in.Control.c(); ok {
			margin = sensors.Some(p - d)
		}
	}
	return
}

// Warming slowly near the dew point: the period over which the margin is
// judged, and the share of heat that is kept so that a wet panel dries.
const (
	dewPeriod = 10 * time.Minute
	dewSlow   = .2
	// Once stopped, heat waits for this much more margin, or is tried again.
	dewGain  = .7
	dewRetry = 2 * time.Hour
)

// dewRoom is the share of heat that the dew margin leaves. Heat drives water
// out of timber and cloth into the air before the panel is warm: near the dew
// point it is throttled, and where the margin shrinks under heat and would be
// gone within a period it stops.
func (c *Controller) dewRoom(in Input, dt time.Duration) float64 {
	if !(c.cfg.DewMarginK > 0) {
		return 1
	}
	_, m := c.dew(in)
	margin, ok := m.Get()
	if !ok {
		// No humidity: half heat, since nobody can tell.
		c.marginBegun, c.slopeKnown = false, false
		return .5
	}
	c.onInPeriod = c.onInPeriod || c.on
	if !c.marginBegun {
		c.marginBegun, c.marginAt, c.marginK, c.onInPeriod = true, in.At, margin, c.on
	} else if in.At-c.marginAt >= dewPeriod {
		c.marginSlope, c.slopeKnown = margin-c.marginK, c.onInPeriod
		c.marginAt, c.marginK, c.onInPeriod = in.At, margin, c.on
	}
	falling := c.slopeKnown && c.marginSlope < -.1 && margin+c.marginSlope <= 0
	fell := c.onInPeriod && margin < c.marginK-.2 && margin <= .3
	switch {
	case falling || fell:
		c.dewStop, c.dewStopAt, c.dewStopK = true, in.At, margin
	case c.dewStop && (margin >= c.dewStopK+dewGain || in.At-c.dewStopAt >= dewRetry && margin > .3):
		c.dewStop = false
	}
	if c.dewStop {
		return 0
	}
	return math.Max(dewSlow, math.Min(margin/c.cfg.DewMarginK, 1))
}
