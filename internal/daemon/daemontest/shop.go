// SPDX-License-Identifier: Apache-2.0

package daemontest

import (
	"context"
	"encoding/json"
	"sync/atomic"
	"testing"
	"time"

	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/internal/daemon"
	"curewright/internal/testkit"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/sensors"
)

// ShopAt is what the clock of a [NewShop] shows: a Saturday morning in October.
var ShopAt = time.Date(2026, 10, 10, 11, 20, 0, 0, time.FixedZone("", 3600))

// NewShop starts a daemon with work in it, for tests of what is asked of one: a
// panel "lid-outer" of the piece "lid" with an open tack coat "tack", tacky by
// the finger, and a seal "seal" that is over; the cups "cup-1", poured, and
// "cup-2", mixed four minutes ago; two hours of the probe "panel-1", the probe
// "shed-air", quiet for five minutes, "loft", for three hours, and "radio-7", which
// nobody accepted. Its clock stands at [ShopAt].
func NewShop(t testing.TB, o Options) *Daemon {
	t.Helper()
	if o.At.IsZero() {
		o.At = ShopAt
	}
	if o.Zone == nil {
		o.Zone = o.At.Location()
	}
	d := New(t, o)
	for _, p := range []struct{ id, name, role, panel string }{
		{"panel-1", "Lid, outer", sensors.RolePanel, "lid-outer"},
		{"shed-air", "Shed", sensors.RoleAir, ""},
		{"loft", "Loft", sensors.RoleAir, ""},
	} {
		testkit.OK(t, d.Sensors().Restore(p.id, "push", sensors.Meta{Name: p.name, Role: p.role, Panel: p.panel, Accepted: true}))
	}
	before := func(d time.Duration) *time.Time { return new(o.At.Add(-d)) }
	var ps []sensors.Pushed
	for i := range 121 {
		ps = append(ps, sensors.Pushed{Probe: "panel-1", Time: before(time.Duration(120-i)*time.Minute + 4*time.Second), Temp: sensors.Some(17 + float64(i)/200)})
	}
	ps = append(ps,
		sensors.Pushed{Probe: "shed-air", Time: before(5 * time.Minute), Temp: sensors.Some(18), RH: sensors.Some(62)},
		sensors.Pushed{Probe: "loft", Time: before(3 * time.Hour), Temp: sensors.Some(12)})
	if _, refused := d.Sensors().Push(sensors.Source{Via: "http", Accept: true, ClockTrusted: true}, ps); len(refused) > 0 {
		t.Fatalf("the shop's readings are refused: %+v", refused)
	}
	d.Sensors().Push(sensors.Source{Via: "http", ClockTrusted: true}, []sensors.Pushed{{Probe: "radio-7", Temp: sensors.Some(9)}})
	who := web.Who{Name: "loopback", Role: web.Record}
	for _, r := range []struct {
		kind string
		v    any
	}{
		{"piece", coat.Piece{ID: "lid", Name: "Locker lid"}},
		{"panel", coat.Panel{ID: "lid-outer", Piece: "lid", Probe: "panel-1", Air: "shed-air", Core: "foam", AreaM2: new(1.4)}},
		{"batch", coat.Batch{ID: "cup-1", Resin: cure.Medium, Lot: "A7", ResinG: new(200.0), HardenerG: new(60.0), Mixed: *before(108 * time.Minute)}},
		{"coat", coat.Coat{ID: "seal", Panel: "lid-outer", Resin: cure.Medium, Kind: coat.Seal, Applied: *before(72 * time.Hour), Ended: before(200 * time.Minute)}},
		{"coat", coat.Coat{ID: "tack", Panel: "lid-outer", Resin: cure.Medium, Kind: coat.TackCoat, Batches: []string{"cup-1"}, Applied: *before(100 * time.Minute), Next: "cloth"}},
		{"feel", coat.Feel{ID: "feel-1", Coat: "tack", At: *before(10 * time.Minute), State: coat.Tacky}},
		{"batch", coat.Batch{ID: "cup-2", Resin: cure.Medium, Lot: "A7", ResinG: new(200.0), HardenerG: new(60.0), Mixed: *before(4 * time.Minute)}},
	} {
		body, err := json.Marshal(r.v)
		testkit.OK(t, err)
		if _, _, err := d.Create(t.Context(), who, r.kind, body, ""); err != nil {
			t.Fatalf("%s %s: %v", r.kind, body, err)
		}
	}
	testkit.OK(t, d.EndBatch(t.Context(), who, "cup-1", *before(95 * time.Minute), nil, ""))
	testkit.OK(t, d.Evaluate(t.Context()))
	return d
}

// Token makes a log-in and returns its secret.
func (d *Daemon) Token(name string, role web.Role) string {
	d.T.Helper()
	code, _, err := d.NewPairCode(d.T.Context(), role, name, 0)
	testkit.OK(d.T, err)
	token, _, err := d.Redeem(d.T.Context(), code, "")
	testkit.OK(d.T, err)
	return token
}

// Tent is for [Options.Before]: a heated tent held by the loop that holds a real
// one, with its limits accepted, over probes that say 21 °C of the panel and 24 °C
// of the air at each step, and an output that switches nothing.
func Tent(t testing.TB) func(*daemon.Daemon) {
	return func(d *daemon.Daemon) {
		t.Helper()
		sec := heat.DefaultSection()
		sec.Output, sec.Control, sec.Limit, sec.Shed = "relay", "panel-1", "tent-air", "shed-air"
		sec.MaxAirC, sec.MaxPanelC, sec.ThermalCutoffC, sec.HeaterW = new(52.0), new(44.0), new(70.0), 1000
		sec.Relay = heat.RelaySection{Line: "simulated", Watchdog: "none"}
		sec = sec.Defaults()
		d.AttachTent(sec, func(_ func(heat.Event), profile func() (heat.Profile, bool)) daemon.TentHolder {
			var steps atomic.Uint64
			sound := func(id string) (sensors.Health, bool) {
				c, at := 24.0, time.Now()
				if id == sec.Control {
					c = 21
				}
				return sensors.Health{Probe: id, Accepted: true, Wired: true, State: "ok", Stale: time.Minute,
					Taken: steps.Add(1), LastAt: at, Last: sensors.Reading{Probe: id, At: at, Temp: sensors.Some(c)}}, true
			}
			l, err := heat.NewLoop(heat.LoopConfig{Section: sec, Words: d.Words(), Output: noHeater{}, Probe: sound, Dir: t.TempDir(), Profile: profile,
				Clock: func() (time.Time, bool) { return d.Now(), true }})
			testkit.OK(t, err)
			l.Step() // what stood there before is of an unknown age
			ended := make(chan struct{})
			go func() { defer close(ended); l.Run(t.Context()) }()
			t.Cleanup(func() { <-ended })
			_, hash, _ := l.Limits()
			testkit.OK(t, l.Accept("the test", hash))
			return l
		})
	}
}

// noHeater is an output without a heater.
type noHeater struct{}

func (noHeater) Renew(context.Context, bool) error { return nil }
func (noHeater) Lease() time.Duration              { return time.Minute }
func (noHeater) Close() error                      { return nil }
