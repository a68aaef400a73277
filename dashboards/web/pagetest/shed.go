package pagetest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/sensors"
)

// Code is the pairing code that every [Shed] redeems.
const Code = "482913"

// Shed is a made-up shed in memory: a [web.Backend] with canned estimates.
// Its clock starts at 14:20 on Saturday 10 October 2026, British time.
type Shed struct {
	mu       sync.Mutex
	day      time.Time // the Saturday's midnight
	start    time.Time // 14:20
	began    time.Time // when the clock started, real time
	zone     string
	panels   []coat.Panel
	pieces   []coat.Piece
	batches  []coat.Batch
	records  []coat.Coat
	feels    []coat.Feel
	coats    []coat.Estimate
	cups     []alerts.Cup
	alerts   []alerts.Alert
	probes   []sensors.Health
	surfaces []alerts.Surface
	shop     *job.ShopNow
	settings web.SettingsView
	own      []cure.Resin
	changes  []web.Change
	keys     map[string]string
	tokens   map[string]web.Who
	subs     map[chan web.Event]bool
	serial   int
	tentC    *float64
	tentOff  string
	aimed    []string // what the tent was asked to land, as it came
	planned  string   // the last day that was asked for

	// Writes counts the records made, by kind: a double tap must not make two.
	Writes map[string]int
	// Refuse, when set, may turn a change away with a fault of its own.
	Refuse func(kind string, body json.RawMessage) error
}

var (
	_ web.Backend       = (*Shed)(nil)
	_ web.TentBackend   = (*Shed)(nil)
	_ web.BackupBackend = (*Shed)(nil)
	_ web.RecordBackend = (*Shed)(nil)
)

// New returns a shed in one of the [Situations].
func New(situation string) (*Shed, error) {
	zone := time.FixedZone("+01:00", 3600)
	s := &Shed{
		day: time.Date(2026, 10, 10, 0, 0, 0, 0, zone), began: time.Now(), zone: "+01:00",
		keys: map[string]string{}, tokens: map[string]web.Who{}, subs: map[chan web.Event]bool{}, Writes: map[string]int{}, tentC: ptr(16.0),
	}
	s.start = s.at(14, 20)
	return s, s.set(situation)
}

// Now is the scenario's time.
func (s *Shed) Now() time.Time { return s.start.Add(time.Since(s.began)) }

// Snapshot implements [web.Backend].
func (s *Shed) Snapshot(context.Context) (web.Snapshot, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.Now()
	open := make([]coat.Estimate, 0, len(s.coats))
	for _, e := range s.coats {
		for _, r := range s.records {
			if r.ID == e.ID && r.Open(now) {
				open = append(open, e)
			}
		}
	}
	var firing []alerts.Alert
	for _, a := range s.alerts {
		if a.State != "resolved" {
			firing = append(firing, a)
		}
	}
	probes := append([]sensors.Health(nil), s.probes...)
	for i := range probes {
		if probes[i].State == "ok" {
			probes[i].LastAt, probes[i].Last.At = now, now
		}
	}
	return web.Snapshot{
		At: now, Zone: s.zone, Result: job.Result{At: now, Coats: open, Shop: s.shop}, Surfaces: s.surfaces,
		Cups: append([]alerts.Cup(nil), s.cups...), Alerts: firing, Probes: probes, Settings: s.settings,
	}, nil
}

// Work implements [web.Backend].
func (s *Shed) Work(ctx context.Context) (*coat.Work, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w := &coat.Work{Resins: map[string]cure.Resin{}}
	w.Pieces, w.Panels, w.Batches = append(w.Pieces, s.pieces...), append(w.Panels, s.panels...), append(w.Batches, s.batches...)
	w.Coats, w.Feels = append(w.Coats, s.records...), append(w.Feels, s.feels...)
	for _, r := range append(s.resins(), s.own...) {
		w.Resins[r.Name] = r
	}
	return w, nil
}

// Changes implements [web.Backend].
func (s *Shed) Changes(_ context.Context, kind, id string) ([]web.Change, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []web.Change
	for _, c := range s.changes {
		if c.Kind == kind && c.ID == id {
			out = append(out, c)
		}
	}
	return out, nil
}

func (s *Shed) note(who web.Who, kind, id, op string, body any) {
	b, err := json.Marshal(body)
	if err != nil {
		panic(err) // our own records
	}
	v := 1
	for _, c := range s.changes {
		if c.Kind == kind && c.ID == id {
			v++
		}
	}
	s.changes = append(s.changes, web.Change{Kind: kind, ID: id, Version: v, Op: op, At: s.Now(), By: who.Name, Body: b})
}

// Create implements [web.Backend].
func (s *Shed) Create(_ context.Context, who web.Who, kind string, body json.RawMessage, key string) (string, bool, error) {
	id, created, err := s.create(who, kind, body, key)
	if err == nil && created {
		s.tell()
	}
	return id, created, err
}

func (s *Shed) create(who web.Who, kind string, body json.RawMessage, key string) (string, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if id, ok := s.keys[key]; ok && key != "" {
		return id, false, nil
	}
	if s.Refuse != nil {
		if err := s.Refuse(kind, body); err != nil {
			return "", false, err
		}
	}
	s.serial++
	id := fmt.Sprintf("%s-%d", kind, s.serial)
	bad := func(err error) (string, bool, error) { return "", false, web.Faults{{What: err.Error()}} }
	switch kind {
	case "panel":
		var p coat.Panel
		if err := json.Unmarshal(body, &p); err != nil {
			return bad(err)
		}
		for _, q := range s.panels {
			if q.ID == p.ID {
				return "", false, web.Faults{{Field: "id", What: fmt.Sprintf("there is a panel %q already", p.ID)}}
			}
		}
		id = p.ID
		s.panels = append(s.panels, p)
	case "batch":
		var b coat.Batch
		if err := json.Unmarshal(body, &b); err != nil {
			return bad(err)
		}
		b.ID = id
		s.batches = append(s.batches, b)
		c := alerts.Cup{Batch: id, Resin: b.Resin, Mixed: b.Mixed, EndsAt: b.Mixed.Add(25 * time.Minute), Class: "low", Measure: "sheet"}
		if b.ResinG != nil {
			g := *b.ResinG
			if b.HardenerG != nil {
				g += *b.HardenerG
			}
			c.Grams = &g
		}
		s.cups = append(s.cups, c)
	case "coat":
		var c coat.Coat
		if err := json.Unmarshal(body, &c); err != nil {
			return bad(err)
		}
		c.ID = id
		s.records = append(s.records, c)
		e := s.lidB()
		shift := c.Applied.Sub(e.AppliedAt)
		m := marks{c.Applied, s.at(15, 5).Add(shift), s.at(17, 10).Add(shift), s.at(21, 10).Add(shift), s.at(25, 30).Add(shift), s.at(38, 0).Add(shift)}
		e.ID, e.Panel, e.Kind, e.Resin, e.AppliedAt, e.Strip = id, c.Panel, c.Kind, c.Resin, c.Applied, m.strip(s.Now())
		s.coats = append(s.coats, e)
		at := s.Now()
		s.alerts = append(s.alerts, alerts.Alert{ID: "al-" + id, Rule: "feel", Subject: id, Panel: c.Panel, Severity: alerts.Act, State: "firing", Say: "Feel it now.", Since: at, FiredAt: &at, Sound: "act now"})
	case "feel":
		var f coat.Feel
		if err := json.Unmarshal(body, &f); err != nil {
			return bad(err)
		}
		f.ID = id
		s.feels = append(s.feels, f)
		for i := range s.coats {
			if s.coats[i].ID == f.Coat {
				s.coats[i].Strip.Feels = append(s.coats[i].Strip.Feels, f)
				s.coats[i].State = f.State
			}
		}
	case "resin":
		var r cure.Resin
		if err := json.Unmarshal(body, &r); err != nil {
			return bad(err)
		}
		id = r.Name
		s.own = append(s.own, r)
	case "piece":
		var p coat.Piece
		if err := json.Unmarshal(body, &p); err != nil {
			return bad(err)
		}
		id = p.ID
		s.pieces = append(s.pieces, p)
	}
	if key != "" {
		s.keys[key] = id
	}
	s.Writes[kind]++
	s.note(who, kind, id, "create", body)
	return id, true, nil
}

// Patch implements [web.Backend].
func (s *Shed) Patch(_ context.Context, who web.Who, kind, id string, body json.RawMessage, key string) error {
	s.mu.Lock()
	if s.Refuse != nil {
		if err := s.Refuse(kind, body); err != nil {
			s.mu.Unlock()
			return err
		}
	}
	found := false
	patch := func(rec any) error {
		found = true
		var clear map[string]any
		if err := json.Unmarshal(body, &clear); err != nil {
			return err
		}
		return json.Unmarshal(body, rec) // null clears the pointers and slices
	}
	var err error
	for i := range s.records {
		if kind == "coat" && s.records[i].ID == id {
			err = patch(&s.records[i])
			s.note(who, kind, id, "patch", s.records[i])
			for k := range s.coats {
				if s.coats[k].ID == id {
					s.coats[k].Kind, s.coats[k].AppliedAt = s.records[i].Kind, s.records[i].Applied
				}
			}
		}
	}
	for i := range s.batches {
		if kind == "batch" && s.batches[i].ID == id {
			err = patch(&s.batches[i])
			s.note(who, kind, id, "patch", s.batches[i])
		}
	}
	for i := range s.panels {
		if kind == "panel" && s.panels[i].ID == id {
			err = patch(&s.panels[i])
		}
	}
	s.mu.Unlock()
	if !found {
		return web.ErrNotFound
	}
	s.tell()
	return err
}

// Delete implements [web.Backend].
func (s *Shed) Delete(_ context.Context, who web.Who, kind, id string, key string) error {
	s.mu.Lock()
	n := len(s.records) + len(s.batches) + len(s.feels) + len(s.panels)
	s.records = without(s.records, func(c coat.Coat) bool { return kind == "coat" && c.ID == id })
	s.batches = without(s.batches, func(b coat.Batch) bool { return kind == "batch" && b.ID == id })
	s.cups = without(s.cups, func(c alerts.Cup) bool { return kind == "batch" && c.Batch == id })
	s.feels = without(s.feels, func(f coat.Feel) bool { return kind == "feel" && f.ID == id })
	s.panels = without(s.panels, func(p coat.Panel) bool { return kind == "panel" && p.ID == id })
	for i := range s.coats {
		s.coats[i].Strip.Feels = without(s.coats[i].Strip.Feels, func(f coat.Feel) bool { return kind == "feel" && f.ID == id })
	}
	gone := len(s.records)+len(s.batches)+len(s.feels)+len(s.panels) < n
	s.note(who, kind, id, "delete", nil)
	s.mu.Unlock()
	if !gone {
		return web.ErrNotFound
	}
	s.tell()
	return nil
}

func without[T any](xs []T, drop func(T) bool) []T {
	var out []T
	for _, x := range xs {
		if !drop(x) {
			out = append(out, x)
		}
	}
	return out
}

// EndBatch implements [web.Backend].
func (s *Shed) EndBatch(_ context.Context, who web.Who, id string, at time.Time, leftG *float64, key string) error {
	s.mu.Lock()
	s.cups = without(s.cups, func(c alerts.Cup) bool { return c.Batch == id })
	s.note(who, "batch", id, "patch", map[string]any{"ended": at})
	s.mu.Unlock()
	s.tell()
	return nil
}

// PushReadings implements [web.Backend].
func (s *Shed) PushReadings(_ context.Context, _ web.Who, _ bool, rs []web.PushReading) (web.PushResult, error) {
	return web.PushResult{Taken: len(rs)}, nil
}

// temp is the drawn temperature of the shed: warm at three, cold at six.
func (s *Shed) temp(t time.Time) float64 {
	h := t.Sub(s.day).Hours()
	return 13 + 5.5*math.Cos((h-15)/24*2*math.Pi)
}

// Readings implements [web.Backend]: one a minute, with an hour missing.
func (s *Shed) Readings(_ context.Context, probe string, from, to time.Time, yield func(sensors.Reading) bool) error {
	for t := from.Truncate(time.Minute); t.Before(to) && !t.After(s.Now()); t = t.Add(time.Minute) {
		if h := t.In(s.day.Location()).Hour(); h == 3 {
			continue
		}
		r := sensors.Reading{Probe: probe, At: t, Temp: sensors.Some(s.temp(t))}
		if strings.Contains(probe, "air") {
			r.RH = sensors.Some(70 - 2.2*(s.temp(t)-13))
		}
		if !yield(r) {
			break
		}
	}
	return nil
}

// Trace implements [web.Backend].
func (s *Shed) Trace(_ context.Context, id string, from, to time.Time, points int) ([]coat.TracePoint, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var e *coat.Estimate
	for i := range s.coats {
		if s.coats[i].ID == id {
			e = &s.coats[i]
		}
	}
	if e == nil {
		return nil, web.ErrNotFound
	}
	now := s.Now()
	var out []coat.TracePoint
	step := to.Sub(from) / time.Duration(max(2, points))
	for t := from; !t.After(to); t = t.Add(step) {
		p := coat.TracePoint{At: t, Forecast: t.After(now)}
		for _, g := range e.Strip.Gaps {
			p.Gap = p.Gap || (!t.Before(g.From) && t.Before(g.To))
		}
		c := s.temp(t) + 1.2
		if !p.Gap {
			p.TempC, p.DewC = &c, ptr(8+1.5*math.Sin(t.Sub(s.day).Hours()/5))
		}
		if p.Forecast {
			d := math.Min(3.5, .5*t.Sub(now).Hours())
			p.TempP10, p.TempP90 = ptr(c-d), ptr(c+d)
		}
		if h := t.Sub(e.AppliedAt).Hours(); h >= 0 {
			a := .93 * (1 - math.Exp(-h/6))
			w := .0
			if p.Forecast {
				w = math.Min(.08, .01*t.Sub(now).Hours())
			}
			p.Alpha = &coat.Band{P10: a * (1 - .06 - w), P50: a, P90: math.Min(.99, a*(1+.05+w))}
			p.TgC = ptr(-38 + 100*a)
			p.BlushJ = ptr(.03 * math.Min(4, h))
		}
		out = append(out, p)
	}
	return out, nil
}

// Probes implements [web.Backend].
func (s *Shed) Probes(ctx context.Context) ([]sensors.Health, error) {
	x, err := s.Snapshot(ctx)
	return x.Probes, err
}

// SetProbe implements [web.Backend].
func (s *Shed) SetProbe(_ context.Context, _ web.Who, id string, name, role, panel *string, accepted *bool) error {
	s.mu.Lock()
	found := false
	for i := range s.probes {
		p := &s.probes[i]
		if p.Probe != id {
			continue
		}
		found = true
		if name != nil {
			p.Name = *name
		}
		if role != nil {
			p.Role = *role
		}
		if panel != nil {
			p.Panel = *panel
		}
		if accepted != nil {
			p.Accepted = *accepted
		}
	}
	s.mu.Unlock()
	if !found {
		return web.ErrNotFound
	}
	s.tell()
	return nil
}

// Alerts implements [web.Backend].
func (s *Shed) Alerts(context.Context, bool) ([]alerts.Alert, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]alerts.Alert(nil), s.alerts...), nil
}

// Ack implements [web.Backend].
func (s *Shed) Ack(_ context.Context, who web.Who, id string) error {
	s.mu.Lock()
	found := false
	for i := range s.alerts {
		if s.alerts[i].ID == id {
			found = true
			s.alerts[i].State, s.alerts[i].AckedAt, s.alerts[i].AckedBy = "acknowledged", ptr(s.Now()), who.Name
			s.Writes["ack"]++
		}
	}
	s.mu.Unlock()
	if !found {
		return web.ErrNotFound
	}
	s.tell()
	return nil
}

// TestSound implements [web.Backend].
func (s *Shed) TestSound(_ context.Context, _ string, heard *bool) error {
	s.mu.Lock()
	if heard != nil && *heard {
		s.settings.WakeTested = true
	}
	s.mu.Unlock()
	s.tell()
	return nil
}

// Settings implements [web.Backend].
func (s *Shed) Settings(context.Context) (web.SettingsView, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.settings, nil
}

// PutSettings implements [web.Backend].
func (s *Shed) PutSettings(_ context.Context, _ web.Who, patch json.RawMessage) error {
	s.mu.Lock()
	err := json.Unmarshal(patch, &s.settings)
	if bytes.Contains(patch, []byte("low_c")) {
		s.settings.AskLow = false
	}
	s.mu.Unlock()
	s.tell()
	return err
}

// TrustClock implements [web.Backend].
func (s *Shed) TrustClock(context.Context, web.Who, time.Time, string) error {
	s.mu.Lock()
	s.settings.ClockTrusted = true
	s.mu.Unlock()
	s.tell()
	return nil
}

// Resins implements [web.Backend].
func (s *Shed) Resins(context.Context) ([]cure.Resin, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append(s.resins(), s.own...), nil
}

// FitResin implements [web.Backend] with a canned fit.
func (s *Shed) FitResin(_ context.Context, sheet json.RawMessage) (json.RawMessage, error) {
	var q struct {
		Name    string           `json:"name"`
		PotLife []map[string]any `json:"pot_life"`
	}
	if err := json.Unmarshal(sheet, &q); err != nil {
		return nil, web.Faults{{What: err.Error()}}
	}
	if q.Name == "" {
		return nil, web.Faults{{Field: "name", What: "required: what stands on the can"}}
	}
	r := cure.Resin{Name: q.Name, MinC: 12, MaxC: 35, HardenerKind: "unknown", LnKappaSD: .15}
	return json.Marshal(map[string]any{
		"resin": r, "sd": map[string]float64{"e_j_mol": 4100},
		"residuals":    []map[string]any{{"datum": "pot life 100 g at 25 °C, min", "sheet": 25, "model": 22.4, "sigmas": -.6}, {"datum": "tack free at 20 °C, h", "sheet": 5, "model": 5.6, "sigmas": .8}, {"datum": "sand at 20 °C, h", "sheet": 8, "model": 13.9, "sigmas": 2.3}},
		"inconsistent": []string{"sand at 20 °C"}, "verdict": []string{"one temperature only: the speed in the cold is a guess"},
	})
}

// Plan implements [web.Backend] with a canned plan.
func (s *Shed) Plan(_ context.Context, body json.RawMessage) (json.RawMessage, error) {
	if !bytes.Contains(body, []byte("step")) {
		return nil, web.Faults{{Field: "step", What: "no steps: want at least one"}}
	}
	s.mu.Lock()
	s.planned = string(body)
	s.mu.Unlock()
	return json.Marshal(map[string]any{
		"feasible": true, "start": s.at(33, 10), "say": "91 in 100 forecasts let every step fall inside its window.",
		"steps": []map[string]any{
			{"coat": "tack", "at": s.at(33, 10), "window": map[string]any{"opens": s.at(33, 10), "closes": nil}, "batches": []map[string]any{{"grams": 160, "work_minutes": 24}}},
			{"coat": "wet-out", "at": s.at(35, 0), "window": map[string]any{"opens": s.at(34, 50), "closes": s.at(36, 20)}, "batches": []map[string]any{{"grams": 210, "work_minutes": 21}, {"grams": 210, "work_minutes": 21}}},
		},
		"why_not": []string{}, "options": []any{map[string]any{"change": "resin", "say": "Use the slow hardener for every coat.", "probability": .91}},
	})
}

// Pot implements [web.Backend] with a canned cup.
func (s *Shed) Pot(_ context.Context, q web.PotQuery) (json.RawMessage, error) {
	v := "low"
	if q.Grams > 150 {
		v = "caution"
	}
	if q.Grams > 300 {
		v = "runaway"
	}
	return json.Marshal(map[string]any{
		"psi": .41, "verdict": v, "minutes_to_plus15k": 31.2, "minutes_to_60c": 44.9, "work_minutes": 24.6, "peak_class": "hot",
		"max_grams_for_work": map[string]any{"20": 240, "30": 90, "45": 0}, "nominal": map[string]any{"psi": .36, "minutes_to_plus15k": 38, "minutes_to_60c": 55, "peak_c": 96},
	})
}

// Ready implements [web.Backend].
func (s *Shed) Ready(context.Context) []string { return nil }

// Subscribe implements [web.Backend].
func (s *Shed) Subscribe() (<-chan web.Event, func()) {
	ch := make(chan web.Event, 16)
	s.mu.Lock()
	s.subs[ch] = true
	s.mu.Unlock()
	return ch, func() {
		s.mu.Lock()
		delete(s.subs, ch)
		s.mu.Unlock()
	}
}

// tell sends a new snapshot to whoever listens.
func (s *Shed) tell() {
	snap, err := s.Snapshot(context.Background())
	if err != nil {
		return
	}
	b, err := json.Marshal(snap)
	if err != nil {
		panic(err) // our own types
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for ch := range s.subs {
		for _, e := range []web.Event{{Name: "snapshot", Data: b}, {Name: "work", Data: json.RawMessage(`{}`)}} {
			select {
			case ch <- e:
			default:
			}
		}
	}
}

// Authenticate implements [web.Backend].
func (s *Shed) Authenticate(_ context.Context, token string) (web.Who, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w, ok := s.tokens[token]
	return w, ok
}

// NewPairCode implements [web.Backend].
func (s *Shed) NewPairCode(context.Context, web.Role, string, int) (string, time.Time, error) {
	return Code, s.Now().Add(10 * time.Minute), nil
}

// Redeem implements [web.Backend].
func (s *Shed) Redeem(_ context.Context, code, device string) (string, web.Who, error) {
	if code != Code {
		return "", web.Who{}, web.ErrNotFound
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	t := fmt.Sprintf("token-%d", len(s.tokens)+1)
	w := web.Who{Name: device, Role: web.Control}
	s.tokens[t] = w
	return t, w, nil
}

// ListTokens implements [web.Backend].
func (s *Shed) ListTokens(context.Context) ([]web.TokenInfo, error) {
	return []web.TokenInfo{{ID: "t1", Name: "page on Android", Role: web.Record, Made: s.at(9, 0), Used: ptr(s.at(14, 10))}}, nil
}

// RevokeToken implements [web.Backend].
func (s *Shed) RevokeToken(context.Context, string) error { return nil }

// Tent implements [web.TentBackend].
func (s *Shed) Tent(context.Context) (web.TentView, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v := web.TentView{PanelC: ptr(15.5), AirC: ptr(18.0), SetPointC: s.tentC, MinC: ptr(5.0), MaxC: ptr(28.0), Heater: "on", Since: ptr(s.at(14, 11)), OnToday: ptr(2.4), LeaseS: ptr(30.0), Output: "relay", Switch: 14, Cautions: "Never sleep in a tent or shed under heat."}
	if s.tentOff != "" {
		v.Heater, v.Why = "off", s.tentOff
	}
	return v, nil
}

// SetTentPoint implements [web.TentBackend].
func (s *Shed) SetTentPoint(_ context.Context, _ web.Who, c float64) error {
	if c > 28 {
		return web.Faults{{Field: "set_point_c", What: "above the file's limit of 28 °C"}}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tentC, s.tentOff = &c, ""
	return nil
}

// TentOff implements [web.TentBackend].
func (s *Shed) TentOff(_ context.Context, _ web.Who, why string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tentOff = why
	return nil
}

// TentAim implements [web.TentCareBackend]: it can always be done.
func (s *Shed) TentAim(_ context.Context, _ web.Who, body json.RawMessage) (json.RawMessage, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.aimed = append(s.aimed, string(body))
	return json.RawMessage(`{"say":"It will be open, 84 % likely; without heat 20 %."}`), nil
}

// TentAimOff implements [web.TentCareBackend].
func (s *Shed) TentAimOff(context.Context, web.Who) error { return nil }

// TentSolvent implements [web.TentCareBackend].
func (s *Shed) TentSolvent(context.Context, web.Who) error { return nil }

// TentRelease implements [web.TentCareBackend].
func (s *Shed) TentAccept(context.Context, web.Who, string) error { return web.ErrConflict }

func (s *Shed) TentRelease(context.Context, web.Who) error { return web.ErrConflict }

// TentResume implements [web.TentCareBackend].
func (s *Shed) TentResume(context.Context, web.Who, bool) error { return nil }

// Backup implements [web.BackupBackend].
func (s *Shed) Backup(_ context.Context, w io.Writer) error {
	_, err := io.WriteString(w, "a made-up shed keeps nothing\n")
	return err
}

// Record implements [web.RecordBackend].
func (s *Shed) Record(_ context.Context, panel, format string) ([]byte, error) {
	return []byte("<!doctype html><title>" + panel + "</title>"), nil
}

// seen is what a shed holds at one moment, for a test to look at while the
// server runs.
type seen struct {
	probes   []sensors.Health
	panels   []coat.Panel
	batches  []coat.Batch
	records  []coat.Coat
	feels    []coat.Feel
	own      []cure.Resin
	settings web.SettingsView
	writes   map[string]int
}

func (s *Shed) seen() seen {
	s.mu.Lock()
	defer s.mu.Unlock()
	return seen{slices.Clone(s.probes), slices.Clone(s.panels), slices.Clone(s.batches), slices.Clone(s.records), slices.Clone(s.feels), slices.Clone(s.own), s.settings, maps.Clone(s.Writes)}
}
