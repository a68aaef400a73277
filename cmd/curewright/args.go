// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"regexp"
	"slices"
	"strings"

	"curewright/internal/argv"
	"curewright/internal/fault"
)

var negative = regexp.MustCompile(`^-[0-9]*\.?[0-9]`)

// plainArgs lets people write what the parser does not take by itself: "help"
// for --help, and a frost as "--temp -5": no flag here begins with a digit.
func plainArgs(args []string) []string {
	if len(args) > 0 && args[0] == "help" {
		args = append(slices.Clone(args[1:]), "--help")
	}
	var out []string
	for i := 0; i < len(args); i++ {
		if args[i] == "--" {
			return append(out, args[i:]...)
		}
		if i+1 < len(args) && strings.HasPrefix(args[i], "--") && !strings.Contains(args[i], "=") && negative.MatchString(args[i+1]) {
			out = append(out, args[i]+"="+args[i+1])
			i++
			continue
		}
		out = append(out, args[i])
	}
	return out
}

// usage is what is wrong with the command line, and what the command's own
// check found beside flags that are no number.
func usage(bad argv.Faults, found error) error {
	u := &fault.Input{}
	for _, l := range bad.Lines {
		u.Lines = append(u.Lines, "arguments: "+l)
	}
	for _, v := range bad.Numbers {
		u.Lines = append(u.Lines, v.Name+": "+v.What)
	}
	if f, ok := errors.AsType[*fault.Input](found); ok {
		for _, l := range f.Lines {
			if !slices.ContainsFunc(bad.Numbers, func(v argv.BadNumber) bool { return strings.HasPrefix(l, v.Name+":") }) {
				u.Lines = append(u.Lines, l)
			}
		}
	}
	return u
}

// offlineCheck are the commands that check all of their flags before they do
// anything, and do nothing but print.
var offlineCheck = []string{"cure", "air", "pot"}
