// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"

	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/packaging"
)

type InstallCmd struct {
	Write    bool   `help:"Write the files; without it they are only printed."`
	Binary   string `placeholder:"FILE" help:"Where the program is; default this one."`
	Config   string `placeholder:"FILE" default:"/etc/curewright/curewright.toml" help:"The configuration that the service reads."`
	Root     string `placeholder:"DIR" default:"/" help:"Write below this folder, such as a card that is plugged into another computer."`
	JSON     bool   `help:"Print one JSON object."`
	Packaged bool   `hidden:"" help:"As a distribution's package lays it out."`
}

func (InstallCmd) Help() string {
	return "Prints the systemd unit, the daemon's own user and the rules that let it use the buses; with --write they are written, for root. A configuration that is there is left alone. Then what is left to type is printed.\n\nExample:\n\n  curewright install\n  sudo curewright install --write"
}

// layout says where things go.
func (c *InstallCmd) layout() packaging.Layout {
	l := packaging.Local()
	if c.Packaged {
		l = packaging.Packaged()
	}
	switch {
	case c.Binary != "":
		l.Binary = c.Binary
	case !c.Packaged && c.Root == "/":
		// The service runs what is being run now.
		if p, err := os.Executable(); err == nil {
			if p, err = filepath.EvalSymlinks(p); err == nil {
				l.Binary = p
			}
		}
	}
	l.Config = c.Config
	return l
}

func (c *InstallCmd) Run(a *App) error {
	l := c.layout()
	fl, err := l.Files()
	if err != nil {
		return fault.Inputf("install: %v", err)
	}
	if more, err := c.announce(); err != nil {
		return err
	} else if more != nil {
		fl = append(fl, *more)
	}
	if !c.Write {
		return c.show(a, fl)
	}
	if err := c.refuse(l); err != nil {
		return err
	}
	done, err := c.write(a, fl)
	if errors.Is(err, fs.ErrPermission) {
		err = fmt.Errorf("%w\nroot may: sudo curewright install --write", err)
	}
	if err != nil || c.JSON {
		return a.orJSON(map[string]any{"written": true, "files": done}, err)
	}
	if !c.Packaged {
		fmt.Fprintf(a.Out, "\n%s\n\n%s\n%s\n", a.say("install.then", nil), nextSteps, a.say("install.look", facts{"command": "systemctl status curewright"}))
	}
	return nil
}

// installed is a file as --json lists it.
type installed struct {
	Path  string `json:"path"`
	What  string `json:"what"`
	State string `json:"state"` // would be written, written or kept
	Text  string `json:"text,omitempty"`
}

// show prints what would be written.
func (c *InstallCmd) show(a *App, files []packaging.File) error {
	if c.JSON {
		list := []installed{}
		for _, f := range files {
			list = append(list, installed{f.Path, a.say("install.file."+f.What, nil), "would be written", f.Text})
		}
		return a.JSON(map[string]any{"written": false, "files": list})
	}
	for i, f := range files {
		if i > 0 {
			fmt.Fprintln(a.Out)
		}
		fmt.Fprintf(a.Out, "# ==> %s: %s\n%s", f.Path, a.say("install.file."+f.What, nil), f.Text)
	}
	fmt.Fprintln(a.Err, a.say("install.not_written", facts{"command": "sudo curewright install --write"}))
	return nil
}

// write writes the files below the root. What can't be written is said all at once.
func (c *InstallCmd) write(a *App, files []packaging.File) (done []installed, err error) {
	say := func(state, name, what string) {
		done = append(done, installed{Path: name, What: a.say("install.file."+what, nil), State: state})
		if !c.JSON {
			fmt.Fprintf(a.Out, "%-8s %s\n", a.say("install."+state, nil), name)
		}
	}
	var errs []error
	for _, f := range files {
		name := filepath.Join(c.Root, f.Path)
		old, rerr := os.ReadFile(name)
		switch {
		case rerr == nil && (f.Keep || string(old) == f.Text):
			say("kept", name, f.What)
			continue
		case rerr != nil && !errors.Is(rerr, fs.ErrNotExist):
			errs = append(errs, rerr)
			continue
		}
		err := os.MkdirAll(filepath.Dir(name), 0o755)
		if err == nil {
			err = file.Replace(name, []byte(f.Text))
		}
		if err != nil {
			errs = append(errs, err)
			continue
		}
		say("written", name, f.What)
	}
	return done, errors.Join(errs...)
}

const nextSteps = `  sudo systemd-sysusers
  sudo udevadm control --reload && sudo udevadm trigger
  sudo systemctl daemon-reload
  sudo systemctl enable --now curewright
`

// announce is the file for the system's multicast DNS, nil where the page is not
// served to the network or no configuration is there yet.
func (c *InstallCmd) announce() (*packaging.File, error) {
	if c.Packaged {
		return nil, nil // a package cannot know what its configuration will say
	}
	name := filepath.Join(c.Root, c.Config)
	if _, err := os.Stat(name); err != nil {
		return nil, nil
	}
	cfg, err := daemon.LoadConfig(name)
	if err != nil || cfg.Web.Loopback() {
		return nil, nil // check says what is wrong with it
	}
	_, port, err := net.SplitHostPort(cfg.Web.Listen)
	if err != nil {
		return nil, nil
	}
	n, err := strconv.Atoi(port)
	if err != nil || n == 0 {
		return nil, nil
	}
	f, err := packaging.MDNS(n, cfg.Web.TLSCert != "")
	return &f, err
}

// refuse stops an installation whose service could not start: its user may
// not read home folders, and what is in /tmp is gone after a restart.
func (c *InstallCmd) refuse(l packaging.Layout) error {
	if c.Packaged {
		return nil
	}
	for _, p := range []struct{ what, path string }{{"program", l.Binary}, {"configuration", l.Config}} {
		for _, dir := range []string{"/home/", "/root/", "/tmp/", "/var/tmp/", "/run/user/"} {
			if len(p.path) > len(dir) && p.path[:len(dir)] == dir {
				return fault.Inputf("install: the %s is %s, where the service may not look: put it elsewhere first (sudo install curewright /usr/local/bin/curewright) and run it from there", p.what, p.path)
			}
		}
	}
	return nil
}
