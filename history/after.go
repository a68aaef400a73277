// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"curewright/sensors"
)

// A Cursor is a place in the order of intake. The zero cursor is before
// everything.
type Cursor int64

// cursorEvery is how often cursors reach the disk: each write of one costs
// the card a page.
const cursorEvery = 5 * time.Minute

// Cursor returns how far the named sender has come.
func (s *Store) Cursor(name string) Cursor {
	s.mu.Lock()
	c, ok := s.cursors[name]
	s.mu.Unlock()
	if ok {
		return c
	}
	b, ok := s.KV("cursor", name)
	if !ok {
		return 0
	}
	n, err := strconv.ParseInt(string(b), 10, 64)
	if err != nil {
		return 0
	}
	return Cursor(n)
}

// SetCursor keeps how far the named sender has come. It reaches the disk
// within five minutes and at a proper stop: after a power cut a sender repeats
// that much, which receivers that key on probe and time do not notice.
func (s *Store) SetCursor(name string, c Cursor) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cursors[name] == c {
		return
	}
	s.cursors[name] = c
	s.waiting()
}

// cursorsDue has the next commit write the cursors; mu is held.
func (s *Store) cursorsDue(always bool) {
	now := s.opts.Now()
	if d := now.Sub(s.cursorsAt); !always && d >= 0 && d < cursorEvery {
		return
	}
	for name, c := range s.cursors {
		s.kvLater("cursor", name, strconv.AppendInt(nil, int64(c), 10))
		s.cursorsAt = now
	}
}

// ReadingsAfter returns up to limit dated readings that came after the
// cursor, in order of intake, and the cursor behind them. Late readings come
// when they came, so nothing is skipped and nothing comes twice.
func (s *Store) ReadingsAfter(ctx context.Context, c Cursor, limit int) ([]sensors.Reading, Cursor, error) {
	if limit <= 0 {
		return nil, c, nil
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	if s.closed {
		return nil, c, ErrClosed
	}
	o := intake{s: s, after: int64(c) - 1, limit: limit} // numbers start at 0, the zero cursor is before them
	for entry := o.after; len(o.out) < limit; {
		l, id, err := s.packLogAfter(ctx, entry)
		if err == nil && id < 0 {
			break
		}
		if err == nil {
			err = o.open(ctx, l)
		}
		if err != nil {
			return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
		}
		entry = id
		o.emit(l.safe)
	}
	if len(o.out) < limit {
		s.mu.Lock()
		for _, p := range s.byIdx {
			if p != nil {
				o.take(p.idx, p.tail)
			}
		}
		s.mu.Unlock()
		o.emit(math.MaxInt64)
	}
	return o.out, Cursor(o.after + 1), nil
}

// packLogAfter is the first readable entry of the log of packs behind a number,
// and its own number; that is -1 where there is none. dbmu is held.
func (s *Store) packLogAfter(ctx context.Context, after int64) (l packLog, id int64, err error) {
	id = -1
	err = eachRow(ctx, s.db, "packlog", after+1, maxID, func(n int64, body []byte, ok bool) error {
		p, err := decodePackLog(body)
		if !ok || err != nil {
			return nil
		}
		l, id = p, n
		return errStop
	})
	if errors.Is(err, errStop) {
		err = nil
	}
	return l, id, err
}

// intake puts readings into the order in which they were taken in.
type intake struct {
	s     *Store
	out   []sensors.Reading
	limit int
	after int64  // number of the last one that came out
	wait  []pend // those with higher numbers, from packs that overlap
}

// open takes the readings of all packs of an entry of their log; dbmu is held.
func (o *intake) open(ctx context.Context, l packLog) error {
	for _, ref := range l.packs {
		if ref.hi <= o.after {
			continue
		}
		err := eachRow(ctx, o.s.db, "packs", ref.id, ref.id, func(id int64, body []byte, ok bool) error {
			if _, rs, err := unpack(body); ok && err == nil { // else it is set aside where it is read or checked
				o.take(packProbe(id), rs)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (o *intake) take(idx int64, rs []rec) {
	for _, r := range rs {
		if r.seq > o.after {
			o.wait = append(o.wait, pend{idx, r})
		}
	}
}

// emit brings out those with numbers below safe: no later pack has any.
func (o *intake) emit(safe int64) {
	slices.SortFunc(o.wait, func(a, b pend) int { return cmp.Compare(a.seq, b.seq) })
	o.s.mu.Lock()
	defer o.s.mu.Unlock()
	n := 0
	for ; n < len(o.wait) && o.wait[n].seq < safe && len(o.out) < o.limit; n++ {
		x := o.wait[n]
		if x.seq <= o.after {
			continue // there twice
		}
		o.after = x.seq
		if x.idx < int64(len(o.s.byIdx)) {
			if p := o.s.byIdx[x.idx]; p != nil && p.boot == "" {
				o.out = append(o.out, x.reading(p.base))
			}
		}
	}
	o.wait = o.wait[n:]
}

var errStop = errors.New("stop")

// End returns the cursor behind everything that was taken in so far: where a
// sender begins that wants only what is new.
func (s *Store) End() Cursor {
	s.mu.Lock()
	defer s.mu.Unlock()
	return Cursor(s.nextSeq)
}

// EventsAfter returns up to limit dated events after the cursor, in order of
// time, and the cursor behind them. An event's cursor is made from its time:
// [EventCursor] gives it. Events that could not be written yet are not among
// them; they come once they are.
func (s *Store) EventsAfter(ctx context.Context, c Cursor, limit int) ([]Event, Cursor, error) {
	if err := s.flushQuiet(ctx); err != nil && ctx.Err() != nil {
		return nil, c, err
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	var out []Event
	next := c
	err := s.eachEvent(ctx, func(id int64, e Event, ok bool) {
		next = Cursor(id)
		if ok && e.Boot == "" { // without a date the time would be a guess
			out = append(out, e)
		}
	}, "id > ? ORDER BY id LIMIT ?", int64(c), limit)
	if err != nil {
		return nil, c, fmt.Errorf("history: events after %v: %w", c, err)
	}
	return out, next, nil
}

// EventCursor is the cursor before every event of a time, in ms since 1970.
func EventCursor(ms int64) Cursor { return Cursor(eventID(ms, 0) - 1) }
