// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"strings"

	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/air"
	"curewright/model/cure"
	"curewright/model/pot"
)

// loadResin takes a generic name or a resin file made by fit.
func loadResin(name string) (cure.Resin, error) {
	if r, ok := cure.Generic(name); ok {
		return r, nil
	}
	b, err := file.Read(name)
	if errors.Is(err, fs.ErrNotExist) {
		return cure.Resin{}, fault.Inputf("--resin: %q is not fast, medium or slow, and there is no such file", name)
	} else if err != nil {
		return cure.Resin{}, fault.Inputf("--resin: %v", err)
	}
	r, err := cure.ParseResin(b)
	if err != nil {
		return cure.Resin{}, fault.In(name, err)
	}
	return r, nil
}

// CheckNumbers reports each flag that is not a finite number within its span.
func CheckNumbers(flags ...FlagSpan) error {
	var lines []string
	for _, f := range flags {
		if f.V == nil {
			continue
		}
		if v := *f.V; math.IsNaN(v) || math.IsInf(v, 0) || v < f.Lo || v > f.Hi {
			line := strings.TrimRight(fmt.Sprintf("--%s: %g %s", f.Name, v, f.Unit), " ") + ": " + f.Why
			if f.Unit == "°C" && v > f.Hi && v < 120 {
				line += fmt.Sprintf(" (%g °F is %.0f °C)", v, (v-32)/1.8)
			}
			lines = append(lines, line)
		}
	}
	if lines != nil {
		return &fault.Input{Lines: lines}
	}
	return nil
}

// FlagSpan is a flag's number and the span that makes sense for it.
type FlagSpan struct {
	Name   string   // of the flag
	V      *float64 // nil where it was not given
	Lo, Hi float64
	Unit   string
	Why    string // what is said where it is outside
}

type CureCmd struct {
	Resin       string  `required:"" placeholder:"NAME|FILE" help:"fast, medium, slow, or a resin file made by fit."`
	Temp        float64 `required:"" placeholder:"C" help:"Panel temperature, °C."`
	Kappa       float64 `default:"1" placeholder:"X" help:"Rate factor of the batch; 1 is as on the sheet."`
	NoDiffusion bool    `help:"Leave out the slowing as the coat turns to glass."`
	JSON        bool    `help:"Print one JSON object."`
}

func (CureCmd) Help() string {
	return "Example:\n\n  curewright cure --resin medium --temp 18\n\n" + Caution
}

func (c *CureCmd) Run(a *App) error {
	r, rerr := loadResin(c.Resin)
	nerr := CheckNumbers(
		FlagSpan{"temp", &c.Temp, -10, 60, "°C", "a shop is between −10 and 60 °C; was it typed in °F?"},
		FlagSpan{"kappa", &c.Kappa, 0.05, 20, "", "must be between 0.05 and 20"},
	)
	if err := fault.Join(rerr, nerr); err != nil {
		return err
	}
	s := cure.Steady(r, c.Temp, c.Kappa, !c.NoDiffusion)
	if c.JSON {
		return a.JSON(s)
	}
	fmt.Fprintf(a.Out, "%s at a steady %s, counted from mixing\n", epoxy(r.Name), a.Units.temp(c.Temp))
	if r.Generic {
		fmt.Fprintln(a.Out, "generic, fit your own")
	}
	fmt.Fprintln(a.Out)
	for _, row := range []struct {
		what string
		min  *float64
	}{
		{"sticks, lifts clean (tacky)", s.TimesMin.Tacky},
		{"takes the next coat from", s.TimesMin.RecoatOpens},
		{"no stick, nail dents (green)", s.TimesMin.Green},
		{"nail slides, no dent (firm)", s.TimesMin.Firm},
		{"too late for a coat without sanding", s.TimesMin.RecoatCloses},
		{"sands to dust (hard)", s.TimesMin.Hard},
	} {
		when := minutes(row.min)
		if row.min == nil && len(s.UnknownWhy) > 0 {
			when = "not known" // it may come; nothing is claimed
		}
		fmt.Fprintf(a.Out, "  %-38s %s\n", row.what, when)
	}
	fmt.Fprintln(a.Out)
	for _, w := range s.UnknownWhy {
		fmt.Fprintln(a.Out, hang("  ", "not known beyond tacky: "+whyWords(w, r, a.Units)))
	}
	if s.Stall {
		fmt.Fprintln(a.Out, hang("  ", "It would stall: too cold to finish, though it may feel hard. Keep it warmer."))
	}
	if len(s.UnknownWhy) > 0 || s.Stall {
		fmt.Fprintln(a.Out)
	}
	fmt.Fprintln(a.Out, Wrap(Caution, 78))
	return nil
}

func whyWords(why string, r cure.Resin, u Units) string {
	switch why {
	case "below_minimum":
		return fmt.Sprintf("below the epoxy's %s minimum", u.temp(r.MinC))
	case "outside_range":
		return fmt.Sprintf("outside %s to %s, where it is known", u.temp(r.MinC), u.temp(r.MaxC))
	case "cold_glass":
		return "it would turn glassy from the cold before it gels, and feel hard without being so"
	case "no_reading":
		return "no reading of the panel yet"
	case "gap":
		return "too long without readings"
	}
	return why
}

// minutes renders a time that may never come.
func minutes(m *float64) string {
	if m == nil {
		return "never"
	}
	if *m < 90 {
		return fmt.Sprintf("%.0f min", *m)
	}
	h := *m / 60
	if h < 48 {
		return fmt.Sprintf("%.1f h", h)
	}
	return fmt.Sprintf("%.1f days", h/24)
}

// within renders a time to keep to: rounded down, never up.
func within(m *float64) string {
	if m == nil {
		return "12 h and more; the sheet's own time comes first"
	}
	if *m < 1 {
		return "less than a minute"
	}
	down := math.Floor(*m)
	if down >= 90 {
		down = math.Floor(down/6) * 6 // a tenth of an hour
	}
	return minutes(&down)
}

type AirCmd struct {
	Temp     float64  `required:"" placeholder:"C" help:"Air temperature, °C."`
	RH       float64  `required:"" name:"rh" placeholder:"PCT" help:"Relative humidity, %."`
	Panel    *float64 `placeholder:"C" help:"Temperature of the panel's surface, °C."`
	Pressure float64  `default:"101325" placeholder:"PA" help:"Air pressure, Pa."`
	HeatTo   *float64 `placeholder:"C" help:"What the humidity becomes if this air is heated to that, with no water added."`
	JSON     bool     `help:"Print one JSON object."`
}

func (AirCmd) Help() string {
	return "Example:\n\n  curewright air --temp 18 --rh 75 --panel 15"
}

func (c *AirCmd) Run(a *App) error {
	p, err := air.Point(c.Temp, c.RH, c.Panel, c.Pressure)
	var perr error
	if err != nil {
		u := &fault.Input{}
		for _, e := range fault.Flatten(err) {
			u.Lines = append(u.Lines, "--"+e.Error())
		}
		perr = u
	}
	herr := CheckNumbers(FlagSpan{"heat-to", c.HeatTo, -40, 100, "°C", "must be between −40 and 100 °C"})
	if err := fault.Join(perr, herr); err != nil {
		return err
	}
	if c.JSON {
		return a.JSON(p)
	}
	fmt.Fprintf(a.Out, "air %s, %.0f %%\n", a.Units.temp(c.Temp), c.RH)
	fmt.Fprintf(a.Out, "  dew point           %s\n", a.Units.temp(p.DewPointC))
	fmt.Fprintf(a.Out, "  water               %.1f g in a kilogram of dry air\n", 1000*p.HumidityRatio)
	if c.Panel != nil && p.DewMarginK != nil && p.PanelRHPct != nil {
		fmt.Fprintf(a.Out, "  at the panel        %.0f %% at its surface, %s\n", *p.PanelRHPct, margin(a.Units, *p.DewMarginK))
	}
	if c.HeatTo != nil {
		fmt.Fprintf(a.Out, "  heated to %-9s %.0f %%, with no water added\n", a.Units.temp(*c.HeatTo), air.Heated(c.Temp, c.RH, *c.HeatTo))
	}
	for _, n := range p.Cautions {
		fmt.Fprintln(a.Out, Wrap(n, 78))
	}
	return nil
}

func margin(u Units, k float64) string {
	switch {
	case k <= 0:
		return "wet: at or below the dew point"
	case k < 3:
		return u.diff(k) + " above dew: too close, " + u.diff(3) + " is the least"
	}
	return u.diff(k) + " above dew"
}

// peakWords say how hot a cup left standing gets. A class and no figure: the
// figure is not to be trusted.
var peakWords = map[string]string{
	"warm":    "warm",
	"hot":     "hot: burns the hand",
	"burning": "burning: over 60 °C; past 80 it smokes and can set things alight",
}

type PotCmd struct {
	Resin      string   `required:"" placeholder:"NAME|FILE" help:"fast, medium, slow, or a resin file made by fit."`
	Grams      float64  `required:"" placeholder:"G" help:"Mixed resin and hardener, g."`
	Shape      string   `default:"cup" help:"cup, tray or bond (a filled joint)."`
	DiameterMM *float64 `name:"diameter-mm" placeholder:"D" help:"Cup's diameter; the usual cup for the mass when not given."`
	DepthMM    *float64 `name:"depth-mm" placeholder:"D" help:"Depth of a tray, thickness of a bond."`
	Shop       float64  `required:"" placeholder:"C" help:"Shop's temperature, °C."`
	Start      *float64 `placeholder:"C" help:"Temperature when mixed; the shop's when not given."`
	Filler     *float64 `placeholder:"PCT" help:"Filler in the whole mass, % by weight: it makes no heat."`
	Substrate  *float64 `placeholder:"J" help:"What lies behind each face of a bond, or under a tray, takes up heat: density × specific heat × thickness, J/(m²·K); 9 mm plywood about 8600. When not given: none behind a bond, which warns early, and a plastic tray on a wooden bench."`
	Internal   bool     `help:"Count the resistance inside the resin: a thick mass sheds its heat more slowly."`
	Insulated  bool     `help:"Lagged or buried: judge it by conduction as well."`
	JSON       bool     `help:"Print one JSON object."`
}

func (PotCmd) Help() string {
	return "Example:\n\n  curewright pot --resin medium --grams 180 --shape cup --shop 20\n" +
		"  curewright pot --resin slow --grams 90 --shape bond --depth-mm 9 --shop 18"
}

func (c *PotCmd) Run(a *App) error {
	r, rerr := loadResin(c.Resin)
	q := pot.Query{Resin: r, Grams: c.Grams, Shape: pot.Shape(c.Shape), DiameterMM: c.DiameterMM, DepthMM: c.DepthMM, ShopC: c.Shop, StartC: c.Start,
		Internal: c.Internal, Insulated: c.Insulated, SubstrateJM2K: c.Substrate}
	if c.Filler != nil {
		q.Filler = &pot.Filler{Fraction: *c.Filler / 100}
	}
	if rerr != nil {
		q.Resin, _ = cure.Generic("medium") // so that the rest is checked as well
	}
	var qerr error
	var lines []string
	ferr := CheckNumbers(FlagSpan{"filler", c.Filler, 0, 80, "%", "filler is 0 to 80 % of the whole mass"})
	for _, f := range q.Check() {
		if f.Field == "filler fraction" {
			continue // said in the flag's own unit
		}
		lines = append(lines, "--"+strings.NewReplacer("_mm", "-mm", "shop_c", "shop", "start_c", "start").Replace(f.Field)+": "+f.What)
	}
	if lines != nil {
		qerr = &fault.Input{Lines: lines}
	}
	if err := fault.Join(rerr, qerr, ferr); err != nil {
		return err
	}
	p, err := pot.Solve(q)
	if err != nil {
		return fault.In("", err)
	}
	if c.JSON {
		return a.JSON(p)
	}
	fmt.Fprintf(a.Out, "%.0f g of %s in a %s, shop %s\n", c.Grams, epoxy(r.Name), c.Shape, a.Units.temp(c.Shop))
	row := func(what, text string) { fmt.Fprintln(a.Out, hang(fmt.Sprintf("  %-23s ", what), text)) }
	fmt.Fprintln(a.Out)
	row("workable for", within(p.WorkMinutes))
	row("if left", strings.TrimPrefix(p.Left, "Left standing it "))
	row("now", p.Do)
	row("at its hottest", peakWords[p.PeakClass]+" (most likely)")
	for _, m := range []struct {
		n string
		g *int
	}{{"20", p.MaxGrams.For20}, {"30", p.MaxGrams.For30}, {"45", p.MaxGrams.For45}} {
		most := "no limit up to 2000 g"
		switch {
		case m.g == nil:
		case *m.g == 0:
			most = "not even 10 g: too warm or too fast"
		default:
			most = fmt.Sprintf("%d g at most", *m.g)
		}
		row("for "+m.n+" min of work", most)
	}
	fmt.Fprintln(a.Out)
	for _, s := range p.Why {
		fmt.Fprintln(a.Out, a.Units.text(Wrap(s, 78)))
	}
	fmt.Fprintln(a.Out)
	for _, s := range p.Cautions {
		fmt.Fprintln(a.Out, Wrap(s, 78))
	}
	return nil
}
