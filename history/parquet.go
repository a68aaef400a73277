// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"fmt"
	"io"

	"curewright/sensors"

	"github.com/parquet-go/parquet-go"
)

// parquetRow is one reading as a row; absent values are null.
type parquetRow struct {
	Time  int64    `parquet:"time,timestamp(millisecond)"`
	Probe string   `parquet:"probe,dict"`
	Temp  *float64 `parquet:"temp_c,optional"`
	RH    *float64 `parquet:"rh_pct,optional"`
	CO2   *float64 `parquet:"co2_ppm,optional"`
}

// ExportParquet writes readings as one Parquet file with the columns time
// (milliseconds, UTC), probe, temp_c, rh_pct, co2_ppm; missing values are
// null. It returns the number of readings.
func (s *Store) ExportParquet(ctx context.Context, w io.Writer, q ExportQuery) (int, error) {
	p := parquet.NewGenericWriter[parquetRow](w, parquet.Compression(&parquet.Zstd), parquet.MaxRowsPerRowGroup(100_000))
	batch := make([]parquetRow, 0, 1000)
	put := func() error {
		_, err := p.Write(batch)
		batch = batch[:0]
		return err
	}
	n, err := s.export(ctx, q, func(r sensors.Reading) error {
		batch = append(batch, parquetRow{r.At.UnixMilli(), r.Probe, r.Temp.Ptr(), r.RH.Ptr(), r.CO2.Ptr()})
		if len(batch) < cap(batch) {
			return nil
		}
		return put()
	})
	if err != nil {
		return n, err
	}
	if err := put(); err != nil {
		return n, fmt.Errorf("history: export: %w", err)
	}
	if err := p.Close(); err != nil {
		return n, fmt.Errorf("history: export: %w", err)
	}
	return n, nil
}
