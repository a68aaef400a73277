// SPDX-License-Identifier: Apache-2.0

package cli

import (
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
