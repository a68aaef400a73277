// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"iter"
	"math"
	"reflect"
	"slices"
	"sort"
	"time"

	"curewright/alerts"
	"curewright/history"
	"curewright/model/air"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/pot"
	"curewright/sensors"
)

// storeReadings is the store behind the estimator's interface.
type storeReadings struct{ store *history.Store }

func (r storeReadings) Samples(probe string, from, to time.Time) iter.Seq[job.Sample] {
	return func(yield func(job.Sample) bool) {
		for x, err := range r.store.Readings(probe, from, to) {
			if err != nil {
				// A damaged stretch is a gap; the store reports the damage itself.
				continue
			}
			if !yield(job.Sample{At: x.At, TempC: x.Temp.OrNaN(), RHPct: x.RH.OrNaN(), CO2: x.CO2.OrNaN()}) {
				return
			}
		}
	}
}

// Version changes when readings are inserted before the newest one, so that the
// estimator starts anew.
func (r storeReadings) Version(probe string) uint64 { return r.store.Version(probe) }

// surfaces is moist air at every panel now.
func surfaces(now time.Time, w *coat.Work, probes []sensors.Health, shopAir string) []alerts.Surface {
	by := map[string]sensors.Health{}
	for _, h := range probes {
		by[h.Probe] = h
	}
	shopAir = cmp.Or(shopAir, firstAir(probes))
	var out []alerts.Surface
	for _, p := range w.Panels {
		s := alerts.Surface{Panel: p.ID}
		// For a probe without a present reading, or without a probe, all values are nil.
		panel, _ := by[p.Probe].Now(now)
		above, _ := by[cmp.Or(p.Air, shopAir)].Now(now)
		s.TempC, s.AirC, s.RHPct = panel.Temp.Ptr(), above.Temp.Ptr(), above.RH.Ptr()
		if s.AirC != nil && s.RHPct != nil {
			if pt, err := air.Point(*s.AirC, *s.RHPct, s.TempC, air.StandardPressure); err == nil {
				s.DewC, s.MarginK, s.PanelRHPct = &pt.DewPointC, pt.DewMarginK, pt.PanelRHPct
				if s.TempC == nil {
					s.MarginK, s.Estimated = new(*s.AirC-pt.DewPointC-noSurfaceK), true
				}
			}
		}
		out = append(out, s)
	}
	return out
}

// noSurfaceK is how much colder than the air a panel without a probe is assumed to be,
// K: our choice, on the careful side.
const noSurfaceK = 2.0

// firstAir is the shop's air probe where none is named: the first accepted
// one with that role, else the first that gives humidity.
func firstAir(probes []sensors.Health) string {
	for _, h := range probes {
		if h.Accepted && h.Role == sensors.RoleAir {
			return h.Probe
		}
	}
	for _, h := range probes {
		if h.Accepted && h.Role == "" && h.Last.RH.OK() {
			return h.Probe
		}
	}
	return ""
}

// cupForget is how long a cup that nobody ended is still shown.
const cupForget = 12 * time.Hour

// unweighedG is the cup that is assumed where none was weighed: the mass that
// data sheets state pot life for is 100 to 150 g.
const unweighedG = 150.0

// solvedCup is a cup's query with its answer, which is kept until the query changes:
// when the shop's temperature changes, or a person corrects the cup or its resin.
type solvedCup struct {
	q   pot.Query
	res pot.Result
}

// cups is every batch that is not used up, with its countdown.
func (d *Daemon) cups(now time.Time, w *coat.Work, probes []sensors.Health) []alerts.Cup {
	var out []alerts.Cup
	var newest pot.Query // of the last cup in out
	for _, b := range w.Batches {
		if b.Ended != nil || now.Sub(b.Mixed) > cupForget || b.Mixed.After(now) {
			continue
		}
		r, ok := w.Resins[b.Resin]
		if !ok {
			continue
		}
		c := alerts.Cup{Batch: b.ID, Resin: b.Resin, Mixed: b.Mixed, Measure: "model"}
		grams := unweighedG
		if b.ResinG != nil || b.HardenerG != nil {
			grams = orZero(b.ResinG) + orZero(b.HardenerG)
			c.Grams = &grams
		}
		shop := shopTemp(now, probes)
		if math.IsNaN(shop) {
			shop = shopUnknownC // the countdown still runs
			c.Measure = "model, no probe"
		}
		start := shop
		if b.StartC != nil {
			start = *b.StartC
		}
		q := pot.Query{Words: d.lang, Resin: r, Grams: grams, Shape: cmp.Or(pot.Shape(b.Shape), pot.Cup), DiameterMM: b.DiameterMM,
			ShopC: math.Round(shop), StartC: new(math.Round(start))}
		solved, ok := d.cupCache[b.ID]
		if !ok || !reflect.DeepEqual(solved.q, q) {
			res, err := pot.Solve(q)
			if err != nil {
				d.log.Warn("cup not estimated", "batch", b.ID, "err", err)
				continue
			}
			if len(d.cupCache) > 256 {
				clear(d.cupCache)
			}
			solved = solvedCup{q, res}
			d.cupCache[b.ID] = solved
		}
		res := solved.res
		c.Class = res.Verdict
		c.Work, c.Left, c.Do = res.Work, res.Left, res.Do
		c.EndsAt = b.Mixed.Add(pot.Horizon * time.Minute)
		if res.WorkMinutes != nil {
			c.EndsAt = b.Mixed.Add(minutesOf(*res.WorkMinutes))
		}
		if res.To60C != nil {
			c.HotAt = new(b.Mixed.Add(minutesOf(*res.To60C)))
		}
		c.OnPanel = !b.Kept && slices.ContainsFunc(w.Coats, func(k coat.Coat) bool {
			return !k.Applied.After(now) && slices.Contains(k.Batches, b.ID)
		})
		if at, ok := d.entered(b.ID); ok {
			c.Late = at.After(c.EndsAt)
		}
		out = append(out, c)
		newest, newest.ShopC = q, shop
	}
	d.feelPot(now, out, newest, probes)
	for i := range out {
		dangerOf(&out[i], now)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].EndsAt.Before(out[j].EndsAt) })
	return out
}

// entered is when a batch was first written down.
func (d *Daemon) entered(batch string) (time.Time, bool) {
	if at, ok := d.cupEntered[batch]; ok {
		return at, true
	}
	cs, err := d.store.Changes(context.Background(), "batch", batch)
	if err != nil || len(cs) == 0 {
		return time.Time{}, false
	}
	if len(d.cupEntered) > 256 {
		clear(d.cupEntered)
	}
	d.cupEntered[batch] = cs[0].At
	return cs[0].At, true
}

func minutesOf(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }

// dangerLead is how long before a cup is too hot to hold the danger alert fires.
const dangerLead = 10 * time.Minute

// dangerOf sets the fields of a cup that depend on the time until it is too hot to
// hold: the degree of danger, and when the danger alert fires. That is never before
// half of the time has passed, since an alert for every cup just mixed would be
// ignored.
func dangerOf(c *alerts.Cup, now time.Time) {
	c.Danger, c.DangerFrom = pot.DangerNone, nil
	if c.HotAt == nil {
		return
	}
	left := c.HotAt.Sub(now).Minutes()
	c.Danger = pot.DangerAt(&left)
	c.DangerFrom = new(c.HotAt.Add(-min(dangerLead, c.HotAt.Sub(c.Mixed)/2)))
}

// feelPot lets a probe in the pot correct the countdown of the newest cup, into which
// it was most likely put.
func (d *Daemon) feelPot(now time.Time, cups []alerts.Cup, q pot.Query, probes []sensors.Health) {
	if len(cups) == 0 {
		return
	}
	c := &cups[len(cups)-1]
	for _, h := range probes {
		if _, ok := h.Now(now); !ok || h.Role != sensors.RolePot || !h.Accepted {
			continue
		}
		var rs []pot.Sample
		for r, err := range d.store.Readings(h.Probe, c.Mixed, now) {
			if t, ok := r.Temp.Get(); err == nil && ok {
				rs = append(rs, pot.Sample{Minutes: r.At.Sub(c.Mixed).Minutes(), TempC: t})
			}
		}
		live, err := pot.Live(q, rs)
		if err != nil {
			continue // no reading from the pot yet: the model's time counts
		}
		c.Measure, c.Class = "pot probe", live.Verdict
		c.Do, c.HotAt = live.Say, nil
		if live.Kick != nil {
			c.HotAt = new(now.Add(minutesOf(*live.Kick)))
		}
		switch {
		case live.Over:
			c.EndsAt = now
		case live.Minutes != nil:
			c.EndsAt = now.Add(minutesOf(*live.Minutes))
		default:
			c.EndsAt = c.Mixed.Add(pot.Horizon * time.Minute)
		}
		return
	}
}

// shopTemp is the air in the shop now, or NaN.
func shopTemp(now time.Time, probes []sensors.Health) float64 {
	best := math.NaN()
	for _, h := range probes {
		if !h.Accepted || (h.Role != sensors.RoleAir && h.Role != sensors.RoleTent && h.Role != "") {
			continue
		}
		r, _ := h.Now(now)
		if t, ok := r.Temp.Get(); ok && (math.IsNaN(best) || h.Role == sensors.RoleAir) {
			best = t
		}
	}
	return best
}

// runEstimates evaluates at a steady pace and whenever something was entered.
func (d *Daemon) runEstimates(ctx context.Context) error {
	for {
		began := time.Now()
		if err := d.Evaluate(ctx); ctx.Err() != nil {
			return ctx.Err()
		} else if err != nil {
			d.log.Error("estimate", "err", err)
		} else {
			d.progress("estimator")
		}
		next := pace(time.Since(began))
		if s := d.clk.Speed(); s > 1 {
			next = max(time.Duration(float64(estimateEvery)/s), time.Second)
		}
		tick := time.NewTimer(next - time.Since(began))
		select {
		case <-ctx.Done():
			tick.Stop()
			return ctx.Err()
		case <-tick.C:
		case <-d.kick:
			tick.Stop()
		}
	}
}

// pace is the time from the beginning of an evaluation to the next. It is longer where
// many open coats or a slow board make evaluations take long, so that the board has
// time for its other work.
func pace(took time.Duration) time.Duration {
	return min(max(estimateEvery, took*estimateShare), estimateLatest)
}

// Interval of evaluations, and the share of time above which it is lengthened.
const (
	estimateEvery  = 30 * time.Second
	estimateLatest = time.Minute
	estimateShare  = 200
)
