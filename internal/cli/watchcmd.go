// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"

	"curewright/internal/daemon"
	"curewright/internal/fault"
)

type WatchCmd struct {
	Config string `placeholder:"FILE" type:"path" help:"Configuration; without one, probes are looked for and the page is on this machine only."`
	Data   string `placeholder:"DIR" type:"path" help:"Folder of the store; wins over the file."`
	Listen string `placeholder:"ADDR" help:"Address to serve, HOST:PORT; wins over the file."`
	Log    string `enum:"text,json" default:"text" help:"Form of the log on standard error."`
}

func (WatchCmd) Help() string {
	return "Example:\n\n  curewright watch --config /etc/curewright/curewright.toml\n\n" + Caution
}

// prepare reads the configuration and applies the flags over it.
func (c *WatchCmd) prepare() (daemon.Config, error) {
	cfg, _, err := daemon.LoadWithSecrets(c.Config, true)
	if c.Data != "" {
		cfg.Store.Path = c.Data
	}
	var ferr error
	if c.Listen != "" {
		cfg.Web.Listen = c.Listen
		if errs := cfg.Web.Check(); len(errs) > 0 && err == nil {
			ferr = fault.Inputf("--listen: %s", strings.TrimPrefix(errors.Join(errs...).Error(), "web.listen: "))
		}
	}
	return cfg, fault.Join(err, ferr)
}

func (c *WatchCmd) Run(a *App) error {
	cfg, err := c.prepare()
	if err != nil {
		return err
	}
	var h slog.Handler = slog.NewTextHandler(a.Err, nil)
	if c.Log == "json" {
		h = slog.NewJSONHandler(a.Err, nil)
	}
	log := slog.New(h)
	// Small boards have 512 MB for everything: collect sooner rather than grow.
	// At rest three megabytes live, so that a collection every few seconds
	// costs less than what is saved. The limit is a soft one. The environment
	// overrides both.
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(40 << 20)
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(50)
	}
	if os.Getenv("GOMAXPROCS") == "" {
		daemon.OneCore()
	}
	return daemon.Watch(a.Ctx, cfg, a.Build.Version, log, func(addr net.Addr, noProbe string) {
		fmt.Fprintln(a.Out, a.say("watch.open", facts{"url": daemon.PageURL(cfg, addr)}))
		if noProbe != "" {
			fmt.Fprintln(a.Out, Wrap(noProbe, 78))
		}
	})
}

type CheckCmd struct {
	Config string `placeholder:"FILE" type:"path" help:"Configuration to check; the defaults without one."`
	JSON   bool   `help:"Print one JSON object."`
}

func (c *CheckCmd) Run(a *App) error {
	cfg, notes, err := daemon.LoadWithSecrets(c.Config, false)
	if err != nil {
		return err
	}
	// What watch would refuse is refused here as well: the same parts are made,
	// if this user may see every secret.
	if err := daemon.Refused(a.Ctx, cfg, len(notes) > 0); err != nil {
		return fault.In(c.Config, err)
	}
	if c.JSON {
		lines := []string{}
		for _, l := range cfg.Describe(a.view()) {
			lines = append(lines, strings.TrimSpace(l))
		}
		return a.JSON(map[string]any{"good": true, "config": c.Config, "runs": lines, "secrets": append([]string{}, notes...)})
	}
	good := a.say("check.defaults", nil)
	if c.Config != "" {
		good = a.say("check.good", facts{"file": filepath.Base(c.Config)})
	}
	fmt.Fprintln(a.Out, good)
	for _, l := range cfg.Describe(a.view()) {
		fmt.Fprintln(a.Out, l)
	}
	for _, n := range notes {
		fmt.Fprintf(a.Out, "  %-10s %s\n", a.say("check.secret", nil), n)
	}
	return nil
}
