package plan

import (
	"math"
	"testing"
	"time"

	"curewright/model/cure"
)

var shed = time.FixedZone("shed", 3600)

// weekend is a shed in October: a daily swing about a mean that differs from
// member to member.
func weekend(members int, mean, swing, doubt float64) Forecast {
	f := Forecast{Start: time.Date(2026, 10, 10, 6, 0, 0, 0, shed), Step: 15 * time.Minute}
	for m := range members {
		z := normalQuantile((float64((m*7)%members) + 0.5) / float64(members))
		p := make([]float64, 72*4+1)
		for i := range p {
			h := float64(i) / 4
			p[i] = mean + doubt*z + swing*math.Cos((h-9)/24*2*math.Pi)
		}
		f.Air = append(f.Air, p)
	}
	return f
}

func generics(t testing.TB) map[string]cure.Resin {
	out := map[string]cure.Resin{}
	for _, n := range []string{"fast", "medium", "slow"} {
		r, ok := cure.Generic(n)
		if !ok {
			t.Fatalf("no generic set %q", n)
		}
		out[n] = r
	}
	return out
}

func ptr[T any](v T) *T { return &v }

// lids is the layup of two locker lids: twelve steps on two panels.
func lids(t testing.TB, members int) Job {
	var steps []Step
	for _, p := range []string{"lid-a", "lid-b"} {
		steps = append(steps,
			Step{ID: p + " joints", Panel: p, Do: "coat", Kind: "bond", Resin: "medium", AreaM2: ptr(0.05), WorkMinutes: ptr(20.0)},
			Step{ID: p + " tack", Panel: p, Do: "coat", Kind: "tack coat", Resin: "medium", WorkMinutes: ptr(20.0)},
			Step{ID: p + " aramid", Panel: p, Do: "cloth", Cloth: "aramid 170 plain", When: "tacky", Of: p + " tack", WorkMinutes: ptr(20.0)},
			Step{ID: p + " glass", Panel: p, Do: "coat", Kind: "wet-out", Cloth: "glass 160 twill", Resin: "medium", When: "recoat", Of: p + " tack", WorkMinutes: ptr(35.0)},
			Step{ID: p + " fill", Panel: p, Do: "coat", Kind: "fill coat", Resin: "medium", When: "fill", Of: p + " glass", WorkMinutes: ptr(20.0)},
			Step{ID: p + " sand", Panel: p, Do: "sand", When: "hard", Of: p + " fill", WorkMinutes: ptr(40.0)},
		)
	}
	return Job{
		Start: time.Date(2026, 10, 10, 8, 0, 0, 0, shed), Loc: shed, Hours: []Hours{{8 * 60, 20 * 60}},
		Panels: []Panel{{ID: "lid-a", Core: "foam", AreaM2: ptr(1.4)}, {ID: "lid-b", Core: "foam", AreaM2: ptr(1.4)}},
		Steps:  steps, Resins: generics(t), Forecast: weekend(members, 16, 4, 1.2),
	}
}

func BenchmarkPlan(b *testing.B) {
	j := lids(b, 200)
	j.Forecast = weekend(200, 17, 4, 1.2)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Plan(j); err != nil {
			b.Fatal(err)
		}
	}
}
