// SPDX-License-Identifier: Apache-2.0

package doctor

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"curewright/alerts"
	"curewright/heat/relay"
	"curewright/history"
	"curewright/internal/daemon"
	"curewright/internal/testkit"
	"curewright/model/words"
	"curewright/sensors"
	"curewright/sensors/discover"
)

// How a boot file is read: filters, the last word, several parameters on a
// line. The firmware's rules are from memory of its documentation.
func TestReadBoot(t *testing.T) {
	for text, want := range map[string]bootSettings{
		"": {},
		"#dtparam=i2c_arm=on\n#dtoverlay=w1-gpio\n":                     {},
		"dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n":                       {true, true},
		"dtparam=i2c_arm=on\r\ndtoverlay=w1-gpio,gpiopin=4\r\n":         {true, true},
		"dtparam=audio=on,i2c_arm=on\n":                                 {true, false},
		"dtparam=i2c_arm\n":                                             {true, false},
		"dtparam=i2c_arm=on\ndtparam=i2c_arm=off\n":                     {},
		"[pi4]\ndtparam=i2c_arm=on\ndtoverlay=w1-gpio\n":                {}, // perhaps another board's
		"[pi4]\narm_boost=1\n[all]\ndtparam=i2c_arm=on\n":               {true, false},
		"dtparam=i2c_arm=on\n[cm4]\ndtparam=i2c_arm=off\n":              {true, false},
		"device_tree_param=i2c1=on\ndevice_tree_overlay=w1-gpio-pullup": {true, true},
		"dtparam=i2c_arm_baudrate=400000\ndtoverlay=w1-gpio-other\n":    {},
	} {
		if got := readBoot(text); got != want {
			t.Errorf("%q: got %+v, want %+v", text, got, want)
		}
	}
}

func FuzzSwitchOn(f *testing.F) {
	f.Add("dtparam=i2c_arm=off\n[pi4]\nx")
	f.Add("[all")
	f.Fuzz(func(t *testing.T, text string) {
		on := switchOn(text)
		if b := readBoot(on); !b.i2c || !b.oneWire {
			t.Errorf("not on: %+v\n%s", b, on)
		}
		if !strings.HasPrefix(on, text) {
			t.Errorf("what was there changed:\n%q\n%q", text, on)
		}
		if again := switchOn(on); again != on {
			t.Errorf("a second time adds more:\n%s", again)
		}
	})
}

// well is a board with nothing wrong; each case spoils one thing.
func well(t *testing.T) *doctor {
	root := testkit.Tree(t, map[string]string{
		"boot/firmware/config.txt":                                      testkit.StockBoot + "dtparam=i2c_arm=on\ndtoverlay=w1-gpio\n",
		"etc/modules-load.d/curewright.conf":                            modulesText,
		"etc/systemd/system/curewright.service":                         "",
		"etc/systemd/system/multi-user.target.wants/curewright.service": "",
		"etc/passwd":                       "root:x:0:0::/root:/bin/sh\ncurewright:x:990:990::/var/lib/curewright:/usr/sbin/nologin\n",
		"etc/group":                        fmt.Sprintf("root:x:0:\ni2c:x:%d:curewright\ngpio:x:%d:curewright\ncurewright:x:%[1]d:\n", os.Getgid(), os.Getgid()),
		"dev/i2c-1":                        "",
		"dev/gpiochip0":                    "",
		"sys/class/i2c-adapter/i2c-1/name": "bcm2835 (i2c@7e804000)\n",
		"sys/bus/w1/devices/w1_bus_master1/uevent":    "",
		"sys/bus/w1/devices/28-0316a2795d1f/w1_slave": "",
		"var/lib/curewright/x":                        "",
	})
	for _, dev := range []string{"dev/i2c-1", "dev/gpiochip0"} {
		testkit.OK(t, os.Chmod(filepath.Join(root, dev), 0o660))
	}
	cfg := daemon.DefaultConfig()
	cfg.Store.Path = "/var/lib/curewright"
	cfg.Web.Listen = "0.0.0.0:8374"
	cfg.Shop.Zone = "Europe/London"
	return &doctor{
		root: root, here: true, cfg: cfg, cfgFile: "/etc/curewright/curewright.toml",
		trusted: func() bool { return true },
		chip:    func() (daemon.Chip, bool) { return daemon.Chip{}, false },
		now:     func() time.Time { return time.Date(2026, 10, 10, 9, 0, 0, 0, time.UTC) },
		space:   func(string) (diskInfo, error) { return diskInfo{free: 8e9, size: 16e9, kind: 0xef53}, nil },
		buses:   func(context.Context) discover.Report { return discover.Report{} },
		ready:   func(context.Context) ([]string, error) { return nil, nil },
		store:   func(context.Context, *report, string) []finding { return nil },
		listen:  func(string) error { return nil },
		line:    func(string) error { return nil },
		addrs:   func() ([]string, error) { return []string{"192.0.2.7"}, nil },
	}
}

func TestDoctorFindsNothingOnASoundBoard(t *testing.T) {
	for _, f := range well(t).look(t.Context()) {
		if f.Mark != markGood {
			t.Errorf("%s %s: %s", f.Area, f.Mark, f.What)
		}
	}
}

func TestDoctorFinds(t *testing.T) {
	var said strings.Builder
	down := func(context.Context) ([]string, error) { return nil, errors.New("connection refused") }
	remove := func(d *doctor, names ...string) {
		for _, n := range names {
			testkit.OK(t, os.RemoveAll(d.path(n)))
		}
	}
	for name, tt := range map[string]struct {
		spoil      func(*doctor)
		area, mark string
		what, mend string // parts of the words
	}{
		"not restarted": {func(d *doctor) { remove(d, "dev/i2c-1") }, "I2C", markWrong, "the bus is not there", "restart the board"},
		"no module":     {func(d *doctor) { remove(d, "dev/i2c-1", modulesFile) }, "I2C", markWrong, "nothing loads i2c-dev", "--fix"},
		"only a display's bus": {func(d *doctor) {
			testkit.Write(t, d.path("sys/class/i2c-adapter/i2c-1/name"), "fef04500.hdmi ddc\n")
		}, "I2C", markWrong, "the bus is not there", "restart"},
		"i2c off": {func(d *doctor) {
			remove(d, "dev/i2c-1")
			testkit.Write(t, d.path("boot/firmware/config.txt"), "dtoverlay=w1-gpio\n")
		}, "I2C", markWrong, "not switched on", "--fix"},
		"another kind of board": {func(d *doctor) {
			remove(d, "boot", "dev/i2c-1")
			testkit.OK(t, os.MkdirAll(d.path("proc/device-tree"), 0o755))
			testkit.Write(t, d.path("proc/device-tree/model"), "Some Board\x00")
			remove(d, "sys/class/i2c-adapter")
		}, "I2C", markWrong, "is not known here", "maker"},
		// A board whose device tree has I2C on: Linux drives it, and nobody loads
		// the module behind /dev.
		"another kind of board, no module": {func(d *doctor) {
			otherBoard(t, d)
			remove(d, modulesFile)
		}, "I2C", markWrong, "on (i2c-1), but nothing loads i2c-dev", "--fix"},
		"another kind of board, not restarted": {func(d *doctor) { otherBoard(t, d) }, "I2C", markWrong, "on (i2c-1), but i2c-dev is not loaded", "restart"},
		"another kind of board, no 1-wire": {func(d *doctor) {
			otherBoard(t, d)
			remove(d, "sys/bus/w1")
		}, "1-wire", markNote, "off", "maker"},
		"another kind of board, 1-wire wanted": {func(d *doctor) {
			otherBoard(t, d)
			remove(d, "sys/bus/w1")
			d.cfg.Probe = []sensors.ConfigSection{{ID: "lid", Driver: "ds18b20", Bus: "w1:28-0316a2795d1f"}}
		}, "1-wire", markWrong, "off", "maker"},
		"watchdog of root": {func(d *doctor) {
			testkit.Write(t, d.path("dev/watchdog"), "")
			_ = os.Chmod(d.path("dev/watchdog"), 0o600)
		}, "permissions", markWrong, "/dev/watchdog is not open to the group curewright", "udevadm trigger"},
		"a PC":           {func(d *doctor) { remove(d, "boot", "dev", "sys") }, "1-wire", markNote, "no single-board computer", ""},
		"no thermometer": {func(d *doctor) { remove(d, "sys/bus/w1/devices/28-0316a2795d1f") }, "1-wire", markNote, "no thermometer", "4.7 kΩ"},
		"1-wire off":     {func(d *doctor) { remove(d, "sys/bus/w1"); testkit.Write(t, d.path("boot/firmware/config.txt"), "") }, "1-wire", markWrong, "not switched on", "--fix"},
		"device of root": {func(d *doctor) { _ = os.Chmod(d.path("dev/i2c-1"), 0o600) }, "permissions", markWrong, "/dev/i2c-1 is not open to the group i2c", "install --write"},
		"no user":        {func(d *doctor) { testkit.Write(t, d.path("etc/passwd"), "root:x:0:0::/root:/bin/sh\n") }, "permissions", markWrong, "curewright does not exist", "systemd-sysusers"},
		"no group":       {func(d *doctor) { testkit.Write(t, d.path("etc/group"), "root:x:0:\n") }, "permissions", markWrong, "group gpio does not exist", "systemd-sysusers"},
		"not enabled":    {func(d *doctor) { remove(d, "etc/systemd/system/multi-user.target.wants") }, "service", markWrong, "does not start with the board", "systemctl enable"},
		"not installed":  {func(d *doctor) { remove(d, "etc/systemd") }, "service", markNote, "not installed", "install --write"},
		"stopped":        {func(d *doctor) { d.ready = down }, "service", markWrong, "no daemon answers", "systemctl status"},
		"stuck": {func(d *doctor) {
			d.ready = func(context.Context) ([]string, error) { return []string{"estimator: silent for 3m0s"}, nil }
		}, "service", markWrong, "estimator: silent", "journalctl"},
		"clock unset": {func(d *doctor) { d.now = func() time.Time { return time.Unix(0, 0) } }, "clock", markWrong, "does not know the date", "this phone's time"},
		"clock, senders wait": {func(d *doctor) {
			d.trusted = func() bool { return false }
			d.cfg.Influx.URL, d.cfg.MQTT.URL = "http://127.0.0.1:8086", "mqtt://127.0.0.1:1883"
		}, "clock", markNote, "no reading is sent on to InfluxDB and MQTT", ""},
		"clock unvouched":  {func(d *doctor) { d.trusted = func() bool { return false } }, "clock", markNote, "nothing vouches", "clock chip"},
		"clock chip, new":  {chipAt(0), "clock", markNote, "was never seen right", "trusted from then on"},
		"clock chip, flat": {chipAt(-400 * 24 * time.Hour), "clock", markNote, "rtc-test shows", "battery"},
		"read-only card": {func(d *doctor) {
			d.space = func(string) (diskInfo, error) { return diskInfo{free: 8e9, readOnly: true}, nil }
		}, "disk", markWrong, "can't be written", "change the card"},
		"full card": {func(d *doctor) { d.space = func(string) (diskInfo, error) { return diskInfo{free: 50e6}, nil } }, "disk", markWrong, "0.1 GB free", "vacuum"},
		"store in memory": {func(d *doctor) {
			d.space = func(string) (diskInfo, error) { return diskInfo{free: 8e9, kind: tmpfsMagic}, nil }
		}, "disk", markWrong, "in memory", "on the card"},
		"supply":           {func(d *doctor) { spoilSupply(t, d, "50000") }, "power", markWrong, "sagged", "supply"},
		"page on loopback": {func(d *doctor) { d.cfg.Web.Listen = "127.0.0.1:8374" }, "network", markNote, "on this board only", "0.0.0.0:8374"},
		"no network":       {func(d *doctor) { d.addrs = func() ([]string, error) { return nil, nil } }, "network", markWrong, "on no network", "Wi-Fi"},
		"port taken": {func(d *doctor) {
			d.ready = down
			d.listen = func(string) error { return &os.SyscallError{Syscall: "bind", Err: syscall.EADDRINUSE} }
		}, "network", markWrong, "another program has 0.0.0.0:8374", "ss -ltnp"},
		"bad configuration": {func(d *doctor) { _, d.cfgErr = daemon.ParseConfig("c.toml", []byte("[web]\nlisten = \"shed\"\n")) }, "settings", markWrong, "c.toml:2:1: web.listen", "check --config"},
		"broken probe": {func(d *doctor) {
			d.ready = down
			d.buses = func(context.Context) discover.Report {
				return discover.Report{Found: []discover.Found{{Driver: "sht4x", Bus: "i2c-1:0x44", Err: sensors.BadSum(0x91, 0x92)}}}
			}
		}, "probes", markWrong, "sht4x on i2c-1:0x44: checksum mismatch: came with 91", "move its cable"},
		"no buzzer": {func(d *doctor) {
			d.cfg.Alert.Channels = []alerts.ChannelConfig{{Name: "piezo", Kind: alerts.KindBuzzer, Pin: "GPIO99"}}
			d.line = relay.LookLine
		}, "lines", markWrong, "buzzer piezo: line \"GPIO99\": no such GPIO line: nothing sounds", "put the name right"},
		"no heat line": {func(d *doctor) {
			d.cfg.Tent.Output, d.cfg.Tent.Pulse.Line = "pulse", "file:/no/such/line"
			d.line = relay.LookLine
		}, "lines", markWrong, "tent.pulse: stat /no/such/line: no such file or directory: heat stays off", "put the name right"},
		"sick bus": {func(d *doctor) {
			d.ready = down
			d.buses = func(context.Context) discover.Report {
				return discover.Report{Buses: []discover.Bus{{Name: "i2c-1", Err: sensors.Fail(nil, "at_many", sensors.Facts{"err": sensors.BusError(syscall.ETIMEDOUT), "n": 58, "of": 58})}}}
			}
		}, "probes", markWrong, "i2c-1: no answer in time: the bus hangs, at 58 of 58 addresses", "unplug what is on it"},
	} {
		t.Run(name, func(t *testing.T) {
			d := well(t)
			d.words = words.Pseudo()
			tt.spoil(d)
			for _, f := range d.look(t.Context()) {
				said.WriteString(f.What + "\n" + f.Mend + "\n")
			}
			d = well(t)
			tt.spoil(d)
			fs := d.look(t.Context())
			for _, f := range fs {
				if f.Area == tt.area && f.Mark == tt.mark && strings.Contains(f.What, tt.what) && strings.Contains(f.Mend, tt.mend) {
					return
				}
			}
			t.Errorf("no %s %q that says %q and %q in %+v", tt.area, tt.mark, tt.what, tt.mend, fs)
		})
	}
	fromTheCatalogue(t, said.String())
}

// others say these: the system, a chip, a fault of a file, the parts of a daemon;
// and names of buses, lines, users and keys.
var others = regexp.MustCompile(`connection refused|estimator: silent for 3m0s` +
	`|c\.toml:.*|line "GPIO99": no such GPIO line|stat /\S+: no such file or directory|\S*/\S*|sht4x|i2c-\w+(:0x44)?|curewright|gpio|GPIO99|piezo|tent\.pulse|InfluxDB|MQTT|UTC|rtc-test|BST`)

// fromTheCatalogue is that a text in the pseudo-language has nothing else in plain
// letters, and all but a few of the doctor's sentences.
func fromTheCatalogue(t *testing.T, said string) {
	t.Helper()
	for line := range strings.Lines(said) {
		if bare := words.Bare(others.ReplaceAllString(line, " ")); len(bare) > 0 {
			t.Errorf("%q stand in no catalogue: %s", bare, line)
		}
	}
	pseudo, unsaid := words.Pseudo(), 0
	for _, table := range []string{"doctor.found.", "doctor.mend."} {
		for _, code := range words.English.Codes(table) {
			longest := ""
			for _, piece := range regexp.MustCompile(`\{[a-z]+\}`).Split(pseudo.Text(code), -1) {
				if len(piece) > len(longest) {
					longest = piece
				}
			}
			if !strings.Contains(said, longest) {
				unsaid++
				t.Logf("%s is not said here", code)
			}
		}
	}
	if unsaid > 30 {
		t.Errorf("%d sentences of the doctor are said by no case", unsaid)
	}
}

// Every sentence of the doctor is named by its source, and every name is there.
func TestDoctorsCodes(t *testing.T) {
	source := ""
	for _, f := range []string{"doctor.go", "doctorbus.go", "doctorhost.go"} {
		source += string(testkit.MustRead(t, f))
	}
	for _, m := range regexp.MustCompile(`r\.(?:good|note|wrong|fixable)\("([a-z0-9_]+)"`).FindAllStringSubmatch(source, -1) {
		if !words.English.Has("doctor.found." + m[1]) {
			t.Errorf("doctor.found.%s: no such sentence", m[1])
		}
	}
	for _, table := range []string{"found", "mend", "which", "then", "did"} {
		for _, code := range words.English.Codes("doctor." + table + ".") {
			if name := code[strings.LastIndex(code, ".")+1:]; !strings.Contains(source, `"`+name+`"`) && !strings.Contains(source, "."+name+`"`) {
				t.Errorf("%s: nobody says it", code)
			}
		}
	}
	for _, area := range regexp.MustCompile(`d\.report\("([^"]+)"\)`).FindAllStringSubmatch(source, -1) {
		if !words.English.Has("doctor.area." + strings.ToLower(area[1])) {
			t.Errorf("the area %q has no name", area[1])
		}
	}
	for _, mark := range []string{markGood, markNote, markWrong, markMended} {
		if !words.English.Has("doctor.mark." + mark) {
			t.Errorf("the mark %q has no word", mark)
		}
	}
}

// otherBoard makes it a board without the boot file that is known here.
func otherBoard(t *testing.T, d *doctor) {
	t.Helper()
	for _, n := range []string{"boot", "dev/i2c-1"} {
		testkit.OK(t, os.RemoveAll(d.path(n)))
	}
	testkit.OK(t, os.MkdirAll(d.path("proc/device-tree"), 0o755))
	testkit.Write(t, d.path("proc/device-tree/model"), "Some Board\x00")
}

func spoilSupply(t *testing.T, d *doctor, throttled string) {
	t.Helper()
	dir := d.path("sys/devices/platform/soc/soc:firmware")
	testkit.OK(t, os.MkdirAll(dir, 0o755))
	testkit.Write(t, filepath.Join(dir, "get_throttled"), throttled+"\n")
}

// The store at rest: whole, damaged, absent.
func TestDoctorLooksAtTheStore(t *testing.T) {
	dir := t.TempDir()
	marks := func() string {
		var b strings.Builder
		for _, f := range lookAtStore(t.Context(), new(doctor).report("store"), dir) {
			fmt.Fprintf(&b, "%s: %s\n", f.Mark, f.What)
		}
		return b.String()
	}
	if got := marks(); !strings.HasPrefix(got, "note: none yet") {
		t.Errorf("absent: %s", got)
	}
	s, err := history.Open(dir, history.Options{})
	testkit.OK(t, err)
	testkit.OK(t, s.Close())
	if got := marks(); !strings.HasPrefix(got, "good: whole") {
		t.Errorf("whole: %s", got)
	}
	file := filepath.Join(dir, history.File)
	b := testkit.MustRead(t, file)
	for i := 5000; i < len(b); i += 7 {
		b[i] ^= 0x55
	}
	testkit.OK(t, os.WriteFile(file, b, 0o600))
	if got := marks(); !strings.HasPrefix(got, "wrong: ") {
		t.Errorf("damaged: %s", got)
	}
}

// chipAt is a board whose clock nobody vouches for, with a clock chip that is
// so far from it.
func chipAt(away time.Duration) func(*doctor) {
	return func(d *doctor) {
		d.trusted = func() bool { return false }
		d.chip = func() (daemon.Chip, bool) { return daemon.Chip{Name: "rtc-test", At: d.now().Add(away)}, true }
	}
}
