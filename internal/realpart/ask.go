// SPDX-License-Identifier: Apache-2.0

package realpart

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"os/exec"
	"strconv"
	"testing"
	"time"
)

// Ask hands a program JSON and takes its answer as JSON.
func Ask(tb testing.TB, in, out any, program string, args ...string) {
	tb.Helper()
	b, err := json.Marshal(in)
	if err != nil {
		tb.Fatal(err)
	}
	cmd := exec.Command(program, args...)
	var stderr bytes.Buffer
	cmd.Stdin, cmd.Stderr = bytes.NewReader(b), &stderr
	got, err := cmd.Output()
	if err == nil {
		err = json.Unmarshal(got, out)
	}
	if err != nil {
		tb.Fatalf("%s %q: %v\n%s", program, args, err, stderr.Bytes())
	}
}

// Minute is one row of [Office]; Ratio is the humidity ratio that its authors
// worked out, kg/kg.
type Minute struct {
	At                       time.Time
	TempC, RHPct, CO2, Ratio float64
}

// Room is [Office] read.
func Room(tb testing.TB) (out []Minute) {
	tb.Helper()
	f, err := os.Open(Office(tb))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		tb.Fatal(err)
	}
	for _, r := range rows[1:] {
		var m Minute
		if m.At, err = time.Parse(time.RFC3339, r[0]); err != nil {
			tb.Fatal(err)
		}
		for i, x := range []*float64{&m.TempC, &m.RHPct, &m.CO2, &m.Ratio} {
			if *x, err = strconv.ParseFloat(r[1+i], 64); err != nil {
				tb.Fatal(err)
			}
		}
		out = append(out, m)
	}
	return out
}
