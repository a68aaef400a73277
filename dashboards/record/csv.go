// SPDX-License-Identifier: Apache-2.0

package record

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// CSV writes the record as one table with the header
//
//	section,panel,coat,time,what,value,unit,low,high
//
// one fact a row: low and high are the ends of the span that holds eight
// times in ten. Times are RFC 3339; a blank is what is not known. A text that
// a spreadsheet would take for a formula gets an apostrophe before it.
func CSV(w io.Writer, d Document) error {
	c := &table{w: csv.NewWriter(w)}
	c.row("section", "panel", "coat", "time", "what", "value", "unit", "low", "high")
	c.row("record", "", "", stamp(d.Made), "made", "", "", "", "")
	c.fact("record", "", "", "program", d.Program)
	c.fact("record", "", "", "model", d.Model)
	c.fact("record", "", "", "shop", d.Shop)
	c.fact("record", "", "", "piece", d.Piece.ID)
	c.fact("record", "", "", "name", d.Piece.Name)
	c.fact("record", "", "", "entries_sha256", d.Entries)
	c.fact("record", "", "", "sha256", d.Hash)
	for _, s := range d.Sides {
		p := s.Panel
		c.fact("panel", p.ID, "", "name", p.Name)
		c.fact("panel", p.ID, "", "core", p.Core)
		c.fact("panel", p.ID, "", "probe", p.Probe)
		c.fact("panel", p.ID, "", "air", p.Air)
		c.number("panel", p.ID, "", time.Time{}, "area", p.AreaM2, "m²")
		for _, e := range s.Coats {
			c.coat(p.ID, e)
		}
		for _, g := range s.Struck {
			c.changes(p.ID, "", g.Changes)
		}
	}
	for _, a := range d.Alerts {
		c.row("alert", safe(a.Panel), safe(a.Subject), stamp(a.Since), safe(a.Rule), safe(a.Say), "", "", "")
	}
	for _, p := range d.Probes {
		c.fact("probe", "", "", p.ID, strings.TrimSpace(p.Name+" "+p.Role+" "+p.Driver))
	}
	for _, t := range d.Caution {
		c.fact("caution", "", "", "", t)
	}
	c.w.Flush()
	if c.err == nil {
		c.err = c.w.Error()
	}
	if c.err != nil {
		return fmt.Errorf("record: %w", c.err)
	}
	return nil
}

type table struct {
	w   *csv.Writer
	err error
}

func (c *table) row(f ...string) {
	if c.err == nil {
		c.err = c.w.Write(f)
	}
}

// fact writes a text; an empty one is not written.
func (c *table) fact(section, panel, id, what, value string) {
	if value != "" {
		c.row(section, safe(panel), safe(id), "", safe(what), safe(value), "", "", "")
	}
}

func (c *table) number(section, panel, id string, at time.Time, what string, v *float64, unit string) {
	if v != nil {
		c.row(section, safe(panel), safe(id), stamp(at), what, num(*v), unit, "", "")
	}
}

// changes are every version of what was entered, each with what it said.
func (c *table) changes(panel, coat string, all []Change) {
	for _, ch := range all {
		c.row("change", safe(panel), safe(coat), stamp(ch.At), safe(ch.Kind+" "+ch.ID+" "+ch.Op), strconv.Itoa(ch.Version), "version", safe(ch.By), "")
		var said bytes.Buffer
		if json.Compact(&said, ch.Body) == nil && said.Len() > 0 {
			c.row("change", safe(panel), safe(coat), stamp(ch.At), safe(fmt.Sprintf("%s %s version %d said", ch.Kind, ch.ID, ch.Version)), safe(said.String()), "", "", "")
		}
	}
}

func (c *table) coat(panel string, e CoatEntry) {
	id := e.Coat.Coat.ID
	c.entered(panel, e)
	x := e.Conditions
	c.number("condition", panel, id, x.To, "least temperature", x.MinC, "°C")
	c.number("condition", panel, id, x.To, "mean temperature", x.MeanC, "°C")
	c.number("condition", panel, id, x.To, "most temperature", x.MaxC, "°C")
	c.number("condition", panel, id, x.To, "below the resin's minimum", x.ColdMin, "min")
	c.number("condition", panel, id, x.To, "least dew margin", x.MarginK, "K")
	for _, g := range x.Gaps {
		c.row("gap", safe(panel), safe(id), stamp(g.From), "no reading", num(g.To.Sub(g.From).Minutes()), "min", "", "")
	}
	if e.Estimate != nil {
		c.estimate(panel, id, *e.Estimate)
	}
	if r := e.Recoat; r != nil {
		c.row("recoat", safe(panel), safe(id), stamp(r.At), safe(r.Window), r.Verdict, "", "", "")
	}
	c.changes(panel, id, e.Changes)
	c.resin(panel, id, e.Resin)
	for _, p := range e.Trace {
		if p.Forecast {
			continue
		}
		c.number("trace", panel, id, p.At, "temperature", p.TempC, "°C")
		c.number("trace", panel, id, p.At, "dew point", p.DewC, "°C")
		if p.Alpha != nil {
			c.row("trace", safe(panel), safe(id), stamp(p.At), "alpha", num(p.Alpha.P50), "1", num(p.Alpha.P10), num(p.Alpha.P90))
		}
	}
}

// entered is what people said of a coat: what it is, its cloth, cups and finger
// tests.
func (c *table) entered(panel string, e CoatEntry) {
	k := e.Coat.Coat
	c.row("coat", safe(panel), safe(k.ID), stamp(k.Applied), "applied", safe(k.Kind), "", "", "")
	if k.Finished != nil {
		c.row("coat", safe(panel), safe(k.ID), stamp(*k.Finished), "last stroke", "", "", "", "")
	}
	if k.Ended != nil {
		c.row("coat", safe(panel), safe(k.ID), stamp(*k.Ended), "ended", "", "", "", "")
	}
	c.fact("coat", panel, k.ID, "resin", k.Resin)
	c.fact("coat", panel, k.ID, "cover", k.Cover)
	c.fact("coat", panel, k.ID, "note", k.Note)
	for _, l := range k.Cloth {
		v := ""
		if l.GM2 != nil {
			v = num(*l.GM2)
		}
		c.row("cloth", safe(panel), safe(k.ID), stampPtr(l.Laid), safe(l.Name), v, "g/m²", "", "")
	}
	for _, b := range e.Batches {
		c.row("batch", safe(panel), safe(k.ID), stamp(b.Mixed), "mixed", safe(b.ID), "", "", "")
		c.fact("batch", panel, k.ID, "lot", b.Lot)
		c.number("batch", panel, k.ID, time.Time{}, "resin", b.ResinG, "g")
		c.number("batch", panel, k.ID, time.Time{}, "hardener", b.HardenerG, "g")
		c.number("batch", panel, k.ID, time.Time{}, "left over", b.LeftG, "g")
	}
	for _, f := range e.Feels {
		c.row("feel", safe(panel), safe(k.ID), stamp(f.At), "felt", string(f.State), "", "", "")
	}
}

func (c *table) estimate(panel, id string, e coat.Estimate) {
	c.fact("estimate", panel, id, "state", string(e.State))
	for _, y := range e.UnknownWhy {
		c.fact("estimate", panel, id, "not known because", y)
	}
	for _, b := range []struct {
		what, unit string
		of         *coat.Band
	}{{"alpha", "1", e.Alpha}, {"tg", "°C", e.TgC}, {"kappa", "1", e.Kappa}} {
		if b.of != nil {
			c.row("estimate", safe(panel), safe(id), "", b.what, num(b.of.P50), b.unit, num(b.of.P10), num(b.of.P90))
		}
	}
	c.number("estimate", panel, id, time.Time{}, "blush index", e.Blush.Index, "1")
	c.fact("estimate", panel, id, "blush", e.Blush.Band)
	c.fact("estimate", panel, id, "stall", strconv.FormatBool(e.Stall))
	for _, v := range []struct {
		what string
		at   coat.TimeBand
	}{{"tacky", e.Events.Tacky}, {"recoat opens", e.Events.RecoatOpens}, {"green", e.Events.Green}, {"firm", e.Events.Firm},
		{"recoat closes", e.Events.RecoatCloses}, {"hard", e.Events.Hard}, {"handle", e.Events.Handle}} {
		c.row("event", safe(panel), safe(id), stampPtr(v.at.P50), v.what, "", "", stampPtr(v.at.P10), stampPtr(v.at.P90))
	}
}

// resin is the set that the estimate was made with; nothing where it was not kept.
func (c *table) resin(panel, id string, r cure.Resin) {
	if r.A2 == 0 {
		return
	}
	for _, q := range []struct {
		name, unit string
		v          float64
	}{{"a1", "1/s", r.A1}, {"a2", "1/s", r.A2}, {"e1", "J/mol", r.E1}, {"e2", "J/mol", r.E2}, {"m", "1", r.M}, {"n", "1", r.N},
		{"tg0", "°C", r.Tg0}, {"tginf", "°C", r.TgInf}, {"lambda", "1", r.Lambda}, {"d", "K", r.D}, {"w", "K", r.W}, {"alpha_gel", "1", r.AlphaGel}, {"ln_kappa_sd", "1", r.LnKappaSD}} {
		c.row("resin", safe(panel), safe(id), "", q.name, num(q.v), q.unit, "", "")
	}
}

func num(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339)
}

func stampPtr(t *time.Time) string {
	if t == nil {
		return ""
	}
	return stamp(*t)
}

func safe(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
