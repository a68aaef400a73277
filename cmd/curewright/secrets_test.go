// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"curewright/internal/testkit"
)

// What the daemon would trip over when it starts is said before it is started:
// every secret that is missing, open to everybody or unusable, all at once, each
// with the line that names it, and never the secret.
func TestSecretsAreLookedAt(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		p := filepath.Join(dir, name)
		testkit.Write(t, p, text)
		if err := os.Chmod(p, mode); err != nil { // whatever the umask
			t.Fatal(err)
		}
		return p
	}
	open, shut := write("open", "hunter-22\n", 0o644), write("shut", "hunter-22\n", 0o600)
	empty, odd := write("empty", "\n", 0o600), write("odd", "no-such-service-x://hunter-22@host\n", 0o640)
	hook, pem := write("hook", "https://yard.example/hunter-22\n", 0o600), write("pem", "hunter-22", 0o644)
	gone := filepath.Join(dir, "gone")
	t.Setenv("CUREWRIGHT_TEST_SECRET", "hunter-22")

	const form = `[alert]
heartbeat_url_file = "BEAT"
[[alert.channel]]
name = "phone"
kind = "push"
url_file = "PUSH"
[[alert.channel]]
name = "hook"
kind = "webhook"
url_file = "HOOK"
secret_env = "ENV"
[mqtt]
url = "mqtts://broker.local"
user = "shed"
secret_file = "MQTT"
ca_file = "CA"
cert_file = "CA"
key_file = "KEY"
[influx]
url = "http://127.0.0.1:8086"
bucket = "shed"
token_file = "INFLUX"
`
	fill := func(pairs ...string) string {
		return write("shed.toml", strings.NewReplacer(pairs...).Replace(form), 0o600)
	}

	bad := fill("BEAT", gone, "PUSH", odd, "HOOK", open, `"ENV"`, `"CUREWRIGHT_TEST_UNSET"`, "MQTT", open, "CA", pem, "KEY", pem, "INFLUX", empty)
	at := "curewright: " + bad + ":"
	want := []string{
		at + "2:1: alert.heartbeat_url_file: " + gone + ": no such file or directory",
		at + "6:1: alert.channel[0].url_file: ",
		at + "10:1: alert.channel[1].url_file: " + open + ": readable by everybody: chmod o-r it",
		at + "11:1: alert.channel[1].secret_env: environment variable CUREWRIGHT_TEST_UNSET: not set",
		at + "15:1: mqtt.secret_file: " + open + ": readable by everybody: chmod o-r it",
		at + "18:1: mqtt.key_file: " + pem + ": readable by everybody: chmod o-r it",
		at + "22:1: influx.token_file: " + empty + ": empty",
	}
	for _, cmd := range []string{"check", "watch"} {
		code, out, errs := runCmd(t, cmd, "--config", bad)
		if code != 2 || out != "" {
			t.Errorf("%s: exit %d, says %q; want 2 and nothing", cmd, code, out)
		}
		if strings.Contains(errs, "hunter") {
			t.Errorf("%s shows a secret:\n%s", cmd, errs)
		}
		want := want
		if cmd == "check" { // another user's environment is not the daemon's
			want = append(append([]string(nil), want[:3]...), want[4:]...)
		}
		got := strings.Split(strings.TrimSpace(errs), "\n")
		for i := 0; i < max(len(got), len(want)); i++ {
			switch {
			case i >= len(got):
				t.Errorf("%s does not say %q", cmd, want[i])
			case i >= len(want) || !strings.HasPrefix(got[i], want[i]):
				t.Errorf("%s: fault %d is %q", cmd, i+1, got[i])
			}
		}
	}

	good := fill("BEAT", hook, `url_file = "PUSH"`, `url_env = "CUREWRIGHT_TEST_PUSH"`, "HOOK", hook, "ENV", "CUREWRIGHT_TEST_SECRET", "MQTT", shut, "CA", pem, "KEY", shut, "INFLUX", shut)
	out := cmdOK(t, "check", "--config", good)
	if !strings.Contains(out, "is good") || !strings.Contains(out, "environment variable CUREWRIGHT_TEST_PUSH: not set here") || strings.Contains(out, "hunter") {
		t.Errorf("a good file: %q", out)
	}
}
