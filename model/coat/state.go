// SPDX-License-Identifier: Apache-2.0

package coat

import (
	"math"

	"curewright/model/cure"
)

// cumulative mixes P(S ≥ s) over the belief in rate factor and film, by the
// degrees of cure alpha.
func (tr *Track) cumulative(b *Belief, alpha *[nodeN]float64) (p [4]float64) {
	r, now := tr.r, tr.NowC()
	work := cure.WorkC(now)
	var a, tg, glass [gridN]float64
	var latched [gridN]bool
	_, rl := tr.lesser()
	for i := range a {
		if b.W[i] < 1e-9 {
			continue
		}
		a[i] = spread(alpha, i)
		tg[i], glass[i] = r.Tg(a[i]), setting(r, a[i])
		latched[i] = !math.IsInf(rl[midRail][i/perNode].When[cure.Green], 1)
	}
	add := func(s *sense, w *Weights, share float64) {
		for i, x := range w {
			if x < 1e-6 || b.W[i] < 1e-9 {
				continue
			}
			c := s.above(r, a[i], tg[i], now, work, glass[i], latched[i])
			for k := range p {
				p[k] += share * x * c[k]
			}
		}
	}
	if b.Films == nil {
		add(&whole, &b.W, 1)
		return p
	}
	for k := range b.Films {
		s := sense{inv: 1 / ofTouch, film: b.Films[k].z.film()}
		add(&s, &b.Films[k].w, 1/float64(len(b.Films)))
	}
	return p
}

// gelled is the probability that the coat has gelled, by the law.
func (tr *Track) gelled(b *Belief) (p float64) {
	for i, x := range &b.W {
		if x > 1e-9 {
			p += x * phi((spread(&tr.alpha, i)-tr.r.AlphaGel)/(ofFilm*sdGreen))
		}
	}
	return p
}

// node is the rate factor's node nearest to ln.
func node(ln float64) int {
	return min(max(int(math.Round((ln-gridMin)/(gridStep*perNode))), 0), nodeN-1)
}

// settle picks the highest state with P(S ≥ s) ≥ .5. Firm and hard are held
// over a hysteresis of 1 K.
func settle(cum [4]float64, tr *Track, k50 float64, alpha *[nodeN]float64) (State, Probabilities) {
	n := 0
	for k, p := range cum {
		if p >= 0.5 {
			n = k + 1
		}
	}
	j := node(k50)
	a, now := at(alpha, k50), tr.NowC()
	_, rl := tr.lesser()
	held := func(latch uint32, m cure.Mark, levelC float64) bool {
		return latch&(1<<j) != 0 && !math.IsInf(rl[midRail][j].When[m], 1) && a >= tr.r.AlphaAtTg(levelC-cure.SoftensK)
	}
	if n == 2 && held(tr.firm, cure.Firm, now+cure.FirmAboveK) {
		n = 3
	}
	if n == 3 && held(tr.hard, cure.Hard, cure.WorkC(now)+cure.HardAboveK) {
		n = 4
	}
	return States[n], states(cum)
}

// coldGlass reports whether the coat turned to glass before it gelled, and has
// not surely gelled since, nor been felt inside the resin's range.
func (tr *Track) coldGlass(b *Belief) bool {
	k50 := b.W.Quantile(0.5)
	m := &tr.law[midRail][node(k50)]
	return !math.IsInf(m.Glass, 1) && m.Glass >= tr.vouched &&
		at(&tr.alpha, k50) < tr.r.AlphaGel+3*sdGreen && tr.gelled(b) < gelledP
}

// unknown takes the state back where the model has no right to it.
func (e *Estimate) unknown(c *Case) {
	tr := c.Track
	if tr.coldGlass(&c.Belief) {
		e.UnknownWhy = append(e.UnknownWhy, ColdGlass)
	}
	if tr.split {
		k50 := c.Belief.W.Quantile(0.5)
		law, _ := settle(tr.cumulative(&c.Belief, &tr.alpha), tr, k50, &tr.alpha)
		if law != e.State && law.Rank() >= Green.Rank() {
			if tr.below > 0 {
				e.UnknownWhy = append(e.UnknownWhy, BelowMinimum)
			}
			if tr.above > 0 {
				e.UnknownWhy = append(e.UnknownWhy, OutsideRange)
			}
		}
	}
	// A finger test after the gap ends it.
	if c.GapFor > longGap || tr.heldAt > tr.feltAt || tr.gapSD() > gapTooWide && c.Belief.GapSD < 0.8*tr.gapSD() {
		e.UnknownWhy = append(e.UnknownWhy, Gap)
	}
	switch f := lastFeel(c.Feels, c.Now); {
	case len(e.UnknownWhy) > 0:
		e.State, e.StateProbability = Unknown, nil
	case c.Belief.Asked && f != nil:
		// The finger alone speaks until a test agrees.
		e.State, e.StateProbability = f.State, nil
	}
}

// gelledP is the probability of gel from which a coat that turned to glass
// before is no longer taken for ungelled.
const gelledP = 0.8

func blush(tr *Track, k50 float64) Blush {
	mid := uint32(1) << node(k50)
	b := Blush{Band: "unknown", Condensed: tr.condensed&mid != 0}
	if tr.humid > 0 {
		j := max(at(&tr.j, k50), 0)
		b.Index = &j
		switch {
		case j > jHigh:
			b.Band = "high"
		case j >= jLow:
			b.Band = "elevated"
		default:
			b.Band = "low"
		}
	}
	if b.Condensed {
		b.Band = "high"
	}
	return b
}
