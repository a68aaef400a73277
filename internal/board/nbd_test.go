// SPDX-License-Identifier: Apache-2.0

package board

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"

	"curewright/internal/testkit"
)

// disk is what a guest's disk holds: what is on the medium, and what was
// written since the last flush and stands in the disk's own memory only. A
// power cut loses that.
type disk struct {
	mu      sync.Mutex
	medium  []byte
	sector  int64            // what it writes whole
	memory  map[int64][]byte // by sector
	order   []int64          // sectors in memory, oldest first
	flushes int
	writes  int
	dead    bool                    // after a cut: nothing reaches it
	worn    bool                    // takes no write and no flush: EIO
	left    int                     // writes until the power goes by itself, 0 if it does not
	fatal   func(off, n int64) bool // a write at which the power goes; nil for none
	sprung  chan struct{}
	on      chan struct{} // closed when the power is back
}

// blockSize is a block of the file system, and what a disk writes whole unless
// a test says otherwise.
const blockSize = 4096

func newDisk(size int64) *disk {
	return &disk{medium: make([]byte, size), sector: blockSize, memory: map[int64][]byte{}}
}

func (d *disk) read(p []byte, off int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for len(p) > 0 {
		b, at := off/d.sector, off%d.sector
		n := copy(p, d.block(b)[at:])
		p, off = p[n:], off+int64(n)
	}
}

// block is what the disk answers to be in one; mu is held.
func (d *disk) block(b int64) []byte {
	if m, ok := d.memory[b]; ok {
		return m
	}
	return d.medium[b*d.sector : (b+1)*d.sector]
}

func (d *disk) write(p []byte, off int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return
	}
	d.writes++
	fatal := d.fatal != nil && d.fatal(off, int64(len(p)))
	for len(p) > 0 {
		b, at := off/d.sector, off%d.sector
		m := bytes.Clone(d.block(b))
		n := copy(m[at:], p)
		if _, ok := d.memory[b]; !ok {
			d.order = append(d.order, b)
		}
		d.memory[b] = m
		p, off = p[n:], off+int64(n)
	}
	if d.left--; d.left == 0 || fatal {
		d.dead = true
		close(d.sprung)
	}
}

// trap has the power go right after the n-th write from now: that one may be in
// the disk's memory, and nothing is answered after it.
func (d *disk) trap(n int) (sprung <-chan struct{}) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.left, d.sprung, d.on = n, make(chan struct{}), make(chan struct{})
	return d.sprung
}

// trapAt is trap for the first write of which fatal says so.
func (d *disk) trapAt(fatal func(off, n int64) bool) (sprung <-chan struct{}) {
	sprung = d.trap(0)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fatal = fatal
	return sprung
}

// wear has the disk take no writes any more.
func (d *disk) wear(worn bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.worn = worn
}

func (d *disk) isWorn() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.worn
}

// dark waits while the disk has no power, so that it answers nothing.
func (d *disk) dark() {
	d.mu.Lock()
	on, dead := d.on, d.dead
	d.mu.Unlock()
	if dead && on != nil {
		<-on
	}
}

func (d *disk) flush() {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dead {
		return
	}
	d.flushes++
	d.keep(func(int64) bool { return true })
}

// keep puts blocks of the memory onto the medium and forgets the others.
func (d *disk) keep(which func(int64) bool) (lost int) {
	for _, b := range d.order {
		if which(b) {
			copy(d.medium[b*d.sector:], d.memory[b])
		} else {
			lost++
		}
	}
	d.memory, d.order = map[int64][]byte{}, nil
	return lost
}

// cut is the power going: of what was not flushed nothing survives, or any
// part of it in any order, as a disk's own memory has it. It returns how many
// blocks were lost.
func (d *disk) cut(r *rand.Rand) (lost int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dead = true
	share := 0.
	if r.IntN(2) == 0 {
		share = r.Float64()
	}
	return d.keep(func(int64) bool { return r.Float64() < share })
}

// power puts it on again.
func (d *disk) power() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.dead, d.left, d.fatal = false, 0, nil
	if d.on != nil {
		close(d.on)
		d.on = nil
	}
}

// serve speaks NBD, fixed newstyle, simple replies, on a Unix socket: the
// protocol of doc/proto.md of the NetworkBlockDevice project. Flush and FUA
// are offered, so that the guest's barriers arrive here.
func (d *disk) serve(tb testing.TB) (sock string) {
	sock = filepath.Join(tb.TempDir(), "disk")
	l, err := net.Listen("unix", sock)
	testkit.OK(tb, err)
	tb.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				if err := d.talk(c); err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, net.ErrClosed) && !errors.Is(err, syscall.ECONNRESET) && !errors.Is(err, syscall.EPIPE) {
					_, _ = os.Stderr.WriteString("disk: " + err.Error() + "\n")
				}
			}()
		}
	}()
	return sock
}

const (
	nbdFlags = 1 | 1<<2 | 1<<3 // has flags, flush, FUA

	optExport, optAbort, optInfo, optGo  = 1, 2, 6, 7
	cmdRead, cmdWrite, cmdDisc, cmdFlush = 0, 1, 2, 3
)

func (d *disk) talk(c net.Conn) error {
	be := binary.BigEndian
	put := func(v ...any) error {
		var b bytes.Buffer
		for _, x := range v {
			_ = binary.Write(&b, be, x)
		}
		_, err := c.Write(b.Bytes())
		return err
	}
	if err := put(uint64(0x4e42444d41474943), uint64(0x49484156454f5054), uint16(3)); err != nil { // NBDMAGIC IHAVEOPT, fixed newstyle, no zeroes
		return err
	}
	var client uint32
	if err := binary.Read(c, be, &client); err != nil {
		return err
	}
	for ready := false; !ready; {
		var o struct {
			Magic    uint64
			Opt, Len uint32
		}
		if err := binary.Read(c, be, &o); err != nil {
			return err
		}
		if _, err := io.CopyN(io.Discard, c, int64(o.Len)); err != nil {
			return err
		}
		reply := func(kind uint32, data ...any) error {
			var b bytes.Buffer
			for _, x := range data {
				_ = binary.Write(&b, be, x)
			}
			return put(uint64(0x3e889045565a9), o.Opt, kind, uint32(b.Len()), b.Bytes())
		}
		var err error
		switch o.Opt {
		case optExport:
			err = put(uint64(len(d.medium)), uint16(nbdFlags))
			ready = true
		case optInfo, optGo:
			if err = reply(3, uint16(0), uint64(len(d.medium)), uint16(nbdFlags)); err == nil {
				err = reply(1)
			}
			ready = o.Opt == optGo
		case optAbort:
			return reply(1)
		default:
			err = reply(1<<31 | 1) // not known
		}
		if err != nil {
			return err
		}
	}
	for {
		var q struct {
			Magic       uint32
			Flags, Cmd  uint16
			Handle, Off uint64
			Len         uint32
		}
		if err := binary.Read(c, be, &q); err != nil {
			return err
		}
		var data []byte
		if q.Cmd == cmdRead || q.Cmd == cmdWrite {
			if q.Off+uint64(q.Len) > uint64(len(d.medium)) {
				return errors.New("outside the disk")
			}
			data = make([]byte, q.Len)
		}
		fault := uint32(0)
		switch q.Cmd {
		case cmdRead:
			d.read(data, int64(q.Off))
		case cmdWrite:
			if _, err := io.ReadFull(c, data); err != nil {
				return err
			}
			if d.isWorn() {
				fault = 5 // EIO
			} else {
				d.write(data, int64(q.Off))
			}
			data = nil
			if q.Flags&1 != 0 { // FUA: more than is asked for reaches the medium
				d.flush()
			}
		case cmdFlush:
			if d.isWorn() {
				fault = 5
			}
			d.flush()
		case cmdDisc:
			return nil
		default:
			if err := put(uint32(0x67446698), uint32(22), q.Handle); err != nil { // EINVAL
				return err
			}
			continue
		}
		d.dark()
		if err := put(uint32(0x67446698), fault, q.Handle, data); err != nil {
			return err
		}
	}
}

// A disk that is cut keeps what was flushed, and of the rest nothing that it
// was not told.
func TestDiskForgets(t *testing.T) {
	block := func(b byte) []byte { return bytes.Repeat([]byte{b}, blockSize) }
	got := make([]byte, blockSize)
	for seed := range uint64(20) {
		d := newDisk(8 * blockSize)
		d.write(block(1), 0)
		d.flush()
		d.write(block(2), 0)
		d.write(block(3), blockSize)
		if d.read(got, 0); got[0] != 2 {
			t.Fatalf("reads %d, not what was written last", got[0])
		}
		lost := d.cut(rand.New(rand.NewPCG(seed, 1)))
		d.write(block(9), 0)
		d.flush()
		d.power()
		a, b := d.medium[0], d.medium[blockSize]
		if a != 1 && a != 2 || b != 0 && b != 3 || lost != int(2-a)+btoi(b == 0) {
			t.Errorf("seed %d: medium holds %d and %d, %d lost", seed, a, b, lost)
		}
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}
