// SPDX-License-Identifier: Apache-2.0

package cure

import (
	"fmt"
	"math"
	"slices"
	"strings"

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
func (r Resin) Check() []error {
	var errs []error
	for _, f := range r.faults() {
		errs = append(errs, f)
	}
	return errs
}

func (r Resin) faults() Faults {
	var fs Faults
	bad := func(key, format string, a ...any) {
		fs = append(fs, Fault{Key: key, What: fmt.Sprintf(format, a...)})
	}
	// within rejects NaN too: every comparison with it is false.
	within := func(key string, v, lo, hi float64, unit string) bool {
		if v >= lo && v <= hi {
			return true
		}
		if unit != "" {
			unit = " " + unit
		}
		bad(key, "%g%s: must be within %g to %g%s", v, unit, lo, hi, unit)
		return false
	}
	if strings.TrimSpace(r.Name) == "" {
		bad("name", "missing: a resin needs a name")
	}
	e1 := within("e1_j_mol", r.E1, 20e3, 150e3, "J/mol (kJ or kcal typed?)")
	e2 := within("e2_j_mol", r.E2, 20e3, 150e3, "J/mol (kJ or kcal typed?)")
	if !(r.A1 >= 0) || math.IsInf(r.A1, 0) {
		bad("a1_per_s", "%g: must be a number of 0 or more", r.A1)
	}
	if !(r.A2 >= 0) || math.IsInf(r.A2, 0) {
		bad("a2_per_s", "%g: must be a number of 0 or more", r.A2)
	}
	if r.A1 == 0 {
		bad("a1_per_s", "0: nothing would begin to react")
	}
	mn := within("m", r.M, 0, 3, "")
	mn = within("n", r.N, 0.5, 4, "") && mn
	if mn && e1 && e2 && r.A1 > 0 && r.A2 >= 0 {
		// The units trap of published sets: 1/min read as 1/s is a factor 60.
		if t := 1 / (Arrhenius(r.A1, r.E1, 25) + Arrhenius(r.A2, r.E2, 25)); t < 10 || t > 1e8 {
			bad("a2_per_s", "rate constants at 25 °C add up to 1 per %.3g s: not a room-temperature resin, or 1/min read as 1/s", t)
		}
	}
	tg := within("tg0_c", r.Tg0, -90, 30, "°C")
	tg = within("tginf_c", r.TgInf, 20, 250, "°C") && tg
	if tg && !(r.TgInf > r.Tg0) {
		bad("tginf_c", "%g °C: must be above tg0_c, %g °C", r.TgInf, r.Tg0)
	}
	within("lambda", r.Lambda, 0.05, 1, "")
	within("d_k", r.D, -20, 40, "K")
	within("w_k", r.W, 1, 30, "K")
	within("alpha_gel", r.AlphaGel, 0.3, 0.9, "")
	within("heat_j_g", r.HeatJG, 50, 800, "J/g")
	within("density_g_cc", r.DensityGCC, 0.5, 3, "g/cm³")
	within("blush_factor", r.Skin, 0, 2, "")
	if within("min_temp_c", r.MinC, -20, 60, "°C") && within("max_temp_c", r.MaxC, 0, 120, "°C") && !(r.MaxC > r.MinC) {
		bad("max_temp_c", "%g °C: must be above min_temp_c, %g °C", r.MaxC, r.MinC)
	}
	within("ln_kappa_sd", r.LnKappaSD, 0, 2, "")
	if r.HardenerKind != "" {
		if _, ok := skinOf[r.HardenerKind]; !ok {
			bad("hardener_kind", "%q: must be one of %s", r.HardenerKind, hardenerKinds)
		}
	}
	for _, x := range []struct {
		key string
		v   *[2]float64
	}{{"ratio_by_weight", r.RatioWeight}, {"ratio_by_volume", r.RatioVolume}} {
		if x.v == nil {
			continue
		}
		for i, q := range x.v {
			if !(q > 0) || math.IsInf(q, 0) {
				bad(fmt.Sprintf("%s[%d]", x.key, i), "%g: must be above 0", q)
			}
		}
	}
	if p := r.RatioTolPct; p != nil {
		within("ratio_tolerance_pct", *p, 0, 50, "%")
	}
	for _, x := range []struct {
		key string
		v   *TimeAt
	}{{"recoat_until", r.RecoatUntil}, {"handle", r.Handle}} {
		if x.v != nil {
			within(x.key+".hours", x.v.Hours, 0.01, 8760, "h")
			within(x.key+".temp_c", x.v.TempC, -20, 120, "°C")
		}
	}
	for i, p := range r.PotLife {
		k := fmt.Sprintf("pot_life[%d].", i)
		within(k+"grams", p.Grams, 5, 20000, "g")
		within(k+"temp_c", p.TempC, -10, heatCuredC, "°C")
		if !(p.Minutes.Lo >= 2 && p.Minutes.Lo <= p.Minutes.Hi && p.Minutes.Hi <= 600) {
			bad(k+"minutes", "%s: must be within 2 to 600 min, the smaller first", p.Minutes)
		}
		if p.Until != "" && !slices.Contains(PotLifeEnds, p.Until) {
			bad(k+"until", "%q: must be one of %s", p.Until, strings.Join(PotLifeEnds, ", "))
		}
	}
	for _, x := range []struct {
		key string
		v   *float64
	}{{"density_resin_g_cc", r.DensityResin}, {"density_hardener_g_cc", r.DensityHardener}} {
		if x.v != nil {
			within(x.key, *x.v, 0.5, 3, "g/cm³")
		}
	}
	for k, v := range r.SD {
		if !(v >= 0) || math.IsInf(v, 0) {
			bad("sd."+k, "%g: must be a number of 0 or more", v)
		}
	}
	return fs
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
