// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/binary"
	"fmt"
	"slices"
)

// The table "tail" holds the readings that are not packed yet. Its rows are of
// one size, one to a page: a flush writes the last row again with more in it, or
// the next row, which dirties that one page and neither the tree nor the free
// list. Packing leaves the rows where they are: a reading in the table is packed
// if, and only if, its number is below the newest packing's mark ([packLog.safe]).
// A row that holds only packed readings is written over. Late readings break that
// rule, since lower numbers then stay unpacked: packing writes the table anew.

// tailSize is the size of a row's body: with its sum and SQLite's own bytes the
// most that a page of 1 kB holds without overflow (989 bytes: "Database File
// Format", 1.6).
const tailSize = 976

// tailGrow is how many rows are made at once, empty but for what is written: each
// time that the tree grows costs two pages besides.
const tailGrow = 8

// maxTailRows bounds the rows that are kept to be written over: 512 kB.
const maxTailRows = 512

// tailTable says what lies in the table; dbmu guards it.
type tailTable struct {
	rows map[int64]int64 // highest reading's number in each row, by row id; -1 for an empty row
	safe int64           // readings with lower numbers are packed
	open tailRow         // the last one written
	odd  bool            // some rows are of another size: an earlier version's
}

// tailRow is one row. Its id stays when it is written over.
type tailRow struct {
	id   int64
	has  []pend // by their numbers, rising
	body []byte
}

// place puts readings, in order of their numbers, into rows.
func (t *tailTable) place(batch []pend) (rows []tailRow) {
	if len(batch) == 0 {
		return nil
	}
	if len(t.open.has) > 0 {
		all := slices.Concat(t.open.has, batch)
		if r := makeTailRow(t.open.id, all); len(r.has) == len(all) {
			return []tailRow{r}
		}
	}
	var free []int64
	next := batch[0].seq // id of the next row that is made
	for id, last := range t.rows {
		next = max(next, id+1)
		if last < t.safe && id != t.open.id {
			free = append(free, id)
		}
	}
	slices.Sort(free)
	made := next
	for len(batch) > 0 {
		if len(free) == 0 {
			for range tailGrow {
				free = append(free, next)
				next++
			}
		}
		r := makeTailRow(free[0], batch)
		rows, free = append(rows, r), free[1:]
		batch = batch[len(r.has):]
	}
	for _, id := range free {
		if id >= made {
			rows = append(rows, makeTailRow(id, nil))
		}
	}
	return rows
}

// wrote notes that rows are on disk.
func (t *tailTable) wrote(rows []tailRow) {
	for _, r := range rows {
		t.rows[r.id] = -1
		if n := len(r.has); n > 0 {
			t.rows[r.id], t.open = r.has[n-1].seq, r
		}
	}
}

// packed notes that all readings with numbers below safe are packed.
func (t *tailTable) packed(safe int64) {
	t.safe = max(t.safe, safe)
	if n := len(t.open.has); n > 0 && t.open.has[n-1].seq < t.safe {
		t.open = tailRow{}
	}
}

// crowded reports whether the table is better written anew once the readings
// below safe are packed: it has rows of another size, or many more than the
// rest of the readings needs.
func (t *tailTable) crowded(safe int64, rest int) bool {
	kept := 0
	for _, last := range t.rows {
		if last >= safe {
			kept++
		}
	}
	return t.odd || len(t.rows) > maxTailRows || kept > 8+rest/32
}

func putTail(ctx context.Context, tx *sql.Tx, rows []tailRow) error {
	for _, r := range rows {
		if err := putRow(ctx, tx, "tail", r.id, r.body); err != nil {
			return err
		}
	}
	return nil
}

// onDiskTail returns the readings that are in the table, are not packed, and that
// keep accepts; mu is held.
func (s *Store) onDiskTail(keep func(p *probe, c rec) bool) (rest []pend) {
	onDisk := s.onDisk()
	for _, p := range s.byIdx {
		if p == nil {
			continue
		}
		for _, c := range p.tail {
			if c.seq < onDisk && keep(p, c) {
				rest = append(rest, pend{p.idx, c})
			}
		}
	}
	return rest
}

// rewriteTail puts rest in the place of the whole tail, together with the
// settings that wait and what more writes, in one transaction. The numbers of
// rest must be on disk already. dbmu is held, and nothing is changed where the
// error is not nil.
func (s *Store) rewriteTail(ctx context.Context, rest []pend, more func(tx *sql.Tx) error) error {
	slices.SortFunc(rest, func(a, b pend) int { return cmp.Compare(a.seq, b.seq) })
	fresh := tailTable{rows: map[int64]int64{}, safe: s.tail.safe}
	rows := fresh.place(rest)
	err := s.writeSettingsAnd(ctx, func(tx *sql.Tx) error {
		if err := more(tx); err != nil {
			return err
		}
		// All at once: SQLite then frees the pages without writing them.
		if _, err := tx.ExecContext(ctx, "DELETE FROM tail"); err != nil {
			return err
		}
		return putTail(ctx, tx, rows)
	})
	if err == nil {
		fresh.wrote(rows)
		s.tail = fresh
	}
	return err
}

// writeSettingsAnd writes the settings that wait and what more writes in one
// transaction; dbmu is held.
func (s *Store) writeSettingsAnd(ctx context.Context, more func(tx *sql.Tx) error) error {
	s.mu.Lock()
	rows := s.dirtyRows()
	s.mu.Unlock()
	err := s.write(ctx, func(tx *sql.Tx) error {
		if err := more(tx); err != nil {
			return err
		}
		return putKVs(ctx, tx, rows)
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wroteRows(rows)
	return nil
}

// The encoding of a row makes several minutes of a shop's readings fit into one
// page, the unit of a commit. Probes are read in turn, so that the next reading's
// probe and time can be predicted from the round before; only the difference is
// written. After the version (2) and the number of readings, each reading has
//
//	uvarint: 2 × zigzag(time − predicted time), plus 1 if the probe, the number or
//	the set of quantities is not as predicted
//	only then: uvarint of the probe's number and its quantities, varint of the
//	sequence number − predicted number
//	for each quantity: varint of value − the probe's last value in this row
const tailVersion = 2

// tailGuess predicts the next reading of a row from those before it.
type tailGuess struct {
	last  map[int64]rec   // of each probe in the row
	after map[int64]int64 // the probe that came after it last time
	prev  pend
	step  int64 // time between the last two of the probe before
}

func newTailGuess(id int64) tailGuess {
	return tailGuess{last: map[int64]rec{}, after: map[int64]int64{}, prev: pend{-1, rec{seq: id - 1, has: 1}}}
}

// next is the probe, number and quantities that are expected.
func (g *tailGuess) next() pend {
	p := pend{g.prev.idx + 1, rec{seq: g.prev.seq + 1, has: g.prev.has}}
	if i, ok := g.after[g.prev.idx]; ok {
		p.idx = i
	}
	if l, ok := g.last[p.idx]; ok {
		p.has = l.has
	}
	return p
}

// time is when the probe's reading is expected.
func (g *tailGuess) time(idx int64) int64 {
	if l, ok := g.last[idx]; ok {
		return l.t + g.step
	}
	return g.prev.t
}

// saw takes the reading that came. Quantities that it lacks stay as they were.
func (g *tailGuess) saw(p pend) {
	l, ok := g.last[p.idx]
	if ok {
		g.step = p.t - l.t
	}
	g.after[g.prev.idx] = p.idx
	g.prev = p
	for k := range p.q {
		if p.has&(1<<k) == 0 {
			p.q[k] = l.q[k]
		}
	}
	g.last[p.idx] = p.rec
}

// makeTailRow makes a row of as many of the readings as fit; the rest of its
// body is zeros, which a reader does not look at.
func makeTailRow(id int64, b []pend) tailRow {
	const head = 1 + binary.MaxVarintLen16
	var x []byte
	g := newTailGuess(id)
	n := 0
	for ; n < len(b); n++ {
		p, was := b[n], len(x)
		want := g.next()
		token := zigzag(p.t-g.time(p.idx)) << 1
		if p.idx == want.idx && p.seq == want.seq && p.has == want.has {
			x = binary.AppendUvarint(x, token)
		} else {
			x = binary.AppendUvarint(x, token|1)
			x = binary.AppendUvarint(x, uint64(p.idx)<<3|uint64(p.has))
			x = binary.AppendVarint(x, p.seq-want.seq)
		}
		l := g.last[p.idx]
		for k := range p.q {
			if p.has&(1<<k) != 0 {
				x = binary.AppendVarint(x, int64(p.q[k])-int64(l.q[k]))
			}
		}
		if head+len(x) > tailSize {
			x = x[:was]
			break
		}
		g.saw(p)
	}
	body := binary.AppendUvarint([]byte{tailVersion}, uint64(n))
	body = append(body, x...)
	return tailRow{id, b[:n:n], append(body, make([]byte, tailSize-len(body))...)}
}

func decodeTailRow(id int64, b []byte) ([]pend, error) {
	r := packReader{b: b}
	version := r.byte()
	if version != 1 && version != tailVersion {
		return nil, fmt.Errorf("tail row %d: version is not known: %w", id, ErrDamaged)
	}
	n := r.uvarint()
	if n > uint64(len(b)) {
		r.fail()
		n = 0
	}
	out := make([]pend, 0, n)
	g := newTailGuess(id)
	if version == 1 {
		g.prev.seq = id
	}
	for range n {
		var p pend
		if version == 1 { // the whole reading, as differences from the one before
			head := r.uvarint()
			p = pend{int64(head >> 3), rec{has: uint8(head & 7)}}
			p.seq = g.prev.seq + r.varint()
			p.t = g.prev.t + r.varint()
		} else {
			token := r.uvarint()
			p = g.next()
			if token&1 != 0 {
				head := r.uvarint()
				p.idx, p.has = int64(head>>3), uint8(head&7)
				p.seq += r.varint()
			}
			p.t = g.time(p.idx) + unzigzag(token>>1)
		}
		l := g.last[p.idx]
		for k := range p.q {
			if p.has&(1<<k) != 0 {
				v := r.varint() + int64(l.q[k])
				if v != int64(int32(v)) {
					r.fail()
				}
				p.q[k] = int32(v)
			}
		}
		if r.bad || p.has == 0 || p.idx < 0 || p.idx >= maxProbes {
			return nil, fmt.Errorf("tail row %d: cut short: %w", id, ErrDamaged)
		}
		g.saw(p)
		out = append(out, p)
	}
	return out, nil
}
