// SPDX-License-Identifier: Apache-2.0

package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"curewright/internal/testkit"
)

// check prints what would be sent where.
func TestCheckPrintsOutputs(t *testing.T) {
	f := filepath.Join(t.TempDir(), "c.toml")
	text := "[shop]\nname = \"Boat shed\"\n[mqtt]\nurl = \"mqtts://broker.local\"\n[[mqtt.topic]]\ntopic = \"radio/+\"\nplain = \"temp\"\n[influx]\nurl = \"http://metrics.local:8428\"\nbucket = \"shed\"\n"
	testkit.Write(t, f, text)
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
		testkit.Write(t, name, text)
	}
	code, _, errs := runCmd(t, "check", "--config", f)
	if code != exitUsage || !strings.Contains(errs, "web.tls_cert") || !strings.Contains(errs, "store.path") {
		t.Errorf("check: exit %d\n%s", code, errs)
	}
	if code, _, errs := runCmd(t, "watch", "--config", f); code == exitDone {
		t.Errorf("watch takes it: %s", errs)
	}
}

// Each of these stops watch; check says so, and leaves no store, socket or
// connection behind.
func TestCheckMakesTheParts(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	for name, c := range map[string]struct{ text, want string }{
		"a webhook that is no address":  {"[[alert.channel]]\nname = \"hook\"\nkind = \"webhook\"\nurl_file = \"DIR/hook\"\n", "url"},
		"messages without a broker":     {"[[alert.channel]]\nname = \"m\"\nkind = \"mqtt\"\n", "[mqtt]"},
		"a store below a file":          {"[store]\npath = \"DIR/hook/store\"\n", "store.path: DIR/hook is no folder"},
		"a broker's certificate":        {"[mqtt]\nurl = \"mqtts://127.0.0.1\"\nca_file = \"DIR/hook\"\n", "mqtt"},
		"a certificate that is no such": {"[web]\nlisten = \"127.0.0.1:0\"\ntls_cert = \"DIR/hook\"\ntls_key = \"DIR/hook\"\n", "web.tls_cert"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			f := filepath.Join(dir, "c.toml")
			text := c.text
			if !strings.Contains(text, "[store]") {
				text = "[store]\npath = \"DIR/store\"\n" + text
			}
			for name, text := range map[string]string{f: strings.ReplaceAll(text, "DIR", dir), filepath.Join(dir, "hook"): "not an address"} {
				testkit.Write(t, name, text)
			}
			code, _, errs := runCmd(t, "check", "--config", f)
			if want := strings.ReplaceAll(c.want, "DIR", dir); code != exitUsage || !strings.Contains(errs, want) {
				t.Errorf("check: exit %d, %q, want %q", code, errs, want)
			}
			if code, out, errs := runCmd(t, "watch", "--config", f); code == exitDone || strings.Contains(out, "watches") {
				t.Errorf("watch takes it: %s%s", out, errs)
			}
			if _, err := os.Stat(filepath.Join(dir, "store", "control.sock")); err == nil {
				t.Error("a socket was left")
			}
		})
	}
	left, err := os.ReadDir(os.Getenv("TMPDIR"))
	if err != nil || len(left) > 0 {
		t.Errorf("check left %v (%v)", left, err)
	}
}

// A buzzer that is not there, and a tent's line and switch, stop neither: the
// daemon starts and says what it lacks.
func TestStartsWithoutItsLines(t *testing.T) {
	dir := t.TempDir()
	f := filepath.Join(dir, "c.toml")
	text := "[store]\npath = \"" + dir + "/store\"\n[web]\nlisten = \"127.0.0.1:0\"\n" +
		"[[alert.channel]]\nname = \"piezo\"\nkind = \"buzzer\"\npin = \"GPIO99\"\nbutton = \"GPIO98\"\n"
	testkit.Write(t, f, text)
	if code, _, errs := runCmd(t, "check", "--config", f); code != exitDone {
		t.Errorf("check: exit %d, %s", code, errs)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	out := &onLine{find: "curewright watches", then: cancel}
	var errs bytes.Buffer
	if code := run(ctx, []string{"watch", "--config", f}, strings.NewReader(""), out, &errs); code != exitDone || !out.found {
		t.Errorf("watch: exit %d, %v\n%s", code, out.found, errs.String())
	}
	for _, w := range []string{"nothing sounds on this board", "GPIO99", "the button acknowledges nothing", "GPIO98"} {
		if !strings.Contains(errs.String(), w) {
			t.Errorf("the log does not say %q:\n%s", w, errs.String())
		}
	}
}

// onLine calls then once find was written.
type onLine struct {
	find  string
	then  func()
	found bool
}

func (o *onLine) Write(b []byte) (int, error) {
	if !o.found && bytes.Contains(b, []byte(o.find)) {
		o.found = true
		o.then()
	}
	return len(b), nil
}
