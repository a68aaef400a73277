// SPDX-License-Identifier: Apache-2.0

package pot_test

import (
	"fmt"

	"curewright/model/cure"
	"curewright/model/pot"
)

// A quarter of a kilo of the medium set in its usual cup, in a shed at 20 °C.
func ExampleSolve() {
	resin, _ := cure.Generic("medium")
	r, err := pot.Solve(pot.Query{Resin: resin, Grams: 250, Shape: pot.Cup, ShopC: 20})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s, peak %s\n", r.Verdict, r.PeakClass)
	fmt.Println(r.Say)
	// Output:
	// runaway, peak burning
	// Workable for about 14 min from mixing. Left standing it is too hot to hold after about 20 min, then it smokes. Pour it into a tray and carry on; do not set it down full.
}

// Resin for 1.4 m² of a 160 g/m² twill, from the fibre mass fraction that a
// hand reaches.
func ExampleNeed_Quantity() {
	cloth, _ := pot.ParseCloth("glass 160 twill")
	q, err := pot.Need{Kind: "wet-out", AreaM2: 1.4, Cloth: []pot.Cloth{cloth}}.Quantity()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.0f g, between %.0f and %.0f\n", q.Grams.Use, q.Grams.Low, q.Grams.High)
	// Output:
	// 258 g, between 194 and 356
}
