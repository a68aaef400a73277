// SPDX-License-Identifier: Apache-2.0

// Package record makes the cure record of a piece: what went on it, when,
// from which cup, under what conditions, what each coat is estimated to be,
// how sure that is, and where each recoat fell. One document for both sides,
// as a page that prints ([HTML]), as JSON ([JSON]) and as CSV ([CSV]), with a
// sum over its content so that a later change shows ([Verify]).
//
// The record is drawn from a plain [Input]; the package reads nothing by
// itself, and says "not known" where nothing was measured.
package record

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"time"

	"curewright/alerts"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/pot"
	"curewright/model/stock"
	"curewright/model/words"
)

// Format names the shape of the JSON document.
const Format = "curewright cure record 1"

// Input is everything a record is made of.
type Input struct {
	Made    time.Time      // when the record is made
	Program string         // name and version of the program
	Model   string         // version of the model's equations and constants
	Shop    string         // what the person calls the shop
	Loc     *time.Location // the shop's clock; nil means UTC

	Piece  coat.Piece
	Panels []coat.Panel // its sides
	Coats  []Coat       // of all sides, in any order
	Struck []Struck     // coats taken back
	Alerts []alerts.Alert
	Probes []Probe // what was read where

	Bill     *stock.Bill                    // what the piece took; nil where nothing was weighed
	Laminate map[string][]stock.CoatBalance // by panel: what each coat left on it
}

// Probe is what the record says about one probe.
type Probe struct {
	ID     string `json:"id"`
	Name   string `json:"name,omitempty"`
	Role   string `json:"role,omitempty"`
	Driver string `json:"driver,omitempty"`
}

// Coat is one coat with all that belongs to it.
type Coat struct {
	Coat     coat.Coat         `json:"coat"`
	Batches  []coat.Batch      `json:"batches"`
	Resin    cure.Resin        `json:"resin"`
	Estimate *coat.Estimate    `json:"estimate"` // nil: not known
	Trace    []coat.TracePoint `json:"trace"`
	Feels    []coat.Feel       `json:"feels"`
	Changes  []Change          `json:"changes"` // of the coat, its batches and its finger tests, those struck out too
}

// Change is one version of one record of work.
type Change = coat.Change

// Document is the record as JSON.
type Document struct {
	Format  string         `json:"format"`
	Made    time.Time      `json:"made"`
	Program string         `json:"program"`
	Model   string         `json:"model"`
	Shop    string         `json:"shop,omitempty"`
	Zone    string         `json:"zone"`
	Piece   coat.Piece     `json:"piece"`
	Sides   []Side         `json:"sides"`
	Alerts  []alerts.Alert `json:"alerts"`
	Probes  []Probe        `json:"probes"`
	Caution []string       `json:"cautions"`
	Bill    *stock.Bill    `json:"bill,omitempty"` // what was mixed, wasted and paid
	// Entries is the SHA-256 of what people entered and corrected: it changes
	// only with an entry. Hash is that of the whole document, this field left
	// empty: estimates included, which go on until a coat is done.
	Entries string `json:"entries_sha256"`
	Hash    string `json:"sha256"`
}

// Side is one panel of the piece with its coats in order of time.
type Side struct {
	Panel  coat.Panel  `json:"panel"`
	Coats  []CoatEntry `json:"coats"`
	Struck []Struck    `json:"struck,omitempty"` // coats taken back
}

// CoatEntry is one coat of the document: the input and what follows from it.
type CoatEntry struct {
	Coat
	Conditions Conditions `json:"conditions"`
	Recoat     *Recoat    `json:"recoat"` // how it met the coat below; nil for the first
	// After is what it left on the panel; nil where that is not known.
	After *pot.After `json:"after,omitempty"`
}

// Conditions sums up what the panel went through from application until the
// next coat, the end, or the last reading. A nil number was not measured.
type Conditions struct {
	From     time.Time   `json:"from"`
	To       time.Time   `json:"to"`
	MinC     *float64    `json:"min_c"`
	MeanC    *float64    `json:"mean_c"` // over time
	MaxC     *float64    `json:"max_c"`
	ColdMin  *float64    `json:"below_minimum_minutes"` // below the resin's minimum
	MarginK  *float64    `json:"least_dew_margin_k"`
	Gaps     []coat.Span `json:"gaps"` // no trusted reading of the panel
	GapMin   float64     `json:"gap_minutes"`
	Readings bool        `json:"readings"` // false: none at all
}

// Recoat says where a coat fell in the window of the coat below.
type Recoat struct {
	Below   string        `json:"below"`
	At      time.Time     `json:"at"`
	Window  string        `json:"window"`
	Opens   coat.TimeBand `json:"opens"`
	Closes  coat.TimeBand `json:"closes"`
	Verdict string        `json:"verdict"` // one of the Fell words
	Sure    bool          `json:"sure"`    // also at the cautious edges
	Blush   string        `json:"blush"`   // band of the coat below
	// Covered is what the coat below was then, Minutes how long it had lain;
	// Do is what was to be done about a coat outside its window: let_be,
	// take_off or if_abraded.
	Covered coat.State `json:"covered,omitempty"`
	Minutes float64    `json:"minutes,omitempty"`
	Do      string     `json:"do,omitempty"`
}

// Where a recoat fell.
const (
	FellInside  = "inside"
	FellBefore  = "before it opened"
	FellAfter   = "after it closed"
	FellUnknown = "not known"
)

// Cautions are on every record.
var Cautions = func() []string {
	out := make([]string, len(cautionCodes))
	for i, code := range cautionCodes {
		out[i] = words.English.Text(code)
	}
	return out
}()

// cautionCodes are theirs in the catalogue, in the order in which they stand.
var cautionCodes = words.English.Codes("record.caution.")

// zoneName names the times' zone. A board's own zone calls itself "Local", which
// says nothing on another machine: there the letters and offset at the time of
// making stand instead.
func zoneName(loc *time.Location, at time.Time) string {
	if name := loc.String(); name != "Local" && name != "" {
		return name
	}
	return at.In(loc).Format("MST (-07:00)")
}

// New puts the document together from its parts.
func New(in Input) (Document, error) {
	loc := cmp.Or(in.Loc, time.UTC)
	d := Document{
		Format: Format, Made: in.Made.In(loc).Truncate(time.Second), Program: in.Program, Model: in.Model,
		Shop: in.Shop, Zone: zoneName(loc, in.Made), Piece: in.Piece,
		Alerts: slices.Clone(in.Alerts), Probes: slices.Clone(in.Probes), Caution: Cautions,
	}
	sides := map[string]int{}
	for _, p := range in.Panels {
		sides[p.ID] = len(d.Sides)
		d.Sides = append(d.Sides, Side{Panel: p})
	}
	coats := slices.Clone(in.Coats)
	slices.SortStableFunc(coats, func(a, b Coat) int { return a.Coat.Applied.Compare(b.Coat.Applied) })
	for _, c := range coats {
		i, ok := sides[c.Coat.Panel]
		if !ok {
			return d, fmt.Errorf("record: coat %s: panel %q is not a side of %s", c.Coat.ID, c.Coat.Panel, in.Piece.ID)
		}
		slices.SortStableFunc(c.Feels, func(a, b coat.Feel) int { return a.At.Compare(b.At) })
		d.Sides[i].Coats = append(d.Sides[i].Coats, CoatEntry{Coat: c})
	}
	for _, g := range in.Struck {
		i, ok := sides[g.Panel]
		if !ok {
			return d, fmt.Errorf("record: a coat struck out: panel %q is not a side of %s", g.Panel, in.Piece.ID)
		}
		d.Sides[i].Struck = append(d.Sides[i].Struck, g)
	}
	for i := range d.Sides {
		cs := d.Sides[i].Coats
		for j := range cs {
			var next *coat.Coat
			if j+1 < len(cs) {
				next = &cs[j+1].Coat.Coat
			}
			cs[j].Conditions = conditions(cs[j].Coat, next)
			if j > 0 {
				cs[j].Recoat = recoat(cs[j-1].Coat, cs[j].Coat.Coat)
			}
			for _, b := range in.Laminate[d.Sides[i].Panel.ID] {
				if b.Coat == cs[j].Coat.Coat.ID {
					cs[j].After = b.After
				}
			}
		}
	}
	d.Bill = in.Bill
	slices.SortStableFunc(d.Alerts, func(a, b alerts.Alert) int { return a.Since.Compare(b.Since) })
	slices.SortStableFunc(d.Probes, func(a, b Probe) int { return cmp.Compare(a.ID, b.ID) })
	var err error
	if d.Entries, err = entriesHash(d); err != nil {
		return d, err
	}
	d.Hash, err = hash(d)
	return d, err
}

func sum(v any) (string, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("record: %w", err)
	}
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:]), nil
}

func hash(d Document) (string, error) {
	d.Hash = ""
	// When it was made and by which build is not content: the same coats
	// give the same sum a year later.
	d.Made, d.Program = time.Time{}, ""
	return sum(d)
}

func entriesHash(d Document) (string, error) {
	type entry struct {
		Coat    coat.Coat
		Batches []coat.Batch
		Feels   []coat.Feel
		Changes []Change
	}
	var all struct {
		Piece   coat.Piece
		Panels  []coat.Panel
		Entries []entry
		Struck  []Struck `json:",omitempty"`
	}
	all.Piece = d.Piece
	for _, s := range d.Sides {
		all.Panels = append(all.Panels, s.Panel)
		for _, c := range s.Coats {
			all.Entries = append(all.Entries, entry{c.Coat.Coat, c.Batches, c.Feels, c.Changes})
		}
		all.Struck = append(all.Struck, s.Struck...)
	}
	return sum(all)
}

// JSON writes the document.
func JSON(w io.Writer, d Document) error {
	e := json.NewEncoder(w)
	e.SetIndent("", " ")
	if err := e.Encode(d); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	return nil
}

// Verify reads a JSON record and says whether it is as it was made: a changed,
// missing or added value is an error.
func Verify(b []byte) (Document, error) {
	var d Document
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&d); err != nil {
		return d, fmt.Errorf("record: %w", err)
	}
	if _, err := dec.Token(); err != io.EOF {
		return d, fmt.Errorf("record: text after the document")
	}
	if d.Format != Format {
		return d, fmt.Errorf("record: format %q, want %q", d.Format, Format)
	}
	// A change of Made or Program is found by neither sum, and is none of the
	// content.
	got, err := hash(d)
	if err != nil {
		return d, err
	}
	if got != d.Hash {
		return d, fmt.Errorf("record: content does not match its sum: it was changed after it was made")
	}
	if e, err := entriesHash(d); err != nil || e != d.Entries {
		return d, fmt.Errorf("record: entries do not match their sum")
	}
	return d, nil
}

// conditions sums up the trace of a coat until the next one.
func conditions(c Coat, next *coat.Coat) Conditions {
	out := Conditions{From: c.Coat.Applied, To: c.Coat.Applied}
	for _, p := range c.Trace {
		if !p.Forecast {
			out.To = p.At
		}
	}
	if next != nil && next.Applied.Before(out.To) {
		out.To = next.Applied
	} else if c.Coat.Ended != nil && c.Coat.Ended.Before(out.To) {
		out.To = *c.Coat.Ended
	}
	var area, span, cold float64
	var last *coat.TracePoint
	for i := range c.Trace {
		p := &c.Trace[i]
		if p.Forecast || p.At.Before(out.From) || p.At.After(out.To) {
			continue
		}
		if p.TempC == nil || p.Gap {
			last = nil
			continue
		}
		x := *p.TempC
		out.Readings = true
		out.MinC, out.MaxC = least(out.MinC, x), most(out.MaxC, x)
		if p.DewC != nil {
			out.MarginK = least(out.MarginK, x-*p.DewC)
		}
		if last != nil {
			dt := p.At.Sub(last.At).Minutes()
			area += dt * (x + *last.TempC) / 2
			span += dt
			cold += dt * shareBelow(*last.TempC, x, c.Resin.MinC)
		}
		last = p
	}
	if span > 0 {
		m := area / span
		out.MeanC, out.ColdMin = &m, &cold
	}
	if c.Estimate != nil {
		for _, g := range c.Estimate.Strip.Gaps {
			g = coat.Span{From: later(g.From, out.From), To: earlier(g.To, out.To)}
			if g.From.Before(g.To) {
				out.Gaps = append(out.Gaps, g)
				out.GapMin += g.To.Sub(g.From).Minutes()
			}
		}
	}
	return out
}

// shareBelow is the share of a straight line from a to b that is below x.
func shareBelow(a, b, x float64) float64 {
	lo, hi := min(a, b), max(a, b)
	switch {
	case x <= lo:
		return 0
	case x >= hi:
		return 1
	}
	return (x - lo) / (hi - lo)
}

func least(p *float64, x float64) *float64 {
	if p == nil || x < *p {
		return &x
	}
	return p
}

func most(p *float64, x float64) *float64 {
	if p == nil || x > *p {
		return &x
	}
	return p
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// recoat judges where the next coat fell in the window of the one below.
func recoat(below Coat, next coat.Coat) *Recoat {
	r := &Recoat{Below: below.Coat.ID, At: next.Applied, Window: coat.WindowCoat, Verdict: FellUnknown, Blush: "unknown"}
	e := below.Estimate
	if e == nil {
		return r
	}
	r.Blush = e.Blush.Band
	r.Window = meant(below.Coat, next, e.Events)
	if r.Window == coat.WindowCloth {
		for _, c := range next.Cloth {
			if c.Laid != nil {
				r.At = *c.Laid
				break
			}
		}
	}
	v := e.Covered
	judged := v != nil && v.By == next.ID
	if judged {
		r.Window = v.Fell.Window
	}
	switch r.Window {
	case coat.WindowWet:
		applied := below.Coat.Applied
		r.Opens, r.Closes = coat.TimeBand{P10: &applied, P50: &applied, P90: &applied}, e.Events.Tacky
	case coat.WindowCloth:
		r.Opens, r.Closes = e.Events.Tacky, e.Events.Green
	default:
		r.Opens, r.Closes = e.Events.RecoatOpens, e.Events.RecoatCloses
	}
	if judged {
		// With all that was believed of the coat below, at once when the next
		// went on.
		r.Sure, r.Do, r.Covered, r.Minutes = v.Fell.Sure, v.Fell.Do, v.State, v.Minutes
		r.Verdict = cmp.Or(map[string]string{coat.FellInside: FellInside, coat.FellBefore: FellBefore, coat.FellAfter: FellAfter}[v.Fell.Verdict], FellUnknown)
		return r
	}
	o, c := r.Opens, r.Closes
	switch {
	case o.P50 == nil && c.P50 == nil:
		// It never opened within the horizon, or nothing is known.
	case o.P50 == nil:
		r.Verdict = FellBefore
	case r.At.Before(*o.P50):
		r.Verdict, r.Sure = FellBefore, o.P10 != nil && r.At.Before(*o.P10)
	case c.P50 != nil && r.At.After(*c.P50):
		r.Verdict, r.Sure = FellAfter, c.P90 != nil && r.At.After(*c.P90)
	default:
		r.Verdict = FellInside
		r.Sure = o.P90 != nil && !r.At.Before(*o.P90) && (c.P10 == nil || !r.At.After(*c.P10))
	}
	return r
}

// meant is the window that the work means: cloth into the tack coat, wet on wet,
// fill coat over cloth, else coat on coat. What was said of the coat below counts;
// where nothing was, what followed.
func meant(below, next coat.Coat, e coat.Events) string {
	said := below.Next
	if said == "" {
		switch {
		case e.Tacky.P50 != nil && next.Applied.Before(*e.Tacky.P50):
			said = coat.WindowWet
		case below.Kind == coat.TackCoat && len(next.Cloth) > 0:
			said = coat.WindowCloth
		case next.Kind == coat.FillCoat && len(below.Cloth) > 0:
			said = coat.WindowFill
		}
	}
	switch said {
	case coat.WindowWet, coat.WindowCloth, coat.WindowFill:
		return said
	}
	return coat.WindowCoat
}
