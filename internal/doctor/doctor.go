// SPDX-License-Identifier: Apache-2.0

// Package doctor looks at a board's buses, permissions, clock, disk, network and
// store, and says how to mend what is wrong.
//
// It mends nothing unless it is asked to, and needs no running daemon.
package doctor

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/heat/relay"
	"curewright/internal/cli"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/packaging"
	"curewright/sensors/discover"
)

type Cmd struct {
	Config string `placeholder:"FILE" type:"path" help:"Configuration; the service's own where there is one."`
	Data   string `placeholder:"DIR" type:"path" help:"Folder of the store; wins over the file."`
	Fix    bool   `help:"Switch on I2C and 1-wire in the board's own files, for root."`
	Root   string `placeholder:"DIR" type:"path" default:"/" help:"Look at a card that is plugged into another computer, mounted here."`
	JSON   bool   `help:"Print one JSON object."`
}

func (Cmd) Help() string {
	return "Looks at buses, permissions, clock, disk, network and store, and says how to mend what is wrong. Exit 1 while something is.\n\nExample:\n\n  sudo curewright doctor\n  sudo curewright doctor --fix"
}

// Marks of a finding.
const (
	markGood   = "good"
	markNote   = "note"   // worth knowing, nothing is broken
	markWrong  = "wrong"  // something will not work
	markMended = "mended" // was wrong
)

// finding is one thing that the doctor looked at.
type finding struct {
	Area string `json:"area"`
	Mark string `json:"mark"`
	What string `json:"what"`
	Mend string `json:"mend,omitempty"` // what a person can do

	fix func() (string, error) // puts it right and says what it did; nil: only a person can
}

// report is what was found of one area. Each of its methods adds a finding and
// returns all of them.
type report struct {
	area  string
	found []finding
}

func (r *report) add(mark, what, mend string, fix func() (string, error)) []finding {
	r.found = append(r.found, finding{r.area, mark, what, mend, fix})
	return r.found
}

func (r *report) good(what string) []finding        { return r.add(markGood, what, "", nil) }
func (r *report) note(what, mend string) []finding  { return r.add(markNote, what, mend, nil) }
func (r *report) wrong(what, mend string) []finding { return r.add(markWrong, what, mend, nil) }

// fixable is what is wrong and --fix puts right.
func (r *report) fixable(what, mend string, fix func() (string, error)) []finding {
	return r.add(markWrong, what, mend, fix)
}

// doctor is the patient: the board, in a form that tests can replace.
type doctor struct {
	root    string // the board's files
	here    bool   // root is this running machine
	cfg     daemon.Config
	cfgFile string // "" without one
	cfgErr  error

	trusted func() bool                        // is the clock
	chip    func() (daemon.Chip, bool)         // the board's
	now     func() time.Time                   //
	space   func(dir string) (diskInfo, error) // of the file system under dir
	buses   func(context.Context) discover.Report
	ready   func(context.Context) (late []string, err error) // of the running daemon
	store   func(context.Context, string) []finding
	listen  func(addr string) error // can it be served
	line    func(name string) error // is it on this board
	addrs   func() ([]string, error)
}

func (c *Cmd) Run(a *cli.App) error {
	d := &doctor{
		root: c.Root, here: filepath.Clean(c.Root) == "/",
		now: time.Now, space: diskSpace, chip: daemon.BoardChip,
		buses:  func(ctx context.Context) discover.Report { return daemon.DiscoverProbes(ctx) },
		store:  lookAtStore,
		listen: canListen, addrs: cli.OwnAddresses, line: relay.LookLine,
	}
	d.trusted = func() bool { return daemon.ClockVouched(d.cfg.Store.Path) }
	d.ready = func(ctx context.Context) ([]string, error) {
		cl, err := a.Client()
		if err != nil {
			return nil, err
		}
		ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
		defer cancel()
		return cl.Ready(ctx)
	}
	d.cfgFile = c.Config
	if d.cfgFile == "" {
		if f := d.path(packaging.Local().Config); exists(f) {
			d.cfgFile = f
		}
	}
	d.cfg, d.cfgErr = daemon.LoadConfig(d.cfgFile)
	if c.Config != "" && d.cfgErr != nil && !exists(c.Config) {
		return d.cfgErr
	}
	if c.Data != "" {
		d.cfg.Store.Path = c.Data
	} else if d.serviceInstalled() != "" && d.cfg.Store.Path == daemon.DefaultData() {
		d.cfg.Store.Path = packaging.StateDir
	}
	found := d.look(a.Ctx)
	var failed []error
	restart := false
	if c.Fix {
		for i, f := range found {
			if f.fix == nil {
				continue
			}
			did, err := f.fix()
			if err != nil {
				failed = append(failed, err)
				continue
			}
			found[i].Mark, found[i].Mend = markMended, did
			restart = true
		}
	}
	wrong := 0
	for _, f := range found {
		if f.Mark == markWrong {
			wrong++
		}
	}
	if c.JSON {
		if err := a.JSON(map[string]any{"findings": found, "wrong": wrong, "restart_needed": restart}); err != nil {
			return err
		}
	} else {
		printFindings(a, found)
		if restart {
			fmt.Fprintln(a.Out, "\nNow restart the board (sudo reboot), and look at `sudo curewright probes`.")
		}
	}
	if err := errors.Join(failed...); err != nil {
		if errors.Is(err, fs.ErrPermission) {
			return fmt.Errorf("%w\nroot may: sudo curewright doctor --fix", err)
		}
		return err
	}
	switch {
	case wrong == 1:
		return errors.New("doctor: 1 thing is wrong")
	case wrong > 1:
		return fmt.Errorf("doctor: %d things are wrong", wrong)
	}
	return nil
}

func printFindings(a *cli.App, fs []finding) {
	area := ""
	for _, f := range fs {
		name := f.Area
		if name == area {
			name = ""
		}
		area = f.Area
		lines := strings.Split(cli.Wrap(f.What, 58), "\n")
		fmt.Fprintf(a.Out, "%-11s %-7s %s\n", name, f.Mark, lines[0])
		for _, l := range lines[1:] {
			fmt.Fprintf(a.Out, "%-20s%s\n", "", l)
		}
		if f.Mend == "" {
			continue
		}
		for i, l := range strings.Split(cli.Wrap(f.Mend, 56), "\n") {
			mark := "  "
			if i == 0 {
				mark = "→ "
			}
			fmt.Fprintf(a.Out, "%-20s%s%s\n", "", mark, l)
		}
	}
}

// look goes over everything; one part's trouble never hides another's.
func (d *doctor) look(ctx context.Context) []finding {
	var late []string
	running := errors.New("another board's")
	if d.here {
		late, running = d.ready(ctx)
	}
	fs := slices.Concat(d.service(late, running), d.configuration(), d.i2c(), d.oneWire(), d.permissions())
	if d.here {
		fs = append(fs, d.lines()...)
		if running != nil {
			fs = append(fs, d.probes(ctx)...)
		}
		fs = slices.Concat(fs, d.clock(), d.power())
	}
	fs = append(fs, d.disk()...)
	if d.here {
		fs = append(fs, d.network(running == nil)...)
		if running != nil {
			fs = append(fs, d.store(ctx, d.cfg.Store.Path)...)
		}
	}
	return fs
}

// path is a file of the board.
func (d *doctor) path(p string) string { return filepath.Join(d.root, p) }

// read is a file's text without blanks at its ends; "" when there is none.
func (d *doctor) read(p string) string {
	b, err := os.ReadFile(d.path(p))
	if err != nil {
		return ""
	}
	return strings.Trim(string(b), " \t\r\n\x00")
}

func (d *doctor) glob(pattern string) []string {
	names, _ := filepath.Glob(d.path(pattern)) // the patterns are ours
	return names
}

func exists(p string) bool {
	_, err := os.Stat(p)
	return err == nil
}

func (d *doctor) exists(p string) bool { return exists(d.path(p)) }

// serviceInstalled is the unit's file, "" without one.
func (d *doctor) serviceInstalled() string {
	for _, l := range []packaging.Layout{packaging.Local(), packaging.Packaged()} {
		if p := filepath.Join(l.Units, packaging.Service); d.exists(p) {
			return p
		}
	}
	return ""
}

// notAnswering tells a daemon that refuses from one that is not there.
func notAnswering(err error) (there bool, why string) {
	if api, ok := errors.AsType[*client.Error](err); ok {
		if api.Status == 401 || api.Status == 403 {
			return true, "it asks for a token: --token-file"
		}
		return true, api.Error()
	}
	return false, err.Error()
}

func (d *doctor) service(late []string, running error) []finding {
	r := report{area: "service"}
	unit := d.serviceInstalled()
	wants := d.exists("/etc/systemd/system/multi-user.target.wants/" + packaging.Service)
	switch {
	case unit == "":
		r.note("not installed: nothing starts the daemon when the board does",
			"sudo curewright install --write, and what that prints")
	case !wants:
		r.wrong(unit+" is there and does not start with the board",
			"sudo systemctl enable --now curewright")
	default:
		r.good("starts with the board")
	}
	if unit != "" && d.here && exists("/sys/fs/cgroup/cgroup.controllers") && !strings.Contains(d.read("/sys/fs/cgroup/cgroup.controllers"), "memory") {
		r.note("this kernel does not hold the service to its memory limit",
			"add cgroup_enable=memory to the kernel's command line if the board runs out of memory")
	}
	if !d.here {
		return r.found
	}
	switch {
	case running == nil && len(late) == 0:
		r.good("the daemon runs and every part makes progress")
	case running == nil:
		r.wrong("the daemon runs, but: "+strings.Join(late, "; "),
			"journalctl -u curewright says why; sudo systemctl restart curewright starts it anew")
	default:
		there, why := notAnswering(running)
		mark := markNote
		if wants {
			mark = markWrong
		}
		if there {
			r.note("the daemon answers and could not be asked: "+why, "")
		} else {
			r.add(mark, "no daemon answers ("+why+")", "systemctl status curewright says why it stopped; sudo systemctl start curewright starts it", nil)
		}
	}
	return r.found
}

func (d *doctor) configuration() []finding {
	r := report{area: "settings"}
	if d.cfgErr != nil {
		lines := []string{d.cfgErr.Error()}
		if u, ok := errors.AsType[*fault.Input](d.cfgErr); ok {
			lines = u.Lines
		}
		for _, l := range lines {
			r.wrong(l, "put the line right; curewright check --config "+d.cfgFile+" says when it is")
		}
		return r.found
	}
	if d.cfgFile == "" {
		return r.note("no configuration: probes are looked for, the page is on this board only", "")
	}
	return r.good(d.cfgFile + " makes sense")
}
