// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/dashboards/daysheet"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/job"
	"curewright/model/plan"
	"curewright/model/pot"
	"curewright/model/words"
)

type PlanCmd struct {
	Job      string   `required:"" placeholder:"FILE.toml" type:"path" help:"Job with [day], panels and ordered [[step]]s."`
	Readings string   `placeholder:"FILE.csv" type:"path" help:"The shop's last days, to forecast from; a wide guess without."`
	Shop     *float64 `placeholder:"C" help:"Shop's temperature at the start where there are no readings; 15 °C when not given."`
	Tables   bool     `help:"Grams by the tables alone, without what the job's own weighed coats tell."`
	Sheet    string   `placeholder:"FILE.html" type:"path" help:"Write the day sheet, one page to print."`
	Calendar string   `placeholder:"FILE.ics" type:"path" help:"Write the steps as a calendar for the phone."`
	JSON     bool     `help:"Print one JSON object."`
}

func (c *PlanCmd) Run(a *App) error {
	if err := oneOutput(c.JSON, c.Sheet, c.Calendar); err != nil {
		return err
	}
	b, err := file.Read(c.Job)
	if err != nil {
		return fault.Inputf("%v", err)
	}
	// Planned times lie ahead: nothing is "in the future" here.
	j, err := job.ParseJob(b, c.Job, time.Time{}, resinBeside(c.Job))
	var jerr, terr error
	if err != nil {
		jerr = &fault.Input{Lines: job.Lines(err)}
	}
	var t *job.Table
	if c.Readings != "" {
		t, terr = readReadings(c.Readings)
	}
	serr := CheckNumbers(FlagSpan{"shop", c.Shop, -20, 50, "°C", "a shop is between −20 and 50 °C; was it typed in °F?"})
	if err := fault.Join(jerr, terr, serr); err != nil {
		return err
	}
	if c.Tables && j.Day != nil {
		j.Day.Grams = job.GramsTables
	}
	res, err := solvePlan(a.Ctx, j, t, c.Shop, a.Words)
	if err != nil {
		return err
	}
	if c.Sheet != "" || c.Calendar != "" {
		read, paper := a.Words.In(a.Units), res
		if read.Fahrenheit() != a.Words.Fahrenheit() { // JSON in °C, and for people the same plan again
			if paper, err = solvePlan(a.Ctx, j, t, c.Shop, read); err != nil {
				return err
			}
		}
		if err := c.write(a, daysheet.Options{Title: titleOf(j.Path), Made: time.Now(), View: words.View{Words: read}}, paper); err != nil {
			return err
		}
	}
	if c.Sheet == "-" || c.Calendar == "-" {
		return nil // standard output is that file
	}
	if c.JSON {
		return a.JSON(res)
	}
	printPlan(a, res)
	return nil
}

func solvePlan(ctx context.Context, j *job.Job, t *job.Table, shopC *float64, lang *words.Catalogue) (plan.Result, error) {
	j.Settings.Words = lang
	in, err := daemon.PlanDay(j, t, shopC)
	if err != nil {
		return plan.Result{}, err
	}
	res, err := plan.Plan(ctx, in)
	var faults plan.Faults
	if errors.As(err, &faults) {
		u := &fault.Input{}
		for _, f := range faults {
			u.Lines = append(u.Lines, f.Error())
		}
		return res, u
	}
	for _, s := range res.Steps {
		for i, b := range s.Batches {
			if r, ok := in.Resins[b.Resin]; ok && r.Name != "" {
				s.Batches[i].Resin = r.Name // people know the epoxy by its name, not by its file
			}
		}
	}
	return res, err
}

// write writes the day sheet and the calendar that were asked for.
func (c *PlanCmd) write(a *App, o daysheet.Options, res plan.Result) error {
	if c.Sheet != "" {
		if err := a.toFile(c.Sheet, func(w io.Writer) error { _, err := w.Write(daysheet.HTML(res, o)); return err }); err != nil {
			return err
		}
	}
	if c.Calendar != "" {
		return a.toFile(c.Calendar, func(w io.Writer) error { _, err := w.Write(daysheet.ICS(res, o)); return err })
	}
	return nil
}

// titleOf names a day after its job file.
func titleOf(path string) string {
	return strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
}

// printPlan shows the day as a list: the time in a column of its own, and what
// belongs to it hanging beside it.
func printPlan(a *App, res plan.Result) {
	under := strings.Repeat(" ", 11)
	line := func(head, text string) { fmt.Fprintln(a.Out, hang(head, text)) }
	line("", res.Say)
	if len(res.WhyNot) > 0 {
		fmt.Fprintln(a.Out, "\n"+a.say("plan.in_the_way", nil))
	}
	for _, w := range res.WhyNot {
		line("· ", w)
	}
	fmt.Fprintln(a.Out)
	for _, s := range res.Steps {
		say := s.Say
		if s.Panel != "" {
			say = s.Panel + ": " + say
		}
		line(a.weekday(s.At)+"  ", say)
		for i := 0; i < len(s.Batches); {
			n := 1
			for i+n < len(s.Batches) && s.Batches[i+n].Grams == s.Batches[i].Grams {
				n++
			}
			line(under, a.cups(s.Batches[i], n))
			i += n
		}
		if s.Window != nil {
			line(under, a.say("plan.window", facts{"opens": a.edge(s.Window.Opens, "plan.now"), "closes": a.edge(s.Window.Closes, "plan.open_end")}))
		}
	}
	if len(res.Options) > 0 {
		fmt.Fprintln(a.Out, "\n"+a.say("plan.surer", nil))
	}
	for _, o := range res.Options {
		f := facts{"option": o.Say, "n": int(math.Floor(100*o.Probability + 1e-9))}
		code := "plan.option"
		if o.Finish != nil {
			code, f["at"] = "plan.option_done", a.weekday(*o.Finish)
		}
		line("· ", a.say(code, f))
	}
	fmt.Fprintln(a.Out)
	for _, n := range append(slices.Clone(res.Notes), res.Cautions...) {
		line("· ", n)
	}
}

// cups say how to mix n equal cups.
func (a *App) cups(b plan.Batch, n int) string {
	f := facts{"n": n, "grams": math.Round(b.Grams), "epoxy": a.epoxy(b.Resin)}
	s := a.say("cups.one", f)
	if n > 1 {
		s = a.say("cups.many", f)
	}
	switch {
	case b.ResinG != nil && b.HardenerG != nil:
		s += a.say("amount.parts", facts{"resin": math.Round(*b.ResinG), "hardener": math.Round(*b.HardenerG)})
		if b.HardenerLow != nil && b.HardenerHi != nil {
			s += a.say("cups.within", facts{"low": fmt.Sprintf("%.1f", *b.HardenerLow), "high": fmt.Sprintf("%.1f", *b.HardenerHi)})
		}
	case b.Ratio != "":
		s += ": " + b.Ratio
	default:
		s += a.say("cups.ratio", nil)
	}
	if b.Vessel == string(pot.FromTray) || b.Vessel == string(pot.FromRoller) {
		s += a.say("cups.tray", nil)
	}
	if b.WorkMinutes != nil {
		s += a.say("amount.use", facts{"min": int(*b.WorkMinutes)})
	}
	if b.Verdict == pot.Runaway {
		s += a.say("cups.overheats", nil)
	}
	return s + "."
}

func (a *App) edge(t *time.Time, none string) string {
	if t == nil {
		return a.say(none, nil)
	}
	return a.weekday(*t)
}
