// SPDX-License-Identifier: Apache-2.0

package oracles

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"curewright/history"
	"curewright/sensors"

	"github.com/parquet-go/parquet-go"
)

// parquetRow is a reading as others read it.
type parquetRow struct {
	Time  int64    `parquet:"time,timestamp(millisecond)"`
	Probe string   `parquet:"probe"`
	Temp  *float64 `parquet:"temp_c,optional"`
	RH    *float64 `parquet:"rh_pct,optional"`
	CO2   *float64 `parquet:"co2_ppm,optional"`
}

// parquet-go v0.32.0 reads what the store writes: the probes asked for and no
// other, every row in its order, every gap, over the edges of bytes and of
// groups of 20,000 rows, and the types of the columns.
func TestParquetAgainstItsLibrary(t *testing.T) {
	const group = 20_000
	day := time.Date(2026, 10, 10, 0, 0, 0, 0, time.UTC)
	s, err := history.Open(t.TempDir(), history.Options{Now: func() time.Time { return day.Add(24 * time.Hour) }})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, n := range []int{0, 1, 7, 8, 9, 17 * 1000, group, 2*group + 11} {
		var want []parquetRow
		var rs []sensors.Reading
		probes := []string{fmt.Sprintf("a-%d", n), fmt.Sprintf("b-%d", n)}
		for i := range n {
			r := sensors.Reading{Probe: probes[2*i/n], At: day.Add(1500*time.Millisecond + time.Duration(i)*1234*time.Millisecond)}
			if i%3 != 0 || i == 0 {
				r.Temp = sensors.Some(float64(i)/16 - 0.5)
			}
			if i%5 == 0 {
				r.RH = sensors.Some(50 + float64(i%7))
			}
			if r.Temp == (sensors.Value{}) || i == n-1 {
				r.CO2 = sensors.Some(417)
			}
			rs = append(rs, r)
			want = append(want, parquetRow{r.At.UnixMilli(), r.Probe, r.Temp.Ptr(), r.RH.Ptr(), r.CO2.Ptr()})
		}
		for _, p := range probes { // from before what is asked for
			rs = append(rs, sensors.Reading{Probe: p, At: day.Add(-time.Hour), Temp: sensors.Some(9)})
		}
		slices.SortStableFunc(rs, func(a, b sensors.Reading) int { return a.At.Compare(b.At) })
		if took := s.Append(rs); took != n+2 {
			t.Fatalf("the store took %d of %d", took, n+2)
		}
		var b bytes.Buffer
		if wrote, err := s.ExportParquet(t.Context(), &b, history.ExportQuery{Probes: probes, From: day}); err != nil || wrote != n {
			t.Fatalf("%d rows: %d, %v", n, wrote, err)
		}
		f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatalf("%d rows: %v", n, err)
		}
		if f.NumRows() != int64(n) || len(f.RowGroups()) != (n+group-1)/group {
			t.Errorf("%d rows in %d groups, want %d", f.NumRows(), len(f.RowGroups()), n)
		}
		schema := parquet.SchemaOf(parquetRow{})
		for _, c := range f.Schema().Fields() {
			is, _ := schema.Lookup(c.Name())
			if c.Type().String() != is.Node.Type().String() || c.Optional() != is.Node.Optional() {
				t.Errorf("column %s is %v, want %v", c.Name(), c, is.Node)
			}
		}
		got, err := parquet.Read[parquetRow](bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil || len(got) != n {
			t.Fatalf("%d rows: %d, %v", n, len(got), err)
		}
		same := func(a, b *float64) bool { return (a == nil) == (b == nil) && (a == nil || *a == *b) }
		for i, g := range got {
			w := want[i]
			if g.Time != w.Time || g.Probe != w.Probe || !same(g.Temp, w.Temp) || !same(g.RH, w.RH) || !same(g.CO2, w.CO2) {
				t.Fatalf("row %d of %d: %+v, want %+v", i, n, g, w)
			}
		}
	}
}
