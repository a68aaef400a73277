package daemon

import (
	"errors"
	"strings"
	"testing"
	"time"

	"curewright/model/tomlfile"
)

// Whatever the configuration file says, every fault has a place in it and a
// word, and a key that nobody knows is never taken in silence.
func FuzzConfig(f *testing.F) {
	for _, s := range []string{
		"[web]\nlisten = \"0.0.0.0:8374\"\nhosts = [\"shed.example\"]\n",
		"[store]\nkeep_days = -1\nmax_mb = 1\n[sleep]\nfrom = \"22:30\"\nto = \"06:00\"\n",
		"[[probe]]\nid = \"panel-1\"\ndriver = \"ds18b20\"\nbus = \"w1:28-0316a2795d1f\"\nevery = \"10s\"\n",
		"[[alert.channel]]\nname = \"phone\"\nkind = \"push\"\n[[route]]\nto = [\"phone\"]\nseverity = \"act\"\n",
		"[mqtt]\nbroker = \"mqtt://127.0.0.1:1883\"\n[influx]\nurl = \"http://127.0.0.1:8428\"\nbucket = \"shed\"\n",
		"[tent]\nmin_c = 5\nmax_c = 28\noutput = \"gpio:17\"\n[shop]\nname = \"x\"\n", "a = 1979-05-27T07:32:00Z\n", "[web", "\xff",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		_, err := parseConfig("c.toml", b)
		var u *usageError
		if err != nil && !errors.As(err, &u) {
			t.Fatalf("%v is no fault of the file", err)
		}
		if u != nil {
			for _, l := range u.lines {
				if !strings.HasPrefix(l, "c.toml") || len(l) < len("c.toml: x") {
					t.Errorf("fault %q has no place", l)
				}
			}
			return
		}
		var any map[string]any
		if _, faults := tomlfile.Decode(append(b[:len(b):len(b)], "\n[nobody_knows]\nthis = 1\n"...), &any); faults.Err() != nil {
			return
		}
		if _, err := parseConfig("c.toml", append(b[:len(b):len(b)], "\n[nobody_knows]\nthis = 1\n"...)); err == nil {
			t.Error("a section that nobody knows is taken")
		}
	})
}

// A time as people say it is a moment or a fault; what is "ago" is never to
// come, and a moment written out is read again as the same.
func FuzzWhen(f *testing.F) {
	for _, s := range []string{"now", "15m", "1h30m ago", "14:05", "23:59", "2026-10-10T14:05:00+01:00", "-5m", "24:00", "9:5", "1e9h", ""} {
		f.Add(s)
	}
	zone := time.FixedZone("shed", 3600)
	now := time.Date(2026, 10, 10, 0, 30, 0, 0, zone)
	f.Fuzz(func(t *testing.T, s string) {
		at, err := when("at", s, now)
		if err != nil {
			if !strings.Contains(err.Error(), "--at") {
				t.Errorf("%q: %v does not name the flag", s, err)
			}
			return
		}
		if at.After(now.Add(time.Hour)) {
			// Only a date written out can be to come.
			if _, err := time.Parse(time.RFC3339, s); err != nil {
				t.Errorf("%q is %v, %v is now", s, at, now)
			}
		}
		if y := at.Year(); y < 0 || y > 9999 {
			return // RFC 3339 has four digits
		}
		again, err := when("at", at.Format(time.RFC3339Nano), now)
		if err != nil || !again.Equal(at) {
			t.Errorf("%q is %v, and written out %v (%v)", s, at, again, err)
		}
	})
}
