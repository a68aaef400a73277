// SPDX-License-Identifier: Apache-2.0

package memory

import "math"

// sym is a symmetric matrix of n rows, whole.
type sym struct {
	n int
	a []float64
}

func newSym(n int) sym { return sym{n, make([]float64, n*n)} }

func (m sym) at(i, j int) float64     { return m.a[i*m.n+j] }
func (m sym) add(i, j int, x float64) { m.a[i*m.n+j] += x }

func (m sym) clone() sym { return sym{m.n, append([]float64(nil), m.a...)} }

// inverse by Cholesky; false where m is not positive definite.
func (m sym) inverse() (sym, bool) {
	n := m.n
	l := make([]float64, n*n)
	for i := range n {
		for j := 0; j <= i; j++ {
			s := m.at(i, j)
			for k := range j {
				s -= l[i*n+k] * l[j*n+k]
			}
			if i == j {
				if !(s > 1e-12) || math.IsInf(s, 0) {
					return sym{}, false
				}
				l[i*n+i] = math.Sqrt(s)
			} else {
				l[i*n+j] = s / l[j*n+j]
			}
		}
	}
	// The inverse of L, in place, then L⁻ᵀL⁻¹.
	for j := range n {
		l[j*n+j] = 1 / l[j*n+j]
		for i := j + 1; i < n; i++ {
			s := 0.0
			for k := j; k < i; k++ {
				s -= l[i*n+k] * l[k*n+j]
			}
			l[i*n+j] = s / l[i*n+i]
		}
	}
	out := newSym(n)
	for i := range n {
		for j := 0; j <= i; j++ {
			s := 0.0
			for k := i; k < n; k++ {
				s += l[k*n+i] * l[k*n+j]
			}
			out.a[i*n+j], out.a[j*n+i] = s, s
		}
	}
	return out, true
}

func (m sym) times(v []float64) []float64 {
	out := make([]float64, m.n)
	for i := range out {
		for j, x := range v {
			out[i] += m.a[i*m.n+j] * x
		}
	}
	return out
}
