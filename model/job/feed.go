package job

import (
	"iter"
	"math"
	"slices"
	"time"

	"curewright/model/coat"
	"curewright/model/shop"
)

const (
	gapAtLeast  = 10 * time.Minute // shorter silences are never a gap
	gapTimes    = 3                // of the usual interval
	tooDense    = 20 * time.Second // readings closer than this to the last add nothing to a cure of hours
	airFreshFor = 30 * time.Minute
	lookBack    = 3 * time.Hour // before mixing, to settle lag and mean
)

// feed turns the readings of a panel's probe and of the air into the points
// that a coat's track is fed. It holds no reference to shared memory, so that
// a copy of it is a checkpoint.
type feed struct {
	probe, air string
	mixed      time.Time // of the first cup
	applied    time.Time
	cup        cupPlan

	last time.Time // everything up to here is taken

	lag      shop.Lag
	airAt    time.Time // last air temperature
	airC     float64
	humidAt  time.Time
	vapourPa float64
	co2At    time.Time
	co2      float64

	probeAt   time.Time // last reading of the panel's own probe; zero for none
	probeC    float64
	offset    float64 // panel over lagged air at that reading
	intervals [9]float64
	nIntv     int

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
func (f *feed) limit() time.Duration {
	n := min(f.nIntv, len(f.intervals))
	if n < 3 {
		return gapAtLeast
	}
	s := f.intervals
	slices.Sort(s[:n])
	return max(gapAtLeast, time.Duration(gapTimes*s[n/2]*float64(time.Second)))
}

// advance takes the readings up to and including until.
func (f *feed) advance(r Readings, until time.Time, cp *checkpoint) {
	if !until.After(f.last) {
		return
	}
	from := f.last.Add(1)
	var panel, air iter.Seq[Sample] = none, none
	if f.probe != "" {
		panel = r.Samples(f.probe, from, until)
	}
	if f.air != "" && f.air != f.probe {
		air = r.Samples(f.air, from, until)
	}
	nextPanel, stopPanel := iter.Pull(panel)
	defer stopPanel()
	// The air is pulled beside the panel; of two at one time the air is first.
	p, havePanel := nextPanel()
	for a := range air {
		for havePanel && p.At.Before(a.At) {
			f.onPanel(p, cp)
			p, havePanel = nextPanel()
		}
		f.onAir(a, cp)
	}
	for havePanel {
		f.onPanel(p, cp)
		p, havePanel = nextPanel()
	}
	f.last = until
}

func none(func(Sample) bool) {}

func (f *feed) seconds(t time.Time) float64 { return t.Sub(f.mixed).Seconds() }

func (f *feed) onAir(s Sample, cp *checkpoint) {
	f.humidity(s)
	if math.IsNaN(s.TempC) {
		return
	}
	if !f.airAt.IsZero() && s.At.Sub(f.airAt) > 2*time.Hour {
		// After so long a silence the filter's memory says nothing.
		f.lag.Restart()
	}
	if f.probe == "" {
		f.interval(f.airAt, s.At)
	}
	// Air that was itself silent stands in for nothing.
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
	c := f.lag.Feed(f.seconds(s.At), s.TempC)
	if f.probe != "" && !f.probeAt.IsZero() {
		if s.At.Sub(f.probeAt) <= f.limit() {
			return
		}
		// The probe is silent: lagged air, keeping for a while what the
		// panel had over it.
		c += f.offset * math.Exp(-s.At.Sub(f.probeAt).Seconds()/(4*f.lag.Tau))
	}
	src, sd := coat.FromAir, shop.StandInSDK
	if silence > limit {
		src, sd = coat.Bridged, shop.BridgeSDK(silence)
		if f.pointAt.IsZero() {
			sd *= 1.5
		}
	}
	f.point(s.At, c, sd, src, cp)
}

func (f *feed) onPanel(s Sample, cp *checkpoint) {
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
			// No air came in between: a straight line over the gap.
			src, sd = coat.Bridged, shop.BridgeSDK(gap)
		}
	}
	f.interval(f.probeAt, s.At)
	f.probeAt, f.probeC = s.At, s.TempC
	if c, ok := f.lag.Out(); ok && s.At.Sub(f.airAt) < airFreshFor {
		f.offset = s.TempC - c
	} else {
		f.offset = 0
	}
	f.point(s.At, s.TempC, sd, src, cp)
}

func (f *feed) interval(from, to time.Time) {
	if from.IsZero() {
		return
	}
	if d := to.Sub(from).Seconds(); d > 0 {
		f.intervals[f.nIntv%len(f.intervals)] = d
		f.nIntv++
		if f.nIntv >= 2*len(f.intervals) {
			f.nIntv -= len(f.intervals)
		}
	}
}

func (f *feed) humidity(s Sample) {
	if v := vapour(s.TempC, s.RHPct); !math.IsNaN(v) {
		f.humidAt, f.vapourPa = s.At, v
	}
	if !math.IsNaN(s.CO2) {
		f.co2At, f.co2 = s.At, s.CO2
	}
}

func (f *feed) vapour(now time.Time) float64 {
	if f.humidAt.IsZero() || now.Sub(f.humidAt) > airFreshFor {
		return math.NaN()
	}
	return f.vapourPa
}

func (f *feed) carbon(now time.Time) float64 {
	if f.co2At.IsZero() || now.Sub(f.co2At) > airFreshFor {
		return math.NaN()
	}
	return f.co2
}

// point hands one temperature of the panel to the tracks.
func (f *feed) point(t time.Time, c, sd float64, src coat.Source, cp *checkpoint) {
	if !f.pointAt.IsZero() && (!t.After(f.pointAt) || t.Sub(f.pointAt) < tooDense && src == f.pointSrc) {
		return
	}
	p := coat.Point{At: t, TempC: c, SDK: sd, Source: src, VapourPa: f.vapour(t), CO2: f.carbon(t)}
	f.hand(p, &cp.young)
	if cp.hasOld {
		f.hand(p, &cp.old)
	}
	f.pointAt, f.pointC, f.pointSrc = t, c, src
	f.recent[f.nRecent%len(f.recent)] = was{t, c}
	f.nRecent++
	if f.nRecent >= 2*len(f.recent) {
		f.nRecent -= len(f.recent)
	}
}

// hand feeds one track: before application nothing, at the first point after
// it the time in the cup and the panel's mean so far.
func (f *feed) hand(p coat.Point, tr *coat.Track) {
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
		f.cup.pour(tr, cup)
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

// finish carries the tracks to now, at the last point's temperature.
func (f *feed) finish(now time.Time, cp *checkpoint) {
	if f.pointAt.IsZero() {
		return
	}
	src, sd := f.pointSrc, 0.0
	switch {
	case src == coat.Bridged:
		sd = shop.BridgeSDK(shop.StepS * time.Second)
	case now.Sub(f.pointAt) > f.limit():
		src, sd = coat.Bridged, 1.5*shop.BridgeSDK(now.Sub(f.pointAt))
	case src == coat.FromAir:
		sd = shop.StandInSDK
	}
	p := coat.Point{At: now, TempC: f.pointC, SDK: sd, Source: src, VapourPa: f.vapour(now), CO2: f.carbon(now)}
	f.hand(p, &cp.young)
	if cp.hasOld {
		f.hand(p, &cp.old)
	}
}

// from says where the panel's temperature comes from now.
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

// cupPlan is how warm the resin was between mixing and application.
type cupPlan struct {
	StartC float64 // NaN: as the air
}

func (c cupPlan) pour(tr *coat.Track, airC float64) {
	start := c.StartC
	if math.IsNaN(start) {
		start = airC
	}
	tr.Pour(start)
}
