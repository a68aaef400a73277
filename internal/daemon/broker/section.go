// SPDX-License-Identifier: Apache-2.0

package broker

import (
	"cmp"
	"errors"
	"fmt"
	"net"
	"net/url"
	"regexp"
	"strings"
	"time"
	"unicode"

	"curewright/history/forward/mqtt"
	"curewright/model/tomlfile"
	"curewright/sensors"
	"curewright/sensors/mqttin"
)

// Section is [mqtt]. Without a url there is no connection.
type Section struct {
	URL string `toml:"url"` // mqtt://HOST:1883 or mqtts://HOST:8883

	User       string `toml:"user"`
	SecretFile string `toml:"secret_file"` // the password
	SecretEnv  string `toml:"secret_env"`
	CAFile     string `toml:"ca_file"` // PEM; "" for the system's
	CertFile   string `toml:"cert_file"`
	KeyFile    string `toml:"key_file"`

	ClientID string `toml:"client_id"` // default "curewright-" and a number of this board's own
	Base     string `toml:"base"`      // topics begin with base/site; default "curewright"
	Site     string `toml:"site"`      // default the shop's name

	Readings *bool            `toml:"readings"` // publish readings; default true
	State    *bool            `toml:"state"`    // publish coats, panels, cups, alerts; default true
	Expire   sensors.Duration `toml:"expire"`   // of the state; default 10m
	Rate     int              `toml:"rate"`     // readings a second while catching up; default 200

	Discovery   string `toml:"discovery"`    // prefix by which home hubs find what is published; "" for none
	TentControl bool   `toml:"tent_control"` // a hub may ask for heat, with the role control

	Topics []mqttin.Topic `toml:"topic"`

	where []string // place of each topic in the file
}

// On reports whether there is a connection.
func (s Section) On() bool { return s.URL != "" }

// defaultBase begins the topics of every board of a yard.
const defaultBase = "curewright"

// BaseOf is what every topic of a shop's board begins with.
func (s Section) BaseOf(shop string) string {
	return cmp.Or(s.Base, defaultBase) + "/" + mqtt.Level(cmp.Or(s.Site, slug(shop)))
}

// slug makes a level of a topic out of a shop's name: "Boat shed" becomes
// boat-shed.
func slug(name string) string {
	return cmp.Or(strings.Join(strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r)
	}), "-"), "shop")
}

// SendsReadings reports whether readings are published.
func (s Section) SendsReadings() bool { return s.On() && (s.Readings == nil || *s.Readings) }

// sendsState reports whether coats, panels, cups and alerts are.
func (s Section) sendsState() bool { return s.State == nil || *s.State }

// Check returns every fault of the section, and remembers where its topics stand
// in the file. heated says that there is a heater that a hub could ask.
func (s *Section) Check(f *tomlfile.File, shop string, heated bool) tomlfile.Faults {
	s.where = s.places(f)
	var out tomlfile.Faults
	bad := func(key, format string, a ...any) {
		out = append(out, f.Fault(fmt.Sprintf(format, a...), "mqtt", key))
	}
	u, err := s.Broker()
	switch {
	case !s.On():
		if f.Has("mqtt") {
			bad("url", "required")
		}
	case err != nil:
		bad("url", "%v", err)
	default:
		secure := u.Scheme == "mqtts"
		for _, k := range []struct{ key, v string }{{"ca_file", s.CAFile}, {"cert_file", s.CertFile}, {"key_file", s.KeyFile}} {
			if k.v != "" && !secure {
				bad(k.key, "only with mqtts://")
			}
		}
		if !secure && (s.SecretFile != "" || s.SecretEnv != "") && !localHost(u.Hostname()) {
			bad("url", "would send the password in the clear over the internet: use mqtts://")
		}
	}
	if (s.CertFile == "") != (s.KeyFile == "") {
		bad("cert_file", "cert_file and key_file go together")
	}
	if s.SecretFile != "" && s.SecretEnv != "" {
		bad("secret_env", "given beside secret_file: one of them")
	}
	if s.User == "" && (s.SecretFile != "" || s.SecretEnv != "") {
		bad("user", "required with a secret")
	}
	if len(s.ClientID) > 128 || strings.ContainsFunc(s.ClientID, unicode.IsControl) {
		bad("client_id", "%q: at most 128 characters of text", s.ClientID)
	}
	for _, l := range strings.Split(s.Base, "/") {
		if s.Base != "" && (l == "" || mqtt.Level(l) != l) {
			bad("base", "%q: names separated by single /, without + or #", s.Base)
			break
		}
	}
	if strings.ContainsFunc(s.Site, unicode.IsControl) || len(s.Site) > 200 {
		bad("site", "%q: one line of text", s.Site)
	}
	if d := time.Duration(s.Expire); d != 0 && (d < time.Minute || d > 24*time.Hour) {
		bad("expire", "%v is not between 1m and 24h", d)
	}
	if s.Rate < 0 || s.Rate > 10_000 {
		bad("rate", "%d is not between 1 and 10000", s.Rate)
	}
	for _, err := range mqttin.Check(s.Topics) {
		out = append(out, f.FaultAt(err))
	}
	if err == nil {
		out = append(out, s.checkHub(f, s.BaseOf(shop), u, heated)...)
	}
	return out
}

// Broker is the address of the broker.
func (s Section) Broker() (*url.URL, error) {
	u, err := url.Parse(s.URL)
	switch {
	case err != nil || u.Host == "" || u.Hostname() == "":
		return nil, errors.New("not an address such as mqtt://broker.local:1883")
	case u.Scheme != "mqtt" && u.Scheme != "mqtts":
		return nil, fmt.Errorf("%q is neither mqtt nor mqtts", u.Scheme)
	case u.User != nil:
		return nil, errors.New("carries a password: use user and secret_file or secret_env")
	case u.Path != "" && u.Path != "/" || u.RawQuery != "":
		return nil, errors.New("an address has no path")
	}
	if u.Port() == "" {
		port := map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme] // as registered with IANA
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, nil
}

// localHost is a host in the shop or the yard: a bare name, one in .local or
// a private address (RFC 1918, RFC 4193).
func localHost(host string) bool {
	if ip := net.ParseIP(host); ip != nil {
		return ip.IsLoopback() || ip.IsPrivate() || ip.IsLinkLocalUnicast()
	}
	for _, end := range []string{".local", ".lan", ".internal", ".home.arpa"} {
		if strings.HasSuffix(host, end) {
			return true
		}
	}
	return !strings.Contains(host, ".")
}

// places says where each topic stands in the configuration.
func (s *Section) places(f *tomlfile.File) []string {
	out := make([]string, len(s.Topics))
	for i := range s.Topics {
		out[i] = fmt.Sprintf("mqtt.topic[%d]", i)
		if line, col := f.Place("mqtt", "topic", i, "topic"); line > 0 {
			out[i] = fmt.Sprintf("%d:%d: %s", line, col, out[i])
		}
	}
	return out
}

// discoveryLevel is what a level of a discovery prefix may be made of.
var discoveryLevel = regexp.MustCompile(`^[a-zA-Z0-9_-]+$`)

// checkHub returns the faults of discovery and of asking for heat over MQTT.
func (s Section) checkHub(f *tomlfile.File, base string, u *url.URL, heated bool) tomlfile.Faults {
	var out tomlfile.Faults
	bad := func(key, format string, a ...any) {
		out = append(out, f.Fault(fmt.Sprintf(format, a...), "mqtt", key))
	}
	if s.Discovery != "" {
		levels := strings.Split(s.Discovery, "/")
		for _, l := range levels {
			if !discoveryLevel.MatchString(l) {
				bad("discovery", "%q: names of letters, digits, _ and - separated by single /", s.Discovery)
				break
			}
		}
		if s.Discovery == base || strings.HasPrefix(base+"/", s.Discovery+"/") || strings.HasPrefix(s.Discovery+"/", base+"/") {
			bad("discovery", "%q and this board's own topics, %q, lie in each other: the hub would read ours as its own", s.Discovery, base)
		}
		if !s.sendsState() {
			bad("discovery", "a hub is told of the state: not with state = false")
		}
		for i, t := range s.Topics {
			if strings.HasPrefix(t.Topic+"/", s.Discovery+"/") {
				bad("discovery", "%q is where mqtt.topic[%d], %q, listens to a probe", s.Discovery, i, t.Topic)
			}
		}
	}
	if s.TentControl {
		switch {
		case !heated:
			bad("tent_control", "there is no heater: [tent] has no output")
		case s.User == "" && s.CertFile == "" && !localHost(u.Hostname()):
			bad("tent_control", "anybody on the broker could ask for heat: give user and a secret, or a certificate")
		}
	}
	return out
}
