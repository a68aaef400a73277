// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"cmp"
	"fmt"
	"math"

	"curewright/model/fault"
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

// finish adds what is wrong with what was read, but for keys that were blamed
// already: what failed to decode is zero. written has keys as the person wrote
// them. It returns all faults, nil for none.
func (d *document) finish(fs fault.List, written map[string]string) error {
	seen := map[string]bool{}
	for _, f := range d.faults {
		seen[f.Key] = true
	}
	for _, f := range fs {
		if key := cmp.Or(written[f.Field], f.Field); !seen[key] {
			d.bad(key, "%s", f.What)
		}
	}
	return d.faults.Err()
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

// span reads a number, or a list of two as a range.
func (t *table) span(key string) (Range, bool) {
	l, ok := t.numbers(key)
	switch {
	case !ok:
	case len(l) == 1:
		return Range{l[0], l[0]}, true
	case len(l) != 2:
		t.bad(key, "%d numbers: must be one, or two for a range", len(l))
	case l[0] > l[1]:
		t.bad(key, "%g to %g: a range goes from the smaller to the larger", l[0], l[1])
	default:
		return Range{l[0], l[1]}, true
	}
	return Range{}, false
}

// unit is a key that a quantity may stand under, and what makes it of the first.
type unit struct {
	key    string
	factor float64
}

// quantity reads a quantity that must be there, in one of several units; key is
// the one that it stands under.
func (t *table) quantity(units ...unit) (got Range, key string, ok bool) {
	for _, u := range units {
		if !t.has(u.key) {
			continue
		}
		r, read := t.span(u.key)
		if key != "" {
			t.bad(u.key, "given twice, as %s too: give one", key)
			return Range{}, "", false
		}
		got, key, ok = Range{r.Lo * u.factor, r.Hi * u.factor}, u.key, read
	}
	if key == "" {
		t.bad(units[0].key, "missing")
	}
	return got, key, ok
}

// temp reads a temperature in °C or in °F; key is the one that it stands under.
func (t *table) temp(stem string, ranges bool) (r Range, key string, ok bool) {
	key, f := stem+"_c", stem+"_f"
	t.used[key], t.used[f] = true, true
	switch {
	case t.has(key) && t.has(f):
		t.bad(f, "given in °F and in °C: give one")
		return Range{}, key, false
	case t.has(f):
		key = f
	}
	r, ok = t.span(key)
	if ok && !ranges && r.Lo != r.Hi {
		t.bad(key, "a list: must be a finite number")
		ok = false
	}
	if key == f {
		r = Range{fahrenheit(r.Lo), fahrenheit(r.Hi)}
	}
	return r, key, ok
}

// need names the keys that must be there and are not; it reports whether all are.
func (t *table) need(keys ...string) bool {
	all := true
	for _, k := range keys {
		if !t.has(k) {
			t.bad(k, "missing")
			all = false
		}
	}
	return all
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
