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

// walBytes is a log in memory, and what its checksums are made with.
type walBytes struct {
	b    []byte
	size int    // of a frame
	n    int    // whole frames
	salt uint64 // of the current generation
	be   bool   // big-endian checksums
}

func (w walBytes) frame(i int) []byte { return w.b[walHeader+i*w.size : walHeader+(i+1)*w.size] }

func saltOf(frame []byte) uint64 { return binary.BigEndian.Uint64(frame[8:]) }

func storedSum(frame []byte) [2]uint32 {
	return [2]uint32{binary.BigEndian.Uint32(frame[16:]), binary.BigEndian.Uint32(frame[20:])}
}

// sum is a frame's checksum after that of the one before.
func (w walBytes) sum(prev [2]uint32, f []byte) [2]uint32 {
	return walSum(walSum(prev, f[:8], w.be), f[walFrameHeader:], w.be)
}

// follows reports whether frame i is of this generation and its checksum goes on
// from prev.
func (w walBytes) follows(prev [2]uint32, i int) bool {
	if i >= w.n {
		return false
	}
	f := w.frame(i)
	return saltOf(f) == w.salt && w.sum(prev, f) == storedSum(f)
}

// begin finds the generation of the log: by its header, or where that is
// damaged or was never finished by the first frame, if the second agrees with
// it. It returns the checksum that the first frame goes on from.
func (w *walBytes) begin() (head [2]uint32, damaged, ok bool) {
	w.be = binary.BigEndian.Uint32(w.b)&1 == 1
	w.salt = binary.BigEndian.Uint64(w.b[16:])
	head = [2]uint32{binary.BigEndian.Uint32(w.b[24:]), binary.BigEndian.Uint32(w.b[28:])}
	if binary.BigEndian.Uint32(w.b)&^1 == walMagic && walSum([2]uint32{}, w.b[:24], w.be) == head {
		return head, false, true
	}
	w.salt = saltOf(w.frame(0))
	for _, w.be = range []bool{true, false} {
		if w.follows(storedSum(w.frame(0)), 1) {
			return head, true, true
		}
	}
	return head, true, false
}

// beyondHole is the first frame after i that another of this generation
// follows, -1 where there is none.
func (w walBytes) beyondHole(i int) int {
	for j := i + 1; j+1 < w.n; j++ {
		if saltOf(w.frame(j)) == w.salt && w.follows(storedSum(w.frame(j)), j+1) {
			return j
		}
	}
	return -1
}

// readWAL takes a log apart. Any bytes give a result, never a panic.
func readWAL(b []byte, pageSize int) (out walLog) {
	w := walBytes{b: b, size: walFrameHeader + pageSize}
	if w.n = (len(b) - walHeader) / w.size; len(b) < walHeader || w.n < 1 {
		return out
	}
	prev, damaged, ok := w.begin()
	if !ok {
		return out
	}
	out.damaged = damaged
	alt := prev // what the checksum before should have been
	for i := 0; i < w.n; i++ {
		f := w.frame(i)
		fr := walFrame{page: binary.BigEndian.Uint32(f), commit: binary.BigEndian.Uint32(f[4:]) != 0, data: f[walFrameHeader:]}
		good := w.follows(prev, i) || w.follows(alt, i)
		if i == 0 && damaged {
			good = true // its checksum went on from the header's; the second frame vouches for it
		}
		// One that is followed by one of ours is damaged and not the end of the
		// log.
		if !good && !w.follows(storedSum(f), i+1) && !w.follows(w.sum(prev, f), i+1) {
			// A hole swallows several frames. Beyond it two of ours that
			// follow each other vouch for the second, and the first is taken
			// row by row, each of which has its own sum.
			past := w.beyondHole(i)
			if past < 0 {
				if saltOf(f) == w.salt {
					out.tail = true
					out.frames = append(out.frames, fr)
				}
				break
			}
			out.damaged = true
			for ; i < past; i++ {
				out.frames = append(out.frames, walFrame{bad: true, data: w.frame(i)[walFrameHeader:]})
			}
			f = w.frame(past)
			out.frames = append(out.frames, walFrame{page: binary.BigEndian.Uint32(f), bad: true, data: f[walFrameHeader:]})
			alt, prev = storedSum(f), storedSum(f)
			continue
		}
		if !good {
			fr.bad, out.damaged = true, true
		}
		alt, prev = w.sum(prev, f), storedSum(f)
		out.frames = append(out.frames, fr)
		if fr.commit {
			out.committed = len(out.frames)
		}
	}
	return out
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
