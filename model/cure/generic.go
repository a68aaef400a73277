// SPDX-License-Identifier: Apache-2.0

package cure

// Generic names, in order of speed.
const (
	Fast   = "fast"
	Medium = "medium"
	Slow   = "slow"
)

// Generic returns one of the three generic resins, "fast", "medium" or
// "slow". They are starting points, not literature data: activation energy
// and reaction orders lie within published ranges for room-temperature
// aliphatic and cycloaliphatic amines; the pre-exponential factors were solved
// so that a thin film at 25 °C gels in 2.0, 3.5 and 7.0 h; glass transition,
// diffusion and blush constants are judgement. Every place that shows a
// result of theirs says "generic, fit your own".
func Generic(name string) (Resin, bool) {
	r := Resin{
		Name: name, Generic: true,
		E1: 57e3, E2: 57e3, M: 1, N: 2,
		D: 5, W: 5,
		AlphaGel: 0.577350, // GelConversion(4, 2, 1, 0)
		HeatJG:   420, DensityGCC: 1.10,
		MinC: 10, MaxC: 40, LnKappaSD: 0.25,
	}
	switch name {
	case Fast:
		r.A1, r.A2 = 8.848e5, 2.949e6
		r.Tg0, r.TgInf, r.Lambda = -35, 124, 0.34
		r.HardenerKind, r.Skin = "polyamine", 1.0
	case Medium:
		r.A1, r.A2 = 5.056e5, 1.685e6
		r.Tg0, r.TgInf, r.Lambda = -38, 95, 0.38
		r.HardenerKind, r.Skin = "cycloaliphatic", 0.6
	case Slow:
		r.A1, r.A2 = 2.528e5, 8.426e5
		r.Tg0, r.TgInf, r.Lambda = -42, 85, 0.42
		// A polyether with some cycloaliphatic: the more willing to blush of
		// the two speaks.
		r.HardenerKind, r.Skin = "polyether", 0.7
	default:
		return Resin{}, false
	}
	return r, true
}
