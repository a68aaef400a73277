// SPDX-License-Identifier: Apache-2.0

// Package air is moist air at a point and at a surface: vapour pressure, dew
// point, humidity ratio, the relative humidity that a panel sees, and whether
// water forms on it.
//
// Temperatures are °C, pressures Pa, humidities % over liquid water, also
// below 0 °C, where frost forms a little above the dew point given here.
//
// Formulae and their sources alone: no readings, no judgement of a coat.
package air

import (
	"errors"
	"fmt"
	"math"

	"curewright/model/words"
)

// Coefficients over liquid water. Source: WMO-No. 8, Annex 4.B.
const (
	es0 = 611.2
	esA = 17.62
	esB = 243.12
)

// StandardPressure is the pressure of the standard atmosphere at sea level, Pa
// (ISO 2533).
const StandardPressure = 101325.0

// VapourPressure returns the saturation vapour pressure in Pa at tC (°C):
// 611.2·exp(17.62t/(243.12+t)). Against IAPWS-IF97 it is at most .31 % low
// between 0 and 40 °C. Source: WMO-No. 8, Annex 4.B (−45 to 60 °C).
func VapourPressure(tC float64) float64 {
	return es0 * math.Exp(esA*tC/(esB+tC))
}

// DewPoint returns the temperature in °C at which a vapour pressure of e Pa
// saturates, the inverse of [VapourPressure]. It is false for e ≤ 0: dry air
// has no dew point.
func DewPoint(e float64) (float64, bool) {
	if !(e > 0) || math.IsInf(e, 1) {
		return 0, false
	}
	g := math.Log(e / es0)
	if g >= esA {
		return 0, false
	}
	return esB * g / (esA - g), true
}

// HumidityRatio returns kg of water per kg of dry air at vapour pressure e and
// total pressure p (both Pa): .621945·e/(p−e). It is false where e is negative
// or not below p. Source: ASHRAE Handbook—Fundamentals 2017, chapter 1.
func HumidityRatio(e, p float64) (float64, bool) {
	if !(e >= 0) || !(p > e) || math.IsInf(p, 1) {
		return 0, false
	}
	return 0.621945 * e / (p - e), true
}

// PanelRH returns the relative humidity in % at a surface of panelC in air of
// airC and rh %, which is that of the air warmed to panelC with no water added or
// removed. Above 100 water forms on it.
func PanelRH(airC, rh, panelC float64) float64 {
	return rh * VapourPressure(airC) / VapourPressure(panelC)
}

// Result is moist air at a point. Panel figures are nil without a panel.
type Result struct {
	VapourPressurePa float64  `json:"vapour_pressure_pa"`
	DewPointC        float64  `json:"dew_point_c"`
	HumidityRatio    float64  `json:"humidity_ratio"`
	PanelRHPct       *float64 `json:"panel_rh_pct"`
	DewMarginK       *float64 `json:"dew_margin_k"` // panel minus dew point
	Condensing       *bool    `json:"condensing"`
	// Cautions are plain sentences; empty when there is nothing to say.
	Cautions []string `json:"cautions"`

	frost bool // something of it is below 0 °C
}

// Say puts the cautions into a reader's language and unit.
func (r *Result) Say(v words.View) {
	r.Cautions = []string{}
	if r.frost {
		r.Cautions = append(r.Cautions, v.Say("air.frost", words.Facts{"zero": words.Temp(0), "diff": words.Diff(1), "at": words.Temp(-10)}))
	}
}

// Range of what a shop probe can mean, °C; within the span of the formula.
const (
	minC = -45.0
	maxC = 60.0
)

// Point returns moist air of tC (°C) and rh (%, above 0 to 100) at a total
// pressure in Pa, and what a panel of panelC in it meets; panelC may be nil.
// All that is wrong with the input is said at once.
func Point(tC, rh float64, panelC *float64, pressurePa float64) (Result, error) {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	if !(tC >= minC && tC <= maxC) {
		bad("temp: %g °C: must be within %g to %g °C", tC, minC, maxC)
	}
	if !(rh > 0 && rh <= 100) {
		bad("rh: %g %%: must be above 0 and at most 100 %%", rh)
	}
	if panelC != nil && !(*panelC >= minC && *panelC <= 150) {
		bad("panel: %g °C: must be within %g to 150 °C", *panelC, minC)
	}
	if !(pressurePa >= 30e3 && pressurePa <= 120e3) {
		bad("pressure: %g Pa: must be within 30000 to 120000 Pa (hPa typed as Pa?)", pressurePa)
	}
	if len(errs) > 0 {
		return Result{}, errors.Join(errs...)
	}
	e := VapourPressure(tC) * rh / 100
	td, _ := DewPoint(e)
	w, ok := HumidityRatio(e, pressurePa)
	if !ok {
		return Result{}, fmt.Errorf("pressure: %g Pa: not above the vapour pressure of %g Pa", pressurePa, e)
	}
	out := Result{VapourPressurePa: e, DewPointC: td, HumidityRatio: w}
	if panelC != nil {
		prh, margin := PanelRH(tC, rh, *panelC), *panelC-td
		cond := *panelC <= td
		out.PanelRHPct, out.DewMarginK, out.Condensing = &prh, &margin, &cond
	}
	out.frost = td < 0 || tC < 0 || (panelC != nil && *panelC < 0)
	out.Say(words.View{})
	return out, nil
}
