// SPDX-License-Identifier: Apache-2.0

package job

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"
)

// A coat cures in 2040, and over the second that 32 bits of seconds end at
// (2038-01-19 03:14:07 UTC), as it does in 2026: the same weather moved by
// whole weeks gives the same estimate moved by as much. Small boards have 32-bit
// integers.
func TestYear2040(t *testing.T) {
	at := func(applied time.Time) map[string]any {
		t.Helper()
		text := strings.NewReplacer("2026-10-10T09:40:00+01:00", applied.Format(time.RFC3339),
			"2026-10-10T11:05:00+01:00", applied.Add(85*time.Minute).Format(time.RFC3339)).Replace(lidJob)
		tb := NewTable()
		for m := range 20 * 60 {
			when := applied.Add(time.Duration(m-60) * time.Minute)
			c := 17 + 3*math.Sin(float64(m)/200)
			tb.Add("panel-1", Sample{when, c, math.NaN(), math.NaN()})
			tb.Add("shed-air", Sample{when, c + 1, 60, math.NaN()})
		}
		res, err := Replay(mustParse(t, text), tb, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(res)
		if err != nil {
			t.Fatal(err)
		}
		var v map[string]any
		if err := json.Unmarshal(b, &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	zone := time.FixedZone("", 3600)
	base := time.Date(2026, 10, 12, 9, 40, 0, 0, zone)
	want := at(base)
	for _, applied := range []time.Time{time.Date(2038, 1, 18, 9, 40, 0, 0, zone), time.Date(2040, 10, 8, 9, 40, 0, 0, zone)} {
		numbers := moved(t, "", at(applied), want, applied.Sub(base))
		if numbers < 40 {
			t.Errorf("%s: only %d numbers and times compared", applied.Format(time.DateOnly), numbers)
		}
	}
}

// moved compares two answers whose times are by apart, and counts.
func moved(t *testing.T, where string, got, want any, by time.Duration) int {
	t.Helper()
	n := 0
	switch w := want.(type) {
	case map[string]any:
		g, _ := got.(map[string]any)
		if len(g) != len(w) {
			t.Fatalf("%s: %v, want %v", where, got, want)
		}
		for k := range w {
			n += moved(t, where+"."+k, g[k], w[k], by)
		}
	case []any:
		g, _ := got.([]any)
		if len(g) != len(w) {
			t.Fatalf("%s: %v, want %v", where, got, want)
		}
		for i := range w {
			n += moved(t, where, g[i], w[i], by)
		}
	case string:
		g, _ := got.(string)
		if tw, err := time.Parse(time.RFC3339, w); err == nil {
			tg, err := time.Parse(time.RFC3339, g)
			if d := tg.Sub(tw) - by; err != nil || d.Abs() > time.Second {
				t.Errorf("%s: %s, want %s and %s", where, g, w, by)
			}
			return 1
		}
		if g != w {
			t.Errorf("%s: %q, want %q", where, g, w)
		}
	case float64:
		if g, ok := got.(float64); !ok || math.Abs(g-w) > 1e-9*math.Max(1, math.Abs(w)) {
			t.Errorf("%s: %v, want %v", where, got, want)
		}
		return 1
	default:
		if got != want {
			t.Errorf("%s: %v, want %v", where, got, want)
		}
	}
	return n
}
