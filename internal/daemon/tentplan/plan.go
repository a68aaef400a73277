// SPDX-License-Identifier: Apache-2.0

// Package tentplan makes the set points that land a coat's window in a heated
// tent, or soak it, and learns the tent from its switching. It plans beside the
// heater's loop and never in it: no output, no limit and no switch comes in here,
// and no store, page or clock but those that [Options] hand in.
package tentplan

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/shop"
	"curewright/model/tent"
	"curewright/model/words"
	"curewright/sensors"
)

// Options are what a [Planner] goes by; all are needed.
type Options struct {
	Section  heat.ConfigSection // with defaults, checked
	ShopAir  string             // the probe of the shop's air, "" for none
	Loc      *time.Location
	Words    *words.Catalogue // what is said; nil: English
	Log      *slog.Logger
	Now      func() time.Time
	Speed    float64 // of the clock, 1 for real time
	Store    Store
	Status   func() heat.Status // of the loop
	Snapshot func() *web.Snapshot
	Work     func(context.Context) (*coat.Work, error)
	Probe    func(id string) (sensors.Health, bool)
	Readings job.Readings
	Outdoor  func(now time.Time) string   // the probe outdoors, "" for none
	LowC     func(now time.Time) *float64 // tonight's low that somebody expects, °C
	Note     func(text string, at time.Time)
	// Known is what is remembered of the tent from before, nil for nothing;
	// Learnt is called with each fit of it.
	Known  func() *tent.Model
	Learnt func(tent.Model)
}

// Store keeps what the tent showed of itself over a restart.
type Store interface {
	ReadSetting(key string, v any) bool
	WriteSetting(ctx context.Context, key string, v any) error
}

// Planner makes the plan, keeps it up and learns the tent. Its methods may be
// called from any goroutine.
type Planner struct {
	o    Options
	aims aims
}

// New is a planner without a plan.
func New(o Options) *Planner { return &Planner{o: o, aims: aims{kick: make(chan struct{}, 1)}} }

// view is how what is said is read: the shop's language and clock, °C.
func (t *Planner) view() words.View { return words.View{Words: t.o.Words, Loc: t.o.Loc} }

// say is a sentence of the catalogue, of a code below "tent".
func (t *Planner) say(code string, facts words.Facts) string {
	return t.view().Say("tent."+code, facts)
}

// clock is a time with its weekday, of which a plan may reach over several.
func (t *Planner) clock(x time.Time) string { return t.view().Clock(x, time.Time{}) }

// Profile is the latest plan for the loop; false where there is none.
func (t *Planner) Profile() (heat.Profile, bool) { return t.aims.profile() }

// View, Learned and Past are the plan in force, what the tent showed of itself
// and its last day, as pages show them; nil for none.
func (t *Planner) View() json.RawMessage    { return t.aims.view() }
func (t *Planner) Learned() json.RawMessage { return t.aims.learned(t.view()) }
func (t *Planner) Past() []web.TentPast     { return t.aims.past() }

// Follow puts a plan that was made before in force, in place of any other.
func (t *Planner) Follow(w AimWish, p *TentPlan, prof heat.Profile) {
	t.aims.mu.Lock()
	defer t.aims.mu.Unlock()
	t.aims.follow(w, p, prof)
}

// Drop gives up the plan, if there is one.
func (t *Planner) Drop() (had bool) { return t.aims.drop() }

// Aim plans what somebody asks for and, with apply set, puts it in force.
func (t *Planner) Aim(ctx context.Context, w AimWish) (*TentPlan, error) {
	if w.Wish == Soak {
		return t.soak(ctx, w, w.Apply)
	}
	return t.aim(context.WithValue(ctx, aimFirst{}, true), w, w.Apply)
}

// AimWish is what a person asks the tent for.
type AimWish struct {
	Coat        string    `json:"coat"`
	Wish        string    `json:"wish"` // window, hard, no_stall, soak
	From        time.Time `json:"from,omitzero"`
	To          time.Time `json:"to,omitzero"`
	By          time.Time `json:"by,omitzero"`
	Probability float64   `json:"probability"`
	// Of a soak: what is held, for how long, and how fast it gets there, °C/h.
	TempC  float64 `json:"temp_c,omitempty"`
	Hours  float64 `json:"hours,omitempty"`
	RampCH float64 `json:"ramp_c_h,omitempty"`
	Apply  bool    `json:"apply,omitempty"`
}

// TentPlan is the answer as pages show it.
type TentPlan struct {
	AimWish
	Made     time.Time    `json:"made"`
	Feasible bool         `json:"feasible"`
	Reached  float64      `json:"reached"` // probability of the wish
	Unheated float64      `json:"unheated"`
	Points   []heat.Point `json:"points"`
	Energy   *float64     `json:"energy_kwh"`
	Cost     *float64     `json:"cost"`
	Currency string       `json:"currency"`
	Nearest  *time.Time   `json:"nearest"` // where it comes too late
	Early    bool         `json:"early"`   // the window closes too soon
	Opens    [3]time.Time `json:"opens"`   // p10, p50, p90; zero never
	Closes   [3]time.Time `json:"closes"`
	Done     [3]time.Time `json:"done"`
	Say      string       `json:"say"`
	Tg       *tentTg      `json:"tg_c,omitempty"` // of a soak
	Learned  bool         `json:"learned"`        // the tent's own figures, not assumed ones
}

// aims is what the tent's plan is made for, and what the tent showed of itself.
type aims struct {
	mu      sync.Mutex
	wish    *AimWish
	plan    *TentPlan
	now     heat.Profile
	has     bool
	samples []tent.Sample
	day     []web.TentPast // the last day, for the page; not kept over a restart
	model   *tent.Model
	trouble string
	kick    chan struct{}
}

// profile is the latest plan for the loop; false where there is none.
func (a *aims) profile() (heat.Profile, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.now, a.has
}

func (a *aims) view() json.RawMessage {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.plan == nil {
		return nil
	}
	b, _ := json.Marshal(a.plan)
	return b
}

func (a *aims) learned(view words.View) json.RawMessage {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.model == nil && a.trouble == "" {
		return nil
	}
	v := TentLearned{Trouble: a.trouble, Bins: len(a.samples)}
	if m := a.model; m != nil {
		tau, sd := m.TauS/60, m.TauSD/60
		v.TauMin, v.TauSD, v.GainK, v.GainSD, v.InAWords = &tau, &sd, &m.GainK, &m.GainSD, m.Say(view)
	}
	b, _ := json.Marshal(v)
	return b
}

// TentLearned is what the tent's switching showed of it.
type TentLearned struct {
	TauMin   *float64 `json:"time_constant_min"`
	TauSD    *float64 `json:"time_constant_sd_min"`
	GainK    *float64 `json:"gain_k"` // of full heat, K
	GainSD   *float64 `json:"gain_sd_k"`
	Bins     int      `json:"quarter_hours"` // that it was learned from
	Trouble  string   `json:"trouble"`
	InAWords string   `json:"say"`
}

// stuck says on the plan in force that it could not be made anew, and how long
// it is followed still.
func (t *Planner) stuck(why error) {
	a := &t.aims
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.plan == nil {
		return
	}
	p := *a.plan
	p.Feasible = false
	p.Say = t.say("stuck", words.Facts{"why": reasons(why), "until": t.clock(a.now.Until)})
	a.plan = &p
}

// reasons are an error's sentences without the names of fields.
func reasons(err error) string {
	var f web.Faults
	if !errors.As(err, &f) {
		return err.Error()
	}
	var out []string
	for _, x := range f {
		out = append(out, x.What)
	}
	return strings.Join(out, "; ")
}

// staleBy sets until when the plan in force is followed, should nobody look
// after it from now on. The caller holds the lock.
func (a *aims) staleBy(now time.Time) {
	if a.plan == nil || a.wish == nil {
		return
	}
	a.now.Until = a.wish.wish().End()
	if s := now.Add(aimStale); s.Before(a.now.Until) {
		a.now.Until = s
	}
}

// follow puts a plan in force. The caller holds the lock.
func (a *aims) follow(w AimWish, p *TentPlan, prof heat.Profile) {
	w.Apply = false
	a.wish, a.plan, a.now, a.has = &w, p, prof, true
}

// drop gives up the plan, if there is one.
func (a *aims) drop() (had bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	had = a.wish != nil
	a.wish, a.plan, a.has = nil, nil, false
	return had
}

// Times of the plan: how often it is made anew, and how long one is followed
// at most when it is not.
const (
	aimEvery = 10 * time.Minute
	aimStale = 2 * time.Hour
	// keepBins is how much of its past the tent is learned from: three days.
	keepBins = 3 * 96
)

const samplesKey = "tent-samples"

// storedSample is a [tent.Sample] in JSON, where nothing is not a number.
type storedSample struct {
	Panel sensors.Value `json:"p"`
	Shed  sensors.Value `json:"s"`
	Share float64       `json:"u"`
}

// Run learns the tent a quarter hour at a time and makes the plan anew as
// temperatures and finger tests come in, beside the loop and never in it.
func (t *Planner) Run(ctx context.Context) error {
	var kept []storedSample
	if t.o.Store.ReadSetting(samplesKey, &kept) {
		t.aims.mu.Lock()
		for _, x := range kept {
			t.aims.samples = append(t.aims.samples, tent.Sample{PanelC: x.Panel.OrNaN(), ShedC: x.Shed.OrNaN(), Share: x.Share})
		}
		t.aims.mu.Unlock()
	}
	t.learn()
	tick := time.NewTicker(max(time.Duration(float64(time.Minute)/t.o.Speed), time.Second))
	defer tick.Stop()
	bin := newTentBin(t.o.Now(), t.o.Status().OnTotal)
	var solved time.Time
	var felt float64
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		case <-t.aims.kick:
		}
		t.binUp(ctx, bin)
		now := t.o.Now()
		t.aims.mu.Lock()
		w := t.aims.wish
		t.aims.mu.Unlock()
		if w == nil {
			continue
		}
		if end := w.wish().End(); !now.Before(end) {
			t.aims.drop()
			t.o.Note(t.say("ended", nil), now)
			continue
		}
		// A finger test moves the rate factor: plan anew at once.
		k := felt
		if s := t.o.Snapshot(); s != nil {
			for _, e := range s.Result.Coats {
				if e.ID == w.Coat && e.Kappa != nil {
					k = e.Kappa.P50
				}
			}
		}
		if now.Sub(solved) < aimEvery && math.Abs(k-felt) < .02*felt {
			continue
		}
		solved, felt = now, k
		if w.Wish == Soak {
			// It goes by its corners, come what may: only its expiry moves on.
			t.aims.mu.Lock()
			t.aims.staleBy(now)
			t.aims.mu.Unlock()
			continue
		}
		if _, err := t.aim(ctx, *w, true); err != nil && ctx.Err() == nil {
			t.o.Log.Warn("tent's plan", "err", err)
			t.stuck(err)
		}
	}
}

func (w AimWish) wish() tent.Wish {
	return tent.Wish{Kind: w.Wish, From: w.From, To: w.To, By: w.By, Probability: w.Probability}
}

// pastBins is a day of quarter hours.
const pastBins = 96

// past is the last day of the tent since the daemon began, oldest first.
func (a *aims) past() []web.TentPast {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.day)
}

// tentBin gathers a quarter hour.
type tentBin struct {
	from        time.Time
	shed, shedN float64
	onAt        time.Duration
}

func newTentBin(at time.Time, on time.Duration) *tentBin { return &tentBin{from: at, onAt: on} }

func (t *Planner) binUp(ctx context.Context, b *tentBin) {
	s := t.o.Status()
	now := t.o.Now()
	if c, ok := t.shedC(now); ok {
		b.shed += c
		b.shedN++
	}
	took := now.Sub(b.from)
	if took < tent.BinS*time.Second {
		return
	}
	x := tent.Sample{PanelC: s.PanelC.OrNaN(), ShedC: math.NaN(), Share: math.Min((s.OnTotal-b.onAt).Seconds()/took.Seconds(), 1)}
	if took > tent.BinS*time.Second*6/5 || took < 0 {
		x.PanelC = math.NaN() // the clock went on without us: a gap, not a bin
	}
	if b.shedN > 0 {
		x.ShedC = b.shed / b.shedN
	}
	*b = *newTentBin(now, s.OnTotal)
	t.aims.mu.Lock()
	t.aims.day = append(t.aims.day, web.TentPast{At: now, PanelC: sensors.Some(x.PanelC).Ptr(), ShedC: sensors.Some(x.ShedC).Ptr(), SetC: s.AimC.Ptr(), Share: x.Share})
	if n := len(t.aims.day); n > pastBins {
		t.aims.day = slices.Clone(t.aims.day[n-pastBins:])
	}
	t.aims.samples = append(t.aims.samples, x)
	if n := len(t.aims.samples); n > keepBins {
		t.aims.samples = slices.Clone(t.aims.samples[n-keepBins:])
	}
	kept := make([]storedSample, len(t.aims.samples))
	for i, x := range t.aims.samples {
		kept[i] = storedSample{sensors.Some(x.PanelC), sensors.Some(x.ShedC), x.Share}
	}
	t.aims.mu.Unlock()
	if err := t.o.Store.WriteSetting(ctx, samplesKey, kept); err != nil && ctx.Err() == nil {
		t.o.Log.Warn("tent's past", "err", err)
	}
	t.learn()
}

// learn fits the tent to what it did. Only this goroutine adds samples, so the
// fit and the word of it need no lock: the heater's loop waits for that one.
func (t *Planner) learn() {
	m, err := tent.Identify(t.aims.samples)
	trouble := ""
	if err == nil {
		if lack, open := m.Open(t.aims.samples); open {
			trouble = t.say("trouble.open", words.Facts{"k": fmt.Sprintf("%.1f", lack)})
		}
	} else if errors.Is(err, tent.ErrDead) {
		trouble = t.say("trouble.dead", nil)
	} else if errors.Is(err, tent.ErrWrongSign) {
		trouble = t.say("trouble.wrong_sign", nil)
	}
	t.aims.mu.Lock()
	was := t.aims.trouble
	t.aims.trouble = trouble
	if err == nil {
		t.aims.model = &m
	} else if trouble != "" {
		t.aims.model = nil
	}
	t.aims.mu.Unlock()
	if err == nil && trouble == "" && t.o.Learnt != nil {
		t.o.Learnt(m)
	}
	if trouble != "" && trouble != was {
		t.o.Note(trouble, t.o.Now())
	}
}

// shedProbe is the probe around the tent, "" for none.
func (t *Planner) shedProbe() string {
	in := []string{t.o.Section.Control, t.o.Section.Limit, t.o.Section.Air}
	for _, id := range []string{t.o.Section.Shed, t.o.ShopAir} {
		if id != "" && !slices.Contains(in, id) {
			return id
		}
	}
	return ""
}

func (t *Planner) shedC(now time.Time) (float64, bool) {
	h, ok := t.o.Probe(t.shedProbe())
	if !ok {
		return 0, false
	}
	r, ok := h.Now(now)
	if !ok {
		return 0, false
	}
	return r.Temp.Get()
}

// problem puts together what a search goes by.
func (t *Planner) problem(w AimWish) (tent.Problem, error) {
	var faults web.Faults
	bad := func(field, format string, a ...any) {
		faults = append(faults, web.Fault{Field: field, What: fmt.Sprintf(format, a...)})
	}
	now := t.o.Now().In(t.o.Loc)
	snap := t.o.Snapshot()
	work, err := t.o.Work(context.Background())
	if err != nil {
		return tent.Problem{}, err
	}
	var c *coat.Coat
	for i := range work.Coats {
		if work.Coats[i].ID == w.Coat {
			c = &work.Coats[i]
		}
	}
	var e *coat.Estimate
	if snap != nil {
		for i := range snap.Result.Coats {
			if snap.Result.Coats[i].ID == w.Coat {
				e = &snap.Result.Coats[i]
			}
		}
	}
	p := tent.Problem{Now: now, Wish: w.wish()}
	if w.Wish != Soak {
		faults = append(faults, fieldFaults(p.Wish.Check(now))...)
	}
	core := ""
	switch {
	case w.Coat == "":
		bad("coat", "missing: which coat is it for?")
	case c == nil:
		bad("coat", "unknown coat %q", w.Coat)
	case !c.Open(now):
		bad("coat", "%q has ended", w.Coat)
	case e == nil || e.Alpha == nil || e.Kappa == nil:
		bad("coat", "%q is not estimated yet", w.Coat)
	default:
		if e.State == coat.Unknown {
			bad("coat", "the state of %q is not known (%v): feel it first", w.Coat, e.UnknownWhy)
		}
		if w.Wish == tent.Window && (e.State == coat.Firm || e.State == coat.Hard || e.NextWindow != nil && e.NextWindow.Status == "closed") {
			bad("wish", "the window of %q has closed: let it get hard, then wash, abrade and coat", w.Coat)
		}
		for _, x := range work.Panels {
			if x.ID != c.Panel {
				continue
			}
			core = x.Core
			if x.Probe != t.o.Section.Control {
				bad("coat", "%q is on panel %q, whose probe is not the one the tent is held by", w.Coat, x.ID)
			}
		}
		p.Resin = work.Resins[c.Resin]
		p.Nodes = tent.Spread([3]float64{e.Kappa.P10, e.Kappa.P50, e.Kappa.P90}, [3]float64{e.Alpha.P10, e.Alpha.P50, e.Alpha.P90}, 21)
		p.Film = filmShare
		p.AgeS = t.past(c.Applied, now, &p)
	}
	st := t.o.Status()
	panel, ok := st.PanelC.Get()
	if !ok {
		bad("", "the tent's panel is not read")
	}
	p.PanelC = panel
	shed := t.shedProbe()
	shedC, ok := t.shedC(now)
	if !ok {
		bad("", "nothing reads the air around the tent: name a shed_probe under [tent]")
	}
	if len(faults) > 0 {
		return p, faults
	}
	p.MinC, p.MaxC, p.RampKH, p.HeaterW = *t.o.Section.MinSetC, *t.o.Section.MaxSetC, t.o.Section.RampKH, t.o.Section.HeaterW
	if w.Wish == tent.Window && slices.Contains([]string{"wood", "foam", "honeycomb"}, core) {
		p.CoolK, p.CoolFor = heat.CoolK, heat.CoolFor
	}
	t.aims.mu.Lock()
	p.Tent = tent.Default()
	if t.aims.model != nil {
		p.Tent = *t.aims.model
	} else if m := t.o.Known; m != nil && t.aims.trouble == "" {
		if was := m(); was != nil {
			p.Tent = *was
		}
	}
	t.aims.mu.Unlock()

	// The shed around, as the shop's forecast has it.
	past := func(probe string) *shop.History {
		if probe == "" {
			return nil
		}
		var h shop.History
		for x := range t.o.Readings.Samples(probe, now.Add(-shop.HistoryDays*24*time.Hour), now) {
			h.Add(x.At, x.TempC)
		}
		return &h
	}
	outdoor := t.o.Outdoor(now)
	if outdoor == shed {
		outdoor = ""
	}
	h, out := past(shed), past(outdoor)
	m := shop.Fit(h, out, now)
	_, off := now.Zone()
	cond := shop.Conditions{At: now, TempC: shedC, OffsetS: float64(off), Out: out}
	if low := t.o.LowC(now); low != nil {
		six := time.Date(now.Year(), now.Month(), now.Day(), 6, 0, 0, 0, t.o.Loc)
		if !six.After(now) {
			six = six.AddDate(0, 0, 1)
		}
		cond.LowC, cond.LowAt = low, six
	}
	p.Paths, p.Len, p.StepS = shop.Paths, shop.Steps+1, shop.StepS
	p.Shed = m.Ensemble(nil, h, shop.Paths, shop.Steps, cond, nil)
	return p, nil
}

// filmShare is how much of the marks' doubt belongs to the film and the person.
const filmShare = 0.8

// past returns the equivalent age, s, at the temperature of the sheet's own
// limit, and sets in every node of the problem what the coat would be with
// nothing gained outside the resin's range, by the panel's readings since it
// went on.
func (t *Planner) past(from, to time.Time, p *tent.Problem) (age float64) {
	var last job.Sample
	it := cure.NewIntegrator(p.Resin)
	law, less, kappa := make([]float64, len(p.Nodes)), make([]float64, len(p.Nodes)), make([]float64, len(p.Nodes))
	for i, n := range p.Nodes {
		kappa[i] = n.Kappa
	}
	for x := range t.o.Readings.Samples(t.o.Section.Control, from, to) {
		if math.IsNaN(x.TempC) {
			continue
		}
		if !last.At.IsZero() {
			dt := x.At.Sub(last.At).Seconds()
			if u := p.Resin.RecoatUntil; u != nil {
				age += p.Resin.AgeFactor((x.TempC+last.TempC)/2, u.TempC) * dt
			}
			it.Advance(law, kappa, dt, last.TempC, x.TempC)
			if mid := (x.TempC + last.TempC) / 2; mid >= p.Resin.MinC && mid <= p.Resin.MaxC {
				it.Advance(less, kappa, dt, last.TempC, x.TempC)
			}
		}
		last = x
	}
	for i := range p.Nodes {
		if n := &p.Nodes[i]; law[i] > less[i] && law[i] > 0 {
			n.Less = n.Alpha * less[i] / law[i]
		}
	}
	return age
}

// fieldFaults are the lines of an error that each begin with a field.
func fieldFaults(err error) web.Faults {
	if err == nil {
		return nil
	}
	var out web.Faults
	for _, l := range strings.Split(err.Error(), "\n") {
		field, what, ok := strings.Cut(l, ": ")
		if !ok {
			field, what = "", l
		}
		out = append(out, web.Fault{Field: field, What: what})
	}
	return out
}

// percent says a probability out of a few hundred paths: of neither end is
// one surer than that.
func (t *Planner) percent(p float64) string {
	switch {
	case p > 0.99:
		return t.say("over", nil)
	case p < 0.01:
		return t.say("under", nil)
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// aim searches and, with apply set, puts the plan in force.
func (t *Planner) aim(ctx context.Context, w AimWish, apply bool) (*TentPlan, error) {
	p, err := t.problem(w)
	if err != nil {
		return nil, err
	}
	if err := p.Check(); err != nil {
		return nil, fieldFaults(err)
	}
	a, err := tent.Solve(ctx, p)
	if err != nil {
		return nil, err
	}
	out := &TentPlan{AimWish: w, Made: p.Now, Feasible: a.Feasible, Reached: a.Probability, Unheated: a.Unheated,
		Energy: a.EnergyKWh, Currency: t.o.Section.Currency, Opens: a.Opens, Closes: a.Closes, Done: a.Done, Learned: p.Tent.Bins > 0, Early: a.Early}
	out.Apply = false
	if a.EnergyKWh != nil && t.o.Section.PricekWh > 0 {
		cost := *a.EnergyKWh * t.o.Section.PricekWh
		out.Cost = &cost
	}
	if !a.Nearest.IsZero() {
		out.Nearest = &a.Nearest
	}
	end := w.wish().End()
	prof := heat.Profile{Until: end}
	for i, l := range a.Legs {
		c := l.C
		if l.Off {
			c = p.MinC // the least the tent may be held at is as good as off
		}
		if i > 0 {
			prof.Points = append(prof.Points, heat.Point{At: l.At, C: prof.Points[len(prof.Points)-1].C})
		}
		prof.Points = append(prof.Points, heat.Point{At: l.At, C: c})
	}
	if p.CoolK > 0 {
		prof = prof.BeforeCoat(w.From, p.MinC)
	}
	out.Points = prof.Points
	out.Say = t.sayPlan(out)
	if !apply {
		return out, nil
	}
	if err := prof.Check(p.MinC, p.MaxC); err != nil {
		return nil, err
	}
	if s := p.Now.Add(aimStale); s.Before(prof.Until) {
		prof.Until = s // made anew long before; a plan that is not is no longer followed
	}
	t.aims.mu.Lock()
	defer t.aims.mu.Unlock()
	if t.aims.wish == nil && ctx.Value(aimFirst{}) == nil {
		return out, nil // dropped while it was being made
	}
	t.aims.follow(w, out, prof)
	return out, nil
}

type aimFirst struct{}

func (t *Planner) sayPlan(p *TentPlan) string {
	facts := words.Facts{"from": t.clock(p.From), "to": t.clock(p.To), "by": t.clock(p.By)}
	facts = words.Facts{"what": t.say("what."+p.Wish, facts), "unheated": t.percent(p.Unheated), "reached": t.percent(p.Reached), "wanted": t.percent(p.Probability)}
	var s []string
	add := func(code string) { s = append(s, t.say(code, facts)) }
	switch {
	case p.Feasible && p.Unheated >= p.Probability:
		add("will_unheated")
	case p.Feasible:
		add("will")
	default:
		add("cannot")
		switch c := p.Closes[0]; {
		case p.Early && c.IsZero():
			add("too_soon")
		case p.Early:
			facts["at"] = t.clock(c)
			add("too_soon_at")
		case p.Nearest != nil:
			facts["at"] = t.clock(*p.Nearest)
			add("earliest")
		default:
			add("never")
		}
	}
	return strings.Join(append(s, t.sayCost(p)...), " ")
}

// sayCost says what a plan takes, and that the tent is not learned yet.
func (t *Planner) sayCost(p *TentPlan) (s []string) {
	if p.Energy != nil && *p.Energy > 0 {
		code, facts := "energy", words.Facts{"kwh": fmt.Sprintf("%.1f", *p.Energy), "currency": p.Currency}
		if p.Cost != nil {
			code, facts["cost"] = "energy_cost", fmt.Sprintf("%.2f", *p.Cost)
		}
		s = append(s, t.say(code, facts))
	}
	if !p.Learned {
		s = append(s, t.say("assumed", nil))
	}
	return s
}
