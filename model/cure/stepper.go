// SPDX-License-Identifier: Apache-2.0

package cure

import "math"

// Stepper carries coats through the quarter hours and hours of a forecast or a
// plan. It works in reduced time
//
//	y = ∫dα/g(α),  g = (g1 + g2·α^m)(1−α)^n,  g1 + g2 = 1
//
// the integral form of the reaction model, over which a resin that has not begun
// to vitrify moves evenly with κ·∫k dt, k = k1 + k2, however long the step;
// vitrification takes from that by one factor, whose integral over y is known. Tables
// stand in place of exponentials. In steps of an hour the generic resins come
// within 5e-4 in α of the integral over three days, laws with two activation
// energies, a glass that sets in within 2 K or broken orders within 3e-3.
// The zero value is not usable: [Stepper.Prepare].
type Stepper struct {
	r     Resin // without pointers, to know when to rebuild
	plain bool  // one activation energy: k1 and k2 keep their ratio
	// By reduced time, finer at its beginning; each linear from its knot.
	glass [reducedN]integral
	conv  [reducedN]line
	// By the same, where k1 and k2 change their ratio: what each adds.
	first, second []line
	reduced       [alphaN + 1]float64 // by α
	glassAt       [tgN]float64        // by Tg, evenly from Tg0 to short of Tg∞
	perK          float64             // of these
	laws          [lawN + 1]Law       // by temperature, within 1e-5 between them
}

// line is a function's value at a knot and its slope after it.
type line struct{ at, slope float64 }

// integral is a line with its integral up to the knot.
type integral struct {
	line
	sum float64
}

const (
	perOctaveBits = 6
	octaves       = 15
	reducedN      = octaves << perOctaveBits // knots of y + 1, evenly in each doubling
	reducedTop    = 1 << octaves

	alphaN, tgN = 1024, 512

	lawLoC, lawHiC = -30.0, 70.0
	lawPerK        = 10.0
	lawN           = (lawHiC - lawLoC) * lawPerK

	// Under so much of it vitrification slows nothing yet.
	unslowed = 0.002

	missed = 0.1 // share of a step that Newton may miss before its last turn

	gentle = 0.4 // K in a step, over which trapezia will do

	refC = 20.0 // °C at which k1 and k2 have the ratio of g
)

// Law is the temperature's part of the rate law: k1 and k2 in 1/s, and the
// diffusion factor's exp(−T/W).
type Law struct{ K1, K2, h float64 }

// Prepare makes the tables for a resin that passes [Resin.Check]; it does
// nothing where they are those of the same rate law.
func (s *Stepper) Prepare(r *Resin) {
	k := Resin{A1: r.A1, A2: r.A2, E1: r.E1, E2: r.E2, M: r.M, N: r.N, Tg0: r.Tg0, TgInf: r.TgInf, Lambda: r.Lambda, D: r.D, W: r.W}
	if s.glass[0].at != 0 && sameLaw(&s.r, &k) {
		return
	}
	s.r = k
	s.plain = k.E1 == k.E2 || k.A2 == 0
	for i := range s.laws {
		s.laws[i] = k.law(lawLoC + float64(i)/lawPerK)
	}
	k1, k2 := k.constants(refC)
	g1, g2 := k1/(k1+k2), k2/(k1+k2)
	g := func(a float64) float64 {
		a = min(a, 1)
		return (g1 + g2*power(a, k.M)) * power(1-a, k.N)
	}
	between := func(dy, v, next float64) line { return line{v, (next - v) / dy} }
	h := func(a float64) float64 { return math.Exp((k.Tg(a) - k.D) / k.W) }
	if s.first = nil; !s.plain {
		s.first, s.second = make([]line, reducedN), make([]line, reducedN)
	}
	a, sum := 0.0, 0.0
	for i := range reducedN {
		dy := knot(i+1) - knot(i)
		f1 := g(a)
		f2 := g(a + dy/2*f1)
		f3 := g(a + dy/2*f2)
		b := min(a+dy/6*(f1+2*f2+2*f3+g(a+dy*f3)), 1)
		s.conv[i] = between(dy, a, b)
		s.glass[i] = integral{between(dy, h(a), h(b)), sum}
		sum += dy * (h(a) + h(b)) / 2
		if !s.plain {
			am, bm := power(a, k.M), power(b, k.M)
			s.first[i] = between(dy, 1/(g1+g2*am), 1/(g1+g2*bm))
			s.second[i] = between(dy, am/(g1+g2*am), bm/(g1+g2*bm))
		}
		a = b
	}
	y := 0.0
	for i := range alphaN {
		s.reduced[i] = y
		for _, x := range gauss5 {
			y += x[1] / (2 * alphaN) / g((float64(i)+(1+x[0])/2)/alphaN)
		}
		y = min(y, reducedTop)
	}
	s.reduced[alphaN] = y
	s.perK = tgN / (k.TgInf - k.Tg0)
	for i := range s.glassAt {
		s.glassAt[i] = s.Reduced(k.AlphaAtTg(k.Tg0 + float64(i)/s.perK))
	}
}

func sameLaw(a, b *Resin) bool {
	return a.A1 == b.A1 && a.A2 == b.A2 && a.E1 == b.E1 && a.E2 == b.E2 && a.M == b.M && a.N == b.N &&
		a.Tg0 == b.Tg0 && a.TgInf == b.TgInf && a.Lambda == b.Lambda && a.D == b.D && a.W == b.W
}

// The knots over reduced time stand where the leading bits of y + 1 change.
const (
	knotShift = 52 - perOctaveBits
	knotBase  = 1023 << perOctaveBits
)

func knot(i int) float64 { return math.Float64frombits(uint64(knotBase+i)<<knotShift) - 1 }

// find is the knot at or below y, and how far y lies from it.
func find(y float64) (i int, d float64) {
	b := math.Float64bits(y + 1)
	return min(int(b>>knotShift)-knotBase, reducedN-1), y + 1 - math.Float64frombits(b>>knotShift<<knotShift)
}

// Reduced is the reduced time of a degree of cure; +Inf from 1 on.
func (s *Stepper) Reduced(alpha float64) float64 {
	x := alpha * alphaN
	i := int(x)
	if i >= alphaN {
		return math.Inf(1)
	}
	return s.reduced[i] + (x-float64(i))*(s.reduced[i+1]-s.reduced[i])
}

// reducedAtTg is the reduced time of a glass transition, °C; +Inf from Tg∞ on.
func (s *Stepper) reducedAtTg(tgC float64) float64 {
	x := (tgC - s.r.Tg0) * s.perK
	i := int(x)
	if x < 0 {
		return 0
	} else if i >= tgN-1 {
		return s.Reduced(s.r.AlphaAtTg(tgC))
	}
	return s.glassAt[i] + (x-float64(i))*(s.glassAt[i+1]-s.glassAt[i])
}

// Alpha is the degree of cure at a reduced time.
func (s *Stepper) Alpha(y float64) float64 {
	i, d := find(y)
	return s.conv[i].at + d*s.conv[i].slope
}

func (r *Resin) law(tC float64) Law {
	return Law{Arrhenius(r.A1, r.E1, tC), Arrhenius(r.A2, r.E2, tC), math.Exp(-tC / r.W)}
}

// Law is the temperature's part at tC, °C.
func (s *Stepper) Law(tC float64) Law {
	x := (tC - lawLoC) * lawPerK
	if !(x >= 0 && x < lawN) {
		return s.r.law(tC)
	}
	i := int(x)
	f := x - float64(i)
	a, b := &s.laws[i], &s.laws[i+1]
	return Law{a.K1 + f*(b.K1-a.K1), a.K2 + f*(b.K2-a.K2), a.h + f*(b.h-a.h)}
}

// sums are what steps of temperatures add up to.
type sums struct {
	K1, K2 float64 // ∫k1 dt, ∫k2 dt
	k      float64 // both
	// Of exp(−T/W), weighted by k: it, its square, and it by what k came before.
	h, hh, hx float64
}

// Dose is what a stretch of temperatures gives to every rate factor. The zero
// value is that of no time.
type Dose struct {
	sums
	// exp(−T/W) over the stretch, weighted by k: its mean and relative
	// variance.
	h, vari float64
	trend   float64 // a twelfth of what it goes up from beginning to end, as a share
}

// add adds dt seconds of a straight line of temperatures from c0 to c1 °C, whose
// laws l0 and l1 are, by Simpson's rule, or where that is the same by trapezia.
func (s *Stepper) add(d *sums, dt, c0, c1 float64, l0, l1 *Law) {
	k1, k2 := l0.K1+l1.K1, l0.K2+l1.K2
	a, b := (l0.K1+l0.K2)*l0.h, (l1.K1+l1.K2)*l1.h
	h, hh := a+b, a*l0.h+b*l1.h
	if c := c1 - c0; c > gentle || c < -gentle {
		lm := s.Law((c0 + c1) / 2)
		m := 4 * (lm.K1 + lm.K2) * lm.h
		k1, k2, h, hh = k1+4*lm.K1, k2+4*lm.K2, h+m, hh+m*lm.h
		dt /= 3
	}
	dt /= 2
	k1, k2, h = k1*dt, k2*dt, h*dt
	k := k1 + k2
	d.hx += h*(d.k+k/2) + k*k*(l1.h-l0.h)/12
	d.h += h
	d.hh += hh * dt
	d.K1 += k1
	d.K2 += k2
	d.k += k
}

// since is what was added since the sums were b.
func (a *sums) since(b *sums) *sums {
	h := a.h - b.h
	return &sums{a.K1 - b.K1, a.K2 - b.K2, a.k - b.k, h, a.hh - b.hh, a.hx - b.hx - b.k*h}
}

// dose closes what was added.
func (a *sums) dose() Dose {
	d := Dose{sums: *a}
	if d.k > 0 {
		d.h = a.h / d.k
		d.vari = min(max(a.hh/(a.h*d.h)-1, 0), .5) // as far as it is carried
		d.trend = a.hx/(a.h*d.k) - .5
	}
	return d
}

// glassy is how vitrification slows a coat at y, 0 for not at all, and the
// integral of that over reduced time, where exp(−T/W) is 1.
func (s *Stepper) glassy(y float64) (slow, sum float64) {
	i, x := find(y)
	g := &s.glass[i]
	return g.at + x*g.slope, g.sum + x*(g.at+x/2*g.slope)
}

// gone is how a dose moved a coat: from and to reduced times, by how much it would
// have gone if nothing vitrified, and how vitrification slowed it at the beginning
// and the end.
type gone struct{ from, to, free, e0, e1 float64 }

// step moves a coat at reduced time y by a dose at a rate factor. At a steady h it
// solves
//
//	y + h·∫H dy = y0 + h·∫H dy(y0) + κ·∫k dt
//
// by Newton's rule, however far the step reaches into the glass; that h is not
// steady is carried as in [Integrator].
func (s *Stepper) step(y, kappa float64, d *Dose) gone {
	if s.plain {
		return s.solve(y, kappa*d.k, d)
	}
	// How k1 and k2 share in the rate changes with y: fast at first where there is
	// little k1.
	f0 := s.free(y, kappa, d)
	n := 1.0
	if fm := s.free(y+f0/2, kappa, d); fm > 0 {
		n = min(max(math.Ceil(math.Abs(f0-fm)/fm/.1), 1), 16)
	}
	g := gone{from: y, to: y}
	for i := range int(n) {
		free := s.free(g.to+s.free(g.to, kappa, d)/n/2, kappa, d) / n
		one := s.solve(g.to, free, d)
		if i == 0 {
			g.e0 = one.e0
		}
		g.to, g.e1, g.free = one.to, one.e1, g.free+free
	}
	return g
}

// solve moves a coat that would go by free if nothing vitrified.
func (s *Stepper) solve(y, free float64, d *Dose) gone {
	e0, p0 := s.glassy(y)
	e0 *= d.h
	slow0 := 1 / (1 + e0)
	by, e1 := free*slow0, e0
	for range 40 {
		var p1 float64
		e1, p1 = s.glassy(y + by)
		if e1 *= d.h; e1 < unslowed {
			break
		}
		slow1 := 1 / (1 + e1)
		goal := free
		if d.vari > 1e-4 {
			phi0, phi1 := 1-slow0, 1-slow1
			goal *= 1 + d.vari/2*(phi0*phi0+phi1*phi1) - d.trend*(phi1-phi0)
		}
		over := by + d.h*(p1-p0) - goal
		by -= over * slow1
		// Newton squares the miss. It is judged by what is missed and not by the
		// step, which is short too where the glass is far overshot.
		if over < missed*goal && over > -missed*goal {
			break
		}
	}
	return gone{y, y + max(by, 0), free, e0, e1}
}

// free is by how much y would go in a dose if nothing vitrified, at the rate at
// which it goes at y.
func (s *Stepper) free(y, kappa float64, d *Dose) float64 {
	i, x := find(y)
	a, b := &s.first[i], &s.second[i]
	return kappa * (d.K1*(a.at+x*a.slope) + d.K2*(b.at+x*b.slope))
}
