// SPDX-License-Identifier: Apache-2.0

package board

import (
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A Raspberry Pi 2's own GPIO: the guard drives GPIO17, and the pin's level is
// read from outside, GPLEV0 (BCM2835 ARM Peripherals, 6.1).
func TestPi(t *testing.T) {
	if !whole() {
		t.Skip("boots a board of its own: make board")
	}
	p := fetch(t)
	dtb, err := filepath.Glob(filepath.Join(p.dir, "armhf/usr/lib/linux-image-*/bcm2836-rpi-2-b.dtb"))
	if err != nil || len(dtb) != 1 {
		t.Fatalf("device tree: %v %v", dtb, err)
	}
	g := boot(t, 1, "-M", "raspi2b", "-kernel", filepath.Join(p.dir, "armhf/boot/vmlinuz-"+p.release), "-dtb", dtb[0],
		"-initrd", p.initramfs(t, p.modules(t, "i2c-bcm2835", "i2c-dev", "pinctrl-bcm2835"), nil),
		"-append", "console=ttyAMA0,115200 rdinit=/init loglevel=4 panic=0 maxcpus=1")
	began := time.Now()
	g.expect(`BOOTED\n`)
	t.Logf("booted in %v", time.Since(began).Round(time.Second))
	level := func() bool { return g.word(0x3f200034)>>17&1 == 1 }
	t.Log(g.must("ls /dev/gpiochip* /dev/i2c* 2>&1; cat /sys/bus/gpio/devices/*/of_node/compatible 2>/dev/null; true"))
	if level() {
		t.Error("high before anybody drives it")
	}
	g.must("rm -f /tmp/f; mkfifo /tmp/f; (exec curewright relay-guard --line GPIO17 --lease 10s --watchdog none </tmp/f >/tmp/o 2>&1) & true")
	g.must("sleep 1000 >/tmp/f & echo $! >/tmp/daemon; echo on 1 >/tmp/f")
	g.must("n=0; until grep -q 'ok on 1' /tmp/o; do n=$((n+1)); [ $n -gt 60 ] && { cat /tmp/o; break; }; sleep 1; done")
	if !level() {
		t.Errorf("low after on: %s", g.must("cat /tmp/o"))
	}
	g.must("kill -9 $(cat /tmp/daemon); until ! pidof curewright >/dev/null; do sleep 1; done")
	if level() {
		t.Errorf("high after the daemon's stand-in died: %s", g.must("cat /tmp/o"))
	}
	t.Log(strings.TrimSpace(g.must("cat /tmp/o")))
}
