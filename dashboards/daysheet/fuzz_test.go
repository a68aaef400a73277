// SPDX-License-Identifier: Apache-2.0

package daysheet

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"curewright/model/plan"
)

// icsValues reads content lines as RFC 5545 says: §3.1 unfolds a line break
// that a blank or a tab follows, §3.3.11 has four escapes. It is strict: what
// it does not know is a fault. Names are those of the lines, in order.
func icsValues(t *testing.T, b []byte) (names, values []string) {
	t.Helper()
	if !bytes.HasSuffix(b, []byte("\r\n")) || !utf8.Valid(b) {
		t.Fatal("does not end in CRLF, or is no UTF-8")
	}
	for _, l := range strings.Split(strings.TrimSuffix(string(b), "\r\n"), "\r\n") {
		if len(l) > 75 || strings.ContainsAny(l, "\r\n") {
			t.Fatalf("line %q: longer than 75 octets, or a bare line break", l)
		}
		if l != "" && (l[0] == ' ' || l[0] == '\t') {
			values[len(values)-1] += l[1:]
			continue
		}
		name, value, ok := strings.Cut(l, ":")
		if !ok || strings.Trim(name, "ABCDEFGHIJKLMNOPQRSTUVWXYZ-;=") != "" {
			t.Fatalf("line %q has no name", l)
		}
		names, values = append(names, name), append(values, value)
	}
	return names, values
}

func unescapeText(t *testing.T, s string) string {
	t.Helper()
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		switch {
		case s[i] == ';' || s[i] == ',':
			t.Fatalf("%q: %q stands bare in a text", s, s[i])
		case s[i] != '\\':
			b.WriteByte(s[i])
		case i+1 < len(s) && strings.IndexByte(`\;,`, s[i+1]) >= 0:
			i++
			b.WriteByte(s[i])
		case i+1 < len(s) && (s[i+1] == 'n' || s[i+1] == 'N'):
			i++
			b.WriteByte('\n')
		default:
			t.Fatalf("%q: an escape that there is none of", s)
		}
	}
	return b.String()
}

// Whatever a step, a side or a shop is called, the calendar has one event with
// one alarm, and says the words again.
func FuzzICS(f *testing.F) {
	f.Add("lid-outer", "fill", "press it in", "The boat shed")
	f.Add("a\r\nEND:VCALENDAR", "x\nATTACH:http://x", `\n;,\\`, "ä"+strings.Repeat("ö", 80))
	f.Add("\x00\x7f\u2028", ":", "\xff", "\t ")
	f.Fuzz(func(t *testing.T, panel, do, say, shop string) {
		at := time.Date(2026, 10, 10, 8, 0, 0, 0, time.UTC)
		res := plan.Result{Start: &at, Steps: []plan.Planned{{Step: "s", Panel: panel, Do: do, Say: say, At: at, Until: at.Add(time.Hour)}}}
		names, values := icsValues(t, ICS(res, Options{Title: "t", Shop: shop, Made: at}))
		count, last := map[string]int{}, map[string]string{}
		for i, n := range names {
			key := n
			if n == "BEGIN" || n == "END" {
				key += ":" + values[i]
			}
			count[key]++
			if _, ok := last[n]; !ok {
				last[n] = values[i]
			}
		}
		for _, k := range []string{"BEGIN:VCALENDAR", "END:VCALENDAR", "BEGIN:VEVENT", "END:VEVENT", "BEGIN:VALARM", "END:VALARM", "UID", "SUMMARY", "ACTION"} {
			if count[k] != 1 {
				t.Errorf("%d × %s, want one", count[k], k)
			}
		}
		if count["ATTACH"]+count["URL"] > 0 {
			t.Error("a name became a property")
		}
		// Characters that a TEXT may not hold (§3.3.11: no controls) are gone.
		plain := func(s string) string {
			return strings.Map(func(r rune) rune {
				if r != '\n' && r != '\t' && r < 0x80 && unicode.IsControl(r) || r == utf8.RuneError {
					return -1
				}
				return r
			}, strings.ReplaceAll(s, "\r\n", "\n"))
		}
		if shop != "" {
			if got := unescapeText(t, last["LOCATION"]); got != plain(shop) {
				t.Errorf("shop %q is read as %q", plain(shop), got)
			}
		}
		if got := unescapeText(t, last["DESCRIPTION"]); !strings.HasPrefix(got, plain(say)) {
			t.Errorf("sentence %q is read as %q", plain(say), got)
		}
		if got := unescapeText(t, last["SUMMARY"]); !strings.HasSuffix(got, plain(panel)) {
			t.Errorf("side %q is read as %q", plain(panel), got)
		}
	})
}
