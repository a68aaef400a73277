// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"context"
	"encoding/json"
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
	type item struct {
		rec
		idx int64
	}
	var heap []item       // what may still be emitted, sorted when needed
	after := int64(c) - 1 // numbers start at 0, the zero cursor is before them
	emit := func(out []sensors.Reading, below int64) []sensors.Reading {
		slices.SortFunc(heap, func(a, b item) int { return cmp.Compare(a.seq, b.seq) })
		n := 0
		for n < len(heap) && heap[n].seq < below && len(out) < limit {
			x := heap[n]
			n++
			if x.seq <= after {
				continue // there twice
			}
			after = x.seq
			s.mu.Lock()
			var p *probe
			if x.idx < int64(len(s.byIdx)) {
				p = s.byIdx[x.idx]
			}
			s.mu.Unlock()
			if p != nil && p.boot == "" {
				out = append(out, x.reading(p.base))
			}
		}
		heap = slices.Delete(heap, 0, n)
		return out
	}
	var out []sensors.Reading
	if limit <= 0 {
		return nil, c, nil
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	if s.closed {
		return nil, c, ErrClosed
	}
	var refs []packRef // not opened yet, by first number
	open := func(below int64) error {
		slices.SortFunc(refs, func(a, b packRef) int { return cmp.Compare(a.lo, b.lo) })
		n := 0
		for n < len(refs) && refs[n].lo < below {
			id := refs[n].id
			n++
			err := eachRow(ctx, s.db, "packs", id, id, func(id int64, body []byte, ok bool) error {
				if !ok {
					return nil // counted and set aside where it is read or checked
				}
				_, rs, err := unpack(body)
				if err != nil {
					return nil
				}
				for _, r := range rs {
					if r.seq > after {
						heap = append(heap, item{r, packProbe(id)})
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		refs = refs[n:]
		return nil
	}
	// step emits up to a bound, opening only the packs that are needed.
	step := func(safe int64) error {
		for len(out) < limit {
			below := safe
			if len(refs) > 0 {
				slices.SortFunc(refs, func(a, b packRef) int { return cmp.Compare(a.lo, b.lo) })
				// Open at least the first, then all that begin before its end.
				if refs[0].lo < safe {
					end := min(refs[0].hi+1, safe)
					if err := open(end); err != nil {
						return err
					}
					below = end
				}
			}
			n := len(out)
			out = emit(out, below)
			if below == safe && len(out) == n {
				return nil
			}
			if below == safe {
				return nil
			}
		}
		return nil
	}
	at := after
	for len(out) < limit {
		var l packLog
		found := false
		err := eachRow(ctx, s.db, "packlog", at+1, maxID, func(id int64, body []byte, ok bool) error {
			if found {
				return errStop
			}
			at = id
			if !ok {
				return nil
			}
			p, err := decodePackLog(body)
			if err != nil {
				return nil
			}
			l, found = p, true
			return nil
		})
		if err != nil && !errors.Is(err, errStop) {
			return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
		}
		if !found {
			break
		}
		for _, r := range l.packs {
			if r.hi > after {
				refs = append(refs, r)
			}
		}
		if err := step(l.safe); err != nil {
			return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
		}
	}
	if len(out) < limit {
		s.mu.Lock()
		for _, p := range s.byIdx {
			if p == nil {
				continue
			}
			for _, r := range p.tail {
				if r.seq > after {
					heap = append(heap, item{r, p.idx})
				}
			}
		}
		s.mu.Unlock()
		if err := step(math.MaxInt64); err != nil {
			return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
		}
	}
	return out, Cursor(after + 1), nil
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
	if s.closed {
		return nil, c, ErrClosed
	}
	rows, err := s.db.QueryContext(ctx, "SELECT id, body, crc FROM events WHERE id > ? ORDER BY id LIMIT ?", int64(c), limit)
	if err != nil {
		return nil, c, fmt.Errorf("history: events after %v: %w", c, err)
	}
	defer rows.Close()
	var out []Event
	next := c
	for rows.Next() {
		var id, crc int64
		var body []byte
		if err := rows.Scan(&id, &body, &crc); err != nil {
			return nil, c, fmt.Errorf("history: events after %v: %w", c, err)
		}
		next = Cursor(id)
		var e Event
		if crc != int64(rowSum('e', id, body)) || json.Unmarshal(body, &e) != nil || e.Boot != "" {
			continue // damaged, or without a date: the time would be a guess
		}
		out = append(out, e)
	}
	if err := rows.Err(); err != nil {
		return nil, c, fmt.Errorf("history: events after %v: %w", c, err)
	}
	return out, next, nil
}

// EventCursor is the cursor before every event of a time, in ms since 1970.
func EventCursor(ms int64) Cursor { return Cursor(eventID(ms, 0) - 1) }
