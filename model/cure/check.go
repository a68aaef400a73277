// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"curewright/model/fault"
	"curewright/model/tomlfile"
)

// Fault is one thing wrong with a file, with its place where it has one; Faults is
// everything wrong with it, an error.
type (
	Fault  = tomlfile.Fault
	Faults = tomlfile.Faults
)

// Check returns every fault of a resin, each naming the field as a resin
// file does; nil when it may be used.
func (r Resin) Check() fault.List {
	var f sheetFaults
	f.mix(r.Name, r.HardenerKind, r.RatioWeight, r.RatioVolume, r.RatioTolPct, r.DensityResin, r.DensityHardener)
	f.law(r)
	f.Within("heat_j_g", r.HeatJG, 50, 800, "J/g")
	f.Within("density_g_cc", r.DensityGCC, 0.5, 3, "g/cm³")
	f.Within("blush_factor", r.Skin, 0, 2, "")
	if f.Within("min_temp_c", r.MinC, -20, 60, "°C") && f.Within("max_temp_c", r.MaxC, 0, 120, "°C") && !(r.MaxC > r.MinC) {
		f.Add("max_temp_c", "%g °C: must be above min_temp_c, %g °C", r.MaxC, r.MinC)
	}
	f.Within("ln_kappa_sd", r.LnKappaSD, 0, 2, "")
	age := func(key string, v *TimeAt) {
		if v != nil {
			f.Within(key+".hours", v.Hours, 0.01, 8760, "h")
			f.Within(key+".temp_c", v.TempC, -20, 120, "°C")
		}
	}
	age("recoat_until", r.RecoatUntil)
	age("handle", r.Handle)
	for i, p := range r.PotLife {
		k := fmt.Sprintf("pot_life[%d].", i)
		f.Within(k+"grams", p.Grams, 5, 20000, "g")
		f.Within(k+"temp_c", p.TempC, -10, heatCuredC, "°C")
		if !(p.Minutes.Lo >= 2 && p.Minutes.Lo <= p.Minutes.Hi && p.Minutes.Hi <= 600) {
			f.Add(k+"minutes", "%s: must be within 2 to 600 min, the smaller first", p.Minutes)
		}
		f.until(k+"until", p.Until)
	}
	for _, k := range slices.Sorted(maps.Keys(r.SD)) {
		f.least0("sd."+k, r.SD[k])
	}
	return f.List
}

func (f *sheetFaults) least0(key string, v float64) {
	if !(v >= 0) || math.IsInf(v, 0) {
		f.Add(key, "%g: must be a number of 0 or more", v)
	}
}

// law checks the constants of the cure law.
func (f *sheetFaults) law(r Resin) {
	e1 := f.Within("e1_j_mol", r.E1, 20e3, 150e3, "J/mol (kJ or kcal typed?)")
	e2 := f.Within("e2_j_mol", r.E2, 20e3, 150e3, "J/mol (kJ or kcal typed?)")
	f.least0("a1_per_s", r.A1)
	f.least0("a2_per_s", r.A2)
	if r.A1 == 0 {
		f.Add("a1_per_s", "0: nothing would begin to react")
	}
	mn := f.Within("m", r.M, 0, 3, "")
	mn = f.Within("n", r.N, 0.5, 4, "") && mn
	if mn && e1 && e2 && r.A1 > 0 && r.A2 >= 0 {
		// The units trap of published sets: 1/min read as 1/s is a factor 60.
		if t := 1 / (Arrhenius(r.A1, r.E1, 25) + Arrhenius(r.A2, r.E2, 25)); t < 10 || t > 1e8 {
			f.Add("a2_per_s", "rate constants at 25 °C add up to 1 per %.3g s: not a room-temperature resin, or 1/min read as 1/s", t)
		}
	}
	tg := f.Within("tg0_c", r.Tg0, -90, 30, "°C")
	tg = f.Within("tginf_c", r.TgInf, 20, 250, "°C") && tg
	if tg && !(r.TgInf > r.Tg0) {
		f.Add("tginf_c", "%g °C: must be above tg0_c, %g °C", r.TgInf, r.Tg0)
	}
	f.Within("lambda", r.Lambda, 0.05, 1, "")
	f.Within("d_k", r.D, -20, 40, "K")
	f.Within("w_k", r.W, 1, 30, "K")
	f.Within("alpha_gel", r.AlphaGel, 0.3, 0.9, "")
}

// skinOf is the blush factor S_h by kind of hardener, by judgement: the
// willingness of its amine to come to the surface and take up carbon dioxide,
// 1 for an unmodified ethylene amine.
var skinOf = map[string]float64{
	"polyamine":      1.0,
	"polyether":      0.7,
	"cycloaliphatic": 0.6,
	"adduct":         0.3,
	"low-blush":      0.2,
	"unknown":        0.6,
}

const hardenerKinds = "polyamine, cycloaliphatic, polyether, adduct, low-blush, unknown"
