// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The order of the marks at steady temperature, for every set over 0 to 35 °C;
// a mark that is never passed is last.
func TestMarksAreInOrder(t *testing.T) {
	for _, n := range names {
		r := generic(t, n)
		for c := 0.0; c <= 35; c += .5 {
			m := Steady(r, c, 1, true).TimesMin
			last := 0.0
			for i, p := range []*float64{m.Tacky, m.RecoatOpens, m.Green, m.Firm, m.Hard} {
				x := math.Inf(1)
				if p != nil {
					x = *p
				}
				if x < last {
					t.Errorf("%s at %g °C: mark %d at %.1f min, after %.1f", n, c, i, x, last)
				}
				last = x
			}
			if m.Firm != nil && *m.RecoatCloses != *m.Firm {
				t.Errorf("%s at %g °C: closes at %.1f, firm at %.1f min", n, c, *m.RecoatCloses, *m.Firm)
			}
		}
	}
}

// wander is a trace that goes straight from one quarter hour to the next.
func wander(t *rapid.T, hours int) []float64 {
	c := rapid.Float64Range(8, 30).Draw(t, "start")
	out := []float64{c}
	for range hours * 4 {
		c = min(max(c+rapid.Float64Range(-1.5, 1.5).Draw(t, "step"), 3), 38)
		out = append(out, c)
	}
	return out
}

// follow carries one rate factor along a trace with steps of dt seconds and
// reads the marks.
func follow(r Resin, trace []float64, kappa, dt float64, film Film) (Marks, Path) {
	it := NewIntegrator(r)
	p := NewPath(&r, 0, trace[0])
	g, m := NewGauge(&p, film), NewMarks()
	a := []float64{0}
	at := func(s float64) float64 {
		i := min(int(s/900), len(trace)-2)
		return trace[i] + (s/900-float64(i))*(trace[i+1]-trace[i])
	}
	for s := 0.0; s < float64(len(trace)-1)*900-1; s += dt {
		a0 := a[0]
		c0, c1 := at(s), at(s+dt)
		it.Advance(a, []float64{kappa}, dt, c0, c1)
		p.To(s+dt, c1)
		g.Prepare()
		g.Mark(&m, a0, dt*r.Rate(a0, c0, kappa), a[0])
	}
	return m, p
}

// A path in quarter hours, as the forecast has it, passes the marks within a
// minute of one in minutes, as the readings have it.
func TestMarksDoNotDependOnTheStep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := genericOf(rapid.SampledFrom(names).Draw(t, "resin"))
		trace := wander(t, 40)
		k := math.Exp(rapid.Float64Range(-.5, .5).Draw(t, "ln κ"))
		film := Film{FirmK: rapid.Float64Range(-6, 6).Draw(t, "firm"), HardK: rapid.Float64Range(-6, 6).Draw(t, "hard")}
		a, pa := follow(r, trace, k, 60, film)
		b, pb := follow(r, trace, k, 900, film)
		for m := Tacky; m < NumMarks; m++ {
			x, y := a.At(m, &pa.Ages), b.At(m, &pb.Ages)
			if x == y || math.Abs(x-y) <= 60 {
				continue
			}
			// A mark that moves away with the warming panel may just be
			// touched in one and missed in the other.
			if m >= Firm && touches(r, trace, k, film, m, min(x, y)) {
				continue
			}
			t.Errorf("mark %d at %.2f h by minutes, %.2f h by quarter hours", m, x/3600, y/3600)
		}
	})
}

// touches reports whether a mark's level at s is passed by less than .15 K.
func touches(r Resin, trace []float64, kappa float64, film Film, m Mark, s float64) bool {
	film.FirmK += .15
	film.HardK += .15
	x, p := follow(r, trace, kappa, 60, film)
	return x.At(m, &p.Ages) > s+120
}

// T_now is the mean of the last ten minutes of a line: the temperature five
// minutes ago.
func TestTenMinutes(t *testing.T) {
	r := generic(t, Medium)
	for _, dt := range []float64{5, 20, 60, 300, 420, 900, 1800} {
		p := NewPath(&r, 0, 10)
		for s := dt; s < 7200; s += dt {
			p.To(s, 10+s/600)
			if want := 10 + (s-300)/600; s >= 600 && math.Abs(p.NowC()-want) > 1e-9*s {
				t.Errorf("in steps of %g s: %.6f °C after %g s, want %.6f", dt, p.NowC(), s, want)
			}
		}
	}
}

// Of two coats at one temperature, whatever happened to the panel before, the
// further cured has passed every level that the other has.
func TestNoMemoryOfWarmth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := genericOf(rapid.SampledFrom(names).Draw(t, "resin"))
		end := rapid.Float64Range(5, 30).Draw(t, "end")
		level := func(before float64) (l [numLevels]float64) {
			p := NewPath(&r, 0, before)
			p.To(1800, before)
			p.To(2400, end)
			p.To(3600, end)
			g := NewGauge(&p, Film{})
			for m := range l {
				l[m] = g.Level(Mark(m))
			}
			return l
		}
		warm, cold := level(28), level(12)
		for m := range warm {
			if math.Abs(warm[m]-cold[m]) > 1e-12 {
				t.Errorf("level %d is %.6f after warmth, %.6f after cold", m, warm[m], cold[m])
			}
		}
	})
}

// Steady marks read off a path are those of the quadrature.
func TestPathAgainstQuadrature(t *testing.T) {
	for _, n := range names {
		r := generic(t, n)
		for _, c := range []float64{12, 20, 27} {
			trace := make([]float64, 4*150)
			for i := range trace {
				trace[i] = c
			}
			m, p := follow(r, trace, 1, 900, Film{})
			s := Steady(r, c, 1, true).TimesMin
			for i, x := range map[Mark]*float64{Tacky: s.Tacky, Opens: s.RecoatOpens, Green: s.Green, Firm: s.Firm, Closes: s.RecoatCloses, Hard: s.Hard} {
				if got := m.At(i, &p.Ages) / 60; x != nil && *x < 149*60 && math.Abs(got-*x) > 1 {
					t.Errorf("%s at %g °C: mark %d at %.1f min, by quadrature %.1f", n, c, i, got, *x)
				}
			}
		}
	}
}

func ExamplePath() {
	r, _ := Generic(Medium)
	it := NewIntegrator(r)
	p := NewPath(&r, 0, 20)
	g, m := NewGauge(&p, Film{}), NewMarks()
	alpha := []float64{0}
	for t := 900.0; t <= 12*3600; t += 900 {
		was := alpha[0]
		it.Advance(alpha, []float64{1}, 900, 20, 20)
		p.To(t, 20)
		g.Prepare()
		g.Mark(&m, was, math.NaN(), alpha[0])
	}
	fmt.Printf("tacky %.1f h, green %.1f h, firm %.1f h\n", m.When[Tacky]/3600, m.When[Green]/3600, m.When[Firm]/3600)
	// Output:
	// tacky 2.2 h, green 5.2 h, firm 8.1 h
}
