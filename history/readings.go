// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"
	"time"

	"curewright/sensors"
)

const hourMS = int64(time.Hour / time.Millisecond)

// probe is what is kept in memory of one probe: its readings that are not
// packed yet. A probe with a boot holds readings without a date, by uptime.
type probe struct {
	name string // as stored; an undated probe's has the boot in it
	base string // as the person knows it
	boot string
	idx  int64

	tail    []rec // sorted by time
	newest  int64 // ms; math.MinInt64 when there is none
	first   int64 // first and last packed hour; first > last when none
	last    int64
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
// dated by [Store.DateUntrusted]. Readings dated before 1990, or without any value,
// are refused and counted. It returns how many were taken.
func (s *Store) Append(rs []sensors.Reading) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	taken := 0
	for _, r := range rs {
		c := toRec(r)
		name := r.Probe
		if !s.trusted {
			c.t = s.uptimeOf(r.At).Milliseconds()
			if s.ownZero != 0 {
				c.t += s.ownZero // this boot has its date, and SetClockTrusted is yet to come
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

// onDisk returns the number of the first reading that is not on disk yet; all
// lower ones are. mu is held.
func (s *Store) onDisk() int64 {
	if len(s.pending) > 0 {
		return s.pending[0].seq
	}
	return math.MaxInt64
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

// zero is the provisional wall time, in ms, of uptime zero.
func (s *Store) zero() int64 {
	return s.wallAt.UnixMilli() - s.upAt.Milliseconds()
}

// uptimeOf is the uptime of a moment of this process, by the monotonic clock
// where the time has it, else by the untrusted wall clock.
func (s *Store) uptimeOf(t time.Time) time.Duration {
	if t == t.Round(0) {
		return s.upAt + t.Sub(s.wallAt)
	}
	return s.upAt + t.Sub(s.started)
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
		seq := s.records(dated, lo, hi, 0)
		if undated != nil {
			seq = mergeRecs(seq, s.records(undated, lo-zero, hi-zero, zero))
		}
		for c, err := range seq {
			if err != nil {
				yield(sensors.Reading{}, fmt.Errorf("history: readings of %s: %w", name, err))
				return
			}
			if !yield(c.reading(name), nil) {
				return
			}
		}
	}
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
		// emit yields sorted readings with strictly rising times. It drops
		// readings that are stored twice: a late one that was packed too, or one
		// packed while this runs.
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
	s.mu.Lock()
	parts, ok := s.recent.get(idx, from, to)
	s.mu.Unlock()
	var out []rec
	if ok {
		for _, b := range parts {
			_, rs, err := unpack(b)
			if err != nil {
				return nil, err // cannot happen: packs in memory were checked
			}
			out = append(out, rs...)
		}
		return out, nil
	}
	var bad []int64
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	if s.closed {
		return nil, ErrClosed
	}
	// One query over all probes of the hours, filtered by number, is much
	// cheaper than one an hour.
	var read map[int64][][]byte
	rows := func() error {
		out, bad, read = nil, nil, map[int64][][]byte{}
		return eachRowWhere(ctx, s.db, "packs", packID(from, 0, 0), packID(to+1, 0, 0)-1,
			fmt.Sprintf("id >> %d & %d = %d", partBits, maxProbes-1, idx),
			func(id int64, body []byte, ok bool) error {
				if ok {
					if _, rs, err := unpack(body); err == nil {
						out = append(out, rs...)
						read[packHour(id)] = append(read[packHour(id)], slices.Clone(body))
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
		err = rows() // again, after the repair; or as far as it can be read
	}
	if err != nil && !isCorrupt(err) {
		return nil, err
	}
	if err == nil && len(bad) == 0 {
		s.mu.Lock()
		newest := floorHour(s.byIdx[idx].newest)
		for h := from; h <= to; h++ {
			if newest-h < recentSpan {
				s.recent.set(probeHour{idx, h}, read[h])
			}
		}
		s.mu.Unlock()
	}
	for _, id := range bad {
		s.setAsideRow(ctx, "packs", id)
	}
	return out, nil
}

// recentSpan is how many hours before a probe's newest reading stay in memory once
// they were read.
const recentSpan = 72
