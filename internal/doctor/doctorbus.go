// SPDX-License-Identifier: Apache-2.0

package doctor

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"curewright/alerts"
	"curewright/internal/file"
	"curewright/model/words"
	"curewright/packaging"
	"curewright/sensors"
	"curewright/sensors/discover"
)

// bootFiles are where boards of the kind with a 40-pin header keep what the
// firmware switches on, newest place first.
var bootFiles = []string{"/boot/firmware/config.txt", "/boot/config.txt"}

// modulesFile loads the kernel's part of the buses at every start.
const modulesFile = "/etc/modules-load.d/curewright.conf"

const modulesText = "# Written by curewright doctor --fix.\ni2c-dev\nw1-gpio\nw1-therm\n"

// beforeUs is what the name of a boot file ends with that is kept as it was.
const beforeUs = ".before-curewright"

// bootSettings is what a boot file switches on for every board.
type bootSettings struct{ i2c, oneWire bool }

// readBoot reads a boot file the way the firmware does: a filter such as
// [pi4] holds until the next one, the last word on a parameter wins. Lines
// under a filter for some boards count as not said: whether they hold here
// would be a guess.
func readBoot(text string) (b bootSettings) {
	everyone := true
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "[") {
			everyone = strings.EqualFold(line, "[all]")
			continue
		}
		key, value, ok := strings.Cut(line, "=")
		if !ok || !everyone || strings.HasPrefix(line, "#") {
			continue
		}
		switch strings.TrimSpace(key) {
		case "dtparam", "device_tree_param":
			for p := range strings.SplitSeq(value, ",") {
				name, v, given := strings.Cut(strings.TrimSpace(p), "=")
				switch name {
				case "i2c", "i2c_arm", "i2c1":
					v = strings.ToLower(strings.TrimSpace(v))
					b.i2c = !given || v == "on" || v == "true" || v == "yes" || v == "1" || v == "okay"
				}
			}
		case "dtoverlay", "device_tree_overlay":
			name, _, _ := strings.Cut(strings.TrimSpace(value), ",")
			if name == "w1-gpio" || name == "w1-gpio-pullup" {
				b.oneWire = true
			}
		}
	}
	return b
}

// switchOn adds what is missing, for every board, at the end where it wins.
func switchOn(text string) string {
	have := readBoot(text)
	if have.i2c && have.oneWire {
		return text
	}
	if text != "" && !strings.HasSuffix(text, "\n") {
		text += "\n"
	}
	text += "\n# Added by curewright doctor --fix.\n[all]\n"
	if !have.i2c {
		text += "dtparam=i2c_arm=on\n"
	}
	if !have.oneWire {
		text += "dtoverlay=w1-gpio\n"
	}
	return text
}

// bootFile is the board's boot file, "" for a board that has none of the kind
// that is known here.
func (d *doctor) bootFile() string {
	for _, f := range bootFiles {
		if d.exists(f) {
			return f
		}
	}
	return ""
}

// isBoard tells a single-board computer from a PC: its hardware is described
// by a device tree.
func (d *doctor) isBoard() bool {
	return d.bootFile() != "" || d.exists("/sys/firmware/devicetree/base/model") || d.exists("/proc/device-tree/model")
}

// fixBoot switches both buses on, keeping the file as it was beside it.
func (d *doctor) fixBoot() (string, error) {
	name := d.path(d.bootFile())
	b, err := os.ReadFile(name)
	if err != nil {
		return "", err
	}
	did, err := d.fixModules()
	if err != nil {
		return "", err
	}
	text := switchOn(string(b))
	if text == string(b) {
		return d.did("boot_was", did), nil
	}
	old := name + beforeUs
	if !exists(old) {
		if err := file.Replace(old, b); err != nil {
			return "", err
		}
	}
	if err := file.Replace(name, []byte(text)); err != nil {
		return "", err
	}
	return d.did("boot", did), nil
}

func (d *doctor) fixModules() (string, error) {
	name := d.path(modulesFile)
	if b, err := os.ReadFile(name); err == nil && string(b) == modulesText {
		return d.did("modules_were", ""), nil
	}
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		return "", err
	}
	return d.did("modules", ""), file.Replace(name, []byte(modulesText))
}

// did says what was put right, and with it what else was.
func (d *doctor) did(code, also string) string {
	return words.View{Words: d.words}.Say("doctor.did."+code, words.Facts{"file": d.bootFile(), "old": filepath.Base(d.bootFile()) + beforeUs, "modules": modulesFile, "also": also})
}

// loadsI2C reports whether something loads the module behind /dev/i2c-N.
func (d *doctor) loadsI2C() bool {
	files := append(d.glob("/etc/modules-load.d/*.conf"), d.path("/etc/modules"))
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			continue
		}
		for line := range strings.Lines(string(b)) {
			if l := strings.TrimSpace(line); l == "i2c-dev" || l == "i2c_dev" {
				return true
			}
		}
	}
	return false
}

// headerBuses are the I2C buses that may be on the header, not a display's: by
// their device files, or by the adapters that Linux drives.
func (d *doctor) headerBuses(pattern string) (names []string) {
	for _, f := range d.glob(pattern) {
		n := filepath.Base(f)
		if !discover.Private(d.read("/sys/class/i2c-adapter/" + n + "/name")) {
			names = append(names, n)
		}
	}
	return names
}

func (d *doctor) i2c() []finding {
	r := d.report("I2C")
	if names := d.headerBuses("/dev/i2c-*"); d.here && len(names) > 0 {
		return r.good("i2c_on", words.Facts{"buses": strings.Join(names, ", ")})
	}
	boot := d.bootFile()
	// Linux drives the bus; programs reach it through a module of its own.
	if names := d.headerBuses("/sys/class/i2c-adapter/i2c-*"); d.here && boot == "" && len(names) > 0 {
		on := words.Facts{"buses": strings.Join(names, ", ")}
		if !d.loadsI2C() {
			return r.fixable("i2c_unreached", on, d.fixModules)
		}
		return r.wrong("i2c_unloaded", on)
	}
	in := words.Facts{"file": boot}
	switch {
	case boot == "" && !d.isBoard():
		return r.note("no_header", nil)
	case boot == "":
		return r.wrong("maker", nil)
	case !readBoot(d.read(boot)).i2c:
		return r.fixable("not_in_file", in, d.fixBoot)
	case !d.loadsI2C():
		return r.fixable("in_file_unloaded", in, d.fixModules)
	case !d.here:
		return r.good("in_file", in)
	}
	return r.wrong("i2c_missing", in)
}

func (d *doctor) oneWire() []finding {
	r := d.report("1-wire")
	masters, probes := d.glob("/sys/bus/w1/devices/w1_bus_master*"), d.glob("/sys/bus/w1/devices/28-*")
	if d.here && len(masters) > 0 {
		if len(probes) == 0 {
			return r.note("wire_empty", nil)
		}
		return r.good("wire_on", words.Facts{"n": len(probes)})
	}
	boot := d.bootFile()
	in := words.Facts{"file": boot}
	switch {
	case boot == "" && !d.isBoard():
		return r.mended(markNote, "no_header", "", nil, nil)
	case boot == "":
		// It may be off because nobody wants it.
		mark := markNote
		if slices.ContainsFunc(d.cfg.Probe, func(p sensors.ConfigSection) bool { return strings.HasPrefix(p.Bus, discover.W1Bus+":") }) {
			mark = markWrong
		}
		return r.add(mark, "maker", nil)
	case !readBoot(d.read(boot)).oneWire:
		return r.fixable("not_in_file", in, d.fixBoot)
	case !d.here:
		return r.good("in_file", in)
	}
	return r.wrong("wire_missing", in)
}

// probes are what answers on the buses: asked only while no daemon does, so
// that the two never talk to one chip at once.
func (d *doctor) probes(ctx context.Context) []finding {
	r := d.report("probes")
	rep := d.buses(ctx)
	for _, b := range rep.Buses {
		if b.Err != nil && (errors.Is(b.Err, fs.ErrPermission) || strings.Contains(b.Err.Error(), "permission")) {
			r.wrong("bus_closed", words.Facts{"bus": b.Name, "why": b.Err})
		} else if errors.Is(b.Err, sensors.ErrTimeout) || errors.Is(b.Err, sensors.ErrBus) {
			why, hint := sensors.Said(b.Err, r.read)
			r.said(markWrong, b.Name+": "+why, hint)
		}
	}
	sound := 0
	for _, f := range rep.Found {
		if f.Err == nil {
			sound++
			continue
		}
		driver := any(words.Code("doctor.something"))
		if f.Driver != "" {
			driver = f.Driver
		}
		why, hint := sensors.Said(f.Err, r.read)
		r.said(markWrong, r.read.Say("doctor.found.probe", words.Facts{"driver": driver, "bus": f.Bus, "why": why}), hint)
	}
	switch {
	case sound > 0:
		r.good("probes_sound", words.Facts{"n": sound})
	case len(rep.Found) == 0 && len(r.found) == 0:
		r.note("probes_none", nil)
	}
	return r.found
}

// groups reads /etc/group: numbers by name.
func (d *doctor) groups() map[string]string {
	out := map[string]string{}
	for line := range strings.Lines(d.read("/etc/group")) {
		f := strings.Split(strings.TrimSpace(line), ":")
		if len(f) == 4 {
			out[f[0]] = f[2]
		}
	}
	return out
}

// permissions: may the daemon's own user use the buses?
func (d *doctor) permissions() []finding {
	r := d.report("permissions")
	if d.serviceInstalled() == "" && d.here {
		return nil // whoever runs the daemon by hand finds out from the buses
	}
	user := false
	for line := range strings.Lines(d.read("/etc/passwd")) {
		user = user || strings.HasPrefix(line, packaging.User+":")
	}
	if !user && d.serviceInstalled() != "" {
		r.wrong("no_user", words.Facts{"user": packaging.User})
	}
	groups := d.groups()
	if d.serviceInstalled() != "" {
		for _, g := range packaging.Groups {
			if _, ok := groups[g]; !ok {
				r.wrong("no_group", words.Facts{"group": g})
			}
		}
	}
	for _, dev := range []struct{ pattern, group string }{{"/dev/i2c-*", "i2c"}, {"/dev/gpiochip*", "gpio"}, {"/dev/watchdog*", packaging.User}} {
		for _, f := range d.glob(dev.pattern) {
			fi, err := os.Stat(f)
			if err != nil {
				continue
			}
			st, ok := fi.Sys().(*syscall.Stat_t)
			if g, known := groups[dev.group]; ok && known && (fmt.Sprint(st.Gid) != g || fi.Mode().Perm()&0o060 != 0o060) {
				r.wrong("device_shut", words.Facts{"device": "/dev/" + filepath.Base(f), "group": dev.group})
			}
		}
	}
	if len(r.found) == 0 {
		r.good("may_use", nil)
	}
	return r.found
}

// lines are the GPIO lines that the configuration names: the daemon starts
// without them, and then nothing sounds, or heats.
func (d *doctor) lines() []finding {
	r := d.report("lines")
	look := func(key, of, name, then string) {
		if name == "" {
			return
		}
		code := "line"
		if of != "" {
			code = key // of a channel
		}
		facts := words.Facts{"key": key, "name": of, "line": name}
		facts["which"] = r.read.Say("doctor.which."+code, facts)
		if err := d.line(name); err != nil {
			facts["why"], facts["then"] = err.Error(), words.Code("doctor.then."+then)
			r.wrong("no_line", facts)
		} else {
			r.good("line", facts)
		}
	}
	for _, c := range d.cfg.Alert.Channels {
		if c.Kind == alerts.KindBuzzer {
			look("buzzer", c.Name, c.Pin, "silent")
			look("button", c.Name, c.Button, "deaf")
		}
	}
	if t := d.cfg.Tent; t.Output != "" {
		look("tent.heat_switch", "", t.HeatSwitch, "cold")
		switch t.Output {
		case "relay":
			look("tent.relay", "", t.Relay.Line, "cold")
		case "pulse":
			look("tent.pulse", "", t.Pulse.Line, "cold")
		}
	}
	return r.found
}
