// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"time"

	"curewright/sensors"
)

// ExportQuery says what to export; zero times mean no bound, no probes mean
// all.
type ExportQuery struct {
	Probes   []string
	From, To time.Time
	Seen     func(time.Time) // is told the time of each reading; nil for nobody
}

// csvHeader is the header that replay reads.
var csvHeader = []string{"time", "probe", "temp_c", "rh_pct", "co2_ppm"}

// ExportCSV writes readings as CSV with the header
// time,probe,temp_c,rh_pct,co2_ppm: times RFC 3339 in UTC, °C, a blank where
// a value is missing. Probes come one after the other, each in order of time.
// It returns the number of readings.
func (s *Store) ExportCSV(ctx context.Context, w io.Writer, q ExportQuery) (int, error) {
	c := csv.NewWriter(w)
	if err := c.Write(csvHeader); err != nil {
		return 0, err
	}
	row := make([]string, 5)
	n, err := s.export(ctx, q, func(r sensors.Reading) error {
		row[0], row[1] = r.At.Format(time.RFC3339Nano), r.Probe
		row[2], row[3], row[4] = csvValue(r.Temp), csvValue(r.RH), csvValue(r.CO2)
		return c.Write(row)
	})
	if err != nil {
		return n, err
	}
	c.Flush()
	return n, c.Error()
}

func csvValue(v sensors.Value) string {
	x, ok := v.Get()
	if !ok {
		return ""
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

func (s *Store) export(ctx context.Context, q ExportQuery, f func(sensors.Reading) error) (int, error) {
	probes := q.Probes
	all := s.Probes()
	if len(probes) == 0 {
		probes = all
	}
	for _, p := range probes {
		if !slices.Contains(all, p) {
			return 0, fmt.Errorf("history: export: probe %q: %w", p, ErrNotFound)
		}
	}
	n := 0
	for _, p := range probes {
		for r, err := range s.Readings(p, q.From, q.To) {
			if err == nil {
				err = ctx.Err()
			}
			if err == nil {
				err = f(r)
			}
			if err == nil && q.Seen != nil {
				q.Seen(r.At)
			}
			if err != nil {
				return n, fmt.Errorf("history: export: %w", err)
			}
			n++
		}
	}
	return n, nil
}
