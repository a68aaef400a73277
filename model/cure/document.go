// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"math"

	"curewright/model/tomlfile"
)

// document is a decoded TOML file that remembers where each key stood, so that
// every fault of type, of spelling and of meaning can be said at once, with
// its place. The library's own strict mode stops at the first wrong type.
type document struct {
	file   *tomlfile.File // nil for what is no file
	faults Faults
}

// table is one table of a document; the path of the root is "".
type table struct {
	doc  *document
	path string
	m    map[string]any
	used map[string]bool
}

// parseDocument returns the root table; it fails only where the text is not
// TOML.
func parseDocument(data []byte) (*document, *table, error) {
	m := map[string]any{}
	file, faults := tomlfile.Decode(data, &m)
	if len(faults) > 0 {
		return nil, nil, faults
	}
	doc := &document{file: file}
	return doc, doc.table("", m), nil
}

func (d *document) table(path string, m map[string]any) *table {
	return &table{doc: d, path: path, m: m, used: map[string]bool{}}
}

func (t *table) join(key string) string {
	if t.path == "" {
		return key
	}
	return t.path + "." + key
}

// bad records a fault of one of the table's keys.
func (t *table) bad(key, format string, a ...any) {
	t.doc.bad(t.join(key), format, a...)
}

func (d *document) bad(path, format string, a ...any) {
	d.faults = append(d.faults, d.file.At(path, fmt.Sprintf(format, a...)))
}

func (t *table) has(key string) bool { _, ok := t.m[key]; return ok }

// get returns a value and counts the key as known.
func (t *table) get(key string) (any, bool) {
	t.used[key] = true
	v, ok := t.m[key]
	return v, ok
}

func number(v any) (float64, bool) {
	var f float64
	switch x := v.(type) {
	case float64:
		f = x
	case int64:
		f = float64(x)
	default:
		return 0, false
	}
	return f, !math.IsNaN(f) && !math.IsInf(f, 0)
}

// kindOf names a TOML value the way a person would.
func kindOf(v any) string {
	switch x := v.(type) {
	case string:
		return fmt.Sprintf("the text %q", x)
	case bool:
		return fmt.Sprintf("%v", x)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	case nil:
		return "null"
	case float64, int64:
		return fmt.Sprintf("%v", x)
	}
	return fmt.Sprintf("%T", v)
}

func (t *table) number(key string) *float64 {
	v, ok := t.get(key)
	if !ok {
		return nil
	}
	f, ok := number(v)
	if !ok {
		t.bad(key, "%s: must be a finite number", kindOf(v))
		return nil
	}
	return &f
}

// numbers reads a list of numbers, or one number as a list of one.
func (t *table) numbers(key string) ([]float64, bool) {
	v, ok := t.get(key)
	if !ok {
		return nil, false
	}
	list, ok := v.([]any)
	if !ok {
		list = []any{v}
	}
	out := make([]float64, 0, len(list))
	for _, x := range list {
		f, ok := number(x)
		if !ok {
			t.bad(key, "%s: must be a finite number", kindOf(x))
			return nil, false
		}
		out = append(out, f)
	}
	return out, true
}

// pair reads a mixing ratio.
func (t *table) pair(key string) *[2]float64 {
	l, ok := t.numbers(key)
	if !ok {
		return nil
	}
	if len(l) != 2 {
		t.bad(key, "%d numbers: must be two, resin then hardener", len(l))
		return nil
	}
	return &[2]float64{l[0], l[1]}
}

func (t *table) text(key string, dst *string) {
	v, ok := t.get(key)
	if !ok {
		return
	}
	s, ok := v.(string)
	if !ok {
		t.bad(key, "%s: must be text in quotes", kindOf(v))
		return
	}
	*dst = s
}

func (t *table) boolean(key string, dst *bool) {
	v, ok := t.get(key)
	if !ok {
		return
	}
	b, ok := v.(bool)
	if !ok {
		t.bad(key, "%s: must be true or false", kindOf(v))
		return
	}
	*dst = b
}

func (t *table) sub(key string) *table {
	v, ok := t.get(key)
	if !ok {
		return nil
	}
	m, ok := v.(map[string]any)
	if !ok {
		t.bad(key, "%s: must be a table, [%s]", kindOf(v), t.join(key))
		return nil
	}
	return t.doc.table(t.join(key), m)
}

func (t *table) subs(key string) []*table {
	v, ok := t.get(key)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		t.bad(key, "%s: must be a list of tables, [[%s]]", kindOf(v), t.join(key))
		return nil
	}
	var out []*table
	for i, x := range list {
		path := fmt.Sprintf("%s[%d]", t.join(key), i)
		m, ok := x.(map[string]any)
		if !ok {
			t.doc.bad(path, "%s: must be a table, [[%s]]", kindOf(x), t.join(key))
			continue
		}
		out = append(out, t.doc.table(path, m))
	}
	return out
}

// done reports the keys that nobody asked for.
func (t *table) done() {
	for key := range t.m {
		if !t.used[key] {
			t.bad(key, "unknown key")
		}
	}
}
