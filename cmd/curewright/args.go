// SPDX-License-Identifier: Apache-2.0

package main

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"curewright/internal/fault"

	"github.com/alecthomas/kong"
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

// badNumbers collects flags that are no number, so that one of them does not
// hide what else is wrong.
type badNumbers struct{ names, lines []string }

// option reads numbers in place of the parser: what is no number becomes NaN,
// which every check refuses, and is remembered.
func (b *badNumbers) option() kong.Option {
	return kong.KindMapper(reflect.Float64, kong.MapperFunc(func(ctx *kong.DecodeContext, target reflect.Value) error {
		t, err := ctx.Scan.PopValue(ctx.Value.Name)
		if err != nil {
			return err
		}
		s := fmt.Sprint(t.Value)
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			v = math.NaN()
			b.names = append(b.names, "--"+ctx.Value.Name+":")
			b.lines = append(b.lines, fmt.Sprintf("--%s: %q is not a number", ctx.Value.Name, s))
		}
		target.SetFloat(v)
		return nil
	}))
}

// usage joins the flags that are no numbers with what the command's own check
// found beside them.
func (b *badNumbers) usage(found error) error {
	u := &fault.Input{Lines: b.lines}
	var f *fault.Input
	if errors.As(found, &f) {
		for _, l := range f.Lines {
			if !slices.ContainsFunc(b.names, func(n string) bool { return strings.HasPrefix(l, n) }) {
				u.Lines = append(u.Lines, l)
			}
		}
	}
	return u
}

// offlineCheck are the commands that check all of their flags before they do
// anything, and do nothing but print.
var offlineCheck = []string{"cure", "air", "pot"}
