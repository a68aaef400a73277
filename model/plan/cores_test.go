// SPDX-License-Identifier: Apache-2.0

package plan

import (
	"reflect"
	"runtime"
	"testing"
)

// A plan is the same however many processors look for it.
func TestPlanOnAnyCores(t *testing.T) {
	j := lids(t, 60)
	j.Forecast = weekend(60, 15, 4, 1.2)
	was := runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(was)
	one, err := Plan(t.Context(), j)
	if err != nil || len(one.Steps) == 0 {
		t.Fatal(one, err)
	}
	for _, n := range []int{2, 7} {
		runtime.GOMAXPROCS(n)
		more, err := Plan(t.Context(), j)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(one, more) {
			t.Errorf("with %d: %+v\nwith one: %+v", n, more, one)
		}
	}
}

// A fault in a trial ends the plan that was asked for and nothing else.
func TestPanicOfATrialIsTheCallers(t *testing.T) {
	defer func() {
		if p := recover(); p != "torn" {
			t.Errorf("recovered %v", p)
		}
	}()
	each(make([]*judge, 3), 9, func(_ *judge, k int) {
		if k == 4 {
			panic("torn")
		}
	})
	t.Error("no panic came through")
}
