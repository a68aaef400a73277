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
	"curewright/model/words"
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
	return fault.Lines(lines)
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
	a.tell("cure.head", facts{"epoxy": a.epoxy(r.Name), "temp": words.Tenth(c.Temp)})
	if r.Generic {
		a.tell("cure.generic", nil)
	}
	fmt.Fprintln(a.Out)
	for _, row := range []struct {
		mark string
		min  *float64
	}{
		{"tacky", s.TimesMin.Tacky},
		{"recoat_opens", s.TimesMin.RecoatOpens},
		{"green", s.TimesMin.Green},
		{"firm", s.TimesMin.Firm},
		{"recoat_closes", s.TimesMin.RecoatCloses},
		{"hard", s.TimesMin.Hard},
	} {
		when := a.minutes(row.min)
		if row.min == nil && len(s.UnknownWhy) > 0 {
			when = a.say("not_known", nil) // it may come; nothing is claimed
		}
		fmt.Fprintf(a.Out, "  %-38s %s\n", a.mark(row.mark), when)
	}
	fmt.Fprintln(a.Out)
	for _, w := range s.UnknownWhy {
		fmt.Fprintln(a.Out, hang("  ", a.say("cure.beyond", facts{"why": a.why(w, r)})))
	}
	if s.Stall {
		fmt.Fprintln(a.Out, hang("  ", a.say("cure.stall", nil)))
	}
	if len(s.UnknownWhy) > 0 || s.Stall {
		fmt.Fprintln(a.Out)
	}
	fmt.Fprintln(a.Out, Wrap(a.caution(), 78))
	return nil
}

// mark is a mark of the cure as the finger finds it, "sticks, lifts clean (tacky)".
func (a *App) mark(code string) string {
	if a.Words.Has("state." + code) {
		return a.say("mark.state", facts{"finger": words.Code("finger." + code), "state": words.Code("state." + code)})
	}
	return a.say("mark."+code, nil)
}

// why is a reason of [cure.Steadily] that nothing is claimed past tacky.
func (a *App) why(code string, r cure.Resin) string {
	return a.say("cure.why."+code, facts{"min": words.Tenth(r.MinC), "max": words.Tenth(r.MaxC)})
}

// minutes renders a time, min, that may never come.
func (a *App) minutes(m *float64) string {
	if m == nil {
		return a.say("never", nil)
	}
	if *m < 90 {
		return a.view().Say("span.min", facts{"min": math.Round(*m)})
	}
	h := *m / 60
	if h < 48 {
		return a.view().Say("span.h", facts{"h": fmt.Sprintf("%.1f", h)})
	}
	return a.view().Say("span.days", facts{"days": fmt.Sprintf("%.1f", h/24)})
}

// within renders a time to keep to, min: rounded down, never up.
func (a *App) within(m *float64) string {
	if m == nil {
		return a.say("within.hours", nil)
	}
	if *m < 1 {
		return a.view().Say("pot.under_a_minute", nil)
	}
	down := math.Floor(*m)
	if down >= 90 {
		down = math.Floor(down/6) * 6 // a tenth of an hour
	}
	return a.minutes(&down)
}

type AirCmd struct {
	Temp     float64  `required:"" placeholder:"C" help:"Air temperature, °C."`
	RH       float64  `required:"" name:"rh" placeholder:"PCT" help:"Relative humidity, %."`
	Panel    *float64 `placeholder:"C" help:"Temperature of the panel's surface, °C."`
	Pressure float64  `default:"101325" placeholder:"PA" help:"Air pressure, Pa."`
	HeatTo   *float64 `placeholder:"C" help:"What the humidity becomes if this air is heated to that, with no water added."`
	JSON     bool     `help:"Print one JSON object."`
}

func (c *AirCmd) Run(a *App) error {
	p, err := air.Point(c.Temp, c.RH, c.Panel, c.Pressure)
	var lines []string
	if err != nil {
		for _, e := range fault.Flatten(err) {
			lines = append(lines, "--"+e.Error())
		}
	}
	herr := CheckNumbers(FlagSpan{"heat-to", c.HeatTo, -40, 100, "°C", "must be between −40 and 100 °C"})
	if err := fault.Join(fault.Lines(lines), herr); err != nil {
		return err
	}
	if c.JSON {
		return a.JSON(p)
	}
	a.tell("air.head", facts{"temp": words.Tenth(c.Temp), "pct": math.Round(c.RH)})
	const columns = 19
	a.row(columns, "air.dew_point", a.degrees(p.DewPointC))
	a.row(columns, "air.water", a.say("air.grams", facts{"grams": fmt.Sprintf("%.1f", 1000*p.HumidityRatio)}))
	if c.Panel != nil && p.DewMarginK != nil && p.PanelRHPct != nil {
		a.row(columns, "air.panel", a.say("air.surface", facts{"pct": math.Round(*p.PanelRHPct), "margin": a.margin(*p.DewMarginK)}))
	}
	if c.HeatTo != nil {
		fmt.Fprintln(a.Out, hang(fmt.Sprintf("  %-*s ", columns, a.say("air.heated", facts{"temp": words.Tenth(*c.HeatTo)})),
			a.say("air.no_water", facts{"pct": math.Round(air.PanelRH(c.Temp, c.RH, *c.HeatTo))})))
	}
	p.Say(a.view())
	for _, n := range p.Cautions {
		fmt.Fprintln(a.Out, Wrap(n, 78))
	}
	return nil
}

// margin says how far a panel is above the dew point, K.
func (a *App) margin(k float64) string {
	switch {
	case k <= 0:
		return a.say("air.wet", nil)
	case k < 3:
		return a.say("air.close", facts{"diff": words.Kelvin(k), "least": words.Kelvin(3)})
	}
	return a.say("air.above", facts{"diff": words.Kelvin(k)})
}

type PotCmd struct {
	Resin      string   `required:"" placeholder:"NAME|FILE" help:"fast, medium, slow, or a resin file made by fit."`
	Grams      float64  `required:"" placeholder:"G" help:"Mixed resin and hardener, g."`
	Shape      string   `default:"cup" help:"cup, tray or bond (a filled joint)."`
	DiameterMM *float64 `name:"diameter-mm" placeholder:"D" help:"Cup's diameter, mm; the usual cup for the mass when not given."`
	DepthMM    *float64 `name:"depth-mm" placeholder:"D" help:"Depth of a tray, thickness of a bond, mm."`
	Shop       float64  `required:"" placeholder:"C" help:"Shop's temperature, °C."`
	Start      *float64 `placeholder:"C" help:"Temperature when mixed, °C; the shop's when not given."`
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
	q := pot.Query{Words: a.Words, Resin: r, Grams: c.Grams, Shape: pot.Shape(c.Shape), DiameterMM: c.DiameterMM, DepthMM: c.DepthMM, ShopC: c.Shop, StartC: c.Start,
		Internal: c.Internal, Insulated: c.Insulated, SubstrateJM2K: c.Substrate}
	if c.Filler != nil {
		q.Filler = &pot.Filler{Fraction: *c.Filler / 100}
	}
	if rerr != nil {
		q.Resin, _ = cure.Generic("medium") // so that the rest is checked as well
	}
	var lines []string
	ferr := CheckNumbers(FlagSpan{"filler", c.Filler, 0, 80, "%", "filler is 0 to 80 % of the whole mass"})
	for _, f := range q.Check() {
		if f.Field == "filler fraction" {
			continue // said in the flag's own unit
		}
		lines = append(lines, "--"+strings.NewReplacer("_mm", "-mm", "shop_c", "shop", "start_c", "start").Replace(f.Field)+": "+f.What)
	}
	if err := fault.Join(rerr, fault.Lines(lines), ferr); err != nil {
		return err
	}
	p, err := pot.Solve(q)
	if err != nil {
		return fault.In("", err)
	}
	if c.JSON {
		return a.JSON(p)
	}
	a.tell("pot.head", facts{"grams": math.Round(c.Grams), "epoxy": a.epoxy(r.Name), "shape": words.Code("cli.pot.shape." + c.Shape), "temp": words.Tenth(c.Shop)})
	const columns = 23
	fmt.Fprintln(a.Out)
	a.row(columns, "mix.workable", a.within(p.WorkMinutes))
	fmt.Fprintln(a.Out, hang("  ", p.Left))
	a.row(columns, "mix.now", p.Do)
	// A class and no figure: the figure is not to be trusted.
	a.row(columns, "pot.hottest", a.say("pot.peak."+p.PeakClass, facts{"over": words.Temp(60), "smokes": words.Temp(80)}))
	for _, m := range []struct {
		n int
		g *int
	}{{20, p.MaxGrams.For20}, {30, p.MaxGrams.For30}, {45, p.MaxGrams.For45}} {
		most := a.say("pot.no_limit", nil)
		switch {
		case m.g == nil:
		case *m.g == 0:
			most = a.say("pot.not_even", nil)
		default:
			most = a.say("pot.at_most", facts{"grams": *m.g})
		}
		fmt.Fprintln(a.Out, hang(fmt.Sprintf("  %-*s ", columns, a.say("pot.for", facts{"min": m.n})), most))
	}
	fmt.Fprintln(a.Out)
	for _, s := range p.Why {
		fmt.Fprintln(a.Out, Wrap(s, 78))
	}
	fmt.Fprintln(a.Out)
	for _, s := range p.Cautions {
		fmt.Fprintln(a.Out, Wrap(s, 78))
	}
	return nil
}
