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
	"errors"
	"fmt"
	"math"
	"time"
)

// Reasons a reading can fail. Test for them with [errors.Is]; [Reason] gives
// the short word used in metrics and on pages.
var (
	ErrAbsent      = errors.New("device not found")
	ErrWrongDevice = errors.New("another device answers at this address")
	ErrChecksum    = errors.New("checksum mismatch")
	ErrPowerOn     = errors.New("power-on value, no conversion done")
	ErrRange       = errors.New("outside rated range")
	ErrJump        = errors.New("changed faster than air or a panel can")
	ErrStuck       = errors.New("stuck at one value")
	ErrTimeout     = errors.New("no answer in time")
	ErrStale       = errors.New("last reading is too old")
	ErrBus         = errors.New("bus error")
	ErrDoubted     = errors.New("not believed until confirmed")
	ErrEmpty       = errors.New("no value in it")
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

// ReadError says which probe failed, during what, and what to try.
type ReadError struct {
	Probe string
	Op    string // "open", "convert", "decode", ...
	Err   error
	Hint  string // for a person; not part of Error
}

func (e *ReadError) Error() string { return fmt.Sprintf("probe %s: %s: %v", e.Probe, e.Op, e.Err) }
func (e *ReadError) Unwrap() error { return e.Err }

// hinted is an error with what to do about it.
type hinted struct {
	error
	hint string
}

func (h hinted) Unwrap() error { return h.error }

// WithHint adds advice for a person to an error; its text does not change.
func WithHint(err error, hint string) error { return hinted{err, hint} }

// Hint returns the advice that an error or one of its causes carries, "" for none.
func Hint(err error) string {
	var h hinted
	if errors.As(err, &h) {
		return h.hint
	}
	var re *ReadError
	if errors.As(err, &re) {
		return re.Hint
	}
	return ""
}

// Reason returns the one-word reason of an error for metrics, pages and
// alerts: absent, wrong_device, checksum, power_on, range, jump, stuck,
// timeout, stale, bus, doubted, empty, other; for a push also not_accepted, too_many,
// future, too_old, repeat, name, wired; "" for nil.
func Reason(err error) string {
	if err == nil {
		return ""
	}
	for _, r := range reasons {
		if errors.Is(err, r.err) {
			return r.word
		}
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return "timeout"
	}
	return "other"
}

var reasons = []struct {
	err  error
	word string
}{
	{ErrAbsent, "absent"}, {ErrWrongDevice, "wrong_device"}, {ErrChecksum, "checksum"},
	{ErrPowerOn, "power_on"}, {ErrRange, "range"}, {ErrJump, "jump"}, {ErrStuck, "stuck"},
	{ErrTimeout, "timeout"}, {ErrStale, "stale"}, {ErrDoubted, "doubted"}, {ErrEmpty, "empty"}, {ErrBus, "bus"},
	{ErrNotAccepted, "not_accepted"}, {ErrTooMany, "too_many"}, {ErrFuture, "future"},
	{ErrTooOld, "too_old"}, {ErrRepeat, "repeat"}, {ErrName, "name"}, {ErrWired, "wired"},
	{ErrFlood, "flood"}, {ErrUndated, "undated"},
}

// Health is what is known about one probe now: the page, the metrics and the
// alerts read it.
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
	Err    string            `json:"error"`  // the last error's text, "" when the last read was good
	Reason string            `json:"reason"` // its one word
	ErrAt  time.Time         `json:"error_at"`
	Hint   string            `json:"hint"`
	Errors map[string]uint64 `json:"errors"` // count by reason since start
	Taken  uint64            `json:"taken"`  // believed readings since start

	Battery Value `json:"battery_pct"` // of a radio probe, %; missing where it does not report it
	Link    Value `json:"link"`        // quality of its radio link, in its own radio's unit
}

// Now returns the last reading if it is not stale at the given time.
func (h Health) Now(now time.Time) (Reading, bool) {
	if h.LastAt.IsZero() || h.State != "ok" || (h.Stale > 0 && now.Sub(h.LastAt) > h.Stale) {
		return Reading{}, false
	}
	return h.Last, true
}
