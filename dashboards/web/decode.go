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
	var faults Faults
	t := reflect.TypeOf(into).Elem()
	checkShape(&faults, "", bytes.TrimSpace(b), t, nulls)
	if len(faults) > 0 {
		return faults
	}
	if err := json.Unmarshal(b, into); err != nil {
		return Faults{{"", err.Error()}}
	}
	return nil
}

// jsonText checks that b is one JSON value and nothing else.
func jsonText(b []byte) Faults {
	switch {
	case len(bytes.TrimSpace(b)) == 0:
		return Faults{{"", "the body is empty, want JSON"}}
	case !utf8.Valid(b):
		return Faults{{"", "the body is not UTF-8"}}
	}
	dec := json.NewDecoder(bytes.NewReader(b))
	var v json.RawMessage
	if err := dec.Decode(&v); err != nil {
		return Faults{{"", notJSON(b, err)}}
	}
	if _, err := dec.Token(); err != io.EOF {
		line, col := place(b, dec.InputOffset())
		return Faults{{"", fmt.Sprintf("text after the JSON value, near line %d column %d", line, col)}}
	}
	return nil
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

// checkShape compares a valid JSON value with a type. It recurses on the type
// only, so hostile nesting cannot make it deep.
func checkShape(faults *Faults, at string, raw json.RawMessage, t reflect.Type, nulls bool) {
	bad := func(what string) { *faults = append(*faults, Fault{at, what}) }
	if len(*faults) >= maxFaults {
		return
	}
	if bytes.Equal(raw, []byte("null")) {
		switch t.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map, reflect.Interface:
			return
		}
		if !nulls || at == "" {
			bad("null, want " + wants(t))
		}
		return
	}
	if t == timeType {
		var s string
		if json.Unmarshal(raw, &s) != nil {
			bad("want " + wants(t))
		} else if _, err := time.Parse(time.RFC3339, s); err != nil {
			bad(fmt.Sprintf("%q is not a time: want %s", short(s), wants(t)))
		}
		return
	}
	switch t.Kind() {
	case reflect.Pointer:
		checkShape(faults, at, raw, t.Elem(), nulls)
	case reflect.Struct:
		checkObject(faults, at, raw, t, nulls)
	case reflect.Slice, reflect.Array:
		var items []json.RawMessage
		if json.Unmarshal(raw, &items) != nil {
			bad("want " + wants(t))
			return
		}
		if t.Kind() == reflect.Array && len(items) != t.Len() {
			bad(fmt.Sprintf("want %d numbers, got %d", t.Len(), len(items)))
			return
		}
		for i, it := range items {
			checkShape(faults, fmt.Sprintf("%s[%d]", at, i), it, t.Elem(), nulls)
		}
	case reflect.Map:
		var items map[string]json.RawMessage
		if json.Unmarshal(raw, &items) != nil {
			bad("want " + wants(t))
			return
		}
		for k, it := range items {
			checkShape(faults, join(at, short(k)), it, t.Elem(), nulls)
		}
	default:
		if json.Unmarshal(raw, reflect.New(t).Interface()) != nil {
			bad("want " + wants(t))
		}
	}
}

func checkObject(faults *Faults, at string, raw json.RawMessage, t reflect.Type, nulls bool) {
	dec := json.NewDecoder(bytes.NewReader(raw))
	if tok, err := dec.Token(); err != nil || tok != json.Delim('{') {
		*faults = append(*faults, Fault{at, "want " + wants(t)})
		return
	}
	known := fieldsOf(t)
	seen := map[string]bool{}
	for dec.More() && len(*faults) < maxFaults {
		tok, err := dec.Token()
		if err != nil {
			return // raw is valid JSON: cannot happen
		}
		key := tok.(string)
		var v json.RawMessage
		if err := dec.Decode(&v); err != nil {
			return
		}
		ft, ok := known[key]
		switch {
		case !ok:
			*faults = append(*faults, Fault{join(at, short(key)), "unknown field"})
		case seen[key]:
			*faults = append(*faults, Fault{join(at, key), "given twice"})
		default:
			checkShape(faults, join(at, key), bytes.TrimSpace(v), ft, nulls)
		}
		seen[key] = true
	}
}

// maxFaults bounds an answer to a body made of faults.
const maxFaults = 50

var fieldCache sync.Map // reflect.Type → map[string]reflect.Type

func fieldsOf(t reflect.Type) map[string]reflect.Type {
	if m, ok := fieldCache.Load(t); ok {
		return m.(map[string]reflect.Type)
	}
	m := map[string]reflect.Type{}
	for f := range t.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.IsExported() && name != "-" && name != "" {
			m[name] = f.Type
		}
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

func join(at, key string) string {
	if at == "" {
		return key
	}
	return at + "." + key
}

// short keeps what a stranger sent from filling a log or an answer.
func short(s string) string {
	if len(s) <= 60 {
		return s
	}
	return strings.ToValidUTF8(s[:60], "") + "…"
}
