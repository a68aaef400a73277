// SPDX-License-Identifier: Apache-2.0

package history

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
)

// load reads all but the packs into memory and checks every row on the way.
func (s *Store) load(ctx context.Context) error {
	var first string // row that does not check
	bad := 0
	for _, t := range []struct {
		table string
		take  func(id int64, body []byte) error
	}{
		{"kv", s.loadSetting}, {"work", s.loadWork}, {"packlog", s.loadPackLog},
		{"tail", s.loadTail}, // after the log of packs, which says which readings are packed
	} {
		if t.table == "work" {
			s.settingsLoaded()
		}
		err := eachRow(ctx, s.db, t.table, math.MinInt64, maxID, func(id int64, body []byte, ok bool) error {
			if !ok || t.take(id, body) != nil {
				if bad++; bad == 1 {
					first = fmt.Sprintf("row %d of %s", id, t.table)
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	for _, p := range s.byIdx {
		if p != nil && len(p.tail) > 0 {
			slices.SortStableFunc(p.tail, byTime)
			p.newest = p.tail[len(p.tail)-1].t
		}
	}
	if bad > 0 {
		// The rebuild drops these rows, and checks everything else too.
		return fmt.Errorf("%s, %d in all: %w", first, bad, ErrDamaged)
	}
	// If a probe's newest reading is packed, look its time up: newest tells
	// readings that come next from late ones.
	for _, p := range s.byIdx {
		if p == nil || p.first > p.last || floorHour(p.newest) > p.last {
			continue
		}
		rs, err := s.packed(ctx, p.idx, p.last, p.last)
		if err != nil {
			return err
		}
		for _, c := range rs {
			p.newest = max(p.newest, c.t)
		}
	}
	return nil
}

func (s *Store) loadSetting(id int64, body []byte) error {
	r, err := decodeKV(id, body)
	if err != nil {
		return err
	}
	s.kvNext = max(s.kvNext, id)
	s.kvRev = max(s.kvRev, r.Rev)
	if old := s.kv[r.kvKey]; old == nil || old.Rev < r.Rev {
		s.kv[r.kvKey] = &r
	}
	return nil
}

// settingsLoaded reads the store's own data from the settings: the date of this
// boot, and the probes.
func (s *Store) settingsLoaded() {
	if d, ok := s.bootDate(s.opts.Boot); ok {
		s.ownZero = d.ZeroMS
	}
	for k, r := range s.kv {
		var m probeMeta
		if k.Bucket != "probe-number" || json.Unmarshal(r.value(), &m) != nil || m.Idx < 0 || m.Idx >= maxProbes {
			continue
		}
		p := s.addProbe(k.Key, m.Idx)
		p.first, p.last = m.First, m.Last
	}
}

func (s *Store) loadWork(id int64, body []byte) error {
	d, err := readWork(body)
	if err != nil {
		return err
	}
	s.foldWork(id, d)
	s.ownStamped = s.ownStamped || d.Boot != "" && d.Boot == s.opts.Boot
	return nil
}

func (s *Store) loadPackLog(id int64, body []byte) error {
	l, err := decodePackLog(body)
	if err != nil {
		return err
	}
	for _, r := range l.packs {
		if h := packHour(r.id); h >= firstHour {
			s.hours[h] = true
		}
	}
	s.nextSeq = max(s.nextSeq, id+1, l.safe)
	s.tail.safe = max(s.tail.safe, l.safe)
	return nil
}

func (s *Store) loadTail(id int64, body []byte) error {
	ps, err := decodeTailRow(id, body)
	if err != nil {
		return err
	}
	s.tail.odd = s.tail.odd || len(body) != tailSize
	s.tail.rows[id] = -1
	for _, x := range ps {
		s.tail.rows[id] = max(s.tail.rows[id], x.seq)
		if x.seq < s.tail.safe {
			continue // packed
		}
		for int64(len(s.byIdx)) <= x.idx || s.byIdx[x.idx] == nil {
			// The setting with its name was damaged; the readings are not lost.
			s.addProbe(fmt.Sprintf("probe-%d", x.idx), x.idx)
		}
		p := s.byIdx[x.idx]
		p.tail = append(p.tail, x.rec)
		s.tailCount++
		s.nextSeq = max(s.nextSeq, x.seq+1)
	}
	return nil
}
