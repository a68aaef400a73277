// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"curewright/dashboards/web"
	input "curewright/internal/fault"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/job"
	"curewright/model/plan"
	"curewright/model/stock"
	"curewright/model/words"
)

// shopDays is how far back the page's forecast of the shop looks.
const shopDays = 7

// Plan plans a day from a job in JSON, with a job file's keys; the daemon adds
// the weather that it has measured and what finger tests told of each epoxy.
// With "job" in it, it is what is left of that stored job.
func (d *Daemon) Plan(ctx context.Context, body json.RawMessage) (json.RawMessage, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	body, done, err := d.storedJob(w, body)
	if err != nil {
		return nil, err
	}
	text, err := jobFromJSON(body)
	if err != nil {
		return nil, err
	}
	j, err := job.ParseJob(text, "job", time.Time{}, resinOf(w))
	if err != nil {
		return nil, fault.OfLines(job.Lines(err))
	}
	now := d.Now()
	probes := d.set.Health()
	j.Settings.Loc = d.loc
	air := d.jobSettings(now, d.settings(), probes).Air
	t := job.NewTable()
	if air != "" {
		j.Settings.Air = air
		for s := range (storeReadings{d.store}).Samples(air, now.AddDate(0, 0, -shopDays), now) {
			t.Add(air, s)
		}
	}
	var shopC *float64
	if c := shopTemp(now, probes); !math.IsNaN(c) {
		shopC = &c
	}
	in, err := PlanDay(j, t, shopC)
	if u, ok := errors.AsType[*input.Input](err); ok {
		return nil, fault.OfLines(u.Lines)
	} else if err != nil {
		return nil, err
	}
	in.Now, in.Learned = now, d.learned()
	if !j.Day.ByTables() {
		_, ticks := d.jobsNow()
		in.Habits = stock.Habits(w, job.LaidBy(ticks), j.Day.Lays)
	}
	if done == nil {
		markDone(in.Done, in.Steps, w, in.Start, now)
	}
	maps.Copy(in.Done, done)
	in.Words = d.wordsFor(ctx)
	odd := map[string]string{} // steps whose coat came from a cup mixed off its ratio
	for _, c := range w.Coats {
		for _, s := range in.Steps {
			if at, on := in.Done[s.ID]; on && s.Do == "coat" && s.Panel == c.Panel && at.Equal(c.Applied) && slices.ContainsFunc(w.Batches, func(b coat.Batch) bool { return b.OffRatio != "" && slices.Contains(c.Batches, b.ID) }) {
				odd[s.ID] = c.Panel
			}
		}
	}
	res, err := onAllCores(ctx, in)
	if err != nil {
		return nil, err
	}
	for _, id := range slices.Sorted(maps.Keys(odd)) {
		res.Notes = append(res.Notes, words.View{Words: in.Words}.Say("plan.note.off_ratio", words.Facts{"step": id, "panel": odd[id]}))
	}
	return json.Marshal(res)
}

func onAllCores(ctx context.Context, in plan.Job) (plan.Result, error) {
	defer allCores()()
	return plan.Plan(ctx, in)
}

// resinOf finds the resins that a job file names.
func resinOf(w *coat.Work) job.ResinLoader {
	return func(name string) (cure.Resin, error) {
		r, ok := w.Resins[name]
		if !ok {
			return r, fmt.Errorf("unknown epoxy %q", name)
		}
		return r, nil
	}
}

// storedJob puts the panels and the rest of the steps of a stored job into a
// plan's request that names one. done are the steps before them that have been
// done; nil where no job is named.
func (d *Daemon) storedJob(w *coat.Work, body json.RawMessage) (json.RawMessage, map[string]time.Time, error) {
	var m map[string]json.RawMessage
	if json.Unmarshal(body, &m) != nil || m["job"] == nil {
		return body, nil, nil
	}
	var id string
	if json.Unmarshal(m["job"], &id) != nil || m["step"] != nil || m["panel"] != nil {
		return nil, nil, web.Faults{{Field: "job", What: "want the id of a job, and then neither panel nor step"}}
	}
	s, ticks, err := d.findJob(id)
	if err != nil {
		return nil, nil, web.Faults{{Field: "job", What: fmt.Sprintf("unknown job %q", id)}}
	}
	now := d.Now()
	steps, done := s.Rest(s.Progress(w, ticks, now), now)
	if len(steps) == 0 {
		return nil, nil, web.Faults{{Field: "job", What: "nothing is left to do of it"}}
	}
	var panels []coat.Panel
	for _, p := range w.Panels {
		if slices.ContainsFunc(steps, func(x job.Step) bool { return x.Panel == p.ID || x.To == p.ID }) {
			panels = append(panels, p)
		}
	}
	delete(m, "job")
	m["panel"], err = json.Marshal(panels)
	if err == nil {
		m["step"], err = json.Marshal(steps)
	}
	if err != nil {
		return nil, nil, err
	}
	body, err = json.Marshal(m)
	return body, done, err
}

// markDone finds the steps of a day that are done: a coat's step by a coat of its kind
// on its panel, a cloth's step by a cloth laid there, in the order of the steps. So a
// day that goes differently is planned anew from its present state.
func markDone(done map[string]time.Time, steps []job.Step, w *coat.Work, since, now time.Time) {
	taken := map[string]bool{}
	last := map[string]time.Time{} // by panel: a step is not done before the one before it
	for _, s := range steps {
		if _, is := done[s.ID]; is {
			continue
		}
		after := since
		if t, ok := last[s.Panel]; ok && t.After(after) {
			after = t
		}
		take := func(key string, at time.Time) bool {
			if taken[key] || at.Before(after) || at.After(now) {
				return false
			}
			done[s.ID], last[s.Panel], taken[key] = at, at, true
			return true
		}
		for _, c := range w.Coats {
			if c.Panel != s.Panel {
				continue
			}
			if s.Do == "coat" && c.Kind == s.Coat && take(c.ID, c.Applied) || s.Do == "cloth" && slices.ContainsFunc(c.Cloth, func(cl coat.Cloth) bool {
				return cl.Laid != nil && take(fmt.Sprintf("%s cloth %d", c.ID, slices.Index(c.Cloth, cl)), *cl.Laid)
			}) {
				break
			}
		}
	}
}

// learned is the rate factor of each epoxy from the open coats' finger tests; of
// several open batches of one epoxy, the most certain factor.
func (d *Daemon) learned() map[string]plan.Kappa {
	out := map[string]plan.Kappa{}
	s := d.snap.Load()
	if s == nil {
		return out
	}
	for _, e := range s.Result.Coats {
		if e.Kappa == nil || len(e.Strip.Feels) == 0 || !(e.Kappa.P10 > 0) {
			continue
		}
		const decile = 1.2815515655446004 // of the normal distribution
		k := plan.Kappa{Mean: math.Log(e.Kappa.P50), SD: math.Log(e.Kappa.P90/e.Kappa.P10) / (2 * decile)}
		if old, ok := out[e.Resin]; !ok || k.SD < old.SD {
			out[e.Resin] = k
		}
	}
	return out
}

// jobFromJSON writes a job that came as JSON the way a job file is written,
// so that one parser checks both.
func jobFromJSON(body json.RawMessage) ([]byte, error) {
	var m map[string]any
	if err := json.Unmarshal(body, &m); err != nil {
		return nil, web.Faults{{What: "not a JSON object"}}
	}
	var faults web.Faults
	m, _ = tidy(m, "", &faults).(map[string]any)
	if len(faults) > 0 {
		return nil, faults
	}
	return toml.Marshal(m)
}

// jobTimes are the keys of a job that hold a time.
var jobTimes = map[string]bool{"start": true, "applied": true, "finished": true, "mixed": true, "at": true, "laid": true, "ended": true}

// tidy drops nulls and turns texts of times into times, and whole numbers into
// integers.
func tidy(v any, key string, faults *web.Faults) any {
	switch v := v.(type) {
	case map[string]any:
		out := map[string]any{}
		for k, x := range v {
			if x != nil {
				out[k] = tidy(x, k, faults)
			}
		}
		return out
	case []any:
		out := make([]any, 0, len(v))
		for _, x := range v {
			out = append(out, tidy(x, key, faults))
		}
		return out
	case float64:
		if v == math.Trunc(v) && math.Abs(v) < 1<<53 {
			return int64(v)
		}
		return v
	case string:
		if jobTimes[key] {
			t, err := time.Parse(time.RFC3339, strings.TrimSpace(v))
			if err != nil {
				*faults = append(*faults, web.Fault{Field: key, What: fmt.Sprintf("%q is not a time such as 2026-10-10T08:00:00+01:00", v)})
				return v
			}
			return t
		}
	}
	return v
}
