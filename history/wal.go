// SPDX-License-Identifier: Apache-2.0

package history

import (
	"encoding/binary"
)

// SQLite takes a write-ahead log up to the first frame whose checksum fails
// and drops the rest without a word, acknowledged commits included. A power
// cut leaves such a frame at the very end; a worn card can leave one in the
// middle. The log is therefore read here before SQLite sees it.
//
// Format: "WAL-mode File Format", sqlite.org/walformat.html: a header of 32
// bytes, then frames of a 24-byte header and a page; all numbers big-endian;
// each checksum goes on from that of the frame before.

const (
	walHeader      = 32
	walFrameHeader = 24
	walMagic       = 0x377f0682 // the last bit says big-endian checksums
)

type walFrame struct {
	page   uint32
	commit bool // the last frame of a transaction
	data   []byte
	bad    bool // does not check, but what follows shows that it is ours
}

// walLog is what a write-ahead log holds.
type walLog struct {
	frames []walFrame // of the current generation, in order
	// committed is the number of frames up to the last intact commit.
	committed int
	damaged   bool // a bad frame or header before intact ones
	tail      bool // the last frame is there in full but does not check: cut short or damaged
}

// readWAL takes a log apart. Any bytes give a result, never a panic.
func readWAL(b []byte, pageSize int) walLog {
	var w walLog
	size := walFrameHeader + pageSize
	if len(b) < walHeader+size {
		return w
	}
	be := binary.BigEndian.Uint32(b)&1 == 1
	n := (len(b) - walHeader) / size
	frame := func(i int) []byte { return b[walHeader+i*size : walHeader+(i+1)*size] }
	salt := func(f []byte) uint64 { return binary.BigEndian.Uint64(f[8:]) }
	stored := func(f []byte) [2]uint32 {
		return [2]uint32{binary.BigEndian.Uint32(f[16:]), binary.BigEndian.Uint32(f[20:])}
	}
	sum := func(prev [2]uint32, f []byte, be bool) [2]uint32 {
		return walSum(walSum(prev, f[:8], be), f[walFrameHeader:], be)
	}

	head := [2]uint32{binary.BigEndian.Uint32(b[24:]), binary.BigEndian.Uint32(b[28:])}
	want := binary.BigEndian.Uint64(b[16:])
	if binary.BigEndian.Uint32(b)&^1 != walMagic || walSum([2]uint32{}, b[:24], be) != head {
		// The header is damaged, or was never finished. The frames know their
		// generation: the one of the first, if the second agrees by checksum.
		if n < 2 {
			return w
		}
		be = false
		ok := false
		for _, try := range []bool{false, true} {
			if sum(stored(frame(0)), frame(1), try) == stored(frame(1)) && salt(frame(0)) == salt(frame(1)) {
				be, ok = try, true
			}
		}
		if !ok {
			return w
		}
		w.damaged = true
		want = salt(frame(0))
	}
	prev := head
	alt := head // what the checksum before should have been
	hole := -1  // the first frame beyond a hole
	for i := range n {
		f := frame(i)
		if i < hole {
			continue
		}
		if i == hole {
			w.frames = append(w.frames, walFrame{page: binary.BigEndian.Uint32(f), bad: true, data: f[walFrameHeader:]})
			alt, prev = stored(f), stored(f)
			continue
		}
		fr := walFrame{page: binary.BigEndian.Uint32(f), commit: binary.BigEndian.Uint32(f[4:]) != 0, data: f[walFrameHeader:]}
		good := salt(f) == want && (sum(prev, f, be) == stored(f) || sum(alt, f, be) == stored(f))
		if i == 0 && w.damaged && salt(f) == want {
			good = true // its checksum went on from the header's; the second frame vouches for it
		}
		if !good {
			// Is it followed by one of ours? Then this one is damaged and not
			// the end of the log.
			next := i+1 < n && salt(frame(i+1)) == want &&
				(sum(stored(f), frame(i+1), be) == stored(frame(i+1)) || sum(sum(prev, f, be), frame(i+1), be) == stored(frame(i+1)))
			if !next {
				// A hole swallows several frames. Beyond it two of ours that
				// follow each other vouch for the second, and the first is taken
				// row by row, each of which has its own sum.
				past := -1
				for j := i + 1; j+1 < n; j++ {
					if salt(frame(j)) == want && salt(frame(j+1)) == want && sum(stored(frame(j)), frame(j+1), be) == stored(frame(j+1)) {
						past = j
						break
					}
				}
				if past >= 0 {
					w.damaged = true
					for k := i; k < past; k++ {
						w.frames = append(w.frames, walFrame{bad: true, data: frame(k)[walFrameHeader:]})
					}
					hole = past
					continue
				}
				if salt(f) == want {
					w.tail = true
					w.frames = append(w.frames, fr)
				}
				break
			}
			fr.bad = true
			w.damaged = true
		}
		alt = sum(prev, f, be)
		prev = stored(f)
		w.frames = append(w.frames, fr)
		if fr.commit {
			w.committed = len(w.frames)
		}
	}
	return w
}

// walSum is the log's checksum over whole pairs of words.
func walSum(s [2]uint32, b []byte, be bool) [2]uint32 {
	get := binary.LittleEndian.Uint32
	if be {
		get = binary.BigEndian.Uint32
	}
	for i := 0; i+8 <= len(b); i += 8 {
		s[0] += get(b[i:]) + s[1]
		s[1] += get(b[i+4:]) + s[0]
	}
	return s
}
