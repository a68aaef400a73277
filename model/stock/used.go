// SPDX-License-Identifier: Apache-2.0

package stock

import (
	"fmt"
	"slices"

	"curewright/model/coat"
	"curewright/model/pot"
	"curewright/model/words"
)

// Mixed is a batch's resin, hardener and filler, g; 0 when nothing was weighed.
func Mixed(b coat.Batch) float64 {
	sum := 0.0
	for _, g := range []*float64{b.ResinG, b.HardenerG, b.FillerG} {
		if g != nil {
			sum += *g
		}
	}
	return sum
}

func panelOf(w *coat.Work, id string) coat.Panel {
	for _, p := range w.Panels {
		if p.ID == id {
			return p
		}
	}
	return coat.Panel{ID: id}
}

// AreaM2 is what a coat covers: its share of its panel; nil when the panel has
// no area.
func AreaM2(w *coat.Work, c coat.Coat) *float64 {
	p := panelOf(w, c.Panel)
	if p.AreaM2 == nil {
		return nil
	}
	a := *p.AreaM2
	if c.Share != nil {
		a *= *c.Share
	}
	return &a
}

// Portions is what share of a batch each coat took, by coat: as the coats say
// where they do, the rest by their areas, and in equal parts where a coat has
// none. Empty when no coat names the batch.
func Portions(w *coat.Work, b coat.Batch) map[string]float64 {
	out := map[string]float64{}
	mixed := Mixed(b)
	rest := 1.0
	var open []coat.Coat
	for _, c := range w.Coats {
		if !slices.Contains(c.Batches, b.ID) {
			continue
		}
		i := slices.IndexFunc(c.Used, func(u coat.Use) bool { return u.Batch == b.ID })
		if i < 0 || mixed == 0 {
			open = append(open, c)
			continue
		}
		s := min(c.Used[i].G/mixed, rest)
		out[c.ID] = s
		rest -= s
	}
	if len(open) == 0 {
		return out
	}
	sum, known := 0.0, true
	for _, c := range open {
		a := AreaM2(w, c)
		if a == nil {
			known = false
			break
		}
		sum += *a
	}
	for _, c := range open {
		if known && sum > 0 {
			out[c.ID] = rest * *AreaM2(w, c) / sum
		} else {
			out[c.ID] = rest / float64(len(open))
		}
	}
	return out
}

// cloths are those that a record names, as the tables know them; nil where one
// cannot be read.
func cloths(cs []coat.Cloth) ([]pot.Cloth, error) {
	var out []pot.Cloth
	for _, c := range cs {
		name := c.Name
		l, err := pot.ParseCloths(name)
		if err != nil && c.GM2 != nil {
			l, err = pot.ParseCloths(fmt.Sprintf("%s %g", name, *c.GM2))
		}
		if err != nil {
			return nil, err
		}
		out = append(out, l...)
	}
	return out, nil
}

// CoatBalance is one coat of a panel with its balance, or why there is none.
type CoatBalance struct {
	Coat  string     `json:"coat"`
	Kind  string     `json:"kind"`
	After *pot.After `json:"after"`
	Why   string     `json:"why"` // "" where there is a balance
}

// laid is a coat as the record has it, with the cloths that it fills.
func laid(v words.View, w *coat.Work, c coat.Coat, fills []pot.Cloth, sealed float64) (pot.Laid, string) {
	p := panelOf(w, c.Panel)
	area := AreaM2(w, c)
	if area == nil {
		return pot.Laid{}, v.Say("stock.no_balance.no_area", nil)
	}
	l := pot.Laid{Words: v.Words, ID: c.ID, Kind: c.Kind, AreaM2: *area, Cloth: fills, PeelPly: c.Cover == "peel ply", GCC: w.Resins[c.Resin].DensityGCC}
	left, weighed := 0.0, true
	for _, id := range c.Batches {
		i := slices.IndexFunc(w.Batches, func(b coat.Batch) bool { return b.ID == id })
		if i < 0 {
			continue
		}
		b := w.Batches[i]
		m := Mixed(b)
		if m == 0 {
			return pot.Laid{}, v.Say("stock.no_balance.not_weighed", words.Facts{"cup": id})
		}
		s := Portions(w, b)[c.ID]
		l.MixedG += s * m
		if b.LeftG != nil {
			left += s * *b.LeftG
		} else {
			weighed = false
		}
	}
	if l.MixedG == 0 {
		return pot.Laid{}, v.Say("stock.no_balance.no_cup", nil)
	}
	if weighed {
		l.LeftG = &left
	}
	if c.Kind != coat.Bond {
		if bare := pot.BareM2(*area, p.AreaM2, sealed); bare > 0 {
			l.Core, l.CoreM2 = p.Core, &bare
		}
	}
	return l, ""
}

// each walks a panel's coats in order of time, with the cloths that each fills
// and what was sealed before it. A cloth pressed into a tack coat is filled by
// the next coat, since a tack film holds it without filling it.
func each(w *coat.Work, panel string, visit func(c coat.Coat, fills []pot.Cloth, sealed float64, err error)) {
	var waiting []pot.Cloth
	sealed := 0.0
	for _, c := range w.Coats {
		if c.Panel != panel {
			continue
		}
		own, err := cloths(c.Cloth)
		switch c.Kind {
		case coat.TackCoat:
			visit(c, nil, sealed, nil)
			waiting = append(waiting, own...)
		case coat.Bond:
			visit(c, nil, sealed, nil)
			continue
		default:
			visit(c, append(waiting, own...), sealed, err)
			waiting = nil
		}
		if a := AreaM2(w, c); a != nil {
			sealed += *a
		}
	}
}

// Balances says of every coat on a panel what it left there.
func Balances(c *words.Catalogue, w *coat.Work, panel string) []CoatBalance {
	out, v := []CoatBalance{}, words.View{Words: c}
	each(w, panel, func(c coat.Coat, fills []pot.Cloth, sealed float64, err error) {
		b := CoatBalance{Coat: c.ID, Kind: c.Kind}
		defer func() { out = append(out, b) }()
		if err != nil {
			b.Why = err.Error()
			return
		}
		if c.Kind == coat.Bond {
			b.Why = v.Say("stock.no_balance.joint", nil)
			return
		}
		l, why := laid(v, w, c, fills, sealed)
		if why != "" {
			b.Why = why
			return
		}
		a, err := pot.Balance(l)
		if err != nil {
			b.Why = err.Error()
			return
		}
		b.After = &a
	})
	return out
}

// Habits is what one person takes of each kind of coat against the tables, and
// leaves in the cups, learnt from every coat whose cups were weighed: laidBy says
// who laid which coat, by its id. Where a person has laid little the shop speaks;
// who "" is the shop, all of them together.
func Habits(w *coat.Work, laidBy map[string]string, who string) map[string]pot.Habit {
	all := pastOf(w)
	shop := pot.Learn(all, nil)
	if who == "" {
		return shop
	}
	var own []pot.Past
	for _, p := range all {
		if laidBy[p.Coat] == who {
			own = append(own, p)
		}
	}
	out := pot.Learn(own, shop)
	for kind, h := range shop {
		if x, laid := out[kind]; laid {
			x.Who = who
			out[kind] = x
		} else {
			out[kind] = h
		}
	}
	return out
}

// People are those who laid a coat that something can be learnt from.
func People(w *coat.Work, laidBy map[string]string) []string {
	var out []string
	for _, p := range pastOf(w) {
		if who := laidBy[p.Coat]; who != "" && !slices.Contains(out, who) {
			out = append(out, who)
		}
	}
	slices.Sort(out)
	return out
}

func pastOf(w *coat.Work) []pot.Past {
	var past []pot.Past
	for _, p := range w.Panels {
		each(w, p.ID, func(c coat.Coat, fills []pot.Cloth, sealed float64, err error) {
			if err != nil || c.Kind == coat.Bond || c.Kind == coat.TackCoat && len(c.Batches) == 0 {
				return
			}
			l, why := laid(words.View{}, w, c, fills, sealed)
			if why != "" {
				return
			}
			none := pot.Range{}
			q, err := pot.Need{Kind: c.Kind, AreaM2: l.AreaM2, Cloth: fills, Core: l.Core, CoreM2: l.CoreM2, PeelPly: l.PeelPly, GCC: l.GCC, WastePc: &none}.Quantity()
			if err != nil {
				return
			}
			used := l.MixedG * (1 - pot.Tools.Use/100)
			if l.LeftG != nil {
				used -= *l.LeftG
			} else {
				used = l.MixedG * .85
			}
			past = append(past, pot.Past{Coat: c.ID, Kind: c.Kind, UsedG: used, ReckonedG: q.Grams.Use, LeftG: l.LeftG, MixedG: l.MixedG})
		})
	}
	return past
}

// PieceBill is what the coats on a piece's panels took.
func PieceBill(w *coat.Work, piece string) Bill {
	panels := map[string]bool{}
	for _, p := range w.Panels {
		if p.Piece == piece || p.ID == piece {
			panels[p.ID] = true
		}
	}
	var of []coat.Batch
	share := map[string]float64{}
	for _, b := range w.Batches {
		sum := 0.0
		for id, s := range Portions(w, b) {
			for _, c := range w.Coats {
				if c.ID == id && panels[c.Panel] {
					sum += s
				}
			}
		}
		if sum > 0 {
			of = append(of, b)
			share[b.ID] = sum
		}
	}
	return BillOf(w, of, func(b coat.Batch) float64 { return share[b.ID] })
}
