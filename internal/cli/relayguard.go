// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"time"

	"curewright/heat/relay"
	"curewright/internal/fault"
)

// RelayGuardCmd is the separate process that owns a heater's line. The daemon
// starts it; by hand it is good for trying a line.
type RelayGuardCmd struct {
	Line      string        `required:"" placeholder:"LINE" help:"GPIO line such as GPIO17 or gpiochip0:17, or file:PATH for a file that takes 1 and 0."`
	ActiveLow bool          `help:"The relay is in while the line is low."`
	Lease     time.Duration `default:"30s" placeholder:"TIME" help:"How long the line stays on without a renewal."`
	Watchdog  string        `default:"none" placeholder:"PATH" help:"The board's hardware watchdog, fed while the line obeys; none for none."`
}

func (RelayGuardCmd) Help() string {
	return "Takes \"on N\" and \"off N\" on its input and switches off at the end of it, at the end of the lease and on a signal.\n\n" +
		"Example:\n\n  echo off 1 | curewright relay-guard --line GPIO17"
}

func (c *RelayGuardCmd) Run(a *App) error {
	if c.Lease < time.Second || c.Lease > 2*time.Minute {
		return fault.Inputf("--lease: %v must be 1s to 2m", c.Lease)
	}
	// The first act, before anything that can block: the line is ours and off.
	line, err := relay.OpenLine(c.Line, c.ActiveLow)
	if errors.Is(err, relay.ErrHeld) {
		return err
	} else if err != nil {
		return fault.Inputf("--line: %v", err)
	}
	defer line.Close()
	g := relay.Guard{Line: line, Lease: c.Lease, In: a.In, Out: a.Out}
	return g.Serve(a.Ctx, c.Watchdog, a.Err)
}
