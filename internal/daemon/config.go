// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/history/forward/influx"
	"curewright/internal/daemon/broker"
	"curewright/internal/daemon/learnt"
	"curewright/internal/fault"
	"curewright/internal/file"
	"curewright/model/job"
	"curewright/model/tomlfile"
	"curewright/model/words"
	"curewright/sensors"
)

// Config is the whole file. Each part declares its own section; every field
// has a default or is required.
type Config struct {
	Store storeSection            `toml:"store"`
	Web   web.ConfigSection       `toml:"web"`
	Probe []sensors.ConfigSection `toml:"probe"`
	Shop  shopSection             `toml:"shop"`
	Sleep SleepSection            `toml:"sleep"`
	Alert alerts.Tuning           `toml:"alert"`
	Route []alerts.Route          `toml:"route"`

	MQTT   broker.Section `toml:"mqtt"`
	Influx influx.Section `toml:"influx"`

	Tent heat.ConfigSection `toml:"tent"`

	Memory learnt.Section `toml:"memory"`
}

// storeSection is [store].
type storeSection struct {
	Path     string           `toml:"path"`      // folder of the store
	KeepDays int              `toml:"keep_days"` // readings older than this go; 0 keeps them all
	MaxMB    int              `toml:"max_mb"`    // and the oldest go when the store is larger
	Backup   string           `toml:"backup"`    // folder or stick for the nightly copy; "" for none
	Every    sensors.Duration `toml:"backup_every"`
}

// shopSection is [shop].
type shopSection struct {
	Name       string   `toml:"name"`
	Zone       string   `toml:"zone"`    // IANA time zone; default the board's
	Air        string   `toml:"air"`     // the shop's air probe where a panel names none
	Outdoor    string   `toml:"outdoor"` // outdoor probe
	LowC       *float64 `toml:"low_c"`   // expected overnight low until the page says otherwise
	FuelHeater bool     `toml:"fuel_heater"`
	Language   string   `toml:"language"` // file of a language; "" for English
}

// Language reads a language file. Its name up to the first dot is the language's tag.
// For "" it returns nil, which is English. An error lists all faults of the file.
func Language(path string) (*words.Catalogue, error) {
	if path == "" {
		return nil, nil
	}
	b, err := file.Read(path)
	if err != nil {
		return nil, err
	}
	lang, _, _ := strings.Cut(filepath.Base(path), ".")
	c, err := words.Parse(lang, b)
	if err != nil {
		return nil, fmt.Errorf("%s: %s", path, strings.ReplaceAll(err.Error(), "\n", "; "))
	}
	return c, nil
}

// SleepSection is [sleep]: the hours in which the person sleeps, "22:30" to "06:30".
type SleepSection struct {
	From string `toml:"from"`
	To   string `toml:"to"`
}

func DefaultConfig() Config {
	return Config{
		Store: storeSection{Path: DefaultData(), KeepDays: 3 * 366, MaxMB: 2000, Every: sensors.Duration(24 * time.Hour)},
		Web:   web.DefaultSection(),
		Shop:  shopSection{Name: "Shop"},
		Tent:  heat.DefaultSection(),
	}
}

// DefaultData is the store's folder without --data and [store] path: systemd's state
// folder, else the system's folder for root, else one in the person's home.
func DefaultData() string {
	if dir, _, _ := strings.Cut(os.Getenv("STATE_DIRECTORY"), ":"); dir != "" {
		return dir
	}
	if os.Getuid() == 0 {
		return "/var/lib/curewright"
	}
	if dir := os.Getenv("XDG_STATE_HOME"); dir != "" {
		return filepath.Join(dir, "curewright")
	}
	if home, err := os.UserHomeDir(); err == nil {
		return filepath.Join(home, ".local", "state", "curewright")
	}
	return "curewright-data"
}

// LoadConfig reads and checks the file; "" gives the defaults. Every fault
// comes back at once, each with its place.
func LoadConfig(path string) (Config, error) {
	c, _, err := loadAnd(path, nil)
	return c, err
}

// LoadWithSecrets is [LoadConfig] that also reads the files and variables which
// the configuration names, as [Config.lookAtSecrets] says. running is for the
// daemon itself.
func LoadWithSecrets(path string, running bool) (Config, []string, error) {
	return loadAnd(path, func(c Config, f *tomlfile.File) (tomlfile.Faults, []string) { return c.lookAtSecrets(f, running) })
}

// looking checks what the text alone does not tell, such as secret files, and returns
// faults with their places, and notes.
type looking func(Config, *tomlfile.File) (tomlfile.Faults, []string)

func loadAnd(path string, look looking) (Config, []string, error) {
	if path == "" {
		return DefaultConfig(), nil, nil
	}
	b, err := file.Read(path)
	if errors.Is(err, fs.ErrNotExist) {
		return DefaultConfig(), nil, fault.Inputf("%s: no such file", path)
	} else if err != nil {
		return DefaultConfig(), nil, fault.Inputf("%v", err)
	}
	return parseConfig(path, b, look)
}

// ParseConfig is [LoadConfig] of a file's text.
func ParseConfig(path string, b []byte) (Config, error) {
	c, _, err := parseConfig(path, b, nil)
	return c, err
}

func parseConfig(path string, b []byte, look looking) (c Config, notes []string, err error) {
	c, file, faults := decodeConfig(b)
	if look != nil && file != nil {
		var more tomlfile.Faults
		more, notes = look(c, file)
		faults = append(faults, more...)
	}
	if err := faults.Err(); err != nil {
		return c, nil, fault.In(path, err)
	}
	return c, notes, nil
}

// decodeConfig reads and checks the text by itself; file is nil where it is no
// TOML.
func decodeConfig(b []byte) (Config, *tomlfile.File, tomlfile.Faults) {
	c := DefaultConfig()
	file, faults := tomlfile.Decode(b, &c)
	c.Tent = c.Tent.Defaults()
	if file != nil {
		for _, err := range c.check() {
			faults = append(faults, file.FaultAt(err))
		}
		faults = slices.Concat(faults, c.Alert.Check(file, c.Route), c.MQTT.Check(file, c.Shop.Name, c.Tent.Output != ""), c.needsBroker(file), c.Influx.Check(file))
	}
	return c, file, faults
}

// needsBroker returns a fault for each key that has no effect without a broker.
func (c Config) needsBroker(f *tomlfile.File) (out tomlfile.Faults) {
	need := func(place ...any) {
		if !c.MQTT.On() {
			out = append(out, f.Fault("needs [mqtt] with a url", place...))
		}
	}
	for i, p := range c.Probe {
		if p.Driver == "mqtt" {
			need("probe", i, "driver")
		}
	}
	for i, ch := range c.Alert.Channels {
		if ch.Kind == alerts.KindMQTT {
			need("alert", "channel", i, "kind")
		}
	}
	if c.Memory.Share {
		need("memory", "share")
	}
	return out
}

func (c Config) check() []error {
	var errs []error
	bad := func(key, format string, a ...any) {
		errs = append(errs, fmt.Errorf("%s: %s", key, fmt.Sprintf(format, a...)))
	}
	if c.Store.Path == "" {
		bad("store.path", "must not be empty")
	}
	if c.Store.KeepDays < 0 {
		bad("store.keep_days", "%d is negative; 0 keeps everything", c.Store.KeepDays)
	}
	if c.Store.MaxMB != 0 && c.Store.MaxMB < 20 {
		bad("store.max_mb", "%d is too small: 20 at least, or 0 for no limit", c.Store.MaxMB)
	}
	if c.Store.Backup != "" && c.Store.Every < sensors.Duration(time.Hour) {
		bad("store.backup_every", "%v is below 1h", time.Duration(c.Store.Every))
	}
	errs = append(errs, c.Web.Check()...)
	known := map[string]bool{}
	for name := range drivers {
		known[name] = true
	}
	errs = append(errs, sensors.CheckSections(c.Probe, known)...)
	b := openBench(slog.New(slog.DiscardHandler))
	for i, p := range c.Probe {
		if known[p.Driver] && p.Bus != "" {
			if _, err := b.host.Open(p.ID, p.Driver, p.Bus); err != nil {
				bad(fmt.Sprintf("probe[%d].bus", i), "%v", err)
			}
		}
	}
	if c.Shop.Zone != "" {
		if _, err := time.LoadLocation(c.Shop.Zone); err != nil {
			bad("shop.zone", "%q is not a time zone such as \"Europe/London\"", c.Shop.Zone)
		}
	}
	if c.Shop.LowC != nil && !(*c.Shop.LowC >= web.LowMinC && *c.Shop.LowC <= web.LowMaxC) {
		bad("shop.low_c", "%g °C is no overnight low", *c.Shop.LowC)
	}
	// A name in [shop] that no [[probe]] has may still be a pushed probe, but
	// one that exists in another role is a contradiction.
	for _, p := range c.Probe {
		if p.ID != "" && p.ID == c.Shop.Outdoor && p.Role != "" && p.Role != sensors.RoleOutdoor {
			bad("shop.outdoor", "%q has the role %q", p.ID, p.Role)
		}
		if p.ID != "" && p.ID == c.Shop.Air && p.Role != "" && p.Role != sensors.RoleAir && p.Role != sensors.RoleTent {
			bad("shop.air", "%q has the role %q", p.ID, p.Role)
		}
	}
	errs = append(errs, c.Tent.Check(tentKnown(c.Probe))...)
	if (c.Sleep.From == "") != (c.Sleep.To == "") {
		bad("sleep", "from and to go together")
	}
	for _, f := range []struct{ key, v string }{{"sleep.from", c.Sleep.From}, {"sleep.to", c.Sleep.To}} {
		if _, err := job.ParseClock(f.v); err != nil && f.v != "" {
			bad(f.key, "%v", err)
		}
	}
	return errs
}

func (c Config) Location() *time.Location {
	if c.Shop.Zone != "" {
		if loc, err := time.LoadLocation(c.Shop.Zone); err == nil {
			return loc
		}
	}
	return time.Local
}
