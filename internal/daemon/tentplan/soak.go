// SPDX-License-Identifier: Apache-2.0

package tentplan

import (
	"context"
	"encoding/json"

	"curewright/heat"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/tent"
	"curewright/model/words"
)

// Soak is a wish for a soak, a post-cure: up, held, cooled.
const Soak = "soak"

// tentTg is what a soak does for a coat's glass transition, °C, p10, p50, p90.
type tentTg struct {
	Now     [3]float64 `json:"now"`
	After   [3]float64 `json:"after"`
	Without [3]float64 `json:"without"`
}

// soak plans a soak and, with apply set, puts it in force until it has cooled.
func (t *Planner) soak(ctx context.Context, w AimWish) (*TentPlan, error) {
	p, err := t.problem(w)
	if err != nil {
		return nil, err
	}
	a, err := tent.Soak{TempC: w.TempC, Hours: w.Hours, RampCH: w.RampCH}.Plan(ctx, p)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, fieldFaults(err)
	}
	w.By = a.Until
	out := t.newPlan(w, p, a.EnergyKWh)
	out.Feasible, out.Reached, out.Tg = a.Holds >= w.Probability, a.Holds, &tentTg{a.TgNow, a.TgAfter, a.TgWithout}
	for _, c := range a.Corners {
		out.Points = append(out.Points, heat.Point{At: c.At, C: c.C})
	}
	out.said = t.o.Words.Sentence("tent.soak", words.Facts{"temp": words.Tenth(w.TempC), "hours": w.Hours, "by": t.clock(a.Until), "sure": t.percent(a.Holds),
		"after": words.Temp(a.TgAfter[1]), "without": words.Temp(a.TgWithout[1])})
	for _, cost := range t.sayCost(out) {
		out.said = out.said.Then(words.Plain(cost))
	}
	out.Say = out.said.String()
	return out, t.apply(w, out, heat.Profile{Points: out.Points, Until: a.Until}, p, false)
}

// TentOffer is a coat that the tent can do something for.
type TentOffer struct {
	Coat   string            `json:"coat"`
	Panel  string            `json:"panel"`
	Kind   string            `json:"kind"`
	Wishes []string          `json:"wishes"`  // window, hard, no_stall, soak
	WhyNot map[string]string `json:"why_not"` // the others
}

// Offers are the coats in the tent, each with the wishes that can be met at
// all: only these are worth a button.
func (t *Planner) Offers() json.RawMessage {
	snap := t.o.Snapshot()
	work, err := t.o.Work(context.Background())
	if err != nil || snap == nil {
		return nil
	}
	out := []TentOffer{}
	now := t.o.Now()
	for i := range snap.Result.Coats {
		e := &snap.Result.Coats[i]
		for _, c := range work.Coats {
			if c.ID != e.ID || !c.Open(now) || e.Alpha == nil || e.State == coat.Unknown {
				continue
			}
			for _, p := range work.Panels {
				if p.ID == c.Panel && p.Probe == t.o.Section.Control {
					out = append(out, t.offer(e, c, work.Resins[c.Resin]))
				}
			}
		}
	}
	b, _ := json.Marshal(out)
	return b
}

func (t *Planner) offer(e *coat.Estimate, c coat.Coat, r cure.Resin) TentOffer {
	o := TentOffer{Coat: c.ID, Panel: c.Panel, Kind: c.Kind, Wishes: []string{}, WhyNot: map[string]string{}}
	panel, ok := t.o.Status().PanelC.Get()
	if !ok {
		return o
	}
	for _, kind := range []string{tent.Window, tent.Hard, tent.NoStall} {
		if why, ok := tent.CanLand(kind, r, e.Alpha.P50, panel); ok {
			o.Wishes = append(o.Wishes, kind)
		} else {
			o.WhyNot[kind] = t.say("why_not."+why, nil)
		}
	}
	if e.Alpha.P10 >= r.AlphaGel {
		o.Wishes = append(o.Wishes, Soak)
	} else {
		o.WhyNot[Soak] = t.say("why_not.soak", nil)
	}
	return o
}
