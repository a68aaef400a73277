// SPDX-License-Identifier: Apache-2.0

package board

import (
	"testing"
	"time"

	"curewright/internal/testkit"
)

// A network's time that comes late, and a clock chip that is right, has a flat
// battery, or is right again: whether the board's date is believed, by the
// running program's own word. The chip is the board's PL031, set by hwclock.
func TestClockChip(t *testing.T) {
	if !whole() {
		t.Skip("boots the board once more: make board")
	}
	c := newCutter(t)
	ctx := t.Context()
	g, url := c.on(0)
	api := c.ready(ctx, 0, g, url)
	trusted := func() bool {
		s, err := api.Settings(ctx)
		testkit.OK(t, err)
		return s.ClockTrusted
	}
	boots := 1
	again := func() { // another boot to the program
		boots++
		g.must("echo %08x-0000-4000-8000-000000000000 >/tmp/boot", boots)
		g.must("kill $(pidof curewright); while pidof curewright >/dev/null; do sleep 1; done")
		api = c.ready(ctx, 0, g, url)
	}
	if trusted() {
		t.Error("believed without network, person or a chip that anybody vouched for")
	}
	g.must("hwclock -w -u; vouch")
	for end := time.Now().Add(slack); !trusted(); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("a network's time that comes late is not taken")
		}
	}
	g.must("n=0; until [ -s /mnt/store/clock-chip ] || [ $n -gt 300 ]; do n=$((n+1)); sleep 1; done; cat /mnt/store/clock-chip")
	g.must("vouch not")
	again()
	if !trusted() {
		t.Error("a chip that was seen right, at a start without a network, is not believed")
	}
	g.must("now=$(date -u +%%s); date -u -s @946684800 >/dev/null; hwclock -w -u; date -u -s @$now >/dev/null")
	again()
	if trusted() {
		t.Error("a chip with a flat battery is believed")
	}
	out, _ := g.sh("curewright doctor --json --config /etc/curewright.toml 2>&1 | grep -A5 'area.*clock'")
	t.Logf("doctor, flat battery: %s", out)
	g.kill()
}
