package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"

	"curewright/dashboards/web"
	"curewright/model/cure"
)

type fitCmd struct {
	Sheet string `required:"" placeholder:"FILE.toml" type:"path" help:"What the data sheet says: pot life, times, recoat limits, Tg, ratio; any part of it."`
	Out   string `short:"o" placeholder:"FILE.toml" type:"path" help:"Resin file to write; every command and the page accept it."`
	JSON  bool   `help:"Print one JSON object."`
}

func (fitCmd) Help() string {
	return "Example:\n\n  curewright fit --sheet club-epoxy-sheet.toml -o club-epoxy.toml\n\n" + caution
}

func (c *fitCmd) Run(a *app) error {
	b, err := os.ReadFile(c.Sheet)
	if err != nil {
		return usagef("%v", err)
	}
	s, err := cure.ParseSheet(b)
	if err != nil {
		return usage(c.Sheet, err)
	}
	res, err := cure.Fit(s)
	if err != nil {
		return usage(c.Sheet, err)
	}
	if c.Out != "" {
		if err := writeFile(c.Out, res.Resin.TOML()); err != nil {
			return err
		}
	}
	if c.JSON {
		return a.json(res)
	}
	printFit(a, res)
	if c.Out == "" {
		fmt.Fprintln(a.out, "\nNothing was written: give -o FILE.toml to keep the resin.")
	} else {
		fmt.Fprintf(a.out, "\nWritten to %s.\n", c.Out)
	}
	return nil
}

func printFit(a *app, res cure.FitResult) {
	r := res.Resin
	fmt.Fprintf(a.out, "%s, fitted to its data sheet\n\n", r.Name)
	if len(res.Residuals) > 0 {
		fmt.Fprintf(a.out, "  %-30s %11s %11s %8s\n", "the sheet says", "sheet", "fit", "off by")
	}
	for _, x := range res.Residuals {
		mark := ""
		if x.Sigmas > 2 || x.Sigmas < -2 {
			mark = "  does not fit"
		}
		fmt.Fprintf(a.out, "  %-30s %11s %11s %+6.1f σ%s\n", a.units.text(strings.ReplaceAll(x.Datum, "_", " ")), datum(a.units, x.Sheet, x.Unit, x.Sheet), datum(a.units, x.Model, x.Unit, x.Sheet), x.Sigmas, mark)
	}
	if len(res.Residuals) > 0 {
		fmt.Fprintln(a.out)
	}
	if len(res.Inconsistent) > 0 {
		fmt.Fprintln(a.out, wrap("The data sheet does not agree with itself, or no epoxy of this kind follows it:", 78))
		for _, d := range res.Inconsistent {
			fmt.Fprintln(a.out, hang("· ", a.units.text(strings.ReplaceAll(d, "_", " "))))
		}
	}
	for _, v := range res.Verdict {
		if strings.HasPrefix(v, "Data sheet inconsistent: ") {
			continue // stands above
		}
		fmt.Fprintln(a.out, hang("· ", a.units.text(v)))
	}
	fmt.Fprintln(a.out)
	steady := cure.Steady(r, 20, 1, true)
	for _, row := range []struct {
		what string
		min  *float64
	}{{"sticks, lifts clean (tacky)", steady.TimesMin.Tacky}, {"no stick, nail dents (green)", steady.TimesMin.Green}, {"nail slides, no dent (firm)", steady.TimesMin.Firm}, {"sands to dust (hard)", steady.TimesMin.Hard}} {
		fmt.Fprintf(a.out, "  at a steady %-10s %-32s %s\n", a.units.temp(20), row.what, minutes(row.min))
	}
}

// datum gives a figure in the unit that the sheet's own figure is given in, so
// that the two stand side by side.
func datum(u units, x float64, unit string, sheet float64) string {
	if unit == "min" {
		if hours := strings.HasSuffix(minutes(&sheet), " h"); hours != strings.HasSuffix(minutes(&x), " h") {
			if hours {
				return fmt.Sprintf("%.1f h", x/60)
			}
			return fmt.Sprintf("%.0f min", x)
		}
		return minutes(&x)
	}
	return u.temp(x)
}

// fitSheet fits a sheet that came as JSON.
func fitSheet(sheet json.RawMessage) (json.RawMessage, error) {
	s, err := cure.ParseSheetJSON(sheet)
	if err == nil {
		var res cure.FitResult
		if res, err = cure.Fit(s); err == nil {
			return json.Marshal(res)
		}
	}
	var faults cure.Faults
	if errors.As(err, &faults) {
		out := make(web.Faults, len(faults))
		for i, f := range faults {
			out[i] = web.Fault{Field: f.Key, What: f.What}
		}
		return nil, out
	}
	return nil, err
}
