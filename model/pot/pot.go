// SPDX-License-Identifier: Apache-2.0

// Package pot is the heat balance of mixed resin in a cup, a tray or a thick
// bond: how long it can be worked, whether it will run away, and how much may
// be mixed at once.
//
// The balance is lumped (one temperature a pot), so the core of a thick pot is
// hotter than it says; [Query.Internal] adds the mean resistance inside the
// resin, and [Delta] gives the conduction limit for thick, insulated masses.
// Heat of reaction, heat capacity and loss coefficients are values from
// memory, tuned to a quoted 204 °C for 100 g: a peak is good to ±50 K and is
// shown as a class, never as a number to trust.
//
// No verdict here is "safe". The lowest is "low".
//
// What hands need, such as batches and grams, is worked out here too; which coat it is
// for is model/job's matter.
package pot

import (
	"math"

	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/words"
)

// Shape is the form of the mass.
type Shape string

// Cup is a vertical cylinder standing on a bench, Tray a wide thin layer that
// loses heat as one lumped surface, Bond a layer between two faces of a panel.
const (
	Cup  Shape = "cup"
	Tray Shape = "tray"
	Bond Shape = "bond"
)

// Physical defaults, all from memory.
const (
	density  = 1.10 // g/cm³, mixed resin, where the resin names none
	heatJG   = 420  // J/g, where the resin names none
	condWMK  = 0.2  // W/(m·K), thermal conductivity of the resin
	hTop     = 10.0 // W/(m²·K), free surface
	hSide    = 8.0  // plastic side
	hBottom  = 4.0  // on a bench
	hTray    = 15.0 // a tray or film: top and bottom in one
	hBond    = 4.0  // each face of a bond against a panel
	lossGain = 0.006
	// Between a tray's resin and what takes up its heat, m²·K/W: 2 mm of
	// plastic at 0.2 W/(m·K) and, in places, air under it.
	trayContact = 0.008
)

// BenchJM2K is the heat that a plastic tray and the wooden bench under it take
// up for each kelvin, J/(m²·K): 2 mm of polypropylene (3 400) and 18 mm of
// plywood (17 300), from memory. A tray's outer figures count it; ψ, the verdict
// and the nominal figures do not. The layers of bench/conduction say how far
// that holds: the outer figures are sooner than its nominal layer, but a batch
// that is quick as well may be sooner than they are, since wood far from the
// tray warms late. So an outer figure is never "never" where the nominal one
// is not.
const BenchJM2K = 20700.0

// Default depths where the question names none: the tray of the tables, and a
// joint filled 10 mm thick (our choice).
const (
	DefaultTrayMM = 5.0
	DefaultBondMM = 10.0
)

// Horizon is how far a pot is followed, in minutes.
const Horizon = 12 * 60.0

// Query is one pot. The zero values of the options are the plain case.
type Query struct {
	Words      *words.Catalogue // what is said; nil: English
	Resin      cure.Resin
	Grams      float64 // resin and hardener and filler
	Shape      Shape
	DiameterMM *float64 // cup only; nil: the usual cup for the mass
	DepthMM    *float64 // tray and bond: thickness; nil: the default
	ShopC      float64  // air, °C
	StartC     *float64 // resin when mixed, °C; nil: as the air
	Kappa      *float64 // rate factor; nil: 1

	Internal  bool // add the resistance inside the resin, 1/h + (V/A)/(3k)
	Insulated bool // lagged or buried: also judge by the conduction limit
	Filler    *Filler
	// SubstrateJM2K is the heat capacity behind each face of a bond or under a
	// tray, J/(m²·K) (density × specific heat × thickness). nil: none behind a
	// bond, which warns too early, and [BenchJM2K] in a tray's outer figures;
	// 0: none, a tray on wires or in the hand.
	SubstrateJM2K *float64
}

// Filler is what thickens the resin. It makes no heat and takes some up.
type Filler struct {
	Fraction float64 // of the whole mass, 0 to 0.8
	CpJGK    float64 // J/(g·K); 0: 0.8, glass and silica from memory
	GCC      float64 // true density, g/cm³; 0: 2.2, fumed silica from memory
}

// Fault is one thing wrong with one field; Faults is every fault at once, an error.
type (
	Fault  = fault.Fault
	Faults = fault.List
)

// Check reports every fault of the question at once; nil when there is none.
func (q Query) Check() Faults {
	var f Faults
	massOK := f.Within("grams", q.Grams, 1, 20000, "g")
	switch q.Shape {
	case Cup, Tray, Bond:
	default:
		f.Add("shape", "%q is not cup, tray or bond", string(q.Shape))
	}
	tempOK := true
	if !(q.ShopC >= -20 && q.ShopC <= 50) {
		tempOK = false
		if q.ShopC > 50 && q.ShopC <= 122 {
			f.Add("shop", "%g °C is outside -20 to 50 °C (is it in °F?)", q.ShopC)
		} else {
			f.Add("shop", "%g °C is outside -20 to 50 °C", q.ShopC)
		}
	}
	if q.StartC != nil {
		tempOK = f.Within("start", *q.StartC, -20, 80, "°C") && tempOK
	}
	if q.DiameterMM != nil {
		ok := f.Within("diameter_mm", *q.DiameterMM, 10, 1000, "mm")
		if q.Shape == Bond {
			f.Add("diameter_mm", "a bond has no diameter; give its depth")
		}
		if ok && massOK && q.DepthMM != nil && *q.DepthMM > 0 && q.Shape != Bond {
			d := *q.DiameterMM / 10
			depth := q.Grams / q.gcc() / (math.Pi * d * d / 4) * 10
			if math.Abs(depth-*q.DepthMM) > 0.15*depth {
				f.Add("depth_mm", "%g g in %g mm across stand %.0f mm deep, not %g mm; give one of the two", q.Grams, *q.DiameterMM, depth, *q.DepthMM)
			}
		}
	}
	f.OptWithin("depth_mm", q.DepthMM, 0.05, 1000, "mm")
	f.OptWithin("kappa", q.Kappa, 0.05, 20, "(rate factor)")
	if fl := q.Filler; fl != nil {
		f.Within("filler fraction", fl.Fraction, 0, 0.8, "")
		if fl.CpJGK != 0 {
			f.Within("filler heat capacity", fl.CpJGK, 0.2, 4.2, "J/(g·K)")
		}
		if fl.GCC != 0 {
			f.Within("filler density", fl.GCC, 0.02, 10, "g/cm³")
		}
	}
	if q.SubstrateJM2K != nil {
		f.Within("substrate", *q.SubstrateJM2K, 0, 1e7, "J/(m²·K)")
		if q.Shape == Cup {
			f.Add("substrate", "only a bond or a tray lies against a substrate")
		}
	}
	r := q.Resin
	switch {
	case !(r.A2 > 0) || !(r.A1 >= 0) || !(r.E2 > 0) || !(r.N > 0) || !(r.M > 0) || !(r.W > 0):
		f.Add("resin", "%q has no usable cure law", r.Name)
	case tempOK && massOK && !(r.HeatJG >= 0 && r.HeatJG < 2000):
		f.Add("resin", "%q: heat of reaction %g J/g is outside 0 to 2000", r.Name, r.HeatJG)
	}
	return f
}

// start is the resin's temperature when it was mixed, °C.
func (q *Query) start() float64 {
	if q.StartC != nil {
		return *q.StartC
	}
	return q.ShopC
}

func (q Query) gcc() float64 {
	rho := q.Resin.DensityGCC
	if rho == 0 {
		rho = density
	}
	if q.Filler != nil && q.Filler.Fraction > 0 {
		fd := q.Filler.GCC
		if fd == 0 {
			fd = 2.2
		}
		w := q.Filler.Fraction
		rho = 1 / ((1-w)/rho + w/fd)
	}
	return rho
}

// geometry is what the heat balance needs of the shape, SI units.
type geometry struct {
	hA       float64 // W/K at small temperature difference
	area     float64 // m², all cooled surface
	volume   float64 // m³
	diameter float64 // m, 0 when it has none
	depth    float64 // m
	biot     float64 // h·half/k, without the internal resistance
	class    int     // of conduction: Slab or Cylinder
	half     float64 // m, half thickness or radius of the class with this volume and area
}

func (q Query) geometry() geometry {
	v := q.Grams / q.gcc() * 1e-6
	g := geometry{volume: v}
	switch q.Shape {
	case Cup:
		var d float64
		switch {
		case q.DiameterMM != nil:
			d = *q.DiameterMM / 1000
		case q.DepthMM != nil:
			d = math.Sqrt(v / (*q.DepthMM / 1000) * 4 / math.Pi)
		default:
			d = cure.DefaultCupMM(q.Grams) / 1000
		}
		a := math.Pi * d * d / 4
		depth := v / a
		g.diameter, g.depth = d, depth
		g.hA = hTop*a + hSide*math.Pi*d*depth + hBottom*a
		g.area = 2*a + math.Pi*d*depth
		if depth >= d {
			g.class = Cylinder
		}
	case Tray:
		depth := DefaultTrayMM / 1000
		switch {
		case q.DepthMM != nil:
			depth = *q.DepthMM / 1000
		case q.DiameterMM != nil:
			depth = v / (math.Pi * *q.DiameterMM * *q.DiameterMM * 1e-6 / 4)
		}
		a := v / depth
		g.depth, g.area, g.hA = depth, a, hTray*a
	case Bond:
		depth := DefaultBondMM / 1000
		if q.DepthMM != nil {
			depth = *q.DepthMM / 1000
		}
		a := v / depth
		g.depth, g.area, g.hA = depth, 2*a, 2*hBond*a
	}
	g.half = float64(1+g.class) * g.volume / g.area
	g.biot = g.hA / g.area * g.half / condWMK
	if q.Internal {
		g.hA = g.area / (g.area/g.hA + g.volume/g.area/(3*condWMK))
	}
	return g
}

// cp is the specific heat of mixed resin, J/(g·K), at the resin's temperature.
func cpResin(tC float64) (cp, slope float64) {
	switch {
	case tC <= 20:
		return 1.8, 0
	case tC >= 170:
		return 2.4, 0
	}
	return 1.8 + 0.004*(tC-20), 0.004
}
