// SPDX-License-Identifier: Apache-2.0

// Package demo is the simulated weekend: the real daemon, sped up, over an
// invented shed, its weather and its crew.
//
// What the daemon does is not done a second time here: only the shed and the crew are
// made up.
package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"slices"
	"time"

	"curewright/dashboards/web"
	"curewright/internal/cli"
	"curewright/internal/daemon"
	"curewright/internal/fault"
	"curewright/model/coat"
	"curewright/model/cure"
	"curewright/model/job"
	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/shopsim"
)

type Cmd struct {
	Listen string  `default:"127.0.0.1:8374" placeholder:"ADDR" help:"Address to serve, on this machine only."`
	Speed  float64 `default:"60" help:"Simulated seconds in a real one."`
	Seed   uint64  `default:"1" help:"Another seed is another weekend."`
	Watch  bool    `help:"Only look: nobody in the simulated shed does anything."`
	Tent   bool    `help:"The lids lie under a tent whose heater is held through the night; without it the night is the shed's own."`

	// For comparing processors, which the running clock of the page can't be.
	Print time.Duration `hidden:"" help:"Serve nothing: go through so much of the weekend at once and print what was read and estimated."`
}

func (Cmd) Help() string {
	return "A rowing club laminates two foam-cored locker lids for its coaching launch, in a shed over an October weekend. " +
		"The shed, its weather and the crew are simulated; everything else is the real daemon, sped up.\n\nExample:\n\n  curewright demo --speed 120"
}

// The demo's weekend: Saturday 10 and Sunday 11 October 2026, British Summer
// Time.
var (
	demoZone  = mustZone("Europe/London")
	demoStart = time.Date(2026, 10, 9, 18, 0, 0, 0, demoZone)
	demoOpen  = time.Date(2026, 10, 10, 16, 5, 0, 0, demoZone)
	demoEnd   = time.Date(2026, 10, 12, 6, 0, 0, 0, demoZone)
)

// mustZone is a zone of the data that is linked in.
func mustZone(name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return loc
}

func (c *Cmd) Run(a *cli.App) error {
	if err := cli.CheckNumbers(cli.FlagSpan{Name: "speed", V: &c.Speed, Lo: 1, Hi: 3600, Unit: "×", Why: "must be between 1 and 3600"}); err != nil {
		return err
	}
	cfg := daemon.DefaultConfig()
	cfg.Web.Listen = c.Listen
	if errs := cfg.Web.Check(); len(errs) > 0 {
		return fault.Inputf("--listen: %v", errors.Join(errs...))
	}
	if !cfg.Web.Loopback() {
		return fault.Inputf("--listen: %s is not on this machine: the demo has no log-in", c.Listen)
	}
	dir, err := os.MkdirTemp("", "curewright-demo-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	cfg.Store.Path = dir
	cfg.Shop.Name = "Boathouse shed"
	cfg.Sleep = daemon.SleepSection{From: "22:30", To: "06:30"}
	cfg.Shop.Air = shopsim.ShedAir
	log := slog.New(slog.NewTextHandler(a.Err, &slog.HandlerOptions{Level: slog.LevelWarn}))

	if c.Print > 0 {
		show, err := OpenShow(a.Ctx, cfg, shopsim.New(shopsim.Config{Seed: c.Seed}), 1, log)
		if err != nil {
			return err
		}
		return errors.Join(show.print(a.Ctx, a.Out, c.Print), show.Daemon.Store().Close())
	}

	ln, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return fmt.Errorf("listen: %w", err)
	}
	sim := shopsim.New(shopsim.Config{Seed: c.Seed, Tent: c.Tent, HeaterW: demoHeaterW})
	if c.Tent {
		cfg.Tent = demoTent()
	}
	show, err := NewShow(a.Ctx, cfg, sim, c.Speed, log)
	if err != nil {
		ln.Close()
		return err
	}
	srv, err := web.New(web.Config{ConfigSection: cfg.Web, Version: a.Build.Version, Log: log, LoopbackRole: web.Control}, show.Daemon)
	if err != nil {
		ln.Close()
		return err
	}
	v := words.View{Words: a.Words}
	fmt.Fprintf(a.Out, "\n  %s\n  %s\n\n", v.Say("demo.what", words.Facts{"speed": c.Speed}), v.Say("demo.open", words.Facts{"url": fmt.Sprintf("http://%s/", ln.Addr())}))
	if c.Watch {
		show.crewLeaves()
	}
	more := []daemon.Part{{Name: "shed", Run: show.runShed}}
	if show.tent != nil {
		more = append(more, show.tentPlan)
	}
	return show.Daemon.Run(a.Ctx, ln, srv, more...)
}

// Show is the demo: the daemon, the simulated shed that feeds it, and the crew
// that mixes, coats and feels.
type Show struct {
	Daemon   *daemon.Daemon
	clk      *daemon.LapseClock
	sim      *shopsim.Sim
	fed      time.Time // simulated time up to which the shed's readings went in
	truth    map[string]*truth
	next     int
	who      web.Who
	tent     *tentShow   // nil without one
	tentPlan daemon.Part // makes its plans
	log      *slog.Logger
}

// truth is what the crew's finger meets: the same chemistry, but a batch that
// runs faster or slower than its sheet, at the panel's true temperature.
type truth struct {
	panel int
	kappa float64
	at    time.Time
	alpha float64
	it    *cure.Integrator
}

const shedStep = time.Minute

// NewShow is a show whose clock runs.
func NewShow(ctx context.Context, cfg daemon.Config, sim *shopsim.Sim, speed float64, log *slog.Logger) (*Show, error) {
	s, err := OpenShow(ctx, cfg, sim, speed, log)
	if err != nil {
		return nil, err
	}
	s.clk.Start()
	s.Daemon.RequestEvaluation()
	return s, nil
}

// OpenShow fills the daemon with the weekend so far, as if it had run since
// Friday evening. Its clock stands.
func OpenShow(ctx context.Context, cfg daemon.Config, sim *shopsim.Sim, speed float64, log *slog.Logger) (*Show, error) {
	clk := daemon.NewLapseClock(demoStart, speed)
	s := &Show{sim: sim, clk: clk, fed: demoStart, truth: map[string]*truth{}, log: log, who: web.Who{Name: "the demo's crew", Role: web.Record}}
	d, err := daemon.New(daemon.Options{Config: cfg, Clock: clk, Log: log, ClockTrusted: true, Zone: demoZone})
	if err != nil {
		return nil, err
	}
	s.Daemon = d
	if cfg.Tent.Output != "" {
		if err := s.pitch(cfg.Tent); err != nil {
			return nil, err
		}
	}
	for _, p := range []struct{ id, name, role, panel string }{
		{shopsim.ShedAir, "Shed air", sensors.RoleAir, ""},
		{shopsim.Panel1, "Lid A witness", sensors.RolePanel, "lid-a"},
		{shopsim.Panel2, "Lid B witness", sensors.RolePanel, "lid-b"},
	} {
		if err := d.Sensors().Restore(p.id, "simulated", sensors.Meta{Name: p.name, Role: p.role, Panel: p.panel, Accepted: true}); err != nil {
			return nil, err
		}
	}
	for t := demoStart; t.Before(demoOpen); {
		t = t.Add(shedStep)
		clk.Put(t)
		if err := s.advance(ctx, t); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// printEvery is how often print asks for the newest evaluation.
const printEvery = 5 * time.Minute

// print goes through the next stretch of the weekend without waiting, and
// prints every evaluation of the daemon, then the readings that it
// kept of it: a JSON object a line. The same on every machine, but for the last
// digits of its arithmetic.
func (s *Show) print(ctx context.Context, out io.Writer, long time.Duration) error {
	enc := json.NewEncoder(out)
	for t := demoOpen; t.Before(demoOpen.Add(long)); {
		t = t.Add(shedStep)
		s.clk.Put(t)
		if err := s.advance(ctx, t); err != nil {
			return err
		}
		if t.Sub(demoOpen)%printEvery != 0 {
			continue
		}
		if err := s.Daemon.Evaluate(ctx); err != nil {
			return err
		}
		snap, err := s.Daemon.Snapshot(ctx)
		if err != nil {
			return err
		}
		snap.Alerts = slices.Clone(snap.Alerts)
		for i := range snap.Alerts {
			snap.Alerts[i].ID = "" // made by chance
		}
		if err := enc.Encode(snap); err != nil {
			return err
		}
	}
	for _, h := range s.Daemon.Sensors().Health() {
		for r, err := range s.Daemon.Store().Readings(h.Probe, demoOpen, demoOpen.Add(long)) {
			if err != nil {
				return err
			}
			if err := enc.Encode(r); err != nil {
				return err
			}
		}
	}
	return nil
}

// advance brings the shed and the crew to a simulated time.
func (s *Show) advance(ctx context.Context, now time.Time) error {
	for t := s.fed.Add(shedStep); !t.After(now); t = t.Add(shedStep) {
		if s.tent != nil {
			s.tent.until(t)
		}
		var ps []sensors.Pushed
		for _, r := range s.sim.At(t) {
			if r.Probe == shopsim.Outdoor {
				continue // the club has no probe outdoors: the page asks for tonight's low
			}
			ps = append(ps, sensors.Pushed{Probe: r.Probe, Time: new(r.At), Temp: r.Temp, RH: r.RH, CO2: r.CO2})
		}
		s.Daemon.Sensors().Push(sensors.Source{Via: "simulated", Accept: true, ClockTrusted: true}, ps)
		s.grow(t)
		s.fed = t
	}
	for s.next < len(weekend) && !weekend[s.next].at().After(now) {
		if err := weekend[s.next].do(ctx, s, weekend[s.next].at()); err != nil {
			return fmt.Errorf("demo, step %d: %w", s.next+1, err)
		}
		s.next++
	}
	return nil
}

// grow lets every coat's true cure go on.
func (s *Show) grow(t time.Time) {
	tr := s.sim.Truth(t)
	for _, x := range s.truth {
		if t.After(x.at) {
			a := []float64{x.alpha}
			c := tr.PanelC[x.panel]
			x.it.Advance(a, []float64{x.kappa}, t.Sub(x.at).Seconds(), c, c)
			x.alpha, x.at = a[0], t
		}
	}
}

// finger is what a finger finds on the true coat now.
func (s *Show) finger(id string, t time.Time) coat.State {
	x := s.truth[id]
	r := x.it.Resin()
	tg, tc := r.Tg(x.alpha), s.sim.Truth(t).PanelC[x.panel]
	switch {
	case tg >= tc+10 && x.alpha >= r.AlphaGel:
		return coat.Hard
	case tg >= tc && x.alpha >= r.AlphaGel:
		return coat.Firm
	case x.alpha >= r.AlphaGel:
		return coat.Green
	case x.alpha >= cure.AlphaTacky:
		return coat.Tacky
	}
	return coat.Wet
}

func (s *Show) runShed(ctx context.Context) error {
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		if now := s.clk.Now(); now.Before(demoEnd) {
			if err := s.advance(ctx, now); err != nil {
				s.log.Warn("demo", "err", err)
			}
		}
	}
}

// crewLeaves has nobody in the shed do anything from now on.
func (s *Show) crewLeaves() {
	s.next = len(weekend)
	if s.tent != nil {
		s.tent.next = len(demoHold)
	}
}

// act is what somebody does at a time of the weekend.
type act func(ctx context.Context, s *Show, at time.Time) error

// A step of the weekend: a day, an hour, and what somebody does then.
type demoStep struct {
	clock string // "sat 09:10"
	do    act
}

func (st demoStep) at() time.Time {
	t, err := demoTime(st.clock)
	if err != nil {
		panic(err) // a constant of this file
	}
	return t
}

func demoTime(s string) (time.Time, error) {
	day := map[string]int{"fri": 9, "sat": 10, "sun": 11, "mon": 12}
	var name, hm string
	if _, err := fmt.Sscan(s, &name, &hm); err != nil {
		return time.Time{}, err
	}
	c, err := job.ParseClock(hm)
	if err != nil || day[name] == 0 {
		return time.Time{}, fmt.Errorf("%q is not such as \"sat 09:10\"", s)
	}
	return time.Date(2026, 10, day[name], int(c)/60, int(c)%60, 0, 0, demoZone), nil
}

func (s *Show) create(ctx context.Context, kind string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, _, err = s.Daemon.Create(ctx, s.who, kind, b, "")
	return err
}

func addPanel(p coat.Panel) act {
	return func(ctx context.Context, s *Show, _ time.Time) error { return s.create(ctx, "panel", p) }
}

// writeJob writes the shipped foam job for a lid whose outer panel is there
// already; its joints were filled the week before.
func writeJob(id, name, outer string) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		steps := slices.Clone(job.Templates(nil)[0].Steps)
		steps = slices.DeleteFunc(steps, func(x job.Step) bool { return x.Coat == coat.Bond })
		inner := id + "-inner"
		_, err := s.Daemon.NewJob(ctx, s.who, web.NewJob{ID: id, Name: name, Piece: "locker-" + id, Resin: cure.Medium, Lot: "L-26-09", At: &at,
			Steps:  job.On(steps, map[string]string{"outer": outer, "inner": inner}),
			Panels: []web.NewPanel{{ID: inner, Name: name + ", inner", NoProbe: true, Air: shopsim.ShedAir, Core: "foam", AreaM2: new(1.4)}}}, "")
		return err
	}
}

func mix(id, resin string, grams, hardener float64) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		return s.create(ctx, "batch", coat.Batch{ID: id, Resin: resin, Lot: "L-26-09", ResinG: &grams, HardenerG: &hardener, Mixed: at, Shape: "cup"})
	}
}

func usedUp(id string) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		return s.Daemon.EndBatch(ctx, s.who, id, at, nil, "")
	}
}

func roll(c coat.Coat, panel int, kappa float64) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		c := c
		c.Applied = at
		s.meet(c.ID, c.Resin, panel, kappa, at)
		return s.create(ctx, "coat", c)
	}
}

// meet begins the true cure of a coat.
func (s *Show) meet(id, resin string, panel int, kappa float64, at time.Time) {
	r, _ := cure.Generic(resin)
	s.truth[id] = &truth{panel: panel, kappa: kappa, at: at, it: cure.NewIntegrator(r)}
}

func feelIt(id string) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		_, err := s.Daemon.Enter(ctx, s.who, "", job.Felt{Coat: id, At: &at, State: s.finger(id, at)}, "")
		return err
	}
}

// tap is one entry of a lid's job, as a phone makes it.
func tap(jobID string, q func(at time.Time) any) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		_, err := s.Daemon.Enter(ctx, s.who, jobID, q(at), "")
		return err
	}
}

// mixedFor is a tray mixed for a step.
func mixedFor(jobID, step, cup string, grams, hardener float64) act {
	return tap(jobID, func(at time.Time) any {
		return job.Mixed{Step: step, ID: cup, At: &at, ResinG: &grams, HardenerG: &hardener, Shape: "tray"}
	})
}

// coatOn says that a step's coat is on: the one tap also empties its cup and
// closes the coat below.
func coatOn(jobID, step, id string, panel int, kappa float64) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		s.meet(id, cure.Medium, panel, kappa, at)
		return tap(jobID, func(at time.Time) any { return job.Done{Step: step, ID: id, At: &at} })(ctx, s, at)
	}
}

func done(jobID, step string) act {
	return tap(jobID, func(at time.Time) any { return job.Done{Step: step, At: &at} })
}

func endCoat(id string) act {
	return func(ctx context.Context, s *Show, at time.Time) error {
		b, err := json.Marshal(map[string]time.Time{"ended": at})
		if err != nil {
			return err
		}
		return s.Daemon.Patch(ctx, s.who, "coat", id, b, "")
	}
}

// weekend is what the crew does, invented. The second lid's skin is left to
// the night on purpose: in the morning its window is closed.
var weekend = []demoStep{
	{"sat 07:00", addPanel(coat.Panel{ID: "lid-a", Piece: "locker-lid-a", Name: "Lid A, outer", Probe: shopsim.Panel1, Air: shopsim.ShedAir, Core: "foam", AreaM2: new(1.4)})},
	{"sat 07:01", addPanel(coat.Panel{ID: "lid-b", Piece: "locker-lid-b", Name: "Lid B, outer", Probe: shopsim.Panel2, Air: shopsim.ShedAir, Core: "foam", AreaM2: new(1.4)})},
	{"sat 07:02", addPanel(coat.Panel{ID: "hinges", Piece: "hinge-blocks", Name: "Hinge blocks", Probe: shopsim.Panel2, Air: shopsim.ShedAir, Core: "wood", AreaM2: new(0.1)})},
	{"sat 07:03", writeJob("lid-a", "Lid A", "lid-a")},
	{"sat 07:04", writeJob("lid-b", "Lid B", "lid-b")},
	{"sat 07:10", mix("cup-1", cure.Fast, 60, 15)},
	{"sat 07:18", roll(coat.Coat{ID: "hinge-bond", Panel: "hinges", Resin: cure.Fast, Kind: coat.Bond, Batches: []string{"cup-1"}, Next: "none"}, 1, 1.1)},
	{"sat 07:22", usedUp("cup-1")},
	{"sat 07:48", mixedFor("lid-a", "tack", "cup-2", 359, 108)},
	{"sat 07:54", coatOn("lid-a", "tack", "a-tack", 0, 1.25)},
	{"sat 10:40", feelIt("a-tack")},
	{"sat 11:20", feelIt("a-tack")},
	{"sat 11:25", done("lid-a", "aramid")},
	{"sat 11:26", mixedFor("lid-a", "wet-out", "cup-3", 489, 147)},
	{"sat 11:32", coatOn("lid-a", "wet-out", "a-glass", 0, 1.4)},
	{"sat 13:26", feelIt("hinge-bond")},
	{"sat 14:02", feelIt("a-glass")},
	{"sat 14:12", mixedFor("lid-b", "tack", "cup-4", 359, 108)},
	{"sat 14:19", coatOn("lid-b", "tack", "b-tack", 1, 1.25)},
	{"sat 14:45", feelIt("hinge-bond")},
	{"sat 15:58", feelIt("a-glass")},
	{"sat 16:02", mixedFor("lid-a", "fill", "cup-5", 223, 67)},
	{"sat 16:14", coatOn("lid-a", "fill", "a-fill", 0, 1.25)},
	{"sat 16:22", feelIt("b-tack")},
	{"sat 16:38", feelIt("b-tack")},
	{"sat 16:42", done("lid-b", "aramid")},
	{"sat 16:43", mixedFor("lid-b", "wet-out", "cup-6", 489, 147)},
	{"sat 16:50", coatOn("lid-b", "wet-out", "b-glass", 1, 1.25)},
	{"sat 17:10", endCoat("hinge-bond")},
	{"sat 18:50", feelIt("a-fill")},
	{"sat 21:40", feelIt("b-glass")},
	{"sun 07:10", feelIt("a-fill")},
	{"sun 07:15", feelIt("b-glass")},
	{"sun 11:00", feelIt("a-fill")},
}
