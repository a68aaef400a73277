// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"
	"time"

	"curewright/model/cure"
)

// Marks of a finger, as [Prior] and [Touch] number their offsets: tacky, opens,
// gel, firm, hard.
const (
	OffTacky = iota
	OffOpens
	OffGel
	OffFirm
	OffHard
	NumOffsets
)

// LnKappa is the place of ln κ in a [PriorPart], before the offsets.
const (
	LnKappa  = 0
	PriorDim = 1 + NumOffsets
)

// MarkSD are the marks' standard deviations, in degree of cure for the first
// three and in K for firm and hard; FilmShare is what of each belongs to film
// and person, TouchShare to the single touch, Misreport the share of finger
// tests that say anything.
var MarkSD = [NumOffsets]float64{sdTacky, sdOpens, sdGreen, sdFirmK, sdHardK}

// The shares of the marks' doubt (D7), and the limits of a rate factor.
const (
	FilmShare    = ofFilm
	TouchShare   = ofTouch
	Misreport    = misreport
	NoProbeWider = noProbeWider
)

// Prior is what a memory says of a coat before its own tests: several stories,
// each with its share of the belief. None means that there is no memory.
type Prior struct{ Parts []PriorPart }

// PriorPart is one story: ln κ and the five offsets (in standard deviations of
// the film's share of each mark) as a joint normal.
type PriorPart struct {
	Share float64
	Mean  [PriorDim]float64
	Cov   [PriorDim][PriorDim]float64
	// Late is by how many states this person's word runs behind what the film
	// is: 1 says tacky of a green one, −1 green of a tacky one.
	Late int
	// Sheet says that the story is that nothing learnt holds for this coat,
	// Changed that its bottle is no longer what it was.
	Sheet, Changed bool
}

// Unlike is the chance from which it is said that nothing learnt holds for a
// coat (a choice: docs/scores.md has what it costs in false alarms).
const Unlike = 0.25

// Touch is one finger test with all that is needed to learn from it later: the
// coat's degree of cure then, for each rate factor.
type Touch struct {
	At    time.Time `json:"at"`
	State State     `json:"state"`
	By    string    `json:"by,omitempty"` // whose finger
	// Alpha is the degree of cure at ln κ = −1.5, −1.2, …, 1.5.
	Alpha [TouchNodes]float64 `json:"alpha"`
	NowC  float64             `json:"now_c"` // the panel's mean of ten minutes, °C
	Air   bool                `json:"air,omitempty"`
}

// Rate factors at which a [Touch] keeps the degree of cure.
const (
	TouchNodes = (nodeN + 1) / 2
	TouchFirst = gridMin
	TouchStep  = 2 * gridStep * perNode
)

// Touches are the finger tests that counted, as a memory keeps them, rounded to
// what a finger can tell.
func (l *Likelihood) Touches() (out []Touch) {
	for _, s := range l.snaps {
		t := Touch{At: s.Feel.At, State: s.Feel.State, NowC: math.Round(100*s.nowC) / 100, Air: s.source != FromProbe}
		for i := range t.Alpha {
			t.Alpha[i] = math.Round(1e4*s.alpha[2*i]) / 1e4
		}
		out = append(out, t)
	}
	return out
}

// Unclear reports whether the last tests contradict each other.
func (l *Likelihood) Unclear() bool { return l.unclear }

// GapSD is the doubt of ln κ from gaps at the last test used.
func (l *Likelihood) GapSD() float64 { return l.gapSD }

// Contrast is how far from 25 °C the coat cured, as the reciprocal temperature
// by which an activation energy off by one J/mol shifts ln κ, mol/J: negative
// for a warm coat. Before the first stretch it is of the panel's temperature.
func (tr *Track) Contrast() float64 {
	if tr.wSum > 0 {
		return tr.wE / tr.wSum
	}
	return (1/(tr.c+273.15) - 1/298.15) / cure.GasConstant
}

// WarmthC is the steady temperature that would have carried the coat as far,
// °C, by the same weighing.
func (tr *Track) WarmthC() float64 { return 1/(tr.Contrast()*cure.GasConstant+1/298.15) - 273.15 }

// MeasuredSD is [Track.TempSD] without the activation energy's share, which a
// memory carries itself.
func (tr *Track) MeasuredSD(probeSDK float64) float64 {
	e := tr.r.SD[cure.SDE] * tr.Contrast()
	if tr.wSum <= 0 {
		e = 0
	}
	v := tr.TempSD(probeSDK)
	return math.Sqrt(max(v*v-e*e, 0))
}

// partFilms lays n films over a story, each with what the rate factor is if it
// is that film. What goes together in the story goes together here.
func partFilms(p *PriorPart, extra float64, z []offsets) (out []FilmBelief, ok bool) {
	// Cholesky with the offsets first and ln κ last.
	var l [PriorDim][PriorDim]float64
	for i := range PriorDim {
		for j := 0; j <= i; j++ {
			s := p.Cov[(i+1)%PriorDim][(j+1)%PriorDim]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = s / l[j][j]
				continue
			}
			if !(s > 0) {
				return nil, false
			}
			l[i][i] = math.Sqrt(s)
		}
	}
	sd := max(math.Hypot(l[PriorDim-1][PriorDim-1], extra), leastSD)
	out = make([]FilmBelief, len(z))
	for f := range z {
		b := &out[f]
		b.late = p.Late
		b.sheet, b.changed = p.Sheet, p.Changed
		mean := p.Mean[LnKappa]
		for i := range NumOffsets {
			b.z[i] = p.Mean[1+i]
			for k := 0; k <= i; k++ {
				b.z[i] += l[i][k] * z[f][k]
			}
			mean += l[PriorDim-1][i] * z[f][i]
		}
		b.w.normalAt(mean, sd)
	}
	return out, true
}

// learntFilms are the films that a prior spreads its belief over, with the share of
// each.
func learntFilms(p *Prior, extra float64) (films []FilmBelief, share []float64) {
	total := 0.0
	for i := range p.Parts {
		total += p.Parts[i].Share
	}
	for i := range p.Parts {
		part := &p.Parts[i]
		s := part.Share / total
		if !(s > 1e-3) {
			continue
		}
		// As many films as the story weighs, sixteen at the least.
		k := 0
		for k < len(learntZ)-1 && s*2*filmN < float64(len(learntZ[k+1])) {
			k++
		}
		fs, ok := partFilms(part, extra, learntZ[k])
		if !ok {
			continue
		}
		for range fs {
			share = append(share, s/float64(len(fs)))
		}
		films = append(films, fs...)
	}
	return films, share
}

// learntZ are the standard normals that a story's films are laid by, from the
// most to the fewest.
var learntZ = func() (z [][]offsets) {
	for n := 2 * filmN; n >= 16; n /= 2 {
		z = append(z, lattice(n, [5]int{37, 51, 23, 75, 109}))
	}
	return z
}()

// BelieveLearnt is [Believe] for a coat of which a memory knows something: the
// prior holds what its own lot and resin, its person and its family's tests say,
// but not its own. extra and tempSD as there, tempSD without the activation
// energy's share.
func BelieveLearnt(p *Prior, extra, tempSD float64, own Likelihood) Belief {
	b, early, late := begun(own, extra, tempSD)
	films, share := learntFilms(p, early)
	untested := mixed(films, share)
	before := drawn(films, share)
	for t, s := range own.snaps {
		sum := 0.0
		weighed(films, share, s, own)
		for _, x := range share {
			sum += x
		}
		b.Asked = sum < hardlyEver
		for i := range share {
			share[i] /= sum
		}
		if t == len(own.snaps)-1 && b.Asked {
			b.Notes = append(b.Notes, doesNotFit(s.Feel))
		}
	}
	b.Asked = b.Asked || own.unclear
	if late > 0 {
		for i := range films {
			films[i].w = films[i].w.blurred(late)
			films[i].w.normalise()
		}
	}
	changed := 0.0
	for i := range films {
		switch {
		case films[i].sheet:
			b.Other += share[i]
		case films[i].changed:
			changed += share[i]
		}
	}
	if len(own.used) > 0 && b.Other+changed > Unlike {
		b.Unlike = true
		code := "unlike"
		if changed > b.Other {
			code = "unlike_bottle"
		}
		b.Notes = append(b.Notes, Note{Code: code})
	}
	b.Films = drawn(films, share)
	b.take(mixed(films, share), untested, before)
	return b
}

// weighed lets one finger test choose among films: their shares are multiplied
// by its chance, and their rate factors weighed.
func weighed(films []FilmBelief, share []float64, s *Snapshot, own Likelihood) {
	r := own.resin
	var alpha, tg [gridN]float64
	for i := range alpha {
		alpha[i] = spread(&s.alpha, i)
		tg[i] = r.Tg(alpha[i])
	}
	how := s.sense(ofTouch)
	rank := s.Feel.State.Rank()
	for f := range films {
		b := &films[f]
		how.film = b.z.film()
		sum := 0.0
		for i := range b.w {
			if b.w[i] < 1e-9 {
				b.w[i] = 0
				continue
			}
			p := how.above(r, alpha[i], tg[i], s.nowC, s.nowC, 1, false)
			p = saidLate(p, b.late)
			b.w[i] *= reported(chanceOf(&p, rank))
			sum += b.w[i]
		}
		share[f] *= sum
		if sum > 0 {
			for i := range b.w {
				b.w[i] /= sum
			}
		}
	}
}

// saidLate is what somebody says whose word runs so many states behind.
func saidLate(p [4]float64, late int) [4]float64 {
	switch {
	case late > 0:
		return [4]float64{p[1], p[2], p[3], 0}
	case late < 0:
		return [4]float64{1, p[0], p[1], p[2]}
	}
	return p
}

func mixed(films []FilmBelief, share []float64) (w Weights) {
	for f := range films {
		for i := range w {
			w[i] += share[f] * films[f].w[i]
		}
	}
	w.normalise()
	return w
}

// drawn are filmN equally likely ones of weighed films.
func drawn(films []FilmBelief, share []float64) []FilmBelief {
	out := make([]FilmBelief, 0, filmN)
	next, seen := 0.5/filmN, 0.0
	for f := range films {
		for seen += share[f]; next <= seen && len(out) < filmN; next += 1.0 / filmN {
			out = append(out, films[f])
		}
	}
	for len(out) < filmN && len(out) > 0 { // rounding
		out = append(out, out[len(out)-1])
	}
	return out
}

// Phi is the standard normal distribution function, to 1e-5.
func Phi(x float64) float64 { return phi(x) }
