// SPDX-License-Identifier: Apache-2.0

package mqttin

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"curewright/sensors"
)

// decimal reads a decimal number. It refuses NaN, infinities, hex and digit groups,
// which strconv would accept.
var decimal = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

func number(s string) (float64, error) {
	s = strings.TrimSpace(s)
	if !decimal.MatchString(s) {
		return 0, fault("not_number", "%s is not a number", quote(s))
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(x, 0) {
		return 0, fault("not_number", "%s is too large a number", quote(s))
	}
	return x, nil
}

// quote shows the beginning of a received text.
func quote(s string) string {
	const most = 40
	if len(s) > most {
		cut := most
		for !utf8.RuneStart(s[cut]) {
			cut--
		}
		return strconv.Quote(s[:cut]) + "..."
	}
	return strconv.Quote(s)
}

// read turns a body into a reading; got is what each + of the topic matched.
func (t Topic) read(body []byte, got []string) (p sensors.Pushed, err error) {
	if len(body) > MaxBody {
		return p, fault("too_long", "%d bytes, more than %d", len(body), MaxBody)
	}
	if !utf8.Valid(body) {
		return p, fault("not_text", "the body is not UTF-8 text")
	}
	field := func(string) (string, bool) { return "", false } // a plain number has none
	if t.Plain != "" {
		x, err := number(string(body))
		if err == nil {
			err = t.set(&p, t.Plain, x, t.TempUnit)
		}
		if err != nil {
			return p, err
		}
	} else {
		doc, err := parse(body)
		if err == nil {
			err = t.readFields(&p, doc)
		}
		if err == nil && t.Time != "" {
			p.Time, err = t.time(doc)
		}
		if err != nil {
			return p, err
		}
		t.readHealth(&p, doc)
		field = func(f string) (string, bool) { return word(doc, f) }
	}
	if p.Probe, err = expand(t.Probe, got, field); err != nil {
		return p, fault("topic", "%v", err)
	}
	return p, nil
}

// readFields reads the quantities that the body has; a body without any is a fault.
func (t Topic) readFields(p *sensors.Pushed, doc any) error {
	var want []string
	found := false
	for _, f := range []struct{ q, field string }{{QTemp, t.Temp}, {QRH, t.RH}, {QCO2, t.CO2}} {
		if f.field == "" {
			continue
		}
		want = append(want, strconv.Quote(f.field))
		v, ok := lookup(doc, f.field)
		if !ok || v == nil {
			continue // not delivered: missing
		}
		x, err := asNumber(f.field, v)
		if err != nil {
			return err
		}
		found = true
		unit := t.TempUnit
		if f.q == QTemp && isField(unit) {
			u, _ := lookup(doc, unit[1:len(unit)-1])
			if unit, ok = u.(string); !ok {
				unit = "C"
			}
		}
		if err := t.set(p, f.q, x, unit); err != nil {
			return err
		}
	}
	if !found {
		return fault("no_field", "none of the fields %s is there", strings.Join(want, ", "))
	}
	return nil
}

// readHealth reads battery and link. A fault in them is no reason to refuse the
// reading.
func (t Topic) readHealth(p *sensors.Pushed, doc any) {
	for _, f := range []struct {
		field string
		to    *sensors.Value
	}{{t.Battery, &p.Battery}, {t.Link, &p.Link}} {
		if v, ok := lookup(doc, f.field); ok && v != nil && f.field != "" {
			if x, err := asNumber(f.field, v); err == nil {
				*f.to = sensors.Some(x)
			}
		}
	}
	if x, ok := p.Battery.Get(); ok {
		if t.BatteryUnit == "ratio" {
			x *= 100
		}
		p.Battery = sensors.Some(x)
		if x < 0 || x > 100 {
			p.Battery = sensors.Value{} // outside 0 to 100 %: another unit, or invalid
		}
	}
}

func asNumber(field string, v any) (float64, error) {
	var s string
	switch v := v.(type) {
	case json.Number:
		s = string(v)
	case string: // many gateways put quotes around numbers
		s = v
	default:
		return 0, fault("not_number", "field %q is %s, not a number", field, kind(v))
	}
	x, err := number(s)
	if err != nil {
		return 0, fault("not_number", "field %q: %v", field, err)
	}
	return x, nil
}

func kind(v any) string {
	switch v.(type) {
	case bool:
		return "true or false"
	case []any:
		return "a list"
	case map[string]any:
		return "an object"
	}
	return "of another kind"
}

// word is a field as part of a probe's name: text or a number, with - in place of
// characters that a name may not hold.
func word(doc any, field string) (string, bool) {
	v, ok := lookup(doc, field)
	if !ok {
		return "", false
	}
	s := ""
	switch v := v.(type) {
	case string:
		s = v
	case json.Number:
		s = v.String()
	default:
		return "", false
	}
	s = strings.Map(func(r rune) rune {
		if r < 128 && (r == '-' || r == '_' || r == '.' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z') {
			return r
		}
		return '-'
	}, s)
	return s, s != ""
}

func (t Topic) set(p *sensors.Pushed, q string, x float64, tempUnit string) error {
	switch q {
	case QTemp:
		switch tempUnit {
		case "F":
			x = (x - 32) / 1.8
		case "K":
			x -= 273.15
		case "", "C":
		default:
			return fault("not_number", "the body's unit of temperature, %s, is none of C, F, K", quote(tempUnit))
		}
		p.Temp = sensors.Some(x)
	case QRH:
		if t.RHUnit == "ratio" {
			x *= 100
		}
		p.RH = sensors.Some(x)
	case QCO2:
		p.CO2 = sensors.Some(x)
	}
	return nil
}

// time returns the time of measurement, nil where the message has none.
func (t Topic) time(doc any) (*time.Time, error) {
	v, ok := lookup(doc, t.Time)
	if !ok || v == nil {
		return nil, nil
	}
	if t.TimeFormat == "" || t.TimeFormat == "rfc3339" {
		s, ok := v.(string)
		if !ok {
			return nil, fault("time", "field %q is not an RFC 3339 time: time_format may be unix or unix_ms", t.Time)
		}
		at, err := time.Parse(time.RFC3339, s)
		if err != nil {
			return nil, fault("time", "field %q: %s is not an RFC 3339 time", t.Time, quote(s))
		}
		return &at, nil
	}
	x, err := asNumber(t.Time, v)
	if err != nil {
		return nil, fault("time", "%v", err)
	}
	if t.TimeFormat == "unix_ms" {
		x /= 1000
	}
	// The years 2001 to 2286: otherwise the other unit is meant, or the probe counts
	// from its own start.
	if x < 1e9 || x >= 1e10 {
		return nil, fault("time", "field %q: %g s since 1970 is no time of today: is time_format right?", t.Time, x)
	}
	at := time.UnixMilli(int64(math.Round(x * 1000)))
	return &at, nil
}

// lookup follows "a.b" into nested objects; a key that is written with its dot
// comes first.
func lookup(doc any, path string) (any, bool) {
	m, ok := doc.(map[string]any)
	if !ok {
		return nil, false
	}
	if v, ok := m[path]; ok {
		return v, true
	}
	head, rest, ok := strings.Cut(path, ".")
	if !ok {
		return nil, false
	}
	if head == "*" {
		// The one object that has the key; with two it is missing.
		var found any
		n := 0
		for _, inner := range m {
			if v, ok := lookup(inner, rest); ok {
				found, n = v, n+1
			}
		}
		return found, n == 1
	}
	v, ok := m[head]
	if !ok {
		return nil, false
	}
	return lookup(v, rest)
}

// parse reads exactly one JSON object. A duplicate key is refused: which
// value is meant would be a guess.
func parse(body []byte) (any, error) {
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	v, err := value(dec, 0)
	if err != nil {
		var f *Fault
		if errors.As(err, &f) {
			return nil, err
		}
		return nil, fault("not_json", "%s is not JSON: %s", quote(string(body)), strings.TrimPrefix(err.Error(), "json: "))
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, fault("not_json", "%s: text after the JSON", quote(string(body)))
	}
	if _, ok := v.(map[string]any); !ok {
		return nil, fault("not_json", "%s is not a JSON object; for one number give plain", quote(string(body)))
	}
	return v, nil
}

func value(dec *json.Decoder, depth int) (any, error) {
	if depth > maxDepth {
		return nil, fault("not_json", "nested deeper than %d", maxDepth)
	}
	tok, err := dec.Token()
	if errors.Is(err, io.EOF) {
		return nil, io.ErrUnexpectedEOF
	} else if err != nil {
		return nil, err
	}
	d, ok := tok.(json.Delim)
	if !ok {
		return tok, nil
	}
	switch d {
	case '{':
		m := map[string]any{}
		for dec.More() {
			k, err := dec.Token()
			if err != nil {
				return nil, err
			}
			key, ok := k.(string)
			if !ok {
				return nil, fmt.Errorf("a key is not text")
			}
			if _, twice := m[key]; twice {
				return nil, fault("not_json", "the key %s is there twice", quote(key))
			}
			if m[key], err = value(dec, depth+1); err != nil {
				return nil, err
			}
		}
		_, err := dec.Token()
		return m, err
	case '[':
		list := []any{}
		for dec.More() {
			v, err := value(dec, depth+1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err := dec.Token()
		return list, err
	}
	return nil, fmt.Errorf("a %v where a value belongs", d)
}
