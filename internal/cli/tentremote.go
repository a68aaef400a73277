// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/model/job"
	"curewright/model/words"
)

type tentShowCmd struct{ jsonFlag }

func (c *tentShowCmd) Run(a *App, cl *client.Client) error {
	t, err := cl.Tent(a.Ctx)
	if err != nil || c.JSON {
		return a.orJSON(t, err)
	}
	a.printTent(t)
	return nil
}

// printTent says what the heater does and why, and what is held.
func (a *App) printTent(t web.TentView) {
	code := "tent.heater_unknown"
	if t.Heater == "on" || t.Heater == "off" {
		code = "tent.heater_" + t.Heater
	}
	say := a.say(code, nil)
	if t.Why != "" {
		say = a.say("tent.because", facts{"heater": say, "why": t.Why})
	}
	say += "."
	if t.Latched {
		say += " " + a.say("tent.latched", nil)
	}
	fmt.Fprintln(a.Out, Wrap(say, 78))
	temp := func(c *float64, none string) string {
		if c == nil {
			return a.say(none, nil)
		}
		return a.degrees(*c)
	}
	row := func(code, text string) { a.row(18, code, text) }
	row("tent.panel", temp(t.PanelC, "tent.not_read"))
	row("tent.air", temp(t.AirC, "tent.not_read"))
	row("tent.held", temp(t.SetPointC, "tent.not_held"))
	if t.MinC != nil && t.MaxC != nil {
		row("tent.allows", a.say("tent.min_max", facts{"min": words.Tenth(*t.MinC), "max": words.Tenth(*t.MaxC)}))
	}
	on := a.say("not_known", nil)
	if t.OnToday != nil {
		on = a.view().Say("span.h", facts{"h": fmt.Sprintf("%.1f", *t.OnToday)})
	}
	row("tent.on_today", on)
	lease := a.say("not_known", nil)
	if t.LeaseS != nil {
		lease = a.say("tent.off_within", facts{"s": math.Round(*t.LeaseS)})
	}
	row("tent.board_dies", lease)
	back := "tent.stays_off"
	if t.Resume {
		back = "tent.comes_back"
	}
	row("tent.power_cut", a.say(back, nil))
	var said struct{ Say, Trouble string }
	if json.Unmarshal(t.Aim, &said) == nil && said.Say != "" {
		row("tent.plan", said.Say)
	}
	said.Say, said.Trouble = "", ""
	if json.Unmarshal(t.Learned, &said) == nil {
		if said.Trouble != "" {
			row("tent.trouble", said.Trouble)
		} else if said.Say != "" {
			row("tent.learned", said.Say)
		}
	}
}

type tentHoldCmd struct {
	C    float64 `arg:"" name:"celsius" help:"Panel temperature to hold, °C, inside the file's limits."`
	JSON bool    `help:"Print one JSON object."`
}

func (tentHoldCmd) Help() string {
	return "Example:\n\n  curewright tent hold 19\n\n" + daemon.HeatCaution
}

func (c *tentHoldCmd) Run(a *App, cl *client.Client) error {
	t, err := cl.HoldTent(a.Ctx, c.C)
	if err != nil || c.JSON {
		return a.orJSON(t, err)
	}
	a.printTent(t)
	return nil
}

type tentOffCmd struct{ jsonFlag }

func (c *tentOffCmd) Run(a *App, cl *client.Client) error {
	if err := cl.TentOff(a.Ctx, ""); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"heat": "off"}, "tent.off", nil)
}

type tentAimCmd struct {
	Coat        string  `arg:"" help:"Coat to land."`
	Wish        string  `arg:"" enum:"window,hard,no-stall,soak" help:"window (open from, to), hard (by), no-stall (by) or soak (a post-cure: temp, hours, ramp)."`
	From        string  `placeholder:"TIME" help:"Window is to be open from: 07:00 (the next), Sun 07:00, or RFC 3339."`
	To          string  `placeholder:"TIME" help:"Window is to be open until."`
	By          string  `placeholder:"TIME" help:"Hard, or cured too far to stall, by then."`
	Temp        float64 `placeholder:"C" help:"Soak: temperature of the panel, °C."`
	Hours       float64 `placeholder:"H" help:"Soak: how long, h."`
	Ramp        float64 `placeholder:"C" help:"Soak: how fast it is warmed and cooled, °C an hour."`
	Probability float64 `default:"0.8" placeholder:"P" help:"How sure it is to be, between 0 and 1."`
	Follow      bool    `help:"Follow the plan from now on; without it, it is only said."`
	JSON        bool    `help:"Print one JSON object."`
}

func (tentAimCmd) Help() string {
	return "Examples:\n\n  curewright tent aim a-glass window --from 07:00 --to 09:00 --follow\n" +
		"  curewright tent aim a-fill hard --by \"Sun 12:00\"\n" +
		"  curewright tent aim a-fill soak --temp 40 --hours 8 --ramp 5 --follow\n\n" + daemon.HeatCaution
}

func (c *tentAimCmd) Run(a *App, cl *client.Client) error {
	if err := c.check(); err != nil {
		return err
	}
	now, _, err := cl.Coats(a.Ctx, false) // the daemon's own clock
	if err != nil {
		return err
	}
	ask := map[string]any{"coat": c.Coat, "wish": strings.ReplaceAll(c.Wish, "-", "_"), "probability": c.Probability, "apply": c.Follow}
	if c.Wish == "soak" {
		ask["temp_c"], ask["hours"], ask["ramp_c_h"] = c.Temp, c.Hours, c.Ramp
	}
	for _, f := range c.times() {
		if f.v != "" {
			from := now
			if from0, ok := ask["from"].(time.Time); ok {
				from = from0 // "22:00 to 02:00" goes over midnight
			}
			ask[f.flag], _ = ahead(f.v, from)
		}
	}
	body, err := json.Marshal(ask)
	if err != nil {
		return err
	}
	out, err := cl.AimTent(a.Ctx, body)
	if err != nil || c.JSON {
		return a.orJSON(out, err)
	}
	if err := a.printAim(out, now); err != nil {
		return err
	}
	if c.Follow {
		a.tell("tent.followed", nil)
	} else {
		a.tell("tent.unchanged", facts{"flag": "--follow"})
	}
	return nil
}

// printAim prints a plan of set points and what it is for.
func (a *App) printAim(plan json.RawMessage, now time.Time) error {
	p, err := answer[struct {
		Say    string
		Points []struct {
			At time.Time
			C  float64
		}
	}](plan)
	if err != nil {
		return err
	}
	fmt.Fprintln(a.Out, Wrap(p.Say, 78))
	for i, x := range p.Points {
		if i+1 < len(p.Points) && p.Points[i+1].At.Equal(x.At) {
			continue // a step: what it steps to counts
		}
		fmt.Fprintf(a.Out, "  %s  %s\n", a.weekday(x.At.In(now.Location())), a.degrees(x.C))
	}
	return nil
}

// times are the flags that are a time.
func (c *tentAimCmd) times() []struct{ flag, v string } {
	return []struct{ flag, v string }{{"from", c.From}, {"to", c.To}, {"by", c.By}}
}

// check finds what a wish lacks, and what it has no use for.
func (c *tentAimCmd) check() error {
	var lines []string
	for i, f := range c.times() {
		wanted := (c.Wish == "window") == (i < 2) && c.Wish != "soak"
		switch {
		case f.v == "" && wanted:
			lines = append(lines, fmt.Sprintf("--%s: missing: %s wants a time", f.flag, c.Wish))
		case f.v != "" && !wanted:
			lines = append(lines, fmt.Sprintf("--%s: %s has no such time", f.flag, c.Wish))
		case f.v != "":
			if _, ok := ahead(f.v, time.Now()); !ok {
				lines = append(lines, fmt.Sprintf("--%s: %q is not a time: 07:00, Sun 07:00 or 2026-10-11T07:00:00+01:00", f.flag, f.v))
			}
		}
	}
	for _, f := range []struct {
		flag string
		v    float64
	}{{"temp", c.Temp}, {"hours", c.Hours}, {"ramp", c.Ramp}} {
		switch {
		case f.v == 0 && c.Wish == "soak":
			lines = append(lines, fmt.Sprintf("--%s: missing: a soak wants one", f.flag))
		case f.v != 0 && c.Wish != "soak":
			lines = append(lines, fmt.Sprintf("--%s: %s has no such thing", f.flag, c.Wish))
		}
	}
	if !(c.Probability > 0 && c.Probability < 1) {
		lines = append(lines, fmt.Sprintf("--probability: %g must be between 0 and 1", c.Probability))
	}
	return fault.Lines(lines)
}

type tentPlainCmd struct{ jsonFlag }

func (c *tentPlainCmd) Run(a *App, cl *client.Client) error {
	if err := cl.DropTentAim(a.Ctx); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"aim": nil}, "tent.plain", nil)
}

// ahead reads a time to come: "07:00", the next; "Sun 07:00", that day's next;
// or RFC 3339.
func ahead(s string, now time.Time) (time.Time, bool) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, true
	}
	day, clock, named := strings.Cut(strings.TrimSpace(s), " ")
	if !named {
		clock = day
	}
	min, err := job.ParseClock(strings.TrimSpace(clock))
	if err != nil {
		return time.Time{}, false
	}
	for i := range 9 {
		t := time.Date(now.Year(), now.Month(), now.Day()+i, int(min)/60, int(min)%60, 0, 0, now.Location())
		is := !named || len(day) >= 3 && len(day) <= len(t.Weekday().String()) && strings.EqualFold(day, t.Weekday().String()[:len(day)])
		if is && t.After(now) {
			return t, true
		}
	}
	return time.Time{}, false
}
