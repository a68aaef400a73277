// SPDX-License-Identifier: Apache-2.0

package history

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"math/bits"
	"time"

	"curewright/sensors"
)

// Steps that readings are rounded to on intake.
const (
	tempPerC  = 400 // 0.0625 °C and 0.01 °C are whole steps
	rhPerPct  = 100
	co2PerPPM = 1
)

// rec is one reading as the store holds it. Missing quantities are absent
// bits in has, never a number.
type rec struct {
	t   int64 // ms since 1970, or since boot for a reading without a date
	seq int64 // order of intake over all probes
	q   [3]int32
	has uint8
}

var perUnit = [3]float64{tempPerC, rhPerPct, co2PerPPM}

func (a rec) same(b rec) bool {
	if a.has != b.has {
		return false
	}
	for i := range a.q {
		if a.has&(1<<i) != 0 && a.q[i] != b.q[i] {
			return false
		}
	}
	return true
}

// Quantise rounds a reading to the steps that the store keeps: 1 ms, 1/400 °C,
// 1/100 % of humidity, 1 ppm. A value too large for any probe is missing. The
// time is returned in UTC without its monotonic part. Quantise of a quantised
// reading changes nothing.
func Quantise(r sensors.Reading) sensors.Reading {
	return toRec(r).reading(r.Probe)
}

func toRec(r sensors.Reading) rec {
	c := rec{t: toMS(r.At)}
	for i, v := range [3]sensors.Value{r.Temp, r.RH, r.CO2} {
		x, ok := v.Get()
		if !ok {
			continue
		}
		n := math.Round(x * perUnit[i])
		if math.Abs(n) > math.MaxInt32 {
			continue
		}
		c.q[i] = int32(n)
		c.has |= 1 << i
	}
	return c
}

// toMS rounds to the nearest millisecond since 1970.
func toMS(t time.Time) int64 {
	return t.Add(500 * time.Microsecond).UnixMilli()
}

func (c rec) reading(probe string) sensors.Reading {
	r := sensors.Reading{Probe: probe, At: time.UnixMilli(c.t).UTC()}
	for i, v := range [3]*sensors.Value{&r.Temp, &r.RH, &r.CO2} {
		if c.has&(1<<i) != 0 {
			*v = sensors.Some(float64(c.q[i]) / perUnit[i])
		}
	}
	return r
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// rowSum is the CRC-32C over a row's table, number and body, so that a row
// that landed under another number or in another table does not check.
func rowSum(table byte, id int64, body []byte) uint32 {
	var h [9]byte
	h[0] = table
	binary.LittleEndian.PutUint64(h[1:], uint64(id))
	return crc32.Update(crc32.Checksum(h[:], castagnoli), castagnoli, body)
}

// A pack is one probe's readings of one hour (or a part of them), by columns:
//
//	version 1, uvarint count, uvarint length of name, name,
//	column of times, column of sequence numbers,
//	for each quantity: presence 0 none, 1 all, 2 some (then a bit each),
//	and if any: column of values
//
// A column is: first value zigzag varint; the step (greatest common divisor
// of what follows) uvarint; the Rice parameter; then a bit stream of
// zigzag(difference/step). Times and sequence numbers use the difference of
// differences, so that a steady probe costs a bit or two. Runs over 23 in
// unary escape to 64 plain bits.
const packVersion = 1

const riceEscape = 24

// maxPack bounds what a decoder will allocate: an hour of readings at 100 a
// second.
const maxPack = 360_000

func pack(name string, rs []rec) []byte {
	b := []byte{packVersion}
	b = binary.AppendUvarint(b, uint64(len(rs)))
	b = binary.AppendUvarint(b, uint64(len(name)))
	b = append(b, name...)
	if len(rs) == 0 {
		return b
	}
	col := make([]int64, len(rs))
	for i, r := range rs {
		col[i] = r.t
	}
	b = appendColumn(b, col, 2)
	for i, r := range rs {
		col[i] = r.seq
	}
	b = appendColumn(b, col, 2)
	for k := range 3 {
		col = col[:0]
		for _, r := range rs {
			if r.has&(1<<k) != 0 {
				col = append(col, int64(r.q[k]))
			}
		}
		switch len(col) {
		case 0:
			b = append(b, 0)
			continue
		case len(rs):
			b = append(b, 1)
		default:
			b = append(b, 2)
			var acc byte
			for i, r := range rs {
				acc |= (r.has >> k & 1) << (i & 7)
				if i&7 == 7 || i == len(rs)-1 {
					b = append(b, acc)
					acc = 0
				}
			}
		}
		b = appendColumn(b, col, 1)
	}
	return b
}

func zigzag(x int64) uint64   { return uint64(x<<1) ^ uint64(x>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// appendColumn writes the values as differences of the given order (1 or 2).
// Arithmetic wraps, which the decoder undoes.
func appendColumn(b []byte, col []int64, order int) []byte {
	b = binary.AppendVarint(b, col[0])
	if len(col) == 1 {
		return b
	}
	d := make([]int64, len(col)-1)
	for i := range d {
		d[i] = col[i+1] - col[i]
	}
	if order == 2 {
		b = binary.AppendVarint(b, d[0])
		for i := len(d) - 1; i > 0; i-- {
			d[i] -= d[i-1]
		}
		d = d[1:]
	}
	if len(d) == 0 {
		return b
	}
	var g uint64
	for _, x := range d {
		g = gcd(g, abs64(x))
	}
	if g == 0 {
		g = 1
	}
	if g > math.MaxInt64 {
		g = 1
	}
	b = binary.AppendUvarint(b, g)
	u := make([]uint64, len(d))
	for i, x := range d {
		u[i] = zigzag(x / int64(g))
	}
	// The Rice parameter with the fewest bits.
	best, bestBits := 0, uint64(math.MaxUint64)
	for k := range 32 {
		var n uint64
		for _, x := range u {
			if q := x >> k; q < riceEscape {
				n += q + 1 + uint64(k)
			} else {
				n += riceEscape + 64
			}
		}
		if n < bestBits {
			best, bestBits = k, n
		}
	}
	b = append(b, byte(best))
	w := bitWriter{b: b}
	for _, x := range u {
		if q := x >> best; q < riceEscape {
			w.put(1<<q-1, int(q)+1) // q ones, then a zero
			w.put(x&(1<<best-1), best)
		} else {
			w.put(1<<riceEscape-1, riceEscape)
			w.put(x&math.MaxUint32, 32)
			w.put(x>>32, 32)
		}
	}
	return w.close()
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

func abs64(x int64) uint64 {
	if x < 0 {
		return uint64(-x)
	}
	return uint64(x)
}

type bitWriter struct {
	b   []byte
	acc uint64
	n   int
}

// put appends the low n ≤ 32 bits of x.
func (w *bitWriter) put(x uint64, n int) {
	w.acc |= x << w.n
	w.n += n
	for w.n >= 8 {
		w.b = append(w.b, byte(w.acc))
		w.acc >>= 8
		w.n -= 8
	}
}

func (w *bitWriter) close() []byte {
	if w.n > 0 {
		w.b = append(w.b, byte(w.acc))
		w.acc, w.n = 0, 0
	}
	return w.b
}

type packReader struct {
	b   []byte
	off int
	bad bool
}

func (p *packReader) fail() { p.bad = true }

func (p *packReader) byte() byte {
	if p.off >= len(p.b) {
		p.fail()
		return 0
	}
	p.off++
	return p.b[p.off-1]
}

func (p *packReader) uvarint() uint64 {
	x, n := binary.Uvarint(p.b[min(p.off, len(p.b)):])
	if n <= 0 {
		p.fail()
		return 0
	}
	p.off += n
	return x
}

func (p *packReader) varint() int64 {
	x, n := binary.Varint(p.b[min(p.off, len(p.b)):])
	if n <= 0 {
		p.fail()
		return 0
	}
	p.off += n
	return x
}

func (p *packReader) take(n int) []byte {
	if n < 0 || n > len(p.b)-p.off {
		p.fail()
		return nil
	}
	p.off += n
	return p.b[p.off-n : p.off]
}

// column reads len(col) values.
func (p *packReader) column(col []int64, order int) {
	if len(col) == 0 {
		return
	}
	col[0] = p.varint()
	if len(col) == 1 {
		return
	}
	var diff int64
	at := 1
	if order == 2 {
		diff = p.varint()
		col[1] = col[0] + diff
		at = 2
		if len(col) == 2 {
			return
		}
	}
	g := p.uvarint()
	k := int(p.byte())
	if p.bad || g == 0 || g > math.MaxInt64 || k > 31 {
		p.fail()
		return
	}
	r := bitReader{b: p.b[p.off:]}
	for ; at < len(col); at++ {
		q := r.ones(riceEscape)
		var x uint64
		if q < riceEscape {
			x = uint64(q)<<k | r.get(k)
		} else {
			x = r.get(32)
			x |= r.get(32) << 32
		}
		d := unzigzag(x) * int64(g)
		if order == 2 {
			diff += d
			d = diff
		}
		col[at] = col[at-1] + d
	}
	if r.bad {
		p.fail()
		return
	}
	p.off += r.off - r.n/8
}

type bitReader struct {
	b   []byte
	off int
	acc uint64
	n   int
	bad bool
}

func (r *bitReader) fill(n int) bool {
	for r.n < n {
		if r.off >= len(r.b) {
			r.bad = true
			return false
		}
		r.acc |= uint64(r.b[r.off]) << r.n
		r.off++
		r.n += 8
	}
	return true
}

func (r *bitReader) get(n int) uint64 {
	if !r.fill(n) {
		return 0
	}
	x := r.acc & (1<<n - 1)
	r.acc >>= n
	r.n -= n
	return x
}

// ones counts ones up to max and swallows the zero that ends a shorter run.
func (r *bitReader) ones(max int) int {
	q := 0
	for q < max {
		if r.n == 0 && !r.fill(1) {
			return 0
		}
		run := min(bits.TrailingZeros64(^r.acc), r.n, max-q)
		q += run
		r.acc >>= run
		r.n -= run
		if q == max {
			break
		}
		if r.n > 0 {
			r.acc >>= 1
			r.n--
			break
		}
	}
	return q
}

// unpack decodes a pack. Any byte string gives readings or an error, never a
// panic; the caller has checked the sum before.
func unpack(b []byte) (name string, rs []rec, err error) {
	p := packReader{b: b}
	if v := p.byte(); v != packVersion {
		return "", nil, fmt.Errorf("pack: version %d is not known: %w", v, ErrDamaged)
	}
	n := p.uvarint()
	ln := p.uvarint()
	if p.bad || n > maxPack || ln > 1024 {
		return "", nil, fmt.Errorf("pack: %d readings: %w", n, ErrDamaged)
	}
	name = string(p.take(int(ln)))
	rs = make([]rec, n)
	col := make([]int64, n)
	if n > 0 {
		p.column(col, 2)
		for i := range rs {
			rs[i].t = col[i]
		}
		p.column(col, 2)
		for i := range rs {
			rs[i].seq = col[i]
		}
		for k := 0; k < 3 && !p.bad; k++ {
			sub := col
			switch p.byte() {
			case 0:
				continue
			case 1:
				for i := range rs {
					rs[i].has |= 1 << k
				}
			case 2:
				m := p.take((len(rs) + 7) / 8)
				if p.bad {
					break
				}
				c := 0
				for i := range rs {
					if m[i>>3]>>(i&7)&1 != 0 {
						rs[i].has |= 1 << k
						c++
					}
				}
				sub = col[:c]
			default:
				p.fail()
			}
			if p.bad {
				break
			}
			p.column(sub, 1)
			j := 0
			for i := range rs {
				if rs[i].has&(1<<k) != 0 {
					if sub[j] != int64(int32(sub[j])) {
						p.fail()
						break
					}
					rs[i].q[k] = int32(sub[j])
					j++
				}
			}
		}
	}
	if p.bad || p.off != len(b) {
		return "", nil, fmt.Errorf("pack: cut short or too long: %w", ErrDamaged)
	}
	return name, rs, nil
}
