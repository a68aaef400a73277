// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"curewright/internal/testkit"
)

// What Linux shows of clock chips: the one that set the clock counts, one that
// can't be read does not.
func TestReadChip(t *testing.T) {
	at := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	s := strconv.FormatInt(at.Unix(), 10)
	for name, tt := range map[string]struct {
		files map[string]string
		want  string
	}{
		"none":               {map[string]string{}, ""},
		"one":                {map[string]string{"rtc0/name": "rtc-ds1307 1-0068\n", "rtc0/since_epoch": s + "\n", "rtc0/hctosys": "0\n"}, "rtc-ds1307 1-0068"},
		"can't be read":      {map[string]string{"rtc0/name": "rtc-ds1307 1-0068\n", "rtc0/hctosys": "1\n"}, ""},
		"the second set it":  {map[string]string{"rtc0/name": "soc", "rtc0/since_epoch": "17\n", "rtc0/hctosys": "0\n", "rtc1/name": "ds", "rtc1/since_epoch": s, "rtc1/hctosys": "1\n"}, "ds"},
		"no number in a try": {map[string]string{"rtc0/name": "a", "rtc0/since_epoch": "later\n", "rtc1/name": "b", "rtc1/since_epoch": s}, "b"},
	} {
		c, ok := readChip(testkit.Tree(t, tt.files))
		if ok != (tt.want != "") || c.Name != tt.want || ok && !c.At.Equal(at) {
			t.Errorf("%s: %+v %v, want %q", name, c, ok, tt.want)
		}
	}
}

// A clock chip's date counts once the chip has been seen right, and until it
// has gone back, run empty, or been changed for another. On an emulated board
// a chip that nobody had set was 58 days off, and believed.
func TestClockChip(t *testing.T) {
	dir := t.TempDir()
	now := time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC)
	chip := Chip{Name: "rtc-ds1307 1-0068", At: now}
	start := func(c Chip, wall time.Time) bool {
		t.Helper()
		d, err := New(Options{Config: configIn(dir), Clock: NewLapseClock(wall, 1), Log: testkit.NoLog(), Zone: time.UTC,
			Chip: func() (Chip, bool) { return c, true }, Synced: func() bool { return false }})
		testkit.OK(t, err)
		defer d.store.Close()
		return d.clockTrusted.Load()
	}
	days := func(n int) time.Time { return now.AddDate(0, 0, n) }
	if off := days(58); start(Chip{chip.Name, off}, off) {
		t.Error("a chip that nobody ever set is believed")
	}

	// A network or a phone vouches for the time, and the chip agrees.
	d, err := New(Options{Config: configIn(dir), Clock: NewLapseClock(now, 1), Log: testkit.NoLog(), Zone: time.UTC, ClockTrusted: true,
		Chip: func() (Chip, bool) { return chip, true }, Synced: func() bool { return true }})
	testkit.OK(t, err)
	d.watchChip()
	d.store.Close()

	for name, tt := range map[string]struct {
		chip Chip
		wall time.Time
		want bool
	}{
		"a week later":             {Chip{chip.Name, days(7)}, days(7), true},
		"after a winter":           {Chip{chip.Name, days(200)}, days(200), true},
		"a flat battery":           {Chip{chip.Name, time.Date(2000, 1, 1, 0, 0, 9, 0, time.UTC)}, time.Date(2000, 1, 1, 0, 0, 9, 0, time.UTC), false},
		"before it was seen right": {Chip{chip.Name, days(-1)}, days(-1), false},
		"a hundred years on":       {Chip{chip.Name, now.AddDate(99, 0, 0)}, now.AddDate(99, 0, 0), false},
		"another chip":             {Chip{"rtc-pcf8523 1-0068", days(7)}, days(7), false},
		"the clock is not its own": {Chip{chip.Name, days(7)}, days(9), false},
	} {
		if got := start(tt.chip, tt.wall); got != tt.want {
			t.Errorf("%s: trusted %v, want %v", name, got, tt.want)
		}
	}

	// Seen wrong against a time that is vouched for, it counts no more.
	testkit.OK(t, markChip(dir, Chip{chip.Name, days(7)}, days(8)))
	if start(Chip{chip.Name, days(9)}, days(9)) {
		t.Error("a chip that was seen a day off is believed")
	}
	testkit.Write(t, filepath.Join(dir, chipFile), "\x00\x00 half")
	if start(Chip{chip.Name, days(9)}, days(9)) {
		t.Error("a damaged mark makes a chip believed")
	}
}
