// SPDX-License-Identifier: Apache-2.0

package history

import (
	"bytes"
	"context"
	"crypto/rand"
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

// journalAside is how the journal of a store is called that a copy replaces,
// until both are in quarantine.
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

// journaled reports whether a bucket's values are doubled. The store's own
// notes are made anew from the rest.
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
	b, err := os.ReadFile(s.journalPath())
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return out, osError(err)
	}
	recs, damaged, missing, end := readJournal(b)
	id, err := s.storeID(ctx, writable)
	if err != nil {
		return out, err
	}
	if i := slices.IndexFunc(recs, func(r journalRec) bool { return r.tag == journalStore }); i >= 0 && string(recs[i].body) != id {
		// Another store's: a database was put here by hand.
		if writable {
			os.MkdirAll(filepath.Join(s.dir, "quarantine"), 0o750)
			os.Rename(s.journalPath(), filepath.Join(s.dir, "quarantine", JournalFile+"-"+time.Now().UTC().Format("20060102T150405")))
		}
		recs, damaged, missing, end, b = nil, 0, 0, 0, nil
	}
	fresh := len(recs) == 0
	out.damaged = damaged > 0 || missing > 0

	// Work: rows are numbered without a gap.
	inDB := map[int64]bool{}
	top := int64(0)
	err = eachRow(ctx, s.db, "work", math.MinInt64, maxID, func(id int64, _ []byte, ok bool) error {
		inDB[id] = ok
		top = max(top, id)
		return nil
	})
	if err != nil {
		return out, err
	}
	inJournal := map[int64]bool{}
	rows := map[rowKey][]byte{}
	kvs := map[kvKey]kvRow{}
	gone := map[kvKey]int64{}
	for _, r := range recs {
		switch r.tag {
		case journalWork:
			inJournal[r.id] = true
			top = max(top, r.id)
			if !inDB[r.id] && json.Valid(r.body) {
				rows[rowKey{'w', r.id}] = r.body
			}
		case journalPut, journalDelete:
			row, err := decodeKV(r.id, r.body)
			if err != nil {
				continue
			}
			s.kvRev = max(s.kvRev, row.Rev)
			k := row.kvKey
			if r.tag == journalPut {
				if old, ok := kvs[k]; !ok || old.Rev < row.Rev {
					kvs[k] = row
				}
			} else {
				gone[k] = max(gone[k], row.Rev)
			}
		}
	}
	out.work = len(rows)

	// Settings: of two copies the one with the higher revision counts.
	have := map[kvKey]kvRow{}
	lastID := int64(schemaID)
	err = eachRow(ctx, s.db, "kv", math.MinInt64, maxID, func(id int64, body []byte, ok bool) error {
		lastID = max(lastID, id)
		if r, err := decodeKV(id, body); ok && err == nil {
			if old, there := have[r.kvKey]; !there || old.Rev < r.Rev {
				have[r.kvKey] = r
			}
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	var put []kvRow
	for k, r := range kvs {
		old, there := have[k]
		if gone[k] > r.Rev || there && old.Rev >= r.Rev {
			continue
		}
		r.ID = old.ID
		if !there {
			lastID++
			r.ID = lastID
		}
		put = append(put, r)
	}
	var del []int64
	for k, rev := range gone {
		if old, there := have[k]; there && old.Rev < rev && kvs[k].Rev < rev {
			del = append(del, old.ID)
		}
	}
	out.other = len(put) + len(del)
	if out.work+out.other > 0 {
		tx, err := s.db.BeginTx(ctx, nil)
		if err != nil {
			return out, err
		}
		defer tx.Rollback()
		for k, body := range rows {
			if err := putRow(ctx, tx, "work", k.id, body); err != nil {
				return out, err
			}
		}
		for _, r := range put {
			if err := putKV(ctx, tx, r); err != nil {
				return out, err
			}
		}
		for _, id := range del {
			if err := delRow(ctx, tx, "kv", id); err != nil {
				return out, err
			}
		}
		if err := tx.Commit(); err != nil {
			return out, err
		}
	}
	for n := int64(1); n <= top; n++ {
		if !inDB[n] && !inJournal[n] {
			out.lost = append(out.lost, n)
		}
	}
	if !writable {
		return out, nil
	}

	// What the journal lacks.
	j := &journal{size: int64(end), work: math.MaxInt64}
	if len(recs) > 0 {
		j.seq = recs[len(recs)-1].seq + 1
	}
	if fresh {
		j.pend = append(j.pend, journalRec{tag: journalStore, body: []byte(id)})
	}
	err = eachRow(ctx, s.db, "work", math.MinInt64, maxID, func(id int64, body []byte, ok bool) error {
		if ok && !inJournal[id] {
			j.pend = append(j.pend, journalRec{tag: journalWork, id: id, body: slices.Clone(body)})
		}
		return nil
	})
	if err != nil {
		return out, err
	}
	j.work = top
	for k, r := range have {
		if old, ok := kvs[k]; journaled(k.Bucket) && (!ok || old.Rev < r.Rev) && gone[k] <= r.Rev {
			j.pend = append(j.pend, journalRec{tag: journalPut, id: r.ID, body: r.encode()})
		}
	}
	if s.journal != nil && s.journal.f != nil {
		s.journal.f.Close()
	}
	s.journal = j
	if out.damaged && end < len(b) || len(b) > 0 && end == 0 {
		s.log.Warn("history: the journal had a damaged place", "places", damaged, "missing", missing)
	}
	return out, nil
}

// storeID names this store for good.
func (s *Store) storeID(ctx context.Context, writable bool) (string, error) {
	var found string
	next := int64(schemaID)
	err := eachRow(ctx, s.db, "kv", math.MinInt64, maxID, func(id int64, body []byte, ok bool) error {
		next = max(next, id)
		if r, err := decodeKV(id, body); ok && err == nil && r.kvKey == (kvKey{"meta", "store-id"}) {
			found = strings.Trim(string(r.value()), `"`)
		}
		return nil
	})
	if err != nil || found != "" || !writable {
		return found, err
	}
	// The journal knows it where the database's row was lost.
	if b, err := os.ReadFile(s.journalPath()); err == nil {
		recs, _, _, _ := readJournal(b)
		for _, r := range recs {
			if r.tag == journalStore {
				found = string(r.body)
			}
		}
	}
	if found == "" {
		b := make([]byte, 8)
		rand.Read(b)
		found = hex.EncodeToString(b)
	}
	r := kvRow{ID: next + 1, kvKey: kvKey{"meta", "store-id"}, Rev: 1}
	r.set(fmt.Appendf(nil, "%q", found))
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return "", err
	}
	defer tx.Rollback()
	if err := putKV(ctx, tx, r); err != nil {
		return "", err
	}
	return found, tx.Commit()
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
	if j.work != math.MaxInt64 {
		err := eachRow(ctx, s.db, "work", j.work+1, maxID, func(id int64, body []byte, ok bool) error {
			if ok {
				j.pend = append(j.pend, journalRec{tag: journalWork, id: id, body: slices.Clone(body)})
				j.work = id
			}
			return nil
		})
		if err != nil {
			return // the next commit tries again
		}
	}
	if len(j.pend) == 0 {
		return
	}
	err := s.appendJournal(j)
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
	var b []byte
	seq := j.seq
	for _, r := range j.pend {
		r.seq = seq
		seq++
		b = r.append(b)
	}
	// At the end of what is good: a torn end is written over.
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
	id, err := s.storeID(ctx, false)
	if err != nil {
		return err
	}
	n := &journal{seq: old.seq, pend: []journalRec{{tag: journalStore, body: []byte(id)}}, work: old.work}
	err = eachRow(ctx, s.db, "work", math.MinInt64, maxID, func(id int64, body []byte, ok bool) error {
		if ok {
			n.pend = append(n.pend, journalRec{tag: journalWork, id: id, body: slices.Clone(body)})
		}
		return nil
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	for _, k := range slices.SortedFunc(maps.Keys(s.kv), func(a, b kvKey) int {
		return strings.Compare(a.Bucket+"\x00"+a.Key, b.Bucket+"\x00"+b.Key)
	}) {
		if journaled(k.Bucket) {
			n.pend = append(n.pend, journalRec{tag: journalPut, id: s.kv[k].ID, body: s.kv[k].encode()})
		}
	}
	s.mu.Unlock()
	var b []byte
	for _, r := range n.pend {
		r.seq = n.seq
		n.seq++
		b = r.append(b)
	}
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
	n.f, n.size, n.pend = f, int64(len(b)), old.pend
	n.compact = 2*n.size + journalSlack
	s.journal = n
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
