// SPDX-License-Identifier: Apache-2.0

// Package discover lists the I2C and 1-wire buses of this board, finds the
// probes on them, and opens a probe by its driver's name and its place.
//
// It knows no driver: the caller passes the ones it was built with. To an
// address it writes only the commands that its known chips are read with, and it
// stops at the first answer that fits none of them. It leaves buses alone that serve
// the board itself, such as those of displays and memory.
package discover

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewirereg"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/host/v3"
	"periph.io/x/host/v3/sysfs"

	_ "periph.io/x/host/v3/netlink" // 1-wire buses that Linux has no file for

	"curewright/sensors"
)

// Identifier is a probe that can say whether its chip is the one that answers.
type Identifier interface {
	Identify(ctx context.Context) error
}

// Chip is an I2C driver.
type Chip struct {
	Driver string   // its name in the configuration
	Addrs  []uint16 // where the chip can live
	// Like names a driver that identifies its chip by the same question. If that
	// driver finds another chip, this one is tried.
	Like string
	New  func(name string, bus i2c.Bus, addr uint16) sensors.Probe
}

// Drivers are what a program was built with.
type Drivers struct {
	// Chips are tried in this order where they share an address. One whose
	// probe is no [Identifier] is never found, but can be opened.
	Chips []Chip
	// W1 makes a thermometer from the kernel's files, OneWire from a bus of
	// periph's. nil: there is none.
	W1      func(name, id string, fsys fs.FS) sensors.Probe
	OneWire func(name string, bus onewire.Bus, addr onewire.Address) sensors.Probe
	// Thermometer is the driver name of both.
	Thermometer string
	Kernel      Kernel
}

// Kernel is the driver of what Linux itself reads. The zero Kernel: there is
// none.
type Kernel struct {
	Driver string
	New    func(name, place string, sys fs.FS) (sensors.Probe, error)
	List   func(sys fs.FS, private func(bus string) bool) []string // places
	Drives func(sys fs.FS, bus string, addr uint16) bool           // has the chip at an I2C address
}

// Ref is a bus that can be opened.
type Ref struct {
	Name   string // "i2c-1"
	Detail string // what the board calls it
	Open   func() (i2c.BusCloser, error)
}

// WireRef is a 1-wire bus of periph's.
type WireRef struct {
	Name string
	Open func() (onewire.BusCloser, error)
}

// Host is a board with its buses. The zero value is this board.
type Host struct {
	Drivers Drivers

	I2C    func() ([]Ref, error)     // default: periph's
	Wire   func() ([]WireRef, error) // default: periph's
	W1     fs.FS                     // default: /sys/bus/w1/devices
	Sys    fs.FS                     // default: /sys
	Behind []string                  // multiplexers to look behind, such as "i2c-1/0x70"
	Each   time.Duration             // for one chip to answer; default 3 s, or what the chip needs

	mu    sync.Mutex
	open  map[string]bool // places given out by Open
	muxes map[string]*mux
	hung  map[string]bool // calls of an earlier Discover that have not returned
	first map[string]bool // buses that were there when a bus was first opened
}

// W1Root is where Linux shows 1-wire devices.
const W1Root = "/sys/bus/w1/devices"

// W1Bus is the name of the kernel's 1-wire buses, all together.
const W1Bus = "w1"

// Bus is one bus of the board.
type Bus struct {
	Name   string
	Detail string
	Err    error // why it was not looked at
}

// Found is one thing on a bus.
type Found struct {
	Driver  string // "" when the thing is not known
	Bus     string // its place, as the configuration names it: "i2c-1:0x44"
	Reading sensors.Reading
	Err     error // why there is no reading
}

// Report is what is on the board.
type Report struct {
	Buses []Bus
	Found []Found
}

var initHost = sync.OnceValue(func() error {
	_, err := host.Init()
	return err
})

func periphI2C() ([]Ref, error) {
	if err := initHost(); err != nil {
		return nil, err
	}
	var rs []Ref
	add := func(name string, open func() (i2c.BusCloser, error)) {
		detail, _ := os.ReadFile("/sys/class/i2c-adapter/" + name + "/name")
		rs = append(rs, Ref{Name: name, Detail: strings.TrimSpace(string(detail)), Open: open})
	}
	for _, r := range i2creg.All() {
		name := r.Name
		if r.Number >= 0 {
			name = fmt.Sprintf("i2c-%d", r.Number)
			if _, err := os.Stat("/dev/" + name); errors.Is(err, fs.ErrNotExist) {
				continue // its adapter was unplugged after periph listed it
			}
		}
		add(name, r.Open)
	}
	// periph lists buses once; one that was switched on or plugged in since
	// then is seen by its device file.
	files, _ := filepath.Glob("/dev/i2c-*")
	for _, f := range files {
		name := filepath.Base(f)
		n, err := strconv.Atoi(strings.TrimPrefix(name, "i2c-"))
		if err != nil || slices.ContainsFunc(rs, func(r Ref) bool { return r.Name == name }) {
			continue
		}
		add(name, func() (i2c.BusCloser, error) { return sysfs.NewI2C(n) })
	}
	return rs, nil
}

func periphWire() ([]WireRef, error) {
	if err := initHost(); err != nil {
		return nil, err
	}
	var rs []WireRef
	for _, r := range onewirereg.All() {
		rs = append(rs, WireRef{Name: r.Name, Open: r.Open})
	}
	return rs, nil
}

func (h *Host) i2c() ([]Ref, error) {
	if h.I2C != nil {
		return h.I2C()
	}
	return periphI2C()
}

func (h *Host) wire() ([]WireRef, error) {
	if h.Wire != nil {
		return h.Wire()
	}
	return periphWire()
}

func (h *Host) sys() fs.FS {
	if h.Sys != nil {
		return h.Sys
	}
	return sensors.Files("/sys")
}

func (h *Host) w1() fs.FS {
	if h.W1 != nil {
		return h.W1
	}
	return sensors.Files(W1Root)
}

// Private reports whether a bus serves the board itself: a graphics card's, with
// displays, or a mainboard's, with memory and clocks.
func Private(detail string) bool {
	d := strings.ToLower(detail)
	for _, w := range []string{"ddc", "hdmi", "gmbus", "smbus", "aux", "dpdc", "nvkm", "nvidia", "amdgpu", "radeon", "i915"} {
		if strings.Contains(d, w) {
			return true
		}
	}
	return false
}

// Discover looks at every bus and takes one reading from each probe it finds.
// That there is no bus, or nothing on it, is part of the report, not an error.
// It may be called repeatedly: places that [Host.Open] has opened are left to their
// pollers and not reported, and a bus or probe that hung is not touched before its
// call has returned.
func (h *Host) Discover(ctx context.Context) Report {
	var rep Report
	refs, err := h.i2c()
	switch {
	case err != nil:
		rep.Buses = append(rep.Buses, Bus{Name: "i2c", Err: err})
	case len(refs) == 0:
		rep.Buses = append(rep.Buses, Bus{Name: "i2c", Err: errNoI2C})
	}
	behind, err := h.channels()
	if err != nil {
		rep.Buses = append(rep.Buses, Bus{Name: "i2c", Err: err})
	}
	for _, r := range append(refs, behind...) {
		b := Bus{Name: r.Name, Detail: r.Detail}
		if h.isHung(r.Name) {
			b.Err = errHangs
		} else if Private(r.Detail) {
			b.Err = errPrivate
		} else if bus, err := r.Open(); err != nil {
			b.Err = openError(nil, err)
		} else {
			found, err := h.scan(ctx, r.Name, bus, onTrunk(r.Name, rep.Found))
			rep.Found = append(rep.Found, found...)
			b.Err = err
			if !errors.Is(err, errHangs) { // after a hang it would wait too
				_ = bus.Close()
			}
		}
		rep.Buses = append(rep.Buses, b)
	}
	h.discoverWire(ctx, &rep)
	h.discoverKernel(ctx, &rep)
	return rep
}

// discoverKernel adds what Linux has a driver of its own for.
func (h *Host) discoverKernel(ctx context.Context, rep *Report) {
	k := h.Drivers.Kernel
	if k.List == nil {
		return
	}
	sys := h.sys()
	for _, place := range k.List(sys, func(bus string) bool {
		detail, _ := fs.ReadFile(sys, "class/i2c-adapter/"+bus+"/name")
		return Private(string(detail))
	}) {
		if p, err := k.New(place, place, sys); err == nil {
			h.look(ctx, rep, k.Driver, place, place, p)
		}
	}
}

// look adds a probe with one reading, unless [Host.Open] has opened its place. hangs
// names what to count as hung if the reading does not return.
func (h *Host) look(ctx context.Context, rep *Report, driver, place, hangs string, p sensors.Probe) {
	if h.taken(place) {
		return
	}
	f := Found{Driver: driver, Bus: place, Err: errHangs}
	if !h.isHung(hangs) {
		f.Reading, f.Err = h.inTime(ctx, hangs, p, p.Read)
	}
	rep.Found = append(rep.Found, f)
}

var (
	errNoI2C   = sensors.Fail(nil, "switched_off", sensors.Facts{"bus": "I2C"})
	errNoWire  = sensors.Fail(nil, "switched_off", sensors.Facts{"bus": "1-wire"})
	errPrivate = sensors.Fail(nil, "private", nil)
	errHangs   = sensors.Fail(sensors.ErrTimeout, "hangs", nil)
)

func openError(reason, err error) error {
	code := "passed"
	if errors.Is(err, fs.ErrPermission) || strings.Contains(err.Error(), "permission denied") {
		code = "closed"
	}
	return sensors.Fail(reason, code, sensors.Facts{"err": err})
}

// sickFor is how long a bus may spend on failing transfers. After it the remaining
// addresses are not asked, since each may take the adapter's whole timeout.
const sickFor = 20 * time.Second

// allAnswer is how many answering addresses mean that the data line is held low.
const allAnswer = 8

// scan asks each address that a known chip can have. Where all give
// the same error, it is reported once as a fault of the bus and not for each
// address.
func (h *Host) scan(ctx context.Context, name string, bus i2c.Bus, skip func(addr uint16) bool) (found []Found, err error) {
	at := map[uint16][]Chip{}
	for _, c := range h.Drivers.Chips {
		for _, a := range c.Addrs {
			at[a] = append(at[a], c)
		}
	}
	addrs := make([]uint16, 0, len(at))
	for a := range at {
		addrs = append(addrs, a)
	}
	slices.Sort(addrs)
	var sick []Found
	var lost time.Duration
	asked := 0
	for _, a := range addrs {
		place := Place(name, fmt.Sprintf("0x%02x", a))
		if h.taken(place) || skip(a) || h.Drivers.Kernel.Drives != nil && h.Drivers.Kernel.Drives(h.sys(), name, a) {
			continue
		}
		began := time.Now()
		f, ok, err := h.ask(ctx, name, place, bus, a, at[a])
		asked++
		if err != nil {
			return append(found, sick...), err
		}
		if ok && f.Driver == "" && (errors.Is(f.Err, sensors.ErrTimeout) || errors.Is(f.Err, sensors.ErrBus)) {
			sick = append(sick, f)
			lost += time.Since(began)
		} else if ok {
			found = append(found, f)
		}
		if lost > sickFor && len(sick) == asked {
			break
		}
	}
	if len(sick) < 2 {
		found = append(found, sick...)
		// No board has something at every address; a data line that is held low
		// acknowledges them all.
		if asked >= allAnswer && len(found) == asked && !slices.ContainsFunc(found, func(f Found) bool { return f.Driver != "" }) {
			return nil, sensors.Fail(sensors.ErrBus, "held_low", nil)
		}
		return found, nil
	}
	return found, sensors.Fail(nil, "at_many", sensors.Facts{"err": sick[0].Err, "n": len(sick), "of": asked})
}

// ask tries the chips that can be at one address. A chip that is not there
// costs one transaction that nobody acknowledges.
func (h *Host) ask(ctx context.Context, name, place string, bus i2c.Bus, addr uint16, chips []Chip) (f Found, ok bool, err error) {
	f = Found{Bus: place}
	for i, c := range chips {
		p := c.New(place, bus, addr)
		id, can := p.(Identifier)
		if !can {
			continue
		}
		_, err := h.inTime(ctx, name, p, func(ctx context.Context) (sensors.Reading, error) {
			return sensors.Reading{}, id.Identify(ctx)
		})
		switch {
		case errors.Is(err, errHangs):
			return f, false, err
		case errors.Is(err, sensors.ErrAbsent):
			continue // no chip, or one that does not know the command
		case err == nil:
			f.Driver = c.Driver
			f.Reading, f.Err = h.inTime(ctx, name, p, p.Read)
			if errors.Is(f.Err, errHangs) {
				return f, true, f.Err
			}
			return f, true, nil
		case errors.Is(err, sensors.ErrWrongDevice) && slices.ContainsFunc(chips[i+1:], func(n Chip) bool { return n.Like == c.Driver }):
			continue
		default:
			// Another chip answers: nothing more is sent, since a harmless
			// question to one chip may be a command to another.
			f.Err = err
			if !errors.Is(err, sensors.ErrTimeout) && !errors.Is(err, sensors.ErrBus) {
				f.Err = sensors.Fail(sensors.ErrWrongDevice, "not_a", sensors.Facts{"driver": c.Driver, "err": err})
			}
			return f, true, nil
		}
	}
	return f, false, nil
}

// inTime runs f with a deadline. If f does not return in time it is left hanging in
// its goroutine.
func (h *Host) inTime(ctx context.Context, key string, p sensors.Probe, f func(context.Context) (sensors.Reading, error)) (sensors.Reading, error) {
	d := h.Each
	if d == 0 {
		d = max(3*time.Second, 2*sensors.TraitsOf(p).Conversion+time.Second)
	}
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	type answer struct {
		r   sensors.Reading
		err error
	}
	c := make(chan answer, 1)
	go func() {
		r, err := f(ctx)
		c <- answer{r, err}
	}()
	// A driver that keeps to its deadline answers a moment after it.
	t := time.NewTimer(d + 100*time.Millisecond)
	defer t.Stop()
	select {
	case a := <-c:
		if a.err != nil {
			a.r = sensors.Reading{}
		}
		return a.r, a.err
	case <-t.C:
		h.setHung(key, true)
		go func() {
			<-c
			h.setHung(key, false)
		}()
		return sensors.Reading{}, errHangs
	}
}

func (h *Host) discoverWire(ctx context.Context, rep *Report) {
	ids, err := h.thermometers()
	if err == nil && h.Drivers.W1 != nil {
		rep.Buses = append(rep.Buses, Bus{Name: W1Bus, Detail: "Linux w1"})
		for _, id := range ids {
			place := Place(W1Bus, id)
			h.look(ctx, rep, h.Drivers.Thermometer, place, place, h.Drivers.W1(place, id, h.w1()))
		}
		if len(ids) > 0 {
			return
		}
	}
	refs, werr := h.wire()
	if werr == nil && h.Drivers.OneWire != nil {
		for _, r := range refs {
			rep.Buses = append(rep.Buses, Bus{Name: r.Name, Err: h.searchWire(ctx, rep, r)})
		}
		if len(refs) > 0 {
			return
		}
	}
	if err != nil {
		rep.Buses = append(rep.Buses, Bus{Name: W1Bus, Err: errNoWire})
	}
}

// searchWire adds what is on a 1-wire bus of periph's.
func (h *Host) searchWire(ctx context.Context, rep *Report, r WireRef) error {
	if h.isHung(r.Name) {
		return errHangs
	}
	bus, err := r.Open()
	if err != nil {
		return openError(nil, err)
	}
	addrs, err := bus.Search(false)
	for _, a := range addrs {
		place := Place(r.Name, wireID(a))
		if byte(a) == 0x28 {
			h.look(ctx, rep, h.Drivers.Thermometer, place, r.Name, h.Drivers.OneWire(place, bus, a))
		} else if !h.taken(place) {
			rep.Found = append(rep.Found, Found{Bus: place, Err: sensors.Fail(sensors.ErrWrongDevice, "family", sensors.Facts{"id": wireID(a), "family": "28"})})
		}
	}
	return err
}

// thermometers are the DS18B20 in the kernel's tree.
func (h *Host) thermometers() ([]string, error) {
	es, err := fs.ReadDir(h.w1(), ".")
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, e := range es {
		if strings.HasPrefix(e.Name(), "28-") {
			ids = append(ids, e.Name())
		}
	}
	return ids, nil
}

func wireID(a onewire.Address) string {
	return fmt.Sprintf("%02x-%012x", byte(a), uint64(a)>>8&0xffffffffffff)
}

// Place writes where a probe is: the bus, a colon, the address or id.
func Place(bus, at string) string { return bus + ":" + at }

// Open makes the probe of the given driver at a place such as "i2c-1:0x44" or
// "w1:28-0316a2795d1f". It does no I/O: a bus or a chip that is not there yet
// is an error of each reading, until it appears. An error here is one of the
// configuration: a driver that does not exist, a place that does not fit it.
func (h *Host) Open(name, driver, place string) (sensors.Probe, error) {
	p, err := h.openAt(name, driver, place)
	if err == nil {
		h.mu.Lock()
		if h.open == nil {
			h.open = map[string]bool{}
		}
		h.open[normal(place)] = true
		h.mu.Unlock()
	}
	return p, err
}

// normal writes a place the way Discover does.
func normal(place string) string {
	bus, at, ok := cutLast(place, ":")
	if n, err := strconv.ParseUint(at, 0, 7); ok && err == nil {
		return Place(bus, fmt.Sprintf("0x%02x", n))
	}
	return place
}

func (h *Host) taken(place string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.open[place]
}

func (h *Host) isHung(key string) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.hung[key]
}

func (h *Host) setHung(key string, hung bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.hung == nil {
		h.hung = map[string]bool{}
	}
	h.hung[key] = hung
}

func (h *Host) openAt(name, driver, place string) (sensors.Probe, error) {
	if driver == h.Drivers.Kernel.Driver && driver != "" {
		return h.Drivers.Kernel.New(name, place, h.sys())
	}
	bus, at, ok := cutLast(place, ":")
	if !ok || bus == "" || at == "" {
		return nil, fmt.Errorf("bus: %q: want BUS:ADDRESS, such as i2c-1:0x44 or w1:28-0316a2795d1f", place)
	}
	if driver == h.Drivers.Thermometer && driver != "" {
		return h.openThermometer(name, bus, at)
	}
	for _, c := range h.Drivers.Chips {
		if c.Driver != driver {
			continue
		}
		n, err := strconv.ParseUint(at, 0, 7)
		if err != nil {
			return nil, fmt.Errorf("bus: %q: %q is not an I2C address such as 0x44", place, at)
		}
		if !slices.Contains(c.Addrs, uint16(n)) {
			return nil, fmt.Errorf("bus: %q: a %s has address %s", place, driver, addrList(c.Addrs))
		}
		b, err := h.bus(bus)
		if err != nil {
			return nil, err
		}
		return c.New(name, ours{b, h, bus}, uint16(n)), nil
	}
	return nil, fmt.Errorf("driver: %q is not one of %s", driver, strings.Join(h.Names(), ", "))
}

// ours is a bus that refuses transfers to a chip that a Linux driver uses: of two
// programs that talk to one chip, each could read the answer meant for the other.
type ours struct {
	i2c.Bus
	h    *Host
	name string
}

func (b ours) Tx(addr uint16, w, r []byte) error {
	k := b.h.Drivers.Kernel
	if k.Drives != nil && k.Drives(b.h.sys(), b.name, addr) {
		at := fmt.Sprintf(":%s-%04x", strings.TrimPrefix(b.name, "i2c-"), addr)
		for _, place := range k.List(b.h.sys(), func(string) bool { return false }) {
			if strings.HasSuffix(place, at) {
				return sensors.Fail(sensors.ErrWrongDevice, "linux_has", sensors.Facts{"driver": k.Driver, "bus": place})
			}
		}
		return sensors.Fail(sensors.ErrWrongDevice, "linux_uses", nil)
	}
	return b.Bus.Tx(addr, w, r)
}

func (h *Host) openThermometer(name, bus, at string) (sensors.Probe, error) {
	family, serial, ok := strings.Cut(at, "-")
	n, err := strconv.ParseUint(serial, 16, 48)
	if !ok || family != "28" || err != nil || len(serial) != 12 {
		return nil, fmt.Errorf("bus: %q is not a DS18B20's id such as 28-0316a2795d1f", at)
	}
	if bus == W1Bus {
		if h.Drivers.W1 == nil {
			return nil, fmt.Errorf("bus: %q: built without the kernel's 1-wire files", bus)
		}
		return h.Drivers.W1(name, at, h.w1()), nil
	}
	if h.Drivers.OneWire == nil {
		return nil, fmt.Errorf("bus: %q: built without 1-wire buses but the kernel's, %s", bus, W1Bus)
	}
	// The id leaves out the address's last byte, its checksum.
	var b [7]byte
	b[0] = 0x28
	for i := range 6 {
		b[1+i] = byte(n >> (8 * i))
	}
	a := n<<8 | 0x28 | uint64(sensors.CRC8Maxim(b[:]))<<56
	return h.Drivers.OneWire(name, h.lazyWire(bus), onewire.Address(a)), nil
}

// Names are the drivers that [Host.Open] knows, sorted.
func (h *Host) Names() []string {
	var ns []string
	for _, c := range h.Drivers.Chips {
		ns = append(ns, c.Driver)
	}
	if h.Drivers.Thermometer != "" {
		ns = append(ns, h.Drivers.Thermometer)
	}
	if h.Drivers.Kernel.Driver != "" {
		ns = append(ns, h.Drivers.Kernel.Driver)
	}
	slices.Sort(ns)
	return ns
}

func addrList(as []uint16) string {
	var ss []string
	for _, a := range as {
		ss = append(ss, fmt.Sprintf("0x%02x", a))
	}
	return strings.Join(ss, ", ")
}

func cutLast(s, sep string) (before, after string, ok bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}

// lazy opens its bus at the first transaction, and anew after the bus has failed. So
// an adapter may be unplugged and come back, and a late answer to an abandoned
// transaction is not taken for that to the next one.
type lazy[B interface {
	comparable
	io.Closer
}] struct {
	name string
	find func(name string) (open func() (B, error), err error) // nil: there is no such bus

	mu  sync.Mutex
	bus B // zero while not open
}

func (l *lazy[B]) String() string { return l.name }

func (l *lazy[B]) open() (B, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	var none B
	if l.bus != none {
		return l.bus, nil
	}
	open, err := l.find(l.name)
	if err != nil {
		return none, err
	}
	if open == nil {
		return none, sensors.Fail(sensors.ErrAbsent, "no_bus", sensors.Facts{"bus": l.name})
	}
	b, err := open()
	if err != nil {
		return none, openError(sensors.ErrBus, err)
	}
	l.bus = b
	return b, nil
}

// do runs one transaction. The lock is not held meanwhile: a transaction
// that hangs must not prevent the next opening.
func (l *lazy[B]) do(tx func(B) error) error {
	b, err := l.open()
	if err != nil {
		return err
	}
	if err = tx(b); err != nil && !unanswered(err) {
		var none B
		l.mu.Lock()
		if l.bus == b {
			l.bus = none
			_ = b.Close()
		}
		l.mu.Unlock()
	}
	return err
}

// unanswered reports whether an error means a working bus on which no chip answered.
// ENODEV does not: an adapter that was unplugged returns it.
func unanswered(err error) bool {
	var none onewire.NoDevicesError
	if errors.As(err, &none) && none.NoDevices() || errors.Is(err, sensors.ErrAbsent) {
		return true
	}
	for _, no := range []syscall.Errno{syscall.ENXIO, syscall.EREMOTEIO} {
		// periph passes on the kernel's text, not its error number.
		if errors.Is(err, no) || strings.Contains(err.Error(), no.Error()) {
			return true
		}
	}
	return false
}

type lazyI2C struct{ lazy[i2c.BusCloser] }

func (h *Host) lazyI2C(bus string) *lazyI2C {
	return &lazyI2C{lazy[i2c.BusCloser]{name: bus, find: func(name string) (func() (i2c.BusCloser, error), error) {
		refs, err := h.i2c()
		h.mu.Lock()
		if h.first == nil && err == nil {
			h.first = map[string]bool{}
			for _, r := range refs {
				h.first[r.Name] = true
			}
		}
		h.mu.Unlock()
		for _, r := range refs {
			if r.Name == name {
				return r.Open, err
			}
		}
		if err == nil {
			err = h.noBus(name, refs)
		}
		return nil, err
	}}}
}

// noBus is the advice for a missing bus: its adapter may be unplugged, or have got
// another number when it was plugged in again. A bus with another number is not used
// by itself, since it may be another adapter. If the missing bus was seen before,
// only buses that were not there then are named.
func (h *Host) noBus(name string, refs []Ref) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	used := map[string]bool{}
	for p := range h.open {
		b, _, _ := cutLast(p, ":")
		used[b] = true
	}
	var free []string
	for _, r := range refs {
		if !Private(r.Detail) && !used[r.Name] && !(h.first[name] && h.first[r.Name]) {
			free = append(free, fmt.Sprintf("%s (%s)", r.Name, r.Detail))
		}
	}
	code := "no_bus"
	if len(free) > 0 {
		code = "no_bus_but"
	}
	return sensors.Fail(sensors.ErrAbsent, code, sensors.Facts{"bus": name, "buses": strings.Join(free, ", ")})
}

func (l *lazyI2C) Tx(addr uint16, w, r []byte) error {
	return l.do(func(b i2c.BusCloser) error { return b.Tx(addr, w, r) })
}

func (l *lazyI2C) SetSpeed(physic.Frequency) error { return errors.New("left as the board has it") }

type lazyWire struct{ lazy[onewire.BusCloser] }

func (h *Host) lazyWire(bus string) *lazyWire {
	return &lazyWire{lazy[onewire.BusCloser]{name: bus, find: func(name string) (func() (onewire.BusCloser, error), error) {
		refs, err := h.wire()
		for _, r := range refs {
			if r.Name == name {
				return r.Open, err
			}
		}
		return nil, err
	}}}
}

func (l *lazyWire) Tx(w, r []byte, power onewire.Pullup) error {
	return l.do(func(b onewire.BusCloser) error { return b.Tx(w, r, power) })
}

func (l *lazyWire) Search(alarmOnly bool) (found []onewire.Address, err error) {
	err = l.do(func(b onewire.BusCloser) error {
		found, err = b.Search(alarmOnly)
		return err
	})
	return found, err
}
