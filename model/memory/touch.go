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

// offsetOf is the index of the offset that moves the mark at which a rank begins.
var offsetOf = [...]int{1: coat.OffTacky, 2: coat.OffGel, 3: coat.OffFirm, 4: coat.OffHard}

// edges are the ranks of the film that a report can stand for, if the person's reports run
// late by so many states: from lo (inclusive, 0 for no lower end) to below hi (5 for no
// upper end); false where the report is impossible.
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

// misreported is the probability that a test names a given state by mistake.
const misreported = coat.Misreport / 5

// absorb updates a belief by one finger test and approximates the result by a normal of the
// same mean and covariance. It returns the logarithm of the test's probability.
func (g *belief) absorb(r *cure.Resin, t *coat.Touch, late int) float64 {
	lo, hi, ok := edges(t.State.Rank(), late)
	if t.State.Rank() < 0 || !ok {
		return math.Log(misreported)
	}
	wider := 1.0
	if t.Air {
		wider = coat.NoProbeWider
	}
	if lo >= 3 {
		return g.absorbGlass(r, t, lo == 3, wider)
	}
	f := g.film()
	w := weighing{film: f, r: r, t: t, firm: f.mark(3, 0, wider), all: lo == 0}
	if lo > 0 {
		w.marks = append(w.marks, f.mark(lo, 1, wider))
	}
	w.marks = append(w.marks, f.mark(hi, -1, wider))
	w.sum()
	if !(w.s0 > 0) {
		return math.Log(misreported)
	}
	w.move(g)
	return math.Log(w.s0 / w.norm)
}

// film is a belief split into ln κ and the offsets, which for a given ln κ are normal with
// a mean that is linear in ln κ.
type film struct {
	belief
	beta [dim]float64 // slope of each offset on ln κ
}

func (g *belief) film() film {
	f := film{belief: *g}
	for j := 1; j < dim; j++ {
		f.beta[j] = g.c[j][0] / g.c[0][0]
	}
	return f
}

// within is the covariance of two offsets at one ln κ.
func (f *film) within(j, l int) float64 { return f.c[j][l] - f.beta[j]*f.c[l][0] }

// offset is the mean of one where ln κ is d above its own.
func (f *film) offset(z int, d float64) float64 { return f.m[z] + f.beta[z]*d }

// mark is where the states that a test can stand for begin or end.
type mark struct {
	rank   int
	sign   float64 // of its chance in the test's: 1 where they begin, -1 where they end
	z      int     // place of its offset
	v      float64 // variance of that at one ln κ
	s      float64 // how far an offset of one moves the mark, in the mark's own unit
	touch  float64 // standard deviation of a finger's judging, in that unit
	spread float64 // of both

	// Sums over ln κ: of the chance's slope on the offset, of that times ln κ,
	// and of its curvature, each by what the offset doubts.
	d1, d1d, d2 float64
}

// mark is the one at which a rank begins, for somebody who judges so much wider.
func (f *film) mark(rank int, sign, wider float64) mark {
	o := offsetOf[rank]
	k := mark{rank: rank, sign: sign, z: 1 + o, v: max(f.within(1+o, 1+o), 1e-9), s: coat.FilmShare * coat.MarkSD[o],
		touch: coat.TouchShare * coat.MarkSD[o] * wider}
	k.spread = math.Sqrt(k.touch*k.touch + k.s*k.s*k.v)
	return k
}

// weighing is the state of one test's update, over the possible rate factors of a belief.
type weighing struct {
	film
	r     *cure.Resin
	t     *coat.Touch
	marks []mark
	firm  mark
	all   bool // a film that has passed nothing counts

	s0, s1, s2, norm float64 // sums of the test's chance, by ln κ and its square, and of the weights
}

// sum goes over ln κ by even steps of its normal.
func (w *weighing) sum() {
	const steps, reach = 33, 4.0
	sd := math.Sqrt(w.c[0][0])
	for q := range steps {
		x := -reach + 2*reach*float64(q)/(steps-1)
		d := sd * x
		weight := math.Exp(-x * x / 2)
		w.norm += weight
		// Rate factors beyond the grid count as its end.
		ln := min(max(w.m[0]+d, coat.TouchFirst), -coat.TouchFirst)
		y := weight * (misreported + (1-coat.Misreport)*max(w.chance(ln, d, weight), 0))
		w.s0 += y
		w.s1 += y * d
		w.s2 += y * d * d
	}
}

// chance is the test's probability where ln κ is ln, d above its mean; its derivatives are
// added to the marks' sums.
func (w *weighing) chance(ln, d, weight float64) float64 {
	a := alphaAt(w.t, ln)
	tg := w.r.Tg(a)
	p := 0.0
	if w.all {
		p = 1
	}
	for i := range w.marks {
		k := &w.marks[i]
		over, base, scale := w.above(k.rank, a, tg-w.t.NowC, d)
		u := (over - k.s*w.offset(k.z, d)) / k.spread
		slope := math.Exp(-u*u/2) / math.Sqrt(2*math.Pi)
		lean := k.s * k.v / k.spread
		c := weight * (1 - coat.Misreport) * k.sign * scale
		p += k.sign * (base + scale*phi(u))
		k.d1 -= c * lean * slope
		k.d1d -= c * lean * slope * d
		k.d2 -= c * lean * lean * u * slope
	}
	return p
}

// above is by how much a film of degree of cure a, whose glass transition lies so
// far above its temperature, is over the middle of a mark, in the mark's unit. Its
// chance of having passed it is base and scale times that of being over.
func (w *weighing) above(rank int, a, glassK, d float64) (over, base, scale float64) {
	switch rank {
	case 1:
		return a - cure.AlphaTacky, 0, 1
	case 2:
		// A glassy film feels firm, so green is reached by gelation or by glass: the glass
		// part with its offset's own spread, the gel part as a function of its offset.
		scale = 1
		if x := glassK + cure.GreenBelowK; x < 3*coat.MarkSD[coat.OffFirm] {
			scale = phi(x / w.firm.touch)
		}
		base = phi((glassK - cure.FirmAboveK - w.firm.s*w.offset(w.firm.z, d)) / w.firm.spread)
		return a - w.r.AlphaGel, base, scale * (1 - base)
	}
	return glassK - cure.FirmAboveK, 0, 1
}

// move sets a belief's mean and covariance to the weighted ones. The other offsets follow by
// their covariance with those of the marks.
func (w *weighing) move(g *belief) {
	e1, e2 := w.s1/w.s0, w.s2/w.s0
	var mean [dim]float64 // about g.m
	var second [dim][dim]float64
	mean[0], second[0][0] = e1, e2
	for j := 1; j < dim; j++ {
		mean[j] = w.beta[j] * e1
		second[j][0] = w.beta[j] * e2
		for i := range w.marks {
			k := &w.marks[i]
			h := w.within(j, k.z) / k.v
			mean[j] += h * k.d1 / w.s0
			second[j][0] += h * k.d1d / w.s0
		}
		second[0][j] = second[j][0]
		for l := 1; l <= j; l++ {
			x := w.beta[j]*w.beta[l]*e2 + w.within(j, l)
			for i := range w.marks {
				k := &w.marks[i]
				hj, hl := w.within(j, k.z)/k.v, w.within(l, k.z)/k.v
				x += (w.beta[j]*hl+w.beta[l]*hj)*k.d1d/w.s0 + hj*hl*k.d2/w.s0
			}
			second[j][l], second[l][j] = x, x
		}
	}
	for j := range dim {
		g.m[j] += mean[j]
		for l := range dim {
			g.c[j][l] = second[j][l] - mean[j]*mean[l]
		}
	}
}

// hermite are nodes and weights for a standard normal (Gauss and Hermite, seven
// points; from memory, checked by the moments in the tests).
var hermite = [...]struct{ x, w float64 }{
	{0, 0.45714285714285713}, {1.1544053947399682, 0.24012317860501253}, {-1.1544053947399682, 0.24012317860501253},
	{2.3667594107345416, 0.03075712396758651}, {-2.3667594107345416, 0.03075712396758651},
	{3.7504397177257425, 0.000548268855972218}, {-3.7504397177257425, 0.000548268855972218},
}

// glassParts are ln κ and the offsets of firm and hard.
var glassParts = [3]int{0, 1 + coat.OffFirm, 1 + coat.OffHard}

// absorbGlass is absorb for firm and hard, whose two marks lie so close that a film's may
// cross: their offsets are integrated over nodes like ln κ, and the others follow.
func (g *belief) absorbGlass(r *cure.Resin, t *coat.Touch, firm bool, wider float64) float64 {
	l := g.spreads(glassParts)
	var touch, film [2]float64 // standard deviations of a finger's judging and the film, K
	for i, o := range []int{coat.OffFirm, coat.OffHard} {
		touch[i], film[i] = coat.TouchShare*coat.MarkSD[o]*wider, coat.FilmShare*coat.MarkSD[o]
	}
	const reach, steps = 3.6, 21
	var sum, norm float64
	var mean [3]float64
	var second [3][3]float64
	for q := range steps {
		x := -reach + 2*reach*float64(q)/(steps-1)
		wx := math.Exp(-x * x / 2)
		norm += wx
		d := l[0][0] * x
		ln := min(max(g.m[0]+d, coat.TouchFirst), -coat.TouchFirst)
		above := r.Tg(alphaAt(t, ln)) - t.NowC
		for _, a := range hermite {
			df := l[1][0]*x + l[1][1]*a.x
			pf := phi((above - cure.FirmAboveK - film[0]*(g.m[glassParts[1]]+df)) / touch[0])
			for _, b := range hermite {
				dh := l[2][0]*x + l[2][1]*a.x + l[2][2]*b.x
				p := min(pf, phi((above-cure.HardAboveK-film[1]*(g.m[glassParts[2]]+dh))/touch[1]))
				if firm {
					p = pf - p
				}
				y := wx * a.w * b.w * (misreported + (1-coat.Misreport)*p)
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
		return math.Log(misreported)
	}
	for i := range 3 {
		mean[i] /= sum
		for j := 0; j <= i; j++ {
			second[i][j] /= sum
			second[j][i] = second[i][j]
		}
	}
	g.follow(glassParts, mean, second)
	return math.Log(sum / norm)
}

// spreads is the lower triangle (Cholesky) of the covariance of three parts.
func (g *belief) spreads(of [3]int) (l [3][3]float64) {
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
	return l
}

// follow changes a belief after three of its variables changed, given the shift of their
// means and their second moments about the old means. The others follow by regression on
// the three.
func (g *belief) follow(of [3]int, by [3]float64, second [3][3]float64) {
	c, delta := newSym(3), newSym(3) // the three's covariance, and by how much it grows
	for i := range 3 {
		for j := range 3 {
			c.a[3*i+j] = g.c[of[i]][of[j]]
			delta.a[3*i+j] = second[i][j] - by[i]*by[j] - c.at(i, j)
		}
	}
	inv, ok := c.inverse()
	if !ok {
		return
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
			g.m[i] += k[i][n] * by[n]
		}
		for j := range dim {
			for n := range 3 {
				for o := range 3 {
					g.c[i][j] += k[i][n] * delta.at(n, o) * k[j][o]
				}
			}
		}
	}
}

func phi(x float64) float64 { return coat.Phi(x) }
