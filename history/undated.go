package history

import (
	"cmp"
	"context"
	"database/sql"
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
	slices.SortFunc(rest, func(a, b pend) int { return cmp.Compare(a.seq, b.seq) })
	old := make([]int64, 0, len(s.tailRows))
	for id := range s.tailRows {
		old = append(old, id)
	}
	first, last := p.first, p.last
	s.mu.Unlock()
	tail := makeTailRows(rest)
	err := s.write(ctx, func(tx *sql.Tx) error {
		for _, id := range old {
			if err := delRow(ctx, tx, "tail", id); err != nil {
				return err
			}
		}
		if err := putTail(ctx, tx, tail); err != nil {
			return err
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
	s.recent.dropIf(func(k probeHour) bool { return k.idx == p.idx })
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

// undatedName hides a probe's undated readings from the dated ones.
func undatedName(boot, base string) string { return "\x00" + boot + "\x00" + base }

func splitName(name string) (boot, base string) {
	if rest, ok := strings.CutPrefix(name, "\x00"); ok {
		boot, base, _ = strings.Cut(rest, "\x00")
		return boot, base
	}
	return "", name
}
