// SPDX-License-Identifier: Apache-2.0

// Package fault is what is wrong with a question, a record or a request: each
// fault with the field that it is of, all of them at once. It is the one such
// type; a package that checks something calls it by its own name.
package fault

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Fault is one thing wrong with one field. Field is its key as files and the API
// spell it, or another place such as a step's; "" for the whole.
type Fault struct {
	Field string `json:"field"`
	What  string `json:"what"`
}

// Error returns "field: what".
func (f Fault) Error() string {
	if f.Field == "" {
		return f.What
	}
	return f.Field + ": " + f.What
}

// List is every fault at once; it is an error.
type List []Fault

func (l List) Error() string {
	s := make([]string, len(l))
	for i, f := range l {
		s[i] = f.Error()
	}
	return strings.Join(s, "; ")
}

// Err returns nil for no faults.
func (l List) Err() error {
	if len(l) == 0 {
		return nil
	}
	return l
}

// Add adds one thing that is wrong with a field.
func (l *List) Add(field, format string, a ...any) {
	*l = append(*l, Fault{Field: field, What: fmt.Sprintf(format, a...)})
}

// Take adds the faults of an error, or the error itself as one of the whole.
func (l *List) Take(err error) {
	if some, ok := errors.AsType[List](err); ok {
		*l = append(*l, some...)
	} else if err != nil {
		l.Add("", "%v", err)
	}
}

// Within checks that a number lies within both limits, and reports whether it
// does; NaN does not.
func (l *List) Within(field string, v, lo, hi float64, unit string) bool {
	if v >= lo && v <= hi {
		return true
	}
	l.Add(field, "%g%s is outside %s to %s%s", v, spaced(unit), num(lo), num(hi), spaced(unit))
	return false
}

// Positive checks that a number lies above 0 and at most at a limit.
func (l *List) Positive(field string, v, most float64, unit string) bool {
	if v > 0 && v <= most {
		return true
	}
	l.Add(field, "%g%s must be above 0 and at most %s%s", v, spaced(unit), num(most), spaced(unit))
	return false
}

// OptWithin is [List.Within] for a number that may be missing.
func (l *List) OptWithin(field string, p *float64, lo, hi float64, unit string) {
	if p != nil {
		l.Within(field, *p, lo, hi, unit)
	}
}

// OptPositive is [List.Positive] for a number that may be missing.
func (l *List) OptPositive(field string, p *float64, most float64, unit string) {
	if p != nil {
		l.Positive(field, *p, most, unit)
	}
}

// ID checks what names a record.
func (l *List) ID(field, v string) {
	switch {
	case v == "":
		l.Add(field, "missing")
	case len(v) > 64:
		l.Add(field, "longer than 64 characters")
	case strings.ContainsFunc(v, func(r rune) bool { return r < ' ' || r == '/' || r == '"' || r == '\\' || r == 0x7f }):
		l.Add(field, "%q has a character that an id cannot have", v)
	}
}

// Text checks how long a text is.
func (l *List) Text(field, v string, most int) {
	if len(v) > most {
		l.Add(field, "longer than %d characters", most)
	}
}

// OneOf checks that a word is one of those that may stand there.
func (l *List) OneOf(field, v string, words []string, required bool) {
	switch {
	case v == "" && !required:
	case v == "":
		l.Add(field, "missing: one of %s", strings.Join(words, ", "))
	case !slices.Contains(words, v):
		l.Add(field, "%q is not one of %s", v, strings.Join(words, ", "))
	}
}

// num is a limit as people write it: 1000000, not 1e+06.
func num(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

func spaced(unit string) string {
	if unit == "" {
		return ""
	}
	return " " + unit
}

// OfLines takes lines of "field: what" apart; a line without a field is of the
// whole.
func OfLines(lines []string) List {
	var out List
	for _, l := range lines {
		field, what, ok := strings.Cut(l, ": ")
		if !ok {
			field, what = "", l
		}
		out = append(out, Fault{Field: field, What: what})
	}
	return out
}
