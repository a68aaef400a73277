package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// setAsideRow moves a row that does not check into the quarantine folder;
// dbmu is held (or the store is not shared yet).
func (s *Store) setAsideRow(ctx context.Context, table string, id int64) {
	var body []byte
	var crc any
	err := s.db.QueryRowContext(ctx, "SELECT body, crc FROM "+table+" WHERE id = ?", id).Scan(&body, &crc)
	if errors.Is(err, sql.ErrNoRows) {
		return // set aside by somebody else meanwhile
	}
	if err == nil {
		s.keepAside(table, id, body, crc)
		if !s.readOnly {
			s.write(ctx, func(tx *sql.Tx) error { return delRow(ctx, tx, table, id) })
		}
	}
	s.countAside(1)
	s.addTrouble("Part of the history is damaged (%s) and was set aside; the rest is kept.", aboutTable[table])
}

// aboutTable names what is lost in words for the person.
var aboutTable = map[string]string{
	"work": "an entry of the record of work", "kv": "a setting or an alert", "events": "a line of the log",
	"tail": "up to a minute of readings", "packs": "an hour of a probe's readings", "packlog": "the list for senders",
}

func (s *Store) countAside(n uint64) {
	s.mu.Lock()
	s.stats.SetAside += n
	s.kvLater("meta", "set-aside", fmt.Appendf(nil, "%d", s.stats.SetAside))
	s.waiting()
	s.mu.Unlock()
}

// keepAside appends the damaged row to a file that a person can look into.
func (s *Store) keepAside(table string, id int64, body []byte, crc any) {
	dir := filepath.Join(s.dir, "quarantine")
	if os.MkdirAll(dir, 0o750) != nil {
		return
	}
	f, err := os.OpenFile(filepath.Join(dir, "rows.jsonl"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o640)
	if err != nil {
		return
	}
	defer f.Close()
	if fi, err := f.Stat(); err == nil && fi.Size() > 16<<20 {
		return // enough to look into; the count goes on
	}
	b, err := json.Marshal(map[string]any{"found": time.Now().UTC(), "table": table, "id": id, "body": body, "crc": crc})
	if err == nil {
		f.Write(append(b, '\n'))
	}
}

// corrupt notes that SQLite found its own structure damaged; dbmu is held.
func (s *Store) corrupt(err error) {
	s.addTrouble("The history's file is damaged (%v); what can be read is used.", err)
}

// checkPacks goes through all packs after opening, a few at a time.
func (s *Store) checkPacks() {
	s.mu.Lock()
	s.stats.Checked = true
	s.mu.Unlock()
}
