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
	"curewright/model/fault"
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

// maxRows is how many containers a file may hold.
const maxRows = 5000

// ReadCSV reads containers, dates at midnight in loc or in RFC 3339. What is
// wrong with any of them is reported for all, as [fault.Places], and then none is
// returned.
func ReadCSV(r io.Reader, loc *time.Location) ([]coat.Stock, error) {
	in := readRows(r, loc)
	if len(in.faults) > 0 {
		return nil, in.faults
	}
	return in.out, nil
}

// ReadChecked reads as [ReadCSV] does and checks every container as [Check]
// does; all faults come at once.
func ReadChecked(r io.Reader, loc *time.Location, resins map[string]cure.Resin, now time.Time) ([]coat.Stock, error) {
	in := readRows(r, loc)
	f := in.faults
	if len(in.out) == 0 && len(f) == 0 {
		f.Add(1, 0, "", "holds no container")
	}
	seen := map[string]int{}
	for i, s := range in.out {
		line := in.lines[i]
		for _, x := range Check(s, resins, now) {
			// What could not be read is not checked as well.
			if !slices.ContainsFunc(f, func(o fault.Place) bool { return o.Line == line && o.Key == x.Field }) {
				f.Add(line, 0, x.Field, "%s", x.What)
			}
		}
		if at, twice := seen[s.ID]; twice && s.ID != "" {
			f.Add(line, 0, "id", "%q stands on line %d already", s.ID, at)
		}
		seen[s.ID] = line
	}
	if len(f) > 0 {
		slices.SortStableFunc(f, func(a, b fault.Place) int { return a.Line - b.Line })
		return nil, f
	}
	return in.out, nil
}

// rows are the containers of a file that could be told apart, the line of each,
// and all faults.
type rows struct {
	out    []coat.Stock
	lines  []int
	faults fault.Places

	loc  *time.Location
	col  map[string]int // column by its name
	row  []string       // that is being read
	line int
}

func readRows(r io.Reader, loc *time.Location) *rows {
	in := &rows{loc: loc, col: map[string]int{}, line: 1}
	c := csv.NewReader(r)
	c.FieldsPerRecord, c.TrimLeadingSpace = -1, true
	head, err := c.Read()
	switch {
	case errors.Is(err, io.EOF):
		in.bad("", "empty: the first line names the columns")
	case err != nil:
		in.bad("", "%v", err)
	default:
		in.head(head)
	}
	for len(in.faults) == 0 || in.line > 1 {
		in.row, err = c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		in.line = 0
		if len(in.row) > 0 { // a row that is broken at its start has no field to be placed by
			in.line, _ = c.FieldPos(0)
		}
		if pe, ok := errors.AsType[*csv.ParseError](err); ok {
			in.line, err = pe.Line, pe.Err
		}
		switch {
		case err != nil:
			in.bad("", "%v", err)
			return in
		case len(in.out) >= maxRows:
			in.bad("", "more than %d containers", maxRows)
			return in
		case len(in.row) != len(head):
			in.bad("", "%d fields, the first line has %d", len(in.row), len(head))
		default:
			in.out, in.lines = append(in.out, in.stock()), append(in.lines, in.line)
		}
	}
	return in
}

func (in *rows) bad(key, format string, a ...any) { in.faults.Add(in.line, 0, key, format, a...) }

// head reads the names of the columns.
func (in *rows) head(row []string) {
	for i, h := range row {
		h = strings.ToLower(strings.TrimSpace(strings.TrimPrefix(h, "\ufeff")))
		switch _, twice := in.col[h]; {
		case !slices.Contains(Columns, h):
			in.bad(h, "unknown column: one of %s", strings.Join(Columns, ", "))
		case twice:
			in.bad(h, "stands twice")
		}
		in.col[h] = i
	}
	for _, must := range []string{"part", "resin", "full_g"} {
		if _, ok := in.col[must]; !ok {
			in.bad(must, "missing column")
		}
	}
}

// get is a field of the row; "" where there is no such column.
func (in *rows) get(k string) string {
	i, ok := in.col[k]
	if !ok {
		return ""
	}
	v := strings.TrimSpace(in.row[i])
	// What [WriteCSV] put before a text that a spreadsheet would run.
	if len(v) > 1 && v[0] == '\'' && strings.ContainsRune("=+-@", rune(v[1])) {
		v = v[1:]
	}
	return v
}

func (in *rows) mass(k string) *float64 {
	if in.get(k) == "" {
		return nil
	}
	v, err := Grams(in.get(k))
	if err != nil {
		in.bad(k, "%v", err)
		return nil
	}
	return &v
}

func (in *rows) date(k string) *time.Time {
	v := in.get(k)
	if v == "" {
		return nil
	}
	if t, err := time.ParseInLocation("2006-01-02", v, in.loc); err == nil {
		return &t
	}
	t, err := time.Parse(time.RFC3339, v)
	if err != nil {
		in.bad(k, "%q is not a date such as 2026-10-10", v)
		return nil
	}
	return &t
}

// stock is the row as a container.
func (in *rows) stock() coat.Stock {
	s := coat.Stock{ID: in.get("id"), Part: strings.ToLower(in.get("part")), Resin: in.get("resin"), Name: in.get("name"), Lot: in.get("lot"), Currency: in.get("currency"),
		Condition: strings.ToLower(in.get("condition")), Note: in.get("note"), Opened: in.date("opened"), BestBefore: in.date("best_before"),
		CountedG: in.mass("counted_g"), CountedAt: in.date("counted_at"), Gone: in.date("gone")}
	if g := in.mass("full_g"); g != nil {
		s.FullG = *g
	} else if in.get("full_g") == "" {
		in.bad("full_g", "missing")
	}
	if p := in.get("price"); p != "" {
		v, err := strconv.ParseFloat(p, 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			in.bad("price", "%q is not a number: the currency has a column of its own", p)
		} else {
			s.Price = &v
		}
	}
	return s
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
