// SPDX-License-Identifier: Apache-2.0

// Command table runs every benchmark beside its peer and writes the table in
// BENCHMARKS.md, between its two marks; the words around it are written by
// hand. A row whose run failed says so: an old figure never stays.
//
//	scripts/bench.sh               # all, over an hour
//	scripts/bench.sh -short        # each for a moment, printed only
//	scripts/bench.sh -only c,g     # some of them, printed only
//
// It is a module of its own and needs nothing of ours: what reads benchmarks is
// no part of the program.
package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout); err != nil && !errors.Is(err, flag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "table:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out io.Writer) error {
	fs := flag.NewFlagSet("table", flag.ContinueOnError)
	short := fs.Bool("short", false, "run each for a moment and print the table instead of writing it")
	only := fs.String("only", "", "the `letters` of the runs wanted; the table is printed instead of written")
	file := fs.String("file", "BENCHMARKS.md", "the `file` to write the table into")
	raw := fs.String("raw", "", "keep each run's whole output in this `folder`")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if fs.NArg() > 0 {
		return fmt.Errorf("unexpected argument %q", fs.Arg(0))
	}
	wanted := stages
	if *only != "" {
		wanted = nil
		for _, key := range strings.Split(*only, ",") {
			i := slices.IndexFunc(stages, func(s stage) bool { return s.key == key })
			if i < 0 {
				return fmt.Errorf("-only: no run %q", key)
			}
			wanted = append(wanted, stages[i])
		}
	}
	write := !*short && *only == ""
	text, err := os.ReadFile(*file)
	if err != nil {
		return err
	}
	if _, err := splice(text, nil); err != nil { // before a quarter of an hour is spent
		return fmt.Errorf("%s: %w", *file, err)
	}
	m := machine(ctx, time.Now())
	m.short = *short
	done := map[string]*result{}
	for i, s := range wanted {
		fmt.Fprintf(out, "[%d/%d] %s\n", i+1, len(wanted), s.command(*short))
		begin := time.Now()
		r := perform(ctx, s, *short, out)
		fmt.Fprintf(out, "%v\n\n", time.Since(begin).Round(time.Second))
		done[s.key] = r
		if *raw != "" {
			if err := os.WriteFile(filepath.Join(*raw, s.key+".txt"), []byte(r.output), 0o600); err != nil {
				return err
			}
		}
		if ctx.Err() != nil {
			return errors.New("stopped; nothing was written")
		}
	}
	table, missing := render(m, wanted, done)
	if !write {
		_, err := out.Write(table)
		return err
	}
	// Someone may have written words meanwhile.
	if text, err = os.ReadFile(*file); err != nil {
		return err
	}
	if text, err = splice(text, table); err != nil {
		return fmt.Errorf("%s: %w", *file, err)
	}
	if err := replace(*file, text); err != nil {
		return err
	}
	fmt.Fprintf(out, "%s has the table\n", *file)
	if missing > 0 {
		return fmt.Errorf("%d figures were not measured; the table says why", missing)
	}
	return nil
}

// replace writes a file in one step: an interrupted run leaves the old one.
func replace(name string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".bench-*")
	if err != nil {
		return err
	}
	_, err1 := f.Write(text)
	if err := errors.Join(err1, f.Chmod(0o644), f.Close()); err != nil {
		os.Remove(f.Name())
		return err
	}
	return os.Rename(f.Name(), name)
}

// perform runs one stage and passes on what it says.
func perform(ctx context.Context, s stage, short bool, out io.Writer) *result {
	ctx, cancel := context.WithTimeout(ctx, s.limit)
	defer cancel()
	cmd := exec.CommandContext(ctx, "go", append([]string{"test"}, s.arguments(short)...)...)
	cmd.Env = append(os.Environ(), s.env...)
	if short {
		cmd.Env = append(cmd.Env, s.quick...)
	}
	// What it has started must end with it: the test's own clean-up does that
	// when it is asked to stop.
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 20 * time.Second
	var text bytes.Buffer
	both := io.MultiWriter(&text, out)
	cmd.Stdout, cmd.Stderr = both, both
	err := cmd.Run()
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		err = fmt.Errorf("not done after %v", s.limit)
	}
	return read(text.String(), err)
}
