// SPDX-License-Identifier: Apache-2.0

package heat

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"curewright/model/words"
)

// Limits are the lines of a section that keep its heater safe, each "key =
// value": the output and its wiring, the probes, every limit, and the times within
// which limits act. Costs and the control law's figures are not among them. bus
// tells how a probe is connected; nil leaves that out. The section should have its
// defaults.
func (c ConfigSection) Limits(bus func(id string) string) []string {
	var out []string
	add := func(key string, v any) { out = append(out, fmt.Sprintf("%s = %v", key, v)) }
	num := func(key string, v *float64) {
		if v == nil {
			add(key, "none")
			return
		}
		add(key, *v)
	}
	probe := func(key, id string) {
		if bus != nil && id != "" {
			id += " (" + bus(id) + ")"
		}
		add(key, id)
	}
	add("output", c.Output)
	switch c.Output {
	case "relay":
		add("relay.line", c.Relay.Line)
		add("relay.active_low", c.Relay.ActiveLow)
		add("relay.watchdog", c.Relay.Watchdog)
	case "pulse":
		add("pulse.line", c.Pulse.Line)
		add("pulse.hold", time.Duration(c.Pulse.Hold))
	case "plug":
		for _, f := range c.Plug.keys() {
			add("plug."+f.key, f.v)
		}
	case "command":
		add("command.argv", fmt.Sprintf("%q", c.Command.Argv))
	}
	add("heat_switch", c.HeatSwitch)
	probe("control_probe", c.Control)
	probe("limit_probe", c.Limit)
	probe("air_probe", c.Air)
	probe("shed_probe", c.Shed)
	add("allow_pushed_control", c.AllowPushedControl)
	add("pushed_lead_k", c.PushedLeadK)
	num("max_air_c", c.MaxAirC)
	num("max_panel_c", c.MaxPanelC)
	num("limit_c", c.LimitC)
	num("thermal_cutoff_c", c.ThermalCutoffC)
	num("min_set_c", c.MinSetC)
	num("max_set_c", c.MaxSetC)
	for _, f := range c.figures() {
		if f.safe {
			add(f.key, *f.v)
		}
	}
	for _, f := range c.spans() {
		if f.safe {
			add(f.key, time.Duration(*f.v))
		}
	}
	return out
}

// HashLimits is the SHA-256 of the lines, in hex, which names them when a person
// accepts them.
func HashLimits(lines []string) string {
	h := sha256.Sum256([]byte(strings.Join(lines, "\n")))
	return hex.EncodeToString(h[:])
}

// notAccepted says why the limits do not count as accepted, "" if they do.
func notAccepted(c *words.Catalogue, accepted, now []string) string {
	say := func(code string, facts words.Facts) string {
		return words.View{Words: c}.Say("heat.accept."+code, facts)
	}
	do := say("do", words.Facts{"command": "`curewright tent accept`"})
	if len(accepted) == 0 {
		return say("never", words.Facts{"do": do})
	}
	if slices.Equal(accepted, now) {
		return ""
	}
	var changed []string
	for _, l := range now {
		if slices.Contains(accepted, l) {
			continue
		}
		key, to, _ := strings.Cut(l, " = ")
		from := say("not_there", nil)
		for _, o := range accepted {
			if k, v, _ := strings.Cut(o, " = "); k == key {
				from = v
			}
		}
		changed = append(changed, say("was", words.Facts{"key": key, "from": from, "to": to}))
	}
	if len(changed) == 0 {
		changed = []string{say("gone", nil)}
	}
	return say("other", words.Facts{"changed": strings.Join(changed, "; "), "do": do})
}

// Errors of an acceptance.
var (
	ErrOtherLimits = errors.New("these are not the limits that are in force: look at them again")
	ErrNotKept     = errors.New("the acceptance could not be written to the disk")
)

// keepSoon is how long the loop, or a person's request, waits for a write to reach
// the disk before it goes on without that confirmation.
const keepSoon = time.Second

// Accept records that a person at the board has looked at heater, cut-out and tent
// and accepts the limits in force, named by their hash. A latch that stands for a
// missing or damaged file goes, any other stays; unknown on-time begins anew. It is
// on disk when Accept returns nil. The caller must make sure that the person is at
// the board.
func (l *Loop) Accept(by, hash string) error {
	if hash != HashLimits(l.cfg.Limits) {
		return ErrOtherLimits
	}
	var was []string
	l.person(by, func(time.Duration) error {
		was = l.accepted
		l.accepted = l.cfg.Limits
		l.ctl.Refuse("")
		if x := l.ctl.Latched(); x != nil && x.Why == LatchUnknown {
			l.ctl.Release()
		}
		if l.ctl.OnTime().Unknown {
			l.ctl.onTime = OnTime{}
		}
		l.saveLatch()
		l.noteBy(by, NotAsked, "accepted", nil)
		return nil
	})
	if l.keep.written(LatchFile, 5*keepSoon) {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.accepted = was
	l.ctl.Refuse(notAccepted(l.cfg.Words, was, l.cfg.Limits))
	return ErrNotKept
}

// Limits are the lines in force, their hash, and why they do not count as
// accepted, "" if they do.
func (l *Loop) Limits() (lines []string, hash, why string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.cfg.Limits), HashLimits(l.cfg.Limits), notAccepted(l.cfg.Words, l.accepted, l.cfg.Limits)
}
