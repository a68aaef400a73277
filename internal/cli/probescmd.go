// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
	"strings"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/sensors"
	"curewright/sensors/discover"
)

// ProbesCmd looks at the board's buses, and at the probes that the daemon knows.
type ProbesCmd struct {
	Find   probesFindCmd   `cmd:"" default:"withargs" help:"What is on the buses of this board; what 'probes' alone does."`
	List   probesListCmd   `cmd:"" help:"The probes that the daemon knows, with those that wait to be accepted." example:"curewright probes list"`
	Accept probesAcceptCmd `cmd:"" help:"Name a probe that pushed its first readings, and take it from now on." example:"curewright probes accept loft --name \"Loft\" --role air"`
	Set    probesSetCmd    `cmd:"" help:"Give a probe another name, role or panel." example:"curewright probes set panel-1 --panel lid-a --role panel"`
}

type probesFindCmd struct {
	JSON bool     `help:"Print one JSON object."`
	Mux  []string `help:"Look behind this PCA9548 multiplexer too: BUS/ADDRESS, such as i2c-1/0x70."`
}

func (probesFindCmd) Help() string {
	return "Looks at the buses of this board itself, without the daemon.\n\nExample:\n\n  curewright probes\n  curewright probes find --mux i2c-1/0x70"
}

type probesListCmd struct{ jsonFlag }

func (c *probesListCmd) Run(a *App, cl *client.Client) error {
	ps, err := cl.Probes(a.Ctx)
	if err != nil || c.JSON {
		return a.orJSON(map[string]any{"probes": ps}, err)
	}
	if len(ps) == 0 {
		a.tell("probes.none", nil)
	}
	for _, p := range ps {
		how := a.say("probes.state."+p.State, nil)
		if !p.Accepted && !p.Wired {
			how = a.say("probes.not_accepted", facts{"command": "curewright probes accept " + p.Probe})
		}
		role := a.role(p.Role)
		if p.Panel != "" {
			role += a.say("name.on_panel", facts{"panel": names{a, cl}.panel(p.Panel)})
		}
		fmt.Fprintf(a.Out, "%-18s %-20s %-22s %s\n", p.Probe, p.Name, role, how)
	}
	return nil
}

// probeMeta are the flags that say what a probe is.
type probeMeta struct {
	ID    string  `arg:"" name:"probe" help:"Probe, as listed."`
	Name  *string `help:"What people call it."`
	Role  *string `enum:"air,panel,pot,outdoor,tent," help:"air, panel, pot, outdoor or tent."`
	Panel *string `help:"Panel that it lies on."`
	JSON  bool    `help:"Print one JSON object."`
}

func (c *probeMeta) set(a *App, cl *client.Client, accepted *bool, code string) error {
	if err := cl.SetProbe(a.Ctx, c.ID, web.ProbePatch{Name: c.Name, Role: c.Role, Panel: c.Panel, Accepted: accepted}); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": c.ID, "name": c.Name, "role": c.Role, "panel": c.Panel}, code, facts{"probe": names{a, cl}.is(c.ID)})
}

type probesAcceptCmd struct{ probeMeta }

func (c *probesAcceptCmd) Run(a *App, cl *client.Client) error {
	return c.set(a, cl, new(true), "probes.accepted")
}

type probesSetCmd struct{ probeMeta }

func (c *probesSetCmd) Run(a *App, cl *client.Client) error {
	if c.Name == nil && c.Role == nil && c.Panel == nil {
		return fault.Inputf("probes set %s: nothing to set: --name, --role or --panel", c.ID)
	}
	return c.set(a, cl, nil, "probes.set")
}

func (c *probesFindCmd) Run(a *App) error {
	return c.show(a, daemon.DiscoverProbes(a.Ctx, c.Mux...))
}

func (c *probesFindCmd) show(a *App, rep discover.Report) error {
	if c.JSON {
		type found struct {
			ID     string   `json:"id"`
			Driver string   `json:"driver"`
			Bus    string   `json:"bus"`
			TempC  *float64 `json:"temp_c"`
			RHPct  *float64 `json:"rh_pct"`
			CO2    *float64 `json:"co2_ppm"`
			Error  string   `json:"error,omitempty"`
			Reason string   `json:"reason,omitempty"`
			Hint   string   `json:"hint,omitempty"`
		}
		type bus struct {
			Name   string `json:"name"`
			Detail string `json:"detail,omitempty"`
			Error  string `json:"error,omitempty"`
			Hint   string `json:"hint,omitempty"`
		}
		out := struct {
			Buses  []bus   `json:"buses"`
			Probes []found `json:"probes"`
		}{[]bus{}, []found{}}
		for _, b := range rep.Buses {
			why, hint := sensors.Said(b.Err, a.view())
			out.Buses = append(out.Buses, bus{b.Name, b.Detail, why, hint})
		}
		for _, f := range rep.Found {
			why, hint := sensors.Said(f.Err, a.view())
			out.Probes = append(out.Probes, found{daemon.PlaceID(f), f.Driver, f.Bus, f.Reading.Temp.Ptr(), f.Reading.RH.Ptr(), f.Reading.CO2.Ptr(), why, sensors.Reason(f.Err), hint})
		}
		return a.JSON(out)
	}
	for _, b := range rep.Buses {
		line := a.say("probes.bus", facts{"bus": b.Name})
		if b.Detail != "" {
			line += " (" + b.Detail + ")"
		}
		why, hint := sensors.Said(b.Err, a.view())
		if why != "" {
			line += ": " + why
		}
		fmt.Fprintln(a.Out, line)
		if hint != "" {
			fmt.Fprintln(a.Out, indent(hint))
		}
	}
	if len(rep.Buses) == 0 {
		a.tell("probes.no_bus", nil)
	}
	for _, f := range rep.Found {
		name := f.Driver
		if name == "" {
			name = a.say("not_known", nil)
		}
		why, hint := sensors.Said(f.Err, a.view())
		fmt.Fprintf(a.Out, "%-9s %-22s %s\n", name, f.Bus, why+a.found(f.Reading))
		if hint != "" {
			fmt.Fprintln(a.Out, indent(hint))
		}
	}
	if len(rep.Found) == 0 {
		a.tell("probes.none_found", nil)
	}
	return nil
}

// indent wraps a hint under the line it belongs to.
func indent(s string) string {
	return "    " + strings.ReplaceAll(Wrap(s, 74), "\n", "\n    ")
}

// found is what a probe that was found measures.
func (a *App) found(r sensors.Reading) string {
	var parts []string
	if t, ok := r.Temp.Get(); ok {
		parts = append(parts, a.degrees(t))
	}
	if h, ok := r.RH.Get(); ok {
		parts = append(parts, fmt.Sprintf("%.0f %%", h))
	}
	if c, ok := r.CO2.Get(); ok {
		parts = append(parts, fmt.Sprintf("%.0f ppm CO₂", c))
	}
	return strings.Join(parts, ", ")
}
