// SPDX-License-Identifier: Apache-2.0

package job

import (
	"cmp"
	"fmt"
	"time"

	"curewright/model/coat"
	"curewright/model/pot"
	"curewright/model/words"
)

// say is a sentence of the catalogue's table [job], text the same as a text.
func (d *Desk) say(code string, facts words.Facts) words.Sentence {
	return d.Words.Sentence("job."+code, facts)
}

func (d *Desk) text(code string, facts words.Facts) string {
	return d.say(code, facts).Text(d.Now, words.View{Words: d.Words, Loc: d.Loc})
}

// doing is a step's work as a sentence begins with it ("do"), or further on in
// one ("then").
func (d *Desk) doing(table string, s *Schedule, i int) string {
	x := s.Steps[i]
	facts := words.Facts{"coat": words.Known("kind."+x.Coat, x.Coat), "cloth": x.Cloth, "cover": x.Cover}
	code := x.Do
	switch x.Do {
	case "coat":
		switch x.Coat {
		case coat.Bond:
			code = "bond"
		case coat.WetOut:
			under := ""
			for k, z := range s.Steps[:i] {
				if z.Do == "cloth" && z.Panel == x.Panel && filledBy(s.Steps, k) == i {
					under = fibre(z.Cloth)
				}
			}
			facts["fibre"] = under
			switch {
			case x.Cloth != "" && under != "":
				code = "fill_lay"
			case x.Cloth != "":
				code = "lay_wet_out"
			case under != "":
				code = "fill_weave"
			default:
				code = "wet_out"
			}
		case "":
		default:
			code = "roll"
		}
	case "cloth":
		if x.When == "wet" {
			code = "lay_wet"
		}
	case "cover":
		if x.Cover == "vacuum bag" {
			code = "bag"
			if x.BagKPa != nil {
				code, facts["kpa"] = "bag_at", fmt.Sprintf("%.0f", *x.BagKPa)
			}
		}
	case "flip":
		facts["panel"] = d.panelName(x.To)
	}
	if !words.English.Has("job." + table + "." + code) {
		code = "wait"
	}
	return d.text(table+"."+code, facts)
}

// fibre is a cloth's first word that is a fibre, "cloth" where it has none.
func fibre(cloth string) string {
	if c, err := pot.ParseCloths(cloth); err == nil && len(c) > 0 {
		return c[0].Fibre
	}
	return "cloth"
}

// button is the word on the one filled button.
func (d *Desk) button(s Step) string {
	code := "button." + s.Do
	if !words.English.Has("job." + code) {
		code = "button.coat"
	}
	return d.text(code, nil)
}

// then says the step after i in advance.
func (d *Desk) then(s *Schedule, out []StepState, i int) *Then {
	panel := out[i].Panel
	if out[i].Do == "flip" {
		panel = out[i].To
	}
	for k := range out {
		if k == i || out[k].Panel != panel || out[k].over() || out[k].Status == StepUnsaid || panel == out[i].Panel && k < i {
			continue
		}
		facts, code := words.Facts{"then": d.doing("then", s, k)}, "next"
		switch w := out[k].When; w {
		case "", "start":
		case "wet":
			code = "next_wet"
		default:
			code, facts["once"] = "next_once", words.Code("job.once."+w)
		}
		return &Then{out[k].ID, d.text(code, facts)}
	}
	return nil
}

// order is the one order, with its times.
func (d *Desk) order(s *Schedule, i int, n *Next) {
	kind := ""
	if b := baseCoat(s.Steps, i); b >= 0 {
		kind = s.Steps[b].Coat
	}
	facts := words.Facts{"do": d.doing("do", s, i), "coat": words.Known("kind."+kind, kind)}
	if kind == "" {
		facts["coat"] = words.Code("part.coat")
	}
	for name, x := range map[string]struct {
		t   *time.Time
		dir int
	}{"until": {n.Until, +1}, "opens": {n.Opens, +1}, "closes": {n.Closes, -1}} {
		if x.t != nil {
			facts[name] = d.rounded(*x.t, x.dir)
		}
	}
	code := n.Status
	switch n.Status {
	case NextLater:
		if n.Until != nil {
			code = "later_until"
		}
	case NextWaiting:
		facts["step"] = words.Upper(n.WaitingFor.Step)
	case NextFeel, NextUnknown:
		if n.Feel != nil && n.Feel.From != nil && n.Feel.From.After(d.Now) {
			code, facts["from"] = code+"_from", d.rounded(*n.Feel.From, 0)
		}
	case NextCold:
	case NextClosed:
		if n.Mend != nil && n.Mend.Do == "repeat" {
			code = "closed_repeat"
		}
	case NextBefore:
		switch {
		case n.Do == "wait" && n.Opens != nil:
			code = "leave_until"
		case n.Opens == nil && (n.Do == "wait" || n.WaitingFor == nil):
			code = "leave"
		case n.Opens == nil:
			code = "never"
		case n.Closes != nil:
			code = "between"
		default:
			code = "from"
		}
	default:
		switch {
		case n.Closes != nil && n.Closes.After(d.Now):
			code = "now_to"
		case n.Do == "flip":
			code = "plain"
		default:
			code = "now"
		}
	}
	n.Say = d.say("order."+code, facts)
	n.Order = n.Say.Text(d.Now, words.View{Words: d.Words, Loc: d.Loc})
}

// rounded is a clock time as an order gives it: a permission rounds up (+1), a
// limit down (-1), to the minute within an hour of now, to five minutes beyond,
// to half an hour beyond half a day.
func (d *Desk) rounded(t time.Time, dir int) time.Time {
	unit := time.Minute
	switch gap := t.Sub(d.Now).Abs(); {
	case gap > 12*time.Hour:
		unit = 30 * time.Minute
	case gap > time.Hour:
		unit = 5 * time.Minute
	}
	// Zones with half and quarter hours: whole units of the clock on the wall.
	_, off := t.In(cmp.Or(d.Loc, t.Location())).Zone()
	shift := time.Duration(off) * time.Second
	t = t.Add(shift)
	down := t.Truncate(unit)
	switch {
	case dir == 0:
		down = t.Round(unit)
	case dir > 0 && !down.Equal(t):
		down = down.Add(unit)
	}
	down = down.Add(-shift)
	if d.Loc != nil {
		down = down.In(d.Loc)
	}
	return down
}
