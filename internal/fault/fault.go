// SPDX-License-Identifier: Apache-2.0

// Package fault is bad usage and bad input as the command line answers it: one
// line a fault, all of them at once, exit 2, nothing written. What fails while
// running is a plain error and has no business here.
package fault

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"curewright/model/tomlfile"
)

// Input is bad usage or bad input; a line is PLACE: WHAT.
type Input struct{ Lines []string }

func (e *Input) Error() string { return strings.Join(e.Lines, "\n") }

// Inputf is one fault. A path error comes with its place first.
func Inputf(format string, a ...any) error {
	for i := range a {
		if p, ok := a[i].(*fs.PathError); ok {
			a[i] = p.Path + ": " + p.Err.Error() // the place first
		}
	}
	return &Input{[]string{fmt.Sprintf(format, a...)}}
}

// In turns what checks report into an [Input] whose lines name the file.
func In(name string, err error) error {
	var faults tomlfile.Faults
	if errors.As(err, &faults) {
		return &Input{faults.Lines(name)}
	}
	var lines []string
	for line := range strings.Lines(err.Error()) {
		line = strings.TrimSpace(line)
		if name != "" && !strings.HasPrefix(line, name+":") {
			line = name + ": " + line
		}
		lines = append(lines, line)
	}
	return &Input{lines}
}

// Lines returns faults that are said already, nil for none.
func Lines(lines []string) error {
	if lines == nil {
		return nil
	}
	return &Input{lines}
}

// Flatten takes joined errors apart.
func Flatten(err error) []error {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		var out []error
		for _, e := range j.Unwrap() {
			out = append(out, Flatten(e)...)
		}
		return out
	}
	return []error{err}
}

// Join puts the lines of several Inputs into one, nil where there is none; any
// other error wins.
func Join(errs ...error) error {
	var lines []string
	for _, err := range errs {
		var u *Input
		if errors.As(err, &u) {
			lines = append(lines, u.Lines...)
		} else if err != nil {
			return err
		}
	}
	return Lines(lines)
}
