// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"fmt"
	"time"

	"curewright/dashboards/client"
	"curewright/internal/fault"
)

type ClockCmd struct {
	Show    clockShowCmd    `cmd:"" help:"What the daemon takes the time to be, and whether it believes it." example:"curewright clock show"`
	Confirm clockConfirmCmd `cmd:"" help:"Say what time it is, where the board can't know."`
}

type clockShowCmd struct{ jsonFlag }

func (c *clockShowCmd) Run(a *App, cl *client.Client) error {
	// Here before and after, since the answer of a busy board takes its time.
	before := time.Now()
	board, _, err := cl.Coats(a.Ctx, false)
	if err != nil {
		return err
	}
	here := before.Add(time.Since(before) / 2)
	s, err := cl.Settings(a.Ctx)
	if err != nil {
		return err
	}
	ahead := board.Sub(here)
	if c.JSON {
		return a.JSON(map[string]any{"now": board, "trusted": s.ClockTrusted, "here": here, "ahead_s": ahead.Seconds(), "speed": s.Speed})
	}
	if s.ClockTrusted {
		a.tell("clock.trusted", facts{"at": a.longClock(board)})
	} else {
		a.tell("clock.untrusted", facts{"at": a.longClock(board)})
		fmt.Fprintln(a.Out, "  curewright clock confirm")
	}
	if away := ahead.Abs().Round(time.Second); away >= 2*time.Second {
		code := "clock.behind"
		if ahead > 0 {
			code = "clock.ahead"
		}
		a.tell(code, facts{"span": away})
	}
	return nil
}

type clockConfirmCmd struct {
	Time string `arg:"" optional:"" help:"The time: 2026-10-10 14:05 by the shop's clock, or RFC 3339; this machine's own when not given."`
	Date string `placeholder:"YYYY-MM-DD" help:"The date once more, where what the board knows by itself speaks against it."`
	JSON bool   `help:"Print one JSON object; nothing is asked."`
}

func (clockConfirmCmd) Help() string {
	return "For a board that has neither a network nor a clock chip. Readings and entries\n" +
		"that came in before get their right dates by it. A time by which the board was\n" +
		"off for over a day, or started before its last record, or a coat cured on for\n" +
		"over half an hour, is asked about once more. Once something keeps the board's\n" +
		"own clock right, that clock counts, and this is refused.\n\n" +
		"Examples:\n\n  curewright clock confirm \"2026-10-10 14:05\"\n" +
		"  curewright --server http://shed.local:8374 --token-file token clock confirm"
}

func (c *clockConfirmCmd) Run(a *App, cl *client.Client) error {
	_, err := clockTime(c.Time, time.UTC)
	if _, bad := time.Parse(time.DateOnly, c.Date); bad != nil && c.Date != "" {
		err = fault.Join(err, fault.Inputf("--date: %q is not a date: 2026-10-10", c.Date))
	}
	if err != nil {
		return err
	}
	at := time.Now()
	if c.Time != "" {
		board, _, err := cl.Coats(a.Ctx, false)
		if err != nil {
			return err
		}
		if at, err = clockTime(c.Time, board.Location()); err != nil {
			return err
		}
	}
	asked := time.Now()
	now, err := cl.TrustClock(a.Ctx, at, c.Date)
	var refused *client.Error
	if errors.As(err, &refused) && refused.Confirm != "" {
		if c.JSON || !atTerminal(a.In) {
			again := "curewright clock confirm"
			if c.Time != "" {
				again += " \"" + c.Time + "\""
			}
			return &fault.Input{Lines: []string{questions(refused), "if it is: " + again + " --date " + refused.Confirm}}
		}
		fmt.Fprint(a.Out, a.say("yes_or_no", facts{"question": questions(refused)}), " ")
		if yesOrNo(a.In) != "yes" {
			return fault.Inputf("not confirmed: nothing is changed")
		}
		now, err = cl.TrustClock(a.Ctx, at.Add(time.Since(asked)), refused.Confirm)
	}
	if err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"now": now, "trusted": true}, "clock.confirmed", facts{"at": a.longClock(now)})
}

func questions(e *client.Error) string {
	s := ""
	for i, f := range e.Faults {
		if i > 0 {
			s += " "
		}
		s += f.What
	}
	return s
}

// clockTime reads a date with a time; now for "".
func clockTime(s string, loc *time.Location) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	for _, form := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if t, err := time.ParseInLocation(form, s, loc); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fault.Inputf("time: %q is not a date and a time: 2026-10-10 14:05 or 2026-10-10T14:05:00+01:00", s)
}

// longClock is a moment with its date, seconds and zone.
func (a *App) longClock(t time.Time) string {
	return a.day(t) + " " + a.date(t) + t.Format(" 15:04:05 MST")
}
