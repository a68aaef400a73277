// SPDX-License-Identifier: Apache-2.0

package influx

import (
	"context"
	"slices"
	"sync"
	"time"

	"curewright/history"
	"curewright/model/coat"
	"curewright/sensors"
)

func duration(d time.Duration) sensors.Duration { return sensors.Duration(d) }

// Store is what the sources read.
type Store interface {
	ReadingsAfter(ctx context.Context, c history.Cursor, limit int) ([]sensors.Reading, history.Cursor, error)
	EventsAfter(ctx context.Context, c history.Cursor, limit int) ([]history.Event, history.Cursor, error)
	Changes(ctx context.Context, kind, id string) ([]history.Change, error)
	WorkVersion() uint64
}

// Readings is every dated reading, in order of intake.
func Readings(s Store) Source { return readings{s} }

type readings struct{ s Store }

func (readings) Name() string { return "influx" }

func (r readings) Next(ctx context.Context, c history.Cursor, limit int) ([]Point, history.Cursor, error) {
	rs, next, err := r.s.ReadingsAfter(ctx, c, limit)
	if err != nil {
		return nil, c, err
	}
	ps := make([]Point, len(rs))
	for i, x := range rs {
		// Only the id is a tag: name, role and panel may change, and a repeat
		// would then be another series.
		ps[i] = Point{Measurement: MReading, Tags: map[string]string{"probe": x.Probe}, Fields: map[string]any{}, At: x.At}
		put(ps[i].Fields, "temp_c", x.Temp)
		put(ps[i].Fields, "rh_pct", x.RH)
		put(ps[i].Fields, "co2_ppm", x.CO2)
	}
	return ps, next, nil
}

func put(fields map[string]any, key string, v sensors.Value) {
	if x, ok := v.Get(); ok {
		fields[key] = x
	}
}

// Events is the log of events. now is the clock of the events: where it was
// set back, the log is followed from there.
func Events(s Store, now func() time.Time) Source { return events{s, now} }

type events struct {
	s   Store
	now func() time.Time
}

func (events) Name() string { return "influx-events" }

func (e events) Next(ctx context.Context, c history.Cursor, limit int) ([]Point, history.Cursor, error) {
	// Events are in order of time. After the clock was set back, new ones lie before
	// the cursor: continue from a minute before now, and send those again.
	if back := history.EventCursor(e.now().UnixMilli()); c > history.EventCursor(e.now().Add(time.Minute).UnixMilli()) {
		c = back
	}
	es, next, err := e.s.EventsAfter(ctx, c, limit)
	if err != nil {
		return nil, c, err
	}
	ps := make([]Point, len(es))
	for i, x := range es {
		// n is for servers that keep numbers only.
		ps[i] = Point{Measurement: MEvent, Tags: map[string]string{"kind": x.Kind, "subject": x.Subject},
			Fields: map[string]any{"text": x.Text, "n": int64(1)}, At: x.At}
		if x.By != "" {
			ps[i].Fields["by"] = x.By
		}
	}
	return ps, next, nil
}

// Work is every change of the record of work: coats, batches, finger tests,
// panels, corrections. Its cursor counts changes.
func Work(s Store) Source { return &work{s: s} }

type work struct {
	s       Store
	mu      sync.Mutex
	seen    bool
	version uint64 // of the record when all of it had been sent
	end     history.Cursor
}

func (*work) Name() string { return "influx-work" }

func (w *work) Next(ctx context.Context, c history.Cursor, limit int) ([]Point, history.Cursor, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	v := w.s.WorkVersion()
	if w.seen && v == w.version && c == w.end {
		return nil, c, nil
	}
	cs, err := w.s.Changes(ctx, "", "")
	if err != nil {
		return nil, c, err
	}
	// The order of changes is that of entry, and nothing is ever taken out.
	// A restored copy of the store may have fewer changes.
	from := min(max(int(c), 0), len(cs))
	to := min(from+limit, len(cs))
	ps := make([]Point, 0, to-from)
	for _, x := range cs[from:to] {
		ps = append(ps, Point{Measurement: MWork, Tags: map[string]string{"kind": x.Kind, "op": x.Op},
			Fields: map[string]any{"id": x.ID, "by": x.By, "body": string(x.Body), "n": int64(1)}, At: x.At})
	}
	w.seen, w.version, w.end = to == len(cs), v, history.Cursor(to)
	return ps, history.Cursor(to), nil
}

// CurePoint is one coat at one moment. Nil is not known.
type CurePoint struct {
	Coat, Panel string
	At          time.Time
	Alpha       *[3]float64 // degree of cure, p10, p50, p90
	TgC         *float64
	TempC       *float64
	DewC        *float64
	Blush       *float64
	State       string // wet, tacky, green, firm, hard; "" or unknown
}

// Cures computes the cure from the history, which does not hold the estimates
// themselves: after an outage the points are computed with present knowledge.
type Cures interface {
	// Applied is when each coat was put on, by id.
	Applied(ctx context.Context) (map[string]time.Time, error)
	// Points are the coats at every step of the grid with from < at ≤ to, or
	// for its last step as they were about then, under their own time. The
	// same question has the same answer for some minutes.
	Points(ctx context.Context, from, to time.Time, step time.Duration) ([]CurePoint, error)
}

// Cure is every coat's cure on a grid of time. Its cursor is the last moment of
// the grid, in seconds since 1970.
func Cure(c Cures, now func() time.Time, step time.Duration) Source {
	if step == 0 {
		step = DefaultCure
	}
	return &cures{c: c, now: now, step: step}
}

type cures struct {
	c    Cures
	now  func() time.Time
	step time.Duration

	mu   sync.Mutex
	seen map[string]bool // coats whose past has been looked at
}

// cureSpan is how much of the grid one batch covers at most.
const cureSpan = 24 * time.Hour

func (*cures) Name() string { return "influx-cure" }

// begin returns where the grid has to be followed from: the cursor, or the
// pour of a coat that was entered after the fact.
func (s *cures) begin(ctx context.Context, c history.Cursor, last time.Time) (history.Cursor, error) {
	coats, err := s.c.Applied(ctx)
	if err != nil {
		return c, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	known := s.seen
	s.seen = make(map[string]bool, len(coats))
	from := c
	if c <= 0 {
		from = history.Cursor(last.Unix())
	}
	for id, at := range coats {
		s.seen[id] = true
		// After a start, the coats that exist count as sent up to the cursor.
		if c <= 0 || known != nil && !known[id] {
			from = min(from, history.Cursor(at.Truncate(s.step).Unix()))
		}
	}
	return from, nil
}

func (s *cures) Next(ctx context.Context, c history.Cursor, _ int) ([]Point, history.Cursor, error) {
	last := s.now().Truncate(s.step)
	begin, err := s.begin(ctx, c, last)
	if err != nil {
		return nil, c, err
	}
	if begin != c {
		return nil, begin, nil
	}
	from := time.Unix(int64(c), 0).Truncate(s.step)
	if from.After(last.Add(time.Hour)) {
		return nil, history.Cursor(last.Unix()), nil // the clock was set back
	}
	to := last
	if to.Sub(from) > cureSpan {
		to = from.Add(cureSpan)
	}
	if !to.After(from) {
		return nil, c, nil
	}
	cs, err := s.c.Points(ctx, from, to, s.step)
	if err != nil {
		return nil, c, err
	}
	var ps []Point
	for _, x := range cs {
		p := Point{Measurement: MCure, Tags: map[string]string{"coat": x.Coat, "panel": x.Panel}, Fields: map[string]any{}, At: x.At}
		if x.Alpha != nil {
			p.Fields["alpha_p10"], p.Fields["alpha_p50"], p.Fields["alpha_p90"] = x.Alpha[0], x.Alpha[1], x.Alpha[2]
		}
		for _, f := range []struct {
			key string
			v   *float64
		}{{"tg_c", x.TgC}, {"temp_c", x.TempC}, {"dew_point_c", x.DewC}, {"blush_index", x.Blush}} {
			put(p.Fields, f.key, sensors.FromPtr(f.v))
		}
		if n := stateNumber(x.State); n >= 0 {
			p.Fields["state"], p.Fields["state_number"] = x.State, int64(n)
		}
		if len(p.Fields) > 0 {
			ps = append(ps, p)
		}
	}
	return ps, history.Cursor(to.Unix()), nil
}

// stateNumber is the state for servers that keep numbers only, in the order of
// cure; -1 where it is not known.
func stateNumber(s string) int {
	return slices.Index(coat.States, coat.State(s))
}
