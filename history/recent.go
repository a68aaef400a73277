// SPDX-License-Identifier: Apache-2.0

package history

import (
	"cmp"
	"maps"
	"slices"
)

// recentBytes bounds the packed hours that are kept in memory too.
const recentBytes = 2 << 20

// recentHours keeps the latest packed hours in memory, encoded as on disk: an
// evaluation of the coats reads them, and must not wait for a card that hangs. An
// hour is kept with all its parts or not at all. Store.mu guards it.
type recentHours struct {
	hours map[probeHour][][]byte
	size  int
}

type probeHour struct{ idx, hour int64 }

// entryCost is roughly what an hour costs beside its bytes.
const entryCost = 100

// set keeps all parts of an hour; an hour without any is known to be empty.
func (r *recentHours) set(k probeHour, parts [][]byte) {
	r.drop(k)
	if r.hours == nil {
		r.hours = map[probeHour][][]byte{}
	}
	r.hours[k] = parts
	r.size += cost(parts)
	if r.size <= recentBytes {
		return
	}
	// Drop a quarter at once: dropping walks over all hours.
	oldest := slices.SortedFunc(maps.Keys(r.hours), func(a, b probeHour) int { return cmp.Compare(a.hour, b.hour) })
	for _, k := range oldest {
		if r.size <= recentBytes*3/4 {
			break
		}
		r.drop(k)
	}
}

// add appends a part to an hour that is kept.
func (r *recentHours) add(k probeHour, part []byte) {
	if old, ok := r.hours[k]; ok {
		r.set(k, append(slices.Clone(old), part))
	}
}

func (r *recentHours) drop(k probeHour) {
	if old, ok := r.hours[k]; ok {
		r.size -= cost(old)
		delete(r.hours, k)
	}
}

// dropIf drops the hours that f asks for.
func (r *recentHours) dropIf(f func(probeHour) bool) {
	for k := range r.hours {
		if f(k) {
			r.drop(k)
		}
	}
}

// get returns the parts of a probe's hours from..to, false where one of them
// is not kept.
func (r *recentHours) get(idx, from, to int64) (parts [][]byte, ok bool) {
	for h := from; h <= to; h++ {
		p, ok := r.hours[probeHour{idx, h}]
		if !ok {
			return nil, false
		}
		parts = append(parts, p...)
	}
	return parts, true
}

func cost(parts [][]byte) int {
	n := entryCost
	for _, p := range parts {
		n += len(p)
	}
	return n
}
