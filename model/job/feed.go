// SPDX-License-Identifier: Apache-2.0

package job

import (
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/shop"
)

const (
	gapAtLeast = 10 * time.Minute // shorter silences are never a gap
	gapTimes   = 3                // of the usual interval
	tooDense   = 20 * time.Second // readings closer than this to the last add nothing to a cure of hours
	// A coat this old changes over days, so that readings a quarter hour apart are
	// enough.
	oldAfter    = 10 * 24 * time.Hour
	oldDense    = 15 * time.Minute
	oldSparse   = 5 * time.Minute
	airFreshFor = 30 * time.Minute
	lookBack    = 3 * time.Hour // before mixing, so that lag and mean have settled
)

// feed turns the readings of a panel's probe and of the air into the points
// that a coat's track is fed. It holds no reference to shared memory, so that
// a copy of it is a checkpoint.
type feed struct {
	probe, air  string
	mixed       time.Time // of the first cup
	applied     time.Time
	cup, oldCup cupPlan // of the youngest and of the oldest resin

	last time.Time // readings up to this time are taken

	lag      shop.Lag
	airSeen  time.Time // last reading of the air
	airAt    time.Time // last air temperature
	airC     float64
	humidAt  time.Time
	humidC   float64 // °C and % of the air then
	humidPct float64
	co2At    time.Time
	co2      float64

	probeAt   time.Time // last reading of the panel's own probe; zero for none
	probeC    float64
	offset    float64 // panel's temperature above the lagged air at that reading, K
	over      offsets
	intervals [9]time.Duration
	silence   time.Duration
	nIntv     int

	readAt   time.Time // last time the panel's temperature was known
	pointAt  time.Time // last point made, whatever its source; zero for none
	pointC   float64
	pointSrc coat.Source
	recent   [48]was // the latest points, for the ten-minute mean at application
	nRecent  int
}

type was struct {
	at time.Time
	c  float64
}

// limit is the silence beyond which readings have a gap.
func (f *feed) limit() time.Duration { return max(f.silence, gapAtLeast) }

// interval notes the time between two readings; the silence allowed follows
// the median of the last few.
func (f *feed) interval(from, to time.Time) {
	d := to.Sub(from)
	if from.IsZero() || d <= 0 {
		return
	}
	k := f.nIntv % len(f.intervals)
	same := f.nIntv >= len(f.intervals) && f.intervals[k] == d
	f.intervals[k] = d
	f.nIntv++
	if f.nIntv >= 2*len(f.intervals) {
		f.nIntv -= len(f.intervals)
	}
	if n := min(f.nIntv, len(f.intervals)); n >= 3 && !same {
		s := f.intervals
		slices.Sort(s[:n])
		f.silence = gapTimes * s[n/2]
	}
}

// advance takes the readings up to and including until.
func (f *feed) advance(r Readings, until time.Time, cp *checkpoint) {
	if !until.After(f.last) {
		return
	}
	// Half a day at a time: the panel's readings in a buffer, the air's
	// merged with them. Of two at one time the air is first.
	var panel []Sample
	for f.last.Before(until) {
		from, to := f.last.Add(1), f.last.Add(12*time.Hour)
		if to.After(until) {
			to = until
		}
		panel = panel[:0]
		if f.probe != "" {
			for s := range r.Samples(f.probe, from, to) {
				panel = append(panel, s)
			}
		}
		k := 0
		if f.air != "" && f.air != f.probe {
			for a := range r.Samples(f.air, from, to) {
				for k < len(panel) && panel[k].At.Before(a.At) {
					f.onPanel(panel[k], cp)
					k++
				}
				f.onAir(a, cp)
			}
		}
		for ; k < len(panel); k++ {
			f.onPanel(panel[k], cp)
		}
		f.last = to
	}
}

func (f *feed) seconds(t time.Time) float64 { return t.Sub(f.mixed).Seconds() }

func (f *feed) onAir(s Sample, cp *checkpoint) {
	if f.sparse(f.airSeen, s.At) {
		return
	}
	f.airSeen = s.At
	f.humidity(s)
	if math.IsNaN(s.TempC) {
		return
	}
	if !f.airAt.IsZero() && s.At.Sub(f.airAt) > 2*time.Hour {
		// After so long a gap the filter's state is of no use.
		f.lag.Restart()
	}
	if f.probe == "" {
		f.interval(f.airAt, s.At)
	}
	// Air that has a gap itself can't replace the panel's readings.
	since := f.airAt
	if since.IsZero() || since.Before(f.applied) && f.pointAt.IsZero() {
		since = f.applied
	}
	silence := s.At.Sub(since)
	limit := airFreshFor
	if f.probe == "" {
		limit = f.limit()
	}
	f.airAt, f.airC = s.At, s.TempC
	c, sd := f.lag.Feed(f.seconds(s.At), s.TempC), shop.StandInSDK
	if f.probe != "" && !f.probeAt.IsZero() {
		if s.At.Sub(f.probeAt) <= f.limit() {
			return
		}
		// The panel's probe gives no readings: use the lagged air plus the panel's
		// offset, which fades at the rate of its past.
		k := f.over.fade()
		silent := s.At.Sub(f.probeAt).Hours()
		c += f.offset * k.kept(silent, 0)
		sd = math.Hypot(sd, f.offset*(k.kept(silent, 1)-k.kept(silent, -1))/2)
	}
	src := coat.FromAir
	if silence > limit {
		src, sd = coat.Bridged, shop.BridgeSDK(silence)
		if f.pointAt.IsZero() {
			sd *= 1.5
		}
	}
	f.point(s.At, c, sd, src, cp)
}

// sparse reports whether to skip a reading of an old coat, since one soon before was
// taken.
func (f *feed) sparse(last, t time.Time) bool {
	return t.Sub(last) < oldSparse && t.Sub(f.applied) > oldAfter
}

func (f *feed) onPanel(s Sample, cp *checkpoint) {
	if f.sparse(f.probeAt, s.At) {
		return
	}
	if f.air == "" || f.air == f.probe {
		f.humidity(s)
	}
	if math.IsNaN(s.TempC) {
		return
	}
	src, sd := coat.FromProbe, 0.0
	switch {
	case f.probeAt.IsZero():
		// The stretch up to the first reading, if there is one.
		from := f.applied
		if f.pointAt.After(from) {
			from = f.pointAt
		}
		switch gap := s.At.Sub(from); {
		case gap > airFreshFor || gap > f.limit() && f.pointAt.IsZero():
			src, sd = coat.Bridged, 1.5*shop.BridgeSDK(gap)
		case !f.pointAt.IsZero():
			src, sd = coat.FromAir, shop.StandInSDK
		}
	case s.At.Sub(f.probeAt) > f.limit():
		src, sd = coat.FromAir, shop.StandInSDK
		if gap := s.At.Sub(f.pointAt); f.pointSrc == coat.FromProbe || gap > airFreshFor {
			// Without air readings either: a straight line over the gap.
			src, sd = coat.Bridged, shop.BridgeSDK(gap)
		}
	}
	f.interval(f.probeAt, s.At)
	f.probeAt, f.probeC = s.At, s.TempC
	if c, ok := f.lag.Out(); ok && s.At.Sub(f.airAt) < airFreshFor {
		f.offset = s.TempC - c
		f.over.add(s.At, f.offset)
	} else {
		f.offset = 0
	}
	f.point(s.At, s.TempC, sd, src, cp)
}

func (f *feed) humidity(s Sample) {
	if !math.IsNaN(s.TempC) && !math.IsNaN(s.RHPct) {
		f.humidAt, f.humidC, f.humidPct = s.At, s.TempC, s.RHPct
	}
	if !math.IsNaN(s.CO2) {
		f.co2At, f.co2 = s.At, s.CO2
	}
}

func (f *feed) vapour(now time.Time) float64 {
	if f.humidAt.IsZero() || now.Sub(f.humidAt) > airFreshFor {
		return math.NaN()
	}
	return vapour(f.humidC, f.humidPct)
}

func (f *feed) carbon(now time.Time) float64 {
	if f.co2At.IsZero() || now.Sub(f.co2At) > airFreshFor {
		return math.NaN()
	}
	return f.co2
}

// point hands one temperature of the panel to the tracks.
func (f *feed) point(t time.Time, c, sd float64, src coat.Source, cp *checkpoint) {
	if src != coat.Bridged || t.After(f.readAt) {
		f.readAt = t
	}
	if !f.pointAt.IsZero() {
		dense := tooDense
		if t.Sub(f.applied) > oldAfter {
			dense = oldDense
		}
		if d := t.Sub(f.pointAt); d <= 0 || d < dense && src == f.pointSrc {
			return
		}
	}
	p := coat.Point{At: t, TempC: c, SDK: sd, Source: src, VapourPa: f.vapour(t), CO2: f.carbon(t)}
	f.give(p, cp)
	f.pointAt, f.pointC, f.pointSrc = t, c, src
	f.recent[f.nRecent%len(f.recent)] = was{t, c}
	f.nRecent++
	if f.nRecent >= 2*len(f.recent) {
		f.nRecent -= len(f.recent)
	}
}

// give hands a point to both tracks.
func (f *feed) give(p coat.Point, cp *checkpoint) {
	f.hand(p, &cp.young, f.cup)
	if cp.hasOld {
		f.hand(p, &cp.old, f.oldCup)
	}
}

// hand feeds one track. Points before application are not fed; with the first one after
// it come the time in the cup and the panel's mean so far.
func (f *feed) hand(p coat.Point, tr *coat.Track, plan cupPlan) {
	on := tr.AppliedAt()
	if p.At.Before(on) {
		return
	}
	if !tr.Begun() {
		at := p.TempC
		if !f.pointAt.IsZero() && p.At.After(f.pointAt) {
			x := on.Sub(f.pointAt).Seconds() / p.At.Sub(f.pointAt).Seconds()
			at = f.pointC + max(x, 0)*(p.TempC-f.pointC)
		}
		cup := at
		if !f.airAt.IsZero() {
			cup = f.airC
		}
		plan.pour(tr, cup)
		n := min(f.nRecent, len(f.recent))
		before := make([]coat.Point, 0, n)
		for k := f.nRecent - n; k < f.nRecent; k++ {
			w := f.recent[k%len(f.recent)]
			if w.at.Before(on) && on.Sub(w.at) <= 11*time.Minute {
				before = append(before, coat.Point{At: w.at, TempC: w.c})
			}
		}
		tr.Apply(at, before)
	}
	tr.Feed(p)
}

// carryToNow continues the tracks to now at the last point's temperature.
func (f *feed) carryToNow(now time.Time, cp *checkpoint) {
	if f.pointAt.IsZero() {
		return
	}
	src, sd := f.pointSrc, 0.0
	switch {
	case src == coat.Bridged:
		sd = shop.BridgeSDK(shop.StepS * time.Second)
	case now.Sub(f.readAt) > f.limit():
		src, sd = coat.Bridged, 1.5*shop.BridgeSDK(now.Sub(f.readAt))
	case src == coat.FromAir:
		sd = shop.StandInSDK
	}
	p := coat.Point{At: now, TempC: f.pointC, SDK: sd, Source: src, VapourPa: f.vapour(now), CO2: f.carbon(now)}
	f.give(p, cp)
}

// from is the present source of the panel's temperature.
func (f *feed) from(now time.Time) string {
	limit := f.limit()
	switch {
	case f.probe != "" && !f.probeAt.IsZero() && now.Sub(f.probeAt) <= limit:
		return "probe"
	case !f.airAt.IsZero() && now.Sub(f.airAt) <= limit:
		return "air"
	}
	return "none"
}

// cupPlan describes the resin's temperature between mixing and application.
type cupPlan struct {
	StartC float64 // NaN: as the air
	// Grams of the cup the track follows, 0 when not weighed, and W/K that it
	// loses.
	Grams, HA float64
}

// pour simulates the resin's time in its cup: it warms by its own heat where the masses
// are known, else it keeps its temperature. The warming is computed with the sheet's
// rate and used for every rate factor.
func (c cupPlan) pour(tr *coat.Track, airC float64) {
	start := c.StartC
	if math.IsNaN(start) {
		start = airC
	}
	stands := tr.AppliedAt().Sub(tr.MixedAt())
	if c.Grams <= 0 || stands <= 0 {
		tr.Pour(start)
		return
	}
	tr.PourFrom(start)
	cup := cure.Cup{Grams: c.Grams, HA: c.HA, AmbientC: airC, StartC: start, Kappa: 1}
	cup.Simulate(*tr.Resin(), func(p cure.CupPoint) bool {
		at := tr.MixedAt().Add(time.Duration(p.Seconds * float64(time.Second)))
		done := !at.Before(tr.AppliedAt())
		if done {
			at = tr.AppliedAt()
		}
		// Resin that is too hot to hold is not spread.
		tr.Feed(coat.Point{At: at, TempC: min(p.TempC, hotCupC), Source: coat.InCup, VapourPa: math.NaN(), CO2: math.NaN()})
		return !done
	})
}

const hotCupC = 60.0
