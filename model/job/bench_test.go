package job

import (
	"math"
	"testing"
	"time"

	"curewright/model/coat"
)

// benchShop is a week of a shed's air and panel, minute by minute, and a
// medium coat put on in the middle of the last day.
func benchShop() (*coat.Work, *Table, time.Time) {
	from := time.Date(2026, 10, 3, 0, 0, 0, 0, time.UTC)
	t := NewTable()
	for m := range 8 * 24 * 60 {
		at := from.Add(time.Duration(m) * time.Minute)
		h := float64(m) / 60
		c := 16 + 4*math.Cos(2*math.Pi*(h-15)/24) + 0.5*math.Sin(h/7)
		t.Add("shed-air", Sample{At: at, TempC: c, RHPct: 65, CO2: math.NaN()})
		t.Add("panel-1", Sample{At: at, TempC: c - 0.5, RHPct: math.NaN(), CO2: math.NaN()})
	}
	applied := from.Add(7*24*time.Hour + 10*time.Hour)
	w := &coat.Work{
		Panels: []coat.Panel{{ID: "lid-outer", Piece: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam"}},
		Coats:  []coat.Coat{{ID: "fill", Panel: "lid-outer", Resin: "medium", Kind: coat.FillCoat, Applied: applied}},
	}
	return w, t, applied
}

// BenchmarkEstimate is the full estimate of one coat two hours old: belief on
// 61 rate factors, 64 paths of 72 h in quarter hours, past from a checkpoint.
func BenchmarkEstimate(b *testing.B) {
	w, t, applied := benchShop()
	for _, age := range []time.Duration{30 * time.Minute, 2 * time.Hour, 8 * time.Hour} {
		b.Run(age.String(), func(b *testing.B) {
			e := NewEstimator(Options{})
			now := applied.Add(age)
			if _, err := e.Estimate(now, w, t, Settings{Air: "shed-air"}); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			b.ResetTimer()
			for b.Loop() {
				if _, err := e.Estimate(now, w, t, Settings{Air: "shed-air"}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
