// SPDX-License-Identifier: Apache-2.0

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
	"curewright/sensors"
	"curewright/sensors/shopsim"
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
	InMemory       bool // asked without a network, as in a bubble of made-up time

	// Before is called before the server starts, to attach a tent; nil for none.
	Before func(*daemon.Daemon)

	// Shed is the simulated shed whose readings [Daemon.Advance] feeds; nil for
	// none. The panels shopsim.Panel1 and Panel2 are "lid-a" and "lid-b".
	Shed *shopsim.Config
}

// Daemon is a daemon that was started by [New]; its API is asked through the
// embedded [testkit.API].
type Daemon struct {
	*testkit.API
	*daemon.Daemon
	Clock  *daemon.LapseClock // stands until the test moves it with Put
	Config daemon.Config
	Server *web.Server

	shed *shopsim.Sim
}

var _ web.Backend = (*Daemon)(nil)

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
	d, err := daemon.New(daemon.Options{Config: cfg, Clock: clk, Log: testkit.NoLog(), ClockTrusted: !o.ClockUntrusted, Zone: o.Zone, Version: "test",
		Uptime: func() time.Duration { return time.Minute }}) // not this machine's: a date is judged by it
	testkit.OK(t, err)
	t.Cleanup(func() { d.Store().Close() })
	if o.Before != nil {
		o.Before(d)
	}
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: "test", LoopbackRole: web.Control}, d)
	testkit.OK(t, err)
	out := &Daemon{API: &testkit.API{T: t, Handler: srv.Handler()}, Daemon: d, Clock: clk, Config: cfg, Server: srv}
	if !o.InMemory {
		hs := httptest.NewServer(srv.Handler())
		t.Cleanup(hs.Close)
		out.API = &testkit.API{T: t, URL: hs.URL}
	}
	if o.Shed == nil {
		return out
	}
	out.shed = shopsim.New(*o.Shed)
	for _, p := range []struct{ id, name, role, panel string }{
		{shopsim.ShedAir, "Shed air", sensors.RoleAir, ""},
		{shopsim.Panel1, "Lid A witness", sensors.RolePanel, "lid-a"},
		{shopsim.Panel2, "Lid B witness", sensors.RolePanel, "lid-b"},
	} {
		testkit.OK(t, d.Sensors().Restore(p.id, "simulated", sensors.Meta{Name: p.name, Role: p.role, Panel: p.panel, Accepted: true}))
	}
	return out
}

// Advance moves the clock on by so much, with the simulated shed's readings of
// every minute where there is a shed, and evaluates everything once at the end.
// Nothing waits in real time.
func (d *Daemon) Advance(by time.Duration) {
	d.T.Helper()
	from := d.Clock.Now()
	for at := from.Add(time.Minute); !at.After(from.Add(by)); at = at.Add(time.Minute) {
		d.Clock.Put(at)
		if d.shed == nil {
			continue
		}
		var ps []sensors.Pushed
		for _, r := range d.shed.At(at) {
			if r.Probe == shopsim.Outdoor || r.Probe == shopsim.TentAir {
				continue
			}
			ps = append(ps, sensors.Pushed{Probe: r.Probe, Time: &r.At, Temp: r.Temp, RH: r.RH, CO2: r.CO2})
		}
		if _, refused := d.Sensors().Push(sensors.Source{Via: "simulated", Accept: true, ClockTrusted: true}, ps); len(refused) > 0 {
			d.T.Fatalf("the shed's readings of %v are refused: %+v", at, refused)
		}
	}
	d.Clock.Put(from.Add(by))
	testkit.OK(d.T, d.Evaluate(d.T.Context()))
}
