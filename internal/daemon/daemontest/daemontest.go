// Package daemontest runs the real daemon in a test: in this process, in a
// temporary folder, behind its own server on loopback, by a clock that the test
// moves. Nothing that runs outside a test may import it.
package daemontest

import (
	"net/http/httptest"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/daemon"
	"curewright/internal/testkit"
)

// Options say what the daemon starts from. The zero value is an empty store in
// a temporary folder, on Saturday 10 October 2026 at 08:00 UTC, with the date
// known.
type Options struct {
	Dir    string         // folder of the store; "" for a temporary one
	At     time.Time      // what the clock shows
	Zone   *time.Location // the shop's; nil is UTC
	Change func(*daemon.Config)

	ClockUntrusted bool // the board does not know the date
}

// Daemon is a daemon that was started by [New]; its API is asked through the
// embedded [testkit.API].
type Daemon struct {
	*testkit.API
	*daemon.Daemon
	Clock  *daemon.LapseClock // stands until the test moves it with Put
	Config daemon.Config
	Server *web.Server
}

// New starts a daemon; the end of the test stops it.
func New(t testing.TB, o Options) *Daemon {
	t.Helper()
	cfg := daemon.DefaultConfig()
	if cfg.Store.Path = o.Dir; o.Dir == "" {
		cfg.Store.Path = t.TempDir()
	}
	if o.Change != nil {
		o.Change(&cfg)
	}
	if o.At.IsZero() {
		o.At = time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	clk := daemon.NewLapseClock(o.At, 1)
	d, err := daemon.New(daemon.Options{Config: cfg, Clock: clk, Log: testkit.NoLog(), ClockTrusted: !o.ClockUntrusted, Zone: o.Zone, Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.Store().Close() })
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "test", LoopbackRole: web.Control}, d.Backend())
	if err != nil {
		t.Fatal(err)
	}
	hs := httptest.NewServer(srv.Handler())
	t.Cleanup(hs.Close)
	return &Daemon{API: &testkit.API{T: t, URL: hs.URL}, Daemon: d, Clock: clk, Config: cfg, Server: srv}
}
