// Package replay reads recorded readings from a CSV file, judges them by the
// same plausibility filter as live ones, and plays them back as probes.
//
// The file's header is
//
//	time,probe,temp_c,rh_pct,co2_ppm
//
// with times in RFC 3339, °C, % and ppm; a blank cell is a missing value. The
// last two columns may be left out. Lines that begin with # are comments.
package replay

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/sensors"
)

// Header is what the first line must say.
const Header = "time,probe,temp_c,rh_pct,co2_ppm"

var columns = strings.Split(Header, ",")

// MaxFaults bounds the list of faults: a file in another format would
// otherwise be repeated whole.
const MaxFaults = 50

// Fault is what is wrong in one place of a file.
type Fault struct {
	File         string
	Line, Column int // from 1; Column 0 when it is the whole line
	Err          error
}

func (f Fault) Error() string {
	if f.Column == 0 {
		return fmt.Sprintf("%s:%d: %v", f.File, f.Line, f.Err)
	}
	return fmt.Sprintf("%s:%d:%d: %v", f.File, f.Line, f.Column, f.Err)
}

// Unwrap returns the reason.
func (f Fault) Unwrap() error { return f.Err }

// Faults is every fault of a file; it is an error.
type Faults []Fault

func (fs Faults) Error() string {
	ss := make([]string, len(fs))
	for i, f := range fs {
		ss[i] = f.Error()
	}
	return strings.Join(ss, "\n")
}

// Options say how a file is read.
type Options struct {
	Name  string            // of the file, for faults
	Now   time.Time         // readings later than this are faults; zero: no limit
	Roles map[string]string // of probes, for what is plausible; "" where absent
	Limit int               // most readings; 0: ten million
}

const defaultLimit = 10_000_000

// Result is what a file holds.
type Result struct {
	// Readings are the believed ones, oldest first; those of the same time
	// keep the file's order.
	Readings []sensors.Reading
	// Doubted are the readings that no live probe would have been believed
	// either: a shed at 68 °C, a jump, a stuck probe. They are not among
	// Readings.
	Doubted Faults
}

// Read takes a whole file. The error is [Faults], with every broken line, and
// then there is no result; doubted readings are no error.
func Read(r io.Reader, o Options) (Result, error) {
	rows, faults := parse(r, o)
	if len(faults) > 0 {
		return Result{}, faults
	}
	slices.SortStableFunc(rows, func(a, b row) int { return a.At.Compare(b.At) })

	var res Result
	filters := map[string]*sensors.Filter{}
	last := map[string]time.Time{}
	for _, x := range rows {
		f := filters[x.Probe]
		if f == nil {
			// As for a pushed probe: a file does not say which chip or unit.
			f = sensors.NewFilter(sensors.DefaultLimits(o.Roles[x.Probe], true))
			filters[x.Probe] = f
		}
		var err error
		if at, ok := last[x.Probe]; ok && at.Equal(x.At) {
			err = sensors.ErrRepeat
		} else {
			err = f.Check(x.Reading, nil)
		}
		last[x.Probe] = x.At
		if err != nil {
			res.Doubted = append(res.Doubted, Fault{o.Name, x.line, 0, fmt.Errorf("probe %s: %w", x.Probe, err)})
			continue
		}
		res.Readings = append(res.Readings, x.Reading)
	}
	return res, nil
}

type row struct {
	sensors.Reading
	line int
}

func parse(r io.Reader, o Options) (rows []row, faults Faults) {
	limit := o.Limit
	if limit == 0 {
		limit = defaultLimit
	}
	rd := csv.NewReader(skipBOM(r))
	rd.Comment = '#'
	rd.FieldsPerRecord = -1 // counted below, so that one short line does not end the reading
	rd.ReuseRecord = true
	bad := func(line, col int, format string, a ...any) {
		faults = append(faults, Fault{o.Name, line, col, fmt.Errorf(format, a...)})
	}
	head, err := rd.Read()
	switch {
	case err == io.EOF:
		bad(1, 0, "empty: the first line must be %s", Header)
		return nil, faults
	case err != nil:
		line, col := position(err)
		bad(line, col, "header: %v", cause(err))
		return nil, faults
	}
	n := len(head)
	if n < 3 || n > len(columns) || !slices.Equal(head, columns[:n]) {
		line, col := rd.FieldPos(0)
		bad(line, col, "header is %s; want %s", strings.Join(head, ","), Header)
		return nil, faults
	}
	for len(faults) < MaxFaults {
		rec, err := rd.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			line, col := position(err)
			bad(line, col, "%v", cause(err))
			if pe := (*csv.ParseError)(nil); !errors.As(err, &pe) {
				break // the file itself cannot be read on
			}
			continue
		}
		line, _ := rd.FieldPos(0)
		if len(rec) != n {
			bad(line, 0, "%d fields, the header has %d", len(rec), n)
			continue
		}
		if len(rows) == limit {
			bad(line, 0, "more than %d readings", limit)
			break
		}
		x := row{line: line}
		before := len(faults)
		x.At, err = time.Parse(time.RFC3339, rec[0])
		switch _, col := rd.FieldPos(0); {
		case err != nil:
			bad(line, col, "time: %q is not RFC 3339, such as 2026-10-10T09:40:00+01:00", rec[0])
		case !o.Now.IsZero() && x.At.After(o.Now):
			bad(line, col, "time: %s is in the future", rec[0])
		}
		if x.Probe = strings.Clone(rec[1]); !validID(x.Probe) {
			_, col := rd.FieldPos(1)
			bad(line, col, "probe: %q: letters, digits, dot, dash and underscore only", rec[1])
		}
		for i, v := range []*sensors.Value{&x.Temp, &x.RH, &x.CO2} {
			if 2+i >= n || rec[2+i] == "" {
				continue
			}
			f, err := strconv.ParseFloat(rec[2+i], 64)
			if *v = sensors.Some(f); err != nil || !v.OK() {
				_, col := rd.FieldPos(2 + i)
				bad(line, col, "%s: %q is not a number", columns[2+i], rec[2+i])
			}
		}
		if len(faults) == before && !x.Temp.OK() && !x.RH.OK() && !x.CO2.OK() {
			continue // a row of blanks: the probe was missing then
		}
		rows = append(rows, x)
	}
	if len(faults) >= MaxFaults {
		faults = append(faults[:MaxFaults:MaxFaults], Fault{o.Name, faults[MaxFaults-1].Line, 0, errors.New("more faults follow")})
	}
	return rows, faults
}

// validID is the rule for probe names on every way in.
func validID(s string) bool { return sensors.CheckID(s) == nil }

func position(err error) (line, col int) {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return pe.Line, pe.Column
	}
	return 1, 0
}

func cause(err error) error {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// skipBOM drops the mark that spreadsheets put before UTF-8 text.
func skipBOM(r io.Reader) io.Reader {
	b := make([]byte, 3)
	n, _ := io.ReadFull(r, b)
	if n == 3 && b[0] == 0xef && b[1] == 0xbb && b[2] == 0xbf {
		return r
	}
	return io.MultiReader(strings.NewReader(string(b[:n])), r)
}

// Player plays readings back as probes, each when the clock comes to it.
type Player struct {
	by    map[string][]sensors.Reading
	clock func() time.Time
}

// NewPlayer returns a player of the readings, oldest first, by the clock: the
// daemon's own, or a faster one.
func NewPlayer(rs []sensors.Reading, clock func() time.Time) *Player {
	by := map[string][]sensors.Reading{}
	for _, r := range rs {
		by[r.Probe] = append(by[r.Probe], r)
	}
	return &Player{by: by, clock: clock}
}

// Probes yields the names that occur, sorted.
func (p *Player) Probes() iter.Seq[string] {
	names := make([]string, 0, len(p.by))
	for n := range p.by {
		names = append(names, n)
	}
	slices.Sort(names)
	return slices.Values(names)
}

// Probe returns one recorded probe as a driver. Each reading is given out
// once: where none is new since the last, the probe has nothing to say, as a
// real one would not.
func (p *Player) Probe(id string) sensors.Probe { return &track{p: p, id: id} }

type track struct {
	p    *Player
	id   string
	next int
}

func (t *track) Read(context.Context) (sensors.Reading, error) {
	rs := t.p.by[t.id]
	now := t.p.clock()
	at := -1
	for t.next < len(rs) && !rs[t.next].At.After(now) {
		at = t.next
		t.next++
	}
	if at < 0 {
		return sensors.Reading{}, &sensors.ReadError{Probe: t.id, Op: "replay", Err: fmt.Errorf("%w: nothing recorded since", sensors.ErrAbsent)}
	}
	return rs[at], nil
}
