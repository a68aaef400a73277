// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/dashboards/terminal"
	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/words"
)

type ReplayCmd struct {
	Readings string `required:"" placeholder:"FILE.csv" type:"path" help:"Readings: time,probe,temp_c,rh_pct,co2_ppm; blank is missing."`
	Job      string `required:"" placeholder:"FILE.toml" type:"path" help:"Job: panels, batches, coats, finger tests."`
	Until    string `placeholder:"TIME" help:"Forget readings and finger tests after this (RFC 3339), to score a forecast against what came later."`
	Legend   bool   `help:"Explain the characters of the strip."`
	JSON     bool   `help:"Print one JSON object."`
}

func (ReplayCmd) Help() string {
	return "Example:\n\n  curewright replay --readings shed.csv --job lids.toml \\\n    --until 2026-10-10T14:20:00+01:00"
}

func (c *ReplayCmd) Run(a *App) error {
	var until time.Time
	var uerr error
	if c.Until != "" {
		var err error
		if until, err = time.Parse(time.RFC3339, c.Until); err != nil {
			uerr = fault.Inputf("--until: %q is not a time such as 2026-10-10T14:20:00+01:00", c.Until)
		}
	}
	j, jerr := readJob(c.Job)
	t, terr := readReadings(c.Readings)
	if err := fault.Join(uerr, jerr, terr); err != nil {
		return err
	}
	res, err := job.Replay(j, t, until)
	if err != nil {
		return &fault.Input{Lines: job.Lines(err)}
	}
	c.warnUnread(a, j, t)
	if c.JSON {
		return a.JSON(res)
	}
	printEach(a.Out, a.Units, res, c.Legend, printOdds)
	return nil
}

// warnUnread names the probes that the job counts on and the file has nothing
// of: likely a slip of the pen, and else a coat that is "not known yet" without
// a hint why.
func (c *ReplayCmd) warnUnread(a *App, j *job.Job, t *job.Table) {
	have := t.Probes()
	for i, p := range j.Work.Panels {
		for _, x := range []struct{ key, probe string }{{"probe", p.Probe}, {"air", p.Air}} {
			if x.probe != "" && !slices.Contains(have, x.probe) {
				fmt.Fprintln(a.Err, hang("note: ", fmt.Sprintf("%s: panel[%d].%s: %s has no reading of %q; it has %s",
					filepath.Base(c.Job), i, x.key, filepath.Base(c.Readings), x.probe, strings.Join(have, ", "))))
			}
		}
	}
}

func readJob(path string) (*job.Job, error) {
	b, err := file.Read(path)
	if err != nil {
		return nil, fault.Inputf("%v", err)
	}
	j, err := job.ParseJob(b, path, time.Now(), resinBeside(path))
	if err != nil {
		return nil, &fault.Input{Lines: job.Lines(err)}
	}
	return j, nil
}

// resinBeside finds a resin file by a path that is meant from the job file.
func resinBeside(path string) job.ResinLoader {
	return func(name string) (cure.Resin, error) {
		at := name
		if !filepath.IsAbs(at) {
			at = filepath.Join(filepath.Dir(path), at)
		}
		b, err := file.Read(at)
		if err != nil {
			return cure.Resin{}, fmt.Errorf("%q is not fast, medium or slow, and there is no such file", name)
		}
		return cure.ParseResin(b)
	}
}

func readReadings(path string) (*job.Table, error) {
	f, err := file.Open(path)
	if err != nil {
		return nil, fault.Inputf("%v", err)
	}
	defer f.Close()
	t, errs := job.ReadCSV(f, path, time.Now())
	if len(errs) > 0 {
		u := &fault.Input{}
		for _, e := range errs {
			u.Lines = append(u.Lines, e.Error())
		}
		return nil, u
	}
	if t.Len() == 0 {
		return nil, fault.Inputf("%s:1:1: no readings below the header", path)
	}
	return t, nil
}

// printCoats shows every coat: its sentence, why, and the strip on an axis
// that they share.
func printCoats(w io.Writer, u Units, res job.Result, legend bool) {
	printEach(w, u, res, legend, func(io.Writer, coat.Estimate, time.Time) {})
}

// printEach is printCoats with something more under each coat.
func printEach(w io.Writer, u Units, res job.Result, legend bool, more func(io.Writer, coat.Estimate, time.Time)) {
	if len(res.Coats) == 0 {
		fmt.Fprintln(w, "No coat is open.")
		return
	}
	loc := res.At.Location()
	axis := terminal.Axis{From: res.At.Add(-6 * time.Hour), To: res.At.Add(18 * time.Hour), Width: 76}
	fmt.Fprintf(w, "%s\n\n  %s\n", res.At.Format("Monday 2 January, 15:04"), axis.Hours(loc))
	for _, e := range res.Coats {
		strip, under := terminal.Strip(e, res.At, axis)
		fmt.Fprintf(w, "\n%s · %s on %s, %s · %s\n", e.ID, e.Kind, e.Panel, e.Resin, e.Flag)
		fmt.Fprintln(w, Wrap(sentence(e.Say, res.At, u), 78))
		if why := sentence(e.Because, res.At, u); why != "" {
			fmt.Fprintln(w, Wrap(why, 78))
		}
		fmt.Fprintf(w, "  %s\n", strip)
		if under != "" {
			fmt.Fprintf(w, "  %s\n", under)
		}
		for _, n := range e.Notes {
			fmt.Fprintln(w, hang("· ", n))
		}
		more(w, e, res.At)
	}
	if legend {
		fmt.Fprintln(w, "\n"+terminal.Legend(nil))
	}
	fmt.Fprintln(w, "\n"+Wrap(Caution, 78))
}

// printOdds shows how sure the estimate is: the odds of each state, and when
// each mark is met by a quick batch, a middling and a slow one.
func printOdds(w io.Writer, e coat.Estimate, now time.Time) {
	if p := e.StateProbability; p != nil {
		fmt.Fprintf(w, "\n  the odds   wet %.0f %%, tacky %.0f %%, green %.0f %%, firm %.0f %%, hard %.0f %%\n",
			100*p.Wet, 100*p.Tacky, 100*p.Green, 100*p.Firm, 100*p.Hard)
	}
	if e.Alpha != nil && e.State != coat.Unknown {
		fmt.Fprintf(w, "  reacted    %.0f %% (%.0f to %.0f)\n", 100*e.Alpha.P50, 100*e.Alpha.P10, 100*e.Alpha.P90)
	}
	clock := func(t *time.Time) string {
		if t == nil {
			return "–"
		}
		return clockWords(*t, now)
	}
	head := "\n  %-36s %9s %9s %9s\n"
	for _, x := range []struct {
		what string
		b    coat.TimeBand
	}{
		{"sticks, lifts clean (tacky)", e.Events.Tacky}, {"takes the next coat from", e.Events.RecoatOpens},
		{"no stick, nail dents (green)", e.Events.Green}, {"nail slides, no dent (firm)", e.Events.Firm},
		{"too late for a coat without sanding", e.Events.RecoatCloses}, {"sands to dust (hard)", e.Events.Hard},
		{"may be loaded", e.Events.Handle},
	} {
		// Green and above are not claimed of a coat that is not known.
		if x.b.P10 == nil || e.State == coat.Unknown {
			continue
		}
		if head != "" {
			fmt.Fprintf(w, head, "", "early", "likely", "late")
			head = ""
		}
		fmt.Fprintf(w, "  %-36s %9s %9s %9s\n", x.what, clock(x.b.P10), clock(x.b.P50), clock(x.b.P90))
	}
}

// sentence renders times in the reader's zone and temperatures in its unit.
func sentence(s words.Sentence, now time.Time, u Units) string {
	return s.Text(now, words.View{Loc: now.Location(), Fahrenheit: u == "us"})
}

// clockWords is a time in now's zone, with its weekday when that is another.
func clockWords(t, now time.Time) string {
	t = t.In(now.Location())
	if t.YearDay() != now.YearDay() || t.Year() != now.Year() {
		return t.Format("Mon 15:04")
	}
	return t.Format("15:04")
}
