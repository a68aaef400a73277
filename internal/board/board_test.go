// SPDX-License-Identifier: Apache-2.0

package board

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// whole tells whether all scenes are to run (make board), not the short form.
func whole() bool { return cuts() > shortCuts }

// wires is the memory file of a board that drives its wires.
func wires(t *testing.T, p parts, files map[string]string) (initrd string) {
	t.Helper()
	mods := p.modules(t, "fec", "i2c-imx", "i2c-dev", "imx2_wdt", "gpio-mxc", "w1_therm", "lm75", "regmap-i2c")
	mods = append(mods, filepath.Join(p.dir, "w1sim/w1sim.ko"))
	return p.initramfs(t, mods, files)
}

// imx boots the i.MX6 board: on bus 2 two TMP105, and a clock chip where a
// thermometer could be. What listens on its port 8374 is at url.
func imx(t *testing.T, p parts, initrd, kernel string, args ...string) (g *guest, url string) {
	t.Helper()
	hostfwd, url := forward(t)
	boards, err := filepath.Glob(filepath.Join(p.dir, "armhf/usr/lib/linux-image-*/imx6q-sabrelite.dtb"))
	if err != nil || len(boards) != 1 {
		t.Fatalf("device tree: %v %v", boards, err)
	}
	// The local timer of QEMU's Cortex-A9 counts 100 MHz and Linux takes it for
	// the 396 MHz of the board's: what it waits for comes up to four times late. As
	// one that Linux doesn't know it leaves its work to the board's own timer, by
	// which Linux also tells the time.
	dtb := testkit.MustRead(t, boards[0])
	local := []byte("arm,cortex-a9-twd-timer")
	if bytes.Count(dtb, local) != 1 {
		t.Fatal("no local timer in the device tree")
	}
	tree := filepath.Join(t.TempDir(), "dtb")
	testkit.OK(t, os.WriteFile(tree, bytes.Replace(dtb, local, bytes.Repeat([]byte("x"), len(local)), 1), 0o600))
	g = boot(t, 2, append([]string{"-M", "sabrelite",
		// Its secure world is not in what QEMU 7.2 saves of a board.
		"-global", "cortex-a9-arm-cpu.has_el3=off", "-smp", "1", "-m", "512",
		"-kernel", filepath.Join(p.dir, "armhf/boot/vmlinuz-"+p.release), "-dtb", tree,
		"-initrd", initrd,
		"-append", "console=ttymxc1,115200 rdinit=/init quiet loglevel=1 panic=0 " + kernel,
		"-nic", "user,model=imx.enet,restrict=on," + hostfwd,
		"-device", "tmp105,id=panel,bus=i2c-bus.2,address=0x48",
		"-device", "tmp105,id=air,bus=i2c-bus.2,address=0x49",
		"-device", "ds1338,bus=i2c-bus.2,address=0x4a"}, args...)...)
	began := time.Now()
	m := g.expect(`(?s)(.*)BOOTED\n`)
	if strings.Contains(m[1], "\nNO mod") {
		t.Fatalf("a module did not load:\n%s", m[1])
	}
	t.Logf("booted in %v", time.Since(began).Round(time.Second))
	return g, url
}

// found is what `curewright probes find --json` says.
type found struct {
	Buses  []struct{ Name, Error, Hint string }
	Probes []struct {
		Driver, Bus, Error, Reason, Hint string
		TempC                            *float64 `json:"temp_c"`
	}
}

func find(t *testing.T, g *guest) (f found) {
	t.Helper()
	out := g.must("curewright probes find --json 2>/dev/null")
	if i := strings.Index(out, "{"); i < 0 || json.Unmarshal([]byte(out[i:]), &f) != nil {
		t.Fatalf("no JSON: %s", out)
	}
	return f
}

// at is one finding; it fails where there is none.
func (f found) at(t *testing.T, bus string) (driver string, c float64, err, hint string) {
	t.Helper()
	for _, p := range f.Probes {
		if p.Bus == bus {
			c = math.NaN()
			if p.TempC != nil {
				c = *p.TempC
			}
			return p.Driver, c, p.Error, p.Hint
		}
	}
	return "", math.NaN(), "not found", ""
}

func (f found) want(t *testing.T, what, bus, driver string, c float64) {
	t.Helper()
	if d, got, err, _ := f.at(t, bus); d != driver || err != "" || math.Abs(got-c) > 1./16 {
		t.Errorf("%s: %s is %q, %g °C, %q; want %s, %g", what, bus, d, got, err, driver, c)
	}
}

const (
	rom0 = "w1:28-0316a2795d1f" // of scripts/board/w1sim.c
	rom1 = "w1:28-0316a2795e40"
)

// scenes is a shed with two thermometers on each of two buses, and one that is
// named where another chip is.
var scenes = wired("i0 tmp102 i2c-2:0x48 1s", "i1 tmp102 i2c-2:0x49 1s", "other tmp102 i2c-2:0x4a 1s",
	"w0 ds18b20 "+rom0+" 2s", "w1 ds18b20 "+rom1+" 2s")

// kept is a board whose page is for the network and whose store lies in a folder.
func kept(folder string) string {
	return fmt.Sprintf("[store]\npath = %q\n[web]\nlisten = \"0.0.0.0:8374\"\n", folder)
}

// wired is one whose store is in memory, with probes: of each its id, driver, bus
// and how often it is read.
func wired(probes ...string) string {
	conf := kept("/tmp/store")
	for _, p := range probes {
		f := strings.Fields(p)
		conf += fmt.Sprintf("[[probe]]\nid = %q\ndriver = %q\nbus = %q\nevery = %q\n", f[0], f[1], f[2], f[3])
	}
	return conf
}

// One boot of the board's kernel with the program on it: chips on real wires.
// The temperatures are set from outside, over QMP and by w1sim, and read by
// the kernel's own drivers and by ours.
func TestBoard(t *testing.T) {
	p := fetch(t)
	g, url := imx(t, p, wires(t, p, map[string]string{"etc/curewright.toml": scenes}), "", hurried...)
	g.must("rm /dev/i2c-0 /dev/i2c-1") // the scenes are on bus 2 and on 1-wire
	g.celsius("panel", 23.75)
	g.celsius("air", -7.0625)
	wire(g, "t0", 21562)
	wire(g, "t1", -3250)
	g.must("until [ -e /sys/bus/w1/devices/28-0316a2795e40/w1_slave ]; do sleep 1; done")
	t.Run("found", func(t *testing.T) { whatIsFound(t, g) })
	t.Run("running", func(t *testing.T) { running(t, g, url) })
	t.Run("relay", func(t *testing.T) { relay(t, g) })
}

// wire sets something of the simulated 1-wire bus.
func wire(g *guest, name string, v int) {
	g.must("echo %d >/sys/module/w1sim/parameters/%s", v, name)
}

func whatIsFound(t *testing.T, g *guest) {
	// The kernel's own driver takes the second chip: Linux tells its value,
	// and ours leaves the address alone.
	g.must("echo tmp105 0x49 >/sys/bus/i2c/devices/i2c-2/new_device")
	f := find(t, g)
	g.must("echo 0x49 >/sys/bus/i2c/devices/i2c-2/delete_device")
	f.want(t, "set over QMP", "i2c-2:0x48", "tmp102", 23.75)
	f.want(t, "by Linux's driver", "hwmon:2-0049", "kernel", -7.0625)
	f.want(t, "by Linux's w1_therm", rom0, "ds18b20", 21.5625)
	f.want(t, "two on one wire", rom1, "ds18b20", -3.25)
	if _, _, err, _ := f.at(t, "i2c-2:0x49"); err != "not found" {
		t.Errorf("a chip that Linux drives was asked: %s", err)
	}
	for _, p := range f.Probes {
		if p.Bus == "i2c-2:0x4a" && (p.Driver != "" || p.TempC != nil) {
			t.Errorf("a clock chip is found as %+v", p)
		}
	}
	// This emulator times out where nobody is, where a board says so at once:
	// one line, and not something at each address.
	if len(f.Probes) > 5 {
		t.Errorf("found %+v", f.Probes)
	}
	for _, b := range f.Buses {
		if b.Name == "i2c-2" && b.Error != "" && (!strings.Contains(b.Error, "addresses") || b.Hint == "") {
			t.Errorf("bus: %+v", b)
		}
	}
}

// running: the daemon, while chips change, vanish and come back.
func running(t *testing.T, g *guest, url string) {
	g.must("ip addr add 10.0.2.15/24 dev eth0; ip link set eth0 up")
	g.must("%s", start)
	c := paired(t, g, url, "record")
	l := &looker{t: t, c: c}
	until := l.until
	well := func(i0, i1, w0, w1 float64) func(p probes) bool {
		return func(p probes) bool {
			return reads(p["i0"], i0) && reads(p["i1"], i1) && reads(p["w0"], w0) && reads(p["w1"], w1)
		}
	}
	until("two on each bus", well(23.75, -7.0625, 21.5625, -3.25))
	until("another chip's address", fails("", "", "other"))
	t.Logf("a clock chip where a TMP102 is named: %s; %s", l.last["other"].Err, l.last["other"].Hint)
	if l.last["other"].Last != nil {
		t.Errorf("a clock chip's registers are %+v", l.last["other"].Last)
	}
	g.celsius("panel", 31.5)
	wire(g, "t1", 12125)
	until("set anew from outside", well(31.5, -7.0625, 21.5625, 12.125))

	wire(g, "fault", 3) // whose checksum is right: Linux takes it for 0 °C
	until("zeros all over, and the other goes on", func(p probes) bool {
		return fails("shorted", "", "w0")(p) && reads(p["w1"], 12.125) && reads(p["i0"], 31.5)
	})
	if x := l.last["w0"].Last; x != nil && value(x) < 20 {
		t.Errorf("zeros are %g °C", value(x))
	}
	wire(g, "fault", 0)
	until("and well again", well(31.5, -7.0625, 21.5625, 12.125))

	for _, s := range []struct {
		fault     int
		what, say string
		hint      string
	}{
		{1, "nobody on the wire", "", "4.7"},
		{2, "shorted", "", ""},
		{4, "lost its supply", "power-on", ""},
		{5, "a bit disturbed", "checksum", ""},
	} {
		wire(g, "fault", s.fault)
		until(s.what, fails(s.say, s.hint, "w0", "w1"))
		t.Logf("%s: %s; %s", s.what, l.last["w0"].Err, l.last["w0"].Hint)
		if !reads(l.last["i0"], 31.5) || l.last["w0"].Last != nil && math.Abs(value(l.last["w0"].Last)-21.5625) > 1./16 {
			t.Errorf("%s: %+v", s.what, l.last)
		}
		wire(g, "fault", 0)
		until(s.what+", and well again", well(31.5, -7.0625, 21.5625, 12.125))
	}

	g.must("echo tmp105 0x49 >/sys/bus/i2c/devices/i2c-2/new_device")
	until("Linux's own driver takes a chip", fails("", `bus = "hwmon:2-0049"`, "i1"))
	g.must("echo 0x49 >/sys/bus/i2c/devices/i2c-2/delete_device")
	until("and gives it back", well(31.5, -7.0625, 21.5625, 12.125))

	if whole() {
		out, _ := g.sh("curewright doctor --config /etc/curewright.toml 2>&1")
		t.Logf("doctor there:\n%s", out)
		if n := strings.Count(out, "0x4a"); n == 0 || n > 3 {
			t.Errorf("doctor names the clock chip's place %d times", n)
		}
	}
}

// probes are what the daemon says of its probes, by id.
type probes map[string]web.ProbeView

// looker looks at a daemon's probes.
type looker struct {
	t    *testing.T
	c    *client.Client
	last probes
}

// until waits for something to be seen.
func (l *looker) until(what string, ok func(p probes) bool) {
	l.t.Helper()
	for end := time.Now().Add(slack); ; time.Sleep(100 * time.Millisecond) {
		ps, err := l.c.Probes(l.t.Context())
		if err == nil {
			l.last = probes{}
			for _, p := range ps {
				l.last[p.Probe] = p
			}
			if ok(l.last) {
				l.t.Logf("%s: seen", what)
				return
			}
		}
		if time.Now().After(end) {
			for id, p := range l.last {
				l.t.Logf("%s: %s %+v %s %s", id, p.State, p.Now, p.Err, p.Hint)
			}
			l.t.Fatalf("%s: not seen: %v", what, err)
		}
	}
}

// reads tells whether a probe is well and in so many °C.
func reads(p web.ProbeView, c float64) bool {
	return p.Now != nil && math.Abs(value(p.Now)-c) <= 1./16 && p.Err == ""
}

// fails tells whether probes have an error that says something, with something
// that a person can do.
func fails(say, hint string, ids ...string) func(p probes) bool {
	return func(p probes) bool {
		for _, id := range ids {
			if p[id].Err == "" || !strings.Contains(p[id].Err, say) || !strings.Contains(p[id].Hint, hint) {
				return false
			}
		}
		return true
	}
}

func value(q *web.Quantities) float64 {
	x, ok := q.TempC.Get()
	if !ok {
		return math.NaN()
	}
	return x
}
