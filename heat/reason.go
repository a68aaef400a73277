// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"time"

	"curewright/sensors"
)

// Reason says in one word why the heater is on or off.
type Reason string

// Reasons that are no fault.
const (
	NotAsked    Reason = "not_asked" // nobody asked for heat
	ByHand      Reason = "by_hand"   // a person switched it off
	Switch      Reason = "switch"    // the wired switch says off
	Solvent     Reason = "solvent"   // solvent in use
	Settling    Reason = "settling"  // probes must be sound for a while first
	Resuming    Reason = "resuming"  // after a power cut, waiting until sound
	Warming     Reason = "warming"   // on
	Resting     Reason = "resting"   // off part of an on-off cycle
	WarmEnough  Reason = "warm_enough"
	AirLimit    Reason = "air_limit"  // the air is at its limit
	LeadLimit   Reason = "lead_limit" // the air is MaxLeadK warmer than the panel
	DewGuard    Reason = "dew_guard"  // warming would drive the panel towards the dew point
	PushedBound Reason = "pushed_bound"
	Stopped     Reason = "stopped" // the program ends
)

// Reasons that are faults: off by safety.
const (
	ProbeMissing     Reason = "probe_missing"
	ProbeStale       Reason = "probe_stale"
	ProbeStuck       Reason = "probe_stuck"
	ProbeImplausible Reason = "probe_implausible"
	ProbeNotWired    Reason = "probe_not_wired"
	ProbesDisagree   Reason = "probes_disagree"
	OverTemperature  Reason = "over_temperature"
	NoEffect         Reason = "no_effect"
	RisingWhileOff   Reason = "rising_while_off"
	ClockDoubt       Reason = "clock_in_doubt"
	LoopLate         Reason = "loop_late"
	OutputFault      Reason = "output"
	OutputWaiting    Reason = "output_waiting" // it does not answer yet, and has not been on
	Records          Reason = "records"        // latch or on-time cannot be kept
	LatchUnknown     Reason = "latch_file"     // missing or damaged: reads as latched
	NotAccepted      Reason = "not_accepted"   // nobody accepted these limits at the board
	OnTimeLimit      Reason = "daily_limit"    // on-time within 24 h, or not known
	PowerCut         Reason = "power_cut"      // it was on before a power cut and did not resume
)

// safety are the reasons that are off by safety rather than by choice; true for
// those that last until a person releases them.
var safety = map[Reason]bool{
	ProbeMissing: false, ProbeStale: false, ProbeStuck: false, ProbeImplausible: false, ProbeNotWired: false, ProbesDisagree: false,
	OverTemperature: true, NoEffect: true, RisingWhileOff: true, ClockDoubt: false, LoopLate: false, OutputFault: true,
	OutputWaiting: false, Records: false, LatchUnknown: true, NotAccepted: true, OnTimeLimit: false, PowerCut: false,
}

// Fault reports whether the reason is off by safety rather than by choice.
func (r Reason) Fault() bool { _, ok := safety[r]; return ok }

// Latches reports whether the fault lasts until a person releases it.
func (r Reason) Latches() bool { return safety[r] }

// Times of the guards. All are choices, no source.
const (
	// soundFor is how long every probe must be sound before heat is allowed.
	soundFor = time.Minute
	// resumeSound is the same before heat resumes by itself after a power cut, and
	// resumeWithin the time after which it no longer resumes.
	resumeSound  = 5 * time.Minute
	resumeWithin = 15 * time.Minute
	// ResumeMemory is the longest time since the heater was on after which heat
	// resumes.
	ResumeMemory = time.Hour
	// disagreeFor is how long probes must disagree, so that an opened door does not
	// count.
	disagreeFor = time.Minute
	// clockRest is how long heat stays off after the clock was in doubt.
	clockRest = 5 * time.Minute
	// offRest is how long the air may still rise after switching off, from the
	// heat stored in the heater. After it a rise of riseK within riseIn means that
	// the heater is on though switched off; riseAlone replaces riseK where no probe
	// is outside the tent.
	offRest   = 10 * time.Minute
	riseIn    = 10 * time.Minute
	riseK     = 3.0
	riseAlone = 5.0
	// effectK is the rise of the air that proves heating; a fall of coolK within
	// coolIn while on proves that the heater does not heat.
	effectK = 1.0
	coolK   = 4.0
	coolIn  = 30 * time.Minute
	// An on-period of at least minTurn must raise the air by shownK, during it or
	// until afterHeat after it; otherwise its on-time counts as heat without effect.
	minTurn   = time.Minute
	shownK    = .3
	afterHeat = 3 * time.Minute
	// SolventRest keeps heat off after solvent was used.
	SolventRest = 30 * time.Minute
)

// Sense is one probe's value at a step.
type Sense struct {
	ID    string
	TempC sensors.Value
	RH    sensors.Value
	// Doubt is why the probe is not used, "" for sound. A doubted probe has no
	// temperature.
	Doubt Reason
	Why   error // what the probe said last; nil: nothing wrong
	Wired bool
}

func (s Sense) c() (float64, bool) {
	if s.Doubt != "" {
		return 0, false
	}
	return s.TempC.Get()
}
