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

// A Cursor is a position in the order of intake: the number of the next reading.
// The zero cursor is before everything.
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
	if err := s.readingsAfter(ctx, &o); err != nil {
		return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
	}
	return o.out, Cursor(o.after + 1), nil
}

// readingsAfter fills o from the packs, then from the tail; dbmu is held.
func (s *Store) readingsAfter(ctx context.Context, o *intake) error {
	for entry := o.after; len(o.out) < o.limit; {
		l, id, err := s.packLogAfter(ctx, entry)
		if err != nil {
			return err
		}
		if id < 0 {
			break
		}
		for _, ref := range l.packs {
			if ref.hi > o.after {
				o.packs = append(o.packs, ref)
			}
		}
		if err := o.emit(ctx, l.safe); err != nil {
			return err
		}
		entry = id
	}
	if len(o.out) >= o.limit {
		return nil
	}
	s.mu.Lock()
	for _, p := range s.byIdx {
		if p != nil {
			o.take(p.idx, p.tail)
		}
	}
	s.mu.Unlock()
	return o.emit(ctx, math.MaxInt64)
}

// packLogAfter returns the first readable entry of the log of packs with an id
// above after, and that id; -1 if there is none. dbmu is held.
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
	after int64     // number of the last reading that came out
	packs []packRef // not opened yet
	wait  []pend    // readings with higher numbers, from packs that overlap
}

// emit brings out the readings with numbers below safe, below which no later
// pack has any. It opens the packs as their numbers come, so that what is held in
// memory is about an hour, however many packs wait. dbmu is held.
func (o *intake) emit(ctx context.Context, safe int64) error {
	slices.SortFunc(o.packs, func(a, b packRef) int { return cmp.Compare(a.lo, b.lo) })
	for below := int64(0); below < safe && len(o.out) < o.limit; {
		below = safe
		if len(o.packs) > 0 {
			below = min(o.packs[0].hi+1, safe)
		}
		for len(o.packs) > 0 && o.packs[0].lo < below {
			if err := o.open(ctx, o.packs[0].id); err != nil {
				return err
			}
			o.packs = o.packs[1:]
		}
		o.bring(below)
	}
	return nil
}

// open takes the readings of a pack; one that is damaged is set aside where it is
// read or checked.
func (o *intake) open(ctx context.Context, id int64) error {
	return eachRow(ctx, o.s.db, "packs", id, id, func(id int64, body []byte, ok bool) error {
		if _, rs, err := unpack(body); ok && err == nil {
			o.take(packProbe(id), rs)
		}
		return nil
	})
}

func (o *intake) take(idx int64, rs []rec) {
	for _, r := range rs {
		if r.seq > o.after {
			o.wait = append(o.wait, pend{idx, r})
		}
	}
}

// bring moves the readings with numbers below a bound from those that wait to
// those that are out, up to the limit.
func (o *intake) bring(below int64) {
	slices.SortFunc(o.wait, func(a, b pend) int { return cmp.Compare(a.seq, b.seq) })
	o.s.mu.Lock()
	defer o.s.mu.Unlock()
	n := 0
	for ; n < len(o.wait) && o.wait[n].seq < below && len(o.out) < o.limit; n++ {
		x := o.wait[n]
		if x.seq <= o.after {
			continue // stored twice
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

// End returns the cursor behind everything taken in so far: the start for a
// sender that wants only new readings.
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
