package history

import (
	"context"
	"encoding/json"
	"fmt"
)

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
