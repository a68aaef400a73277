// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"slices"

	"curewright/model/cure"
)

// Standard deviations of the marks, as a finger tells them apart, and what
// share of each belongs to the film and the person, the same for all tests of
// a coat, and to the single touch.
const (
	sdTacky   = 0.06
	sdOpens   = 0.05
	sdGreen   = 0.05
	sdFirmK   = 5.0
	sdHardK   = 6.0
	ofFilm    = 0.8
	ofTouch   = 0.6
	misreport = 0.03 // share of finger tests that say anything

	// An untested film wears its doubt whole; without a surface probe it is
	// half as wide again.
	noProbeWider = 1.5
)

// offsets of one film in standard deviations of the film's share: tacky, opens,
// gel, firm, hard.
type offsets [5]float64

func (z *offsets) film() cure.Film {
	return cure.Film{
		Tacky: ofFilm * sdTacky * z[0], Opens: ofFilm * sdOpens * z[1], Gel: ofFilm * sdGreen * z[2],
		FirmK: ofFilm * sdFirmK * z[3], HardK: ofFilm * sdHardK * z[4],
	}
}

// FilmOf is a film with one mark off, by so many standard deviations of the
// film's share.
func FilmOf(offset int, sd float64) cure.Film {
	var z offsets
	z[offset] = sd
	return z.film()
}

// zOf is which of the offsets moves a mark.
func zOf(m cure.Mark) int {
	switch m {
	case cure.Tacky:
		return 0
	case cure.Opens:
		return 1
	case cure.Green:
		return 2
	case cure.Hard:
		return 4
	}
	return 3
}

// Films stand for what films and persons there are: a lattice of rank one, so
// that each offset takes as many equally likely values as there are films, and
// no two offsets go along with each other or with the order of the forecast's
// paths.
const filmN = 64

var filmZ = lattice(filmN, [5]int{19, 27, 11, 35, 53})

func lattice(n int, by [5]int) []offsets {
	z := make([]offsets, n)
	for i := range z {
		for d, g := range by {
			u := (float64((i*g+7*d)%n) + 0.5) / float64(n)
			z[i][d] = math.Sqrt2 * math.Erfinv(2*u-1)
		}
	}
	return z
}

// The past is read for films whose offsets are all at one of these, and
// interpolated for others.
var railZ = [...]float64{-2.1, -1.4, -0.7, 0, 0.7, 1.4, 2.1}

const (
	railN   = len(railZ)
	midRail = railN / 2
)

// phi is the standard normal distribution function, from a table: to 1e-5.
func phi(x float64) float64 {
	u := (x + phiTop) * phiPer
	if !(u > 0) {
		return 0
	}
	i := int(u)
	if i >= len(phiTable)-1 {
		return 1
	}
	f := u - float64(i)
	return phiTable[i] + f*(phiTable[i+1]-phiTable[i])
}

const (
	phiTop = 6.0
	phiPer = 64.0
)

var phiTable = func() (t [int(2*phiTop*phiPer) + 1]float64) {
	for i := range t {
		t[i] = 0.5 * math.Erfc(-(float64(i)/phiPer-phiTop)/math.Sqrt2)
	}
	return t
}()

// sense says how sharply a finger or the state tells the marks apart, and from
// where: standard deviations in units of the marks' own, and a film's offsets.
type sense struct {
	inv  float64 // 1 / share of the marks' standard deviation
	film cure.Film
}

// whole is a finger on a film of which nothing is known.
var whole = sense{inv: 1}

// above returns P(S ≥ tacky), …, P(S ≥ hard) of a coat at degree of cure alpha
// and glass transition tg on a panel at nowC. A glass feels firm, so green is
// passed when either the gel or the glass is there. hardC is the warmth that
// hard is told by: nowC for a finger, the working warmth for state and
// permission. glass is how far a glass counts: 1 for a finger. latched says
// that green was passed before, from which there is no going back.
func (s *sense) above(r *cure.Resin, alpha, tg, nowC, hardC, glass float64, latched bool) (p [4]float64) {
	f := &s.film
	p[0] = phi((alpha - cure.AlphaTacky - f.Tacky) * (s.inv / sdTacky))
	green := phi((alpha - r.AlphaGel - f.Gel) * (s.inv / sdGreen))
	if x := tg - nowC + cure.GreenBelowK; x < 3*sdFirmK && !latched {
		green *= phi(x * (s.inv / sdFirmK))
	}
	p[2] = glass * phi((tg-nowC-cure.FirmAboveK-f.FirmK)*(s.inv/sdFirmK))
	p[3] = min(glass*phi((tg-hardC-cure.HardAboveK-f.HardK)*(s.inv/sdHardK)), p[2])
	p[1] = green + p[2] - green*p[2]
	p[0] = max(p[0], p[1])
	return p
}

// setting is how far a coat counts as gelled where that must not jump: from 0
// one standard deviation before the gel to 1 at it.
func setting(r *cure.Resin, alpha float64) float64 {
	x := 1 + (alpha-r.AlphaGel)/sdGreen
	switch {
	case x <= 0:
		return 0
	case x >= 1:
		return 1
	}
	return x * x * (3 - 2*x)
}

// states turns cumulative probabilities into those of the five states.
func states(p [4]float64) Probabilities {
	return Probabilities{Wet: 1 - p[0], Tacky: p[0] - p[1], Green: p[1] - p[2], Firm: p[2] - p[3], Hard: p[3]}
}

// chanceOf is the probability of one state.
func chanceOf(p *[4]float64, rank int) float64 {
	switch rank {
	case 0:
		return 1 - p[0]
	case 4:
		return p[3]
	}
	return p[rank-1] - p[rank]
}

func (p Probabilities) of(s State) float64 {
	if n := s.Rank(); n >= 0 {
		return p.List()[n]
	}
	return 0
}

// Rank orders the states, wet 0 to hard 4; -1 for any other.
func (s State) Rank() int { return slices.Index(States, s) }
