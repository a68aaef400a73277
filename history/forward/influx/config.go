// SPDX-License-Identifier: Apache-2.0

package influx

import (
	"fmt"
	"maps"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"

	"curewright/model/tomlfile"
	"curewright/sensors"
)

// Section is [influx]. Without a url nothing is sent.
type Section struct {
	URL    string `toml:"url"` // of the server, without /api/v2
	Org    string `toml:"org"`
	Bucket string `toml:"bucket"`
	// TokenFile or TokenEnv name the file or variable with the API token; a server
	// without log-in needs none.
	TokenFile string `toml:"token_file"`
	TokenEnv  string `toml:"token_env"`
	// Site is the tag "site"; default the shop's name.
	Site string `toml:"site"`
	// Labels are further tags of every point.
	Labels map[string]string `toml:"external_labels"`

	Every     sensors.Duration `toml:"every"`      // how often new points are sent; default 10s
	Batch     int              `toml:"batch"`      // points in one request; default 1000
	Rate      int              `toml:"rate"`       // points a second while catching up; default 2000
	CureEvery sensors.Duration `toml:"cure_every"` // grid of the cure's points; default 5m
	Timeout   sensors.Duration `toml:"timeout"`    // of one request; default 30s
	// Repeat is the time before a broken connection whose acknowledged points are
	// sent again, since some servers acknowledge before the data is on disk.
	// Default 30s; "0s" for none.
	Repeat *sensors.Duration `toml:"repeat"`
}

// On reports whether anything is to be sent.
func (s Section) On() bool { return s.URL != "" }

// own are the tag keys that the points or the protocol use themselves.
var own = []string{"site", "probe", "coat", "panel", "kind", "subject", "time", "measurement", "field"}

// Check returns every fault of the section at its place in f, which may be
// nil. It opens nothing.
func (s Section) Check(f *tomlfile.File) tomlfile.Faults {
	var out tomlfile.Faults
	bad := func(key, format string, a ...any) {
		out = append(out, f.Fault(fmt.Sprintf(format, a...), "influx", key))
	}
	if s.URL == "" {
		if f.Has("influx") {
			bad("url", "required")
		}
	} else if u, err := url.Parse(s.URL); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		bad("url", "not an http or https address")
	} else {
		if u.User != nil {
			bad("url", "carries a password: use token_file or token_env")
		}
		if u.RawQuery != "" || u.Fragment != "" {
			bad("url", "only scheme, host and path: org and bucket have keys of their own")
		}
		if u.Scheme == "http" && (s.TokenFile != "" || s.TokenEnv != "") && !private(u.Hostname()) {
			bad("url", "would send the token in the clear over the internet: use https")
		}
		if s.Bucket == "" {
			bad("bucket", "required")
		}
	}
	if s.TokenFile != "" && s.TokenEnv != "" {
		bad("token_env", "given beside token_file: one of them")
	}
	for _, n := range []struct {
		key      string
		v        int
		min, max int
	}{{"batch", s.Batch, 1, 20_000}, {"rate", s.Rate, 10, 1_000_000}} {
		if n.v != 0 && (n.v < n.min || n.v > n.max) {
			bad(n.key, "%d is not between %d and %d", n.v, n.min, n.max)
		}
	}
	for _, d := range []struct {
		key      string
		v        sensors.Duration
		min, max time.Duration
	}{{"every", s.Every, time.Second, time.Hour}, {"cure_every", s.CureEvery, time.Minute, time.Hour}, {"timeout", s.Timeout, time.Second, 5 * time.Minute}} {
		if v := time.Duration(d.v); v != 0 && (v < d.min || v > d.max) {
			bad(d.key, "%v is not between %v and %v", v, d.min, d.max)
		}
	}
	if s.Repeat != nil && (*s.Repeat < 0 || *s.Repeat > sensors.Duration(time.Hour)) {
		bad("repeat", "%v is not between 0s and 1h", time.Duration(*s.Repeat))
	}
	if clean(s.Site) != s.Site {
		bad("site", "%q: no line breaks, backslashes or control characters", s.Site)
	}
	for _, k := range slices.Sorted(maps.Keys(s.Labels)) {
		at := func(format string, a ...any) {
			out = append(out, f.Fault(fmt.Sprintf(format, a...), "influx", "external_labels", k))
		}
		switch {
		case slices.Contains(own, k):
			at("%q is a tag of its own", k)
		case !labelKey(k):
			at("%q: letters, digits and underscores only, not a digit first", k)
		case s.Labels[k] == "" || clean(s.Labels[k]) != s.Labels[k]:
			at("%q: some text without line breaks, backslashes or control characters", s.Labels[k])
		}
	}
	return out
}

func labelKey(k string) bool {
	if k == "" || k[0] == '_' {
		return false // InfluxDB keeps the leading underscore for itself
	}
	for i, c := range k {
		if !(c == '_' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || i > 0 && c >= '0' && c <= '9') {
			return false
		}
	}
	return true
}

// clean removes from a tag what the line protocol can't carry: line breaks, control
// characters, and the backslash, which would escape the next character.
func clean(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		switch {
		case r == '\\':
			return '/'
		case unicode.IsControl(r), r == '\uFFFD':
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD")))
}

// oneLine removes line breaks and control characters from a field's text. The protocol
// allows some of them within quotes, but some servers end the line there and lose the
// point.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
}

// private is this machine or one on the shop's or yard's own network: a bare
// name, one in .local or a private address (RFC 1918, RFC 4193).
func private(host string) bool {
	if !strings.Contains(host, ".") && !strings.Contains(host, ":") || strings.HasSuffix(host, ".local") || strings.HasSuffix(host, ".lan") || strings.HasSuffix(host, ".internal") {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && (a.IsPrivate() || a.IsLinkLocalUnicast() || a.IsLoopback())
}
