// SPDX-License-Identifier: Apache-2.0

package relay

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The kernel's GPIO character device, version 2 of its interface, Linux 5.10
// and later. Names, sizes and numbers are those of include/uapi/linux/gpio.h.
const (
	getChipInfo  = 0x8044b401 // _IOR(0xB4, 0x01, struct gpiochip_info), 68 bytes
	getLineInfo  = 0xc100b405 // _IOWR(0xB4, 0x05, struct gpio_v2_line_info), 256 bytes
	getLine      = 0xc250b407 // _IOWR(0xB4, 0x07, struct gpio_v2_line_request), 592 bytes
	getValues    = 0xc010b40e // _IOWR(0xB4, 0x0E, struct gpio_v2_line_values), 16 bytes
	setValues    = 0xc010b40f // _IOWR(0xB4, 0x0F, struct gpio_v2_line_values), 16 bytes
	flagLow      = 1 << 1
	flagOutput   = 1 << 3
	maxGPIOLines = 4096
)

type chipInfo struct {
	name, label [32]byte
	lines       uint32
}

type lineAttr struct {
	id, pad uint32
	value   uint64
}

type lineConfigAttr struct {
	attr lineAttr
	mask uint64
}

type lineConfig struct {
	flags    uint64
	numAttrs uint32
	pad      [5]uint32
	attrs    [10]lineConfigAttr
}

type lineRequest struct {
	offsets  [64]uint32
	consumer [32]byte
	config   lineConfig
	numLines uint32
	events   uint32
	pad      [5]uint32
	fd       int32
}

type lineInfo struct {
	name, consumer   [32]byte
	offset, numAttrs uint32
	flags            uint64
	attrs            [10]lineAttr
	pad              [4]uint32
}

type lineValues struct{ bits, mask uint64 }

func ioctl(f *os.File, req uintptr, p unsafe.Pointer) error {
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, f.Fd(), req, uintptr(p)); e != 0 {
		return e
	}
	return nil
}

func text(b []byte) string { return unix.ByteSliceToString(b) }

// chipLine is one line of a chip, requested by this process; the kernel gives
// it to nobody else and takes it back when the process ends.
type chipLine struct {
	f   *os.File // of the request
	low bool
}

// openChip requests a line by the name that the kernel gives it, or as
// "gpiochipN:LINE". The request itself makes it an output that is off.
func openChip(name string, activeLow bool) (*chipLine, error) {
	f, offset, err := findChip(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return request(f, offset, activeLow)
}

// lookChip returns an error if there is no such line; it requests none.
func lookChip(name string) error {
	f, _, err := findChip(name)
	if err != nil {
		return err
	}
	return f.Close()
}

func findChip(name string) (f *os.File, offset uint32, err error) {
	chips, _ := filepath.Glob("/dev/gpiochip*")
	sort.Strings(chips)
	chip, number, exact := strings.Cut(name, ":")
	var denied error
	for _, path := range chips {
		if exact && filepath.Base(path) != chip {
			continue
		}
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		if err != nil {
			denied = err
			continue
		}
		offset, err := find(f, name, number, exact)
		if err == nil {
			return f, offset, nil
		}
		f.Close()
		if !errors.Is(err, ErrNoLine) {
			denied = err
		}
	}
	if denied != nil && exact {
		return nil, 0, denied
	}
	return nil, 0, ErrNoLine
}

func find(f *os.File, name, number string, exact bool) (uint32, error) {
	var c chipInfo
	if err := ioctl(f, getChipInfo, unsafe.Pointer(&c)); err != nil {
		return 0, err
	}
	if exact {
		n, err := strconv.ParseUint(number, 10, 32)
		if err != nil || n >= uint64(c.lines) {
			return 0, ErrNoLine
		}
		return uint32(n), nil
	}
	for i := range min(c.lines, maxGPIOLines) {
		info := lineInfo{offset: i}
		if err := ioctl(f, getLineInfo, unsafe.Pointer(&info)); err != nil {
			return 0, err
		}
		if text(info.name[:]) == name {
			return i, nil
		}
	}
	return 0, ErrNoLine
}

func request(chip *os.File, offset uint32, activeLow bool) (*chipLine, error) {
	r := lineRequest{numLines: 1}
	r.offsets[0] = offset
	copy(r.consumer[:len(r.consumer)-1], "curewright heater")
	// Without an attribute for values an output begins inactive: off.
	r.config.flags = flagOutput
	if activeLow {
		r.config.flags |= flagLow
	}
	if err := ioctl(chip, getLine, unsafe.Pointer(&r)); err != nil {
		if errors.Is(err, unix.EBUSY) {
			info := lineInfo{offset: offset}
			if ioctl(chip, getLineInfo, unsafe.Pointer(&info)) == nil {
				return nil, fmt.Errorf("%w (%s)", ErrHeld, text(info.consumer[:]))
			}
			return nil, ErrHeld
		}
		return nil, err
	}
	l := &chipLine{f: os.NewFile(uintptr(r.fd), "gpio line"), low: activeLow}
	if err := l.Set(false); err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

// Set drives the line; active-low is the kernel's business here.
func (l *chipLine) Set(on bool) error {
	v := lineValues{mask: 1}
	if on {
		v.bits = 1
	}
	if err := ioctl(l.f, setValues, unsafe.Pointer(&v)); err != nil {
		return err
	}
	back := lineValues{mask: 1}
	if err := ioctl(l.f, getValues, unsafe.Pointer(&back)); err != nil {
		return err
	}
	if back.bits&1 != v.bits {
		return ErrReadBack
	}
	return nil
}

func (l *chipLine) Close() error { return l.f.Close() }

// lockFile locks a file for this process, until it is closed or the process ends.
func lockFile(f *os.File) error {
	err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		return ErrHeld
	}
	return err
}

// claimName claims a name on this machine by an abstract Unix socket, which the
// kernel removes when the process ends.
func claimName(name string) (io.Closer, error) {
	l, err := net.ListenUnix("unix", &net.UnixAddr{Net: "unix", Name: "@curewright-line-" + name})
	if errors.Is(err, unix.EADDRINUSE) {
		return nil, ErrHeld
	}
	return l, err
}

// watchdogTimeout asks a watchdog to reset the board after so many seconds without
// being fed, and returns the time that it grants. A shorter time that is set already
// stays, if it leaves time to feed twice.
func watchdogTimeout(f *os.File, seconds int) (int, error) {
	if is, err := unix.IoctlGetInt(int(f.Fd()), unix.WDIOC_GETTIMEOUT); err == nil && is <= seconds && time.Duration(is)*time.Second >= 2*feedEvery {
		return is, nil
	}
	// The request should return the granted time, but some drivers do not, so it is
	// asked for separately.
	serr := unix.IoctlSetPointerInt(int(f.Fd()), unix.WDIOC_SETTIMEOUT, seconds)
	got, err := unix.IoctlGetInt(int(f.Fd()), unix.WDIOC_GETTIMEOUT)
	if err != nil {
		return 0, errors.Join(serr, err)
	}
	return got, nil
}
