package history

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"curewright/sensors"
)

const hourMS = int64(time.Hour / time.Millisecond)

// probe is what is kept in memory of one probe: its readings that are not
// packed yet. A probe with a boot holds readings without a date, by uptime.
type probe struct {
	name string // as stored: for undated readings mangled with the boot
	base string // as the person knows it
	boot string
	idx  int64

	tail    []rec // sorted by time
	newest  int64 // ms; math.MinInt64 when there is none
	first   int64 // first and last packed hour; first > last when none
	last    int64
	lastRec *rec // newest reading, when it is known without the disk
	version uint64
}

type pend struct {
	idx int64
	rec
}

// A pack's number: hour since 1970, probe, part. Hour comes first so that
// packs are appended in order of time and dropped from the front.
const (
	partBits  = 12
	probeBits = 16
	maxParts  = 1 << partBits
	maxProbes = 1 << probeBits
)

func packID(hour, idx int64, part int64) int64 {
	return hour<<(probeBits+partBits) | idx<<partBits | part
}

func packHour(id int64) int64  { return id >> (probeBits + partBits) }
func packProbe(id int64) int64 { return id >> partBits & (maxProbes - 1) }

func floorHour(ms int64) int64 {
	h := ms / hourMS
	if ms%hourMS < 0 {
		h--
	}
	return h
}

// undatedName hides a probe's undated readings from the dated ones.
func undatedName(boot, base string) string { return "\x00" + boot + "\x00" + base }

func splitName(name string) (boot, base string) {
	if rest, ok := strings.CutPrefix(name, "\x00"); ok {
		boot, base, _ = strings.Cut(rest, "\x00")
		return boot, base
	}
	return "", name
}

// probeMeta is how a probe is kept among the settings, bucket "probe-number".
type probeMeta struct {
	Idx   int64 `json:"idx"`
	First int64 `json:"first_hour"`
	Last  int64 `json:"last_hour"`
}

// probeFor finds or makes the probe; mu is held. It returns nil when there
// are too many probes.
func (s *Store) probeFor(name string) *probe {
	if p := s.probes[name]; p != nil {
		return p
	}
	if len(s.byIdx) >= maxProbes || len(name) > 512 {
		return nil
	}
	p := s.addProbe(name, int64(len(s.byIdx)))
	s.saveProbe(p)
	return p
}

func (s *Store) addProbe(name string, idx int64) *probe {
	boot, base := splitName(name)
	p := &probe{name: name, base: base, boot: boot, idx: idx, newest: math.MinInt64, first: math.MaxInt64, last: math.MinInt64, version: 1}
	for int64(len(s.byIdx)) <= idx {
		s.byIdx = append(s.byIdx, nil)
	}
	s.byIdx[idx] = p
	s.probes[name] = p
	return p
}

// saveProbe has the next commit write the probe's number and packed hours;
// mu is held.
func (s *Store) saveProbe(p *probe) {
	b := fmt.Appendf(nil, `{"idx":%d,"first_hour":%d,"last_hour":%d}`, p.idx, p.first, p.last)
	s.kvLater("probe-number", p.name, b)
}

// Append takes readings in. It never waits for the disk. A reading that is
// there already (same probe, time and values) is dropped; one that differs at
// the same millisecond is kept a millisecond later. Late readings find their
// place. While the clock is not trusted, readings are kept by uptime and
// dated by [Store.DateUntrusted]. Readings
// dated before 1990, or without any value, are refused and counted. It
// returns how many were taken.
func (s *Store) Append(rs []sensors.Reading) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	taken := 0
	for _, r := range rs {
		c := toRec(r)
		name := r.Probe
		if !s.trusted {
			// Sub uses the monotonic clock where the reading still has it.
			c.t = (s.upAt + r.At.Sub(s.started)).Milliseconds()
			if s.ownZero != 0 {
				c.t += s.ownZero // dated meanwhile, not yet said to be trusted
			} else {
				name = undatedName(s.opts.Boot, name)
			}
		}
		if c.has == 0 || c.t < 0 || (s.trusted && c.t < firstHour*hourMS) || c.t > maxTime || r.Probe == "" || r.Probe[0] == 0 {
			s.stats.Refused++
			continue
		}
		p := s.probeFor(name)
		if p == nil {
			s.stats.Refused++
			continue
		}
		if s.insert(p, &c) {
			taken++
			s.pending = append(s.pending, pend{p.idx, c})
		}
	}
	if over := len(s.pending) - s.opts.Ring; over > 0 {
		// An eighth at once: dropping costs a walk over what is kept.
		s.dropOldest(min(max(over, s.opts.Ring/8), len(s.pending)))
	}
	if len(s.pending) > 0 {
		s.waiting()
	}
	if n := len(s.pending); n >= flushMany && n-taken < flushMany {
		s.kick()
	}
	return taken
}

// firstHour is the start of 1990: readings with a date are later, and hours
// before it are those of uptimes.
const firstHour = 175_320

// maxTime is the largest time a pack's number has room for, in ms.
const maxTime = (1<<24 - 1) * hourMS

// insert puts a reading into the probe's tail and gives it its number; false
// means it was there already. mu is held.
func (s *Store) insert(p *probe, c *rec) bool {
	if c.t > p.newest {
		p.newest = c.t
		c.seq = s.nextSeq
		s.nextSeq++
		p.tail = append(p.tail, *c)
		s.tailCount++
		r := *c
		p.lastRec = &r
		return true
	}
	i := sort.Search(len(p.tail), func(i int) bool { return p.tail[i].t >= c.t })
	for i < len(p.tail) && p.tail[i].t == c.t {
		if p.tail[i].same(*c) {
			s.stats.Duplicates++
			return false
		}
		c.t++
		i++
	}
	if i == len(p.tail) && c.t > p.newest {
		p.newest = c.t
		r := *c
		p.lastRec = &r
	} else {
		p.version++
	}
	c.seq = s.nextSeq
	s.nextSeq++
	p.tail = slices.Insert(p.tail, i, *c)
	s.tailCount++
	return true
}

// dropOldest gives up the n oldest pending readings; mu is held.
func (s *Store) dropOldest(n int) {
	gone := make(map[int64]map[int64]bool)
	for _, x := range s.pending[:n] {
		if gone[x.idx] == nil {
			gone[x.idx] = map[int64]bool{}
		}
		gone[x.idx][x.seq] = true
	}
	for idx, seqs := range gone {
		p := s.byIdx[idx]
		before := len(p.tail)
		p.tail = slices.DeleteFunc(p.tail, func(r rec) bool { return seqs[r.seq] })
		s.tailCount -= before - len(p.tail)
	}
	s.stats.Dropped += uint64(n)
	s.pending = slices.Clone(s.pending[n:])
}

// tailRow is one row of the tail table: what one flush wrote.
type tailRow struct {
	id   int64 // number of its first reading
	body []byte
}

func makeTailRow(b []pend) tailRow {
	r := tailRow{id: b[0].seq}
	x := []byte{1}
	x = binary.AppendUvarint(x, uint64(len(b)))
	seq, t := b[0].seq, int64(0)
	last := map[int64]rec{} // a probe's values differ little from its last ones
	for _, p := range b {
		l := last[p.idx]
		x = binary.AppendUvarint(x, uint64(p.idx)<<3|uint64(p.has))
		x = binary.AppendVarint(x, p.seq-seq)
		x = binary.AppendVarint(x, p.t-t)
		for k := range 3 {
			if p.has&(1<<k) != 0 {
				x = binary.AppendVarint(x, int64(p.q[k])-int64(l.q[k]))
				l.q[k] = p.q[k]
			}
		}
		last[p.idx] = l
		seq, t = p.seq, p.t
	}
	r.body = x
	return r
}

func decodeTailRow(id int64, b []byte) ([]pend, error) {
	r := packReader{b: b}
	if r.byte() != 1 {
		return nil, fmt.Errorf("tail row %d: version is not known: %w", id, ErrDamaged)
	}
	n := r.uvarint()
	if n > uint64(len(b)) {
		r.fail()
		n = 0
	}
	out := make([]pend, 0, n)
	seq, t := id, int64(0)
	last := map[int64]rec{}
	for range n {
		head := r.uvarint()
		p := pend{idx: int64(head >> 3)}
		l := last[p.idx]
		seq += r.varint()
		t += r.varint()
		p.seq, p.t, p.has = seq, t, uint8(head&7)
		for k := range 3 {
			if p.has&(1<<k) != 0 {
				v := r.varint() + int64(l.q[k])
				if v != int64(int32(v)) {
					r.fail()
				}
				p.q[k] = int32(v)
				l.q[k] = p.q[k]
			}
		}
		last[p.idx] = l
		if r.bad || p.has == 0 || p.idx < 0 || p.idx >= maxProbes {
			return nil, fmt.Errorf("tail row %d: cut short: %w", id, ErrDamaged)
		}
		out = append(out, p)
	}
	return out, nil
}

// Probes names every probe that has readings, sorted.
func (s *Store) Probes() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	seen := map[string]bool{}
	for _, p := range s.probes {
		if (p.boot == "" || p.boot == s.opts.Boot) && (len(p.tail) > 0 || p.first <= p.last) {
			seen[p.base] = true
		}
	}
	out := make([]string, 0, len(seen))
	for n := range seen {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

// Version changes whenever a reading of the probe is stored before its newest
// one, or readings get another date: what was computed from it must be
// computed again. It starts anew with the process.
func (s *Store) Version(name string) uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	var v uint64
	if p := s.probes[name]; p != nil {
		v = p.version
	}
	if p := s.probes[undatedName(s.opts.Boot, name)]; p != nil {
		v += p.version
	}
	return v
}

// LastReading returns the newest reading of the probe.
func (s *Store) LastReading(name string) (sensors.Reading, bool) {
	s.mu.Lock()
	p := s.probes[name]
	u := s.probes[undatedName(s.opts.Boot, name)]
	if u != nil && u.lastRec != nil {
		c := *u.lastRec
		c.t += s.zero()
		s.mu.Unlock()
		return c.reading(name), true
	}
	defer s.mu.Unlock()
	if p == nil || p.lastRec == nil {
		return sensors.Reading{}, false
	}
	return p.lastRec.reading(name), true
}

// zero is the provisional wall time, in ms, of uptime zero.
func (s *Store) zero() int64 {
	return s.started.Round(0).UnixMilli() - s.upAt.Milliseconds()
}

// Readings yields the probe's readings with from ≤ At ≤ to, oldest first,
// from memory and disk alike. A zero time means no bound on that side.
// Damaged stretches are absent, counted and said ([Store.Trouble]); an error
// is yielded once and ends the sequence. Readings of this boot that have no
// date yet appear at the time the untrusted clock said. Memory stays flat
// over any span: an hour is decoded at a time.
func (s *Store) Readings(name string, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		lo, hi := int64(0), maxTime
		if !from.IsZero() {
			lo = max(ceilMS(from), 0)
		}
		if !to.IsZero() {
			hi = min(to.UnixMilli(), maxTime)
		}
		if lo > hi {
			return
		}
		s.mu.Lock()
		zero := s.zero()
		dated, undated := s.probes[name], s.probes[undatedName(s.opts.Boot, name)]
		s.mu.Unlock()
		a := s.records(dated, lo, hi, 0)
		if undated == nil {
			for c, err := range a {
				if !yieldRec(yield, name, c, err) {
					return
				}
			}
			return
		}
		for c, err := range mergeRecs(a, s.records(undated, lo-zero, hi-zero, zero)) {
			if !yieldRec(yield, name, c, err) {
				return
			}
		}
	}
}

func yieldRec(yield func(sensors.Reading, error) bool, name string, c rec, err error) bool {
	if err != nil {
		yield(sensors.Reading{}, fmt.Errorf("history: readings of %s: %w", name, err))
		return false
	}
	return yield(c.reading(name), nil)
}

// ceilMS rounds up to a whole millisecond, so that a bound excludes what is
// before it.
func ceilMS(t time.Time) int64 {
	ms := t.UnixMilli()
	if t.After(time.UnixMilli(ms)) {
		ms++
	}
	return ms
}

// mergeRecs yields two sorted sequences as one.
func mergeRecs(a, b iter.Seq2[rec, error]) iter.Seq2[rec, error] {
	return func(yield func(rec, error) bool) {
		next, stop := iter.Pull2(b)
		defer stop()
		y, err, ok := next()
		for x, errX := range a {
			if errX != nil {
				yield(x, errX)
				return
			}
			for ok && err == nil && y.t < x.t {
				if !yield(y, nil) {
					return
				}
				y, err, ok = next()
			}
			if ok && err != nil {
				yield(y, err)
				return
			}
			if !yield(x, nil) {
				return
			}
		}
		for ; ok; y, err, ok = next() {
			if !yield(y, err) || err != nil {
				return
			}
		}
	}
}

// records yields a probe's readings with lo ≤ t ≤ hi, shifted by add.
func (s *Store) records(p *probe, lo, hi, add int64) iter.Seq2[rec, error] {
	return func(yield func(rec, error) bool) {
		if p == nil || lo > hi {
			return
		}
		s.mu.Lock()
		i := sort.Search(len(p.tail), func(i int) bool { return p.tail[i].t >= lo })
		j := sort.Search(len(p.tail), func(i int) bool { return p.tail[i].t > hi })
		var tail []rec
		if i < j {
			tail = slices.Clone(p.tail[i:j])
		}
		first, last := max(p.first, floorHour(lo)), min(p.last, floorHour(hi))
		idx := p.idx
		s.mu.Unlock()

		prev := int64(math.MinInt64)
		// emit yields sorted readings, dropping what is there twice (a late
		// one that was packed too, one packed while this runs) and keeping
		// times strictly rising.
		var kept rec
		emit := func(c rec) bool {
			if c.t < lo || c.t > hi {
				return true
			}
			if c.t <= prev {
				if c.same(kept) && c.t == kept.t {
					return true
				}
				c.t = prev + 1
			}
			prev, kept = c.t, c
			c.t += add
			return yield(c, nil)
		}
		for h := first; h <= last; {
			n := min(last, h+23)
			rs, err := s.packed(s.ctx, idx, h, n)
			if err != nil {
				yield(rec{}, err)
				return
			}
			end := (n + 1) * hourMS
			k := 0
			for k < len(tail) && tail[k].t < end {
				k++
			}
			if k > 0 {
				// The packed one first where both have it.
				rs = append(rs, tail[:k]...)
				tail = tail[k:]
			}
			if !slices.IsSortedFunc(rs, byTime) {
				slices.SortStableFunc(rs, byTime)
			}
			for _, c := range rs {
				if !emit(c) {
					return
				}
			}
			h = n + 1
		}
		for _, c := range tail {
			if !emit(c) {
				return
			}
		}
	}
}

func byTime(a, b rec) int {
	switch {
	case a.t < b.t:
		return -1
	case a.t > b.t:
		return 1
	}
	return 0
}

// packed decodes the probe's packs of the hours from..to.
func (s *Store) packed(ctx context.Context, idx, from, to int64) ([]rec, error) {
	var out []rec
	var bad []int64
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	if s.closed {
		return nil, ErrClosed
	}
	// One query over all probes of the hours, filtered by number, is much
	// cheaper than one an hour.
	rows := func() error {
		return eachRowWhere(ctx, s.db, "packs", packID(from, 0, 0), packID(to+1, 0, 0)-1,
			fmt.Sprintf("id >> %d & %d = %d", partBits, maxProbes-1, idx),
			func(id int64, body []byte, ok bool) error {
				if ok {
					if _, rs, err := unpack(body); err == nil {
						out = append(out, rs...)
						return nil
					}
				}
				bad = append(bad, id)
				return nil
			})
	}
	err := rows()
	if isCorrupt(err) {
		s.corrupt(err)
		out, bad = nil, nil
		err = rows() // mended, or as far as it goes
	}
	if err != nil && !isCorrupt(err) {
		return nil, err
	}
	for _, id := range bad {
		s.setAsideRow(ctx, "packs", id)
	}
	return out, nil
}

// packDue reports whether an hour is complete or the tail has grown long.
func (s *Store) packDue() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.readOnly || s.failing != nil {
		return false
	}
	if s.tailCount > 50_000 {
		return s.packable() > 0
	}
	now := s.opts.Now().UnixMilli()
	for _, p := range s.byIdx {
		// Half a minute of grace for readings on their way.
		if p != nil && len(p.tail) > 0 && p.boot == "" && floorHour(p.tail[0].t) < floorHour(now-30_000) {
			return true
		}
	}
	return false
}

// cutoff is the hour before which a probe's readings can be packed; mu is
// held.
func (s *Store) cutoff(p *probe) int64 {
	h := floorHour(p.newest)
	if p.boot == "" && s.trusted {
		h = max(h, floorHour(s.opts.Now().UnixMilli()-30_000))
	}
	return h
}

// packable counts readings whose hour is complete; mu is held.
func (s *Store) packable() int {
	n := 0
	for _, p := range s.byIdx {
		if p == nil {
			continue
		}
		end := s.cutoff(p) * hourMS
		n += sort.Search(len(p.tail), func(i int) bool { return p.tail[i].t >= end })
	}
	return n
}

// Compact packs complete hours and enforces the bounds on size and age. The
// store does it by itself; call it to have it done now.
func (s *Store) Compact(ctx context.Context) error {
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	for {
		more, err := s.flushSome(ctx)
		if err != nil {
			return err
		}
		if !more {
			break
		}
	}
	if err := s.packNow(ctx); err != nil {
		return err
	}
	if err := s.retain(ctx); err != nil {
		return err
	}
	s.makeReserve()
	return nil
}

// packNow packs all complete hours in one transaction; dbmu is held and
// nothing is pending.
func (s *Store) packNow(ctx context.Context) error {
	type group struct {
		p    *probe
		hour int64
		rs   []rec
	}
	s.mu.Lock()
	pendingFrom := int64(math.MaxInt64) // not on disk yet: came since the flush
	if len(s.pending) > 0 {
		pendingFrom = s.pending[0].seq
	}
	var groups []group
	var rest []pend
	for _, p := range s.byIdx {
		if p == nil {
			continue
		}
		end := s.cutoff(p) * hourMS
		for _, c := range p.tail {
			switch {
			case c.seq >= pendingFrom:
			case c.t >= end:
				rest = append(rest, pend{p.idx, c})
			default:
				h := floorHour(c.t)
				if n := len(groups); n == 0 || groups[n-1].p != p || groups[n-1].hour != h || len(groups[n-1].rs) >= maxPack {
					groups = append(groups, group{p: p, hour: h})
				}
				g := &groups[len(groups)-1]
				g.rs = append(g.rs, c)
			}
		}
	}
	old := make([]int64, 0, len(s.tailRows))
	for id := range s.tailRows {
		old = append(old, id)
	}
	nextSeq := s.nextSeq
	s.mu.Unlock()
	if len(groups) == 0 {
		return nil
	}
	slices.SortFunc(rest, func(a, b pend) int { return int(min(max(a.seq-b.seq, -1), 1)) })
	slices.SortStableFunc(groups, func(a, b group) int { return int(min(max(a.hour-b.hour, -1), 1)) })

	// Where a part of the hour is packed already, what is in it is left out.
	log := packLog{safe: nextSeq}
	if len(rest) > 0 {
		log.safe = rest[0].seq
	}
	if pendingFrom < log.safe {
		log.safe = pendingFrom
	}
	type out struct {
		id   int64
		body []byte
		n    int
		p    *probe
		hour int64
	}
	var outs []out
	parts := map[int64]int64{}
	packedNow := map[int64]bool{} // numbers that leave the tail
	hi := int64(0)
	for _, g := range groups {
		for _, c := range g.rs {
			packedNow[c.seq] = true
			hi = max(hi, c.seq)
		}
		base := packID(g.hour, g.p.idx, 0)
		part, known := parts[base]
		rs := g.rs
		if !known && g.p.first <= g.hour && g.hour <= g.p.last {
			have := map[int64]rec{}
			err := eachRow(ctx, s.db, "packs", base, base|(maxParts-1), func(id int64, body []byte, ok bool) error {
				part = id&(maxParts-1) + 1
				if ok {
					if _, old, err := unpack(body); err == nil {
						for _, c := range old {
							have[c.t] = c
						}
					}
				}
				return nil
			})
			if err != nil {
				if isCorrupt(err) {
					s.corrupt(err)
				}
				return diskError(err)
			}
			if len(have) > 0 {
				rs = slices.DeleteFunc(slices.Clone(rs), func(c rec) bool {
					o, ok := have[c.t]
					return ok && o.same(c)
				})
			}
		}
		if len(rs) == 0 {
			continue
		}
		if part >= maxParts {
			return fmt.Errorf("hour %d of probe %s: too many late parts", g.hour, g.p.name)
		}
		parts[base] = part + 1
		o := out{id: base | part, body: pack(g.p.name, rs), n: len(rs), p: g.p, hour: g.hour}
		outs = append(outs, o)
		log.packs = append(log.packs, refOf(o.id, rs))
	}

	var tail []tailRow
	for b := rest; len(b) > 0; {
		n := min(len(b), 2000)
		tail = append(tail, makeTailRow(b[:n]))
		b = b[n:]
	}
	s.mu.Lock()
	for _, o := range outs {
		o.p.first, o.p.last = min(o.p.first, o.hour), max(o.p.last, o.hour)
		s.saveProbe(o.p)
	}
	var rows []kvRow
	for k := range s.kvDirty {
		rows = append(rows, *s.kv[k])
	}
	s.mu.Unlock()

	err := s.write(ctx, func(tx *sql.Tx) error {
		for _, o := range outs {
			if err := putRow(ctx, tx, "packs", o.id, o.body); err != nil {
				return err
			}
		}
		if len(log.packs) > 0 {
			// Rising in order of packing, and never below what it holds.
			var last int64
			if err := tx.QueryRowContext(ctx, "SELECT coalesce(max(id), 0) FROM packlog").Scan(&last); err != nil {
				return err
			}
			if err := putRow(ctx, tx, "packlog", max(last+1, hi), log.encode()); err != nil {
				return err
			}
		}
		for _, id := range old {
			if err := delRow(ctx, tx, "tail", id); err != nil {
				return err
			}
		}
		for _, r := range tail {
			if err := putRow(ctx, tx, "tail", r.id, r.body); err != nil {
				return err
			}
		}
		for _, r := range rows {
			if err := putKV(ctx, tx, r); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, o := range outs {
		s.stats.Packed += uint64(o.n)
		s.stats.PackedSize += uint64(len(o.body))
	}
	for _, id := range old {
		delete(s.tailRows, id)
	}
	for _, r := range tail {
		s.tailRows[r.id] = true
	}
	for _, r := range rows {
		if s.kv[r.kvKey] != nil && s.kv[r.kvKey].Rev == r.Rev {
			delete(s.kvDirty, r.kvKey)
		}
	}
	for _, p := range s.byIdx {
		if p == nil {
			continue
		}
		before := len(p.tail)
		p.tail = slices.DeleteFunc(p.tail, func(c rec) bool { return packedNow[c.seq] })
		if len(p.tail) < cap(p.tail)/4 {
			p.tail = slices.Clone(p.tail)
		}
		s.tailCount -= before - len(p.tail)
	}
	return nil
}

// retain drops the oldest hours beyond the bounds; dbmu is held.
func (s *Store) retain(ctx context.Context) error {
	oldest := floorHour(s.opts.Now().Add(-s.opts.MaxAge).UnixMilli())
	if err := s.dropHours(ctx, oldest); err != nil {
		return err
	}
	for range 1000 {
		var pages, free, size int64
		for q, v := range map[string]*int64{"page_count": &pages, "freelist_count": &free, "page_size": &size} {
			if err := s.db.QueryRowContext(ctx, "PRAGMA "+q).Scan(v); err != nil {
				return diskError(err)
			}
		}
		if (pages-free)*size <= s.opts.MaxBytes {
			return nil
		}
		var first sql.NullInt64
		if err := s.db.QueryRowContext(ctx, "SELECT min(id) FROM packs WHERE id >= ?", packID(firstHour, 0, 0)).Scan(&first); err != nil {
			return diskError(err)
		}
		if !first.Valid {
			return nil // no readings left to drop; work stays
		}
		if err := s.dropHours(ctx, packHour(first.Int64)+24); err != nil {
			return err
		}
	}
	return nil
}

// dropHours drops packs of hours before the given one and events of that age.
func (s *Store) dropHours(ctx context.Context, hour int64) error {
	if hour <= firstHour {
		return nil
	}
	from, end := packID(firstHour, 0, 0), packID(hour, 0, 0)-1
	var n int
	if err := s.db.QueryRowContext(ctx, "SELECT count(*) FROM (SELECT 1 FROM packs WHERE id BETWEEN ? AND ? UNION ALL SELECT 1 FROM events WHERE id < ? LIMIT 1)", from, end, eventID(hour*hourMS, 0)).Scan(&n); err != nil {
		return diskError(err)
	}
	if n == 0 {
		return nil
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, "DELETE FROM packs WHERE id BETWEEN ? AND ?", from, end); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, "DELETE FROM events WHERE id < ?", eventID(hour*hourMS, 0)); err != nil {
			return err
		}
		return prunePackLog(ctx, tx, hour)
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.byIdx {
		if p != nil && p.boot == "" && p.first <= p.last && p.first < hour {
			p.first = hour
			if p.first > p.last {
				p.first, p.last = math.MaxInt64, math.MinInt64
			}
			s.saveProbe(p)
		}
	}
	return nil
}

// prunePackLog drops the oldest entries of the log of packs that name none
// but dropped packs.
func prunePackLog(ctx context.Context, tx *sql.Tx, hour int64) error {
	var old []int64
	err := eachRow(ctx, tx, "packlog", 0, maxID, func(id int64, body []byte, ok bool) error {
		l, err := decodePackLog(body)
		if ok && err == nil {
			for _, r := range l.packs {
				if h := packHour(r.id); h >= hour || h < firstHour {
					return errStop
				}
			}
		}
		old = append(old, id)
		return nil
	})
	if err != nil && !errors.Is(err, errStop) {
		return err
	}
	// The newest stays: its number is where the next begins.
	for _, id := range old[:max(len(old)-1, 0)] {
		if err := delRow(ctx, tx, "packlog", id); err != nil {
			return err
		}
	}
	return nil
}

// SetClockTrusted says whether the wall clock can be believed from now on.
// Call it with true only after [Store.DateUntrusted] has dated what came
// before.
func (s *Store) SetClockTrusted(on bool) {
	s.mu.Lock()
	s.trusted = on
	s.mu.Unlock()
}

// Boot names this run of the kernel, as readings without a date are kept by.
func (s *Store) Boot() string { return s.opts.Boot }

// Uptime returns the uptime of a moment of this process.
func (s *Store) Uptime(t time.Time) time.Duration { return s.upAt + t.Sub(s.started) }

// Dated says what [Store.DateUntrusted] gave a date.
type Dated struct {
	Readings int
	Work     int // records whose times were shifted, by a correction
}

// DateUntrusted gives all readings of the boot that have no date theirs: zero
// is the true wall time at which the boot's uptime was zero (for this boot,
// true now minus [Store.Uptime] of now). Records of work that were entered
// under the untrusted clock get a correction by "clock" with their times
// shifted. It is durable before it returns, and safe to repeat.
func (s *Store) DateUntrusted(ctx context.Context, boot string, zero time.Time) (Dated, error) {
	var d Dated
	z := zero.UnixMilli()
	s.mu.Lock()
	if boot == s.opts.Boot {
		s.ownZero = z // what comes from now on needs no dating
	}
	var from []*probe
	for _, p := range s.byIdx {
		if p != nil && p.boot == boot && boot != "" {
			from = append(from, p)
		}
	}
	s.mu.Unlock()
	if err := s.Flush(ctx); err != nil {
		return d, err
	}
	for _, p := range from {
		var rs []rec
		for c, err := range s.records(p, math.MinInt64/2, math.MaxInt64/2, 0) {
			if err != nil {
				return d, fmt.Errorf("history: date readings of %s: %w", p.base, err)
			}
			rs = append(rs, c)
		}
		// First the dated copy reaches the disk, then the undated one goes:
		// a power cut between leaves both, and dating again drops the twins.
		s.mu.Lock()
		q := s.probeFor(p.base)
		for _, c := range rs {
			c.t += z
			if c.t < firstHour*hourMS || c.t > maxTime {
				s.stats.Refused++
				continue
			}
			if s.insert(q, &c) {
				s.pending = append(s.pending, pend{q.idx, c})
				d.Readings++
			}
		}
		q.version++
		s.waiting()
		s.mu.Unlock()
		if err := s.Flush(ctx); err != nil {
			return d, err
		}
		if err := s.dropUndated(ctx, p); err != nil {
			return d, err
		}
	}
	n, err := s.dateWork(ctx, boot, zero)
	d.Work = n
	return d, err
}

// dropUndated removes the readings of a boot's probe after they were dated.
func (s *Store) dropUndated(ctx context.Context, p *probe) error {
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	s.mu.Lock()
	// The tail is written anew without them, as packing does.
	var rest []pend
	for _, q := range s.byIdx {
		if q == nil || q == p {
			continue
		}
		for _, c := range q.tail {
			rest = append(rest, pend{q.idx, c})
		}
	}
	onDisk := int64(math.MaxInt64)
	if len(s.pending) > 0 {
		onDisk = s.pending[0].seq
	}
	rest = slices.DeleteFunc(rest, func(x pend) bool { return x.seq >= onDisk })
	slices.SortFunc(rest, func(a, b pend) int { return int(min(max(a.seq-b.seq, -1), 1)) })
	old := make([]int64, 0, len(s.tailRows))
	for id := range s.tailRows {
		old = append(old, id)
	}
	first, last := p.first, p.last
	s.mu.Unlock()
	var tail []tailRow
	for b := rest; len(b) > 0; {
		n := min(len(b), 2000)
		tail = append(tail, makeTailRow(b[:n]))
		b = b[n:]
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		for _, id := range old {
			if err := delRow(ctx, tx, "tail", id); err != nil {
				return err
			}
		}
		for _, r := range tail {
			if err := putRow(ctx, tx, "tail", r.id, r.body); err != nil {
				return err
			}
		}
		for h := first; h <= last; h++ {
			if _, err := tx.ExecContext(ctx, "DELETE FROM packs WHERE id BETWEEN ? AND ?", packID(h, p.idx, 0), packID(h, p.idx, maxParts-1)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tailRows = map[int64]bool{}
	for _, r := range tail {
		s.tailRows[r.id] = true
	}
	s.tailCount -= len(p.tail)
	s.pending = slices.DeleteFunc(s.pending, func(x pend) bool { return x.idx == p.idx })
	p.tail, p.lastRec, p.newest = nil, nil, math.MinInt64
	p.first, p.last = math.MaxInt64, math.MinInt64
	p.version++
	s.saveProbe(p)
	return nil
}

// UndatedBoots lists boots whose readings have no date, with how many are in
// memory.
func (s *Store) UndatedBoots() map[string]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string]int{}
	for _, p := range s.byIdx {
		if p != nil && p.boot != "" && (len(p.tail) > 0 || p.first <= p.last) {
			out[p.boot] += len(p.tail)
		}
	}
	return out
}

// A Cursor is a place in the order of intake. The zero cursor is before
// everything.
type Cursor int64

// String and ParseCursor carry a cursor through text.
func (c Cursor) String() string { return strconv.FormatInt(int64(c), 10) }

// cursorEvery is how often cursors reach the disk: each write of one costs
// the card a page.
const cursorEvery = 5 * time.Minute

// Cursor returns how far the named sender has come.
func (s *Store) Cursor(name string) Cursor {
	s.mu.Lock()
	c, ok := s.cursors[name]
	s.mu.Unlock()
	if ok {
		return c
	}
	b, ok := s.KV("cursor", name)
	if !ok {
		return 0
	}
	n, err := strconv.ParseInt(string(b), 10, 64)
	if err != nil {
		return 0
	}
	return Cursor(n)
}

// SetCursor keeps how far the named sender has come. It reaches the disk
// within five minutes and at a proper stop: after a power cut a sender repeats
// that much, which receivers that key on probe and time do not notice.
func (s *Store) SetCursor(name string, c Cursor) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cursors[name] == c {
		return
	}
	s.cursors[name] = c
	s.waiting()
}

// cursorsDue has the next commit write the cursors; mu is held.
func (s *Store) cursorsDue(always bool) {
	now := s.opts.Now()
	if d := now.Sub(s.cursorsAt); !always && d >= 0 && d < cursorEvery {
		return
	}
	for name, c := range s.cursors {
		s.kvLater("cursor", name, []byte(c.String()))
		s.cursorsAt = now
	}
}

// ReadingsAfter returns up to limit dated readings that came after the
// cursor, in order of intake, and the cursor behind them. Late readings come
// when they came, so nothing is skipped and nothing comes twice.
func (s *Store) ReadingsAfter(ctx context.Context, c Cursor, limit int) ([]sensors.Reading, Cursor, error) {
	type item struct {
		rec
		idx int64
	}
	var heap []item       // what may still be emitted, sorted when needed
	after := int64(c) - 1 // numbers start at 0, the zero cursor is before them
	emit := func(out []sensors.Reading, below int64) []sensors.Reading {
		slices.SortFunc(heap, func(a, b item) int { return int(min(max(a.seq-b.seq, -1), 1)) })
		n := 0
		for n < len(heap) && heap[n].seq < below && len(out) < limit {
			x := heap[n]
			n++
			if x.seq <= after {
				continue // there twice
			}
			after = x.seq
			s.mu.Lock()
			var p *probe
			if x.idx < int64(len(s.byIdx)) {
				p = s.byIdx[x.idx]
			}
			s.mu.Unlock()
			if p != nil && p.boot == "" {
				out = append(out, x.reading(p.base))
			}
		}
		heap = slices.Delete(heap, 0, n)
		return out
	}
	var out []sensors.Reading
	if limit <= 0 {
		return nil, c, nil
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	if s.closed {
		return nil, c, ErrClosed
	}
	var refs []packRef // not opened yet, by first number
	open := func(below int64) error {
		slices.SortFunc(refs, func(a, b packRef) int { return int(min(max(a.lo-b.lo, -1), 1)) })
		n := 0
		for n < len(refs) && refs[n].lo < below {
			id := refs[n].id
			n++
			err := eachRow(ctx, s.db, "packs", id, id, func(id int64, body []byte, ok bool) error {
				if !ok {
					return nil // counted and set aside where it is read or checked
				}
				_, rs, err := unpack(body)
				if err != nil {
					return nil
				}
				for _, r := range rs {
					if r.seq > after {
						heap = append(heap, item{r, packProbe(id)})
					}
				}
				return nil
			})
			if err != nil {
				return err
			}
		}
		refs = refs[n:]
		return nil
	}
	// step emits up to a bound, opening only the packs that are needed.
	step := func(safe int64) error {
		for len(out) < limit {
			below := safe
			if len(refs) > 0 {
				slices.SortFunc(refs, func(a, b packRef) int { return int(min(max(a.lo-b.lo, -1), 1)) })
				// Open at least the first, then all that begin before its end.
				if refs[0].lo < safe {
					end := min(refs[0].hi+1, safe)
					if err := open(end); err != nil {
						return err
					}
					below = end
				}
			}
			n := len(out)
			out = emit(out, below)
			if below == safe && len(out) == n {
				return nil
			}
			if below == safe {
				return nil
			}
		}
		return nil
	}
	at := after
	for len(out) < limit {
		var l packLog
		found := false
		err := eachRow(ctx, s.db, "packlog", at+1, maxID, func(id int64, body []byte, ok bool) error {
			if found {
				return errStop
			}
			at = id
			if !ok {
				return nil
			}
			p, err := decodePackLog(body)
			if err != nil {
				return nil
			}
			l, found = p, true
			return nil
		})
		if err != nil && !errors.Is(err, errStop) {
			return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
		}
		if !found {
			break
		}
		for _, r := range l.packs {
			if r.hi > after {
				refs = append(refs, r)
			}
		}
		if err := step(l.safe); err != nil {
			return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
		}
	}
	if len(out) < limit {
		s.mu.Lock()
		for _, p := range s.byIdx {
			if p == nil {
				continue
			}
			for _, r := range p.tail {
				if r.seq > after {
					heap = append(heap, item{r, p.idx})
				}
			}
		}
		s.mu.Unlock()
		if err := step(math.MaxInt64); err != nil {
			return nil, c, fmt.Errorf("history: readings after %v: %w", c, err)
		}
	}
	return out, Cursor(after + 1), nil
}

var errStop = errors.New("stop")
