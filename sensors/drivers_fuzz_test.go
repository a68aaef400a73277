// SPDX-License-Identifier: Apache-2.0

package sensors_test

import (
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"curewright/sensors"
	"curewright/sensors/guarded"
	"curewright/sensors/sht4x"
)

// babble is a bus on which something answers every read with the next bytes
// of a script, over and over.
type babble struct {
	script []byte
	at     int
}

var _ i2c.Bus = (*babble)(nil)

func (*babble) String() string                  { return "babble" }
func (*babble) SetSpeed(physic.Frequency) error { return nil }
func (b *babble) Tx(_ uint16, _, r []byte) error {
	for i := range r {
		if len(b.script) > 0 {
			r[i] = b.script[b.at%len(b.script)]
		}
		b.at++
	}
	return nil
}

// Whatever bytes come over the wire, a driver says a value of its chip's rated
// span or an error, never both, and ends in its time. The spans are those of
// the data sheets' absolute ratings.
func FuzzDrivers(f *testing.F) {
	makers := []struct {
		name     string
		new      func(b i2c.Bus) sensors.Probe
		min, max float64 // °C
	}{
		{"sht4x", func(b i2c.Bus) sensors.Probe { return sht4x.New("p", b, 0x44) }, -40, 125},
		{"hdc302x", func(b i2c.Bus) sensors.Probe { return guarded.Named("hdc302x").New("p", b, 0x44) }, -40, 125},
		{"aht20", func(b i2c.Bus) sensors.Probe { return guarded.Named("aht20").New("p", b, 0x38) }, -40, 85},
		{"bme280", func(b i2c.Bus) sensors.Probe { return guarded.Named("bme280").New("p", b, 0x76) }, -40, 85},
		{"mcp9808", func(b i2c.Bus) sensors.Probe { return guarded.Named("mcp9808").New("p", b, 0x18) }, -40, 125},
		{"bmp280", func(b i2c.Bus) sensors.Probe { return guarded.Named("bmp280").New("p", b, 0x76) }, -40, 85},
		{"tmp102", func(b i2c.Bus) sensors.Probe { return guarded.Named("tmp102").New("p", b, 0x48) }, -55, 128},
		{"scd4x", func(b i2c.Bus) sensors.Probe { return guarded.Named("scd4x").New("p", b, 0x62) }, -10, 60},
	}
	for i := range makers {
		f.Add(i, []byte{0})
		f.Add(i, []byte{0xff})
		f.Add(i, []byte{0xbe, 0xef, 0x92}) // a word and its CRC-8, from the SHT4x data sheet
		f.Add(i, []byte{0x60, 0x10, 0x1c, 0x80, 0x00, 0x08})
	}
	f.Fuzz(func(t *testing.T, which int, script []byte) {
		if which < 0 {
			return
		}
		m := makers[which%len(makers)]
		synctest.Test(t, func(t *testing.T) {
			p := m.new(&babble{script: script})
			begin := time.Now()
			for range 2 { // the second has the chip set up
				ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
				r, err := p.Read(ctx)
				cancel()
				for what, v := range map[string]sensors.Value{"temperature": r.Temp, "humidity": r.RH, "CO2": r.CO2, "pressure": r.Pressure} {
					x, ok := v.Get()
					if err != nil && ok {
						t.Errorf("%s: %s %g beside %v", m.name, what, x, err)
					}
					if ok && (math.IsNaN(x) || math.IsInf(x, 0)) {
						t.Errorf("%s: %s is %g", m.name, what, x)
					}
				}
				if x, ok := r.Temp.Get(); ok && (x < m.min || x > m.max) {
					t.Errorf("%s: %g °C believed, rated %g to %g", m.name, x, m.min, m.max)
				}
				if x, ok := r.RH.Get(); ok && (x < 0 || x > 100) {
					t.Errorf("%s: %g %% believed", m.name, x)
				}
				if err == nil && !r.Temp.OK() && !r.RH.OK() && !r.CO2.OK() && !r.Pressure.OK() {
					t.Errorf("%s: no value and no error", m.name)
				}
			}
			if took := time.Since(begin); took > 21*time.Second {
				t.Errorf("%s: took %v", m.name, took)
			}
			time.Sleep(10 * time.Second) // a driver that was given up may still sleep
		})
	})
}
