// SPDX-License-Identifier: Apache-2.0

package sensors_test

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/physic"
	periphaht20 "periph.io/x/devices/v3/aht20"
	"periph.io/x/devices/v3/bmxx80"
	periphds18b20 "periph.io/x/devices/v3/ds18b20"
	periphhdc302x "periph.io/x/devices/v3/hdc302x"
	periphmcp9808 "periph.io/x/devices/v3/mcp9808"
	periphscd4x "periph.io/x/devices/v3/scd4x"
	periphtmp102 "periph.io/x/devices/v3/tmp102"

	"curewright/sensors"
	"curewright/sensors/aht20"
	"curewright/sensors/bme280"
	"curewright/sensors/chipsim"
	"curewright/sensors/ds18b20"
	"curewright/sensors/hdc302x"
	"curewright/sensors/mcp9808"
	"curewright/sensors/scd4x"
	"curewright/sensors/tmp102"
)

// env is what periph's driver for a chip says, in our units.
type env struct{ c, rh, co2, pa float64 }

func fromPeriph(e physic.Env) env {
	return env{
		c:  e.Temperature.Celsius(),
		rh: float64(e.Humidity) / float64(physic.PercentRH),
		pa: float64(e.Pressure) / float64(physic.Pascal),
	}
}

type senser interface{ Sense(*physic.Env) error }

func sense(t *testing.T, d senser, err error) env {
	t.Helper()
	if err != nil {
		t.Fatalf("periph: %v", err)
	}
	var e physic.Env
	if err := d.Sense(&e); err != nil {
		t.Fatalf("periph: %v", err)
	}
	return fromPeriph(e)
}

// Another program's drivers on the same emulated chips: periph.io/x/devices
// v3.7.3, whose authors have the real ones. Agreement says that the emulation
// speaks the chips' language and that both decode alike; where no fault is
// injected periph's known faults do not show.
func TestAgainstPeriphDrivers(t *testing.T) {
	for name, tt := range map[string]struct {
		addr   uint16
		chip   func(chipsim.Air) chipsim.Chip
		ours   func(i2c.Bus, uint16) sensors.Probe
		theirs func(*testing.T, i2c.Bus, uint16) env
		has    string
		tolC   float64 // K; periph's BME280 is integer arithmetic to .01
	}{
		"aht20": {0x38, func(a chipsim.Air) chipsim.Chip { return chipsim.NewAHT20(a) },
			func(b i2c.Bus, a uint16) sensors.Probe { return aht20.New("p", b, a) },
			func(t *testing.T, b i2c.Bus, _ uint16) env {
				d, err := periphaht20.NewI2C(b, nil)
				return sense(t, d, err)
			}, "h", 1e-6},
		"hdc302x": {0x44, func(a chipsim.Air) chipsim.Chip { return chipsim.NewHDC302x(a) },
			func(b i2c.Bus, a uint16) sensors.Probe { return hdc302x.New("p", b, a) },
			func(t *testing.T, b i2c.Bus, a uint16) env {
				d, err := periphhdc302x.NewI2C(b, a, periphhdc302x.RateHertz)
				return sense(t, d, err)
			}, "h", 1e-6},
		"bme280": {0x76, func(a chipsim.Air) chipsim.Chip { return chipsim.NewBME280(a) },
			func(b i2c.Bus, a uint16) sensors.Probe { return bme280.New("p", b, a) },
			func(t *testing.T, b i2c.Bus, a uint16) env {
				d, err := bmxx80.NewI2C(b, a, &bmxx80.Opts{Temperature: bmxx80.O1x, Pressure: bmxx80.O1x, Humidity: bmxx80.O1x})
				return sense(t, d, err)
			}, "hp", .011},
		"mcp9808": {0x18, func(a chipsim.Air) chipsim.Chip { return chipsim.NewMCP9808(a) },
			func(b i2c.Bus, a uint16) sensors.Probe { return mcp9808.New("p", b, a) },
			func(t *testing.T, b i2c.Bus, a uint16) env {
				d, err := periphmcp9808.New(b, &periphmcp9808.Opts{Addr: int(a), Res: periphmcp9808.Maximum})
				time.Sleep(300 * time.Millisecond) // periph does not wait for the first conversion
				return sense(t, d, err)
			}, "", 1e-6},
		"tmp102": {0x48, func(a chipsim.Air) chipsim.Chip { return chipsim.NewTMP102(a) },
			func(b i2c.Bus, a uint16) sensors.Probe { return tmp102.New("p", b, a) },
			func(t *testing.T, b i2c.Bus, a uint16) env {
				d, err := periphtmp102.NewI2C(b, a, nil)
				time.Sleep(300 * time.Millisecond)
				return sense(t, d, err)
			}, "", 1e-6},
		"scd4x": {0x62, func(a chipsim.Air) chipsim.Chip { return chipsim.NewSCD4x(a) },
			func(b i2c.Bus, a uint16) sensors.Probe { return scd4x.New("p", b, a) },
			func(t *testing.T, b i2c.Bus, a uint16) env {
				d, err := periphscd4x.NewI2C(b, a)
				if err != nil {
					t.Fatalf("periph: %v", err)
				}
				var e periphscd4x.Env
				if err := d.Sense(&e); err != nil {
					t.Fatalf("periph: %v", err)
				}
				x := fromPeriph(e.Env)
				x.co2 = float64(e.CO2)
				return x
			}, "hc", 1e-6},
	} {
		t.Run(name, func(t *testing.T) {
			for _, a := range []chipsim.Air{
				{C: 17.43, RH: 61.5, CO2: 780, Pa: 101020}, {C: -9.9, RH: 91, CO2: 415, Pa: 97010},
				{C: .0625, RH: 5, CO2: 5000, Pa: 103900}, {C: 41.7, RH: 33, CO2: 1200, Pa: 100653},
			} {
				bubble(t, name, func(t *testing.T) {
					mine, other := chipsim.NewBus("a").Exact(), chipsim.NewBus("b").Exact()
					mine.Attach(tt.addr, tt.chip(a))
					other.Attach(tt.addr, tt.chip(a))
					r, err := tt.ours(mine, tt.addr).Read(t.Context())
					if err != nil {
						t.Fatal(err)
					}
					want := tt.theirs(t, other, tt.addr)
					near(t, "temperature", r.Temp, want.c, tt.tolC)
					if has(tt.has, 'h') {
						near(t, "humidity", r.RH, want.rh, .01)
					}
					if has(tt.has, 'p') {
						near(t, "pressure", r.Pressure, want.pa, .5)
					}
					if has(tt.has, 'c') {
						near(t, "carbon dioxide", r.CO2, want.co2, 0)
					}
				})
			}
		})
	}
}

// bubble runs f where time is not real, but for periph's BME280: it spins until
// the measurement ends, so that a bubble's clock would never go on.
func bubble(t *testing.T, name string, f func(*testing.T)) {
	if name == "bme280" {
		f(t)
		return
	}
	synctest.Test(t, f)
}

func TestAgainstPeriphDS18B20(t *testing.T) {
	for _, c := range []float64{21.4375, -10.125, .5, 124} {
		synctest.Test(t, func(t *testing.T) { againstPeriphDS18B20(t, c) })
	}
}

func againstPeriphDS18B20(t *testing.T, c float64) {
	{
		th := chipsim.NewThermometer(0x0316a2795d1f, c)
		bus := chipsim.NewOneWire(th)
		d, err := periphds18b20.New(bus, th.Addr, 12)
		want := sense(t, d, err)
		r, err := ds18b20.New("p", bus, th.Addr).Read(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		near(t, "temperature", r.Temp, want.c, 1e-6)
		if math.Abs(want.c-c) > 1e-6 {
			t.Errorf("periph says %v of %v °C", want.c, c)
		}
	}
	// The emulated address is one that periph's search would accept.
	a := uint64(chipsim.Address(0x0316a2795d1f))
	var b [8]byte
	for i := range b {
		b[i] = byte(a >> (8 * i))
	}
	if !onewire.CheckCRC(b[:]) {
		t.Errorf("address % x", b)
	}
}
