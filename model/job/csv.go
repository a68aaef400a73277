// SPDX-License-Identifier: Apache-2.0

package job

import (
	"bufio"
	"bytes"
	"io"
	"iter"
	"math"
	"slices"
	"sort"
	"strconv"
	"time"

	"curewright/model/fault"
)

// Header is the first line of a file of readings.
const Header = "time,probe,temp_c,rh_pct,co2_ppm"

// Ranges of plausible readings. That of temperatures is wider than for a shop, because
// a cup or a post-cure may be logged too.
const (
	minTempC, maxTempC = -60, 250
	maxCO2             = 100000
	// fahrenheitC, °C: no shop stays this warm, but 68 °F read as °C does.
	fahrenheitC = 40.0
)

// Table is readings in memory, in order of time for each probe. It is a
// [Readings].
type Table struct {
	probes map[string]*column
	names  []string
}

// column keeps one probe's samples small: 20 bytes each.
type column struct {
	ms         []int64 // since 1970
	t, rh, co2 []float32
}

// NewTable returns an empty table.
func NewTable() *Table { return &Table{probes: map[string]*column{}} }

// Add appends a sample of a probe; samples may come in any order. A missing
// quantity is NaN.
func (t *Table) Add(probe string, s Sample) {
	c := t.probes[probe]
	if c == nil {
		c = &column{}
		t.probes[probe] = c
		t.names = append(t.names, probe)
	}
	ms := s.At.UnixMilli()
	i := len(c.ms)
	if i > 0 && c.ms[i-1] >= ms {
		i = sort.Search(i, func(k int) bool { return c.ms[k] >= ms })
	}
	c.ms = slices.Insert(c.ms, i, ms)
	c.t = slices.Insert(c.t, i, float32(s.TempC))
	c.rh = slices.Insert(c.rh, i, float32(s.RHPct))
	c.co2 = slices.Insert(c.co2, i, float32(s.CO2))
}

// Probes names the probes in order of first appearance.
func (t *Table) Probes() []string { return slices.Clone(t.names) }

// Len is the number of samples of all probes.
func (t *Table) Len() int {
	n := 0
	for _, c := range t.probes {
		n += len(c.ms)
	}
	return n
}

// Span is the time of the first and of the last sample; ok is false for an
// empty table.
func (t *Table) Span() (first, last time.Time, ok bool) {
	for _, c := range t.probes {
		if len(c.ms) == 0 {
			continue
		}
		a, b := time.UnixMilli(c.ms[0]).UTC(), time.UnixMilli(c.ms[len(c.ms)-1]).UTC()
		if !ok || a.Before(first) {
			first = a
		}
		if !ok || b.After(last) {
			last = b
		}
		ok = true
	}
	return first, last, ok
}

// Version implements [Readings]: a table is only added to.
func (t *Table) Version(string) uint64 { return 0 }

// Samples implements [Readings].
func (t *Table) Samples(probe string, from, to time.Time) iter.Seq[Sample] {
	return func(yield func(Sample) bool) {
		c := t.probes[probe]
		if c == nil {
			return
		}
		lo := from.UnixMilli()
		if from.Sub(time.UnixMilli(lo)) > 0 {
			lo++
		}
		hi := to.UnixMilli()
		for i := sort.Search(len(c.ms), func(k int) bool { return c.ms[k] >= lo }); i < len(c.ms) && c.ms[i] <= hi; i++ {
			at := time.Unix(c.ms[i]/1000, c.ms[i]%1000*1e6).UTC()
			if !yield(Sample{at, widen(c.t[i]), widen(c.rh[i]), widen(c.co2[i])}) {
				return
			}
		}
	}
}

// widen returns the shortest decimal that rounds to the stored number, so
// that 21.76 comes back as 21.76 and not as 21.760000228881836.
func widen(x float32) float64 {
	f := float64(x)
	if f != f {
		return f
	}
	return math.Round(f*1e4) / 1e4
}

// ReadCSV reads readings: the header exactly [Header], times in RFC 3339, a
// blank field for what is missing. now is the time beyond which a reading
// lies in the future (zero: not checked). Every fault comes back with its
// place; with any fault the table is nil.
//
// A probe that never falls below 40 °C, or that jumps like a change of unit, is refused
// as probably °F, since 68 in a shed is °F.
func ReadCSV(r io.Reader, now time.Time) (*Table, fault.Places) {
	in := csvReader{now: now, table: NewTable(), warmth: map[string]*warmth{}, names: map[string]string{}}
	sc := bufio.NewScanner(r)
	sc.Buffer(make([]byte, 0, 64<<10), 1<<20)
	for sc.Scan() {
		in.line++
		row := bytes.TrimSuffix(sc.Bytes(), []byte("\r"))
		if in.line > 1 && len(row) > 0 {
			in.read(row)
		} else if row = bytes.TrimPrefix(row, []byte("\xef\xbb\xbf")); in.line == 1 && string(row) != Header {
			in.bad(1, "the header is %q, expected %s", clip(row), Header)
			return nil, in.faults
		}
	}
	in.line++
	if err := sc.Err(); err != nil {
		in.bad(1, "cannot be read: %v", err)
	}
	if in.line == 1 {
		in.bad(1, "empty, expected the header %s", Header)
	}
	for _, probe := range in.table.names {
		if k := in.warmth[probe]; k != nil && k.lowest >= fahrenheitC {
			in.faults.Add(k.line, k.col, "", "probe %s never falls under %g °C: is it °F? %.0f °F is %.1f °C", probe, fahrenheitC, k.lowest, (k.lowest-32)/1.8)
		}
	}
	if len(in.faults) > 0 {
		return nil, in.faults
	}
	return in.table, nil
}

// csvReader reads one file of readings.
type csvReader struct {
	now    time.Time
	table  *Table
	faults fault.Places
	line   int
	fields [6][]byte
	warmth map[string]*warmth
	names  map[string]string // one string a probe, not one a row
}

// warmth is what reveals a probe's unit: the place of its first temperature in the
// file, the lowest temperature and the last.
type warmth struct {
	line, col int
	lowest    float64
	lastC     float64
	lastAt    time.Time
}

func (in *csvReader) bad(col int, format string, a ...any) {
	in.faults.Add(in.line, col, "", format, a...)
}

// read takes one row, if it has no fault.
func (in *csvReader) read(row []byte) {
	n, starts := split(row, &in.fields)
	if n != 5 {
		in.bad(1, "%d fields, expected 5 (%s)", n, Header)
		return
	}
	before := len(in.faults)
	s := Sample{At: in.time(in.fields[0])}
	if len(in.fields[1]) == 0 {
		in.bad(starts[1], "probe is missing")
	}
	s.TempC = in.number(2, starts, minTempC, maxTempC, "temp_c", "°C")
	s.RHPct = in.number(3, starts, 0, 100, "rh_pct", "%")
	s.CO2 = in.number(4, starts, 0, maxCO2, "co2_ppm", "ppm")
	if len(in.faults) > before {
		return
	}
	probe, ok := in.names[string(in.fields[1])]
	if !ok {
		probe = string(in.fields[1])
		in.names[probe] = probe
	}
	if math.IsNaN(s.TempC) || in.sameUnit(probe, starts[2], s) {
		in.table.Add(probe, s)
	}
}

func (in *csvReader) time(b []byte) time.Time {
	at, err := time.Parse(time.RFC3339, string(b))
	switch {
	case err != nil:
		in.bad(1, "time %q is not RFC 3339 such as 2026-10-10T09:40:00+01:00", clip(b))
	case at.Before(earliest):
		in.bad(1, "time %s is before the year 2000: was the clock set?", b)
	case !in.now.IsZero() && at.After(in.now.Add(ClockSlack)):
		in.bad(1, "time %s is in the future (it is %s)", b, stamp(in.now.UTC()))
	}
	return at
}

// number reads a quantity; NaN where it is blank.
func (in *csvReader) number(field int, starts [6]int, low, high float64, what, unit string) float64 {
	b := in.fields[field]
	if len(b) == 0 {
		return math.NaN()
	}
	x, err := strconv.ParseFloat(string(b), 64)
	switch {
	case err != nil || math.IsNaN(x) || math.IsInf(x, 0):
		in.bad(starts[field], "%s %q is not a number; leave it blank where it is missing", what, clip(b))
	case x < low || x > high:
		in.bad(starts[field], "%s %g %s is outside %g to %g %s", what, x, unit, low, high, unit)
	}
	return x
}

// sameUnit reports whether a temperature is in the unit of the probe's last.
func (in *csvReader) sameUnit(probe string, col int, s Sample) bool {
	k := in.warmth[probe]
	if k == nil {
		k = &warmth{line: in.line, col: col, lowest: s.TempC, lastC: s.TempC, lastAt: s.At}
		in.warmth[probe] = k
	}
	if d := s.At.Sub(k.lastAt); d >= 0 && d <= 10*time.Minute && UnitJump(k.lastC, s.TempC) {
		in.bad(col, "temp_c %g °C after %g °C: is it °F? %g °F is %.1f °C", s.TempC, k.lastC, s.TempC, (s.TempC-32)/1.8)
		return false
	}
	k.lowest = min(k.lowest, s.TempC)
	k.lastC, k.lastAt = s.TempC, s.At
	return true
}

// UnitJump reports whether a step from one temperature to the next looks like
// a change from °C to °F: large, and landing where the same air would read in
// the other unit.
func UnitJump(fromC, toC float64) bool {
	return toC-fromC > 20 && math.Abs((toC-32)/1.8-fromC) < 5
}

func split(row []byte, fields *[6][]byte) (n int, starts [6]int) {
	start := 0
	for {
		i := bytes.IndexByte(row[start:], ',')
		end := len(row)
		if i >= 0 {
			end = start + i
		}
		if n < len(fields) {
			fields[n] = bytes.TrimSpace(row[start:end])
			starts[n] = start + 1
		}
		n++
		if i < 0 {
			return n, starts
		}
		start = end + 1
	}
}

func clip(b []byte) string {
	if len(b) > 80 {
		return string(b[:80]) + "…"
	}
	return string(b)
}
