package cli

import (
	"fmt"
	"strings"

	"curewright/internal/daemon"
	"curewright/sensors"
	"curewright/sensors/discover"
)

type ProbesCmd struct {
	JSON bool `help:"Print one JSON object."`
}

func (ProbesCmd) Help() string {
	return "Looks at the buses of this board itself, without the daemon.\n\nExample:\n\n  curewright probes"
}

func (c *ProbesCmd) Run(a *App) error {
	rep := daemon.DiscoverProbes(a.Ctx)
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
			out.Buses = append(out.Buses, bus{b.Name, b.Detail, errText(b.Err), b.Hint})
		}
		for _, f := range rep.Found {
			out.Probes = append(out.Probes, found{daemon.PlaceID(f), f.Driver, f.Bus, f.Reading.Temp.Ptr(), f.Reading.RH.Ptr(), f.Reading.CO2.Ptr(), errText(f.Err), sensors.Reason(f.Err), f.Hint})
		}
		return a.JSON(out)
	}
	for _, b := range rep.Buses {
		line := "bus " + b.Name
		if b.Detail != "" {
			line += " (" + b.Detail + ")"
		}
		if b.Err != nil {
			line += ": " + b.Err.Error()
		}
		fmt.Fprintln(a.Out, line)
		if b.Hint != "" {
			fmt.Fprintln(a.Out, indent(b.Hint))
		}
	}
	if len(rep.Buses) == 0 {
		fmt.Fprintln(a.Out, "No I2C or 1-wire bus is switched on here.")
	}
	for _, f := range rep.Found {
		name := f.Driver
		if name == "" {
			name = "not known"
		}
		fmt.Fprintf(a.Out, "%-9s %-22s %s\n", name, f.Bus, foundWords(a.Units, f))
		if f.Hint != "" && f.Err != nil {
			fmt.Fprintln(a.Out, indent(f.Hint))
		}
	}
	if len(rep.Found) == 0 {
		fmt.Fprintln(a.Out, "No probe found.")
	}
	return nil
}

// indent wraps a hint under the line it belongs to.
func indent(s string) string {
	return "    " + strings.ReplaceAll(Wrap(s, 74), "\n", "\n    ")
}

func errText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

func foundWords(u Units, f discover.Found) string {
	if f.Err != nil {
		return f.Err.Error()
	}
	var parts []string
	if t, ok := f.Reading.Temp.Get(); ok {
		parts = append(parts, u.temp(t))
	}
	if h, ok := f.Reading.RH.Get(); ok {
		parts = append(parts, fmt.Sprintf("%.0f %%", h))
	}
	if c, ok := f.Reading.CO2.Get(); ok {
		parts = append(parts, fmt.Sprintf("%.0f ppm CO2", c))
	}
	return strings.Join(parts, ", ")
}
