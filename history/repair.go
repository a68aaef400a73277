// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"curewright/model/words"
)

// setAsideRow moves a row that does not check into the quarantine folder;
// dbmu is held (or the store is not shared yet).
func (s *Store) setAsideRow(ctx context.Context, table string, id int64) {
	var body []byte
	var crc any
	err := s.db.QueryRowContext(ctx, "SELECT body, crc FROM "+table+" WHERE id = ?", id).Scan(&body, &crc)
	if errors.Is(err, sql.ErrNoRows) {
		return // another goroutine has set it aside meanwhile
	}
	if err == nil {
		if sum, ok := crc.(int64); ok {
			for _, t := range tables {
				if int64(rowSum(t.tag, id, body)) == sum {
					// A good row of another table: the schema points at the
					// wrong tree, and deleting here would delete there.
					s.mend(ctx, fmt.Errorf("row %d of %s belongs to %s: %w", id, table, t.name, ErrDamaged))
					return
				}
			}
		}
		s.keepAside(table, id, body, crc)
		if !s.readOnly {
			s.write(ctx, func(tx *sql.Tx) error { return delRow(ctx, tx, table, id) })
		}
	}
	s.countAside(1)
	s.addTrouble("table", words.Facts{"table": words.Known("store.of."+table, table)})
}

// mend rebuilds the file while the store is running; dbmu is held. What is in
// memory is written again, so nothing that was known is lost by it.
func (s *Store) mend(ctx context.Context, why error) error {
	if s.readOnly || s.away || time.Since(s.rebuilt) < time.Hour {
		return why
	}
	s.rebuilt = time.Now()
	ctx = context.WithoutCancel(ctx)
	s.db.Close()
	err := s.rebuild(ctx, why)
	db, e := openDB(s.path())
	if e != nil {
		return e
	}
	s.db = db
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.recent = recentHours{} // what could not be read is gone from the file
	for k := range s.kv {
		s.kvDirty[k] = true
	}
	all := s.onDiskTail(func(*probe, rec) bool { return true })
	slices.SortFunc(all, func(a, b pend) int { return cmp.Compare(a.seq, b.seq) })
	n := s.aside
	s.aside = 0
	s.mu.Unlock()
	if _, err := s.reconcile(ctx, true); err != nil {
		return err
	}
	s.tail = tailTable{rows: map[int64]int64{}}
	tail := s.tail.place(all)
	err = s.tryWrite(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM tail"); err != nil {
			return err
		}
		if err := putTail(ctx, tx, tail); err != nil {
			return err
		}
		return s.putLostWork(ctx, tx)
	})
	if err != nil {
		return err
	}
	s.tail.wrote(tail)
	s.identify()
	s.mu.Lock()
	s.waiting()
	s.mu.Unlock()
	s.countAside(uint64(n))
	return nil
}

// putLostWork writes the current version of every record whose row is gone.
func (s *Store) putLostWork(ctx context.Context, tx *sql.Tx) error {
	there := map[int64]bool{}
	err := eachRow(ctx, tx, "work", math.MinInt64, maxID, func(id int64, _ []byte, ok bool) error {
		there[id] = ok
		return nil
	})
	if err != nil {
		return err
	}
	lost := map[int64][]byte{}
	s.mu.Lock()
	for k, r := range s.work {
		row := r.rows[len(r.rows)-1]
		if there[row] {
			continue
		}
		d := workDisk{Kind: k.kind, ID: k.id, Version: r.version, Op: "patch", At: s.opts.Now().UTC(), By: "store", Body: r.body, Auto: true}
		if r.deleted {
			d.Op = "delete"
		}
		if b, err := json.Marshal(d); err == nil {
			lost[row] = b
		}
	}
	s.mu.Unlock()
	for row, b := range lost {
		if err := putRow(ctx, tx, "work", row, b); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) countAside(n uint64) {
	s.mu.Lock()
	s.stats.SetAside += n
	s.kvLater("meta", "set-aside", fmt.Appendf(nil, "%d", s.stats.SetAside))
	s.waiting()
	s.mu.Unlock()
}

// quarantine is the folder of what is set aside; it is made when first wanted.
func (s *Store) quarantine() (string, error) {
	dir := filepath.Join(s.dir, "quarantine")
	return dir, os.MkdirAll(dir, 0o750)
}

// keepAside appends the damaged row to a file that a person can look into.
func (s *Store) keepAside(table string, id int64, body []byte, crc any) {
	dir, err := s.quarantine()
	if err != nil {
		return
	}
	f, err := os.OpenFile(filepath.Join(dir, "rows.jsonl"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o640)
	if err != nil {
		return
	}
	defer f.Close()
	if fi, err := f.Stat(); err == nil && fi.Size() > 16<<20 {
		return // the file is large enough; the count goes on
	}
	b, err := json.Marshal(map[string]any{"found": time.Now().UTC(), "table": table, "id": id, "body": body, "crc": crc})
	if err == nil {
		f.Write(append(b, '\n'))
	}
}

// corrupt notes that SQLite found its own structure damaged; dbmu is held.
func (s *Store) corrupt(err error) {
	if s.mend(s.ctx, err) != nil {
		s.addTrouble("file", nil)
	}
}

// checkPacks checks all packs after opening, a few at a time, so that damage is
// known before the packs are needed.
func (s *Store) checkPacks() {
	next := int64(0)
	pause := time.NewTimer(0)
	defer pause.Stop()
	for {
		select {
		case <-s.ctx.Done():
			return
		case <-pause.C:
		}
		n, err := s.checkSome(&next, 64)
		if errors.Is(err, ErrClosed) {
			return
		}
		if n == 0 {
			s.mu.Lock()
			s.stats.Checked = err == nil
			s.mu.Unlock()
			return
		}
		pause.Reset(20 * time.Millisecond) // lets others use the connection
	}
}

func (s *Store) checkSome(next *int64, limit int) (int, error) {
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	if s.closed {
		return 0, ErrClosed
	}
	n := 0
	var bad []int64
	err := eachRow(s.ctx, s.db, "packs", *next, maxID, func(id int64, body []byte, ok bool) error {
		if n == limit {
			return errStop
		}
		n++
		*next = id + 1
		if !ok {
			bad = append(bad, id)
		}
		return nil
	})
	if isCorrupt(err) {
		err = s.mend(s.ctx, err)
	}
	for _, id := range bad {
		s.setAsideRow(s.ctx, "packs", id)
	}
	if errors.Is(err, errStop) {
		err = nil
	}
	if err != nil {
		return 0, err
	}
	return n, nil
}
