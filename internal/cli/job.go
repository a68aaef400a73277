// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/web"
	"curewright/internal/fault"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/words"
	"curewright/sensors"
)

// JobCmd is the job, written once, and the one next step of each panel.
type JobCmd struct {
	Templates jobTemplatesCmd `cmd:"" help:"The jobs that come with it." example:"curewright job templates"`
	New       jobNewCmd       `cmd:"" help:"Write a job: from a template, an earlier job or a file."`
	List      jobListCmd      `cmd:"" help:"Jobs, newest first." example:"curewright job list"`
	Show      jobShowCmd      `cmd:"" help:"One job: its steps and what is done of them." example:"curewright job show lid"`
	File      jobFileCmd      `cmd:"" help:"One job as a job file, which plan and replay read."`
	Edit      jobEditCmd      `cmd:"" help:"Change a job: its steps from a file, its name, its epoxy."`
	Next      jobNextCmd      `cmd:"" help:"The one next step of every panel that lies up." example:"curewright job next"`
	Mixed     jobMixedCmd     `cmd:"" help:"A cup was mixed for the next step." example:"curewright job mixed tack --at 5m"`
	Done      jobDoneCmd      `cmd:"" help:"It's on: all that a step means, in one entry."`
	Skip      jobSkipCmd      `cmd:"" help:"This step will not be done." example:"curewright job skip joints --why \"none on this side\""`
	Later     jobLaterCmd     `cmd:"" help:"Not today." example:"curewright job later fill"`
	Repeat    jobRepeatCmd    `cmd:"" help:"Do a step once more." example:"curewright job repeat tack"`
	Insert    jobInsertCmd    `cmd:"" help:"Put a step more into a job." example:"curewright job insert wash --do wash --before fill --when hard --of wet-out"`
	Reopen    jobReopenCmd    `cmd:"" help:"A step was not done after all." example:"curewright job reopen fill --void-coat"`
	Settle    jobSettleCmd    `cmd:"" help:"Two entries of one step: say which is right." example:"curewright job settle tack --keep tick-9"`
}

type jobTemplatesCmd struct{ jsonFlag }

func (c *jobTemplatesCmd) Run(a *App) error {
	ts := job.Templates(a.Words)
	if c.JSON {
		return a.JSON(map[string]any{"templates": ts})
	}
	for i, t := range ts {
		if i > 0 {
			fmt.Fprintln(a.Out)
		}
		fmt.Fprintln(a.Out, hang(fmt.Sprintf("%-18s ", t.ID), t.Name+". "+t.Say))
		var ids []string
		for _, s := range t.Steps {
			ids = append(ids, s.ID)
		}
		fmt.Fprintln(a.Out, hang(strings.Repeat(" ", 19), strings.Join(ids, " → ")))
	}
	return nil
}

type jobNewCmd struct {
	Template string   `help:"One of the templates."`
	From     string   `placeholder:"JOB" help:"An earlier job."`
	File     string   `placeholder:"FILE.toml" type:"path" help:"A job file with [[panel]] and [[step]]."`
	ID       string   `name:"id" help:"Short name; made from the piece or the name when not given."`
	Name     string   `help:"What people call it."`
	Piece    string   `help:"Piece whose record it goes to; the job's own short name when not given."`
	Resin    string   `help:"Epoxy of every step that names none."`
	Lot      string   `help:"Lot of every cup that names none."`
	Panel    []string `placeholder:"SIDE=ID" help:"Panel of a side of the template, such as outer=lid-outer; made when it is not there."`
	Probe    string   `help:"Probe on the first side."`
	NoProbe  bool     `name:"no-probe" help:"No probe on it, on purpose: the air's temperature counts, with more doubt."`
	Air      string   `help:"Air probe beside it."`
	Core     string   `help:"wood, foam, honeycomb, metal or laminate."`
	AreaM2   *float64 `name:"area-m2" placeholder:"M2" help:"Area of each side, m²."`
	JSON     bool     `help:"Print one JSON object."`
}

func (jobNewCmd) Help() string {
	return "Example:\n\n  curewright job new --template foam-aramid-glass --name \"Locker lid\" \\\n" +
		"    --id lid --resin medium --core foam --area-m2 1.4 --probe panel-1"
}

func (c *jobNewCmd) Run(a *App, cl *client.Client) error {
	q := web.NewJob{ID: c.ID, Name: c.Name, Piece: c.Piece, Resin: c.Resin, Lot: c.Lot, Template: c.Template, From: c.From}
	var lines []string
	if c.File != "" {
		b, err := os.ReadFile(c.File)
		if err != nil {
			return fault.Inputf("%v", err)
		}
		q.TOML = web.FileText(b)
	}
	if n := given(c.Template, c.From, c.File); n != 1 {
		lines = append(lines, "--template: say one of --template, --from and --file")
	}
	first := web.NewPanel{Probe: c.Probe, NoProbe: c.NoProbe, Air: c.Air, Core: c.Core, AreaM2: c.AreaM2}
	for i, s := range c.Panel {
		side, id, ok := strings.Cut(s, "=")
		if !ok || side == "" || id == "" {
			lines = append(lines, fmt.Sprintf("--panel: %q is not SIDE=ID, such as outer=lid-outer", s))
			continue
		}
		p := first
		p.Side, p.ID = side, id
		if i > 0 {
			p.Probe = "" // one probe lies on one side at a time
		}
		q.Panels = append(q.Panels, p)
	}
	if lines != nil {
		return &fault.Input{Lines: lines}
	}
	if len(q.Panels) == 0 && (c.Template != "" || c.From != "" && (first != web.NewPanel{})) {
		q.Panels = []web.NewPanel{first}
	}
	if c.Template != "" {
		if err := chooseProbe(a, cl, c.Probe, c.NoProbe); err != nil {
			return err
		}
	}
	e, err := cl.NewJob(a.Ctx, q)
	if err != nil {
		return a.fileFaults(c.File, err)
	}
	if c.JSON {
		return a.JSON(e)
	}
	fmt.Fprintln(a.Out, hang("", e.Say+" "+a.say("job.panels", facts{"panels": strings.Join(e.Panels, ", ")})))
	return a.printNext(cl, "")
}

// fileFaults puts the file's own name before the faults of a job file that the
// daemon found.
func (a *App) fileFaults(file string, err error) error {
	e, ok := err.(*client.Error)
	if !ok || file == "" || e.Status != 400 {
		return err
	}
	var lines []string
	for _, f := range e.Faults {
		place := f.Field
		if rest, ok := strings.CutPrefix(f.Field, "job"); ok {
			place = file + rest
		}
		lines = append(lines, strings.TrimPrefix(place+": "+f.What, ": "))
	}
	return &fault.Input{Lines: lines}
}

func given(words ...string) (n int) {
	for _, w := range words {
		if w != "" {
			n++
		}
	}
	return n
}

// chooseProbe has a panel's probe named on purpose where one is there to be
// named.
func chooseProbe(a *App, cl *client.Client, probe string, none bool) error {
	if probe != "" || none {
		return nil
	}
	ps, err := cl.Probes(a.Ctx)
	if err != nil {
		return err
	}
	var free []string
	for _, p := range ps {
		if p.Role == sensors.RolePanel && p.Accepted {
			free = append(free, p.Probe)
		}
	}
	if len(free) == 0 {
		return nil
	}
	return fault.Inputf("--probe: %s there to lie on it: --probe %s, or --no-probe on purpose (the air's temperature then counts, with more doubt)",
		map[bool]string{true: "a panel probe is", false: "panel probes are"}[len(free) == 1], strings.Join(free, ", --probe "))
}

type jobListCmd struct{ jsonFlag }

func (c *jobListCmd) Run(a *App, cl *client.Client) error {
	js, err := cl.Jobs(a.Ctx)
	if err != nil || c.JSON {
		return a.orJSON(map[string]any{"jobs": js}, err)
	}
	if len(js) == 0 {
		a.tell("job.none_templates", facts{"command": "`curewright job templates`"})
	}
	for _, j := range js {
		state := a.say("job.so_far", facts{"done": j.Done, "all": j.Total})
		if j.Over {
			state = a.say("job.over", nil)
		}
		fmt.Fprintf(a.Out, "%-16s %-24s %s\n", j.ID, j.Name, state)
	}
	return nil
}

type jobShowCmd struct {
	ID   string `arg:"" optional:"" name:"job" help:"Job; the only open one when not given."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *jobShowCmd) Run(a *App, cl *client.Client) error {
	id, err := a.theJob(cl, c.ID)
	if err != nil {
		return err
	}
	v, err := cl.Job(a.Ctx, id)
	if err != nil || c.JSON {
		return a.orJSON(v, err)
	}
	now, _, err := cl.NextSteps(a.Ctx, "")
	if err != nil {
		return err
	}
	fmt.Fprintf(a.Out, "%s (%s), %s\n", v.Name, v.ID, a.say("job.so_far", facts{"done": v.Done, "all": v.Total}))
	panel := ""
	for _, s := range v.Steps {
		if s.Panel != panel {
			panel = s.Panel
			fmt.Fprintf(a.Out, "\n%s\n", panel)
		}
		mark, when := " ", ""
		switch s.Status {
		case job.StepDone:
			mark = "✓"
		case job.StepSkipped:
			mark, when = "–", a.say("job.skipped", nil)
		case job.StepLater:
			mark = "·"
		case job.StepUnsaid:
			mark, when = "?", a.say("job.not_said", nil)
		}
		if s.Share > 0 && s.Share < 1 {
			when = fmt.Sprintf("%.0f %%", 100*s.Share)
		}
		if s.Status == job.StepLater && s.Until != nil {
			when = a.say("job.from", facts{"at": a.weekday(s.Until.In(now.Location()))})
		}
		if s.DoneAt != nil && s.Status == job.StepDone {
			when = a.weekday(s.DoneAt.In(now.Location()))
		}
		fmt.Fprintln(a.Out, hang(fmt.Sprintf("%s %-14s %-10s ", mark, s.ID, when), s.Card.Order))
		for _, x := range s.Contradictions {
			fmt.Fprintln(a.Out, hang(strings.Repeat(" ", 28), "! "+x.Say))
		}
	}
	for _, t := range v.Stray {
		fmt.Fprintln(a.Out, hang("! ", a.say("job.stray", facts{"did": t.Did, "step": t.Step, "at": a.dayClock(t.At.In(now.Location()))})))
	}
	return nil
}

type jobFileCmd struct {
	ID    string `arg:"" optional:"" name:"job" help:"Job; the only open one when not given."`
	Out   string `short:"o" placeholder:"FILE" type:"path" help:"File to write; standard output when not given."`
	Start string `placeholder:"TIME" help:"Add a [day] that starts then (RFC 3339), for plan."`
	Hours string `default:"08:00-20:00" placeholder:"HH:MM-HH:MM" help:"Of that day: when somebody works."`
}

func (jobFileCmd) Help() string {
	return "What has been done of the job is in the file as it stands in the record, so that\n" +
		"replay reads it beside exported readings, and plan plans the rest.\n\n" +
		"Example:\n\n  curewright job file lid --start 2026-10-11T08:00:00+01:00 -o lid.toml\n  curewright plan --job lid.toml --sheet day.html"
}

func (c *jobFileCmd) Run(a *App, cl *client.Client) error {
	id, err := a.theJob(cl, c.ID)
	if err != nil {
		return err
	}
	var day string
	if c.Start != "" {
		t, err := time.Parse(time.RFC3339, c.Start)
		if err != nil {
			return fault.Inputf("--start: %q is not a time such as 2026-10-11T08:00:00+01:00", c.Start)
		}
		if _, _, err := job.ParseHours(c.Hours); err != nil {
			return fault.Inputf("--hours: %v", err)
		}
		day = fmt.Sprintf("[day]\nstart = %s\nhours = [%q]\n\n", t.Format(time.RFC3339), c.Hours)
	}
	return a.toFile(c.Out, func(w io.Writer) error {
		if _, err := io.WriteString(w, day); err != nil {
			return err
		}
		return cl.JobFile(a.Ctx, w, id)
	})
}

type jobEditCmd struct {
	ID    string `arg:"" name:"job" help:"Job."`
	Steps string `placeholder:"FILE.toml" type:"path" help:"Job file whose steps replace the job's."`
	Name  string `help:"What people call it."`
	Resin string `help:"Epoxy of every step that names none."`
	Lot   string `help:"Lot of every cup that names none."`
	JSON  bool   `help:"Print one JSON object."`
}

func (jobEditCmd) Help() string {
	return "Example:\n\n  curewright job file lid -o lid.toml\n  curewright job edit lid --steps lid.toml"
}

func (c *jobEditCmd) Run(a *App, cl *client.Client) error {
	fields := map[string]any{}
	for k, v := range map[string]string{"name": c.Name, "resin": c.Resin, "lot": c.Lot} {
		if v != "" {
			fields[k] = v
		}
	}
	if c.Steps != "" {
		b, err := os.ReadFile(c.Steps)
		if err != nil {
			return fault.Inputf("%v", err)
		}
		// Whether an epoxy is known is the daemon's to say.
		any := func(name string) (cure.Resin, error) { return cure.Resin{Name: name}, nil }
		steps, _, err := job.ParseSchedule(b, c.Steps, any)
		if err != nil {
			return &fault.Input{Lines: job.Lines(err)}
		}
		fields["steps"] = steps
	}
	if len(fields) == 0 {
		return fault.Inputf("arguments: nothing to change: --steps, --name, --resin or --lot")
	}
	if err := cl.Patch(a.Ctx, "jobs", c.ID, fields); err != nil {
		return err
	}
	if c.JSON {
		return a.JSON(map[string]any{"id": c.ID, "changed": slices.Sorted(maps.Keys(fields))})
	}
	a.tell("job.changed", facts{"job": c.ID})
	return a.printNext(cl, "")
}

type jobNextCmd struct {
	Panel string `help:"Only of this panel."`
	JSON  bool   `help:"Print one JSON object."`
}

func (c *jobNextCmd) Run(a *App, cl *client.Client) error {
	if c.JSON {
		now, next, err := cl.NextSteps(a.Ctx, c.Panel)
		if err != nil {
			return err
		}
		return a.JSON(struct {
			At   time.Time  `json:"at"`
			Next []job.Next `json:"next"`
		}{now, next})
	}
	return a.printNext(cl, c.Panel)
}

func (a *App) printNext(cl *client.Client, panel string) error {
	now, next, err := cl.NextSteps(a.Ctx, panel)
	if err != nil {
		return err
	}
	if len(next) == 0 {
		a.tell("job.none", facts{"command": "`curewright job new`"})
	}
	for _, n := range next {
		a.printStep(n, now)
	}
	return nil
}

// printStep shows a next step as the bench's card does: the order, what the
// hands need, what comes then.
func (a *App) printStep(n job.Next, now time.Time) {
	loc := now.Location()
	fmt.Fprintf(a.Out, "\n%s: %s\n", n.PanelName, n.Say.Text(now, a.viewIn(loc)))
	line := func(text string) { fmt.Fprintln(a.Out, hang("  ", text)) }
	if n.Status != job.NextOver {
		line(a.say("job.step_of", facts{"step": n.Step, "job": n.Job}))
	}
	if n.Grams != nil {
		line(a.amount(n))
	}
	for _, x := range []struct{ code, text string }{{"job.cloth", n.Cloth}, {"job.cover", n.Cover}} {
		if x.text != "" {
			line(a.say(x.code, facts{"what": x.text}))
		}
	}
	if n.BagKPa != nil {
		text := a.say("job.bag", facts{"kpa": math.Round(*n.BagKPa)})
		if n.BagMin != nil {
			text += a.say("job.bag_min", facts{"min": math.Round(*n.BagMin)})
		}
		line(text)
	}
	if n.Do == "soak" && n.TempC != nil && n.Hours != nil {
		text := a.say("job.soak", facts{"temp": words.Temp(*n.TempC), "hours": *n.Hours})
		if n.RampCH != nil {
			text += a.say("job.ramp", facts{"diff": words.Diff(*n.RampCH)})
		}
		line(text)
	}
	if n.Note != "" {
		line(n.Note)
	}
	if n.WaitingFor != nil && n.Status != job.NextNow {
		line(a.say("job.waits_for", facts{"what": n.WaitingFor.Say}))
	}
	if len(n.ReadyCups) > 0 {
		var ids []string
		for _, k := range n.ReadyCups {
			ids = append(ids, k.Batch)
		}
		line(a.say("job.ready", facts{"cups": strings.Join(ids, ", ")}))
	}
	if n.Mend != nil {
		line(n.Mend.Say)
	}
	if n.More != nil {
		line(a.say("job.more", facts{"step": n.More.Step, "n": n.More.CupsLeft, "command": "curewright job mixed " + quote(n.More.Step) + " --on"}))
	}
	for _, x := range n.Unsaid {
		line("? " + x.Say)
	}
	for _, x := range n.Contradictions {
		line("! " + x.Say)
	}
	for _, x := range n.Notes {
		line(x)
	}
	if n.Then != nil {
		line(n.Then.Say)
	}
	switch n.Primary {
	case "mixed":
		line("→ curewright job mixed " + quote(n.Step))
	case "done":
		line("→ curewright job done " + quote(n.Step))
	case "feel":
		line(a.say("job.feel", facts{"command": "curewright feel " + n.Feel.Coat + " tacky", "others": "wet, green, firm, hard"}))
	}
}

// amount is what a step takes: grams, parts, cups and how long a cup is good for.
func (a *App) amount(n job.Next) string {
	text := a.say("amount.grams", facts{"grams": math.Round(*n.Grams), "epoxy": a.epoxy(n.Resin)})
	if n.ResinG != nil && n.HardenerG != nil {
		text += a.say("amount.parts", facts{"resin": math.Round(*n.ResinG), "hardener": math.Round(*n.HardenerG)})
	}
	k := len(n.Cups)
	if k > 1 {
		text += a.say("amount.cups", facts{"n": k, "grams": math.Round(n.Cups[0].Grams)})
	}
	if k > 0 && n.Cups[0].WorkMinutes != nil {
		code := "amount.use"
		if k > 1 {
			code = "amount.use_each"
		}
		text += a.say(code, facts{"min": math.Round(*n.Cups[0].WorkMinutes)})
	}
	return text + "."
}

// quote is a step's id as a shell takes it.
func quote(s string) string {
	if strings.ContainsAny(s, " '\"$&();<>*?|\\`") {
		return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
	}
	return s
}

// theJob is the job named, or the only one that is not over.
func (a *App) theJob(cl *client.Client, id string) (string, error) {
	if id != "" {
		return id, nil
	}
	js, err := cl.Jobs(a.Ctx)
	if err != nil {
		return "", err
	}
	var open []string
	for _, j := range js {
		if !j.Over {
			open = append(open, j.ID)
		}
	}
	if len(open) == 1 {
		return open[0], nil
	}
	if len(js) == 0 {
		return "", fault.Inputf("job: none is written: `curewright job new` writes one")
	}
	if len(open) == 0 {
		return "", fault.Inputf("--job: every job is over: say which")
	}
	return "", fault.Inputf("--job: which one? %s", strings.Join(open, ", "))
}

// jobStep are the flags of every entry of a job.
type jobStep struct {
	Step string `arg:"" optional:"" help:"Step; the next one when not given."`
	Job  string `help:"Job; the only open one when not given."`
	At   string `default:"now" help:"When: now, 15m (ago), 14:05, or RFC 3339."`
	Who  string `help:"Who did it, where it is not you."`
	JSON bool   `help:"Print one JSON object."`
}

// find completes job and step, and reads the time.
func (s *jobStep) find(a *App, cl *client.Client) (at *time.Time, err error) {
	if err := checkWhen("at", s.At); err != nil {
		return nil, err
	}
	now, next, err := cl.NextSteps(a.Ctx, "")
	if err != nil {
		return nil, err
	}
	t, err := when("at", s.At, now)
	if err != nil {
		return nil, err
	}
	next = slices.DeleteFunc(next, func(n job.Next) bool { return n.Status == job.NextOver || s.Job != "" && n.Job != s.Job })
	if s.Step == "" {
		if len(next) != 1 {
			var can []string
			for _, n := range next {
				can = append(can, fmt.Sprintf("%s --job %s", quote(n.Step), n.Job))
			}
			if len(can) == 0 {
				return nil, fault.Inputf("step: nothing is next; say which step")
			}
			return nil, fault.Inputf("step: which one? %s", strings.Join(can, "; "))
		}
		s.Step, s.Job = next[0].Step, next[0].Job
	}
	s.Job, err = a.theJob(cl, s.Job)
	return &t, err
}

// enter finds the step, makes an entry of it, and says what that did.
func (s *jobStep) enter(a *App, cl *client.Client, what string, body func(at *time.Time) any) error {
	at, err := s.find(a, cl)
	if err != nil {
		return err
	}
	e, err := cl.Enter(a.Ctx, s.Job, what, body(at))
	if err != nil {
		return err
	}
	return a.entered(s.JSON, e, cl)
}

// entered says what an entry did, and the next step.
func (a *App) entered(asJSON bool, e web.Entered, cl *client.Client) error {
	if asJSON {
		return a.JSON(e)
	}
	fmt.Fprintln(a.Out, hang("", e.Say))
	for _, w := range e.Warnings {
		fmt.Fprintln(a.Out, hang("! ", w))
	}
	return a.printSteps(cl, e.Next)
}

// printSteps shows what is next after an entry, by the daemon's clock.
func (a *App) printSteps(cl *client.Client, next []job.Next) error {
	now, _, err := cl.NextSteps(a.Ctx, "")
	if err != nil {
		return err
	}
	for _, n := range next {
		a.printStep(n, now)
	}
	return nil
}

type jobMixedCmd struct {
	jobStep
	Resin      string   `help:"Epoxy, where it is not the job's."`
	Lot        string   `help:"Lot number on the can."`
	ResinG     *float64 `name:"resin-g" placeholder:"G" help:"Grams of resin; as planned when not given."`
	HardenerG  *float64 `name:"hardener-g" placeholder:"G" help:"Grams of hardener."`
	Shape      string   `help:"cup, tray or bond."`
	DiameterMM *float64 `name:"diameter-mm" placeholder:"D" help:"Cup's diameter, mm."`
	StartC     *float64 `name:"start-c" placeholder:"C" help:"Temperature when mixed, °C."`
	On         bool     `help:"It is on the panel already: one more cup of a coat that is on."`
}

func (c *jobMixedCmd) Run(a *App, cl *client.Client) error {
	return c.enter(a, cl, "mixed", func(at *time.Time) any {
		return job.Mixed{Step: c.Step, At: at, Who: c.Who, Resin: c.Resin, Lot: c.Lot, ResinG: c.ResinG, HardenerG: c.HardenerG,
			Shape: c.Shape, DiameterMM: c.DiameterMM, StartC: c.StartC, On: c.On}
	})
}

type jobDoneCmd struct {
	jobStep
	Kind       string   `help:"Another kind of coat than the job's."`
	Resin      string   `help:"Another epoxy."`
	Lot        string   `help:"Lot of its cups, where they name none."`
	Cloth      string   `help:"Another cloth, such as \"glass 200 twill\"; none for none."`
	Cover      string   `help:"none, peel ply, film or vacuum bag."`
	BagKPa     *float64 `name:"bag-kpa" placeholder:"KPA" help:"Vacuum in the bag, kPa below the shop's air."`
	BagMinutes *float64 `name:"bag-minutes" placeholder:"MIN" help:"How long the bag is held, min."`
	Share      *float64 `placeholder:"0.5" help:"Only this share of the panel."`
	Batch      []string `help:"Cups it came from, several with commas; those mixed for it when not given."`
	Keep       []string `placeholder:"BATCH" help:"A cup that is not empty."`
	Note       string   `help:"A line to remember."`
}

func (jobDoneCmd) Help() string {
	return "Example:\n\n  curewright job done\n  curewright job done fill --at 14:05 --batch c3,c4 --cover \"peel ply\""
}

func (c *jobDoneCmd) Run(a *App, cl *client.Client) error {
	return c.enter(a, cl, "done", func(at *time.Time) any {
		q := job.Done{Step: c.Step, At: at, Who: c.Who, Kind: c.Kind, Resin: c.Resin, Lot: c.Lot, Cloth: c.Cloth, Cover: c.Cover,
			BagKPa: c.BagKPa, BagMinutes: c.BagMinutes, Share: c.Share, Keep: c.Keep, Note: c.Note}
		if c.Batch != nil {
			q.Batches = &c.Batch
		}
		return q
	})
}

type jobSkipCmd struct {
	jobStep
	Why string `help:"Why."`
}

func (c *jobSkipCmd) Run(a *App, cl *client.Client) error {
	return c.put(a, cl, "skip", job.Put{Why: c.Why})
}

func (s *jobStep) put(a *App, cl *client.Client, what string, q job.Put) error {
	return s.enter(a, cl, what, func(at *time.Time) any {
		q.Step, q.At, q.Who = s.Step, at, s.Who
		return q
	})
}

type jobLaterCmd struct {
	jobStep
	Until string `placeholder:"TIME" help:"Until when (RFC 3339); tomorrow at 7 when not given."`
	Why   string `help:"Why."`
}

func (c *jobLaterCmd) Run(a *App, cl *client.Client) error {
	q := job.Put{Why: c.Why}
	if c.Until != "" {
		t, err := time.Parse(time.RFC3339, c.Until)
		if err != nil {
			return fault.Inputf("--until: %q is not a time such as 2026-10-11T09:00:00+01:00", c.Until)
		}
		q.Until = &t
	}
	return c.put(a, cl, "later", q)
}

type jobRepeatCmd struct{ jobStep }

func (c *jobRepeatCmd) Run(a *App, cl *client.Client) error {
	return c.put(a, cl, "repeat", job.Put{})
}

type jobReopenCmd struct {
	jobStep
	VoidCoat bool `name:"void-coat" help:"Its coat is void as well, with its finger tests."`
}

func (c *jobReopenCmd) Run(a *App, cl *client.Client) error {
	q := job.Put{}
	if c.VoidCoat {
		q.Coat = "void"
	}
	return c.put(a, cl, "reopen", q)
}

type jobSettleCmd struct {
	jobStep
	Keep string `required:"" placeholder:"TICK" help:"The entry that is right, as job show --json names it."`
}

func (c *jobSettleCmd) Run(a *App, cl *client.Client) error {
	return c.put(a, cl, "settle", job.Put{Keep: c.Keep})
}

type jobInsertCmd struct {
	ID     string   `arg:"" name:"step" help:"Short name of the new step."`
	Do     string   `required:"" help:"coat, cloth, cover, sand, wash, flip, unclamp, wait or soak."`
	Job    string   `help:"Job; the only open one when not given."`
	After  string   `placeholder:"STEP" help:"Put it after this step."`
	Before string   `placeholder:"STEP" help:"Put it before this one."`
	Panel  string   `help:"Panel; that of the neighbour when not given."`
	Coat   string   `help:"Kind of coat."`
	Resin  string   `help:"Epoxy."`
	Cloth  string   `help:"Cloth, such as \"glass 200 twill\"."`
	Cover  string   `help:"peel ply, film or vacuum bag."`
	When   string   `help:"start, tacky, wet, recoat, fill, hard or handle."`
	Of     string   `placeholder:"STEP" help:"Step whose coat --when is about."`
	To     string   `placeholder:"PANEL" help:"Of a flip: the panel that comes up."`
	AreaM2 *float64 `name:"area-m2" placeholder:"M2" help:"Area, where it is not the panel's."`
	Hours  *float64 `placeholder:"H" help:"Wait or soak: how long, h."`
	TempC  *float64 `name:"temp-c" placeholder:"C" help:"Soak: temperature, °C."`
	RampCH *float64 `name:"ramp-c-h" placeholder:"C/H" help:"Soak: how fast it is warmed and cooled, °C an hour."`
	JSON   bool     `help:"Print one JSON object."`
}

func (c *jobInsertCmd) Run(a *App, cl *client.Client) error {
	id, err := a.theJob(cl, c.Job)
	if err != nil {
		return err
	}
	if c.Panel == "" {
		v, err := cl.Job(a.Ctx, id)
		if err != nil {
			return err
		}
		near := cmp.Or(c.After, c.Before)
		for _, s := range v.Steps {
			if s.ID == near || near == "" {
				c.Panel = s.Panel
			}
		}
	}
	e, err := cl.Enter(a.Ctx, id, "insert", web.JobInsert{After: c.After, Before: c.Before, Step: job.Step{ID: c.ID, Do: c.Do, Panel: c.Panel, Coat: c.Coat,
		Resin: c.Resin, Cloth: c.Cloth, Cover: c.Cover, When: c.When, Of: c.Of, To: c.To, AreaM2: c.AreaM2, Hours: c.Hours, TempC: c.TempC, RampCH: c.RampCH}})
	if err != nil {
		return err
	}
	return a.entered(c.JSON, e, cl)
}
