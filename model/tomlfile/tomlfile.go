// SPDX-License-Identifier: Apache-2.0

// Package tomlfile reads TOML strictly and remembers where each key stands,
// so that every fault of a file, found while decoding or while checking what
// was decoded, is reported with its line and column, all at once.
package tomlfile

import (
	"bytes"
	"errors"
	"fmt"
	"regexp"
	"sort"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"

	"curewright/model/fault"
)

// Fault is one thing wrong at one place; Faults is every fault of a file, an
// error when it is not empty.
type (
	Fault  = fault.Place
	Faults = fault.Places
)

// File knows the place of each key of a decoded file. A nil *File knows none.
type File struct {
	places map[string][2]int // path → line, column
	starts []int             // where each table header and key begins, ascending
}

// Decode reads data into v, which must be a pointer to a struct with toml
// tags. Unknown keys, wrong types and syntax errors come back as faults with
// their places. The *File is returned even with faults, so that a caller can
// go on checking what was decoded and report all of it at once; it is nil
// only when data is not TOML at all.
func Decode(data []byte, v any) (*File, Faults) {
	f, faults := index(data)
	if len(faults) > 0 {
		return nil, faults
	}
	// The decoder stops at the first value of a wrong type. To report all of
	// them, each offending line is blanked and the rest decoded again.
	rest := append([]byte(nil), data...)
	for range len(f.starts) + 1 {
		dec := toml.NewDecoder(bytes.NewReader(rest))
		dec.DisallowUnknownFields()
		err := dec.Decode(v)
		if err == nil {
			break
		}
		var missing *toml.StrictMissingError
		if errors.As(err, &missing) {
			for i := range missing.Errors {
				e := &missing.Errors[i]
				line, col := e.Position()
				faults = append(faults, Fault{Line: line, Col: col, Key: strings.Join(e.Key(), "."), What: "unknown key"})
			}
			break
		}
		fault := decodeFault(err)
		faults = append(faults, fault)
		if !f.blank(rest, fault.Line, fault.Col) {
			break
		}
	}
	return f, faults
}

// blank overwrites the key and value that stand at a place with spaces.
func (f *File) blank(data []byte, line, col int) bool {
	off := 0
	for range line - 1 {
		n := bytes.IndexByte(data[off:], '\n')
		if n < 0 {
			return false
		}
		off += n + 1
	}
	off += col - 1
	i := sort.SearchInts(f.starts, off+1) - 1
	if i < 0 || off >= len(data) {
		return false
	}
	end := len(data)
	if i+1 < len(f.starts) {
		end = f.starts[i+1]
	}
	for j := f.starts[i]; j < end; j++ {
		// The bracket of a following header is part of this stretch: keep it.
		if data[j] == '[' && j > f.starts[i] && bytes.IndexByte(data[j:end], '\n') < 0 && onlySpaceBefore(data, j) {
			break
		}
		if data[j] != '\n' {
			data[j] = ' '
		}
	}
	return true
}

func onlySpaceBefore(data []byte, j int) bool {
	start := bytes.LastIndexByte(data[:j], '\n') + 1
	return len(bytes.TrimSpace(data[start:j])) == 0
}

func decodeFault(err error) Fault {
	var de *toml.DecodeError
	if errors.As(err, &de) {
		line, col := de.Position()
		return Fault{Line: line, Col: col, Key: strings.Join(de.Key(), "."), What: plain(strings.TrimPrefix(de.Error(), "toml: "))}
	}
	return Fault{What: strings.TrimPrefix(err.Error(), "toml: ")}
}

var wrongType = regexp.MustCompile(`^cannot decode TOML (.+?) into .* of type (.+)$`)

// plain words the decoder's complaint about a type without naming Go's types.
func plain(what string) string {
	m := wrongType.FindStringSubmatch(what)
	if m == nil {
		return what
	}
	want := map[string]string{
		"float64": "a number", "int": "a whole number", "int64": "a whole number",
		"string": "text in quotes", "bool": "true or false", "time.Time": "a time",
	}[strings.TrimLeft(m[2], "*")]
	if want == "" {
		switch {
		case strings.HasPrefix(m[2], "[]"):
			want = "a list"
		case strings.HasPrefix(m[2], "["):
			want = "a list of fixed length"
		default:
			want = "another kind of value"
		}
	}
	article := "a"
	if strings.ContainsAny(m[1][:1], "aeiou") {
		article = "an"
	}
	return fmt.Sprintf("%s %s where %s belongs", article, m[1], want)
}

// Fault makes a fault at the place of a key. The path is keys (strings) and
// indices of arrays (ints): f.Fault("not found", "panel", 1, "probe"). Where
// the key itself is absent, the nearest place above it counts.
func (f *File) Fault(what string, path ...any) Fault { return f.At(render(path), what) }

// Place returns the line and column of a key, or of the nearest place above
// it, or 0, 0.
func (f *File) Place(path ...any) (line, col int) {
	p := f.At(render(path), "")
	return p.Line, p.Col
}

// Has reports whether the file sets the key.
func (f *File) Has(path ...any) bool {
	if f == nil {
		return false
	}
	_, ok := f.places[render(path)]
	return ok
}

// FaultAt makes a fault from an error that begins with the key it is about,
// as checks of decoded sections word them: "probe[1].id: required".
func (f *File) FaultAt(err error) Fault {
	key, what, ok := strings.Cut(err.Error(), ": ")
	if !ok || strings.ContainsAny(key, " ") {
		return Fault{What: err.Error()}
	}
	return f.At(key, what)
}

// At makes a fault at the place of a key, or at the nearest place above it.
func (f *File) At(key, what string) Fault {
	out := Fault{Key: key, What: what}
	if f == nil {
		return out
	}
	for at := key; at != ""; at = at[:max(strings.LastIndexAny(at, ".["), 0)] {
		if p, ok := f.places[at]; ok {
			out.Line, out.Col = p[0], p[1]
			break
		}
	}
	return out
}

func render(path []any) string {
	var b strings.Builder
	for _, p := range path {
		switch p := p.(type) {
		case int:
			fmt.Fprintf(&b, "[%d]", p)
		default:
			if b.Len() > 0 {
				b.WriteByte('.')
			}
			fmt.Fprint(&b, p)
		}
	}
	return b.String()
}

// index walks the file once and notes where each key stands.
func index(data []byte) (*File, Faults) {
	f := &File{places: map[string][2]int{}}
	counts := map[string]int{} // tables of each array so far
	var p unstable.Parser
	p.Reset(data)
	prefix := ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			path, raw := "", ""
			it := e.Key()
			var at unstable.Range
			for it.Next() {
				if at.Length == 0 {
					at = it.Node().Raw
				}
				part := string(it.Node().Data)
				if raw != "" {
					raw += "."
				}
				raw += part
				// A table inside an array of tables belongs to its last entry.
				if path != "" {
					path += "."
				}
				path += part
				if !it.IsLast() {
					if n := counts[path]; n > 0 {
						path = fmt.Sprintf("%s[%d]", path, n-1)
					}
				}
			}
			if e.Kind == unstable.ArrayTable {
				n := counts[path]
				counts[path] = n + 1
				path = fmt.Sprintf("%s[%d]", path, n)
			} else if n := counts[path]; n > 0 {
				path = fmt.Sprintf("%s[%d]", path, n-1)
			}
			prefix = path
			f.starts = append(f.starts, int(at.Offset))
			f.note(data, path, at)
		case unstable.KeyValue:
			f.keyValue(data, prefix, e, true)
		}
	}
	if err := p.Error(); err != nil {
		// The plain decoder words and places syntax errors better.
		var into map[string]any
		if derr := toml.Unmarshal(data, &into); derr != nil {
			return nil, Faults{decodeFault(derr)}
		}
		return nil, Faults{{What: strings.TrimPrefix(err.Error(), "toml: ")}}
	}
	return f, nil
}

func (f *File) keyValue(data []byte, prefix string, e *unstable.Node, top bool) {
	path := prefix
	it := e.Key()
	var at unstable.Range
	for it.Next() {
		if at.Length == 0 {
			at = it.Node().Raw
		}
		if path != "" {
			path += "."
		}
		path += string(it.Node().Data)
	}
	if top {
		f.starts = append(f.starts, int(at.Offset))
	}
	f.note(data, path, at)
	f.value(data, path, e.Value())
}

func (f *File) value(data []byte, path string, v *unstable.Node) {
	switch v.Kind {
	case unstable.InlineTable:
		it := v.Children()
		for it.Next() {
			f.keyValue(data, path, it.Node(), false)
		}
	case unstable.Array:
		it := v.Children()
		for i := 0; it.Next(); i++ {
			f.value(data, fmt.Sprintf("%s[%d]", path, i), it.Node())
		}
	}
}

func (f *File) note(data []byte, path string, r unstable.Range) {
	off := int(r.Offset)
	if off > len(data) {
		return
	}
	before := data[:off]
	line := 1 + strings.Count(string(before), "\n")
	col := off - strings.LastIndexByte(string(before), '\n')
	if _, ok := f.places[path]; !ok {
		f.places[path] = [2]int{line, col}
	}
}
