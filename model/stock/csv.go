// SPDX-License-Identifier: Apache-2.0

package stock

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// Columns of the file, in the order in which it is written. Only part, resin
// and full_g must be there when one is read.
var Columns = []string{"id", "part", "resin", "name", "lot", "full_g", "price", "currency", "opened", "best_before", "condition", "note", "counted_g", "counted_at", "gone"}

// massUnits turn what stands on a label into grams; the pound is exact
// (international yard and pound agreement, 1959).
var massUnits = map[string]float64{"g": 1, "kg": 1000, "lb": 453.59237, "oz": 28.349523125}

// Grams reads a mass with at most one unit: "5000", "5 kg", "11 lb". Two units
// in one field are an error, since "5 kg 200 g" and "5.2 kg" typed twice look
// alike.
func Grams(s string) (float64, error) {
	t := strings.ToLower(strings.TrimSpace(s))
	i := strings.IndexFunc(t, func(r rune) bool {
		return !(r >= '0' && r <= '9') && r != '.' && r != '-' && r != '+' && r != 'e'
	})
	num, unit := t, ""
	if i >= 0 {
		num, unit = t[:i], strings.TrimSpace(t[i:])
	}
	f := 1.0
	if unit != "" {
		var ok bool
		if f, ok = massUnits[unit]; !ok {
			if strings.ContainsAny(unit, "0123456789") {
				return 0, fmt.Errorf("%q has two figures or units in one field: write one, such as 5200 or 5.2 kg", s)
			}
			return 0, fmt.Errorf("%q: the unit %q is not g, kg, lb or oz", s, unit)
		}
	}
	v, err := strconv.ParseFloat(num, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("%q is not a mass", s)
	}
	return v * f, nil
}

// LineFault is one thing wrong at a place of a file; lines from 1.
type LineFault struct {
	Line   int
	Column string
	What   string
}

// LineFaults is every fault of a file at once; it is an error of a line each.
type LineFaults []LineFault

func (f LineFaults) Error() string {
	s := make([]string, len(f))
	for i, x := range f {
		s[i] = fmt.Sprintf("line %d: %s", x.Line, x.What)
		if x.Column != "" {
			s[i] = fmt.Sprintf("line %d: %s: %s", x.Line, x.Column, x.What)
		}
	}
	return strings.Join(s, "\n")
}

// maxRows is how many containers a file may hold.
const maxRows = 5000

// ReadCSV reads containers, dates at midnight in loc or in RFC 3339. What is
// wrong with any of them is reported for all, and then none is returned.
func ReadCSV(r io.Reader, loc *time.Location) ([]coat.Stock, error) {
	rows, _, f := readRows(r, loc)
	if len(f) > 0 {
		return nil, f
	}
	return rows, nil
}

// ReadChecked reads as [ReadCSV] does and checks every container as [Check]
// does; all faults come at once.
func ReadChecked(r io.Reader, loc *time.Location, resins map[string]cure.Resin, now time.Time) ([]coat.Stock, error) {
	rows, lines, f := readRows(r, loc)
	if len(rows) == 0 && len(f) == 0 {
		f = append(f, LineFault{1, "", "holds no container"})
	}
	seen := map[string]int{}
	for i, s := range rows {
		for _, x := range Check(s, resins, now) {
			// What could not be read is not checked as well.
			if !slices.ContainsFunc(f, func(o LineFault) bool { return o.Line == lines[i] && o.Column == x.Field }) {
				f = append(f, LineFault{lines[i], x.Field, x.What})
			}
		}
		if at, twice := seen[s.ID]; twice && s.ID != "" {
			f = append(f, LineFault{lines[i], "id", fmt.Sprintf("%q stands on line %d already", s.ID, at)})
		}
		seen[s.ID] = lines[i]
	}
	if len(f) > 0 {
		slices.SortStableFunc(f, func(a, b LineFault) int { return a.Line - b.Line })
		return nil, f
	}
	return rows, nil
}

// readRows are the containers that could be told apart, the line of each, and
// all faults.
func readRows(r io.Reader, loc *time.Location) (out []coat.Stock, lines []int, f LineFaults) {
	c := csv.NewReader(r)
	c.FieldsPerRecord, c.TrimLeadingSpace = -1, true
	head, err := c.Read()
	if err != nil {
		if errors.Is(err, io.EOF) {
			return nil, nil, LineFaults{{1, "", "empty: the first line names the columns"}}
		}
		return nil, nil, LineFaults{{1, "", err.Error()}}
	}
	col := map[string]int{}
	for i, h := range head {
		h = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))
		switch _, twice := col[h]; {
		case !slices.Contains(Columns, h):
			f = append(f, LineFault{1, h, "unknown column: one of " + strings.Join(Columns, ", ")})
		case twice:
			f = append(f, LineFault{1, h, "stands twice"})
		}
		col[h] = i
	}
	for _, must := range []string{"part", "resin", "full_g"} {
		if _, ok := col[must]; !ok {
			f = append(f, LineFault{1, must, "missing column"})
		}
	}
	if len(f) > 0 {
		return nil, nil, f
	}
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		line := 0
		if len(row) > 0 { // a row that is broken at its start has no field to be placed by
			line, _ = c.FieldPos(0)
		}
		if err != nil {
			var pe *csv.ParseError
			if errors.As(err, &pe) {
				line, err = pe.Line, pe.Err
			}
			return out, lines, append(f, LineFault{line, "", err.Error()})
		}
		if len(out) >= maxRows {
			return out, lines, append(f, LineFault{line, "", fmt.Sprintf("more than %d containers", maxRows)})
		}
		if len(row) != len(head) {
			f = append(f, LineFault{line, "", fmt.Sprintf("%d fields, the first line has %d", len(row), len(head))})
			continue
		}
		get := func(k string) string {
			i, ok := col[k]
			if !ok {
				return ""
			}
			v := strings.TrimSpace(row[i])
			// What [WriteCSV] put before a text that a spreadsheet would run.
			if len(v) > 1 && v[0] == '\'' && strings.ContainsRune("=+-@", rune(v[1])) {
				v = v[1:]
			}
			return v
		}
		bad := func(k, format string, a ...any) { f = append(f, LineFault{line, k, fmt.Sprintf(format, a...)}) }
		mass := func(k string) *float64 {
			if get(k) == "" {
				return nil
			}
			v, err := Grams(get(k))
			if err != nil {
				bad(k, "%s", err)
				return nil
			}
			return &v
		}
		date := func(k string) *time.Time {
			v := get(k)
			if v == "" {
				return nil
			}
			if t, err := time.ParseInLocation("2006-01-02", v, loc); err == nil {
				return &t
			}
			t, err := time.Parse(time.RFC3339, v)
			if err != nil {
				bad(k, "%q is not a date such as 2026-10-10", v)
				return nil
			}
			return &t
		}
		s := coat.Stock{ID: get("id"), Part: strings.ToLower(get("part")), Resin: get("resin"), Name: get("name"), Lot: get("lot"), Currency: get("currency"),
			Condition: strings.ToLower(get("condition")), Note: get("note"), Opened: date("opened"), BestBefore: date("best_before"),
			CountedG: mass("counted_g"), CountedAt: date("counted_at"), Gone: date("gone")}
		if g := mass("full_g"); g != nil {
			s.FullG = *g
		} else if get("full_g") == "" {
			bad("full_g", "missing")
		}
		if p := get("price"); p != "" {
			v, err := strconv.ParseFloat(p, 64)
			if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
				bad("price", "%q is not a number: the currency has a column of its own", p)
			} else {
				s.Price = &v
			}
		}
		out, lines = append(out, s), append(lines, line)
	}
	return out, lines, f
}

// WriteCSV writes containers as [ReadCSV] reads them back. Texts that a
// spreadsheet would run as a formula are put behind an apostrophe.
func WriteCSV(ss []coat.Stock) []byte {
	var b bytes.Buffer
	c := csv.NewWriter(&b)
	c.Write(Columns) // into memory
	num := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	date := func(t *time.Time) string {
		switch {
		case t == nil:
			return ""
		case t.Hour() == 0 && t.Minute() == 0 && t.Second() == 0:
			return t.Format("2006-01-02")
		}
		return t.Format(time.RFC3339)
	}
	safe := func(s string) string {
		if s != "" && strings.ContainsRune("=+-@", rune(s[0])) {
			return "'" + s
		}
		return s
	}
	for _, s := range ss {
		c.Write([]string{safe(s.ID), s.Part, safe(s.Resin), safe(s.Name), safe(s.Lot), num(&s.FullG), num(s.Price), safe(s.Currency), date(s.Opened), date(s.BestBefore),
			s.Condition, safe(s.Note), num(s.CountedG), date(s.CountedAt), date(s.Gone)})
	}
	c.Flush()
	return b.Bytes()
}
