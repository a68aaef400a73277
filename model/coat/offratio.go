// SPDX-License-Identifier: Apache-2.0

package coat

import "time"

// offRatio is the estimate of a coat from a cup that is off its ratio by more
// than the tolerance. How such a mix cures is not modelled: nothing reckoned is
// said of it, neither a degree of cure nor a time, and only the finger permits.
// A finger test speaks for a tenth of the coat's age (5 min to 1 h); hard, for
// good.
func (e *Estimate) offRatio(c *Case) {
	e.Alpha, e.TgC, e.Kappa, e.Events = nil, nil, nil, Events{}
	e.UnknownWhy, e.StateProbability = []string{}, nil
	f := lastFeel(c.Feels, c.Now)
	felt := f != nil && (f.State == Hard || c.Now.Sub(f.At) <= pause(f.At.Sub(c.Coat.Applied)))
	if felt {
		e.State = f.State
		e.Notes = append(e.Notes, c.text("unknown.off_ratio", nil))
	} else {
		e.State, e.UnknownWhy = Unknown, []string{OffRatio}
	}
	if c.Over != nil {
		at := c.Over.Applied
		s := c.feltBefore(at, Unknown)
		e.Covered = &Covered{At: at, By: c.Over.ID, State: s, Minutes: at.Sub(c.Coat.Applied).Round(time.Minute).Minutes(),
			Fell: Fell{On: c.Coat.ID, Window: WindowKind(c.Coat), Verdict: FellUnknown, State: s}}
	}
	kind := WindowKind(c.Coat)
	if kind == "" || e.Covered != nil {
		return
	}
	win := &Window{Kind: kind, Status: "unknown"}
	e.NextWindow = win
	next := c.Now
	if f != nil {
		if t := f.At.Add(pause(f.At.Sub(c.Coat.Applied))); t.After(next) {
			next = t
		}
	}
	whole, past := finger(kind, f)
	switch {
	case past:
		win.Status = "closed"
	case whole && felt:
		win.Status, win.Permits, win.Opens = "open", true, &c.Now
	default:
		if felt {
			win.Status = "before"
		}
		win.FeelFrom = &next
	}
}

// feltStrip is the strip of a coat of which only the finger is known.
func (e *Estimate) feltStrip(c *Case, horizon time.Time) {
	zone := c.zone()
	now := c.Now.In(zone)
	put := func(state State, from, to time.Time, future bool) {
		if to.After(from) {
			e.Strip.Segments = append(e.Strip.Segments, Segment{state, from, to, future})
		}
	}
	from, ahead := c.Coat.Applied.In(zone), Unknown
	if e.State != Unknown {
		at := lastFeel(c.Feels, c.Now).At.In(zone)
		put(Unknown, from, at, false)
		put(e.State, at, now, false)
		if e.State == Hard {
			ahead = Hard
		}
	} else {
		put(Unknown, from, now, false)
	}
	put(ahead, now, horizon.In(zone), true)
}
