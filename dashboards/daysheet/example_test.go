// SPDX-License-Identifier: Apache-2.0

package daysheet_test

import (
	"bytes"
	"fmt"
	"time"

	"curewright/dashboards/daysheet"
	"curewright/model/plan"
)

// One step as the phone gets it.
func ExampleICS() {
	at := time.Date(2026, 10, 10, 9, 40, 0, 0, time.FixedZone("", 3600))
	res := plan.Result{Steps: []plan.Planned{{
		Step: "tack", Panel: "lid-outer", Do: "coat", Coat: "tack coat", At: at, Until: at.Add(20 * time.Minute),
		Say: "Roll the tack coat on at 09:40.",
	}}}
	ics := daysheet.ICS(res, daysheet.Options{Title: "Locker lids", Made: at.Add(-12 * time.Hour)})
	for _, l := range bytes.Split(ics, []byte("\r\n")) {
		if bytes.HasPrefix(l, []byte("DTSTART")) || bytes.HasPrefix(l, []byte("SUMMARY")) || bytes.HasPrefix(l, []byte("TRIGGER")) {
			fmt.Println(string(l))
		}
	}
	// Output:
	// DTSTART:20261010T084000Z
	// SUMMARY:tack coat\, lid-outer
	// TRIGGER:-PT10M
}
