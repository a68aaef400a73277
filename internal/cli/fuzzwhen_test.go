// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"strings"
	"testing"
	"time"
)

// A time as people say it is a moment or a fault; what is "ago" is never to
// come, and a moment written out is read again as the same.
func FuzzWhen(f *testing.F) {
	for _, s := range []string{"now", "15m", "1h30m ago", "14:05", "23:59", "2026-10-10T14:05:00+01:00", "-5m", "24:00", "9:5", "1e9h", ""} {
		f.Add(s)
	}
	zone := time.FixedZone("shed", 3600)
	now := time.Date(2026, 10, 10, 0, 30, 0, 0, zone)
	f.Fuzz(func(t *testing.T, s string) {
		at, err := when("at", s, now)
		if err != nil {
			if !strings.Contains(err.Error(), "--at") {
				t.Errorf("%q: %v does not name the flag", s, err)
			}
			return
		}
		if at.After(now.Add(time.Hour)) {
			// Only a date written out can be to come.
			if _, err := time.Parse(time.RFC3339, s); err != nil {
				t.Errorf("%q is %v, %v is now", s, at, now)
			}
		}
		if y := at.Year(); y < 0 || y > 9999 {
			return // RFC 3339 has four digits
		}
		again, err := when("at", at.Format(time.RFC3339Nano), now)
		if err != nil || !again.Equal(at) {
			t.Errorf("%q is %v, and written out %v (%v)", s, at, again, err)
		}
	})
}
