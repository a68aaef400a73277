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
	return a.toFile(c.Out, func(w io.Writer) error {
		q := history.ExportQuery{Probes: c.Probe, From: from, To: to}
		if c.Data != "" {
			return exportOffline(a.Ctx, c.Data, w, c.Format, q)
		}
		err := c.fromDaemon(a, w, from, to)
		if dir := a.storeAtRest(err, daemon.DefaultData()); dir != "" {
			return exportOffline(a.Ctx, dir, w, c.Format, q)
		}
		return err
	})
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
func (c *ExportCmd) fromDaemon(a *App, w io.Writer, from, to time.Time) error {
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
	if to.IsZero() {
		to = time.Now().Add(24 * time.Hour)
	}
	var out headerOnce
	out.w = w
	for _, p := range probes {
		out.next()
		if err := cl.ReadingsCSV(a.Ctx, &out, p, from, to); err != nil {
			return err
		}
	}
	return nil
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
