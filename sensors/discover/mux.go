// SPDX-License-Identifier: Apache-2.0

package discover

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"periph.io/x/conn/v3/i2c"

	"curewright/sensors"
)

// Channels of a PCA9548 multiplexer (NXP PCA9548A, and its like: TCA9548A) are
// buses of their own, named BUS/ADDRESS/CHANNEL, such as i2c-1/0x70/3. Two
// chips of one address are put behind two of them.
//
// periph's driver remembers the channel that it selected last and does not check it.
// But after a dip of its supply a multiplexer has all channels off, and after
// interference it may have two on, with two chips answering at once. Here each
// transfer selects the channel, reads the selection back and then transfers, with the
// bus locked. Where Linux drives the multiplexer, its channels are Linux buses.

const (
	muxFirst, muxLast = 0x70, 0x77
	muxChannels       = 8
)

// parseMux takes the parts of a channel's name; ok is false for another bus.
func parseMux(name string) (trunk string, addr uint16, channel int, ok bool, err error) {
	parts := strings.Split(name, "/")
	if len(parts) == 1 {
		return "", 0, 0, false, nil
	}
	bad := fmt.Errorf("bus: %q: a multiplexer's channel is BUS/ADDRESS/CHANNEL, such as i2c-1/0x70/3: address 0x%02x to 0x%02x, channel 0 to %d", name, muxFirst, muxLast, muxChannels-1)
	if len(parts) != 3 || parts[0] == "" {
		return "", 0, 0, false, bad
	}
	a, err := strconv.ParseUint(parts[1], 0, 7)
	n, err2 := strconv.ParseUint(parts[2], 10, 8)
	if err != nil || err2 != nil || a < muxFirst || a > muxLast || n >= muxChannels {
		return "", 0, 0, false, bad
	}
	return parts[0], uint16(a), int(n), true, nil
}

// mux is one multiplexer, shared by all that is behind it.
type mux struct {
	mu   sync.Mutex
	bus  *lazyI2C
	addr uint16
}

// muxAt returns the multiplexer on a bus, one for all its channels.
func (h *Host) muxAt(trunk string, addr uint16) *mux {
	h.mu.Lock()
	defer h.mu.Unlock()
	key := fmt.Sprintf("%s/0x%02x", trunk, addr)
	if h.muxes == nil {
		h.muxes = map[string]*mux{}
	}
	if h.muxes[key] == nil {
		h.muxes[key] = &mux{bus: h.lazyI2C(trunk), addr: addr}
	}
	return h.muxes[key]
}

func (m *mux) tx(channel int, addr uint16, w, r []byte) error {
	if addr == m.addr {
		return sensors.Fail(sensors.ErrWrongDevice, "mux_address", sensors.Facts{"at": fmt.Sprintf("0x%02x", addr)})
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	want := byte(1) << channel
	var is [1]byte
	if err := m.bus.Tx(m.addr, []byte{want}, nil); err != nil {
		return m.fault(err)
	}
	if err := m.bus.Tx(m.addr, nil, is[:]); err != nil {
		return m.fault(err)
	}
	if is[0] != want {
		return sensors.Fail(sensors.ErrWrongDevice, "no_mux", sensors.Facts{"at": fmt.Sprintf("0x%02x", m.addr), "told": fmt.Sprintf("%02x", want), "says": fmt.Sprintf("%02x", is[0])})
	}
	return m.bus.Tx(addr, w, r)
}

func (m *mux) fault(err error) error {
	return sensors.Fail(nil, "mux", sensors.Facts{"at": fmt.Sprintf("0x%02x", m.addr), "err": sensors.BusError(err)})
}

// muxChannel is one channel of a multiplexer, as a bus.
type muxChannel struct {
	lazyI2C // its name, and that its speed is the trunk's
	m       *mux
	n       int
}

func (c *muxChannel) Tx(addr uint16, w, r []byte) error { return c.m.tx(c.n, addr, w, r) }
func (*muxChannel) Close() error                        { return nil }

// bus returns a multiplexer's channel as a bus; a plain bus for any other
// name.
func (h *Host) bus(name string) (i2c.Bus, error) {
	trunk, addr, n, ok, err := parseMux(name)
	if err != nil {
		return nil, err
	}
	if !ok {
		return h.lazyI2C(name), nil
	}
	return &muxChannel{lazyI2C{lazy[i2c.BusCloser]{name: name}}, h.muxAt(trunk, addr), n}, nil
}

// channels are the buses behind the multiplexers to look at.
func (h *Host) channels() (refs []Ref, err error) {
	for _, name := range h.Behind {
		for n := range muxChannels {
			bus, err := h.bus(fmt.Sprintf("%s/%d", name, n))
			if err != nil {
				return nil, fmt.Errorf("multiplexer %q: want BUS/ADDRESS, such as i2c-1/0x70", name)
			}
			c, ok := bus.(*muxChannel)
			if !ok {
				return nil, fmt.Errorf("multiplexer %q: want BUS/ADDRESS, such as i2c-1/0x70", name)
			}
			refs = append(refs, Ref{Name: c.name, Open: func() (i2c.BusCloser, error) { return c, nil }})
		}
	}
	return refs, nil
}

// onTrunk tells what answers on a multiplexer's own bus, and so on each of its
// channels too.
func onTrunk(channel string, found []Found) func(addr uint16) bool {
	trunk, own, _, ok, err := parseMux(channel)
	if !ok || err != nil {
		return func(uint16) bool { return false }
	}
	return func(addr uint16) bool {
		return addr == own || slices.ContainsFunc(found, func(f Found) bool { return f.Bus == Place(trunk, fmt.Sprintf("0x%02x", addr)) })
	}
}
