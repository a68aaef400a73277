// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
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
	j.Settings.Words = a.Words
	res, err := job.Replay(j, t, until)
	if err != nil {
		return &fault.Input{Lines: job.Lines(err)}
	}
	c.warnUnread(a, j, t)
	if c.JSON {
		return a.JSON(res)
	}
	a.printEach(res, c.Legend, a.printOdds)
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
				fmt.Fprintln(a.Err, hang("! ", fmt.Sprintf("%s: panel[%d].%s: ", filepath.Base(c.Job), i, x.key)+
					a.say("replay.unread", facts{"file": filepath.Base(c.Readings), "probe": x.probe, "probes": strings.Join(have, ", ")})))
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
	t, faults := job.ReadCSV(f, time.Now())
	if faults != nil {
		return nil, fault.In(path, faults)
	}
	if t.Len() == 0 {
		return nil, fault.Inputf("%s:1:1: no readings below the header", path)
	}
	return t, nil
}

// printCoats shows every coat: its sentence, why, and the strip on an axis
// that they share.
func (a *App) printCoats(res job.Result, legend bool) {
	a.printEach(res, legend, func(coat.Estimate, time.Time) {})
}

// printEach is printCoats with something more under each coat.
func (a *App) printEach(res job.Result, legend bool, more func(coat.Estimate, time.Time)) {
	w := a.Out
	if len(res.Coats) == 0 {
		a.tell("replay.none", nil)
		return
	}
	loc := res.At.Location()
	axis := terminal.Axis{From: res.At.Add(-6 * time.Hour), To: res.At.Add(18 * time.Hour), Width: 76}
	fmt.Fprintf(w, "%s\n\n  %s\n", a.say("replay.at", facts{"weekday": a.Words.DateName("weekday", res.At), "day": res.At.Day(),
		"month": a.Words.DateName("months", res.At), "time": res.At.Format("15:04")}), axis.Hours(loc, a.Words))
	for _, e := range res.Coats {
		strip, under := terminal.Strip(e, res.At, axis)
		fmt.Fprintf(w, "\n%s · %s · %s\n", e.ID, a.say("replay.coat", facts{"kind": a.kind(e.Kind), "panel": e.Panel, "resin": e.Resin}), a.Words.Text("flag."+e.Flag))
		fmt.Fprintln(w, Wrap(a.sentence(e.Say, res.At), 78))
		if why := a.sentence(e.Because, res.At); why != "" {
			fmt.Fprintln(w, Wrap(why, 78))
		}
		fmt.Fprintf(w, "  %s\n", strip)
		if under != "" {
			fmt.Fprintf(w, "  %s\n", under)
		}
		for _, n := range e.Notes {
			fmt.Fprintln(w, hang("· ", n))
		}
		more(e, res.At)
	}
	if legend {
		fmt.Fprintln(w, "\n"+terminal.Legend(a.Words))
	}
	fmt.Fprintln(w, "\n"+Wrap(a.caution(), 78))
}

// printOdds shows how sure the estimate is: the odds of each state, and when
// each mark is met by a quick batch, a middling and a slow one.
func (a *App) printOdds(e coat.Estimate, now time.Time) {
	w := a.Out
	pct := func(x float64) string { return fmt.Sprintf("%.0f", 100*x) }
	const columns = 10
	if p := e.StateProbability; p != nil {
		var odds []string
		for i, x := range p.List() {
			odds = append(odds, a.state(coat.States[i])+" "+pct(x)+" %")
		}
		fmt.Fprintln(w)
		a.row(columns, "replay.odds", strings.Join(odds, ", "))
	}
	if e.Alpha != nil && e.State != coat.Unknown {
		a.row(columns, "replay.reacted", a.say("replay.span", facts{"mid": pct(e.Alpha.P50), "low": pct(e.Alpha.P10), "high": pct(e.Alpha.P90)}))
	}
	clock := func(t *time.Time) string {
		if t == nil {
			return "–"
		}
		return a.clock(*t, now)
	}
	head := "\n  %-36s %9s %9s %9s\n"
	for _, x := range []struct {
		mark string
		b    coat.TimeBand
	}{
		{"tacky", e.Events.Tacky}, {"recoat_opens", e.Events.RecoatOpens}, {"green", e.Events.Green}, {"firm", e.Events.Firm},
		{"recoat_closes", e.Events.RecoatCloses}, {"hard", e.Events.Hard}, {"handle", e.Events.Handle},
	} {
		// Green and above are not claimed of a coat that is not known.
		if x.b.P10 == nil || e.State == coat.Unknown {
			continue
		}
		if head != "" {
			fmt.Fprintf(w, head, "", a.say("replay.early", nil), a.say("replay.likely", nil), a.say("replay.late", nil))
			head = ""
		}
		fmt.Fprintf(w, "  %-36s %9s %9s %9s\n", a.mark(x.mark), clock(x.b.P10), clock(x.b.P50), clock(x.b.P90))
	}
}

// sentence renders times in the reader's zone and temperatures in its unit.
func (a *App) sentence(s words.Sentence, now time.Time) string {
	return s.Text(now, a.viewIn(now.Location()))
}

// clock is a time in now's zone, with its weekday where that is another.
func (a *App) clock(t, now time.Time) string { return a.viewIn(now.Location()).Clock(t, now) }

// viewIn is the reader's view by the clock of a zone.
func (a *App) viewIn(loc *time.Location) words.View {
	v := a.view()
	v.Loc = loc
	return v
}
