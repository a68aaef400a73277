// SPDX-License-Identifier: Apache-2.0

package alerts

import (
	"fmt"
	"io"
	"maps"
	"net/mail"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"curewright/model/tomlfile"
	"curewright/sensors"
)

// Kinds of channel.
const (
	KindLog          = "log"
	KindWebhook      = "webhook"
	KindBuzzer       = "buzzer"
	KindMail         = "mail"
	KindPush         = "push"
	KindAlertmanager = "alertmanager"
	KindMQTT         = "mqtt"
)

// ChannelConfig is one [[alert.channel]]. The keys of each kind are in
// kindKeys. A secret is given as the name of a file or of an environment variable,
// never in the configuration itself.
type ChannelConfig struct {
	Name string `toml:"name"`
	Kind string `toml:"kind"` // log, webhook, buzzer, mail, push, alertmanager, mqtt

	URL     string `toml:"url"`      // webhook, alertmanager
	URLFile string `toml:"url_file"` // push, webhook: the address itself is a secret
	URLEnv  string `toml:"url_env"`

	SecretFile string `toml:"secret_file"` // webhook: signing key; mail, alertmanager: password
	SecretEnv  string `toml:"secret_env"`
	User       string `toml:"user"` // mail, alertmanager

	Host string   `toml:"host"` // mail
	Port int      `toml:"port"` // mail; 0 for 587, or 465 with tls = "tls"
	TLS  string   `toml:"tls"`  // mail: "starttls" (default), "tls", "none"
	From string   `toml:"from"`
	To   []string `toml:"to"`

	Pin       string `toml:"pin"`        // buzzer: GPIO line of the piezo, e.g. "GPIO18"
	Button    string `toml:"button"`     // buzzer: GPIO line of a push-button to ground, "" for none
	ActiveLow bool   `toml:"active_low"` // buzzer: it is off while the line is high
	OwnTone   bool   `toml:"own_tone"`   // buzzer: it has its own oscillator and only wants to be switched on

	Timeout    sensors.Duration `toml:"timeout"`      // of one try; default 30 s
	MaxPerHour int              `toml:"max_per_hour"` // to a person; default 20, danger is exempt
}

// Route is one [[route]]: which alerts go to which channels. All routes that
// match count. Without any route every channel gets everything.
type Route struct {
	Severity []string `toml:"severity"` // danger, act, soon, note; empty for all
	Panel    []string `toml:"panel"`    // empty for all
	Rule     []string `toml:"rule"`     // empty for all
	Hours    string   `toml:"hours"`    // "07:00-22:00": the route applies only then; "" for always
	To       []string `toml:"to"`
	// EscalateTo gets it when nobody acknowledged in time.
	EscalateTo []string `toml:"escalate_to"`
	// Night is what wakes the person in the sleeping hours: "act" (default)
	// only what can be acted on, the rest in the morning; "danger" only
	// danger; "all" everything.
	Night string `toml:"night"`
	// Resolved says whether a person is told when it is over; default true.
	Resolved *bool `toml:"resolved"`
}

// Tuning is the [alert] section: the rules' lead times and limits, and the
// channels. A zero value means the default.
type Tuning struct {
	ClosingLead    sensors.Duration `toml:"closing_lead"`    // how long before a window's cautious end it is called closing; default 45m
	CupLead        sensors.Duration `toml:"cup_lead"`        // how long before a cup's end its alert fires; default 6m
	RemindBefore   sensors.Duration `toml:"remind_before"`   // how long before the end a reminder comes; default 10m
	EscalateDanger sensors.Duration `toml:"escalate_danger"` // how long danger may go unacknowledged; default 3m
	EscalateAct    sensors.Duration `toml:"escalate_act"`    // the same for what can be acted on; default 20m
	DewMarginK     *float64         `toml:"dew_margin_k"`    // least distance of a panel to the dew point, K; default 3, as in ISO 8502-4
	// LinkBase is the dashboard's address as a phone in the shed reaches it,
	// e.g. "http://shed.local:8374": acknowledging links begin with it. ""
	// for no links.
	LinkBase string `toml:"link_base"`
	// HeartbeatURLFile or HeartbeatURLEnv name an address that is fetched
	// every HeartbeatEvery while every part makes progress.
	HeartbeatURLFile string           `toml:"heartbeat_url_file"`
	HeartbeatURLEnv  string           `toml:"heartbeat_url_env"`
	HeartbeatEvery   sensors.Duration `toml:"heartbeat_every"` // default 5m, at least 1m

	Channels []ChannelConfig `toml:"channel"`
}

// defaults fills in the keys that the section leaves out.
func (t Tuning) defaults() Tuning {
	for _, x := range []struct {
		d *sensors.Duration
		v time.Duration
	}{
		{&t.ClosingLead, 45 * time.Minute}, {&t.CupLead, 6 * time.Minute}, {&t.RemindBefore, 10 * time.Minute},
		{&t.EscalateDanger, 3 * time.Minute}, {&t.EscalateAct, 20 * time.Minute},
	} {
		if *x.d <= 0 {
			*x.d = sensors.Duration(x.v)
		}
	}
	if t.DewMarginK == nil || !(*t.DewMarginK > 0) {
		t.DewMarginK = new(3.0)
	}
	return t
}

// kindKeys are each kind's keys besides name, kind and timeout; true means required.
var kindKeys = map[string]map[string]bool{
	KindLog:          {},
	KindWebhook:      {"url": false, "url_file": false, "url_env": false, "secret_file": false, "secret_env": false},
	KindBuzzer:       {"pin": true, "button": false, "active_low": false, "own_tone": false},
	KindMail:         {"host": true, "port": false, "tls": false, "from": true, "to": true, "user": false, "secret_file": false, "secret_env": false, "max_per_hour": false},
	KindPush:         {"url_file": false, "url_env": false, "max_per_hour": false},
	KindAlertmanager: {"url": true, "user": false, "secret_file": false, "secret_env": false},
	KindMQTT:         {},
}

func (c ChannelConfig) set() map[string]bool {
	return map[string]bool{"url": c.URL != "", "url_file": c.URLFile != "", "url_env": c.URLEnv != "",
		"secret_file": c.SecretFile != "", "secret_env": c.SecretEnv != "", "user": c.User != "",
		"host": c.Host != "", "port": c.Port != 0, "tls": c.TLS != "", "from": c.From != "", "to": len(c.To) > 0,
		"pin": c.Pin != "", "button": c.Button != "", "active_low": c.ActiveLow, "own_tone": c.OwnTone, "max_per_hour": c.MaxPerHour != 0}
}

// Check returns every fault of the [alert] section and the routes, each at its
// place in f (nil where there is no file). It opens no secret file:
// [Secret] reports one that can't be read.
func (t Tuning) Check(f *tomlfile.File, routes []Route) tomlfile.Faults {
	c := checker{file: f, channels: map[string]int{}}
	for _, d := range []struct {
		key      string
		v        sensors.Duration
		min, max time.Duration
	}{
		{"closing_lead", t.ClosingLead, time.Minute, 12 * time.Hour},
		{"cup_lead", t.CupLead, time.Minute, time.Hour},
		{"remind_before", t.RemindBefore, time.Minute, 2 * time.Hour},
		{"escalate_danger", t.EscalateDanger, 30 * time.Second, time.Hour},
		{"escalate_act", t.EscalateAct, time.Minute, 12 * time.Hour},
		{"heartbeat_every", t.HeartbeatEvery, time.Minute, 24 * time.Hour},
	} {
		if v := time.Duration(d.v); v != 0 && (v < d.min || v > d.max) {
			c.bad(fmt.Sprintf("%v is not between %v and %v", v, d.min, d.max), "alert", d.key)
		}
	}
	if m := t.DewMarginK; m != nil && !(*m > 0 && *m <= 10) {
		c.bad(fmt.Sprintf("%g K is not above 0 and at most 10", *m), "alert", "dew_margin_k")
	}
	if t.LinkBase != "" && !httpURL(t.LinkBase) {
		c.bad("not an http or https address", "alert", "link_base")
	}
	if t.HeartbeatURLFile != "" && t.HeartbeatURLEnv != "" {
		c.bad("given beside heartbeat_url_file: one of them", "alert", "heartbeat_url_env")
	}
	for i, ch := range t.Channels {
		c.channel(i, ch)
	}
	for i, r := range routes {
		c.route(i, r)
	}
	return c.faults
}

// checker gathers faults, each at its place in the file.
type checker struct {
	file     *tomlfile.File
	faults   tomlfile.Faults
	channels map[string]int // their names, in order
}

func (c *checker) bad(what string, path ...any) {
	c.faults = append(c.faults, c.file.Fault(what, path...))
}

func (x *checker) channel(i int, c ChannelConfig) {
	bad := func(key, format string, a ...any) {
		x.bad(fmt.Sprintf(format, a...), "alert", "channel", i, key)
	}
	if j, dup := x.channels[c.Name]; dup {
		bad("name", "%q is already channel %d", c.Name, j+1)
	} else if c.Name == "" {
		bad("name", "required")
	} else if c.Name == PageChannel {
		bad("name", "\"page\" is the open page's own name")
	} else {
		x.channels[c.Name] = i
	}
	keys, ok := kindKeys[c.Kind]
	if !ok {
		bad("kind", "unknown kind %q: one of log, webhook, buzzer, mail, push, alertmanager, mqtt", c.Kind)
		return
	}
	set := c.set()
	for _, k := range slices.Sorted(maps.Keys(set)) {
		must, known := keys[k]
		switch {
		case set[k] && !known:
			bad(k, "a channel of kind %s takes no %s", c.Kind, k)
		case !set[k] && must:
			bad(k, "required by kind %s", c.Kind)
		}
	}
	if c.SecretFile != "" && c.SecretEnv != "" {
		bad("secret_env", "given beside secret_file: one of them")
	}
	n := 0
	for _, k := range []string{"url", "url_file", "url_env"} {
		if set[k] {
			n++
		}
	}
	if (c.Kind == KindWebhook || c.Kind == KindPush) && n != 1 {
		bad("kind", "kind %s needs one address: one of url_file, url_env%s", c.Kind, map[bool]string{true: ", url"}[c.Kind == KindWebhook])
	}
	if c.URL != "" && !httpURL(c.URL) {
		bad("url", "not an http or https address")
	}
	if c.URL != "" {
		if u, err := url.Parse(c.URL); err == nil && u.User != nil {
			bad("url", "carries a password: use url_file or url_env")
		}
	}
	if c.Port < 0 || c.Port > 65535 {
		bad("port", "%d is not a port", c.Port)
	}
	if c.TLS != "" && c.TLS != "starttls" && c.TLS != "tls" && c.TLS != "none" {
		bad("tls", "%q is none of starttls, tls, none", c.TLS)
	}
	if c.TLS == "none" && c.User != "" && !loopbackName(c.Host) {
		bad("tls", "would send the password in the clear: use starttls or tls")
	}
	if c.Kind == KindMail || c.Kind == KindAlertmanager {
		if (c.User == "") != (c.SecretFile == "" && c.SecretEnv == "") {
			bad("user", "user and secret_file (or secret_env) go together")
		}
	}
	if c.From != "" && !mailAddress(c.From) {
		bad("from", "%q is not a mail address", c.From)
	}
	for j, a := range c.To {
		if !mailAddress(a) {
			x.bad(fmt.Sprintf("%q is not a mail address", a), "alert", "channel", i, "to", j)
		}
	}
	if d := time.Duration(c.Timeout); d != 0 && (d < time.Second || d > 5*time.Minute) {
		bad("timeout", "%v is not between 1s and 5m", d)
	}
	if c.MaxPerHour < 0 {
		bad("max_per_hour", "below 0")
	}
	if c.Pin != "" && c.Pin == c.Button {
		bad("button", "the piezo's own line")
	}
}

func (c *checker) route(i int, r Route) {
	bad := func(what, key string, more ...any) { c.bad(what, append([]any{"route", i, key}, more...)...) }
	for j, s := range r.Severity {
		switch Severity(s) {
		case Danger, Act, Soon, Note:
		default:
			bad(fmt.Sprintf("%q is none of danger, act, soon, note", s), "severity", j)
		}
	}
	for j, s := range r.Rule {
		if _, ok := ruleByName[s]; !ok {
			bad(fmt.Sprintf("unknown rule %q", s), "rule", j)
		}
	}
	if len(r.To) == 0 {
		bad("required: names of channels", "to")
	}
	for _, l := range []struct {
		key   string
		names []string
	}{{"to", r.To}, {"escalate_to", r.EscalateTo}} {
		for j, n := range l.names {
			if _, ok := c.channels[n]; !ok {
				bad(fmt.Sprintf("no channel is named %q", n), l.key, j)
			}
		}
	}
	if r.Hours != "" {
		if _, err := ParseHours(r.Hours); err != nil {
			bad(err.Error(), "hours")
		}
	}
	if r.Night != "" && r.Night != "act" && r.Night != "danger" && r.Night != "all" {
		bad(fmt.Sprintf("%q is none of act, danger, all", r.Night), "night")
	}
}

func loopbackName(h string) bool { return h == "localhost" || h == "127.0.0.1" || h == "::1" }

func mailAddress(s string) bool {
	a, err := mail.ParseAddress(s)
	return err == nil && strings.Contains(a.Address, "@")
}

// Hours is a stretch of the day in minutes after midnight; it may run over
// midnight. From equal to To is an empty stretch.
type Hours struct{ From, To int }

// ParseHours reads "22:30-06:30".
func ParseHours(s string) (Hours, error) {
	a, b, ok := strings.Cut(s, "-")
	from, err1 := minutes(a)
	to, err2 := minutes(b)
	if !ok || err1 != nil || err2 != nil {
		return Hours{}, fmt.Errorf("%q is not hours such as \"22:30-06:30\"", s)
	}
	return Hours{from, to}, nil
}

func minutes(s string) (int, error) {
	h, m, ok := strings.Cut(strings.TrimSpace(s), ":")
	hh, err1 := strconv.Atoi(h)
	mm, err2 := strconv.Atoi(m)
	if !ok || err1 != nil || err2 != nil || len(m) != 2 || hh < 0 || hh > 24 || mm < 0 || mm > 59 || hh == 24 && mm > 0 {
		return 0, fmt.Errorf("%q is not a time of day", s)
	}
	return (hh*60 + mm) % (24 * 60), nil
}

// In reports whether t falls into the hours, and when they end.
func (h Hours) In(t time.Time, loc *time.Location) (bool, time.Time) {
	if h.From == h.To {
		return false, time.Time{}
	}
	if loc == nil {
		loc = time.UTC
	}
	t = t.In(loc)
	m := t.Hour()*60 + t.Minute()
	in := m >= h.From && m < h.To
	if h.From > h.To {
		in = m >= h.From || m < h.To
	}
	if !in {
		return false, time.Time{}
	}
	return true, next(t, h.To)
}

// next is the first time after t at a minute of the day. Built by the
// calendar, so that a night with a clock change ends at the right hour.
func next(t time.Time, minute int) time.Time {
	y, mo, d := t.Date()
	n := time.Date(y, mo, d, minute/60, minute%60, 0, 0, t.Location())
	if !n.After(t) {
		n = time.Date(y, mo, d+1, minute/60, minute%60, 0, 0, t.Location())
	}
	return n
}

// Secret reads a secret from a file or an environment variable, whichever is
// named; "" where neither is. A file that everybody on the machine can read is
// refused. Errors name the place, never the secret.
func Secret(file, env string) (string, error) {
	switch {
	case env != "":
		v, ok := os.LookupEnv(env)
		if !ok || strings.TrimSpace(v) == "" {
			return "", fmt.Errorf("secret: environment variable %s: not set", env)
		}
		return strings.TrimSpace(v), nil
	case file != "":
		f, err := os.Open(file)
		if err != nil {
			return "", fmt.Errorf("secret: %w", err)
		}
		defer f.Close()
		st, err := f.Stat() // of the open file, so that it can't be exchanged between check and reading
		if err != nil {
			return "", fmt.Errorf("secret: %w", err)
		}
		if !st.Mode().IsRegular() {
			return "", fmt.Errorf("secret: %s: not a file", file)
		}
		if st.Mode().Perm()&0o004 != 0 {
			return "", fmt.Errorf("secret: %s: readable by everybody: chmod o-r it", file)
		}
		b, err := io.ReadAll(io.LimitReader(f, 8<<10+1))
		if err != nil {
			return "", fmt.Errorf("secret: %w", err)
		}
		if len(b) > 8<<10 {
			return "", fmt.Errorf("secret: %s: longer than 8 KiB", file)
		}
		v := strings.TrimSpace(string(b))
		if v == "" {
			return "", fmt.Errorf("secret: %s: empty", file)
		}
		return v, nil
	}
	return "", nil
}
