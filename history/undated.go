// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

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
	Readings int // given a date, or another one
	Work     int // records whose times were shifted, by a correction
}

// bootDate is what a run of the kernel was last dated by: bucket "meta", key
// "dated/BOOT".
type bootDate struct {
	ZeroMS int64 `json:"zero_ms"` // wall time of the boot's uptime zero
	Seq    int64 `json:"seq"`     // readings from this number on were dated by it
}

// sameDate is the difference below which two dates of a boot are one: the
// clock drifts and is slewed meanwhile.
const sameDate = 2 * time.Second

// BootDate returns the wall time that this boot's uptime zero was last given
// by [Store.DateUntrusted]; false where the boot was not dated.
func (s *Store) BootDate() (zero time.Time, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return time.UnixMilli(s.ownZero).UTC(), s.ownZero != 0
}

// LastRecord returns the newest date of anything kept: a reading with a date,
// or an entry of the record of work made under a date; false where there is
// none. A date far from it is doubtful.
func (s *Store) LastRecord() (time.Time, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var last time.Time
	for _, r := range s.work {
		if r.at.After(last) {
			last = r.at
		}
	}
	for _, p := range s.byIdx {
		if p != nil && p.boot == "" {
			if t := time.UnixMilli(p.newest).UTC(); t.After(last) {
				last = t
			}
		}
	}
	return last, !last.IsZero()
}

// NeedsDate reports whether readings or records of work of this boot wait for
// a date.
func (s *Store) NeedsDate() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.byIdx {
		if p != nil && p.boot == s.opts.Boot && p.boot != "" && (len(p.tail) > 0 || p.first <= p.last) {
			return true
		}
	}
	return s.ownStamped
}

// DateUntrusted gives all readings of the boot that have no date theirs: zero
// is the true wall time at which the boot's uptime was zero (for this boot,
// true now minus [Store.Uptime] of now). Where the boot was dated before by
// another zero, a phone's that was wrong, all that came in under it moves by
// the difference. Records of work that were entered under the untrusted clock
// or the other zero get a correction by "clock" with the times shifted that
// they got in this boot. It is durable before it returns, and safe to repeat.
func (s *Store) DateUntrusted(ctx context.Context, boot string, zero time.Time) (Dated, error) {
	var d Dated
	if boot == "" {
		return d, nil
	}
	s.dating.Lock() // two phones at once: the later one moves what the first dated
	defer s.dating.Unlock()
	z := zero.UnixMilli()
	s.mu.Lock()
	was, dated := s.bootDate(boot)
	if dated && time.Duration(abs(z-was.ZeroMS))*time.Millisecond < sameDate {
		z, zero = was.ZeroMS, time.UnixMilli(was.ZeroMS)
	}
	if !dated {
		was = bootDate{z, s.nextSeq}
		s.saveBootDate(boot, was)
	}
	if boot == s.opts.Boot && !dated {
		s.ownZero = z // what comes from now on needs no dating
	}
	var from []*probe
	for _, p := range s.byIdx {
		if p != nil && p.boot == boot {
			from = append(from, p)
		}
	}
	s.mu.Unlock()
	if z != was.ZeroMS {
		n, err := s.moveReadings(ctx, boot, was, z)
		d.Readings += n
		if err != nil {
			return d, fmt.Errorf("history: move readings to another date: %w", err)
		}
	}
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

func abs(x int64) int64 { return max(x, -x) }

// bootDate reads what a boot was dated by; mu is held.
func (s *Store) bootDate(boot string) (d bootDate, ok bool) {
	r := s.kv[kvKey{"meta", "dated/" + boot}]
	return d, r != nil && json.Unmarshal(r.value(), &d) == nil && d.ZeroMS != 0
}

// saveBootDate has the next commit write it; mu is held. Boots long gone are
// forgotten.
func (s *Store) saveBootDate(boot string, d bootDate) {
	b, err := json.Marshal(d)
	if err != nil {
		return
	}
	s.kvLater("meta", "dated/"+boot, b)
	s.waiting()
}

// movable is a stretch of readings that a boot's wrong date covers.
type movable struct {
	seqFrom, seqTo int64 // numbers: from ≤ seq < to
	lo, hi         int64 // times: lo ≤ t ≤ hi
}

func (m movable) has(c rec) bool {
	return c.seq >= m.seqFrom && c.seq < m.seqTo && c.t >= m.lo && c.t <= m.hi
}

// redate is what a better date of a boot changes.
type redate struct {
	movable
	by    int64
	moved []pend             // with their new times and numbers
	packs map[int64][]byte   // new bodies by id, nil for a pack that is empty now
	hours map[probeHour]bool // of these packs
}

// take moves one reading; mu is held.
func (s *Store) take(r *redate, idx int64, c rec) {
	c.t += r.by
	c.seq = s.nextSeq
	s.nextSeq++
	r.moved = append(r.moved, pend{idx, c})
}

// moveReadings shifts what came in while the boot had another date: by number,
// since the date is what was wrong, and within the span of that date, so that
// a pushed reading that brought a time of its own stays. One transaction: a
// power cut leaves the old dates or the new ones.
func (s *Store) moveReadings(ctx context.Context, boot string, was bootDate, zero int64) (int, error) {
	s.mu.Lock()
	// The clock is right by now: what comes while the card is written stays.
	seqTo := s.nextSeq
	s.mu.Unlock()
	if err := s.dbmu.LockFor(ctx); err != nil {
		return 0, err
	}
	defer s.dbmu.Unlock()
	for more := true; more; {
		var err error
		if more, err = s.flushSome(ctx); err != nil {
			return 0, err
		}
	}
	s.mu.Lock()
	r := &redate{by: zero - was.ZeroMS, packs: map[int64][]byte{}, hours: map[probeHour]bool{}}
	r.movable = movable{seqFrom: was.Seq, seqTo: seqTo, lo: was.ZeroMS - hourMS, hi: was.ZeroMS + s.Uptime(time.Now()).Milliseconds() + hourMS}
	if boot != s.opts.Boot {
		r.hi = maxTime
	}
	// Undated ones of other boots stay where they are.
	rest := s.onDiskTail(func(p *probe, c rec) bool { return p.boot != "" || !r.has(c) })
	lo, hi := int64(math.MaxInt64), int64(math.MinInt64)
	for _, p := range s.byIdx {
		if p == nil || p.boot != "" {
			continue
		}
		for _, c := range p.tail {
			if r.has(c) {
				s.take(r, p.idx, c)
			}
		}
		if p.first <= p.last {
			lo, hi = min(lo, p.first), max(hi, p.last)
		}
	}
	s.mu.Unlock()
	if err := s.takeFromPacks(ctx, r, max(floorHour(r.lo), lo), min(floorHour(r.hi), hi)); err != nil {
		return 0, err
	}
	s.mu.Lock()
	s.saveBootDate(boot, bootDate{zero, was.Seq})
	s.mu.Unlock()
	err := s.rewriteTail(ctx, append(rest, r.moved...), func(tx *sql.Tx) error {
		for id, body := range r.packs {
			var err error
			if body == nil {
				err = delRow(ctx, tx, "packs", id)
			} else {
				err = putRow(ctx, tx, "packs", id, body)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	s.mu.Lock()
	if err != nil {
		s.saveBootDate(boot, was)
		s.mu.Unlock()
		return 0, err
	}
	if boot == s.opts.Boot {
		s.ownZero = zero
	}
	s.redated(r)
	s.mu.Unlock()
	return len(r.moved), s.indexPacks(ctx)
}

// takeFromPacks moves readings of packed hours: what moves leaves its pack and
// waits in the tail again. dbmu is held.
func (s *Store) takeFromPacks(ctx context.Context, r *redate, first, last int64) error {
	if first > last {
		return nil
	}
	return eachRow(ctx, s.db, "packs", packID(first, 0, 0), packID(last+1, 0, 0)-1, func(id int64, body []byte, ok bool) error {
		name, rs, err := unpack(body)
		if !ok || err != nil {
			return nil // counted where packs are checked
		}
		var keep []rec
		s.mu.Lock()
		for _, c := range rs {
			if r.has(c) {
				s.take(r, packProbe(id), c)
			} else {
				keep = append(keep, c)
			}
		}
		s.mu.Unlock()
		if len(keep) == len(rs) {
			return nil
		}
		r.hours[probeHour{packProbe(id), packHour(id)}] = true
		r.packs[id] = nil
		if len(keep) > 0 {
			r.packs[id] = pack(name, keep)
		}
		return nil
	})
}

// redated moves in memory what was moved on disk; mu is held.
func (s *Store) redated(r *redate) {
	s.recent.dropIf(func(k probeHour) bool { return r.hours[k] })
	for _, p := range s.byIdx {
		if p != nil && p.boot == "" {
			p.tail = slices.DeleteFunc(p.tail, r.has)
			p.version++
		}
	}
	for _, x := range r.moved {
		p := s.byIdx[x.idx]
		p.tail = append(p.tail, x.rec)
	}
	s.tailCount = 0
	for _, p := range s.byIdx {
		if p != nil {
			slices.SortStableFunc(p.tail, byTime)
			s.tailCount += len(p.tail)
		}
	}
}

// indexPacks finds out anew which hours of which probe are packed, and each
// probe's newest reading; dbmu is held.
func (s *Store) indexPacks(ctx context.Context) error {
	type span struct{ first, last int64 }
	spans := map[int64]span{}
	rows, err := s.db.QueryContext(ctx, fmt.Sprintf("SELECT id >> %d & %d, min(id >> %d), max(id >> %d) FROM packs GROUP BY 1", partBits, maxProbes-1, probeBits+partBits, probeBits+partBits))
	if err != nil {
		return diskError(err)
	}
	for rows.Next() {
		var idx int64
		var sp span
		if err := rows.Scan(&idx, &sp.first, &sp.last); err != nil {
			rows.Close()
			return err
		}
		spans[idx] = sp
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	s.mu.Lock()
	var look []*probe
	for _, p := range s.byIdx {
		if p == nil {
			continue
		}
		p.first, p.last = math.MaxInt64, math.MinInt64
		if sp, ok := spans[p.idx]; ok {
			p.first, p.last = sp.first, sp.last
			look = append(look, p)
		}
		s.saveProbe(p)
		p.newest = math.MinInt64
		if n := len(p.tail); n > 0 {
			p.newest = p.tail[n-1].t
		}
	}
	s.waiting()
	s.mu.Unlock()
	if err := s.indexHours(ctx); err != nil {
		return err
	}
	for _, p := range look {
		newest := int64(math.MinInt64)
		err := eachRow(ctx, s.db, "packs", packID(p.last, p.idx, 0), packID(p.last, p.idx, maxParts-1), func(_ int64, body []byte, ok bool) error {
			if _, rs, err := unpack(body); ok && err == nil {
				for _, c := range rs {
					newest = max(newest, c.t)
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		s.mu.Lock()
		p.newest = max(p.newest, newest)
		s.mu.Unlock()
	}
	return nil
}

// dropUndated removes the readings of a boot's probe after they were dated.
func (s *Store) dropUndated(ctx context.Context, p *probe) error {
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	s.mu.Lock()
	// The tail is written anew without them, as packing does.
	rest := s.onDiskTail(func(q *probe, _ rec) bool { return q != p })
	first, last := p.first, p.last
	s.mu.Unlock()
	err := s.rewriteTail(ctx, rest, func(tx *sql.Tx) error {
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
	s.recent.dropIf(func(k probeHour) bool { return k.idx == p.idx })
	s.tailCount -= len(p.tail)
	s.pending = slices.DeleteFunc(s.pending, func(x pend) bool { return x.idx == p.idx })
	p.tail, p.newest = nil, math.MinInt64
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

// undatedName hides a probe's undated readings from the dated ones.
func undatedName(boot, base string) string { return "\x00" + boot + "\x00" + base }

func splitName(name string) (boot, base string) {
	if rest, ok := strings.CutPrefix(name, "\x00"); ok {
		boot, base, _ = strings.Cut(rest, "\x00")
		return boot, base
	}
	return "", name
}
