// SPDX-License-Identifier: Apache-2.0

package chipsim_test

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/onewire"

	"curewright/sensors/chipsim"
)

// must ends the test at an error.
func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// The emulated chips' checksum, which is long division and not the drivers'
// loop, by the SHT4x data sheet's example: BE EF gives 92.
func TestChipChecksum(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		c := chipsim.NewSHT4x(chipsim.Air{C: 20, RH: 50})
		c.SerialNumber = 0xbeef0000
		bus.Attach(0x44, c)
		must(t, bus.Tx(0x44, []byte{0x89}, nil))
		var b [6]byte
		must(t, bus.Tx(0x44, nil, b[:]))
		// 00 00 gives 81: computed from the definition.
		if b != [6]byte{0xbe, 0xef, 0x92, 0, 0, 0x81} {
			t.Errorf("% x", b)
		}
	})
}

// The 1-wire checksum by Maxim's application note 27: ROM 02 1C B8 01 00 00 00
// gives A2; here by periph's table over an emulated scratchpad and address.
func TestOneWireChecksum(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		th := chipsim.NewThermometer(0x0316a2795d1f, 25.0625)
		bus := chipsim.NewOneWire(th)
		d := onewire.Dev{Bus: bus, Addr: th.Addr}
		pad := make([]byte, 9)
		must(t, d.Tx([]byte{0xbe}, pad))
		// Data sheet 19-7487: 0550h before the first conversion.
		if !onewire.CheckCRC(pad) || pad[0] != 0x50 || pad[1] != 0x05 {
			t.Errorf("% x", pad)
		}
		must(t, d.TxPower([]byte{0x44}, nil))
		time.Sleep(750 * time.Millisecond)
		must(t, d.Tx([]byte{0xbe}, pad))
		if !onewire.CheckCRC(pad) || pad[0] != 0x91 || pad[1] != 0x01 { // table 1: 25.0625 °C is 0191h
			t.Errorf("% x", pad)
		}
	})
}

// BST-BMP280-DS001, section 3.12, the worked example in integers.
func TestBosch(t *testing.T) {
	centi, fine := chipsim.BMEInt32T(519888)
	if centi != 2508 || fine != 128422 {
		t.Errorf("%d, t_fine %d; want 2508, 128422", centi, fine)
	}
	if p := chipsim.BMEInt64P(415148, fine); p != 25767233 { // 100653.25 Pa in 1/256
		t.Errorf("%d, want 25767233", p)
	}
}

// A chip that is not done does not acknowledge.
func TestConversionTakesTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		bus.Attach(0x44, chipsim.NewSHT4x(chipsim.Air{C: 20, RH: 50}))
		must(t, bus.Tx(0x44, []byte{0xfd}, nil))
		var b [6]byte
		if err := bus.Tx(0x44, nil, b[:]); err == nil {
			t.Error("an answer at once")
		}
		time.Sleep(8300 * time.Microsecond)
		if err := bus.Tx(0x44, nil, b[:]); err != nil {
			t.Errorf("after 8.3 ms: %v", err)
		}
	})
}

// A hung chip hangs its bus, and lets go when the fault is cleared.
func TestHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := chipsim.NewBus("i2c-1")
		bus.Attach(0x44, chipsim.NewSHT4x(chipsim.Air{}))
		bus.Attach(0x45, chipsim.NewSHT4x(chipsim.Air{}))
		bus.SetFault(0x44, chipsim.Hang)
		done := make(chan error, 2)
		go func() { done <- bus.Tx(0x44, []byte{0xfd}, nil) }()
		synctest.Wait()
		go func() { done <- bus.Tx(0x45, []byte{0xfd}, nil) }()
		time.Sleep(time.Hour)
		if len(done) != 0 {
			t.Error("a hung bus went on")
		}
		bus.SetFault(0x44, chipsim.Good)
		synctest.Wait()
		if len(done) != 2 {
			t.Errorf("%d transactions ended", len(done))
		}
	})
}

func TestW1Tree(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a, b := chipsim.NewThermometer(1, 20), chipsim.NewThermometer(2, 21)
		tree := chipsim.NewW1Tree(a, b)
		b.SetFault(chipsim.Absent)
		es, err := fs.ReadDir(tree, ".")
		if err != nil || len(es) != 2 { // the bus master and one thermometer
			t.Errorf("%v, %v", es, err)
		}
		text, err := fs.ReadFile(tree, a.ID()+"/w1_slave")
		if err != nil || !strings.Contains(string(text), "YES\n") || !strings.HasSuffix(string(text), "t=20000\n") {
			t.Errorf("%q, %v", text, err)
		}
		if _, err := fs.ReadFile(tree, b.ID()+"/w1_slave"); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%v", err)
		}
	})
}

func Example() {
	bus := chipsim.NewBus("i2c-1")
	bus.Attach(0x48, chipsim.NewTMP102(chipsim.Air{C: 20}))
	bus.SetFault(0x48, chipsim.Absent)
	fmt.Println(bus.Tx(0x48, []byte{0}, make([]byte, 2)))
	// Output: sysfs-i2c: remote I/O error
}
