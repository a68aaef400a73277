// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"curewright/alerts"
	"curewright/dashboards/record"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/daemon/learnt"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/stock"
	"curewright/model/words"
	"curewright/sensors"
)

// modelVersion names the equations and constants that a record was made with:
// it changes whenever the same readings would give another number.
const modelVersion = "1 (2026-11)"

// tracePoints is how finely a record draws a coat.
const tracePoints = 240

// Record renders the cure record of a panel's piece.
func (d *Daemon) Record(ctx context.Context, panel, format string) ([]byte, error) {
	health := d.set.Health()
	var probes []record.Probe
	for _, h := range health {
		probes = append(probes, record.Probe{ID: h.Probe, Name: h.Name, Role: h.Role, Driver: h.Driver})
	}
	return d.record(ctx, panel, format, d.rules.List(true), probes, health)
}

// RecordAtRest makes the record from a store that no daemon has open.
func RecordAtRest(ctx context.Context, version, dir, panel, format string) ([]byte, error) {
	s, err := history.OpenReadOnly(dir)
	if err != nil {
		return nil, fmt.Errorf("open store: %w", err)
	}
	defer s.Close()
	d := &Daemon{cfg: DefaultConfig(), clk: &wallClock{}, log: slog.New(slog.DiscardHandler), loc: time.Local, store: s, version: version}
	d.mem = learnt.AtRest(s)
	bodies, err := s.LoadAlerts(ctx)
	if err != nil {
		return nil, err
	}
	var as []alerts.Alert
	for _, b := range bodies {
		var a alerts.Alert
		if json.Unmarshal(b, &a) == nil {
			as = append(as, a)
		}
	}
	var probes []record.Probe
	for id, m := range s.ProbeMetas() {
		probes = append(probes, record.Probe{ID: id, Name: m.Name, Role: m.Role, Driver: m.Driver})
	}
	return d.record(ctx, panel, format, as, probes, nil)
}

// record renders it of these alerts and probes; health is of probes that are read
// now.
func (d *Daemon) record(ctx context.Context, panel, format string, as []alerts.Alert, probes []record.Probe, health []sensors.Health) ([]byte, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(w.Panels, func(p coat.Panel) bool { return p.ID == panel })
	if i < 0 {
		return nil, named("panel", panel, web.ErrNotFound)
	}
	now, st := d.Now(), d.settings()
	in := recordSource{
		work: w, now: now, readings: storeReadings{d.store}, settings: d.jobSettings(now, st, health), alerts: as, probes: probes,
		changes: func(kind, id string) ([]record.Change, error) { return d.store.Changes(ctx, kind, id) },
	}
	doc, err := in.document(record.Input{
		Made: now, Program: "curewright " + d.version, Model: modelVersion, Shop: st.ShopName, Loc: d.loc,
		Piece: coat.Piece{ID: w.Panels[i].Piece},
	})
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	switch format {
	case "json":
		err = record.JSON(&b, doc)
	case "csv":
		err = record.CSV(&b, doc)
	default:
		err = record.HTML(&b, doc, words.View{Words: d.lang.In(st.Units), Loc: d.loc})
	}
	return b.Bytes(), err
}

// recordSource is what a record is drawn from, with a daemon or without.
type recordSource struct {
	work     *coat.Work
	now      time.Time
	readings job.Readings
	settings job.Settings
	alerts   []alerts.Alert
	probes   []record.Probe
	changes  func(kind, id string) ([]record.Change, error)
}

// document fills in all that is known of the input's piece.
func (in recordSource) document(out record.Input) (record.Document, error) {
	piece := out.Piece.ID
	for _, p := range in.work.Pieces {
		if p.ID == piece {
			out.Piece = p
		}
	}
	if b := stock.PieceBill(in.work, piece); b.MixedG > 0 || b.Unweighed > 0 {
		out.Bill = &b
	}
	out.Laminate = map[string][]stock.CoatBalance{}
	mine := map[string]bool{} // panels and coats of the piece, and their probes
	for _, p := range in.work.Panels {
		if p.Piece == piece {
			out.Laminate[p.ID] = stock.Balances(in.settings.Words, in.work, p.ID)
			out.Panels = append(out.Panels, p)
			mine[p.ID], mine["probe "+p.Probe], mine["probe "+p.Air] = true, true, true
		}
	}
	delete(mine, "probe ") // of a panel without one
	for _, c := range in.work.Coats {
		if !mine[c.Panel] {
			continue
		}
		mine[c.ID] = true
		rc, err := in.coat(c)
		if err != nil {
			return record.Document{}, err
		}
		out.Coats = append(out.Coats, rc)
	}
	if err := in.struck(&out); err != nil {
		return record.Document{}, err
	}
	for _, a := range in.alerts {
		if mine[a.Panel] || mine[a.Subject] || mine["probe "+a.Subject] {
			out.Alerts = append(out.Alerts, a)
		}
	}
	for _, p := range in.probes {
		if mine["probe "+p.ID] {
			out.Probes = append(out.Probes, p)
		}
	}
	slices.SortFunc(out.Probes, func(a, b record.Probe) int { return cmp.Compare(a.ID, b.ID) })
	return record.New(out)
}

// coat gathers one coat: judged now while it is open, else just before its end. A coat
// that was coated over is followed until two weeks after it was applied.
func (in recordSource) coat(c coat.Coat) (record.Coat, error) {
	out := record.Coat{Coat: c, Resin: in.work.Resins[c.Resin]}
	at, w := in.now, in.work
	switch {
	case c.Ended == nil || !c.Ended.Before(in.now):
	case job.Covered(in.work, &c, in.now):
		if end := c.Applied.Add(14 * 24 * time.Hour); end.Before(at) {
			at = end
		}
		w = job.At(in.work, at)
		for i := range w.Coats {
			if w.Coats[i].ID == c.ID {
				w.Coats[i].Ended = nil
			}
		}
	default:
		at = c.Ended.Add(-time.Second)
		w = job.At(in.work, at)
	}
	at = at.In(in.settings.Loc)
	est := job.NewEstimator(job.Options{})
	res, err := est.Estimate(at, w, in.readings, in.settings)
	if err == nil {
		for i := range res.Coats {
			if res.Coats[i].ID == c.ID {
				out.Estimate = &res.Coats[i]
			}
		}
	}
	if out.Estimate != nil {
		if out.Trace, err = est.Trace(at, c.ID, c.Applied, at, tracePoints, w, in.readings, in.settings); err != nil {
			return out, err
		}
	}
	kinds := [][2]string{{"coat", c.ID}}
	for _, b := range in.work.Batches {
		if slices.Contains(c.Batches, b.ID) {
			out.Batches = append(out.Batches, b)
			kinds = append(kinds, [2]string{"batch", b.ID})
		}
	}
	for _, f := range in.work.Feels {
		if f.Coat == c.ID {
			out.Feels = append(out.Feels, f)
			kinds = append(kinds, [2]string{"feel", f.ID})
		}
	}
	for _, k := range kinds {
		cs, err := in.changes(k[0], k[1])
		if err != nil {
			return out, err
		}
		out.Changes = append(out.Changes, cs...)
	}
	return out, nil
}

// struck adds entries that were taken back: a finger test or a cup under its coat, a
// coat with its finger tests on its side. Taking an entry back does not remove it from
// the record.
func (in recordSource) struck(out *record.Input) error {
	type entry struct {
		Panel, Coat string // as its last version says
		gone        bool
		versions    []record.Change
	}
	said := func(body []byte, v any) { json.Unmarshal(body, v) } // a body that can't be read belongs to no piece
	all := func(kind string) (map[string]*entry, []string, error) {
		cs, err := in.changes(kind, "")
		if err != nil {
			return nil, nil, err
		}
		by, order := map[string]*entry{}, []string(nil)
		for _, x := range cs {
			e := by[x.ID]
			if e == nil {
				e = new(entry)
				by[x.ID], order = e, append(order, x.ID)
			}
			said(x.Body, e)
			e.gone = x.Op == "delete"
			e.versions = append(e.versions, x)
		}
		return by, order, nil
	}
	coats, coatIDs, err1 := all("coat")
	feels, feelIDs, err2 := all("feel")
	cups, cupIDs, err3 := all("batch")
	if err := errors.Join(err1, err2, err3); err != nil {
		return err
	}
	for i := range out.Coats {
		c := &out.Coats[i]
		for _, id := range feelIDs {
			if f := feels[id]; f.gone && f.Coat == c.Coat.ID {
				c.Changes = append(c.Changes, f.versions...)
			}
		}
		var once struct{ Batches []string } // of any version of the coat
		used := map[string]bool{}
		if e := coats[c.Coat.ID]; e != nil {
			for _, v := range e.versions {
				once.Batches = nil
				said(v.Body, &once)
				for _, id := range once.Batches {
					used[id] = true
				}
			}
		}
		for _, id := range cupIDs {
			if used[id] && (cups[id].gone || !slices.Contains(c.Coat.Batches, id)) {
				c.Changes = append(c.Changes, cups[id].versions...)
			}
		}
	}
	for _, id := range coatIDs {
		e := coats[id]
		if !e.gone || !slices.ContainsFunc(out.Panels, func(p coat.Panel) bool { return p.ID == e.Panel }) {
			continue
		}
		g := record.Struck{Panel: e.Panel, Changes: e.versions}
		for _, f := range feelIDs {
			if feels[f].Coat == id {
				g.Changes = append(g.Changes, feels[f].versions...)
			}
		}
		out.Struck = append(out.Struck, g)
	}
	return nil
}
