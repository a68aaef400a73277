// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"fmt"
	"sort"
	"time"
)

// Point is one corner of a profile.
type Point struct {
	At time.Time `json:"at"`
	C  float64   `json:"c"` // °C
}

// Profile is a plan of set points, linear between its corners. It is not followed
// after Until.
type Profile struct {
	Points []Point   `json:"points"`
	Until  time.Time `json:"until"` // stale from then on
	Say    string    `json:"say"`   // what it is for
}

// Check returns what is wrong with a profile, nil for nothing: corners in
// order, and set points within the configured range.
func (p Profile) Check(minC, maxC float64) error {
	if len(p.Points) == 0 {
		return fmt.Errorf("profile: no corner")
	}
	for i, x := range p.Points {
		if !(x.C >= minC && x.C <= maxC) {
			return fmt.Errorf("profile: corner %d: %g °C is outside %g to %g", i+1, x.C, minC, maxC)
		}
		if i > 0 && x.At.Before(p.Points[i-1].At) {
			return fmt.Errorf("profile: corner %d is before the one before it", i+1)
		}
	}
	return nil
}

// At is the set point at a moment; false before the first corner and once the
// profile is stale.
func (p Profile) At(t time.Time) (c float64, ok bool) {
	if len(p.Points) == 0 || t.Before(p.Points[0].At) || !t.Before(p.Until) {
		return 0, false
	}
	i := sort.Search(len(p.Points), func(i int) bool { return p.Points[i].At.After(t) })
	a := p.Points[i-1]
	if i == len(p.Points) {
		return a.C, true
	}
	b := p.Points[i]
	f := float64(t.Sub(a.At)) / float64(b.At.Sub(a.At))
	return a.C + f*(b.C-a.C), true
}

// Before a coat goes on, the core has to be cooling, not warming: the air in
// foam or wood then shrinks and draws resin in instead of blowing bubbles
// through it. Common practice, no source; how much and how long is a choice.
const (
	CoolK   = 3.0
	CoolFor = 90 * time.Minute
)

// BeforeCoat returns the profile with a ramp down that ends when the coat goes
// on: [CoolK] lower than what the profile says there, over [CoolFor], never
// below minC, and back from then on. A profile that is not in force at that
// time is returned as it is.
func (p Profile) BeforeCoat(coat time.Time, minC float64) Profile {
	from := coat.Add(-CoolFor)
	c0, ok0 := p.At(from)
	c1, ok1 := p.At(coat)
	if !ok0 || !ok1 {
		return p
	}
	out := Profile{Until: p.Until, Say: p.Say}
	for _, x := range p.Points {
		if x.At.Before(from) {
			out.Points = append(out.Points, x)
		}
	}
	out.Points = append(out.Points, Point{from, c0}, Point{coat, max(min(c0, c1)-CoolK, minC)}, Point{coat, c1})
	for _, x := range p.Points {
		if x.At.After(coat) {
			out.Points = append(out.Points, x)
		}
	}
	return out
}
