// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"cmp"
	"fmt"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"curewright/sensors"
)

// ConfigSection is [tent] of the configuration file. Without an output there
// is no heater and nothing is ever driven.
type ConfigSection struct {
	Output string `toml:"output"` // "relay", "pulse", "plug", "command"; "" for no heater

	// Probes. Control is on the panel (or its witness); its temperature is
	// controlled. Limit must be wired to this board and differ from Control; it
	// alone can stop the heater. Air gives the tent's air and humidity, default
	// Limit. Shed is outside the tent and only tells a warm day from a stuck relay.
	Control string `toml:"control_probe"`
	Limit   string `toml:"limit_probe"`
	Air     string `toml:"air_probe"`
	Shed    string `toml:"shed_probe"`
	// Inside are further probes in the tent: forecasts of their panels use the
	// set point too. They do not control the heater.
	Inside []string `toml:"inside"`

	// AllowPushedControl lets a probe that came over the network be the
	// control probe. It then only matters below the limit probe's own bound:
	// the heater goes off as soon as the limit probe is PushedLeadK above the
	// set point, whatever the pushed one reads.
	AllowPushedControl bool    `toml:"allow_pushed_control"`
	PushedLeadK        float64 `toml:"pushed_lead_k"`

	// Limits, °C. Reaching one latches the heater off until a person releases
	// it. LimitC is the limit probe's, default MaxAirC.
	MaxAirC   *float64 `toml:"max_air_c"`
	MaxPanelC *float64 `toml:"max_panel_c"`
	LimitC    *float64 `toml:"limit_c"`
	// ThermalCutoffC is where the separate manual-reset thermal cut-out in
	// series with the heater opens. It is hardware; this declares it.
	ThermalCutoffC *float64 `toml:"thermal_cutoff_c"`

	// The set point's span, °C: what a page may ask for.
	MinSetC *float64 `toml:"min_set_c"` // default FrostC
	MaxSetC *float64 `toml:"max_set_c"` // default MaxPanelC − 5, at most MaxAirC − 5
	FrostC  float64  `toml:"frost_c"`   // set point of frost protection, °C, default 5

	MaxOnHours float64 `toml:"max_on_hours"` // most on-time in any 24 h, h, default 16
	RampKH     float64 `toml:"ramp_k_h"`     // fastest rise of the set point, K/h, default 6
	MaxLeadK   float64 `toml:"max_lead_k"`   // how much warmer than the panel the air may be, K, default 12
	AirMarginK float64 `toml:"air_margin_k"` // the air is kept this far below MaxAirC, K, default 5
	DewMarginK float64 `toml:"dew_margin_k"` // below this margin to the dew point warming is slowed, K, default 3; 0 for none
	DisagreeK  float64 `toml:"disagree_k"`   // control and limit probe that differ by more are in doubt, K, default 20

	Law    string           `toml:"law"`    // "pi" (default) or "two-point"
	BandK  float64          `toml:"band_k"` // two-point: full width of the hysteresis, default 1
	Kp     float64          `toml:"kp"`     // PI: share of full heat per kelvin, default 0.3
	Ti     sensors.Duration `toml:"ti"`     // PI: reset time, default 60m
	Window sensors.Duration `toml:"window"` // length of one on-off cycle, default 5m
	MinOn  sensors.Duration `toml:"min_on"` // default 30s
	MinOff sensors.Duration `toml:"min_off"`

	Every sensors.Duration `toml:"every"` // interval of the loop's steps, default 5s
	Lease sensors.Duration `toml:"lease"` // default 30s

	EffectAfter sensors.Duration `toml:"effect_after"` // on for this long without a rise of 1 K is a fault; default 20m

	HeaterW  float64 `toml:"heater_w"` // rated power, for energy; 0 not known
	PricekWh float64 `toml:"price_kwh"`
	Currency string  `toml:"currency"`

	// HeatSwitch is the GPIO line of a switch to ground: closed, heat may run;
	// open, or with its wire broken, heat is off until asked for again. "" for
	// none.
	HeatSwitch string `toml:"heat_switch"`

	Relay   RelaySection   `toml:"relay"`
	Pulse   PulseSection   `toml:"pulse"`
	Plug    PlugSection    `toml:"plug"`
	Command CommandSection `toml:"command"`
}

// RelaySection is [tent.relay]: a line that a separate process owns and
// switches off when it is not renewed.
type RelaySection struct {
	Line      string `toml:"line"` // GPIO line, such as "GPIO17"
	ActiveLow bool   `toml:"active_low"`
	// Watchdog is the device of the board's hardware watchdog, which the guard
	// feeds while the relay may be on: if the guard dies, the board resets.
	// "none" declares that the board has none.
	Watchdog string `toml:"watchdog"`
}

// PulseSection is [tent.pulse]: a GPIO line to a retriggerable relay, which drops out
// by itself when pulses stop. Every second renewal makes a rising edge.
type PulseSection struct {
	Line string           `toml:"line"`
	Hold sensors.Duration `toml:"hold"` // set at the relay: how long it stays on after the last pulse
}

// PlugSection is [tent.plug]: a smart plug over MQTT with its own off-timer, which
// every renewal sets anew.
type PlugSection struct {
	Broker   string `toml:"broker"` // "mqtt://127.0.0.1:1883"
	Topic    string `toml:"topic"`  // for commands to the plug
	OnMsg    string `toml:"on_message"`
	OffMsg   string `toml:"off_message"`
	State    string `toml:"state_topic"` // on which the plug publishes its state
	StateKey string `toml:"state_key"`   // JSON path of on or off, such as "output"
	TimerKey string `toml:"timer_key"`   // JSON path of the off-timer's seconds
	User     string `toml:"user"`
	PassFile string `toml:"password_file"`
}

// keys returns the keys that a plug requires, with their values and what each is.
func (p PlugSection) keys() []struct{ key, v, what string } {
	return []struct{ key, v, what string }{
		{"broker", p.Broker, "such as \"mqtt://127.0.0.1:1883\""}, {"topic", p.Topic, "where commands go"},
		{"on_message", p.OnMsg, "with {seconds} where the off-timer's time stands"}, {"off_message", p.OffMsg, "what switches it off"},
		{"state_topic", p.State, "where the plug says what it does"}, {"state_key", p.StateKey, "the key of on or off in its answer"},
		{"timer_key", p.TimerKey, "the key of its off-timer, s: a plug that does not say it back is not accepted"},
	}
}

// CommandSection is [tent.command]: one long-running program that reads "on"
// and "off" lines and switches off at the end of its input.
type CommandSection struct {
	Argv []string `toml:"argv"`
}

// Outputs are the kinds of output that a configuration may name.
var Outputs = []string{"relay", "pulse", "plug", "command"}

// figure is a number of the section: its default, the range that Check allows, its
// unit, and whether it is a safety limit that a person accepts at the board.
type figure struct {
	key         string
	v           *float64
	def, lo, hi float64
	unit        string
	safe        bool
}

func (c *ConfigSection) figures() []figure {
	return []figure{
		{"pushed_lead_k", &c.PushedLeadK, 10, 1, 20, "K", false}, // Limits lists it together with allow_pushed_control
		{"max_on_hours", &c.MaxOnHours, 16, .1, 24, "h", true},
		{"ramp_k_h", &c.RampKH, 6, .1, 60, "K/h", true},
		{"max_lead_k", &c.MaxLeadK, 12, 2, 30, "K", true},
		{"air_margin_k", &c.AirMarginK, 5, 1, 30, "K", true},
		{"disagree_k", &c.DisagreeK, 20, 5, 40, "K", true},
		{"dew_margin_k", &c.DewMarginK, 0, 0, 15, "K", false}, // its default is in DefaultSection, as 0 means none here
		{"band_k", &c.BandK, 1, .1, 10, "K", false},
		{"kp", &c.Kp, .3, .001, 100, "a kelvin", false},
		{"heater_w", &c.HeaterW, 0, 0, 50000, "W", false},
		{"price_kwh", &c.PricekWh, 0, 0, 1e6, "", false},
	}
}

// span is like figure, for a duration.
type span struct {
	key         string
	v           *sensors.Duration
	def, lo, hi time.Duration
	safe        bool
}

func (c *ConfigSection) spans() []span {
	return []span{
		{"every", &c.Every, 5 * time.Second, time.Second, 30 * time.Second, true},
		{"lease", &c.Lease, 30 * time.Second, 5 * time.Second, 2 * time.Minute, true},
		{"effect_after", &c.EffectAfter, 20 * time.Minute, 5 * time.Minute, 2 * time.Hour, true},
		{"ti", &c.Ti, time.Hour, time.Minute, 24 * time.Hour, false},
		{"window", &c.Window, 5 * time.Minute, time.Minute, time.Hour, false},
		{"min_on", &c.MinOn, 30 * time.Second, time.Second, 10 * time.Minute, false},
		{"min_off", &c.MinOff, 30 * time.Second, time.Second, 30 * time.Minute, false},
	}
}

// Defaults fills in the keys that the file leaves out. It changes no value that the
// file sets.
func (c ConfigSection) Defaults() ConfigSection {
	for _, f := range c.figures() {
		*f.v = cmp.Or(*f.v, f.def)
	}
	for _, f := range c.spans() {
		*f.v = cmp.Or(*f.v, sensors.Duration(f.def))
	}
	c.FrostC = cmp.Or(c.FrostC, 5)
	c.Air, c.Law, c.Currency = cmp.Or(c.Air, c.Limit), cmp.Or(c.Law, "pi"), cmp.Or(c.Currency, "€")
	if c.LimitC == nil && c.MaxAirC != nil {
		c.LimitC = new(*c.MaxAirC)
	}
	if c.MinSetC == nil {
		c.MinSetC = new(c.FrostC)
	}
	if c.MaxSetC == nil && c.MaxPanelC != nil && c.MaxAirC != nil {
		c.MaxSetC = new(min(*c.MaxPanelC-5, *c.MaxAirC-c.AirMarginK))
	}
	return c
}

// DefaultSection is [tent] before the file is read: no heater, and slower warming
// near the dew point.
func DefaultSection() ConfigSection { return ConfigSection{DewMarginK: 3} }

// Wired reports whether the configuration has a probe of this id, and whether that
// is wired to this board.
type Wired func(id string) (known, wired bool)

// Check returns every fault of the section, each beginning with its key. The
// section should have its defaults. probe may be nil where the probes are not
// known yet.
func (c ConfigSection) Check(probe Wired) []error {
	var out tentFaults
	if c.Output == "" {
		if c.Control != "" || c.Limit != "" || c.MaxAirC != nil || c.Relay != (RelaySection{}) || c.Pulse != (PulseSection{}) || c.Plug != (PlugSection{}) || len(c.Command.Argv) > 0 {
			out.bad("output", "missing: want %s; without one no heater is driven", strings.Join(Outputs, ", "))
		}
		return out
	}
	if !slices.Contains(Outputs, c.Output) {
		out.bad("output", "%q is not %s", c.Output, strings.Join(Outputs, ", "))
	}
	// Required limits first: without them a heater is never accepted.
	c.checkLimits(out.bad)
	c.checkProbes(probe, out.bad)
	c.checkLaw(out.bad)
	c.checkOutput(out.bad)
	return out
}

// tentFaults passes each fault of the section to bad, beginning with its key.
type tentFaults []error

func (f *tentFaults) bad(key, format string, a ...any) {
	*f = append(*f, fmt.Errorf("tent.%s: %s", key, fmt.Sprintf(format, a...)))
}

type bad func(key, format string, a ...any)

func (c ConfigSection) checkLimits(bad bad) {
	limit := func(key string, x *float64, lo, hi float64, what string) bool {
		if x == nil {
			bad(key, "required with a heater: %s", what)
			return false
		}
		if !(*x >= lo && *x <= hi) {
			bad(key, "%g °C must be %g to %g", *x, lo, hi)
			return false
		}
		return true
	}
	okAir := limit("max_air_c", c.MaxAirC, 15, 70, "the hottest the tent's air may be, °C")
	okPanel := limit("max_panel_c", c.MaxPanelC, 15, 70, "the hottest the panel may be, °C")
	okCut := limit("thermal_cutoff_c", c.ThermalCutoffC, 30, 120, "where the separate manual-reset thermal cut-out in series with the heater opens, °C")
	if okAir && okCut && *c.ThermalCutoffC < *c.MaxAirC {
		bad("thermal_cutoff_c", "%g °C is below max_air_c, %g °C: the cut-out would open in normal use", *c.ThermalCutoffC, *c.MaxAirC)
	}
	if okCut && c.LimitC != nil && !(*c.LimitC > 0 && *c.LimitC <= *c.ThermalCutoffC) {
		bad("limit_c", "%g °C must be above 0 and not above thermal_cutoff_c, %g °C", *c.LimitC, *c.ThermalCutoffC)
	}
	if okAir && okPanel && c.MinSetC != nil && c.MaxSetC != nil {
		if top := min(*c.MaxPanelC-2, *c.MaxAirC-2); *c.MaxSetC > top {
			bad("max_set_c", "%g °C is less than 2 K below max_panel_c and max_air_c: at most %g", *c.MaxSetC, top)
		}
		if !(*c.MinSetC >= 0) {
			bad("min_set_c", "%g °C is below 0", *c.MinSetC)
		}
		if !(*c.MinSetC < *c.MaxSetC) {
			bad("min_set_c", "%g °C is not below max_set_c, %g °C", *c.MinSetC, *c.MaxSetC)
		}
		if !(c.FrostC >= *c.MinSetC && c.FrostC <= *c.MaxSetC) {
			bad("frost_c", "%g °C is not between min_set_c and max_set_c", c.FrostC)
		}
	}
}

func (c ConfigSection) checkProbes(probe Wired, bad bad) {
	switch {
	case c.Control == "":
		bad("control_probe", "required: the probe on the panel that is held")
	case c.Control == c.Limit:
		bad("limit_probe", "%q is the control probe: one probe cannot check itself", c.Limit)
	}
	if c.Limit == "" {
		bad("limit_probe", "required: a second probe, wired to this board, that stops the heater by itself")
	}
	if c.Air != "" && c.Air == c.Control {
		bad("air_probe", "%q is the control probe: the air and the panel want a probe each", c.Air)
	}
	if probe == nil {
		return
	}
	for _, p := range []struct {
		key, id   string
		mustWired bool
		why       string
	}{
		{"control_probe", c.Control, !c.AllowPushedControl, "a probe over the network may show, not control, unless allow_pushed_control = true"},
		{"limit_probe", c.Limit, true, "the limit probe must be wired to this board"},
		{"air_probe", c.Air, !c.AllowPushedControl, "a probe over the network may show, not control, unless allow_pushed_control = true"},
		{"shed_probe", c.Shed, false, ""},
	} {
		if p.id == "" || (p.key == "air_probe" && p.id == c.Limit) {
			continue
		}
		switch known, wired := probe(p.id); {
		case !known:
			bad(p.key, "no [[probe]] has the id %q: heat goes by probes named in this file only", p.id)
		case p.mustWired && !wired:
			bad(p.key, "%q is not wired to this board: %s", p.id, p.why)
		}
	}
	for i, id := range c.Inside {
		if known, _ := probe(id); !known {
			bad(fmt.Sprintf("inside[%d]", i), "no [[probe]] has the id %q", id)
		}
	}
}

// checkLaw checks the control law's figures, each and against each other.
func (c ConfigSection) checkLaw(bad bad) {
	for _, f := range c.figures() {
		if !(*f.v >= f.lo && *f.v <= f.hi) {
			bad(f.key, "%g %s must be %g to %g", *f.v, f.unit, f.lo, f.hi)
		}
	}
	if c.DisagreeK < c.MaxLeadK+3 {
		bad("disagree_k", "%g K is less than 3 K above max_lead_k, %g K: ordinary warming would look like a fault", c.DisagreeK, c.MaxLeadK)
	}
	if c.Law != "pi" && c.Law != "two-point" {
		bad("law", "%q is not pi or two-point", c.Law)
	}
	for _, f := range c.spans() {
		if d := time.Duration(*f.v); d < f.lo || d > f.hi {
			bad(f.key, "%v must be %v to %v", d, f.lo, f.hi)
		}
	}
	if c.Lease < 3*c.Every {
		bad("lease", "%v is less than three times every, %v: one late step would switch the heater", time.Duration(c.Lease), time.Duration(c.Every))
	}
	if c.MinOn+c.MinOff > c.Window {
		bad("window", "%v is shorter than min_on and min_off together", time.Duration(c.Window))
	}
}

func (c ConfigSection) checkOutput(bad bad) {
	switch c.Output {
	case "relay":
		if c.Relay.Line == "" {
			bad("relay.line", "required: the GPIO line of the relay, such as \"GPIO17\"")
		}
		if c.Relay.Watchdog == "" {
			bad("relay.watchdog", "required: the board's hardware watchdog, usually \"/dev/watchdog\"; nothing is known about a line after its process died. \"none\" does without, at your risk")
		}
	case "pulse":
		if c.Pulse.Line == "" {
			bad("pulse.line", "required: the GPIO line of the retriggerable relay")
		}
		// A rising edge comes with every other renewal.
		if hold := time.Duration(c.Pulse.Hold); hold < 4*time.Duration(c.Every) || hold > 2*time.Minute {
			bad("pulse.hold", "%v must be %v (four times every) to 2m: how long the relay stays in after the last pulse", hold, 4*time.Duration(c.Every))
		}
	case "plug":
		p := c.Plug
		for _, f := range p.keys() {
			if f.v == "" {
				bad("plug."+f.key, "required: %s", f.what)
			}
		}
		if p.OnMsg != "" && !strings.Contains(p.OnMsg, "{seconds}") {
			bad("plug.on_message", "has no {seconds}: every renewal must set the plug's own off-timer anew")
		}
		if (p.User == "") != (p.PassFile == "") {
			bad("plug.user", "user and password_file go together")
		}
		// A client that may publish on the plug's topics can drive the heater and
		// forge the plug's state. So the broker must ask for a password, and the
		// password must not travel in the clear.
		if p.User == "" {
			bad("plug.user", "required: a user of its own at the broker, which must let nobody but it and the plug write to %q and %q", p.Topic, p.State)
		}
		if u, err := url.Parse(p.Broker); err == nil && u.Scheme == "mqtt" && !onThisBoard(u.Hostname()) {
			bad("plug.broker", "%q is not on this board and not encrypted: want mqtts://", p.Broker)
		}
		if p.Broker != "" && !strings.HasPrefix(p.Broker, "mqtt://") && !strings.HasPrefix(p.Broker, "mqtts://") {
			bad("plug.broker", "%q does not begin with mqtt:// or mqtts://", p.Broker)
		}
	case "command":
		if len(c.Command.Argv) == 0 || c.Command.Argv[0] == "" {
			bad("command.argv", "required: one long-running program that reads on and off and switches off at the end of its input")
		}
	}
}

func onThisBoard(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}
