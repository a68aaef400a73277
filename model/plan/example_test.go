// SPDX-License-Identifier: Apache-2.0

package plan_test

import (
	"context"
	"fmt"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/plan"
)

// Two coats in a shed that stays at 20 °C: the fill coat goes on once the
// first has stopped sticking.
func ExamplePlan() {
	medium, _ := cure.Generic("medium")
	air := make([]float64, 289)
	for i := range air {
		air[i] = 20
	}
	shop := time.FixedZone("", 3600)
	start := time.Date(2026, 10, 10, 8, 0, 0, 0, shop)
	area := 1.4
	r, err := plan.Plan(context.Background(), plan.Job{
		Start: start, Loc: shop, Hours: []plan.Hours{{From: 8 * 60, To: 20 * 60}},
		Resins:   map[string]cure.Resin{"medium": medium},
		Learned:  map[string]plan.Kappa{"medium": {Mean: 0, SD: 0.05}}, // a lot that has been felt before
		Forecast: plan.Forecast{Start: start, Step: 15 * time.Minute, Air: [][]float64{air, air, air, air, air}},
		Panels:   []coat.Panel{{ID: "lid", Core: "foam", AreaM2: &area}},
		Steps: []job.Step{
			{ID: "wet-out", Panel: "lid", Do: "coat", Coat: "wet-out", Cloth: "glass 160 twill", Resin: "medium"},
			{ID: "fill", Panel: "lid", Do: "coat", Coat: "fill coat", Resin: "medium", When: "fill"},
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range r.Steps {
		fmt.Println(s.At.Format("15:04"), s.Say)
	}
	// Output:
	// 08:00 Wet out the cloth at 08:00.
	// 12:35 Roll the fill coat on between 12:35 and 14:05, while it no longer flows and a nail still dents it, best once it stopped sticking.
}
