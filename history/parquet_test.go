// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"testing"
	"time"

	"curewright/sensors"

	"github.com/parquet-go/parquet-go"
)

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
