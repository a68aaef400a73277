// SPDX-License-Identifier: Apache-2.0

package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

// decodeStrict reads exactly one JSON value into the struct or slice that
// into points to. Unlike encoding/json alone it refuses unknown and doubled
// keys, keys in another case, text after the value, bad UTF-8 and, unless
// nulls is set, null where there is no nil; and it names every fault at once,
// each with its place such as "cloth[1].g_m2".
func decodeStrict(b []byte, into any, nulls bool) Faults {
	if f := jsonText(b); f != nil {
		return f
	}
	c := checker{b: b, nulls: nulls}
	c.value(nil, reflect.TypeOf(into).Elem())
	if len(c.faults) > 0 {
		return c.faults
	}
	if err := json.Unmarshal(b, into); err != nil {
		return Faults{{Field: "", What: err.Error()}}
	}
	return nil
}

// jsonText checks that b is one JSON value and nothing else.
func jsonText(b []byte) Faults {
	switch {
	case len(bytes.TrimSpace(b)) == 0:
		return Faults{{Field: "", What: "the body is empty, want JSON"}}
	case !utf8.Valid(b):
		return Faults{{Field: "", What: "the body is not UTF-8"}}
	case json.Valid(b):
		return nil
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	var v json.RawMessage
	if err := dec.Decode(&v); err != nil {
		return Faults{{Field: "", What: notJSON(b, err)}}
	}
	dec.Token()
	line, col := place(b, dec.InputOffset())
	return Faults{{Field: "", What: fmt.Sprintf("text after the JSON value, near line %d column %d", line, col)}}
}

func notJSON(b []byte, err error) string {
	if s, ok := errors.AsType[*json.SyntaxError](err); ok {
		line, col := place(b, s.Offset)
		return fmt.Sprintf("not JSON at line %d column %d: %v", line, col, s)
	}
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return "not JSON: it ends early"
	}
	return "not JSON: " + err.Error()
}

func place(b []byte, off int64) (line, col int) {
	off = min(off, int64(len(b)))
	before := b[:off]
	line = 1 + bytes.Count(before, []byte("\n"))
	return line, max(1, len(before)-bytes.LastIndexByte(before, '\n')-1)
}

var timeType = reflect.TypeFor[time.Time]()

// ownJSON is what a type that reads itself implements: it says what is wrong.
var ownJSON = reflect.TypeFor[json.Unmarshaler]()

// checker compares JSON that is known to be valid with a type, in one pass
// over its bytes: radio probes push thousands of readings, so nothing is
// allocated until there is a fault to report. It recurses on the type only, so
// hostile nesting cannot make it deep.
type checker struct {
	b      []byte
	i      int
	nulls  bool
	faults Faults
}

// where is a place in the value, put into words only for a fault.
type where struct {
	up    *where
	key   string
	index int // where key is ""
}

func (p *where) String() string {
	switch {
	case p == nil:
		return ""
	case p.key == "":
		return fmt.Sprintf("%s[%d]", p.up, p.index)
	case p.up == nil:
		return p.key
	}
	return p.up.String() + "." + p.key
}

func (c *checker) bad(at *where, what string) {
	if len(c.faults) < maxFaults {
		c.faults = append(c.faults, Fault{Field: at.String(), What: what})
	}
}

func (c *checker) space() {
	for c.i < len(c.b) && (c.b[c.i] == ' ' || c.b[c.i] == '\n' || c.b[c.i] == '\t' || c.b[c.i] == '\r') {
		c.i++
	}
}

// next returns the first byte of what comes after blanks, 0 at the end.
func (c *checker) next() byte {
	c.space()
	if c.i < len(c.b) {
		return c.b[c.i]
	}
	return 0
}

// skip passes over one value and returns its text.
func (c *checker) skip() []byte {
	c.space()
	begin, depth := c.i, 0
	for c.i < len(c.b) {
		switch c.b[c.i] {
		case '"':
			for c.i++; c.i < len(c.b) && c.b[c.i] != '"'; c.i++ {
				if c.b[c.i] == '\\' {
					c.i++
				}
			}
		case '{', '[':
			depth++
		case '}', ']', ',', ':', ' ', '\n', '\t', '\r':
			if depth == 0 {
				return c.b[begin:c.i] // after a number or a word
			}
			if c.b[c.i] == '}' || c.b[c.i] == ']' {
				depth--
			}
		default:
			c.i++
			continue
		}
		c.i++
		if depth == 0 {
			break
		}
	}
	return c.b[begin:min(c.i, len(c.b))]
}

// each passes over an object or array, calling f before each value; after f
// the value must have been passed over.
func (c *checker) each(object bool, f func(key []byte, i int)) {
	c.i++ // the opening bracket
	for i := 0; ; i++ {
		switch c.next() {
		case '}', ']':
			c.i++
			return
		case ',':
			c.i++
			c.space()
		case 0:
			return
		}
		var key []byte
		if object {
			key = c.skip()
			c.space()
			c.i++ // the colon
			c.space()
		}
		f(key, i)
	}
}

func (c *checker) value(at *where, t reflect.Type) {
	first := c.next()
	if first == 'n' {
		c.null(at, t)
		return
	}
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	want := func(ok bool) bool {
		if !ok {
			c.skip()
			c.bad(at, "want "+wants(t))
		}
		return ok
	}
	switch {
	case t == timeType:
		if want(first == '"') {
			c.time(at, unquote(c.skip()))
		}
		return
	case reflect.PointerTo(t).Implements(ownJSON):
		v := reflect.New(t).Interface().(json.Unmarshaler)
		if err := v.UnmarshalJSON(c.skip()); err != nil {
			c.bad(at, err.Error())
		}
		return
	}
	switch t.Kind() {
	case reflect.Struct:
		if want(first == '{') {
			c.object(at, t)
		}
	case reflect.Map:
		if want(first == '{') {
			c.keys(at, t.Elem())
		}
	case reflect.Slice, reflect.Array:
		if want(first == '[') {
			c.list(at, t)
		}
	case reflect.String:
		if want(first == '"') {
			c.text(at, t, unquote(c.skip()))
		}
	case reflect.Bool:
		want((first == 't' || first == 'f') && c.skip() != nil)
	default: // numbers
		if want(first == '-' || first >= '0' && first <= '9') {
			c.number(at, t, c.skip())
		}
	}
}

func (c *checker) null(at *where, t reflect.Type) {
	c.skip()
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice, reflect.Map:
		return
	}
	if !c.nulls || at == nil {
		c.bad(at, "null, want "+wants(t))
	}
}

func (c *checker) time(at *where, text string) {
	if _, err := time.Parse(time.RFC3339, text); err != nil {
		c.bad(at, fmt.Sprintf("%q is not a time: want %s", short(text), wants(timeType)))
	}
}

func (c *checker) text(at *where, t reflect.Type, s string) {
	what := ""
	if t == fileType {
		what = badFile(s)
	} else {
		what = badText(s, maxText)
	}
	if what != "" {
		c.bad(at, what)
	}
}

// number judges one by the decoder. Plain decimals of ordinary length are in range
// and spare it.
func (c *checker) number(at *where, t reflect.Type, raw []byte) {
	plain := t.Kind() == reflect.Float64 && len(raw) < 300 && bytes.IndexByte(raw, 'e') < 0 && bytes.IndexByte(raw, 'E') < 0
	if !plain && json.Unmarshal(raw, reflect.New(t).Interface()) != nil {
		c.bad(at, "want "+wants(t))
	}
}

func (c *checker) list(at *where, t reflect.Type) {
	n := 0
	c.each(false, func(_ []byte, i int) {
		n++
		c.value(&where{up: at, index: i}, t.Elem())
	})
	if t.Kind() == reflect.Array && n != t.Len() {
		c.bad(at, fmt.Sprintf("want %d numbers, got %d", t.Len(), n))
	}
}

// keys is an object whose keys are anybody's.
func (c *checker) keys(at *where, of reflect.Type) {
	c.each(true, func(key []byte, _ int) {
		name := unquote(key)
		if what := badText(name, maxID); what != "" {
			c.bad(&where{up: at, key: short(name)}, "the key "+what)
		}
		c.value(&where{up: at, key: short(name)}, of)
	})
}

func (c *checker) object(at *where, t reflect.Type) {
	known := fieldsOf(t)
	var seen uint64 // no record of ours has more than 64 keys
	c.each(true, func(raw []byte, _ int) {
		f, ok := known[string(raw[1:len(raw)-1])]
		if !ok && bytes.IndexByte(raw, '\\') >= 0 {
			f, ok = known[unquote(raw)]
		}
		switch {
		case !ok:
			c.skip()
			// An empty key still has to be named.
			key := short(unquote(raw))
			if key == "" {
				key = `""`
			}
			c.bad(&where{up: at, key: key}, "unknown field")
		case seen&(1<<f.bit) != 0:
			c.skip()
			c.bad(&where{up: at, key: f.name}, "given twice")
		default:
			seen |= 1 << f.bit
			c.value(&where{up: at, key: f.name}, f.t)
		}
	})
}

// unquote returns the text of a valid JSON string.
func unquote(raw []byte) string {
	if bytes.IndexByte(raw, '\\') < 0 {
		return string(raw[1 : len(raw)-1])
	}
	var s string
	json.Unmarshal(raw, &s) // valid already
	return s
}

// maxFaults bounds an answer to a body made of faults.
const maxFaults = 50

// field is one key that a type knows.
type field struct {
	name string
	t    reflect.Type
	bit  int
}

var fieldCache sync.Map // reflect.Type → map[string]field

func fieldsOf(t reflect.Type) map[string]field {
	if m, ok := fieldCache.Load(t); ok {
		return m.(map[string]field)
	}
	m := map[string]field{}
	for f := range t.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.IsExported() && name != "-" && name != "" {
			m[name] = field{name, f.Type, len(m)}
		}
	}
	if len(m) > 64 {
		panic(t.String() + " has more keys than the decoder can watch")
	}
	fieldCache.Store(t, m)
	return m
}

func wants(t reflect.Type) string {
	if t == timeType {
		return "a time such as 2026-10-10T09:40:00+01:00"
	}
	switch t.Kind() {
	case reflect.Pointer:
		return wants(t.Elem())
	case reflect.Bool:
		return "true or false"
	case reflect.String:
		return "text in quotes"
	case reflect.Struct, reflect.Map:
		return "an object"
	case reflect.Slice, reflect.Array:
		return "an array"
	case reflect.Int, reflect.Int64, reflect.Uint64:
		return "a whole number"
	}
	return "a number"
}

// short keeps what a stranger sent from filling a log or an answer.
func short(s string) string {
	if len(s) <= 60 {
		return s
	}
	return strings.ToValidUTF8(s[:60], "") + "…"
}

// Bounds of what people and programs may call things, in characters. Whatever
// is kept is shown on every page and after every restart.
const (
	maxID   = 64
	maxText = 2000
)

// badText says what is wrong with a text, "" for nothing: it is too long, or it
// has characters that no keyboard types and that a terminal, a log or a page
// would obey: controls, and those that turn the direction of writing.
func badText(s string, most int) string {
	if len(s) > most && utf8.RuneCountInString(s) > most {
		return fmt.Sprintf("is longer than %d characters", most)
	}
	for _, r := range s {
		if unicode.IsControl(r) || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0x2028 || r == 0x2029 {
			return fmt.Sprintf("has a control character, U+%04X", r)
		}
	}
	return ""
}

// FileText is a whole text file in a request, such as a job file: it has lines
// and tabs, and only the body's own bound.
type FileText string

var fileType = reflect.TypeFor[FileText]()

// badFile is badText for a file: lines and tabs are its own.
func badFile(s string) string {
	return badText(strings.NewReplacer("\n", "", "\r", "", "\t", "").Replace(s), len(s))
}

// badID is badText for what becomes a record's id, and with it a part of
// addresses and of files' names.
func badID(s string) string {
	if s == "." || s == ".." {
		return "cannot be " + s
	}
	if what := badText(s, maxID); what != "" {
		return what
	}
	if strings.TrimSpace(s) != s {
		return "begins or ends with a blank"
	}
	return ""
}

// boundTexts looks at every text of a JSON value that is known to be valid,
// for bodies whose keys the backend checks.
func boundTexts(b []byte) Faults {
	var f Faults
	for i := 0; i < len(b) && len(f) < maxFaults; i++ {
		if b[i] != '"' {
			continue
		}
		begin := i
		for i++; b[i] != '"'; i++ {
			if b[i] == '\\' {
				i++
			}
		}
		if what := badText(unquote(b[begin:i+1]), maxText); what != "" {
			line, col := place(b, int64(begin+1))
			f = append(f, Fault{Field: "", What: fmt.Sprintf("the text at line %d column %d %s", line, col, what)})
		}
	}
	return f
}
