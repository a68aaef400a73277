// SPDX-License-Identifier: Apache-2.0

package job

import (
	"fmt"
	"math"
	"slices"
	"time"

	"curewright/model/air"
	"curewright/model/coat"
	"curewright/model/shop"
)

// Trace is a coat's history and forecast in the given number of equal steps
// from one time to another, judged with what is known now. Times before
// mixing are left out.
func (e *Estimator) Trace(now time.Time, coatID string, from, to time.Time, points int, w *coat.Work, r Readings, s Settings) ([]coat.TracePoint, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	c, ok := find(w.Coats, func(c coat.Coat) bool { return c.ID == coatID })
	if !ok {
		return nil, fmt.Errorf("unknown coat %q", coatID)
	}
	if points < 2 || !to.After(from) {
		return nil, fmt.Errorf("a trace needs two points or more and an end after its beginning")
	}
	ru, err := e.follow(now, w, &c, r, s)
	if err != nil {
		return nil, err
	}
	out := []coat.TracePoint{}
	if !ru.young.Begun() {
		return out, nil
	}
	runs := map[string]*run{c.ID: ru}
	for i := range w.Coats {
		if o := &w.Coats[i]; o.ID != c.ID && !o.Applied.After(now) && len(ru.batches) > 0 {
			if x, err := e.follow(now, w, o, r, s); err == nil {
				runs[o.ID] = x
			}
		}
	}
	belief := e.believe(w, ru, runs, s)
	tr := trace{ru: ru, now: now, from: from, step: to.Sub(from) / time.Duration(points-1),
		q: [3]float64{belief.W.Quantile(0.1), belief.W.Quantile(0.5), belief.W.Quantile(0.9)}}
	k := tr.past(e.begin(ru, ru.feed.air, s), r, points)
	tr.future(e.outlook(now, ru, r, s), k, points)
	if ru.offRatio() {
		for i := range tr.out {
			tr.out[i].Alpha, tr.out[i].TgC = nil, nil // not modelled
		}
	}
	return append(out, tr.out...), nil
}

// trace is a coat's history and forecast in equal steps.
type trace struct {
	ru        *run
	now, from time.Time
	step      time.Duration
	q         [3]float64 // ln κ at p10, p50 and p90
	out       []coat.TracePoint
}

// past follows the coat anew from its beginning, up to now; it returns the first
// point that lies ahead.
func (x *trace) past(cp *checkpoint, r Readings, points int) int {
	cp.young.SetFeels(nil)
	var tip checkpoint
	for k := range points {
		at := x.from.Add(time.Duration(k) * x.step)
		if at.After(x.now) {
			return k
		}
		cp.feed.advance(r, at, cp)
		tip.feed, tip.hasOld = cp.feed, false
		cp.young.CopyTo(&tip.young)
		tip.feed.carryToNow(at, &tip)
		if !tip.young.Begun() {
			continue
		}
		p := describePoint(at, &tip.young, x.q)
		if v := tip.feed.vapour(at); !math.IsNaN(v) {
			if td, ok := air.DewPoint(v); ok {
				p.DewC = &td
			}
			j := tip.young.BlushIndex(x.q[1])
			p.BlushJ = &j
		}
		if p.Gap = tip.feed.from(at) == "none"; p.Gap {
			p.TempC = nil
		}
		x.out = append(x.out, p)
	}
	return points
}

// future goes on from now along the middle of the forecast.
func (x *trace) future(o *coat.Outlook, k, points int) {
	ahead := new(coat.Track)
	x.ru.young.CopyTo(ahead)
	col := make([]float64, o.Paths)
	last := x.now
	for ; k < points; k++ {
		at := x.from.Add(time.Duration(k) * x.step)
		if at.After(x.now.Add(time.Duration(o.Len-1) * shop.StepS * time.Second)) {
			break
		}
		var p10, p50, p90 float64
		for t := last; t.Before(at); {
			t = t.Add(shop.StepS * time.Second)
			if t.After(at) {
				t = at
			}
			lead := t.Sub(x.now).Seconds() / shop.StepS
			for i := range col {
				col[i] = o.At(i, lead)
			}
			slices.Sort(col)
			n := float64(len(col))
			p10, p50, p90 = col[int(0.1*n)], col[len(col)/2], col[int(0.9*n)]
			ahead.Feed(coat.Point{At: t, TempC: p50, Source: coat.FromProbe, VapourPa: math.NaN(), CO2: math.NaN()})
		}
		last = at
		p := describePoint(at, ahead, x.q)
		p.Forecast = true
		p.TempC, p.TempP10, p.TempP90 = &p50, &p10, &p90
		if td, ok := air.DewPoint(o.VapourPa); ok {
			p.DewC = &td
		}
		x.out = append(x.out, p)
	}
}

func describePoint(at time.Time, tr *coat.Track, q [3]float64) coat.TracePoint {
	t := tr.TempC()
	a := coat.Band{P10: tr.Alpha(q[0]), P50: tr.Alpha(q[1]), P90: tr.Alpha(q[2])}
	tg := tr.Resin().Tg(a.P50)
	return coat.TracePoint{At: at, TempC: &t, Alpha: &a, TgC: &tg}
}
