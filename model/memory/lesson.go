// SPDX-License-Identifier: Apache-2.0

// Package memory is what a shop's own coats teach of its resins, lots and
// people: κ = κ_resin · κ_lot · κ_batch, the activation energy where the shop
// gave warm and cold coats, and where each person's finger finds each mark.
//
// What is kept are lessons: one for each coat that ended, with its finger tests
// and the degree of cure that the rate law gave then for each rate factor.
// Everything is computed from the lessons ([Learn]), so each claim has the coats that
// taught it, and a forgotten coat has no effect.
//
// The working-out is exact on a grid of ln κ for each finger test and normal
// between coats (assumed-density filtering, then expectation propagation; T. P.
// Minka 2001, "Expectation propagation for approximate Bayesian inference",
// cited from memory). No random numbers enter.
package memory

import (
	"slices"
	"time"

	"curewright/model/coat"
)

// Why a coat teaches nothing, or less.
const (
	NoTests     = "no_tests"     // nobody felt it
	Questioned  = "questioned"   // its last test fits nothing (D18)
	Contradicts = "contradicts"  // its tests contradict each other
	Blushed     = "blushed"      // water or blush on it
	OffRatio    = "off_ratio"    // mixed beyond the ratio's tolerance
	OtherResin  = "other_resin"  // a cup of another resin or hardener went in
	OtherLaw    = "other_law"    // learnt with another resin file of this name
	GuessedTemp = "guessed_temp" // no probe on the panel: less
	GapsInTemp  = "gaps"         // readings missing: less, or nothing when many
	NoBatch     = "no_batch"     // no cup recorded: less
	OldStock    = "old_stock"    // past its date or seen damaged: less
	ForgottenBy = "forgotten"    // by a person
)

// Lesson is what one coat taught.
type Lesson struct {
	Coat    string    `json:"coat"`
	Board   string    `json:"board,omitempty"` // where it was learnt
	Panel   string    `json:"panel,omitempty"`
	Resin   string    `json:"resin"`
	Law     string    `json:"law"` // digest of the resin's rate law
	Lot     string    `json:"lot,omitempty"`
	Unit    string    `json:"unit,omitempty"` // the cups it came from; coats of one unit share their batch
	Applied time.Time `json:"applied"`
	// Contrast is by how much an activation energy off by 1 kJ/mol shifts ln κ,
	// and WarmthC the steady temperature that stands for the coat's, °C.
	Contrast float64 `json:"contrast"`
	WarmthC  float64 `json:"warmth_c"`
	// PathC is what its panel's probe read every [PathStep] from application on,
	// °C, as far as there was a reading each time: two days of it at most.
	PathC []float64 `json:"path_c,omitempty"`
	SD    float64   `json:"sd"` // doubt of ln κ of this coat alone
	// Touches are the finger tests, in order of time.
	Touches []coat.Touch `json:"touches,omitempty"`
	// Teaches is false where nothing is learnt from it; Why says why, or why
	// less.
	Teaches bool     `json:"teaches"`
	Why     []string `json:"why,omitempty"`
	// Next is how the next coat or cloth on it fared; nil where there was none.
	Next *Fared `json:"next,omitempty"`
	// Of is a digest of the records that the lesson was drawn from: when they are
	// corrected, it is drawn again.
	Of string `json:"of"`
}

// PathStep parts the readings of a lesson's path, and MaxPath is how many it has
// at most.
const (
	PathStep = 30 * time.Minute
	MaxPath  = 97
)

// Fared is how the next coat or cloth went onto one: how long after it was applied, and
// whether its window was open then, by all finger tests until that time.
type Fared struct {
	Window  string  `json:"window"`
	Minutes float64 `json:"minutes"`
	Right   bool    `json:"right"`
}

// Key names a lesson among those of all boards.
func (l *Lesson) Key() string { return l.Board + "/" + l.Coat }

// ofResin are the lessons of one resin that teach, in order of time.
func ofResin(all []Lesson, resin string) (out []*Lesson) {
	for i := range all {
		if all[i].Resin == resin && all[i].Teaches {
			out = append(out, &all[i])
		}
	}
	slices.SortStableFunc(out, func(a, b *Lesson) int {
		if c := a.Applied.Compare(b.Applied); c != 0 {
			return c
		}
		return slices.Compare([]string{a.Board, a.Coat}, []string{b.Board, b.Coat})
	})
	return out
}
