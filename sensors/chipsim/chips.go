// SPDX-License-Identifier: Apache-2.0

package chipsim

import (
	"encoding/binary"
	"math"
	"time"
)

// base is what all chips share.
type base struct {
	air         Air
	wrong, busy bool
	exact       bool
	noised      int
	ready       time.Time // end of the conversion under way
	reg         byte
}

func (b *base) SetAir(a Air)    { b.air = a }
func (b *base) Air() Air        { return b.air }
func (b *base) setWrong(x bool) { b.wrong = x }
func (b *base) setBusy(x bool)  { b.busy = x }
func (b *base) setExact(x bool) { b.exact = x }

// noise moves a register by up to five steps, differently for each
// measurement and channel, as the chips' repeatability has it.
func (b *base) noise(raw uint32, ch int) uint16 {
	if b.exact {
		return uint16(raw)
	}
	b.noised++
	d := (b.noised*7919+ch*104729)%11 - 5
	return uint16(min(max(int(raw)+d, 0), 65535))
}
func (b *base) done() bool { return !b.busy && !time.Now().Before(b.ready) }

// sum is the chips' checksum by the definition, long division by
// x⁸+x⁵+x⁴+1 with the first byte inverted, rather than by the usual loop.
func sum(b []byte) byte {
	v := make([]byte, len(b)+1)
	copy(v, b)
	v[0] ^= 0xff
	for i := range 8 * len(b) {
		if v[i/8]>>(7-i%8)&1 == 0 {
			continue
		}
		const poly = 0x131 // nine bits, its first on bit i
		for j := range 9 {
			if poly>>(8-j)&1 == 1 {
				v[(i+j)/8] ^= 0x80 >> ((i + j) % 8)
			}
		}
	}
	return v[len(b)]
}

func words(r []byte, ws ...uint16) {
	var b []byte
	for _, w := range ws {
		p := binary.BigEndian.AppendUint16(nil, w)
		b = append(append(b, p...), sum(p))
	}
	clearBytes(r, 0xff) // reading on gives ones
	copy(r, b)
}

func counts(x, lo, span, full float64) uint32 {
	return uint32(math.Round(math.Min(math.Max((x-lo)/span, 0), 1) * full))
}

// answering is a chip that answers each command once, in words with sums, as
// soon as it has measured.
type answering struct {
	base
	answer []uint16
}

func (c *answering) Read(r []byte) error {
	if c.answer == nil || !c.done() {
		return errNack
	}
	words(r, c.answer...)
	c.answer = nil
	return nil
}

// SHT4x emulates the SHT40, SHT41 and SHT45.
type SHT4x struct {
	answering
	SerialNumber uint32
}

// NewSHT4x returns one in the given air.
func NewSHT4x(a Air) *SHT4x {
	return &SHT4x{answering: answering{base: base{air: a}}, SerialNumber: 0x0f3c8a21}
}

func (c *SHT4x) Reset() { c.answer = nil }

func (c *SHT4x) Write(w []byte) error {
	if len(w) != 1 || c.wrong {
		return errNack
	}
	now := time.Now()
	switch w[0] {
	case 0xfd, 0xf6, 0xe0: // high, medium, low repeatability
		c.ready = now.Add(map[byte]time.Duration{0xfd: 8300, 0xf6: 4500, 0xe0: 1600}[w[0]] * time.Microsecond)
		c.answer = []uint16{
			c.noise(counts(c.air.C, -45, 175, 65535), 0),
			c.noise(counts(c.air.RH, -6, 125, 65535), 1),
		}
		if c.air.C > 125 { // off scale: the register itself reaches 130 °C
			c.answer[0] = 65000
		}
	case 0x89:
		c.ready = now
		c.answer = []uint16{uint16(c.SerialNumber >> 16), uint16(c.SerialNumber)}
	case 0x94:
		c.Reset()
	default:
		return errNack
	}
	return nil
}

// HDC302x emulates the HDC3020, HDC3021 and HDC3022.
type HDC302x struct {
	answering
	auto bool // continuous measurement
}

// NewHDC302x returns one in the given air.
func NewHDC302x(a Air) *HDC302x { return &HDC302x{answering: answering{base: base{air: a}}} }

func (c *HDC302x) Reset() { c.answer, c.auto = nil, false }

func (c *HDC302x) measured() []uint16 {
	t := c.noise(counts(c.air.C, -45, 175, 65535), 0)
	return []uint16{t, c.noise(counts(c.air.RH, 0, 100, 65535), 1)}
}

func (c *HDC302x) Write(w []byte) error {
	if len(w) != 2 {
		return errNack
	}
	now := time.Now()
	switch cmd := uint16(w[0])<<8 | uint16(w[1]); cmd {
	case 0x2400, 0x240b, 0x2416, 0x24ff: // on demand, four noise levels
		c.ready, c.answer = now.Add(14*time.Millisecond), c.measured()
	case 0x2032, 0x2130, 0x2236, 0x2334, 0x2737: // continuous
		c.auto, c.ready, c.answer = true, now.Add(14*time.Millisecond), nil
	case 0xe000:
		if !c.auto {
			return errNack
		}
		c.answer = c.measured()
	case 0x3093:
		c.auto = false
	case 0x3781:
		c.ready = now
		c.answer = []uint16{0x3000}
		if c.wrong {
			c.answer[0] = 0x5449
		}
	case 0xf32d:
		c.ready, c.answer = now, []uint16{0x8010}
	case 0x30a2, 0x3041, 0x3066:
		c.answer = nil
	default:
		return errNack
	}
	return nil
}

// AHT20 emulates the AHT20.
type AHT20 struct {
	base
	calibrated bool
	h, t       uint32
}

// NewAHT20 returns one in the given air, just powered on.
func NewAHT20(a Air) *AHT20 { return &AHT20{base: base{air: a}} }

func (c *AHT20) Reset() { c.calibrated, c.h, c.t = false, 0, 0 }

func (c *AHT20) Write(w []byte) error {
	switch {
	case c.wrong:
		return errNack
	case len(w) == 1 && w[0] == 0x71:
	case len(w) == 1 && w[0] == 0xba:
		c.Reset()
	case len(w) == 3 && w[0] == 0xbe && w[1] == 0x08:
		c.calibrated = true
	case len(w) == 3 && w[0] == 0xac && w[1] == 0x33:
		c.ready = time.Now().Add(75 * time.Millisecond)
		c.h = min(counts(c.air.RH, 0, 100, 1<<20), 1<<20-1)
		c.t = min(counts(c.air.C, -50, 200, 1<<20), 1<<20-1)
	default:
		return errNack
	}
	return nil
}

func (c *AHT20) Read(r []byte) error {
	if c.wrong {
		return errNack
	}
	b := []byte{0x10, byte(c.h >> 12), byte(c.h >> 4), byte(c.h<<4) | byte(c.t>>16), byte(c.t >> 8), byte(c.t)}
	if c.calibrated {
		b[0] |= 1 << 3
	}
	if !c.done() {
		b[0] |= 1 << 7
	}
	b = append(b, sum(b))
	clearBytes(r, 0xff)
	copy(r, b)
	return nil
}

// MCP9808 emulates the MCP9808, converting continuously.
type MCP9808 struct {
	base
	config     uint16
	resolution byte
	started    time.Time
}

// NewMCP9808 returns one in the given air, just powered on.
func NewMCP9808(a Air) *MCP9808 {
	c := &MCP9808{base: base{air: a}}
	c.Reset()
	return c
}

func (c *MCP9808) Reset() { c.config, c.resolution, c.started = 0, 3, time.Now() }

func (c *MCP9808) Write(w []byte) error {
	if len(w) == 0 {
		return errNack
	}
	c.reg = w[0] & 0xf
	switch {
	case c.reg == 1 && len(w) == 3:
		was := c.config
		c.config = uint16(w[1])<<8 | uint16(w[2])
		if was&0x100 != 0 && c.config&0x100 == 0 {
			c.started = time.Now()
		}
	case c.reg == 8 && len(w) == 2:
		c.resolution = w[1] & 3
	case len(w) > 1:
		return errNack
	}
	return nil
}

func (c *MCP9808) Read(r []byte) error {
	var v uint16
	switch c.reg {
	case 1:
		v = c.config
		if c.busy { // it went to sleep by itself
			v |= 0x100
		}
	case 5:
		if time.Since(c.started) >= 250*time.Millisecond {
			n := int(math.Round(c.air.C * 16))
			v = uint16(n) & 0x1fff // sign and twelve bits
		}
	case 6:
		v = 0x0054
		if c.wrong {
			v = 0x0058
		}
	case 7:
		v = 0x0400
		if c.wrong {
			v = 0x0100
		}
	case 8:
		clearBytes(r, c.resolution)
		return nil
	}
	clearBytes(r, 0xff)
	copy(r, []byte{byte(v >> 8), byte(v)})
	return nil
}

// TMP102 emulates the TMP102.
type TMP102 struct {
	base
	config   uint16
	measured uint16
	pending  bool
}

// NewTMP102 returns one in the given air, just powered on.
func NewTMP102(a Air) *TMP102 {
	c := &TMP102{base: base{air: a}}
	c.Reset()
	return c
}

func (c *TMP102) Reset() {
	c.config, c.measured, c.pending = 0x60a0, 0, true
	c.ready = time.Now().Add(26 * time.Millisecond)
}

func (c *TMP102) Write(w []byte) error {
	if len(w) == 0 {
		return errNack
	}
	c.reg = w[0] & 3
	if c.reg == 1 && len(w) == 3 {
		v := uint16(w[1])<<8 | uint16(w[2])
		start := v&0x8000 != 0 && v&0x0100 != 0
		c.config = v&^0x800f | 0x6000
		if start {
			c.pending, c.ready = true, time.Now().Add(30*time.Millisecond)
		}
	}
	return nil
}

func (c *TMP102) Read(r []byte) error {
	shut := c.config&0x0100 != 0
	if c.done() && (c.pending || !shut) {
		c.pending = false
		n := int(math.Round(math.Min(c.air.C, 127.9375) * 16))
		c.measured = uint16(n) << 4
	}
	var v uint16
	switch c.reg {
	case 0:
		v = c.measured
	case 1:
		v = c.config
		if shut && !c.pending {
			v |= 0x8000
		}
	case 2:
		v = 0x4b00
	case 3:
		v = 0x5000
	}
	if c.wrong {
		v = 0x1234
	}
	clearBytes(r, 0xff)
	copy(r, []byte{byte(v >> 8), byte(v)})
	return nil
}

// SCD4x emulates the SCD40 and SCD41.
type SCD4x struct {
	base
	running bool
	started time.Time
	fetched int // measurements already read
	answer  []uint16
}

// NewSCD4x returns one in the given air, idle.
func NewSCD4x(a Air) *SCD4x { return &SCD4x{base: base{air: a}} }

func (c *SCD4x) Reset() { c.running, c.answer = false, nil }

// fresh is how many measurements there have been, and whether one is unread.
func (c *SCD4x) fresh() (n int, ok bool) {
	if !c.running || c.busy {
		return 0, false
	}
	n = int(time.Since(c.started) / (5 * time.Second))
	return n, n > c.fetched
}

func (c *SCD4x) Write(w []byte) error {
	if len(w) != 2 || c.wrong {
		return errNack
	}
	switch cmd := uint16(w[0])<<8 | uint16(w[1]); cmd {
	case 0x21b1:
		if c.running {
			return errNack
		}
		c.running, c.started, c.fetched = true, time.Now(), 0
	case 0x3f86:
		c.running = false
	case 0xe4b8:
		c.answer = []uint16{0x8000}
		if _, ok := c.fresh(); ok {
			c.answer[0] = 0x8006
		}
	case 0xec05:
		n, ok := c.fresh()
		if !ok {
			return errNack
		}
		c.fetched = n
		c.answer = []uint16{
			uint16(math.Min(math.Round(c.air.CO2), 65535)),
			c.noise(counts(c.air.C, -45, 175, 65535), 0),
			c.noise(counts(c.air.RH, 0, 100, 65535), 1),
		}
	case 0x3682:
		if c.running {
			return errNack
		}
		c.answer = []uint16{0xf896, 0x9f07, 0x3bbe}
	case 0x36f6: // wake_up is never acknowledged
		return errNack
	default:
		return errNack
	}
	return nil
}

func (c *SCD4x) Read(r []byte) error {
	if c.answer == nil || c.wrong {
		return errNack
	}
	words(r, c.answer...)
	c.answer = nil
	return nil
}

// BME280 emulates the BME280, measuring in forced mode.
type BME280 struct {
	base
	mem [256]byte
}

// Calibration words: temperature and pressure are the example of the BMP280
// data sheet (table of section 3.12), humidity is a set as parts carry it.
var bmeT = [3]int64{27504, 26435, -1000}
var bmeP = [9]int64{36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000}
var bmeH = [6]int64{75, 362, 0, 315, 50, 30}

// NewBME280 returns one in the given air, just powered on.
func NewBME280(a Air) *BME280 {
	c := &BME280{base: base{air: a}}
	put := func(at int, v int64) { binary.LittleEndian.PutUint16(c.mem[at:], uint16(v)) }
	for i, v := range bmeT {
		put(0x88+2*i, v)
	}
	for i, v := range bmeP {
		put(0x8e+2*i, v)
	}
	c.mem[0xa1] = byte(bmeH[0])
	put(0xe1, bmeH[1])
	c.mem[0xe3] = byte(bmeH[2])
	c.mem[0xe4] = byte(bmeH[3] >> 4)
	c.mem[0xe5] = byte(bmeH[3]&0xf) | byte(bmeH[4]&0xf)<<4
	c.mem[0xe6] = byte(bmeH[4] >> 4)
	c.mem[0xe7] = byte(bmeH[5])
	c.Reset()
	return c
}

func (c *BME280) Reset() {
	c.ready = time.Time{}
	copy(c.mem[0xf2:], []byte{0, 0, 0, 0})
	copy(c.mem[0xf7:], []byte{0x80, 0, 0, 0x80, 0, 0, 0x80, 0})
}

func (c *BME280) Write(w []byte) error {
	if len(w) == 1 {
		c.reg = w[0]
		return nil
	}
	for i := 0; i+1 < len(w); i += 2 {
		switch w[i] {
		case 0xe0:
			if w[i+1] == 0xb6 {
				c.Reset()
			}
		case 0xf2, 0xf5:
			c.mem[w[i]] = w[i+1]
		case 0xf4:
			c.mem[0xf4] = w[i+1]
			if w[i+1]&3 != 0 {
				c.ready = time.Now().Add(9300 * time.Microsecond)
			}
		}
	}
	return nil
}

func (c *BME280) Read(r []byte) error {
	c.mem[0xd0] = 0x60
	if c.wrong {
		c.mem[0xd0] = 0x58
	}
	c.mem[0xf3] = 0
	if c.mem[0xf4]&3 != 0 {
		if c.done() {
			c.convert()
			c.mem[0xf4] &^= 3
		} else {
			c.mem[0xf3] = 8
		}
	}
	for i := range r {
		r[i] = c.mem[(int(c.reg)+i)&0xff]
	}
	return nil
}

// convert finds the counts that the data sheet's own integer routines turn
// into the air's values.
func (c *BME280) convert() {
	t := search(1<<20, func(x int64) float64 { v, _ := BMEInt32T(x); return float64(v) / 100 }, c.air.C)
	_, fine := BMEInt32T(t)
	p := search(1<<20, func(x int64) float64 { return -float64(BMEInt64P(x, fine)) / 256 }, -c.air.Pa)
	h := int64(0x8000)
	if c.mem[0xf2]&7 != 0 {
		h = search(1<<16, func(x int64) float64 { return float64(bmeInt32HNoClamp(x, fine)) / 1024 }, c.air.RH)
	}
	copy(c.mem[0xf7:], []byte{
		byte(p >> 12), byte(p >> 4), byte(p << 4),
		byte(t >> 12), byte(t >> 4), byte(t << 4),
		byte(h >> 8), byte(h),
	})
}

// search returns the count below n whose value is nearest to want; f rises.
func search(n int64, f func(int64) float64, want float64) int64 {
	lo, hi := int64(0), n-1
	for lo < hi {
		mid := (lo + hi) / 2
		if f(mid) < want {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	if lo > 0 && want-f(lo-1) < f(lo)-want {
		lo--
	}
	return lo
}

// BMEInt32T is the data sheet's integer temperature routine for the emulated
// calibration: hundredths of °C, and t_fine.
func BMEInt32T(adc int64) (centi, fine int64) {
	a := (((adc >> 3) - (bmeT[0] << 1)) * bmeT[1]) >> 11
	b := (((((adc >> 4) - bmeT[0]) * ((adc >> 4) - bmeT[0])) >> 12) * bmeT[2]) >> 14
	fine = a + b
	return (fine*5 + 128) >> 8, fine
}

// BMEInt64P is the data sheet's integer pressure routine: 1/256 Pa.
func BMEInt64P(adc, fine int64) int64 {
	v1 := fine - 128000
	v2 := v1 * v1 * bmeP[5]
	v2 += (v1 * bmeP[4]) << 17
	v2 += bmeP[3] << 35
	v1 = ((v1 * v1 * bmeP[2]) >> 8) + ((v1 * bmeP[1]) << 12)
	v1 = (((int64(1) << 47) + v1) * bmeP[0]) >> 33
	if v1 == 0 {
		return 0
	}
	p := (((1048576 - adc) << 31) - v2) * 3125 / v1
	v1 = (bmeP[8] * (p >> 13) * (p >> 13)) >> 25
	v2 = (bmeP[7] * p) >> 19
	return ((p + v1 + v2) >> 8) + (bmeP[6] << 4)
}

// BMEInt32H is the data sheet's integer humidity routine: 1/1024 %.
func BMEInt32H(adc, fine int64) int64 {
	return min(max(bmeInt32HNoClamp(adc, fine), 0), 102400)
}

func bmeInt32HNoClamp(adc, fine int64) int64 {
	v := fine - 76800
	a := ((adc << 14) - (bmeH[3] << 20) - bmeH[4]*v + 16384) >> 15
	b := ((((((v*bmeH[5])>>10)*(((v*bmeH[2])>>11)+32768))>>10)+2097152)*bmeH[1] + 8192) >> 14
	v = a * b
	v -= (((v >> 15) * (v >> 15)) >> 7) * bmeH[0] >> 4
	return v >> 12
}
