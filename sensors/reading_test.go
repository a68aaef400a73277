// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"encoding/json"
	"math"
	"testing"
	"time"
)

// A missing value stays missing over JSON, and no text makes a number that is
// none.
func FuzzValueJSON(f *testing.F) {
	for _, s := range []string{"null", "17.25", "-0", "1e400", `"17"`, "NaN", "[1]", "", "1e308"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var v Value
		if err := json.Unmarshal([]byte(s), &v); err != nil {
			if v.OK() {
				t.Errorf("%q: %v beside %v", s, v, err)
			}
			return
		}
		x, ok := v.Get()
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Errorf("%q: %v", s, x)
		}
		b, err := json.Marshal(v)
		must(t, err)
		var again Value
		if err := json.Unmarshal(b, &again); err != nil || again != v || (!ok && string(b) != "null") {
			t.Errorf("%q: %s, %v, %v", s, b, again, err)
		}
	})
}

func TestMissingIsNoNumber(t *testing.T) {
	var v Value
	if _, ok := v.Get(); ok || v.OK() || v.Ptr() != nil || !math.IsNaN(v.OrNaN()) || v.String() != "missing" {
		t.Errorf("%v", v)
	}
	if z := Some(0); !z.OK() || z.Ptr() == nil || *z.Ptr() != 0 || z.String() != "0" {
		t.Errorf("a true zero: %v", z)
	}
	if got := FromPtr(nil); got.OK() {
		t.Errorf("%v", got)
	}
}

func BenchmarkPush(b *testing.B) {
	now := time.Now()
	s := NewSet(IntakeConfig{Now: func() time.Time { return now }}, func(Reading) {})
	src := Source{Accept: true, ClockTrusted: true}
	batch := make([]Pushed, 16)
	ids := []string{"a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k", "l", "m", "n", "o", "p"}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		now = now.Add(time.Second)
		for j := range batch {
			batch[j] = Pushed{Probe: ids[j], Temp: Some(17 + .1*float64((i+j)%5)), RH: Some(60)}
		}
		if n, refused := s.Push(src, batch); n != 16 {
			b.Fatal(refused)
		}
	}
}
