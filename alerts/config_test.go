// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"curewright/model/tomlfile"
)

type file struct {
	Alert Tuning  `toml:"alert"`
	Route []Route `toml:"route"`
}

func check(t *testing.T, text string) []string {
	t.Helper()
	var f file
	src, faults := tomlfile.Decode([]byte(text), &f)
	if src == nil {
		t.Fatalf("not TOML: %v", faults)
	}
	return append(faults, f.Alert.Check(src, f.Route)...).Lines("c.toml")
}

const good = `
[alert]
closing_lead = "1h"
dew_margin_k = 2.5
link_base = "http://shed.local:8374"
heartbeat_url_env = "BEAT"

[[alert.channel]]
name = "log"
kind = "log"

[[alert.channel]]
name = "phone"
kind = "push"
url_file = "/etc/shed/phone"

[[alert.channel]]
name = "office"
kind = "mail"
host = "mail.example"
from = "Shed <shed@club.example>"
to = ["coach@club.example"]
user = "shed"
secret_env = "MAIL_PASSWORD"
timeout = "20s"

[[alert.channel]]
name = "piezo"
kind = "buzzer"
pin = "GPIO18"
button = "GPIO23"

[[route]]
severity = ["danger", "act"]
to = ["phone", "piezo"]
escalate_to = ["office"]
night = "act"

[[route]]
rule = ["probe_missing"]
hours = "07:00-22:30"
to = ["office"]
resolved = false
`

func TestConfig(t *testing.T) {
	if got := check(t, good); len(got) > 0 {
		t.Errorf("faults in a good file: %q", got)
	}
	var f file
	tomlfile.Decode([]byte(good), &f)
	if c := f.Alert.defaults(); time.Duration(c.ClosingLead) != time.Hour || *c.DewMarginK != 2.5 || time.Duration(c.CupLead) != 6*time.Minute {
		t.Errorf("config = %+v", c)
	}
}

// Every fault at once, each with its line and column.
func TestConfigFaults(t *testing.T) {
	got := check(t, `[alert]
closing_lead = "20h"
dew_margin_k = -1.0
heartbeat_every = "10s"

[[alert.channel]]
name = "a"
kind = "carrier pigeon"

[[alert.channel]]
name = "a"
kind = "log"
host = "x"

[[alert.channel]]
kind = "mail"
from = "nobody"
user = "me"
tls = "maybe"
port = 99999

[[alert.channel]]
name = "hook"
kind = "webhook"
url = "ftp://x"
secret_file = "a"
secret_env = "B"

[[alert.channel]]
name = "phone"
kind = "push"

[[alert.channel]]
name = "clear"
kind = "mail"
host = "mail.example"
from = "a@b.example"
to = ["a@b.example", "c"]
tls = "none"
user = "me"
secret_env = "P"

[[alert.channel]]
name = "page"
kind = "log"

[[route]]
severity = ["loud"]
rule = ["no_such"]
hours = "25:00-1"
night = "never"
to = ["a", "nobody"]

[[route]]
panel = ["lid-outer"]
`)
	want := []string{
		`c.toml:2:1: alert.closing_lead: 20h0m0s is not between 1m0s and 12h0m0s`,
		`alert.dew_margin_k: -1 K is not above 0 and at most 10`,
		`alert.heartbeat_every: 10s is not between 1m0s and 24h0m0s`,
		`unknown kind "carrier pigeon"`,
		`"a" is already channel 1`,
		`a channel of kind log takes no host`,
		`alert.channel[2].name: required`,
		`alert.channel[2].host: required by kind mail`,
		`"nobody" is not a mail address`,
		`"maybe" is none of starttls, tls, none`,
		`99999 is not a port`,
		`user and secret_file (or secret_env) go together`,
		`alert.channel[3].url: not an http or https address`,
		`alert.channel[3].secret_env: given beside secret_file`,
		`kind push needs one address`,
		`would send the password in the clear`,
		`"c" is not a mail address`,
		`"page" is the open page's own name`,
		`"loud" is none of danger, act, soon, note`,
		`unknown rule "no_such"`,
		`"25:00-1" is not hours`,
		`"never" is none of act, danger, all`,
		`no channel is named "nobody"`,
		`route[1].to: required`,
	}
	for _, w := range want {
		if !slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, w) }) {
			t.Errorf("no fault says %q", w)
		}
	}
	for _, g := range got {
		if !strings.HasPrefix(g, "c.toml:") || strings.HasPrefix(g, "c.toml:0") {
			t.Errorf("no place in %q", g)
		}
	}
	if t.Failed() {
		t.Logf("all faults:\n%s", strings.Join(got, "\n"))
	}
}

func TestHours(t *testing.T) {
	h, err := ParseHours("22:30-06:30")
	if err != nil || h != (Hours{22*60 + 30, 6*60 + 30}) {
		t.Fatalf("hours = %+v, %v", h, err)
	}
	// Europe/London set its clocks back at 02:00 BST on Sunday 25 October 2026
	// (IANA time zone database): the night is an hour longer and still ends at
	// half past six on the wall.
	london, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Skip("no time zone database here")
	}
	in, end := h.In(time.Date(2026, 10, 24, 23, 0, 0, 0, london), london)
	if want := time.Date(2026, 10, 25, 6, 30, 0, 0, time.UTC); !in || !end.Equal(want) {
		t.Errorf("in %v until %v, want until %v", in, end, want)
	}
	for _, tt := range []struct {
		clock string
		want  bool
	}{{"22:29", false}, {"22:30", true}, {"00:00", true}, {"06:29", true}, {"06:30", false}, {"12:00", false}} {
		c, _ := time.Parse("15:04", tt.clock)
		if in, _ := h.In(c, time.UTC); in != tt.want {
			t.Errorf("%s is in: %v, want %v", tt.clock, in, tt.want)
		}
	}
	for _, bad := range []string{"", "22:30", "22:30-", "24:30-1:00", "9-17", "22:3-06:30", "-1:00-02:00"} {
		if h, err := ParseHours(bad); err == nil {
			t.Errorf("%q taken as %+v", bad, h)
		}
	}
}

func TestSecret(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(p, mode); err != nil { // whatever the umask is
			t.Fatal(err)
		}
		return p
	}
	if s, err := Secret(write("ok", "hush\n", 0o600), ""); s != "hush" || err != nil {
		t.Errorf("secret = %q, %v", s, err)
	}
	t.Setenv("SHED_SECRET", "hush")
	if s, err := Secret("", "SHED_SECRET"); s != "hush" || err != nil {
		t.Errorf("secret = %q, %v", s, err)
	}
	if s, err := Secret("", ""); s != "" || err != nil {
		t.Errorf("none named: %q, %v", s, err)
	}
	for name, p := range map[string]string{
		"readable by everybody": write("open", "hush", 0o604),
		"empty":                 write("empty", " \n", 0o600),
		"longer than":           write("long", strings.Repeat("x", 9000), 0o600),
		"no such file":          filepath.Join(dir, "none"),
		"not a file":            dir,
	} {
		s, err := Secret(p, "")
		if err == nil || s != "" || !strings.Contains(err.Error(), name) || strings.Contains(err.Error(), "hush") {
			t.Errorf("%s: %q, %v", name, s, err)
		}
	}
	if s, err := Secret("", "SHED_NOT_SET"); err == nil || s != "" {
		t.Errorf("unset variable: %q, %v", s, err)
	}
}
