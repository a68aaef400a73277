// SPDX-License-Identifier: Apache-2.0

// Package tentplan plans set points of a heated tent so that a coat's window falls into
// a wished time, or for a soak, and learns the tent's figures from its switching. It
// runs beside the heater's loop and never in it: outputs, limits and switches do not
// appear here, and store, pages and clock only through [Options].
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

// Options are the parameters of a [Planner]; all are required.
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
	// Known is the tent as it is remembered, nil for nothing;
	// Learnt is called with each fit of it.
	Known  func() *tent.Model
	Learnt func(tent.Model)
}

// Store keeps the tent's samples over a restart.
type Store interface {
	ReadSetting(key string, v any) bool
	WriteSetting(ctx context.Context, key string, v any) error
}

// Planner makes the plan, keeps it up and learns the tent. Its methods may be
// called from any goroutine.
type Planner struct {
	o Options

	mu      sync.Mutex
	wish    *AimWish  // what the plan is made for; nil without one
	plan    *TentPlan // with it
	now     heat.Profile
	samples []tent.Sample
	day     []web.TentPast // the last day, oldest first; not kept over a restart
	model   *tent.Model
	trouble words.Sentence
}

// New is a planner without a plan.
func New(o Options) *Planner { return &Planner{o: o} }

// view is how what is said is read: the shop's language and clock, °C.
func (t *Planner) view() words.View { return words.View{Words: t.o.Words, Loc: t.o.Loc} }

// say is the message "tent." + code.
func (t *Planner) say(code string, facts words.Facts) string {
	return t.view().Say("tent."+code, facts)
}

// clock is a time with its weekday, of which a plan may reach over several.
func (t *Planner) clock(x time.Time) string { return t.view().Clock(x, time.Time{}) }

// Profile is the latest plan for the loop; false where there is none.
func (t *Planner) Profile() (heat.Profile, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.now, t.wish != nil
}

// View is the plan in force as pages show it, in the reader's unit; nil without
// one.
func (t *Planner) View(lang *words.Catalogue) json.RawMessage {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.plan == nil {
		return nil
	}
	b, _ := json.Marshal(t.plan.In(lang))
	return b
}

// Learned is the tent's fitted figures, as pages show them; nil for none.
func (t *Planner) Learned(lang *words.Catalogue) json.RawMessage {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.model == nil && t.trouble == nil {
		return nil
	}
	view := words.View{Words: lang}
	v := TentLearned{Trouble: t.trouble.Text(time.Time{}, view), Bins: len(t.samples)}
	if m := t.model; m != nil {
		v.TauMin, v.TauSD, v.GainK, v.GainSD, v.InAWords = new(m.TauS/60), new(m.TauSD/60), &m.GainK, &m.GainSD, m.Say(view)
	}
	b, _ := json.Marshal(v)
	return b
}

// Past is the last day of the tent since the daemon began, oldest first.
func (t *Planner) Past() []web.TentPast {
	t.mu.Lock()
	defer t.mu.Unlock()
	return slices.Clone(t.day)
}

// Follow puts a plan that was made before in force, in place of any other.
func (t *Planner) Follow(w AimWish, p *TentPlan, prof heat.Profile) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.follow(w, p, prof)
}

// follow is Follow for a caller that holds the lock.
func (t *Planner) follow(w AimWish, p *TentPlan, prof heat.Profile) {
	w.Apply = false
	t.wish, t.plan, t.now = &w, p, prof
}

// Drop gives up the plan, if there is one.
func (t *Planner) Drop() (had bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	had = t.wish != nil
	t.wish, t.plan = nil, nil
	return had
}

// Aim plans what somebody asks for and, with apply set, puts it in force.
func (t *Planner) Aim(ctx context.Context, w AimWish) (*TentPlan, error) {
	if w.Wish == Soak {
		return t.soak(ctx, w)
	}
	return t.aim(ctx, w, false)
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
	Learned  bool         `json:"learned"`        // by the tent's fitted figures, not assumed ones

	said words.Sentence // Say with its temperatures, where it has any
}

// In is the plan with its sentence in a reader's unit.
func (p TentPlan) In(lang *words.Catalogue) TentPlan {
	if p.said != nil {
		p.Say = p.said.Text(time.Time{}, words.View{Words: lang})
	}
	return p
}

// TentLearned is the tent's figures, fitted from its switching.
type TentLearned struct {
	TauMin   *float64 `json:"time_constant_min"`
	TauSD    *float64 `json:"time_constant_sd_min"`
	GainK    *float64 `json:"gain_k"` // of full heat, K
	GainSD   *float64 `json:"gain_sd_k"`
	Bins     int      `json:"quarter_hours"` // that it was learned from
	Trouble  string   `json:"trouble"`
	InAWords string   `json:"say"`
}

// stuck adds to the plan in force that it could not be made anew, and how long it is
// still followed.
func (t *Planner) stuck(why error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.plan == nil {
		return
	}
	p := *t.plan
	p.Feasible = false
	p.said, p.Say = nil, t.say("stuck", words.Facts{"why": reasons(why), "until": t.clock(t.now.Until)})
	t.plan = &p
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

// staleBy sets until when the plan in force is followed if it is not made anew. The
// caller holds the lock.
func (t *Planner) staleBy(now time.Time) {
	if t.wish != nil {
		t.now.Until = earlier(t.wish.wish().End(), now.Add(aimStale))
	}
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// Times of the plan: how often it is made anew, and how long it is followed at most
// without that.
const (
	aimEvery = 10 * time.Minute
	aimStale = 2 * time.Hour
	// Of its past, in quarter hours: what pages show, a day, and what the tent is
	// learned from, three.
	pastBins = 96
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
		t.mu.Lock()
		for _, x := range kept {
			t.samples = append(t.samples, tent.Sample{PanelC: x.Panel.OrNaN(), ShedC: x.Shed.OrNaN(), Share: x.Share})
		}
		t.mu.Unlock()
	}
	t.learn()
	tick := time.NewTicker(max(time.Duration(float64(time.Minute)/t.o.Speed), time.Second))
	defer tick.Stop()
	bin := &tentBin{from: t.o.Now(), onAt: t.o.Status().OnTotal}
	var solved time.Time
	var felt float64
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		t.binUp(ctx, bin)
		now := t.o.Now()
		t.mu.Lock()
		w := t.wish
		t.mu.Unlock()
		if w == nil {
			continue
		}
		if end := w.wish().End(); !now.Before(end) {
			t.Drop()
			t.o.Note(t.say("ended", nil), now)
			continue
		}
		// A finger test moves the rate factor: plan anew at once.
		k := felt
		if e := t.estimate(w.Coat); e != nil && e.Kappa != nil {
			k = e.Kappa.P50
		}
		if now.Sub(solved) < aimEvery && math.Abs(k-felt) < .02*felt {
			continue
		}
		solved, felt = now, k
		if w.Wish == Soak {
			// A soak keeps its corners whatever is measured: only its expiry moves.
			t.mu.Lock()
			t.staleBy(now)
			t.mu.Unlock()
			continue
		}
		again := *w
		again.Apply = true
		if _, err := t.aim(ctx, again, true); err != nil && ctx.Err() == nil {
			t.o.Log.Warn("tent's plan", "err", err)
			t.stuck(err)
		}
	}
}

func (w AimWish) wish() tent.Wish {
	return tent.Wish{Kind: w.Wish, From: w.From, To: w.To, By: w.By, Probability: w.Probability}
}

// tentBin gathers a quarter hour.
type tentBin struct {
	from        time.Time
	shed, shedN float64
	onAt        time.Duration
}

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
		x.PanelC = math.NaN() // the clock jumped ahead: a gap, not a bin
	}
	if b.shedN > 0 {
		x.ShedC = b.shed / b.shedN
	}
	*b = tentBin{from: now, onAt: s.OnTotal}
	t.mu.Lock()
	t.day = lastOf(append(t.day, web.TentPast{At: now, PanelC: sensors.Some(x.PanelC).Ptr(), ShedC: sensors.Some(x.ShedC).Ptr(), SetC: s.AimC.Ptr(), Share: x.Share}), pastBins)
	t.samples = lastOf(append(t.samples, x), keepBins)
	kept := make([]storedSample, len(t.samples))
	for i, x := range t.samples {
		kept[i] = storedSample{sensors.Some(x.PanelC), sensors.Some(x.ShedC), x.Share}
	}
	t.mu.Unlock()
	if err := t.o.Store.WriteSetting(ctx, samplesKey, kept); err != nil && ctx.Err() == nil {
		t.o.Log.Warn("tent's past", "err", err)
	}
	t.learn()
}

// lastOf is the end of a list, without keeping the memory of the rest.
func lastOf[T any](all []T, most int) []T {
	if n := len(all); n > most {
		return slices.Clone(all[n-most:])
	}
	return all
}

// learn fits the tent's figures to its samples. Only this goroutine adds samples, so
// fitting and reporting need no lock, for which the heater's loop would wait.
func (t *Planner) learn() {
	m, err := tent.Identify(t.samples)
	var trouble words.Sentence
	is := func(code string, facts words.Facts) { trouble = t.o.Words.Sentence("tent.trouble."+code, facts) }
	switch {
	case err == nil:
		if lack, open := m.Open(t.samples); open {
			is("open", words.Facts{"diff": words.Diff(lack)})
		}
	case errors.Is(err, tent.ErrDead):
		is("dead", nil)
	case errors.Is(err, tent.ErrWrongSign):
		is("wrong_sign", nil)
	}
	t.mu.Lock()
	was := t.trouble
	t.trouble = trouble
	if err == nil {
		t.model = &m
	} else if trouble != nil {
		t.model = nil
	}
	t.mu.Unlock()
	if err == nil && trouble == nil {
		t.o.Learnt(m)
	}
	if trouble != nil && trouble.String() != was.String() {
		t.o.Note(trouble.String(), t.o.Now())
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
	r, _ := h.Now(now)
	return r.Temp.Get()
}

// problem collects the input of a search.
func (t *Planner) problem(w AimWish) (tent.Problem, error) {
	now := t.o.Now().In(t.o.Loc)
	work, err := t.o.Work(context.Background())
	if err != nil {
		return tent.Problem{}, err
	}
	p := tent.Problem{Now: now, Wish: w.wish()}
	var faults web.Faults
	if w.Wish != Soak {
		faults = fieldFaults(p.Wish.Check(now))
	}
	core, more := t.coatOf(w, work, &p)
	faults = append(faults, more...)
	panel, ok := t.o.Status().PanelC.Get()
	if !ok {
		faults.Add("", "the tent's panel is not read")
	}
	shedC, ok := t.shedC(now)
	if !ok {
		faults.Add("", "nothing reads the air around the tent: name a shed_probe under [tent]")
	}
	if len(faults) > 0 {
		return p, faults
	}
	sec := t.o.Section
	p.PanelC, p.MinC, p.MaxC, p.RampKH, p.HeaterW = panel, *sec.MinSetC, *sec.MaxSetC, sec.RampKH, sec.HeaterW
	if w.Wish == tent.Window && slices.Contains([]string{"wood", "foam", "honeycomb"}, core) {
		p.CoolK, p.CoolFor = heat.CoolK, heat.CoolFor
	}
	p.Tent = t.tentNow()
	t.shedAhead(&p, shedC)
	return p, nil
}

// coatOf puts the coat that a wish is for into a problem: its resin, what is
// known of its cure and its past. core is what its panel is made of.
func (t *Planner) coatOf(w AimWish, work *coat.Work, p *tent.Problem) (core string, faults web.Faults) {
	var c *coat.Coat
	for i := range work.Coats {
		if work.Coats[i].ID == w.Coat {
			c = &work.Coats[i]
		}
	}
	e := t.estimate(w.Coat)
	switch {
	case w.Coat == "":
		faults.Add("coat", "missing: which coat is it for?")
	case c == nil:
		faults.Add("coat", "unknown coat %q", w.Coat)
	case !c.Open(p.Now):
		faults.Add("coat", "%q has ended", w.Coat)
	case e == nil || e.Alpha == nil || e.Kappa == nil:
		faults.Add("coat", "%q is not estimated yet", w.Coat)
	}
	if faults != nil {
		return "", faults
	}
	if e.State == coat.Unknown {
		faults.Add("coat", "the state of %q is not known (%v): feel it first", w.Coat, e.UnknownWhy)
	}
	if w.Wish == tent.Window && (e.State == coat.Firm || e.State == coat.Hard || e.NextWindow != nil && e.NextWindow.Status == "closed") {
		faults.Add("wish", "the window of %q has closed: let it get hard, then wash, abrade and coat", w.Coat)
	}
	for _, x := range work.Panels {
		if x.ID != c.Panel {
			continue
		}
		core = x.Core
		if x.Probe != t.o.Section.Control {
			faults.Add("coat", "%q is on panel %q, whose probe is not the one the tent is held by", w.Coat, x.ID)
		}
	}
	p.Resin = work.Resins[c.Resin]
	p.Nodes = tent.Spread([3]float64{e.Kappa.P10, e.Kappa.P50, e.Kappa.P90}, [3]float64{e.Alpha.P10, e.Alpha.P50, e.Alpha.P90}, 21)
	p.Film = filmShare
	p.AgeS = t.past(c.Applied, p.Now, p)
	return core, faults
}

// estimate is a coat's newest one, nil without.
func (t *Planner) estimate(id string) *coat.Estimate {
	if s := t.o.Snapshot(); s != nil {
		for i := range s.Result.Coats {
			if s.Result.Coats[i].ID == id {
				return &s.Result.Coats[i]
			}
		}
	}
	return nil
}

// tentNow is the tent's fitted figures, else the remembered ones, else assumed ones.
func (t *Planner) tentNow() tent.Model {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.model != nil {
		return *t.model
	}
	if t.trouble == nil {
		if was := t.o.Known(); was != nil {
			return *was
		}
	}
	return tent.Default()
}

// shedAhead puts the shed around the tent into a problem, as the shop's forecast
// has it; shedC is its air now.
func (t *Planner) shedAhead(p *tent.Problem, shedC float64) {
	past := func(probe string) *shop.History {
		if probe == "" {
			return nil
		}
		var h shop.History
		for x := range t.o.Readings.Samples(probe, p.Now.Add(-shop.HistoryDays*24*time.Hour), p.Now) {
			h.Add(x.At, x.TempC)
		}
		return &h
	}
	shed, outdoor := t.shedProbe(), t.o.Outdoor(p.Now)
	if outdoor == shed {
		outdoor = ""
	}
	h, out := past(shed), past(outdoor)
	m := shop.Fit(h, out, p.Now)
	cond := job.Conditions(p.Now, shedC, out, job.Settings{LowC: t.o.LowC(p.Now)}, t.o.Loc)
	p.Paths, p.Len, p.StepS = shop.Paths, shop.Steps+1, shop.StepS
	p.Shed = m.Ensemble(nil, h, shop.Paths, shop.Steps, cond, nil)
}

// filmShare is the share of the marks' uncertainty that is due to the film and the
// person.
const filmShare = 0.8

// past computes the coat's past from the panel's readings since it went on. It returns
// the equivalent age, s, at the temperature of the sheet's own limit, and sets in every
// node of the problem the coat's state, counting no progress outside the resin's
// temperature range.
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

// fieldFaults are an error's faults.
func fieldFaults(err error) (out web.Faults) {
	out.Take(err)
	return out
}

// percent renders a probability from a few hundred paths, which do not tell values
// below 1 % or above 99 %.
func (t *Planner) percent(p float64) string {
	switch {
	case p > 0.99:
		return t.say("over", nil)
	case p < 0.01:
		return t.say("under", nil)
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// aim searches and, with apply set, puts the plan in force. again marks a plan that is
// made anew: it is not put in force if it was dropped meanwhile.
func (t *Planner) aim(ctx context.Context, w AimWish, again bool) (*TentPlan, error) {
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
	out := t.newPlan(w, p, a.EnergyKWh)
	out.Feasible, out.Early, out.Reached, out.Unheated = a.Feasible, a.Early, a.Probability, a.Unheated
	out.Opens, out.Closes, out.Done = a.Opens, a.Closes, a.Done
	if !a.Nearest.IsZero() {
		out.Nearest = &a.Nearest
	}
	prof := heat.Profile{Until: w.wish().End()}
	for i, l := range a.Legs {
		c := l.C
		if l.Off {
			c = p.MinC // the lowest allowed set point means off
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
	return out, t.apply(w, out, prof, p, again)
}

// newPlan is a plan with the fields that all kinds share.
func (t *Planner) newPlan(w AimWish, p tent.Problem, kwh *float64) *TentPlan {
	w.Apply = false
	out := &TentPlan{AimWish: w, Made: p.Now, Energy: kwh, Currency: t.o.Section.Currency, Learned: p.Tent.Bins > 0}
	if kwh != nil && t.o.Section.PricekWh > 0 {
		out.Cost = new(*kwh * t.o.Section.PricekWh)
	}
	return out
}

// apply puts a plan in force where the wish asks for it. It is made anew long before it
// is stale; otherwise it is no longer followed.
func (t *Planner) apply(w AimWish, out *TentPlan, prof heat.Profile, p tent.Problem, again bool) error {
	if !w.Apply {
		return nil
	}
	if err := prof.Check(p.MinC, p.MaxC); err != nil {
		return err
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if again && t.wish == nil {
		return nil // dropped while it was being made
	}
	t.follow(w, out, prof)
	t.staleBy(p.Now)
	return nil
}

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

// sayCost adds what a plan's heat costs, and that the tent is not learned yet.
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
