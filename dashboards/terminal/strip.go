// SPDX-License-Identifier: Apache-2.0

// Package terminal draws a coat's strip as lines of characters.
//
// Nothing is estimated here, and nothing is printed: the caller gets lines.
package terminal

import (
	"slices"
	"strings"
	"time"

	"curewright/dashboards/hours"
	"curewright/dashboards/textures"
	"curewright/model/coat"
	"curewright/model/words"
)

const (
	plumb    = '┃'
	torn     = '╳'
	thumb    = 'o'
	drop     = '\''
	window   = '▀'
	doubtful = '▔'
)

// Legend explains the characters, in lines that fit 80 columns; nil is English.
func Legend(c *words.Catalogue) string {
	var b strings.Builder
	for _, s := range append(slices.Clone(coat.States), coat.Unknown) {
		b.WriteString(strings.Repeat(string(textures.Of[s].Mark), 2) + " " + c.Text("state."+string(s)) + "  ")
	}
	b.WriteString(string(torn) + " " + c.Text("strip.no_readings") + "\n")
	mark := func(r rune) string { return string(r) }
	b.WriteString(words.View{Words: c}.Say("strip.under", words.Facts{"now": mark(plumb), "finger": mark(thumb), "window": mark(window), "doubt": mark(doubtful), "drop": mark(drop)}))
	return b.String()
}

// Axis is the span of time that a set of strips shares.
type Axis struct {
	From, To time.Time
	Width    int // characters
}

func (a Axis) column(t time.Time) int {
	span := a.To.Sub(a.From)
	if span <= 0 {
		return 0
	}
	return int(float64(a.Width) * float64(t.Sub(a.From)) / float64(span))
}

// Hours renders the axis' clock hours, in loc, as one line; days by the names of
// the catalogue, nil for English.
func (a Axis) Hours(loc *time.Location, c *words.Catalogue) string {
	line := []rune(strings.Repeat(" ", a.Width))
	step := 1
	for _, step = range []int{1, 2, 3, 4, 6, 12, 24, 48} {
		if float64(a.Width)*float64(step)*float64(time.Hour)/float64(a.To.Sub(a.From)) >= 6 {
			break
		}
	}
	for _, t := range hours.Ticks(a.From, a.To, step, loc) {
		col := a.column(t.At)
		label := t.At.Format("15")
		if t.Day {
			label = c.DateName("day", t.At)
		}
		if col+len([]rune(label)) > a.Width {
			continue
		}
		copy(line[col:], []rune(label))
	}
	return strings.TrimRight(string(line), " ")
}

// Strip draws one coat: the line of states with the plumb line of now, and
// under it the window it names with drops where dew or blush is a trouble.
// The second line is empty where there is neither.
func Strip(e coat.Estimate, now time.Time, a Axis) (line, under string) {
	top := []rune(strings.Repeat(" ", a.Width))
	low := []rune(strings.Repeat(" ", a.Width))
	fill := func(to []rune, from, until time.Time, r rune) {
		lo, hi := a.column(from), a.column(until)
		if hi == lo {
			hi++
		}
		for i := max(lo, 0); i < min(hi, len(to)); i++ {
			to[i] = r
		}
	}
	for _, s := range e.Strip.Segments {
		fill(top, s.From, s.To, textures.Of[s.State].Mark)
	}
	for _, g := range e.Strip.Gaps {
		fill(top, g.From, g.To, torn)
	}
	for _, f := range e.Strip.Feels {
		fill(top, f.At, f.At, thumb)
	}
	fill(top, now, now, plumb)
	if w := e.NextWindow; w != nil {
		if o, c := w.OpensBand, w.ClosesBand; o.P10 != nil {
			until := a.To
			if c.P90 != nil {
				until = *c.P90
			}
			fill(low, *o.P10, until, doubtful)
			if o.P90 != nil {
				sure := a.To
				if c.P10 != nil {
					sure = *c.P10
				}
				if sure.After(*o.P90) {
					fill(low, *o.P90, sure, window)
				}
			}
		}
	}
	for _, d := range e.Strip.Drops {
		fill(low, d.From, d.To, drop)
	}
	return strings.TrimRight(string(top), " "), strings.TrimRight(string(low), " ")
}
