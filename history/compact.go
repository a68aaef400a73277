// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"time"
)

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

// cutoff is the hour before which a probe's readings can be packed: that of its
// newest reading, and all hours that are over by the clock its times count by. Of
// an ended boot nothing more will come. mu is held.
func (s *Store) cutoff(p *probe) int64 {
	now := s.Uptime(time.Now()).Milliseconds()
	switch {
	case p.boot != "" && p.boot != s.opts.Boot:
		return floorHour(maxTime) + 1
	case p.boot == "" && !s.trusted:
		return floorHour(p.newest)
	case p.boot == "":
		now = s.opts.Now().UnixMilli()
	}
	return max(floorHour(p.newest), floorHour(now-30_000))
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

// Upkeep does what [Store.Compact] does, but leaves readings that may wait
// waiting: only a complete hour, or a disk that was away, makes it write. Call
// it as often as you like.
func (s *Store) Upkeep(ctx context.Context) error {
	s.mu.Lock()
	ill := s.failing != nil || s.readOnly
	s.mu.Unlock()
	if ill || s.packDue() {
		return s.Compact(ctx)
	}
	s.dbmu.Lock()
	defer s.dbmu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if err := s.retain(ctx); err != nil {
		return err
	}
	s.makeReserve()
	return nil
}

// Compact packs complete hours and enforces the bounds on size and age. The
// store does it by itself; call it to have it done now.
func (s *Store) Compact(ctx context.Context) error {
	// LockFirst, as for a flush: the flusher calls this, and no readings are
	// written while it waits for the lock.
	for more := true; more; {
		var err error
		if more, err = s.compactSome(ctx); err != nil {
			return err
		}
	}
	if err := s.dbmu.LockFirst(ctx); err != nil {
		return err
	}
	defer s.dbmu.Unlock()
	if s.closed {
		return ErrClosed
	}
	if err := s.retain(ctx); err != nil {
		return err
	}
	s.makeReserve()
	return nil
}

// packPiece is about how many readings are packed at once: two hours of 16
// probes. Where more wait, as after a card that was away, entries and readings
// come in between.
const packPiece = 12_000

// compactSome writes what waits and packs a piece of what is complete.
func (s *Store) compactSome(ctx context.Context) (more bool, err error) {
	if err := s.dbmu.LockFirst(ctx); err != nil {
		return false, err
	}
	defer s.dbmu.Unlock()
	for more = true; more; {
		if more, err = s.flushSome(ctx); err != nil {
			return false, err
		}
	}
	return s.packNow(ctx)
}

// packGroup is what one hour of a probe gives the packs.
type packGroup struct {
	p    *probe
	hour int64
	rs   []rec
}

// newPack is a pack that is about to be written.
type newPack struct {
	packGroup
	id   int64
	body []byte
}

// packNow packs the oldest complete hours in one transaction; dbmu is held and
// nothing is pending.
func (s *Store) packNow(ctx context.Context) (more bool, err error) {
	s.mu.Lock()
	groups, rest, log, more := s.complete()
	s.mu.Unlock()
	if len(groups) == 0 {
		return false, nil
	}
	packed := map[int64]bool{} // numbers that leave the tail
	hi := int64(0)
	for _, g := range groups {
		for _, c := range g.rs {
			packed[c.seq] = true
			hi = max(hi, c.seq)
		}
	}
	packs, err := s.makePacks(ctx, groups)
	if err != nil {
		return false, err
	}
	s.mu.Lock()
	for _, o := range packs {
		log.packs = append(log.packs, refOf(o.id, o.rs))
		o.p.first, o.p.last = min(o.p.first, o.hour), max(o.p.last, o.hour)
		s.saveProbe(o.p)
	}
	s.mu.Unlock()
	put := func(tx *sql.Tx) error {
		for _, o := range packs {
			if err := putRow(ctx, tx, "packs", o.id, o.body); err != nil {
				return err
			}
		}
		if len(packs) == 0 {
			return nil
		}
		// Ids rise in the order of packing and are at least the pack's highest number.
		var last int64
		if err := tx.QueryRowContext(ctx, "SELECT coalesce(max(id), 0) FROM packlog").Scan(&last); err != nil {
			return err
		}
		return putRow(ctx, tx, "packlog", max(last+1, hi), log.encode())
	}
	// A reading of the tail counts as packed if its number is below log.safe.
	mixed := hi >= log.safe || len(packs) == 0
	if mixed || s.tail.crowded(log.safe, len(rest)) {
		err = s.rewriteTail(ctx, rest, put)
	} else {
		err = s.writeSettingsAnd(ctx, put)
	}
	if err != nil {
		return false, err
	}
	if len(packs) > 0 {
		s.tail.packed(log.safe)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.leaveTail(packs, packed)
	return more, nil
}

// makePacks encodes the groups without the readings that are packed already; dbmu
// is held.
func (s *Store) makePacks(ctx context.Context, groups []packGroup) (packs []newPack, err error) {
	parts := map[int64]int64{}
	for _, g := range groups {
		base := packID(g.hour, g.p.idx, 0)
		part, known := parts[base]
		if !known {
			if part, g.rs, err = s.unpacked(ctx, g); err != nil {
				return nil, err
			}
		}
		if len(g.rs) == 0 {
			continue
		}
		if part >= maxParts {
			return nil, fmt.Errorf("hour %d of probe %s: too many late parts", g.hour, g.p.name)
		}
		parts[base] = part + 1
		packs = append(packs, newPack{g, base | part, pack(g.p.name, g.rs)})
	}
	return packs, nil
}

// leaveTail removes the packed readings from the tails in memory and keeps their
// packs in memory instead; mu is held.
func (s *Store) leaveTail(packs []newPack, packed map[int64]bool) {
	for _, o := range packs {
		if o.hour >= firstHour {
			s.hours[o.hour] = true
		}
		k := probeHour{o.p.idx, o.hour}
		if o.id&(maxParts-1) == 0 {
			s.recent.set(k, [][]byte{o.body})
		} else {
			s.recent.add(k, o.body)
		}
		s.stats.Packed += uint64(len(o.rs))
		s.stats.PackedSize += uint64(len(o.body))
	}
	for _, p := range s.byIdx {
		if p == nil {
			continue
		}
		before := len(p.tail)
		p.tail = slices.DeleteFunc(p.tail, func(c rec) bool { return packed[c.seq] })
		if len(p.tail) < cap(p.tail)/4 {
			p.tail = slices.Clone(p.tail)
		}
		s.tailCount -= before - len(p.tail)
	}
}

// complete splits the readings of the tail that are on disk: groups are the oldest
// complete hours, in order; rest is everything else, and more reports whether it
// has complete hours too. log.safe is the lowest number that stays unpacked. mu is
// held.
func (s *Store) complete() (groups []packGroup, rest []pend, log packLog, more bool) {
	onDisk := s.onDisk()
	for _, p := range s.byIdx {
		if p == nil {
			continue
		}
		end := s.cutoff(p) * hourMS
		for _, c := range p.tail {
			switch {
			case c.seq >= onDisk:
			case c.t >= end:
				rest = append(rest, pend{p.idx, c})
			default:
				h := floorHour(c.t)
				if n := len(groups); n == 0 || groups[n-1].p != p || groups[n-1].hour != h || len(groups[n-1].rs) >= maxPack {
					groups = append(groups, packGroup{p: p, hour: h})
				}
				g := &groups[len(groups)-1]
				g.rs = append(g.rs, c)
			}
		}
	}
	slices.SortStableFunc(groups, func(a, b packGroup) int { return cmp.Compare(a.hour, b.hour) })
	taken := 0
	for i, g := range groups {
		if taken += len(g.rs); taken < packPiece {
			continue
		}
		for _, g := range groups[i+1:] {
			for _, c := range g.rs {
				rest = append(rest, pend{g.p.idx, c})
			}
		}
		more = i+1 < len(groups)
		groups = groups[:i+1]
		break
	}
	log.safe = min(s.nextSeq, onDisk)
	for _, c := range rest {
		log.safe = min(log.safe, c.seq)
	}
	return groups, rest, log, more
}

// unpacked returns the readings of a group that are not in the packs of its hour
// yet, and the number of that hour's next part; dbmu is held.
func (s *Store) unpacked(ctx context.Context, g packGroup) (part int64, rs []rec, err error) {
	if g.hour < g.p.first || g.hour > g.p.last {
		return 0, g.rs, nil
	}
	base := packID(g.hour, g.p.idx, 0)
	have := map[int64]rec{}
	err = eachRow(ctx, s.db, "packs", base, base|(maxParts-1), func(id int64, body []byte, ok bool) error {
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
		return 0, nil, diskError(err)
	}
	if len(have) == 0 {
		return part, g.rs, nil
	}
	return part, slices.DeleteFunc(slices.Clone(g.rs), func(c rec) bool {
		o, ok := have[c.t]
		return ok && o.same(c)
	}), nil
}

// retain drops the oldest hours beyond the bounds; dbmu is held. Age is counted in
// hours that hold readings, not by the clock: a clock that jumps ahead makes
// nothing old. Old readings are dropped only once MaxAge hours of newer readings
// have been taken.
func (s *Store) retain(ctx context.Context) error {
	s.mu.Lock()
	over := len(s.hours) - int(s.opts.MaxAge/time.Hour)
	var oldest int64
	if over > 0 {
		hs := slices.Sorted(maps.Keys(s.hours))
		oldest = hs[over-1] + 1
	}
	s.mu.Unlock()
	if over > 0 {
		if err := s.dropHours(ctx, oldest); err != nil {
			return err
		}
	}
	for range 1000 {
		var is [3]int64
		for i, name := range []string{"page_count", "freelist_count", "page_size"} {
			var err error
			if is[i], err = pragma(ctx, s.db, name); err != nil {
				return diskError(err)
			}
		}
		if (is[0]-is[1])*is[2] <= s.opts.MaxBytes {
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

// indexHours lists the hours that hold packed readings with a date, from the ids of
// the packs; dbmu is held, or the store is not shared yet.
func (s *Store) indexHours(ctx context.Context) error {
	rows, err := s.db.QueryContext(ctx, fmt.Sprintf("SELECT DISTINCT id >> %d FROM packs WHERE id >= ?", probeBits+partBits), packID(firstHour, 0, 0))
	if err != nil {
		return diskError(err)
	}
	hours := map[int64]bool{}
	for rows.Next() {
		var h int64
		if err := rows.Scan(&h); err != nil {
			rows.Close()
			return err
		}
		hours[h] = true
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return diskError(err)
	}
	s.mu.Lock()
	s.hours = hours
	s.mu.Unlock()
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
	maps.DeleteFunc(s.hours, func(h int64, _ bool) bool { return h < hour })
	s.recent.dropIf(func(k probeHour) bool { return firstHour <= k.hour && k.hour < hour })
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
	// The newest entry stays: the next one's id follows from it.
	for _, id := range old[:max(len(old)-1, 0)] {
		if err := delRow(ctx, tx, "packlog", id); err != nil {
			return err
		}
	}
	return nil
}
