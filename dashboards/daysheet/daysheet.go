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
	"time"
	"unicode/utf8"

	"curewright/model/plan"
	"curewright/model/words"
)

// Options dress the sheet: whose it is, and the reader's language, clock and
// unit, which are to be those that the plan was made in. Without a zone times are
// said in the plan's.
type Options struct {
	words.View
	Title string    // such as the job's name; "" for "Layup day"
	Shop  string    // whose shop, "" for none
	Made  time.Time // when the plan was made
}

func (o Options) title() string {
	if o.Title == "" {
		return o.t("title", nil)
	}
	return o.Title
}

// t is a sentence of the sheet.
func (o Options) t(code string, facts words.Facts) string { return o.Say("sheet."+code, facts) }

// weekday names a day; layout is what follows it.
func (o Options) weekday(t time.Time, layout string) string {
	return o.Words.DateName("weekday", t) + t.Format(layout)
}

// date is "Saturday 10 October".
func (o Options) date(t time.Time) string {
	return o.weekday(t, " 2 ") + o.Words.DateName("months", t)
}

func (o Options) in(t time.Time) time.Time {
	if o.Loc != nil {
		return t.In(o.Loc)
	}
	return t
}

// chance is a probability in a sentence, rounded down: never more sure than it is.
func (o Options) chance(code string, p float64) string {
	return o.t(code, words.Facts{"n": int(math.Floor(100*p + 1e-9))})
}

// HTML is the day sheet, one page for a plan of a day or a weekend: times,
// cups, cloth, conditions, cautions. It fetches nothing.
func HTML(res plan.Result, o Options) []byte {
	s := sheet{Options: o, res: res}
	// How many lines it will have, as wide as they are at 9 pt.
	lines := 2*len(res.Options) + wrapped(res.Say, 105)
	for _, list := range [][]string{res.Cautions, res.Notes, res.WhyNot} {
		for _, x := range list {
			lines += wrapped(x, 105)
		}
	}
	last := ""
	for _, step := range res.Steps {
		r := o.row(step)
		if r.Day == last {
			r.Day = ""
		} else {
			last = r.Day
			lines++
		}
		high := wrapped(r.Say, 60)
		for _, c := range r.Cups {
			high += wrapped(c, 64)
		}
		lines += max(high, wrapped(r.Window, 20)+min(len(r.Feel), 1), 2)
		s.rows = append(s.rows, r)
	}
	// One page: the more lines, the smaller the type, down to what a tired eye
	// still reads.
	switch {
	case lines <= 40:
		s.size = "10.5pt"
	case lines <= 52:
		s.size = "9pt"
	case lines <= 66:
		s.size = "8pt"
	default:
		s.size = "7pt"
	}
	return []byte(s.page())
}

// sheet is a plan as the page shows it.
type sheet struct {
	Options
	res  plan.Result
	rows []row
	size string // of the type
}

type row struct {
	plan.Planned
	Day    string // "" where it is that of the row above
	At     string
	Until  string
	Window string
	Feel   string
	Temp   string
	Cups   []string
}

// row says a step.
func (o Options) row(s plan.Planned) row {
	at := o.in(s.At)
	r := row{Planned: s, Day: o.date(at), At: at.Format("15:04"), Until: o.in(s.Until).Format("15:04"), Cups: o.cups(s.Batches)}
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
		r.Temp = o.Temp(*s.TempC)
	}
	return r
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
