// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/pot"
	"curewright/model/stock"
	"curewright/model/words"
	"curewright/sensors"
)

var _ web.Backend = (*Daemon)(nil)

// Store is the daemon's store.
func (d *Daemon) Store() *history.Store { return d.store }

// Words is the language that the daemon speaks; nil is English.
func (d *Daemon) Words() *words.Catalogue { return d.lang }

// wordsFor is the same in the unit that a request asks for.
func (d *Daemon) wordsFor(ctx context.Context) *words.Catalogue { return d.lang.In(web.UnitsOf(ctx)) }

// Sensors are the daemon's probes.
func (d *Daemon) Sensors() *sensors.Set { return d.set }

// Rules are the daemon's alerts.
func (d *Daemon) Rules() *alerts.Engine { return d.rules }

// Now is the daemon's clock, in the shop's time zone.
func (d *Daemon) Now() time.Time { return d.clk.Now().In(d.loc) }

// Snapshot is the last evaluation, with the settings as they are now.
func (d *Daemon) Snapshot(ctx context.Context) (web.Snapshot, error) {
	s := d.snap.Load()
	if s == nil {
		if err := d.Evaluate(ctx); err != nil {
			return web.Snapshot{}, err
		}
		s = d.snap.Load()
	}
	out := *s
	// Between evaluations the clock, the probes and the alerts move on.
	out.At = d.Now()
	out.Probes = d.probes(ctx)
	out.Alerts = d.rules.List(false)
	w, err := d.work(ctx)
	if err != nil {
		return out, err
	}
	out.Settings = d.settingsView(out.At, d.settings(), w, out.Probes)
	return out, nil
}

// Work is the record of work with the resins it can name.
func (d *Daemon) Work(ctx context.Context) (*coat.Work, error) { return d.work(ctx) }

func (d *Daemon) work(ctx context.Context) (*coat.Work, error) {
	stored, err := d.store.Work(ctx)
	if err != nil {
		return nil, err
	}
	w := *stored // the store's own is shared
	w.Resins = withGenerics(stored.Resins)
	return &w, nil
}

// withGenerics are some resins and the generic sets.
func withGenerics(own map[string]cure.Resin) map[string]cure.Resin {
	all := map[string]cure.Resin{}
	maps.Copy(all, own)
	for _, name := range genericNames {
		all[name], _ = cure.Generic(name)
	}
	return all
}

var genericNames = []string{cure.Fast, cure.Medium, cure.Slow}

// Resins are those the person made, then the generic sets.
func (d *Daemon) Resins(ctx context.Context) ([]cure.Resin, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	var own, generic []cure.Resin
	for _, name := range slices.Sorted(maps.Keys(w.Resins)) {
		if r := w.Resins[name]; r.Generic {
			generic = append(generic, r)
		} else {
			own = append(own, r)
		}
	}
	slices.SortFunc(generic, func(a, b cure.Resin) int {
		return slices.Index(genericNames, a.Name) - slices.Index(genericNames, b.Name)
	})
	return append(own, generic...), nil
}

// Changes lists every version of a record; "" lists all of a kind.
func (d *Daemon) Changes(ctx context.Context, kind, id string) ([]web.Change, error) {
	cs, err := d.store.Changes(ctx, kind, id)
	return append([]web.Change{}, cs...), webError(err) // none is [], not null
}

// webError turns the store's errors into the API's.
func webError(err error) error {
	switch {
	case errors.Is(err, history.ErrNotFound):
		return web.ErrNotFound
	case errors.Is(err, history.ErrExists):
		return web.ErrConflict
	case errors.Is(err, history.ErrDisplaced):
		return fmt.Errorf("%w: the store's files were deleted or replaced while it runs; put them back or restart curewright, then enter it again", web.ErrNotKept)
	case errors.Is(err, history.ErrKeyUsed):
		return fmt.Errorf("%w: this idempotency key was used for another request, or by another log-in: make a new one", web.ErrConflict)
	case errors.Is(err, history.ErrVoid):
		return fmt.Errorf("%w: %w", web.ErrConflict, err)
	case errors.Is(err, history.ErrDiskFull):
		return fmt.Errorf("%w: the card takes nothing: free some room if it is full, else change it; then enter it again", web.ErrNotKept)
	case errors.Is(err, history.ErrReadOnly):
		return fmt.Errorf("%w: the card can't be written; change it, then enter it again", web.ErrNotKept)
	}
	return err
}

// named adds a record's name to an error about a missing or conflicting record.
func named(kind, id string, err error) error {
	if id != "" && (err == web.ErrNotFound || err == web.ErrConflict) {
		return fmt.Errorf("%s %s: %w", kind, id, err)
	}
	return err
}

// change has f change the work as it stands: one change at a time, so that checks
// hold, and none while a copy takes the store's place.
func (d *Daemon) change(ctx context.Context, f func(w *coat.Work) error) error {
	d.workMu.Lock()
	defer d.workMu.Unlock()
	if err := d.mayEnter(); err != nil {
		return err
	}
	w, err := d.work(ctx)
	if err != nil {
		return err
	}
	return f(w)
}

// write makes one entry of the records that work works out, with what is said of
// it; false: a repeat of the one that is returned.
func (d *Daemon) write(ctx context.Context, who web.Who, now time.Time, key string, work func(newID func(kind string) string) ([]job.Write, string, error)) (history.Entry, bool, error) {
	e, created, err := d.store.WriteWork(ctx, who.Name, now, key, func(newID func(string) string) ([]history.WorkWrite, string, error) {
		made, say, err := work(newID)
		if err != nil {
			return nil, "", err
		}
		out := make([]history.WorkWrite, len(made))
		for i, x := range made {
			out[i] = history.WorkWrite{Kind: x.Kind, ID: x.ID}
			if x.Value != nil {
				if out[i].Body, err = json.Marshal(x.Value); err != nil {
					return nil, "", err
				}
			}
		}
		return out, say, nil
	})
	return e, created, webError(err)
}

// say is a sentence in the shop's language.
func (d *Daemon) say(code string, facts words.Facts) string {
	return words.View{Words: d.lang}.Say(code, facts)
}

// Create checks a new record against the work it belongs to and stores it.
func (d *Daemon) Create(ctx context.Context, who web.Who, kind string, body json.RawMessage, key string) (id string, created bool, err error) {
	err = d.change(ctx, func(w *coat.Work) error {
		if id, body, err = d.checked(w, kind, "", body); err != nil {
			return err
		}
		now := d.clk.Now()
		if cups := d.rolledOn(w, kind, body); len(cups) > 0 {
			id, created, err = d.createWith(ctx, who, kind, id, body, cups, now, key)
		} else {
			id, created, err = d.store.CreateWork(ctx, kind, id, body, who.Name, now, key)
		}
		return named(kind, id, webError(err))
	})
	if err != nil {
		return "", false, err
	}
	if created {
		d.changed(kind)
	}
	return id, created, nil
}

// Patch appends a correction: the record with the fields of body replaced.
// A field set to null is cleared.
func (d *Daemon) Patch(ctx context.Context, who web.Who, kind, id string, body json.RawMessage, key string) error {
	err := d.change(ctx, func(w *coat.Work) error {
		return d.store.PatchWork(ctx, kind, id, body, who.Name, d.clk.Now(), key, func(merged []byte) error {
			to, _, err := d.checked(w, kind, id, merged)
			if err == nil && to != id {
				return web.Faults{{Field: "id", What: "can't be changed"}}
			}
			return err
		})
	})
	if err == nil {
		d.changed(kind)
	}
	return named(kind, id, webError(err))
}

// Delete appends the record's end; what stood there stays in the store.
func (d *Daemon) Delete(ctx context.Context, who web.Who, kind, id, key string) error {
	err := d.change(ctx, func(w *coat.Work) error {
		if user := usedBy(w, kind, id); user != "" {
			return web.Faults{{Field: "id", What: fmt.Sprintf("%s %q is used by %s: delete that first", kind, id, user)}}
		}
		return d.store.DeleteWork(ctx, kind, id, who.Name, d.clk.Now(), key)
	})
	if err == nil {
		d.changed(kind)
	}
	return named(kind, id, webError(err))
}

// usedBy names what still refers to a record, "" when nothing does.
func usedBy(w *coat.Work, kind, id string) string {
	for _, c := range w.Coats {
		if kind == "panel" && c.Panel == id || kind == "resin" && c.Resin == id || kind == "batch" && slices.Contains(c.Batches, id) {
			return "coat " + c.ID
		}
	}
	if kind == "resin" {
		for _, b := range w.Batches {
			if b.Resin == id {
				return "batch " + b.ID
			}
		}
		for _, s := range w.Stock {
			if s.Resin == id {
				return "stock " + s.ID
			}
		}
	}
	if kind == "coat" {
		for _, f := range w.Feels {
			if f.Coat == id {
				return "finger test " + f.ID
			}
		}
	}
	if kind == "piece" {
		for _, p := range w.Panels {
			if p.Piece == id && p.ID != id {
				return "panel " + p.ID
			}
		}
	}
	return ""
}

// EndBatch notes that a cup is used up, or thrown out with something left.
func (d *Daemon) EndBatch(ctx context.Context, who web.Who, id string, at time.Time, leftG *float64, key string) error {
	b, err := json.Marshal(struct {
		Ended time.Time `json:"ended"`
		LeftG *float64  `json:"left_g,omitempty"`
	}{at, leftG})
	if err != nil {
		return err
	}
	return d.Patch(ctx, who, "batch", id, b, key)
}

func (d *Daemon) changed(kind string) {
	d.publish("work", map[string]string{"kind": kind})
	d.RequestEvaluation()
}

// checked decodes a record strictly, fills its defaults and checks it against
// the work. have is the id of the record being corrected, "" for a new one.
func (d *Daemon) checked(w *coat.Work, kind, have string, body json.RawMessage) (string, []byte, error) {
	now := d.clk.Now().In(d.loc)
	switch kind {
	case "piece":
		return workRecord(body, func(x *coat.Piece) (string, []job.Fault) {
			if x.ID == "" {
				return "", []job.Fault{{Field: "id", What: "missing"}}
			}
			return x.ID, nil
		})
	case "panel":
		return workRecord(body, func(x *coat.Panel) (string, []job.Fault) {
			x.Piece = cmp.Or(x.Piece, x.ID)
			return x.ID, job.CheckPanel(w, *x)
		})
	case "batch":
		return workRecord(body, func(x *coat.Batch) (string, []job.Fault) {
			x.Mixed = cmp.Or(x.Mixed, now)
			return x.ID, job.CheckBatch(w, *x, now)
		})
	case "coat":
		return workRecord(body, func(x *coat.Coat) (string, []job.Fault) {
			if x.Applied.IsZero() && have == "" {
				y := *x
				y.Applied = now // other faults go into the same answer
				return x.ID, append([]job.Fault{{Field: "applied", What: "missing"}}, job.CheckCoat(w, y, now)...)
			}
			return x.ID, job.CheckCoat(w, *x, now)
		})
	case "feel":
		return workRecord(body, func(x *coat.Feel) (string, []job.Fault) {
			x.At = cmp.Or(x.At, now)
			return x.ID, job.CheckFeel(w, *x, now)
		})
	case "job":
		return workRecord(body, func(x *job.Schedule) (string, []job.Fault) { return x.ID, job.CheckSchedule(w, *x) })
	case "tick":
		jobs, _ := d.jobsNow()
		return workRecord(body, func(x *job.Tick) (string, []job.Fault) { return x.ID, job.CheckTick(w, jobs, *x, now) })
	case "stock":
		return workRecord(body, func(x *coat.Stock) (string, []job.Fault) { return x.ID, stock.Check(*x, w.Resins, now) })
	case "resin":
		return workRecord(body, func(x *cure.Resin) (id string, faults []job.Fault) {
			for _, e := range x.Check() {
				faults = append(faults, job.Fault{What: e.Error()})
			}
			if _, ok := cure.Generic(x.Name); ok {
				faults = append(faults, job.Fault{Field: "name", What: fmt.Sprintf("%q is the name of a generic set", x.Name)})
			}
			return x.Name, faults
		})
	}
	return "", nil, web.ErrNotFound
}

// workRecord decodes one strictly, has check fill its defaults and find its id and
// faults, and writes it out again as it is kept.
func workRecord[T any](body []byte, check func(*T) (id string, faults []job.Fault)) (string, []byte, error) {
	x := new(T)
	if err := strict(body, x); err != nil {
		return "", nil, err
	}
	id, faults := check(x)
	if len(faults) > 0 {
		return "", nil, web.Faults(faults)
	}
	b, err := json.Marshal(x)
	return id, b, err
}

func strict(body []byte, v any) error {
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return web.Faults{{What: err.Error()}}
	}
	return nil
}

// PushReadings judges pushed readings one by one.
func (d *Daemon) PushReadings(ctx context.Context, who web.Who, accept bool, rs []web.PushReading) (web.PushResult, error) {
	ps := make([]sensors.Pushed, len(rs))
	for i, r := range rs {
		ps[i] = sensors.Pushed{Probe: r.Probe, Time: r.Time, Temp: sensors.FromPtr(r.TempC), RH: sensors.FromPtr(r.RHPct), CO2: sensors.FromPtr(r.CO2PPM)}
	}
	before := map[string]bool{}
	for _, h := range d.set.Health() {
		before[h.Probe] = true
	}
	by := who.ID
	if !who.Board {
		by = cmp.Or(by, who.Name)
	}
	taken, refused := d.set.Push(sensors.Source{Via: "push", Who: by, Accept: accept, ClockTrusted: d.clockTrusted.Load()}, ps)
	d.intakes.count("http", taken, refused)
	out := web.PushResult{Taken: taken, Refused: []web.PushRefusal{}}
	for _, r := range refused {
		out.Refused = append(out.Refused, web.PushRefusal{Index: r.Index, Probe: r.Probe, Why: r.Err.Error()})
	}
	d.keepProbes(ctx, before)
	return out, nil
}

// keepProbes stores new accepted probes, so that a restart does not forget them. If
// that fails, their readings are still taken and upkeep tries again. A probe that
// nobody accepted is not stored: it appears again when it pushes.
func (d *Daemon) keepProbes(ctx context.Context, before map[string]bool) {
	d.probeMu.Lock()
	defer d.probeMu.Unlock()
	for _, h := range d.set.Health() {
		if before[h.Probe] && !d.probesDue[h.Probe] || h.Wired || !h.Accepted {
			continue
		}
		if err := d.saveProbe(ctx, h); err != nil {
			d.probesDue[h.Probe] = true
			continue
		}
		delete(d.probesDue, h.Probe)
	}
}

// keepDueProbes tries again to store probes that could not be stored.
func (d *Daemon) keepDueProbes(ctx context.Context) {
	d.probeMu.Lock()
	due := len(d.probesDue) > 0
	d.probeMu.Unlock()
	if !due {
		return
	}
	known := map[string]bool{}
	for _, h := range d.set.Health() {
		known[h.Probe] = true
	}
	d.keepProbes(ctx, known)
}

// ForgetProbe drops a pushed probe that nobody needs; it appears again, to be
// accepted anew, if it pushes again.
func (d *Daemon) ForgetProbe(ctx context.Context, who web.Who, id string) error {
	h, ok := d.set.Get(id)
	switch {
	case !ok:
		return named("probe", id, web.ErrNotFound)
	case h.Wired:
		return fmt.Errorf("%w: %q is wired here", web.ErrConflict, id)
	case slices.ContainsFunc(d.cfg.Probe, func(p sensors.ConfigSection) bool { return p.ID == id }):
		return fmt.Errorf("%w: %q is named in the configuration file: take it out there", web.ErrConflict, id)
	}
	w, err := d.work(ctx)
	if err != nil {
		return err
	}
	for _, p := range w.Panels {
		if p.Probe == id || p.Air == id {
			return fmt.Errorf("%w: panel %q is read by it: give that another probe first", web.ErrConflict, p.ID)
		}
	}
	if err := d.store.ForgetProbe(ctx, id); err != nil {
		return webError(err)
	}
	d.set.Forget(id)
	d.store.AddEvent("probe", id, "forgotten", d.clk.Now(), who.Name)
	d.RequestEvaluation()
	return nil
}

func (d *Daemon) saveProbe(ctx context.Context, h sensors.Health) error {
	return webError(d.store.SetProbe(ctx, h.Probe, history.ProbeMeta{Driver: h.Driver, Name: h.Name, Role: h.Role, Panel: h.Panel, Accepted: h.Accepted}))
}

// Readings streams one probe's readings.
func (d *Daemon) Readings(ctx context.Context, probe string, from, to time.Time, yield func(sensors.Reading) bool) error {
	var damaged error
	for r, err := range d.store.Readings(probe, from, to) {
		if err != nil {
			damaged = err
			continue
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if !yield(r) {
			return nil
		}
	}
	return damaged
}

// Trace is a coat's history and forecast at about so many points.
func (d *Daemon) Trace(ctx context.Context, coatID string, from, to time.Time, points int) ([]coat.TracePoint, error) {
	d.evaluateMu.Lock()
	defer d.evaluateMu.Unlock()
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(w.Coats, func(c coat.Coat) bool { return c.ID == coatID }) {
		return nil, named("coat", coatID, web.ErrNotFound)
	}
	st := d.settings()
	now := d.Now()
	return d.est.Trace(now, coatID, from, to, points, w, storeReadings{d.store}, d.jobSettings(now, st, d.set.Health()))
}

// Probes is every probe's health.
func (d *Daemon) Probes(ctx context.Context) ([]sensors.Health, error) { return d.probes(ctx), nil }

// probes are the same, with what fails in the words of a request's reader.
func (d *Daemon) probes(ctx context.Context) []sensors.Health {
	hs, v := d.set.Health(), words.View{Words: d.wordsFor(ctx)}
	for i := range hs {
		hs[i] = hs[i].In(v)
	}
	return hs
}

// SetProbe names a probe, gives it a role or a panel, accepts it. What the
// configuration file names is locked.
func (d *Daemon) SetProbe(ctx context.Context, who web.Who, id string, name, role, panel *string, accepted *bool) error {
	h, ok := d.set.Get(id)
	if !ok {
		return named("probe", id, web.ErrNotFound)
	}
	if h.Locked && (name != nil && *name != h.Name || role != nil && *role != h.Role || panel != nil && *panel != h.Panel) {
		return web.Faults{{Field: "id", What: fmt.Sprintf("%q is named in the configuration file: change it there", id)}}
	}
	was := sensors.Meta{Name: h.Name, Role: h.Role, Panel: h.Panel, Accepted: h.Accepted}
	m := was
	set(&m.Name, name)
	set(&m.Role, role)
	set(&m.Panel, panel)
	set(&m.Accepted, accepted)
	if err := d.set.SetMeta(id, m); err != nil {
		return web.Faults{{Field: "role", What: err.Error()}}
	}
	h, _ = d.set.Get(id)
	if err := d.saveProbe(ctx, h); err != nil {
		return errors.Join(err, d.set.SetMeta(id, was)) // what could not be stored is undone
	}
	// A probe given to a panel is that panel's surface probe.
	if panel != nil && *panel != "" && h.Role == sensors.RolePanel {
		b, err := json.Marshal(map[string]string{"probe": id})
		if err != nil {
			return err
		}
		if err := d.Patch(ctx, who, "panel", *panel, b, ""); errors.Is(err, web.ErrNotFound) {
			return web.Faults{{Field: "panel", What: fmt.Sprintf("unknown panel %q", *panel)}}
		} else if err != nil {
			return err
		}
	}
	d.RequestEvaluation()
	return nil
}

// set applies the fields that the request names.
func set[T any](to, said *T) {
	if said != nil {
		*to = *said
	}
}

// Alerts lists what is live, or all that is remembered.
func (d *Daemon) Alerts(_ context.Context, all bool) ([]alerts.Alert, error) {
	return d.rules.List(all), nil
}

// Ack silences an alert and says who did.
func (d *Daemon) Ack(ctx context.Context, who web.Who, id string) error {
	if err := d.rules.Ack(id, who.Name, d.clk.Now()); err != nil {
		return named("alert", id, ackError(err))
	}
	d.event("acknowledged", id, "acknowledged by "+who.Name, d.clk.Now())
	d.RequestEvaluation()
	return nil
}

func ackError(err error) error {
	if errors.Is(err, alerts.ErrNoAlert) || errors.Is(err, alerts.ErrBadToken) {
		return web.ErrNotFound
	}
	if errors.Is(err, alerts.ErrOver) {
		return web.ErrConflict
	}
	return err
}

// AckLook shows the alert behind a link in a message.
func (d *Daemon) AckLook(_ context.Context, token string) (alerts.Alert, error) {
	a, err := d.rules.PeekAck(token)
	return a, ackError(err)
}

// AckByLink acknowledges it.
func (d *Daemon) AckByLink(ctx context.Context, token string) (alerts.Alert, error) {
	a, err := d.rules.RedeemAck(token, "link in a message", d.clk.Now())
	if err != nil {
		return a, ackError(err)
	}
	d.event("acknowledged", a.ID, "acknowledged by the link in a message", d.clk.Now())
	d.RequestEvaluation()
	return a, nil
}

// TestSound sounds a channel, or with heard records whether it was heard.
func (d *Daemon) TestSound(ctx context.Context, channel string, heard *bool) error {
	if channel != alerts.PageChannel && !slices.Contains(d.post.Channels(), channel) {
		return web.Faults{{Field: "channel", What: fmt.Sprintf("no channel is named %q: one of %s", channel, strings.Join(d.post.Channels(), ", "))}}
	}
	if heard != nil {
		err := d.post.Heard(ctx, channel, *heard)
		d.RequestEvaluation()
		return err
	}
	if channel == alerts.PageChannel {
		return nil // the page makes its own tone
	}
	if err := d.post.Test(ctx, channel); err != nil {
		return fmt.Errorf("%w: %w", web.ErrNotSent, err)
	}
	return nil
}

// FitResin fits a resin to a data sheet, as TOML or the same keys in JSON.
func (d *Daemon) FitResin(ctx context.Context, sheet json.RawMessage) (json.RawMessage, error) {
	s, err := cure.ParseSheetJSON(sheet)
	var res cure.FitResult
	if err == nil {
		res, err = cure.Fit(s)
	}
	if faults, ok := errors.AsType[cure.Faults](err); ok {
		out := make(web.Faults, len(faults))
		for i, f := range faults {
			out[i] = web.Fault{Field: f.Key, What: f.What}
		}
		return nil, out
	} else if err != nil {
		return nil, err
	}
	res.Say(words.View{Words: d.wordsFor(ctx)})
	return json.Marshal(res)
}

// Pot answers the cup calculator.
func (d *Daemon) Pot(ctx context.Context, q web.PotQuery) (json.RawMessage, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	r, ok := w.Resins[q.Resin]
	if !ok {
		return nil, web.Faults{{Field: "resin", What: fmt.Sprintf("unknown resin %q", q.Resin)}}
	}
	res, err := pot.Solve(pot.Query{Words: d.wordsFor(ctx), Resin: r, Grams: q.Grams, Shape: pot.Shape(q.Shape), DiameterMM: q.DiameterMM, DepthMM: q.DepthMM, ShopC: q.ShopC, StartC: q.StartC})
	if err != nil {
		return nil, err
	}
	return json.Marshal(res)
}

// Subscribe hands out live events.
func (d *Daemon) Subscribe() (<-chan web.Event, func()) { return d.hub.Subscribe() }
