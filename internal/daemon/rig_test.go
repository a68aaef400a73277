package daemon

import (
	"net/http/httptest"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/testkit"
)

// liveDaemon is a daemon with a clock that a test moves, behind its own
// server on loopback.
type liveDaemon struct {
	*testkit.API
	t   *testing.T
	d   *Daemon
	clk *LapseClock
}

func newLiveDaemon(t *testing.T, dir string, at time.Time) *liveDaemon {
	t.Helper()
	cfg := DefaultConfig()
	cfg.Store.Path = dir
	clk := NewLapseClock(at, 1)
	d, err := New(Options{Config: cfg, Clock: clk, Log: testkit.NoLog(), ClockTrusted: true, Zone: time.UTC})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.store.Close() })
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "test", LoopbackRole: web.Control}, d)
	if err != nil {
		t.Fatal(err)
	}
	hs := httptest.NewServer(srv.Handler())
	t.Cleanup(hs.Close)
	return &liveDaemon{API: &testkit.API{T: t, URL: hs.URL}, t: t, d: d, clk: clk}
}
