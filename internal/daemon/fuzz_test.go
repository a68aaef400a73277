// SPDX-License-Identifier: Apache-2.0

package daemon

import (
	"errors"
	"strings"
	"testing"

	"curewright/internal/fault"
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
		_, err := ParseConfig("c.toml", b)
		var u *fault.Input
		if err != nil && !errors.As(err, &u) {
			t.Fatalf("%v is no fault of the file", err)
		}
		if u != nil {
			for _, l := range u.Lines {
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
		if _, err := ParseConfig("c.toml", append(b[:len(b):len(b)], "\n[nobody_knows]\nthis = 1\n"...)); err == nil {
			t.Error("a section that nobody knows is taken")
		}
	})
}
