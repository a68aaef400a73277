// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/packaging"
)

// TentCmd asks for heat and, at the board only, accepts its limits.
type TentCmd struct {
	Show   tentShowCmd   `cmd:"" help:"What is held, what the heater does and why." example:"curewright tent show"`
	Hold   tentHoldCmd   `cmd:"" help:"Hold the panel at a temperature."`
	Off    tentOffCmd    `cmd:"" help:"Heat off until somebody asks for it again." example:"curewright tent off"`
	Aim    tentAimCmd    `cmd:"" help:"Land a coat's window, or have it hard in time, with the least heat."`
	Plain  tentPlainCmd  `cmd:"" help:"Give up such a plan: back to the plain hold." example:"curewright tent plain"`
	Accept tentAcceptCmd `cmd:"" help:"At the board: accept the heater's limits and start its records anew."`
}

type tentAcceptCmd struct {
	Config string `placeholder:"FILE" type:"path" help:"Configuration with the [tent] section, while no daemon runs."`
	Data   string `placeholder:"DIR" type:"path" help:"Folder of the store; wins over the file."`
	Yes    bool   `help:"Do not ask."`
	JSON   bool   `help:"Print one JSON object; needs --yes."`
}

func (tentAcceptCmd) Help() string {
	return "Until this was done once, and again after any limit or the wiring was changed, there is no heat. It is asked of the running daemon through its socket, or done with --config while none runs.\n\n" +
		"Example:\n\n  sudo curewright tent accept\n\n" + daemon.HeatCaution
}

func (c *tentAcceptCmd) Run(a *App) error {
	if c.JSON && !c.Yes {
		return fault.Inputf("--json: nobody can be asked: give --yes as well, having read the limits")
	}
	if c.JSON {
		out := a.Out
		a.Out = a.Err // the limits are for a person
		defer func() { a.Out = out }()
		if err := c.accept(a); err != nil {
			return err
		}
		a.Out = out
		return a.JSON(map[string]any{"accepted": true})
	}
	return c.accept(a)
}

func (c *tentAcceptCmd) accept(a *App) error {
	if c.Config == "" {
		cl, err := a.Client()
		if err != nil {
			return err
		}
		return c.byDaemon(a, cl)
	}
	cfg, err := daemon.LoadConfig(c.Config)
	if err != nil {
		return err
	}
	if c.Data != "" {
		cfg.Store.Path = c.Data
	}
	if cfg.Tent.Output == "" {
		return fault.Inputf("%s: tent: no heater is configured", c.Config)
	}
	// A daemon that runs would write its own records over ours.
	socket, _ := daemon.SocketPath(cfg)
	for _, path := range []string{socket, web.ServiceSocket} {
		conn, err := web.DialSocket(a.Ctx, path)
		if err != nil {
			continue
		}
		conn.Close()
		if path != socket && cfg.Store.Path != packaging.StateDir {
			continue // the service's, of another store
		}
		cl, err := client.New("unix:"+path, "")
		if err != nil {
			return err
		}
		return c.byDaemon(a, cl)
	}
	for _, l := range daemon.TentLines(cfg.Tent, a.view()) {
		fmt.Fprintln(a.Out, l)
	}
	if err := c.ask(a); err != nil {
		return err
	}
	if err := os.MkdirAll(cfg.Store.Path, 0o700); err != nil {
		return err
	}
	if err := heat.Prepare(cfg.Store.Path, cfg.Tent.Limits(daemon.ProbeBus(cfg.Probe)), time.Now()); err != nil {
		return err
	}
	// Written by root they must still be the daemon's to read.
	for _, name := range []string{heat.LatchFile, heat.OnTimeFile} {
		if err := ownerOf(cfg.Store.Path).give(filepath.Join(cfg.Store.Path, name)); err != nil {
			return fmt.Errorf("accepted, but the records could not be given to the daemon's user: %w", err)
		}
	}
	a.tell("tent.accepted", nil)
	return nil
}

// byDaemon shows the limits that are in force and accepts these and no others.
func (c *tentAcceptCmd) byDaemon(a *App, cl *client.Client) error {
	t, err := cl.Tent(a.Ctx)
	if err != nil {
		return err
	}
	for _, l := range t.Limits {
		fmt.Fprintln(a.Out, hang("  ", l))
	}
	if t.NotAccepted != "" {
		fmt.Fprintf(a.Out, "\n%s\n", Wrap(a.say("tent.now", facts{"why": t.NotAccepted}), 78))
	}
	if err := c.ask(a); err != nil {
		return err
	}
	if _, err := cl.AcceptTent(a.Ctx, t.LimitsHash); err != nil {
		return err
	}
	a.tell("tent.accepted", nil)
	return nil
}

func (c *tentAcceptCmd) ask(a *App) error {
	fmt.Fprintf(a.Out, "\n%s\n\n", Wrap(a.Words.Text("heat.caution"), 78))
	if c.Yes {
		return nil
	}
	fmt.Fprint(a.Out, a.say("tent.ask", facts{"yes": "yes"}), " ")
	s, err := bufio.NewReader(a.In).ReadString('\n')
	if err != nil && s == "" {
		return errors.New("not accepted: no answer")
	}
	if strings.TrimSpace(s) != "yes" {
		return errors.New("not accepted; nothing was written")
	}
	return nil
}
