package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/dashboards/daysheet"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/plan"
	"curewright/model/pot"
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
	serr := checkNumbers(flagSpan{"shop", c.Shop, -20, 50, "°C", "a shop is between −20 and 50 °C; was it typed in °F?"})
	if err := joinUsage(jerr, terr, serr); err != nil {
		return err
	}
	res, err := solvePlan(a.ctx, j, t, c.Shop)
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

func solvePlan(ctx context.Context, j *job.Job, t *job.Table, shopC *float64) (plan.Result, error) {
	in, err := planJob(j, t, shopC)
	if err != nil {
		return plan.Result{}, err
	}
	res, err := plan.Plan(ctx, in)
	var faults plan.Faults
	if errors.As(err, &faults) {
		u := &usageError{}
		for _, f := range faults {
			u.lines = append(u.lines, f.Place+": "+f.What)
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
		if to < from {
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
		if was := cloths[cl.Coat]; was != "" {
			words = was + " + " + words // layer on layer
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
		if s.DepthMM != nil {
			st.DepthMM = *s.DepthMM
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
	// Planned times are whole five minutes from here on: let them be so on the
	// clock as well.
	start = start.Truncate(5 * time.Minute)
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

// printPlan shows the day as a list: the time in a column of its own, and what
// belongs to it hanging beside it.
func printPlan(a *app, res plan.Result) {
	under := strings.Repeat(" ", 11)
	line := func(head, text string) { fmt.Fprintln(a.out, hang(head, a.units.text(text))) }
	line("", res.Say)
	if len(res.WhyNot) > 0 {
		fmt.Fprintln(a.out, "\nWhat stands in the way:")
	}
	for _, w := range res.WhyNot {
		line("· ", w)
	}
	fmt.Fprintln(a.out)
	for _, s := range res.Steps {
		say := s.Say
		if s.Panel != "" {
			say = s.Panel + ": " + say
		}
		line(s.At.Format("Mon 15:04")+"  ", say)
		for i := 0; i < len(s.Batches); {
			n := 1
			for i+n < len(s.Batches) && s.Batches[i+n].Grams == s.Batches[i].Grams {
				n++
			}
			line(under, cupWords(s.Batches[i], n))
			i += n
		}
		if s.Window != nil {
			line(under, fmt.Sprintf("window %s to %s", edge(s.Window.Opens, "now"), edge(s.Window.Closes, "open end")))
		}
	}
	if len(res.Options) > 0 {
		fmt.Fprintln(a.out, "\nWhat would make it surer:")
	}
	for _, o := range res.Options {
		text := fmt.Sprintf("%s %d in 100", o.Say, int(math.Floor(100*o.Probability+1e-9)))
		if o.Finish != nil {
			text += ", done about " + o.Finish.Format("Mon 15:04")
		}
		line("· ", text+".")
	}
	fmt.Fprintln(a.out)
	for _, n := range append(slices.Clone(res.Notes), res.Cautions...) {
		line("· ", n)
	}
}

// cupWords say how to mix n equal cups.
func cupWords(b plan.Batch, n int) string {
	s := fmt.Sprintf("a cup of %.0f g %s", b.Grams, epoxy(b.Resin))
	if n > 1 {
		s = fmt.Sprintf("%d cups, one after another, each of %.0f g %s", n, b.Grams, epoxy(b.Resin))
	}
	switch {
	case b.ResinG != nil && b.HardenerG != nil:
		s += fmt.Sprintf(": %.0f g resin + %.0f g hardener", *b.ResinG, *b.HardenerG)
		if b.HardenerLow != nil && b.HardenerHi != nil {
			s += fmt.Sprintf(" (%.1f to %.1f)", *b.HardenerLow, *b.HardenerHi)
		}
	case b.Ratio != "":
		s += ": " + b.Ratio
	default:
		s += ": ratio from the data sheet"
	}
	if b.WorkMinutes != nil {
		s += fmt.Sprintf("; use it within %d min", int(*b.WorkMinutes))
	}
	if b.Verdict == pot.Runaway {
		s += "; it overheats if left standing"
	}
	return s + "."
}

func edge(t *time.Time, none string) string {
	if t == nil {
		return none
	}
	return t.Format("Mon 15:04")
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
