// SPDX-License-Identifier: Apache-2.0

// Command curewright watches epoxy cure coat by coat: a daemon on a small
// board, and the command line that talks to it or computes offline. This
// package holds the flags and exit codes alone.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	"time"
	_ "time/tzdata" // small boards often have no zone data of their own

	"curewright/dashboards/client"
	"curewright/internal/argv"
	"curewright/internal/cli"
	"curewright/internal/demo"
	"curewright/internal/doctor"
	"curewright/internal/fault"
)

// The linker sets these; "" where it was not told.
var version, commit string

func main() {
	asked := make(chan os.Signal, 2)
	signal.Notify(asked, os.Interrupt, syscall.SIGTERM)
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		<-asked
		cancel()
		// A daemon takes its time to stop. Anything else that has not ended by now
		// hangs in something that no context ends: a silent pipe, a terminal.
		var late <-chan time.Time
		if len(os.Args) < 2 || !slices.Contains(runsOn, os.Args[1]) {
			late = time.After(time.Second)
		}
		select {
		case <-asked: // a second signal ends everything at once
		case <-late:
		}
		os.Exit(exitSignal)
	}()
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// runsOn are the commands that run until they are told to stop.
var runsOn = []string{"demo", "watch", "relay-guard"}

// Exit codes of the contract.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
	exitSignal = 128 + int(syscall.SIGINT) // ended by a signal, as shells say it
)

type commandLine struct {
	Units     string `enum:"si,us" default:"si" help:"What people see: si (°C) or us (°F). Files and JSON stay in °C."`
	Language  string `env:"CUREWRIGHT_LANGUAGE" type:"path" placeholder:"FILE" help:"File of another language's sentences, as [shop] language names one; what it lacks is said in English."`
	Server    string `env:"CUREWRIGHT_SERVER" help:"Address of the daemon, or unix:PATH of its socket; without one, the service's socket on this board, else http://127.0.0.1:8374."`
	TokenFile string `env:"CUREWRIGHT_TOKEN_FILE" type:"path" help:"File with the token to show the daemon."`

	Demo   demo.Cmd      `cmd:"" help:"Show the whole thing over a simulated October weekend: no hardware, no configuration."`
	Watch  cli.WatchCmd  `cmd:"" help:"Run the daemon: log probes, follow coats, serve the dashboard."`
	Check  cli.CheckCmd  `cmd:"" help:"Read the configuration and say all that is wrong, or what would run." example:"curewright check --config curewright.toml"`
	Probes cli.ProbesCmd `cmd:"" help:"List buses and probes, each with a live value or the reason there is none."`

	Coat  cli.CoatCmd  `cmd:"" help:"Start, list, show and end coats."`
	Feel  cli.FeelCmd  `cmd:"" help:"Record a finger test: what the finger found." example:"curewright feel a-tack tacky --at 5m"`
	Batch cli.BatchCmd `cmd:"" help:"Record a mixed cup, or that it is used up."`
	Panel cli.PanelCmd `cmd:"" help:"Add and list panels."`
	Stock cli.StockCmd `cmd:"" help:"Drums and bottles: lots, what is left, where it ends."`

	Job     cli.JobCmd     `cmd:"" help:"The job, written once: its steps, the next one, and one entry for each."`
	Correct cli.CorrectCmd `cmd:"" help:"Put a record right, cups included; the record shows both."`
	Undo    cli.UndoCmd    `cmd:"" help:"Take back what was entered, as a whole."`

	Cure   cli.CureCmd   `cmd:"" help:"One resin at a steady temperature."`
	Air    cli.AirCmd    `cmd:"" help:"Moist air at a point: dew point, humidity at a panel's surface." example:"curewright air --temp 18 --rh 75 --panel 15"`
	Pot    cli.PotCmd    `cmd:"" help:"One cup: how long it lasts and whether it runs away."`
	Mix    cli.MixCmd    `cmd:"" help:"What to mix: grams, batches, what is still to pour, what mends a slip."`
	Fit    cli.FitCmd    `cmd:"" help:"A resin from its data sheet."`
	Memory cli.MemoryCmd `cmd:"" help:"What your own coats taught: resins, lots, fingers; forget it, carry it."`
	Replay cli.ReplayCmd `cmd:"" help:"Readings and a job file through the estimator, offline."`
	Plan   cli.PlanCmd   `cmd:"" help:"The layup day: when to start, how much to mix." example:"curewright plan --job lids.toml --sheet day.html --calendar day.ics"`

	Record  cli.RecordCmd  `cmd:"" help:"The cure record of a panel: HTML that prints, CSV or JSON."`
	Export  cli.ExportCmd  `cmd:"" help:"Readings as CSV or Parquet."`
	Backup  cli.BackupCmd  `cmd:"" help:"A whole copy of the store in one file." example:"curewright backup /media/stick/curewright.db"`
	Restore cli.RestoreCmd `cmd:"" help:"Put such a copy back, with no daemon running."`

	Install cli.InstallCmd `cmd:"" help:"Print or write what systemd needs to run the daemon."`
	Doctor  doctor.Cmd     `cmd:"" help:"What is wrong with buses, permissions, clock, disk and network, and how to mend it."`

	Clock cli.ClockCmd `cmd:"" help:"The board's date and time: see it, or say it where the board can't know."`
	Pair  cli.PairCmd  `cmd:"" help:"A ten-minute code that lets a phone in."`
	Token cli.TokenCmd `cmd:"" help:"List and revoke what has been let in."`
	Alert cli.AlertCmd `cmd:"" help:"Test a channel that alerts go out by."`

	Tent       cli.TentCmd       `cmd:"" help:"A heated tent: see it, hold it, land a window; at the board, accept its limits."`
	RelayGuard cli.RelayGuardCmd `cmd:"" hidden:"" help:"The separate process that owns a heater's relay."`

	Completion cli.CompletionCmd `cmd:"" help:"Print the completion of a shell, or the page of the manual."`
	VersionCmd cli.VersionCmd    `cmd:"" name:"version" help:"Print version, commit and toolchain." example:"curewright version --json"`

	Version bool `help:"Print the version."`
}

// run is main without the process: tests call it with a context they cancel.
func run(ctx context.Context, args []string, in io.Reader, out, errw io.Writer) (code int) {
	var c commandLine
	build := cli.Build{Version: version, Commit: commit}.Known()
	if len(args) == 0 {
		args = []string{"--help"}
	}
	program := newProgram(&c)
	cmd, help, bad := program.Parse(plainArgs(args))
	// A full card or a closed pipe must not look like success.
	kept := &keptWriter{w: out}
	out = kept
	defer func() {
		if kept.err != nil && code == exitDone {
			fmt.Fprintln(errw, "curewright: standard output:", kept.err)
			code = exitFailed
		}
	}()
	a := &cli.App{Ctx: ctx, In: in, Out: out, Err: errw, Units: c.Units, Server: c.Server, Token: c.TokenFile, Build: build, Program: program}
	var err, lerr error
	if a.Words, lerr = cli.Language(c.Language); !cmd.On("json") {
		a.Words = a.Words.In(c.Units)
	}
	switch {
	case help:
		err = cmd.WriteHelp(out)
	case c.Version:
		_, err = fmt.Fprintln(out, build)
	case bad.Any():
		var found error
		if len(bad.Lines) == 0 && slices.Contains(offlineCheck, cmd.Path()) {
			found = runCommand(cmd, a)
		}
		err = usage(bad, found)
	case lerr != nil:
		err = lerr
	default:
		err = runCommand(cmd, a)
	}
	if err != nil {
		return report(a, err)
	}
	return exitDone
}

// newProgram describes the command line that c holds.
func newProgram(c *commandLine) *argv.Node {
	return argv.New("curewright", "Watches epoxy cure, coat by coat: what each one is, what comes next and when.\n\n"+cli.Caution, c)
}

// runCommand runs a command; one that does nothing without a daemon is given
// the daemon as --server names it.
func runCommand(cmd *argv.Node, a *cli.App) error {
	switch x := cmd.Target().(type) {
	case interface{ Run(*cli.App) error }:
		return x.Run(a)
	case interface {
		Run(*cli.App, *client.Client) error
	}:
		cl, err := a.Client()
		if err != nil {
			return err
		}
		return x.Run(a, cl)
	}
	panic("no Run: " + cmd.Path())
}

// keptWriter remembers the first error of its writer.
type keptWriter struct {
	w   io.Writer
	err error
}

func (k *keptWriter) Write(b []byte) (int, error) {
	n, err := k.w.Write(b)
	if err != nil && k.err == nil {
		k.err = err
	}
	return n, err
}

// report prints an error as the contract says and returns the exit code.
func report(a *cli.App, err error) int {
	if u, ok := errors.AsType[*fault.Input](err); ok {
		for _, l := range u.Lines {
			fmt.Fprintln(a.Err, "curewright:", l)
		}
		return exitUsage
	}
	if api, ok := errors.AsType[*client.Error](err); ok {
		for l := range strings.SplitSeq(api.Error(), "\n") {
			fmt.Fprintln(a.Err, "curewright:", l)
		}
		if api.Status >= 400 && api.Status < 500 {
			return exitUsage
		}
		return exitFailed
	}
	if errors.Is(err, context.Canceled) && a.Ctx.Err() != nil {
		return exitDone
	}
	fmt.Fprintln(a.Err, "curewright:", err)
	return exitFailed
}
