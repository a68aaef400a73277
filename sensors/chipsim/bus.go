// SPDX-License-Identifier: Apache-2.0

// Package chipsim emulates sensor chips register by register, behind periph's
// bus interfaces and as the kernel's 1-wire files, with every fault that a
// cheap probe on a long wire shows. Drivers, the daemon and fault campaigns are
// tested on it; no driver imports it.
//
// The emulation follows the chips' data sheets and shares no code with the
// drivers. It runs on the time package's clock, so that in a synctest bubble
// conversions take no real time.
package chipsim

import (
	"fmt"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Fault is what is wrong with a chip or its wire.
type Fault int

// Faults. Each can be set and cleared at any time with SetFault.
const (
	Good     Fault = iota
	Absent         // nobody acknowledges
	Hang           // a transaction does not end until the fault is cleared
	Slow           // each transaction takes [SlowTime]
	FlipBit        // one bit of each answer is wrong; which one moves on
	Zeros          // the data line is stuck low
	Ones           // the data line is stuck high
	Stuck          // registers no longer change, conversions go on
	Busy           // a conversion never ends
	PowerCut       // the supply dips after each command: registers are reset
	WrongID        // another chip answers
	OffScale       // the chip reports a value outside its rated span
)

var faultNames = map[Fault]string{
	Good: "good", Absent: "absent", Hang: "hang", Slow: "slow", FlipBit: "bit flipped",
	Zeros: "line low", Ones: "line high", Stuck: "stuck", Busy: "busy for ever",
	PowerCut: "supply dips", WrongID: "wrong chip", OffScale: "off scale",
}

func (f Fault) String() string { return faultNames[f] }

// Faults lists all faults but [Good].
func Faults() []Fault {
	return []Fault{Absent, Hang, Slow, FlipBit, Zeros, Ones, Stuck, Busy, PowerCut, WrongID, OffScale}
}

// SlowTime is how long a transaction takes under [Slow].
const SlowTime = 20 * time.Second

// Air is the air around a chip.
type Air struct {
	C, RH, CO2, Pa float64
}

// Chip is one emulated I2C chip, this package's or a test's own. An error from
// Write or Read means that the chip does not acknowledge.
type Chip interface {
	Write(w []byte) error
	Read(r []byte) error
	// Reset is a power cycle.
	Reset()
}

// sensor is a chip of this package: it has air around it, and can have the faults that
// are the chip's own and not the wire's.
type sensor interface {
	SetAir(Air) // what it will measure next
	Air() Air
	setWrong(bool) // its identity, if it has one, is another chip's
	setBusy(bool)  // conversions never end
	setExact(bool) // without its own noise
}

// plain stands in for chips that are no sensors.
type plain struct{}

func (plain) SetAir(Air)    {}
func (plain) Air() Air      { return Air{} }
func (plain) setWrong(bool) {}
func (plain) setBusy(bool)  {}
func (plain) setExact(bool) {}

// Both is two chips set to one address. Both hear everything; the line is low
// where either pulls it low.
type Both struct{ A, B Chip }

func (c Both) Reset() { c.A.Reset(); c.B.Reset() }

// Write implements [Chip]: one acknowledgement is enough.
func (c Both) Write(w []byte) error {
	ea, eb := c.A.Write(w), c.B.Write(w)
	if ea != nil && eb != nil {
		return ea
	}
	return nil
}

func (c Both) Read(r []byte) error {
	b := make([]byte, len(r))
	ea, eb := c.A.Read(r), c.B.Read(b)
	switch {
	case ea != nil && eb != nil:
		return ea
	case ea != nil:
		copy(r, b)
	case eb == nil:
		for i := range r {
			r[i] &= b[i]
		}
	}
	return nil
}

// errNack is the error of a Linux adapter for a missing acknowledgement.
var errNack = fmt.Errorf("sysfs-i2c: %v", syscall.EREMOTEIO)

// Bus is an emulated I2C bus. Safe for concurrent use: one transaction at a
// time, as on wires, so that a chip that hangs the bus hangs its neighbours.
type Bus struct {
	name string
	sem  chan struct{}

	mu    sync.Mutex
	slots map[uint16]*slot
	exact bool
	count map[uint16]int
}

type slot struct {
	chip  Chip
	in    sensor
	fault Fault
	clear chan struct{} // closed when a Hang is cleared
	flips int
	held  *Air // air around it before OffScale or Stuck
}

var _ i2c.BusCloser = (*Bus)(nil)

// NewBus returns a bus with nothing on it.
func NewBus(name string) *Bus {
	return &Bus{name: name, sem: make(chan struct{}, 1), slots: map[uint16]*slot{}, count: map[uint16]int{}}
}

// Attach plugs a chip in, in place of any other at the address. nil unplugs.
func (b *Bus) Attach(addr uint16, c Chip) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if c == nil {
		delete(b.slots, addr)
		return
	}
	in, ok := c.(sensor)
	if !ok {
		in = plain{}
	}
	in.setExact(b.exact)
	b.slots[addr] = &slot{chip: c, in: in}
}

// Exact switches off the noise of all present and later chips on the bus, for
// comparisons. A chip that is usually noisy then looks like a stuck one.
func (b *Bus) Exact() *Bus {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.exact = true
	for _, s := range b.slots {
		s.in.setExact(true)
	}
	return b
}

// SetFault puts the chip at the address into the fault, ending any other.
func (b *Bus) SetFault(addr uint16, f Fault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	s := b.slots[addr]
	if s == nil {
		return
	}
	if s.clear != nil {
		close(s.clear)
		s.clear = nil
	}
	if s.held != nil {
		s.in.SetAir(*s.held)
		s.held = nil
	}
	s.fault = f
	s.in.setWrong(f == WrongID)
	s.in.setBusy(f == Busy)
	s.in.setExact(b.exact || f == Stuck)
	switch f {
	case Hang:
		s.clear = make(chan struct{})
	case OffScale:
		a := s.in.Air()
		s.held = &a
		s.in.SetAir(Air{C: 127.5, RH: 118, CO2: 60000, Pa: a.Pa})
	case Stuck:
		a := s.in.Air()
		s.held = &a
	}
}

// SetAir changes the air around all chips; those with Stuck or OffScale show it once
// the fault is cleared.
func (b *Bus) SetAir(a Air) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.slots {
		if s.held != nil {
			x := a
			s.held = &x
			continue
		}
		s.in.SetAir(a)
	}
}

// Transactions returns how many have been asked for at the address, those that
// still wait for a hung bus among them.
func (b *Bus) Transactions(addr uint16) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.count[addr]
}

func (b *Bus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	b.count[addr]++
	b.mu.Unlock()
	b.sem <- struct{}{}
	defer func() { <-b.sem }()

	b.mu.Lock()
	s := b.slots[addr]
	if s == nil || s.fault == Absent {
		b.mu.Unlock()
		return errNack
	}
	fault, clear := s.fault, s.clear
	b.mu.Unlock()

	switch fault {
	case Hang:
		<-clear
	case Slow:
		time.Sleep(SlowTime)
	}

	b.mu.Lock()
	defer b.mu.Unlock()
	// A line held low acknowledges everything, and the chip hears nothing.
	if fault == Zeros {
		clearBytes(r, 0)
		return nil
	}
	if fault == Ones {
		return errNack
	}
	if len(w) > 0 {
		if err := s.chip.Write(w); err != nil {
			return err
		}
		if fault == PowerCut {
			s.chip.Reset()
		}
	}
	if len(r) > 0 {
		if err := s.chip.Read(r); err != nil {
			return err
		}
		if fault == FlipBit {
			i := s.flips % (8 * len(r))
			r[i/8] ^= 1 << (i % 8)
			s.flips++
		}
	}
	return nil
}

func clearBytes(b []byte, x byte) {
	for i := range b {
		b[i] = x
	}
}

// SetSpeed implements i2c.Bus; any speed will do.
func (b *Bus) SetSpeed(physic.Frequency) error { return nil }

func (b *Bus) Close() error { return nil }

func (b *Bus) String() string { return b.name }
