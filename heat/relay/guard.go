// SPDX-License-Identifier: Apache-2.0

// Package relay drives a heater's relay through a guard: a separate small
// process that owns the line, takes renewals over a pipe and switches off at
// the end of the pipe, at the end of the lease, on a signal, and when the line
// can't be switched. While it runs it feeds the board's hardware watchdog, so that
// the board resets if the guard dies with the relay on: the state of a line after
// its process died is not relied on.
//
// Requests are lines "on N" and "off N" with a number; answers are "ok on N",
// "ok off N" and "err N TEXT"; "watchdog N" tells after how many seconds the
// board's watchdog resets it. Any other input means off.
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

// Guard is the work of the guard process. Every field but Watchdog is required.
type Guard struct {
	Line  heat.Line
	Lease time.Duration
	In    io.Reader
	Out   io.Writer
	// Watchdog is the open watchdog device, nil for none. It is fed while the
	// line obeys; "V" is written before an orderly end, which disarms it.
	Watchdog io.Writer
}

// feedEvery is the interval of feeding, well below watchdogS.
const feedEvery = 3 * time.Second

// watchdogS is the watchdog's time, s: a guard that dies with the relay on leaves it
// on for that long. Watchdogs of small boards allow up to 15 s (from memory). One
// second less keeps the promise of 15 s, since Linux feeds once more when it closes a
// dead guard's device, and counts in half seconds.
const watchdogS = 14

// Run works until the end of In, ctx's end, or a line that can't be switched off. The
// line is off when it starts and when it returns; where that failed, the watchdog is
// no longer fed and resets the board.
func (g *Guard) Run(ctx context.Context) (err error) {
	dead := false
	set := func(on bool) error {
		err := g.Line.Set(on)
		// If switching off fails, the watchdog must reset the board.
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
