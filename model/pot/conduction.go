// SPDX-License-Identifier: Apache-2.0

package pot

import "math"

// The classes of a conducting mass: a slab, a long cylinder, a sphere.
const (
	Slab     = 0
	Cylinder = 1
	Sphere   = 2
)

// DeltaCritical returns the critical Frank-Kamenetskii number
// δ = ρ·H·r·E·L²/(k·R·T²) of a heat-making mass of the class (slab, cylinder,
// sphere; L the half thickness or radius) with Biot number h·L/k at its
// surface, in the exponential approximation and without consumption. As the
// Biot number grows it tends to .878, 2.000 and 3.322; as it falls, to the
// lumped limit (class+1)·Bi/e. NaN for a Biot number that is not positive.
//
// The steady equation θ” + (j/x)θ' + δ·exp(θ) = 0 is integrated outwards from
// the centre once, in the Emden variable ξ = x·√(δ·exp θ₀); every surface
// point of that one curve is the steady state of some δ, and the largest δ is
// the last that has one.
func DeltaCritical(class int, biot float64) float64 {
	if !(biot > 0) || class < Slab || class > Sphere {
		return math.NaN()
	}
	j := float64(class)
	deltaAt := func(x, psi, slope float64) float64 {
		center := psi + x*slope/biot // θ₀ = θ_s + ψ
		return x * x * math.Exp(-center)
	}
	// ψ” + (j/ξ)ψ' = exp(−ψ), ψ = ξ²/(2(1+j)) near the centre.
	f := func(x, psi, slope float64) float64 { return math.Exp(-psi) - j*slope/x }
	// A poorly cooled mass turns at ξ near √(2·Bi): the step follows.
	h := 0.002 * math.Min(1, math.Sqrt(biot))
	x := h
	psi := x * x / (2 * (1 + j))
	slope := x / (1 + j)
	best := deltaAt(x, psi, slope)
	for x < 40 {
		a1, b1 := slope, f(x, psi, slope)
		a2, b2 := slope+h/2*b1, f(x+h/2, psi+h/2*a1, slope+h/2*b1)
		a3, b3 := slope+h/2*b2, f(x+h/2, psi+h/2*a2, slope+h/2*b2)
		a4, b4 := slope+h*b3, f(x+h, psi+h*a3, slope+h*b3)
		psi += h / 6 * (a1 + 2*a2 + 2*a3 + a4)
		slope += h / 6 * (b1 + 2*b2 + 2*b3 + b4)
		x += h
		d := deltaAt(x, psi, slope)
		if d < best {
			break // past the fold: the first maximum is the critical state
		}
		best = d
	}
	return best
}
