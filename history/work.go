// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
)

// idemFor is how long a key that makes a repeat harmless is remembered.
const idemFor = 7 * 24 * time.Hour

type workKey struct{ kind, id string }

// record is the current state of one record of work.
type record struct {
	body    json.RawMessage
	version int
	deleted bool
	made    int64 // row number of its first version: order of entry
	rows    []int64
	value   any       // the body decoded, by Work; nil until asked for
	at      time.Time // when its last version was entered; zero without a date
}

type idemRow struct {
	id    string
	kind  string // of the record; "" for an entry of several
	print string // of what the key was used for
	at    time.Time
	seen  time.Time // by this process: its monotonic part outlives a step of the clock
}

// repeat finds the id that an idempotency key was first used for; mu is held.
// What stands behind a blank in a key is a print of the request: the same key
// with another print is [ErrKeyUsed]. A record that was made by the key and is
// void since is [ErrVoid], with who did that and when.
func (s *Store) repeat(key string, at time.Time) (string, bool, error) {
	name, print, _ := strings.Cut(key, " ")
	r, ok := s.idem[name]
	if !ok || name == "" || (at.Sub(r.at) >= idemFor && time.Since(r.seen) >= idemFor) {
		return "", false, nil
	}
	if r.print != print && r.print != "" && print != "" {
		return "", true, fmt.Errorf("history: %w", ErrKeyUsed)
	}
	return r.id, true, nil
}

// voided says who made a record void in a row, and when; dbmu is held.
func (s *Store) voided(ctx context.Context, kind, id string, row int64) error {
	cs, err := s.changes(ctx, row, row, map[int64]bool{row: true})
	if err != nil {
		return err
	}
	if len(cs) == 0 {
		return fmt.Errorf("%w: %s %s was entered by this and taken out since", ErrVoid, kind, id)
	}
	return fmt.Errorf("%w: %s %s was entered by this and taken out by %s on %s", ErrVoid, kind, id, cs[0].By, cs[0].At.Format(time.RFC3339))
}

// workDisk is one version as it lies on disk.
type workDisk struct {
	Kind    string          `json:"kind"`
	ID      string          `json:"id"`
	Version int             `json:"version"`
	Op      string          `json:"op"`
	At      time.Time       `json:"at"`
	By      string          `json:"by"`
	Key     string          `json:"key,omitempty"`
	Boot    string          `json:"boot,omitempty"`    // entered under a clock not trusted
	ZeroMS  int64           `json:"zero_ms,omitempty"` // then: wall time it gave to uptime zero
	Entry   int64           `json:"entry,omitempty"`   // first row of the entry that it is part of; 0: itself
	Say     string          `json:"say,omitempty"`     // on an entry's first row: what was entered, in words
	Undoes  int64           `json:"undoes,omitempty"`  // on an entry's first row: the entry that it takes back
	Auto    bool            `json:"auto,omitempty"`    // made by the store or its clock, not by a person
	Body    json.RawMessage `json:"body"`
}

// Change is one version of one record of work.
type Change = coat.Change

// CreateWork stores a new record of a kind (piece, panel, batch, coat, feel,
// stock, resin, or another word) and returns its id; with id "" it makes a short one
// such as coat-12. A known idempotency key returns the id of the first call
// and created false. body is a JSON object; its "id" is set (a resin's
// "name"). The record is on disk before CreateWork returns. Errors:
// [ErrExists], [ErrDiskFull], [ErrReadOnly], or what is wrong with the body.
func (s *Store) CreateWork(ctx context.Context, kind, id string, body []byte, by string, at time.Time, idemKey string) (string, bool, error) {
	if err := s.dbmu.LockFor(ctx); err != nil {
		return "", false, fmt.Errorf("history: %s: %w", kind, err)
	}
	defer s.dbmu.Unlock()
	s.mu.Lock()
	if first, ok, err := s.repeat(idemKey, at); ok {
		r := s.work[workKey{kind, first}]
		last := int64(0) // row of the version that took it out
		if err == nil && r != nil && r.deleted {
			last = r.rows[len(r.rows)-1]
		}
		s.mu.Unlock()
		if last != 0 {
			err = s.voided(ctx, kind, first, last)
		}
		return first, false, err
	}
	if id == "" {
		id = s.shortID(kind, 1)
	}
	_, exists := s.work[workKey{kind, id}]
	s.mu.Unlock()
	if exists {
		return id, false, fmt.Errorf("history: %s %s: %w", kind, id, ErrExists)
	}
	full, err := withID(kind, id, body)
	if err == nil {
		err = checkBody(kind, full)
	}
	if err != nil {
		return "", false, fmt.Errorf("history: %s: %w", kind, err)
	}
	_, err = s.appendRows(ctx, []workDisk{{Kind: kind, ID: id, Version: 1, Op: "create", At: at.UTC(), By: by, Key: idemKey, Body: full}})
	if err != nil {
		return "", false, fmt.Errorf("history: %s %s: %w", kind, id, err)
	}
	return id, true, nil
}

// PatchWork appends a correction: the record after the JSON merge patch (RFC
// 7396: null removes a field). check, when not nil, may refuse the merged
// record; nothing is stored then. check may call [Store.Work] and
// [Store.Record] but nothing that writes. The correction is on disk before PatchWork
// returns. Repeating an idempotency key does nothing.
func (s *Store) PatchWork(ctx context.Context, kind, id string, patch []byte, by string, at time.Time, idemKey string, check func(merged []byte) error) error {
	return s.amend(ctx, workDisk{Kind: kind, ID: id, Op: "patch", At: at.UTC(), By: by, Key: idemKey}, func(body []byte) ([]byte, error) {
		merged, err := MergePatch(body, patch)
		if err == nil {
			merged, err = withID(kind, id, merged)
		}
		if err == nil {
			err = checkBody(kind, merged)
		}
		if err != nil {
			return nil, fmt.Errorf("history: %s %s: %w", kind, id, err)
		}
		if check != nil {
			err = check(merged) // the caller's own words
		}
		return merged, err
	})
}

// DeleteWork appends the note that the record is void; its versions stay.
func (s *Store) DeleteWork(ctx context.Context, kind, id, by string, at time.Time, idemKey string) error {
	return s.amend(ctx, workDisk{Kind: kind, ID: id, Op: "delete", At: at.UTC(), By: by, Key: idemKey}, func(body []byte) ([]byte, error) { return body, nil })
}

// amend appends a version to a record that is there: its body is what next
// makes of the one before.
func (s *Store) amend(ctx context.Context, d workDisk, next func(body []byte) ([]byte, error)) error {
	if err := s.dbmu.LockFor(ctx); err != nil {
		return fmt.Errorf("history: %s: %w", d.Kind, err)
	}
	defer s.dbmu.Unlock()
	s.mu.Lock()
	if _, ok, err := s.repeat(d.Key, d.At); ok {
		s.mu.Unlock()
		return err
	}
	r := s.work[workKey{d.Kind, d.ID}]
	if r == nil || r.deleted {
		s.mu.Unlock()
		return fmt.Errorf("history: %s %s: %w", d.Kind, d.ID, ErrNotFound)
	}
	body := r.body
	d.Version = r.version + 1
	s.mu.Unlock()
	var err error
	if d.Body, err = next(body); err != nil {
		return err
	}
	if _, err := s.appendRows(ctx, []workDisk{d}); err != nil {
		return fmt.Errorf("history: %s %s: %w", d.Kind, d.ID, err)
	}
	return nil
}

// stamp marks a version that is entered now with the boot, where the boot's
// date may still change; mu is held.
func (s *Store) stamp(d *workDisk) {
	switch {
	case s.ownZero != 0: // a phone's date, which a better one may correct
		d.Boot, d.ZeroMS = s.opts.Boot, s.ownZero
	case !s.trusted:
		d.Boot, d.ZeroMS = s.opts.Boot, s.zero()
	default:
		return
	}
	s.ownStamped = true
}

// appendRows writes several versions in one transaction, as one entry, and
// returns its number: its first row. dbmu is held.
func (s *Store) appendRows(ctx context.Context, ds []workDisk) (int64, error) {
	s.mu.Lock()
	first := s.workNext + 1
	for i := range ds {
		if !ds[i].Auto {
			s.stamp(&ds[i])
		}
	}
	s.mu.Unlock()
	bodies := make([][]byte, len(ds))
	for i := range ds {
		if len(ds) > 1 {
			ds[i].Entry = first
		}
		var err error
		if bodies[i], err = json.Marshal(ds[i]); err != nil {
			return 0, err
		}
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		for i, b := range bodies {
			if err := putRow(ctx, tx, "work", first+int64(i), b); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	s.mu.Lock()
	for i, d := range ds {
		s.foldWork(first+int64(i), d)
	}
	s.mu.Unlock()
	return first, nil
}

// foldWork takes one version into the current state; mu is held (or the store
// is not shared yet).
func (s *Store) foldWork(row int64, d workDisk) {
	s.workNext = max(s.workNext, row)
	k := workKey{d.Kind, d.ID}
	r := s.work[k]
	if r == nil {
		r = &record{made: row}
		s.work[k] = r
	}
	r.rows = append(r.rows, row)
	r.value = nil
	if rest, ok := strings.CutPrefix(d.ID, d.Kind+"-"); ok {
		if x, err := strconv.Atoi(rest); err == nil {
			s.lastID[d.Kind] = max(s.lastID[d.Kind], x)
		}
	}
	r.at = time.Time{}
	if d.Boot == "" || d.Auto || d.Boot == s.opts.Boot && s.ownZero != 0 {
		r.at = d.At
	}
	if d.Kind == "coat" { // no look at all the work has to come first
		s.urgent = true
		s.kick()
	}
	r.body, r.version, r.deleted = d.Body, max(d.Version, r.version), d.Op == "delete"
	s.foldEntry(row, d)
	if d.Key != "" {
		row := idemRow{id: d.ID, kind: d.Kind, at: d.At, seen: time.Now()}
		if d.Entry != 0 {
			row.id, row.kind = entryID(d.Entry), ""
		}
		name, print, _ := strings.Cut(d.Key, " ")
		row.print = print
		s.idem[name] = row
		if len(s.idem) > 10_000 {
			maps.DeleteFunc(s.idem, func(_ string, o idemRow) bool { return d.At.Sub(o.at) > idemFor })
		}
	}
	s.workFold = nil
	s.workGen++
}

// shortID makes the nth next short id of a kind; mu is held.
func (s *Store) shortID(kind string, n int) string {
	return fmt.Sprintf("%s-%d", kind, s.lastID[kind]+n)
}

// WorkVersion rises with every change of the record of work.
func (s *Store) WorkVersion() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.workGen
}

// Record returns the current body and version of one record.
func (s *Store) Record(kind, id string) (json.RawMessage, int, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := s.work[workKey{kind, id}]
	if r == nil || r.deleted {
		return nil, 0, false
	}
	return slices.Clone(r.body), r.version, true
}

// Records returns the current bodies of all records of a kind, in the order
// they were entered.
func (s *Store) Records(kind string) []json.RawMessage {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := []json.RawMessage{}
	for _, r := range s.standing() {
		if r.kind == kind {
			out = append(out, slices.Clone(r.body))
		}
	}
	return out
}

// standing is every record that is not void, in the order they were entered;
// mu is held.
func (s *Store) standing() []keyed {
	var all []keyed
	for k, r := range s.work {
		if !r.deleted {
			all = append(all, keyed{k, r})
		}
	}
	slices.SortFunc(all, func(a, b keyed) int { return cmp.Compare(a.made, b.made) })
	return all
}

// keyed is a record with its name.
type keyed struct {
	workKey
	*record
}

// Work returns everything the person entered, current version. The result is
// shared: do not change it.
func (s *Store) Work(ctx context.Context) (*coat.Work, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.workFold != nil {
		return s.workFold, nil
	}
	w := &coat.Work{Resins: map[string]cure.Resin{}}
	for _, r := range s.standing() {
		var err error
		switch r.kind {
		case "piece":
			w.Pieces, err = decoded(w.Pieces, r.record)
		case "panel":
			w.Panels, err = decoded(w.Panels, r.record)
			if n := len(w.Panels); err == nil && w.Panels[n-1].Piece == "" {
				w.Panels[n-1].Piece = w.Panels[n-1].ID
			}
		case "batch":
			w.Batches, err = decoded(w.Batches, r.record)
		case "coat":
			w.Coats, err = decoded(w.Coats, r.record)
		case "feel":
			w.Feels, err = decoded(w.Feels, r.record)
		case "stock":
			w.Stock, err = decoded(w.Stock, r.record)
		case "resin":
			var x cure.Resin
			if err = json.Unmarshal(r.body, &x); err == nil {
				w.Resins[r.id] = x
			}
		}
		if err != nil {
			return nil, fmt.Errorf("history: %s %s: %w", r.kind, r.id, err)
		}
	}
	slices.SortStableFunc(w.Batches, func(a, b coat.Batch) int { return a.Mixed.Compare(b.Mixed) })
	slices.SortStableFunc(w.Coats, func(a, b coat.Coat) int { return a.Applied.Compare(b.Applied) })
	slices.SortStableFunc(w.Feels, func(a, b coat.Feel) int { return a.At.Compare(b.At) })
	s.workFold = w
	return w, nil
}

// decoded appends a record as a value, decoded once for each of its versions: an
// entry must not cost a look at all the others.
func decoded[T any](list []T, r *record) ([]T, error) {
	x, ok := r.value.(T)
	if !ok {
		if err := json.Unmarshal(r.body, &x); err != nil {
			return list, err
		}
		r.value = x
	}
	return append(list, x), nil
}

// fits are the kinds whose bodies are read back as something of ours.
var fits = map[string]func(body []byte) error{
	"piece": readsAs[coat.Piece], "panel": readsAs[coat.Panel], "batch": readsAs[coat.Batch], "coat": readsAs[coat.Coat],
	"feel": readsAs[coat.Feel], "stock": readsAs[coat.Stock], "resin": readsAs[cure.Resin],
}

func readsAs[T any](body []byte) error {
	var x T
	return json.Unmarshal(body, &x)
}

// checkBody refuses what could not be read back.
func checkBody(kind string, body []byte) error {
	if kind == "" {
		return fmt.Errorf("no kind given")
	}
	if f := fits[kind]; f != nil {
		return f(body)
	}
	return nil
}

// Changes returns all versions of a record, oldest first; with id "" those of
// all records of the kind, with kind "" of all. A version whose row was
// damaged is absent.
func (s *Store) Changes(ctx context.Context, kind, id string) ([]Change, error) {
	s.mu.Lock()
	want := map[int64]bool{}
	lo, hi := maxID, int64(0)
	for k, r := range s.work {
		if (kind == "" || k.kind == kind) && (id == "" || k.id == id) {
			for _, n := range r.rows {
				want[n] = true
				lo, hi = min(lo, n), max(hi, n)
			}
		}
	}
	s.mu.Unlock()
	if len(want) == 0 {
		if id != "" {
			return nil, fmt.Errorf("history: %s %s: %w", kind, id, ErrNotFound)
		}
		return nil, nil
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	return s.changes(ctx, lo, hi, want)
}

// changes reads the versions that stand in these rows; dbmu is held.
func (s *Store) changes(ctx context.Context, lo, hi int64, want map[int64]bool) ([]Change, error) {
	if s.closed {
		return nil, ErrClosed
	}
	var out []Change
	err := eachRow(ctx, s.db, "work", lo, hi, func(row int64, body []byte, ok bool) error {
		if !want[row] || !ok {
			return nil
		}
		d, err := readWork(body)
		if err != nil {
			return nil
		}
		out = append(out, Change{Kind: d.Kind, ID: d.ID, Version: d.Version, Op: d.Op, At: d.At, By: d.By, Body: d.Body})
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("history: changes: %w", err)
	}
	return out, nil
}

// withID sets the id (a resin's name) in a JSON object.
func withID(kind, id string, body []byte) (json.RawMessage, error) {
	var m map[string]json.RawMessage
	if err := json.Unmarshal(body, &m); err != nil {
		return nil, fmt.Errorf("body: %w", err)
	}
	if m == nil {
		return nil, fmt.Errorf("body: an object is wanted")
	}
	key := "id"
	if kind == "resin" {
		key = "name"
	}
	b, err := json.Marshal(id)
	if err != nil {
		return nil, err
	}
	m[key] = b
	return json.Marshal(m)
}

// MergePatch applies a JSON merge patch (RFC 7396).
func MergePatch(doc, patch []byte) ([]byte, error) {
	var p any
	if err := decodeNumbers(patch, &p); err != nil {
		return nil, fmt.Errorf("patch: %w", err)
	}
	var d any
	if len(doc) > 0 {
		if err := decodeNumbers(doc, &d); err != nil {
			return nil, fmt.Errorf("record: %w", err)
		}
	}
	return json.Marshal(mergeValue(d, p))
}

func decodeNumbers(b []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber() // digits stay as they were written
	if err := d.Decode(v); err != nil {
		return err
	}
	if d.More() {
		return fmt.Errorf("text after the value")
	}
	return nil
}

func mergeValue(d, p any) any {
	pm, ok := p.(map[string]any)
	if !ok {
		return p
	}
	dm, ok := d.(map[string]any)
	if !ok {
		dm = map[string]any{}
	}
	for k, v := range pm {
		if v == nil {
			delete(dm, k)
		} else {
			dm[k] = mergeValue(dm[k], v)
		}
	}
	return dm
}

// timeFields are where records of work keep clock times.
var timeFields = map[string]bool{"applied": true, "finished": true, "mixed": true, "at": true, "ended": true, "laid": true, "until": true}

// byClock is the author of the corrections that a better date makes.
const byClock = "clock"

// dateWork shifts the times of records that were entered in a boot under
// another date than the one given, by a correction of their own. Only times
// that came into the record in that boot move, and only those that its date
// can have made: a time that somebody typed from a calendar stays.
func (s *Store) dateWork(ctx context.Context, boot string, zero time.Time) (int, error) {
	type history struct {
		before json.RawMessage // the record as it was before this boot
		last   workDisk
	}
	all := map[workKey]history{}
	if err := s.dbmu.LockFor(ctx); err != nil {
		return 0, fmt.Errorf("history: date work: %w", err)
	}
	err := eachRow(ctx, s.db, "work", 0, maxID, func(row int64, body []byte, ok bool) error {
		d, err := readWork(body)
		if !ok || err != nil {
			return nil
		}
		k := workKey{d.Kind, d.ID}
		h := all[k]
		if d.Boot != boot {
			h.before = d.Body
		}
		h.last = d
		all[k] = h
		return nil
	})
	s.dbmu.Unlock()
	if err != nil {
		return 0, fmt.Errorf("history: date work: %w", err)
	}
	var due []history
	for _, h := range all {
		shift := time.Duration(zero.UnixMilli()-h.last.ZeroMS) * time.Millisecond
		if h.last.Boot == boot && h.last.Op != "delete" && shift.Abs() >= sameDate {
			due = append(due, h)
		}
	}
	slices.SortFunc(due, func(a, b history) int {
		return cmp.Or(strings.Compare(a.last.Kind, b.last.Kind), strings.Compare(a.last.ID, b.last.ID))
	})
	n := 0
	for _, h := range due {
		d := h.last
		var v, before any
		if err := decodeNumbers(d.Body, &v); err != nil {
			continue
		}
		if h.before != nil {
			decodeNumbers(h.before, &before)
		}
		wrong := time.UnixMilli(d.ZeroMS)
		shift := zero.Sub(wrong)
		shiftTimes(v, before, shift, wrong.Add(-datedBefore), d.At.Add(datedAfter))
		b, err := json.Marshal(v)
		if err != nil {
			continue
		}
		if err := s.dbmu.LockFor(ctx); err != nil {
			return n, fmt.Errorf("history: date work: %w", err)
		}
		s.mu.Lock()
		r := s.work[workKey{d.Kind, d.ID}]
		same := r != nil && r.version == d.Version && !r.deleted
		s.mu.Unlock()
		if same { // else it was changed meanwhile, under the new date
			// It keeps its boot and the date that it has now: a repeat passes
			// over it, and a still better date moves it again.
			_, err = s.appendRows(ctx, []workDisk{{Kind: d.Kind, ID: d.ID, Version: d.Version + 1, Op: "patch", At: d.At.Add(shift), By: byClock, Boot: boot, ZeroMS: zero.UnixMilli(), Body: b, Auto: true}})
		}
		s.dbmu.Unlock()
		if err != nil {
			return n, fmt.Errorf("history: date %s %s: %w", d.Kind, d.ID, err)
		}
		if same {
			n++
		}
	}
	return n, nil
}

// A time in a record counts as made by a boot's date from this long before
// the boot to this long after the entry: coats are entered in arrears.
const (
	datedBefore = 7 * 24 * time.Hour
	datedAfter  = 24 * time.Hour
)

// shiftTimes moves the times in v that differ from those at the same place in
// before and lie between from and to.
func shiftTimes(v, before any, by time.Duration, from, to time.Time) {
	switch v := v.(type) {
	case map[string]any:
		old, _ := before.(map[string]any)
		for k, x := range v {
			if t, ok := x.(string); ok && timeFields[k] {
				at, err := time.Parse(time.RFC3339Nano, t)
				if err == nil && old[k] != x && !at.Before(from) && !at.After(to) {
					v[k] = at.Add(by).Format(time.RFC3339Nano)
				}
				continue
			}
			shiftTimes(x, old[k], by, from, to)
		}
	case []any:
		old, _ := before.([]any)
		for i, x := range v {
			var o any
			if i < len(old) {
				o = old[i]
			}
			shiftTimes(x, o, by, from, to)
		}
	}
}
