// SPDX-License-Identifier: Apache-2.0

package terminal

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/textures"
	"curewright/model/coat"
	"curewright/model/words"
)

func at(h, m int) time.Time { return time.Date(2026, 10, 10, h, m, 0, 0, time.UTC) }

func ptr(t time.Time) *time.Time { return &t }

func ExampleStrip() {
	e := coat.Estimate{
		Strip: coat.Strip{
			Segments: []coat.Segment{
				{State: coat.Wet, From: at(9, 0), To: at(11, 0)},
				{State: coat.Tacky, From: at(11, 0), To: at(14, 0), Future: true},
				{State: coat.Green, From: at(14, 0), To: at(16, 0), Future: true},
			},
			Feels: []coat.Feel{{At: at(10, 0), State: coat.Wet}},
		},
		NextWindow: &coat.Window{
			OpensBand:  coat.TimeBand{P10: ptr(at(11, 0)), P90: ptr(at(12, 0))},
			ClosesBand: coat.TimeBand{P10: ptr(at(14, 0)), P90: ptr(at(15, 0))},
		},
	}
	line, under := Strip(e, at(10, 30), Axis{From: at(8, 0), To: at(16, 0), Width: 32})
	fmt.Printf("%s|\n%s|\n", line, under)
	// Output:
	//     ⠶⠶⠶⠶o⠶┃⠶╱╱╱╱╱╱╱╱╱╱╱╱════════|
	//             ▔▔▔▔▀▀▀▀▀▀▀▀▔▔▔▔|
}

// A gap is torn paper and never a joined line; nothing leaves the axis.
func TestGapsAndEdges(t *testing.T) {
	e := coat.Estimate{Strip: coat.Strip{
		Segments: []coat.Segment{{State: coat.Hard, From: at(0, 0), To: at(23, 0)}},
		Gaps:     []coat.Span{{From: at(9, 0), To: at(10, 0)}},
		Drops:    []coat.Span{{From: at(15, 0), To: at(20, 0)}},
	}}
	a := Axis{From: at(8, 0), To: at(16, 0), Width: 16}
	line, under := Strip(e, at(12, 0), a)
	if want := "██╳╳████┃███████"; line != want {
		t.Errorf("strip %q, want %q", line, want)
	}
	if want := strings.Repeat(" ", 14) + "''"; under != want {
		t.Errorf("under it %q, want %q", under, want)
	}
	if got := a.Hours(time.UTC, nil); len([]rune(got)) > a.Width {
		t.Errorf("hours %q are wider than the axis", got)
	}
}

// The legend explains each state's character.
func TestLegend(t *testing.T) {
	for s, x := range textures.Of {
		if !strings.ContainsRune(Legend(nil), x.Mark) {
			t.Errorf("the legend does not explain %q of %s", x.Mark, s)
		}
	}
	for l := range strings.SplitSeq(Legend(nil), "\n") {
		if n := len([]rune(l)); n > 80 {
			t.Errorf("%d columns: %s", n, l)
		}
	}
}

// The hours of the axis are the clock's, also after the clocks go back and in a
// zone of half hours (IANA time zone database).
func TestHoursByTheClock(t *testing.T) {
	for _, tt := range []struct{ zone, want string }{
		{"Europe/Berlin", "18    Sun       06    12    18    Mon   06    12"},
		{"Asia/Kolkata", "18    Sun   06    12    18    Mon   06    12"},
	} {
		loc, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		from := time.Date(2026, 10, 24, 18, 0, 0, 0, loc)
		a := Axis{From: from, To: from.Add(48 * time.Hour), Width: 50}
		got := strings.Join(strings.Fields(a.Hours(loc, nil)), " ")
		if want := strings.Join(strings.Fields(tt.want), " "); got != want {
			t.Errorf("%s: %q, want %q", tt.zone, got, want)
		}
	}
}

// In another language nothing of the legend is left in English.
func TestPseudoLanguage(t *testing.T) {
	if bare := words.Bare(Legend(words.Pseudo())); len(bare) > 0 {
		t.Errorf("not from the catalogue: %q", bare)
	}
}
