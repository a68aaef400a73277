// SPDX-License-Identifier: Apache-2.0

// Package relay drives a heater's relay through a guard: a separate small
// process that owns the line, takes renewals over a pipe and switches off at
// the end of the pipe, at the end of the lease, on a signal, and when the line
// does not obey. While it runs it feeds the board's hardware watchdog, so that
// a guard that dies with the relay on resets the board: nothing is assumed
// about a line after its process died.
//
// Requests are lines "on N" and "off N" with a number; answers are "ok on N",
// "ok off N" and "err N TEXT"; "watchdog N" says after how many seconds the
// board's watchdog bites. Everything that is no such request means off.
package relay

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"curewright/heat"
)

// Guard is the process's work. Every field but Watchdog is required.
type Guard struct {
	Line  heat.Line
	Lease time.Duration
	In    io.Reader
	Out   io.Writer
	// Watchdog is the open watchdog device, nil for none. It is fed while the
	// line obeys; "V" is written before an orderly end, which disarms it.
	Watchdog io.Writer
}

// feedEvery is well inside watchdogS.
const feedEvery = 3 * time.Second

// watchdogS is the time in seconds after which a board's watchdog is asked to
// reset the board when nobody feeds it, since a guard that dies with the relay on
// leaves it on for so long. Small boards grant up to 15 s everywhere (from
// memory); the second less is for the promise of 15 s: Linux feeds once more when
// it closes a dead guard's device, and counts in halves of a second.
const watchdogS = 14

// Run guards until the end of In, ctx's end, or a line that does not obey when
// told to go off. The line is off when it starts and when it returns; where
// that could not be done the watchdog is left to bite.
func (g *Guard) Run(ctx context.Context) (err error) {
	dead := false
	set := func(on bool) error {
		err := g.Line.Set(on)
		// Off that does not work is what the watchdog is for.
		dead = err != nil && !on
		return err
	}
	if err := set(false); err != nil {
		return fmt.Errorf("guard: line: %w", err)
	}
	defer func() {
		if e := set(false); e != nil {
			err = errors.Join(err, fmt.Errorf("guard: line: %w", e))
			return
		}
		if g.Watchdog != nil {
			if _, e := io.WriteString(g.Watchdog, "V"); e != nil {
				err = errors.Join(err, fmt.Errorf("guard: watchdog: %w", e))
			}
		}
	}()

	lines := make(chan string)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s := bufio.NewScanner(g.In)
		s.Buffer(make([]byte, 256), 256)
		for s.Scan() {
			select {
			case lines <- s.Text():
			case <-ctx.Done():
				return
			}
		}
	}()

	feed := time.NewTicker(feedEvery)
	defer feed.Stop()
	expiry := time.NewTimer(g.Lease)
	defer expiry.Stop()
	for {
		if g.Watchdog != nil && !dead {
			if _, err := g.Watchdog.Write([]byte{0}); err != nil {
				return fmt.Errorf("guard: watchdog: %w", err)
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-ended:
			return nil
		case <-feed.C:
		case <-expiry.C:
			if err := set(false); err != nil {
				return fmt.Errorf("guard: line: %w", err)
			}
			fmt.Fprintln(g.Out, "expired")
		case s := <-lines:
			var word string
			var n uint64
			if _, err := fmt.Sscanf(s, "%s %d", &word, &n); err != nil || (word != "on" && word != "off") {
				word = "off"
			}
			err := set(word == "on")
			if err != nil && word == "on" {
				err = errors.Join(err, set(false))
			}
			if err != nil {
				fmt.Fprintf(g.Out, "err %d %s\n", n, strings.ReplaceAll(err.Error(), "\n", "; "))
			} else {
				fmt.Fprintf(g.Out, "ok %s %d\n", word, n)
			}
			expiry.Reset(g.Lease)
		}
	}
}
