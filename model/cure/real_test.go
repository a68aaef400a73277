// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"curewright/internal/realpart"
)

// runPython gives in, as JSON, to a script of testdata and reads its answer
// into out.
func runPython(t testing.TB, script string, in, out any) {
	t.Helper()
	p := realpart.SciPy(t)
	b, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(p, filepath.Join("testdata", script))
	cmd.Stdin = bytes.NewReader(b)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	got, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s", script, err, stderr.Bytes())
	}
	if err := json.Unmarshal(got, out); err != nil {
		t.Fatalf("%s: %v", script, err)
	}
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
func office(t testing.TB) history {
	t.Helper()
	f, err := os.Open(realpart.Office(t))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var h history
	var t0 time.Time
	for i, r := range rows[1:] {
		at, err := time.Parse(time.RFC3339, r[0])
		if err != nil {
			t.Fatal(err)
		}
		c, err := strconv.ParseFloat(r[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			t0 = at
		}
		h.Times = append(h.Times, at.Sub(t0).Seconds())
		h.Temps = append(h.Temps, c)
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
