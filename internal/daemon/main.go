// Package daemon is the running whole: the parts wired, the look at every coat,
// what the pages ask, and for now the commands as well. It is importable, so
// that tests run the real thing; only cmd/curewright and tests import it.
package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"

	"github.com/alecthomas/kong"

	"curewright/dashboards/client"
	"curewright/model/tomlfile"
)

// Main is the program without the process: it runs one command and returns its
// exit code.
func Main(ctx context.Context, b Build, args []string, in io.Reader, out, errw io.Writer) int {
	build = b.known()
	return run(ctx, args, in, out, errw)
}

// Exit codes of the contract.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// app is what every command gets: the process without the process, so that
// tests can run commands whole.
type app struct {
	ctx      context.Context
	in       io.Reader
	out, err io.Writer
	units    units
	server   string
	token    string // path of the token file
}

// usageError is bad usage or bad input: one line a fault, exit 2, nothing
// written.
type usageError struct{ lines []string }

func (e *usageError) Error() string { return strings.Join(e.lines, "\n") }

func usagef(format string, a ...any) error {
	for i := range a {
		if p, ok := a[i].(*fs.PathError); ok {
			a[i] = p.Path + ": " + p.Err.Error() // the place first
		}
	}
	return &usageError{[]string{fmt.Sprintf(format, a...)}}
}

// usage turns what checks report into a usageError naming the file.
func usage(name string, err error) error {
	var faults tomlfile.Faults
	if errors.As(err, &faults) {
		return &usageError{faults.Lines(name)}
	}
	var lines []string
	for _, e := range flatten(err) {
		line := e.Error()
		if name != "" && !strings.HasPrefix(line, name+":") {
			line = name + ": " + line
		}
		lines = append(lines, line)
	}
	return &usageError{lines}
}

func flatten(err error) []error {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		var out []error
		for _, e := range j.Unwrap() {
			out = append(out, flatten(e)...)
		}
		return out
	}
	return []error{err}
}

type cli struct {
	Units     string `enum:"si,us" default:"si" help:"What people see: si (°C) or us (°F). Files and JSON stay in °C."`
	Server    string `env:"CUREWRIGHT_SERVER" help:"Address of the daemon, or unix:PATH of its socket; without one, the service's socket on this board, else http://127.0.0.1:8374."`
	TokenFile string `env:"CUREWRIGHT_TOKEN_FILE" type:"path" help:"File with the token to show the daemon."`

	Demo   demoCmd   `cmd:"" help:"Show the whole thing over a simulated October weekend: no hardware, no configuration."`
	Watch  watchCmd  `cmd:"" help:"Run the daemon: log probes, follow coats, serve the dashboard."`
	Check  checkCmd  `cmd:"" help:"Read the configuration and say all that is wrong, or what would run."`
	Probes probesCmd `cmd:"" help:"List buses and probes, each with a live value or the reason there is none."`

	Coat  coatCmd  `cmd:"" help:"Start, list, show and end coats."`
	Feel  feelCmd  `cmd:"" help:"Record a finger test: what the finger found."`
	Batch batchCmd `cmd:"" help:"Record a mixed cup, or that it is used up."`
	Panel panelCmd `cmd:"" help:"Add and list panels."`

	Cure   cureCmd   `cmd:"" help:"One resin at a steady temperature."`
	Air    airCmd    `cmd:"" help:"Moist air at a point: dew point, humidity at a panel's surface."`
	Pot    potCmd    `cmd:"" help:"One cup: how long it lasts and whether it runs away."`
	Fit    fitCmd    `cmd:"" help:"A resin from its data sheet."`
	Replay replayCmd `cmd:"" help:"Readings and a job file through the estimator, offline."`
	Plan   planCmd   `cmd:"" help:"The layup day: when to start, how much to mix."`

	Record  recordCmd  `cmd:"" help:"The cure record of a panel: HTML that prints, CSV or JSON."`
	Export  exportCmd  `cmd:"" help:"Readings as CSV or Parquet."`
	Backup  backupCmd  `cmd:"" help:"A whole copy of the store in one file."`
	Restore restoreCmd `cmd:"" help:"Put such a copy back, with no daemon running."`

	Install installCmd `cmd:"" help:"Print or write what systemd needs to run the daemon."`
	Doctor  doctorCmd  `cmd:"" help:"What is wrong with buses, permissions, clock, disk and network, and how to mend it."`

	Pair  pairCmd  `cmd:"" help:"A ten-minute code that lets a phone in."`
	Token tokenCmd `cmd:"" help:"List and revoke what has been let in."`
	Alert alertCmd `cmd:"" help:"Test a channel that alerts go out by."`

	Tent       tentCmd       `cmd:"" help:"A heated tent: see it, hold it, land a window; at the board, accept its limits."`
	RelayGuard relayGuardCmd `cmd:"" hidden:"" help:"The separate process that owns a heater's relay."`

	Completion completionCmd `cmd:"" help:"Print the completion of a shell, or the page of the manual."`
	VersionCmd versionCmd    `cmd:"" name:"version" help:"Print version, commit and toolchain."`

	Version kong.VersionFlag `help:"Print the version."`
}

// run is main without the process: tests call it with a context they cancel.
func run(ctx context.Context, args []string, in io.Reader, out, errw io.Writer) (code int) {
	var c cli
	exited := false
	var bad badNumbers
	parser, err := kong.New(&c,
		kong.Name("curewright"),
		kong.Description("Watches epoxy cure, coat by coat: what each one is, what comes next and when.\n\n"+caution),
		kong.Writers(out, errw),
		kong.Exit(func(n int) { exited, code = true, n }),
		kong.Vars{"version": build.String()},
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true}),
		kong.UsageOnError(),
		bad.option(),
	)
	if err != nil {
		fmt.Fprintln(errw, "curewright:", err)
		return exitFailed
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	kctx, err := parser.Parse(plainArgs(args))
	if exited {
		return code
	}
	if err != nil {
		fmt.Fprintf(errw, "curewright: arguments: %v\n", err)
		return exitUsage
	}
	a := &app{ctx: ctx, in: in, out: out, err: errw, units: units(c.Units), server: c.Server, token: c.TokenFile}
	if err := kctx.BindToProvider(a.client); err != nil {
		return a.report(err)
	}
	if bad.lines != nil {
		var found error
		if slices.Contains(offlineCheck, kctx.Command()) {
			found = kctx.Run(a)
		}
		return a.report(bad.usage(found))
	}
	if err := kctx.Run(a); err != nil {
		return a.report(err)
	}
	return exitDone
}

// report prints an error as the contract says and returns the exit code.
func (a *app) report(err error) int {
	var u *usageError
	if errors.As(err, &u) {
		for _, l := range u.lines {
			fmt.Fprintln(a.err, "curewright:", l)
		}
		return exitUsage
	}
	var api *client.Error
	if errors.As(err, &api) {
		for _, l := range strings.Split(api.Error(), "\n") {
			fmt.Fprintln(a.err, "curewright:", l)
		}
		if api.Status >= 400 && api.Status < 500 {
			return exitUsage
		}
		return exitFailed
	}
	if errors.Is(err, context.Canceled) && a.ctx.Err() != nil {
		return exitDone
	}
	fmt.Fprintln(a.err, "curewright:", err)
	return exitFailed
}

// json prints exactly one JSON object.
func (a *app) json(v any) error {
	enc := json.NewEncoder(a.out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

const caution = "An estimate, not a certificate of cure or strength: confirm with a fingertip, a hardness gauge, a test piece. The resin's data sheet and safety data sheet win over any number here; local codes and licensed practice win over both."
