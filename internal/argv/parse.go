// SPDX-License-Identifier: Apache-2.0

package argv

import (
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
)

// Faults is what is wrong with a command line.
type Faults struct {
	Lines []string // one a fault
	// Numbers are those that are none. Such a value is NaN, which every check
	// refuses, so that a command's own check can say what else is wrong.
	Numbers []BadNumber
}

// Any reports whether anything is wrong.
func (f Faults) Any() bool { return len(f.Lines)+len(f.Numbers) > 0 }

// BadNumber is a flag, or a value by its place, that wants a number.
type BadNumber struct{ Name, What string }

// reader is the state of one reading.
type reader struct {
	at     *Node
	places int // how many of at's values by place are given
	usual  []*Value
	faults Faults
}

// Parse reads the arguments into the struct and returns the command that they
// name. With --help before a "--" it returns help as true and the command that
// it is about, however wrong the rest is. Every fault is found, except behind a
// command that is not known: nothing behind that can be read.
func (n *Node) Parse(args []string) (at *Node, help bool, f Faults) {
	r := &reader{at: n}
	plain := false // after "--"
	for i := 0; i < len(args); i++ {
		a := args[i]
		switch {
		case plain || a == "-" || a == "" || a[0] != '-':
			if !r.word(a) {
				return r.at, false, r.faults
			}
		case a == "--":
			plain = true
		default:
			i += r.flag(a, args[i+1:], &help)
		}
	}
	if help {
		return r.at, true, Faults{}
	}
	r.complete()
	return r.at, false, r.faults
}

func (r *reader) fault(format string, a ...any) {
	r.faults.Lines = append(r.faults.Lines, fmt.Sprintf(format, a...))
}

// word reads what is no flag; false where nothing behind it can be read.
func (r *reader) word(a string) bool {
	for _, k := range r.at.Children {
		if k.Name == a {
			if len(r.usual) > 0 && k != r.at.usual {
				r.fault("--%s goes with %q", r.usual[0].Name, r.at.usual.Path())
			}
			r.at, r.usual = k, nil
			return true
		}
	}
	if r.at.usual != nil && len(r.at.usual.Args) > 0 {
		r.at, r.usual = r.at.usual, nil
	}
	if r.places < len(r.at.Args) {
		v := r.at.Args[r.places]
		v.given = true
		r.set(v, v.said(), a)
		if !strings.HasSuffix(v.said(), "...") {
			r.places++
		}
		return true
	}
	known := names(r.at.Shown())
	r.fault("unexpected argument %s%s", a, near(a, known))
	return len(known) == 0
}

// flag reads one flag, and its value from what follows; it returns how many of
// the arguments behind it were that.
func (r *reader) flag(a string, rest []string, help *bool) (taken int) {
	name, text, has := strings.Cut(a, "=")
	all := r.at.flags()
	i := slices.IndexFunc(all, func(v *Value) bool {
		return name == "--"+v.Name || v.Short != "" && name == "-"+v.Short
	})
	if i < 0 && len(a) > 2 && a[1] != '-' { // -oFILE
		i = slices.IndexFunc(all, func(v *Value) bool { return v.Short == a[1:2] && !v.IsBool() })
		name, text, has = a[:2], a[2:], true
	}
	if i < 0 {
		var names []string
		for _, v := range all {
			if !v.Hidden {
				names = append(names, "--"+v.Name)
			}
		}
		r.fault("unknown flag %s%s", name, near(name, names))
		return 0
	}
	v := all[i]
	switch {
	case v == r.at.root().Flags[0]: // help
		*help = true
		return 0
	case has:
	case v.IsBool():
		text = "true"
	case len(rest) == 0:
		v.given = true
		r.fault("--%s: its value is missing", v.Name)
		return 0
	case len(rest[0]) > 1 && rest[0][0] == '-':
		v.given = true
		r.fault("--%s: its value is missing; one that begins with - is written --%s=%s", v.Name, v.Name, rest[0])
		return 0
	default:
		text, taken = rest[0], 1
	}
	if !v.given && v.HasDefault {
		v.target.SetZero() // a slice's default is replaced, not added to
	}
	v.given = true
	if r.at.usual != nil && slices.Contains(r.at.usual.Flags, v) {
		r.usual = append(r.usual, v)
	}
	if r.set(v, "--"+v.Name, text) && v.Enum != nil && !slices.Contains(v.Enum, text) {
		r.fault("--%s is one of %s, not %q", v.Name, list(v.Enum), text)
	}
	return taken
}

// set gives a value its text; false where it does not take it.
func (r *reader) set(v *Value, name, text string) bool {
	err := v.set(text)
	switch {
	case err == nil:
		return true
	case v.kind() == reflect.Float64:
		r.faults.Numbers = append(r.faults.Numbers, BadNumber{name, err.Error()})
	default:
		r.fault("%s: %v", name, err)
	}
	return false
}

// complete gives what the environment says, and finds what is missing.
func (r *reader) complete() {
	if r.at.usual != nil {
		r.at = r.at.usual
	}
	if len(r.at.Children) > 0 {
		if r.faults.Any() {
			return
		}
		r.fault("%s", strings.TrimSpace(r.at.Path()+" wants one of "+list(names(r.at.Shown()))))
		return
	}
	var missing []string
	for _, v := range r.at.flags() {
		if text := os.Getenv(v.Env); v.Env != "" && !v.given && text != "" {
			v.given = true
			r.set(v, "$"+v.Env, text)
		}
		if v.Required && !v.given {
			missing = append(missing, v.said())
		}
	}
	for _, v := range r.at.Args {
		if v.Required && !v.given {
			missing = append(missing, v.said())
		}
		if v.Enum != nil && v.given && !slices.Contains(v.Enum, v.target.String()) {
			r.fault("%s is one of %s, not %q", v.said(), list(v.Enum), v.target.String())
		}
	}
	if len(missing) > 0 {
		r.fault("missing %s", strings.Join(missing, ", "))
	}
}

// list is the values that can be chosen; "" among them is not worth saying.
func list(xs []string) string {
	return strings.Join(slices.DeleteFunc(slices.Clone(xs), func(x string) bool { return x == "" }), ", ")
}

// near is a question for the name that was probably meant.
func near(a string, names []string) string {
	best, at := 3, ""
	for _, n := range names {
		if d := edits(strings.TrimLeft(a, "-"), strings.TrimLeft(n, "-")); d < best && 2*d < len(n) {
			best, at = d, n
		}
	}
	if at == "" {
		return ""
	}
	return fmt.Sprintf(", did you mean %s?", at)
}

// edits is how many letters must be put in, taken out or changed to make b of
// a.
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		was := row[0]
		row[0] = i + 1
		for j := range len(b) {
			d := was
			if a[i] != b[j] {
				d++
			}
			was = row[j+1]
			row[j+1] = min(d, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
