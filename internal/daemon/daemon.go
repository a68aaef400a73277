// SPDX-License-Identifier: Apache-2.0

// Package daemon is the running whole: the parts wired, the periodic evaluation
// of every coat, and the backend of the pages. It is importable, so that tests
// run the real thing. No command line comes in here.
package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"slices"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/history/forward/influx"
	"curewright/internal/daemon/access"
	"curewright/internal/daemon/broker"
	"curewright/internal/daemon/learnt"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/words"
	"curewright/sensors"
)

// Daemon is everything that runs, wired. It implements [web.Backend].
type Daemon struct {
	cfg     Config
	clk     Clock
	log     *slog.Logger
	loc     *time.Location
	lang    *words.Catalogue // what people read; nil for English
	version string           // the program's, for records and pages
	store   *history.Store
	set     *sensors.Set
	est     *job.Estimator
	rules   *alerts.Engine
	post    *alerts.Dispatcher
	hub     *web.Hub
	chans   *channels

	mqtt   *broker.Client // nil without a broker
	influx *influx.Sender // nil without a server

	tent *tentHeld // nil without a heater
	mem  *learnt.Memory

	kick        chan struct{} // something was entered: evaluate now
	evaluateMu  sync.Mutex    // one evaluation at a time; guards est and cupCache
	evaluations web.Durations
	cupCache    map[string]solvedCup // by batch
	// cupEntered is when each batch was first entered, by its id.
	cupEntered map[string]time.Time
	snap       atomic.Pointer[web.Snapshot]

	jobsKept jobCache

	settingsMu sync.Mutex // one change of settings at a time

	probeMu   sync.Mutex
	probesDue map[string]bool // accepted pushed probes that the card did not take yet
	appeared  chan string     // new ones from messages, for upkeep to store

	workMu sync.Mutex  // one change of work at a time, so that checks hold
	leaves atomic.Bool // a restart will replace the store by a copy, so nothing may be entered; set under workMu and settingsMu

	prunedAt     time.Time // alerts, by upkeep alone
	clockTrusted atomic.Bool
	dateSet      atomic.Int64 // how often the date was set
	byPerson     atomic.Bool  // the date came from a phone; a better one replaces it
	lastBefore   time.Time    // newest date in the store at the start; zero for none
	held         atomic.Pointer[[]heldSpan]
	restart      chan struct{} // asks for a new start at once; nil where nobody would start it
	undated      atomic.Bool   // the date is known, but some records still wait for theirs
	synced       func() bool
	chip         func() (Chip, bool)
	clockOffset  atomic.Int64 // ns; wall clock minus our held clock, after the wall clock was stepped
	dry          bool         // never runs: no hardware is touched
	noProbes     string       // why no wired probe was found, "" where there are some

	progMu sync.Mutex
	prog   map[string]time.Time

	serving atomic.Bool // the page is served, and checked
	access  *access.Access
	backup  backupState
	intakes intakeCounts
}

// Options are what tests and the demo replace.
type Options struct {
	Config       Config
	Clock        Clock
	Log          *slog.Logger
	Probes       []sensors.PollerConfig
	Zone         *time.Location // nil: the configuration's
	NoProbe      string
	ClockTrusted bool   // the clock is kept right from outside, as by NTP
	Version      string // the program's own

	Chip   func() (Chip, bool)  // the board's clock chip; nil: it has none
	Synced func() bool          // whether the clock is kept right from outside now; nil: the kernel's answer
	Boot   string               // names this run of the kernel; "": the kernel's
	Uptime func() time.Duration // since it began; nil: the kernel's

	Dry bool // made only to check that it can be: no hardware is touched

	StoreWatch time.Duration // how often the store looks at its files; 0: its own
}

// New opens the store and wires the parts; nothing runs yet.
func New(o Options) (*Daemon, error) {
	d := &Daemon{
		cfg: o.Config, clk: o.Clock, log: o.Log, loc: o.Config.Location(),
		hub:      web.NewHub(16),
		kick:     make(chan struct{}, 1),
		appeared: make(chan string, sensors.MaxPushed),
		cupCache: map[string]solvedCup{}, probesDue: map[string]bool{}, cupEntered: map[string]time.Time{},
		prog:     map[string]time.Time{},
		noProbes: o.NoProbe, version: o.Version, dry: o.Dry,
	}
	if o.Zone != nil {
		d.loc = o.Zone
	}
	if d.synced = o.Synced; d.synced == nil {
		d.synced = kernelSynchronised
	}
	if d.chip = o.Chip; d.chip == nil {
		d.chip = func() (Chip, bool) { return Chip{}, false }
	}
	var err error
	if d.lang, err = Language(o.Config.Shop.Language); err != nil {
		return nil, err
	}
	store, err := openStore(o, d.lang)
	if err != nil {
		return nil, err
	}
	d.store = store
	d.access = d.openAccess()
	ok := false
	defer func() {
		if !ok {
			store.Close()
		}
	}()
	d.startClock(o)

	d.set = sensors.NewSet(sensors.IntakeConfig{Now: o.Clock.Now, MaxAge: pushAge(o.Config.Store.KeepDays)}, d.take)
	for _, p := range o.Probes {
		if err := d.addProbe(p); err != nil {
			return nil, fmt.Errorf("probe %s: %w", p.ID, err)
		}
	}
	if err := d.restorePushed(o.Config, store.ProbeMetas()); err != nil {
		return nil, err
	}
	d.est = job.NewEstimator(job.Options{})
	if d.mem, err = d.openMemory(); err != nil {
		return nil, err
	}
	d.rules = alerts.New(o.Config.Alert, store, o.Log)
	var merr, ierr, cerr error
	d.mqtt, merr = d.openMQTT()
	d.influx, ierr = openInflux(d)
	d.chans, cerr = openChannels(o.Config.Alert.Channels, o.Config.Alert, d)
	if err := errors.Join(merr, ierr, cerr); err != nil {
		return nil, err
	}
	d.post = alerts.NewDispatcher(alerts.DispatchConfig{
		Site: o.Config.Shop.Name, Routes: o.Config.Route, LinkBase: o.Config.Alert.LinkBase,
		Now: o.Clock.Now, Log: o.Log,
	}, d.rules, store, d.chans.list...)
	d.rules.OnChange(func(active []alerts.Alert) { d.publish("alert", active) })
	var last time.Time
	if store.ReadSetting(backupKey, &last) {
		d.backup.at = &last
	}
	ok = true
	return d, nil
}

// openStore opens the store, after putting a waiting copy in its place.
func openStore(o Options, lang *words.Catalogue) (*history.Store, error) {
	opts := history.Options{
		Words:          lang,
		Now:            o.Clock.Now,
		Log:            o.Log,
		ClockUntrusted: !o.ClockTrusted,
		Boot:           o.Boot,
		Uptime:         o.Uptime,
		WatchEvery:     o.StoreWatch,
		MaxBytes:       int64(o.Config.Store.MaxMB) << 20,
		MaxAge:         time.Duration(o.Config.Store.KeepDays) * 24 * time.Hour,
	}
	if opts.MaxBytes == 0 {
		opts.MaxBytes = 1 << 50
	}
	if opts.MaxAge == 0 {
		opts.MaxAge = 200 * 365 * 24 * time.Hour
	}
	if done, err := finishRestore(context.Background(), o.Config.Store.Path); err != nil {
		// The present store is still whole: go on with it, and log the failure.
		o.Log.Error("the copy that was handed in was not put in place", "err", err)
	} else if done {
		o.Log.Info("the store was put back from the copy that was handed in")
	}
	store, err := history.Open(o.Config.Store.Path, opts)
	if err != nil {
		return nil, fmt.Errorf("open store: %w", err)
	}
	if t := store.Trouble(); t != "" {
		o.Log.Warn("store", "trouble", t)
	}
	return store, nil
}

// pushAge is the greatest age of a pushed reading: one that the store would remove at
// once is refused with the reason. A store that keeps everything takes any age that a
// data logger could plausibly send.
func pushAge(keepDays int) time.Duration {
	if keepDays > 0 {
		return time.Duration(keepDays) * 24 * time.Hour
	}
	return 30 * 366 * 24 * time.Hour
}

// addProbe adds a wired probe, with the name, role and panel that a person gave it
// unless the file sets them.
func (d *Daemon) addProbe(p sensors.PollerConfig) error {
	if m, ok := d.store.ProbeMetas()[p.ID]; ok && !p.Locked {
		p.Name, p.Role, p.Panel = m.Name, m.Role, m.Panel
	}
	p.Log, p.Now = d.log, d.clk.Now
	return d.set.Add(p)
}

// restorePushed brings back the pushed probes that were known, and reserves
// the ones that the file names.
func (d *Daemon) restorePushed(cfg Config, metas map[string]history.ProbeMeta) error {
	for _, p := range cfg.Probe {
		if p.Driver == "push" || p.Driver == "mqtt" {
			m := sensors.Meta{Name: p.Name, Role: p.Role, Panel: p.Panel, Accepted: true}
			if err := d.set.Restore(p.ID, p.Driver, m); err != nil {
				return fmt.Errorf("probe %s: %w", p.ID, err)
			}
		}
	}
	for id, m := range metas {
		_, named := d.set.Get(id)
		unwanted := !m.Accepted && m.Name == "" && m.Role == "" && m.Panel == "" // kept by an earlier version
		if named || unwanted || m.Driver != "push" && m.Driver != "mqtt" {
			continue
		}
		if err := d.set.Restore(id, m.Driver, sensors.Meta{Name: m.Name, Role: m.Role, Panel: m.Panel, Accepted: m.Accepted}); err != nil {
			d.log.Warn("pushed probe not restored", "probe", id, "err", err)
		}
	}
	return nil
}

// take is where every believed reading goes, from hardware and network alike.
func (d *Daemon) take(r sensors.Reading) {
	if off := d.clk.Offset(); off != 0 {
		// Drivers stamp with the board's own clock. What was pushed without a
		// trusted time carries the corrected one already.
		if h, ok := d.set.Get(r.Probe); ok && h.Wired {
			r.At = r.At.Add(off)
		}
	}
	d.store.Append([]sensors.Reading{r})
}

// Run serves on ln until ctx ends or a part stops.
func (d *Daemon) Run(ctx context.Context, ln net.Listener, srv *web.Server, more ...Part) error {
	parts := []Part{
		{"probes", d.set.Run},
		{"estimator", d.runEstimates},
		{"messages", d.post.Run},
		{"upkeep", d.runUpkeep},
		{"page", func(ctx context.Context) error { return srv.Serve(ctx, ln) }},
		{"page check", func(ctx context.Context) error { return d.checkPage(ctx, ln.Addr(), d.cfg.Web.TLSCert != "") }},
	}
	parts = append(parts, d.chans.parts...)
	for name, run := range d.mqtt.Parts() {
		parts = append(parts, Part{name, run})
	}
	if d.influx != nil {
		parts = append(parts, Part{"influx", d.influx.Run})
	}
	err := runAll(ctx, d.log, append(parts, more...)...)
	d.access.SaveRan(context.WithoutCancel(ctx))
	if cerr := d.store.Close(); err == nil {
		err = cerr
	}
	return err
}

// Part is one of the things that run side by side for as long as the daemon
// does. Run returns when its context ends, and not before.
type Part struct {
	Name string
	Run  func(context.Context) error
}

// runAll runs every part until ctx ends or one returns, then stops the others
// and waits for them. A part that returns early without an error is one too.
func runAll(ctx context.Context, log *slog.Logger, parts ...Part) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var (
		wg   sync.WaitGroup
		mu   sync.Mutex
		errs []error
	)
	for _, p := range parts {
		wg.Go(func() {
			defer cancel()
			err := p.Run(ctx)
			asked := ctx.Err() != nil
			if err == nil && !asked {
				err = errors.New("stopped unasked")
			}
			// "context canceled" is normal for a part that was asked to stop.
			// Before that it is the part's own failure.
			if err != nil && !(asked && errors.Is(err, context.Canceled)) {
				mu.Lock()
				errs = append(errs, fmt.Errorf("%s: %w", p.Name, err))
				mu.Unlock()
				if !errors.Is(err, errRestart) { // a restart was asked for, by a copy to be put in place
					log.Error("part stopped", "part", p.Name, "err", err)
				}
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// progress notes that a part did its work, for /readyz and the watchdog.
func (d *Daemon) progress(part string) {
	d.progMu.Lock()
	d.prog[part] = time.Now()
	d.progMu.Unlock()
}

// limits are how long a part may be silent before it counts as stuck.
var limits = map[string]time.Duration{
	"estimator": 3 * estimateEvery,
	"upkeep":    5 * time.Minute,
	"page":      3 * pageEvery, // where it is served
}

// Ready reports each part that has not made progress within its limit.
func (d *Daemon) Ready(context.Context) []string {
	late := append(d.lateParts(), d.post.Late()...)
	if d.tent != nil {
		if s := d.tent.late(d.clk.Now()); s != "" {
			late = append(late, s)
		}
	}
	if s := d.store.Stats(); s.Displaced {
		late = append(late, "store: its files were deleted or replaced")
	} else if s.DiskFull {
		late = append(late, "store: disk full")
	} else if s.ReadOnly {
		late = append(late, "store: disk is read-only")
	}
	sort.Strings(late)
	return late
}

// lateParts are the parts of [limits] that are stuck.
func (d *Daemon) lateParts() []string {
	d.progMu.Lock()
	defer d.progMu.Unlock()
	var late []string
	for part, limit := range limits {
		if part == "page" && !d.serving.Load() {
			continue
		}
		at, ok := d.prog[part]
		if !ok {
			late = append(late, part+": not yet")
		} else if silent := time.Since(at); silent > limit {
			late = append(late, fmt.Sprintf("%s: silent for %s", part, silent.Round(time.Second)))
		}
	}
	return late
}

// runUpkeep packs and trims the store, watches the clock and makes the
// nightly copy.
func (d *Daemon) runUpkeep(ctx context.Context) error {
	every := 30 * time.Second
	tick := time.NewTicker(every)
	defer tick.Stop()
	last, mono := d.clk.Now(), time.Now()
	for {
		d.progress("upkeep")
		select {
		case <-ctx.Done():
			return ctx.Err()
		case id := <-d.appeared:
			d.keepAppeared(ctx, id)
			continue
		case <-tick.C:
		}
		now := d.clk.Now()
		if d.clk.Speed() == 1 {
			// Round strips the monotonic part, so this is the difference of wall clocks.
			step := now.Round(0).Sub(last.Round(0)) - time.Since(mono)
			if step.Abs() > time.Minute {
				d.event("clock", "", fmt.Sprintf("the clock stepped by %s", step.Round(time.Second)), now)
				d.log.Warn("clock stepped", "step_s", step.Seconds())
			}
			d.tellSteps(now)
			d.watchSync(ctx)
			d.watchChip()
		}
		last, mono = now, time.Now()
		if err := d.store.Upkeep(ctx); err != nil && ctx.Err() == nil {
			d.log.Warn("store upkeep", "err", err)
		}
		d.nightlyCopy(ctx, now)
		d.access.Upkeep(ctx)
		d.keepDueProbes(ctx)
		d.pruneAlerts(ctx)
		giveBack()
	}
}

// tellSteps writes the held-back jumps of the board's clock into the log of events.
func (d *Daemon) tellSteps(now time.Time) {
	steps, away := d.clk.Held()
	for _, step := range steps {
		d.event("clock", "", fmt.Sprintf("the board's clock was set by %s; times here go on evenly", step.Round(time.Second)), now)
		d.log.Warn("clock stepped, held back", "step_s", step.Seconds())
	}
	d.clockOffset.Store(int64(away))
}

func (d *Daemon) event(kind, subject, text string, at time.Time) {
	d.store.AddEvent(kind, subject, text, at, "curewright")
}

// RequestEvaluation asks for an evaluation soon, before the next that is due.
func (d *Daemon) RequestEvaluation() {
	select {
	case d.kick <- struct{}{}:
	default:
	}
}

// Evaluate judges everything once: estimates, alert rules, the snapshot for pages.
// It runs at the estimates' [pace] and after each entry; no two run at a time.
func (d *Daemon) Evaluate(ctx context.Context) error {
	d.evaluateMu.Lock()
	defer d.evaluateMu.Unlock()
	began := time.Now() // real time, independent of the shop's clock
	defer func() { d.evaluations.Observe(time.Since(began).Seconds()) }()
	now := d.clk.Now().In(d.loc)
	w, err := d.work(ctx)
	if err != nil {
		return err
	}
	d.store.SetUrgent(anyOpen(w, now))
	st := d.settings()
	probes := d.set.Health()
	if err := d.mem.Whose(ctx); err != nil {
		d.log.Warn("whose finger it was is not known", "err", err)
	}
	set := d.jobSettings(now, st, probes)
	d.mem.Learn(ctx, now, w, set)
	d.mem.Into(&set)
	res, err := d.est.Estimate(now, w, storeReadings{d.store}, set)
	if err != nil {
		// A fault of the work concerns one coat: the others are judged.
		d.log.Warn("estimate", "err", err)
	}
	d.mem.LearnShed(res.Shop)
	surf := surfaces(now, w, probes, d.cfg.Shop.Air)
	cups := d.cups(now, w, probes)
	d.rules.SetView(d.view(st))
	d.post.SetView(d.view(st), sleepHours(st), d.clockTrusted.Load())
	ts := d.rules.Step(alerts.Input{
		Now: now, ClockTrusted: d.clockTrusted.Load(), DateSet: int(d.dateSet.Load()),
		Estimates: res.Coats, Work: w, Probes: probes, Surfaces: surf, Cups: cups,
		Conditions: append(d.post.Conditions(), d.conditions(now)...),
	})
	d.post.Handle(ts)
	snap := &web.Snapshot{
		At: now, Zone: zoneName(d.loc, now), Result: res, Surfaces: surf, Cups: cups,
		Alerts: d.rules.List(false), Probes: probes, Settings: d.settingsView(now, st, w, probes),
		Next: d.nextSteps(now, w, res.Coats, probes), Last: d.lastEntry(),
	}
	d.snap.Store(snap)
	d.noteAlerts(ts)
	d.mqtt.Show(snap)
	d.publish("snapshot", snap)
	return nil
}

func (d *Daemon) publish(name string, v any) {
	if readers, _ := d.hub.Stats(); readers == 0 {
		return
	}
	b, err := json.Marshal(v)
	if err != nil {
		d.log.Error("event", "name", name, "err", err)
		return
	}
	d.hub.Publish(web.Event{Name: name, Data: b})
}

func anyOpen(w *coat.Work, now time.Time) bool {
	return slices.ContainsFunc(w.Coats, func(c coat.Coat) bool { return c.Open(now) })
}

// estimateOf is a coat's newest estimate, nil without.
func (d *Daemon) estimateOf(id string) *coat.Estimate {
	if s := d.snap.Load(); s != nil {
		for i := range s.Result.Coats {
			if s.Result.Coats[i].ID == id {
				return &s.Result.Coats[i]
			}
		}
	}
	return nil
}

// conditions are the faults of the daemon itself.
func (d *Daemon) conditions(now time.Time) []alerts.Condition {
	var out []alerts.Condition
	s := d.store.Stats()
	why, found := d.store.Troubles()
	switch c := (alerts.Condition{Rule: alerts.StoreFull, Severity: alerts.Act}); {
	case s.DiskFull:
		c.Case = "full"
		if s.Refuses {
			c.Case = "refuses"
		}
		out = append(out, c)
	case s.ReadOnly && !s.Displaced:
		c.Case = "read_only"
		out = append(out, c)
	case why != "": // the store was displaced, or the card returns errors
		c.Say = why
		out = append(out, c)
	}
	if found != "" {
		out = append(out, alerts.Condition{Rule: "store_trouble", Severity: alerts.Note, Say: found})
	}
	if !d.clockTrusted.Load() {
		out = append(out, alerts.Condition{Rule: alerts.ClockInDoubt, Severity: alerts.Soon,
			Case: d.clockCase()})
	}
	if away := time.Duration(d.clockOffset.Load()); away.Abs() >= heldStep && d.clockTrusted.Load() {
		way := "held"
		if away < 0 {
			way = "held_back"
		}
		out = append(out, alerts.Condition{Rule: alerts.ClockInDoubt, Severity: alerts.Soon,
			Case: way, Facts: words.Facts{"step": words.Span(away)}})
	}
	if d.tent != nil {
		out = append(out, d.tent.condition()...)
	}
	out = append(out, d.mqttCondition()...)
	out = append(out, influxCondition(d.influx)...)
	return append(out, d.backup.condition(now, d.cfg.Store)...)
}

// clockCase picks the alert's sentence for an unknown date. History that is sent on
// carries its time, so it is not sent before the date is known.
func (d *Daemon) clockCase() string {
	if d.influx == nil && !d.cfg.MQTT.SendsReadings() {
		return "unknown"
	}
	return "unknown_sending"
}

// waits says what waits until the date is known, "" for nothing.
func (d *Daemon) waits() string {
	if d.clockTrusted.Load() || d.clockCase() != "unknown_sending" {
		return ""
	}
	return words.View{}.Say("clock.waits", nil)
}

func zoneName(loc *time.Location, now time.Time) string {
	// Only names that a browser knows for the same zone: "BST" is another
	// country's there.
	for _, n := range []string{loc.String(), os.Getenv("TZ")} {
		if strings.Contains(n, "/") || n == "UTC" {
			return n
		}
	}
	return now.In(loc).Format("-07:00")
}
