// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"

	"curewright/model/coat"
	"curewright/model/cure"
)

// dim is ln κ and the five offsets of one coat.
const dim = coat.PriorDim

// belief is a joint normal of one coat's ln κ and offsets.
type belief struct {
	m [dim]float64
	c [dim][dim]float64
}

// alphaAt interpolates a test's degree of cure at a rate factor.
func alphaAt(t *coat.Touch, ln float64) float64 {
	return min(max(coat.Cubic(t.Alpha[:], (ln-coat.TouchFirst)/coat.TouchStep), 0), 1)
}

// offsetOf is which offset moves the mark at which a rank begins.
var offsetOf = [...]int{1: coat.OffTacky, 2: coat.OffGel, 3: coat.OffFirm, 4: coat.OffHard}

// edges are the ranks of the film that stand for what was said by somebody
// whose word runs late by so many states: from lo (inclusive, 0 for no lower
// end) to below hi (5 for no upper end); false where nobody can have meant it.
func edges(rank, late int) (lo, hi int, ok bool) {
	lo, hi = rank, rank+1
	switch {
	case late > 0:
		lo, hi = rank+1, rank+2
		if rank == 0 {
			lo = 0
		}
		return lo, hi, hi <= 5
	case late < 0:
		lo, hi = rank-1, rank
		if rank == 4 {
			hi = 5
		}
		return lo, hi, hi > 0
	}
	return lo, hi, true
}

const quadN = 33

// absorb weighs a belief by one finger test and keeps it normal, with the
// weighed mean and covariance. It returns the logarithm of the chance that the
// test had.
func (g *belief) absorb(r *cure.Resin, t *coat.Touch, late int) float64 {
	lo, hi, ok := edges(t.State.Rank(), late)
	said := coat.Misreport / 5
	if t.State.Rank() < 0 || !ok {
		return math.Log(said)
	}
	wider := 1.0
	if t.Air {
		wider = coat.NoProbeWider
	}
	if lo >= 3 {
		return g.absorbGlass(r, t, lo == 3, wider)
	}
	sd := math.Sqrt(g.c[0][0])
	var beta [dim]float64 // slope of each offset on ln κ
	for j := 1; j < dim; j++ {
		beta[j] = g.c[j][0] / g.c[0][0]
	}
	within := func(j, l int) float64 { return g.c[j][l] - beta[j]*g.c[l][0] }
	type term struct {
		z           int // place of the offset; 0 for none
		v, s, touch float64
		d1, d1d, d2 float64
		sign        float64
		level       float64
	}
	terms := make([]term, 0, 2)
	add := func(rank int, sign float64) {
		o := offsetOf[rank]
		terms = append(terms, term{z: 1 + o, v: max(within(1+o, 1+o), 1e-9), s: coat.FilmShare * coat.MarkSD[o],
			touch: coat.TouchShare * coat.MarkSD[o] * wider, sign: sign, level: float64(rank)})
	}
	if lo > 0 {
		add(lo, 1)
	}
	if hi < 5 {
		add(hi, -1)
	}
	firmZ := 1 + coat.OffFirm
	firmS := coat.FilmShare * coat.MarkSD[coat.OffFirm]
	firmV := math.Hypot(coat.TouchShare*coat.MarkSD[coat.OffFirm]*wider, firmS*math.Sqrt(max(within(firmZ, firmZ), 0)))
	touchFirm := coat.TouchShare * coat.MarkSD[coat.OffFirm] * wider
	var s0, s1, s2, norm float64
	const reach = 4.0
	for q := range quadN {
		x := -reach + 2*reach*float64(q)/(quadN-1)
		d := sd * x
		w := math.Exp(-x * x / 2)
		norm += w
		ln := g.m[0] + d
		if ln < coat.TouchFirst || ln > -coat.TouchFirst {
			// No batch is that fast or slow: the grid's end stands for it.
			ln = min(max(ln, coat.TouchFirst), -coat.TouchFirst)
		}
		a := alphaAt(t, ln)
		tg := r.Tg(a)
		p := 0.0
		if lo == 0 {
			p = 1
		}
		for i := range terms {
			k := &terms[i]
			mean := g.m[k.z] + beta[k.z]*d
			spread := math.Sqrt(k.touch*k.touch + k.s*k.s*k.v)
			// Value above the mark's middle, in the mark's own unit.
			scale, base := 1.0, 0.0
			var over float64
			switch int(k.level) {
			case 1:
				over = a - cure.AlphaTacky
			case 2:
				// A glass feels firm, so green is passed by either: the firm part
				// with its offset's own spread, the gel as a function of its.
				over = a - r.AlphaGel
				if x := tg - t.NowC + cure.GreenBelowK; x < 3*coat.MarkSD[coat.OffFirm] {
					scale = phi(x / touchFirm)
				}
				firm := phi((tg - t.NowC - cure.FirmAboveK - firmS*(g.m[firmZ]+beta[firmZ]*d)) / firmV)
				base, scale = firm, scale*(1-firm)
			case 3:
				over = tg - t.NowC - cure.FirmAboveK
			}
			u := (over - k.s*mean) / spread
			f := math.Exp(-u*u/2) / math.Sqrt(2*math.Pi)
			lean := k.s * k.v / spread
			c := w * (1 - coat.Misreport) * k.sign * scale
			p += k.sign * (base + scale*phi(u))
			k.d1 -= c * lean * f
			k.d1d -= c * lean * f * d
			k.d2 -= c * lean * lean * u * f
		}
		y := w * (said + (1-coat.Misreport)*max(p, 0))
		s0 += y
		s1 += y * d
		s2 += y * d * d
	}
	if !(s0 > 0) {
		return math.Log(said)
	}
	e1, e2 := s1/s0, s2/s0
	var mean [dim]float64 // about g.m
	var second [dim][dim]float64
	mean[0], second[0][0] = e1, e2
	for j := 1; j < dim; j++ {
		mean[j] = beta[j] * e1
		second[j][0] = beta[j] * e2
		for i := range terms {
			k := &terms[i]
			h := within(j, k.z) / k.v
			mean[j] += h * k.d1 / s0
			second[j][0] += h * k.d1d / s0
		}
		second[0][j] = second[j][0]
		for l := 1; l <= j; l++ {
			x := beta[j]*beta[l]*e2 + within(j, l)
			for i := range terms {
				k := &terms[i]
				hj, hl := within(j, k.z)/k.v, within(l, k.z)/k.v
				x += (beta[j]*hl+beta[l]*hj)*k.d1d/s0 + hj*hl*k.d2/s0
			}
			second[j][l], second[l][j] = x, x
		}
	}
	for j := range dim {
		for l := range dim {
			g.c[j][l] = second[j][l] - mean[j]*mean[l]
		}
	}
	for j := range dim {
		g.m[j] += mean[j]
	}
	return math.Log(s0 / norm)
}

// hermite are nodes and weights for a standard normal (Gauss and Hermite, seven
// points; from memory, checked by the moments in the tests).
var hermite = [...]struct{ x, w float64 }{
	{0, 0.45714285714285713}, {1.1544053947399682, 0.24012317860501253}, {-1.1544053947399682, 0.24012317860501253},
	{2.3667594107345416, 0.03075712396758651}, {-2.3667594107345416, 0.03075712396758651},
	{3.7504397177257425, 0.000548268855972218}, {-3.7504397177257425, 0.000548268855972218},
}

// absorbGlass is absorb for firm and hard, whose two marks lie so near each other
// that a film's may cross: their offsets go by nodes as ln κ does, and the others
// along with these.
func (g *belief) absorbGlass(r *cure.Resin, t *coat.Touch, firm bool, wider float64) float64 {
	const zf, zh = 1 + coat.OffFirm, 1 + coat.OffHard
	of := [3]int{0, zf, zh}
	// Cholesky of the three.
	var l [3][3]float64
	for i := range 3 {
		for j := 0; j <= i; j++ {
			s := g.c[of[i]][of[j]]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(max(s, 1e-12))
			} else {
				l[i][j] = s / l[j][j]
			}
		}
	}
	touch := [2]float64{coat.TouchShare * coat.MarkSD[coat.OffFirm] * wider, coat.TouchShare * coat.MarkSD[coat.OffHard] * wider}
	film := [2]float64{coat.FilmShare * coat.MarkSD[coat.OffFirm], coat.FilmShare * coat.MarkSD[coat.OffHard]}
	const reach, quadN = 3.6, 21
	var sum, norm float64
	var mean [3]float64
	var second [3][3]float64
	for q := range quadN {
		x := -reach + 2*reach*float64(q)/(quadN-1)
		wx := math.Exp(-x * x / 2)
		norm += wx
		d := l[0][0] * x
		ln := min(max(g.m[0]+d, coat.TouchFirst), -coat.TouchFirst)
		above := r.Tg(alphaAt(t, ln)) - t.NowC
		for _, a := range hermite {
			df := l[1][0]*x + l[1][1]*a.x
			pf := phi((above - cure.FirmAboveK - film[0]*(g.m[zf]+df)) / touch[0])
			for _, b := range hermite {
				dh := l[2][0]*x + l[2][1]*a.x + l[2][2]*b.x
				p := min(pf, phi((above-cure.HardAboveK-film[1]*(g.m[zh]+dh))/touch[1]))
				if firm {
					p = pf - p
				}
				y := wx * a.w * b.w * (coat.Misreport/5 + (1-coat.Misreport)*p)
				v := [3]float64{d, df, dh}
				sum += y
				for i := range 3 {
					mean[i] += y * v[i]
					for j := 0; j <= i; j++ {
						second[i][j] += y * v[i] * v[j]
					}
				}
			}
		}
	}
	if !(sum > 0) {
		return math.Log(coat.Misreport / 5)
	}
	// By how much the three moved, in their own covariance's terms: K is the
	// others' regression on them.
	c := newSym(3)
	for i := range 3 {
		for j := range 3 {
			c.a[3*i+j] = g.c[of[i]][of[j]]
		}
	}
	inv, ok := c.inverse()
	if !ok {
		return math.Log(sum / norm)
	}
	delta := newSym(3)
	for i := range 3 {
		mean[i] /= sum
	}
	for i := range 3 {
		for j := range 3 {
			delta.a[3*i+j] = second[max(i, j)][min(i, j)]/sum - mean[i]*mean[j] - c.at(i, j)
		}
	}
	var k [dim][3]float64
	for i := range dim {
		for j := range 3 {
			for n := range 3 {
				k[i][j] += g.c[i][of[n]] * inv.at(n, j)
			}
		}
	}
	for i := range dim {
		for n := range 3 {
			g.m[i] += k[i][n] * mean[n]
		}
		for j := range dim {
			for n := range 3 {
				for o := range 3 {
					g.c[i][j] += k[i][n] * delta.at(n, o) * k[j][o]
				}
			}
		}
	}
	return math.Log(sum / norm)
}

func phi(x float64) float64 { return coat.Phi(x) }
