// SPDX-License-Identifier: Apache-2.0

// Package stock works out what is left of each drum and bottle, where it ends,
// what a piece cost and wasted, and how much an old lot widens the doubt.
// Records come in as values; nothing is read or written.
package stock

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/fault"
	"curewright/model/words"
)

// The parts that stock is kept of.
const (
	Resin    = "resin"
	Hardener = "hardener"
	Filler   = "filler"
)

// Parts lists them.
var Parts = []string{Resin, Hardener, Filler}

// Conditions are what may be seen of a container.
var Conditions = []string{"", "warm", "crystallised", "cleared"}

// Fault is one thing wrong with one field.
type Fault = fault.Fault

// Check returns everything that is wrong with a container; now bounds what has
// happened. Dates of the future are for best-before only.
func Check(s coat.Stock, resins map[string]cure.Resin, now time.Time) []Fault {
	var f fault.List
	if !slices.Contains(Parts, s.Part) {
		f.Add("part", "%q is not resin, hardener or filler", s.Part)
	}
	if _, ok := resins[s.Resin]; !ok && (s.Resin != "" || s.Part != Filler) {
		if s.Resin == "" {
			f.Add("resin", "missing: which epoxy it belongs to")
		} else {
			f.Add("resin", "unknown resin %q", s.Resin)
		}
	}
	f.Positive("full_g", s.FullG, 1e6, "g")
	f.OptWithin("price", s.Price, 0, 1e7, "")
	f.Text("currency", s.Currency, 8)
	if s.Price != nil && s.Currency == "" {
		f.Add("currency", "missing: a price needs one")
	}
	if !slices.Contains(Conditions, s.Condition) {
		f.Add("condition", "%q is not warm, crystallised or cleared", s.Condition)
	}
	switch {
	case s.CountedG != nil && !(*s.CountedG >= 0 && *s.CountedG <= 1e6):
		f.Add("counted_g", "%g g is below 0", *s.CountedG)
	case s.CountedG != nil && s.FullG > 0 && *s.CountedG > s.FullG*1.05:
		f.Add("counted_g", "%g g is more than the %g g it held when it was full (weigh it without the container)", *s.CountedG, s.FullG)
	}
	if (s.CountedG == nil) != (s.CountedAt == nil) {
		f.Add("counted_at", "counted_g and counted_at belong together")
	}
	for _, x := range []struct {
		field string
		at    *time.Time
	}{{"opened", s.Opened}, {"counted_at", s.CountedAt}, {"gone", s.Gone}} {
		if x.at != nil && x.at.After(now.Add(time.Hour)) {
			f.Add(x.field, "%s is in the future", x.at.Format("2006-01-02"))
		}
	}
	return f
}

// CheckLots returns what is wrong with the lots that a batch names, where stock
// is kept of that part of its resin: a lot that is not there. Without any stock
// of the part a lot is free text.
func CheckLots(w *coat.Work, b coat.Batch) []Fault {
	var f fault.List
	check := func(field, part, lot string) {
		if lot == "" {
			return
		}
		var known []string
		for _, s := range w.Stock {
			if s.Part == part && s.Resin == b.Resin && s.Lot != "" {
				if s.Lot == lot {
					return
				}
				known = append(known, s.Lot)
			}
		}
		if known != nil {
			slices.Sort(known)
			f.Add(field, "no %s of lot %q is in stock: there is %s", part, lot, strings.Join(slices.Compact(known), ", "))
		}
	}
	check("lot", Resin, b.Lot)
	// One word for both lots is free as long as the hardener's is not said.
	check("hardener_lot", Hardener, b.HardenerLot)
	return f
}

// Level is one container and what is left of it.
type Level struct {
	coat.Stock
	DrawnG  float64  `json:"drawn_g"` // by batches since it was bought or counted
	LeftG   float64  `json:"left_g"`  // never below 0
	ShortG  float64  `json:"short_g"` // drawn beyond what was there: weigh it
	Value   *float64 `json:"value"`   // of what is left; nil without a price
	DoubtLn float64  `json:"doubt"`   // what its age and state add to the doubt of ln κ (sd)
	Say     string   `json:"say"`     // what to look at; "" when there is nothing
}

type need struct {
	part, resin, lot string
	g                float64
	at               time.Time
}

func needs(b coat.Batch) []need {
	var out []need
	add := func(part, lot string, g *float64) {
		if g != nil && *g > 0 {
			out = append(out, need{part, b.Resin, lot, *g, b.Mixed})
		}
	}
	add(Resin, b.Lot, b.ResinG)
	add(Hardener, cmp.Or(b.HardenerLot, b.Lot), b.HardenerG)
	add(Filler, "", b.FillerG)
	return out
}

// draw takes a need out of the containers that may have served it: those of its
// lot, or of any when its lot is not kept; the one opened first, first. What is
// left over is booked on the last of them as short.
func draw(ls []Level, n need) {
	match := func(l *Level, lot bool) bool {
		return l.Part == n.part && (l.Resin == n.resin || n.part == Filler && l.Resin == "") &&
			(!lot || l.Lot == n.lot) && (l.Gone == nil || l.Gone.After(n.at)) &&
			(l.CountedAt == nil || n.at.After(*l.CountedAt)) && (l.Opened == nil || !n.at.Before(l.Opened.Add(-24*time.Hour)))
	}
	var of []*Level
	for _, lot := range []bool{true, false} {
		for i := range ls {
			if match(&ls[i], lot) {
				of = append(of, &ls[i])
			}
		}
		if of != nil {
			break
		}
		if n.lot != "" && slices.ContainsFunc(ls, func(l Level) bool { return l.Part == n.part && l.Resin == n.resin && l.Lot == n.lot }) {
			return // its own lot is kept, and counted or gone since
		}
	}
	for _, l := range of {
		g := math.Min(n.g, l.LeftG)
		l.LeftG -= g
		l.DrawnG += g
		n.g -= g
	}
	if n.g > 1e-9 && len(of) > 0 {
		of[len(of)-1].ShortG += n.g
		of[len(of)-1].DrawnG += n.g
	}
}

// Levels is every container with what the batches left of it, in the order in
// which they are used: opened first, then the older date, then by id.
func Levels(c *words.Catalogue, w *coat.Work, now time.Time) []Level {
	ls := make([]Level, 0, len(w.Stock))
	for _, s := range w.Stock {
		l := Level{Stock: s, LeftG: s.FullG}
		if s.CountedG != nil {
			l.LeftG = *s.CountedG
		}
		ls = append(ls, l)
	}
	date := func(t *time.Time) time.Time {
		if t == nil {
			return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
		}
		return *t
	}
	slices.SortStableFunc(ls, func(a, b Level) int {
		return cmp.Or(date(a.Opened).Compare(date(b.Opened)), date(a.BestBefore).Compare(date(b.BestBefore)), cmp.Compare(a.ID, b.ID))
	})
	for _, b := range w.Batches {
		for _, n := range needs(b) {
			draw(ls, n)
		}
	}
	for i := range ls {
		l := &ls[i]
		if l.Gone != nil {
			l.LeftG = 0
		}
		if l.Price != nil {
			v := *l.Price * l.LeftG / l.FullG
			l.Value = &v
		}
		l.DoubtLn = Doubt(l.Stock, now)
		l.Say = say(words.View{Words: c}, l, now)
	}
	return ls
}

func say(v words.View, l *Level, now time.Time) string {
	switch {
	case l.Gone != nil:
		return ""
	case l.ShortG > 0.5:
		return v.Say("stock.short", words.Facts{"grams": fmt.Sprintf("%.0f", l.ShortG)})
	case l.Condition == "crystallised":
		return v.Say("stock.crystallised", nil)
	case l.BestBefore != nil && now.After(*l.BestBefore):
		return v.Say("stock.old", nil)
	case l.Condition == "warm":
		return v.Say("stock.warm", nil)
	case l.LeftG < 0.1*l.FullG:
		return v.Say("stock.left", words.Facts{"grams": fmt.Sprintf("%.0f", l.LeftG)})
	}
	return ""
}

// Doubt is what a container's age and state add to the doubt of ln κ, as a
// standard deviation; all are choices, to be added in squares: .10 and .10 more
// for each year past its date, up to .40; .10 without a date a year after it was
// opened; .10 when it stood warm; .20 while it is crystallised, .05 when it was
// warmed clear again.
func Doubt(s coat.Stock, now time.Time) float64 {
	const year = 365.25 * 24
	sum := 0.0
	add := func(v float64) { sum += v * v }
	switch {
	case s.BestBefore != nil && now.After(*s.BestBefore):
		add(math.Min(.4, .1+.1*now.Sub(*s.BestBefore).Hours()/year))
	case s.BestBefore == nil && s.Opened != nil && now.Sub(*s.Opened).Hours() > year:
		add(.1)
	}
	switch s.Condition {
	case "warm":
		add(.1)
	case "crystallised":
		add(.2)
	case "cleared":
		add(.05)
	}
	return math.Sqrt(sum)
}

// BatchDoubt is what the lots of a batch add to the doubt of its ln κ: the
// containers of its lots, or of its resin where no lot is named.
func BatchDoubt(w *coat.Work, b coat.Batch) float64 {
	sum := 0.0
	for _, n := range needs(b) {
		worst := 0.0
		for _, s := range w.Stock {
			if s.Part == n.part && s.Resin == n.resin && s.Part != Filler && s.Lot == n.lot && (s.Gone == nil || s.Gone.After(b.Mixed)) {
				worst = math.Max(worst, Doubt(s, b.Mixed))
			}
		}
		sum += worst * worst
	}
	return math.Sqrt(sum)
}

// Want is a batch that is still to be mixed.
type Want struct {
	Panel, Step string
	Where       string // in a person's words: "the wet-out on Lid, outer"; "": by ids
	Resin       string
	ResinG      float64
	HardenerG   float64
}

// End is where a part runs out.
type End struct {
	Part   string  `json:"part"`
	Resin  string  `json:"resin"`
	Panel  string  `json:"panel"`
	Step   string  `json:"step"`
	ShortG float64 `json:"short_g"` // for all that is wanted
	Say    string  `json:"say"`
}

// Ends says where resin and hardener run out, for batches in the order in which
// they will be mixed. Only parts that stock is kept of are judged.
func Ends(c *words.Catalogue, ls []Level, wants []Want) []End {
	left := map[[2]string]float64{}
	for _, l := range ls {
		if l.Gone == nil {
			left[[2]string{l.Part, l.Resin}] += l.LeftG
		}
	}
	at := map[[2]string]*End{}
	where := map[[2]string]string{}
	var order [][2]string
	for _, w := range wants {
		for _, x := range []struct {
			part string
			g    float64
		}{{Resin, w.ResinG}, {Hardener, w.HardenerG}} {
			k := [2]string{x.part, w.Resin}
			have, kept := left[k]
			if !kept || !(x.g > 0) {
				continue
			}
			left[k] = have - x.g
			if have-x.g >= 0 {
				continue
			}
			if at[k] == nil {
				at[k] = &End{Part: x.part, Resin: w.Resin, Panel: w.Panel, Step: w.Step}
				where[k] = cmp.Or(w.Where, words.View{Words: c}.Say("stock.step_of", words.Facts{"step": w.Step, "panel": w.Panel}))
				order = append(order, k)
			}
			at[k].ShortG = x.g - have
		}
	}
	var out []End
	for _, k := range order {
		e := *at[k]
		e.ShortG = math.Ceil(-left[k])
		e.Say = words.Upper(words.View{Words: c}.Say("stock.ends", words.Facts{"part": words.Code("stock.part." + e.Part), "resin": e.Resin, "where": where[k], "grams": fmt.Sprintf("%.0f", e.ShortG)}))
		out = append(out, e)
	}
	return out
}

// Bill is what a piece took.
type Bill struct {
	MixedG   float64 `json:"mixed_g"` // resin, hardener and filler
	LeftG    float64 `json:"left_g"`  // weighed and thrown away
	ScrapG   float64 `json:"scrap_g"` // cups never used
	WastePct float64 `json:"waste_pct"`
	// Cost by currency, and what of it was thrown away. A batch whose stock has
	// no price is in Unpriced.
	Cost      map[string]float64 `json:"cost,omitempty"`
	WasteCost map[string]float64 `json:"waste_cost,omitempty"`
	UnpricedG float64            `json:"unpriced_g"`
	Unweighed int                `json:"unweighed"` // batches without masses
}

// BillOf adds up batches, each with the share of it that went to the piece (0
// to 1; a cup that served two panels of two pieces is shared).
func BillOf(w *coat.Work, batches []coat.Batch, share func(coat.Batch) float64) Bill {
	b := Bill{Cost: map[string]float64{}, WasteCost: map[string]float64{}}
	for _, x := range batches {
		part := 1.0
		if share != nil {
			part = share(x)
		}
		ns := needs(x)
		if len(ns) == 0 {
			b.Unweighed++
			continue
		}
		mixed := 0.0
		for _, n := range ns {
			mixed += n.g
		}
		waste := 0.0
		if x.LeftG != nil {
			waste = math.Min(*x.LeftG, mixed)
		}
		if x.OffRatio == coat.OffScrap {
			waste = mixed
			b.ScrapG += mixed * part
		} else {
			b.LeftG += waste * part
		}
		b.MixedG += mixed * part
		for _, n := range ns {
			priced := func(lot bool) int {
				return slices.IndexFunc(w.Stock, func(s coat.Stock) bool {
					return s.Part == n.part && (s.Resin == n.resin || s.Part == Filler && s.Resin == "") && (!lot || s.Lot == n.lot) && s.Price != nil && s.FullG > 0
				})
			}
			i := priced(n.lot != "")
			if i < 0 && !slices.ContainsFunc(w.Stock, func(s coat.Stock) bool { return s.Part == n.part && s.Resin == n.resin && s.Lot == n.lot }) {
				i = priced(false) // its lot is not kept: any container of the part
			}
			if i < 0 {
				b.UnpricedG += n.g * part
				continue
			}
			s := w.Stock[i]
			c := *s.Price / s.FullG * n.g * part
			b.Cost[s.Currency] += c
			b.WasteCost[s.Currency] += c * waste / mixed
		}
	}
	if b.MixedG > 0 {
		b.WastePct = 100 * (b.LeftG + b.ScrapG) / b.MixedG
	}
	return b
}
