// SPDX-License-Identifier: Apache-2.0

// Package webtest is a daemon in memory for tests of the web server, of its
// client and of the pages: it keeps what it is given, computes nothing, and
// writes down each call that changes something. Its figures are invented.
package webtest

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"sync"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/sensors"
)

// At is the fake shop's time: a Saturday morning in October.
var At = time.Date(2026, 10, 10, 11, 20, 0, 0, time.FixedZone("", 3600))

// Backend is the fake daemon. Make one with [New]; fields may be set before
// the first request.
type Backend struct {
	web.JobBackend  // nil: a fake keeps no jobs
	web.CupsBackend // and no stock

	Hub   *web.Hub
	Links map[string]bool // acknowledge tokens still good

	mu      sync.Mutex
	snap    web.Snapshot
	work    coat.Work
	changes []web.Change
	keys    map[string]string // Idempotency-Key → id
	tokens  map[string]web.Who
	revoked map[string]bool
	codes   map[string]web.Who
	nextID  int
	calls   []string
	late    []string
	stored  []sensors.Reading
	fail    error
}

var _ web.Backend = (*Backend)(nil)

// New returns a fake shop with one panel, one coat that can be recoated, two
// named probes (one of them stale), one pushed probe nobody has named, one cup
// and one firing alert.
func New() *Backend {
	b := &Backend{
		Hub: web.NewHub(8), Links: map[string]bool{}, keys: map[string]string{}, tokens: map[string]web.Who{},
		revoked: map[string]bool{}, codes: map[string]web.Who{},
	}
	f := func(x float64) *float64 { return &x }
	t := func(min int) *time.Time { x := At.Add(time.Duration(min) * time.Minute); return &x }
	applied := At.Add(-100 * time.Minute)
	medium, _ := cure.Generic(cure.Medium)
	b.work = coat.Work{
		Pieces:  []coat.Piece{{ID: "lid", Name: "Locker lid"}},
		Panels:  []coat.Panel{{ID: "lid-outer", Piece: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam", AreaM2: f(1.4)}},
		Batches: []coat.Batch{{ID: "cup-1", Resin: cure.Medium, Lot: "A7", ResinG: f(200), HardenerG: f(60), Mixed: applied.Add(-8 * time.Minute)}},
		Coats: []coat.Coat{
			{ID: "tack", Panel: "lid-outer", Resin: cure.Medium, Kind: coat.TackCoat, Batches: []string{"cup-1"}, Applied: applied, Next: "cloth"},
			{ID: "seal", Panel: "lid-outer", Resin: cure.Medium, Kind: coat.Seal, Applied: applied.Add(-72 * time.Hour), Ended: t(-200)},
		},
		Feels:  []coat.Feel{{ID: "feel-1", Coat: "tack", At: *t(-10), State: coat.Tacky}},
		Resins: map[string]cure.Resin{cure.Medium: medium},
	}
	band := func(lo, mid, hi float64) *coat.Band { return &coat.Band{P10: lo, P50: mid, P90: hi} }
	opens, closes := coat.TimeBand{P10: t(-40), P50: t(-15), P90: t(5)}, coat.TimeBand{P10: t(120), P50: t(170)}
	b.snap = web.Snapshot{
		At: At, Zone: "+01:00",
		Result: job.Result{At: At.Add(-20 * time.Second), Coats: []coat.Estimate{{
			ID: "tack", Panel: "lid-outer", Resin: cure.Medium, Kind: coat.TackCoat, AppliedAt: applied,
			TempC: f(17.5), Alpha: band(.29, .35, .41), TgC: band(-24, -21, -17), Kappa: band(.8, 1, 1.2),
			State: coat.Tacky, StateProbability: &coat.Probabilities{Wet: .1, Tacky: .8, Green: .1},
			UnknownWhy: []string{}, Advice: "Press the cloth in between 11:25 and 13:20.", AdviceCode: coat.AdviseRecoat,
			Flag: "act now",
			NextWindow: &coat.Window{Kind: coat.WindowCloth, Status: "open", Opens: t(5), Closes: t(120),
				OpensBand: opens, ClosesBand: closes},
			Events: coat.Events{Tacky: opens, Green: closes},
			Blush:  coat.Blush{Index: f(.12), Band: "low"}, DegradedMinutes: 3, PanelFrom: "probe",
		}}},
		Surfaces: []alerts.Surface{{Panel: "lid-outer", TempC: f(17.5), AirC: f(18), RHPct: f(62), DewC: f(10.6), MarginK: f(6.9), PanelRHPct: f(64)}},
		Cups:     []alerts.Cup{{Batch: "cup-1", Resin: cure.Medium, Grams: f(260), Mixed: applied.Add(-8 * time.Minute), EndsAt: At.Add(6 * time.Minute), Class: "caution", Measure: "model"}},
		Alerts:   []alerts.Alert{{ID: "a1", Rule: "window_open", Subject: "tack", Panel: "lid-outer", Severity: alerts.Act, State: "firing", Say: "Press the cloth in.", Since: *t(-15), FiredAt: t(-15), Sound: "act now"}},
		Probes: []sensors.Health{
			{Probe: "panel-1", Name: "Lid, outer", Driver: "ds18b20", Bus: "w1:28-0316a2795d1f", Role: "panel", Panel: "lid-outer",
				Every: 10 * time.Second, Stale: 30 * time.Second, Accepted: true, Wired: true, State: "ok",
				Last:   sensors.Reading{Probe: "panel-1", At: At.Add(-4 * time.Second), Temp: sensors.Some(17.5)},
				LastAt: At.Add(-4 * time.Second), Errors: map[string]uint64{"checksum": 2}, Taken: 5200},
			{Probe: "shed-air", Name: "Shed", Driver: "sht4x", Bus: "i2c-1:0x44", Role: "air",
				Every: 10 * time.Second, Stale: 30 * time.Second, Accepted: true, Wired: true, State: "stale",
				Last:   sensors.Reading{Probe: "shed-air", At: At.Add(-5 * time.Minute), Temp: sensors.Some(18), RH: sensors.Some(62)},
				LastAt: At.Add(-5 * time.Minute), Err: "probe shed-air: read: no answer in time", Reason: "timeout",
				ErrAt: At.Add(-time.Minute), Errors: map[string]uint64{"timeout": 30}, Taken: 5100},
			{Probe: "radio-7", Name: "radio-7", Driver: "push", Bus: "push", State: "ok",
				Last:   sensors.Reading{Probe: "radio-7", At: At, Temp: sensors.Some(9)},
				LastAt: At, Stale: time.Minute},
		},
		Settings: web.SettingsView{SleepFrom: "22:30", SleepTo: "06:30", Units: "si", Clock: "24h", ShopName: "Shed", ClockTrusted: true, Speed: 1},
	}
	for i := range 60 {
		b.stored = append(b.stored, sensors.Reading{Probe: "panel-1", At: At.Add(time.Duration(i-60) * time.Minute), Temp: sensors.Some(17 + float64(i)/100)})
	}
	return b
}

// Edit changes the fake under its lock.
func (b *Backend) Edit(f func(snap *web.Snapshot, work *coat.Work)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f(&b.snap, &b.work)
}

// Fail makes every later call return err; nil mends it.
func (b *Backend) Fail(err error) { b.mu.Lock(); b.fail = err; b.mu.Unlock() }

// Late sets what [Backend.Ready] says.
func (b *Backend) Late(parts ...string) { b.mu.Lock(); b.late = parts; b.mu.Unlock() }

// SetReadings replaces what the store holds.
func (b *Backend) SetReadings(rs []sensors.Reading) { b.mu.Lock(); b.stored = rs; b.mu.Unlock() }

// Calls returns what changed something so far, oldest first.
func (b *Backend) Calls() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string{}, b.calls...)
}

// AddToken makes a log-in and returns its secret.
func (b *Backend) AddToken(name string, role web.Role) string {
	t := web.NewToken()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tokens[web.HashToken(t)] = web.Who{Name: name, Role: role}
	return t
}

func (b *Backend) enter(who web.Who, format string, a ...any) (func(), error) {
	b.mu.Lock()
	if b.fail != nil {
		defer b.mu.Unlock()
		return nil, b.fail
	}
	if format != "" {
		b.calls = append(b.calls, who.Name+" "+fmt.Sprintf(format, a...))
	}
	return b.mu.Unlock, nil
}

// Now is part of [web.Backend], as are the methods after it.
func (b *Backend) Now() time.Time { b.mu.Lock(); defer b.mu.Unlock(); return b.snap.At }

func (b *Backend) Snapshot(context.Context) (web.Snapshot, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return web.Snapshot{}, err
	}
	defer out()
	return b.snap, nil
}

func (b *Backend) Work(context.Context) (*coat.Work, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return nil, err
	}
	defer out()
	w := b.work
	return &w, nil
}

func (b *Backend) Changes(_ context.Context, kind, id string) ([]web.Change, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return nil, err
	}
	defer out()
	var cs []web.Change
	for _, c := range b.changes {
		if c.Kind == kind && c.ID == id {
			cs = append(cs, c)
		}
	}
	return cs, nil
}

func (b *Backend) Create(_ context.Context, who web.Who, kind string, body json.RawMessage, key string) (string, bool, error) {
	out, err := b.enter(who, "create %s %s", kind, body)
	if err != nil {
		return "", false, err
	}
	defer out()
	if id, ok := b.keys[key]; ok && key != "" {
		return id, false, nil
	}
	var x struct {
		ID, Name string
		Panel    string
		Coat     string
	}
	if err := json.Unmarshal(body, &x); err != nil {
		return "", false, err
	}
	if kind == "coat" && x.Panel != "lid-outer" {
		return "", false, web.Faults{{Field: "panel", What: "no panel " + x.Panel}}
	}
	if kind == "feel" && x.Coat != "tack" {
		return "", false, fmt.Errorf("coat %s: %w", x.Coat, web.ErrNotFound)
	}
	if kind == "panel" && x.ID == "lid-outer" {
		return "", false, fmt.Errorf("panel %s: %w", x.ID, web.ErrConflict)
	}
	id := x.ID
	if kind == "resin" {
		id = x.Name
	}
	if id == "" {
		b.nextID++
		id = kind + "-" + strconv.Itoa(100+b.nextID)
	}
	if key != "" {
		b.keys[key] = id
	}
	b.changes = append(b.changes, web.Change{Kind: kind, ID: id, Version: 1, Op: "create", At: b.snap.At, By: who.Name, Body: body})
	return id, true, nil
}

func (b *Backend) has(kind, id string) bool {
	w := b.work
	switch kind {
	case "piece":
		return id == w.Pieces[0].ID
	case "panel":
		return id == w.Panels[0].ID
	case "batch":
		return id == w.Batches[0].ID
	case "coat":
		return id == w.Coats[0].ID
	case "feel":
		return id == w.Feels[0].ID
	}
	_, ok := w.Resins[id]
	return ok
}

func (b *Backend) Patch(_ context.Context, who web.Who, kind, id string, body json.RawMessage, key string) error {
	return b.change(who, "patch", kind, id, body)
}

func (b *Backend) Delete(_ context.Context, who web.Who, kind, id, key string) error {
	return b.change(who, "delete", kind, id, nil)
}

func (b *Backend) change(who web.Who, op, kind, id string, body json.RawMessage) error {
	out, err := b.enter(who, "%s %s %s %s", op, kind, id, body)
	if err != nil {
		return err
	}
	defer out()
	if !b.has(kind, id) {
		return fmt.Errorf("%s %s: %w", kind, id, web.ErrNotFound)
	}
	b.changes = append(b.changes, web.Change{Kind: kind, ID: id, Version: 2, Op: op, At: b.snap.At, By: who.Name, Body: body})
	return nil
}

func (b *Backend) EndBatch(_ context.Context, who web.Who, id string, at time.Time, leftG *float64, key string) error {
	return b.change(who, "end", "batch", id, nil)
}

func (b *Backend) PushReadings(_ context.Context, who web.Who, loopback bool, rs []web.PushReading) (web.PushResult, error) {
	out, err := b.enter(who, "push %d loopback=%v", len(rs), loopback)
	if err != nil {
		return web.PushResult{}, err
	}
	defer out()
	var res web.PushResult
	for i, r := range rs {
		if r.TempC == nil && r.RHPct == nil && r.CO2PPM == nil {
			res.Refused = append(res.Refused, web.PushRefusal{Index: i, Probe: r.Probe, Why: "no value"})
			continue
		}
		res.Taken++
	}
	return res, nil
}

func (b *Backend) Readings(_ context.Context, probe string, from, to time.Time, yield func(sensors.Reading) bool) error {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return err
	}
	rs := b.stored
	out()
	for _, r := range rs {
		if r.Probe == probe && !r.At.Before(from) && !r.At.After(to) && !yield(r) {
			return nil
		}
	}
	return nil
}

func (b *Backend) Trace(_ context.Context, coatID string, from, to time.Time, points int) ([]coat.TracePoint, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return nil, err
	}
	defer out()
	var ps []coat.TracePoint
	for i := range points {
		ps = append(ps, coat.TracePoint{At: from.Add(to.Sub(from) * time.Duration(i) / time.Duration(points-1))})
	}
	return ps, nil
}

func (b *Backend) Probes(context.Context) ([]sensors.Health, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return nil, err
	}
	defer out()
	return b.snap.Probes, nil
}

func (b *Backend) SetProbe(_ context.Context, who web.Who, id string, name, role, panel *string, accepted *bool) error {
	out, err := b.enter(who, "probe %s", id)
	if err != nil {
		return err
	}
	defer out()
	for i := range b.snap.Probes {
		if p := &b.snap.Probes[i]; p.Probe == id {
			if name != nil {
				p.Name = *name
			}
			if accepted != nil {
				p.Accepted = *accepted
			}
			return nil
		}
	}
	return fmt.Errorf("probe %s: %w", id, web.ErrNotFound)
}

func (b *Backend) ForgetProbe(_ context.Context, who web.Who, id string) error {
	out, err := b.enter(who, "forget %s", id)
	if err != nil {
		return err
	}
	defer out()
	for i, p := range b.snap.Probes {
		if p.Probe == id {
			if p.Wired {
				return fmt.Errorf("probe %s is wired here: %w", id, web.ErrConflict)
			}
			b.snap.Probes = append(b.snap.Probes[:i:i], b.snap.Probes[i+1:]...)
			return nil
		}
	}
	return fmt.Errorf("probe %s: %w", id, web.ErrNotFound)
}

func (b *Backend) Alerts(_ context.Context, all bool) ([]alerts.Alert, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return nil, err
	}
	defer out()
	return b.snap.Alerts, nil
}

func (b *Backend) Ack(_ context.Context, who web.Who, id string) error {
	out, err := b.enter(who, "ack %s", id)
	if err != nil {
		return err
	}
	defer out()
	for i := range b.snap.Alerts {
		if a := &b.snap.Alerts[i]; a.ID == id {
			a.State, a.AckedBy = "acknowledged", who.Name
			return nil
		}
	}
	return fmt.Errorf("alert %s: %w", id, web.ErrNotFound)
}

func (b *Backend) TestSound(_ context.Context, channel string, heard *bool) error {
	out, err := b.enter(web.Who{}, "sound %s", channel)
	if err != nil {
		return err
	}
	defer out()
	if channel != "page" && channel != "buzzer" {
		return fmt.Errorf("channel %s: %w", channel, web.ErrNotFound)
	}
	return nil
}

func (b *Backend) Settings(context.Context) (web.SettingsView, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return web.SettingsView{}, err
	}
	defer out()
	return b.snap.Settings, nil
}

func (b *Backend) PutSettings(_ context.Context, who web.Who, patch json.RawMessage) error {
	out, err := b.enter(who, "settings %s", patch)
	if err != nil {
		return err
	}
	defer out()
	return json.Unmarshal(patch, &b.snap.Settings)
}

func (b *Backend) TrustClock(_ context.Context, who web.Who, phone time.Time, confirm string) error {
	out, err := b.enter(who, "clock %s", phone.Format(time.RFC3339))
	if err != nil {
		return err
	}
	defer out()
	b.snap.Settings.ClockTrusted = true
	return nil
}

func (b *Backend) Resins(context.Context) ([]cure.Resin, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return nil, err
	}
	defer out()
	return []cure.Resin{b.work.Resins[cure.Medium]}, nil
}

func (b *Backend) FitResin(_ context.Context, sheet json.RawMessage) (json.RawMessage, error) {
	return b.echo(sheet)
}

func (b *Backend) Plan(_ context.Context, body json.RawMessage) (json.RawMessage, error) {
	return b.echo(body)
}

func (b *Backend) Pot(_ context.Context, q web.PotQuery) (json.RawMessage, error) {
	j, err := json.Marshal(q)
	if err != nil {
		return nil, err
	}
	return b.echo(j)
}

func (b *Backend) echo(j json.RawMessage) (json.RawMessage, error) {
	out, err := b.enter(web.Who{}, "")
	if err != nil {
		return nil, err
	}
	defer out()
	return json.RawMessage(`{"asked":` + string(j) + `}`), nil
}

func (b *Backend) Ready(context.Context) []string { b.mu.Lock(); defer b.mu.Unlock(); return b.late }

func (b *Backend) Subscribe() (<-chan web.Event, func()) { return b.Hub.Subscribe() }

func (b *Backend) Authenticate(_ context.Context, token string) (web.Who, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	h := web.HashToken(token)
	who, ok := b.tokens[h]
	return who, ok && !b.revoked[who.Name]
}

func (b *Backend) NewPairCode(_ context.Context, role web.Role, name string, days int) (string, time.Time, error) {
	out, err := b.enter(web.Who{}, "paircode %s %d", role, days)
	if err != nil {
		return "", time.Time{}, err
	}
	defer out()
	code := web.NewCode()
	b.codes[code] = web.Who{Name: name, Role: role}
	return code, b.snap.At.Add(10 * time.Minute), nil
}

func (b *Backend) Redeem(_ context.Context, code, device string) (string, web.Who, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	who, ok := b.codes[code]
	if !ok {
		return "", web.Who{}, web.ErrNotFound
	}
	delete(b.codes, code)
	if device != "" {
		who.Name = device
	}
	t := web.NewToken()
	b.tokens[web.HashToken(t)] = who
	return t, who, nil
}

func (b *Backend) ListTokens(context.Context) ([]web.TokenInfo, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var ts []web.TokenInfo
	for h, w := range b.tokens {
		ts = append(ts, web.TokenInfo{ID: h[:8], Name: w.Name, Role: w.Role, Made: b.snap.At})
	}
	return ts, nil
}

func (b *Backend) RevokeToken(_ context.Context, id string) error {
	out, err := b.enter(web.Who{}, "revoke %s", id)
	if err != nil {
		return err
	}
	defer out()
	for h, w := range b.tokens {
		if h[:8] == id {
			b.revoked[w.Name] = true
			return nil
		}
	}
	return fmt.Errorf("token %s: %w", id, web.ErrNotFound)
}

// Full is a [Backend] with a tent.
type Full struct {
	*Backend
	TentNow web.TentView
}

// NewFull returns a fake with a tent.
func NewFull() *Full {
	f := func(x float64) *float64 { return &x }
	return &Full{
		Backend: New(),
		TentNow: web.TentView{PanelC: f(21), AirC: f(24), SetPointC: f(22), MinC: f(5), MaxC: f(35), Heater: "off", Why: "warm enough", Output: "relay", Switch: 12, OnToday: f(1.5)},
	}
}

// HeatedTent is nil: there is none.
func (b *Backend) HeatedTent() web.Tent { return nil }

// HeatedTent is the fake itself.
func (b *Full) HeatedTent() web.Tent { return b }

func (b *Full) Tent(context.Context) (web.TentView, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.TentNow, nil
}

func (b *Full) SetTentPoint(_ context.Context, who web.Who, c float64) error {
	out, err := b.enter(who, "setpoint %g", c)
	if err != nil {
		return err
	}
	defer out()
	if !(c >= *b.TentNow.MinC && c <= *b.TentNow.MaxC) {
		return web.Faults{{Field: "set_point_c", What: "outside the file's limits"}}
	}
	b.TentNow.SetPointC = &c
	return nil
}

func (b *Full) TentOff(_ context.Context, who web.Who, why string) error {
	out, err := b.enter(who, "tent off")
	if err != nil {
		return err
	}
	defer out()
	b.TentNow.SetPointC, b.TentNow.Heater, b.TentNow.Why = nil, "off", why
	return nil
}

func (b *Full) TentSolvent(_ context.Context, who web.Who) error {
	out, err := b.enter(who, "solvent")
	if err != nil {
		return err
	}
	defer out()
	left := 30.0
	b.TentNow.SolventMin, b.TentNow.Heater, b.TentNow.Why = &left, "off", "solvent in use"
	return nil
}

func (b *Full) TentAccept(_ context.Context, who web.Who, hash string) error {
	out, err := b.enter(who, "accept %s", hash)
	if err != nil {
		return err
	}
	out()
	return nil
}

func (b *Full) TentRelease(_ context.Context, who web.Who) error {
	out, err := b.enter(who, "release")
	if err != nil {
		return err
	}
	defer out()
	if !b.TentNow.Latched {
		return web.ErrConflict
	}
	b.TentNow.Latched = false
	return nil
}

func (b *Full) TentResume(_ context.Context, who web.Who, on bool) error {
	out, err := b.enter(who, "resume %v", on)
	if err != nil {
		return err
	}
	defer out()
	b.TentNow.Resume = on
	return nil
}

func (b *Full) TentAim(_ context.Context, who web.Who, body json.RawMessage) (json.RawMessage, error) {
	out, err := b.enter(who, "aim %s", body)
	if err != nil {
		return nil, err
	}
	defer out()
	return body, nil
}

func (b *Full) TentAimOff(_ context.Context, who web.Who) error {
	out, err := b.enter(who, "aim off")
	if err != nil {
		return err
	}
	out()
	return nil
}

func (b *Backend) AckLook(_ context.Context, token string) (alerts.Alert, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.Links[token] {
		return alerts.Alert{}, web.ErrNotFound
	}
	return b.snap.Alerts[0], nil
}

func (b *Backend) AckByLink(_ context.Context, token string) (alerts.Alert, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.Links[token] {
		return alerts.Alert{}, web.ErrNotFound
	}
	delete(b.Links, token)
	b.calls = append(b.calls, "link ack a1")
	return b.snap.Alerts[0], nil
}

func (b *Backend) Record(_ context.Context, panel, format string) ([]byte, error) {
	if panel != "lid-outer" {
		return nil, fmt.Errorf("panel %s: %w", panel, web.ErrNotFound)
	}
	return []byte("record of " + panel + " as " + format), nil
}

func (b *Backend) Backup(_ context.Context, w io.Writer) error {
	_, err := io.WriteString(w, "copy of the store")
	return err
}

func (b *Backend) Restore(_ context.Context, who web.Who, r io.Reader) (string, error) {
	got, err := io.ReadAll(r)
	if err != nil {
		return "", err
	}
	out, err := b.enter(who, "restore %d", len(got))
	if err != nil {
		return "", err
	}
	defer out()
	if string(got) != "copy of the store" {
		return "", web.Faults{{What: "this is not a copy of a store"}}
	}
	return "in place from the next start", nil
}

func (b *Backend) StoreStats() web.StoreStats {
	f := func(x float64) *float64 { return &x }
	clean := true
	return web.StoreStats{Bytes: f(4 << 20), FreeBytes: f(3 << 30), Pending: f(12), LastWrite: &At, Written: 99, WriteErrors: 1, CleanStop: &clean}
}

// AlertChannels is one channel that gets through and one that does not.
func (b *Backend) AlertChannels(context.Context) []web.ChannelStats {
	return []web.ChannelStats{{Name: "phone", Up: true, Sent: 14}, {Name: "office", Queued: 2, Failures: 9, Refused: 1, Lost: 3}}
}

// Forwards is one sender that gets through and one that never did.
func (b *Backend) Forwards(context.Context) []web.ForwardStats {
	return []web.ForwardStats{{To: "influx", Up: true, Sent: 1200, Refused: 3, Newest: &At}, {To: "mqtt", Failures: 7}}
}

func (b *Backend) IntakeStats() []web.IntakeStats {
	return []web.IntakeStats{{Intake: "http", Taken: 40, Refused: map[string]uint64{"future": 2}}}
}
