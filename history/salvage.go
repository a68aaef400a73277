// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"curewright/model/words"
)

// The salvage reads a damaged database without SQLite: it walks the pages,
// takes every row whose sum is right and leaves the rest. Since each row
// carries its table in its sum, neither the schema nor the inner pages of the
// trees are needed.
//
// Format: "Database File Format", sqlite.org/fileformat2.html, sections 1.6
// (pages, cells, overflow), 1.5 (free list) and 2.1 (records).

// rawPages is a database file with the committed part of its log laid over.
type rawPages struct {
	file io.ReaderAt // read page by page: it may be larger than memory, and have bad sectors
	len  int64
	over map[uint32][]byte
	size int
}

// page returns a page, or nil where it cannot be read.
func (r rawPages) page(n uint32) []byte {
	if b, ok := r.over[n]; ok {
		return b
	}
	off := (int64(n) - 1) * int64(r.size)
	if n == 0 || r.file == nil || off+int64(r.size) > r.len {
		return nil
	}
	b := make([]byte, r.size)
	if _, err := r.file.ReadAt(b, off); err != nil {
		return nil
	}
	return b
}

func (r rawPages) count() uint32 {
	n := uint32(r.len / int64(r.size))
	for p := range r.over {
		n = max(n, min(p, n+1<<20))
	}
	return n
}

// free lists the pages on the free list; an inconsistent list is taken as
// empty, which at worst brings back rows that were dropped before.
func (r rawPages) free() map[uint32]bool {
	out := map[uint32]bool{}
	head := r.page(1)
	if head == nil {
		return out
	}
	trunk := binary.BigEndian.Uint32(head[32:])
	for trunk != 0 {
		p := r.page(trunk)
		if p == nil || out[trunk] {
			return map[uint32]bool{}
		}
		out[trunk] = true
		n := binary.BigEndian.Uint32(p[4:])
		if int64(n) > int64(r.size/4-2) {
			return map[uint32]bool{}
		}
		for i := range n {
			out[binary.BigEndian.Uint32(p[8+4*i:])] = true
		}
		trunk = binary.BigEndian.Uint32(p)
	}
	return out
}

// rows calls f for every row found on a leaf page; table is 0 for one that
// does not check.
func (r rawPages) rows(f func(page uint32, table byte, id int64, body []byte)) {
	free := r.free()
	for n := uint32(1); n <= r.count(); n++ {
		if free[n] {
			continue
		}
		if p := r.page(n); p != nil {
			r.leaf(n, p, f)
		}
	}
}

// leaf reads the rows of one page, if it is a leaf of a table.
func (r rawPages) leaf(n uint32, p []byte, f func(page uint32, table byte, id int64, body []byte)) {
	h := 0
	if n == 1 {
		h = 100
	}
	if p[h] != 0x0d {
		return
	}
	cells := int(binary.BigEndian.Uint16(p[h+3:]))
	for i := range cells {
		at := h + 8 + 2*i
		if at+2 > len(p) {
			return
		}
		payload, id, ok := r.cell(p, int(binary.BigEndian.Uint16(p[at:])))
		if !ok {
			f(n, 0, 0, nil)
			continue
		}
		body, sum, ok := record3(payload)
		if !ok {
			if n != 1 { // the schema's rows are not ours
				f(n, 0, id, payload)
			}
			continue
		}
		var tag byte
		for _, t := range tables {
			if int64(rowSum(t.tag, id, body)) == sum {
				tag = t.tag
			}
		}
		f(n, tag, id, body)
	}
}

// cell reads the payload and number of one row, overflow pages included.
func (r rawPages) cell(p []byte, at int) (payload []byte, id int64, ok bool) {
	if at >= len(p) {
		return nil, 0, false
	}
	size, k := sqliteVarint(p[at:])
	if k == 0 || size > uint64(r.len)+uint64(len(r.over)*r.size) {
		return nil, 0, false
	}
	at += k
	rowid, k := sqliteVarint(p[at:])
	if k == 0 {
		return nil, 0, false
	}
	at += k
	if at > len(p) {
		return nil, 0, false
	}
	u, total := r.size, int(size)
	local := total
	if total > u-35 {
		m := (u-12)*32/255 - 23
		if local = m + (total-m)%(u-4); local > u-35 {
			local = m
		}
	}
	if at+local > len(p) {
		return nil, 0, false
	}
	payload = append([]byte(nil), p[at:at+local]...)
	if local < total {
		if at+local+4 > len(p) {
			return nil, 0, false
		}
		next := binary.BigEndian.Uint32(p[at+local:])
		for len(payload) < total {
			o := r.page(next)
			if o == nil {
				return nil, int64(rowid), false
			}
			payload = append(payload, o[4:min(r.size, 4+total-len(payload))]...)
			next = binary.BigEndian.Uint32(o)
		}
	}
	return payload, int64(rowid), true
}

// record3 reads a record of our three columns.
func record3(b []byte) (body []byte, sum int64, ok bool) {
	head, k := sqliteVarint(b)
	if k == 0 || head > uint64(len(b)) || head < uint64(k) {
		return nil, 0, false
	}
	h, data := b[k:head], b[head:]
	var types [3]uint64
	for i := range types {
		t, n := sqliteVarint(h)
		if n == 0 {
			return nil, 0, false
		}
		types[i] = t
		h = h[n:]
	}
	if len(h) != 0 || types[0] != 0 || types[1] < 12 {
		return nil, 0, false
	}
	n := (types[1] - 12) / 2
	if n > uint64(len(data)) {
		return nil, 0, false
	}
	body, data = data[:n], data[n:]
	switch t := types[2]; {
	case t == 8 || t == 9:
		return body, int64(t - 8), len(data) == 0
	case t >= 1 && t <= 6:
		w := []int{0, 1, 2, 3, 4, 6, 8}[t]
		if len(data) != w {
			return nil, 0, false
		}
		x := int64(int8(data[0]))
		for _, c := range data[1:] {
			x = x<<8 | int64(c)
		}
		return body, x, true
	}
	return nil, 0, false
}

// sqliteVarint reads SQLite's big-endian variable-length integer; n is 0 when
// it is cut short.
func sqliteVarint(b []byte) (x uint64, n int) {
	for i := range 9 {
		if i >= len(b) {
			return 0, 0
		}
		if i == 8 {
			return x<<8 | uint64(b[i]), 9
		}
		x = x<<7 | uint64(b[i]&0x7f)
		if b[i] < 0x80 {
			return x, i + 1
		}
	}
	return 0, 0
}

type rowKey struct {
	table byte
	id    int64
}

// salvaged is what came out of a damaged file.
type salvaged struct {
	rows map[rowKey][]byte // all but packs, which are handed on as they come
	bad  int               // rows that do not check
}

// salvage reads what it can of a database and its log. Packs go to f, each
// once.
func salvage(db rawPages, wal []byte, f func(id int64, body []byte) error) (salvaged, error) {
	w := readWAL(wal, db.size)
	db.over = map[uint32][]byte{}
	for _, f := range w.frames[:w.committed] {
		if !f.bad {
			db.over[f.page] = f.data
		}
	}
	out := salvaged{rows: map[rowKey][]byte{}}
	packs := map[int64]bool{}
	var failed error
	take := func(_ uint32, table byte, id int64, body []byte) {
		k := rowKey{table, id}
		switch table {
		case 0:
			out.bad++
		case 'p':
			if !packs[id] && failed == nil {
				packs[id] = true
				failed = f(id, body)
			}
		default:
			if old, ok := out.rows[k]; !ok || revision(table, id, old) < revision(table, id, body) {
				out.rows[k] = append([]byte(nil), body...)
			}
		}
	}
	db.rows(take)
	if w.damaged {
		// Versions of work are never removed, so any copy of a page may hold some
		// that the last copy lost. From frames within a hole, every row with a
		// right sum is taken.
		for _, f := range w.frames[:w.committed] {
			db.leaf(f.page, f.data, func(p uint32, table byte, id int64, body []byte) {
				if table == 'w' || f.bad && table != 0 {
					take(p, table, id, body)
				}
			})
		}
	}
	// Frames after the last commit do not count, unless the last frame is damaged:
	// it may then have ended an acknowledged commit, so rows that are intact there
	// and nowhere else are taken.
	if w.tail {
		last := db
		last.over = map[uint32][]byte{}
		for _, f := range w.frames {
			last.over[f.page] = f.data
		}
		for _, f := range w.frames[w.committed:] {
			if f.page == 0 {
				continue
			}
			last.leaf(f.page, f.data, func(p uint32, table byte, id int64, body []byte) {
				if table != 0 {
					take(p, table, id, body)
				} else if !packs[id] && !known(out.rows, id) {
					out.bad++
				}
			})
		}
	}
	return out, failed
}

func known(rows map[rowKey][]byte, id int64) bool {
	for _, t := range tables {
		if _, ok := rows[rowKey{t.tag, id}]; ok {
			return true
		}
	}
	return false
}

// tailNews reports whether the damaged end of a log holds anything that the
// committed part does not: a write cut short by a power cut holds nothing.
func tailNews(db rawPages, w walLog) bool {
	r, all := db, db
	r.over, all.over = map[uint32][]byte{}, map[uint32][]byte{}
	for _, f := range w.frames[:w.committed] {
		r.over[f.page] = f.data
	}
	for _, f := range w.frames {
		all.over[f.page] = f.data
	}
	news := false
	for _, f := range w.frames[w.committed:] {
		if f.page == 0 {
			continue
		}
		// Compare with the page as it was before: a write that was cut short can
		// leave an older copy of the page here, which holds nothing new.
		had := map[rowKey]int64{}
		if p := r.page(f.page); p != nil {
			r.leaf(f.page, p, func(_ uint32, table byte, id int64, body []byte) {
				had[rowKey{table, id}] = revision(table, id, body)
			})
		}
		all.leaf(f.page, f.data, func(_ uint32, table byte, id int64, body []byte) {
			rev, ok := had[rowKey{table, id}]
			if table == 0 || !ok || revision(table, id, body) > rev {
				news = true
			}
		})
	}
	return news
}

// revision tells a newer copy of a setting or of a row of the tail from an
// older one; other rows have but one.
func revision(table byte, id int64, body []byte) (rev int64) {
	switch table {
	case 'k':
		if r, err := decodeKV(id, body); err == nil {
			return r.Rev
		}
	case 't':
		ps, _ := decodeTailRow(id, body)
		for _, p := range ps {
			rev = max(rev, p.seq+1)
		}
	}
	return rev
}

// errRebuild says that opening found damage that SQLite cannot live with.
var errRebuild = errors.New("the file needs rebuilding")

// inspect looks at the files before SQLite touches them.
func (s *Store) inspect() error {
	if err := s.finishSwap(); err != nil {
		return err
	}
	wal, err := os.ReadFile(s.path() + "-wal")
	if errors.Is(err, fs.ErrNotExist) {
		wal = nil
	} else if err != nil {
		return err
	}
	file, err := os.Open(s.path())
	if errors.Is(err, fs.ErrNotExist) {
		if len(wal) > walHeader {
			return fmt.Errorf("%w: the log is there and the file is not", errRebuild)
		}
		return nil
	} else if err != nil {
		return err
	}
	defer file.Close()
	fi, err := file.Stat()
	if err != nil {
		return err
	}
	w := readWAL(wal, pageSize)
	if fi.Size() == 0 && w.committed == 0 {
		return nil // a first start that was cut short
	}
	if fi.Size() < pageSize {
		// SQLite would drop the log of such a file.
		return fmt.Errorf("%w: %d bytes are there", errRebuild, fi.Size())
	}
	if w.committed == 0 {
		// Without a log the header's number of pages is the file's.
		var h [32]byte
		if _, err := file.ReadAt(h[:], 0); err == nil {
			if n := int64(binary.BigEndian.Uint32(h[28:])); n*pageSize > fi.Size() {
				return fmt.Errorf("%w: %d bytes of %d are there", errRebuild, fi.Size(), n*pageSize)
			}
		}
	}
	if w.damaged {
		return fmt.Errorf("%w: the log has a damaged place", errRebuild)
	}
	if w.tail && tailNews(rawPages{file: file, len: fi.Size(), size: pageSize}, w) {
		return fmt.Errorf("%w: the last write to the log is damaged", errRebuild)
	}
	return nil
}

func (s *Store) rebuiltPath() string { return s.path() + ".rebuilt" }

// finishSwap puts a finished rebuild in place, also one that a power cut
// interrupted between the renames. The log goes first: SQLite would apply it
// to whatever database stands beside it.
func (s *Store) finishSwap() error {
	if _, err := os.Stat(s.rebuiltPath()); err != nil {
		return nil
	}
	dir := filepath.Join(s.dir, "quarantine", time.Now().UTC().Format("20060102T150405.000"))
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	for _, suffix := range []string{"-wal", "-shm", "-journal", journalAside, ""} {
		err := os.Rename(s.path()+suffix, filepath.Join(dir, File+suffix))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	if err := os.Rename(s.rebuiltPath(), s.path()); err != nil {
		return err
	}
	s.thinQuarantine()
	return syncDir(s.dir)
}

// keepAsideFiles is how many damaged or replaced files are kept, so that a card
// that is wearing out is not filled with copies of damaged files.
const keepAsideFiles = 3

func (s *Store) thinQuarantine() {
	ents, err := os.ReadDir(filepath.Join(s.dir, "quarantine")) // by name, which is the time
	if err != nil {
		return
	}
	ents = slices.DeleteFunc(ents, func(e os.DirEntry) bool { return !e.IsDir() })
	for _, e := range ents[:max(len(ents)-keepAsideFiles, 0)] {
		os.RemoveAll(filepath.Join(s.dir, "quarantine", e.Name()))
	}
}

// syncDir syncs a folder, which makes the names in it durable, or a file.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// rebuild makes a new database of what can be read of the damaged one, puts
// it in place and the damaged one aside. The database must be closed.
func (s *Store) rebuild(ctx context.Context, why error) error {
	tmp := s.path() + ".rebuilding"
	removeDB(tmp)
	db, err := openDB(tmp)
	if err != nil {
		return err
	}
	got, n, err := s.salvageInto(ctx, db, 0)
	if e := db.Close(); err == nil {
		err = e
	}
	if err != nil {
		removeDB(tmp)
		return diskError(err)
	}
	if err := os.Rename(tmp, s.rebuiltPath()); err != nil {
		return err
	}
	if err := s.finishSwap(); err != nil {
		return err
	}
	s.mu.Lock()
	s.aside += max(got.bad, 1)
	s.mu.Unlock()
	code := "rebuilt"
	if got.bad == 0 {
		code = "rebuilt_part"
	}
	s.addTrouble(code, words.Facts{"rows": got.bad, "entries": n['w'], "hours": n['p']})
	s.log.Error("history: rebuilt", "why", why, "kept", len(got.rows)+n['p'], "bad", got.bad)
	return nil
}

// salvageInto fills a new database with what can be read of the one in the
// folder, and says how many rows of each table; packs of hours before from are
// left out.
func (s *Store) salvageInto(ctx context.Context, to *sql.DB, from int64) (got salvaged, n map[byte]int, err error) {
	n = map[byte]int{}
	src := rawPages{size: pageSize}
	file, err := os.Open(s.path())
	if err == nil {
		defer file.Close()
		fi, err := file.Stat()
		if err != nil {
			return got, n, err
		}
		src.file, src.len = file, fi.Size()
	} else if !errors.Is(err, fs.ErrNotExist) {
		return got, n, err
	}
	wal, err := os.ReadFile(s.path() + "-wal")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return got, n, err
	}
	if err := migrate(ctx, to); err != nil {
		return got, n, err
	}
	err = inTx(ctx, to, func(tx *sql.Tx) (err error) {
		probes := map[int64]probeRow{}
		got, err = salvage(src, wal, func(id int64, body []byte) error {
			name, rs, err := unpack(body)
			idx, h := packProbe(id), packHour(id)
			if err != nil || len(rs) == 0 || h < from {
				return nil
			}
			p, ok := probes[idx]
			if !ok {
				p = probeRow{kvRow{kvKey: kvKey{"probe-number", name}}, h, h}
			}
			p.first, p.last = min(p.first, h), max(p.last, h)
			probes[idx] = p
			n['p']++
			return putRow(ctx, tx, "packs", id, body)
		})
		if err != nil {
			return err
		}
		return putSalvaged(ctx, tx, got.rows, probes, n)
	})
	return got, n, err
}

// probeRow is a probe's number and packed hours, as [Store.saveProbe] keeps
// them.
type probeRow struct {
	kvRow
	first, last int64 // hours
}

// putSalvaged writes all rows but the packs, which are written already. From the
// packs it makes anew the hours of each probe in probes and the log of packs. It
// counts the rows of each table in n.
func putSalvaged(ctx context.Context, tx *sql.Tx, rows map[rowKey][]byte, probes map[int64]probeRow, n map[byte]int) error {
	nextID, rev, packed := int64(schemaID), int64(0), int64(0)
	for k, body := range rows {
		if k.table == 'l' {
			if l, err := decodePackLog(body); err == nil {
				packed = max(packed, l.safe)
			}
			continue
		}
		n[k.table]++
		if k.table == 'k' {
			r, err := decodeKV(k.id, body)
			if err != nil {
				continue
			}
			nextID, rev = max(nextID, k.id), max(rev, r.Rev)
			if k.id == schemaID {
				continue // written by migrate
			}
			if r.Bucket == "probe-number" {
				var m probeMeta
				if json.Unmarshal(r.value(), &m) == nil {
					p, ok := probes[m.Idx]
					if !ok {
						p = probeRow{first: math.MaxInt64, last: math.MinInt64}
					}
					p.kvRow = r
					probes[m.Idx] = p
				}
				continue // below, with what the packs say
			}
		}
		if err := putRow(ctx, tx, tableOf(k.table), k.id, body); err != nil {
			return err
		}
	}
	for idx, p := range probes {
		if p.ID == 0 { // the number's row was lost, the packs know the name
			nextID++
			p.ID = nextID
		}
		rev++
		p.Rev = rev
		p.set(fmt.Appendf(nil, `{"idx":%d,"first_hour":%d,"last_hour":%d}`, idx, p.first, p.last))
		if err := putKV(ctx, tx, p.kvRow); err != nil {
			return err
		}
	}
	return rebuildPackLog(ctx, tx, packed)
}
