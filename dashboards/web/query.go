// SPDX-License-Identifier: Apache-2.0

package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// query is a strict view of a request's parameters: each known, each once.
type query struct {
	v      url.Values
	faults *Faults
}

func newQuery(r *http.Request, known ...string) query {
	q := query{faults: new(Faults)}
	v, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		q.bad("", "the address cannot be read: "+short(err.Error()))
	}
	q.v = v
	for _, k := range sortedKeys(v) {
		if !slices.Contains(known, k) {
			what := "unknown parameter"
			if len(known) > 0 {
				what += "; want " + strings.Join(known, ", ")
			}
			q.bad(short(k), what)
		} else if len(v[k]) > 1 {
			q.bad(k, "given twice")
		} else if what := badText(v.Get(k), maxID); what != "" {
			q.bad(k, what)
		}
	}
	return q
}

func (q query) bad(field, what string) {
	*q.faults = append(*q.faults, Fault{Field: field, What: what})
}

func (q query) text(k string) string { return q.v.Get(k) }

// number returns a finite number, and whether there was one.
func (q query) number(k string) (float64, bool) {
	t := q.v.Get(k)
	if t == "" {
		if q.v.Has(k) {
			q.bad(k, "is empty, want a number")
		}
		return 0, false
	}
	x, err := strconv.ParseFloat(t, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || strings.ContainsAny(t, "xXpP_") {
		q.bad(k, fmt.Sprintf("%q is not a number", short(t)))
		return 0, false
	}
	return x, true
}

// numberOr returns a finite number, or one where none is given.
func (q query) numberOr(k string, or float64) float64 {
	if x, ok := q.number(k); ok {
		return x
	}
	return or
}

// timeOr returns a time, or one where none is given.
func (q query) timeOr(k string, or time.Time) time.Time {
	if t, ok := q.time(k); ok {
		return t
	}
	return or
}

func (q query) must(k string) float64 {
	x, ok := q.number(k)
	if !ok && q.v.Get(k) == "" && !q.v.Has(k) {
		q.bad(k, "required")
	}
	return x
}

func (q query) ptr(k string) *float64 {
	if x, ok := q.number(k); ok {
		return &x
	}
	return nil
}

func (q query) time(k string) (time.Time, bool) {
	t := q.v.Get(k)
	if t == "" {
		if q.v.Has(k) {
			q.bad(k, "is empty, want a time")
		}
		return time.Time{}, false
	}
	at, err := time.Parse(time.RFC3339, t)
	if err != nil {
		// "+" in an address means a blank, and people forget to write %2B.
		at, err = time.Parse(time.RFC3339, strings.ReplaceAll(t, " ", "+"))
	}
	if err != nil {
		q.bad(k, fmt.Sprintf("%q is not a time such as 2026-10-10T09:40:00Z", short(t)))
		return time.Time{}, false
	}
	return at, true
}

func (q query) flag(k string, or bool) bool {
	switch t := q.v.Get(k); t {
	case "":
		if q.v.Has(k) {
			q.bad(k, "is empty, want true or false")
		}
		return or
	case "true":
		return true
	case "false":
		return false
	default:
		q.bad(k, fmt.Sprintf("%q is not true or false", short(t)))
		return or
	}
}

// whole returns a whole number from low to high; or, where none is given.
func (q query) whole(k string, or, low, high int) int {
	x, ok := q.number(k)
	if !ok {
		return or
	}
	if x != float64(int(x)) || int(x) < low || int(x) > high {
		q.bad(k, fmt.Sprintf("want a whole number from %d to %d", low, high))
	}
	return int(x)
}

// err is what is wrong with the parameters, nil for nothing.
func (q query) err() error {
	if len(*q.faults) > 0 {
		return *q.faults
	}
	return nil
}

// known refuses every parameter but these.
func known(r *http.Request, names ...string) error { return newQuery(r, names...).err() }
