// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"errors"
	"fmt"
	"math"
	"time"

	"curewright/model/words"
	"curewright/sensors"
)

// Input is everything that a step's decision depends on.
type Input struct {
	At time.Duration // monotonic time since any fixed moment; never decreases

	Control, Limit, Air Sense
	Shed                Sense // outside the tent; used only while it is sound

	// ProfileC is the plan's set point now, missing where there is no plan or
	// it is stale: then the plain set point (Hold) applies.
	ProfileC sensors.Value
	// ClockDoubt says that a plan is followed although the wall clock stepped or
	// is not trusted.
	ClockDoubt bool
	SwitchOff  bool   // the wired switch is open
	Output     string // what is wrong with the output, "" for nothing
	Records    string // why latch or on-time can't be saved, "" while they can
}

// Decision is a step's result.
type Decision struct {
	On      bool
	Why     Reason
	Say     words.Sentence // without its full stop
	Latched bool
	Share   float64       // of full heat asked for, 0 to 1
	SetC    sensors.Value // set point on the ramp now; missing while nothing is held
	AimC    sensors.Value // set point at the end of the ramp
	DewC    sensors.Value // dew point of the tent's air
	MarginK sensors.Value // panel's temperature above it, K
}

// Latch is a fault that keeps heat off until a person releases it.
type Latch struct {
	Why Reason
	Say words.Sentence
}

// Controller decides step by step whether the heater is on. It has no clock
// and does no input or output; one goroutine uses it.
type Controller struct {
	cfg  ConfigSection
	lang *words.Catalogue // language of the sentences; nil for English
	pi   PI
	two  TwoPoint
	pro  proportion

	wish   *float64 // set point that a person asked for, nil for no heat
	offWhy Reason   // why wish is nil
	offSay words.Sentence

	latch  *Latch
	refuse string // why the limits do not count as accepted, "" if they do
	everOn bool   // the heater was on since the start
	onTime OnTime

	begun       bool
	at          time.Duration // of the last step
	on          bool
	since       time.Duration // of the last switching
	last        Decision
	soundAt     time.Duration // since when all probes are sound
	sound       bool
	apartAt     time.Duration // since when control and limit probe disagree
	apart       bool
	restTo      time.Duration // no heat before this
	restWhy     Reason
	solventTo   time.Duration
	solvent     bool
	resume      *float64 // set point to resume after a power cut, nil for none
	resumeTo    time.Duration
	rampC       float64 // set point on the ramp, °C
	ramping     bool
	airOn       float64       // lowest air temperature since the heater was switched on, °C
	effect      bool          // the air has risen by effectK since then
	shown       bool          // it has risen by shownK during this on-period or soon after
	turnOn      time.Duration // on-time of this on-period
	turnOpen    bool          // the heater is on, or went off less than afterHeat ago
	fruitless   time.Duration // total on-time of on-periods without a rise
	trace       trace         // the air's last half hour
	marginAt    time.Duration
	marginK     float64 // margin to the dew point at the start of this period, K
	marginSlope float64 // its change over the last period, K
	marginBegun bool
	slopeKnown  bool
	onInPeriod  bool
	dewStop     bool // heat was stopped because it took the panel towards the dew point
	dewStopAt   time.Duration
	dewStopK    float64
}

// NewController returns a controller that is off. cfg must have its defaults
// and be checked. latch is the latch of the last run, nil for none; on is the
// heater's on-time until then.
func NewController(cfg ConfigSection, latch *Latch, on OnTime) *Controller {
	c := &Controller{cfg: cfg, latch: latch, onTime: on, offWhy: NotAsked}
	c.pi = PI{Kp: cfg.Kp, TiS: time.Duration(cfg.Ti).Seconds()}
	c.two = TwoPoint{BandK: cfg.BandK}
	c.pro = proportion{window: time.Duration(cfg.Window), minOn: time.Duration(cfg.MinOn), minOff: time.Duration(cfg.MinOff)}
	return c
}

// Hold asks for a set point, °C. It is refused outside the configured range and
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

// Refuse sets why the limits do not count as accepted at the board; "", as in a new
// controller, for accepted limits. Without acceptance there is no heat, and a
// release does not change that.
func (c *Controller) Refuse(why string) { c.refuse = why }

// fresh resets the control law and the ramp.
func (c *Controller) fresh() {
	c.pi.Reset()
	c.two.Reset()
	c.pro.step(0, 0)
	c.ramping, c.marginBegun, c.slopeKnown = false, false, false
}

// Off is a person's request: no heat until a person asks for it again. It never
// fails.
func (c *Controller) Off(why Reason, say string) { c.unasked(why, words.Plain(say)) }

func (c *Controller) unasked(why Reason, say words.Sentence) {
	c.wish, c.resume = nil, nil
	c.offWhy, c.offSay = why, say
}

// UseSolvent keeps heat off for [SolventRest] from the given moment.
func (c *Controller) UseSolvent(at time.Duration) {
	c.solventTo, c.solvent = at+SolventRest, true
}

// SolventLeft is how long solvent still keeps heat off, 0 when it does not.
func (c *Controller) SolventLeft(at time.Duration) time.Duration {
	if !c.solvent {
		return 0
	}
	return max(c.solventTo-at, 0)
}

// Release clears a latch on behalf of a person who has looked at the heater. Heat
// stays off until it is asked for again.
func (c *Controller) Release() {
	c.latch = nil
	c.unasked(NotAsked, c.say("released", nil))
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

// Latched returns the latch, nil for none.
func (c *Controller) Latched() *Latch { return c.latch }

// Wish is the set point that a person asked for, missing for no heat.
func (c *Controller) Wish() sensors.Value { return sensors.FromPtr(c.wish) }

// OnTime is the heater's on-time in the last 24 h.
func (c *Controller) OnTime() OnTime { return c.onTime }

// Since is when the heater was last switched.
func (c *Controller) Since() time.Duration { return c.since }

// Step decides whether the heater is on until the next step.
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
	// If the heater was on, the time since the last step counts as on-time, but at
	// most one lease: then the output has gone off by itself.
	c.onTime.advance(dt)
	if c.on {
		c.onTime.add(min(dt, time.Duration(c.cfg.Lease)))
	}
	c.at = in.At

	d := c.decide(in, dt, late, back)
	if d.Why == NotAccepted {
		// This needs no latch: it lasts until the limits are accepted.
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

// off is a decision for no heat; its sentence is the message "heat." + code.
func (c *Controller) off(why Reason, code string, facts words.Facts) Decision {
	return offFor(why, c.say(code, facts))
}

func offFor(why Reason, say words.Sentence) Decision { return Decision{Why: why, Say: say} }

// say is the message "heat." + code, and text the same as a text for the history.
func (c *Controller) say(code string, facts words.Facts) words.Sentence {
	return c.lang.Sentence("heat."+code, facts)
}

func (c *Controller) text(code string, facts words.Facts) string { return c.say(code, facts).String() }

func whole(x float64) string { return fmt.Sprintf("%.0f", x) }

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

// aim is the set point asked for, by the plan or by a person; missing for no heat.
func (c *Controller) aim(in Input) sensors.Value {
	if c.wish == nil {
		return sensors.Value{}
	}
	if p, ok := in.ProfileC.Get(); ok && !in.ClockDoubt {
		return sensors.Some(math.Max(*c.cfg.MinSetC, math.Min(p, *c.cfg.MaxSetC)))
	}
	return sensors.FromPtr(c.wish)
}

// follow updates the memory of the guards.
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
		// The air may still cool until the heating element is warm.
		c.airOn = math.Min(c.airOn, air)
	}
	c.effect = c.effect || air >= c.airOn+effectK
	c.shown = c.shown || air >= c.airOn+shownK
	if !c.on && in.At-c.since >= afterHeat {
		c.closeTurn()
	}
}

// closeTurn ends an on-period: without a rise of the air its on-time is added to
// fruitless. A period shorter than minTurn proves nothing and is not counted.
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

// fault checks the guards, the most serious first, and returns the first fault.
func (c *Controller) fault(in Input, late, back bool) (Decision, bool) {
	// Over-temperature is checked even while something else is wrong.
	for _, x := range []struct {
		s    Sense
		max  float64
		code string
	}{
		{in.Air, *c.cfg.MaxAirC, "over_air"}, {in.Control, *c.cfg.MaxPanelC, "over_panel"}, {in.Limit, *c.cfg.LimitC, "over_limit"},
	} {
		if t, ok := x.s.c(); ok && t >= x.max && (c.latch == nil || c.latch.Why == LatchUnknown) {
			d := c.off(OverTemperature, x.code, words.Facts{"temp": words.Tenth(t), "max": words.Tenth(x.max)})
			c.latch = &Latch{Why: d.Why, Say: d.Say}
			c.sound = false
			return d, true
		}
	}
	if c.latch != nil {
		c.sound = c.sound && c.firstDoubt(in).Doubt == ""
		return offFor(c.latch.Why, c.latch.Say), true
	}
	if c.refuse != "" {
		c.sound = false
		return offFor(NotAccepted, words.Plain(c.refuse)), true
	}
	if in.Output != "" && !c.everOn {
		// A broker that starts after the daemon is no reason to wake anybody.
		c.sound = false
		return c.off(OutputWaiting, "output_waiting", words.Facts{"why": in.Output}), true
	}
	if in.Output != "" {
		return c.off(OutputFault, "output_fault", words.Facts{"why": in.Output}), true
	}
	if back {
		c.rest(in.At, clockRest, ClockDoubt)
		return c.off(ClockDoubt, "clock_back", nil), true
	}
	if late {
		c.sound = false
		return c.off(LoopLate, "late", nil), true
	}
	if in.Records != "" {
		return c.off(Records, "records", words.Facts{"why": in.Records}), true
	}
	if s := c.firstDoubt(in); s.Doubt != "" {
		c.sound = false
		why := any(s.Why)
		if s.Why == nil {
			why = words.Code("heat.doubt." + string(s.Doubt))
		}
		return c.off(s.Doubt, "probe", words.Facts{"probe": s.ID, "why": why}), true
	}
	if !c.sound {
		c.sound, c.soundAt = true, in.At
	}
	if d, bad := c.disagree(in); bad {
		return d, true
	}
	if in.ClockDoubt {
		// Off at once; after clockRest a plain set point may be held again, which
		// needs no wall clock.
		if c.restWhy != ClockDoubt {
			c.rest(in.At, clockRest, ClockDoubt)
		}
	} else if c.restWhy == ClockDoubt && in.At >= c.restTo {
		c.restWhy = ""
	}
	if c.restWhy == ClockDoubt && in.At < c.restTo {
		return c.off(ClockDoubt, "clock_doubt", nil), true
	}
	if d, bad := c.effects(in); bad {
		return d, true
	}
	if c.onTime.over(time.Duration(c.cfg.MaxOnHours * float64(time.Hour))) {
		if c.onTime.Unknown {
			return c.off(OnTimeLimit, "on_time_unknown", nil), true
		}
		return c.off(OnTimeLimit, "on_time", words.Facts{"h": fmt.Sprintf("%.1f", c.onTime.Total().Hours())}), true
	}
	return Decision{}, false
}

func (c *Controller) rest(at, d time.Duration, why Reason) { c.restTo, c.restWhy = at+d, why }

// firstDoubt returns the first required probe that is not sound.
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
		what, k = "apart_limit", math.Abs(p-l)
	} else if in.Air.ID != in.Limit.ID && math.Abs(p-a) > c.cfg.DisagreeK {
		what, k = "apart_air", math.Abs(p-a)
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
	return c.off(ProbesDisagree, what, words.Facts{"diff": words.Diff(k)}), true
}

// effects looks for heat without effect, and for heat while the heater is off.
func (c *Controller) effects(in Input) (Decision, bool) {
	air, _ := in.Air.c()
	lasted := in.At - c.since
	if c.on {
		if !c.effect && lasted >= time.Duration(c.cfg.EffectAfter) {
			return c.off(NoEffect, "no_rise", words.Facts{"min": whole(lasted.Minutes()), "diff": words.Diff(effectK)}), true
		}
		if sum := c.fruitless + lasted; !c.shown && sum >= time.Duration(c.cfg.EffectAfter) {
			return c.off(NoEffect, "no_follow", words.Facts{"min": whole(sum.Minutes())}), true
		}
		if lasted >= coolIn {
			if hi, ok := c.trace.highest(in.At - coolIn); ok && air <= hi-coolK {
				return c.off(NoEffect, "air_fell", words.Facts{"diff": words.Diff(hi - air), "min": whole(coolIn.Minutes())}), true
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
				return c.off(RisingWhileOff, "air_rose", words.Facts{"diff": words.Diff(k), "min": whole(riseIn.Minutes())}), true
			}
		}
	}
	return Decision{}, false
}

// allowed decides, when there is no fault, whether heat is wanted and how much.
func (c *Controller) allowed(in Input, dt time.Duration) Decision {
	switch {
	case in.SwitchOff:
		c.unasked(Switch, c.say("switch", nil))
		return offFor(Switch, c.offSay)
	case c.solvent && in.At < c.solventTo:
		return c.off(Solvent, "solvent", words.Facts{"min": whole(math.Ceil((c.solventTo - in.At).Minutes()))})
	case c.wish == nil:
		say := c.offSay
		if say == nil {
			say = c.say("not_asked", nil)
		}
		return offFor(c.offWhy, say)
	}
	c.solvent = false
	if c.resume != nil {
		if in.At-c.soundAt < resumeSound {
			if in.At > c.resumeTo {
				c.unasked(PowerCut, c.say("not_sound_after_cut", nil))
				return offFor(PowerCut, c.offSay)
			}
			return c.off(Resuming, "resuming", nil)
		}
		c.resume = nil
	}
	if in.At-c.soundAt < soundFor {
		return c.off(Settling, "settling", nil)
	}
	return c.law(in, dt)
}

// law is the share of heat that the control law asks for, within the soft limits.
func (c *Controller) law(in Input, dt time.Duration) Decision {
	panel, _ := in.Control.c()
	air, _ := in.Air.c()
	limit, _ := in.Limit.c()
	aim, _ := c.aim(in).Get()

	// The ramp starts at the panel's temperature and rises at most RampKH; it waits
	// for a panel that can't follow.
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
	// The relay's minimum times: soft reasons wait for them, limits and faults do
	// not.
	switch lasted := in.At - c.since; {
	case on && !c.on && lasted < time.Duration(c.cfg.MinOff):
		on = false
	case !on && c.on && lasted < time.Duration(c.cfg.MinOn) && room > 0 && u > 0:
		on = true
	}
	d := Decision{On: on, Share: u, SetC: sensors.Some(c.rampC)}
	switch {
	case on:
		d.Why, d.Say = Warming, c.say("warming", words.Facts{"temp": words.Tenth(c.rampC)})
	case room == 0:
		d.Why, d.Say = why, c.say("less."+string(why), nil)
	case err <= 0:
		d.Why, d.Say = WarmEnough, c.say("warm_enough", nil)
	default:
		d.Why, d.Say = Resting, c.say("resting", nil)
	}
	return d
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

// Slow warming near the dew point: the period over which the margin's change is
// judged, and the least share of heat, so that a wet panel dries.
const (
	dewPeriod = 10 * time.Minute
	dewSlow   = .2
	// Once stopped, heat waits until the margin has grown by this, or is tried
	// again after a while.
	dewGain  = .7
	dewRetry = 2 * time.Hour
)

// dewRoom is the largest share of heat that the margin to the dew point allows.
// Heat drives water out of timber and cloth into the air before the panel is warm.
// So heat is reduced near the dew point, and stops where the margin shrinks under
// heat and would be gone within a period.
func (c *Controller) dewRoom(in Input, dt time.Duration) float64 {
	if !(c.cfg.DewMarginK > 0) {
		return 1
	}
	_, m := c.dew(in)
	margin, ok := m.Get()
	if !ok {
		// Without a humidity the margin is unknown: half heat.
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
