// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"iter"
	"maps"
	"slices"
	"sort"
	"time"
)

// kvKey is a bucket and a key in it.
type kvKey struct{ Bucket, Key string }

// kvRow is one setting as it lies on disk. Rev rises with every write, so
// that of two copies found in a damaged file the newer one wins.
type kvRow struct {
	kvKey
	ID  int64           `json:"-"`
	Rev int64           `json:"rev"`
	V   json.RawMessage `json:"v,omitempty"` // where the value is JSON
	X   []byte          `json:"x,omitempty"` // where it is not
}

type kvDisk struct {
	B   string          `json:"b"`
	K   string          `json:"k"`
	Rev int64           `json:"rev"`
	V   json.RawMessage `json:"v,omitempty"`
	X   []byte          `json:"x,omitempty"`
}

func (r kvRow) value() []byte {
	if r.V != nil {
		return r.V
	}
	return r.X
}

func (r *kvRow) set(v []byte) {
	r.V, r.X = nil, nil
	if json.Valid(v) && !bytes.ContainsAny(v, "\n<>&") {
		// Kept readable. What encoding/json would rewrite is kept as bytes.
		var c bytes.Buffer
		if json.Compact(&c, v) == nil && bytes.Equal(c.Bytes(), v) {
			r.V = slices.Clone(v)
			return
		}
	}
	r.X = append([]byte{}, v...)
}

func (r kvRow) encode() []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(kvDisk{r.Bucket, r.Key, r.Rev, r.V, r.X}); err != nil {
		panic("history: encode setting: " + err.Error()) // only valid JSON gets here
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}

func decodeKV(id int64, b []byte) (kvRow, error) {
	var d kvDisk
	if err := json.Unmarshal(b, &d); err != nil {
		return kvRow{}, fmt.Errorf("setting %d: %w (%w)", id, ErrDamaged, err)
	}
	return kvRow{kvKey: kvKey{d.B, d.K}, ID: id, Rev: d.Rev, V: d.V, X: d.X}, nil
}

func putKV(ctx context.Context, tx *sql.Tx, r kvRow) error {
	return putRow(ctx, tx, "kv", r.ID, r.encode())
}

// KV returns the value last put under the key.
func (s *Store) KV(bucket, key string) ([]byte, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.kv[kvKey{bucket, key}]
	if r == nil {
		return nil, false
	}
	return slices.Clone(r.value()), true
}

// KVs yields the keys and values of a bucket, sorted by key.
func (s *Store) KVs(bucket string) iter.Seq2[string, []byte] {
	s.mu.Lock()
	type pair struct {
		k string
		v []byte
	}
	var all []pair
	for k, r := range s.kv {
		if k.Bucket == bucket {
			all = append(all, pair{k.Key, slices.Clone(r.value())})
		}
	}
	s.mu.Unlock()
	sort.Slice(all, func(i, j int) bool { return all[i].k < all[j].k })
	return func(yield func(string, []byte) bool) {
		for _, p := range all {
			if !yield(p.k, p.v) {
				return
			}
		}
	}
}

// PutKV keeps a small value; it is on disk before PutKV returns. Buckets used
// by the store itself are "alert", "outbox", "cursor", "meta",
// "probe-number", "probe", "setting", "text" and "token".
func (s *Store) PutKV(ctx context.Context, bucket, key string, value []byte) error {
	return s.kvPut(ctx, bucket, key, value)
}

// DeleteKV removes a value; removing what is not there is no error.
func (s *Store) DeleteKV(ctx context.Context, bucket, key string) error {
	return s.kvDo(ctx, []kvOp{{kvKey{bucket, key}, nil}})
}

type kvOp struct {
	kvKey
	v []byte // nil deletes
}

func (s *Store) kvPut(ctx context.Context, bucket, key string, v []byte) error {
	if v == nil {
		v = []byte{}
	}
	return s.kvDo(ctx, []kvOp{{kvKey{bucket, key}, v}})
}

// dirtyRows are the settings that wait for the disk; mu is held.
func (s *Store) dirtyRows() []kvRow {
	var rows []kvRow
	for k := range s.kvDirty {
		rows = append(rows, *s.kv[k])
	}
	return rows
}

// wroteRows notes that rows are on disk, but for what changed since; mu is held.
func (s *Store) wroteRows(rows []kvRow) {
	for _, r := range rows {
		if s.kv[r.kvKey] == nil || s.kv[r.kvKey].Rev == r.Rev {
			delete(s.kvDirty, r.kvKey)
		}
	}
}

func putKVs(ctx context.Context, tx *sql.Tx, rows []kvRow) error {
	for _, r := range rows {
		if err := putKV(ctx, tx, r); err != nil {
			return err
		}
	}
	return nil
}

// kvDo writes all operations in one durable transaction.
func (s *Store) kvDo(ctx context.Context, ops []kvOp) error {
	if err := s.dbmu.LockFor(ctx); err != nil {
		return fmt.Errorf("history: settings: %w", err)
	}
	defer s.dbmu.Unlock()
	rows := s.numbered(ops)
	for i, r := range rows {
		if !journaled(r.Bucket) || r.ID == 0 {
			continue
		}
		tag := byte(journalPut)
		if ops[i].v == nil {
			tag = journalDelete
		}
		s.double = append(s.double, journalRec{tag: tag, id: r.ID, body: r.encode()})
	}
	err := s.write(ctx, func(tx *sql.Tx) (err error) {
		for i, r := range rows {
			if ops[i].v != nil {
				err = putKV(ctx, tx, r)
			} else if r.ID != 0 {
				err = delRow(ctx, tx, "kv", r.ID)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		s.double = nil // not acknowledged: not for the journal either
		return fmt.Errorf("history: settings: %w", err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, o := range ops {
		delete(s.kvDirty, o.kvKey)
		if o.v == nil {
			delete(s.kv, o.kvKey)
			continue
		}
		if now := s.kv[o.kvKey]; now != nil && now.Rev > rows[i].Rev {
			// kvLater came in between and is newer: it stays dirty.
			now.ID = rows[i].ID
			s.kvDirty[o.kvKey] = true
			continue
		}
		s.kv[o.kvKey] = &rows[i]
	}
	return nil
}

// numbered makes a row for each operation. A deletion's row has no value, but a
// revision higher than the one it removes; its ID is 0 if there is nothing to
// remove.
func (s *Store) numbered(ops []kvOp) []kvRow {
	s.mu.Lock()
	defer s.mu.Unlock()
	rows := make([]kvRow, len(ops))
	for i, o := range ops {
		rows[i] = s.nextRow(o.kvKey, o.v)
	}
	return rows
}

// nextRow is a setting's next row: a nil value removes it. mu is held.
func (s *Store) nextRow(k kvKey, v []byte) kvRow {
	r := kvRow{kvKey: k}
	if old := s.kv[k]; old != nil {
		r.ID = old.ID
	} else if v != nil {
		s.kvNext++
		r.ID = s.kvNext
	}
	s.kvRev++
	r.Rev = s.kvRev
	if v != nil {
		r.set(v)
	}
	return r
}

// kvLater sets a value that reaches the disk with the next commit of
// readings; mu is held.
func (s *Store) kvLater(bucket, key string, v []byte) {
	k := kvKey{bucket, key}
	old := s.kv[k]
	if old != nil && bytes.Equal(old.value(), v) {
		return
	}
	r := s.nextRow(k, v)
	s.kv[k] = &r
	s.kvDirty[k] = true
}

func (s *Store) metaString(key string) string {
	b, ok := s.KV("meta", key)
	if !ok {
		return ""
	}
	var x string
	if json.Unmarshal(b, &x) != nil {
		return ""
	}
	return x
}

// LoadAlerts returns the bodies of all saved alerts, by id.
func (s *Store) LoadAlerts(ctx context.Context) ([][]byte, error) {
	return s.bodies(ctx, "alert")
}

// DeleteAlert forgets an alert.
func (s *Store) DeleteAlert(ctx context.Context, id string) error {
	return s.DeleteKV(ctx, "alert", id)
}

// SaveAlerts keeps the states of alerts by id and waiting messages by key, and
// drops the messages that are done with, all in one transaction. It is on disk
// before SaveAlerts returns.
func (s *Store) SaveAlerts(ctx context.Context, alerts, outbox map[string][]byte, done []string) error {
	ops := make([]kvOp, 0, len(alerts)+len(outbox)+len(done))
	put := func(bucket string, bodies map[string][]byte) {
		for _, k := range slices.Sorted(maps.Keys(bodies)) {
			ops = append(ops, kvOp{kvKey{bucket, k}, bodies[k]})
		}
	}
	put("alert", alerts)
	put("outbox", outbox)
	for _, k := range done {
		ops = append(ops, kvOp{kvKey{"outbox", k}, nil})
	}
	return s.kvDo(ctx, ops)
}

// LoadOutbox returns the bodies of all waiting messages, by key.
func (s *Store) LoadOutbox(ctx context.Context) ([][]byte, error) { return s.bodies(ctx, "outbox") }

func (s *Store) bodies(ctx context.Context, bucket string) ([][]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	var out [][]byte
	for _, b := range s.KVs(bucket) {
		out = append(out, shortTexts(b))
	}
	return out, nil
}

// Event is one line of the log: a clock step, a boot, the heater switched, an
// acknowledgement.
type Event struct {
	At      time.Time `json:"at"`
	Kind    string    `json:"kind"`
	Subject string    `json:"subject,omitempty"`
	Text    string    `json:"text"`
	By      string    `json:"by,omitempty"`
	Boot    string    `json:"boot,omitempty"`      // when the clock was not trusted
	UpMS    int64     `json:"uptime_ms,omitempty"` // then: uptime
}

type eventRow struct {
	id   int64
	body []byte
}

// eventID orders events by time: 2^12 of them fit into a millisecond.
func eventID(ms int64, n int64) int64 { return max(ms, 0)<<12 | n }

func putEvent(ctx context.Context, tx *sql.Tx, e eventRow) error {
	for n := range int64(1 << 12) {
		id := e.id + n
		res, err := tx.ExecContext(ctx, "INSERT OR IGNORE INTO events (id, body, crc) VALUES (?, ?, ?)", id, e.body, int64(rowSum('e', id, e.body)))
		if err != nil {
			return err
		}
		if k, err := res.RowsAffected(); err != nil || k == 1 {
			return err
		}
	}
	return nil // 4096 events in one millisecond: a flood, of which no more are kept
}

// AddEvent logs an event. It never waits for the disk: events are written
// with the next flush of readings.
func (s *Store) AddEvent(kind, subject, text string, at time.Time, by string) {
	e := Event{At: at.UTC(), Kind: kind, Subject: subject, Text: text, By: by}
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.trusted {
		e.Boot, e.UpMS = s.opts.Boot, s.uptimeOf(at).Milliseconds()
	}
	b, err := json.Marshal(e)
	if err != nil {
		return // a time beyond year 9999
	}
	if len(s.events) >= 10_000 {
		s.events = s.events[1:] // the disk is away: keep the newest
	}
	s.events = append(s.events, eventRow{eventID(at.UnixMilli(), 0), b})
	s.waiting()
}

// Events returns the log between two times, oldest first, at most limit
// entries (the newest ones; 0 means 1000). A zero time means no bound.
func (s *Store) Events(ctx context.Context, from, to time.Time, limit int) ([]Event, error) {
	if err := s.flushQuiet(ctx); err != nil && ctx.Err() != nil {
		return nil, err
	}
	if limit <= 0 {
		limit = 1000
	}
	lo, hi := int64(0), maxID
	if !from.IsZero() {
		lo = eventID(from.UnixMilli(), 0)
	}
	if !to.IsZero() {
		hi = eventID(to.UnixMilli()+1, 0) - 1
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	var out []Event
	err := s.eachEvent(ctx, func(_ int64, e Event, ok bool) {
		if ok {
			out = append(out, e)
		}
	}, "id BETWEEN ? AND ? ORDER BY id DESC LIMIT ?", lo, hi, limit)
	if err != nil {
		return nil, fmt.Errorf("history: events: %w", err)
	}
	slices.Reverse(out)
	// Those that could not be written yet.
	s.mu.Lock()
	for _, r := range s.events {
		var e Event
		if r.id >= lo && r.id <= hi && json.Unmarshal(r.body, &e) == nil {
			out = append(out, e)
		}
	}
	s.mu.Unlock()
	slices.SortStableFunc(out, func(a, b Event) int { return a.At.Compare(b.At) })
	if len(out) > limit {
		out = out[len(out)-limit:]
	}
	return out, nil
}

// eachEvent calls f for each event that a query's end asks for; ok is false for
// one that is damaged. dbmu is held.
func (s *Store) eachEvent(ctx context.Context, f func(id int64, e Event, ok bool), where string, args ...any) error {
	if s.closed {
		return ErrClosed
	}
	rows, err := s.db.QueryContext(ctx, "SELECT id, body, crc FROM events WHERE "+where, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var id, crc int64
		var body []byte
		if err := rows.Scan(&id, &body, &crc); err != nil {
			return err
		}
		var e Event
		ok := crc == int64(rowSum('e', id, body)) && json.Unmarshal(body, &e) == nil
		f(id, e, ok)
	}
	return rows.Err()
}

// flushQuiet flushes unless the disk is known to be away.
func (s *Store) flushQuiet(ctx context.Context) error {
	s.mu.Lock()
	skip := s.failing != nil || s.readOnly || len(s.events) == 0
	s.mu.Unlock()
	if skip {
		return nil
	}
	return s.flush(ctx)
}

// ProbeMeta is what the person said about a probe.
type ProbeMeta struct {
	Name     string `json:"name,omitempty"`
	Role     string `json:"role,omitempty"` // air, panel, pot, outdoor, tent
	Panel    string `json:"panel,omitempty"`
	Driver   string `json:"driver,omitempty"`
	Accepted bool   `json:"accepted"`
}

// SetProbe keeps what is known about a probe, durably.
func (s *Store) SetProbe(ctx context.Context, id string, m ProbeMeta) error {
	b, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("history: probe %s: %w", id, err)
	}
	return s.kvPut(ctx, "probe", id, b)
}

// ForgetProbe drops what is known about a probe; its readings stay. Forgetting
// one that is not known does nothing.
func (s *Store) ForgetProbe(ctx context.Context, id string) error {
	if _, ok := s.KV("probe", id); !ok {
		return nil
	}
	return s.DeleteKV(ctx, "probe", id)
}

// ProbeMetas returns what is known about every probe, by id.
func (s *Store) ProbeMetas() map[string]ProbeMeta {
	out := map[string]ProbeMeta{}
	for k, b := range s.KVs("probe") {
		var m ProbeMeta
		if json.Unmarshal(b, &m) == nil {
			out[k] = m
		}
	}
	return out
}

// Setting returns a setting kept as plain text, "" when it was never set.
func (s *Store) Setting(ctx context.Context, key string) (string, error) {
	if err := ctx.Err(); err != nil {
		return "", err
	}
	b, _ := s.KV("text", key)
	return string(b), nil
}

// SetSetting keeps a setting as plain text, durably.
func (s *Store) SetSetting(ctx context.Context, key, value string) error {
	return s.kvPut(ctx, "text", key, []byte(value))
}

// ReadSetting reads a setting as JSON into v; false means it was never set or
// does not fit.
func (s *Store) ReadSetting(key string, v any) bool {
	b, ok := s.KV("setting", key)
	return ok && json.Unmarshal(b, v) == nil
}

// WriteSetting keeps a setting as JSON, durably.
func (s *Store) WriteSetting(ctx context.Context, key string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("history: setting %s: %w", key, err)
	}
	return s.kvPut(ctx, "setting", key, b)
}

// Token is a key to the log-in gate; the secret itself is never stored, only
// its SHA-256.
type Token struct {
	ID      string     `json:"id"`
	Name    string     `json:"name"`
	Role    string     `json:"role"`
	Hash    string     `json:"hash"` // hex
	Made    time.Time  `json:"made"`
	Used    *time.Time `json:"used,omitempty"`
	Expires *time.Time `json:"expires,omitempty"`
	Revoked *time.Time `json:"revoked,omitempty"`

	// Days is how many days it is good for; 0 means as long as it is used.
	Days int `json:"days,omitempty"`
	// MadeRan and UsedRan are how long the daemon had run in all, in seconds,
	// when it was made and last used: no step of a clock is in them.
	MadeRan int64 `json:"made_ran_s,omitempty"`
	UsedRan int64 `json:"used_ran_s,omitempty"`
}

// PutToken keeps a token, durably.
func (s *Store) PutToken(ctx context.Context, t Token) error {
	b, err := json.Marshal(t)
	if err != nil {
		return fmt.Errorf("history: token %s: %w", t.ID, err)
	}
	return s.kvPut(ctx, "token", t.ID, b)
}

// Tokens lists all tokens, revoked ones too, by id.
func (s *Store) Tokens() []Token {
	var out []Token
	for _, b := range s.KVs("token") {
		var t Token
		if json.Unmarshal(b, &t) == nil {
			out = append(out, t)
		}
	}
	return out
}

// TokenByHash finds a token that was not revoked. Whether its time is over is
// for the caller to say, who knows which clock can be believed.
func (s *Store) TokenByHash(hash string) (Token, bool) {
	for _, t := range s.Tokens() {
		if t.Hash == hash && hash != "" {
			return t, t.Revoked == nil
		}
	}
	return Token{}, false
}

// DeleteToken forgets a token, durably; one that is not there is no error.
func (s *Store) DeleteToken(ctx context.Context, id string) error {
	return s.DeleteKV(ctx, "token", id)
}

// UseToken notes when a token was last used, by the clock and by how long the
// daemon had run; it reaches the disk with the next flush, at most once an
// hour, and never undoes a revocation.
func (s *Store) UseToken(id string, at time.Time, ran time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.kv[kvKey{"token", id}]
	if r == nil {
		return
	}
	var t Token
	if json.Unmarshal(r.value(), &t) != nil {
		return
	}
	if t.Used != nil && ran-time.Duration(t.UsedRan)*time.Second < time.Hour && at.Sub(*t.Used).Abs() < time.Hour {
		return
	}
	at = at.UTC()
	t.Used, t.UsedRan = &at, max(t.UsedRan, int64(ran/time.Second))
	b, err := json.Marshal(t)
	if err != nil {
		return
	}
	s.kvLater("token", id, b)
	s.waiting()
}

// token reads a token; mu is held.
func (s *Store) token(id string) (t Token, ok bool) {
	r := s.kv[kvKey{"token", id}]
	return t, r != nil && json.Unmarshal(r.value(), &t) == nil
}

// tokenLater has the next commit write a token; mu is held.
func (s *Store) tokenLater(t Token) {
	if b, err := json.Marshal(t); err == nil {
		s.kvLater("token", t.ID, b)
		s.waiting()
	}
}

// RevokeToken ends a token. It is shut out before RevokeToken does anything
// else, whatever else writes to it at the same time. Then it is made to last:
// in the database, or on a full card in the revocations page. The error is nil
// once one of them has it; with an error the token is shut out until the next
// start, and written as soon as there is room.
func (s *Store) RevokeToken(ctx context.Context, id string, at time.Time) error {
	s.mu.Lock()
	if !s.revoke(id, at) {
		s.mu.Unlock()
		return fmt.Errorf("history: token %s: %w", id, ErrNotFound)
	}
	if !slices.Contains(s.revoking, id) {
		s.revoking = append(s.revoking, id)
	}
	body := slices.Clone(s.kv[kvKey{"token", id}].value())
	s.mu.Unlock()
	err := s.kvPut(ctx, "token", id, body)
	s.page.Lock() // the card may hang: never under mu
	defer s.page.Unlock()
	s.mu.Lock()
	if err == nil {
		s.revoking = slices.DeleteFunc(s.revoking, func(x string) bool { return x == id })
	}
	ids := slices.Clone(s.revoking)
	s.mu.Unlock()
	if err == nil || s.writeRevoked(ids) == nil {
		return nil
	}
	return fmt.Errorf("history: token %s is shut out, but not for good yet: %w", id, err)
}
