// SPDX-License-Identifier: Apache-2.0

// Package sensors reads probes into [Reading] values: °C, % relative humidity and ppm
// of carbon dioxide, each with the time at which the conversion finished.
//
// A driver returns either a value it believes or an error, never both. Values
// outside the device's rated range are errors ([ErrRange]) and not clamped, because
// a clamped reading looks like a real one on a graph. A quantity that a
// probe does not measure, or did not deliver, is a missing [Value]; a missing
// value is never a number.
//
// Drivers live in subpackages, one per device, and import only this package.
package sensors

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"curewright/model/words"
)

// Value is one measured quantity that may be missing. The zero Value is
// missing.
type Value struct {
	x  float64
	ok bool
}

// Some returns a present value. NaN and infinities are not measurements: they
// come back missing.
func Some(x float64) Value {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return Value{}
	}
	return Value{x: x, ok: true}
}

// Get returns the number and whether there is one.
func (v Value) Get() (float64, bool) { return v.x, v.ok }

// OK reports whether the value is present.
func (v Value) OK() bool { return v.ok }

// Ptr returns nil for a missing value, else a pointer to the number.
func (v Value) Ptr() *float64 {
	if !v.ok {
		return nil
	}
	x := v.x
	return &x
}

// FromPtr is the reverse of [Value.Ptr].
func FromPtr(p *float64) Value {
	if p == nil {
		return Value{}
	}
	return Some(*p)
}

// OrNaN returns the number, or NaN where it is missing, as the model's samples mark
// missing values.
func (v Value) OrNaN() float64 {
	if !v.ok {
		return math.NaN()
	}
	return v.x
}

// String returns the number, or "missing".
func (v Value) String() string {
	if !v.ok {
		return "missing"
	}
	return fmt.Sprintf("%g", v.x)
}

// MarshalJSON writes null for a missing value.
func (v Value) MarshalJSON() ([]byte, error) {
	if !v.ok {
		return []byte("null"), nil
	}
	return json.Marshal(v.x)
}

// UnmarshalJSON reads null as missing.
func (v *Value) UnmarshalJSON(b []byte) error {
	var p *float64
	if err := json.Unmarshal(b, &p); err != nil {
		return err
	}
	*v = FromPtr(p)
	return nil
}

// Reading is what one probe measured at one moment.
type Reading struct {
	Probe string    // configured or discovered name, e.g. "shed-air"
	At    time.Time // when it was measured, by the daemon's clock; a driver leaves it to the poller
	Temp  Value     // °C
	RH    Value     // % relative humidity over liquid water
	CO2   Value     // ppm by volume

	// Pressure is the air's, Pa, where the chip has it; nothing is computed
	// from it yet.
	Pressure Value
}

// Probe is one sensing point. Read blocks for at most one conversion and must
// be safe to call again after any error.
type Probe interface {
	Read(ctx context.Context) (Reading, error)
}

// Health is what is known about one probe now: the page, the metrics and the
// alerts read it. Err and Hint are Why in words, which [Health.In] makes at the edge.
type Health struct {
	Probe    string        `json:"id"`
	Name     string        `json:"name"`   // what the person calls it; the id until named
	Driver   string        `json:"driver"` // "ds18b20", "sht4x", ..., "push", "mqtt", "simulated"
	Bus      string        `json:"bus"`    // "i2c-1:0x44", "w1:28-0316a2795d1f", "push"
	Role     string        `json:"role"`   // "air", "panel", "pot", "outdoor", "tent" or ""
	Panel    string        `json:"panel"`
	Every    time.Duration `json:"-"`
	Stale    time.Duration `json:"-"` // a reading older than this is missing
	Accepted bool          `json:"accepted"`
	Wired    bool          `json:"wired"`  // on this board, not pushed
	Locked   bool          `json:"locked"` // named in the configuration file
	// State is ok, waiting (none yet), stale, missing, stuck or implausible.
	State string `json:"state"`
	// Last is the last believed reading and LastAt its time; the zero time
	// means none yet. It may be stale: see Now.
	Last   Reading           `json:"-"`
	LastAt time.Time         `json:"last_at"`
	Why    error             `json:"-"`      // the last error, nil when the last read was good
	Err    string            `json:"error"`  // the last error's text, "" when the last read was good
	Reason string            `json:"reason"` // its one word
	ErrAt  time.Time         `json:"error_at"`
	Hint   string            `json:"hint"`
	Errors map[string]uint64 `json:"errors"` // count by reason since start
	Taken  uint64            `json:"taken"`  // believed readings since start

	Battery Value `json:"battery_pct"` // of a radio probe, %; missing where it does not report it
	Link    Value `json:"link"`        // quality of its radio link, in its own radio's unit
}

// In is the same with the last error in a reader's language.
func (h Health) In(v words.View) Health {
	h.Err, h.Hint = Said(h.Why, v)
	return h
}

// Now returns the last reading if it is not stale at the given time.
func (h Health) Now(now time.Time) (Reading, bool) {
	if h.LastAt.IsZero() || h.State != "ok" || (h.Stale > 0 && now.Sub(h.LastAt) > h.Stale) {
		return Reading{}, false
	}
	return h.Last, true
}
