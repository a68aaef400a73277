// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
	"io"
	"math"

	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/cure"
	"curewright/model/words"
)

type FitCmd struct {
	Sheet string `placeholder:"FILE.toml" type:"path" help:"What the data sheet says: pot life, times, recoat limits, Tg, ratio; any part of it."`

	FromHistory bool   `help:"Refit --resin with the shop's own finger tests: its file is the prior, and what moved is shown."`
	Resin       string `placeholder:"NAME|FILE" help:"With --from-history: the resin whose coats teach."`
	Memory      string `placeholder:"FILE" type:"path" help:"With --from-history: what curewright memory export wrote, in the place of the daemon's."`

	Out  string `short:"o" placeholder:"FILE.toml" type:"path" help:"Resin file to write; every command and the page accept it."`
	JSON bool   `help:"Print one JSON object."`
}

func (FitCmd) Help() string {
	return "Example:\n\n  curewright fit --sheet club-epoxy-sheet.toml -o club-epoxy.toml\n  curewright fit --from-history --resin medium -o shed-medium.toml\n\n" + Caution
}

func (c *FitCmd) Run(a *App) error {
	if err := oneOutput(c.JSON, c.Out); err != nil {
		return err
	}
	switch {
	case c.FromHistory && (c.Sheet != "" || c.Resin == ""):
		return fault.Inputf("--from-history: say which --resin, and no --sheet: the resin's own file is what it begins with")
	case c.FromHistory:
		return c.fromHistory(a)
	case c.Sheet == "":
		return fault.Inputf("--sheet: say what the data sheet says, or --from-history --resin NAME")
	case c.Resin != "" || c.Memory != "":
		return fault.Inputf("--resin and --memory go with --from-history")
	}
	b, err := file.Read(c.Sheet)
	if err != nil {
		return fault.Inputf("%v", err)
	}
	s, err := cure.ParseSheet(b)
	if err != nil {
		return fault.In(c.Sheet, err)
	}
	res, err := cure.Fit(s)
	if err != nil {
		return fault.In(c.Sheet, err)
	}
	if err := a.keepResin(c.Out, res.Resin); err != nil {
		return err
	}
	if c.Out == "-" {
		return nil // standard output is the resin's file
	}
	if c.JSON {
		return a.JSON(res)
	}
	printFit(a, res)
	if c.Out == "" {
		fmt.Fprintln(a.Out, "\n"+a.say("fit.not_written", facts{"flag": "-o FILE.toml"}))
	} else {
		fmt.Fprintln(a.Out, "\n"+a.say("fit.written", facts{"file": c.Out}))
	}
	return nil
}

func printFit(a *App, res cure.FitResult) {
	res.Say(a.view())
	r := res.Resin
	fmt.Fprintf(a.Out, "%s\n\n", a.say("fit.head", facts{"resin": r.Name}))
	if len(res.Residuals) > 0 {
		fmt.Fprintf(a.Out, "  %-30s %11s %11s %8s\n", a.say("fit.datum", nil), a.say("fit.sheet", nil), a.say("fit.fit", nil), a.say("fit.off", nil))
	}
	for _, x := range res.Residuals {
		mark := ""
		if x.Sigmas > 2 || x.Sigmas < -2 {
			mark = "  " + a.say("fit.unfit", nil)
		}
		fmt.Fprintf(a.Out, "  %-30s %11s %11s %+6.1f σ%s\n", x.Datum, a.datum(x.Sheet, x.Unit, x.Sheet), a.datum(x.Model, x.Unit, x.Sheet), x.Sigmas, mark)
	}
	if len(res.Residuals) > 0 {
		fmt.Fprintln(a.Out)
	}
	for _, v := range res.Verdict {
		fmt.Fprintln(a.Out, hang("· ", v))
	}
	fmt.Fprintln(a.Out)
	steady := cure.Steady(r, 20, 1, true)
	for _, row := range []struct {
		mark string
		min  *float64
	}{{"tacky", steady.TimesMin.Tacky}, {"green", steady.TimesMin.Green}, {"firm", steady.TimesMin.Firm}, {"hard", steady.TimesMin.Hard}} {
		fmt.Fprintf(a.Out, "  %-22s %-32s %s\n", a.say("fit.steady", facts{"temp": words.Tenth(20)}), a.mark(row.mark), a.minutes(row.min))
	}
}

// datum gives a figure in the unit that the sheet's own figure is given in, so
// that the two stand side by side.
func (a *App) datum(x float64, unit string, sheet float64) string {
	if unit != "min" {
		return a.degrees(x)
	}
	hours := func(min float64) bool { return min >= 90 && min < 48*60 }
	switch {
	case hours(sheet) == hours(x):
		return a.minutes(&x)
	case hours(sheet):
		return a.view().Say("span.h", facts{"h": fmt.Sprintf("%.1f", x/60)})
	}
	return a.view().Say("span.min", facts{"min": math.Round(x)})
}

// keepResin writes a resin's file to out; "" is no file.
func (a *App) keepResin(out string, r cure.Resin) error {
	if out == "" {
		return nil
	}
	return a.toFile(out, func(w io.Writer) error { _, err := w.Write(r.TOML()); return err })
}
