// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"math"
	"slices"
	"time"

	"curewright/model/words"
)

// Roles of a probe.
const (
	RoleAir     = "air"
	RolePanel   = "panel"
	RolePot     = "pot"
	RoleOutdoor = "outdoor"
	RoleTent    = "tent"
)

// Limits are the bounds of plausible readings for a probe in its role. [DefaultLimits]
// gives a full set.
type Limits struct {
	MinC, MaxC float64 // °C; outside is ErrRange

	// QuestionC is the temperature, °C, from which a pushed reading is refused as
	// probably °F: a shed at "68 °C" is one at 68 °F. +Inf for none.
	QuestionC float64

	// JumpKMin is the fastest plausible change, K/min, beyond JumpSlackK.
	// +Inf for none.
	JumpKMin, JumpSlackK float64

	// Settle is how long readings at a new level must agree with each other
	// before a jump is believed after all: the probe was moved.
	Settle time.Duration

	// Gap is the longest time between two readings that are compared. The first
	// reading after a longer pause is only judged by range.
	Gap time.Duration

	// ResolutionK is the chip's step, K; 0 means not known, and it is learned
	// from the steps seen.
	ResolutionK float64
	// NoisyK is true where the chip's own noise is many steps wide, so that
	// the same number many times running means it no longer measures.
	Noisy bool
	// StuckAfter is how long a value may stay exactly the same before the other
	// probes' movement in that time is checked.
	StuckAfter time.Duration

	// PowerOn refuses exactly 85 °C as a power-on value, which a radio probe may
	// pass on from a DS18B20 unchecked. Wired drivers check it themselves.
	PowerOn bool

	MinCO2, MaxCO2 float64 // ppm
}

// DefaultLimits returns the limits for a role. pushed marks probes whose unit
// and chip are not known.
//
// The figures are choices, no source: air in a shed falls by up to some 5 K a
// minute at an opened door; readings of a panel under a heat gun are of no use; a
// cup in runaway rises by tens of K a minute. Carbon
// dioxide below 200 ppm is under half of outdoor air; above 40 000 ppm is
// beyond the widest chip used here (SCD4x data sheet, output range).
func DefaultLimits(role string, pushed bool) Limits {
	l := Limits{
		MinC: -55, MaxC: 125, // DS18B20 data sheet, the widest rated span here
		QuestionC:  math.Inf(1),
		JumpKMin:   10,
		JumpSlackK: 1.5,
		Settle:     2 * time.Minute,
		Gap:        10 * time.Minute,
		StuckAfter: time.Hour,
		MinCO2:     200, MaxCO2: 40000,
	}
	switch role {
	case RolePot:
		l.JumpKMin = math.Inf(1)
		l.MaxC = 250
	case RoleAir, RoleTent, RoleOutdoor:
		l.MaxC = 85
	case RolePanel:
		l.JumpKMin = 8
	}
	if pushed {
		l.PowerOn = role != RolePot
		switch role {
		case RolePot:
		case RoleAir, RoleTent, RoleOutdoor:
			// 45 °F is a cold shed; no shed is at 45 °C.
			l.QuestionC = 45
		default:
			l.QuestionC = 50 // a panel in the sun does get this warm
		}
	}
	return l
}

// Witness says how far, in K, any other probe has moved since the given time;
// 0 when there is no other.
type Witness func(since time.Time) float64

// Filter judges the readings of one probe of any kind. It is not safe for concurrent use.
type Filter struct {
	lim     Limits
	last    Reading // last believed
	have    bool
	before  []Reading // believed, in order of time, last among them; see keep
	moved   Reading   // first of the readings at a new level, while one is in doubt
	movedAt Reading   // the latest of them
	movedN  int

	same      Reading // the value that has not changed
	sameSince time.Time
	sameN     int
	step      float64 // smallest change seen, K; 0 for none yet
}

// NewFilter returns a filter that has seen nothing.
func NewFilter(l Limits) *Filter { return &Filter{lim: l} }

// Forget drops what was seen, so that the next reading is judged by range
// alone.
func (f *Filter) Forget() { *f = Filter{lim: f.lim, step: f.step} }

// SetLimits replaces the limits, for a probe that got another role.
func (f *Filter) SetLimits(l Limits) { f.lim = l }

// Check returns nil if the reading is believed, else why not: [ErrRange],
// [ErrPowerOn], [ErrDoubted], [ErrJump] or [ErrStuck]. witness may be nil.
// A reading older than the last believed one is judged by range and against
// the believed ones on both sides of it in time. One that is older than the
// latest 64 of them is compared with the oldest of these, if that is within
// the gap.
func (f *Filter) Check(r Reading, witness Witness) error {
	if err := f.inRange(r); err != nil {
		return err
	}
	if f.have && !r.At.After(f.last.At) {
		return f.late(r)
	}
	if err := f.jump(r); err != nil {
		return err
	}
	if err := f.stuck(r, witness); err != nil {
		return err
	}
	f.last, f.have = r, true
	f.movedN = 0
	f.keep(len(f.before), r)
	return nil
}

// keptBehind is how many believed readings are kept to judge late ones by.
const keptBehind = 64

func (f *Filter) keep(i int, r Reading) {
	if f.before == nil {
		f.before = make([]Reading, 0, keptBehind+1)
	}
	f.before = slices.Insert(f.before, i, r)
	if n := len(f.before) - keptBehind; n > 0 {
		f.before = slices.Delete(f.before, 0, n)
	}
}

// late judges a reading that came out of order by its neighbours in time.
func (f *Filter) late(r Reading) error {
	i, _ := slices.BinarySearchFunc(f.before, r.At, func(b Reading, at time.Time) int {
		if b.At.After(at) {
			return 1
		}
		return -1
	})
	var prev, next Reading // a reading without temperature is compared with nothing
	if i > 0 {
		prev = f.before[i-1]
	}
	if i < len(f.before) {
		next = f.before[i]
	}
	after, until := f.follows(prev, r), f.follows(r, next)
	switch moved := i > 0 && i < len(f.before) && !f.follows(prev, next); {
	case after && until, moved && (after || until):
	case !after:
		return jumped(prev, r)
	default:
		return jumped(r, next)
	}
	f.keep(i, r)
	return nil
}

func jumped(a, b Reading) error {
	was, _ := a.Temp.Get()
	now, _ := b.Temp.Get()
	return Fail(ErrJump, "from_to", Facts{"was": words.Tenth(was), "now": words.Tenth(now), "span": b.At.Sub(a.At).Round(time.Second)})
}

func (f *Filter) inRange(r Reading) error {
	t, okT := r.Temp.Get()
	rh, okRH := r.RH.Get()
	co2, okCO2 := r.CO2.Get()
	if !okT && !okRH && !okCO2 {
		return ErrEmpty
	}
	if okT {
		if f.lim.PowerOn && t == 85 && !f.near(r.At, t, 10) {
			return Fail(ErrPowerOn, "value", Facts{"x": words.Tenth(t)})
		}
		if !(t >= f.lim.MinC && t <= f.lim.MaxC) && t < f.lim.QuestionC {
			return outside(t, f.lim.MinC, f.lim.MaxC, "°C")
		}
		if t >= f.lim.QuestionC {
			return Fail(ErrDoubted, "fahrenheit", Facts{"n": t, "temp": words.Tenth((t - 32) / 1.8)})
		}
	}
	if okRH && !(rh > 0 && rh <= 100) {
		return Fail(ErrRange, "humidity", Facts{"rh": rh})
	}
	if okCO2 && !(co2 >= f.lim.MinCO2 && co2 <= f.lim.MaxCO2) {
		return outside(co2, f.lim.MinCO2, f.lim.MaxCO2, "ppm")
	}
	return nil
}

// near reports whether the last believed temperature is recent and within k.
func (f *Filter) near(at time.Time, t, k float64) bool {
	last, ok := f.last.Temp.Get()
	return f.have && ok && at.Sub(f.last.At) <= f.lim.Gap && math.Abs(t-last) <= k
}

// follows reports whether b can come after a without a jump.
func (f *Filter) follows(a, b Reading) bool {
	ta, oka := a.Temp.Get()
	tb, okb := b.Temp.Get()
	if !oka || !okb {
		return true
	}
	dt := b.At.Sub(a.At)
	return dt > f.lim.Gap || math.Abs(tb-ta) <= f.lim.JumpSlackK+f.lim.JumpKMin*dt.Minutes()
}

// jump refuses a reading too far from the last one. If the next ones agree with it
// for Limits.Settle, the probe was moved and they are accepted.
func (f *Filter) jump(r Reading) error {
	if !f.have || f.follows(f.last, r) {
		return nil
	}
	if f.movedN == 0 || !f.follows(f.movedAt, r) {
		f.moved, f.movedAt, f.movedN = r, r, 1
	} else {
		f.movedAt = r
		f.movedN++
	}
	if f.movedN >= 3 && r.At.Sub(f.moved.At) >= f.lim.Settle {
		return nil
	}
	return jumped(f.last, r)
}

// Stuck rules. A DS18B20 has steps of 0.0625 K and may repeat one value for hours in
// a steady shed. It, and a probe whose chip is not known, counts as stuck only if
// other probes have moved by stuckMoveK, and by many steps, since its value last
// changed. A chip whose noise spans many steps
// needs no witness: an SHT4x repeats to 0.08 K (three sigma, data sheet, high
// repeatability), some ten steps of 0.0027 K for one sigma, so that thirty
// equal pairs of temperature and humidity in a row do not happen.
const (
	stuckMoveK     = 3.0
	stuckMoveSteps = 5
	stuckNoisyN    = 30
	unknownStepK   = 1.0 // coarsest step of radio probes, until a smaller one is seen
)

func (f *Filter) stuck(r Reading, witness Witness) error {
	t, ok := r.Temp.Get()
	if !ok {
		return nil
	}
	if st, _ := f.same.Temp.Get(); f.sameN == 0 || st != t || f.same.RH != r.RH || f.same.CO2 != r.CO2 {
		if f.sameN > 0 && st != t {
			if d := math.Abs(t - st); f.step == 0 || d < f.step {
				f.step = d
			}
		}
		f.same, f.sameSince, f.sameN = r, r.At, 1
		return nil
	}
	f.sameN++
	if f.lim.Noisy && f.sameN > stuckNoisyN {
		return Fail(ErrStuck, "same", Facts{"temp": words.Tenth(t), "n": f.sameN})
	}
	if r.At.Sub(f.sameSince) < f.lim.StuckAfter || witness == nil {
		return nil
	}
	step := f.lim.ResolutionK
	if step == 0 {
		step = f.step
	}
	if step == 0 {
		step = unknownStepK
	}
	if m := witness(f.sameSince); m >= math.Max(stuckMoveK, stuckMoveSteps*step) {
		return Fail(ErrStuck, "still", Facts{"temp": words.Tenth(t), "span": r.At.Sub(f.sameSince).Round(time.Minute), "diff": words.Kelvin(m)})
	}
	return nil
}
