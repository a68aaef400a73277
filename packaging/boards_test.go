// SPDX-License-Identifier: Apache-2.0

package packaging

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// boards are the machines that programs are made for, as Debian's user-mode
// emulators play them. The same processor under another name is another test:
// arm1176 has no division in hardware, cortex-a7 has.
var boards = []struct {
	name, goarch, goarm string
	emulator            []string
}{
	{"arm64", "arm64", "", []string{"qemu-aarch64-static"}},
	{"arm1176", "arm", "6", []string{"qemu-arm-static", "-cpu", "arm1176"}},
	{"cortex-a7", "arm", "6", []string{"qemu-arm-static", "-cpu", "cortex-a7"}},
}

// The programs for small boards compute what the one for a PC does, to 1e-9, estimates to 5e-6:
// the model alone, or the whole program with CUREWRIGHT_WHOLE_PROGRAM set.
// They need not agree to the last bit: arm64 fuses multiplication and addition.
func TestSameNumbersOnSmallBoards(t *testing.T) {
	if testing.Short() {
		t.Skip("builds three programs")
	}
	program := "./testdata/numbers"
	whole := os.Getenv("CUREWRIGHT_WHOLE_PROGRAM") != ""
	if whole {
		program = "curewright/cmd/curewright" // minutes to build from nothing
	}
	for _, b := range boards {
		tool(t, b.emulator[0], "qemu-user-static")
	}
	dir := t.TempDir()
	readings, job := realNight(t, dir)
	commands := [][]string{
		{"cure", "--resin", "medium", "--temp", "17", "--json"},
		{"cure", "--resin", "slow", "--temp", "9", "--kappa", "1.2", "--json"},
		{"pot", "--resin", "fast", "--grams", "180", "--shape", "cup", "--shop", "22", "--json"},
		{"replay", "--readings", readings, "--job", job, "--json"},
	}
	if whole {
		commands = append(commands, []string{"air", "--temp", "14", "--rh", "83", "--panel", "11", "--json"},
			[]string{"demo", "--print", "1h"}) // the whole daemon: store, estimates, alerts, what the page gets
	} else {
		commands = append(commands, []string{"demo", "--job", "testdata/demo.toml"})
	}
	build := func(name, goarch, goarm string) string {
		out := filepath.Join(dir, name)
		cmd := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", out, program)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+goarch, "GOARM="+goarm)
		if said, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, said)
		}
		return out
	}
	answer := func(program []string, args []string) any {
		t.Helper()
		all := append(append([]string{}, program...), args...)
		cmd := exec.Command(all[0], all[1:]...)
		var errs bytes.Buffer
		cmd.Stderr = &errs
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s: %v\n%s", strings.Join(all, " "), err, errs.Bytes())
		}
		var lines []any
		for dec := json.NewDecoder(bytes.NewReader(out)); ; {
			var v any
			if err := dec.Decode(&v); err == io.EOF {
				return lines
			} else if err != nil {
				t.Fatalf("%s: %v\n%s", strings.Join(all, " "), err, out)
			}
			lines = append(lines, v)
		}
	}
	pc := build("pc", "amd64", "")
	built := map[string]string{}
	want := make([]any, len(commands))
	for i, c := range commands {
		want[i] = answer([]string{pc}, c)
	}
	for _, b := range boards {
		if built[b.goarch] == "" {
			built[b.goarch] = build(b.goarch, b.goarch, b.goarm)
		}
		worst, numbers := 0.0, 0
		for i, c := range commands {
			n, d := compare(t, b.name+" "+c[0], answer(append(b.emulator, built[b.goarch]), c), want[i])
			numbers += n
			worst = math.Max(worst, d)
			if c[0] == "demo" {
				t.Logf("%s: %d numbers and times of the demo's hour", b.name, n)
				if n < 1500 {
					t.Errorf("%s: only %d numbers of the demo's hour", b.name, n)
				}
			}
		}
		t.Logf("%s: %d numbers and times, largest relative difference %.2g", b.name, numbers, worst)
		if numbers < 1600 {
			t.Errorf("%s: only %d numbers compared", b.name, numbers)
		}
	}
}

// compare walks two answers; numbers may differ by 1e-9 of their size, those of
// an estimate by the integral's own error, times by the second that they are
// printed to.
func compare(t *testing.T, at string, got, want any) (numbers int, worst float64) {
	t.Helper()
	sub := func(at string, g, w any) {
		n, d := compare(t, at, g, w)
		numbers += n
		worst = math.Max(worst, d)
	}
	switch w := want.(type) {
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok || len(g) != len(w) {
			t.Errorf("%s: %v, want %v", at, got, want)
			return
		}
		for k := range w {
			sub(at+"."+k, g[k], w[k])
		}
	case []any:
		g, ok := got.([]any)
		if !ok || len(g) != len(w) {
			t.Errorf("%s: %v, want %v", at, got, want)
			return
		}
		for i := range w {
			sub(fmt.Sprintf("%s[%d]", at, i), g[i], w[i])
		}
	case float64:
		g, ok := got.(float64)
		d := math.Abs(g-w) / math.Max(1, math.Abs(w))
		limit := 1e-9
		if strings.HasSuffix(at, ".peak_minutes") {
			// Where a curve is flat its top is found to the root of its own
			// rounding; the height itself must agree.
			limit = 1e-7
		}
		if strings.Contains(at, ".coats[") {
			// The integral is cut into steps by the change of temperature: where
			// a processor fuses multiply and add (arm64) the last digit can cut
			// one step more, which moves the result within its own error, 1e-6
			// in α.
			limit = 5e-6
		}
		if !ok || !(d <= limit) {
			t.Errorf("%s: %v, want %v", at, got, want)
		}
		return 1, d
	case string:
		g, ok := got.(string)
		tw, werr := time.Parse(time.RFC3339, w)
		tg, gerr := time.Parse(time.RFC3339, g)
		if ok && werr == nil && gerr == nil && tg.Sub(tw).Abs() <= time.Second {
			return 1, 0
		}
		if g != w || !ok {
			t.Errorf("%s: %v, want %v", at, got, want)
		}
	default:
		if got != want {
			t.Errorf("%s: %v, want %v", at, got, want)
		}
	}
	return numbers, worst
}

// realNight makes readings and a job from the open data: 18 hours of a real
// room from its second evening on, with a gap. Source: L. M. Candanedo,
// V. Feldheim, Energy and Buildings 112 (2016) 28–39, UCI "Occupancy
// Detection".
func realNight(t *testing.T, dir string) (readings, job string) {
	t.Helper()
	from := time.Date(2015, 2, 12, 18, 0, 0, 0, time.UTC)
	var b strings.Builder
	b.WriteString("time,probe,temp_c,rh_pct,co2_ppm\n")
	n := 0
	for _, r := range testkit.Office(t, 0) {
		h := r.At.Sub(from).Hours()
		if h < 0 || h > 18 || h > 7 && h < 8 {
			continue
		}
		n++
		at := r.At.Format(time.RFC3339)
		fmt.Fprintf(&b, "%s,panel-1,%g,,\n%s,air-1,%g,%g,%g\n", at, r.C, at, r.C, r.RH, r.CO2)
	}
	if n < 900 {
		t.Fatalf("%d rows of the night, want about 1020", n)
	}
	readings, job = filepath.Join(dir, "night.csv"), filepath.Join(dir, "night.toml")
	at := func(h float64) string { return from.Add(time.Duration(h * float64(time.Hour))).Format(time.RFC3339) }
	testkit.Write(t, readings, b.String())
	testkit.Write(t, job, fmt.Sprintf(`[[panel]]
id = "lid-outer"
probe = "panel-1"
air = "air-1"
core = "foam"

[[coat]]
id = "tack"
panel = "lid-outer"
resin = "medium"
kind = "tack coat"
applied = %s

[[feel]]
coat = "tack"
at = %s
state = "tacky"

[[coat]]
id = "fill"
panel = "lid-outer"
resin = "slow"
kind = "fill coat"
applied = %s
`, at(0.5), at(3), at(5)))
	return readings, job
}
