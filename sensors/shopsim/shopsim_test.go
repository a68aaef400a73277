// SPDX-License-Identifier: Apache-2.0

package shopsim

import (
	"fmt"
	"math"
	"reflect"
	"testing"
	"time"

	"curewright/sensors"
)

// when is a time of the default weekend: "Sat 15:04".
func when(t testing.TB, s string) time.Time {
	t.Helper()
	x, err := time.Parse("15:04", s[4:])
	if err != nil {
		t.Fatal(err)
	}
	day := map[string]int{"Fri": 9, "Sat": 10, "Sun": 11, "Mon": 12}[s[:3]]
	return time.Date(2026, 10, day, x.Hour(), x.Minute(), 0, 0, time.FixedZone("BST", 3600))
}

// dew is the dew point by the WMO's formula (WMO-No. 8, annex 4.B), not the
// one that the simulation is written in.
func dew(c, rh float64) float64 {
	g := math.Log(rh/100) + 17.62*c/(243.12+c)
	return 243.12 * g / (17.62 - g)
}

// The story that the demonstration tells: a mild working day, a cold night,
// damp air over cold panels on Sunday morning.
func TestTheWeekend(t *testing.T) {
	s := New(Config{Seed: 1})
	dayMax, nightMin, outMin := -99., 99., 99.
	margin, wettest := 99., time.Time{}
	for at := when(t, "Fri 18:00"); at.Before(when(t, "Sun 18:00")); at = at.Add(5 * time.Minute) {
		x := s.Truth(at)
		outMin = min(outMin, x.OutC)
		if at.Day() == 10 && at.Hour() >= 11 && at.Hour() < 18 {
			dayMax = max(dayMax, x.AirC)
			if x.AirC < 16.5 || x.AirC > 20.5 {
				t.Errorf("%s: shed at %.1f °C in working hours", at.Format("Mon 15:04"), x.AirC)
			}
		}
		if at.After(when(t, "Sat 22:00")) && at.Before(when(t, "Sun 08:00")) {
			nightMin = min(nightMin, x.AirC)
		}
		if m := x.PanelC[1] - dew(x.AirC, x.AirRH); m < margin {
			margin, wettest = m, at
		}
		if x.AirRH < 20 || x.AirRH > 100 || x.CO2 < 400 || x.CO2 > 3000 {
			t.Errorf("%s: %.0f %%, %.0f ppm", at.Format("Mon 15:04"), x.AirRH, x.CO2)
		}
		if x.OutDewC > x.OutC {
			t.Errorf("%s: outdoor dew point %.1f above %.1f °C", at.Format("Mon 15:04"), x.OutDewC, x.OutC)
		}
	}
	if nightMin < 7.5 || nightMin > 9.5 || outMin < 5 || outMin > 7 {
		t.Errorf("night: shed %.1f °C, outdoors %.1f °C", nightMin, outMin)
	}
	if margin > 0 || wettest.Day() != 11 || wettest.Hour() < 6 || wettest.Hour() > 10 {
		t.Errorf("least dew margin %.1f K at %s; want dew on Sunday morning", margin, wettest.Format("Mon 15:04"))
	}
	t.Logf("day %.1f, night %.1f, outdoors %.1f °C, least dew margin %.1f K at %s", dayMax, nightMin, outMin, margin, wettest.Format("Mon 15:04"))
}

// A run depends on its seed, not on how often it is looked at.
func TestDeterministic(t *testing.T) {
	a, b, c := New(Config{Seed: 7, Tent: true}), New(Config{Seed: 7, Tent: true}), New(Config{Seed: 8, Tent: true})
	end := when(t, "Sun 12:00")
	for at := when(t, "Fri 18:00"); at.Before(end); at = at.Add(7 * time.Second) {
		a.At(at)
	}
	x, y, z := a.At(end), b.At(end), c.At(end)
	if !reflect.DeepEqual(x, y) {
		t.Errorf("looked at often %v, once %v", x, y)
	}
	if reflect.DeepEqual(x, z) {
		t.Error("another seed gives the same run")
	}
}

// Energy: alone, shut and without sun, the shed only comes nearer to the
// outdoor temperature, and no panel leaves the span between its surroundings
// at the start and outdoors.
func TestCoolsTowardsOutdoors(t *testing.T) {
	s := New(Config{Seed: 3, Alone: true})
	was := s.Truth(when(t, "Sat 20:00"))
	for at := when(t, "Sat 20:10"); at.Before(when(t, "Sun 05:00")); at = at.Add(10 * time.Minute) {
		x := s.Truth(at)
		// The sky takes up to 150 W, about a kelvin below outdoors in the end.
		if x.AirC > was.AirC+.1 || x.AirC < x.OutC-1.2 {
			t.Errorf("%s: shed %.2f °C, before %.2f, outdoors %.2f", at.Format("Mon 15:04"), x.AirC, was.AirC, x.OutC)
		}
		if x.DoorOpen {
			t.Error("a door opened with nobody there")
		}
		was = x
	}
}

// With the heater on for good the tent settles at what the balance gives:
// ΔT = P / UA, UA of the film and the exchanged air in series with nothing,
// a closed form of the simulation's own constants.
func TestTentHeaterBalance(t *testing.T) {
	s := New(Config{Seed: 3, Alone: true, Tent: true, HeaterW: 400})
	s.Truth(when(t, "Sat 20:00"))
	s.SetHeater(true)
	x := s.Truth(when(t, "Sun 04:00"))
	want := 400 / (tentUA + tentACH*tentMass/3600*cpAir)
	if got := x.TentC - x.AirC; math.Abs(got-want) > .05*want {
		t.Errorf("tent %.2f K above the shed, balance says %.2f", got, want)
	}
	// Dry heat: the same water at a higher temperature.
	if x.TentRH > x.AirRH*.7 {
		t.Errorf("tent %.0f %% in a shed of %.0f %%", x.TentRH, x.AirRH)
	}
	s.SetHeater(false)
	y := s.Truth(when(t, "Sun 05:00"))
	if y.TentC > x.TentC-.7*want {
		t.Errorf("an hour after switching off: %.1f °C, was %.1f", y.TentC, x.TentC)
	}
}

// An unvented fuel heater: carbon dioxide in thousands of ppm and water (0.2
// kg/h of propane in 50 m³ at one air change gives +6550 ppm and +6.5 g/m³ by
// balance; measured 1930 to 11 100 ppm in a house, Lawrence Berkeley Lab).
func TestFuelHeater(t *testing.T) {
	dry := New(Config{Seed: 3, Alone: true, HeaterW: 2300})
	wet := New(Config{Seed: 3, Alone: true, HeaterW: 2300, FuelHeater: true})
	for _, s := range []*Sim{dry, wet} {
		s.Truth(when(t, "Sat 20:00"))
		s.SetHeater(true)
	}
	at := when(t, "Sat 23:00")
	d, w := dry.Truth(at), wet.Truth(at)
	// 2.3 kW is .179 kg/h; 3 kg of gas each, 1.84 kg/m³, 30 m³/h of air: the
	// balance is 9700 ppm over outdoors, reached to 78 % in three hours.
	if got, want := w.CO2-d.CO2, .179*3/1.84/30*1e6*(1-math.Exp(-1.5)); math.Abs(got-want) > .1*want {
		t.Errorf("+%.0f ppm, balance says +%.0f", got, want)
	}
	if dew(w.AirC, w.AirRH) < dew(d.AirC, d.AirRH)+2 {
		t.Errorf("dew point %.1f with fuel, %.1f °C without", dew(w.AirC, w.AirRH), dew(d.AirC, d.AirRH))
	}
}

// What the probes say would be believed by the filter that judges real ones,
// over the whole weekend, at two speeds.
func TestProbesAreBelieved(t *testing.T) {
	for _, every := range []time.Duration{10 * time.Second, time.Minute} {
		s := New(Config{Seed: 5, Tent: true})
		filters := map[string]*sensors.Filter{}
		for _, id := range s.Probes() {
			role := sensors.RoleAir
			if id == Panel1 || id == Panel2 {
				role = sensors.RolePanel
			}
			filters[id] = sensors.NewFilter(sensors.DefaultLimits(role, false))
		}
		n := 0
		for at := when(t, "Fri 18:00"); at.Before(when(t, "Sun 18:00")); at = at.Add(every) {
			if at.Equal(when(t, "Sat 20:00")) {
				s.SetHeater(true)
			}
			for _, r := range s.At(at) {
				n++
				if err := filters[r.Probe].Check(r, nil); err != nil {
					t.Errorf("%s at %s: %v", r.Probe, r.At.Format("Mon 15:04:05"), err)
				}
			}
		}
		if n < 5*48*60 {
			t.Errorf("%d readings", n)
		}
	}
}

// A thermometer on a panel answers in steps of 1/16 K; an air probe has an
// offset and noise, and is near the truth all the same.
func TestProbesShowTheTruthRoughly(t *testing.T) {
	s := New(Config{Seed: 2})
	at := when(t, "Sat 03:00") // steady
	tr := s.Truth(at)
	for _, r := range s.At(at) {
		c, _ := r.Temp.Get()
		want := map[string]float64{ShedAir: tr.AirC, Panel1: tr.PanelC[0], Panel2: tr.PanelC[1], Outdoor: tr.OutC}[r.Probe]
		if math.Abs(c-want) > .6 {
			t.Errorf("%s says %v, truth %.2f °C", r.Probe, c, want)
		}
		if r.Probe != ShedAir && c*16 != math.Round(c*16) {
			t.Errorf("%s says %v: not a step of 1/16", r.Probe, c)
		}
		if (r.Probe == ShedAir) != r.RH.OK() {
			t.Errorf("%s humidity %v", r.Probe, r.RH)
		}
	}
}

// Time does not go back: an earlier moment is answered with the present.
func TestTimeGoesOn(t *testing.T) {
	s := New(Config{})
	now := when(t, "Sat 12:00")
	s.At(now)
	if again := s.At(now.Add(-time.Hour)); again[0].At.Before(now.Add(-step)) {
		t.Errorf("went back to %v", again[0].At)
	}
}

func ExampleSim() {
	s := New(Config{Seed: 1})
	sunday := time.Date(2026, 10, 11, 8, 20, 0, 0, time.FixedZone("BST", 3600))
	x := s.Truth(sunday)
	fmt.Println("colder than the dew point:", x.PanelC[0] < dew(x.AirC, x.AirRH))
	// Output: colder than the dew point: true
}

func BenchmarkDay(b *testing.B) {
	for b.Loop() {
		s := New(Config{Tent: true})
		s.At(s.cfg.Start.Add(24 * time.Hour))
	}
}
