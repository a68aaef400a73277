// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
	"math"

	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/cure"
	"curewright/model/memory"
	"curewright/model/words"
)

// fromHistory refits a resin with the shop's own finger tests: what its file says
// is the prior.
func (c *FitCmd) fromHistory(a *App) error {
	var b []byte
	var err error
	if c.Memory != "" {
		if b, err = file.Read(c.Memory); err != nil {
			return fault.Inputf("--memory: %v", err)
		}
	} else {
		cl, err := a.Client()
		if err != nil {
			return err
		}
		if b, err = cl.MemoryFile(a.Ctx, false); err != nil {
			return err
		}
	}
	m, board, err := memory.Read(b)
	if err != nil {
		return fault.In("--memory", err)
	}
	r, err := c.historyResin(a)
	if err != nil {
		return err
	}
	learnt := memory.Learn(r, m, board)
	if !learnt.Knows() || len(learnt.Lessons) == 0 {
		return fault.Inputf("--resin: no coat of %q has taught anything yet: curewright memory --coats says why", r.Name)
	}
	name := r.Name
	if r.Generic {
		name = a.say("history.name", facts{"resin": name}) // a generic name stays the generic resin's
	}
	res := learnt.Refit(name)
	if err := a.keepResin(c.Out, res.Resin); err != nil {
		return err
	}
	if c.Out == "-" {
		return nil // standard output is the resin's file
	}
	if c.JSON {
		return a.JSON(res)
	}
	fmt.Fprintf(a.Out, "%s\n\n", a.say("history.head", facts{"resin": res.Resin.Name, "tests": res.Tests, "coats": len(res.Coats)}))
	fmt.Fprintf(a.Out, "  %-36s %14s %14s\n", "", a.say("history.before", nil), a.say("history.now", nil))
	for _, x := range res.Moved {
		switch x.What {
		case "rate_25c":
			fmt.Fprintf(a.Out, "  %-36s %14s %14s\n", a.say("history.rate", facts{"temp": words.Tenth(25)}), fmt.Sprintf("%.2f ± %.0f %%", x.Before, 100*x.SD), fmt.Sprintf("%.2f ± %.0f %%", x.After, 100*x.SDNow))
		case "e_kj_mol":
			fmt.Fprintf(a.Out, "  %-36s %14s %14s\n", a.say("history.faster", facts{"diff": words.Kelvin(10)}), a.timesFaster(x.Before, x.SD), a.timesFaster(x.After, x.SDNow))
		}
	}
	fmt.Fprintf(a.Out, "\n  %-16s %9s   %-19s %-19s %s\n", a.say("history.coat", nil), "", a.say("history.green", nil), a.say("history.closes", nil), a.say("history.right", nil))
	var right [2]int
	for _, x := range res.Coats {
		two := func(v [2]*int) string { return a.hours(v[0]) + " → " + a.hours(v[1]) }
		fmt.Fprintf(a.Out, "  %-16s %9s   %-19s %-19s %s\n", x.Coat, a.degrees(x.WarmthC), two(x.Green), two(x.Closes),
			a.say("history.right_of", facts{"before": x.Right[0], "now": x.Right[1], "all": x.Tests}))
		right[0], right[1] = right[0]+x.Right[0], right[1]+x.Right[1]
	}
	fmt.Fprintln(a.Out)
	a.tell("history.tests", facts{"tests": res.Tests, "before": right[0], "now": right[1]})
	fmt.Fprintln(a.Out)
	if c.Out == "" {
		a.tell("fit.not_written", facts{"flag": "-o FILE.toml"})
	} else {
		a.tell("history.written", facts{"file": c.Out})
	}
	return nil
}

// hours renders whole minutes as "5 h 07"; nil never comes.
func (a *App) hours(n *int) string {
	if n == nil {
		return a.say("never", nil)
	}
	return fmt.Sprintf("%d h %02d", *n/60, *n%60)
}

// historyResin is the resin by a generic name, a file, or the daemon's own name.
func (c *FitCmd) historyResin(a *App) (cure.Resin, error) {
	r, err := loadResin(c.Resin)
	if err == nil || c.Memory != "" {
		return r, err
	}
	cl, cerr := a.Client()
	if cerr != nil {
		return cure.Resin{}, err
	}
	rs, cerr := cl.Resins(a.Ctx)
	if cerr != nil {
		return cure.Resin{}, cerr
	}
	for _, x := range rs {
		if x.Name == c.Resin {
			return x, nil
		}
	}
	return cure.Resin{}, fault.Inputf("--resin: %q is no resin of the daemon, and there is no such file", c.Resin)
}

// timesFaster says an activation energy in kJ/mol, with its standard deviation,
// as a shop feels it: how many times as fast the resin cures at 30 °C as at 20 °C.
func (a *App) timesFaster(kJMol, sd float64) string {
	times := func(e float64) float64 { return math.Exp(1000 * e / cure.GasConstant * (1/293.15 - 1/303.15)) }
	two := func(x float64) string { return fmt.Sprintf("%.2f", x) }
	return a.say("history.times", facts{"mid": two(times(kJMol)), "low": two(times(kJMol - sd)), "high": two(times(kJMol + sd))})
}
