// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"strings"
	"testing"
	"time"
)

// A time to come is the next of its name.
func TestAhead(t *testing.T) {
	sat := time.Date(2026, 10, 10, 18, 30, 0, 0, time.FixedZone("shed", 3600)) // a Saturday
	for s, want := range map[string]string{
		"19:00": "Sat 10 19:00", "07:00": "Sun 11 07:00", "18:30": "Sun 11 18:30", "Sun 12:00": "Sun 11 12:00",
		"sat 18:00": "Sat 17 18:00", "Saturday 19:00": "Sat 10 19:00", "2026-10-12T06:00:00+01:00": "Mon 12 06:00", "": "", "noon": "", "S 12:00": "", "Foo 12:00": "", "25:00": "",
	} {
		got, ok := ahead(s, sat)
		if ok != (want != "") || ok && got.Format("Mon 2 15:04") != want {
			t.Errorf("%q: %v %v, want %q", s, got, ok, want)
		}
	}
}

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

// A time to keep to is rounded down, and one that does not end is no "never".
func TestTimesToKeepTo(t *testing.T) {
	for m, want := range map[float64]string{.4: "less than a minute", 7.9: "7 min", 95.9: "1.5 h", 185.9: "3.0 h"} {
		if got := (&App{}).within(&m); got != want {
			t.Errorf("%g min: %q, want %q", m, got, want)
		}
	}
	if got := (&App{}).within(nil); strings.Contains(got, "never") {
		t.Errorf("no end within 12 h: %q", got)
	}
}

// At a terminal the answer to "did it reach you" is read from it.
func TestYesOrNo(t *testing.T) {
	for text, want := range map[string]string{"yes\n": "yes", "Y\r\n": "yes", "no": "no", "": "", "perhaps\n": ""} {
		if got := yesOrNo(strings.NewReader(text)); got != want {
			t.Errorf("the answer %q is taken as %q, want %q", text, got, want)
		}
	}
}
