// SPDX-License-Identifier: Apache-2.0

package air_test

import (
	"fmt"

	"curewright/model/air"
)

// A warm, damp morning meets a panel that is still cold from the night.
func Example() {
	panel := 15.0
	r, err := air.Point(20, 70, &panel, air.StandardPressure)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("dew point %.1f °C, panel %.1f K above it, humidity at the panel %.0f %%\n",
		r.DewPointC, *r.DewMarginK, *r.PanelRHPct)
	// Output: dew point 14.4 °C, panel 0.6 K above it, humidity at the panel 96 %
}
