// SPDX-License-Identifier: Apache-2.0

// Package coat holds the record of work (pieces, panels, batches, coats,
// finger tests) and computes the state of one coat: the rate-factor
// posterior, the marks it has passed, the windows that come next, and the
// advice that follows.
//
// Everything here is pure: time comes in as values, nothing is read or
// written, and a value that is not known is a nil pointer, never a number.
//
// Forecasts of the shop come in ready; the estimator that feeds this package is
// model/job's.
package coat

import (
	"encoding/json"
	"time"

	"curewright/model/cure"
)

// Piece is a thing with sides; a panel is one side of it being coated.
type Piece struct {
	ID   string `json:"id" toml:"id"`
	Name string `json:"name,omitempty" toml:"name"`
}

// Panel is one side of a piece: the thing a coat goes on.
type Panel struct {
	ID     string   `json:"id" toml:"id"`
	Piece  string   `json:"piece" toml:"piece,omitempty"` // defaults to ID
	Name   string   `json:"name,omitempty" toml:"name,omitempty"`
	Probe  string   `json:"probe,omitempty" toml:"probe,omitempty"` // surface temperature; "" means none: air through a lag
	Air    string   `json:"air,omitempty" toml:"air,omitempty"`     // humidity and dew point
	Core   string   `json:"core,omitempty" toml:"core,omitempty"`   // wood, foam, honeycomb, metal, laminate
	AreaM2 *float64 `json:"area_m2,omitempty" toml:"area_m2,omitempty"`
	// NoProbe says that the panel is without a probe on purpose, so that nobody
	// is asked for one again.
	NoProbe bool `json:"no_probe,omitempty" toml:"no_probe,omitempty"`
}

// Batch is one mixed cup.
type Batch struct {
	ID          string     `json:"id" toml:"id"`
	Resin       string     `json:"resin" toml:"resin"`
	Lot         string     `json:"lot,omitempty" toml:"lot,omitempty"`                   // of the resin
	HardenerLot string     `json:"hardener_lot,omitempty" toml:"hardener_lot,omitempty"` // "": as Lot
	ResinG      *float64   `json:"resin_g,omitempty" toml:"resin_g,omitempty"`
	HardenerG   *float64   `json:"hardener_g,omitempty" toml:"hardener_g,omitempty"`
	FillerG     *float64   `json:"filler_g,omitempty" toml:"filler_g,omitempty"`
	Mixed       time.Time  `json:"mixed" toml:"mixed"`
	Shape       string     `json:"shape,omitempty" toml:"shape,omitempty"` // cup, tray or bond
	DiameterMM  *float64   `json:"diameter_mm,omitempty" toml:"diameter_mm,omitempty"`
	StartC      *float64   `json:"start_c,omitempty" toml:"start_c,omitempty"`
	Ended       *time.Time `json:"ended,omitempty" toml:"ended,omitempty"`   // used up or thrown out
	LeftG       *float64   `json:"left_g,omitempty" toml:"left_g,omitempty"` // left in it, thrown away
	// Kept says that a coat took of it and some is still in it. Without it a
	// cup that a coat names is empty.
	Kept bool `json:"kept,omitempty" toml:"kept,omitempty"`
	// OffRatio is what became of a cup whose parts are off the ratio by more
	// than its tolerance: "scrap", or "used" when it is on the panel. Nothing is
	// said of how an off-ratio coat cures.
	OffRatio string `json:"off_ratio,omitempty" toml:"off_ratio,omitempty"`
}

// What became of a cup that was mixed off its ratio.
const (
	OffScrap = "scrap"
	OffUsed  = "used"
)

// Stock is one container: a drum or bottle of resin, hardener or filler, of one
// lot. What is left of it is worked out from the batches since it was last
// counted (model/stock).
type Stock struct {
	ID         string     `json:"id" toml:"id"`
	Resin      string     `json:"resin" toml:"resin"` // the pair that it belongs to; may be empty for filler
	Part       string     `json:"part" toml:"part"`   // resin, hardener, filler
	Name       string     `json:"name,omitempty" toml:"name,omitempty"`
	Lot        string     `json:"lot,omitempty" toml:"lot,omitempty"`
	FullG      float64    `json:"full_g" toml:"full_g"` // when it was bought, g
	Price      *float64   `json:"price,omitempty" toml:"price,omitempty"`
	Currency   string     `json:"currency,omitempty" toml:"currency,omitempty"`
	Opened     *time.Time `json:"opened,omitempty" toml:"opened,omitempty"`
	BestBefore *time.Time `json:"best_before,omitempty" toml:"best_before,omitempty"`
	// Condition is what was seen of it: "" nothing, "warm" (stood warm for
	// weeks), "crystallised" (and not warmed clear again), "cleared" (warmed
	// clear again).
	Condition string     `json:"condition,omitempty" toml:"condition,omitempty"`
	Note      string     `json:"note,omitempty" toml:"note,omitempty"`
	CountedG  *float64   `json:"counted_g,omitempty" toml:"counted_g,omitempty"` // what was found in it
	CountedAt *time.Time `json:"counted_at,omitempty" toml:"counted_at,omitempty"`
	Gone      *time.Time `json:"gone,omitempty" toml:"gone,omitempty"` // empty or thrown away
}

// Cloth is what is laid into a coat.
type Cloth struct {
	Name string     `json:"name" toml:"name"`
	GM2  *float64   `json:"g_m2,omitempty" toml:"g_m2,omitempty"`
	Laid *time.Time `json:"laid,omitempty" toml:"laid,omitempty"`
}

// Use is what a coat took of a cup that others took of as well.
type Use struct {
	Batch string  `json:"batch" toml:"batch"`
	G     float64 `json:"g" toml:"g"`
}

// Kinds of coat.
const (
	TackCoat = "tack coat"
	WetOut   = "wet-out"
	FillCoat = "fill coat"
	Bond     = "bond"
	Seal     = "seal"
)

// Coat is resin from one or more batches on a panel at a time.
type Coat struct {
	ID       string     `json:"id" toml:"id"`
	Panel    string     `json:"panel" toml:"panel"`
	Resin    string     `json:"resin" toml:"resin"`
	Kind     string     `json:"kind" toml:"kind"`
	Batches  []string   `json:"batches,omitempty" toml:"batches,omitempty"`
	Used     []Use      `json:"used,omitempty" toml:"used,omitempty"` // of cups shared with other coats; else shared by area
	Applied  time.Time  `json:"applied" toml:"applied"`
	Finished *time.Time `json:"finished,omitempty" toml:"finished,omitempty"` // last brush stroke
	Cloth    []Cloth    `json:"cloth,omitempty" toml:"cloth,omitempty"`
	Cover    string     `json:"cover,omitempty" toml:"cover,omitempty"` // none, peel ply, film, vacuum bag
	// BagKPa is a vacuum bag's pressure below the shop's, kPa; BagMinutes how
	// long it is held.
	BagKPa     *float64 `json:"bag_kpa,omitempty" toml:"bag_kpa,omitempty"`
	BagMinutes *float64 `json:"bag_minutes,omitempty" toml:"bag_minutes,omitempty"`
	// Share is how much of the panel's area the coat covers, above 0 to 1; nil
	// means all of it.
	Share *float64 `json:"share,omitempty" toml:"share,omitempty"`
	// Next says what the person means to do next: cloth, wet, coat, fill or none.
	Next string `json:"next,omitempty" toml:"next,omitempty"`
	// Ended is when the person stopped watching it (coated over, done,
	// abandoned); nil while it is open.
	Ended *time.Time `json:"ended,omitempty" toml:"ended,omitempty"`
	Note  string     `json:"note,omitempty" toml:"note,omitempty"`
}

// Feel is one finger test: the state that the finger found.
type Feel struct {
	ID    string    `json:"id" toml:"id"`
	Coat  string    `json:"coat" toml:"coat"`
	At    time.Time `json:"at" toml:"at"`
	State State     `json:"state" toml:"state"`
}

// Work is everything the person entered, current version, with the resins it
// names. Slices are in order of time.
type Work struct {
	Pieces  []Piece
	Panels  []Panel
	Batches []Batch
	Coats   []Coat
	Feels   []Feel
	Stock   []Stock
	Resins  map[string]cure.Resin
}

// Change is one version of one record of work: created, patched or deleted.
type Change struct {
	Kind    string          `json:"kind"` // piece, panel, batch, coat, feel, resin
	ID      string          `json:"id"`
	Version int             `json:"version"`
	Op      string          `json:"op"` // create, patch, delete
	At      time.Time       `json:"at"`
	By      string          `json:"by"`
	Body    json.RawMessage `json:"body"` // the whole record after the change
}

// Wrote is one record that an entry wrote.
type Wrote struct {
	Kind string `json:"kind"`
	ID   string `json:"id"`
	Op   string `json:"op"` // create, patch, delete
}

// State is what a finger would find.
type State string

// The states in order of cure; Unknown when the model cannot say.
const (
	Unknown State = "unknown"
	Wet     State = "wet"
	Tacky   State = "tacky"
	Green   State = "green"
	Firm    State = "firm"
	Hard    State = "hard"
)

// States are what a finger can find, in order of cure.
var States = []State{Wet, Tacky, Green, Firm, Hard}

// StateNames are [States] as text.
func StateNames() []string {
	out := make([]string, len(States))
	for i, s := range States {
		out[i] = string(s)
	}
	return out
}

// Open reports whether the coat is still watched at the given time.
func (c Coat) Open(now time.Time) bool { return c.Ended == nil || c.Ended.After(now) }
