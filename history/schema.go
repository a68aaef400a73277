package history

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"sort"
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

// migrations bring a file from each schema version to the next.
var migrations = []func(context.Context, *sql.Tx) error{
	// 1: readings, work, settings.
	func(ctx context.Context, tx *sql.Tx) error {
		for _, t := range []string{"work", "kv", "events", "tail", "packs"} {
			if _, err := tx.ExecContext(ctx, "CREATE TABLE "+t+" (id INTEGER PRIMARY KEY, body BLOB NOT NULL, crc INTEGER NOT NULL)"); err != nil {
				return err
			}
		}
		return nil
	},
	// 2: the log of packs, by which senders find what came after their
	// cursor without a scan.
	func(ctx context.Context, tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "CREATE TABLE packlog (id INTEGER PRIMARY KEY, body BLOB NOT NULL, crc INTEGER NOT NULL)"); err != nil {
			return err
		}
		return rebuildPackLog(ctx, tx)
	},
}

// applicationID marks the file as ours for tools like file(1): "CWRT".
const applicationID = 0x43575254

// migrate makes or upgrades the schema.
func migrate(ctx context.Context, db *sql.DB) error {
	var v int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&v); err != nil {
		return err
	}
	if v > len(migrations) {
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
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		err = migrations[v](ctx, tx)
		if err == nil {
			_, err = tx.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, v+1))
		}
		if err == nil {
			err = tx.Commit()
		}
		if err != nil {
			tx.Rollback()
			return fmt.Errorf("schema %d: %w", v+1, err)
		}
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
	rows, err := q.QueryContext(ctx, "SELECT id, body, crc FROM "+table+" WHERE id BETWEEN ? AND ? ORDER BY id", lo, hi)
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

// rebuildPackLog writes the log of packs from the packs themselves.
func rebuildPackLog(ctx context.Context, tx *sql.Tx) error {
	var refs []packRef
	err := eachRow(ctx, tx, "packs", 0, maxID, func(id int64, body []byte, ok bool) error {
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
		// Later packs may hold lower numbers: what is safe is below them all.
		safe := hi + 1
		for _, r := range refs[n:] {
			safe = min(safe, r.lo)
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
	db, err := openDB(s.path())
	if err != nil {
		return err
	}
	s.db = db
	if err := migrate(ctx, db); err != nil {
		db.Close()
		return err
	}
	if err := s.load(ctx); err != nil {
		db.Close()
		return err
	}
	s.stats.CleanStop = s.metaString("stop") != "open"
	if err := s.kvPut(ctx, "meta", "stop", []byte(`"open"`)); err != nil && !errors.Is(err, ErrDiskFull) && !errors.Is(err, ErrReadOnly) {
		db.Close()
		return err
	}
	s.makeReserve()
	return nil
}
