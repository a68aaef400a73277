// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"fmt"
	"sync"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history/forward/influx"
	"curewright/model/coat"
)

// openInflux makes the sender; nil without [influx]. It does no network I/O.
func openInflux(d *Daemon) (*influx.Sender, error) {
	s := d.cfg.Influx
	if !s.On() {
		return nil, nil
	}
	token, err := alerts.Secret(s.TokenFile, s.TokenEnv)
	if err != nil {
		return nil, fmt.Errorf("influx: %w", err)
	}
	s.Site = cmp.Or(s.Site, d.cfg.Shop.Name)
	return influx.New(influx.Options{Section: s, Token: token, Cursors: d.store, Log: d.log, Now: d.clk.Now, Sources: []influx.Source{
		influx.Readings(d.store), influx.Events(d.store, d.clk.Now), influx.Work(d.store),
		influx.Cure(&coatCures{d: d}, d.clk.Now, time.Duration(s.CureEvery)),
	}})
}

// coatCures gives the cure of every coat: of the past computed from the
// history, of now from the last evaluation, which costs nothing.
type coatCures struct {
	d *Daemon

	mu   sync.Mutex
	live map[time.Time][]influx.CurePoint // by moment of the grid, so that a repeat is the same point
}

// liveWithin is how far from a moment of the grid an evaluation may lie to be used
// for it; its point keeps the evaluation's own time.
const liveWithin = time.Minute

// now returns the coats as the last evaluation has them, if it lies at the grid.
func (c *coatCures) now(at time.Time) ([]influx.CurePoint, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if ps, ok := c.live[at]; ok {
		return ps, true
	}
	s := c.d.snap.Load()
	if s == nil || s.Result.At.Sub(at).Abs() > liveWithin {
		return nil, false
	}
	dew := map[string]*float64{}
	for _, x := range s.Surfaces {
		dew[x.Panel] = x.DewC
	}
	ps := []influx.CurePoint{}
	for _, e := range s.Result.Coats {
		if s.Result.At.Sub(e.AppliedAt) > cureDays*24*time.Hour {
			continue
		}
		p := influx.CurePoint{Coat: e.ID, Panel: e.Panel, At: s.Result.At, TempC: e.TempC, DewC: dew[e.Panel], Blush: e.Blush.Index, State: string(e.State)}
		if e.Alpha != nil {
			p.Alpha = &[3]float64{e.Alpha.P10, e.Alpha.P50, e.Alpha.P90}
		}
		if e.TgC != nil {
			p.TgC = &e.TgC.P50
		}
		ps = append(ps, p)
	}
	if len(c.live) >= 64 {
		clear(c.live)
	}
	if c.live == nil {
		c.live = map[time.Time][]influx.CurePoint{}
	}
	c.live[at] = ps
	return ps, true
}

// cureDays is how many days after application a coat's cure is sent: as long as a
// stall is judged. After that it changes by less than its uncertainty.
const cureDays = 7

// Applied is when each coat was put on.
func (c *coatCures) Applied(ctx context.Context) (map[string]time.Time, error) {
	w, err := c.d.work(ctx)
	if err != nil {
		return nil, err
	}
	out := make(map[string]time.Time, len(w.Coats))
	for _, x := range w.Coats {
		out[x.ID] = x.Applied
	}
	return out, nil
}

// Points are the coats at each step of the grid.
func (c *coatCures) Points(ctx context.Context, from, to time.Time, step time.Duration) ([]influx.CurePoint, error) {
	d := c.d
	if !to.After(from.Add(step)) {
		if ps, ok := c.now(to); ok {
			return ps, nil
		}
	}
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	var out []influx.CurePoint
	for _, x := range w.Coats {
		end := x.Applied.AddDate(0, 0, cureDays)
		if x.Ended != nil && x.Ended.Before(end) {
			end = *x.Ended
		}
		lo, hi := from.Add(step), to
		if lo.Before(x.Applied) {
			lo = x.Applied.Truncate(step).Add(step)
		}
		if hi.After(end) {
			hi = end.Truncate(step)
		}
		if hi.Before(lo) {
			continue
		}
		// The trace needs two points or more: the additional one is left out again.
		n := int(hi.Sub(lo)/step) + 2
		ps, err := d.Trace(ctx, x.ID, lo.Add(-step), lo.Add(time.Duration(n-2)*step), n)
		if err != nil {
			// A coat that can't be traced must not stop the others; the estimator
			// reports the reason at every evaluation.
			continue
		}
		states := d.states(x.ID)
		for _, p := range ps {
			if p.Forecast || p.At.Before(lo) || p.At.After(hi) {
				continue
			}
			q := influx.CurePoint{Coat: x.ID, Panel: x.Panel, At: p.At, TgC: p.TgC, TempC: p.TempC, DewC: p.DewC, Blush: p.BlushJ, State: string(states(p.At))}
			if p.Alpha != nil {
				q.Alpha = &[3]float64{p.Alpha.P10, p.Alpha.P50, p.Alpha.P90}
			}
			out = append(out, q)
		}
	}
	return out, nil
}

// states returns what a coat was estimated to be at a past time, as its strip
// draws it.
func (d *Daemon) states(id string) func(time.Time) coat.State {
	var past []coat.Segment
	if e := d.estimateOf(id); e != nil {
		past = e.Strip.Segments
	}
	return func(at time.Time) coat.State {
		for _, g := range past {
			if !g.Future && !at.Before(g.From) && at.Before(g.To) {
				return g.State
			}
		}
		return coat.Unknown
	}
}

// influxCondition is the sender's fault as a condition for the alerts.
func influxCondition(s *influx.Sender) []alerts.Condition {
	if s == nil {
		return nil
	}
	st := s.Status()
	return senderBehind("InfluxDB", "metrics", st.FailingSince, st.Err)
}

// noteAlerts writes changes of alerts to the log of events, from which the outputs
// send them on. Who acknowledged is logged by the call itself.
func (d *Daemon) noteAlerts(ts []alerts.Transition) {
	for _, t := range ts {
		switch t.What {
		case alerts.WhatFiring, alerts.WhatResolved, alerts.WhatEscalated:
			d.event("alert", t.Alert.Subject, t.What+": "+t.Alert.Say, t.At)
		}
	}
}

// Forwards is how sending the history on goes, for the metrics.
func (d *Daemon) Forwards(context.Context) []web.ForwardStats {
	var out []web.ForwardStats
	if d.influx != nil {
		s := d.influx.Status()
		f := web.ForwardStats{To: "influx", Up: s.FailingSince.IsZero() && !s.LastOK.IsZero(), Sent: s.Sent, Refused: s.Rejected, Failures: s.Failures}
		if !s.Newest.IsZero() {
			f.Newest = &s.Newest
		}
		out = append(out, f)
	}
	if d.mqtt != nil {
		out = append(out, d.mqtt.Stats())
	}
	return out
}
