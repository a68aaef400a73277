// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"fmt"
	"testing"
	"time"

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

func TestExportParquet(t *testing.T) {
	s := open(t, t.TempDir(), at(day))
	s.Append([]sensors.Reading{
		{Probe: "panel-1", At: day.Add(1500 * time.Millisecond), Temp: sensors.Some(-0.5)},
		{Probe: "panel-1", At: day.Add(10 * time.Second), RH: sensors.Some(50)},
		{Probe: "shed-air", At: day, Temp: sensors.Some(17.0625)},
	})
	var b bytes.Buffer
	if n, err := s.ExportParquet(t.Context(), &b, ExportQuery{Probes: []string{"panel-1"}}); err != nil || n != 2 {
		t.Fatalf("%d, %v", n, err)
	}
	rows, err := parquet.Read[parquetRow](bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil || len(rows) != 2 || rows[0].Temp == nil || *rows[0].Temp != -0.5 || rows[0].RH != nil || rows[1].Temp != nil || rows[0].Time != day.UnixMilli()+1500 {
		t.Errorf("%+v, %v", rows, err)
	}
}

// parquet-go v0.32.0 reads what we write: every row in its order, every gap,
// over the edges of bytes and of groups, and the types of the columns.
func TestParquetAgainstItsLibrary(t *testing.T) {
	for _, n := range []int{0, 1, 7, 8, 9, 17 * 1000, parquetGroup, 2*parquetGroup + 11} {
		var b bytes.Buffer
		p := newParquetWriter(&b)
		var want []parquetRow
		for i := range n {
			r := sensors.Reading{Probe: fmt.Sprintf("probe-%d °", i%16), At: day.Add(time.Duration(i) * 1234 * time.Millisecond)}
			if i%3 != 0 {
				r.Temp = sensors.Some(float64(i) / 16)
			}
			if i%5 == 0 {
				r.RH = sensors.Some(50 + float64(i%7))
			}
			if i == n-1 {
				r.CO2 = sensors.Some(417)
			}
			if err := p.add(r); err != nil {
				t.Fatal(err)
			}
			want = append(want, parquetRow{r.At.UnixMilli(), r.Probe, r.Temp.Ptr(), r.RH.Ptr(), r.CO2.Ptr()})
		}
		if err := p.close(); err != nil {
			t.Fatal(err)
		}
		f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatalf("%d rows: %v", n, err)
		}
		if f.NumRows() != int64(n) || len(f.RowGroups()) != (n+parquetGroup-1)/parquetGroup {
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
