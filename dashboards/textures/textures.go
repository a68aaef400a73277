// SPDX-License-Identifier: Apache-2.0

// Package textures is how each state of a coat is drawn where no browser is: as a
// character on a terminal and in strokes on paper. The page's own, in the same
// order of density, are the patterns of strip.js. Colours are not here: a state
// is told apart without them.
package textures

import "curewright/model/coat"

// Texture is one state's drawing.
type Texture struct {
	Mark  rune  // on a terminal
	Rows  *Rows // on paper, rows of dashes; nil for another drawing
	Lean  bool  // short strokes that lean
	Tone  bool  // a plain tone
	Doubt bool  // question marks
}

// Rows are dashed lines one above the other, in units of the figure.
type Rows struct {
	Every, Inset float64 // from row to row; kept free at both ends
	Dash         string
	Shift        float64 // of every second row
	Dots         bool    // round ends, thicker: a stipple
}

// Of is the texture of each state: fine stipple for wet, short strokes for
// tacky, long parallel ones for green, sparse ones for firm, plain for hard.
var Of = map[coat.State]Texture{
	coat.Wet:     {Mark: '⠶', Rows: &Rows{3, 1.2, "0 4", 2, true}},
	coat.Tacky:   {Mark: '╱', Lean: true},
	coat.Green:   {Mark: '═', Rows: &Rows{4.2, 0, "40 3", 20, false}},
	coat.Firm:    {Mark: '╌', Rows: &Rows{8, 3, "8 14", 11, false}},
	coat.Hard:    {Mark: '█', Tone: true},
	coat.Unknown: {Mark: '?', Doubt: true},
}
