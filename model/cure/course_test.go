// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// On any path, for any resin that may be used and either reading of its range, a
// coat never goes back, its marks come in their order within the path, and what it
// is at the end does not depend on how the path was cut into stretches beyond what
// the stepper promises.
func TestCourse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		r := genericOf(rapid.SampledFrom([]string{"fast", "medium", "slow"}).Draw(t, "resin"))
		r.E1, r.M, r.N = draw("e1", 40e3, 90e3), draw("m", 0, 2), draw("n", .5, 4)
		r.A1 *= math.Exp((r.E1 - 57e3) / (GasConstant * 298.15))
		r.D, r.W, r.Lambda = draw("d", -20, 40), draw("w", 1, 30), draw("lambda", .05, 1)
		if len(r.Check()) > 0 {
			t.Skip("not to be used")
		}
		if rapid.Bool().Draw(t, "limit") {
			r.RecoatUntil = &TimeAt{Hours: draw("hours", 1, 72), TempC: 20}
		}
		kappa, start := draw("kappa", .2, 5), draw("start", 0, 1e5)
		c := draw("c", -10, 45)
		var temp []float32
		for range rapid.IntRange(1, 289).Draw(t, "n") {
			temp = append(temp, float32(c))
			c = min(max(c+draw("step", -3, 3), -40), 90)
		}
		var s Stepper
		s.Prepare(&r)
		p := NewPath(&r, start, float64(temp[0]))
		film := Film{Tacky: draw("tacky", -.1, .05), Gel: draw("gel", 0, .1), FirmK: draw("firm", -9, 9), HardK: draw("hard", -9, 9)}
		film.Opens = film.Tacky
		g := NewGauge(&p, film)
		var way Course
		way.Begin(&s, &p, &g, temp, start, 900, true, Shut)
		law, less := NewMarks(), NewMarks()
		y, b, k := 0.0, 0.0, 0
		end := start + 900*float64(len(temp)-1)
		for way.Next() {
			k += way.n
			y1, b1 := way.Carry(&way.Law, &law, y, kappa), way.Carry(&way.Less, &less, b, kappa)
			if !(y1 >= y) || !(b1 >= b) || r.W >= narrowest && b1 > y1*1.1+.01 || math.IsInf(y1, 1) {
				t.Fatalf("from y = %g, %g to %g, %g", y, b, y1, b1)
			}
			y, b = y1, b1
			if a := s.Alpha(y); !(a >= 0 && a <= 1) {
				t.Fatalf("α = %g", a)
			}
		}
		if k != len(temp)-1 {
			t.Fatalf("%d of %d steps", k, len(temp)-1)
		}
		for _, m := range []*Marks{&law, &less} {
			for i, at := range m.When {
				if at < start || at > end && !math.IsInf(at, 1) {
					t.Errorf("mark %d at %g s, path from %g to %g", i, at, start, end)
				}
				if Mark(i) > Tacky && Mark(i) < Hard && at < m.When[i-1]-1 {
					t.Errorf("mark %d at %g s, before the one below it at %g", i, at, m.When[i-1])
				}
			}
		}
	})
}
