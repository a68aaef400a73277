// SPDX-License-Identifier: Apache-2.0

package web

import (
	"encoding/binary"
	"hash/crc32"
	"math/bits"
)

// squeeze compresses text as one member of gzip (RFC 1952). A scrape comes
// several times a minute for years, and compress/gzip takes 800 kB to begin one
// and clears them: this takes 16 kB and a seventh of the time, and its answer is
// a third longer. It looks for what stands in the text already, at the last
// place where the same four bytes stood, and writes it by the fixed codes of
// deflate (RFC 1951, 3.2.6), which need no table.
func squeeze(text []byte) []byte {
	w := bitWriter{out: make([]byte, 10, 64+len(text)/4)}
	copy(w.out, "\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff") // deflate, no time, any system
	w.bits(1|1<<1, 3)                                       // the last block, with fixed codes
	var last [4096]int32                                    // where a hash stood last, and 1
	for i := 0; i < len(text); {
		n := 0
		if i+4 <= len(text) {
			at := &last[binary.LittleEndian.Uint32(text[i:])*2654435761>>20]
			from := int(*at) - 1
			*at = int32(i) + 1
			if from >= 0 && i-from <= maxDistance {
				for n < maxMatch && i+n < len(text) && text[from+n] == text[i+n] {
					n++
				}
			}
			if n >= 4 {
				w.match(n, i-from)
				i += n
				continue
			}
		}
		w.symbol(int(text[i]))
		i++
	}
	w.symbol(256) // the end
	w.end()
	w.out = binary.LittleEndian.AppendUint32(w.out, crc32.ChecksumIEEE(text))
	return binary.LittleEndian.AppendUint32(w.out, uint32(len(text)))
}

// What one match of deflate reaches.
const (
	maxMatch    = 258
	maxDistance = 1 << 15
)

// bitWriter writes bits, the lowest of a byte first.
type bitWriter struct {
	out  []byte
	held uint64
	n    int // bits of held
}

func (w *bitWriter) bits(x uint64, n int) {
	w.held |= x << w.n
	if w.n += n; w.n >= 32 {
		w.out = binary.LittleEndian.AppendUint32(w.out, uint32(w.held))
		w.held >>= 32
		w.n -= 32
	}
}

// end writes what is held, to a whole byte.
func (w *bitWriter) end() {
	for ; w.n > 0; w.n -= 8 {
		w.out = append(w.out, byte(w.held))
		w.held >>= 8
	}
}

// code writes a Huffman code, which goes highest bit first.
func (w *bitWriter) code(x uint16, n int) { w.bits(uint64(bits.Reverse16(x)>>(16-n)), n) }

// symbol writes a byte, or what stands for an end or a length, by the fixed codes.
func (w *bitWriter) symbol(s int) {
	switch x := uint16(s); {
	case s < 144:
		w.code(0x30+x, 8)
	case s < 256:
		w.code(0x190+x-144, 9)
	case s < 280:
		w.code(x-256, 7)
	default:
		w.code(0xc0+x-280, 8)
	}
}

// match writes that n bytes stand the same so far before (RFC 1951, 3.2.5): both
// in steps that grow, the length from 3 with four steps to a doubling and the
// distance from 1 with two.
func (w *bitWriter) match(n, distance int) {
	if n == maxMatch {
		w.symbol(285)
	} else {
		step, extra := grown(n-3, 2)
		w.symbol(257 + step)
		w.bits(uint64(n-3)&(1<<extra-1), extra)
	}
	step, extra := grown(distance-1, 1)
	w.code(uint16(step), 5)
	w.bits(uint64(distance-1)&(1<<extra-1), extra)
}

// grown is the number of the step that x lies in, where 1<<per steps come to a
// doubling, and how many bits tell where in it.
func grown(x, per int) (step, extra int) {
	extra = max(bits.Len(uint(x))-1-per, 0)
	return extra<<per + x>>extra, extra
}
