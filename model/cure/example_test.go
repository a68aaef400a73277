// SPDX-License-Identifier: Apache-2.0

package cure_test

import (
	"fmt"

	"curewright/model/cure"
)

// A generic fast resin in a warm shed.
func Example() {
	r, _ := cure.Generic(cure.Fast)
	s := cure.Steady(r, 27, 1, true)
	fmt.Printf("tacky after %.0f min, recoat from %.0f to %.0f min\n",
		*s.TimesMin.Tacky, *s.TimesMin.RecoatOpens, *s.TimesMin.RecoatCloses)
	// Output: tacky after 45 min, recoat from 62 to 149 min
}

// Degree of cure over a night that cools from 20 to 10 °C, by readings.
func ExampleIntegrator_Advance() {
	r, _ := cure.Generic(cure.Medium)
	it := cure.NewIntegrator(r)
	alpha, kappa := make([]float64, 3), []float64{0.8, 1, 1.25}
	for h := 0.0; h < 12; h++ {
		it.Advance(alpha, kappa, 3600, 20-h*10/12, 20-(h+1)*10/12)
	}
	fmt.Printf("%.2f\n", alpha)
	// Output: [0.63 0.67 0.70]
}
