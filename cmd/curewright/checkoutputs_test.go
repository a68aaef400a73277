// SPDX-License-Identifier: Apache-2.0

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// check prints what would be sent where.
func TestCheckPrintsOutputs(t *testing.T) {
	f := filepath.Join(t.TempDir(), "c.toml")
	text := "[shop]\nname = \"Boat shed\"\n[mqtt]\nurl = \"mqtts://broker.local\"\n[[mqtt.topic]]\ntopic = \"radio/+\"\nplain = \"temp\"\n[influx]\nurl = \"http://metrics.local:8428\"\nbucket = \"shed\"\n"
	if err := os.WriteFile(f, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	out := cmdOK(t, "check", "--config", f)
	for _, w := range []string{"mqtt       mqtts://broker.local:8883, topics below curewright/boat-shed", "listens to radio/+: probe $1", "influx     http://metrics.local:8428, bucket shed"} {
		if !strings.Contains(out, w) {
			t.Errorf("check prints\n%s\nwithout %q", out, w)
		}
	}
}

// What watch refuses check refuses too, both faults at once and with the same
// words.
func TestCheckRefusesWhatWatchDoes(t *testing.T) {
	dir := t.TempDir()
	f, store := filepath.Join(dir, "c.toml"), filepath.Join(dir, "store")
	for name, text := range map[string]string{
		store: "a file", filepath.Join(dir, "cert.pem"): "no certificate", filepath.Join(dir, "key.pem"): "no key",
		f: "[store]\npath = \"" + store + "\"\n[web]\nlisten = \"127.0.0.1:0\"\ntls_cert = \"" + dir + "/cert.pem\"\ntls_key = \"" + dir + "/key.pem\"\n",
	} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	code, _, errs := runCmd(t, "check", "--config", f)
	if code != exitUsage || !strings.Contains(errs, "web.tls_cert") || !strings.Contains(errs, "store.path") {
		t.Errorf("check: exit %d\n%s", code, errs)
	}
	if code, _, errs := runCmd(t, "watch", "--config", f); code == exitDone {
		t.Errorf("watch takes it: %s", errs)
	}
}
