// SPDX-License-Identifier: Apache-2.0

// Package words turns codes and facts into sentences: what the page, the
// terminal, alerts, the record and the day sheet say stands in a catalogue, one
// file a language, and the model and the API speak codes. English is built in.
// Nothing is judged here, and no sentence may stand anywhere else.
package words

import (
	"cmp"
	_ "embed"
	"errors"
	"fmt"
	"iter"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
)

//go:embed en.toml
var enText []byte

// English is the catalogue that is built in. Every other has its codes.
var English = func() *Catalogue {
	text, err := read(enText)
	if err != nil {
		panic(err) // a file of this package; its test reads it
	}
	return &Catalogue{Lang: "en", text: text}
}()

// Catalogue is a language's sentences by code, and the unit that they give
// temperatures in: °C, but of one that [Catalogue.In] made. A nil Catalogue is
// [English].
type Catalogue struct {
	Lang       string // BCP 47 tag, "en"
	text       map[string]string
	fahrenheit bool
}

// In is the catalogue for somebody whose units are "us", °F, or "si", °C.
func (c *Catalogue) In(units string) *Catalogue {
	own := *cmp.Or(c, English)
	own.fahrenheit = units == "us"
	return &own
}

// Fahrenheit reports whether temperatures are said in °F.
func (c *Catalogue) Fahrenheit() bool { return c != nil && c.fahrenheit }

// Facts are what a sentence's {names} stand for. A value is a string, a number,
// a time.Time, a [Temp], a [Tenth], a [Diff], a [Kelvin], a [Span], a [Code], a
// [Sentence], or something that has its own Say(View) or Sentence(*Catalogue); the
// reader's [View] renders it. A temperature that is in a string already can't be said in °F.
type Facts map[string]any

// Temp is a temperature in °C, to half a degree, Tenth one to a tenth; Diff a
// difference of two in K, to half a degree, Kelvin one to a tenth; Span a duration,
// Code a code whose own text stands in the place.
type (
	Code   string
	Temp   float64
	Tenth  float64
	Diff   float64
	Kelvin float64
	Span   time.Duration
)

// Parse reads a language's file. Codes that English has not, and facts that its
// sentence does not give, are faults, all reported at once. What the file lacks
// is said in English; [Catalogue.Missing] lists it.
func Parse(lang string, b []byte) (*Catalogue, error) {
	text, err := read(b)
	if err != nil {
		return nil, fmt.Errorf("words: %w", err)
	}
	var errs []error
	for _, code := range slices.Sorted(maps.Keys(text)) {
		en, ok := English.text[code]
		if !ok {
			errs = append(errs, fmt.Errorf("%s: English has no such sentence", code))
			continue
		}
		given := Names(en)
		for _, n := range Names(text[code]) {
			if !slices.Contains(given, n) {
				errs = append(errs, fmt.Errorf("%s: {%s} is not given: there is {%s}", code, n, strings.Join(given, "}, {")))
			}
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Catalogue{Lang: lang, text: text}, nil
}

// read flattens a file's tables: [alert.stall] say = "…" is "alert.stall.say".
func read(b []byte) (map[string]string, error) {
	var tree map[string]any
	if err := toml.Unmarshal(b, &tree); err != nil {
		return nil, err
	}
	out := map[string]string{}
	var walk func(at string, v any) error
	walk = func(at string, v any) error {
		switch v := v.(type) {
		case string:
			out[at] = v
		case map[string]any:
			for k, x := range v {
				if err := walk(strings.TrimPrefix(at+"."+k, "."), x); err != nil {
					return err
				}
			}
		default:
			return fmt.Errorf("%s: not a text", at)
		}
		return nil
	}
	return out, walk("", tree)
}

// Names are the facts that a sentence wants, in order, each once.
func Names(sentence string) []string {
	var out []string
	for _, name := range pieces(sentence) {
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// pieces takes a sentence apart: each text with the fact's name behind it, "" at
// the end.
func pieces(sentence string) iter.Seq2[string, string] {
	return func(yield func(text, name string) bool) {
		for {
			text, rest, open := strings.Cut(sentence, "{")
			name, after, closed := strings.Cut(rest, "}")
			if !open || !closed || name == "" {
				yield(sentence, "")
				return
			}
			if !yield(text, name) {
				return
			}
			sentence = after
		}
	}
}

// Text is a code's sentence with its {names}, in English where the language
// lacks it. A code that nobody knows comes back as it is: a reader sees it, and
// so does a test.
func (c *Catalogue) Text(code string) string {
	if c != nil {
		if s, ok := c.text[code]; ok {
			return s
		}
	}
	if s, ok := English.text[code]; ok {
		return s
	}
	return code
}

// Known is a code that English has a text for, or else what somebody wrote: a
// kind of coat may be one of the trade's or their own.
func Known(code, written string) any {
	if English.Has(code) {
		return Code(code)
	}
	return written
}

// Known says what the function of that name finds.
func (v View) Known(code, written string) string { return v.fact(Known(code, written)) }

// Has reports whether there is such a sentence.
func (c *Catalogue) Has(code string) bool {
	_, ok := English.text[code]
	return ok
}

// Codes are all sentences' codes below a prefix, sorted: "alert." or "".
func (c *Catalogue) Codes(prefix string) []string {
	return slices.DeleteFunc(slices.Sorted(maps.Keys(English.text)), func(code string) bool { return !strings.HasPrefix(code, prefix) })
}

// Missing are the codes that this language says in English.
func (c *Catalogue) Missing() []string {
	return slices.DeleteFunc(slices.Sorted(maps.Keys(English.text)), func(code string) bool { _, ok := c.text[code]; return ok })
}

// Pseudo is a language for tests: every sentence of English in ⟦ｗｉｄｅ
// ｌｅｔｔｅｒｓ⟧, facts as they are. A plain letter on a page is a fact, or a
// sentence that did not come from the catalogue; [Bare] finds it.
func Pseudo() *Catalogue {
	out := &Catalogue{Lang: "x-pseudo", text: map[string]string{}}
	for code, s := range English.text {
		var b strings.Builder
		fact := false
		for _, r := range s {
			switch {
			case r == '{':
				fact = true
			case r == '}':
				fact = false
			case !fact && (r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z'):
				r += 'ａ' - 'a' // the same letter in full width
			}
			b.WriteRune(r)
		}
		out.text[code] = "⟦" + b.String() + "⟧"
	}
	return out
}

// Bare are the words of a text in the pseudo-language that are of plain letters
// and no known fact: what stands there came from no catalogue. Numbers with
// their units are no words.
func Bare(text string, facts ...string) []string {
	for _, f := range facts {
		text = strings.ReplaceAll(text, f, " ")
	}
	var out []string
	for _, w := range strings.FieldsFunc(text, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
	}) {
		if len(w) > 2 { // g, K, °C, pm
			out = append(out, w)
		}
	}
	return out
}

// View is how a person reads: language and unit, and clock. The zero View is
// English, °C, UTC and 24 h.
type View struct {
	Words   *Catalogue
	Loc     *time.Location // nil: UTC
	Clock12 bool
}

// Lang is the tag of the language.
func (v View) Lang() string {
	if v.Words == nil {
		return English.Lang
	}
	return v.Words.Lang
}

// Say renders a code's sentence with its facts. One that is missing keeps its
// braces: a test fills every sentence.
func (v View) Say(code string, facts Facts) string { return v.fill(v.Words.Text(code), facts) }

func (v View) fill(sentence string, facts Facts) string {
	var b strings.Builder
	for text, name := range pieces(sentence) {
		b.WriteString(text)
		if x := facts[name]; x != nil {
			b.WriteString(v.fact(x))
		} else if name != "" {
			b.WriteString("{" + name + "}")
		}
	}
	return b.String()
}

func (v View) fact(x any) string {
	switch x := x.(type) {
	case string:
		return x
	case Code:
		return v.Words.Text(string(x))
	case Temp:
		return v.Temp(float64(x))
	case Tenth:
		return v.Tenth(float64(x))
	case Diff:
		return v.Diff(float64(x))
	case Kelvin:
		return v.Kelvin(float64(x))
	case Sentence:
		return x.Text(time.Time{}, v)
	case Span:
		return v.Span(time.Duration(x))
	case time.Time:
		return v.Clock(x, x)
	case interface{ Say(View) string }:
		return x.Say(v)
	}
	return fmt.Sprint(x)
}

// Unit is the unit of temperatures.
func (v View) Unit() string {
	if v.Words.Fahrenheit() {
		return "°F"
	}
	return "°C"
}

// Degrees is the bare number of [View.Temp].
func (v View) Degrees(c float64) string {
	if v.Words.Fahrenheit() {
		return decimals(c*9/5+32, 0)
	}
	return Half(c)
}

// Temp is a temperature of so many °C, to half a degree (a whole one in °F).
func (v View) Temp(c float64) string { return v.Degrees(c) + " " + v.Unit() }

// Tenth is a temperature of so many °C, to a tenth of a degree (a whole one in °F).
func (v View) Tenth(c float64) string {
	if v.Words.Fahrenheit() {
		return v.Temp(c)
	}
	return strings.TrimSuffix(decimals(c, 1), ".0") + " °C"
}

// decimals writes a number to so many places; what rounds to nothing has no sign.
func decimals(x float64, places int) string {
	s := strconv.FormatFloat(x, 'f', places, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// Diff is a difference of k kelvin, to half a degree.
func (v View) Diff(k float64) string {
	if v.Words.Fahrenheit() {
		k *= 9. / 5
	}
	return Half(k) + " " + v.Unit()
}

// Kelvin is a difference of k kelvin, to a tenth and said in them where
// temperatures are in °C.
func (v View) Kelvin(k float64) string {
	if v.Words.Fahrenheit() {
		return decimals(k*9/5, 1) + " °F"
	}
	return decimals(k, 1) + " K"
}

// DateName is the name of a date's day, by the list "day" (Mon) or "weekday"
// (Monday), or of its month, by "month" (Jan) or "months" (January).
func (c *Catalogue) DateName(list string, t time.Time) string {
	key := "Mon"
	if strings.HasPrefix(list, "month") {
		key = "Jan"
	}
	return c.Text(list + "." + strings.ToLower(t.Format(key)))
}

// Clock is a time of day; one of another day than now has its weekday.
func (v View) Clock(t, now time.Time) string {
	loc := v.Loc
	if loc == nil {
		loc = time.UTC
	}
	t, now = t.In(loc), now.In(loc)
	layout := "15:04"
	if v.Clock12 {
		layout = "3:04 pm"
	}
	ty, tm, td := t.Date()
	ny, nm, nd := now.Date()
	if ty != ny || tm != nm || td != nd {
		return v.Words.DateName("day", t) + " " + t.Format(layout)
	}
	return t.Format(layout)
}

// Span is a duration, to the minute below an hour, to five minutes beyond, to
// half a day from four days on.
func (v View) Span(d time.Duration) string {
	d = d.Abs()
	if d < time.Hour {
		return v.Say("span.min", Facts{"min": max(int(math.Round(d.Minutes())), 1)})
	}
	if d >= 96*time.Hour {
		return v.Say("span.days", Facts{"days": Half(d.Hours() / 24)})
	}
	d = d.Round(5 * time.Minute)
	h, m := int(d/time.Hour), int(d%time.Hour/time.Minute)
	if m == 0 {
		return v.Say("span.h", Facts{"h": h})
	}
	return v.Say("span.h_min", Facts{"h": h, "min": m})
}

// Half is a number to half a unit, without a needless ".0" and no minus zero.
func Half(x float64) string {
	return strings.TrimSuffix(decimals(math.Round(x*2)/2, 1), ".0")
}

// Upper makes a sentence begin with a capital.
func Upper(s string) string {
	for i, r := range s {
		if r == '⟦' {
			continue // the brackets of the pseudo-language
		}
		return s[:i] + strings.ToUpper(string(r)) + s[i+len(string(r)):]
	}
	return s
}
