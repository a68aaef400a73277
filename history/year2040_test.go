// SPDX-License-Identifier: Apache-2.0

package history

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"curewright/sensors"
)

// Readings, records and events over the second that 32 bits of seconds end at
// (2038-01-19 03:14:07 UTC), and in 2040, are kept as any other: in the tail,
// packed, and after a restart. Small boards have 32-bit integers.
func TestYear2040(t *testing.T) {
	for _, start := range []time.Time{time.Unix(1<<31-1800, 0).UTC(), time.Date(2040, 2, 29, 12, 0, 0, 0, time.UTC)} {
		t.Run(start.Format(time.DateOnly), func(t *testing.T) {
			ctx, dir := t.Context(), t.TempDir()
			now := start
			opts := Options{Now: func() time.Time { return now }}
			s := open(t, dir, opts)
			var want []sensors.Reading
			for i := range 6 * 60 * 3 { // three hours, so that two are packed
				now = start.Add(time.Duration(i) * 10 * time.Second)
				r := reading("panel-1", now, 15+float64(i%64)/16)
				want = append(want, Quantise(r))
				if s.Append([]sensors.Reading{r}) != 1 {
					t.Fatalf("%s was refused", now)
				}
			}
			applied := start.Add(40 * time.Minute)
			body := fmt.Appendf(nil, `{"panel":"lid-outer","applied":%q}`, applied.Format(time.RFC3339))
			id, _, err := s.CreateWork(ctx, "coat", "", body, "bench", applied, "")
			must(t, err)
			s.AddEvent("clock", "", "trusted", applied, "bench")
			must(t, s.Compact(ctx))
			look := func(when string) {
				t.Helper()
				got := collect(t, s, "panel-1", time.Time{}, time.Time{})
				if len(got) != len(want) {
					t.Fatalf("%s: %d readings, want %d", when, len(got), len(want))
				}
				for i := range got {
					if got[i] != want[i] {
						t.Fatalf("%s: %v, want %v", when, got[i], want[i])
					}
				}
				if got := collect(t, s, "panel-1", applied, applied.Add(time.Minute-time.Millisecond)); len(got) != 6 || !got[0].At.Equal(applied) {
					t.Errorf("%s: a minute has %d readings, want 6", when, len(got))
				}
				var c struct{ Applied time.Time }
				b, _, ok := s.Record("coat", id)
				if err := json.Unmarshal(b, &c); !ok || err != nil || !c.Applied.Equal(applied) {
					t.Errorf("%s: the coat is %s (%v)", when, b, err)
				}
				if es, err := s.Events(ctx, start, now, 0); err != nil || len(es) != 1 || !es[0].At.Equal(applied) {
					t.Errorf("%s: events %v, %v", when, es, err)
				}
			}
			look("running")
			must(t, s.Close())
			s = open(t, dir, opts)
			look("opened again")
			if tr := s.Trouble(); tr != "" {
				t.Error(tr)
			}
		})
	}
}
