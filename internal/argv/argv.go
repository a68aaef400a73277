// SPDX-License-Identifier: Apache-2.0

// Package argv reads a command line into a struct whose tags describe it. It
// looks up no method by name: a program in which anything does that keeps every
// method of every type, which made this one twice as large.
//
// A field is a command (`cmd:""`), a value that goes by its place (`arg:""`) or
// else a flag. Its name is the field's in lower case with hyphens, or `name`.
//
//	help         what it is, for people
//	example      of a command: how it is typed; one with more to say has a method Help
//	placeholder  what stands for its value in the help
//	default      its value where none is given; of a command "withargs": it is
//	             meant where none of its siblings is named
//	env          the environment variable that gives it where no flag does
//	enum         the values it may have, with commas between
//	type:"path"  a file's name: made absolute, ~ is the home folder, - stays
//	short        one letter that stands for the flag
//	sep:"none"   each use of the flag is one element, commas and all
//	required, optional, hidden
//
// A flag is a string, a bool, a number, a duration, a pointer to one of these
// (nil where it was not given) or a slice; of values by place a slice takes all
// that is left. An embedded struct's fields are the command's own.
package argv

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Node is a command of the tree; the root is the program itself.
type Node struct {
	Name, Help string
	Detail     string // its example, or what its method Help says
	Hidden     bool
	Parent     *Node
	Children   []*Node
	Flags      []*Value // its own; those of the nodes above go with it too
	Args       []*Value

	usual  *Node // the child that is meant where none is named
	target reflect.Value
}

// Value is a flag or a value that goes by its place.
type Value struct {
	Name, Help  string
	Placeholder string
	Default     string
	HasDefault  bool
	Enum        []string // nil for any value
	Env         string
	Required    bool
	Hidden      bool
	Short       string

	arg, path, whole bool
	target           reflect.Value
	given            bool
}

var duration = reflect.TypeFor[time.Duration]()

// New describes the command line that the struct behind target holds. The
// description is what stands in the help. It panics where a tag makes no sense,
// which no command line can bring about.
func New(name, description string, target any) *Node {
	root := &Node{Name: name, Help: description, target: reflect.ValueOf(target)}
	root.Flags = []*Value{{Name: "help", Short: "h", Help: "Show this.", target: reflect.ValueOf(new(bool)).Elem()}}
	root.build(root.target.Elem())
	return root
}

func (n *Node) build(s reflect.Value) {
	for i := range s.NumField() {
		f, tag := s.Type().Field(i), s.Type().Field(i).Tag
		has := func(key string) bool { _, ok := tag.Lookup(key); return ok }
		if f.Anonymous { // flags that several commands share
			n.build(s.Field(i))
			continue
		}
		if !f.IsExported() {
			continue
		}
		name := cmp.Or(tag.Get("name"), hyphens(f.Name))
		if has("cmd") {
			k := &Node{Name: name, Help: tag.Get("help"), Hidden: has("hidden"), Parent: n, target: s.Field(i).Addr()}
			if e := tag.Get("example"); e != "" {
				k.Detail = "Example:\n\n  " + e
			}
			if h, ok := k.target.Interface().(interface{ Help() string }); ok {
				k.Detail = h.Help()
			}
			k.build(s.Field(i))
			n.Children = append(n.Children, k)
			if tag.Get("default") == "withargs" {
				n.usual = k
			}
			continue
		}
		v := &Value{
			Name: name, Help: tag.Get("help"), Placeholder: tag.Get("placeholder"), Env: tag.Get("env"), Short: tag.Get("short"),
			Default: tag.Get("default"), HasDefault: has("default"), Hidden: has("hidden"), arg: has("arg"),
			path: tag.Get("type") == "path", whole: tag.Get("sep") == "none", target: s.Field(i),
		}
		if has("enum") {
			v.Enum = strings.Split(tag.Get("enum"), ",")
		}
		v.Required = has("required") || v.arg && !has("optional") && !v.HasDefault
		if v.HasDefault {
			if err := v.set(v.Default); err != nil {
				panic(fmt.Sprintf("argv: default of %s: %v", v.Name, err))
			}
		}
		if v.arg {
			n.Args = append(n.Args, v)
		} else {
			n.Flags = append(n.Flags, v)
		}
	}
}

// hyphens is a field's name as a flag: "NoProbe" is "no-probe".
func hyphens(field string) string {
	var b strings.Builder
	r := []rune(field)
	for i, c := range r {
		if i > 0 && unicode.IsUpper(c) && (unicode.IsLower(r[i-1]) || i+1 < len(r) && unicode.IsLower(r[i+1])) {
			b.WriteByte('-')
		}
		b.WriteRune(unicode.ToLower(c))
	}
	return b.String()
}

// root is the program itself.
func (n *Node) root() *Node {
	for n.Parent != nil {
		n = n.Parent
	}
	return n
}

// Shown are the children that are not hidden.
func (n *Node) Shown() (out []*Node) {
	for _, k := range n.Children {
		if !k.Hidden {
			out = append(out, k)
		}
	}
	return out
}

func names(ns []*Node) (out []string) {
	for _, n := range ns {
		out = append(out, n.Name)
	}
	return out
}

// Path is the names from the program's first command down to this one.
func (n *Node) Path() string {
	if n.Parent == nil {
		return ""
	}
	return strings.TrimSpace(n.Parent.Path() + " " + n.Name)
}

// Target is a pointer to the command's struct.
func (n *Node) Target() any { return n.target.Interface() }

// On reports whether the command has a switch of that name, and it is on.
func (n *Node) On(flag string) bool {
	i := slices.IndexFunc(n.Flags, func(v *Value) bool { return v.Name == flag && v.target.Kind() == reflect.Bool })
	return i >= 0 && n.Flags[i].target.Bool()
}

// Leaves are the commands at or below n that can be run and are not hidden.
func (n *Node) Leaves() []*Node {
	if n.Hidden {
		return nil
	}
	if len(n.Children) == 0 {
		return []*Node{n}
	}
	var out []*Node
	for _, k := range n.Children {
		out = append(out, k.Leaves()...)
	}
	return out
}

// IsBool reports whether the flag stands alone.
func (v *Value) IsBool() bool { return v.kind() == reflect.Bool }

// kind is that of the value itself, behind a pointer or in a slice.
func (v *Value) kind() reflect.Kind {
	t := v.target.Type()
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	return t.Kind()
}

// Stands is what stands for the flag's value in the help.
func (v *Value) Stands() string {
	if v.target.Kind() == reflect.Slice && !v.arg && !v.whole {
		return v.one() + ",..."
	}
	return v.one()
}

// one is Stands for one element.
func (v *Value) one() string {
	switch {
	case v.Placeholder != "":
		return v.Placeholder
	case v.Default != "" && v.kind() == reflect.String:
		return strconv.Quote(v.Default)
	case v.Default != "":
		return v.Default
	case v.target.Type() == duration:
		return "TIME"
	}
	return strings.ToUpper(v.Name)
}

// said is the value as faults and usage name it.
func (v *Value) said() string {
	switch {
	case v.arg && v.target.Kind() == reflect.Slice:
		return "<" + v.Name + "> ..."
	case v.arg:
		return "<" + v.Name + ">"
	case v.IsBool():
		return "--" + v.Name
	}
	return "--" + v.Name + "=" + v.Stands()
}

// set gives the value the text.
func (v *Value) set(text string) error {
	if v.path && text != "-" && text != "" {
		if rest, ok := strings.CutPrefix(text, "~/"); ok {
			if home, err := os.UserHomeDir(); err == nil {
				text = filepath.Join(home, rest)
			}
		}
		if abs, err := filepath.Abs(text); err == nil {
			text = abs
		}
	}
	t := v.target
	if t.Kind() == reflect.Pointer {
		if t.IsNil() {
			t.Set(reflect.New(t.Type().Elem()))
		}
		t = t.Elem()
	}
	if t.Kind() == reflect.Slice {
		parts := []string{text}
		if !v.arg && !v.whole {
			parts = strings.Split(text, ",")
		}
		for _, p := range parts {
			e := reflect.New(t.Type().Elem()).Elem()
			if err := parse(e, p); err != nil {
				return err
			}
			t.Set(reflect.Append(t, e))
		}
		return nil
	}
	return parse(t, text)
}

func parse(t reflect.Value, text string) error {
	switch t.Kind() {
	case reflect.String:
		t.SetString(text)
	case reflect.Bool:
		x, err := strconv.ParseBool(text)
		if err != nil {
			return fmt.Errorf("%q is neither true nor false", text)
		}
		t.SetBool(x)
	case reflect.Float64:
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.SetFloat(math.NaN()) // which every check refuses
			return fmt.Errorf("%q is not a number", text)
		}
		t.SetFloat(x)
	case reflect.Int, reflect.Int64:
		if t.Type() == duration {
			x, err := time.ParseDuration(text)
			if err != nil {
				return fmt.Errorf("%q is not a time such as 90s, 15m or 36h", text)
			}
			t.SetInt(int64(x))
			return nil
		}
		x, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return fmt.Errorf("%q is not a whole number", text)
		}
		t.SetInt(x)
	case reflect.Uint64:
		x, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			return fmt.Errorf("%q is not a whole number from 0 on", text)
		}
		t.SetUint(x)
	default:
		panic("argv: no flag can be a " + t.Type().String())
	}
	return nil
}

// flags are those that go with a command, its own first.
func (n *Node) flags() []*Value {
	fs := slices.Clone(n.Flags)
	if n.usual != nil {
		fs = append(fs, n.usual.Flags...)
	}
	if n.Parent != nil {
		fs = append(fs, n.Parent.flags()...)
	}
	return fs
}
