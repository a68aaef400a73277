// SPDX-License-Identifier: Apache-2.0

package job

import (
	"testing"
	"time"
	_ "time/tzdata"
)

// A night is from clock time to clock time: an hour longer or shorter where the
// clocks change in it, and right in zones with half and quarter hours (IANA
// time zone database).
func TestNightByTheClock(t *testing.T) {
	for _, tt := range []struct {
		zone string
		now  time.Time // evening, in UTC
		long time.Duration
	}{
		{"Europe/Berlin", time.Date(2026, 10, 10, 18, 0, 0, 0, time.UTC), 8 * time.Hour},
		{"Europe/Berlin", time.Date(2026, 10, 24, 18, 0, 0, 0, time.UTC), 9 * time.Hour},
		{"Europe/Berlin", time.Date(2026, 3, 28, 18, 0, 0, 0, time.UTC), 7 * time.Hour},
		{"Asia/Kathmandu", time.Date(2026, 10, 10, 14, 0, 0, 0, time.UTC), 8 * time.Hour},
		{"Australia/Adelaide", time.Date(2026, 10, 3, 11, 0, 0, 0, time.UTC), 7 * time.Hour},
		{"Australia/Lord_Howe", time.Date(2026, 10, 3, 11, 0, 0, 0, time.UTC), 7*time.Hour + 30*time.Minute},
	} {
		loc, err := time.LoadLocation(tt.zone)
		if err != nil {
			t.Fatal(err)
		}
		s := Settings{Loc: loc, SleepFrom: 22*60 + 30, SleepTo: 6*60 + 30}
		n := asleep(tt.now, s, nil)
		if n == nil || n.To.Sub(n.From) != tt.long || n.From.In(loc).Format("15:04") != "22:30" || n.To.In(loc).Format("15:04") != "06:30" {
			t.Errorf("%s: %+v, want %v from 22:30 to 06:30", tt.zone, n, tt.long)
		}
	}
}
