// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"sort"
	"strconv"
	"time"
)

// The tables; the tag goes into each row's sum.
var tables = []struct {
	name string
	tag  byte
}{
	{"work", 'w'}, {"kv", 'k'}, {"events", 'e'}, {"tail", 't'}, {"packs", 'p'}, {"packlog", 'l'},
}

func tagOf(table string) byte {
	for _, t := range tables {
		if t.name == table {
			return t.tag
		}
	}
	panic("history: no table " + table)
}

func tableOf(tag byte) string {
	for _, t := range tables {
		if t.tag == tag {
			return t.name
		}
	}
	panic("history: no table of tag " + string(tag))
}

// tableSQL is the exact statement that makes a table.
func tableSQL(name string) string {
	return "CREATE TABLE " + name + " (id INTEGER PRIMARY KEY, body BLOB NOT NULL, crc INTEGER NOT NULL)"
}

// migrations bring a file from each schema version to the next.
var migrations = []func(context.Context, *sql.Tx) error{
	// 1: readings, work, settings.
	func(ctx context.Context, tx *sql.Tx) error {
		for _, t := range []string{"work", "kv", "events", "tail", "packs"} {
			if _, err := tx.ExecContext(ctx, tableSQL(t)); err != nil {
				return err
			}
		}
		return nil
	},
	// 2: the log of packs, by which senders find what came after their
	// cursor without a scan.
	func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, tableSQL("packlog")); err != nil {
			return err
		}
		return rebuildPackLog(ctx, tx, 0)
	},
	// 3: the same tables; rows of the tail are written shorter, which an
	// earlier version would take for damage.
	func(context.Context, *sql.Tx) error { return nil },
}

// applicationID marks the file as ours for tools like file(1): "CWRT".
const applicationID = 0x43575254

// pragma reads a number that SQLite keeps of the file.
func pragma(ctx context.Context, db *sql.DB, name string) (n int64, err error) {
	err = db.QueryRowContext(ctx, "PRAGMA "+name).Scan(&n)
	return n, err
}

// migrate makes or upgrades the schema.
func migrate(ctx context.Context, db *sql.DB) error {
	n, err := pragma(ctx, db, "user_version")
	if err != nil {
		return err
	}
	v := int(n)
	if v > len(migrations) {
		// One flipped bit of the header can make this look like a newer file. The
		// same number is also kept in a row with a sum: that one decides.
		if n, ok := schemaInRow(ctx, db); ok && n != v {
			return fmt.Errorf("schema %d in the header, %d in the settings: %w", v, n, ErrDamaged)
		}
		return fmt.Errorf("%w: schema %d, this version knows %d", ErrNewer, v, len(migrations))
	}
	if v == 0 {
		// A file that has our tables but no version has lost its header.
		var n int
		if err := db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&n); err != nil {
			return err
		}
		if n != 0 {
			return fmt.Errorf("schema without a version: %w", ErrDamaged)
		}
	}
	for ; v < len(migrations); v++ {
		err := inTx(ctx, db, func(tx *sql.Tx) error {
			if err := migrations[v](ctx, tx); err != nil {
				return err
			}
			if err := putKV(ctx, tx, schemaRow(v+1)); err != nil {
				return err
			}
			_, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, v+1))
			return err
		})
		if err != nil {
			return fmt.Errorf("schema %d: %w", v+1, err)
		}
	}
	return nil
}

// schemaID is the row that repeats the schema's version under a sum.
const schemaID = 1

func schemaRow(v int) kvRow {
	r := kvRow{ID: schemaID, kvKey: kvKey{"meta", "schema"}, Rev: int64(v)}
	r.set(fmt.Appendf(nil, "%d", v))
	return r
}

func schemaInRow(ctx context.Context, db *sql.DB) (int, bool) {
	var body []byte
	var crc int64
	err := db.QueryRowContext(ctx, "SELECT body, crc FROM kv WHERE id = ?", schemaID).Scan(&body, &crc)
	if err != nil || crc != int64(rowSum('k', schemaID, body)) {
		return 0, false
	}
	r, err := decodeKV(schemaID, body)
	if err != nil {
		return 0, false
	}
	n, err := strconv.Atoi(string(r.value()))
	return n, err == nil
}

// inTx runs f in one transaction: all of it or nothing.
func inTx(ctx context.Context, db *sql.DB, f func(tx *sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		tx.Rollback()
		return err
	}
	if err := tx.Commit(); err != nil {
		tx.Rollback()
		return err
	}
	return nil
}

// putRow writes one row with its sum.
func putRow(ctx context.Context, tx *sql.Tx, table string, id int64, body []byte) error {
	_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO "+table+" (id, body, crc) VALUES (?, ?, ?)",
		id, body, int64(rowSum(tagOf(table), id, body)))
	return err
}

func delRow(ctx context.Context, tx *sql.Tx, table string, id int64) error {
	_, err := tx.ExecContext(ctx, "DELETE FROM "+table+" WHERE id = ?", id)
	return err
}

type querier interface {
	QueryContext(ctx context.Context, q string, args ...any) (*sql.Rows, error)
}

// eachRow calls f for every row of the table with lo ≤ id ≤ hi in order; ok
// says whether its sum is right. It stops at f's first error.
func eachRow(ctx context.Context, q querier, table string, lo, hi int64, f func(id int64, body []byte, ok bool) error) error {
	return eachRowWhere(ctx, q, table, lo, hi, "1", f)
}

func eachRowWhere(ctx context.Context, q querier, table string, lo, hi int64, where string, f func(id int64, body []byte, ok bool) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	// Without cancellation: a query is short, and a context that can end costs a
	// goroutine for each.
	rows, err := q.QueryContext(context.WithoutCancel(ctx), "SELECT id, body, crc FROM "+table+" WHERE id BETWEEN ? AND ? AND "+where+" ORDER BY id", lo, hi)
	if err != nil {
		return err
	}
	defer rows.Close()
	tag := tagOf(table)
	for rows.Next() {
		var id int64
		var body sql.RawBytes
		var crc any
		if err := rows.Scan(&id, &body, &crc); err != nil {
			return err
		}
		sum, isInt := crc.(int64)
		if err := f(id, body, isInt && sum == int64(rowSum(tag, id, body))); err != nil {
			return err
		}
	}
	return rows.Err()
}

// packLog is what one packing wrote.
type packLog struct {
	safe  int64 // every number below it is in this or an earlier packing
	packs []packRef
}

type packRef struct {
	id     int64
	lo, hi int64 // numbers of its first and last reading in order of intake
}

func (p packLog) encode() []byte {
	b := []byte{1}
	b = binary.AppendVarint(b, p.safe)
	b = binary.AppendUvarint(b, uint64(len(p.packs)))
	for _, r := range p.packs {
		b = binary.AppendVarint(b, r.id)
		b = binary.AppendVarint(b, r.lo)
		b = binary.AppendVarint(b, r.hi)
	}
	return b
}

func decodePackLog(b []byte) (packLog, error) {
	r := packReader{b: b}
	if r.byte() != 1 {
		return packLog{}, fmt.Errorf("pack log: version is not known: %w", ErrDamaged)
	}
	p := packLog{safe: r.varint()}
	n := r.uvarint()
	if n > uint64(len(b)) {
		r.fail()
		n = 0
	}
	for range n {
		p.packs = append(p.packs, packRef{r.varint(), r.varint(), r.varint()})
	}
	if r.bad {
		return packLog{}, fmt.Errorf("pack log: cut short: %w", ErrDamaged)
	}
	return p, nil
}

// rebuildPackLog writes the log of packs from the packs themselves. All readings
// with numbers below mark are packed, and no reading of the tail from mark on is.
func rebuildPackLog(ctx context.Context, tx *sql.Tx, mark int64) error {
	unpacked := maxID
	err := eachRow(ctx, tx, "tail", math.MinInt64, maxID, func(id int64, body []byte, _ bool) error {
		ps, _ := decodeTailRow(id, body) // what is damaged is counted where it is loaded
		for _, p := range ps {
			if p.seq >= mark {
				unpacked = min(unpacked, p.seq)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	var refs []packRef
	err = eachRow(ctx, tx, "packs", 0, maxID, func(id int64, body []byte, ok bool) error {
		if !ok {
			return nil
		}
		_, rs, err := unpack(body)
		if err != nil || len(rs) == 0 {
			return nil // counted where packs are checked
		}
		refs = append(refs, refOf(id, rs))
		return nil
	})
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, "DELETE FROM packlog"); err != nil {
		return err
	}
	sort.Slice(refs, func(i, j int) bool { return refs[i].hi < refs[j].hi })
	for len(refs) > 0 {
		n := min(len(refs), 64)
		hi := refs[n-1].hi
		// Later packs may hold lower numbers: safe must be below all of these.
		safe := min(hi+1, unpacked)
		for _, r := range refs[n:] {
			safe = min(safe, r.lo)
		}
		if n == len(refs) {
			safe = max(safe, mark)
		}
		if err := putRow(ctx, tx, "packlog", hi, packLog{safe, refs[:n]}.encode()); err != nil {
			return err
		}
		refs = refs[n:]
	}
	return nil
}

func refOf(id int64, rs []rec) packRef {
	r := packRef{id: id, lo: rs[0].seq, hi: rs[0].seq}
	for _, x := range rs {
		r.lo, r.hi = min(r.lo, x.seq), max(r.hi, x.seq)
	}
	return r
}

const maxID = int64(^uint64(0) >> 1)

// open opens the database, checks it, and loads what is kept in memory.
func (s *Store) open() error {
	ctx := context.Background()
	if s.lockErr != nil {
		return s.openElsewhere(ctx, s.lockErr)
	}
	var err error
	_, none := os.Stat(s.path())
	for try := range 3 {
		if err = s.inspect(); err == nil {
			err = s.openOnce(ctx)
		}
		if err == nil {
			break
		}
		if errors.Is(err, ErrNewer) {
			return err
		}
		if errors.Is(err, ErrDiskFull) || errors.Is(err, ErrReadOnly) || errors.Is(err, fs.ErrPermission) {
			return s.openElsewhere(ctx, err)
		}
		if try == 2 {
			// Rebuilt and it still cannot be opened. This was never seen, but the
			// store has to start.
			return s.openElsewhere(ctx, err)
		}
		if e := s.rebuild(ctx, err); e != nil {
			return s.openElsewhere(ctx, e)
		}
	}
	s.stats.CleanStop = s.metaString("stop") == "clean" || none != nil
	if b, ok := s.KV("meta", "set-aside"); ok {
		s.stats.SetAside, _ = strconv.ParseUint(string(b), 10, 64)
	}
	s.sayRestored(s.restored)
	if s.restored.work+s.restored.other > 0 && s.aside == 0 {
		s.aside = 1
	}
	if s.aside > 0 {
		s.countAside(uint64(s.aside))
		s.AddEvent("store", "", s.Trouble(), s.opts.Now(), "")
	}
	if err := s.kvPut(ctx, "meta", "stop", []byte(`"open"`)); err != nil && !errors.Is(err, ErrDiskFull) && !errors.Is(err, ErrReadOnly) {
		return err
	}
	s.takeRevoked()
	s.makeReserve()
	s.identify()
	return nil
}

// openOnce opens the file as it is; any error but of the disk or a newer
// schema means that it is damaged.
func (s *Store) openOnce(ctx context.Context) (err error) {
	db, err := openDB(s.path())
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			db.Close()
			s.db = nil
			s.forget()
			err = diskError(err)
		}
	}()
	s.db = db
	if err := migrate(ctx, db); err != nil {
		return err
	}
	if fi, err := os.Stat(s.path()); err == nil && fi.Size() <= s.opts.checkLimit {
		if err := quickCheck(ctx, db); err != nil {
			return err
		}
	}
	if !s.readOnly {
		r, err := s.reconcile(ctx, true)
		if err != nil {
			return err
		}
		s.restored = r
	}
	return s.load(ctx)
}

func quickCheck(ctx context.Context, db *sql.DB) error {
	var say string
	if err := db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&say); err != nil {
		return err
	}
	if say != "ok" {
		return fmt.Errorf("check: %s: %w", say, ErrDamaged)
	}
	return nil
}

// openElsewhere serves what can be read from memory while the disk cannot be
// written; every commit tries the disk again.
func (s *Store) openElsewhere(ctx context.Context, why error) error {
	why = diskError(why)
	db, err := openDB(":memory:")
	if err != nil {
		return err
	}
	s.db = db
	recent := floorHour(s.opts.Now().Add(-60 * 24 * time.Hour).UnixMilli())
	if _, _, err := s.salvageInto(ctx, db, recent); err != nil {
		// Not even readable: begin with nothing, in a database of its own.
		db.Close()
		if db, err = openDB(":memory:"); err == nil {
			s.db = db
			err = migrate(ctx, db)
		}
		if err != nil {
			return err
		}
	}
	// What only the journal has is put into memory; nothing is written to disk.
	if r, err := s.reconcile(ctx, false); err == nil {
		s.restored = r
	}
	if err := s.load(ctx); err != nil {
		return err
	}
	s.sayRestored(s.restored)
	s.away = true
	s.takeRevoked()
	if !errors.Is(why, ErrDiskFull) {
		why = fmt.Errorf("%w (%w)", ErrReadOnly, why)
	}
	s.wrote(why)
	return nil
}

// goHome tries to leave the memory for the disk; dbmu is held.
func (s *Store) goHome(ctx context.Context) error {
	lock, err := openLock(s.dir)
	if err != nil {
		return fmt.Errorf("%w (%w)", ErrReadOnly, err)
	}
	if s.lock == nil || s.lockErr != nil {
		if s.lock != nil {
			s.lock.Close()
		}
		s.lock, s.lockErr = lock, nil
	} else {
		lock.Close()
	}
	db, err := openDB(s.path())
	if err != nil {
		return diskError(err)
	}
	if err := migrate(ctx, db); err != nil {
		db.Close()
		return diskError(err)
	}
	s.db.Close()
	s.db, s.away = db, false
	s.identify()
	s.mu.Lock()
	defer s.mu.Unlock()
	for k := range s.kv {
		s.kvDirty[k] = true
	}
	return nil
}

// forget empties the memory for another try at loading.
func (s *Store) forget() {
	s.probes, s.byIdx = map[string]*probe{}, nil
	s.kv, s.kvDirty = map[kvKey]*kvRow{}, map[kvKey]bool{}
	s.work, s.idem, s.workFold = map[workKey]*record{}, map[string]idemRow{}, nil
	s.entries, s.newest = nil, nil
	s.tail, s.tailCount = tailTable{rows: map[int64]int64{}}, 0
	s.lastID = map[string]int{}
	s.hours, s.recent, s.ownZero, s.ownStamped = map[int64]bool{}, recentHours{}, 0, false
	s.nextSeq, s.kvNext, s.kvRev, s.workNext = 0, 0, 0, 0
}
