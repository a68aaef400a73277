// SPDX-License-Identifier: Apache-2.0

package board

import (
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// whole tells whether all scenes are to run (make board), not the short form.
func whole() bool { return cuts() > shortCuts }

// sabre boots the i.MX6 board: two TMP105 on bus 2, no network.
func sabre(t *testing.T, files map[string]string, args ...string) (*guest, parts) {
	t.Helper()
	p := fetch(t)
	mods := p.modules(t, "i2c-imx", "i2c-dev", "imx2_wdt", "gpio-mxc", "w1_therm", "lm75", "regmap-i2c")
	mods = append(mods, filepath.Join(p.dir, "w1sim/w1sim.ko"))
	boards, err := filepath.Glob(filepath.Join(p.dir, "armhf/usr/lib/linux-image-*/imx6q-sabrelite.dtb"))
	if err != nil || len(boards) != 1 {
		t.Fatalf("device tree: %v %v", boards, err)
	}
	g := boot(t, 2, append([]string{"-M", "sabrelite", "-smp", "1", "-m", "512",
		"-kernel", filepath.Join(p.dir, "armhf/boot/vmlinuz-"+p.release), "-dtb", boards[0],
		"-initrd", p.initramfs(t, mods, files),
		"-append", "console=ttymxc1,115200 rdinit=/init quiet loglevel=1 panic=0",
		"-device", "tmp105,id=panel,bus=i2c-bus.2,address=0x48",
		"-device", "tmp105,id=air,bus=i2c-bus.2,address=0x49"}, args...)...)
	began := time.Now()
	m := g.expect(`(?s)(.*)BOOTED\n`)
	if strings.Contains(m[1], "\nNO mod") {
		t.Fatalf("a module did not load:\n%s", m[1])
	}
	t.Logf("booted in %v", time.Since(began).Round(time.Second))
	return g, p
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

func (f found) fails(t *testing.T, what, bus, say, hint string) {
	t.Helper()
	_, c, err, h := f.at(t, bus)
	if err == "" || !strings.Contains(err, say) || !strings.Contains(h, hint) || !math.IsNaN(c) {
		t.Errorf("%s: %s says %g °C, %q, %q; want %q, %q", what, bus, c, err, h, say, hint)
	}
}

const (
	rom0 = "w1:28-0316a2795d1f" // of scripts/board/w1sim.c
	rom1 = "w1:28-0316a2795e40"
)

// One boot of the board's kernel with the program on it: chips on real wires,
// the relay's guard. The temperatures are set from outside, over
// QMP and by w1sim, and read by the kernel's own drivers and by ours.
func TestBoard(t *testing.T) {
	g, _ := sabre(t, nil)
	g.must("rm /dev/i2c-0 /dev/i2c-1") // the scenes are on bus 2 and on 1-wire
	param := func(name string, v int) { g.must("echo %d >/sys/module/w1sim/parameters/%s", v, name) }

	t.Run("probes", func(t *testing.T) {
		g.celsius("panel", 23.75)
		g.celsius("air", -7.0625)
		param("t0", 21562)
		param("t1", -3250)
		g.must("until [ -e /sys/bus/w1/devices/28-0316a2795e40/w1_slave ]; do sleep 1; done")
		// The kernel's own driver takes the second chip: Linux tells its value,
		// and ours leaves the address alone.
		g.must("echo tmp105 0x49 >/sys/bus/i2c/devices/i2c-2/new_device")
		f := find(t, g)
		f.want(t, "set over QMP", "i2c-2:0x48", "tmp102", 23.75)
		f.want(t, "by Linux's driver", "hwmon:2-0049", "kernel", -7.0625)
		f.want(t, "by Linux's w1_therm", rom0, "ds18b20", 21.5625)
		f.want(t, "two on one wire", rom1, "ds18b20", -3.25)
		if _, _, err, _ := f.at(t, "i2c-2:0x49"); err != "not found" {
			t.Errorf("a chip that Linux drives was asked: %s", err)
		}
		// This emulator times out where nobody is, where a board says so at once:
		// one line, and not something at each address.
		if len(f.Probes) != 4 {
			t.Errorf("found %+v", f.Probes)
		}
		for _, b := range f.Buses {
			if b.Name == "i2c-2" && b.Error != "" && (!strings.Contains(b.Error, "addresses") || b.Hint == "") {
				t.Errorf("bus: %+v", b)
			}
		}
	})

	t.Run("wires", func(t *testing.T) {
		g.must("rm /dev/i2c-2")
		for _, s := range []struct {
			fault     int
			what, say string
			hint      string
		}{
			{1, "nobody on the wire", "not found", "4.7"},
			{2, "shorted", "", ""},
			{4, "lost its supply", "power-on", ""},
			{5, "a bit disturbed", "checksum", ""},
		} {
			param("fault", s.fault)
			// Linux looks for chips every ten seconds; a chip that is gone is
			// asked for all the same until then.
			f := find(t, g)
			_, _, said, _ := f.at(t, rom0)
			t.Logf("%s: %s", s.what, said)
			f.fails(t, s.what, rom0, s.say, s.hint)
			param("fault", 0)
		}
		find(t, g).want(t, "well again", rom0, "ds18b20", 21.5625)
	})

	t.Run("relay", func(t *testing.T) { relay(t, g) })
}

// line is the level of GPIO1_17 as it is seen from outside: i.MX6 reference
// manual, GPIO1 at 0x0209c000, DR and GDIR. What is an output and high is on.
func line(g *guest) bool {
	return g.word(0x0209c000)>>17&1 == 1 && g.word(0x0209c004)>>17&1 == 1
}

// late is how much longer than its limit something may be seen to take: the
// board is looked at about once a second. The short form runs where others do,
// and looks at what happens, not at how long it takes.
func late() float64 {
	if whole() {
		return 1.5
	}
	return 120
}

// untilLow waits until the line is low, by the board's own clock, and returns the
// seconds of it since the line was left.
func untilLow(t *testing.T, g *guest, most float64, left float64) float64 {
	t.Helper()
	for {
		on := line(g)
		now := uptime(t, g)
		if !on && now-left <= most+late() {
			return now - left
		}
		if now-left > most+late() {
			t.Errorf("on for %.1f s of the board's time, limit %g s", now-left, most)
			return now - left
		}
	}
}

func uptime(t *testing.T, g *guest) float64 {
	t.Helper()
	s, _, _ := strings.Cut(g.must("cat /proc/uptime"), " ")
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// guard starts the relay's guard as the daemon does, with a pipe, and has it
// switch on. The pipe stays open in a process of its own, the daemon's
// stand-in.
func startGuard(t *testing.T, g *guest, dog string) {
	t.Helper()
	if line(g) {
		t.Error("on before the guard runs")
	}
	g.must("rm -f /tmp/f /tmp/o; mkfifo /tmp/f; (exec curewright relay-guard --line gpiochip0:17 --lease 10s --watchdog %s </tmp/f >/tmp/o 2>&1) & true", dog)
	g.must("sleep 1000 >/tmp/f & echo $! >/tmp/daemon")
	g.must("echo on 1 >/tmp/f; until grep -q 'ok on 1' /tmp/o; do sleep 1; done")
	g.must("pidof curewright >/tmp/guard")
	if !line(g) {
		t.Fatal("not on")
	}
}

// relay: each way in which the guard or who feeds it may end, but those that
// end the board.
func relay(t *testing.T, g *guest) {
	for _, s := range []struct {
		what, do string
		most     float64 // s, docs/tent.md
	}{
		{"daemon killed", "kill -9 $(cat /tmp/daemon)", 1},
		{"daemon stopped", "kill -STOP $(cat /tmp/daemon)", 10},
		{"guard told to end", "kill $(cat /tmp/guard)", 1},
	} {
		startGuard(t, g, "none")
		left := uptime(t, g)
		g.must("%s", s.do)
		took := untilLow(t, g, s.most, left)
		t.Logf("%s: line low %.1f s after", s.what, took)
		g.sh("kill -CONT $(cat /tmp/daemon); kill -9 $(cat /tmp/daemon) $(cat /tmp/guard) 2>/dev/null; sleep 1")
	}
}

// The ways that only the board's watchdog ends: the guard killed with the
// relay on, the guard stopped, both it and the daemon, the kernel hung, the
// board reset. The time counts from the deed to the reset, at which every line
// of the board is an input again; it is the emulated board's, in which the
// watchdog counts.
func TestBoardWatchdog(t *testing.T) {
	if !whole() {
		t.Skip("boots the board once for each way: make board")
	}
	for _, s := range []struct {
		what, do string
		most     float64
	}{
		{"guard killed", "kill -9 $(cat /tmp/guard)", 15},
		{"guard stopped", "kill -STOP $(cat /tmp/guard)", 15},
		{"guard and daemon killed", "kill -9 $(cat /tmp/guard) $(cat /tmp/daemon)", 15},
		{"kernel hung", "echo c >/proc/sysrq-trigger", 15},
		{"board reset", "", 1},
	} {
		for n := range rounds() {
			t.Run(fmt.Sprintf("%s/%d", s.what, n), func(t *testing.T) {
				g, _ := sabre(t, nil, "-no-reboot")
				startGuard(t, g, "/dev/watchdog")
				if out := g.must("cat /tmp/o"); !strings.Contains(out, "watchdog 15\n") {
					t.Errorf("the watchdog does not bite after 15 s: %s", out)
				}
				// -no-reboot: the reset ends the emulator. Its clock is the host's
				// here, so that a loaded host makes the time longer and not shorter.
				began := time.Now()
				if s.do == "" {
					g.qmp("system_reset", nil)
				} else if _, err := fmt.Fprintf(g.ser, "%s\n", s.do); err != nil {
					t.Fatal(err)
				}
				select {
				case <-g.ended:
				case <-time.After(slack):
					t.Fatal("the board was not reset")
				}
				took := time.Since(began).Seconds()
				t.Logf("%s: reset %.1f s after", s.what, took)
				if took > s.most+5 {
					t.Errorf("reset after %.1f s, limit %g s", took, s.most)
				}
			})
		}
	}
}
