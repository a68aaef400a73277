// SPDX-License-Identifier: Apache-2.0

package words

import (
	"math"
	"strings"
	"time"
)

// Sentence is text with places for times and temperatures, so that a page can
// show them in the reader's own clock and unit. String renders it in the times'
// own zones, 24 h and °C.
type Sentence []Part

// Part is one piece of a sentence: exactly one of Text, Time, TempC and DiffK is
// set.
type Part struct {
	Text  string     `json:"text,omitempty"`
	Time  *time.Time `json:"time,omitempty"`
	TempC *float64   `json:"temp_c,omitempty"`
	DiffK *float64   `json:"diff_k,omitempty"` // a temperature difference
	Bold  bool       `json:"bold,omitempty"`
}

// Plain is a sentence of words alone, as somebody wrote them.
func Plain(text string) Sentence { return Sentence(nil).add(text, false) }

// Sentence is a code's sentence with its facts in place. A [time.Time], a
// temperature and a difference of two stay what they are; all else is said. What
// stands between two asterisks in the catalogue is bold.
func (c *Catalogue) Sentence(code string, facts Facts) Sentence {
	var out Sentence
	v, bold := View{Words: c}, false
	text := func(t string) {
		for {
			before, after, star := strings.Cut(t, "*")
			out = out.add(before, bold)
			if !star {
				return
			}
			bold, t = !bold, after
		}
	}
	for before, name := range pieces(c.Text(code)) {
		text(before)
		if name == "" {
			break
		}
		switch x := facts[name].(type) {
		case nil:
			out = out.add("{"+name+"}", bold)
		case time.Time:
			out = append(out, Part{Time: &x, Bold: bold})
		case Temp:
			out = append(out, Part{TempC: new(math.Round(2*float64(x)) / 2), Bold: bold}) // as a shop reads it
		case Tenth:
			out = append(out, Part{TempC: new(math.Round(10*float64(x)) / 10), Bold: bold})
		case Diff:
			out = append(out, Part{DiffK: new(float64(x)), Bold: bold})
		case Kelvin:
			out = append(out, Part{DiffK: new(float64(x)), Bold: bold})
		case Sentence:
			out = out.join(x, bold)
		case interface{ Sentence(*Catalogue) Sentence }:
			out = out.join(x.Sentence(c), bold)
		default:
			out = out.add(v.fact(x), bold)
		}
	}
	return out
}

// add appends text, to the last part where that is text of the same weight.
func (s Sentence) add(text string, bold bool) Sentence {
	if text == "" {
		return s
	}
	if n := len(s); n > 0 && s[n-1].Text != "" && s[n-1].Bold == bold {
		s[n-1].Text += text
		return s
	}
	return append(s, Part{Text: text, Bold: bold})
}

// Then is s and after it another sentence, with a space between.
func (s Sentence) Then(next Sentence) Sentence {
	if len(s) == 0 || len(next) == 0 {
		return append(s, next...)
	}
	return s.add(" ", false).join(next, false)
}

// join appends another sentence's parts, all of them bold where bold is set.
func (s Sentence) join(next Sentence, bold bool) Sentence {
	for _, p := range next {
		p.Bold = p.Bold || bold
		if p.Text != "" {
			s = s.add(p.Text, p.Bold)
		} else {
			s = append(s, p)
		}
	}
	return s
}

// Text renders a sentence for a reader. A time that is not of the same day as
// now carries its weekday; a View without a zone means the times' own.
func (s Sentence) Text(now time.Time, v View) string {
	var b strings.Builder
	for _, p := range s {
		switch {
		case p.Time != nil:
			own := v
			if own.Loc == nil {
				own.Loc = p.Time.Location()
			}
			b.WriteString(own.Clock(*p.Time, now))
		case p.TempC != nil:
			b.WriteString(v.Tenth(*p.TempC)) // it is as round as it is said
		case p.DiffK != nil:
			b.WriteString(v.Diff(*p.DiffK))
		default:
			b.WriteString(p.Text)
		}
	}
	return b.String()
}

// String renders a sentence with times in their own zones.
func (s Sentence) String() string { return s.Text(time.Time{}, View{}) }
