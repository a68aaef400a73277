// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"errors"
	"strings"
	"testing"
	"time"
)

func TestCheckSections(t *testing.T) {
	drivers := map[string]bool{"ds18b20": true, "sht4x": true}
	good := []ConfigSection{
		{ID: "shed-air", Driver: "sht4x", Bus: "i2c-1:0x44", Role: "air"},
		{ID: "panel-1", Driver: "ds18b20", Bus: "w1:28-01", Role: "panel", Every: Duration(10 * time.Second), Stale: Duration(time.Minute)},
		{ID: "loft", Driver: "mqtt"},
	}
	if errs := CheckSections(good, drivers); len(errs) != 0 {
		t.Fatalf("good sections refused: %v", errs)
	}
	bad := []ConfigSection{
		{ID: "a", Driver: "sht4x", Bus: "i2c-1:0x44"},
		{ID: "a", Driver: "sht9x", Bus: "x", Role: "roof"},
		{ID: "b c", Driver: "ds18b20", Bus: "", Every: Duration(time.Millisecond), Stale: Duration(time.Microsecond)},
		{ID: "d", Driver: "sht4x", Bus: "i2c-1:0x44"},
		{ID: "e", Driver: "push", Bus: "i2c-1"},
		{},
	}
	for every, want := range map[Duration]string{
		Duration(-time.Second):  "-1s is below 1s", // no number without a unit
		10:                      `10 has no unit: write it as "10s"`,
		Duration(2 * time.Hour): "2h0m0s is above 1h",
	} {
		if got := errors.Join(CheckSections([]ConfigSection{{ID: "a", Driver: "push", Every: every}}, drivers)...); got == nil || !strings.HasSuffix(got.Error(), want) {
			t.Errorf("every %d: %v, want %s", every, got, want)
		}
	}
	got := errors.Join(CheckSections(bad, drivers)...).Error()
	for _, want := range []string{
		"probe[1].id", "probe[1].driver", "probe[1].role",
		"probe[2].id", "probe[2].bus", "probe[2].every", "probe[2].stale",
		"probe[3].bus", "probe[4].bus", "probe[5].id", "probe[5].driver",
	} {
		if !strings.Contains(got, want+":") {
			t.Errorf("no fault at %s in:\n%s", want, got)
		}
	}
}
