// SPDX-License-Identifier: Apache-2.0

package sensors

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Duration is a time.Duration that a configuration file writes as text:
// "10s", "2m".
type Duration time.Duration

// UnmarshalText reads "10s", "2m30s".
func (d *Duration) UnmarshalText(b []byte) error {
	x, err := time.ParseDuration(string(b))
	if err != nil {
		return fmt.Errorf("%q is not a time such as \"10s\" or \"2m\"", b)
	}
	*d = Duration(x)
	return nil
}

// MarshalText writes what UnmarshalText reads.
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// ConfigSection is one [[probe]] of the configuration file.
type ConfigSection struct {
	ID     string   `toml:"id"`     // the name readings are stored under
	Driver string   `toml:"driver"` // e.g. "ds18b20", "sht4x"; "push" and "mqtt" only reserve a name
	Bus    string   `toml:"bus"`    // e.g. "i2c-1:0x44", "w1:28-0316a2795d1f"
	Of     []string `toml:"of"`     // of a "mean": the ids of two or more wired probes
	Name   string   `toml:"name"`   // what people call it; default the id
	Role   string   `toml:"role"`   // air, panel, pot, outdoor, tent
	Panel  string   `toml:"panel"`
	Every  Duration `toml:"every"` // default 10s
	Stale  Duration `toml:"stale"` // default 3 × every
}

// CheckSections returns every fault of the [[probe]] sections, each beginning
// with its key. drivers are the wired drivers this build knows.
func CheckSections(sections []ConfigSection, drivers map[string]bool) []error {
	var errs []error
	ids, buses := map[string]int{}, map[string]int{}
	for i, c := range sections {
		bad := func(key, format string, a ...any) {
			errs = append(errs, fmt.Errorf("probe[%d].%s: %s", i, key, fmt.Sprintf(format, a...)))
		}
		switch j, dup := ids[c.ID]; {
		case c.ID == "":
			bad("id", "required: the name readings are stored under")
		case dup:
			bad("id", "%q is already the id of probe[%d]", c.ID, j)
		case strings.ContainsAny(c.ID, " \t\r\n,\"'/\\?#%"):
			bad("id", "%q: letters, digits, dots, dashes and underscores only", c.ID)
		default:
			ids[c.ID] = i
		}
		wired := drivers[c.Driver]
		if c.Driver == DriverMean {
			if len(c.Of) < 2 {
				bad("of", "a mean is of two probes or more")
			}
			for j, id := range c.Of {
				k := slices.IndexFunc(sections, func(x ConfigSection) bool { return x.ID == id })
				switch {
				case slices.Contains(c.Of[:j], id):
					bad("of", "%q is named twice", id)
				case k < 0:
					bad("of", "no probe %q", id)
				case !drivers[sections[k].Driver]:
					bad("of", "%q is not wired", id)
				}
			}
		} else if len(c.Of) > 0 {
			bad("of", "only with driver = %q", DriverMean)
		}
		switch {
		case c.Driver == "":
			bad("driver", "required")
		case !wired && c.Driver != "push" && c.Driver != "mqtt" && c.Driver != DriverMean:
			bad("driver", "unknown driver %q; known are %s", c.Driver, strings.Join(append(slices.Sorted(maps.Keys(drivers)), DriverMean, "push", "mqtt"), ", "))
		}
		if c.Driver != "push" && c.Driver != "mqtt" && c.Driver != DriverMean {
			if c.Bus == "" {
				bad("bus", "required for a wired probe; `curewright probes` prints it")
			} else if j, dup := buses[c.Bus]; dup {
				bad("bus", "%q is already probe[%d]'s", c.Bus, j)
			} else {
				buses[c.Bus] = i
			}
		} else if c.Bus != "" {
			bad("bus", "a %s probe has none", c.Driver)
		}
		if !knownRole(c.Role) {
			bad("role", "%q is not air, panel, pot, outdoor or tent", c.Role)
		}
		every := time.Duration(c.Every)
		if every == 0 {
			every = DefaultEvery
		}
		if every > 0 && every < time.Millisecond {
			// A number without a unit was read as nanoseconds.
			bad("every", "%d has no unit: write it as \"%ds\"", int64(every), int64(every))
		} else if every < time.Second {
			bad("every", "%v is below 1s", every)
		}
		if every > time.Hour {
			bad("every", "%v is above 1h", every)
		}
		if stale := time.Duration(c.Stale); stale != 0 && stale < every && every > 0 {
			bad("stale", "%v is shorter than every, %v: each reading would be missing before the next", stale, every)
		}
	}
	return errs
}
