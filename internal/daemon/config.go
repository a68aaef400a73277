package daemon

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"curewright/alerts"
	"curewright/dashboards/web"
	"curewright/heat"
	"curewright/history/forward/influx"
	"curewright/model/job"
	"curewright/model/tomlfile"
	"curewright/sensors"
)

// config is the whole file. Each part declares its own section; every field
// has a default or is required.
type config struct {
	Store storeSection            `toml:"store"`
	Web   web.ConfigSection       `toml:"web"`
	Probe []sensors.ConfigSection `toml:"probe"`
	Shop  shopSection             `toml:"shop"`
	Sleep sleepSection            `toml:"sleep"`
	Alert alerts.Tuning           `toml:"alert"`
	Route []alerts.Route          `toml:"route"`

	MQTT   mqttSection    `toml:"mqtt"`
	Influx influx.Section `toml:"influx"`

	Tent heat.ConfigSection `toml:"tent"`
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
}

// sleepSection is [sleep]: the hours nobody is awake, "22:30" to "06:30".
type sleepSection struct {
	From string `toml:"from"`
	To   string `toml:"to"`
}

func defaultConfig() config {
	return config{
		Store: storeSection{Path: defaultData(), KeepDays: 3 * 366, MaxMB: 2000, Every: sensors.Duration(24 * time.Hour)},
		Web:   web.DefaultSection(),
		Shop:  shopSection{Name: "Shop"},
		Tent:  heat.DefaultSection(),
	}
}

// defaultData is where the store lives without --data and [store] path: where
// systemd says, the system's place for root, else the person's own.
func defaultData() string {
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

// loadConfig reads and checks the file; "" gives the defaults. Every fault
// comes back at once, each with its place.
func loadConfig(path string) (config, error) {
	c, _, err := loadWith(path, nil)
	return c, err
}

// loadWith is loadConfig that also asks look for what the text alone does not
// tell: faults with their place, and notes.
func loadWith(path string, look func(config, *tomlfile.File) (tomlfile.Faults, []string)) (config, []string, error) {
	if path == "" {
		return defaultConfig(), nil, nil
	}
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return defaultConfig(), nil, usagef("%s: no such file", path)
	} else if err != nil {
		return defaultConfig(), nil, usagef("%v", err)
	}
	c, file, faults := decodeConfig(b)
	var notes []string
	if look != nil && file != nil {
		var more tomlfile.Faults
		more, notes = look(c, file)
		faults = append(faults, more...)
	}
	if err := faults.Err(); err != nil {
		return c, nil, usage(path, err)
	}
	return c, notes, nil
}

func parseConfig(path string, b []byte) (config, error) {
	c, _, faults := decodeConfig(b)
	if err := faults.Err(); err != nil {
		return c, usage(path, err)
	}
	return c, nil
}

// decodeConfig reads and checks the text by itself; file is nil where it is no
// TOML.
func decodeConfig(b []byte) (config, *tomlfile.File, tomlfile.Faults) {
	c := defaultConfig()
	file, faults := tomlfile.Decode(b, &c)
	c.Tent = c.Tent.Defaults()
	if file != nil {
		for _, err := range c.check() {
			faults = append(faults, file.FaultAt(err))
		}
		faults = append(faults, c.Alert.Check(file, c.Route)...)
		faults = append(faults, c.MQTT.check(file, c.Probe, c.Alert.Channels)...)
		faults = append(faults, c.Influx.Check(file)...)
		c.MQTT.where = c.MQTT.places(file)
	}
	return c, file, faults
}

func (c config) check() []error {
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
	if c.Shop.LowC != nil && !(*c.Shop.LowC >= -30 && *c.Shop.LowC <= 35) {
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
		if f.v != "" {
			if _, err := parseClock(f.v); err != nil {
				bad(f.key, "%v", err)
			}
		}
	}
	return errs
}

func (c config) location() *time.Location {
	if c.Shop.Zone != "" {
		if loc, err := time.LoadLocation(c.Shop.Zone); err == nil {
			return loc
		}
	}
	return time.Local
}

// parseClock reads "22:30".
func parseClock(s string) (job.Clock, error) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		return 0, fmt.Errorf("%q is not an hour such as \"22:30\"", s)
	}
	return job.Clock(60*t.Hour() + t.Minute()), nil
}
