// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// liveDaemon is a daemon with a clock that a test moves, behind its own
// server on loopback.
type liveDaemon struct {
	*testkit.API
	t   testing.TB
	d   *Daemon
	clk *LapseClock
}

// configIn is the default configuration with its store in a folder.
func configIn(dir string) Config {
	c := DefaultConfig()
	c.Store.Path = dir
	return c
}

func newLiveDaemon(t testing.TB, dir string, at time.Time) *liveDaemon {
	t.Helper()
	cfg := configIn(dir)
	clk := NewLapseClock(at, 1)
	d, err := New(Options{Config: cfg, Clock: clk, Log: testkit.NoLog(), ClockTrusted: true, Zone: time.UTC})
	testkit.OK(t, err)
	t.Cleanup(func() { d.store.Close() })
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "test", LoopbackRole: web.Control}, d)
	testkit.OK(t, err)
	hs := httptest.NewServer(srv.Handler())
	t.Cleanup(hs.Close)
	return &liveDaemon{API: &testkit.API{T: t, URL: hs.URL}, t: t, d: d, clk: clk}
}

// create enters a record as a helper in the shop does.
func create(t testing.TB, d *Daemon, kind, body string) {
	t.Helper()
	_, _, err := d.Create(t.Context(), web.Who{Name: "helper"}, kind, []byte(body), "")
	testkit.OK(t, err)
}

// What the API says it takes is what it takes, at both ends; all faults at once.
func TestSettingsHaveOneCheck(t *testing.T) {
	live := newLiveDaemon(t, t.TempDir(), time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC))
	for low, want := range map[float64]int{web.LowMinC: 200, web.LowMaxC: 200, web.LowMinC - 1: 400, web.LowMaxC + 1: 400} {
		if code, body := live.Raw("PUT", "/api/v1/settings", []byte(fmt.Sprintf(`{"low_c":%g}`, low))); code != want || want == 400 && !strings.Contains(string(body), "from -30 to 35") {
			t.Errorf("%g °C: %d %s", low, code, body)
		}
	}
	code, body := live.Raw("PUT", "/api/v1/settings", []byte(`{"low_c":99,"sleep_from":"22:30","units":"kelvin"}`))
	for _, field := range []string{"low_c", "sleep_to", "units"} {
		if code != 400 || !strings.Contains(string(body), field) {
			t.Errorf("%d, %s is not among the faults: %s", code, field, body)
		}
	}
}
