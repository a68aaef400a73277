// SPDX-License-Identifier: Apache-2.0

package relay

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"curewright/heat"
)

// ServeOptions are the guard process's.
type ServeOptions struct {
	Line      heat.Line
	Lease     time.Duration
	Watchdog  string // path of the device, "" or "none" for none
	In        io.Reader
	Out, Errw io.Writer
}

// Serve is the guard process: it opens the watchdog and guards.
//
// A pipe that nobody reads any more must not end it before the line is off, so
// the signal for that is ignored; from here on this process has no other work.
func Serve(ctx context.Context, o ServeOptions) error {
	signal.Ignore(syscall.SIGPIPE)
	g := Guard{Line: o.Line, Lease: o.Lease, In: o.In, Out: o.Out}
	// Off before anything else can go wrong.
	if err := o.Line.Set(false); err != nil {
		return fmt.Errorf("guard: line: %w", err)
	}
	if o.Watchdog != "" && o.Watchdog != "none" {
		f, err := os.OpenFile(o.Watchdog, os.O_WRONLY, 0)
		if err != nil {
			return fmt.Errorf("guard: watchdog: %w", err)
		}
		defer f.Close()
		g.Watchdog = f
		if s, err := watchdogTimeout(f, watchdogS); err != nil {
			fmt.Fprintf(o.Errw, "watchdog %s does not say after how long it bites: %v\n", o.Watchdog, err)
		} else if fmt.Fprintf(o.Out, "watchdog %d\n", s); s > watchdogS {
			fmt.Fprintf(o.Errw, "watchdog %s grants %d s and not %d: a guard that is killed leaves the relay on for so long\n", o.Watchdog, s, watchdogS)
		}
	}
	return g.Run(ctx)
}
