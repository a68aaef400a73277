// SPDX-License-Identifier: Apache-2.0

package job

import (
	"math"
	"time"

	"curewright/model/shop"
)

// offsets are what a panel had over its lagged air, K, in the quarter hours of
// the last day: sun, a heat mat, a cold mass. A fixed ring, so that a copy of a
// feed is a checkpoint.
type offsets struct {
	sum  [offsetBins]float32
	n    [offsetBins]int32
	last int64 // bin of the newest
}

const offsetBins = 96

func (o *offsets) add(at time.Time, k float64) {
	b := int64(math.Floor(float64(at.Unix()) / shop.StepS))
	if b < o.last {
		return // late by a quarter hour: the fade does not hang on it
	}
	for x := max(o.last+1, b-offsetBins+1); x <= b; x++ {
		o.sum[x%offsetBins], o.n[x%offsetBins] = 0, 0
	}
	o.last = b
	o.sum[b%offsetBins] += float32(k)
	o.n[b%offsetBins]++
}

func (o *offsets) bin(b int64) (float64, bool) {
	if b <= o.last-offsetBins || b > o.last || b < 0 || o.n[b%offsetBins] == 0 {
		return 0, false
	}
	return float64(o.sum[b%offsetBins]) / float64(o.n[b%offsetBins]), true
}

// fade is how long a panel keeps what it has over the air.
type fade struct{ tauH float64 }

// What is believed of an offset before it was watched, and how well its past
// tells its future. Choices: it fades in four hours; a past of so many hours
// vouches for no more than eight times as many; the time constant is good to a
// factor of 2.2; and one in five never fades while it matters, a mat under a
// panel say.
const (
	fadeTauH   = 4.0
	fadeVouch  = 8.0
	fadeLnSD   = 0.8
	fadeNever  = 0.2
	fadeLagMax = 12 // quarter hours
)

// fade is fitted on the offsets' own past: what was left of them a while later,
// weighed by their size.
func (o *offsets) fade() fade {
	known := 0
	for b := o.last - offsetBins + 1; b <= o.last; b++ {
		if _, ok := o.bin(b); ok {
			known++
		}
	}
	now, ok := o.bin(o.last)
	if !ok {
		return fade{fadeTauH}
	}
	lag := int64(min(max(known/2, 1), fadeLagMax))
	lagH := float64(lag) * shop.StepS / 3600
	before := now * now // the belief weighs as much as a quarter hour
	num, den := math.Exp(-lagH/fadeTauH)*before, before
	for b := o.last - offsetBins + 1; b+lag <= o.last; b++ {
		x, ok := o.bin(b)
		y, okY := o.bin(b + lag)
		if ok && okY {
			num += x * y
			den += x * x
		}
	}
	most := fadeTauH + fadeVouch*float64(known)*shop.StepS/3600
	if den <= 0 || num >= den {
		return fade{most}
	}
	return fade{min(max(-lagH/math.Log(max(num/den, 0.01)), 0.25), most)}
}

// kept is the share of an offset that is left after some hours, z standard
// deviations off the middle: higher keeps it longer.
func (f fade) kept(hours, z float64) float64 {
	return math.Exp(-hours / (f.tauH * math.Exp(fadeLnSD*z)))
}

// step is the share kept over a step of the forecast, on path k: the
// doubt is spread over the paths, apart from the order of their weather.
func (f fade) step(k int) float64 {
	u := math.Mod((float64(k)+0.5)*0.6180339887498949, 1)
	if u > 1-fadeNever {
		return 1
	}
	z := math.Sqrt2 * math.Erfinv(2*u/(1-fadeNever)-1)
	return f.kept(shop.StepS/3600, z)
}
