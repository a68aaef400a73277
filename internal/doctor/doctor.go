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
	"curewright/model/words"
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

// report is what was found of one area. Each of its methods adds a finding, by its
// code below "doctor.found" and with what a person can do by the same below
// "doctor.mend" where there is anything, and returns all of them.
type report struct {
	area  string
	read  words.View
	found []finding
}

func (d *doctor) report(area string) *report {
	return &report{area: area, read: words.View{Words: d.words}}
}

func (r *report) add(mark, code string, facts words.Facts) []finding {
	return r.mended(mark, code, code, facts, nil)
}

// mended is add with the code of another finding's mending, and what does it.
func (r *report) mended(mark, code, mend string, facts words.Facts, fix func() (string, error)) []finding {
	f := finding{Area: r.area, Mark: mark, What: r.read.Say("doctor.found."+code, facts), fix: fix}
	if code := "doctor.mend." + mend; words.English.Has(code) {
		f.Mend = r.read.Say(code, facts)
	}
	r.found = append(r.found, f)
	return r.found
}

func (r *report) good(code string, facts words.Facts) []finding { return r.add(markGood, code, facts) }

func (r *report) note(code string, facts words.Facts) []finding { return r.add(markNote, code, facts) }

func (r *report) wrong(code string, facts words.Facts) []finding {
	return r.add(markWrong, code, facts)
}

// fixable is what is wrong and --fix puts right.
func (r *report) fixable(code string, facts words.Facts, fix func() (string, error)) []finding {
	return r.mended(markWrong, code, "fix", facts, fix)
}

// said is what somebody else says of a thing: an error of the system, a line of a
// file's fault, a probe.
func (r *report) said(mark, what, mend string) []finding {
	r.found = append(r.found, finding{Area: r.area, Mark: mark, What: what, Mend: mend})
	return r.found
}

// doctor is the patient: the board, in a form that tests can replace.
type doctor struct {
	words   *words.Catalogue // what is said; nil: English
	root    string           // the board's files
	here    bool             // root is this running machine
	cfg     daemon.Config
	cfgFile string // "" without one
	cfgErr  error

	trusted func() bool                        // is the clock
	chip    func() (daemon.Chip, bool)         // the board's
	now     func() time.Time                   //
	space   func(dir string) (diskInfo, error) // of the file system under dir
	buses   func(context.Context) discover.Report
	ready   func(context.Context) (late []string, err error) // of the running daemon
	store   func(context.Context, *report, string) []finding
	listen  func(addr string) error // can it be served
	line    func(name string) error // is it on this board
	addrs   func() ([]string, error)
}

func (c *Cmd) Run(a *cli.App) error {
	d := &doctor{
		words: a.Words, root: c.Root, here: filepath.Clean(c.Root) == "/",
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
			fmt.Fprintln(a.Out, "\n"+a.Words.Text("doctor.restart"))
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
		name := ""
		if f.Area != area {
			name = a.Words.Text("doctor.area." + strings.ToLower(f.Area))
		}
		area = f.Area
		lines := strings.Split(cli.Wrap(f.What, 58), "\n")
		fmt.Fprintf(a.Out, "%-11s %-7s %s\n", name, a.Words.Text("doctor.mark."+f.Mark), lines[0])
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
			fs = append(fs, d.store(ctx, d.report("store"), d.cfg.Store.Path)...)
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
func notAnswering(err error) (there bool, why any) {
	if api, ok := errors.AsType[*client.Error](err); ok {
		if api.Status == 401 || api.Status == 403 {
			return true, words.Code("doctor.wants_token")
		}
		return true, api.Error()
	}
	return false, err.Error()
}

func (d *doctor) service(late []string, running error) []finding {
	r := d.report("service")
	unit := d.serviceInstalled()
	wants := d.exists("/etc/systemd/system/multi-user.target.wants/" + packaging.Service)
	switch {
	case unit == "":
		r.note("not_installed", nil)
	case !wants:
		r.wrong("not_enabled", words.Facts{"unit": unit})
	default:
		r.good("starts", nil)
	}
	if unit != "" && d.here && exists("/sys/fs/cgroup/cgroup.controllers") && !strings.Contains(d.read("/sys/fs/cgroup/cgroup.controllers"), "memory") {
		r.note("no_memory_limit", nil)
	}
	if !d.here {
		return r.found
	}
	switch {
	case running == nil && len(late) == 0:
		r.good("runs", nil)
	case running == nil:
		r.wrong("late", words.Facts{"parts": strings.Join(late, "; ")})
	default:
		there, why := notAnswering(running)
		mark := markNote
		if wants {
			mark = markWrong
		}
		if there {
			r.note("not_asked", words.Facts{"why": why})
		} else {
			r.add(mark, "no_daemon", words.Facts{"why": why})
		}
	}
	return r.found
}

func (d *doctor) configuration() []finding {
	r := d.report("settings")
	if d.cfgErr != nil {
		lines := []string{d.cfgErr.Error()}
		if u, ok := errors.AsType[*fault.Input](d.cfgErr); ok {
			lines = u.Lines
		}
		for _, l := range lines {
			r.wrong("bad_line", words.Facts{"line": l, "file": d.cfgFile})
		}
		return r.found
	}
	if d.cfgFile == "" {
		return r.note("no_file", nil)
	}
	return r.good("file", words.Facts{"file": d.cfgFile})
}
