// SPDX-License-Identifier: Apache-2.0

package shop

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// The forecast's size, chosen against its measured error.
const (
	Paths = 64
	StepS = 900.0
	Steps = 288 // 72 h
)

const (
	binsADay = 96
	// HistoryDays is how many days back a shop remembers.
	HistoryDays = 8
	historyBins = HistoryDays * binsADay
)

// History is a probe's temperature in quarter hours of absolute time, the
// last days only. The zero value is empty.
type History struct {
	sum   [historyBins]float64
	off   [historyBins]float64 // sum of the readings' seconds into the bin
	n     [historyBins]int32
	first int64 // bin number of the oldest kept
	last  int64 // of the newest; first > last when empty
	begun bool
}

func binOf(t time.Time) int64 {
	s := t.Unix()
	return int64(math.Floor(float64(s) / StepS))
}

// Add takes one reading, °C. Readings from before the days kept, and NaN, are
// ignored.
func (h *History) Add(at time.Time, c float64) {
	if math.IsNaN(c) {
		return
	}
	b := binOf(at)
	if !h.begun {
		h.begun, h.first, h.last = true, b, b
	}
	if b > h.last {
		for k := h.last + 1; k <= b && k <= h.last+historyBins; k++ {
			h.empty(k)
		}
		h.last = b
		h.first = max(h.first, b-historyBins+1)
	}
	if b <= h.last-historyBins {
		return
	}
	if b < h.first {
		for k := b; k < h.first; k++ {
			h.empty(k)
		}
		h.first = b
	}
	h.sum[b%historyBins] += c
	h.off[b%historyBins] += float64(at.Unix()) - float64(b)*StepS
	h.n[b%historyBins]++
}

func (h *History) empty(b int64) {
	k := b % historyBins
	h.sum[k], h.off[k], h.n[k] = 0, 0, 0
}

// Until drops what is in or after the quarter hour of t, so that it can be
// read anew.
func (h *History) Until(t time.Time) {
	if !h.begun {
		return
	}
	b := binOf(t)
	if b > h.last {
		return
	}
	for k := max(b, h.first); k <= h.last; k++ {
		h.empty(k)
	}
	h.last = b - 1
	if h.last < h.first {
		h.begun = false
	}
}

// bin is the mean temperature and the mean time of a quarter hour; false
// where it is empty.
func (h *History) bin(b int64) (t, c float64, ok bool) {
	if !h.begun || b < h.first || b > h.last {
		return 0, 0, false
	}
	k := b % historyBins
	n := float64(h.n[k])
	if n == 0 {
		return 0, 0, false
	}
	return float64(b)*StepS + h.off[k]/n, h.sum[k] / n, true
}

// bridgeBins is how far apart two quarter hours with readings may lie for a
// straight line between them to be believed.
const bridgeBins = 8

// Trim drops what is older than the days kept before t.
func (h *History) Trim(t time.Time, days float64) {
	if h.begun {
		h.first = max(h.first, binOf(t)-int64(days*binsADay)+1)
		if h.first > h.last {
			h.begun = false
		}
	}
}

// at interpolates between quarter hours; t is s since 1970. NaN where there
// are no readings near.
func (h *History) at(t float64) float64 {
	b := int64(math.Floor(t / StepS))
	var t0, c0, t1, c1 float64
	below, above := false, false
	for k := b; k >= b-bridgeBins && !below; k-- {
		if tk, ck, ok := h.bin(k); ok && tk <= t {
			t0, c0, below = tk, ck, true
		}
	}
	for k := b; k <= b+bridgeBins && !above; k++ {
		if tk, ck, ok := h.bin(k); ok && tk > t {
			t1, c1, above = tk, ck, true
		}
	}
	switch {
	case below && above && t1-t0 <= bridgeBins*StepS:
		return c0 + (t-t0)/(t1-t0)*(c1-c0)
	case below && t-t0 <= StepS:
		return c0
	case above && t1-t <= StepS:
		return c1
	}
	return math.NaN()
}

// Days is how many days of readings there are, without the gaps.
func (h *History) Days() float64 {
	if !h.begun {
		return 0
	}
	n, last := int64(0), h.first
	for b := h.first; b <= h.last; b++ {
		if h.n[b%historyBins] > 0 {
			n += min(b-last, bridgeBins)
			last = b
		}
	}
	return float64(n) / binsADay
}

// Model is a shop as its last days show it. The temperature goes round with
// the day; a departure from that rhythm fades with the shop's time constant,
// but for a share that stays, because the weather changed:
//
//	T(t+h) = R(t+h) + (Stays + (1−Stays)·exp(−h/Tau))·(T(t) − R(t))
//
// with R the weighted mean of the days before at the same hour. That is a
// first-order shop driven by a daily rhythm. With a probe outdoors, what it
// departs from its own rhythm drives the shop too, by Gain:
//
//	… + (1−exp(−h/Tau))·Gain·(outdoors' departure), fading over two days
//
// and of the shop's own departure only the share 1−Gain stays.
type Model struct {
	TauS   float64 // time constant, s
	Stays  float64 // share of a departure that does not fade, 0 to 1
	Gain   float64 // of the shop on what outdoors departs, 0 to 1; 0 without a probe there
	Fade   float64 // weight of each day before against the one after it, 0 to 1
	SD     [len(leadsH)]float64
	Usual  float64 // departure from the rhythm on an ordinary day, K, as a standard deviation
	Days   float64
	Fitted bool
}

// Leads, in hours, at which errors are gathered.
var leadsH = [...]float64{0.5, 1, 2, 4, 8, 12, 18, 24, 48, 72}

// What is assumed of an unknown shop: the standard deviation of its
// departure from "as now, with a mild daily swing", by lead. Wide.
var defaultSD = [len(leadsH)]float64{0.5, 0.8, 1.3, 2, 3, 3.5, 4, 4.2, 4.5, 5}

// Default is a shop of which nothing is known.
func Default() Model { return Model{TauS: 6 * 3600, Stays: 0.5, Fade: 0.5, SD: defaultSD} }

const (
	defaultSwingK = 2.0  // half of the daily swing of an unknown shop
	warmestHour   = 15.0 // of the day
	fitEveryS     = 2 * 3600
	errorWidening = 0.4  // more doubt for few days: 1 + this/√days
	sdFloorK      = 0.03 // no forecast is better than its probe
	minDaysFitted = 1.4
)

// rhythm is R at t (s since 1970) as known at the time origin: the mean of
// the days before at that hour.
func (m *Model) rhythm(h *History, origin, t float64) float64 {
	sum, weight, w := 0.0, 0.0, 1.0
	// The latest same hour that is past.
	d := math.Ceil((t-origin)/86400 + 1e-9)
	if d < 1 {
		d = 1
	}
	for k := d; k < d+HistoryDays; k++ {
		if x := h.at(t - k*86400); !math.IsNaN(x) {
			sum += w * x
			weight += w
		}
		w *= m.Fade
		if w < 0.02 {
			break
		}
	}
	if weight == 0 {
		return math.NaN()
	}
	return sum / weight
}

// departs is how far the shop lies from its rhythm at a lead in s, from its
// departure now and the outdoors' (both K).
func (m *Model) departs(lead, in, out float64) float64 {
	k := math.Exp(-lead / m.TauS)
	return k*in + (1-k)*(m.Stays*(1-m.Gain)*in+m.Gain*out*math.Exp(-lead/outFadeS))
}

const outFadeS = 48 * 3600

// fitDays is how far back a fit looks: a little less than what is kept, so
// that a fit made a while after its hour sees the same days.
const fitDays = HistoryDays - 0.25

// Fit learns a shop from its history as it stood at a time; later readings do
// not count. Constants are those whose forecasts from earlier origins within
// the history came out best; with less than a day and a half it is the
// default.
//
// Out is the history of a probe outdoors, nil for none.
func Fit(all, out *History, at time.Time) Model {
	cut := *all
	cut.Until(at)
	cut.Trim(at, fitDays)
	h := &cut
	gains := []float64{0}
	var cutOut History
	if out != nil {
		cutOut = *out
		cutOut.Until(at)
		cutOut.Trim(at, fitDays)
		if cutOut.Days() >= minDaysFitted {
			gains = []float64{0, 0.25, 0.5, 0.75, 1}
		}
	}
	best := Default()
	best.Days = h.Days()
	if best.Days < minDaysFitted {
		return best
	}
	bestScore := math.Inf(1)
	for _, fade := range [...]float64{0, 0.5, 0.8} {
		var outdoors *History
		if len(gains) > 1 {
			outdoors = &cutOut
		}
		origins := forecastsFrom(h, outdoors, fade, float64(at.Unix()))
		usual := usualOf(origins)
		for _, tau := range [...]float64{1.5, 4, 10, 30} {
			for i := range len(stayings) * len(gains) {
				m := Model{TauS: tau * 3600, Stays: stayings[i%len(stayings)], Gain: gains[i/len(stayings)], Fade: fade, Usual: usual, Days: best.Days, Fitted: true}
				e, score := m.errors(origins)
				if score < bestScore {
					bestScore = score
					m.spread(&e)
					best = m
				}
			}
		}
	}
	return best
}

// origin is an earlier time at which the shop is forecast, with what came of it:
// departures from the rhythm there and outdoors (0 where not known), and at each
// lead the rhythm as known then and the temperature; NaN where not yet come.
type origin struct {
	d, out float64
	r, x   [len(leadsH)]float64
}

// forecastsFrom are the origins within a history. The rhythm depends on its fade
// alone, so that it is gathered once for all other constants.
func forecastsFrom(h, out *History, fade, now float64) (origins []origin) {
	probe := Model{Fade: fade}
	earliest := float64(h.first)*StepS + 86400
	for t := now - fitEveryS; t > earliest; t -= fitEveryS {
		x0, r0 := h.at(t), probe.rhythm(h, t, t)
		if math.IsNaN(x0) || math.IsNaN(r0) {
			continue
		}
		o := origin{d: x0 - r0}
		if out != nil {
			if d := out.at(t) - probe.rhythm(out, t, t); !math.IsNaN(d) {
				o.out = d
			}
		}
		for i, lead := range leadsH {
			o.r[i], o.x[i] = math.NaN(), math.NaN()
			if s := t + lead*3600; s <= now {
				o.r[i], o.x[i] = probe.rhythm(h, t, s), h.at(s)
			}
		}
		origins = append(origins, o)
	}
	return origins
}

// usualOf is the departure from the rhythm on an ordinary day, K, as a standard
// deviation.
func usualOf(origins []origin) float64 {
	far := make([]float64, len(origins))
	for i, o := range origins {
		far[i] = math.Abs(o.d)
	}
	if len(far) == 0 {
		return 0
	}
	slices.Sort(far)
	return far[len(far)/2] / 0.674 // of a normal, the median from the middle
}

// leadErrors are sums of squared errors and their number, by lead.
type leadErrors struct{ sum, n [len(leadsH)]float64 }

// errors is how far the forecasts from the origins lay off, and their score: less
// is better.
func (m *Model) errors(origins []origin) (e leadErrors, score float64) {
	for i, lead := range leadsH {
		one, two := m.departs(lead*3600, 1, 0), m.departs(lead*3600, 0, 1)
		for k := range origins {
			o := &origins[k]
			x := o.r[i] + one*o.d + two*o.out - o.x[i]
			if math.IsNaN(x) {
				continue
			}
			e.sum[i] += x * x
			e.n[i]++
		}
		if e.n[i] > 0 {
			score += math.Log(e.sum[i]/e.n[i]+sdFloorK*sdFloorK) * math.Min(e.n[i], 24)
		}
	}
	return e, score
}

// spread makes the standard deviations by lead of the errors.
func (m *Model) spread(e *leadErrors) {
	wide := 1 + errorWidening/math.Sqrt(max(m.Days-1, 0.5))
	last := 0.0
	for i := range leadsH {
		sd := math.Inf(1)
		if e.n[i] > 0 {
			sd = math.Sqrt(e.sum[i]/e.n[i]+sdFloorK*sdFloorK) * wide
		}
		// A lead seen from too few origins borrows from the one before, growing as
		// a random walk does.
		if e.n[i] < 6 && i > 0 {
			grown := m.SD[i-1] * math.Sqrt(leadsH[i]/leadsH[i-1])
			sd = max(min(sd, grown), m.SD[i-1])
			if math.IsInf(sd, 1) {
				sd = grown
			}
		}
		last = max(last, sd)
		m.SD[i] = last
	}
}

var stayings = [...]float64{0, 0.3, 0.6, 1}

// sd interpolates the standard deviation at a lead in s.
func (m *Model) sd(lead float64) float64 {
	x := lead / 3600
	if x <= leadsH[0] {
		return m.SD[0] * math.Sqrt(x/leadsH[0])
	}
	for i := 1; i < len(leadsH); i++ {
		if x <= leadsH[i] {
			f := (x - leadsH[i-1]) / (leadsH[i] - leadsH[i-1])
			return m.SD[i-1] + f*(m.SD[i]-m.SD[i-1])
		}
	}
	return m.SD[len(leadsH)-1]
}

// SDAt is the standard deviation of the forecast at a lead, K.
func (m *Model) SDAt(lead time.Duration) float64 { return m.sd(lead.Seconds()) }

// Conditions are what a forecast begins from.
type Conditions struct {
	At    time.Time
	TempC float64 // now
	// Zone's offset from UTC in s, for the daily swing of an unknown shop.
	OffsetS float64
	// LowC is the night's expected low outdoors, °C, about LowAt; nil when
	// not told.
	LowC  *float64
	LowAt time.Time
	// Out is the history of a probe outdoors, nil for none.
	Out *History
	// SetPoint holds the shop from below, °C; nil when nothing heats.
	SetPoint *float64
}

// Median appends to dst the middle of the forecast at steps+1 quarter hours
// from now.
func (m *Model) Median(dst []float64, h *History, steps int, c Conditions) []float64 {
	dst, _ = m.forecast(dst, nil, h, steps, c)
	return dst
}

// forecast appends the middle to mid and, where sd is not nil, the standard
// deviation to sd, at steps+1 quarter hours from now.
func (m *Model) forecast(mid, sd []float64, h *History, steps int, c Conditions) ([]float64, []float64) {
	now := float64(c.At.UnixNano()) / 1e9
	r0, out := math.NaN(), 0.0
	if m.Fitted {
		r0 = m.rhythm(h, now, now)
		if c.Out != nil && m.Gain > 0 {
			if d := c.Out.at(now) - m.rhythm(c.Out, now, now); !math.IsNaN(d) {
				out = d
			}
		}
	}
	s := settle(h, now, c)
	broken := m.broken(h, now, c.TempC, &s)
	base := len(mid)
	const day = 86400 / StepS
	var usual [day]float64 // the rhythm, the same on every day to come
	for k := range steps + 1 {
		lead := float64(k) * StepS
		x := math.NaN()
		if !math.IsNaN(r0) {
			// The day after now's very moment is told by now's.
			u := &usual[(k+day-1)%day]
			if k <= day {
				*u = m.rhythm(h, now, now+lead)
			}
			x = *u + m.departs(lead, c.TempC-r0, out)
		}
		if math.IsNaN(x) {
			x = c.TempC + swing(now+lead+c.OffsetS) - swing(now+c.OffsetS)
		}
		if broken > 0 {
			y, _ := s.at(lead)
			y += (c.TempC - s.now) * math.Exp(-lead/3600)
			y += settleSwingK / defaultSwingK * (swing(now+lead+c.OffsetS) - swing(now+c.OffsetS))
			x += broken * (y - x)
		}
		mid = append(mid, x)
		if sd != nil {
			v := m.sd(lead)
			if broken > 0 {
				_, y := s.at(lead)
				v += broken * (math.Hypot(y, settleShare*unknown.sd(lead)) - v)
			}
			if c.LowC != nil {
				v = min(v, max(lowSDK, 0.7*v))
			}
			sd = append(sd, v)
		}
	}
	if c.LowC != nil {
		m.lower(mid[base:], now, c, broken)
	}
	low := floor(h, now, c)
	for i, x := range mid[base:] {
		x = max(x, low)
		if c.SetPoint != nil {
			x = max(x, min(*c.SetPoint, c.TempC+float64(i)*StepS/3600*4))
		}
		mid[base+i] = x
	}
	return mid, sd
}

// settleShare is the doubt of a settling shop beyond its curve's own, as a
// share of an unknown shop's.
const settleShare = 0.35

var unknown = Default()

// swing of an unknown shop, K; local is s since local midnight, any day.
func swing(local float64) float64 {
	return defaultSwingK * math.Cos(2*math.Pi*(local/3600-warmestHour)/24)
}

// A shed's low is some kelvins above the night's, since it starts warm and
// loses heat slowly.
const (
	lowShelterK = 2.0
	lowSDK      = 2.0
	lowTrust    = 0.6 // share of the difference that is believed where the shop's own days say otherwise
)

// lower bends the forecast towards the night's expected low, and lets it
// recover by the next afternoon.
//
// Where the shop settles after a change its curve has taken the low in.
func (m *Model) lower(x []float64, now float64, c Conditions, broken float64) {
	at := float64(c.LowAt.Unix()) - now
	k := int(math.Round(at / StepS))
	if k < 1 || k >= len(x) {
		return
	}
	trust := 1.0
	if m.Fitted {
		trust = lowTrust
	}
	trust *= 1 - broken
	d := trust * (*c.LowC + lowShelterK - x[k])
	for i := 1; i < len(x); i++ {
		w := 0.0
		switch {
		case i <= k:
			w = float64(i) / float64(k)
			w *= w * (3 - 2*w)
		default:
			w = 0.3 + 0.7*math.Exp(-float64(i-k)*StepS/(5*3600))
		}
		x[i] += w * d
	}
}

// Ensemble appends to dst Paths paths' temperatures, path by path, each
// steps+1 long and beginning at the present temperature. Errors of a path
// stay together over the hours, as those of a real night do.
func (m *Model) Ensemble(dst []float32, h *History, paths, steps int, c Conditions, scratch []float64) []float32 {
	mid, sds := m.forecast(scratch[:0], make([]float64, 0, steps+1), h, steps, c)
	low := floor(h, float64(c.At.UnixNano())/1e9, c)
	drift, long := drifts(), Steps+1
	if paths > Paths || steps > Steps {
		drift, long = wander(paths, steps), steps+1
	}
	base := len(dst)
	dst = slices.Grow(dst, paths*(steps+1))[:base+paths*(steps+1)]
	least := make([]float64, steps+1)
	for k := range least {
		least[k] = low
		if c.SetPoint != nil {
			least[k] = max(low, min(*c.SetPoint-1, mid[k]))
		}
	}
	for p := range paths {
		row := dst[base+p*(steps+1) : base+(p+1)*(steps+1)]
		off := drift[p*long:][:len(row)]
		for k := range row {
			row[k] = float32(max(mid[k]+sds[k]*float64(off[k]), least[k]))
		}
	}
	return dst
}

// drifts are the errors of [Paths] paths over [Steps] quarter hours: they are
// the same in every forecast, so that two differ by what was learnt between
// them and not by chance.
var drifts = sync.OnceValue(func() []float32 { return wander(Paths, Steps) })

// wander draws errors of paths, in standard deviations, path by path, each
// steps+1 long.
func wander(paths, steps int) []float32 {
	rng := rand.New(rand.NewPCG(0x9e3779b97f4a7c15, 0x5851f42d4c957f2d))
	const together = 0.8 // share of an error that the whole path has in common
	apart := math.Sqrt(1 - together*together)
	a := math.Exp(-StepS / (3 * 3600))
	b := math.Sqrt(1 - a*a)
	out := make([]float32, 0, paths*(steps+1))
	for p := range paths {
		common := quantileNormal((float64(p) + 0.5) / float64(paths))
		stray := rng.NormFloat64()
		for k := range steps + 1 {
			if k > 0 {
				stray = a*stray + b*rng.NormFloat64()
			}
			out = append(out, float32(together*common+apart*stray))
		}
	}
	return out
}

// quantileNormal is the standard normal quantile.
func quantileNormal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
