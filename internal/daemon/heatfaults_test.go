// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// Each kind of output below a whole daemon that is killed while it heats, with the
// configuration rewritten under it before: what runs keeps the limits that were
// accepted, the output goes off by itself within its lease, and the next start
// does not heat. In real time, since the processes are real: a minute and a half,
// nearly all of it the minute for which probes have to be sound.
func TestFaultHeaterKilled(t *testing.T) {
	if campaign(0) == 0 {
		t.Skip("a minute and a half of waiting: part of make faults")
	}
	bin := testkit.BuildBinary(t)
	root, slave := testkit.W1Tree(t)
	two := filepath.Join(root, "28-0316a2795d20")
	b := testkit.MustRead(t, slave)
	testkit.OK(t, os.MkdirAll(two, 0o755))
	testkit.Write(t, filepath.Join(two, "w1_slave"), string(b))
	t.Setenv(W1Env, root)
	const lease = 5 * time.Second
	for output, section := range map[string]string{
		"pulse":   "[tent.pulse]\nline = \"file:DIR/line\"\nhold = \"5s\"\n",
		"relay":   "[tent.relay]\nline = \"file:DIR/line\"\nwatchdog = \"none\"\n",
		"command": "[tent.command]\nargv = [\"/bin/sh\", \"-c\", \"while read -r word rest; do echo $word >DIR/line; done; echo end >DIR/line\"]\n",
	} {
		t.Run(output, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			line, cfg := filepath.Join(dir, "line"), filepath.Join(dir, "curewright.toml")
			testkit.Write(t, line, "0\n")
			text := fmt.Sprintf(`
[[probe]]
id = "panel"
driver = "ds18b20"
bus = "w1:28-0316a2795d1f"
every = "1s"
[[probe]]
id = "tent-air"
driver = "ds18b20"
bus = "w1:28-0316a2795d20"
every = "1s"
role = "tent"
[tent]
output = %q
control_probe = "panel"
limit_probe = "tent-air"
max_air_c = 40
ramp_k_h = 60
law = "two-point"
min_off = "1s"
max_panel_c = 35
thermal_cutoff_c = 60
every = "1s"
lease = "5s"
%s`, output, strings.ReplaceAll(section, "DIR", dir))
			testkit.Write(t, cfg, text)
			is := func() string { b, _ := os.ReadFile(line); return strings.TrimSpace(string(b)) }
			on := func() bool { s := is(); return s == "1" || s == "on" }
			var v *victim
			within := func(d time.Duration, what string, ok func() bool) {
				t.Helper()
				for end := time.Now().Add(d); !ok(); time.Sleep(20 * time.Millisecond) {
					if time.Now().After(end) {
						now, _ := v.c.Tent(t.Context())
						t.Fatalf("not within %v: %s; the line says %q, the tent %+v", d, what, is(), now)
					}
				}
			}

			v = startVictim(t, bin, dir, "--config", cfg)
			tent, err := v.c.Tent(t.Context())
			testkit.OK(t, err)
			if _, err := v.c.AcceptTent(t.Context(), tent.LimitsHash); err != nil {
				t.Fatal(err)
			}
			within(20*time.Second, "accepted", func() bool {
				tent, err = v.c.Tent(t.Context())
				return err == nil && !tent.Latched
			})
			if _, err := v.c.HoldTent(t.Context(), 30); err != nil {
				t.Fatal(err)
			}
			within(2*time.Minute, "heat", on)

			// A file that is no configuration any more, then one with higher limits.
			for _, edit := range []string{"not a configuration", strings.Replace(text, "max_air_c = 40", "max_air_c = 55", 1)} {
				testkit.Write(t, cfg, edit)
				now, err := v.c.Tent(t.Context())
				if err != nil || now.LimitsHash != tent.LimitsHash || strings.Join(now.Limits, "\n") != strings.Join(tent.Limits, "\n") {
					t.Errorf("the file was edited and the limits are %q (%v), want %q", now.Limits, err, tent.Limits)
				}
			}

			within(time.Minute, "heat again", on)
			v.cmd.Process.Signal(syscall.SIGKILL)
			killed := time.Now()
			v.cmd.Wait()
			if output == "pulse" {
				// The relay drops out by itself: there must be no edge any more.
				last := is()
				for time.Since(killed) < lease {
					if now := is(); now != last {
						t.Fatalf("an edge %v after the kill: %q", time.Since(killed), now)
					}
					time.Sleep(20 * time.Millisecond)
				}
			} else {
				within(lease, "off after the kill", func() bool { s := is(); return s == "0" || s == "end" })
				t.Logf("%s: off %d ms after the kill; a lease is %v", output, time.Since(killed).Milliseconds(), lease)
			}

			// With the limits that nobody accepted it starts and does not heat.
			v = startVictim(t, bin, dir, "--config", cfg)
			within(20*time.Second, "not accepted", func() bool {
				tent, err = v.c.Tent(t.Context())
				return err == nil && tent.Latched && strings.Contains(tent.NotAccepted, "max_air_c was 40 and is 55")
			})
			if _, err := v.c.HoldTent(t.Context(), 30); err == nil {
				t.Error("a set point was taken by limits that nobody accepted")
			}
			if on() {
				t.Errorf("the line says %q", is())
			}
			v.cmd.Process.Kill()
			v.cmd.Wait()
		})
	}
}
