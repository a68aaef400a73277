// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"curewright/alerts"
	"curewright/alerts/buzzer"
	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/heat/command"
	"curewright/heat/plug"
	"curewright/heat/pulse"
	"curewright/heat/relay"
	"curewright/internal/daemon/tentplan"
	"curewright/model/tent"
	"curewright/model/words"
	"curewright/sensors"
)

// TentHolder is what holds the tent: the loop, or the demo's simulation of it.
type TentHolder interface {
	Hold(by string, setC float64) error
	Off(by, why string)
	UseSolvent(by string)
	Release(by string) error
	SetResume(by string, on bool)
	Status() heat.Status
	// Limits are the lines that a person accepts at the board, their hash, and why
	// they do not count as accepted; none where there is nothing to accept.
	Limits() (lines []string, hash, why string)
	Accept(by, hash string) error
}

// tentHeld is the daemon's heated tent.
type tentHeld struct {
	d    *Daemon
	sec  heat.ConfigSection
	hold TentHolder
	plan *tentplan.Planner
}

// HeatedTent is the tent, nil where there is none.
func (d *Daemon) HeatedTent() web.Tent {
	if d.tent == nil {
		return nil
	}
	return d.tent
}

// AttachTent gives the daemon a tent whose heater another part controls. open gets the
// journal for switchings and the function that returns the plan's set points. The
// returned part makes the plans.
func (d *Daemon) AttachTent(sec heat.ConfigSection, open func(note func(heat.Event), profile func() (heat.Profile, bool)) TentHolder) Part {
	t := newTentHeld(d, sec)
	t.hold = open(t.note, t.plan.Profile)
	d.tent = t
	return Part{"tent's plan", t.plan.Run}
}

// newTentHeld is a tent that nothing holds yet.
func newTentHeld(d *Daemon, sec heat.ConfigSection) *tentHeld {
	t := &tentHeld{d: d, sec: sec}
	t.plan = tentplan.New(tentplan.Options{Section: sec, ShopAir: d.cfg.Shop.Air, Loc: d.loc, Words: d.lang, Log: d.log, Now: d.clk.Now, Speed: d.clk.Speed(), Store: d.store,
		Status: func() heat.Status { return t.hold.Status() }, Snapshot: d.snap.Load, Work: d.work, Probe: d.set.Get, Readings: storeReadings{d.store},
		Outdoor: func(now time.Time) string { return d.jobSettings(now, d.settings(), d.set.Health()).Outdoor },
		LowC:    func(now time.Time) *float64 { return d.settings().lowNow(now) },
		Note:    func(text string, at time.Time) { d.event("heater", "tent", text, at) },
		Known:   d.mem.Tent, Learnt: func(m tent.Model) { d.mem.LearnTent(&m, d.clk.Now()) }})
	return t
}

// openTent makes the output and the loop of [tent]; nothing is driven before
// it runs. nil without a heater.
func openTent(ctx context.Context, d *Daemon, log *slog.Logger) (*tentHeld, []Part, error) {
	sec := d.cfg.Tent
	if sec.Output == "" {
		return nil, nil, nil
	}
	out, err := openHeater(ctx, sec, d.dry, log)
	if err != nil {
		return nil, nil, fmt.Errorf("tent: %w", err)
	}
	var sw func() bool
	if sec.HeatSwitch != "" && !d.dry {
		b, err := buzzer.OpenButton(sec.HeatSwitch)
		if err != nil {
			// Treated as an open switch: heat stays off, and the rest of the daemon runs.
			log.Error("heat stays off: the heat switch cannot be read", "err", err)
			sw = func() bool { return true }
		} else {
			sw = func() bool { return !b.Pressed() }
		}
	}
	t := newTentHeld(d, sec)
	q := heat.NewQueue(256)
	loop, err := heat.NewLoop(heat.LoopConfig{
		Section: sec, Words: d.lang, Output: out, Probe: d.set.Get, Dir: d.cfg.Store.Path, Switch: sw, Journal: q, Log: log,
		Clock:   func() (time.Time, bool) { return d.clk.Now(), d.clockTrusted.Load() },
		Profile: t.plan.Profile, Limits: sec.Limits(ProbeBus(d.cfg.Probe)),
	})
	if err != nil {
		return nil, nil, fmt.Errorf("tent: %w", err)
	}
	t.hold = loop
	return t, []Part{
		{"heater", loop.Run},
		{"heater's history", func(ctx context.Context) error { return q.Run(ctx, t.note) }},
		{"tent's plan", t.plan.Run},
	}, nil
}

func openHeater(ctx context.Context, sec heat.ConfigSection, dry bool, log *slog.Logger) (heat.Output, error) {
	lease := time.Duration(sec.Lease)
	switch sec.Output {
	case "relay":
		self, err := os.Executable()
		if err != nil {
			return nil, err
		}
		argv := []string{self, "relay-guard", "--line", sec.Relay.Line, "--watchdog", sec.Relay.Watchdog}
		if sec.Relay.ActiveLow {
			argv = append(argv, "--active-low")
		}
		return relay.New(argv, lease, logWriter{log, "relay guard"}), nil
	case "pulse":
		line := &laterLine{open: func() (heat.Line, error) { return relay.OpenLine(sec.Pulse.Line, false) }}
		if !dry {
			if err := line.Set(false); err != nil {
				log.Error("heat stays off: its line cannot be used", "err", err)
			}
		}
		return pulse.New(line, time.Duration(sec.Pulse.Hold)), nil
	case "plug":
		return plug.Open(ctx, sec.Plug, lease)
	case "command":
		return command.New(sec.Command.Argv, lease, logWriter{log, "heater command"}), nil
	}
	return nil, fmt.Errorf("output %q is not built into this program", sec.Output)
}

// laterLine is a GPIO line that may be missing when the daemon starts. Until it can be
// opened each use is an error, which the heater's loop takes as a fault of its output.
type laterLine struct {
	open func() (heat.Line, error)
	line heat.Line
}

func (l *laterLine) Set(on bool) error {
	if l.line == nil {
		line, err := l.open()
		if err != nil {
			return err
		}
		l.line = line // opening it has switched it off
	}
	return l.line.Set(on)
}

// logWriter puts what another program prints into the log.
type logWriter struct {
	log  *slog.Logger
	what string
}

func (w logWriter) Write(b []byte) (int, error) {
	if s := strings.TrimSpace(string(b)); s != "" {
		w.log.Warn(w.what, "says", s)
	}
	return len(b), nil
}

// note puts a switching into the history.
func (t *tentHeld) note(e heat.Event) {
	t.d.store.AddEvent("heater", "tent", e.Text, e.At, cmp.Or(e.By, "curewright"))
	if e.Why.Fault() {
		t.d.RequestEvaluation() // an alert at once, not with the next evaluation
	}
}

// tentLimit is how long the loop may go without a step before the daemon says
// that it is not ready.
func (t *tentHeld) late(now time.Time) string {
	s := t.hold.Status()
	if s.Why == heat.Stopped || t.d.clk.Speed() != 1 {
		return ""
	}
	if s.At.IsZero() {
		return "heater: not yet"
	}
	if silent := now.Sub(s.At); silent > 4*time.Duration(t.sec.Every) {
		return fmt.Sprintf("heater: no step for %s", silent.Round(time.Second))
	}
	return ""
}

// condition is the tent's fault: heat that was asked for and is off for safety, or a
// latch that a person has to release.
func (t *tentHeld) condition() []alerts.Condition {
	s := t.hold.Status()
	_, wanted := s.WishC.Get()
	switch {
	case !s.Why.Fault(), (s.Why == heat.LatchUnknown || s.Why == heat.NotAccepted) && !wanted:
		return nil
	case !s.Latched && !wanted && s.Why != heat.PowerCut:
		return nil
	}
	how := "latched"
	if !s.Why.Latches() && s.Why != heat.PowerCut {
		how = "fault"
	}
	return []alerts.Condition{{Rule: alerts.TentOff, Severity: alerts.Act, Case: how, Facts: words.Facts{"why": s.Say}}}
}

// setPoint is the tent's set point for the forecast, °C; nil when nothing is held, or
// when an open coat lies outside the tent, since the forecast has one set point for all
// coats.
func (t *tentHeld) setPoint(now time.Time) *float64 {
	s := t.hold.Status()
	if s.Why.Fault() || s.Why == heat.ByHand {
		return nil
	}
	w, err := t.d.store.Work(context.Background())
	if err != nil {
		return nil
	}
	in := map[string]bool{t.sec.Control: true, t.sec.Air: true, t.sec.Limit: true}
	for _, id := range t.sec.Inside {
		in[id] = true
	}
	for _, c := range w.Coats {
		for _, p := range w.Panels {
			if p.ID == c.Panel && c.Open(now) && !in[p.Probe] {
				return nil
			}
		}
	}
	return s.AimC.Ptr()
}

// Tent is the tent as pages and metrics show it.
func (t *tentHeld) Tent(ctx context.Context) (web.TentView, error) {
	s, lang := t.hold.Status(), t.d.wordsFor(ctx)
	v := web.TentView{
		PanelC: s.PanelC.Ptr(), AirC: s.AirC.Ptr(), SetPointC: s.AimC.Ptr(), MinC: t.sec.MinSetC, MaxC: t.sec.MaxSetC,
		Heater: map[bool]string{true: "on", false: "off"}[s.On], Why: s.Say.Text(time.Time{}, words.View{Words: lang}), Latched: s.Latched,
		OnToday: new(s.OnTime.Hours()), LeaseS: new(s.Lease.Seconds()), Output: t.sec.Output, Switch: s.Switched,
		Word: string(s.Why), WishC: s.WishC.Ptr(), RampC: s.SetC.Ptr(), Planned: s.Planned, LimitC: s.LimitC.Ptr(),
		DewC: s.DewC.Ptr(), MarginK: s.MarginK.Ptr(), Resume: s.Resume, Aim: t.plan.View(lang), Learned: t.plan.Learned(lang), Past: t.plan.Past(), Offers: t.plan.Offers(),
		Cautions: t.d.lang.Text("heat.caution"),
	}
	v.Limits, v.LimitsHash, v.NotAccepted = t.hold.Limits()
	if s.Output != "" || s.Why == heat.OutputFault || s.Why == heat.RisingWhileOff {
		v.Heater = "unknown"
	}
	if s.OnTimeUnknown {
		v.OnToday = nil
	}
	if !s.Since.IsZero() {
		v.Since = &s.Since
	}
	if s.Solvent > 0 {
		v.SolventMin = new(s.Solvent.Minutes())
	}
	return v, nil
}

// wrote notes in the log of events what somebody did.
func (t *tentHeld) wrote(who web.Who, what string) {
	t.d.store.AddEvent("heater", "tent", what, t.d.clk.Now(), who.Name)
}

// SetTentPoint asks for a set point within the file's limits, and drops a plan, since
// the latest request counts.
func (t *tentHeld) SetTentPoint(_ context.Context, who web.Who, c float64) error {
	if err := t.hold.Hold(who.Name, c); err != nil {
		return web.Faults{{Field: "set_point_c", What: err.Error()}}
	}
	if t.plan.Drop() {
		t.wrote(who, "the plan is given up for a plain hold")
	}
	t.d.RequestEvaluation()
	return nil
}

// TentOff switches off until somebody asks for heat again, and gives up any
// plan.
func (t *tentHeld) TentOff(ctx context.Context, who web.Who, why string) error {
	t.hold.Off(who.Name, why)
	t.plan.Drop()
	t.d.RequestEvaluation()
	return nil
}

// TentSolvent keeps heat off for 30 minutes.
func (t *tentHeld) TentSolvent(_ context.Context, who web.Who) error {
	t.hold.UseSolvent(who.Name)
	t.d.RequestEvaluation()
	return nil
}

// TentRelease takes back a latch.
func (t *tentHeld) TentRelease(_ context.Context, who web.Who) error {
	if !t.hold.Status().Latched {
		return fmt.Errorf("%w: nothing is latched", web.ErrConflict)
	}
	if err := t.hold.Release(who.Name); err != nil {
		return fmt.Errorf("%w: %w", web.ErrConflict, err)
	}
	t.d.RequestEvaluation()
	return nil
}

// TentAccept accepts the limits in force; the page's gate allows it only at the board.
func (t *tentHeld) TentAccept(_ context.Context, who web.Who, hash string) error {
	if !who.Board {
		return web.Faults{{What: "the limits are accepted at the board: sudo curewright tent accept"}}
	}
	err := t.hold.Accept(who.Name, hash)
	switch {
	case errors.Is(err, heat.ErrOtherLimits):
		return fmt.Errorf("%w: %w", web.ErrConflict, err)
	case errors.Is(err, heat.ErrNotKept):
		return fmt.Errorf("%w: %w", web.ErrNotKept, err)
	}
	t.d.RequestEvaluation()
	return err
}

// TentResume ticks "resume after power cut".
func (t *tentHeld) TentResume(_ context.Context, who web.Who, on bool) error {
	t.hold.SetResume(who.Name, on)
	return nil
}

// tentKnown says of the file's probes whether they are wired.
func tentKnown(probes []sensors.ConfigSection) heat.Wired {
	return func(id string) (known, wired bool) {
		for _, p := range probes {
			if p.ID == id {
				_, w := drivers[p.Driver]
				return true, w
			}
		}
		return false, false
	}
}

// TentLines is what check lists of the tent: the heater and its limits.
func TentLines(c heat.ConfigSection, v words.View) []string {
	if c.Output == "" {
		return []string{checkRow(v, "tent", "tent_none", nil)}
	}
	out := []string{
		checkRow(v, "tent", "tent", words.Facts{"output": c.Output, "probe": c.Control, "min": words.Tenth(*c.MinSetC), "max": words.Tenth(*c.MaxSetC)}),
		checkRow(v, "", "tent_limits", words.Facts{"air": words.Tenth(*c.MaxAirC), "panel": words.Tenth(*c.MaxPanelC), "limit": words.Tenth(*c.LimitC), "probe": c.Limit, "cutoff": words.Tenth(*c.ThermalCutoffC)}),
		checkRow(v, "", "tent_lease", words.Facts{"lease": time.Duration(c.Lease), "hours": c.MaxOnHours}),
	}
	if c.AllowPushedControl {
		out = append(out, checkRow(v, "", "tent_pushed", nil))
	}
	if c.Output == "relay" && c.Relay.Watchdog == "none" {
		out = append(out, checkRow(v, "", "tent_no_watchdog", nil))
	}
	return out
}

// HeatCaution is what stands beside everything that asks for heat, in English for
// the help.
var HeatCaution = words.English.Text("heat.caution")

// ProbeBus says how a probe of the file is connected, for the limits that a
// person accepts: another chip under the same name is another probe.
func ProbeBus(probes []sensors.ConfigSection) func(id string) string {
	return func(id string) string {
		for _, p := range probes {
			if p.ID == id {
				return strings.TrimSpace(p.Driver + " " + p.Bus)
			}
		}
		return "not in the file"
	}
}

// TentAim plans the set points that land a coat's window, and follows them
// with apply set.
func (t *tentHeld) TentAim(ctx context.Context, who web.Who, body json.RawMessage) (json.RawMessage, error) {
	w := tentplan.AimWish{Probability: .8}
	if err := strict(body, &w); err != nil {
		return nil, err
	}
	st := t.hold.Status()
	if w.Apply && st.Latched {
		return nil, web.Faults{{What: "off by safety (" + st.Say.String() + "): look at the tent, then release it"}}
	}
	if w.Apply && !t.d.clockTrusted.Load() {
		return nil, web.Faults{{What: "the board does not know the date: a plan goes by clock times"}}
	}
	p, err := t.plan.Aim(ctx, w)
	if err != nil {
		return nil, err
	}
	if w.Apply {
		if _, held := st.WishC.Get(); !held {
			// When the plan ends, frost protection remains.
			if err := t.hold.Hold(who.Name, t.sec.FrostC); err != nil {
				t.plan.Drop()
				return nil, web.Faults{{What: err.Error()}}
			}
		}
		t.wrote(who, "a plan is followed: "+p.Say)
		t.d.RequestEvaluation()
	}
	return json.Marshal(p.In(t.d.wordsFor(ctx)))
}

// TentAimOff drops the plan: the set point that a person asked for counts again.
func (t *tentHeld) TentAimOff(_ context.Context, who web.Who) error {
	t.plan.Drop()
	t.wrote(who, "the plan is given up; back to the plain hold")
	t.d.RequestEvaluation()
	return nil
}
