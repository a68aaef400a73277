// SPDX-License-Identifier: Apache-2.0

// Package mqtt publishes the history and the present state to an MQTT broker,
// whoever holds the connection: it knows only a [Publisher].
//
// [Readings] sends every reading in order, from behind a cursor in the history,
// so that an outage of the broker loses none. [Board] shows the present: one
// retained message for each subject, renewed before it expires, and taken away
// when the subject is gone. Neither waits for the other.
//
// The topics and what they carry are [Topics]; [About] describes them in plain
// JSON, published retained beside them.
package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"time"

	"curewright/history"
	"curewright/sensors"
)

// Publisher hands one message to a broker and returns once the broker has it.
// A retained message is kept by the broker for those who come later; expire, if
// not 0, is when the broker drops it. An error whose Permanent() is true will
// come again for the same message.
type Publisher interface {
	Publish(ctx context.Context, topic string, body []byte, retain bool, expire time.Duration) error
	Up() bool
}

func permanent(err error) bool {
	var p interface{ Permanent() bool }
	return errors.As(err, &p) && p.Permanent()
}

// Level makes one level of a topic out of a name: separators, wildcards and bytes that are
// no text are percent-encoded.
func Level(name string) string {
	name = escape(name, '%', "0123456789ABCDEF", func(i int, c byte) bool {
		return c != '/' && c != '+' && c != '#' && c != '%' && c >= 0x20 && c != 0x7F && (i > 0 || c != '$')
	})
	return strings.ToValidUTF8(name, "%EF%BF%BD")
}

// escape puts a mark and two hex digits in the place of each byte that is not
// kept.
func escape(s string, mark byte, hex string, keep func(i int, c byte) bool) string {
	var b strings.Builder
	for i := range len(s) {
		if c := s[i]; keep(i, c) {
			b.WriteByte(c)
		} else {
			b.Write([]byte{mark, hex[c>>4], hex[c&15]})
		}
	}
	return b.String()
}

// Store is what [Readings] needs of the history.
type Store interface {
	ReadingsAfter(ctx context.Context, c history.Cursor, limit int) ([]sensors.Reading, history.Cursor, error)
	Cursor(name string) history.Cursor
	SetCursor(name string, c history.Cursor)
	End() history.Cursor
}

// CursorName is the cursor's name in the history.
const CursorName = "mqtt"

// ReadingsOptions are what [Readings] works with.
type ReadingsOptions struct {
	Base  string // topics begin with it
	Pub   Publisher
	Store Store
	Log   *slog.Logger // nil for none
	Rate  int          // readings a second while catching up; 0 for 200
	// Stale is the age up to which a probe's reading counts as present; an older one
	// is not retained. Nil: ten minutes.
	Stale func(probe string) time.Duration
	Now   func() time.Time // nil for time.Now
	Every time.Duration    // how often the history is looked at; 0 for 2 s
}

// Readings publishes every reading that is taken in from its first start on.
type Readings struct {
	o    ReadingsOptions
	wake chan struct{}

	batch []sensors.Reading // read from the history and not yet published
	next  history.Cursor    // behind the batch
	good  int               // published of this batch

	mu     sync.Mutex
	status Status
	said   map[string]bool // topics that the broker refused
}

// Status is how it is going.
type Status struct {
	FailingSince time.Time // zero while it gets through
	Err          string
	Sent         uint64
	Refused      uint64 // messages that the broker does not take
	Failures     uint64
	Newest       time.Time // of the newest reading that the broker has
}

const batchSize = 100

// NewReadings returns the sender. One that never ran begins with new readings, since a
// broker is no archive.
func NewReadings(o ReadingsOptions) *Readings {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Rate <= 0 {
		o.Rate = 200
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Every <= 0 {
		o.Every = 2 * time.Second
	}
	if o.Stale == nil {
		o.Stale = func(string) time.Duration { return 10 * time.Minute }
	}
	if o.Store.Cursor(CursorName) == 0 {
		o.Store.SetCursor(CursorName, o.Store.End())
	}
	return &Readings{o: o, wake: make(chan struct{}, 1), said: map[string]bool{}}
}

// Wake makes it try again at once, when the connection came up.
func (r *Readings) Wake() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

const (
	minPause = time.Second
	maxPause = time.Minute
)

// Run publishes until ctx ends and returns ctx's error.
func (r *Readings) Run(ctx context.Context) error {
	pause := minPause
	for {
		wait := r.o.Every
		err := r.Drain(ctx)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			r.failed(err)
			wait = pause
			pause = min(2*pause, maxPause)
		} else {
			pause = minPause
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-r.wake:
		case <-time.After(wait):
		}
	}
}

// Drain publishes what waits.
func (r *Readings) Drain(ctx context.Context) error {
	for {
		if len(r.batch) == 0 {
			c := r.o.Store.Cursor(CursorName)
			if c == r.o.Store.End() {
				return nil
			}
			b, next, err := r.o.Store.ReadingsAfter(ctx, c, batchSize)
			if err != nil {
				return err
			}
			if next == c {
				return nil
			}
			r.batch, r.next, r.good = b, next, 0
		}
		if err := r.publish(ctx); err != nil {
			return err
		}
		r.o.Store.SetCursor(CursorName, r.next)
	}
}

// publish sends the batch. A reading that the broker refuses is skipped if the broker takes
// others: a probe that may not be published must not hold up the rest, and a broker that
// refuses everything must not make it skip the history.
func (r *Readings) publish(ctx context.Context) error {
	var refused []sensors.Reading
	var why error
	pace := time.Second / time.Duration(r.o.Rate)
	for i, x := range r.batch {
		topic, body, retain, expire := r.message(x)
		err := r.o.Pub.Publish(ctx, topic, body, retain, expire)
		if err != nil && permanent(err) {
			refused, why = append(refused, x), err
			continue
		}
		if err != nil {
			// Those refused so far are tried again: they may be let through then.
			r.batch = append(refused, r.batch[i:]...)
			return err
		}
		r.good++
		r.sent(x)
		if i < len(r.batch)-1 {
			select {
			case <-ctx.Done():
				r.batch = append(refused, r.batch[i+1:]...)
				return ctx.Err()
			case <-time.After(pace):
			}
		}
	}
	if len(refused) > 0 && r.good == 0 {
		r.batch = refused
		return why
	}
	for _, x := range refused {
		r.refused(x, why)
	}
	r.batch = nil
	return nil
}

// Reading is a reading as it is published; a quantity that the probe did not
// deliver is null.
type Reading struct {
	Probe  string        `json:"probe"`
	Time   time.Time     `json:"time"`
	TempC  sensors.Value `json:"temp_c"`
	RHPct  sensors.Value `json:"rh_pct"`
	CO2PPM sensors.Value `json:"co2_ppm"`
}

func (r *Readings) message(x sensors.Reading) (topic string, body []byte, retain bool, expire time.Duration) {
	body, err := json.Marshal(Reading{x.Probe, x.At, x.Temp, x.RH, x.CO2})
	if err != nil {
		body = []byte("{}") // a time beyond year 9999, which the history refuses
	}
	// An old reading must not be retained as the present one.
	expire = r.o.Stale(x.Probe) - r.o.Now().Sub(x.At)
	if retain = expire > 0; !retain {
		expire = 0
	}
	return ReadingTopic(r.o.Base, x.Probe), body, retain, expire
}

// ReadingTopic is the topic of a probe's readings.
func ReadingTopic(base, probe string) string { return base + "/probe/" + Level(probe) + "/reading" }

func (r *Readings) sent(x sensors.Reading) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status.Sent++
	if x.At.After(r.status.Newest) {
		r.status.Newest = x.At
	}
	r.status.FailingSince, r.status.Err = time.Time{}, ""
}

func (r *Readings) refused(x sensors.Reading, err error) {
	r.mu.Lock()
	r.status.Refused++
	say := !r.said[x.Probe] && len(r.said) < 256
	r.said[x.Probe] = true
	r.mu.Unlock()
	if say {
		r.o.Log.Warn("mqtt does not take the readings of a probe", "probe", x.Probe, "err", err)
	}
}

func (r *Readings) failed(err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.status.FailingSince.IsZero() {
		r.status.FailingSince = time.Now()
	}
	// The connection reports by itself that it is down.
	if text := err.Error(); text != r.status.Err {
		r.status.Err = text
		if r.o.Pub.Up() {
			r.o.Log.Warn("mqtt readings", "err", text)
		}
	}
	r.status.Failures++
}

// Status returns how it is going.
func (r *Readings) Status() Status {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.status
}
