// SPDX-License-Identifier: Apache-2.0

package coat

import "math"

// The rate factor's logarithm is known on a grid; the cure law is integrated
// at every third point of it and interpolated between.
const (
	gridN    = 61
	gridStep = 0.05
	gridMin  = -1.5
	nodeN    = 21
	perNode  = (gridN - 1) / (nodeN - 1)

	// κ outside this says that something else is wrong.
	kappaMin, kappaMax = 0.4, 2.5
)

func gridLn(i int) float64 { return gridMin + gridStep*float64(i) }
func nodeLn(j int) float64 { return gridMin + gridStep*perNode*float64(j) }

var nodeKappa = func() (k [nodeN]float64) {
	for j := range k {
		k[j] = math.Exp(nodeLn(j))
	}
	return k
}()

// cubic holds, for each grid point, the first of the four nodes around it
// and their Lagrange weights.
var cubic = func() (c [gridN]struct {
	first int
	w     [4]float64
}) {
	for i := range c {
		first := min(max(i/perNode-1, 0), nodeN-4)
		x := float64(i)/perNode - float64(first)
		c[i].first = first
		for a := range 4 {
			w := 1.0
			for b := range 4 {
				if b != a {
					w *= (x - float64(b)) / float64(a-b)
				}
			}
			c[i].w[a] = w
		}
	}
	return c
}()

// spread interpolates node values to a grid point.
func spread(v *[nodeN]float64, i int) float64 {
	c := &cubic[i]
	return c.w[0]*v[c.first] + c.w[1]*v[c.first+1] + c.w[2]*v[c.first+2] + c.w[3]*v[c.first+3]
}

// Weights is a probability on the grid of ln κ.
type Weights [gridN]float64

func (w *Weights) normalise() bool {
	sum := 0.0
	for _, x := range w {
		sum += x
	}
	if !(sum > 0) || math.IsInf(sum, 0) {
		return false
	}
	for i := range w {
		w[i] /= sum
	}
	return true
}

// normal fills w with a normal density of mean 0.
func (w *Weights) normal(sd float64) { w.normalAt(0, sd) }

// normalAt fills w with a normal density; a mean beyond the grid counts as its
// end.
func (w *Weights) normalAt(mean, sd float64) {
	mean = min(max(mean, gridMin), -gridMin)
	for i := range w {
		x := (gridLn(i) - mean) / sd
		w[i] = math.Exp(-x * x / 2)
	}
	w.normalise()
}

// blurred averages w over a normal of the given standard deviation. Weights
// beyond the grid count as those within: a constant stays one.
func (w *Weights) blurred(sd float64) Weights {
	if sd < gridStep/4 {
		return *w
	}
	var kernel [gridN]float64
	for d := range kernel {
		x := gridStep * float64(d) / sd
		kernel[d] = math.Exp(-x * x / 2)
	}
	reach := min(gridN-1, int(5*sd/gridStep)+1)
	var out Weights
	for i := range out {
		sum, norm := 0.0, 0.0
		for j := max(0, i-reach); j <= min(gridN-1, i+reach); j++ {
			k := kernel[max(i-j, j-i)]
			sum += w[j] * k
			norm += k
		}
		out[i] = sum / norm
	}
	return out
}

// Quantile returns the ln κ below which share q of the weight lies. Each grid
// point stands for the cell around it.
func (w *Weights) Quantile(q float64) float64 {
	sum := 0.0
	for i, x := range w {
		if sum+x >= q && x > 0 {
			return gridLn(i) + gridStep*((q-sum)/x-0.5)
		}
		sum += x
	}
	return gridLn(gridN - 1)
}

// Moments returns mean and standard deviation of ln κ.
func (w *Weights) Moments() (mean, sd float64) {
	for i, x := range w {
		mean += x * gridLn(i)
	}
	for i, x := range w {
		d := gridLn(i) - mean
		sd += x * d * d
	}
	return mean, math.Sqrt(sd)
}

// at interpolates node values at any ln κ within the grid.
func at(v *[nodeN]float64, ln float64) float64 {
	return Cubic(v[:], (ln-gridMin)/(gridStep*perNode))
}

// Cubic interpolates values at 0, 1, 2 … at x, by the cubic through the four
// around it.
func Cubic(v []float64, x float64) float64 {
	first := min(max(int(x)-1, 0), len(v)-4)
	x -= float64(first)
	s := 0.0
	for a := range 4 {
		w := 1.0
		for b := range 4 {
			if b != a {
				w *= (x - float64(b)) / float64(a-b)
			}
		}
		s += w * v[first+a]
	}
	return s
}
