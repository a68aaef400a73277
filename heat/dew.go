// SPDX-License-Identifier: Apache-2.0

package heat

import "math"

// dewPoint is the temperature, °C, at which air of t °C and rh % relative
// humidity over water would drop water: Magnus' formula with the constants of
// WMO-No. 8, Annex 4.B, e_w = 6.112·exp(17.62·t/(243.12+t)) hPa, good to some
// hundredths of a kelvin between −45 and 60 °C. NaN outside 0 < rh ≤ 100.
//
// It is written out here because holding the tent must not depend on any other
// part of the program.
func dewPoint(t, rh float64) float64 {
	if !(rh > 0 && rh <= 100) || !(t > -45 && t < 90) {
		return math.NaN()
	}
	x := math.Log(rh/100) + 17.62*t/(243.12+t)
	return 243.12 * x / (17.62 - x)
}
