// SPDX-License-Identifier: Apache-2.0

package daemontest_test

import (
	"testing"
	"time"

	"curewright/internal/daemon/daemontest"
	"curewright/sensors/shopsim"
)

// A coat entered over the API is followed over the simulated shed: after a night
// of it the real daemon has an estimate from the panel's own probe.
func TestShed(t *testing.T) {
	d := daemontest.New(t, daemontest.Options{Shed: &shopsim.Config{Seed: 1}})
	d.Advance(time.Hour)
	d.Post("/api/v1/panels", map[string]any{"id": "lid-a", "probe": shopsim.Panel1, "air": shopsim.ShedAir, "core": "foam"})
	d.Post("/api/v1/coats", map[string]any{"id": "tack", "panel": "lid-a", "resin": "medium", "kind": "tack coat", "applied": d.Now()})
	d.Advance(2 * time.Hour)
	cs := d.Coats()
	if len(cs) != 1 || cs[0].Alpha == nil || cs[0].PanelFrom != "probe" || cs[0].DegradedMinutes > 1 {
		t.Fatalf("%+v", cs)
	}
	was := cs[0].Alpha.P50
	d.Advance(8 * time.Hour)
	if now := d.Coats()[0].Alpha.P50; now <= was {
		t.Errorf("the coat stands still: %.3f, %.3f eight hours later", was, now)
	}
}
