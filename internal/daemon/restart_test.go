// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"encoding/json"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// A restart resumes every open coat exactly: the same estimate to the last
// digit.
func TestRestartIsExact(t *testing.T) {
	rows := testkit.Office(t, 0)
	dir := t.TempDir()
	live := newLiveDaemon(t, dir, rows[0].At)
	live.Post("/api/v1/panels", map[string]any{"id": "lid", "probe": "shed-air", "air": "shed-air", "core": "foam"})
	var batch []web.PushReading
	for i, r := range rows[:700] {
		at := r.At
		batch = append(batch, web.PushReading{Probe: "shed-air", Time: &at, TempC: testkit.Round4(r.C), RHPct: testkit.Round4(r.RH)})
		if len(batch) == 20 {
			live.clk.Put(at)
			live.Push(batch)
			batch = nil
			testkit.OK(t, live.d.Evaluate(t.Context()))
		}
		if i == 200 {
			live.Post("/api/v1/coats", map[string]any{"id": "a", "panel": "lid", "resin": "medium", "kind": "fill coat", "applied": at.Add(-time.Minute)})
		}
		if i == 420 {
			live.Post("/api/v1/coats/a/feels", map[string]any{"at": at, "state": "tacky"})
		}
	}
	estimate := func(l *liveDaemon) string {
		testkit.OK(t, l.d.Evaluate(t.Context()))
		b, err := json.Marshal(l.d.snap.Load().Result)
		testkit.OK(t, err)
		return string(b)
	}
	before := estimate(live)
	at := live.clk.Now()
	testkit.OK(t, live.d.store.Close())
	if after := estimate(newLiveDaemon(t, dir, at)); after != before {
		t.Errorf("after a restart:\n%s\nbefore:\n%s", after, before)
	}
}
