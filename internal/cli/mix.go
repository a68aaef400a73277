// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/fault"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/mix"
	"curewright/model/pot"
	"curewright/model/stock"
	"curewright/model/words"
)

// MixCmd says what to mix: grams from an area, a cloth and a coat, in batches
// that are laid in time; and, while pouring, what is still to pour and what
// mends a slip.
type MixCmd struct {
	Resin       string   `required:"" placeholder:"NAME|FILE" help:"fast, medium, slow, a resin file made by fit, or one that the daemon knows."`
	Grams       *float64 `placeholder:"G" help:"Resin and hardener, g; or an area and a coat."`
	Panel       string   `help:"Panel that the daemon knows: its area and bare core."`
	AreaM2      *float64 `name:"area-m2" placeholder:"M2" help:"Area, m²."`
	Share       *float64 `placeholder:"PART" help:"Part of the panel, 0 to 1."`
	Kind        string   `default:"wet-out" help:"tack coat, wet-out, fill coat, bond or seal."`
	Cloth       string   `help:"Cloth that the coat fills: \"glass 200 twill\", several with +."`
	Core        string   `help:"Bare core under it: foam, wood, honeycomb."`
	PeelPly     bool     `help:"Peel ply goes on it."`
	DepthMM     *float64 `name:"depth-mm" placeholder:"D" help:"Thickness of a bond, mm."`
	Vessel      string   `help:"Used from a cup, or poured at once into a tray or a roller tray; the usual one when not given."`
	WorkMinutes *float64 `placeholder:"MIN" help:"How long laying all of it takes one person, min."`
	Mixes       string   `placeholder:"WHO" help:"Who mixes, where two work."`
	Lays        string   `placeholder:"WHO" help:"Who lays it, for their own grams; all of the shop when not given."`
	Tables      bool     `help:"Grams by the tables alone, without what was learnt from your coats."`
	People      int      `default:"1" help:"From two on, one mixes while the others lay."`
	Shop        *float64 `placeholder:"C" help:"Shop's temperature, °C; asked of the daemon when not given."`
	Start       *float64 `placeholder:"C" help:"Temperature when mixed, °C; the shop's when not given."`
	Ratio       string   `placeholder:"A:B" help:"Resin to hardener by weight, where the resin names none."`
	RatioVolume string   `placeholder:"A:B" help:"The same by volume; --densities makes weights of it."`
	Densities   string   `placeholder:"R,H" help:"Densities of resin and hardener, g/cm³."`
	Scale       *float64 `placeholder:"G" help:"Doubt of one weighing, g; 0.5 for a scale that shows grams."`
	Filler      *float64 `placeholder:"PCT" help:"Filler in the whole, % by weight."`
	Pump        string   `placeholder:"R,H" help:"What one stroke of each pump gives, mL."`
	CupG        *float64 `name:"cup-g" placeholder:"G" help:"What the scale showed with the empty cup; 0 when it was tared."`
	Shows       []string `sep:"none" placeholder:"PART=G" help:"What the scale showed after pouring, in order: --shows resin=302 --shows hardener=405."`
	JSON        bool     `help:"Print one JSON object."`
}

// Help shows the two uses.
func (MixCmd) Help() string {
	return "Example:\n\n  curewright mix --resin medium --ratio 100:30 --area-m2 1.4 \\\n    --cloth \"glass 200 twill\" --core foam --shop 19\n" +
		"  curewright mix --resin medium --ratio 100:30 --grams 340 --shop 19 \\\n    --shows resin=302"
}

// two reads a pair such as 100:30 or 1.15,0.96.
func two(flag, s, sep string) (*[2]float64, error) {
	if s == "" {
		return nil, nil
	}
	a, b, ok := strings.Cut(s, sep)
	x, err1 := strconv.ParseFloat(strings.TrimSpace(a), 64)
	y, err2 := strconv.ParseFloat(strings.TrimSpace(b), 64)
	if !ok || err1 != nil || err2 != nil || !(x > 0) || !(y > 0) || math.IsInf(x, 0) || math.IsInf(y, 0) {
		return nil, fault.Inputf("--%s: %q: write two numbers above 0 with %q between them", flag, s, sep)
	}
	return &[2]float64{x, y}, nil
}

func (c *MixCmd) query() (q web.MixQuery, ratio, volume, dens *[2]float64, err error) {
	q = web.MixQuery{Resin: c.Resin, Grams: c.Grams, Panel: c.Panel, AreaM2: c.AreaM2, Share: c.Share, Kind: c.Kind, Cloth: c.Cloth, Core: c.Core, PeelPly: c.PeelPly,
		DepthMM: c.DepthMM, WorkMinutes: c.WorkMinutes, Vessel: c.Vessel, People: &c.People, ShopC: c.Shop, StartC: c.Start, ScaleG: c.Scale, FillerPct: c.Filler, CupG: c.CupG, Mixes: c.Mixes, Lays: c.Lays, Tables: c.Tables}
	var errs []error
	var e error
	ratio, e = two("ratio", c.Ratio, ":")
	errs = append(errs, e)
	volume, e = two("ratio-volume", c.RatioVolume, ":")
	errs = append(errs, e)
	dens, e = two("densities", c.Densities, ",")
	errs = append(errs, e)
	pump, e := two("pump", c.Pump, ",")
	errs = append(errs, e)
	if pump != nil {
		q.Pump = &mix.Pump{ResinML: pump[0], HardenerML: pump[1]}
	}
	for _, s := range c.Shows {
		part, g, ok := strings.Cut(s, "=")
		v, e := strconv.ParseFloat(g, 64)
		if !ok || e != nil {
			errs = append(errs, fault.Inputf("--shows: %q: write what was poured and what the scale showed, such as resin=302", s))
			continue
		}
		q.Readings = append(q.Readings, mix.Reading{Part: part, TotalG: v})
	}
	return q, ratio, volume, dens, fault.Join(errs...)
}

// local answers without a daemon.
func (c *MixCmd) local(lang *words.Catalogue, q web.MixQuery, r cure.Resin) (pot.MixAnswer, error) {
	m := pot.MixQuery{Words: lang, Resin: r, Grams: q.Grams, WorkMinutes: q.WorkMinutes, Vessel: pot.Vessel(q.Vessel), People: c.People, Mixes: c.Mixes, Lays: c.Lays, ShopC: *c.Shop, StartC: q.StartC, Pump: q.Pump, Readings: q.Readings}
	for _, x := range []struct{ dst, from *float64 }{{&m.ScaleG, q.ScaleG}, {&m.FillerPct, q.FillerPct}, {&m.CupG, q.CupG}} {
		if x.from != nil {
			*x.dst = *x.from
		}
	}
	var cerr error
	if q.Grams == nil || q.AreaM2 != nil {
		n := pot.Need{Kind: q.Kind, Core: q.Core, PeelPly: q.PeelPly}
		if q.AreaM2 != nil {
			n.AreaM2 = *q.AreaM2
			if q.Share != nil {
				n.AreaM2 *= *q.Share
			}
		}
		if q.DepthMM != nil {
			n.DepthMM = *q.DepthMM
		}
		if q.Cloth != "" {
			n.Cloth, cerr = pot.ParseCloths(q.Cloth)
		}
		m.Need = &n
	}
	if q.Panel != "" {
		cerr = errors.Join(cerr, errors.New("--panel: only the daemon knows panels: leave --shop out"))
	}
	a, err := pot.Mixing(m)
	var lines []string
	if cerr != nil {
		for _, e := range fault.Flatten(cerr) {
			lines = append(lines, e.Error())
		}
	}
	if f, ok := errors.AsType[pot.Faults](err); ok {
		for _, x := range f {
			lines = append(lines, "--"+flagOf(x.Field)+": "+x.What)
		}
	} else if err != nil {
		return a, err
	}
	return a, fault.Lines(lines)
}

// flagOf is the flag that a field of the API comes from.
func flagOf(field string) string {
	switch f := strings.ReplaceAll(field, "_", "-"); {
	case f == "filler-pct":
		return "filler"
	case f == "scale-g":
		return "scale"
	case strings.HasPrefix(f, "ratio-by-"):
		return "ratio"
	default:
		return f
	}
}

type mixPrinted struct {
	pot.MixAnswer
	ShopC    *float64   `json:"shop_c,omitempty"`
	ShopFrom string     `json:"shop_from,omitempty"`
	UsedBy   *time.Time `json:"used_by"`
	Say      string     `json:"say"`
}

// Run answers by the model alone where the shop's temperature is given, else
// by the daemon.
func (c *MixCmd) Run(a *App) error {
	q, ratio, volume, dens, ferr := c.query()
	var out mixPrinted
	if c.Shop == nil {
		if ratio != nil || volume != nil || dens != nil {
			ferr = fault.Join(ferr, fault.Inputf("--ratio, --ratio-volume, --densities: the daemon's resins have their own: give --shop to reckon without it"))
		}
		if ferr != nil {
			return ferr
		}
		cl, err := a.Client()
		if err != nil {
			return err
		}
		b, err := cl.Mix(a.Ctx, q)
		if err != nil {
			return err
		}
		if out, err = answer[mixPrinted](b); err != nil {
			return err
		}
	} else {
		r, rerr := loadResin(c.Resin)
		if rerr != nil {
			r, _ = cure.Generic("medium") // so that the rest is checked as well
		}
		if ratio != nil {
			r.RatioWeight = ratio
		}
		if volume != nil {
			r.RatioVolume = volume
		}
		if dens != nil {
			r.DensityResin, r.DensityHardener = &dens[0], &dens[1]
		}
		ans, err := c.local(a.Words, q, r)
		if err := fault.Join(rerr, ferr, err); err != nil {
			return err
		}
		out = mixPrinted{MixAnswer: ans, Say: ans.Say(a.Words) + "."}
	}
	if c.JSON {
		return a.JSON(out)
	}
	out.print(a)
	return nil
}

func (m *mixPrinted) print(a *App) {
	fmt.Fprintln(a.Out, Wrap(m.Say, 78))
	const columns = 20
	row := func(code, text string) { a.row(columns, code, text) }
	b := m.Batches[0]
	fmt.Fprintln(a.Out)
	row("mix.workable", a.say("mix.from_mixing", facts{"time": a.within(b.WorkMinutes)}))
	row("mix.laying", a.view().Say("span.min", facts{"min": math.Ceil(b.LayMinutes)}))
	if b.Parts != "" {
		row("mix.ratio", b.Parts)
	}
	if b.LowG != nil {
		row("mix.hardener", a.say("mix.grams_to", facts{"low": fmt.Sprintf("%.1f", *b.LowG), "high": fmt.Sprintf("%.1f", *b.HighG)}))
	}
	if e := b.RatioErrPct; e >= 0.5 {
		row("mix.scale", a.say("mix.scale_error", facts{"pct": math.Ceil(e)}))
	}
	if s := m.Strokes; s != nil {
		row("mix.pump", a.say("mix.strokes", facts{"resin": s.Resin, "hardener": s.Hardener, "grams": math.Round(s.Grams)}))
	}
	if m.Pot != nil {
		fmt.Fprintln(a.Out, hang("  ", m.Pot.Left))
	}
	if n := m.Need; n != nil {
		for _, p := range n.Parts {
			fmt.Fprintln(a.Out, hang(fmt.Sprintf("  %-*s ", columns, fmt.Sprintf("%.0f g", p.Grams.Use)), p.What))
		}
	}
	if p := m.Pour; p != nil && (p.ResinG > 0 || p.HardenerG > 0) {
		fmt.Fprintln(a.Out)
		row("mix.in_cup", a.say("mix.both", facts{"resin": math.Round(p.ResinG), "hardener": math.Round(p.HardenerG)}))
		row("mix.now", p.Say)
	}
	for _, f := range m.Faults {
		fmt.Fprintln(a.Out, hang("  ! ", strings.TrimPrefix(f.Field+": "+f.What, ": ")))
	}
	if len(m.Notes)+len(m.Hands) > 0 {
		fmt.Fprintln(a.Out)
	}
	for _, s := range append(m.Notes, m.Hands...) {
		fmt.Fprintln(a.Out, Wrap(s, 78))
	}
	fmt.Fprintln(a.Out)
	for _, s := range m.Cautions {
		fmt.Fprintln(a.Out, Wrap(s, 78))
	}
}

// StockCmd keeps the drums and bottles.
type StockCmd struct {
	List   stockListCmd   `cmd:"" default:"withargs" help:"What is left of each drum and bottle, and where it ends." example:"curewright stock list"`
	Add    stockAddCmd    `cmd:"" help:"Add a container."`
	Count  stockCountCmd  `cmd:"" help:"Say what is really left in one: weigh it." example:"curewright stock count stock-2 \"1.25 kg\""`
	Note   stockNoteCmd   `cmd:"" help:"Say what was seen of one: opened, warm, crystallised, cleared." example:"curewright stock note stock-2 --condition crystallised"`
	Gone   stockGoneCmd   `cmd:"" help:"It is empty or thrown away." example:"curewright stock gone stock-2"`
	Import stockImportCmd `cmd:"" help:"Read containers from a CSV file, all or none." example:"curewright stock import stock.csv"`
	Export stockExportCmd `cmd:"" help:"Write them as CSV." example:"curewright stock export -o stock.csv"`
}

type stockListCmd struct {
	All  bool `help:"Also those that are gone."`
	JSON bool `help:"Print one JSON object."`
}

func (c *stockListCmd) Run(a *App, cl *client.Client) error {
	b, err := cl.Stock(a.Ctx)
	if err != nil || c.JSON {
		return a.orJSON(b, err)
	}
	s, err := answer[struct {
		Stock  []stock.Level
		Ends   []stock.End
		Habits map[string]pot.Habit
	}](b)
	if err != nil {
		return err
	}
	n := 0
	for _, l := range s.Stock {
		if l.Gone != nil && !c.All {
			continue
		}
		n++
		value := ""
		if l.Value != nil {
			value = a.say("stock.worth", facts{"price": fmt.Sprintf("%.2f", *l.Value), "currency": l.Currency})
		}
		fmt.Fprintf(a.Out, "%-12s %-9s %-10s %s%s\n", l.ID, a.Words.Text("stock.part."+l.Part), l.Resin,
			a.say("stock.line", facts{"lot": fmt.Sprintf("%-10s", l.Lot), "left": fmt.Sprintf("%6.0f", l.LeftG), "full": math.Round(l.FullG)}), value)
		if l.Say != "" {
			fmt.Fprintln(a.Out, hang("             ", l.Say))
		}
	}
	if n == 0 {
		a.tell("stock.none", facts{"command": "`curewright stock add`"})
	}
	for _, e := range s.Ends {
		fmt.Fprintln(a.Out, Wrap(e.Say, 78))
	}
	for _, k := range []string{coat.TackCoat, coat.WetOut, coat.FillCoat, coat.Seal} {
		if h, ok := s.Habits[k]; ok {
			a.tell("stock.habit", facts{"coat": a.kind(k), "pct": math.Round(100 * h.Factor), "coats": h.Coats})
		}
	}
	return nil
}

type stockAddCmd struct {
	Resin      string   `required:"" help:"Epoxy that it belongs to."`
	Part       string   `required:"" help:"resin, hardener or filler."`
	Full       string   `required:"" placeholder:"MASS" help:"What it held when it was bought: 5000, 5 kg, 11 lb."`
	ID         string   `name:"id" help:"Short name; made up when not given."`
	Name       string   `help:"What people call it."`
	Lot        string   `help:"Lot number on the can."`
	Price      *float64 `placeholder:"P" help:"What it cost."`
	Currency   string   `help:"Of the price, such as GBP."`
	Opened     string   `placeholder:"DATE" help:"When it was opened: 2026-10-10."`
	BestBefore string   `placeholder:"DATE" help:"Date on the can."`
	JSON       bool     `help:"Print one JSON object."`
}

func (stockAddCmd) Help() string {
	return "Example:\n\n  curewright stock add --resin medium --part hardener --full \"1.5 kg\" \\\n    --lot H-204 --price 58 --currency GBP --best-before 2027-06-30"
}

func day(flag, s string) (*time.Time, error) {
	if s == "" {
		return nil, nil
	}
	t, err := time.ParseInLocation("2006-01-02", s, time.Local)
	if err != nil {
		return nil, fault.Inputf("--%s: %q is not a date such as 2026-10-10", flag, s)
	}
	return &t, nil
}

func (c *stockAddCmd) Run(a *App, cl *client.Client) error {
	g, err := stock.Grams(c.Full)
	if err != nil {
		err = fault.Inputf("--full: %v", err)
	}
	opened, oerr := day("opened", c.Opened)
	best, berr := day("best-before", c.BestBefore)
	if err := fault.Join(err, oerr, berr); err != nil {
		return err
	}
	id, err := cl.Create(a.Ctx, "stock", coat.Stock{ID: c.ID, Resin: c.Resin, Part: c.Part, Name: c.Name, Lot: c.Lot, FullG: g, Price: c.Price, Currency: c.Currency, Opened: opened, BestBefore: best}, client.Key())
	if err != nil {
		return err
	}
	what := c.Name
	if what == "" {
		what = a.say("stock.part_of", facts{"part": words.Code("stock.part." + c.Part), "resin": c.Resin})
	}
	return a.done(c.JSON, map[string]any{"id": id}, "stock.added", facts{"what": words.Upper(what), "grams": math.Round(g), "id": id})
}

type stockCountCmd struct {
	ID   string `arg:"" name:"stock" help:"Container."`
	Left string `arg:"" name:"mass" help:"What is in it without the container: 1250, 1.25 kg."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *stockCountCmd) Run(a *App, cl *client.Client) error {
	g, err := stock.Grams(c.Left)
	if err != nil {
		return fault.Inputf("mass: %v", err)
	}
	now, _, err := cl.Coats(a.Ctx, false)
	if err != nil {
		return err
	}
	if err := cl.Patch(a.Ctx, "stock", c.ID, map[string]any{"counted_g": g, "counted_at": now}); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": c.ID, "counted_g": g, "counted_at": now}, "stock.counted", facts{"id": c.ID, "grams": math.Round(g)})
}

type stockNoteCmd struct {
	ID        string  `arg:"" name:"stock" help:"Container."`
	Opened    string  `placeholder:"DATE" help:"When it was opened."`
	Condition *string `help:"warm (stood warm for weeks), crystallised, cleared (warmed clear again), or \"\" for nothing."`
	Note      *string `help:"Anything else."`
	JSON      bool    `help:"Print one JSON object."`
}

func (c *stockNoteCmd) Run(a *App, cl *client.Client) error {
	opened, err := day("opened", c.Opened)
	if err != nil {
		return err
	}
	f := map[string]any{}
	if opened != nil {
		f["opened"] = opened
	}
	if c.Condition != nil {
		f["condition"] = *c.Condition
	}
	if c.Note != nil {
		f["note"] = *c.Note
	}
	if len(f) == 0 {
		return fault.Inputf("stock note: nothing to note: give --opened, --condition or --note")
	}
	if err := cl.Patch(a.Ctx, "stock", c.ID, f); err != nil {
		return err
	}
	f["id"] = c.ID
	return a.done(c.JSON, f, "stock.noted", facts{"id": c.ID})
}

type stockGoneCmd struct {
	ID   string `arg:"" name:"stock" help:"Container."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *stockGoneCmd) Run(a *App, cl *client.Client) error {
	now, _, err := cl.Coats(a.Ctx, false)
	if err != nil {
		return err
	}
	if err := cl.Patch(a.Ctx, "stock", c.ID, map[string]any{"gone": now}); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": c.ID, "gone": now}, "stock.gone", facts{"id": c.ID})
}

type stockImportCmd struct {
	File string `arg:"" help:"CSV file, or - for standard input. Columns: part, resin, full_g, and as needed id, name, lot, price, currency, opened, best_before, condition, note, counted_g, counted_at, gone."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *stockImportCmd) Run(a *App, cl *client.Client) error {
	var b []byte
	var err error
	if c.File == "-" {
		b, err = io.ReadAll(a.In)
	} else {
		b, err = os.ReadFile(c.File)
	}
	if err != nil {
		return fault.Inputf("%v", err)
	}
	// All that can be said of the file is said with its place before anything
	// is sent.
	if _, err := stock.ReadCSV(bytes.NewReader(b), time.Local); err != nil {
		return fault.In(c.File, err)
	}
	ids, err := cl.ImportStock(a.Ctx, string(b))
	if err != nil || c.JSON {
		return a.orJSON(map[string]any{"ids": ids}, err)
	}
	a.tell("stock.imported", facts{"n": len(ids), "ids": strings.Join(ids, ", ")})
	return nil
}

type stockExportCmd struct {
	Output string `short:"o" type:"path" placeholder:"FILE" help:"File to write; standard output when not given."`
}

func (c *stockExportCmd) Run(a *App, cl *client.Client) error {
	return a.toFile(c.Output, func(w io.Writer) error { return cl.StockCSV(a.Ctx, w) })
}
