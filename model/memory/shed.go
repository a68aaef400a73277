// SPDX-License-Identifier: Apache-2.0

package memory

import (
	"math"
	"strconv"
	"time"

	"curewright/model/shop"
	"curewright/model/tent"
	"curewright/model/words"
)

// ShedOf is the remembered form of a fitted shop; nil where it is not fitted.
func ShedOf(m *shop.Model, probe string, at time.Time) *Shed {
	if !m.Fitted {
		return nil
	}
	return &Shed{Probe: probe, TauH: m.TauS / 3600, Stays: m.Stays, Gain: m.Gain, Days: math.Round(10*m.Days) / 10, Fitted: at}
}

// Shop is the start for a shed with too few readings yet: the remembered constants with the
// uncertainty of an unknown shed.
func (s *Shed) Shop(outdoor bool) shop.Model {
	m := shop.Default()
	m.TauS, m.Stays = s.TauH*3600, s.Stays
	if outdoor {
		m.Gain = s.Gain
	}
	return m
}

// News reports whether a fit differs from what is remembered by enough to be
// written again: a day of readings more, or other constants.
func (s *Shed) News(was *Shed) bool {
	return was == nil || s.Probe != was.Probe || s.TauH != was.TauH || s.Stays != was.Stays || s.Gain != was.Gain || s.Days >= was.Days+1
}

// TentOf is the remembered form of a fitted tent.
func TentOf(m *tent.Model, at time.Time) *Tent {
	r := func(x float64) float64 { return math.Round(10*x) / 10 }
	return &Tent{PanelMin: r(m.TauS / 60), PanelSD: r(m.TauSD / 60), RiseK: r(m.GainK), RiseSD: r(m.GainSD), Quarters: m.Bins, Fitted: at}
}

// aged is the factor by which a remembered tent's uncertainty is wider than its fit's,
// since the tent may have been put up anew. A choice.
const aged = 2

// Model is the start for a tent with too few samples yet: the remembered figures.
func (t *Tent) Model() tent.Model {
	m := tent.Default()
	m.TauS, m.TauSD, m.GainK, m.GainSD = t.PanelMin*60, aged*t.PanelSD*60, t.RiseK, aged*t.RiseSD
	return m
}

// News reports whether a fit differs from what is remembered by enough to be
// written again.
func (t *Tent) News(was *Tent) bool {
	return was == nil || math.Abs(t.PanelMin-was.PanelMin) > 0.1*was.PanelMin || math.Abs(t.RiseK-was.RiseK) > 0.1*was.RiseK || t.Quarters >= 2*was.Quarters
}

// PlaceClaims are what was learnt of shed and tent, with the readings that taught
// it.
func (m *Memory) PlaceClaims(v words.View) (out []Claim) {
	add := func(code string, facts words.Facts, at float64) {
		out = append(out, Claim{Code: code, Say: v.Say("memory.claim."+code, facts), Coats: []string{}, P50: &at})
	}
	if s := m.Shed; s != nil {
		code := "shed"
		if s.Gain > 0 {
			code = "shed_outdoor"
		}
		add(code, words.Facts{"tau": num(s.TauH), "gain": strconv.Itoa(int(math.Round(100 * s.Gain))), "probe": s.Probe, "days": num(s.Days)}, s.TauH)
	}
	if t := m.Tent; t != nil {
		add("tent", words.Facts{"tau": num(t.PanelMin), "sd": num(t.PanelSD), "rise": words.Diff(t.RiseK), "n": strconv.Itoa(t.Quarters)}, t.PanelMin)
	}
	return out
}

func num(x float64) string { return strconv.FormatFloat(math.Round(10*x)/10, 'g', -1, 64) }
