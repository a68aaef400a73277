// SPDX-License-Identifier: Apache-2.0

package cli

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/dashboards/client"
	"curewright/dashboards/record"
	"curewright/dashboards/web"
	"curewright/history"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/coat"
	"curewright/model/job"
	"curewright/model/words"
)

// moment reads a time as people say it, by the daemon's own clock, which is
// what it dates work by: a board's may differ from this machine's, and a
// demonstration runs ahead of it.
func (a *App) moment(cl *client.Client, flag, s string) (time.Time, error) {
	if err := checkWhen(flag, s); err != nil {
		return time.Time{}, err
	}
	now, _, err := cl.Coats(a.Ctx, false)
	if err != nil {
		return time.Time{}, err
	}
	return when(flag, s, now)
}

// checkWhen reports a time that nobody could read, before any daemon is asked.
func checkWhen(flag, s string) error {
	_, err := when(flag, s, time.Now())
	return err
}

// when reads a time as people say it: "now", "15m" ago, "14:05" today, or RFC
// 3339.
func when(flag, s string, now time.Time) (time.Time, error) {
	if s == "" || s == "now" {
		return now, nil
	}
	if d, err := time.ParseDuration(strings.TrimSuffix(s, " ago")); err == nil && d >= 0 {
		return now.Add(-d), nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	if c, err := job.ParseClock(s); err == nil {
		t := time.Date(now.Year(), now.Month(), now.Day(), int(c)/60, int(c)%60, 0, 0, now.Location())
		if t.After(now.Add(time.Hour)) {
			t = t.AddDate(0, 0, -1) // "23:40" said after midnight was yesterday
		}
		return t, nil
	}
	return time.Time{}, fault.Inputf("--%s: %q is not a time: now, 15m (ago), 14:05 or 2026-10-10T14:05:00+01:00", flag, s)
}

type CoatCmd struct {
	Start coatStartCmd `cmd:"" help:"A coat is on the panel."`
	List  coatListCmd  `cmd:"" help:"Every open coat: what it is, what comes next and when." example:"curewright coat list --legend"`
	Show  coatShowCmd  `cmd:"" help:"One coat." example:"curewright coat show a-tack"`
	End   coatEndCmd   `cmd:"" help:"Stop watching a coat: coated over, or done." example:"curewright coat end a-tack"`
}

type coatStartCmd struct {
	Panel      string   `required:"" help:"Panel it is on."`
	Resin      string   `required:"" help:"Epoxy: fast, medium, slow, or one of your own."`
	Kind       string   `required:"" help:"tack coat, wet-out, fill coat, bond or seal."`
	ID         string   `name:"id" help:"Short name; made up when not given."`
	Batch      []string `help:"Cups it came from, several with commas; each is empty then."`
	Applied    string   `default:"now" help:"When: now, 15m (ago), 14:05, or RFC 3339."`
	Next       string   `help:"What comes next: cloth, wet, coat, fill or none."`
	Cover      string   `help:"What is laid on it: none, peel ply, film or vacuum bag."`
	BagKPa     *float64 `name:"bag-kpa" placeholder:"KPA" help:"Vacuum in the bag, kPa below the shop's air."`
	BagMinutes *float64 `name:"bag-minutes" placeholder:"MIN" help:"How long the bag is held, min."`
	Share      *float64 `placeholder:"0.5" help:"Only this share of the panel."`
	Cloth      []string `placeholder:"NAME:G/M2" help:"Cloth laid into it, such as \"glass twill:200\"."`
	JSON       bool     `help:"Print one JSON object."`
}

func (coatStartCmd) Help() string {
	return "Example:\n\n  curewright coat start --panel lid-a --resin medium --kind \"tack coat\" \\\n    --batch batch-3 --applied 10m"
}

func (c *coatStartCmd) Run(a *App, cl *client.Client) error {
	cloth, cerr := parseCloth(c.Cloth)
	if err := fault.Join(checkWhen("applied", c.Applied), cerr); err != nil {
		return err
	}
	at, err := a.moment(cl, "applied", c.Applied)
	if err != nil {
		return err
	}
	id, err := cl.StartCoat(a.Ctx, coat.Coat{ID: c.ID, Panel: c.Panel, Resin: c.Resin, Kind: c.Kind, Batches: c.Batch, Applied: at, Next: c.Next, Cover: c.Cover, BagKPa: c.BagKPa, BagMinutes: c.BagMinutes, Share: c.Share, Cloth: cloth})
	if err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": id}, "coat.started", facts{"coat": words.Upper(names{a, cl}.coat(id)), "at": at.Format("15:04"), "id": id})
}

func parseCloth(in []string) ([]coat.Cloth, error) {
	var out []coat.Cloth
	var lines []string
	for _, s := range in {
		name, weight, ok := strings.Cut(s, ":")
		cl := coat.Cloth{Name: name}
		if ok {
			var g float64
			if _, err := fmt.Sscanf(weight, "%g", &g); err != nil || !(g > 0) {
				lines = append(lines, fmt.Sprintf("--cloth: %q: the weight is not a number of g/m²", s))
				continue
			}
			cl.GM2 = &g
		}
		out = append(out, cl)
	}
	return out, fault.Lines(lines)
}

type coatListCmd struct {
	All    bool `help:"Also those that are ended."`
	Legend bool `help:"Explain the characters of the strip."`
	JSON   bool `help:"Print one JSON object."`
}

func (c *coatListCmd) Run(a *App, cl *client.Client) error {
	now, views, err := cl.Coats(a.Ctx, c.All)
	if err != nil {
		return err
	}
	if c.JSON {
		return a.JSON(struct {
			At    time.Time      `json:"at"`
			Coats []web.CoatView `json:"coats"`
		}{now, views})
	}
	res := job.Result{At: now}
	for _, v := range views {
		if v.Open {
			res.Coats = append(res.Coats, v.Estimate)
		}
	}
	a.printCoats(res, c.Legend)
	return nil
}

type coatShowCmd struct {
	ID     string `arg:"" name:"coat" help:"Coat."`
	Legend bool   `help:"Explain the characters of the strip."`
	JSON   bool   `help:"Print one JSON object."`
}

func (c *coatShowCmd) Run(a *App, cl *client.Client) error {
	v, err := cl.Coat(a.Ctx, c.ID)
	if err != nil || c.JSON {
		return a.orJSON(v, err)
	}
	if !v.Open {
		a.tell("coat.over", facts{"coat": words.Upper(names{a, cl}.coat(c.ID))})
		return nil
	}
	s, err := cl.Snapshot(a.Ctx)
	if err != nil {
		return err
	}
	a.printCoats(job.Result{At: s.At, Coats: []coat.Estimate{v.Estimate}}, c.Legend)
	return nil
}

type coatEndCmd struct {
	ID   string `arg:"" name:"coat" help:"Coat."`
	At   string `default:"now" help:"When: now, 15m (ago), 14:05, or RFC 3339."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *coatEndCmd) Run(a *App, cl *client.Client) error {
	at, err := a.moment(cl, "at", c.At)
	if err != nil {
		return err
	}
	if err := cl.EndCoat(a.Ctx, c.ID, at); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": c.ID, "ended": at}, "coat.ended", facts{"coat": words.Upper(names{a, cl}.coat(c.ID)), "id": c.ID})
}

type FeelCmd struct {
	Coat  string `arg:"" help:"Coat that was felt."`
	State string `arg:"" enum:"wet,tacky,green,firm,hard" help:"What the finger found: wet (flows, strings), tacky (sticks, lifts clean), green (no stick, nail dents), firm (nail slides, no dent), hard (sands to dust)."`
	At    string `default:"now" help:"When: now, 15m (ago), 14:05, or RFC 3339."`
	JSON  bool   `help:"Print one JSON object."`
}

func (c *FeelCmd) Run(a *App, cl *client.Client) error {
	at, err := a.moment(cl, "at", c.At)
	if err != nil {
		return err
	}
	id, err := cl.Feel(a.Ctx, c.Coat, coat.State(c.State), at)
	if err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": id}, "coat.felt", facts{"coat": words.Upper(names{a, cl}.coat(c.Coat)), "state": a.state(coat.State(c.State)), "at": at.Format("15:04"), "id": id})
}

type BatchCmd struct {
	Mixed batchMixedCmd `cmd:"" help:"A cup was mixed: its countdown starts." example:"curewright batch mixed --resin medium --resin-g 110 --hardener-g 33"`
	End   batchEndCmd   `cmd:"" help:"A cup is used up, or thrown out." example:"curewright batch end cup-1"`
	List  batchListCmd  `cmd:"" help:"Cups mixed." example:"curewright batch list"`
}

type batchMixedCmd struct {
	Resin      string   `required:"" help:"Epoxy: fast, medium, slow, or one of your own."`
	ID         string   `name:"id" help:"Short name; made up when not given."`
	Lot        string   `help:"Lot number on the can."`
	ResinG     *float64 `name:"resin-g" placeholder:"G" help:"Grams of resin."`
	HardenerG  *float64 `name:"hardener-g" placeholder:"G" help:"Grams of hardener."`
	Shape      string   `help:"cup, tray or bond."`
	DiameterMM *float64 `name:"diameter-mm" placeholder:"D" help:"Cup's diameter, mm."`
	StartC     *float64 `name:"start-c" placeholder:"C" help:"Temperature when mixed, °C."`
	At         string   `default:"now" help:"When: now, 5m (ago), 14:05, or RFC 3339."`
	JSON       bool     `help:"Print one JSON object."`
}

func (c *batchMixedCmd) Run(a *App, cl *client.Client) error {
	at, err := a.moment(cl, "at", c.At)
	if err != nil {
		return err
	}
	id, err := cl.Mixed(a.Ctx, coat.Batch{ID: c.ID, Resin: c.Resin, Lot: c.Lot, ResinG: c.ResinG, HardenerG: c.HardenerG, Mixed: at, Shape: c.Shape, DiameterMM: c.DiameterMM, StartC: c.StartC})
	if err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": id}, "cup.mixed", facts{"cup": words.Upper(names{a, cl}.cup(id)), "id": id})
}

type batchEndCmd struct {
	ID    string   `arg:"" name:"batch" help:"Cup."`
	At    string   `default:"now" help:"When: now, 5m (ago), 14:05, or RFC 3339."`
	LeftG *float64 `name:"left-g" placeholder:"G" help:"Grams thrown out."`
	JSON  bool     `help:"Print one JSON object."`
}

func (c *batchEndCmd) Run(a *App, cl *client.Client) error {
	at, err := a.moment(cl, "at", c.At)
	if err != nil {
		return err
	}
	if err := cl.EndBatch(a.Ctx, c.ID, at, c.LeftG); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": c.ID, "ended": at, "left_g": c.LeftG}, "cup.ended", facts{"cup": words.Upper(names{a, cl}.cup(c.ID)), "id": c.ID})
}

type batchListCmd struct{ jsonFlag }

func (c *batchListCmd) Run(a *App, cl *client.Client) error {
	bs, err := cl.Batches(a.Ctx)
	if err != nil {
		return err
	}
	now, _, err := cl.Coats(a.Ctx, false)
	if err != nil {
		return err
	}
	loc := now.Location()
	if c.JSON {
		return a.JSON(map[string]any{"batches": bs})
	}
	for _, b := range bs {
		state := a.say("cup.in_use", nil)
		if b.Ended != nil {
			state = a.say("cup.used_up", facts{"at": b.Ended.In(loc).Format("15:04")})
		}
		fmt.Fprintf(a.Out, "%-14s %-10s %s\n", b.ID, b.Resin, a.say("cup.line", facts{"at": a.weekday(b.Mixed.In(loc)), "state": state}))
	}
	return nil
}

type PanelCmd struct {
	Add  panelAddCmd  `cmd:"" help:"Add a panel."`
	List panelListCmd `cmd:"" help:"Panels." example:"curewright panel list"`
}

type panelAddCmd struct {
	ID     string   `arg:"" help:"Short name."`
	Name   string   `help:"What people call it."`
	Piece  string   `help:"Piece it is a side of; itself when not given."`
	Probe  string   `help:"Probe on its surface or its witness."`
	Air    string   `help:"Air probe beside it."`
	Core   string   `help:"wood, foam, honeycomb, metal or laminate."`
	AreaM2 *float64 `name:"area-m2" placeholder:"M2" help:"Area, m²."`
	JSON   bool     `help:"Print one JSON object."`

	NoProbe bool `name:"no-probe" help:"No probe on it, on purpose: the air's temperature counts, with more doubt."`
}

func (panelAddCmd) Help() string {
	return "Example:\n\n  curewright panel add lid-a --name \"Lid A, outer\" --probe panel-1 \\\n    --core foam --area-m2 1.4"
}

func (c *panelAddCmd) Run(a *App, cl *client.Client) error {
	if err := c.check(a, cl); err != nil {
		return err
	}
	if err := chooseProbe(a, cl, c.Probe, c.NoProbe); err != nil {
		return err
	}
	id, err := cl.AddPanel(a.Ctx, coat.Panel{ID: c.ID, Name: c.Name, Piece: c.Piece, Probe: c.Probe, NoProbe: c.NoProbe, Air: c.Air, Core: c.Core, AreaM2: c.AreaM2})
	if err != nil {
		return err
	}
	code, f := "panel.added_bare", facts{"panel": words.Upper(names{a, cl}.panel(id)), "id": id}
	if c.Probe != "" {
		code, f["probe"] = "panel.added", names{a, cl}.probe(c.Probe)
	}
	return a.done(c.JSON, map[string]any{"id": id}, code, f)
}

// check refuses a probe that nobody knows, which is mostly a slip of the finger,
// and says what a panel of the same name is.
func (c *panelAddCmd) check(a *App, cl *client.Client) error {
	probes, err := cl.Probes(a.Ctx)
	if err != nil {
		return err
	}
	panels, err := cl.Panels(a.Ctx)
	if err != nil {
		return err
	}
	var lines, known []string
	for _, p := range probes {
		known = append(known, p.Probe)
	}
	for _, f := range []struct{ flag, id string }{{"probe", c.Probe}, {"air", c.Air}} {
		if f.id != "" && !slices.Contains(known, f.id) {
			list := "the daemon knows none yet"
			if len(known) > 0 {
				list = "known are " + strings.Join(known, ", ")
			}
			lines = append(lines, fmt.Sprintf("--%s: no probe %q: %s", f.flag, f.id, list))
		}
	}
	for _, p := range panels {
		if p.ID == c.ID {
			lines = append(lines, fmt.Sprintf("panel %q is there already: %q, piece %q, probe %q; correct it, or take another name", c.ID, p.Name, p.Piece, p.Probe))
		}
	}
	return fault.Lines(lines)
}

type panelListCmd struct{ jsonFlag }

func (c *panelListCmd) Run(a *App, cl *client.Client) error {
	ps, err := cl.Panels(a.Ctx)
	if err != nil || c.JSON {
		return a.orJSON(map[string]any{"panels": ps}, err)
	}
	for _, p := range ps {
		probe := names{a, cl}.probe(p.Probe)
		if probe == "" {
			probe = a.say("panel.no_probe", nil)
		}
		fmt.Fprintf(a.Out, "%-14s %-24s %s\n", p.ID, p.Name, probe)
	}
	return nil
}

type RecordCmd struct {
	Panel  string `arg:"" optional:"" help:"Panel; the record is of its whole piece."`
	Format string `enum:"html,json,csv" default:"html" help:"html (prints), json or csv."`
	Out    string `short:"o" placeholder:"FILE" type:"path" help:"File to write; standard output when not given."`
	Data   string `placeholder:"DIR" type:"path" help:"Read the store in this folder, with no daemon running; the usual one when none answers."`
	Verify string `placeholder:"FILE" type:"path" help:"Say whether a record kept as json is as it was made; nothing else is done."`
}

func (RecordCmd) Help() string {
	return "Example:\n\n  curewright record lid-a -o lid-a.html\n  curewright record lid-a --format json -o lid-a.json\n  curewright record --verify lid-a.json"
}

func (c *RecordCmd) Run(a *App) error {
	switch {
	case c.Panel == "" && c.Verify == "":
		return fault.Inputf("arguments: the record of which panel?")
	case c.Panel != "" && c.Verify != "":
		return fault.Inputf("--verify: takes a file and no panel")
	case c.Verify != "":
		return c.verify(a)
	}
	return a.toFile(c.Out, func(w io.Writer) error {
		offline := func(dir string) error {
			b, err := daemon.RecordAtRest(a.Ctx, a.Build.Version, dir, c.Panel, c.Format)
			if errors.Is(err, web.ErrNotFound) {
				return fault.Inputf("%v", err)
			} else if err != nil {
				return inUse(dir, err)
			}
			_, err = w.Write(b)
			return err
		}
		if c.Data != "" {
			return offline(c.Data)
		}
		cl, err := a.Client()
		if err != nil {
			return err
		}
		err = cl.Record(a.Ctx, w, c.Panel, c.Format)
		if dir := a.storeAtRest(err, daemon.DefaultData()); dir != "" {
			return offline(dir)
		}
		return err
	})
}

// verify compares a record with its own sums. They show a slip or a careless
// change; whoever makes new sums as well is not found out.
func (c *RecordCmd) verify(a *App) error {
	b, err := file.Read(c.Verify)
	if err != nil {
		return fault.Inputf("%v", err)
	}
	d, err := record.Verify(b)
	if err != nil {
		return fault.In(c.Verify, err)
	}
	a.tell("record.verified", facts{"file": c.Verify, "date": a.date(d.Made), "at": d.Made.Format("15:04 MST"), "piece": d.Piece.ID})
	return nil
}

// storeAtRest is dir, the folder of this machine's own store, where err says
// that no daemon runs here, else "".
func (a *App) storeAtRest(err error, dir string) string {
	if !errors.Is(err, client.ErrNoDaemon) || a.Server != "" && a.Server != client.DefaultServer {
		return ""
	}
	if _, err := os.Stat(filepath.Join(dir, history.File)); err != nil {
		return ""
	}
	return dir
}

// toFile runs write into a file that appears whole or not at all, or into
// standard output for "" and "-".
func (a *App) toFile(name string, write func(io.Writer) error) error {
	if name == "" || name == "-" {
		return write(a.Out)
	}
	return file.Write(name, write)
}

// oneOutput is a fault where more than one thing would go to standard output.
func oneOutput(json bool, files ...string) error {
	n := 0
	if json {
		n++
	}
	for _, f := range files {
		if f == "-" {
			n++
		}
	}
	if n > 1 {
		return fault.Inputf("-: only one thing can go to standard output")
	}
	return nil
}

type BackupCmd struct {
	File string `arg:"" placeholder:"FILE" type:"path" help:"File to write."`
	Data string `placeholder:"DIR" type:"path" help:"Copy the store in this folder, with no daemon running."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *BackupCmd) Run(a *App) error {
	if c.JSON && c.File == "-" {
		return fault.Inputf("--json: the copy itself goes to standard output")
	}
	var err error
	if c.Data != "" {
		err = inUse(c.Data, backupOffline(a.Ctx, c.Data, c.File))
	} else {
		cl, cerr := a.Client()
		if cerr != nil {
			return cerr
		}
		err = a.toFile(c.File, func(w io.Writer) error { return cl.Backup(a.Ctx, w) })
	}
	if err != nil || !c.JSON {
		return err
	}
	fi, err := os.Stat(c.File)
	if err != nil {
		return err
	}
	return a.JSON(map[string]any{"file": c.File, "bytes": fi.Size()})
}

type TokenCmd struct {
	List   tokenListCmd   `cmd:"" help:"What has been let in." example:"curewright token list"`
	Revoke tokenRevokeCmd `cmd:"" help:"Shut one out." example:"curewright token revoke t-3"`
}

type tokenListCmd struct{ jsonFlag }

func (c *tokenListCmd) Run(a *App, cl *client.Client) error {
	ts, err := cl.Tokens(a.Ctx)
	if err != nil || c.JSON {
		return a.orJSON(map[string]any{"tokens": ts}, err)
	}
	if len(ts) == 0 {
		a.tell("token.none", nil)
	}
	for _, t := range ts {
		used := a.say("token.unused", nil)
		if t.Used != nil {
			used = a.say("token.used", facts{"at": a.dayClock(t.Used.Local())})
		}
		end := ""
		if t.Expires != nil {
			until := a.date(t.Expires.Local())
			if t.Days > 0 {
				until += t.Expires.Local().Format(" 15:04")
			}
			end = a.say("token.until", facts{"at": until})
		}
		fmt.Fprintf(a.Out, "%-10s %-8s %-24s %s%s\n", t.ID, a.say("token.role."+string(t.Role), nil), t.Name, used, end)
	}
	return nil
}

type tokenRevokeCmd struct {
	ID   string `arg:"" help:"Its id, or the name that one alone has, as listed."`
	JSON bool   `help:"Print one JSON object."`
}

func (c *tokenRevokeCmd) Run(a *App, cl *client.Client) error {
	ts, err := cl.Tokens(a.Ctx)
	if err != nil {
		return err
	}
	var ids []string
	name := ""
	for _, t := range ts {
		if t.ID == c.ID {
			ids, name = []string{t.ID}, t.Name
			break
		} else if t.Name == c.ID {
			ids, name = append(ids, t.ID), t.Name
		}
	}
	switch len(ids) {
	case 0:
		return fault.Inputf("no log-in has the id or the name %q: curewright token list", c.ID)
	case 1:
	default:
		return fault.Inputf("%d log-ins are called %q: name one by its id, %s", len(ids), c.ID, strings.Join(ids, ", "))
	}
	if err := cl.Revoke(a.Ctx, ids[0]); err != nil {
		return err
	}
	return a.done(c.JSON, map[string]any{"id": ids[0], "revoked": true}, "token.revoked", facts{"name": name, "id": ids[0]})
}

type AlertCmd struct {
	Test alertTestCmd `cmd:"" help:"Send a test through one channel."`
}

type alertTestCmd struct {
	Channel string `arg:"" help:"Channel's name, as in the configuration."`
	Heard   string `enum:"yes,no," default:"" help:"yes or no: say whether the last test reached you; nothing is sent."`
	JSON    bool   `help:"Print one JSON object; nothing is asked."`
}

func (alertTestCmd) Help() string {
	return "At a terminal it asks whether the test reached you: until you have said yes,\n" +
		"nothing counts as able to wake you.\n\n" +
		"Example:\n\n  curewright alert test piezo"
}

func (c *alertTestCmd) Run(a *App, cl *client.Client) error {
	heard := c.Heard
	if heard == "" {
		if err := cl.TestSound(a.Ctx, c.Channel, nil); err != nil {
			return err
		}
		if c.JSON {
			return a.JSON(map[string]any{"channel": c.Channel, "sent": true, "heard": nil})
		}
		if !atTerminal(a.In) {
			a.tell("alert.sent", facts{"channel": c.Channel})
			fmt.Fprintf(a.Out, "  curewright alert test %s --heard yes\n", c.Channel)
			return nil
		}
		fmt.Fprint(a.Out, a.say("alert.ask", facts{"channel": c.Channel}), " ")
		heard = yesOrNo(a.In)
	}
	if heard == "" {
		a.tell("alert.silent", nil)
		return nil
	}
	yes := heard == "yes"
	if err := cl.TestSound(a.Ctx, c.Channel, &yes); err != nil {
		return err
	}
	if c.JSON {
		return a.JSON(map[string]any{"channel": c.Channel, "heard": yes})
	}
	if yes {
		a.tell("alert.heard", facts{"channel": c.Channel})
	} else {
		a.tell("alert.not_heard", facts{"channel": c.Channel})
	}
	return nil
}

// atTerminal reports whether somebody may sit at the other end.
func atTerminal(r io.Reader) bool {
	f, ok := r.(*os.File)
	if !ok {
		return false
	}
	fi, err := f.Stat()
	return err == nil && fi.Mode()&os.ModeCharDevice != 0
}

// yesOrNo reads an answer; "" where there is none.
func yesOrNo(r io.Reader) string {
	line, _ := bufio.NewReader(r).ReadString('\n')
	switch strings.ToLower(strings.TrimSpace(line)) {
	case "y", "yes":
		return "yes"
	case "n", "no":
		return "no"
	}
	return ""
}
