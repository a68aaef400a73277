// SPDX-License-Identifier: Apache-2.0

package relay

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// Serve is the guard process: it opens the watchdog's device, "" or "none" for
// none, and runs the guard. Messages for a person go to errw.
//
// SIGPIPE is ignored for the whole process, which has no other work: writing to a
// daemon that is gone must not end the guard before the line is off.
func (g *Guard) Serve(ctx context.Context, watchdog string, errw io.Writer) error {
	signal.Ignore(syscall.SIGPIPE)
	// Switch off first, before anything else can fail.
	if err := g.Line.Set(false); err != nil {
		return fmt.Errorf("guard: line: %w", err)
	}
	if watchdog != "" && watchdog != "none" {
		f, err := os.OpenFile(watchdog, os.O_WRONLY, 0)
		if err != nil {
			return fmt.Errorf("guard: watchdog: %w", err)
		}
		defer f.Close()
		g.Watchdog = f
		if s, err := watchdogTimeout(f, watchdogS); err != nil {
			fmt.Fprintf(errw, "watchdog %s does not say after how long it bites: %v\n", watchdog, err)
		} else if fmt.Fprintf(g.Out, "watchdog %d\n", s); s > watchdogS {
			fmt.Fprintf(errw, "watchdog %s grants %d s and not %d: a guard that is killed leaves the relay on for so long\n", watchdog, s, watchdogS)
		}
	}
	return g.Run(ctx)
}
