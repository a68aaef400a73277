// SPDX-License-Identifier: Apache-2.0

// Package conduction is an independent check of model/pot: the temperature
// field of curing resin in a cup, or in a tray on a bench, by finite volumes in
// cylinder coordinates (r, z). It shares the rate law with the product
// (cure.Resin.Rate) and nothing else: no lumped temperature, no default
// diameter, no integrator of pot's.
//
// What the lumped balance leaves out is here: the core is hotter than the wall,
// and a bench takes up heat. What is left out in both: convection inside the
// liquid, boiling, decomposition, shrinkage. Film coefficients, heat capacities
// and conductivities are values from memory, the same as in physics of the pot
// (10, 8 and 4 W/(m²·K) at top, side and bottom of a cup).
package conduction

import (
	"fmt"
	"math"

	"curewright/model/cure"
)

// Material is one stratum of the stack, bottom to top.
type Material struct {
	ThickM float64 // m
	K      float64 // W/(m·K)
	RhoCp  float64 // J/(m³·K); ignored for resin, whose cp follows its temperature
	Resin  bool
	// ContactM2KW is the resistance between this stratum and the one above,
	// m²·K/W: air under a tray that touches its bench in places.
	ContactM2KW float64
}

// Stack is a cylinder of strata, losing heat at top, side and bottom.
type Stack struct {
	RadiusM           float64
	Strata            []Material // bottom first
	Top, Side, Bottom float64    // W/(m²·K)
	Gain              float64    // growth of the film coefficients per K above the air
	AirC, StartC      float64
	BenchC            float64 // start of the strata that are not resin
	Resin             cure.Resin
	Kappa             float64
	HeatJG, GCC       float64
	CellM             float64 // largest cell edge, m
}

// Cup is mixed resin standing in a cup of the given width on a bench.
func Cup(r cure.Resin, grams, diameterMM, airC, startC float64) Stack {
	radius := diameterMM / 2000
	depth := grams / r.DensityGCC * 1e-6 / (math.Pi * radius * radius)
	return Stack{RadiusM: radius, Strata: []Material{{ThickM: depth, K: 0.2, Resin: true}}, Top: 10, Side: 8, Bottom: 4, Gain: .006,
		AirC: airC, StartC: startC, Resin: r, Kappa: 1, HeatJG: r.HeatJG, GCC: r.DensityGCC, CellM: .0015}
}

// Tray is a layer of resin in a plastic tray (2 mm polypropylene) on a wooden
// bench (18 mm plywood), wide enough that its rim does not count. Contact is
// taken as half a millimetre of air, 0.02 m²·K/W. All from memory.
func Tray(r cure.Resin, depthMM, airC, startC float64) Stack {
	return Stack{RadiusM: .1, Strata: []Material{
		{ThickM: .018, K: .13, RhoCp: 600 * 1600, ContactM2KW: .02},
		{ThickM: .002, K: .2, RhoCp: 900 * 1900},
		{ThickM: depthMM / 1000, K: .2, Resin: true},
	}, Top: 10, Side: 0, Bottom: 5, Gain: .006,
		AirC: airC, StartC: startC, BenchC: airC, Resin: r, Kappa: 1, HeatJG: r.HeatJG, GCC: r.DensityGCC, CellM: .001}
}

// Point is one moment: mean, hottest and surface-most temperatures of the resin.
type Point struct {
	Minutes, MeanC, CoreC, MeanAlpha, CoreAlpha float64
}

type grid struct {
	s      Stack
	nr, nz int
	dr     float64
	dz     []float64 // by layer of cells
	mat    []int     // stratum of a layer of cells
	area   []float64 // of a ring, m²
	T, a   []float64
	dT, da []float64
}

func newGrid(s Stack) (*grid, error) {
	if !(s.RadiusM > 0) || len(s.Strata) == 0 || !(s.CellM > 0) {
		return nil, fmt.Errorf("conduction: a stack needs a radius, strata and a cell size")
	}
	g := &grid{s: s, nr: max(4, int(math.Ceil(s.RadiusM/s.CellM)))}
	if s.Side == 0 {
		g.nr = 1 // nothing varies with r
	}
	g.dr = s.RadiusM / float64(g.nr)
	for i, m := range s.Strata {
		n := max(4, int(math.Ceil(m.ThickM/s.CellM)))
		for range n {
			g.dz = append(g.dz, m.ThickM/float64(n))
			g.mat = append(g.mat, i)
		}
	}
	g.nz = len(g.dz)
	for i := range g.nr {
		r0, r1 := float64(i)*g.dr, float64(i+1)*g.dr
		g.area = append(g.area, math.Pi*(r1*r1-r0*r0))
	}
	n := g.nr * g.nz
	g.T, g.a, g.dT, g.da = make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for z := range g.nz {
		for r := range g.nr {
			t := s.BenchC
			if s.Strata[g.mat[z]].Resin {
				t = s.StartC
			}
			g.T[z*g.nr+r] = t
		}
	}
	return g, nil
}

// rhoCp is J/(m³·K) of a cell.
func (g *grid) rhoCp(z int, t float64) float64 {
	m := g.s.Strata[g.mat[z]]
	if !m.Resin {
		return m.RhoCp
	}
	return g.s.GCC * 1e6 * min(max(1.8+.004*(t-20), 1.8), 2.4)
}

// film is the flux out of a face, W/m², of a cell whose centre lies half from
// it: the resistance of the half cell and of the film in series, the film's
// growth taken at the cell.
func (g *grid) film(h, half, k, t float64) float64 {
	if h == 0 {
		return 0
	}
	d := t - g.s.AirC
	h *= 1 + g.s.Gain*max(0, d)
	return d / (1/h + half/k)
}

// rates fills dT and da for the field and returns the largest |dT/dt|, K/s,
// and the largest |dα/dt|, 1/s.
func (g *grid) rates() (most, cure float64) {
	clear(g.dT)
	nr := g.nr
	for z := range g.nz {
		mz := g.s.Strata[g.mat[z]]
		for r := range nr {
			i := z*nr + r
			vol := g.area[r] * g.dz[z]
			// Up, to the next layer of cells.
			if z+1 < g.nz {
				up := g.s.Strata[g.mat[z+1]]
				res := g.dz[z]/(2*mz.K) + g.dz[z+1]/(2*up.K)
				if g.mat[z] != g.mat[z+1] {
					res += mz.ContactM2KW
				}
				q := (g.T[i] - g.T[i+nr]) / res * g.area[r]
				g.dT[i] -= q
				g.dT[i+nr] += q
			} else {
				g.dT[i] -= g.film(g.s.Top, g.dz[z]/2, mz.K, g.T[i]) * g.area[r]
			}
			if z == 0 {
				g.dT[i] -= g.film(g.s.Bottom, g.dz[z]/2, mz.K, g.T[i]) * g.area[r]
			}
			// Outwards.
			face := 2 * math.Pi * float64(r+1) * g.dr * g.dz[z]
			if r+1 < nr {
				q := (g.T[i] - g.T[i+1]) / g.dr * mz.K * face
				g.dT[i] -= q
				g.dT[i+1] += q
			} else {
				g.dT[i] -= g.film(g.s.Side, g.dr/2, mz.K, g.T[i]) * face
			}
			if mz.Resin {
				g.da[i] = g.s.Resin.Rate(g.a[i], g.T[i], g.s.Kappa)
				g.dT[i] += g.da[i] * g.s.HeatJG * g.s.GCC * 1e6 * vol
				cure = max(cure, g.da[i])
			}
		}
	}
	for z := range g.nz {
		for r := range nr {
			i := z*nr + r
			g.dT[i] /= g.rhoCp(z, g.T[i]) * g.area[r] * g.dz[z]
			most = max(most, math.Abs(g.dT[i]))
		}
	}
	return most, cure
}

// limit is the largest stable explicit step, s.
func (g *grid) limit() float64 {
	dt := math.Inf(1)
	for z := range g.nz {
		m := g.s.Strata[g.mat[z]]
		a := m.K / g.rhoCp(z, 20)
		inv := 2 / (g.dz[z] * g.dz[z])
		if g.nr > 1 {
			inv += 2 / (g.dr * g.dr)
		}
		dt = min(dt, 0.8/(a*inv))
	}
	return dt
}

// Run follows the stack for the minutes given and shows every step to see
// until that returns false. Explicit midpoint steps, no more than half a kelvin
// or .004 of cure at a time.
func (s Stack) Run(minutes float64, see func(Point) bool) error {
	g, err := newGrid(s)
	if err != nil {
		return err
	}
	stable := g.limit()
	t := 0.0
	T0, a0 := make([]float64, len(g.T)), make([]float64, len(g.T))
	for {
		if !see(g.point(t)) || t >= minutes*60 {
			return nil
		}
		most, cure := g.rates()
		h := min(stable, .5/max(most, 1e-9), .004/max(cure, 1e-12), minutes*60-t)
		h = max(h, 1e-4)
		copy(T0, g.T)
		copy(a0, g.a)
		for i := range g.T {
			g.T[i] += h / 2 * g.dT[i]
			g.a[i] = min(g.a[i]+h/2*g.da[i], 1)
		}
		g.rates()
		for i := range g.T {
			g.T[i] = T0[i] + h*g.dT[i]
			g.a[i] = min(a0[i]+h*g.da[i], 1)
		}
		t += h
	}
}

func (g *grid) point(t float64) Point {
	p := Point{Minutes: t / 60, CoreC: math.Inf(-1)}
	var vol float64
	for z := range g.nz {
		if !g.s.Strata[g.mat[z]].Resin {
			continue
		}
		for r := range g.nr {
			i := z*g.nr + r
			v := g.area[r] * g.dz[z]
			vol += v
			p.MeanC += v * g.T[i]
			p.MeanAlpha += v * g.a[i]
			if g.T[i] > p.CoreC {
				p.CoreC, p.CoreAlpha = g.T[i], g.a[i]
			}
		}
	}
	p.MeanC /= vol
	p.MeanAlpha /= vol
	return p
}

// Times is what a run found, minutes; NaN when never. Peak is the core's.
type Times struct {
	CorePlus15, Core60, MeanPlus15, Mean60, MeanAlpha30, PeakC float64
}

// Watch runs the stack for the minutes given and reads the times off it, by
// linear interpolation within steps of at most half a kelvin. The rise counts
// from the warmer of resin and air.
func (s Stack) Watch(minutes float64) (Times, error) {
	nan := math.NaN()
	out := Times{nan, nan, nan, nan, nan, s.StartC}
	warm := max(s.AirC, s.StartC) + 15
	var prev Point
	first := true
	err := s.Run(minutes, func(p Point) bool {
		mark := func(dst *float64, a, b, level float64) {
			if !math.IsNaN(*dst) || b < level {
				return
			}
			*dst = p.Minutes
			if !first && b > a {
				*dst = prev.Minutes + (p.Minutes-prev.Minutes)*(level-a)/(b-a)
			}
		}
		mark(&out.CorePlus15, prev.CoreC, p.CoreC, warm)
		mark(&out.Core60, prev.CoreC, p.CoreC, 60)
		mark(&out.MeanPlus15, prev.MeanC, p.MeanC, warm)
		mark(&out.Mean60, prev.MeanC, p.MeanC, 60)
		mark(&out.MeanAlpha30, prev.MeanAlpha, p.MeanAlpha, .3)
		out.PeakC = max(out.PeakC, p.CoreC)
		first, prev = false, p
		// Long past its peak and cured: nothing more happens.
		return !(p.MeanAlpha > .75 && p.CoreC < out.PeakC-20) && !(p.MeanAlpha > .9)
	})
	return out, err
}
