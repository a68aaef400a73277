// SPDX-License-Identifier: Apache-2.0

// Package html writes pages: what is ours as it stands, what came from outside
// escaped. The standard library's templates look methods up by name, and a
// program in which anything does that keeps every method of every type.
package html

import (
	"fmt"
	"html"
	"strconv"
	"strings"
)

// Markup is text that is markup already. Only what this program made itself may
// become it.
type Markup string

// literal cannot be named elsewhere: only constants become one, so that no text
// from outside is ever taken for a page's own.
type literal string

// Writer is a page being written; the zero value is empty.
type Writer struct{ b strings.Builder }

// Begin starts a page with what stands in the head of each; the caller goes on in
// the head.
func Begin(lang, title string) *Writer {
	w := &Writer{}
	w.Put(`<!doctype html>
<html lang="%s">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>%s</title>
`, lang, title)
	return w
}

// Put writes the text with each %s in it replaced by the next of the values:
// strings and numbers escaped, [Markup] as it is. In an attribute a %s stands
// between double quotes. A percent sign that is none of these is %%. It panics
// where values and places differ in number, which no data can bring about.
func (w *Writer) Put(text literal, values ...any) {
	rest := string(text)
	for {
		at := strings.IndexByte(rest, '%')
		if at < 0 {
			break
		}
		w.b.WriteString(rest[:at])
		switch rest[at : at+2] {
		case "%%":
			w.b.WriteByte('%')
		case "%s":
			w.value(values[0])
			values = values[1:]
		default:
			panic("html: neither %s nor %%: " + rest[at:])
		}
		rest = rest[at+2:]
	}
	if len(values) > 0 {
		panic(fmt.Sprintf("html: %d values too many", len(values)))
	}
	w.b.WriteString(rest)
}

func (w *Writer) value(v any) {
	switch x := v.(type) {
	case Markup:
		w.b.WriteString(string(x))
	case string:
		w.b.WriteString(html.EscapeString(x))
	case int:
		w.b.WriteString(strconv.Itoa(x))
	default:
		panic(fmt.Sprintf("html: a %T cannot be written", v))
	}
}

// Each writes the text once for each of the values.
func (w *Writer) Each(text literal, values []string) {
	for _, v := range values {
		w.Put(text, v)
	}
}

// If writes the text where the value is not empty.
func (w *Writer) If(text literal, value string) {
	if value != "" {
		w.Put(text, value)
	}
}

// String is the page so far.
func (w *Writer) String() string { return w.b.String() }
