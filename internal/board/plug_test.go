// SPDX-License-Identifier: Apache-2.0

package board

import (
	"math"
	"path/filepath"
	"testing"
)

var plugged = wired("sound tmp102 i2c-2:0x48 1s", "lm75 tmp102 i2c-9:0x48 1s", "infrared kernel iio:9-0040 1s", "linux kernel hwmon:2-0049 1s")

// An adapter on a plug (scripts/board/i2csim.c) with a chip that we read and
// one that Linux's iio reads, while the daemon runs: chips that vanish, a wire
// that is held, a chip at another's address, the plug pulled and put in again,
// elsewhere too. And a chip that another driver of Linux's takes. Each is told
// with what to do, the other probes go on, and all is well after.
func TestPlug(t *testing.T) {
	p := fetch(t)
	mods := p.modules(t, "fec", "i2c-imx", "i2c-dev", "gpio-mxc", "lm75", "tmp007", "regmap-i2c")
	g, url := imx(t, p, p.initramfs(t, append(mods, filepath.Join(p.dir, "i2csim/i2csim.ko")), map[string]string{"etc/curewright.toml": plugged}), "", hurried...)
	sim := func(name string, v int) { g.must("echo %d >/sys/module/i2csim/parameters/%s", v, name) }
	taken := func(bus int, chip string, at int) {
		g.must("until [ -e /sys/class/i2c-adapter/i2c-%d ]; do sleep 1; done; echo %s %#x >/sys/bus/i2c/devices/i2c-%[1]d/new_device", bus, chip, at)
	}
	g.celsius("panel", 23.75)
	g.celsius("air", -7.0625)
	sim("t", 21500)
	taken(9, "tmp007", 0x40)
	taken(2, "tmp105", 0x49)
	g.must("ip addr add 10.0.2.15/24 dev eth0; ip link set eth0 up")
	g.must("%s", start)
	l := &looker{t: t, c: paired(t, g, url, "record")}
	well := func(c float64) func(p probes) bool {
		return func(p probes) bool {
			return reads(p["lm75"], c) && reads(p["infrared"], c) && reads(p["sound"], 23.75) && reads(p["linux"], -7.0625)
		}
	}
	// told waits for what is said, while the bus beside it goes on.
	told := func(what, say, hint string, ids ...string) {
		t.Helper()
		l.until(what, func(p probes) bool {
			return fails(say, hint, ids...)(p) && reads(p["sound"], 23.75)
		})
		for _, id := range ids {
			if p := l.last[id]; p.Last != nil && !(value(p.Last) == 21.5 || id == "linux" && math.Abs(value(p.Last)+7.0625) < 1./16) {
				t.Errorf("%s: %s has the value %g", what, id, value(p.Last))
			}
			t.Logf("%s: %s: %s; %s", what, id, l.last[id].Err, l.last[id].Hint)
		}
	}
	l.until("two on the plug", well(21.5))

	sim("fault", 1)
	told("nobody acknowledges", "device not found", "plug", "lm75", "infrared")
	sim("fault", 0)
	l.until("well again", well(21.5))

	sim("fault", 2)
	told("a line is held low", "no answer in time", "one by one", "lm75", "infrared")
	sim("fault", 0)
	l.until("well again", well(21.5))

	sim("fault", 3)
	told("another chip at its address", "another device answers", "which chip", "lm75")
	sim("fault", 0)
	l.until("well again", well(21.5))

	sim("plug", -1)
	told("pulled", "there is no bus i2c-9", "adapter", "lm75")
	told("pulled", "device not found", "plug", "infrared")
	g.must("n=0; while [ -e /sys/class/i2c-adapter/i2c-9 ]; do n=$((n+1)); [ $n -lt 60 ] || exit 1; sleep 1; done") // nobody holds it
	sim("plug", 10)
	told("plugged in elsewhere", "there is no bus i2c-9", "now, which the configuration must name: there is i2c-10 (i2csim at a hub)", "lm75")
	sim("plug", 9)
	taken(9, "tmp007", 0x40)
	l.until("plugged in again", well(21.5))

	g.must("echo 0x49 >/sys/bus/i2c/devices/i2c-2/delete_device")
	taken(2, "tmp75", 0x49)
	told("another driver of Linux's at its place", "tmp75 is there where tmp105 was", "restart", "linux")
	g.must("echo 0x49 >/sys/bus/i2c/devices/i2c-2/delete_device")
	taken(2, "tmp105", 0x49)
	l.until("well again", well(21.5))
}
