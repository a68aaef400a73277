// SPDX-License-Identifier: Apache-2.0

package chipsim

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3/onewire"
)

// Thermometer emulates a DS18B20.
type Thermometer struct {
	Addr onewire.Address

	mu      sync.Mutex
	c       float64
	shown   int16 // raw, as of the last conversion
	ready   time.Time
	next    int16
	fault   Fault
	clear   chan struct{}
	flips   int
	fresh   bool // since power-on, no conversion done
	pending bool // a conversion is under way
}

// Address makes a DS18B20's address from a 48-bit serial number.
func Address(serial uint64) onewire.Address {
	var b [8]byte
	binary.LittleEndian.PutUint64(b[:], serial<<8|0x28)
	b[7] = sumMaxim(b[:7])
	return onewire.Address(binary.LittleEndian.Uint64(b[:]))
}

// NewThermometer returns one at c °C, just powered on.
func NewThermometer(serial uint64, c float64) *Thermometer {
	return &Thermometer{Addr: Address(serial), c: c, shown: 0x0550, fresh: true}
}

// ID is the name the kernel gives it.
func (t *Thermometer) ID() string {
	return fmt.Sprintf("28-%012x", uint64(t.Addr)>>8&0xffffffffffff)
}

// SetC changes what it will measure next.
func (t *Thermometer) SetC(c float64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.c = c
}

// SetFault puts it into the fault, ending any other.
func (t *Thermometer) SetFault(f Fault) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.clear != nil {
		close(t.clear)
		t.clear = nil
	}
	if f == Hang {
		t.clear = make(chan struct{})
	}
	if f == Absent {
		t.shown, t.fresh, t.pending = 0x0550, true, false
	}
	t.fault = f
}

// wait is a transaction's time under the present fault.
func (t *Thermometer) wait() Fault {
	t.mu.Lock()
	f, clear := t.fault, t.clear
	t.mu.Unlock()
	switch f {
	case Hang:
		<-clear
	case Slow:
		time.Sleep(SlowTime)
	}
	return f
}

func (t *Thermometer) convert() {
	t.mu.Lock()
	defer t.mu.Unlock()
	c := t.c
	switch t.fault {
	case Stuck:
		return
	case OffScale:
		c = 127.5
	case PowerCut: // the conversion draws the supply down, and it starts again
		t.shown, t.fresh, t.pending = 0x0550, true, false
		return
	}
	t.next = int16(math.Round(c * 16))
	t.ready = time.Now().Add(700 * time.Millisecond)
	if t.fault == Busy {
		t.ready = t.ready.Add(time.Hour)
	}
	t.pending = true
}

// scratchpad is the memory as of now.
func (t *Thermometer) scratchpad() []byte {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.pending && !time.Now().Before(t.ready) {
		t.shown, t.fresh = t.next, false
		t.pending = false
	}
	// Data sheet, "Memory": TH, TL, configuration at 12 bits, FF, reserved, 10.
	p := []byte{byte(t.shown), byte(uint16(t.shown) >> 8), 0x4b, 0x46, 0x7f, 0xff, 0x10, 0x10}
	if t.shown == 0x0550 && t.fresh {
		p[6] = 0x0c
	}
	if t.fault == WrongID {
		p[4] = 0x00
	}
	p = append(p, sumMaxim(p))
	switch t.fault {
	case Zeros:
		clearBytes(p, 0)
	case Ones, Absent:
		clearBytes(p, 0xff)
	case FlipBit:
		p[t.flips%9] ^= 1 << (t.flips % 8)
		t.flips++
	}
	return p
}

// sumMaxim is the 1-wire checksum by the definition: long division, least
// significant bit first, by x⁸+x⁵+x⁴+1.
func sumMaxim(b []byte) byte {
	v := make([]byte, len(b)+1)
	copy(v, b)
	for i := range 8 * len(b) {
		if v[i/8]>>(i%8)&1 == 0 {
			continue
		}
		for _, j := range []int{0, 3, 4, 8} { // x⁸, x⁵, x⁴, 1
			v[(i+j)/8] ^= 1 << ((i + j) % 8)
		}
	}
	return v[len(b)]
}

// OneWire is an emulated 1-wire bus for periph.
type OneWire struct {
	sem chan struct{}
	mu  sync.Mutex
	ts  []*Thermometer
}

var _ onewire.BusCloser = (*OneWire)(nil)

// NewOneWire returns a bus with these thermometers on it.
func NewOneWire(ts ...*Thermometer) *OneWire {
	return &OneWire{sem: make(chan struct{}, 1), ts: ts}
}

type noDevices struct{ error }

func (noDevices) NoDevices() bool { return true }
func (noDevices) BusError() bool  { return true }

type shorted struct{ error }

func (shorted) IsShorted() bool { return true }
func (shorted) BusError() bool  { return true }

// Tx implements onewire.Bus for Match ROM and Skip ROM with Convert T and Read
// Scratchpad.
func (b *OneWire) Tx(w, r []byte, _ onewire.Pullup) error {
	b.sem <- struct{}{}
	defer func() { <-b.sem }()
	b.mu.Lock()
	all := slices.Clone(b.ts)
	b.mu.Unlock()

	there := 0
	for _, t := range all {
		t.mu.Lock()
		f := t.fault
		t.mu.Unlock()
		if f == Zeros {
			return shorted{errors.New("onewire: bus is shorted")}
		}
		if f != Absent {
			there++
		}
	}
	if there == 0 {
		return noDevices{errors.New("onewire: no presence pulse")}
	}
	sel := all
	switch {
	case len(w) >= 10 && w[0] == 0x55:
		sel = nil
		for _, t := range all {
			if binary.LittleEndian.Uint64(w[1:9]) == uint64(t.Addr) {
				sel = []*Thermometer{t}
			}
		}
		w = w[9:]
	case len(w) >= 2 && w[0] == 0xcc:
		w = w[1:]
	default:
		return errors.New("onewire: not understood")
	}
	clearBytes(r, 0xff)
	for _, t := range sel {
		if t.wait() == Absent {
			continue
		}
		switch w[0] {
		case 0x44:
			t.convert()
		case 0xbe:
			copy(r, t.scratchpad())
		}
	}
	return nil
}

func (b *OneWire) Search(bool) ([]onewire.Address, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	var as []onewire.Address
	for _, t := range b.ts {
		t.mu.Lock()
		if t.fault != Absent {
			as = append(as, t.Addr)
		}
		t.mu.Unlock()
	}
	return as, nil
}

func (b *OneWire) Close() error { return nil }

func (b *OneWire) String() string { return "simulated 1-wire" }

// W1Tree shows thermometers as the kernel's w1_therm does: a folder each, with
// a w1_slave file that converts when it is read.
type W1Tree struct{ ts map[string]*Thermometer }

// NewW1Tree returns a tree of these thermometers.
func NewW1Tree(ts ...*Thermometer) *W1Tree {
	m := map[string]*Thermometer{}
	for _, t := range ts {
		m[t.ID()] = t
	}
	return &W1Tree{m}
}

var _ fs.ReadDirFS = (*W1Tree)(nil)

// ReadDir implements fs.ReadDirFS for the root.
func (w *W1Tree) ReadDir(name string) ([]fs.DirEntry, error) {
	if name != "." {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	es := []fs.DirEntry{entry("w1_bus_master1")}
	for id, t := range w.ts {
		t.mu.Lock()
		if t.fault != Absent {
			es = append(es, entry(id))
		}
		t.mu.Unlock()
	}
	slices.SortFunc(es, func(a, b fs.DirEntry) int {
		if a.Name() < b.Name() {
			return -1
		}
		return 1
	})
	return es, nil
}

type entry string

func (e entry) Name() string               { return string(e) }
func (e entry) IsDir() bool                { return true }
func (e entry) Type() fs.FileMode          { return fs.ModeDir }
func (e entry) Info() (fs.FileInfo, error) { return nil, fs.ErrInvalid }

// Open implements fs.FS for ID/w1_slave.
func (w *W1Tree) Open(name string) (fs.File, error) {
	for id, t := range w.ts {
		if name == id+"/w1_slave" {
			if t.wait() == Absent {
				break
			}
			return &w1File{t: t}, nil
		}
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

type w1File struct {
	t    *Thermometer
	text string
	off  int
}

func (f *w1File) Stat() (fs.FileInfo, error) { return nil, fs.ErrInvalid }
func (f *w1File) Close() error               { return nil }

func (f *w1File) Read(b []byte) (int, error) {
	if f.text == "" {
		f.t.convert()
		time.Sleep(750 * time.Millisecond)
		f.t.mu.Lock()
		busy := f.t.fault == Busy
		f.t.mu.Unlock()
		if busy {
			return 0, &fs.PathError{Op: "read", Path: f.t.ID(), Err: syscall.EIO}
		}
		f.text = W1Slave(f.t.scratchpad())
	}
	if f.off == len(f.text) {
		return 0, io.EOF
	}
	n := copy(b, f.text[f.off:])
	f.off += n
	return n, nil
}

// W1Slave writes nine scratchpad bytes as the kernel does.
func W1Slave(p []byte) string {
	verdict := "NO"
	if sumMaxim(p[:8]) == p[8] {
		verdict = "YES"
	}
	raw := int16(binary.LittleEndian.Uint16(p))
	return fmt.Sprintf("% x : crc=%02x %s\n% x t=%d\n", p, sumMaxim(p[:8]), verdict, p, int(raw)*1000/16)
}
