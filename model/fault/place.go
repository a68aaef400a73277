// SPDX-License-Identifier: Apache-2.0

package fault

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Place is one thing wrong at one place of a file. Line and Col start at 1; 0
// means that they are not known: the whole line, the whole file.
type Place struct {
	Line, Col int
	Key       string // dotted path or column, e.g. "panel[1].probe"
	What      string
}

// Places is every fault of a file. It is an error when it is not empty; Err
// returns it as one.
type Places []Place

// Error is "LINE:COL: KEY: WHAT" without the parts that are not known.
func (p Place) Error() string {
	switch {
	case p.Line > 0 && p.Col > 0:
		return fmt.Sprintf("%d:%d: %s", p.Line, p.Col, p.what())
	case p.Line > 0:
		return fmt.Sprintf("line %d: %s", p.Line, p.what())
	}
	return p.what()
}

func (p Place) what() string { return Fault{p.Key, p.What}.Error() }

// At is PLACE: WHAT with the file's name in front.
func (p Place) At(name string) string {
	switch {
	case p.Line > 0 && p.Col > 0:
		return name + ":" + p.Error()
	case p.Line > 0:
		return fmt.Sprintf("%s:%d: %s", name, p.Line, p.what())
	}
	return name + ": " + p.Error()
}

// Error is a line a fault.
func (l Places) Error() string {
	lines := make([]string, len(l))
	for i, x := range l {
		lines[i] = x.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the faults one by one.
func (l Places) Unwrap() []error {
	errs := make([]error, len(l))
	for i, x := range l {
		errs[i] = x
	}
	return errs
}

// Lines renders each fault with the file's name in front.
func (l Places) Lines(name string) []string {
	out := make([]string, len(l))
	for i, x := range l {
		out[i] = x.At(name)
	}
	return out
}

// Add adds one thing that is wrong at a place.
func (l *Places) Add(line, col int, key, format string, a ...any) {
	*l = append(*l, Place{line, col, key, fmt.Sprintf(format, a...)})
}

// Err returns nil for no faults, else the faults in order of place.
func (l Places) Err() error {
	if len(l) == 0 {
		return nil
	}
	slices.SortStableFunc(l, func(a, b Place) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col), strings.Compare(a.Key, b.Key))
	})
	return l
}
