// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"curewright/dashboards/web"
	"curewright/history"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/pot"
	"curewright/model/stock"
	"curewright/model/tomlfile"
	"curewright/model/words"
)

// shopUnknownC is the temperature, °C, assumed for a cup where no probe measures the
// shop: a warm one, since a countdown should rather end too early.
const shopUnknownC = 25.0

// Mix answers what to mix and how the pouring stands.
func (d *Daemon) Mix(ctx context.Context, q web.MixQuery) (json.RawMessage, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	var f web.Faults
	now := d.clk.Now()
	r, ok := w.Resins[q.Resin]
	switch {
	case q.Resin == "":
		f.Add("resin", "missing")
	case !ok:
		f.Add("resin", "unknown resin %q", q.Resin)
	}
	for _, x := range [][2]string{{"mixes", q.Mixes}, {"lays", q.Lays}} {
		field, v := x[0], x[1]
		if len(v) > 64 || strings.ContainsFunc(v, unicode.IsControl) {
			f.Add(field, "a name of at most 64 characters in one line is wanted")
		}
	}
	shopC, shopFrom := d.mixShop(q, now)
	m := pot.MixQuery{Words: d.lang, Resin: r, Grams: q.Grams, WorkMinutes: q.WorkMinutes, Vessel: pot.Vessel(q.Vessel), ShopC: shopC, StartC: q.StartC,
		Pump: q.Pump, Readings: q.Readings, Mixes: q.Mixes, Lays: q.Lays, Whole: q.Whole, ScaleG: orZero(q.ScaleG), FillerPct: orZero(q.FillerPct),
		CupG: orZero(q.CupG), People: orZero(q.People)}
	if q.Grams == nil {
		m.Need = d.mixNeed(w, q, &f)
	}
	if f != nil {
		// The model's other complaints go into the same answer.
		if ok && m.Need != nil && m.Need.AreaM2 > 0 {
			_, err := pot.Mixing(m)
			more, _ := err.(web.Faults)
			f = append(f, more...)
		}
		return nil, f
	}
	a, err := pot.Mixing(m)
	if err != nil {
		return nil, err
	}
	out := mixAnswer{MixAnswer: a, ShopC: m.ShopC, ShopFrom: d.lang.Text(shopFrom), Say: a.Say(d.lang) + "."}
	if wm := a.Batches[0].WorkMinutes; wm != nil {
		out.UsedBy = new(now.Add(minutesOf(math.Floor(*wm))).Truncate(time.Minute))
		out.Say = d.say("mix.used_by", words.Facts{"mix": a.Say(d.lang), "at": out.UsedBy.In(d.loc).Format("15:04")})
	}
	return json.Marshal(out)
}

func orZero[T any](p *T) (v T) {
	if p != nil {
		v = *p
	}
	return v
}

// mixShop is the shop's temperature, °C, for a mix, and the message code of where it
// comes from.
func (d *Daemon) mixShop(q web.MixQuery, now time.Time) (float64, string) {
	if q.ShopC != nil {
		return *q.ShopC, "mix.shop_said"
	}
	if t := shopTemp(now, d.set.Health()); !math.IsNaN(t) {
		return math.Round(2*math.Min(math.Max(t, -20), 50)) / 2, "mix.shop_probe"
	}
	return shopUnknownC, "mix.shop_unknown"
}

// mixNeed is the coat that a cup is mixed for. Missing values are the panel's; the
// consumption of this shop is learnt from its other coats.
func (d *Daemon) mixNeed(w *coat.Work, q web.MixQuery, f *web.Faults) *pot.Need {
	n := &pot.Need{Kind: cmp.Or(q.Kind, coat.WetOut), Core: q.Core, PeelPly: q.PeelPly, DepthMM: orZero(q.DepthMM)}
	area := q.AreaM2
	if i := slices.IndexFunc(w.Panels, func(p coat.Panel) bool { return p.ID == q.Panel }); i >= 0 && q.Panel != "" {
		p := w.Panels[i]
		if area == nil && p.AreaM2 != nil {
			area = p.AreaM2
			if q.Share != nil {
				area = new(*p.AreaM2 * *q.Share)
			}
		}
		if area != nil && n.Core == "" && n.Kind != coat.Bond {
			sealed := 0.0
			for _, c := range w.Coats {
				if a := stock.AreaM2(w, c); c.Panel == p.ID && c.Kind != coat.Bond && a != nil {
					sealed += *a
				}
			}
			if bare := pot.BareM2(*area, p.AreaM2, sealed); bare > 0 {
				n.Core, n.CoreM2 = p.Core, &bare
			}
		}
	} else if q.Panel != "" {
		f.Add("panel", "unknown panel %q", q.Panel)
	}
	if q.Share != nil && !(*q.Share > 0 && *q.Share <= 1) {
		f.Add("share", "%g is outside 0 to 1 of the panel", *q.Share)
	}
	if q.Cloth != "" {
		cs, err := pot.ParseCloths(q.Cloth)
		if err != nil {
			f.Add("cloth", "%v", err)
		}
		n.Cloth = cs
	}
	if area == nil {
		f.Add("area_m2", "missing: an area, a panel that has one, or grams")
	} else {
		n.AreaM2 = *area
	}
	if !q.Tables {
		_, ticks := d.jobsNow()
		if h, ok := stock.Habits(w, job.LaidBy(ticks), q.Lays)[n.Kind]; ok {
			n.Habit = &h
		}
	}
	return n
}

// mixAnswer is the answer to POST /mix.
type mixAnswer struct {
	pot.MixAnswer
	ShopC    float64    `json:"shop_c"`
	ShopFrom string     `json:"shop_from"` // where that comes from, in words
	UsedBy   *time.Time `json:"used_by"`   // if it is mixed now
	Say      string     `json:"say"`
}

// stockAnswer is the answer to GET /stock.
type stockAnswer struct {
	Stock  []stock.Level        `json:"stock"`
	Ends   []stock.End          `json:"ends"`   // where a written job runs out
	Habits map[string]pot.Habit `json:"habits"` // by kind of coat: this shop's consumption compared with the tables
	// People are the same by who laid the coats.
	People map[string]map[string]pot.Habit `json:"people"`
}

// stockRead is the answer to POST /stock/import.
type stockRead struct {
	Entry   string   `json:"entry"`
	IDs     []string `json:"ids"`
	Created bool     `json:"created"` // false: a repeat of an earlier request
}

// laminateAnswer is the answer to GET /panels/ID/laminate.
type laminateAnswer struct {
	Panel string              `json:"panel"`
	Coats []stock.CoatBalance `json:"coats"`
}

// billAnswer is the answer to GET /pieces/ID/bill.
type billAnswer struct {
	Piece string `json:"piece"`
	stock.Bill
}

// Stock is every container with what is left of it, where it ends for the jobs
// that are written, and what this shop takes against the tables.
func (d *Daemon) Stock(ctx context.Context) (json.RawMessage, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	now := d.clk.Now()
	levels := stock.Levels(d.lang, w, now)
	ends := append([]stock.End{}, stock.Ends(d.lang, levels, d.wants(w, now))...) // never null
	_, ticks := d.jobsNow()
	laidBy := job.LaidBy(ticks)
	people := map[string]map[string]pot.Habit{}
	for _, who := range stock.People(w, laidBy) {
		people[who] = stock.Habits(w, laidBy, who)
	}
	return json.Marshal(stockAnswer{levels, ends, stock.Habits(w, laidBy, ""), people})
}

// StockCSV is the containers as a file.
func (d *Daemon) StockCSV(ctx context.Context) ([]byte, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	in := slices.Clone(w.Stock)
	for i := range in {
		// Dates as the shop's clock has them.
		for _, t := range []**time.Time{&in[i].Opened, &in[i].BestBefore, &in[i].CountedAt, &in[i].Gone} {
			if *t != nil {
				*t = new((*t).In(d.loc))
			}
		}
	}
	return stock.WriteCSV(in), nil
}

// ImportStock takes a file whole or not at all, as one entry.
func (d *Daemon) ImportStock(ctx context.Context, who web.Who, file []byte, key string) (json.RawMessage, error) {
	var entry history.Entry
	var created bool
	err := d.change(ctx, func(w *coat.Work) error {
		rows, err := stock.ReadChecked(bytes.NewReader(file), d.loc, w.Resins, d.clk.Now())
		if lf, ok := errors.AsType[tomlfile.Faults](err); ok {
			f := make(web.Faults, len(lf))
			for i, x := range lf {
				f[i] = web.Fault{Field: strings.TrimSpace(fmt.Sprintf("line %d %s", x.Line, x.Key)), What: x.What}
			}
			return f
		} else if err != nil {
			return err
		}
		entry, created, err = d.write(ctx, who, d.clk.Now(), key, func(newID func(string) string) ([]job.Write, string, error) {
			var out []job.Write
			for _, s := range rows {
				if s.ID == "" {
					s.ID = newID("stock")
				}
				out = append(out, job.Write{Kind: "stock", ID: s.ID, Value: s})
			}
			return out, d.say("entry.stock_read", words.Facts{"n": len(rows)}), nil
		})
		return err
	})
	if err != nil {
		return nil, err
	}
	if created {
		d.changed("stock")
	}
	ids := []string{}
	for _, x := range entry.Wrote {
		ids = append(ids, x.ID)
	}
	return json.Marshal(stockRead{entry.ID, ids, created})
}

// Laminate is what each coat left on a panel.
func (d *Daemon) Laminate(ctx context.Context, panel string) (json.RawMessage, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(w.Panels, func(p coat.Panel) bool { return p.ID == panel }) {
		return nil, named("panel", panel, web.ErrNotFound)
	}
	out := stock.Balances(d.lang, w, panel)
	for i := range out {
		if a := out[i].After; a != nil && d.hasSet(w, out[i].Coat) {
			a.Say = a.Is // it has set: nothing can be rolled in or taken off any more
		}
	}
	return json.Marshal(laminateAnswer{panel, out})
}

// hasSet reports whether a coat no longer flows, is covered or was ended; false
// while it was not judged yet.
func (d *Daemon) hasSet(w *coat.Work, id string) bool {
	if e := d.estimateOf(id); e != nil {
		return e.Covered != nil || e.State != coat.Wet && e.State != coat.Unknown
	}
	i := slices.IndexFunc(w.Coats, func(c coat.Coat) bool { return c.ID == id })
	return i < 0 || !w.Coats[i].Open(d.clk.Now())
}

// Bill is what a piece took and wasted.
func (d *Daemon) Bill(ctx context.Context, piece string) (json.RawMessage, error) {
	w, err := d.work(ctx)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(w.Panels, func(p coat.Panel) bool { return p.Piece == piece || p.ID == piece }) {
		return nil, named("piece", piece, web.ErrNotFound)
	}
	return json.Marshal(billAnswer{piece, stock.PieceBill(w, piece)})
}

// wants are the batches that the written jobs still take, in their order.
func (d *Daemon) wants(w *coat.Work, now time.Time) []stock.Want {
	var out []stock.Want
	jobs, ticks := d.jobsNow()
	dk := d.deskFor(now, w, ticks, nil, d.set.Health())
	name := func(panel string) string {
		if i := slices.IndexFunc(w.Panels, func(p coat.Panel) bool { return p.ID == panel }); i >= 0 {
			return cmp.Or(w.Panels[i].Name, panel)
		}
		return panel
	}
	for i := range jobs {
		for k, st := range jobs[i].Progress(w, ticks, now) {
			if st.Do != "coat" || st.Status == job.StepDone || st.Status == job.StepSkipped || st.Status == job.StepUnsaid {
				continue
			}
			c := dk.CardOf(&jobs[i], k)
			for _, cup := range c.Cups {
				if cup.Batch == "" && cup.ResinG != nil && cup.HardenerG != nil {
					out = append(out, stock.Want{Panel: st.Panel, Step: st.ID, Where: "the " + string(c.Kind) + " on " + name(st.Panel), Resin: c.Resin, ResinG: *cup.ResinG, HardenerG: *cup.HardenerG})
				}
			}
		}
	}
	return out
}
