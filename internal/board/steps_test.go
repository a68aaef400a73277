// SPDX-License-Identifier: Apache-2.0

package board

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/internal/testkit"
	"curewright/model/coat"
)

// The kernel's own wall clock is set (`date -s`) while a coat is open: six hours
// forward, six hours before what it was, 400 days forward. No reading is lost
// or comes out of order, the coat does not cure by it, the daemon's time goes
// on as before, and it is said. The daemon killed and started in the same
// boot goes on with the date that it was given.
func TestKernelClockSteps(t *testing.T) {
	if !whole() {
		t.Skip("a boot of its own; `make board` has it")
	}
	p := fetch(t)
	d := newDisk(1 << 20) // nothing is on it: the store is in memory
	args, url := virt(t, p, p.initramfs(t, p.modules(t, "virtio_mmio", "virtio_net"),
		map[string]string{"etc/curewright.toml": kept("/tmp/store")}), d.serve(t), "2027-01-25T10:00:00", blockSize)
	g := boot(t, 1, args...)
	g.expect(`BOOTED\n`)
	g.must("ip addr add 10.0.2.15/24 dev eth0; ip link set eth0 up")
	g.must("date -u -s @%d >/dev/null", time.Now().Unix())
	g.must("%s", start)
	ctx := t.Context()
	c := paired(t, g, url, "record")
	do := func(what string, f func() error) {
		t.Helper()
		if err := patient(f); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	do("clock", func() error { _, err := c.TrustClock(ctx, time.Now(), ""); return err })
	do("panel", func() error {
		_, err := c.AddPanel(ctx, coat.Panel{ID: "lid", Probe: "panel-1", Core: "foam"})
		return err
	})
	began := time.Now()
	do("coat", func() error {
		_, err := c.StartCoat(ctx, coat.Coat{ID: "fill", Panel: "lid", Resin: "fast", Kind: coat.FillCoat, Applied: began.Add(-time.Hour)})
		return err
	})
	pushed := 0
	warm := 24.0
	push := func(rs ...web.PushReading) {
		t.Helper()
		do("readings", func() error {
			r, err := c.Push(ctx, rs)
			if err == nil && r.Taken != len(rs) {
				return fmt.Errorf("refused: %+v", r.Refused)
			}
			return err
		})
		pushed += len(rs)
	}
	var hour []web.PushReading
	for at := began.Add(-time.Hour).Truncate(time.Second); at.Before(began); at = at.Add(time.Minute) {
		hour = append(hour, web.PushReading{Probe: "panel-1", Time: &at, TempC: &warm})
	}
	push(hour...)
	// look waits for an estimate of this moment.
	look := func() (alpha float64, s web.Snapshot) {
		t.Helper()
		push(web.PushReading{Probe: "panel-1", TempC: &warm})
		from := time.Now()
		for end := from.Add(slack); ; time.Sleep(300 * time.Millisecond) {
			var err error
			if s, err = c.Snapshot(ctx); err == nil && len(s.Result.Coats) == 1 && s.Result.Coats[0].Alpha != nil && s.At.After(from.Add(-time.Second)) {
				return s.Result.Coats[0].Alpha.P50, s
			}
			if time.Now().After(end) {
				log, _ := g.sh("tail -20 /tmp/err")
				t.Fatalf("no estimate: %v, %+v\n%s", err, s.Result, log)
			}
		}
	}
	was, _ := look()
	last := time.Now()
	check := func(what string) web.Snapshot {
		t.Helper()
		is, s := look()
		// In so long this epoxy at 24 °C cures by less than one in a hundred a minute.
		if most := .01*time.Since(last).Minutes() + .002; math.Abs(is-was) > most {
			t.Errorf("%s: the degree of cure went from %.4f to %.4f in %v", what, was, is, time.Since(last).Round(time.Second))
		}
		if off := time.Since(s.At).Abs(); off > 30*time.Second {
			t.Errorf("%s: the daemon's time is %v off", what, off)
		}
		was, last = is, time.Now()
		var before time.Time
		n := 0
		for r, err := range c.Readings(ctx, "panel-1", began.Add(-2*time.Hour), time.Now().Add(time.Hour)) {
			testkit.OK(t, err)
			if !r.At.After(before) {
				t.Errorf("%s: a reading of %v comes after %v", what, r.At, before)
			}
			before = r.At
			n++
		}
		if n != pushed {
			t.Errorf("%s: %d readings of %d are there", what, n, pushed)
		}
		return s
	}
	off := time.Duration(0)
	for _, x := range []struct {
		step time.Duration
		say  string // to whoever stands there: from what it was before all of them
	}{{6 * time.Hour, "put forward by 6 h."}, {-12 * time.Hour, "put back by 6 h."}, {400*24*time.Hour + 6*time.Hour, "put forward by 400 days."}} {
		step := x.step
		off += step
		g.must("date -u -s @%d >/dev/null", time.Now().Add(off).Unix())
		what := "set by " + step.String()
		check(what)
		said := ""
		for end := time.Now().Add(slack); said == "" && time.Now().Before(end); time.Sleep(time.Second) {
			as, err := c.Alerts(ctx, false)
			testkit.OK(t, err)
			for _, a := range as {
				if a.Rule == alerts.ClockInDoubt && strings.Contains(a.Say, x.say) {
					said = a.Say
				}
			}
		}
		if said == "" {
			t.Errorf("%s: nobody says so", what)
		}
		t.Logf("%s: degree of cure %.4f, %d readings; %q", what, was, pushed, said)
	}
	g.must("kill -9 $(pidof curewright); while pidof curewright >/dev/null; do sleep 1; done")
	g.must("%s", start)
	for end := time.Now().Add(slack); ; time.Sleep(300 * time.Millisecond) {
		if _, err := c.Ready(ctx); err == nil {
			break
		} else if time.Now().After(end) {
			t.Fatal(err)
		}
	}
	check("started again")
}
