// SPDX-License-Identifier: Apache-2.0

package job

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/model/coat"
)

// TestHeld: over a stretch whose length is a doubtful date's word no coat cures,
// whatever the length; after it nothing is claimed until a finger says, and then
// the finger is believed, be it near what was known before or far from it. The
// coat of before, with its readings only, is the measure.
func TestHeld(t *testing.T) {
	const stop = 3.0
	w := mustParse(t, strings.Split(lidJob, "[[feel]]")[0]).Work
	steady := func(extra float64) float64 { // of h hours with readings
		e := NewEstimator(Options{NoCheckpoints: true})
		res, err := e.Estimate(after(extra), &w, shed(-1, extra, still(20), 60), Settings{})
		if err != nil || len(res.Coats) != 1 || res.Coats[0].Alpha == nil {
			t.Fatalf("%+v, %v", res.Coats, err)
		}
		return res.Coats[0].Alpha.P50
	}
	for _, away := range []float64{48, 5 * 365 * 24} {
		tb := shed(-1, stop, still(20), 60)
		again := stop + away
		for m := 0.0; m <= 12*60; m++ {
			at := after(again).Add(time.Duration(m) * time.Minute)
			tb.Add("panel-1", Sample{at, 20, math.NaN(), math.NaN()})
			tb.Add("shed-air", Sample{at, 20, 60, math.NaN()})
		}
		set := Settings{Held: []coat.Span{{From: after(stop), To: after(again)}}}
		e := NewEstimator(Options{})
		look := func(e *Estimator, w *coat.Work, h float64) coat.Estimate {
			t.Helper()
			res, err := e.Estimate(after(h), w, tb, set)
			if err != nil || len(res.Coats) != 1 {
				t.Fatalf("%+v, %v", res.Coats, err)
			}
			return res.Coats[0]
		}
		for _, h := range []float64{0, 0.02, 0.5, 1, 4, 10} {
			got := look(e, &w, again+h)
			if want := steady(stop + h); got.Alpha == nil || math.Abs(got.Alpha.P50-want) > 0.005 {
				t.Errorf("%g h on after %g h away: α %+v, want %.4f", h, away, got.Alpha, want)
			}
			if got.State != coat.Unknown || !slices.Contains(got.UnknownWhy, coat.Gap) {
				t.Errorf("%g h on after %g h away: %s %v, want not known", h, away, got.State, got.UnknownWhy)
			}
			if x := got.NextWindow; x != nil && (x.Permits || x.Status == "open") {
				t.Errorf("%g h on after %g h away the window is open: %+v", h, away, x)
			}
			if fresh := look(NewEstimator(Options{NoCheckpoints: true}), &w, again+h); *fresh.Alpha != *got.Alpha {
				t.Errorf("a checkpoint changes α: %v, %v", *fresh.Alpha, *got.Alpha)
			}
		}
		for _, found := range []coat.State{coat.Tacky, coat.Hard} {
			felt := w
			felt.Feels = []coat.Feel{{Coat: "tack", At: after(again + 0.25), State: found}}
			if got := look(NewEstimator(Options{}), &felt, again+0.5); got.State != found {
				t.Errorf("felt %s after %g h away, said %s %v", found, away, got.State, got.UnknownWhy)
			}
		}
	}
}
