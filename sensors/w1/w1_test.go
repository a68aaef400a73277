// SPDX-License-Identifier: Apache-2.0

package w1

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"

	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/chipsim"
)

// file writes a w1_slave file as the kernel does.
func file(raw uint16, config, b6 byte) string {
	p := []byte{byte(raw), byte(raw >> 8), 0x4b, 0x46, config, 0xff, b6, 0x10}
	return chipsim.W1Slave(append(p, sensors.CRC8Maxim(p)))
}

func TestDecode(t *testing.T) {
	// Text as a board's kernel printed it, in many tutorials (from memory; its
	// checksum is part of the check). The kernel's own value is 23.125 °C.
	const real = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
	if c, err := Decode(real); err != nil || c != 23.125 {
		t.Errorf("%v, %v", c, err)
	}
	for _, tt := range []struct {
		raw  uint16
		want float64
	}{
		// DS18B20 data sheet 19-7487, table 1 "Temperature/Data Relationship".
		{0x07d0, 125}, {0x0550, 85}, {0x0191, 25.0625}, {0x00a2, 10.125}, {0x0008, .5},
		{0x0000, 0}, {0xfff8, -.5}, {0xff5e, -10.125}, {0xfe6f, -25.0625}, {0xfc90, -55},
	} {
		if c, err := Decode(file(tt.raw, 0x7f, 0x10)); err != nil || c != tt.want {
			t.Errorf("%04x: %v, %v; want %v °C", tt.raw, c, err, tt.want)
		}
	}
}

func TestReadErrors(t *testing.T) {
	good := file(0x0191, 0x7f, 0x10)
	for name, tt := range map[string]struct {
		text string
		want error
	}{
		"noise, and the kernel saw it": {strings.Replace(file(0x0191, 0x7f, 0x10), "91 01", "91 03", 1), sensors.ErrChecksum},
		"the kernel says no":           {strings.Replace(good, "YES", "NO", 1), sensors.ErrChecksum},
		"brown-out":                    {file(0x0550, 0x7f, 0x0c), sensors.ErrPowerOn},
		"shorted line, checksum right": {"00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", sensors.ErrBus},
		"nobody":                       {"ff ff ff ff ff ff ff ff ff : crc=c9 NO\nff ff ff ff ff ff ff ff ff t=-62\n", sensors.ErrAbsent},
		"impossible":                   {file(0x7fff, 0x7f, 0x10), sensors.ErrRange},
		"another family's memory":      {file(0x0191, 0x00, 0x10), sensors.ErrWrongDevice},
		"empty: Linux 6.1, nobody":     {"", sensors.ErrAbsent},
		"an empty line":                {"\n", sensors.ErrAbsent},
		"cut short":                    {good[:20], sensors.ErrBus},
		"not hex":                      {strings.Replace(good, "91", "zz", 1), sensors.ErrBus},
	} {
		fsys := fstest.MapFS{"28-01/w1_slave": &fstest.MapFile{Data: []byte(tt.text)}}
		r, err := New("panel", "28-01", fsys).Read(t.Context())
		if !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
		if r != (sensors.Reading{}) {
			t.Errorf("%s: value %+v beside an error", name, r)
		}
	}
	for id, want := range map[string]error{
		"28-02": sensors.ErrAbsent, "10-01": sensors.ErrWrongDevice, "28-../../etc": sensors.ErrWrongDevice, "": sensors.ErrWrongDevice,
	} {
		if r, err := New("panel", id, fstest.MapFS{}).Read(t.Context()); !errors.Is(err, want) || r != (sensors.Reading{}) {
			t.Errorf("%q: %+v, %v; want %v", id, r, err, want)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := New("panel", "28-01", fstest.MapFS{}).Read(ctx); !errors.Is(err, sensors.ErrTimeout) {
		t.Errorf("ended context: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Open(name string) (fs.File, error) {
	return nil, &fs.PathError{Op: "open", Path: name, Err: f.err}
}

func TestKernelErrors(t *testing.T) {
	for _, tt := range []struct {
		err, want error
		hint      string
	}{
		{syscall.EIO, sensors.ErrBus, ""},
		{syscall.ENODEV, sensors.ErrAbsent, ""},
		{fs.ErrPermission, sensors.ErrBus, "may not read"},
		{fs.ErrNotExist, sensors.ErrAbsent, "pull-up"},
	} {
		r, err := New("panel", "28-01", failing{tt.err}).Read(t.Context())
		if _, hint := sensors.Said(err, words.View{}); !errors.Is(err, tt.want) || r != (sensors.Reading{}) || !strings.Contains(hint, tt.hint) {
			t.Errorf("%v: %v; %s", tt.err, err, hint)
		}
	}
}

// A tree on disk that looks like the kernel's.
func TestTreeOnDisk(t *testing.T) {
	root := t.TempDir()
	for id, raw := range map[string]uint16{"28-0316a2795d1f": 0x0110, "28-01193a1f0c2e": 0xfff8, "10-000802b5a1c3": 0x0020} {
		if err := os.Mkdir(filepath.Join(root, id), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(root, id, "w1_slave"), []byte(file(raw, 0x7f, 0x10)), 0o444); err != nil {
			t.Fatal(err)
		}
	}
	d := New("panel-1", "28-0316a2795d1f", os.DirFS(root))
	if r, err := d.Read(t.Context()); err != nil || r.Temp != sensors.Some(17) || r.RH.OK() {
		t.Errorf("%+v, %v", r, err)
	}
	if err := os.RemoveAll(filepath.Join(root, "28-0316a2795d1f")); err != nil {
		t.Fatal(err)
	}
	if r, err := d.Read(t.Context()); !errors.Is(err, sensors.ErrAbsent) || r.Temp.OK() {
		t.Errorf("unplugged: %+v, %v", r, err)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add(file(0x0191, 0x7f, 0x10))
	f.Add(file(0x0550, 0x7f, 0x0c))
	f.Add("00 00 00 00 00 00 00 00 00 : crc=00 YES\n")
	f.Add("")
	f.Fuzz(func(t *testing.T, s string) {
		c, err := Decode(s)
		if err == nil && !(c >= -55 && c <= 125) || err != nil && c != 0 {
			t.Errorf("%q: %g °C, %v", s, c, err)
		}
		if err == nil && !strings.Contains(s, "YES") {
			t.Errorf("%q believed against the kernel", s)
		}
	})
}

func Example() {
	th := chipsim.NewThermometer(0x0316a2795d1f, 17.0625)
	tree := chipsim.NewW1Tree(th) // on a board: os.DirFS(w1.Root)
	d := New("panel-1", "28-0316a2795d1f", tree)
	r, err := d.Read(context.Background())
	fmt.Println(r.Temp, "°C", err)

	th.SetFault(chipsim.Zeros) // a pinched cable shorts the line
	r, err = d.Read(context.Background())
	fmt.Println(r.Temp, "because", err)
	// Output:
	// 17.0625 °C <nil>
	// missing because bus error: the data line is shorted
}
