// SPDX-License-Identifier: Apache-2.0

// Package influx sends the history to a server that speaks InfluxDB's v2 write
// API: readings, the cure, the log of events and the record of work.
//
// The history itself is the queue. Each source keeps a [history.Cursor]; a
// batch is read from behind it and written, and only then the cursor moves on. So
// an outage of days costs no memory and drains in order, and nothing is lost while
// the history has it. A point sent twice, after a timeout or a restart, has the
// same time and tags both times, and such servers store it once.
//
// A point that the server refuses is found by halving the batch, counted, logged and
// skipped. If the server refuses everything, nothing is skipped.
package influx

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"strings"
	"sync"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	ihttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
	ilog "github.com/influxdata/influxdb-client-go/v2/log"

	"curewright/history"
)

// Defaults of [Section].
const (
	DefaultEvery   = 10 * time.Second
	DefaultBatch   = 1000
	DefaultRate    = 2000
	DefaultCure    = 5 * time.Minute
	DefaultTimeout = 30 * time.Second
	DefaultRepeat  = 30 * time.Second
)

// Pauses after failures: doubling, with jitter.
const (
	minPause = time.Second
	maxPause = 5 * time.Minute
)

// Measurement names. Units are in the names of the fields.
const (
	MReading = "curewright_reading" // probe: temp_c, rh_pct, co2_ppm
	MCure    = "curewright_cure"    // coat, panel: alpha_p10, alpha_p50, alpha_p90, tg_c, temp_c, ...
	MEvent   = "curewright_event"   // kind, subject: text, by, n
	MWork    = "curewright_work"    // kind: id, op, by, body, n
	MSender  = "curewright_sender"  // sent, rejected, failures: asks whether the server takes anything
)

// Point is one point of line protocol. Fields are float64, int64, bool or
// string; a missing value is an absent field.
type Point struct {
	Measurement string
	Tags        map[string]string
	Fields      map[string]any
	At          time.Time
}

// Source is one stream of points with a cursor of its own.
type Source interface {
	// Name is the cursor's.
	Name() string
	// Next returns about limit points after c, in order, and the cursor
	// behind them. No points and another cursor means that there are none in
	// between: continue from that cursor.
	Next(ctx context.Context, c history.Cursor, limit int) ([]Point, history.Cursor, error)
}

// Cursors keeps how far each source has come.
type Cursors interface {
	Cursor(name string) history.Cursor
	SetCursor(name string, c history.Cursor)
}

// Options are what a [Sender] works with.
type Options struct {
	Section
	Token   string
	Cursors Cursors
	Sources []Source
	Log     *slog.Logger     // nil for none
	Now     func() time.Time // dates the sender's own points; nil for time.Now
	// MinPause is the first pause after a failure; 0 for one second.
	MinPause time.Duration
}

// Status is how a sender is doing.
type Status struct {
	// FailingSince is zero while it gets through.
	FailingSince time.Time
	Err          string // why not, "" while it gets through
	LastOK       time.Time
	Sent         uint64 // points acknowledged, repeats included
	Rejected     uint64 // points refused one by one
	Failures     uint64 // tries that failed as a whole
	// Newest is the time of the newest reading that was acknowledged.
	Newest time.Time
}

// Sender sends until its context ends.
type Sender struct {
	o      Options
	client influxdb2.Client
	api    api.WriteAPIBlocking
	log    *slog.Logger
	tags   map[string]string
	pause  time.Duration
	lines  map[string]*line

	next time.Time // pace: no request before

	mu       sync.Mutex
	status   Status
	said     string    // last trouble that was logged
	rejectAt time.Time // when a refused point was last logged
	rejects  uint64    // since then
}

// line is one source with its progress.
type line struct {
	Source
	acks []ack
	// past is the cursor at the moment when the connection last broke. There is no
	// further rewind until it is passed, so that a bad link still makes progress.
	past history.Cursor
}

type ack struct {
	at     time.Time
	before history.Cursor
}

// New returns a sender; it does no I/O.
func New(o Options) (*Sender, error) {
	if faults := o.Check(nil); len(faults) > 0 {
		return nil, faults
	}
	if !o.On() {
		return nil, errors.New("influx: no url")
	}
	def := func(v *int, d int) {
		if *v == 0 {
			*v = d
		}
	}
	def(&o.Batch, DefaultBatch)
	def(&o.Rate, DefaultRate)
	if o.Every == 0 {
		o.Every = duration(DefaultEvery)
	}
	if o.Timeout == 0 {
		o.Timeout = duration(DefaultTimeout)
	}
	if o.Repeat == nil {
		d := duration(DefaultRepeat)
		o.Repeat = &d
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.MinPause == 0 {
		o.MinPause = minPause
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	ilog.Log = nil // the library would write lines of its own to standard error
	tr := http.DefaultTransport.(*http.Transport).Clone()
	tr.MaxIdleConns, tr.MaxConnsPerHost = 2, 2
	tr.Proxy = nil
	c := &http.Client{
		Transport: short{tr},
		Timeout:   time.Duration(o.Timeout),
		// Following a redirect would send the token to another host.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	opts := influxdb2.DefaultOptions().SetHTTPClient(c).SetUseGZip(true).SetPrecision(time.Nanosecond).SetApplicationName("curewright")
	cl := influxdb2.NewClientWithOptions(strings.TrimSuffix(o.URL, "/"), o.Token, opts)
	s := &Sender{o: o, client: cl, api: cl.WriteAPIBlocking(o.Org, o.Bucket), log: o.Log, pause: o.MinPause,
		tags: map[string]string{}, lines: map[string]*line{}}
	for k, v := range o.Labels {
		s.tags[k] = clean(v)
	}
	if site := clean(o.Site); site != "" {
		s.tags["site"] = site
	}
	for _, src := range o.Sources {
		s.lines[src.Name()] = &line{Source: src}
	}
	return s, nil
}

// short bounds the length of an answer, since the library reads an error's body to its
// end.
type short struct{ next http.RoundTripper }

func (t short) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := t.next.RoundTrip(r)
	if res != nil && res.Body != nil {
		res.Body = struct {
			io.Reader
			io.Closer
		}{io.LimitReader(res.Body, 64<<10), res.Body}
	}
	return res, err
}

// Run sends what is new every so often until ctx ends. It never gives up and
// returns only ctx's error.
func (s *Sender) Run(ctx context.Context) error {
	defer s.client.Close()
	for {
		wait := time.Duration(s.o.Every)
		if err := s.Drain(ctx); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			wait = s.failed(err)
		} else {
			s.pause = s.o.MinPause
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}

// Drain sends everything that waits, one batch of each source in turn, so that
// a long backlog of one does not hold up the others.
func (s *Sender) Drain(ctx context.Context) error {
	for more := true; more; {
		more = false
		for _, src := range s.o.Sources {
			full, err := s.step(ctx, s.lines[src.Name()])
			if err != nil {
				return err
			}
			more = more || full
		}
	}
	return nil
}

// step sends one batch of a source and says whether there may be more.
func (s *Sender) step(ctx context.Context, l *line) (more bool, err error) {
	c := s.o.Cursors.Cursor(l.Name())
	ps, next, err := l.Next(ctx, c, s.o.Batch)
	if err != nil {
		return false, fmt.Errorf("read %s: %w", l.Name(), err)
	}
	if err := s.write(ctx, ps); err != nil {
		if broken(err) {
			s.rewind()
		}
		return false, err
	}
	if next == c {
		return false, nil
	}
	s.o.Cursors.SetCursor(l.Name(), next)
	if len(ps) > 0 {
		s.passed(l, c)
	}
	return true, nil
}

// passed notes when each cursor was acknowledged, for the time of Repeat.
func (s *Sender) passed(l *line, before history.Cursor) {
	keep := time.Duration(*s.o.Repeat)
	if keep == 0 {
		return
	}
	now := time.Now()
	n := 0
	for n < len(l.acks) && now.Sub(l.acks[n].at) > keep {
		n++
	}
	l.acks = append(l.acks[n:], ack{now, before})
}

// rewind moves the cursor back over what was acknowledged shortly before the
// connection broke: a server that was killed may have lost it from its memory.
func (s *Sender) rewind() {
	for _, o := range s.lines {
		c := s.o.Cursors.Cursor(o.Name())
		if c <= o.past || len(o.acks) == 0 {
			continue
		}
		if first := o.acks[0]; time.Since(first.at) <= time.Duration(*s.o.Repeat)+time.Duration(s.o.Timeout)+time.Duration(s.o.Every) {
			o.past = c
			s.o.Cursors.SetCursor(o.Name(), min(first.before, c))
		}
		o.acks = nil
	}
}

// write sends points in batches no larger than configured, at the configured
// pace.
func (s *Sender) write(ctx context.Context, ps []Point) error {
	for len(ps) > 0 {
		n := min(len(ps), s.o.Batch)
		if d := time.Until(s.next); d > 0 {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(d):
			}
		}
		s.next = time.Now().Add(time.Duration(float64(n) / float64(s.o.Rate) * float64(time.Second)))
		lines := make([]*write.Point, 0, n)
		newest := time.Time{}
		for _, p := range ps[:n] {
			if p.Measurement == MReading && p.At.After(newest) {
				newest = p.At
			}
			lines = append(lines, s.point(p))
		}
		if err := s.put(ctx, lines); err != nil {
			return err
		}
		s.mu.Lock()
		if newest.After(s.status.Newest) {
			s.status.Newest = newest
		}
		s.mu.Unlock()
		ps = ps[n:]
	}
	return nil
}

// point adds the tags that all points have. The order of tags and fields is
// fixed, so that a repeat is the same line.
func (s *Sender) point(p Point) *write.Point {
	out := write.NewPointWithMeasurement(p.Measurement)
	for k, v := range s.tags {
		out.AddTag(k, v)
	}
	for k, v := range p.Tags {
		if v = clean(v); v != "" {
			out.AddTag(k, v)
		}
	}
	for k, v := range p.Fields {
		if t, ok := v.(string); ok {
			v = oneLine(t)
		}
		out.AddField(k, v)
	}
	return out.SetTime(p.At).SortTags().SortFields()
}

// put writes one batch, finding the points that the server refuses.
func (s *Sender) put(ctx context.Context, ps []*write.Point) error {
	err := s.post(ctx, ps)
	if err == nil || !refused(err) {
		return err
	}
	// Does the server refuse these points, or everything? If it refuses this test
	// point too, it is set up wrongly, and skipping points would lose the history.
	own := s.point(s.self())
	if e := s.post(ctx, []*write.Point{own}); e != nil {
		return fmt.Errorf("refuses everything: %w", e)
	}
	return s.split(ctx, ps, err)
}

// split halves a refused batch until the refused points stand alone.
func (s *Sender) split(ctx context.Context, ps []*write.Point, err error) error {
	if len(ps) == 1 {
		s.reject(ps[0], err)
		return nil
	}
	for _, half := range [][]*write.Point{ps[:len(ps)/2], ps[len(ps)/2:]} {
		err := s.post(ctx, half)
		if err != nil && refused(err) {
			err = s.split(ctx, half, err)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *Sender) post(ctx context.Context, ps []*write.Point) error {
	err := s.api.WritePoint(ctx, ps...)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		return err
	}
	s.status.Sent += uint64(len(ps))
	s.status.LastOK = time.Now()
	if !s.status.FailingSince.IsZero() {
		s.log.Info("influx gets through again", "after_s", time.Since(s.status.FailingSince).Round(time.Second).Seconds())
	}
	s.status.FailingSince, s.status.Err, s.said = time.Time{}, "", ""
	return nil
}

// self is the sender's own point.
func (s *Sender) self() Point {
	st := s.Status()
	return Point{Measurement: MSender, At: s.o.Now(), Fields: map[string]any{
		"sent": int64(st.Sent), "rejected": int64(st.Rejected), "failures": int64(st.Failures)}}
}

// rejectEvery is how often refused points are logged; all are counted.
const rejectEvery = 10 * time.Minute

func (s *Sender) reject(p *write.Point, err error) {
	s.mu.Lock()
	s.status.Rejected++
	s.rejects++
	n := s.rejects
	say := s.rejectAt.IsZero() || time.Since(s.rejectAt) >= rejectEvery
	if say {
		s.rejectAt, s.rejects = time.Now(), 0
	}
	s.mu.Unlock()
	if say {
		s.log.Warn("influx refuses a point", "point", write.PointToLineProtocol(p, time.Nanosecond), "err", brief(err), "refused", n)
	}
}

// failed notes a failure, logs it once and returns how long to wait.
func (s *Sender) failed(err error) time.Duration {
	text := brief(err)
	s.mu.Lock()
	if s.status.FailingSince.IsZero() {
		s.status.FailingSince = time.Now()
	}
	s.status.Err = text
	s.status.Failures++
	say := s.said != text
	s.said = text
	s.mu.Unlock()
	if say {
		s.log.Warn("influx", "url", s.o.URL, "err", text)
	}
	wait := s.pause + time.Duration(rand.Int64N(int64(s.pause)/4+1))
	s.pause = min(2*s.pause, maxPause)
	var he *ihttp.Error
	if errors.As(err, &he) && he.RetryAfter > 0 {
		wait = max(wait, min(time.Duration(he.RetryAfter)*time.Second, time.Hour))
	}
	return wait
}

// brief words an error for one line of a log; never the token, which the
// library keeps in a header.
func brief(err error) string {
	text := strings.Join(strings.Fields(err.Error()), " ")
	var he *ihttp.Error
	if errors.As(err, &he) {
		switch he.StatusCode {
		case http.StatusUnauthorized, http.StatusForbidden:
			text = "the server refuses the token: " + text
		case http.StatusNotFound:
			text = "no such address, org or bucket: " + text
		}
	}
	const most = 300
	if len(text) > most {
		text = strings.ToValidUTF8(text[:most], "") + "..."
	}
	return text
}

// refused reports whether the server rejected the points themselves.
func refused(err error) bool {
	var he *ihttp.Error
	if !errors.As(err, &he) {
		return false
	}
	switch he.StatusCode {
	case http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		return true
	}
	return false
}

// broken reports whether the server may have died and lost what it held only in
// memory.
func broken(err error) bool {
	var he *ihttp.Error
	return !errors.Is(err, context.Canceled) && errors.As(err, &he) && (he.StatusCode == 0 || he.StatusCode >= 500)
}

// Status returns how it is going.
func (s *Sender) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}
