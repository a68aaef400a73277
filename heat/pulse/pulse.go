// SPDX-License-Identifier: Apache-2.0

// Package pulse drives a heater through a retriggerable relay: one that is in
// only while pulses keep coming and drops out by itself a while after the last. A
// line stuck at either level, a process that died and a board that hangs all end the
// pulses.
//
// Every renewal for on inverts the line, so that every second one makes a rising
// edge. Off leaves the line low, and the heater goes off when the
// relay's own time has run out.
package pulse

import (
	"context"
	"time"

	"curewright/heat"
)

// Output makes the pulses. One goroutine uses it.
type Output struct {
	line  heat.Line
	hold  time.Duration
	level bool
}

var _ heat.Output = (*Output)(nil)

// New returns an output on a line; hold is how long the relay stays in after
// its last pulse. Nothing is driven before the first renewal.
func New(line heat.Line, hold time.Duration) *Output { return &Output{line: line, hold: hold} }

// Renew inverts the line for on, and sets it low for off.
func (o *Output) Renew(_ context.Context, on bool) error {
	o.level = on && !o.level
	return o.line.Set(o.level)
}

// Lease is the relay's own hold time.
func (o *Output) Lease() time.Duration { return o.hold }

// Close sets the line low.
func (o *Output) Close() error {
	o.level = false
	return o.line.Set(false)
}
