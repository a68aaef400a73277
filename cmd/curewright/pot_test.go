// SPDX-License-Identifier: Apache-2.0

package main

import (
	"math"
	"strings"
	"testing"
)

// A filled joint: filler makes no heat, and what lies behind the faces takes
// some up. The adiabatic rise of a mass with w of filler is H(1−w) over the
// mean specific heat, by definition; H 420, 1.8 and .8 J/(g·K) are the
// defaults, from memory.
func TestPotOfFilledJoint(t *testing.T) {
	base := []string{"pot", "--resin", "medium", "--grams", "400", "--shape", "bond", "--depth-mm", "12", "--shop", "20", "--json"}
	get := func(more ...string) map[string]any { return oneObject(t, cmdOK(t, append(base, more...)...)) }
	bare, filled := get(), get("--filler", "20")
	if got, want := filled["adiabatic_rise_k"].(float64), 420*.8/(.8*1.8+.2*.8); math.Abs(got-want) > .01 {
		t.Errorf("a rise of %.2f K with a fifth of filler, want %.2f", got, want)
	}
	work := func(m map[string]any) float64 { return m["work_minutes"].(float64) }
	if !(work(filled) > work(bare)) {
		t.Errorf("%.1f min with filler, %.1f without: filler makes no heat", work(filled), work(bare))
	}
	// 600·1600·.009: the plywood's density, specific heat and thickness.
	if backed := get("--substrate", "8640"); !(work(backed) > work(bare)) {
		t.Errorf("%.1f min on plywood, %.1f on nothing", work(backed), work(bare))
	}
	if in := get("--internal"); !(in["psi"].(float64) > bare["psi"].(float64)) {
		t.Errorf("psi %v with the resistance inside, %v without", in["psi"], bare["psi"])
	}
	// Buried, it is judged by conduction as well: never milder.
	rank := map[any]int{"low": 0, "caution": 1, "runaway": 2}
	thin := []string{"pot", "--resin", "slow", "--grams", "60", "--shape", "tray", "--depth-mm", "4", "--shop", "15", "--json"}
	if a, b := oneObject(t, cmdOK(t, thin...)), oneObject(t, cmdOK(t, append(thin, "--insulated")...)); rank[b["verdict"]] < rank[a["verdict"]] || a["verdict"] == nil {
		t.Errorf("%v when buried, %v in the open", b["verdict"], a["verdict"])
	}

	code, _, errs := runCmd(t, "pot", "--resin", "medium", "--grams", "100", "--shop", "20", "--filler", "95", "--substrate", "9000")
	for _, w := range []string{"--filler: 95 %", "--substrate: only a bond"} {
		if !strings.Contains(errs, w) {
			t.Errorf("%q is not said:\n%s", w, errs)
		}
	}
	if n := strings.Count(errs, "\n"); code != exitUsage || n != 2 {
		t.Errorf("exit %d, %d lines, want 2 and 2:\n%s", code, n, errs)
	}
}
