// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math"
	"slices"
	"sync"
	"time"

	"curewright/model/air"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/memory"
	"curewright/model/shop"
)

// DefaultProbeSDK is a probe's accuracy where none is stated, one standard deviation,
// K: the ±0.5 K of common digital thermometers taken as two standard deviations.
const DefaultProbeSDK = 0.25

// Uncertainties of one coat alone, as standard deviations of ln κ.
const noBatchSD = 0.10 // time in the cup unknown

// Options of an [Estimator].
type Options struct {
	// NoCheckpoints makes every estimate start from the coat's beginning.
	NoCheckpoints bool
	// Workers is how many coats are followed at a time; the readings must
	// then be safe for use by several goroutines. 0 means one.
	Workers int
	// Spread are the quantiles of [coat.Spread]; nil for none.
	Spread []float64
}

// Estimator judges coats. It keeps a checkpoint per coat, so that a further estimate
// reads only new readings; results do not depend on checkpoints. It may be used by
// several goroutines, but makes one estimate at a time.
type Estimator struct {
	opts  Options
	mu    sync.Mutex
	ws    coat.Workspace
	saved map[string]*checkpoint
	law   map[string]*lawOf
	pasts map[string]*past
	// What was learnt for a coat, by its id.
	taught map[string]*taught
	// Scratch of the forecast.
	paths, panel []float32
	scratch      []float64
}

type lawOf struct {
	resin cure.Resin
	it    *cure.Integrator
	key   uint64
}

// NewEstimator returns an estimator without checkpoints yet.
func NewEstimator(o Options) *Estimator {
	return &Estimator{ws: coat.Workspace{Spread: o.Spread}, opts: o, saved: map[string]*checkpoint{}, law: map[string]*lawOf{}, pasts: map[string]*past{}, taught: map[string]*taught{}}
}

// Estimate judges every coat that is open at now. Work and readings after now do not
// count. An error names what is missing, such as a resin or a panel; the other coats
// are judged all the same.
func (e *Estimator) Estimate(now time.Time, w *coat.Work, r Readings, s Settings) (Result, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	res := Result{At: now, Coats: []coat.Estimate{}}
	var missing fault.List
	runs := map[string]*run{}
	live := map[string]bool{}
	var all []*run
	for i := range w.Coats {
		c := &w.Coats[i]
		if c.Applied.After(now) {
			continue
		}
		at := now
		if !c.Open(now) && !followed(w, c, now) {
			// A coat that has ended is followed up to its last finger test if it
			// shares a cup or a lot with an open coat.
			last, ok := lastFeel(w, c.ID, now)
			if !ok || !related(w, c, now) {
				continue
			}
			at = last
		}
		ru, err := e.prepare(at, w, c, r, s)
		if err != nil {
			if c.Open(now) || followed(w, c, now) {
				missing.Take(err)
			}
			continue
		}
		runs[c.ID] = ru
		live[c.ID] = true
		all = append(all, ru)
	}
	e.followAll(all, r, s)
	below := map[string]*coat.Estimate{} // last coat of each panel
	for i := range w.Coats {
		c := &w.Coats[i]
		ru := runs[c.ID]
		if ru == nil || !c.Open(now) && !followed(w, c, now) {
			continue
		}
		j := e.judge(now, w, ru, runs, r, s, below[c.Panel])
		below[c.Panel] = &j
		// A coat under another is followed until it is hard.
		if c.Open(now) || j.State != coat.Hard {
			res.Coats = append(res.Coats, j)
		}
	}
	for id := range e.saved {
		if !live[id] {
			delete(e.saved, id)
			delete(e.taught, id)
		}
	}
	res.Shop = e.shopNow(now, w, r, s)
	return res, missing.Err()
}

// over is the next coat on top of another; nil for none yet.
func over(w *coat.Work, c *coat.Coat, now time.Time) (next *coat.Coat) {
	for i := range w.Coats {
		o := &w.Coats[i]
		if o.Panel == c.Panel && o.ID != c.ID && o.Applied.After(c.Applied) && !o.Applied.After(now) && (next == nil || o.Applied.Before(next.Applied)) {
			next = o
		}
	}
	return next
}

// The longest time that a coat is followed under another, and the longest time between
// its end and the next coat for it to count as covered.
const (
	followFor   = 14 * 24 * time.Hour
	coverWithin = 12 * time.Hour
)

// followed reports whether an ended coat was coated over and may not be hard yet.
func followed(w *coat.Work, c *coat.Coat, now time.Time) bool {
	return c.Ended != nil && !c.Applied.After(now) && now.Sub(c.Applied) <= followFor && Covered(w, c, now)
}

// Covered reports whether another coat lies on this one by now, put on before or soon
// after its end.
func Covered(w *coat.Work, c *coat.Coat, now time.Time) bool {
	o := over(w, c, now)
	return o != nil && (c.Ended == nil || o.Applied.Sub(*c.Ended) <= coverWithin)
}

// lastFeel is the time of a coat's last finger test up to now.
func lastFeel(w *coat.Work, id string, now time.Time) (t time.Time, ok bool) {
	for _, f := range w.Feels {
		if f.Coat == id && !f.At.After(now) && (!ok || f.At.After(t)) {
			t, ok = f.At, true
		}
	}
	return t, ok
}

// related reports whether a coat shares a cup, or resin and lot, with one that
// is open.
func related(w *coat.Work, c *coat.Coat, now time.Time) bool {
	lots := func(c *coat.Coat) (l []string) {
		for _, id := range c.Batches {
			if b, ok := find(w.Batches, func(b coat.Batch) bool { return b.ID == id }); ok && b.Lot != "" {
				l = append(l, b.Lot)
			}
		}
		return l
	}
	mine := lots(c)
	for i := range w.Coats {
		o := &w.Coats[i]
		if o.ID == c.ID || o.Resin != c.Resin || !o.Open(now) || o.Applied.After(now) {
			continue
		}
		for _, id := range c.Batches {
			if slices.Contains(o.Batches, id) {
				return true
			}
		}
		for _, l := range lots(o) {
			if slices.Contains(mine, l) {
				return true
			}
		}
	}
	return false
}

// run is the state of one coat while it is followed up to now.
type run struct {
	at      time.Time // followed up to this time
	coat    *coat.Coat
	panel   coat.Panel
	law     *lawOf
	batches []coat.Batch
	lot     string // resin and lot, "" when not known
	unit    string // the cups it shares with no other
	feels   []coat.Feel
	young   *coat.Track
	old     *coat.Track // nil when the same
	feed    *feed
	gapFor  time.Duration
	like    coat.Likelihood
	cp, tip *checkpoint
}

func (e *Estimator) lawFor(w *coat.Work, name string) (*lawOf, bool) {
	r, ok := w.Resins[name]
	if !ok {
		if r, ok = cure.Generic(name); !ok {
			return nil, false
		}
	}
	key := digest(r)
	if l := e.law[name]; l != nil && l.key == key {
		return l, true
	}
	l := &lawOf{resin: r, it: cure.NewIntegrator(r), key: key}
	e.law[name] = l
	return l, true
}

func digest(v any) uint64 {
	h := fnv.New64a()
	// Records of work are plain data. Encoding fails only for NaN or infinity,
	// which the checks of work refuse.
	b, err := json.Marshal(v)
	if err != nil {
		fmt.Fprintf(h, "%+v", v)
	}
	h.Write(b)
	return h.Sum64()
}

func (e *Estimator) describe(now time.Time, w *coat.Work, c *coat.Coat) (*run, error) {
	ru := &run{coat: c, at: now}
	var ok bool
	if ru.law, ok = e.lawFor(w, c.Resin); !ok {
		return nil, fmt.Errorf("coat %s: unknown resin %q", c.ID, c.Resin)
	}
	if ru.panel, ok = find(w.Panels, func(p coat.Panel) bool { return p.ID == c.Panel }); !ok {
		return nil, fmt.Errorf("coat %s: unknown panel %q", c.ID, c.Panel)
	}
	for _, id := range c.Batches {
		if b, ok := find(w.Batches, func(b coat.Batch) bool { return b.ID == id }); ok {
			ru.batches = append(ru.batches, b)
			ru.unit += id + "\n"
			if b.Lot != "" {
				ru.lot = c.Resin + "\n" + b.Lot
			}
		}
	}
	for _, x := range w.Feels {
		if x.Coat == c.ID && !x.At.After(now) {
			ru.feels = append(ru.feels, x)
		}
	}
	slices.SortStableFunc(ru.feels, func(a, b coat.Feel) int { return a.At.Compare(b.At) })
	return ru, nil
}

// mixing is when the oldest and the youngest resin on the panel was mixed: the window
// opens by the youngest and closes by the oldest.
func (ru *run) mixing() (oldest, youngest time.Time) {
	if len(ru.batches) == 0 {
		oldest, youngest = ru.coat.Applied, ru.coat.Applied
		if f := ru.coat.Finished; f != nil && f.After(youngest) {
			youngest = *f
		}
		return oldest, youngest
	}
	oldest, youngest = ru.batches[0].Mixed, ru.batches[0].Mixed
	for _, b := range ru.batches[1:] {
		if b.Mixed.Before(oldest) {
			oldest = b.Mixed
		}
		if b.Mixed.After(youngest) {
			youngest = b.Mixed
		}
	}
	// A cup mixed after the coat was begun went on at once.
	if oldest.After(ru.coat.Applied) {
		oldest = ru.coat.Applied
	}
	return oldest, youngest
}

// checkpoint is a coat's state at a time a little before now.
type checkpoint struct {
	key        uint64
	versions   [2]uint64
	feelsKey   uint64
	young, old coat.Track
	hasOld     bool
	feed       feed
}

// settle is how far behind now a checkpoint stays, so that readings that come
// in late and out of order still count.
const settleFor = 10 * time.Minute

// prepare finds the coat's checkpoint, or begins one.
func (e *Estimator) prepare(now time.Time, w *coat.Work, c *coat.Coat, r Readings, s Settings) (*run, error) {
	ru, err := e.describe(now, w, c)
	if err != nil {
		return nil, err
	}
	airProbe := cmp.Or(ru.panel.Air, s.Air)
	key := digest(struct {
		C    coat.Coat
		P    coat.Panel
		B    []coat.Batch
		R    uint64
		Air  string
		Heat bool
		Held []coat.Span
	}{stripped(*c), ru.panel, ru.batches, ru.law.key, airProbe, s.FuelHeater, s.Held})
	versions := [2]uint64{r.Version(ru.panel.Probe), r.Version(airProbe)}
	cp := e.saved[c.ID]
	if cp != nil {
		felt := cp.young.Felt()
		switch {
		case cp.key != key, cp.versions != versions, cp.feed.last.After(now), felt > len(ru.feels), cp.feelsKey != digest(ru.feels[:felt]),
			felt < len(ru.feels) && cp.young.Begun() && !ru.feels[felt].At.After(cp.young.Last()):
			cp = nil
		default:
			cp.young.SetFeels(ru.feels[felt:])
		}
	}
	if cp == nil {
		cp = e.begin(ru, airProbe, s)
		cp.key, cp.versions = key, versions
	}
	if !e.opts.NoCheckpoints {
		e.saved[c.ID] = cp
	}
	ru.cp = cp
	return ru, nil
}

// advance feeds a coat its readings: to the checkpoint's new place, then on a
// copy to now. It changes nothing that coats share.
func (ru *run) advance(r Readings) {
	cp, now := ru.cp, ru.at
	cp.feed.advance(r, now.Add(-settleFor), cp)
	cp.feelsKey = digest(ru.feels[:cp.young.Felt()])
	tip := &checkpoint{hasOld: cp.hasOld, feed: cp.feed}
	cp.young.CopyTo(&tip.young)
	if cp.hasOld {
		cp.old.CopyTo(&tip.old)
	}
	tip.feed.advance(r, now, tip)
	ru.tip = tip
}

// arrive continues a coat to now, over a present lack of readings too.
func (e *Estimator) arrive(ru *run, r Readings, s Settings) {
	tip, now := ru.tip, ru.at
	if f := &tip.feed; !f.pointAt.IsZero() && now.Sub(f.readAt) > f.limit() {
		ru.gapFor = now.Sub(f.readAt)
		e.bridge(now, tip, r, s, ru.zone(s))
	}
	tip.feed.carryToNow(now, tip)
	ru.feed = &tip.feed
	ru.young = &tip.young
	if tip.hasOld {
		ru.old = &tip.old
	}
	if ru.young.Begun() {
		ru.like = ru.young.Judge()
	}
}

// follow brings one coat to now.
func (e *Estimator) follow(now time.Time, w *coat.Work, c *coat.Coat, r Readings, s Settings) (*run, error) {
	ru, err := e.prepare(now, w, c, r, s)
	if err != nil {
		return nil, err
	}
	ru.advance(r)
	e.arrive(ru, r, s)
	return ru, nil
}

// followAll brings coats to now, several at a time where that was asked for.
func (e *Estimator) followAll(rus []*run, r Readings, s Settings) {
	var wg sync.WaitGroup
	slots := make(chan struct{}, max(e.opts.Workers, 1))
	for _, ru := range rus {
		if e.opts.Workers <= 1 {
			ru.advance(r)
			continue
		}
		slots <- struct{}{}
		wg.Go(func() {
			defer func() { <-slots }()
			ru.advance(r)
		})
	}
	wg.Wait()
	for _, ru := range rus {
		e.arrive(ru, r, s)
	}
}

// stripped is the coat without what does not change how it cures.
func stripped(c coat.Coat) coat.Coat {
	c.Next, c.Note, c.Cloth, c.Ended, c.Cover, c.Kind = "", "", nil, nil, "", ""
	c.BagKPa, c.BagMinutes, c.Share = nil, nil, nil
	return c
}

func (e *Estimator) begin(ru *run, airProbe string, s Settings) *checkpoint {
	oldest, youngest := ru.mixing()
	applied := ru.coat.Applied
	on := func(mixed time.Time) time.Time {
		if mixed.After(applied) {
			return mixed
		}
		return applied
	}
	cp := &checkpoint{}
	o := coat.TrackOptions{Resin: &ru.law.resin, Integrator: ru.law.it, FuelHeater: s.FuelHeater, Held: s.Held}
	o.Mixed, o.Applied, o.Feels = youngest, on(youngest), ru.feels
	cp.young = *coat.NewTrack(o)
	if youngest.Sub(oldest) > time.Minute {
		o.Mixed, o.Applied, o.Feels = oldest, on(oldest), nil
		cp.old = *coat.NewTrack(o)
		cp.hasOld = true
	}
	cp.feed = feed{probe: ru.panel.Probe, air: airProbe, applied: applied, mixed: oldest,
		lag: shop.Lag{Tau: shop.LagSeconds(ru.panel.Core)}, last: oldest.Add(-lookBack)}
	cp.feed.cup, cp.feed.oldCup = ru.cup(youngest), ru.cup(oldest)
	return cp
}

// cup is the plan of the batch mixed at a time.
func (ru *run) cup(mixed time.Time) cupPlan {
	p := cupPlan{StartC: math.NaN()}
	for i := range ru.batches {
		b := &ru.batches[i]
		if !b.Mixed.Equal(mixed) {
			continue
		}
		if b.StartC != nil {
			p.StartC = *b.StartC
		}
		// Resin spread in a tray hardly warms.
		if b.ResinG == nil || b.HardenerG == nil || b.Shape != "" && b.Shape != "cup" {
			continue
		}
		p.Grams = *b.ResinG + *b.HardenerG
		d := cure.DefaultCupMM(p.Grams)
		if b.DiameterMM != nil {
			d = *b.DiameterMM
		}
		p.HA = cure.CupHA(p.Grams, ru.law.resin.DensityGCC, d)
	}
	return p
}

func (e *Estimator) judge(now time.Time, w *coat.Work, ru *run, runs map[string]*run, r Readings, s Settings, below *coat.Estimate) coat.Estimate {
	cs := coat.Case{OffRatio: ru.offRatio(), Now: now, Loc: s.Loc, Words: s.Words, Coat: *ru.coat, Panel: ru.panel, Resin: &ru.law.resin, Feels: ru.feels, Over: over(w, ru.coat, now), Below: below}
	if !ru.young.Begun() {
		return coat.NotYet(&cs)
	}
	cs.Track, cs.Oldest = ru.young, ru.old
	cs.GapFor = ru.gapFor
	cs.PanelFrom = ru.feed.from(now)
	cs.Belief = e.believe(w, ru, runs, s)
	cs.Outlook = e.outlook(now, ru, r, s)
	cs.Asleep = asleep(now, s, ru.coat.Applied.Location())
	out := e.ws.Estimate(&cs)
	if t := e.taught[ru.coat.ID]; t != nil {
		out.Learnt = t.line
	}
	return out
}

// believe computes the distribution of a coat's rate factor from all that is known.
func (e *Estimator) believe(w *coat.Work, ru *run, runs map[string]*run, s Settings) coat.Belief {
	sd, extra := ru.probeSD(s), ru.extra(w)
	if learnt, prior := e.recall(w, ru, runs, s); prior != nil {
		b := coat.BelieveLearnt(prior, extra, ru.young.MeasuredSD(sd), ru.like)
		if run := learnt.Run(lotOf(ru)); run != nil && !b.Unlike {
			b.Notes = append(b.Notes, run.Note())
		}
		return b
	}
	return coat.Believe(ru.law.resin.LnKappaSD, extra, ru.young.TempSD(sd), ru.like, family(ru, w, runs))
}

// zone is the time zone in which a coat's times are told.
func (ru *run) zone(s Settings) *time.Location { return cmp.Or(s.Loc, ru.coat.Applied.Location()) }

// offRatio reports whether one of a coat's cups is off its ratio.
func (ru *run) offRatio() bool {
	return slices.ContainsFunc(ru.batches, func(b coat.Batch) bool { return b.OffRatio != "" })
}

// family gathers the finger tests on other coats that say something about
// this one's rate factor.
func family(ru *run, w *coat.Work, runs map[string]*run) (f coat.Family) {
	if ru.unit == "" || ru.offRatio() {
		return f
	}
	lots := map[string]int{}
	for i := range w.Coats {
		o := runs[w.Coats[i].ID]
		if o == nil || o == ru || o.offRatio() || !o.like.Says() || o.coat.Resin != ru.coat.Resin {
			continue
		}
		switch {
		case o.unit == ru.unit:
			f.SameBatch = append(f.SameBatch, o.like)
		case ru.lot != "" && o.lot == ru.lot:
			k, ok := lots[o.unit]
			if !ok {
				k = len(f.SameLot)
				lots[o.unit] = k
				f.SameLot = append(f.SameLot, nil)
			}
			f.SameLot[k] = append(f.SameLot[k], o.like)
		}
	}
	return f
}

// asleep is the current or next stretch of sleep.
func asleep(now time.Time, s Settings, own *time.Location) *coat.Span {
	if s.SleepFrom == s.SleepTo {
		return nil
	}
	loc := cmp.Or(s.Loc, own)
	n := now.In(loc)
	for day := -1; day <= 1; day++ {
		from := time.Date(n.Year(), n.Month(), n.Day()+day, int(s.SleepFrom)/60, int(s.SleepFrom)%60, 0, 0, loc)
		to := time.Date(n.Year(), n.Month(), n.Day()+day, int(s.SleepTo)/60, int(s.SleepTo)%60, 0, 0, loc)
		if s.SleepTo < s.SleepFrom {
			to = time.Date(n.Year(), n.Month(), n.Day()+day+1, int(s.SleepTo)/60, int(s.SleepTo)%60, 0, 0, loc)
		}
		if to.After(now) {
			if from.Before(now) {
				from = now
			}
			return &coat.Span{From: from, To: to}
		}
	}
	return nil
}

// past is what a probe's history shows of the shop.
type past struct {
	h       shop.History
	upto    time.Time // bins before this are complete
	version uint64
	begun   bool
	model   shop.Model
	fitAt   time.Time
	fitWith string // the outdoor probe used in its fit
}

// history brings a probe's history up to now and refits the shop every hour.
// What it holds depends on readings and now alone, not on earlier calls.
func (e *Estimator) history(probe, outdoor string, now time.Time, r Readings, s Settings) (*past, *shop.History) {
	p := e.bins(probe, now, r)
	var out *shop.History
	if outdoor != "" && outdoor != probe {
		out = &e.bins(outdoor, now, r).h
	}
	fitAt := now.Add(-settleFor).Truncate(time.Hour)
	if !p.fitAt.Equal(fitAt) || p.fitWith != outdoor {
		p.fitAt, p.fitWith = fitAt, outdoor
		p.model = shop.Fit(&p.h, out, fitAt)
	}
	if !p.model.Fitted && s.Memory != nil && s.Memory.Shed != nil && (probe == s.Memory.Shed.Probe || probe == s.Air) {
		// A new start in a shed whose figures are remembered.
		days := p.model.Days
		p.model = s.Memory.Shed.Shop(out != nil)
		p.model.Days = days
	}
	return p, out
}

// bins brings the quarter hours of a probe's history up to now.
func (e *Estimator) bins(probe string, now time.Time, r Readings) *past {
	p := e.pasts[probe]
	if p == nil {
		p = &past{}
		e.pasts[probe] = p
	}
	version := r.Version(probe)
	quarter := shop.StepS * time.Second
	oldest := now.Truncate(quarter).Add(-(shop.HistoryDays*24*time.Hour - quarter))
	if !p.begun || p.version != version || p.upto.After(now) || p.upto.Before(oldest) {
		*p = past{begun: true, version: version, upto: oldest}
	}
	p.h.Until(p.upto)
	for s := range r.Samples(probe, p.upto, now) {
		p.h.Add(s.At, s.TempC)
	}
	p.h.Trim(now, shop.HistoryDays)
	p.upto = now.Add(-settleFor).Truncate(quarter)
	if p.upto.Before(oldest) {
		p.upto = oldest
	}
	return p
}

// Conditions are what a forecast of a probe begins from.
func Conditions(at time.Time, tempC float64, out *shop.History, s Settings, loc *time.Location) shop.Conditions {
	_, off := at.In(loc).Zone()
	c := shop.Conditions{At: at, TempC: tempC, Out: out, OffsetS: float64(off), SetPoint: s.SetPointC}
	if s.LowC != nil {
		// The low comes about six in the morning after the night it is for.
		n := at.In(loc)
		day := time.Date(n.Year(), n.Month(), n.Day(), lowHour, 0, 0, 0, loc)
		if !s.LowFor.IsZero() {
			f := s.LowFor.In(loc)
			day = time.Date(f.Year(), f.Month(), f.Day()+1, lowHour, 0, 0, 0, loc)
		} else if !day.After(at) {
			day = day.AddDate(0, 0, 1)
		}
		if day.After(at) {
			c.LowC, c.LowAt = s.LowC, day
		}
	}
	return c
}

const lowHour = 6

// outlook forecasts the panel's temperature from now on. If the panel has not been read
// for a while, the paths begin at its last reading, so that they include the
// uncertainty about now.
func (e *Estimator) outlook(now time.Time, ru *run, r Readings, s Settings) *coat.Outlook {
	loc, f := ru.zone(s), ru.feed
	begin, skip := now, 0
	airC, source := f.airC, f.air
	if f.air == "" || f.airAt.IsZero() || now.Sub(f.airAt) > airFreshFor {
		source, airC = cmp.Or(f.probe, f.air), ru.young.NowC()
	}
	if ru.gapFor > 0 {
		skip = min(int(math.Ceil(ru.gapFor.Seconds()/shop.StepS)), shop.Steps)
		begin = now.Add(-time.Duration(skip) * shop.StepS * time.Second)
		airC = f.pointC
	}
	steps := shop.Steps + skip
	p, out := e.history(source, s.Outdoor, now, r, s)
	e.paths = p.model.Ensemble(e.paths[:0], &p.h, shop.Paths, steps, Conditions(begin, airC, out, s, loc), e.scratch)
	o := &coat.Outlook{Start: now, StepS: shop.StepS, Paths: shop.Paths, Len: shop.Steps + 1, VapourPa: f.vapour(now)}
	follows := source == f.air && f.probe != f.air && ru.gapFor == 0
	if !follows && skip == 0 {
		o.TempC = e.paths
		return o
	}
	// The panel follows the air's path with its lag. Its present offset over the
	// lagged air fades at the rate of its past; on some paths it never does.
	a := math.Exp(-shop.StepS / shop.LagSeconds(ru.panel.Core))
	lagged, _ := f.lag.Out()
	over, fade := f.pointC-lagged, f.over.fade()
	e.panel = e.panel[:0]
	for k := range shop.Paths {
		row := e.paths[k*(steps+1)+skip : (k+1)*(steps+1)]
		if !follows {
			e.panel = append(e.panel, row...)
			continue
		}
		c, keep, left := lagged, fade.step(k), over
		for i, x := range row {
			if i > 0 {
				c = float64(x) + (c-float64(x))*a
				left *= keep
			}
			e.panel = append(e.panel, float32(c+left))
		}
	}
	o.TempC = e.panel
	return o
}

// bridge continues the tracks from the last reading to now, without readings, along
// the median of the shop's forecast.
func (e *Estimator) bridge(now time.Time, tip *checkpoint, r Readings, s Settings, loc *time.Location) {
	f := &tip.feed
	p, out := e.history(cmp.Or(f.probe, f.air), s.Outdoor, now, r, s)
	from := f.pointAt
	steps := min(int(math.Ceil(now.Sub(from).Seconds()/shop.StepS)), shop.Steps)
	e.scratch = p.model.Median(e.scratch[:0], &p.h, steps, Conditions(from, f.pointC, out, s, loc))
	for k := 1; k <= steps; k++ {
		at := from.Add(time.Duration(k) * shop.StepS * time.Second)
		if !at.Before(now) {
			break
		}
		f.point(at, e.scratch[k], p.model.SDAt(time.Duration(k)*shop.StepS*time.Second), coat.Bridged, tip)
	}
}

// shopNow is the shop's air and the coldest it may get in the coming hours.
func (e *Estimator) shopNow(now time.Time, w *coat.Work, r Readings, s Settings) *ShopNow {
	probe := s.Air
	for i := len(w.Panels) - 1; i >= 0 && probe == ""; i-- {
		probe = w.Panels[i].Air
	}
	if probe == "" {
		return nil
	}
	var last Sample
	for x := range r.Samples(probe, now.Add(-airFreshFor), now) {
		if !math.IsNaN(x.TempC) {
			last = x
		}
	}
	sn := &ShopNow{Air: probe, Quality: "no reading"}
	if last.At.IsZero() {
		return sn
	}
	loc := cmp.Or(s.Loc, now.Location())
	c := last.TempC
	sn.TempC = &c
	p, out := e.history(probe, s.Outdoor, now, r, s)
	sn.Quality = "wide default"
	sn.Learnt = memory.ShedOf(&p.model, probe, p.fitAt)
	if p.model.Fitted {
		sn.Quality = "fitted to the last days"
	}
	const ahead = 18 * 4
	cond := Conditions(now, c, out, s, loc)
	e.paths = p.model.Ensemble(e.paths[:0], &p.h, shop.Paths, ahead, cond, e.scratch)
	var lows [shop.Paths]float64
	for k := range lows {
		lows[k] = math.Inf(1)
		for _, x := range e.paths[k*(ahead+1) : (k+1)*(ahead+1)] {
			lows[k] = min(lows[k], float64(x))
		}
	}
	slices.Sort(lows[:])
	sn.LowC = &coat.Band{P10: lows[6], P50: (lows[31] + lows[32]) / 2, P90: lows[57]}
	e.scratch = p.model.Median(e.scratch[:0], &p.h, ahead, cond)
	k := 0
	for i, x := range e.scratch {
		if x < e.scratch[k] {
			k = i
		}
	}
	at := now.Add(time.Duration(k) * shop.StepS * time.Second)
	sn.LowAt = &at
	return sn
}

func vapour(tempC, rh float64) float64 {
	if math.IsNaN(tempC) || math.IsNaN(rh) {
		return math.NaN()
	}
	return rh / 100 * air.VapourPressure(tempC)
}
