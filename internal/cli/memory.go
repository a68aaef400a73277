// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"fmt"
	"io"
	"strings"

	"curewright/dashboards/client"
	"curewright/internal/daemon/learnt"
	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/memory"
)

// MemoryCmd is what the shop's own coats taught.
type MemoryCmd struct {
	Show   memoryShowCmd   `cmd:"" default:"withargs" help:"What was learnt, each claim with the coats that taught it."`
	Forget memoryForgetCmd `cmd:"" help:"Forget a coat, a resin, a lot, a person's finger, or all."`
	Export memoryExportCmd `cmd:"" help:"All of it as one small file; with --lots, what a yard may share."`
	Import memoryImportCmd `cmd:"" help:"Take such a file from another board." example:"curewright memory import memory.json"`
}

type memoryShowCmd struct {
	Coats bool `help:"List every coat with what it taught, and why where it taught nothing."`
	JSON  bool `help:"Print one JSON object."`
}

func (memoryShowCmd) Help() string {
	return "Example:\n\n  curewright memory --coats\n\n" + Caution
}

func (c *memoryShowCmd) Run(a *App, cl *client.Client) error {
	raw, err := cl.Memory(a.Ctx)
	if err != nil || c.JSON {
		return a.orJSON(raw, err)
	}
	v, err := answer[learnt.MemoryView](raw)
	if err == nil {
		a.printMemory(v, c.Coats)
	}
	return err
}

func (a *App) printMemory(v learnt.MemoryView, coats bool) {
	if v.Trouble != "" {
		fmt.Fprintln(a.Out, hang("! ", v.Trouble))
	}
	for _, y := range v.Yard {
		if y.Trouble != "" {
			fmt.Fprintln(a.Out, hang("! ", a.say("memory.yard", facts{"board": y.Board, "what": y.Trouble})))
		}
	}
	view := a.view()
	if len(v.Claims) == 0 {
		fmt.Fprintln(a.Out, Wrap(view.Say("memory.none", nil), 78))
	}
	for _, c := range v.Claims {
		fmt.Fprintln(a.Out, hang("· ", c.Say))
		if len(c.Coats) > 0 {
			names := make([]string, len(c.Coats))
			for i, k := range c.Coats {
				names[i] = strings.TrimPrefix(k, v.Board+"/")
			}
			fmt.Fprintln(a.Out, hang("    ", a.say("memory.from", facts{"coats": strings.Join(names, ", ")})))
		}
	}
	nothing := 0
	for _, c := range v.Coats {
		if !c.Teaches {
			nothing++
		}
	}
	if len(v.Coats) > 0 && !coats {
		fmt.Fprintf(a.Out, "\n%s\n", view.Say("memory.kept", facts{"n": len(v.Coats), "not": nothing}))
	}
	if !coats {
		return
	}
	fmt.Fprintln(a.Out)
	for _, c := range v.Coats {
		var tests []string
		for _, t := range c.Tests {
			tests = append(tests, a.state(t.State)+" "+t.At.Local().Format("15:04"))
		}
		line := fmt.Sprintf("%s · %s · %s · %s", c.Coat, c.Resin, a.date(c.Applied.Local()), a.degrees(c.WarmthC))
		if c.Lot != "" {
			line += " · " + a.say("memory.lot", facts{"lot": c.Lot})
		}
		if c.Board != v.Board {
			line += " · " + a.say("memory.board", facts{"board": c.Board})
		}
		fmt.Fprintln(a.Out, line)
		if len(tests) > 0 {
			fmt.Fprintln(a.Out, hang("    ", strings.Join(tests, ", ")))
		}
		if len(c.Why) > 0 {
			code := "memory.less"
			if !c.Teaches {
				code = "memory.nothing"
			}
			fmt.Fprintln(a.Out, hang("    ", a.say(code, facts{"why": strings.Join(c.Why, "; ")})))
		}
	}
}

type memoryForgetCmd struct {
	All    bool    `help:"All of it."`
	Coat   string  `placeholder:"ID" help:"What this coat taught."`
	Resin  string  `placeholder:"NAME" help:"What was learnt of this resin."`
	Lot    string  `placeholder:"LOT" help:"What was learnt of this lot."`
	Person *string `placeholder:"NAME" help:"This person's finger."`
	JSON   bool    `help:"Print one JSON object."`
}

func (memoryForgetCmd) Help() string {
	return "What is forgotten is not learnt again from the same coats; the coats' records stay.\n\nExample:\n\n  curewright memory forget --lot L2"
}

func (c *memoryForgetCmd) Run(a *App, cl *client.Client) error {
	q := map[string]any{}
	for k, v := range map[string]string{"coat": c.Coat, "resin": c.Resin, "lot": c.Lot} {
		if v != "" {
			q[k] = v
		}
	}
	if c.Person != nil {
		q["person"] = *c.Person
	}
	if c.All {
		q["all"] = true
	}
	if len(q) == 0 || c.All && len(q) > 1 {
		return fault.Inputf("memory forget: say --all, or which --coat, --resin, --lot or --person")
	}
	raw, err := cl.ForgetMemory(a.Ctx, q)
	if err != nil || c.JSON {
		return a.orJSON(raw, err)
	}
	n, err := answer[struct{ Forgotten int }](raw)
	if err == nil {
		a.tell("memory.forgotten", facts{"n": n.Forgotten})
	}
	return err
}

type memoryExportCmd struct {
	Out  string `short:"o" required:"" placeholder:"FILE" type:"path" help:"File to write; - is standard output."`
	Lots bool   `help:"What was learnt of resins and lots alone, and of nobody: for the other boards of a yard."`
	JSON bool   `help:"Print one JSON object."`
}

func (memoryExportCmd) Help() string {
	return "Without [memory] people = true in the board's configuration, names are left out.\n\nExample:\n\n  curewright memory export -o memory.json"
}

func (c *memoryExportCmd) Run(a *App, cl *client.Client) error {
	if err := oneOutput(c.JSON, c.Out); err != nil {
		return err
	}
	b, err := cl.MemoryFile(a.Ctx, c.Lots)
	if err != nil {
		return err
	}
	if err := a.toFile(c.Out, func(w io.Writer) error { _, err := w.Write(b); return err }); err != nil {
		return err
	}
	if c.Out == "-" {
		return nil
	}
	return a.done(c.JSON, map[string]any{"file": c.Out, "bytes": len(b)}, "memory.written", facts{"file": c.Out, "bytes": len(b)})
}

type memoryImportCmd struct {
	File string `arg:"" type:"path" help:"What another board exported."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *memoryImportCmd) Run(a *App, cl *client.Client) error {
	b, err := file.Read(c.File)
	if err != nil {
		return fault.Inputf("%v", err)
	}
	// What cannot be read is said with its place before anything is sent.
	if _, _, err := memory.Read(b); err != nil {
		return fault.In(c.File, err)
	}
	raw, err := cl.ImportMemory(a.Ctx, b)
	if err != nil || c.JSON {
		return a.orJSON(raw, err)
	}
	got, err := answer[struct {
		Board         string
		Coats, Shared int
		Aside         []memory.Aside
	}](raw)
	if err != nil {
		return err
	}
	a.tell("memory.taken", facts{"board": got.Board, "coats": got.Coats, "resins": got.Shared})
	for _, x := range got.Aside {
		code := "memory.aside"
		if x.Against != "" {
			code = "memory.aside_both"
		}
		fmt.Fprintln(a.Out, hang("! ", a.say(code, facts{"board": x.Board, "against": x.Against, "resin": x.Resin, "lot": x.Lot,
			"theirs": fmt.Sprintf("%.2f", x.Theirs), "mine": fmt.Sprintf("%.2f", x.Mine)})))
	}
	return nil
}
