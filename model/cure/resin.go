// SPDX-License-Identifier: Apache-2.0

// Package cure is the chemistry of a two-part amine epoxy at shop
// temperature: rate law, integration over a temperature history, gelation,
// glass transition, resins and their fit to a data sheet.
//
// Nothing of a coat's record, of people, of air or of a shop comes in here.
package cure

// GasConstant is R in J/(mol·K), exact since the 2019 SI revision (CODATA 2018).
const GasConstant = 8.31446261815324

// Resin is a resin + hardener pair: a mix ratio and a cure law. Temperatures
// are °C, energies J/mol, rates 1/s. The zero value is not usable: take one
// from [Generic], from [Fit] or from a resin file ([ParseResin]).
type Resin struct {
	Name    string `json:"name" toml:"name"`
	Generic bool   `json:"generic" toml:"generic"` // fast, medium, slow: "generic, fit your own"

	A1 float64 `json:"a1_per_s" toml:"a1_per_s"` // pre-exponential of the uncatalysed path, 1/s
	A2 float64 `json:"a2_per_s" toml:"a2_per_s"` // of the autocatalysed path, 1/s
	E1 float64 `json:"e1_j_mol" toml:"e1_j_mol"`
	E2 float64 `json:"e2_j_mol" toml:"e2_j_mol"`
	M  float64 `json:"m" toml:"m"`
	N  float64 `json:"n" toml:"n"`

	Tg0    float64 `json:"tg0_c" toml:"tg0_c"`     // °C, unreacted
	TgInf  float64 `json:"tginf_c" toml:"tginf_c"` // °C, fully cured
	Lambda float64 `json:"lambda" toml:"lambda"`   // ΔCp∞/ΔCp0
	D      float64 `json:"d_k" toml:"d_k"`         // diffusion factor: offset, K
	W      float64 `json:"w_k" toml:"w_k"`         // diffusion factor: width, K

	AlphaGel   float64 `json:"alpha_gel" toml:"alpha_gel"`
	HeatJG     float64 `json:"heat_j_g" toml:"heat_j_g"`         // per gram of mixed resin and hardener
	DensityGCC float64 `json:"density_g_cc" toml:"density_g_cc"` // mixed
	Skin       float64 `json:"blush_factor" toml:"blush_factor"` // S_h of the blush index

	HardenerKind string      `json:"hardener_kind" toml:"hardener_kind"`
	RatioWeight  *[2]float64 `json:"ratio_by_weight,omitempty" toml:"ratio_by_weight,omitempty"`
	RatioVolume  *[2]float64 `json:"ratio_by_volume,omitempty" toml:"ratio_by_volume,omitempty"`
	RatioTolPct  *float64    `json:"ratio_tolerance_pct,omitempty" toml:"ratio_tolerance_pct,omitempty"`

	MinC float64 `json:"min_temp_c" toml:"min_temp_c"` // range in which green and above are claimed
	MaxC float64 `json:"max_temp_c" toml:"max_temp_c"`

	// Limits of the sheet, as a time at a temperature; nil when it gives none.
	RecoatUntil *TimeAt `json:"recoat_until,omitempty" toml:"recoat_until,omitempty"`
	Handle      *TimeAt `json:"handle,omitempty" toml:"handle,omitempty"`

	// PotLife is what the sheet says of cups; model/pot follows it.
	PotLife []PotLife `json:"pot_life,omitempty" toml:"pot_life,omitempty"`
	// Densities of the parts, g/cm³; nil when not known. Without both, a ratio
	// by volume is never made one by weight, or the other way round.
	DensityResin    *float64 `json:"density_resin_g_cc,omitempty" toml:"density_resin_g_cc,omitempty"`
	DensityHardener *float64 `json:"density_hardener_g_cc,omitempty" toml:"density_hardener_g_cc,omitempty"`

	// Doubt: standard deviations of the fit. LnKappaSD is the batch-to-batch
	// doubt in ln κ before any finger test.
	LnKappaSD float64            `json:"ln_kappa_sd" toml:"ln_kappa_sd"`
	SD        map[string]float64 `json:"sd,omitempty" toml:"sd,omitempty"` // by parameter name, see [Fit]
}

// TimeAt is a duration in hours at a temperature, as a data sheet gives it.
type TimeAt struct {
	Hours float64 `json:"hours" toml:"hours"`
	TempC float64 `json:"temp_c" toml:"temp_c"`
}
