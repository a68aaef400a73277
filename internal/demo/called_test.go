// SPDX-License-Identifier: Apache-2.0

package demo

import (
	"testing"
	"time"

	"curewright/alerts"
	"curewright/internal/daemon"
	"curewright/internal/testkit"
	"curewright/sensors/shopsim"
)

// In the demo's first hour nobody is called twice for one thing: a rule fires
// at most once for a coat, cup or probe, and at no time do two calls for hands
// stand for one of them. The hour begins with the day's work so far.
func TestNobodyIsCalledTwice(t *testing.T) {
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = t.TempDir()
	cfg.Shop.Air = shopsim.ShedAir
	cfg.Sleep = daemon.SleepSection{From: "22:30", To: "06:30"}
	s, err := OpenShow(t.Context(), cfg, shopsim.New(shopsim.Config{Seed: 1}), 1, testkit.NoLog())
	testkit.OK(t, err)
	t.Cleanup(func() { s.Daemon.Store().Close() })
	type call struct{ rule, subject string }
	fired := map[call]map[string]bool{}
	all := 0
	for at := demoOpen.Add(shedStep); !at.After(demoOpen.Add(time.Hour)); at = at.Add(shedStep) {
		s.clk.Put(at)
		testkit.OK(t, s.advance(t.Context(), at))
		testkit.OK(t, s.Daemon.Evaluate(t.Context()))
		standing := map[string]string{}
		for _, a := range snapshot(t, s).Alerts {
			if a.FiredAt == nil {
				continue
			}
			k := call{a.Rule, a.Subject}
			if fired[k] == nil {
				fired[k] = map[string]bool{}
			}
			if n := a.FiredAt.String(); !fired[k][n] {
				fired[k][n] = true
				all++
				t.Logf("%s %s %v: %s", at.Format("15:04"), a.Severity, k, a.Say)
			}
			if a.Severity == alerts.Note || a.State != "firing" {
				continue
			}
			if other := standing[a.Subject]; other != "" {
				t.Errorf("%s: %s calls by %s and by %s", at.Format("15:04"), a.Subject, other, a.Rule)
			}
			standing[a.Subject] = a.Rule
		}
	}
	for k, times := range fired {
		if len(times) > 1 {
			t.Errorf("%v called %d times", k, len(times))
		}
	}
	if all == 0 {
		t.Error("nobody was called at all: this hour shows nothing")
	}
}
