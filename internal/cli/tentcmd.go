package cli

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"curewright/heat"
	"curewright/internal/daemon"
	"curewright/internal/fault"
)

// TentCmd asks for heat and, at the board only, accepts its limits.
type TentCmd struct {
	Show   tentShowCmd   `cmd:"" help:"What is held, what the heater does and why."`
	Hold   tentHoldCmd   `cmd:"" help:"Hold the panel at a temperature."`
	Off    tentOffCmd    `cmd:"" help:"Heat off until somebody asks for it again."`
	Aim    tentAimCmd    `cmd:"" help:"Land a coat's window, or have it hard in time, with the least heat."`
	Plain  tentPlainCmd  `cmd:"" help:"Give up such a plan: back to the plain hold."`
	Accept tentAcceptCmd `cmd:"" help:"At the board: accept the heater's limits and start its records anew."`
}

type tentAcceptCmd struct {
	Config string `required:"" placeholder:"FILE" type:"path" help:"Configuration with the [tent] section."`
	Data   string `placeholder:"DIR" type:"path" help:"Folder of the store; wins over the file."`
	Yes    bool   `help:"Do not ask."`
}

func (tentAcceptCmd) Help() string {
	return "Until this was done once, the heater's records are missing and it counts as latched with its on-time used up. Stop the daemon first.\n\n" +
		"Example:\n\n  curewright tent accept --config /etc/curewright/curewright.toml\n\n" + daemon.HeatCaution
}

func (c *tentAcceptCmd) Run(a *App) error {
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
	for _, l := range daemon.TentLines(cfg.Tent) {
		fmt.Fprintln(a.Out, l)
	}
	fmt.Fprintf(a.Out, "\n%s\n\n", Wrap(daemon.HeatCaution, 78))
	if !c.Yes {
		fmt.Fprint(a.Out, "Have you looked at heater, cut-out and tent, and is this right? Type yes: ")
		s, err := bufio.NewReader(a.In).ReadString('\n')
		if err != nil && s == "" {
			return errors.New("not accepted: no answer")
		}
		if strings.TrimSpace(s) != "yes" {
			return errors.New("not accepted; nothing was written")
		}
	}
	if err := os.MkdirAll(cfg.Store.Path, 0o700); err != nil {
		return err
	}
	if err := heat.Prepare(cfg.Store.Path, time.Now()); err != nil {
		return err
	}
	fmt.Fprintln(a.Out, "Accepted. The heater stays off until somebody asks for heat.")
	return nil
}
