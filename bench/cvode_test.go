// SPDX-License-Identifier: Apache-2.0

package bench

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"curewright/model/cure"

	"curewright/internal/realpart"
)

var (
	once  sync.Once
	binry string
	built error
	why   string
)

// program compiles cvode.c once.
func program(t testing.TB) string {
	t.Helper()
	cc := realpart.Program(t, "cc")
	if _, err := os.Stat("/usr/include/cvode/cvode.h"); err != nil {
		realpart.Missing(t, "no SUNDIALS here (Debian: libsundials-dev)")
	}
	once.Do(func() {
		dir, err := os.MkdirTemp("", "cvode")
		if err != nil {
			built = err
			return
		}
		binry = filepath.Join(dir, "cvode")
		out, err := exec.Command(cc, "-O3", "-march=native", "-o", binry, filepath.Join("cvode", "cvode.c"),
			"-lsundials_cvode", "-lsundials_nvecserial", "-lsundials_sunmatrixdense", "-lm").CombinedOutput()
		built, why = err, string(out)
	})
	if built != nil {
		t.Fatalf("cvode.c: %v\n%s", built, why)
	}
	return binry
}

func TestMain(m *testing.M) {
	code := m.Run()
	if binry != "" {
		os.RemoveAll(filepath.Dir(binry))
	}
	os.Exit(code)
}

// input is what the program reads.
func input(r cure.Resin, kappa float64, temps []float64) string {
	var b strings.Builder
	for _, x := range []float64{r.A1, r.A2, r.E1, r.E2, r.M, r.N, r.Tg0, r.TgInf, r.Lambda, r.D, r.W, kappa} {
		fmt.Fprintf(&b, "%.17g ", x)
	}
	fmt.Fprintf(&b, "%d\n", len(temps))
	for _, c := range temps {
		fmt.Fprintf(&b, "%.17g\n", c)
	}
	return b.String()
}

func run(t testing.TB, in string, args ...string) []float64 {
	t.Helper()
	cmd := exec.Command(program(t), args...)
	cmd.Stdin = strings.NewReader(in)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("cvode %v: %v\n%s", args, err, stderr.Bytes())
	}
	var x []float64
	for _, f := range strings.Fields(string(out)) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		x = append(x, v)
	}
	return x
}

// day is 24 h by the minute: a shed's day with a probe's noise of .1 K.
func day() (times, temps []float64) {
	rnd := rand.New(rand.NewPCG(24, 60))
	for i := range 1441 {
		times = append(times, float64(i)*60)
		temps = append(temps, 18+6*math.Sin(2*math.Pi*float64(i)/1440)+.1*rnd.NormFloat64())
	}
	return times, temps
}

// office is the first day of a real room's air by the minute (Candanedo and
// Feldheim, Energy and Buildings 112 (2016) 28).
func office(t testing.TB) (times, temps []float64) {
	t.Helper()
	for i, r := range realpart.Room(t)[:1441] {
		times = append(times, float64(i)*60)
		temps = append(temps, r.TempC)
	}
	return times, temps
}

// tight is CVODE's answer at each hour with a tolerance far below what is
// asked of either. Without a largest step it glides over single readings that
// stand out, whatever its tolerance.
func tight(t testing.TB, in string) []float64 {
	t.Helper()
	return run(t, in, "tight")
}

func worst(a, b []float64) float64 {
	d := 0.0
	for i := range a {
		d = max(d, math.Abs(a[i]-b[i]))
	}
	return d
}

// The same equations by SUNDIALS CVODE: α at each hour of a day must agree to
// 1e-6.
func TestAgainstCVODE(t *testing.T) {
	for name, trace := range map[string]func(testing.TB) ([]float64, []float64){
		"day":    func(testing.TB) ([]float64, []float64) { return day() },
		"office": office,
	} {
		t.Run(name, func(t *testing.T) {
			times, temps := trace(t)
			for _, set := range []string{cure.Fast, cure.Medium, cure.Slow} {
				r, _ := cure.Generic(set)
				it := cure.NewIntegrator(r)
				want := tight(t, input(r, 1, temps))
				if len(want) != 24 {
					t.Fatalf("%d hours from CVODE", len(want))
				}
				a, k := []float64{0}, []float64{1}
				for i := 1; i < len(times); i++ {
					it.Advance(a, k, times[i]-times[i-1], temps[i-1], temps[i])
					if h := i / 60; i%60 == 0 && math.Abs(a[0]-want[h-1]) > 1e-6 {
						t.Errorf("%s after %d h: α %.9f, CVODE %.9f", set, h, a[0], want[h-1])
					}
				}
			}
		})
	}
}

// setting is a way to run CVODE that meets 1e-6 at every hour.
type setting struct {
	method, tol, hmax string
	ns                float64
}

// quickest finds, for a method, the loosest tolerance that meets 1e-6 without
// a largest step and with ones of one and two readings, and of these the
// quickest.
func quickest(t testing.TB, in, method string) setting {
	t.Helper()
	want := tight(t, in)
	best := setting{ns: math.Inf(1)}
	for _, hmax := range []string{"0", "60", "120"} {
		for e := -3.0; e >= -11; e -= .25 {
			s := setting{method: method, hmax: hmax, tol: fmt.Sprintf("%.3g", math.Pow(10, e))}
			if worst(run(t, in, "check", method, s.tol, hmax), want) > 1e-6 {
				continue
			}
			s.ns = math.Inf(1)
			for range 4 {
				s.ns = min(s.ns, run(t, in, "time", method, s.tol, hmax, "5")[1])
			}
			if s.ns < best.ns {
				best = s
			}
			break
		}
	}
	if math.IsInf(best.ns, 1) {
		t.Fatalf("%s does not reach 1e-6", method)
	}
	return best
}

// factors are as many rate factors as a coat is followed with, over the same span.
const factors = 21

// BenchmarkDay reports, over one day by the minute, how many times faster one rate
// factor of a coat is followed than by the better of CVODE's two methods, each in
// the quickest setting that meets the same 1e-6, start-up excluded on both sides.
// Ours is Advance on the readings as they come, with all of a coat's factors at
// once, as the daemon calls it. The two take turns, and of each the quickest run
// counts: others use this machine too.
func BenchmarkDay(b *testing.B) {
	times, temps := day()
	for _, set := range []string{cure.Fast, cure.Medium, cure.Slow} {
		b.Run(set, func(b *testing.B) {
			r, _ := cure.Generic(set)
			in := input(r, 1, temps)
			it := cure.NewIntegrator(r)
			cv := []setting{quickest(b, in, "adams"), quickest(b, in, "bdf")}
			rk, floor := math.Inf(1), math.Inf(1)
			ours := time.Duration(math.MaxInt64)
			a, k := make([]float64, factors), make([]float64, factors)
			for i := range k {
				k[i] = math.Exp(3 * (float64(i)/(factors-1) - .5))
			}
			day := func() {
				clear(a)
				for i := 1; i < len(times); i++ {
					it.Advance(a, k, times[i]-times[i-1], temps[i-1], temps[i])
				}
			}
			for range 12 {
				for i := range cv {
					s := &cv[i]
					s.ns = min(s.ns, run(b, in, "time", s.method, s.tol, s.hmax, "12")[1])
				}
				rk = min(rk, run(b, in, "time", "rk4", "0", "0", "12")[1])
				floor = min(floor, run(b, in, "time", "exp", "0", "0", "50")[1])
				for range 40 {
					start := time.Now()
					day()
					ours = min(ours, time.Since(start)/factors)
				}
			}
			for b.Loop() {
				day()
			}
			us := float64(ours.Nanoseconds()) / 1e3
			for _, s := range cv {
				b.Logf("CVODE %s at tolerance %s, largest step %s s: %.0f µs", s.method, s.tol, s.hmax, s.ns/1e3)
			}
			b.Logf("one-minute RK4 in C %.0f µs; one exponential a reading in C %.1f µs; ours %.1f µs", rk/1e3, floor/1e3, us)
			best := min(cv[0].ns, cv[1].ns) / 1e3
			b.ReportMetric(us, "ours-µs")
			b.ReportMetric(best, "cvode-µs")
			b.ReportMetric(best/us, "x-cvode")
			b.ReportMetric(rk/1e3, "rk4-µs")
			b.ReportMetric(rk/1e3/us, "x-rk4")
			b.ReportMetric(floor/1e3, "exp-µs")
		})
	}
}
