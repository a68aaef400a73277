// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
	"math"
	"strings"

	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/cure"
	"curewright/model/memory"
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
		var lines []string
		for _, l := range strings.Split(err.Error(), "\n") {
			lines = append(lines, "--memory: "+l)
		}
		return &fault.Input{Lines: lines}
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
		name += " of this shop" // a generic name stays the generic resin's
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
	fmt.Fprintf(a.Out, "%s, by %d finger tests on %d coats; what its sheet said is where it began\n\n", res.Resin.Name, res.Tests, len(res.Coats))
	fmt.Fprintf(a.Out, "  %-36s %14s %14s\n", "", "before", "now")
	for _, x := range res.Moved {
		switch x.What {
		case "rate_25c":
			fmt.Fprintf(a.Out, "  %-36s %14s %14s\n", "rate at "+a.Units.temp(25)+", the sheet's is 1", fmt.Sprintf("%.2f ± %.0f %%", x.Before, 100*x.SD), fmt.Sprintf("%.2f ± %.0f %%", x.After, 100*x.SDNow))
		case "e_kj_mol":
			fmt.Fprintf(a.Out, "  %-36s %14s %14s\n", "times as fast for "+a.Units.diff(10)+" more", timesFaster(x.Before, x.SD), timesFaster(x.After, x.SDNow))
		}
	}
	fmt.Fprintf(a.Out, "\n  %-16s %9s   %-19s %-19s %s\n", "coat", "", "no stick after", "too late after", "tests read right")
	var right [2]int
	for _, x := range res.Coats {
		two := func(v [2]*int) string { return span2(v[0]) + " → " + span2(v[1]) }
		fmt.Fprintf(a.Out, "  %-16s %9s   %-19s %-19s %d → %d of %d\n", x.Coat, a.Units.temp(x.WarmthC), two(x.Green), two(x.Closes), x.Right[0], x.Right[1], x.Tests)
		right[0], right[1] = right[0]+x.Right[0], right[1]+x.Right[1]
	}
	fmt.Fprintf(a.Out, "\n%s\n", Wrap(fmt.Sprintf("Of %d finger tests the middle of the sheet's times had %d right, the middle of the new ones has %d. Each coat is read over its panel's readings where they were kept, else at its mean warmth. Lots and fingers differ besides; the daemon goes on learning them.", res.Tests, right[0], right[1]), 78))
	if c.Out == "" {
		fmt.Fprintln(a.Out, "\nNothing was written: give -o FILE.toml to keep the resin.")
	} else {
		fmt.Fprintf(a.Out, "\nWritten to %s. What was learnt is in it: coats of it teach anew from there.\n", c.Out)
	}
	return nil
}

func span2(n *int) string {
	if n == nil {
		return "never"
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
func timesFaster(kJMol, sd float64) string {
	times := func(e float64) float64 { return math.Exp(1000 * e / cure.GasConstant * (1/293.15 - 1/303.15)) }
	return fmt.Sprintf("%.2f (%.2f to %.2f)", times(kJMol), times(kJMol-sd), times(kJMol+sd))
}
