// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"io/fs"
	"log/slog"
	"os"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"

	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/discover"
	"curewright/sensors/guarded"
	"curewright/sensors/kernel"
	"curewright/sensors/sht4x"
	"curewright/sensors/w1"
)

// chips are the I2C drivers a configuration may name, tried in this order
// where two can live at one address.
var chips = func() []discover.Chip {
	all := []discover.Chip{{Driver: "sht4x", Addrs: sht4x.Addrs, New: func(n string, b i2c.Bus, a uint16) sensors.Probe { return sht4x.New(n, b, a) }}}
	for _, k := range guarded.Kinds {
		all = append(all, discover.Chip{Driver: k.Driver, Addrs: k.Addrs, Like: k.Like, New: func(n string, b i2c.Bus, a uint16) sensors.Probe { return k.New(n, b, a) }})
	}
	return all
}()

const thermometer = "ds18b20"

// drivers are the wired drivers' names.
var drivers = func() map[string]bool {
	m := map[string]bool{thermometer: true, kernel.Driver: true}
	for _, c := range chips {
		m[c.Driver] = true
	}
	return m
}()

// bench is the board's buses, as the daemon and `probes` see them.
type bench struct {
	host *discover.Host
	log  *slog.Logger
}

// W1Env is the environment variable by which tests replace the kernel's tree.
const W1Env = "CUREWRIGHT_W1_ROOT"

func openBench(log *slog.Logger) *bench {
	h := &discover.Host{Drivers: discover.Drivers{
		Chips:       chips,
		W1:          func(n, id string, fsys fs.FS) sensors.Probe { return w1.New(n, id, fsys) },
		OneWire:     func(n string, b onewire.Bus, a onewire.Address) sensors.Probe { return guarded.NewThermometer(n, b, a) },
		Thermometer: thermometer,
		Kernel: discover.Kernel{
			Driver: kernel.Driver, List: kernel.List, Drives: kernel.Drives,
			New: func(n, place string, sys fs.FS) (sensors.Probe, error) { return kernel.New(n, place, sys) },
		},
	}}
	if root := os.Getenv(W1Env); root != "" {
		h.W1 = sensors.Files(root)
	}
	return &bench{host: h, log: log}
}

// DiscoverProbes looks at the buses of this board, and behind the multiplexers
// that are named, such as "i2c-1/0x70".
func DiscoverProbes(ctx context.Context, behind ...string) discover.Report {
	h := openBench(slog.New(slog.DiscardHandler)).host
	h.Behind = behind
	return h.Discover(ctx)
}

// pollers are the probes of the configuration or, without any, those that are
// found. why is the reason why there are none.
func (b *bench) pollers(ctx context.Context, cfg Config) (ps []sensors.PollerConfig, why string) {
	if len(cfg.Probe) > 0 {
		for _, c := range cfg.Probe {
			name := cmp.Or(c.Name, c.ID)
			if c.Driver == sensors.DriverMean {
				ps = append(ps, sensors.PollerConfig{Of: c.Of, ID: c.ID, Name: name, Role: c.Role, Panel: c.Panel, Locked: true,
					Every: time.Duration(c.Every), Stale: time.Duration(c.Stale)})
			}
			if !drivers[c.Driver] {
				continue
			}
			p, err := b.open(c.ID, c.Driver, c.Bus)
			if err != nil {
				b.log.Error("probe", "id", c.ID, "err", err)
				continue
			}
			p.Name, p.Role, p.Panel, p.Locked = name, c.Role, c.Panel, true
			p.Every, p.Stale = time.Duration(c.Every), time.Duration(c.Stale)
			ps = append(ps, p)
		}
		return ps, ""
	}
	rep := b.host.Discover(ctx)
	for _, f := range rep.Found {
		if p, ok := b.poller(f); ok {
			ps = append(ps, p)
		}
	}
	if len(ps) == 0 {
		lang, _ := Language(cfg.Shop.Language) // [New] says what is wrong with it
		why = noProbe(words.View{Words: lang}, rep)
	}
	return ps, why
}

// open makes a wired probe that is opened again when it is lost.
func (b *bench) open(id, driver, bus string) (sensors.PollerConfig, error) {
	p, err := b.host.Open(id, driver, bus)
	return sensors.PollerConfig{Probe: p, ID: id, Name: id, Driver: driver, Bus: bus,
		Reopen: func(context.Context) (sensors.Probe, error) { return b.host.Open(id, driver, bus) }}, err
}

// poller makes the probe of a finding; false for what is not known.
func (b *bench) poller(f discover.Found) (sensors.PollerConfig, bool) {
	if f.Driver == "" {
		return sensors.PollerConfig{}, false
	}
	p, err := b.open(PlaceID(f), f.Driver, f.Bus)
	// A probe that gives humidity hangs in the air; what a bare thermometer lies on
	// is unknown until a person enters it.
	if f.Reading.RH.OK() || f.Reading.CO2.OK() {
		p.Role = sensors.RoleAir
	}
	return p, err == nil
}

// PlaceID names a found probe by its chip and place, so that it keeps its name
// over a restart.
func PlaceID(f discover.Found) string {
	_, at, _ := strings.Cut(f.Bus, ":")
	bus := strings.NewReplacer(":", "-", "/", "-").Replace(f.Bus)
	if f.Driver == thermometer {
		return at
	}
	return f.Driver + "-" + strings.ReplaceAll(bus, "i2c-", "")
}

func noProbe(v words.View, rep discover.Report) string {
	none := v.Say("probes.none", nil) + " "
	for _, b := range rep.Buses {
		if _, hint := sensors.Said(b.Err, v); hint != "" {
			return none + v.Say("probes.bus", words.Facts{"bus": b.Name, "hint": hint})
		}
	}
	return none + v.Say("probes.on", words.Facts{"command": "`curewright probes`"})
}

// rediscover finds probes that were plugged in later.
func (b *bench) rediscover(ctx context.Context, d *Daemon) error {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		have := map[string]bool{}
		for _, h := range d.set.Health() {
			have[h.Bus] = true
		}
		for _, f := range b.host.Discover(ctx).Found {
			if have[f.Bus] {
				continue
			}
			p, ok := b.poller(f)
			if !ok {
				continue
			}
			if err := d.addProbe(p); err != nil {
				b.log.Warn("probe found later", "id", p.ID, "err", err)
				continue
			}
			b.log.Info("probe found", "id", p.ID, "bus", p.Bus)
			d.RequestEvaluation()
		}
	}
}
