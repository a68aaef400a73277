// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"context"
	"math"
	"strings"
	"time"

	"curewright/model/words"
)

// DriverMean is the driver of a probe that is the mean of others, such as two on one
// panel.
const DriverMean = "mean"

// MaxSpreadK is how far the members of a mean may be apart, K. Two probes on one
// lid in a shed differ by a few degrees at most; beyond this one is wrong or has
// come off, and nobody knows which. A choice of ours.
const MaxSpreadK = 5

// mean reads the mean of other wired probes of the set. A member without a reading is
// left out. Without any reading, or where they differ too much, there is no value.
type mean struct {
	set *Set
	id  string
	of  []string
	now func() time.Time
}

// Traits are those of a chip without noise: the members' own stuck tests are sharper.
func (*mean) Traits() Traits { return Traits{StepK: 1. / 16} }

func (m *mean) Read(context.Context) (Reading, error) {
	now := m.now()
	var temp, rh, co2 avg
	var at time.Time
	for _, id := range m.of {
		h, ok := m.set.Get(id)
		if ok && !h.Wired {
			// A pushed probe must not become a wired one, which may control a
			// heater, by way of a mean.
			return Reading{}, Fail(ErrWrongDevice, "not_wired", Facts{"probe": id})
		}
		r, ok := h.Now(now)
		if !ok {
			continue
		}
		temp.add(r.Temp)
		rh.add(r.RH)
		co2.add(r.CO2)
		if at.IsZero() || r.At.Before(at) {
			at = r.At // as old as its oldest part
		}
	}
	switch {
	case at.IsZero():
		return Reading{}, Fail(ErrStale, "none_read", Facts{"probes": strings.Join(m.of, ", ")})
	case temp.hi-temp.lo > MaxSpreadK:
		return Reading{}, Fail(ErrDoubted, "apart", Facts{"probes": strings.Join(m.of, ", "), "diff": words.Kelvin(temp.hi - temp.lo)})
	}
	return Reading{Probe: m.id, At: at, Temp: temp.value(), RH: rh.value(), CO2: co2.value()}, nil
}

// avg is a mean with its span.
type avg struct {
	n           int
	sum, lo, hi float64
}

func (a *avg) add(v Value) {
	x, ok := v.Get()
	if !ok {
		return
	}
	if a.n == 0 {
		a.lo, a.hi = x, x
	}
	a.n++
	a.sum += x
	a.lo, a.hi = math.Min(a.lo, x), math.Max(a.hi, x)
}

func (a *avg) value() Value {
	if a.n == 0 {
		return Value{}
	}
	return Some(a.sum / float64(a.n))
}
