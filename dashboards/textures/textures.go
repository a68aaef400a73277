// SPDX-License-Identifier: Apache-2.0

// Package textures is how each state of a coat is drawn: as a character on a
// terminal, in strokes on paper, as a pattern on the page, in the same order of
// density everywhere. The page's copy is states.js, written by this package's test.
// Colours are not here: a state is told apart without them.
package textures

import "curewright/model/coat"

// Texture is one state's drawing.
type Texture struct {
	Mark  rune  // on a terminal
	Rows  *Rows // on paper, rows of dashes; nil for another drawing
	Lean  bool  // short strokes that lean
	Tone  bool  // a plain tone
	Doubt bool  // question marks
	Tile  *Tile // on the page; nil for a plain tone
}

// Rows are dashed lines one above the other, in units of the figure.
type Rows struct {
	Every, Inset float64 // from row to row; kept free at both ends
	Dash         string
	Shift        float64 // of every second row
	Dots         bool    // round ends, thicker: a stipple
}

// Tile is what the page repeats over a state's box, px: dots by centre and radius,
// and lines as SVG paths.
type Tile struct {
	W     float64      `json:"w"`
	H     float64      `json:"h"`
	Dots  [][3]float64 `json:"dots,omitempty"`
	Lines []string     `json:"lines,omitempty"`
	Thin  bool         `json:"thin,omitempty"`
}

// Of is the texture of each state: fine stipple for wet, short strokes for
// tacky, long parallel ones for green, sparse ones for firm, plain for hard.
var Of = map[coat.State]Texture{
	coat.Wet:     {Mark: '⠶', Rows: &Rows{3, 1.2, "0 4", 2, true}, Tile: &Tile{W: 7, H: 7, Dots: [][3]float64{{1.7, 1.7, 1}, {5.2, 5.2, 1}}}},
	coat.Tacky:   {Mark: '╱', Lean: true, Tile: &Tile{W: 10, H: 10, Lines: []string{"M1 6 L4.5 1.5", "M6 9.5 L9.5 5"}}},
	coat.Green:   {Mark: '═', Rows: &Rows{4.2, 0, "40 3", 20, false}, Tile: &Tile{W: 10, H: 5.5, Lines: []string{"M0 2.75H10"}}},
	coat.Firm:    {Mark: '╌', Rows: &Rows{8, 3, "8 14", 11, false}, Tile: &Tile{W: 22, H: 12, Lines: []string{"M2 3.5H9", "M13 9.5H20"}, Thin: true}},
	coat.Hard:    {Mark: '█', Tone: true},
	coat.Unknown: {Mark: '?', Doubt: true, Tile: &Tile{W: 18, H: 12, Lines: []string{"M0 6q2.25 -5 4.5 0t4.5 0t4.5 0t4.5 0"}, Thin: true}},
}
