// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"cmp"
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/model/words"
)

// The journal is a second copy of everything that was acknowledged: each
// version of each record of work, and each durable setting, alert, message and
// token. SQLite takes its write-ahead log up to the first bad frame and drops
// the rest without a word; with the journal such a loss is found at the next
// start, said, and put back. It is a plain file that grows at its end and is
// written and synced after the database's commit and before the answer, so it
// never holds what was not acknowledged.
//
// A record is "CWJ1", the length of its body, a running number, the CRC-32C of
// length, number and body (all little-endian), and the body: a tag, the row's
// number and the row as it lies in the database. A reader looks for the next
// record that checks, past whatever is damaged.

// JournalFile is the journal's name in the store's folder.
const JournalFile = "journal"

const (
	journalMagic  = "CWJ1"
	journalHead   = 4 + 4 + 8 + 4
	journalMax    = 8 << 20 // a longer body is damage
	journalWork   = 'w'     // a version of a record of work
	journalPut    = 'k'     // a setting, an alert, a message, a token
	journalDelete = 'd'     // one of these removed
	journalStore  = 'i'     // which store it belongs to
)

// journalAside is the suffix of the old journal's name while a restored copy
// replaces its store, until both are in quarantine.
const journalAside = ".double"

// journalRec is one record of the journal.
type journalRec struct {
	seq  uint64
	tag  byte
	id   int64
	body []byte
}

func (r journalRec) append(b []byte) []byte {
	at := len(b)
	b = append(b, journalMagic...)
	b = binary.LittleEndian.AppendUint32(b, uint32(9+len(r.body)))
	b = binary.LittleEndian.AppendUint64(b, r.seq)
	b = append(b, 0, 0, 0, 0)
	b = append(b, r.tag)
	b = binary.LittleEndian.AppendUint64(b, uint64(r.id))
	b = append(b, r.body...)
	binary.LittleEndian.PutUint32(b[at+16:], journalSum(b[at:]))
	return b
}

// encodeJournal numbers records from seq on and writes them one after the
// other; it returns the number that comes next.
func encodeJournal(recs []journalRec, seq uint64) (b []byte, next uint64) {
	for _, r := range recs {
		r.seq = seq
		seq++
		b = r.append(b)
	}
	return b, seq
}

// journalSum is the CRC-32C of a whole record without its sum.
func journalSum(rec []byte) uint32 {
	return crc32.Update(crc32.Checksum(rec[4:16], castagnoli), castagnoli, rec[journalHead:])
}

// readJournal takes a journal apart. Any bytes give a result: damaged counts
// the places where something between or after good records does not check,
// missing the numbers that are not there, and end is where the last good
// record ends.
func readJournal(b []byte) (recs []journalRec, damaged, missing int, end int) {
	next := uint64(0)
	at := 0
	for at+journalHead <= len(b) {
		if !bytes.HasPrefix(b[at:], []byte(journalMagic)) || !goodRecord(b[at:]) {
			damaged++
			for {
				i := bytes.Index(b[at+1:], []byte(journalMagic))
				if i < 0 {
					return recs, damaged, missing, end
				}
				if at += 1 + i; goodRecord(b[at:]) {
					break
				}
			}
		}
		n := int(binary.LittleEndian.Uint32(b[at+4:]))
		body := b[at+journalHead : at+journalHead+n]
		r := journalRec{seq: binary.LittleEndian.Uint64(b[at+8:]), tag: body[0], id: int64(binary.LittleEndian.Uint64(body[1:])), body: body[9:]}
		if len(recs) > 0 && r.seq > next && r.seq-next < 1<<40 {
			missing += int(r.seq - next)
		}
		next = r.seq + 1
		recs = append(recs, r)
		at += journalHead + n
		end = at
	}
	if at < len(b) && len(b)-at < journalHead {
		damaged++
	}
	return recs, damaged, missing, end
}

// goodRecord reports whether a record that checks begins here.
func goodRecord(b []byte) bool {
	if len(b) < journalHead+9 {
		return false
	}
	n := int64(binary.LittleEndian.Uint32(b[4:]))
	if n < 9 || n > journalMax || journalHead+n > int64(len(b)) {
		return false
	}
	return journalSum(b[:journalHead+n]) == binary.LittleEndian.Uint32(b[16:])
}

// journal is the open journal; dbmu guards it.
type journal struct {
	f       *os.File
	size    int64 // of what is good
	seq     uint64
	work    int64        // rows of work up to this number are in it
	pend    []journalRec // committed in the database, not in the journal yet
	compact int64        // size at which it is written anew
	err     error        // why it could not be written
}

// journaled reports whether a bucket's values are written to the journal too. The
// store's own buckets are not: they are made anew from the rest.
func journaled(bucket string) bool {
	switch bucket {
	case "meta", "cursor", "probe-number":
		return false
	}
	return true
}

func (s *Store) journalPath() string { return filepath.Join(s.dir, JournalFile) }

// journalRestored is what [Store.reconcile] found.
type journalRestored struct {
	work, other int     // rows put back into the database
	lost        []int64 // numbers of entries that are in neither
	damaged     bool    // the journal itself
}

// reconcile compares database and journal at the start: what the database has
// lost is put back, what the journal lacks is appended. dbmu is held, or the
// store is not shared yet. It comes before load.
func (s *Store) reconcile(ctx context.Context, writable bool) (journalRestored, error) {
	var out journalRestored
	file, err := s.readOwnJournal()
	if err != nil {
		return out, err
	}
	db, err := readKept(ctx, s.db)
	if err != nil {
		return out, err
	}
	id, err := s.storeID(ctx, &db, file.id, writable)
	if err != nil {
		return out, err
	}
	if file.id != "" && file.id != id { // a database was put here by hand
		if writable {
			if dir, err := s.quarantine(); err == nil {
				os.Rename(s.journalPath(), filepath.Join(dir, JournalFile+"-"+time.Now().UTC().Format("20060102T150405")))
			}
		}
		file = ownJournal{}
	}
	// A removal has a revision too, and may be the newest of all.
	for _, r := range file.kv {
		s.kvRev = max(s.kvRev, r.Rev)
	}
	for _, rev := range file.gone {
		s.kvRev = max(s.kvRev, rev)
	}
	out.damaged = file.damaged > 0 || file.missing > 0
	if out.work, out.other, err = s.putBack(ctx, db, file); err != nil {
		return out, err
	}
	// Rows of work are numbered without a gap.
	for n := int64(1); n <= max(db.top, file.top); n++ {
		if _, ok := file.work[n]; !ok && !db.work[n] {
			out.lost = append(out.lost, n)
		}
	}
	if !writable {
		return out, nil
	}
	j := &journal{size: file.end, seq: file.next, work: max(db.top, file.top)}
	if j.pend, err = s.journalLacks(ctx, db, file, id); err != nil {
		return out, err
	}
	s.closeJournal()
	s.journal = j
	if out.damaged && file.end < file.size || file.size > 0 && file.end == 0 {
		s.log.Warn("history: the journal had a damaged place", "places", file.damaged, "missing", file.missing)
	}
	return out, nil
}

// ownJournal is what the journal in the folder says.
type ownJournal struct {
	id               string           // of the store it belongs to, "" where it does not say
	work             map[int64][]byte // versions of records of work
	top              int64            // the highest number of these
	kv               map[kvKey]kvRow  // the newest value of each setting, removed ones included
	gone             map[kvKey]int64  // revision at which it was last removed
	next             uint64           // number of the next record; 0: there is none yet
	damaged, missing int              // as [readJournal] counts
	size, end        int64            // in bytes, and up to the last good record
}

// readOwnJournal reads the journal in the folder; one that is not there is
// empty.
func (s *Store) readOwnJournal() (ownJournal, error) {
	b, err := os.ReadFile(s.journalPath())
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return ownJournal{}, osError(err)
	}
	recs, damaged, missing, end := readJournal(b)
	j := ownJournal{damaged: damaged, missing: missing, size: int64(len(b)), end: int64(end),
		work: map[int64][]byte{}, kv: map[kvKey]kvRow{}, gone: map[kvKey]int64{}}
	for _, r := range recs {
		j.next = r.seq + 1
		switch r.tag {
		case journalStore:
			j.id = cmp.Or(j.id, string(r.body))
		case journalWork:
			j.work[r.id] = r.body
			j.top = max(j.top, r.id)
		case journalPut, journalDelete:
			row, err := decodeKV(r.id, r.body)
			if err != nil {
				continue
			}
			if r.tag == journalDelete {
				j.gone[row.kvKey] = max(j.gone[row.kvKey], row.Rev)
			} else if old, ok := j.kv[row.kvKey]; !ok || old.Rev < row.Rev {
				j.kv[row.kvKey] = row
			}
		}
	}
	return j, nil
}

// kept is the part of a database that is in the journal too.
type kept struct {
	work   map[int64]bool // rows of work, and whether their sums are right
	top    int64          // the highest number of these
	kv     map[kvKey]kvRow
	lastID int64 // the highest number of a setting's row
}

func readKept(ctx context.Context, db querier) (kept, error) {
	k := kept{work: map[int64]bool{}, kv: map[kvKey]kvRow{}, lastID: schemaID}
	err := eachRow(ctx, db, "work", math.MinInt64, maxID, func(id int64, _ []byte, ok bool) error {
		k.work[id] = ok
		k.top = max(k.top, id)
		return nil
	})
	if err != nil {
		return k, err
	}
	err = eachRow(ctx, db, "kv", math.MinInt64, maxID, func(id int64, body []byte, ok bool) error {
		k.lastID = max(k.lastID, id)
		if r, err := decodeKV(id, body); ok && err == nil {
			if old, there := k.kv[r.kvKey]; !there || old.Rev < r.Rev {
				k.kv[r.kvKey] = r
			}
		}
		return nil
	})
	return k, err
}

// storeID returns this store's lasting id: from the database; if that row was lost,
// from the journal; else a new one, which it writes to the database.
func (s *Store) storeID(ctx context.Context, db *kept, journal string, writable bool) (string, error) {
	key := kvKey{"meta", "store-id"}
	if r, ok := db.kv[key]; ok {
		return strings.Trim(string(r.value()), `"`), nil
	}
	if !writable {
		return journal, nil
	}
	id := journal
	if id == "" {
		b := make([]byte, 8)
		rand.Read(b)
		id = hex.EncodeToString(b)
	}
	db.lastID++
	r := kvRow{ID: db.lastID, kvKey: key, Rev: 1}
	r.set(fmt.Appendf(nil, "%q", id))
	db.kv[key] = r
	return id, inTx(ctx, s.db, func(tx *sql.Tx) error { return putKV(ctx, tx, r) })
}

// putBack writes into the database what only the journal has: versions of work,
// and settings whose newer state it knows. It says how many of each.
func (s *Store) putBack(ctx context.Context, db kept, file ownJournal) (work, other int, err error) {
	rows := map[int64][]byte{}
	for id, body := range file.work {
		if !db.work[id] && json.Valid(body) {
			rows[id] = body
		}
	}
	var put []kvRow
	for k, r := range file.kv {
		old, there := db.kv[k]
		if file.gone[k] > r.Rev || there && old.Rev >= r.Rev {
			continue
		}
		r.ID = old.ID
		if !there {
			db.lastID++
			r.ID = db.lastID
		}
		put = append(put, r)
	}
	var del []int64
	for k, rev := range file.gone {
		if old, there := db.kv[k]; there && old.Rev < rev && file.kv[k].Rev < rev {
			del = append(del, old.ID)
		}
	}
	work, other = len(rows), len(put)+len(del)
	if work+other == 0 {
		return 0, 0, nil
	}
	return work, other, inTx(ctx, s.db, func(tx *sql.Tx) error {
		for id, body := range rows {
			if err := putRow(ctx, tx, "work", id, body); err != nil {
				return err
			}
		}
		for _, id := range del {
			if err := delRow(ctx, tx, "kv", id); err != nil {
				return err
			}
		}
		return putKVs(ctx, tx, put)
	})
}

// journalLacks is what the database has and the journal does not.
func (s *Store) journalLacks(ctx context.Context, db kept, file ownJournal, id string) ([]journalRec, error) {
	var recs []journalRec
	if file.next == 0 {
		recs = append(recs, journalRec{tag: journalStore, body: []byte(id)})
	}
	work, err := s.workRecs(ctx, math.MinInt64)
	if err != nil {
		return nil, err
	}
	for _, r := range work {
		if _, ok := file.work[r.id]; !ok {
			recs = append(recs, r)
		}
	}
	for k, r := range db.kv {
		if old, ok := file.kv[k]; journaled(k.Bucket) && (!ok || old.Rev < r.Rev) && file.gone[k] <= r.Rev {
			recs = append(recs, journalRec{tag: journalPut, id: r.ID, body: r.encode()})
		}
	}
	return recs, nil
}

// workRecs are the good rows of work from a number on, as records.
func (s *Store) workRecs(ctx context.Context, from int64) (recs []journalRec, err error) {
	err = eachRow(ctx, s.db, "work", from, maxID, func(id int64, body []byte, ok bool) error {
		if ok {
			recs = append(recs, journalRec{tag: journalWork, id: id, body: slices.Clone(body)})
		}
		return nil
	})
	return recs, err
}

// sayRestored tells the person what reconcile found.
func (s *Store) sayRestored(r journalRestored) {
	if r.work+r.other > 0 {
		s.addTrouble("put_back", words.Facts{"entries": s.howMany(r.work + r.other)})
	}
	var known []int64
	if b, ok := s.KV("meta", "lost-work"); ok {
		json.Unmarshal(b, &known)
	}
	fresh := slices.DeleteFunc(slices.Clone(r.lost), func(n int64) bool { return slices.Contains(known, n) })
	if len(fresh) == 0 {
		return
	}
	s.addTrouble("lost", words.Facts{"entries": s.howMany(len(fresh)), "first": fresh[0], "last": fresh[len(fresh)-1]})
	b, err := json.Marshal(r.lost)
	if err != nil {
		return
	}
	s.mu.Lock()
	s.kvLater("meta", "lost-work", b)
	s.stats.SetAside += uint64(len(fresh))
	s.waiting()
	s.mu.Unlock()
}

// howMany says a number of entries.
func (s *Store) howMany(n int) string {
	if n == 1 {
		return s.opts.Words.Text("store.entry")
	}
	return words.View{Words: s.opts.Words}.Say("store.entries", words.Facts{"n": n})
}

// journalNews appends what was committed since the last call; dbmu is held.
// An error leaves it for the next call: the database has it.
func (s *Store) journalNews(ctx context.Context) {
	j := s.journal
	if j == nil || s.away || s.readOnly {
		s.double = nil
		return
	}
	j.pend, s.double = append(j.pend, s.double...), nil
	work, err := s.workRecs(ctx, j.work+1)
	if err != nil {
		return // the next commit tries again
	}
	if n := len(work); n > 0 {
		j.pend, j.work = append(j.pend, work...), work[n-1].id
	}
	if len(j.pend) == 0 {
		return
	}
	err = s.appendJournal(j)
	if err != nil && (j.err == nil || j.err.Error() != err.Error()) {
		s.log.Error("history: the journal cannot be written", "err", err)
	}
	j.err = err
	if err == nil && j.size > j.compact && j.compact > 0 {
		if err := s.compactJournal(ctx); err != nil {
			s.log.Warn("history: the journal is not compacted", "err", err)
		}
	}
}

func (s *Store) appendJournal(j *journal) error {
	if j.f == nil {
		if err := s.fault("create", s.journalPath()); err != nil {
			return osError(err)
		}
		_, missing := os.Stat(s.journalPath())
		f, err := os.OpenFile(s.journalPath(), os.O_CREATE|os.O_RDWR, 0o640)
		if err != nil {
			return osError(err)
		}
		if missing != nil {
			if err := syncDir(s.dir); err != nil {
				f.Close()
				return osError(err)
			}
		}
		j.f = f
		if j.compact == 0 {
			j.compact = 2*j.size + journalSlack
		}
	}
	b, seq := encodeJournal(j.pend, j.seq)
	// Written behind the last good record, over a torn end.
	err := s.fault("write", s.journalPath())
	if err == nil {
		_, err = j.f.WriteAt(b, j.size)
	}
	if err == nil {
		err = j.f.Truncate(j.size + int64(len(b)))
	}
	if err == nil {
		if err = s.fault("sync", s.journalPath()); err == nil {
			err = j.f.Sync()
		}
	}
	if err != nil {
		return osError(err)
	}
	j.size += int64(len(b))
	j.seq, j.pend = seq, nil
	return nil
}

// journalSlack is how much the journal may grow before it is written anew.
const journalSlack = 4 << 20

// compactJournal writes the journal anew: every version of work, and of the
// settings their last value. dbmu is held.
func (s *Store) compactJournal(ctx context.Context) error {
	old := s.journal
	recs := []journalRec{{tag: journalStore, body: []byte(s.metaString("store-id"))}}
	work, err := s.workRecs(ctx, math.MinInt64)
	if err != nil {
		return err
	}
	recs = append(recs, work...)
	s.mu.Lock()
	for _, k := range slices.SortedFunc(maps.Keys(s.kv), func(a, b kvKey) int {
		return cmp.Or(strings.Compare(a.Bucket, b.Bucket), strings.Compare(a.Key, b.Key))
	}) {
		if journaled(k.Bucket) {
			recs = append(recs, journalRec{tag: journalPut, id: s.kv[k].ID, body: s.kv[k].encode()})
		}
	}
	s.mu.Unlock()
	b, seq := encodeJournal(recs, old.seq)
	tmp := s.journalPath() + ".new"
	defer os.Remove(tmp)
	if err := s.fault("create", tmp); err != nil {
		return osError(err)
	}
	f, err := os.OpenFile(tmp, os.O_CREATE|os.O_TRUNC|os.O_RDWR, 0o640)
	if err != nil {
		return osError(err)
	}
	for _, step := range []struct {
		op string
		do func() error
	}{
		{"write", func() error { _, err := f.Write(b); return err }},
		{"sync", f.Sync},
		{"rename", func() error { return os.Rename(tmp, s.journalPath()) }},
		{"sync", func() error { return syncDir(s.dir) }},
	} {
		err := s.fault(step.op, tmp)
		if err == nil {
			err = step.do()
		}
		if err != nil {
			f.Close()
			return osError(err)
		}
	}
	if old.f != nil {
		old.f.Close()
	}
	size := int64(len(b))
	s.journal = &journal{f: f, size: size, seq: seq, work: old.work, pend: old.pend, compact: 2*size + journalSlack}
	return nil
}

// closeJournal lets the file go; dbmu is held.
func (s *Store) closeJournal() {
	if s.journal != nil && s.journal.f != nil {
		s.journal.f.Close()
	}
}

// fault asks a test whether a call of our own to the operating system works.
func (s *Store) fault(op, path string) error {
	if s.opts.fault == nil {
		return nil
	}
	return s.opts.fault(op, path)
}
