// SPDX-License-Identifier: Apache-2.0

// Package daysheet writes a plan for use away from the screen: one page of
// HTML that prints in black on white, and an iCalendar file (RFC 5545) for
// the phone. Both are pure functions of the plan.
//
// Nothing is planned here.
package daysheet

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"curewright/model/plan"
	"curewright/model/words"
)

// Options dress the sheet.
type Options struct {
	Title string           // such as the job's name; "" for "Layup day"
	Shop  string           // whose shop, "" for none
	Loc   *time.Location   // of the clock times; nil: as the plan's
	Made  time.Time        // when the plan was made
	US    bool             // °F instead of °C
	Words *words.Catalogue // the reader's language; nil: English
}

func (o Options) title() string {
	if o.Title == "" {
		return o.t("title", nil)
	}
	return o.Title
}

// t is a sentence of the sheet.
func (o Options) t(code string, facts words.Facts) string {
	return words.View{Words: o.Words}.Say("sheet."+code, facts)
}

// day and weekday name a day; layout is what follows it.
func (o Options) day(t time.Time, layout string) string {
	return o.Words.DateName("weekday", t) + t.Format(layout)
}

// month is a date's "2 January".
func (o Options) date(t time.Time) string {
	return t.Format(" 2 ") + o.Words.DateName("months", t)
}

func (o Options) in(t time.Time) time.Time {
	if o.Loc != nil {
		return t.In(o.Loc)
	}
	return t
}

// sheet is the plan as the page shows it.
type sheet struct {
	o                                       Options
	Title, Shop, Made, Chance, Finish, Lead string
	Feasible                                bool
	Rows                                    []row
	WhyNot, Notes, Cautions                 []string
	Options                                 []plan.Option
	Size                                    string
}

// T is a sentence of the sheet, Lang its language's tag.
func (s sheet) T(code string) string { return s.o.t(code, nil) }

func (s sheet) Lang() string {
	if s.o.Words == nil {
		return words.English.Lang
	}
	return s.o.Words.Lang
}

type row struct {
	Day    string // set on the first row of a day
	At     string
	Until  string
	Say    string
	Panel  string
	Window string
	Feel   string
	Temp   string
	Cups   []string
	Done   bool
}

var celsius = regexp.MustCompile(`(-?[0-9]+(?:\.[0-9]+)?) °C`)

// units turns the temperatures of a sentence made in °C into the reader's unit.
func (o Options) units(s string) string {
	if !o.US {
		return s
	}
	return celsius.ReplaceAllStringFunc(s, func(m string) string {
		c, err := strconv.ParseFloat(strings.TrimSuffix(m, " °C"), 64)
		if err != nil {
			return m
		}
		return strconv.FormatFloat(math.Round(c*9/5+32), 'f', -1, 64) + " °F"
	})
}

// HTML is the day sheet, one page for a plan of a day or a weekend: times,
// cups, cloth, conditions, cautions. It fetches nothing.
func HTML(res plan.Result, o Options) ([]byte, error) {
	data := sheet{
		o: o, Title: o.title(), Shop: o.Shop, Feasible: res.Feasible, Lead: res.Say,
		Cautions: res.Cautions, Options: slices.Clone(res.Options),
	}
	for _, w := range res.WhyNot {
		data.WhyNot = append(data.WhyNot, o.units(w))
	}
	for _, n := range res.Notes {
		data.Notes = append(data.Notes, o.units(n))
	}
	for i, x := range data.Options {
		data.Options[i].Say = o.units(x.Say) + " " + o.t("chance_of", words.Facts{"n": int(math.Floor(100*x.Probability + 1e-9))})
	}
	if !o.Made.IsZero() {
		made := o.in(o.Made)
		data.Made = o.day(made, "") + o.date(made) + made.Format(" 2006, 15:04")
	}
	data.Chance = o.t("chance", words.Facts{"n": int(math.Floor(100*res.Probability + 1e-9))})
	if res.Finish != nil {
		data.Finish = o.day(o.in(*res.Finish), " 15:04")
	}
	// How many lines it will have, as wide as they are at 9 pt.
	lines := 2*len(res.Options) + wrapped(res.Say, 105)
	for _, list := range [][]string{res.Cautions, res.Notes, res.WhyNot} {
		for _, x := range list {
			lines += wrapped(x, 105)
		}
	}
	last := ""
	for _, s := range res.Steps {
		at := o.in(s.At)
		r := row{At: at.Format("15:04"), Until: o.in(s.Until).Format("15:04"), Say: s.Say, Panel: s.Panel, Done: s.Done}
		if d := o.day(at, "") + o.date(at); d != last {
			r.Day, last = d, d
			lines++
		}
		clock := func(t *time.Time) string {
			if x := o.in(*t); x.YearDay() != at.YearDay() {
				return o.Words.DateName("day", x) + x.Format(" 15:04")
			}
			return o.in(*t).Format("15:04")
		}
		if w := s.Window; w != nil {
			switch {
			case w.Opens != nil && w.Closes != nil:
				r.Window = o.t("window", words.Facts{"from": clock(w.Opens), "to": clock(w.Closes)})
			case w.Opens != nil:
				r.Window = o.t("window_from", words.Facts{"from": clock(w.Opens)})
			case w.Closes != nil:
				r.Window = o.t("window_until", words.Facts{"to": clock(w.Closes)})
			}
		}
		if s.FeelFrom != nil {
			r.Feel = clock(s.FeelFrom)
		}
		if s.TempC != nil {
			t, unit := *s.TempC, "°C"
			if o.US {
				t, unit = t*9/5+32, "°F"
			}
			r.Temp = strconv.FormatFloat(math.Round(t*2)/2, 'f', -1, 64) + " " + unit
		}
		r.Cups = o.cups(s.Batches)
		high := wrapped(r.Say, 60)
		for _, c := range r.Cups {
			high += wrapped(c, 64)
		}
		lines += max(high, wrapped(r.Window, 20)+min(len(r.Feel), 1), 2)
		data.Rows = append(data.Rows, r)
	}
	// One page: the more lines, the smaller the type, down to what a tired eye
	// still reads.
	switch {
	case lines <= 40:
		data.Size = "10.5pt"
	case lines <= 52:
		data.Size = "9pt"
	case lines <= 66:
		data.Size = "8pt"
	default:
		data.Size = "7pt"
	}
	return []byte(data.page()), nil
}

// wrapped is how many lines a text takes in a column so many characters wide.
func wrapped(s string, width int) int {
	return (utf8.RuneCountInString(s) + width - 1) / width
}

// cups words a step's batches, equal ones together.
func (o Options) cups(bs []plan.Batch) []string {
	var out []string
	for i := 0; i < len(bs); {
		n := 1
		for i+n < len(bs) && bs[i+n].Grams == bs[i].Grams && bs[i+n].Resin == bs[i].Resin {
			n++
		}
		b := bs[i]
		s := fmt.Sprintf("%.0f g %s", b.Grams, b.Resin)
		if n > 1 {
			s = fmt.Sprintf("%d × %s", n, s)
		}
		switch {
		case b.ResinG != nil && b.HardenerG != nil:
			s += o.t("cup.weighed", words.Facts{"resin": fmt.Sprintf("%.0f", *b.ResinG), "hardener": fmt.Sprintf("%.0f", *b.HardenerG)})
			if b.HardenerLow != nil && b.HardenerHi != nil {
				s += o.t("cup.within", words.Facts{"low": fmt.Sprintf("%.1f", *b.HardenerLow), "high": fmt.Sprintf("%.1f", *b.HardenerHi)})
			}
		case b.Ratio != "":
			s += ", " + b.Ratio
		default:
			s += o.t("cup.ratio", nil)
		}
		if b.Vessel == "tray" || b.Vessel == "roller" {
			s += o.t("cup.tray", nil)
		}
		if b.WorkMinutes != nil {
			s += o.t("cup.use", words.Facts{"min": int(*b.WorkMinutes)})
		}
		if b.Verdict == "runaway" {
			s += o.t("cup.overheats", nil)
		}
		out = append(out, s)
		i += n
	}
	return out
}
