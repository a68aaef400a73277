// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"path/filepath"
	"testing"

	"curewright/internal/realpart"
)

// runPython gives in, as JSON, to a script of testdata and reads its answer
// into out.
func runPython(t testing.TB, script string, in, out any) {
	t.Helper()
	realpart.Ask(t, in, out, realpart.SciPy(t), filepath.Join("testdata", script))
}

// history is a temperature trace: seconds from its start, °C.
type history struct {
	Times []float64 `json:"times"`
	Temps []float64 `json:"temps"`
}

func (h history) plus(dK float64) history {
	out := history{Times: h.Times, Temps: make([]float64, len(h.Temps))}
	for i, c := range h.Temps {
		out.Temps[i] = c + dK
	}
	return out
}

func (h history) first(n int) history { return history{h.Times[:n], h.Temps[:n]} }

// office is the air temperature of a real room over a week, by the minute:
// Candanedo and Feldheim, Energy and Buildings 112 (2016) 28, the UCI
// repository's "Occupancy Detection" set.
func office(t testing.TB) (h history) {
	t.Helper()
	rows := realpart.Room(t)
	for _, r := range rows {
		h.Times = append(h.Times, r.At.Sub(rows[0].At).Seconds())
		h.Temps = append(h.Temps, r.TempC)
	}
	return h
}

func generic(t testing.TB, name string) Resin {
	t.Helper()
	r, ok := Generic(name)
	if !ok {
		t.Fatalf("no generic resin %q", name)
	}
	return r
}

var names = []string{Fast, Medium, Slow}
