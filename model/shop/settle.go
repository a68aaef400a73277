// SPDX-License-Identifier: Apache-2.0

package shop

import "math"

// A shop's own days say nothing of the hours after its heat was switched off
// or on: what follows then is a body settling towards a new level,
//
//	T(t) = L + A·exp(−t/τ)
//
// settling is what is believed of that curve from the readings since the
// change. The time constants stand on a grid; level and size are known, given
// one, up to normal doubt.
type settling struct {
	w, level, size [len(settleTauH)]float64
	doubt          [len(settleTauH)][3]float64 // variance of L, of A, and their covariance
	now            float64                     // where the curve stands now, °C
	moved          float64                     // K since the change
}

var settleTauH = [...]float64{0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 12}

// Choices: a shop takes two hours to settle, within a factor of two and a half;
// what heats it makes 9 K, within 5.
const (
	settleTauMedianH = 2.0
	settleTauLnSD    = 0.9
	settleHeatK      = 9.0
	settleLevelSDK   = 5.0
	settleOverLowK   = 4.0 // a shop's level over the night's low outdoors
	settleNoiseK     = 0.08
	settleWindow     = 12 * 4 // bins looked at
	settleSwingK     = 0.5    // half of the daily swing, between none and a shed's
)

// settle reads the curve off the last bins before now (s since 1970).
func settle(h *History, now float64, c Conditions) settling {
	var ts, xs []float64
	b := int64(math.Floor(now / StepS))
	for k := b - settleWindow; k <= b; k++ {
		if t, x, ok := h.bin(k); ok && t <= now {
			ts, xs = append(ts, (t-now)/3600), append(xs, x)
		}
	}
	ts, xs = append(ts, 0), append(xs, c.TempC)
	n := len(xs)
	// The change is the last bin that still stood at the extreme.
	lo, hi := 0, 0
	for i, x := range xs {
		if x < xs[lo]+0.3 {
			if x < xs[lo] || i > lo {
				lo = i
			}
		}
		if x > xs[hi]-0.3 {
			hi = i
		}
	}
	from := hi
	if xs[n-1]-xs[lo] > xs[hi]-xs[n-1] {
		from = lo
	}
	first := xs[from]
	s := settling{moved: xs[n-1] - first}
	if math.Abs(s.moved) < 1 {
		from = max(0, n-1-4*4) // settled: the last hours say where
		s.moved = 0
	} else {
		// The quarter hour in which it changed is partly of before.
		from = min(from+2, max(from, n-4))
	}
	mean, sd := xs[n-1], settleLevelSDK
	switch {
	case s.moved < 0:
		mean = first - settleHeatK
		if c.LowC != nil {
			// Two witnesses of the same level, of like weight.
			mean, sd = (mean+*c.LowC+settleOverLowK)/2, sd/math.Sqrt2
		}
	case s.moved > 0:
		mean = first + settleHeatK
	}
	noise := settleNoiseK * settleNoiseK
	const sizeSD = 20.0
	best := math.Inf(-1)
	var logs [len(settleTauH)]float64
	for i, tau := range settleTauH {
		// Two normal unknowns from straight equations x = L + A·e.
		p := [3]float64{1 / (sd * sd), 1 / (sizeSD * sizeSD), 0}
		q := [2]float64{mean / (sd * sd), 0}
		chi := mean * mean / (sd * sd)
		for k := from; k < n; k++ {
			e := math.Exp(-ts[k] / tau)
			p[0] += 1 / noise
			p[1] += e * e / noise
			p[2] += e / noise
			q[0] += xs[k] / noise
			q[1] += e * xs[k] / noise
			chi += xs[k] * xs[k] / noise
		}
		det := p[0]*p[1] - p[2]*p[2]
		s.level[i] = (q[0]*p[1] - q[1]*p[2]) / det
		s.size[i] = (q[1]*p[0] - q[0]*p[2]) / det
		s.doubt[i] = [3]float64{p[1] / det, p[0] / det, -p[2] / det}
		z := math.Log(tau/settleTauMedianH) / settleTauLnSD
		logs[i] = -0.5*(chi-s.level[i]*q[0]-s.size[i]*q[1]) - 0.5*math.Log(det) - 0.5*z*z
		best = max(best, logs[i])
	}
	sum := 0.0
	for i := range logs {
		s.w[i] = math.Exp(logs[i] - best)
		sum += s.w[i]
	}
	for i := range s.w {
		s.w[i] /= sum
	}
	s.now, _ = s.at(0)
	return s
}

// at is the curve and its standard deviation a lead (s) from now.
func (s *settling) at(lead float64) (c, sd float64) {
	v := 0.0
	for i, w := range s.w {
		e := math.Exp(-lead / 3600 / settleTauH[i])
		x := s.level[i] + s.size[i]*e
		d := s.doubt[i]
		c += w * x
		v += w * (x*x + d[0] + e*e*d[1] + 2*e*d[2])
	}
	return c, math.Sqrt(max(v-c*c, 0))
}

// ramp is 0 below a, 1 above b, smooth between.
func ramp(x, a, b float64) float64 {
	f := min(max((x-a)/(b-a), 0), 1)
	return f * f * (3 - 2*f)
}

// broken is how far, 0 to 1, the shop's own rhythm does not hold now: where it
// departs from its days by far more than they do from each other, or the last
// hours went another way than the rhythm had it.
func (m *Model) broken(h *History, now, tempC float64, s *settling) float64 {
	if !m.Fitted {
		return ramp(math.Abs(s.moved), 2.5, 4)
	}
	// A history of few days is mostly the change itself: it does not say what
	// is usual.
	most := max(m.Days-2, 0.4)
	share := func(e, usual float64) float64 {
		usual = min(usual, most)
		return ramp(math.Abs(e), 1.5, 3) * ramp(math.Abs(e)/max(usual, 0.3), 2.5, 4)
	}
	w := 0.0
	if r := m.rhythm(h, now, now); !math.IsNaN(r) {
		w = share(tempC-r, m.Usual)
	}
	for _, ago := range [...]float64{1.5 * 3600, 4 * 3600} {
		x, r, to := h.at(now-ago), m.rhythm(h, now-ago, now-ago), m.rhythm(h, now-ago, now)
		if e := to + m.departs(ago, x-r, 0) - tempC; !math.IsNaN(e) {
			w = max(w, share(e, m.sd(ago)))
		}
	}
	return w
}

// floorK is how far below the coldest of the last three days no forecast goes;
// of a shop that is not known for a whole day as much more as a night may make.
const (
	floorK      = 3.0
	floorShortK = 5.0
	floorDays   = 3
)

// floor is the temperature below which no forecast goes: the least of tonight's
// low as said, the coldest outdoors, and the coldest reading of the last three
// days less 3 K.
func floor(h *History, now float64, c Conditions) float64 {
	to := int64(math.Floor(now / StepS))
	coldest := func(h *History) (cold float64, bins int64) {
		cold = math.Inf(1)
		for k := to - floorDays*binsADay; k <= to; k++ {
			if _, x, ok := h.bin(k); ok {
				cold = min(cold, x)
				bins++
			}
		}
		return cold, bins
	}
	low, bins := coldest(h)
	low = min(low, c.TempC) - floorK
	if c.LowC != nil {
		low = min(low, *c.LowC)
	}
	if c.Out != nil {
		out, _ := coldest(c.Out)
		low = min(low, out)
	}
	if c.LowC == nil && c.Out == nil {
		low -= floorShortK * (1 - float64(min(bins, binsADay))/binsADay)
	}
	return low
}
