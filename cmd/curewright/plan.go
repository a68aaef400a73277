package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"curewright/dashboards/daysheet"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/plan"
	"curewright/model/shop"
)

type planCmd struct {
	Job      string   `required:"" placeholder:"FILE.toml" type:"path" help:"Job with [day], panels and ordered [[step]]s."`
	Readings string   `placeholder:"FILE.csv" type:"path" help:"The shop's last days, to forecast from; a wide guess without."`
	Shop     *float64 `placeholder:"C" help:"Shop's temperature at the start where there are no readings; 15 °C when not given."`
	Sheet    string   `placeholder:"FILE.html" type:"path" help:"Write the day sheet, one page to print."`
	Calendar string   `placeholder:"FILE.ics" type:"path" help:"Write the steps as a calendar for the phone."`
	JSON     bool     `help:"Print one JSON object."`
}

func (planCmd) Help() string {
	return "Example:\n\n  curewright plan --job lids.toml --sheet day.html --calendar day.ics"
}

func (c *planCmd) Run(a *app) error {
	b, err := os.ReadFile(c.Job)
	if err != nil {
		return usagef("%v", err)
	}
	// Planned times lie ahead: nothing is "in the future" here.
	j, err := job.ParseJob(b, c.Job, time.Time{}, resinBeside(c.Job))
	var jerr, terr error
	if err != nil {
		jerr = &usageError{job.Lines(err)}
	}
	var t *job.Table
	if c.Readings != "" {
		t, terr = readReadings(c.Readings)
	}
	if err := joinUsage(jerr, terr); err != nil {
		return err
	}
	res, err := solvePlan(j, t, c.Shop)
	if err != nil {
		return err
	}
	if c.Sheet != "" || c.Calendar != "" {
		if err := c.write(a, j, res); err != nil {
			return err
		}
	}
	if c.JSON {
		return a.json(res)
	}
	printPlan(a, res)
	return nil
}

func solvePlan(j *job.Job, t *job.Table, shopC *float64) (plan.Result, error) {
	in, err := planJob(j, t, shopC)
	if err != nil {
		return plan.Result{}, err
	}
	res, err := plan.Plan(in)
	var faults plan.Faults
	if errors.As(err, &faults) {
		u := &usageError{}
		for _, f := range faults {
			u.lines = append(u.lines, f.Place+": "+f.What)
		}
		return res, u
	}
	return res, err
}

// planMembers is how many weathers a plan is tried against.
const planMembers = 200

// planJob turns a job file into what the planner takes, with a forecast of
// the shop.
func planJob(j *job.Job, t *job.Table, shopC *float64) (plan.Job, error) {
	if j.Day == nil {
		return plan.Job{}, usagef("%s: [day] is missing: when may work start?", j.Path)
	}
	loc := j.Settings.Loc
	if loc == nil {
		loc = j.Day.Start.Location()
	}
	in := plan.Job{Start: j.Day.Start, Loc: loc, People: j.Day.People, Resins: maps.Clone(j.Work.Resins)}
	if in.Resins == nil {
		in.Resins = map[string]cure.Resin{}
	}
	for _, n := range genericNames {
		in.Resins[n], _ = cure.Generic(n)
	}
	for _, h := range j.Day.Hours {
		from, to, err := job.ParseHours(h)
		if err != nil {
			return in, usagef("%s: %v", j.Place("day", "hours"), err)
		}
		if to <= from {
			// Over midnight: two spans of the same day.
			in.Hours = append(in.Hours, plan.Hours{From: 0, To: int(to)}, plan.Hours{From: int(from), To: 24 * 60})
			continue
		}
		in.Hours = append(in.Hours, plan.Hours{From: int(from), To: int(to)})
	}
	for _, p := range j.Work.Panels {
		in.Panels = append(in.Panels, plan.Panel{ID: p.ID, Piece: p.Piece, Core: p.Core, AreaM2: p.AreaM2})
	}
	known := map[string]coat.Coat{}
	for _, c := range append(append([]coat.Coat{}, j.Work.Coats...), j.Planned...) {
		known[c.ID] = c
	}
	cloths := map[string]string{}
	for _, cl := range j.Cloths {
		words := cl.Name
		if cl.GM2 != nil && !strings.ContainsAny(cl.Name, "0123456789") {
			words = fmt.Sprintf("%s %g", cl.Name, *cl.GM2)
		}
		if cl.Coat != "" {
			cloths[cl.Coat] = words
		}
	}
	for i, s := range j.Steps {
		st := plan.Step{
			ID: s.ID, Panel: s.Panel, Do: s.Do, Coat: s.Coat, Resin: s.Resin, Cloth: s.Cloth, When: s.When, Of: s.Of, To: s.To,
			AreaM2: s.AreaM2, WorkMinutes: s.WorkMinutes, Place: j.Place("step", i),
		}
		if c, ok := known[s.Coat]; ok {
			st.Kind, st.PeelPly = c.Kind, c.Cover == "peel ply"
			if st.Resin == "" {
				st.Resin = c.Resin
			}
			if !c.Applied.IsZero() {
				at := c.Applied
				st.Done = &at
			}
			if st.Cloth == "" {
				st.Cloth = cloths[s.Coat]
			}
		} else if s.Do == "coat" {
			st.Kind = s.Coat
		}
		in.Steps = append(in.Steps, st)
	}
	in.Forecast = planForecast(j, t, shopC, loc)
	return in, nil
}

// planForecast is the shop's air from the day's start on, from its last days
// where there are readings.
func planForecast(j *job.Job, t *job.Table, shopC *float64, loc *time.Location) plan.Forecast {
	start := j.Day.Start
	now := 15.0
	if shopC != nil {
		now = *shopC
	}
	var h shop.History
	if t != nil {
		if air, at, ok := lastAir(j, t, &h); ok {
			now = air
			if at.After(start) {
				start = at
			}
		}
	}
	_, off := start.In(loc).Zone()
	c := shop.Conditions{At: start, TempC: now, OffsetS: float64(off)}
	if j.Day.LowC != nil {
		c.LowC = j.Day.LowC
		// The coldest hour of a night in a shed is just before sunrise.
		y, mo, d := start.In(loc).Date()
		c.LowAt = time.Date(y, mo, d, 6, 0, 0, 0, loc)
		if !c.LowAt.After(start) {
			c.LowAt = c.LowAt.AddDate(0, 0, 1)
		}
	}
	m := shop.Fit(&h, nil, start)
	flat := m.Ensemble(nil, &h, planMembers, shop.Steps, c, nil)
	f := plan.Forecast{Start: start, Step: time.Duration(shop.StepS) * time.Second}
	for i := range planMembers {
		row := make([]float64, shop.Steps+1)
		for k := range row {
			row[k] = float64(flat[i*(shop.Steps+1)+k])
		}
		f.Air = append(f.Air, row)
	}
	return f
}

// lastAir is the newest air temperature in the table; h takes all of them.
func lastAir(j *job.Job, t *job.Table, h *shop.History) (c float64, at time.Time, ok bool) {
	first, last, any := t.Span()
	if !any {
		return 0, time.Time{}, false
	}
	names := []string{j.Settings.Air}
	for _, p := range j.Work.Panels {
		names = append(names, p.Air)
	}
	for _, n := range append(names, t.Probes()...) {
		if n == "" {
			continue
		}
		for s := range t.Samples(n, first, last) {
			if !math.IsNaN(s.TempC) {
				c, at, ok = s.TempC, s.At, true
				h.Add(s.At, s.TempC)
			}
		}
		if ok {
			return c, at, true
		}
	}
	return 0, time.Time{}, false
}

// write writes the day sheet and the calendar that were asked for.
func (c *planCmd) write(a *app, j *job.Job, res plan.Result) error {
	o := daysheet.Options{Title: titleOf(j.Path), Made: time.Now(), US: a.units == "us"}
	if c.Sheet != "" {
		b, err := daysheet.HTML(res, o)
		if err != nil {
			return err
		}
		if err := writeFile(c.Sheet, b); err != nil {
			return err
		}
	}
	if c.Calendar != "" {
		return writeFile(c.Calendar, daysheet.ICS(res, o))
	}
	return nil
}

// titleOf names a day after its job file.
func titleOf(path string) string {
	return strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
}

func printPlan(a *app, res plan.Result) {
	if !res.Feasible {
		fmt.Fprintln(a.out, "This day can't be done as it stands.")
		for _, w := range res.WhyNot {
			fmt.Fprintln(a.out, wrap("· "+w, 78))
		}
	} else if res.Finish != nil {
		fmt.Fprintf(a.out, "%.0f in 100 forecasts let every step fall inside its window; done about %s.\n",
			100*res.Probability, res.Finish.Format("Mon 15:04"))
	}
	fmt.Fprintln(a.out)
	for _, s := range res.Steps {
		fmt.Fprintf(a.out, "%s  %s\n", s.At.Format("Mon 15:04"), wrap(s.Say, 66))
		for _, b := range s.Batches {
			line := fmt.Sprintf("%.0f g of %s", b.Grams, b.Resin)
			if b.ResinG != nil && b.HardenerG != nil {
				line = fmt.Sprintf("%.0f g: %.0f resin + %.0f hardener, %s", b.Grams, *b.ResinG, *b.HardenerG, b.Resin)
			}
			if b.WorkMinutes != nil {
				line += fmt.Sprintf("; use it within %.0f min", *b.WorkMinutes)
			}
			fmt.Fprintf(a.out, "           cup  %s\n", line)
		}
		if s.Window != nil {
			fmt.Fprintf(a.out, "           window  %s to %s\n", edge(s.Window.Opens, "now"), edge(s.Window.Closes, "open end"))
		}
	}
	for _, o := range res.Options {
		fmt.Fprintln(a.out, wrap("or: "+o.Say, 78))
	}
	for _, n := range append(res.Notes, res.Cautions...) {
		fmt.Fprintln(a.out, wrap("· "+n, 78))
	}
}

func edge(t *time.Time, none string) string {
	if t == nil {
		return none
	}
	return t.Format("Mon 15:04")
}

// plan answers the page: a job as TOML in a JSON string, with the work and
// the weather that the daemon knows.
func (d *daemon) plan(ctx context.Context, body json.RawMessage) (json.RawMessage, error) {
	var q struct {
		Job string `json:"job"`
	}
	if err := strict(body, &q); err != nil {
		return nil, err
	}
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	j, err := job.ParseJob([]byte(q.Job), "job", time.Time{}, func(name string) (cure.Resin, error) {
		if r, ok := w.Resins[name]; ok {
			return r, nil
		}
		return cure.Resin{}, fmt.Errorf("unknown epoxy %q", name)
	})
	if err != nil {
		return nil, lineFaults(job.Lines(err))
	}
	var shopC *float64
	if t := shopTemp(d.clk.Now(), d.set.Health()); !math.IsNaN(t) {
		shopC = &t
	}
	res, err := solvePlan(j, nil, shopC)
	var u *usageError
	if errors.As(err, &u) {
		return nil, lineFaults(u.lines)
	} else if err != nil {
		return nil, err
	}
	return json.Marshal(res)
}

// lineFaults turns PLACE: WHAT lines into the API's faults.
func lineFaults(lines []string) web.Faults {
	var out web.Faults
	for _, l := range lines {
		place, what, ok := strings.Cut(l, ": ")
		if !ok {
			place, what = "", l
		}
		out = append(out, web.Fault{Field: place, What: what})
	}
	return out
}
