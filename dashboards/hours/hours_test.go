// SPDX-License-Identifier: Apache-2.0

package hours

import (
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
)

// Zones and their changes of clock are those of the IANA time zone database,
// which is in Go's own distribution.
func TestTicks(t *testing.T) {
	for _, tt := range []struct {
		zone, from, to string // RFC 3339
		step           int
		want           string
	}{
		{"Europe/Berlin", "2026-10-10T08:10:00+02:00", "2026-10-10T20:00:00+02:00", 3, "09:00 12:00 15:00 18:00"},
		// UTC+05:30 and UTC+05:45: round hours of the wall, not of UTC.
		{"Asia/Kolkata", "2026-10-10T08:10:00+05:30", "2026-10-10T12:00:00+05:30", 1, "09:00 10:00 11:00 12:00"},
		{"Asia/Kathmandu", "2026-10-10T22:10:00+05:45", "2026-10-11T01:00:00+05:45", 1, "23:00 [Sun 00:00] 01:00"},
		{"Australia/Adelaide", "2026-10-03T23:30:00+09:30", "2026-10-04T05:00:00+10:30", 1, "[Sun 00:00] 01:00 03:00 04:00 05:00"}, // no 02:00 that night
		// A night of 25 hours' day: 02:00 comes twice and is drawn once; six
		// hours later is 06:00, not 05:00.
		{"Europe/Berlin", "2026-10-24T22:00:00+02:00", "2026-10-25T13:00:00+01:00", 1,
			"22:00 23:00 [Sun 00:00] 01:00 02:00 03:00 04:00 05:00 06:00 07:00 08:00 09:00 10:00 11:00 12:00 13:00"},
		{"Europe/Berlin", "2026-10-24T22:00:00+02:00", "2026-10-26T07:00:00+01:00", 6, "[Sun 00:00] 06:00 12:00 18:00 [Mon 00:00] 06:00"},
		{"America/New_York", "2026-03-07T20:00:00-05:00", "2026-03-08T08:00:00-04:00", 2, "20:00 22:00 [Sun 00:00] 04:00 06:00 08:00"},
		// Half an hour's change.
		{"Australia/Lord_Howe", "2026-10-03T23:00:00+10:30", "2026-10-04T04:00:00+11:00", 1, "23:00 [Sun 00:00] 01:00 03:00 04:00"},
		// Clocks that go on at midnight: the day begins at one.
		{"America/Santiago", "2026-09-05T22:00:00-04:00", "2026-09-06T04:00:00-03:00", 2, "22:00 [Sun 01:00] 02:00 04:00"},
		{"Europe/Berlin", "2026-10-23T12:00:00+02:00", "2026-10-28T12:00:00+01:00", 24, "[Sat 00:00] [Sun 00:00] [Mon 00:00] [Tue 00:00] [Wed 00:00]"},
	} {
		loc, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, k := range Ticks(parse(t, tt.from), parse(t, tt.to), tt.step, loc) {
			if k.Day {
				got = append(got, k.At.Format("[Mon 15:04]"))
			} else {
				got = append(got, k.At.Format("15:04"))
			}
		}
		if s := strings.Join(got, " "); s != tt.want {
			t.Errorf("%s %s, every %d h:\n got %s\nwant %s", tt.zone, tt.from, tt.step, s, tt.want)
		}
	}
	// Every second day only.
	loc := time.UTC
	days := Ticks(time.Date(2026, 10, 1, 12, 0, 0, 0, loc), time.Date(2026, 10, 8, 0, 0, 0, 0, loc), 48, loc)
	gaps := []time.Duration{}
	for i := 1; i < len(days); i++ {
		gaps = append(gaps, days[i].At.Sub(days[i-1].At))
	}
	if len(days) < 3 || slices.Max(gaps) != 48*time.Hour || slices.Min(gaps) != 48*time.Hour {
		t.Errorf("every second day: %v", days)
	}
}

func parse(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}
