// SPDX-License-Identifier: Apache-2.0

package board

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// heater is a tent on the emulated board, with the defaults of docs/tent.md: a
// step every 5 s, a lease of 30 s. It warms nothing there, which is found out
// late enough.
var heater = wired("panel tmp102 i2c-2:0x48 2s", "tent-air tmp102 i2c-2:0x49 2s") + `role = "tent"
[tent]
output = "relay"
control_probe = "panel"
limit_probe = "tent-air"
law = "two-point"
min_off = "1s"
ramp_k_h = 60
max_air_c = 40
max_panel_c = 35
effect_after = "2h"
thermal_cutoff_c = 60
[tent.relay]
line = "gpiochip0:17"
watchdog = "/dev/watchdog"
`

// ways are those in which a tent's heat may lose who holds it, with the
// seconds that docs/tent.md allows until the line is low. $D is the daemon, $G
// the guard. Where the watchdog has to do it the board is reset.
var ways = []struct {
	what, do string
	most     float64
	watchdog bool
}{
	{"daemon killed", "kill -9 $D", 1, false},
	{"daemon stopped", "kill -STOP $D", 30, false},
	{"guard told to end", "kill $G", 1, false},
	{"guard killed", "kill -9 $G", 9, false},
	{"guard stopped", "kill -STOP $G", 9, false},
	{"both killed", "kill -9 $G $D", 15, true},
	{"both stopped", "kill -STOP $G $D", 15, true},
	{"kernel hung", "echo c >/proc/sysrq-trigger", 15, true},
	{"board reset", "", 0, false},
}

// line is the level of GPIO1_17 as it is seen from outside: i.MX6 reference
// manual, GPIO1 at 0x0209c000, DR and GDIR. What is an output and high is on.
func line(g *guest) bool {
	return g.word(0x0209c000)>>17&1 == 1 && g.word(0x0209c004)>>17&1 == 1
}

// ticks is the board's clock as it is seen from outside: GPT_CNT, by which
// Linux counts its own time.
func ticks(g *guest) uint32 { return uint32(g.word(0x02098024)) }

// boardClock compares ticks with what the board calls its uptime. The count
// wraps after a minute, longer than any way to the line's end.
type boardClock struct {
	hz, zero float64 // zero: an uptime at which the count was 0
}

// since is how long after an uptime the count was seen, s.
func (c boardClock) since(uptime float64, at uint32) float64 {
	wrap := math.Pow(2, 32) / c.hz
	d := math.Mod(c.zero+float64(at)/c.hz-uptime, wrap)
	for d < -1 {
		d += wrap
	}
	return d
}

// setClock compares both over some seconds, in which the board is kept busy: the
// clock of one that is idle jumps to what it waits for.
func setClock(t *testing.T, g *guest) boardClock {
	t.Helper()
	sample := func() (s float64, at uint32) {
		best := uint32(math.MaxUint32)
		for range 30 {
			before := ticks(g)
			x := number(t, g.must("cat /proc/uptime"))
			if d := ticks(g) - before; d < best {
				best, s, at = d, x, before+d/2
			}
		}
		return s, at
	}
	g.must("(while true; do true; done) & echo $! >/tmp/busy")
	s0, t0 := sample()
	g.must("sleep 10")
	s1, t1 := sample()
	g.must("kill $(cat /tmp/busy)")
	// What Linux was told that it counts, exactly: hours may pass on the board.
	c := boardClock{hz: 66e6}
	if hz := float64(t1-t0) / (s1 - s0); math.Abs(hz/c.hz-1) > .002 {
		t.Fatalf("the board's clock counts %.5g a second", hz)
	}
	c.zero = s1 - float64(t1)/c.hz
	return c
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	s, _, _ = strings.Cut(s, " ")
	x, err := strconv.ParseFloat(s, 64)
	testkit.OK(t, err)
	return x
}

// relay is the short form: the guard with a pipe from a process that stands in
// for the daemon, seen from outside.
func relay(t *testing.T, g *guest) {
	for what, do := range map[string]string{
		"daemon killed":     "kill -9 $(cat /tmp/daemon)",
		"guard told to end": "kill $(cat /tmp/guard)",
	} {
		if line(g) {
			t.Error("on before the guard runs")
		}
		g.must("rm -f /tmp/f /tmp/o; mkfifo /tmp/f; (exec curewright relay-guard --line gpiochip0:17 --lease 10s --watchdog none </tmp/f >/tmp/o 2>&1 & echo $! >/tmp/guard)")
		g.must("sleep 1000 >/tmp/f & echo $! >/tmp/daemon")
		g.must("while sleep 2; do echo on 1; done >/tmp/f & echo $! >/tmp/renews; until grep -q 'ok on 1' /tmp/o; do sleep 1; done")
		if !line(g) {
			t.Fatal("not on")
		}
		g.must("kill -9 $(cat /tmp/renews)")
		g.must("%s; while grep -q . /proc/$(cat /tmp/guard)/cmdline; do sleep 1; done 2>/dev/null", do)
		if line(g) {
			t.Errorf("%s: still on", what)
		}
		g.sh("kill -9 $(cat /tmp/daemon) 2>/dev/null; true")
	}
}

// A tent heats on the board, by the daemon, its guard, the kernel's GPIO and
// the board's watchdog. Its state is kept; each try goes on from there, lets a
// random moment pass and ends something. When the line falls is what the
// kernel's own trace says of it, by the board's clock, so that it doesn't matter
// how often the host looks; that it is high before and low after is looked at
// from outside.
func TestHeatEnds(t *testing.T) {
	if !whole() {
		t.Skip("a board that heats takes minutes: make board")
	}
	p := fetch(t)
	g, _ := imx(t, p, wires(t, p, map[string]string{"etc/curewright.toml": heater}), "", hurried...)
	heating(t, g)
	g.must("mount -t tracefs t /sys/kernel/tracing; cd /sys/kernel/tracing; echo mono >trace_clock; echo 1 >events/gpio/gpio_value/enable; cd /")
	tries(t, g, false, func(g *guest, do string, wait float64) float64 {
		if !line(g) {
			g.tb.Fatal("does not heat")
		}
		g.qmp("cont", nil)
		// Past a step, so that the trace has the line set high.
		trace := g.must(". /tmp/pids; sleep %.2f; echo deed >/sys/kernel/tracing/trace_marker; %s; sleep 60; cat /sys/kernel/tracing/trace", 6+wait, do)
		if line(g) {
			g.tb.Errorf("still high a minute after %q", do)
		}
		return fell(g.tb, trace)
	})
}

// fell is how long after the deed the line that was high before it was set low
// for good, s, by the trace of the kernel's gpio_value events.
func fell(t testing.TB, trace string) (s float64) {
	t.Helper()
	deed, low, was := math.NaN(), math.NaN(), ""
	for _, m := range regexp.MustCompile(`([0-9.]+): (?:tracing_mark_write: (deed)|gpio_value: \d+ set ([01]))\n`).FindAllStringSubmatch(trace+"\n", -1) {
		at := number(t, m[1])
		switch {
		case m[2] != "":
			if deed = at; was != "1" {
				t.Errorf("the line was set to %q before the deed", was)
			}
		case m[3] == "1":
			low = math.NaN()
		case math.IsNaN(low):
			low = at
		}
		if m[2] == "" {
			was = m[3]
		}
	}
	if s = low - deed; math.IsNaN(s) || s < 0 {
		t.Fatalf("no end of the line's in the trace:\n%s", trace)
	}
	return s
}

// The ways that only the board's watchdog ends. Its count is not in what QEMU
// 7.2 saves of a board, so these go on from a board that has just booted: the
// guard is started there, by a process that stands in for the daemon.
func TestHeatEndsByWatchdog(t *testing.T) {
	if !whole() {
		t.Skip("fifty waits for a watchdog: make board")
	}
	p := fetch(t)
	g, _ := imx(t, p, wires(t, p, nil), "", hurried...)
	clock := setClock(t, g)
	tries(t, g, true, func(g *guest, do string, wait float64) float64 {
		g.qmp("cont", nil)
		// In one line: an idle board's hundred seconds may be the host's one.
		if _, err := fmt.Fprintf(g.ser, "mkfifo /tmp/f; (exec curewright relay-guard --line gpiochip0:17 --lease 100s --watchdog /dev/watchdog </tmp/f >/tmp/o 2>&1 & echo G=$! >/tmp/pids); "+
			"sleep 1000 >/tmp/f & echo D=$! >>/tmp/pids; echo on 1 >/tmp/f; until grep -q 'ok on 1' /tmp/o; do sleep 1; done; "+
			". /tmp/pids; sleep %.2f; echo \"UP $(cat /proc/uptime)\"; %s\n", wait, do); err != nil {
			g.tb.Fatal(err)
		}
		deed := number(g.tb, g.expect(`UP ([0-9.]+) `)[1])
		for end := time.Now().Add(slack); !strings.Contains(g.qmp("query-status", nil), `"shutdown"`); time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				g.tb.Fatal("the watchdog does not bite")
			}
		}
		at := ticks(g) // the board stands where the watchdog bit
		if !line(g) {
			g.tb.Error("low before the reset: not by the watchdog")
		}
		resetAndLow(g.tb, g)
		if at == math.MaxUint32 {
			return math.NaN()
		}
		return clock.since(deed, at)
	})
}

// tries goes on from a board again and again, and has end end its heat in each
// of the ways after a while: end lets the board run and returns how long the
// line was high after the deed, s of the board's own; NaN where that can't be
// told.
func tries(t *testing.T, g *guest, watchdog bool, end func(g *guest, do string, wait float64) float64) {
	var args []string
	for _, a := range g.args { // nobody calls these boards, and they may be many
		a, _, _ = strings.Cut(a, ",hostfwd")
		args = append(args, a)
	}
	state := g.save()
	n := rounds()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	for _, w := range ways {
		if w.watchdog != watchdog {
			continue
		}
		t.Run(w.what, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(seed, uint64(len(w.what))))
			var all []float64
			unknown := 0
			for len(all) < n {
				g := restore(t, 2, state, args...)
				g.qmp("set-action", map[string]any{"reboot": "shutdown", "shutdown": "pause"})
				wait := float64(rng.IntN(500)) / 100
				took := 0.
				if w.do == "" { // time stands still, and the reset takes none of it
					g.qmp("cont", nil)
					g.must("sleep %.2f", wait)
					g.qmp("stop", nil)
					if !line(g) {
						t.Error("does not heat")
					}
					resetAndLow(t, g)
				} else {
					took = end(g, w.do, wait)
				}
				g.kill()
				if math.IsNaN(took) {
					// Where the emulator stands in the middle of this timer's
					// own turn it has no count (seen in two tries of a hundred).
					if unknown++; unknown > 1+n/10 {
						t.Fatalf("%d tries whose time is not known", unknown)
					}
					continue
				}
				if all = append(all, took); len(all)%5 == 0 {
					t.Logf("%d: %.2f to %.2f s", len(all), slices.Min(all), slices.Max(all))
				}
				if took > w.most {
					g.mu.Lock()
					t.Errorf("%s, try %d: high for %.2f s, limit %g s; the board said\n%s", w.what, len(all), took, w.most, g.buf)
					g.mu.Unlock()
				}
			}
			slices.Sort(all)
			t.Logf("%s: %d of %d; line low after %.2f to %.2f s, median %.2f, limit %g s", w.what, len(all), n, all[0], all[len(all)-1], all[len(all)/2], w.most)
		})
	}
}

// heating brings the daemon to where it heats.
func heating(t *testing.T, g *guest) {
	t.Helper()
	g.celsius("panel", 10)
	g.celsius("air", 12)
	g.must("date -u -s '2026-11-28 12:00:00' >/dev/null; curewright watch --config /etc/curewright.toml >/tmp/out 2>/tmp/err & true")
	g.must("until [ -S /tmp/store/control.sock ]; do sleep 1; done; export CUREWRIGHT_SERVER=unix:/tmp/store/control.sock; curewright tent accept --yes >/tmp/said 2>&1 || { cat /tmp/said; false; }")
	t.Log("accepted")
	g.must("for i in $(seq 300); do curewright tent hold 30 >/tmp/said 2>&1 && break; sleep 1; done; cat /tmp/said")
	for end := time.Now().Add(slack); !line(g); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("no heat: %s", g.must("curewright tent show; cat /tmp/err"))
		}
	}
	g.must("for p in $(pidof curewright); do if grep -q relay-guard /proc/$p/cmdline; then echo G=$p; else echo D=$p; fi; done >/tmp/pids; cat /tmp/pids /tmp/err")
	t.Log("heats")
}

// resetAndLow resets a board that stands, and finds the line low.
func resetAndLow(t testing.TB, g *guest) {
	t.Helper()
	g.qmp("set-action", map[string]any{"reboot": "reset"})
	was := ticks(g)
	g.qmp("system_reset", nil)
	for end := time.Now().Add(slack); ticks(g) == was; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("no reset")
		}
	}
	if line(g) {
		t.Error("high after the board's reset")
	}
}
