// SPDX-License-Identifier: Apache-2.0

// Package shopsim simulates a timber shed, a tent in it and two panels over an
// October weekend, as its probes would report it: for the demonstration and
// for tests of what reads and heats a shop.
//
// It differs from the forecasting model on purpose, so that the model is not tested
// against itself: air and structure are two nodes, the tent's air and each panel are
// further ones, doors are opened, the sun shines in, water is carried in by
// air and stored in timber, probes lag and have offsets and noise. All figures
// are choices for a plausible shed, no source.
//
// A run depends on its seed and on when the heater was switched, not on how
// often it is read.
package shopsim

import (
	"math"
	"sync"
	"time"

	"curewright/sensors"
)

// Probes of the simulated shop.
const (
	ShedAir = "shed-air"
	Panel1  = "panel-1"
	Panel2  = "panel-2"
	Outdoor = "outdoor"
	TentAir = "tent-air" // only with a tent
)

// Config describes a run. The zero Config is a run from Friday 2026-10-09
// 18:00 British Summer Time without a tent.
type Config struct {
	Start time.Time // of what can be looked at
	Seed  uint64
	Tent  bool // both panels under a tent, the heater in it

	HeaterW    float64 // default 1500
	FuelHeater bool    // unvented: puts water and carbon dioxide into the air
	Alone      bool    // nobody comes: no doors, lamp, fan heater or breath
}

// Truth is the simulated state itself, which no probe shows exactly.
type Truth struct {
	At                   time.Time
	AirC, StructureC     float64 // °C
	TentC                float64 // the shed's air without a tent
	PanelC               [2]float64
	OutC, OutDewC        float64
	AirRH, TentRH, OutRH float64 // %
	CO2                  float64 // ppm, where the panels are
	DoorOpen, Heater     bool
}

// Sim is one run. Safe for concurrent use.
type Sim struct {
	mu  sync.Mutex
	cfg Config

	at                    time.Time
	air, wall             float64    // °C
	tent                  float64    // °C
	panel                 [2]float64 // °C
	element               float64    // heater's output, W, lagging its switch
	wAir, wTent, wTimber  float64    // kg water per kg dry air; timber's in equilibrium with that much
	co2Air, co2Tent       float64    // ppm
	sAir, sTent, sOut     float64    // what the air probes' bodies are at, °C
	sPanel                [2]float64
	wantHeat, fan         bool
	offAir, offP1, offP2  float64 // probe offsets, K
	offOut, offTent, offH float64
}

const step = 10 * time.Second

// The shed: 4 × 5 m, timber, a window to the south, a concrete slab.
const (
	airMass   = 60 * 1.2      // kg
	airC      = 3 * 72 * 1006 // J/K, with shelves and tools that follow the air
	wallC     = 3.3e6         // J/K
	airWallUA = 620           // W/K
	wallOutUA = 135           // W/K
	cpAir     = 1006          // J/(kg K)
	baseACH   = 0.5           // air changes an hour, doors shut
	doorACH   = 14
	aperture  = 2.3 // m² of sun that gets in
)

// The tent: film over a frame, 4 m³, and a panel of foam and glass, one face
// and its bench side to the air around it.
const (
	tentMass = 4 * 1.2
	tentC    = 5 * tentMass * cpAir
	tentUA   = 22  // W/K to the shed's air
	tentACH  = 1.5 // air changes an hour with the shed
	flapACH  = 40  // more while its flap is open
	tentSun  = .03 // share of the shed's sun that falls through its film
	panelUA  = 8.0 * 1.4
	panelHC  = 11500 * 1.4 // J/K: lags by about 24 minutes
)

// New returns a run that stands at its start, after a day simulated before it
// to settle.
func New(c Config) *Sim {
	if c.Start.IsZero() {
		c.Start = time.Date(2026, 10, 9, 18, 0, 0, 0, time.FixedZone("BST", 3600))
	}
	if c.HeaterW == 0 {
		c.HeaterW = 1500
	}
	s := &Sim{cfg: c, at: c.Start.Add(-24 * time.Hour).Truncate(step)}
	out, dew, _ := s.weather(s.at)
	s.air, s.wall, s.tent = out+2, out+2, out+2
	s.panel = [2]float64{s.air, s.air}
	s.sAir, s.sTent, s.sOut, s.sPanel = s.air, s.air, out, s.panel
	s.wAir = ratio(vapour(dew))
	s.wTent, s.wTimber = s.wAir, s.wAir
	s.co2Air, s.co2Tent = outCO2, outCO2
	for i, p := range []*float64{&s.offAir, &s.offP1, &s.offP2, &s.offOut, &s.offTent} {
		*p = .15 * gauss(c.Seed, uint64(900+i), 0)
	}
	s.offH = .8 * gauss(c.Seed, 910, 0)
	s.run(c.Start)
	return s
}

// SetHeater switches the heater from the run's present moment on.
func (s *Sim) SetHeater(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.wantHeat = on
}

// At advances the run to time t and returns every probe's reading then. For a time
// before the run's present moment it returns the readings of that moment.
func (s *Sim) At(t time.Time) []sensors.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.run(t)
	if t.Before(s.at) {
		t = s.at
	}
	rs := []sensors.Reading{
		s.airReading(ShedAir, t, s.sAir+s.offAir, s.wAir, s.co2Air, 1),
		{Probe: Panel1, At: t, Temp: s.quiet(t, 2, s.sPanel[0]+s.offP1)},
		{Probe: Panel2, At: t, Temp: s.quiet(t, 3, s.sPanel[1]+s.offP2)},
		{Probe: Outdoor, At: t, Temp: s.quiet(t, 4, s.sOut+s.offOut)},
	}
	if s.cfg.Tent {
		rs = append(rs, s.airReading(TentAir, t, s.sTent+s.offTent, s.wTent, s.co2Tent, 5))
	}
	return rs
}

// Probes returns the names of the probes that [Sim.At] reports.
func (s *Sim) Probes() []string {
	ps := []string{ShedAir, Panel1, Panel2, Outdoor}
	if s.cfg.Tent {
		ps = append(ps, TentAir)
	}
	return ps
}

// Truth advances the run to time t and returns the true state.
func (s *Sim) Truth(t time.Time) Truth {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.run(t)
	out, dew, _ := s.weather(s.at)
	tr := Truth{
		At: s.at, AirC: s.air, StructureC: s.wall, TentC: s.tent, PanelC: s.panel,
		OutC: out, OutDewC: dew, OutRH: 100 * vapour(dew) / vapour(out),
		AirRH: rh(s.wAir, s.air), TentRH: rh(s.wTent, s.tent),
		CO2: s.co2Air, DoorOpen: s.door(s.at), Heater: s.wantHeat,
	}
	if s.cfg.Tent {
		tr.CO2 = s.co2Tent
	}
	return tr
}

func (s *Sim) airReading(id string, t time.Time, c, w, co2 float64, ch uint64) sensors.Reading {
	k := uint64(t.Sub(epoch) / time.Second)
	h := math.Min(rh(w, c)+s.offH+.25*gauss(s.cfg.Seed, 50+ch, k), 100)
	return sensors.Reading{
		Probe: id, At: t,
		Temp: sensors.Some(round(c+.03*gauss(s.cfg.Seed, ch, k), .01)),
		RH:   sensors.Some(round(math.Max(h, 1), .01)),
		CO2:  sensors.Some(math.Round(co2 + 4*gauss(s.cfg.Seed, 70+ch, k))),
	}
}

// quiet is a DS18B20: steps of 1/16 K and hardly any noise.
func (s *Sim) quiet(t time.Time, ch uint64, c float64) sensors.Value {
	k := uint64(t.Sub(epoch) / time.Second)
	return sensors.Some(round(c+.015*gauss(s.cfg.Seed, ch, k), 1./16))
}

const outCO2 = 425 // ppm, outdoor air

func (s *Sim) run(to time.Time) {
	for !s.at.Add(step).After(to) {
		s.advance()
	}
}

// dt is a step in seconds.
const dt = float64(step / time.Second)

// advance does one explicit step: the fastest node has a time constant of some
// four minutes, so that ten seconds are short.
func (s *Sim) advance() {
	f := s.flows()
	s.moveHeat(f)
	s.moveWater(f)
	if !s.cfg.Tent {
		s.tent, s.wTent, s.co2Tent = s.air, s.wAir, s.co2Air
	}
	// Water in excess of saturation goes onto the coldest surfaces.
	s.wAir = math.Min(s.wAir, ratio(vapour(s.air)))
	s.wTent = math.Min(s.wTent, ratio(vapour(s.tent)))

	lag := func(x *float64, to, tau float64) { *x += (to - *x) * dt / tau }
	lag(&s.sAir, s.air, 90)
	lag(&s.sTent, s.tent, 90)
	lag(&s.sOut, f.out, 240)
	for i := range s.panel {
		lag(&s.sPanel[i], s.panel[i], 60)
	}
	s.at = s.at.Add(step)
}

// flows are what goes in and out during a step.
type flows struct {
	out, dew, sun    float64 // as [Sim.weather] says
	exchange, toTent float64 // air, kg/s: shed with outdoors, tent with shed
	gain             float64 // of people and what they switch on, W
	breath           float64 // carbon dioxide, m³/s
	vapour           float64 // of people, kg/s
	fuelCO2, fuelH2O float64 // m³/s, kg/s
}

func (s *Sim) flows() (f flows) {
	f.out, f.dew, f.sun = s.weather(s.at)
	ach := baseACH
	if s.door(s.at) {
		ach += doorACH
	}
	f.exchange = ach * airMass / 3600
	f.toTent = tentACH * tentMass / 3600
	if s.flap(s.at) {
		f.toTent += flapACH * tentMass / 3600
	}
	if s.present(s.at) {
		f.gain = 100 + 160 // a person, a lamp
		// A fan heater that runs only while somebody is there.
		s.fan = s.air < 17.5 || s.fan && s.air < 18.5
		if s.fan {
			f.gain += 3000
		}
		f.breath = 0.020 / 3600
		f.vapour = 0.06 / 3600
	}
	want := 0.0
	if s.wantHeat {
		want = s.cfg.HeaterW
	}
	s.element += (want - s.element) * dt / 180
	// Burning propane: 50.3 MJ/kg lower heating value; 3.0 kg of carbon
	// dioxide and 1.6 kg of water a kg.
	if s.cfg.FuelHeater {
		kg := s.element / 46.3e6
		f.fuelCO2, f.fuelH2O = 3.0*kg/1.84, 1.63*kg
	}
	return f
}

func (s *Sim) moveHeat(f flows) {
	qAir, around := s.element, s.air
	if s.cfg.Tent {
		qAir = 0
		around = s.tent
	}
	dAir := (airWallUA*(s.wall-s.air) + f.exchange*cpAir*(f.out-s.air) + f.gain + .3*f.sun + qAir) / airC
	// The roof radiates to the sky: it loses some 150 W on a clear night.
	sky := 0.0
	if f.sun == 0 {
		sky = 150
	}
	dWall := (airWallUA*(s.air-s.wall) + wallOutUA*(f.out-s.wall) + .7*f.sun - sky) / wallC
	var dTent float64
	if s.cfg.Tent {
		dTent = (tentUA*(s.air-s.tent) + f.toTent*cpAir*(s.air-s.tent) + tentSun*f.sun + s.element) / tentC
		for _, p := range s.panel {
			dTent += panelUA * (p - s.tent) / tentC
		}
	}
	for i, p := range s.panel {
		// Half of a still-air coefficient is radiation, to the structure
		// unless a tent's film is between; the second panel lies nearer the
		// door and the floor.
		rad := s.wall
		if s.cfg.Tent {
			rad = s.tent
		}
		d := panelUA * (.5*(around-p) + .5*(rad-p)) / panelHC
		if i == 1 {
			d += .12 * panelUA * (s.wall - 1 - p) / panelHC
		}
		s.panel[i] += d * dt
	}
	s.air += dAir * dt
	s.wall += dWall * dt
	s.tent += dTent * dt
}

// moveWater moves carbon dioxide too.
func (s *Sim) moveWater(f flows) {
	wOut := ratio(vapour(f.dew))
	timber := 0.012 * (s.wTimber - s.wAir) // kg/s per kg/kg
	dw := (f.exchange*(wOut-s.wAir) + timber + f.vapour) / airMass
	s.wTimber -= timber / 900 * dt
	co2 := (f.exchange/1.2*(outCO2-s.co2Air) + f.breath*1e6) / (airMass / 1.2)
	if s.cfg.Tent {
		s.wTent += (f.toTent*(s.wAir-s.wTent) + f.fuelH2O) / tentMass * dt
		s.co2Tent += (f.toTent/1.2*(s.co2Air-s.co2Tent) + f.fuelCO2*1e6) / (tentMass / 1.2) * dt
		dw += f.toTent * (s.wTent - s.wAir) / airMass
		co2 += f.toTent / 1.2 * (s.co2Tent - s.co2Air) / (airMass / 1.2)
	} else {
		dw += f.fuelH2O / airMass
		co2 += f.fuelCO2 * 1e6 / (airMass / 1.2)
	}
	s.wAir += dw * dt
	s.co2Air += co2 * dt
}

// knot is the weather at an hour of the week that begins on Saturday 00:00.
type knot struct{ hour, temp, dew float64 }

// A dry bright Saturday, a clear cold night, and mild damp air that comes in
// on Sunday morning over cold panels.
var week = []knot{
	{6.5, 8.4, 7.2}, {14.5, 15.6, 7.4}, {20, 10.2, 7.0}, {29.5, 6.0, 5.4},
	{30.5, 7.0, 6.7}, {32.8, 11.6, 10.9}, {36, 13.6, 11.4}, {39.5, 14.6, 10.4}, {47, 10.5, 8.6},
	{54.5, 8.2, 7.0}, {62.5, 15.0, 7.6}, {78.5, 7.6, 6.4}, {86.5, 14.4, 7.6},
	{102.5, 9.0, 7.9}, {110.5, 14.8, 8.3}, {126.5, 8.2, 6.8}, {134.5, 15.4, 7.6},
	{150.5, 8.8, 7.4}, {158.5, 15.2, 7.8},
}

var epoch = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC) // a Saturday

// hourOfWeek is counted on the run's own clock, from Saturday 00:00.
func (s *Sim) hourOfWeek(t time.Time) float64 {
	t = t.In(s.cfg.Start.Location())
	days := (int(t.Weekday()) + 1) % 7
	h, m, sec := t.Clock()
	return float64(24*days+h) + float64(m)/60 + float64(sec)/3600
}

// weather returns outdoor temperature and dew point, °C, and the sun that gets
// into the shed, W.
func (s *Sim) weather(t time.Time) (temp, dew, sun float64) {
	h := s.hourOfWeek(t)
	n := len(week)
	i := n - 1
	for j, k := range week {
		if k.hour <= h {
			i = j
		}
	}
	a, b := week[i], week[(i+1)%n]
	if h < week[0].hour {
		a, b = week[n-1], week[0]
		a.hour -= 168
	} else if i == n-1 {
		b.hour += 168
	}
	x := .5 - .5*math.Cos(math.Pi*(h-a.hour)/(b.hour-a.hour))
	temp = a.temp + x*(b.temp-a.temp)
	dew = a.dew + x*(b.dew-a.dew)
	// Gusts and passing cloud, a few tenths, by the seed.
	for i := range uint64(3) {
		ph := 2 * math.Pi * unit(s.cfg.Seed, 800+i, 0)
		temp += .15 * math.Sin(2*math.Pi*h/(1.7+1.3*float64(i))+ph)
	}
	dew = math.Min(dew, temp-.15)

	day := math.Mod(h, 24)
	if day > 7.4 && day < 18.3 {
		cloud := .85
		switch {
		case h >= 24 && h < 36.5: // Sunday until after noon
			cloud = .2
		case h >= 36.5 && h < 48:
			cloud = .55
		case h >= 48:
			cloud = .6
		}
		e := math.Sin(math.Pi * (day - 7.4) / 10.9)
		sun = cloud * aperture * 520 * e * e
	}
	return temp, dew, sun
}

// present is when somebody works in the shed.
func (s *Sim) present(t time.Time) bool {
	if s.cfg.Alone {
		return false
	}
	h := s.hourOfWeek(t)
	return h >= 8.75 && h < 12.5 || h >= 13.3 && h < 18.5 || h >= 20.5 && h < 20.8 || // Saturday, a last look
		h >= 32.25 && h < 36.7 || h >= 38 && h < 41.5 // Sunday
}

// door: opened for about a minute now and then while somebody is there, and
// left open for a while on arrival.
func (s *Sim) door(t time.Time) bool {
	if !s.present(t) {
		return false
	}
	if !s.present(t.Add(-4 * time.Minute)) {
		return true
	}
	const slot = 12 * time.Minute
	k := uint64(t.Sub(epoch) / slot)
	into := t.Sub(epoch) % slot
	from := time.Duration(unit(s.cfg.Seed, 700, k) * float64(slot-2*time.Minute))
	long := 30*time.Second + time.Duration(unit(s.cfg.Seed, 701, k)*float64(75*time.Second))
	return unit(s.cfg.Seed, 702, k) < .5 && into >= from && into < from+long
}

// flap: opened for some minutes about once an hour by whoever is there.
func (s *Sim) flap(t time.Time) bool {
	if !s.cfg.Tent || !s.present(t) {
		return false
	}
	const slot = time.Hour
	k := uint64(t.Sub(epoch) / slot)
	into := t.Sub(epoch) % slot
	from := time.Duration(unit(s.cfg.Seed, 710, k) * float64(slot-8*time.Minute))
	return into >= from && into < from+time.Duration((2+5*unit(s.cfg.Seed, 711, k))*float64(time.Minute))
}

// vapour is the saturation pressure over water, Pa, at t °C (Buck 1981; from
// memory), a formula other than the product's.
func vapour(t float64) float64 { return 611.21 * math.Exp(17.502*t/(240.97+t)) }

const pressure = 101325

func ratio(e float64) float64 { return .621945 * e / (pressure - e) }

func rh(w, t float64) float64 {
	e := pressure * w / (.621945 + w)
	return math.Min(100*e/vapour(t), 100)
}

func round(x, to float64) float64 { return math.Round(x/to) * to }

// unit and gauss are noise that depends on seed, channel and moment alone.
func unit(seed, ch, k uint64) float64 {
	x := seed*0x9e3779b97f4a7c15 + ch*0xbf58476d1ce4e5b9 + k*0x94d049bb133111eb + 0x2545f4914f6cdd1d
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	x ^= x >> 31
	return float64(x>>11) / (1 << 53)
}

func gauss(seed, ch, k uint64) float64 {
	s := 0.0
	for i := range uint64(6) {
		s += unit(seed, ch+1000*i, k)
	}
	return (s - 3) * math.Sqrt2 // six uniforms have variance ½
}
