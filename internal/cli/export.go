// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"curewright/history"
	"curewright/internal/daemon"
	"curewright/internal/fault"
)

type ExportCmd struct {
	Probe  []string `help:"Probe; all of them when not given."`
	From   string   `placeholder:"TIME" help:"From then on (RFC 3339, or 48h for the last two days)."`
	To     string   `placeholder:"TIME" help:"Until then."`
	Format string   `enum:"csv,parquet" default:"csv" help:"csv or parquet."`
	Out    string   `short:"o" placeholder:"FILE" type:"path" help:"File to write; standard output when not given."`
	Data   string   `placeholder:"DIR" type:"path" help:"Read the store in this folder, with no daemon running; the usual one when none answers."`
}

func (ExportCmd) Help() string {
	return "The CSV is what replay reads.\n\nExample:\n\n  curewright export --from 48h -o shed.csv"
}

func (c *ExportCmd) Run(a *App) error {
	from, to := time.Time{}, time.Time{}
	var ferr, terr error
	if c.From != "" {
		from, ferr = when("from", c.From, time.Now())
	}
	if c.To != "" {
		to, terr = when("to", c.To, time.Now())
	}
	if err := fault.Join(ferr, terr); err != nil {
		return err
	}
	span := &spanSeen{}
	err := a.toFile(c.Out, func(w io.Writer) error {
		q := history.ExportQuery{Probes: c.Probe, From: from, To: to, Seen: span.see}
		if c.Data != "" {
			return inUse(c.Data, exportOffline(a.Ctx, c.Data, w, c.Format, q))
		}
		err := c.fromDaemon(a, w, from, to, span)
		if dir := a.storeAtRest(err, daemon.DefaultData()); dir != "" {
			return exportOffline(a.Ctx, dir, w, c.Format, q)
		}
		return err
	})
	if err == nil {
		fmt.Fprintln(a.Err, a.spanSeen(span))
	}
	return err
}

func exportOffline(ctx context.Context, dir string, w io.Writer, format string, q history.ExportQuery) error {
	s, err := history.OpenReadOnly(dir)
	if err != nil {
		return fmt.Errorf("open store: %w", err)
	}
	defer s.Close()
	if format == "parquet" {
		_, err = s.ExportParquet(ctx, w, q)
	} else {
		_, err = s.ExportCSV(ctx, w, q)
	}
	if errors.Is(err, history.ErrNotFound) {
		return fault.Inputf("--probe: %v", err)
	}
	return err
}

// fromDaemon asks the daemon probe by probe, so that neither side holds a
// year in memory.
func (c *ExportCmd) fromDaemon(a *App, w io.Writer, from, to time.Time, span *spanSeen) error {
	cl, err := a.Client()
	if err != nil {
		return err
	}
	if c.Format == "parquet" {
		if _, err := cl.Probes(a.Ctx); err != nil {
			return err
		}
		return fault.Inputf("--format: parquet is made from the store: stop the daemon and give --data")
	}
	probes := c.Probe
	if len(probes) == 0 {
		hs, err := cl.Probes(a.Ctx)
		if err != nil {
			return err
		}
		for _, h := range hs {
			probes = append(probes, h.Probe)
		}
	}
	// Without a bound all of it, as from the store at rest: the API's own default
	// is a day, and this machine's clock need not be the daemon's.
	if from.IsZero() {
		from = time.Unix(0, 0).UTC()
	}
	if to.IsZero() {
		to = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	var out headerOnce
	out.w = io.MultiWriter(w, span)
	for _, p := range probes {
		out.next()
		if err := cl.ReadingsCSV(a.Ctx, &out, p, from, to); err != nil {
			return err
		}
	}
	return nil
}

// spanSeen is what an export gave: how many readings, from when to when.
type spanSeen struct {
	n           int
	first, last time.Time
	line        []byte // of a CSV that passes through, up to its first comma
	past        bool   // that comma
}

func (s *spanSeen) see(at time.Time) {
	if s.n++; s.n == 1 || at.Before(s.first) {
		s.first = at
	}
	if at.After(s.last) {
		s.last = at
	}
}

// Write reads the times of a CSV that passes through.
func (s *spanSeen) Write(b []byte) (int, error) {
	for _, c := range b {
		switch {
		case c == '\n':
			s.line, s.past = s.line[:0], false
		case s.past:
		case c != ',':
			s.line = append(s.line, c)
		default:
			s.past = true
			if at, err := time.Parse(time.RFC3339Nano, string(s.line)); err == nil { // the header is none
				s.see(at)
			}
		}
	}
	return len(b), nil
}

func (a *App) spanSeen(s *spanSeen) string {
	if s.n == 0 {
		return a.say("export.none", nil)
	}
	return a.say("export.span", facts{"n": s.n, "from": s.first.Format(time.RFC3339), "to": s.last.Format(time.RFC3339)})
}

// headerOnce drops the first line of every part but the first.
type headerOnce struct {
	w    io.Writer
	n    int
	skip bool
}

func (h *headerOnce) next() { h.n++; h.skip = h.n > 1 }

func (h *headerOnce) Write(b []byte) (int, error) {
	n := len(b)
	if h.skip {
		i := 0
		for i < len(b) && b[i] != '\n' {
			i++
		}
		if i == len(b) {
			return n, nil
		}
		h.skip = false
		b = b[i+1:]
	}
	if len(b) == 0 {
		return n, nil
	}
	if _, err := h.w.Write(b); err != nil {
		return 0, err
	}
	return n, nil
}

func backupOffline(ctx context.Context, dir, file string) error {
	s, err := history.OpenReadOnly(dir)
	if err != nil {
		return fmt.Errorf("open store: %w", err)
	}
	defer s.Close()
	return s.Backup(ctx, file)
}
