// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"curewright/internal/fault"
	"curewright/model/job"
	"curewright/model/plan"
	"curewright/model/shop"
	"curewright/model/stock"
)

// planMembers is how many simulated weathers a plan is tried against.
const planMembers = 200

// PlanDay turns a job file into what the planner takes, with a forecast of
// the shop.
func PlanDay(j *job.Job, t *job.Table, shopC *float64) (plan.Job, error) {
	if j.Day == nil {
		return plan.Job{}, fault.Inputf("%s: [day] is missing: when may work start?", j.Path)
	}
	loc := j.Settings.Loc
	if loc == nil {
		loc = j.Day.Start.Location()
	}
	in := plan.Job{Start: j.Day.Start, Loc: loc, People: j.Day.People, Words: j.Settings.Words, Resins: withGenerics(j.Work.Resins),
		Panels: j.Work.Panels, Names: map[string]string{}, Done: map[string]time.Time{}, Place: func(i int) string { return j.Place("step", i) }}
	for _, h := range j.Day.Hours {
		from, to, err := job.ParseHours(h)
		if err != nil {
			return in, fault.Inputf("%s: %v", j.Place("day", "hours"), err)
		}
		if to < from {
			// Over midnight: two spans of the same day.
			in.Hours = append(in.Hours, plan.Hours{From: 0, To: int(to)}, plan.Hours{From: int(from), To: 24 * 60})
			continue
		}
		in.Hours = append(in.Hours, plan.Hours{From: int(from), To: int(to)})
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
	for i := range j.Steps {
		s, c := j.Named(i)
		if c != nil {
			in.Names[s.ID] = c.ID
			if !c.Applied.IsZero() {
				in.Done[s.ID] = c.Applied
			}
			s.Cloth = cmp.Or(s.Cloth, cloths[c.ID])
		}
		in.Steps = append(in.Steps, s)
	}
	if !j.Day.ByTables() {
		in.Habits = stock.Habits(&j.Work, nil, "") // the daemon knows more coats
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
	// Plans are in steps of five minutes from here on: start at a multiple of five
	// minutes on the clock too.
	start = start.Truncate(5 * time.Minute)
	c := job.Conditions(start, now, nil, job.Settings{LowC: j.Day.LowC}, loc)
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
